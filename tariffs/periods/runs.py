"""What a version leaves as it was runs on: stretches of a billing period over which one entry of the sheets holds.

A version that begins in mid-period changes only what it names. So limits, minimum bills and percentages are cut only
where they themselves change: each entry has its own runs of the period's parts.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from functools import partial
from typing import TYPE_CHECKING, TypeAlias, TypeVar

from tariffs.sheet.export_credit import ExportCredit
from tariffs.sheet.percent import Adjustment
from tariffs.sheet.usage import Minimum

if TYPE_CHECKING:
    from collections.abc import Callable, Hashable, Iterable, Iterator, Sequence

    from tariffs.periods.layout import Layout
    from tariffs.sheet.tariff import Sheet

Entry = TypeVar("Entry")
Item: TypeAlias = Adjustment | Minimum | ExportCredit
Key = TypeVar("Key", bound="Hashable")


@dataclass(frozen=True)
class Run:
    """Consecutive parts of one billing period.

    Attributes
    ----------
    period : int
    parts : tuple of int
        Indices into the layout's parts, in order of time.
    steps : slice
        The steps of the series in them.
    days, share, months : Fraction
        As in `Part`, of all of them.
    """

    period: int
    parts: tuple[int, ...]
    steps: slice
    days: Fraction
    share: Fraction
    months: Fraction


def run_of(layout: Layout, parts: Sequence[int]) -> Run:
    """Return consecutive parts of one period as one run."""
    found = [layout.parts[at] for at in parts]
    return Run(
        period=found[0].period,
        parts=tuple(parts),
        steps=slice(found[0].steps.start, found[-1].steps.stop),
        days=sum((part.days for part in found), Fraction(0)),
        share=sum((part.share for part in found), Fraction(0)),
        months=sum((part.months for part in found), Fraction(0)),
    )


def runs(layout: Layout, period: int, entry: Callable[[Sheet], Entry | None]) -> Iterator[tuple[Entry, Run]]:
    """Yield what an entry of the sheets is, and the run over which it is that; nothing where it is None."""
    held: Entry | None = None
    parts: list[int] = []
    for at in layout.parts_of(period):
        now = entry(layout.sheet(layout.parts[at].version))
        if parts and now != held:
            if held is not None:
                yield held, run_of(layout, parts)
            parts = []
        held = now
        parts.append(at)
    if parts and held is not None:
        yield held, run_of(layout, parts)


def named(layout: Layout, period: int, table: Callable[[Sheet], Iterable[str]]) -> list[str]:
    """Return the names that a table of the sheets in force in a period has, in the order of the file."""
    names: list[str] = []
    for at in layout.parts_of(period):
        names = in_order(names, list(table(layout.sheet(layout.parts[at].version))))
    return names


def in_order(known: list[Key], later: Sequence[Key]) -> list[Key]:
    """Put what a later list adds behind what stands before it there."""
    found = list(known)
    before: Key | None = None
    for key in later:
        if key not in found:
            found.insert(0 if before is None else found.index(before) + 1, key)
        before = key
    return found


@dataclass(frozen=True)
class Turn:
    """A percentage or a minimum bill, and the run of a period over which it is the same."""

    item: Item
    run: Run


def turns(layout: Layout, period: int) -> list[Turn]:
    """Return the percentages and minimum bills of a period in the order in which they are taken."""
    order: list[tuple[str, ...]] = []
    for at in layout.parts_of(period):
        order = in_order(order, list(_keyed(layout.sheet(layout.parts[at].version))))
    found: list[Turn] = []
    for key in order:
        for item, run in runs(layout, period, partial(_of_key, key=key)):
            if isinstance(item, Adjustment | Minimum | ExportCredit):
                found.append(Turn(item, run))
    return found


def _of_key(sheet: Sheet, key: tuple[str, ...]) -> Item | None:
    return _keyed(sheet).get(key)


def _keyed(sheet: Sheet) -> dict[tuple[str, ...], Item]:
    """Return what is taken in turn, by what it is and, for a minimum bill, what it stands behind."""
    found: dict[tuple[str, ...], Item] = {}
    before = ""
    for item in sheet.sequence:
        if isinstance(item, Adjustment):
            found["percentage", item.name] = item
            before = item.name
        elif isinstance(item, ExportCredit):
            found["credit", item.name] = item
        else:
            found["minimum", item.name, before] = item
    return found
