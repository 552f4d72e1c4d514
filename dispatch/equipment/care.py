"""The care card of the packs: how to keep, rest and place them, from what the file states and the fire code."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from dispatch.scenario.model import Scenario


HOURS_PER_DAY = 24.0

# NFPA 855, chapter 15 (one- and two-family dwellings); editions and local codes differ
MOST_UNIT_KWH = 20.0
SPACING_M, SPACING_FT = 0.9, 3.0
CLOSET_KWH, ELSEWHERE_KWH = 40.0, 80.0

MANUAL = "as the maker's manual says"


@dataclass(frozen=True)
class CareCard:
    """What stands on the card.

    Attributes
    ----------
    name : str
    temperatures, resting, placing : tuple of str
        Sentences, ready to print.
    warnings : tuple of str
        What this home's figures break.
    rests_days, rests_outputs_off_days : float or None
        Days from the storing level to the recharging level, switched off (self-discharge alone) and with the idle draw
        of outputs off; None where a level is not stated or nothing is drawn.
    """

    name: str
    temperatures: tuple[str, ...]
    resting: tuple[str, ...]
    placing: tuple[str, ...]
    warnings: tuple[str, ...]
    rests_days: float | None
    rests_outputs_off_days: float | None


def care_card(scenario: Scenario, full_kwh: float, self_discharge_per_hour: float) -> CareCard:
    """Write the card of a home.

    Parameters
    ----------
    scenario : Scenario
    full_kwh : float
        Nominal energy of all packs. [kWh]
    self_discharge_per_hour : float
        Share of the stored energy lost in an hour.
    """
    care, units = scenario.care, scenario.units.count
    idle_kw = units * scenario.inverter.idle_off_w / 1000.0
    off = _days(care.store_at_percent, care.recharge_at_percent, full_kwh, self_discharge_per_hour, 0.0)
    idle = _days(care.store_at_percent, care.recharge_at_percent, full_kwh, self_discharge_per_hour, idle_kw)
    return CareCard(
        name=scenario.name,
        temperatures=_temperatures(scenario),
        resting=_resting(scenario, off, idle),
        placing=_placing(),
        warnings=_warnings(scenario, full_kwh),
        rests_days=off,
        rests_outputs_off_days=idle,
    )


def _days(
    store_percent: float | None,
    low_percent: float | None,
    full_kwh: float,
    self_discharge: float,
    idle_kw: float,
) -> float | None:
    """Days until resting packs reach the recharging level; the loss is that at the storing level, so none too many."""
    if store_percent is None or low_percent is None:
        return None
    lost_kw = self_discharge * full_kwh * store_percent / 100.0 + idle_kw
    if lost_kw <= 0:
        return None
    return (store_percent - low_percent) / 100.0 * full_kwh / lost_kw / HOURS_PER_DAY


def _temperatures(scenario: Scenario) -> tuple[str, ...]:
    place = scenario.surroundings
    low, high, charge = (
        (None, None, None) if place is None else (place.lowest_c, place.highest_c, place.no_charging_below_c)
    )
    if low is None and high is None:
        span = f"Keep and run them at the temperatures the maker allows ({MANUAL}); not stated in the file."
    else:
        ends = [
            f"not below {low:g} C" if low is not None else "",
            f"not above {high:g} C" if high is not None else "",
        ]
        span = f"Keep and run them {' and '.join(end for end in ends if end)}."
    cold = (
        f"Never charge them below {charge:g} C: it ruins the cells and can make them unsafe."
        if charge is not None
        else f"Do not charge frozen packs: below a limit, {MANUAL}, charging ruins the cells and can make them unsafe."
    )
    return (span, cold, "Out of the sun, dry, away from heat; let cold packs warm up before charging.")


def _resting(scenario: Scenario, off: float | None, idle: float | None) -> tuple[str, ...]:
    care = scenario.care
    store = f"at about {care.store_at_percent:g} %" if care.store_at_percent is not None else MANUAL
    low = f"at {care.recharge_at_percent:g} %" if care.recharge_at_percent is not None else MANUAL
    lines = [
        f"Before storing: charge or discharge {store}. While they rest: charge again {low}, never later."
    ]
    if off is not None:
        lines.append(
            f"Switched off, self-discharge alone takes them from the one level to the other in {off:,.0f} days; look "
            "at the level every month or two all the same."
        )
    if idle is not None and scenario.inverter.idle_off_w > 0:
        lines.append(f"Left on with outputs off they rest {idle:,.0f} days: switch the unit off to store it.")
    months = care.full_cycle_every_months
    every = MANUAL if months is None else "every month" if months == 1 else f"every {months} months"
    lines.append(f"A full discharge and charge while resting: {every}.")
    return tuple(lines)


def _placing() -> tuple[str, ...]:
    apart = f"at least {SPACING_M:g} m ({SPACING_FT:g} ft) between units and from doors and windows"
    most = (
        f"{CLOSET_KWH:g} kWh in utility closets and storage, {ELSEWHERE_KWH:g} kWh each in an attached garage"
    )
    return (
        f"NFPA 855 for homes: {apart}, unless tested closer; not in sleeping rooms.",
        f"Its limits: {MOST_UNIT_KWH:g} kWh a unit; {most}, in an outbuilding, outdoors or on walls.",
        "Editions differ and local code rules: ask the fire marshal or building office, and a licensed electrician.",
        "Smoke, swelling, hissing or a strange smell: get out, call the fire service; do not open or move a pack.",
    )


def _warnings(scenario: Scenario, full_kwh: float) -> tuple[str, ...]:
    each_kwh = full_kwh / scenario.units.count
    found = []
    if each_kwh > MOST_UNIT_KWH:
        found.append(
            f"{each_kwh:.4g} kWh stand on one unit; NFPA 855 counts units up to {MOST_UNIT_KWH:g} kWh: ask how "
            "yours is listed (UL 9540)"
        )
    if full_kwh > CLOSET_KWH:
        found.append(
            f"{full_kwh:.4g} kWh in all are above the {CLOSET_KWH:g} kWh allowed in closets and storage rooms"
        )
    if full_kwh > ELSEWHERE_KWH:
        found.append(
            f"{full_kwh:.4g} kWh in all are above the {ELSEWHERE_KWH:g} kWh allowed in any one place"
        )
    return tuple(found)
