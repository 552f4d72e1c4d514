"""Amounts at a price, gathered over the parts of a period: what does not change in mid-period stays one line."""

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from decimal import Decimal

from tariffs.billing.lines import ZERO, Placed, priced


@dataclass(frozen=True)
class Piece:
    """A quantity that one part of a period pays for at one price."""

    label: str
    tags: tuple[str, str]
    part: int
    quantity: Decimal
    price: Decimal
    unit: str = "kWh"


def gathered(pieces: Iterable[Piece], note: Callable[[list[Piece]], str] = lambda _: "") -> Iterator[Placed]:
    """Yield one line for each label and price, in the order in which they first stand.

    Parameters
    ----------
    pieces : iterable of Piece
        Those of no quantity say no more than where their line stands.
    note : callable
        What to write behind the label of a line made of these pieces.
    """
    found: dict[tuple[object, ...], list[Piece]] = {}
    for piece in pieces:
        same = found.setdefault((piece.label, piece.tags, piece.price, piece.unit), [])
        if piece.quantity:
            same.append(piece)
    for same in filter(None, found.values()):
        first = same[0]
        quantity = sum((piece.quantity for piece in same), ZERO)
        line = priced(first.label + note(same), first.tags, quantity, first.price, first.unit)
        amounts: dict[int, Decimal] = {}
        for piece in same:
            amounts[piece.part] = amounts.get(piece.part, ZERO) + piece.quantity * piece.price
        yield Placed(line, amounts)
