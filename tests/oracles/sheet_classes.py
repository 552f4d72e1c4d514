"""Classes of price by past use, restated in plain Python from the tariff reference, for bills of calendar months.

Takes the tables as TOML gives them and shares nothing with `tariffs`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Mapping


def month_before(month: str, back: int) -> str:
    """Return the month so many months before ``YYYY-MM``."""
    number = int(month[:4]) * 12 + int(month[5:]) - 1 - back
    return f"{number // 12:04d}-{number % 12 + 1:02d}"


def step_held(table: Mapping[str, Any], month: str, used: Mapping[str, float]) -> Mapping[str, Any]:
    """Return the step that holds in a month, given the kWh of every whole month of the series."""
    use = table["past_use"]
    decided = month
    while use.get("decided_in_months") and int(decided[5:]) not in use["decided_in_months"]:
        decided = month_before(decided, 1)
    first = 0 if use.get("with_this_bill") else 1
    known = []
    for back in range(first, first + use.get("months", 12)):
        key = month_before(decided, back)
        given = use.get("past_kwh", {}).get(key, use.get("past_each_kwh"))
        kwh = used.get(key, given)
        if kwh is not None:
            known.append(float(kwh))
    mean = sum(known) / len(known) if known else 0.0
    steps: list[Mapping[str, Any]] = table["steps"]
    for step in steps:
        if "up_to_kwh" in step and mean <= step["up_to_kwh"]:
            return step
    return steps[-1]


def class_money(table: Mapping[str, Any], month: str, used: Mapping[str, float]) -> float:
    """Return what a month's kWh cost in the class that holds."""
    step = step_held(table, month, used)
    kwh, money, below = used[month], float(step.get("fixed_per_month", 0)), 0.0
    for inner in step.get("inside", [{"price_per_kwh": step.get("price_per_kwh", 0)}]):
        upper = min(kwh, inner.get("up_to_kwh", kwh))
        money += max(upper - below, 0.0) * inner["price_per_kwh"]
        below = max(upper, below)
    return money
