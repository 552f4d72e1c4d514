"""What one unit of money on a line becomes under a sheet's percentage adjustments, as floats."""

from collections.abc import Iterable
from typing import NamedTuple

from tariffs.model import EVERYTHING, Adjustment, Sheet


class Weights(NamedTuple):
    """The weight of one unit of money in the whole bill, and in the base of the minimum bill."""

    total: float
    minimum: float


def weights(sheet: Sheet, *tags: str) -> Weights:
    """Return the weights of a line.

    Parameters
    ----------
    sheet : Sheet
    tags : str
        The line's group and name.
    """
    own = set(tags)
    earlier: dict[str, float] = {}
    in_minimum = 0.0
    for item in sheet.sequence:
        if isinstance(item, Adjustment):
            earlier[item.name] = _base(own, earlier, item) * float(item.percent) / 100.0
        else:
            wanted = set(item.applies_to)
            everything = EVERYTHING in wanted
            in_minimum = 1.0 if everything or own & wanted else 0.0
            in_minimum += sum(weight for name, weight in earlier.items() if everything or name in wanted)
    return Weights(1.0 + sum(earlier.values()), in_minimum)


def topup_factor(sheet: Sheet) -> float:
    """Return what one unit of top-up to the minimum bill comes to after the adjustments that follow it."""
    earlier: dict[str, float] = {}
    seen = False
    for item in sheet.sequence:
        if not isinstance(item, Adjustment):
            seen, own = True, {"minimum", item.name}
        elif seen:
            earlier[item.name] = _base(own, earlier, item) * float(item.percent) / 100.0
    return 1.0 + sum(earlier.values())


def _base(own: Iterable[str], earlier: dict[str, float], item: Adjustment) -> float:
    """Return how much of a unit, and of what earlier adjustments made of it, an adjustment counts."""
    wanted, barred = set(item.applies_to), set(item.not_to)
    tags = set(own)
    base = 1.0 if (not wanted or tags & wanted) and not tags & barred else 0.0
    return base + sum(
        weight for name, weight in earlier.items() if (not wanted or name in wanted) and name not in barred
    )
