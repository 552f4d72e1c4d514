"""kWh rounded before they are priced: the lines of a bill made twice, exact and of rounded kWh, side by side.

What a bill prints and bills is of rounded kWh; its exact amounts stay those of the metered ones, so that what the
rounding comes to can be told.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from decimal import Decimal
from itertools import chain

from tariffs.billing.lines import ZERO, BillLine, Placed, rounded_by
from tariffs.sheet.rounding import Rounding


@dataclass
class Register:
    """Rounds energy as a meter does that is read at times: each reading is rounded, not what lies between two."""

    rounding: Rounding
    exact: dict[tuple[object, ...], Decimal] = field(default_factory=dict)

    def read(self, key: tuple[object, ...], kwh: Decimal) -> Decimal:
        """Return how much the rounded reading of a band moves when this much more has been counted."""
        places = self.rounding.kwh_places
        if places is None:
            return kwh
        before = self.exact.get(key, ZERO)
        self.exact[key] = before + kwh
        mode = self.rounding.kwh_mode
        return rounded_by(before + kwh, places, mode) - rounded_by(before, places, mode)


def side_by_side(exact: Sequence[Placed], rounded: Sequence[Placed]) -> list[Placed]:
    """Return the lines of rounded kWh, with the exact amounts of the metered ones."""
    left: dict[tuple[str, ...], list[Placed]] = {}  # lines of one table in two seasons may read alike
    for placed in exact:
        left.setdefault(_key(placed.line), []).append(placed)
    found = []
    for placed in rounded:
        alike = left.get(_key(placed.line))
        own = alike.pop(0) if alike else None
        amounts = dict.fromkeys(placed.amounts, ZERO) if own is None else own.amounts
        amount = ZERO if own is None else own.line.amount
        line = replace(placed.line, amount=amount, billed_amount=placed.line.amount)
        found.append(Placed(line, amounts))
    for own in chain.from_iterable(left.values()):
        if own.line.amount:
            quantity = None if own.line.quantity is None else ZERO
            found.append(replace(own, line=replace(own.line, quantity=quantity, billed_amount=ZERO)))
    return found


def _key(line: BillLine) -> tuple[str, ...]:
    return (
        line.register,
        line.kind,
        line.name,
        line.label,
        str(line.unit_price) if line.quantity is not None else "",
    )
