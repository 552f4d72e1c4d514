"""A credit in money for exports, restated in plain Python from the tariff reference, bill by bill.

Takes the table as TOML gives it and, for each bill of a calendar month, what exports earned and what the charges it is
set against came to; shares nothing with `tariffs`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence


def credited(
    table: Mapping[str, Any], bills: Sequence[tuple[str, float, float]]
) -> list[tuple[float, float, float]]:
    """Return (used, paid out, carried forward) of every bill; bills are (month, earned ≥ 0, charges)."""
    held: list[list[Any]] = []  # [month number or None, amount], the oldest first
    if table.get("opening_amount"):
        held.append([None, float(table["opening_amount"])])
    found = []
    for month, earned, charges in bills:
        number = int(month[:4]) * 12 + int(month[5:])
        lasts = table.get("expires_months")
        if lasts is not None:
            held = [lot for lot in held if lot[0] is None or number - lot[0] <= lasts]
        if table.get("first_use", "this-bill") == "this-bill":
            held.append([number, earned])
        used = 0.0
        for lot in held:
            spent = max(min(lot[1], charges - used), 0.0)
            lot[1] -= spent
            used += spent
        if table.get("first_use") == "next-bill":
            held.append([number, earned])
        paid = 0.0
        if table.get("settlement", "")[:2] == month[5:]:
            paid = sum(lot[1] for lot in held) * table.get("settlement_percent", 0) / 100
            held = []
        if lasts == 0:
            held = []
        found.append((used, paid, sum(lot[1] for lot in held)))
    return found
