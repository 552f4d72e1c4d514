"""The gap while the system takes over from the grid: which loads ride through it, and which notice."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from dispatch.case.case import Case


# 20 ms from memory: Information Technology Industry Council, "ITI (CBEMA) Curve Application Note", 2000: equipment
# rides through no voltage at all for 20 ms. The others: common practice, no source (half a cycle is 8 to 10 ms).
RIDES_MS = (
    ("lamps and controls held by a relay or contactor", 10.0),
    ("computers, routers and televisions", 20.0),
    ("refrigerators, fans and pumps", 100.0),
)
"""Kinds of load, and the longest gap in ms they usually do not notice."""


@dataclass(frozen=True)
class TransferGap:
    """What a stated transfer time does, by common practice.

    Attributes
    ----------
    gap_ms : float
        ``inverter.transfer_ms``. [ms]
    rides, notices : tuple of str
        Kinds of load that usually ride through such a gap, and that may flicker, drop out or restart. Medical equipment
        is in neither: only its maker knows.
    """

    gap_ms: float
    rides: tuple[str, ...]
    notices: tuple[str, ...]


def transfer_gap(case: Case) -> TransferGap | None:
    """Tell which loads notice the transfer in an outage; None where the scenario states no time."""
    gap_ms = case.scenario.inverter.transfer_ms
    if gap_ms is None:
        return None
    return TransferGap(
        gap_ms=gap_ms,
        rides=tuple(name for name, most_ms in RIDES_MS if gap_ms <= most_ms),
        notices=tuple(name for name, most_ms in RIDES_MS if gap_ms > most_ms),
    )
