"""The lines of several bills summed into one itemised bill."""

from __future__ import annotations

import re
from decimal import Context, Decimal, localcontext
from itertools import takewhile
from typing import TYPE_CHECKING

from tariffs.sheet.tariff import HOURLY_EXPORT_LINE, HOURLY_LINE

if TYPE_CHECKING:
    from collections.abc import Sequence

    from tariffs import Bill, BillLine, PeriodBill


_ORDER = ("energy", "riders", "export", "netting", "demand", "charges", "credits", "minimum", "adjustment")
_PART_OF_PERIOD = re.compile(r" \([\d.]+ of \d+ days\)")
_MEAN_PRICES = (HOURLY_LINE, HOURLY_EXPORT_LINE)
_EXACT = Context(prec=40)
_ZERO = Decimal(0)


def summed_lines(bill: Bill) -> tuple[BillLine, ...]:
    """Sum the lines of all periods of a bill that are of one kind, name, unit and unit price.

    In a bill's order; the amounts add up to ``bill.total_unrounded``. Lines of hourly prices are summed whatever
    their mean price; where labels differ (limits that follow the days of the period) the common part is kept.
    """
    groups: dict[tuple[object, ...], list[BillLine]] = {}
    for period in bill.periods:
        for line in period.lines:
            price = None if line.name in _MEAN_PRICES else line.unit_price
            groups.setdefault((line.kind, line.name, line.unit, price), []).append(line)
    names = list(dict.fromkeys((kind, name) for kind, name, *_ in groups))

    late = any(_minimum_after_adjustment(period) for period in bill.periods)

    def place(line: BillLine) -> tuple[int, int]:
        kind = len(_ORDER) if line.kind == "minimum" and late else _ORDER.index(line.kind)
        return kind, names.index((line.kind, line.name))

    with localcontext(_EXACT):
        return tuple(sorted(map(_sum, groups.values()), key=place))


def _minimum_after_adjustment(period: PeriodBill) -> bool:
    kinds = [line.kind for line in period.lines]
    return {"minimum", "adjustment"} <= set(kinds) and kinds.index("minimum") > kinds.index("adjustment")


def _sum(lines: Sequence[BillLine]) -> BillLine:
    first = lines[0]
    amount = sum((line.amount for line in lines), _ZERO)
    quantity = None if first.quantity is None else sum((line.quantity or _ZERO for line in lines), _ZERO)
    price = first.unit_price
    if first.name in _MEAN_PRICES and quantity:
        price = amount / quantity
    billed = sum((line.billed_amount for line in lines), _ZERO)
    return type(first)(_label(lines), first.kind, quantity, first.unit, price, amount, billed, first.name)


def _label(lines: Sequence[BillLine]) -> str:
    labels = list(dict.fromkeys(_PART_OF_PERIOD.sub("", line.label) for line in lines))
    if len(labels) == 1:
        return labels[0]
    words = zip(*(label.split(" ") for label in labels), strict=False)
    common = " ".join(each[0] for each in takewhile(lambda each: len(set(each)) == 1, words))
    return f"{common} ..." if len(common) > len(lines[0].name) else lines[0].name
