"""What every face says beside its figures: cautions, assumptions, meanings."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from dispatch.case.case import Case


YEAR_DAYS = (360, 370)

ASSUMPTIONS = (
    (
        "As set: an inverter runs the setting step by step and sees only the present; unless "
        "the scenario says repeats = false, the period ends at the level it began with, so that no start decides "
        "anything (battery.start and battery.closing are then not used)."
    ),
    (
        "Bill + wear, less the worth of what more is stored at the end at the lowest price, is what ranks and what "
        "every saving is: against the same household without the system."
    ),
    (
        "Planned: load, sun and prices of the whole period known in advance. It is the bound beside what is set, "
        "never a promise."
    ),
    (
        "Backup hours count from the end of each step and carry the critical load and the system's own idle draw, "
        "none while the inverter would trip; an outage that reaches past the data's end goes on with its start."
    ),
    "Wear and shortfalls stand beside the bill, never in it.",
)
"""What every result stands on; also printed with the report."""

MEANINGS = {
    "grid-only": "the same household without the system",
    "sun-only": "the system without battery use: what the sun alone gives",
    "reserve-first": "keeps the battery full for an outage; sun serves the load first",
    "solar-first": "the battery stores surplus sun and gives it back; least charging from the grid",
    "off-peak-first": "charges at the day's cheapest price and gives it back at dearer ones",
    "least-cost": "no setting but a bound: the least bill + wear perfect foresight could reach",
}
"""What each strategy does, in a line."""

_CAUTIONS = {
    "off": (
        "Nothing is switched off by itself: unless the critical circuits have a panel of their own, somebody has to "
        "switch the rest off."
    ),
    "battery": (
        "Battery: install listed equipment as its maker says, away from bedrooms and exits and with the spacing the "
        "fire code asks for; a battery holds its energy even when switched off."
    ),
    "cold": (
        "Cold: most batteries must not be charged below freezing and hold less in the cold; keep yours within its "
        "maker's limits. These hours know no temperature."
    ),
    "age": "Age: a battery loses capacity with years and cycles; take some hours off for one that is not new.",
    "wiring": (
        "Wiring: panels, transfer switches and battery cables are work for a licensed electrician. A load above the "
        "inverter's rating trips it."
    ),
    "generator": (
        "Generator: outdoors only, at least 20 ft (6 m) from every door, window and vent, exhaust pointing away. "
        "Carbon monoxide kills without warning; keep alarms working."
    ),
    "grid": (
        "Grid: never feed a house through a socket. In an outage the system must separate from the grid (transfer "
        "switch or interlock), or it endangers line workers. Feeding in needs the utility's permission."
    ),
    "statistics": (
        "Outage statistics: SAIFI and CAIDI often leave out major storms; ask the utility for the figures with them."
    ),
    "medical": (
        "Medical loads: these hours are estimates from past data, not a promise. Whoever depends on powered equipment "
        "needs a plan of their own with their doctor and utility."
    ),
    "codes": "Local codes, the utility's rules and licensed practice go before anything printed here.",
}
"""What the figures cannot know, by subject."""


def cautions(case: Case) -> list[str]:
    """Return the cautions that fit a home: no generator where there is none, no statistics that are not stated."""
    absent = {
        "generator": case.scenario.generator is None,
        "statistics": case.scenario.outages is None,
        "off": not has_more_than_critical(case),
    }
    return [text for subject, text in _CAUTIONS.items() if not absent.get(subject)]


def group_cautions() -> list[str]:
    """Return the cautions that fit a group of homes."""
    own = {"generator", "statistics", "off"}
    return [text for subject, text in _CAUTIONS.items() if subject not in own]


def first_cautions(case: Case) -> str:
    """Return the line of caution under every first screen."""
    off = "Nothing switches off by itself. " if has_more_than_critical(case) else ""
    return f"{off}Estimates: fewer hours in the cold and with age."


def has_more_than_critical(case: Case) -> bool:
    """Tell whether the system serves circuits that are not critical."""
    return bool((case.load_kwh > case.critical_kwh + 1e-9).any())


def switch_off_words(case: Case) -> str | None:
    """Say what must be switched off for the hours of the critical load; None where that is the whole load."""
    if not has_more_than_critical(case):
        return None
    critical = case.scenario.critical_load
    names = [one.name for one in (critical.appliances if critical is not None else None) or ()]
    more_kw = float((case.load_kwh - case.critical_kwh).clip(min=0.0).mean()) / case.dt_hours
    keep = "all but the critical load"
    if names:
        keep = f"all but {', '.join(names[:3])}{' ...' if len(names) > 3 else ''}"
    return f"For the longer hours switch off {keep}: {more_kw:.2g} kW on average"


def span_words(case: Case) -> str:
    """Say what money over the data is: "a year", or the days they hold."""
    days = len(case.times) * case.dt_hours / 24.0
    return "a year" if YEAR_DAYS[0] <= days <= YEAR_DAYS[1] else f"over these {round(days, 1):g} days"
