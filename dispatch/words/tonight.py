"""Tonight's charges as sentences."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tariffs.reading.clock import clock_text

if TYPE_CHECKING:
    from dispatch.ahead.tonight import Charge


def charge_text(charge: Charge | None) -> str:
    """Say how far to charge, in a phrase."""
    if charge is None:
        return "no charge from the grid"
    begins, ends = (clock_text(t.hour * 60 + t.minute) for t in (charge.begins, charge.ends))
    return f"charge to {charge.to_percent:g} % ({charge.begins:%a} {begins}-{ends})"
