"""What one unit of money of a line comes to in the whole bill, and in the base of what is no plain percentage of it.

Those are minimum bills, and percentages with a ceiling or with tiers.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from tariffs.sheet.export_credit import ExportCredit
from tariffs.sheet.percent import Adjustment
from tariffs.sheet.tariff import EVERYTHING, Sheet

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping

    from tariffs.sheet.usage import Minimum


Which = str | None
"""Whose weights: those of the whole bill (None), or of the base of the minimum bill of this name."""


class Weights(NamedTuple):
    """The weight of one unit of money in the whole bill, and in each base by the name of what counts it."""

    total: float
    bases: Mapping[str, float]

    def of(self, which: Which) -> float:
        """Return one of them; nothing in what the sheet does not have."""
        return self.total if which is None else self.bases.get(which, 0.0)


EARNED = "\0earned"
"""Stands for what exports earn of a credit in money; no line can be called so."""


def weight(sheet: Sheet, which: Which, *tags: str) -> float:
    """Return one of the weights of a line, given its group and its name.

    Where exports earn a credit in money, their lines are none of the bill's money, but all of what is earned.
    """
    if sheet.export_credit is not None and "export" in tags:
        return float(which == EARNED)
    if which == EARNED:
        return 0.0
    return _weights(sheet, tags, None).of(which)


def weights_of(sheet: Sheet, item: Adjustment | Minimum | ExportCredit) -> Weights:
    """Return the weights of what a minimum bill, a percentage or a credit adds, among what comes after it."""
    group = "adjustment" if isinstance(item, Adjustment) else "minimum"
    group = "export" if isinstance(item, ExportCredit) else group
    return _weights(sheet, (group, item.name), item.name)


def base_of(item: Adjustment | Minimum | ExportCredit) -> tuple[frozenset[str], frozenset[str]]:
    """Return the groups and names that an item counts (none: everything) and those that it does not."""
    if isinstance(item, Adjustment):
        return frozenset(item.applies_to), frozenset(item.not_to)
    return frozenset(() if EVERYTHING in item.applies_to else item.applies_to), frozenset()


_KNOWN: dict[int, tuple[Sheet, dict[tuple[frozenset[str], str | None], Weights]]] = {}
"""Weights of the last sheets; a sheet is held, so that its identity stays its own."""
_MOST_KNOWN = 64


def _weights(sheet: Sheet, tags: Collection[str], after: str | None) -> Weights:
    entry = _KNOWN.get(id(sheet))  # other threads may come and go
    if entry is None:
        entry = _KNOWN[id(sheet)] = sheet, {}
        if len(_KNOWN) > _MOST_KNOWN:
            _KNOWN.pop(next(iter(tuple(_KNOWN))), None)
    known = entry[1]
    key = frozenset(tags), after
    if key not in known:
        known[key] = _worked_out(sheet, tags, after)
    return known[key]


def _worked_out(sheet: Sheet, tags: Collection[str], after: str | None) -> Weights:
    earlier: dict[str, float] = {}
    bases: dict[str, float] = {}
    seen = after is None
    for item in sheet.sequence:
        if not seen:
            seen = item.name == after
        elif isinstance(item, Adjustment) and item.is_plain:
            earlier[item.name] = _counted(tags, earlier, item) * float(item.percent or 0) / 100.0
        else:
            bases[item.name] = _counted(tags, earlier, item)
    return Weights(1.0 + sum(earlier.values()), bases)


def _counted(
    tags: Collection[str], earlier: Mapping[str, float], item: Adjustment | Minimum | ExportCredit
) -> float:
    """Return how much of a unit, and of what earlier adjustments made of it, an item counts."""
    wanted, barred = base_of(item)
    own = 1.0 if (not wanted or wanted.intersection(tags)) and not barred.intersection(tags) else 0.0
    return own + sum(
        weight for name, weight in earlier.items() if (not wanted or name in wanted) and name not in barred
    )
