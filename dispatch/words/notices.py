"""What every face says beside its figures: cautions, assumptions, meanings."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dispatch.safety.study import YEAR_DAYS

if TYPE_CHECKING:
    from dispatch.case.case import Case


ASSUMPTIONS = (
    (
        "The plan knew the whole period in advance: load, sun and prices. An inverter sees only the present, "
        "so take every planned saving as the most its strategy could give with this reserve."
    ),
    (
        "Backup hours count from the end of each step and carry the critical load and the system's own idle draw; "
        "an outage that reaches past the data's end goes on with its start."
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
    "least-cost": "no setting but a bound: the lowest bill perfect foresight could reach",
}
"""What each strategy does, in a line."""


HINDSIGHT = "Planned knowing the whole period in advance: in daily use expect somewhat less"
"""The assumption a reader must meet before the figures."""


CAUTIONS = (
    (
        "Battery: install listed equipment as its maker says, away from bedrooms and exits and with the spacing the "
        "fire code asks for; a battery holds its energy even when switched off."
    ),
    (
        "Wiring: panels, transfer switches and battery cables are work for a licensed electrician. A load above the "
        "inverter's rating trips it, whatever the hours above say."
    ),
    (
        "Generator: outdoors only, at least 20 ft (6 m) from every door, window and vent, exhaust pointing away. "
        "Carbon monoxide kills without warning; keep alarms working."
    ),
    (
        "Grid: never feed a house through a socket. In an outage the system must separate from the grid (transfer "
        "switch or interlock), or it endangers line workers. Feeding in needs the utility's permission."
    ),
    (
        "Medical loads: these hours are estimates from past data, not a promise. Whoever depends on powered equipment "
        "needs a plan of their own with their doctor and utility."
    ),
    "Local codes, the utility's rules and licensed practice go before anything printed here.",
)
"""What the figures cannot know; closes every report."""


def span_words(case: Case) -> str:
    """Say what money over the data is: "a year", or the days they hold."""
    days = len(case.times) * case.dt_hours / 24.0
    return "a year" if YEAR_DAYS[0] <= days <= YEAR_DAYS[1] else f"over these {round(days, 1):g} days"
