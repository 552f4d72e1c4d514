"""What settings really earn: plain, found, re-planned every day, and the bound that foresight sets, side by side."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from dispatch.ahead.planner import rolling
from dispatch.arrays import quiet
from dispatch.outcome import Outcome, as_set_outcome, planned_outcome
from dispatch.program.program import Program
from dispatch.rules.replay import replay
from dispatch.search.judge import Judge, entries, plain
from dispatch.search.margin import Held, with_margin
from dispatch.search.other_years import DrawnYears, Robustness, robustness
from dispatch.search.reasons import Line, Worth, reasons
from dispatch.search.search import find
from dispatch.settings.card_file import season_changes
from dispatch.settings.space import Space, device_space
from dispatch.strategies.solve import solve
from dispatch.strategies.table import STRATEGIES

if TYPE_CHECKING:
    import datetime as dt
    from collections.abc import Callable

    from dispatch.advice.recommend import Recommendation
    from dispatch.arrays import Progress
    from dispatch.case.case import Case
    from dispatch.flows import Flows
    from dispatch.settings.card import Card, DayPlan


PLAIN, FOUND, ENTERED, REPLANNED, BOUND = "plain", "found", "entered", "re-planned", "bound"


MEANINGS = {
    PLAIN: "the tariff's windows entered as they are, run by the inverter",
    FOUND: "the card, run by the inverter",
    ENTERED: "your card, run by the inverter",
    REPLANNED: "a new 48 h plan every midnight from simple forecasts",
    BOUND: "a plan that knew the whole period: no setting can beat it",
}


@dataclass(frozen=True)
class Search:
    """What a search came to beside its card.

    Attributes
    ----------
    candidates : int
        How many settings were run.
    entries : int
        How much there is to enter.
    last_entry : float or None
        What the last entry left out would have earned; None where nothing could be left out.
    last_entry_count : int
        How many entries that was.
    best_entries : int
        Entries of the card that costs least.
    best_less : float
        What that card costs less than the one chosen.
    margin_cost : float
        What it costs to keep the backup target in other years too.
    """

    candidates: int
    entries: int
    last_entry: float | None
    last_entry_count: int
    best_entries: int
    best_less: float
    margin_cost: float


@dataclass(frozen=True)
class SettingsStudy:
    """Everything ``dispatch settings`` shows.

    Attributes
    ----------
    case : Case
    space : Space
    card : Card
        The settings to enter (or those that were given).
    entered : bool
        Whether the card was given rather than found.
    ways : tuple of Outcome
        plain, found or entered, re-planned, bound.
    lines : tuple of Line
    sun : Worth or None
        What sending the sun the other way would cost more; None where the device has no choice.
    raises : tuple of Worth
        What each raise of the card costs less when left out, as a negative number, and what that breaks.
    changes : tuple of (date, season)
        When to enter other settings, named by the season that begins then.
    robustness : Robustness
    reference_total : float
        Bill of the household without the system.
    search : Search or None
        What the search came to; None where the card was given.
    """

    case: Case
    space: Space
    card: Card
    entered: bool
    ways: tuple[Outcome, ...]
    lines: tuple[Line, ...]
    sun: Worth | None
    raises: tuple[Worth, ...]
    changes: tuple[tuple[dt.date, str], ...]
    robustness: Robustness
    reference_total: float
    search: Search | None

    def __getitem__(self, name: str) -> Outcome:
        """Return one way by its name; KeyError if there is none."""
        for way in self.ways:
            if way.name == name:
                return way
        raise KeyError(name)

    @property
    def chosen(self) -> Outcome:
        """The card's own way."""
        return self[ENTERED if self.entered else FOUND]

    @property
    def gap(self) -> float:
        """How much more the card costs than the bound (bill + wear)."""
        return self.chosen.compared_cost - self[BOUND].compared_cost


def run_card(case: Case, judge: Judge, card: Card, name: str) -> Flows:
    """Run a card through the case, every flow recorded and checked."""
    return replay(case, judge.tables.orders([card]), (name,), sells=card.sells)[0]


def study(
    advice: Recommendation, progress: Progress | None = None, card: Card | None = None
) -> SettingsStudy:
    """Find the best settings that can be entered, or score those given, and compare them with plan and bound.

    Parameters
    ----------
    advice : Recommendation
        Its reserve and start level hold in every row, so that rows compare.
    progress : callable, optional
        Called with (done, total, label).
    card : Card, optional
        Settings to score instead of searching.

    Returns
    -------
    SettingsStudy

    Raises
    ------
    Infeasible, SolveError
        No certified optimum, or flows that break their own balance.
    """
    tell = progress or quiet
    tell(0, 6, "stating the program")
    case, reference = _case_to_run(advice), advice.no_system.bill_and_wear
    space = device_space(case)
    judge = Judge(case, space, sells=card is not None and card.sells)
    drawn = DrawnYears(case, end_value=judge.end_value)
    tell(1, 6, "the bound")
    solved = solve(Program(case), STRATEGIES["least-cost"])
    optimum = solved.flows
    naive = plain(judge)
    plain_way = as_set_outcome(run_card(case, judge, naive.card, PLAIN), reference, None)
    search, years = None, None
    if card is None:
        held, search = _found(judge, optimum, drawn, lambda label: tell(2, 6, label))
        card, years, name = held.found.card.card, held.years, FOUND
    else:
        name = ENTERED
    way = as_set_outcome(run_card(case, judge, card, name), reference, None)
    tell(3, 6, "re-planning daily")
    replanned = replace(as_set_outcome(rolling(case), reference, None), name=REPLANNED)
    tell(4, 6, "reasons")
    given = reasons(judge, card)
    tell(5, 6, "other years")
    if years is None:
        years = drawn.run(card, judge.tables.orders([card]), judge.start_kwh)
    naive_years = drawn.run(naive.card, judge.tables.orders([naive.card]), judge.start_kwh, promises=False)
    tell(6, 6, "done")
    return SettingsStudy(
        case=case,
        space=space,
        card=card,
        entered=search is None,
        ways=(plain_way, way, replanned, replace(planned_outcome(solved, reference), name=BOUND)),
        lines=given.lines,
        sun=given.sun,
        raises=given.raises,
        changes=own_changes(case, space, card),
        robustness=robustness(drawn, years, naive_years),
        reference_total=reference,
        search=search,
    )


def _case_to_run(advice: Recommendation) -> Case:
    """Return the case with the recommended reserve and start.

    Where discharge windows have levels of their own, the file's reserve stands as it follows the clock, unless the
    recommended one is higher at some hour.
    """
    case, own = advice.case_to_run, advice.case
    reserve = own.scenario.reserve
    follows_the_clock = reserve is not None and reserve.hours is not None
    if not (own.scenario.settings.discharge_levels and follows_the_clock):
        return case
    lowest = device_space(own).reserves[0]
    higher = (advice.chosen.reserve_percent or 0.0) > lowest
    return case if higher else replace(own, limits=case.limits)


def _found(
    judge: Judge, optimum: Flows, drawn: DrawnYears, tell: Callable[[str], None]
) -> tuple[Held, Search]:
    """Search, hold the card against other years, and say what that cost."""
    found = find(judge, optimum, tell)
    tell("holding it against other years")
    held = with_margin(judge, found, drawn)
    chosen, best, richer = held.found.card, held.found.best, held.found.richer
    return held, Search(
        candidates=judge.count,
        entries=entries(chosen.card),
        last_entry=None if richer is None else chosen.money - richer.money,
        last_entry_count=0 if richer is None else entries(richer.card) - entries(chosen.card),
        best_entries=entries(best.card),
        best_less=chosen.money - best.money,
        margin_cost=chosen.money - found.card.money,
    )


def own_changes(case: Case, space: Space, card: Card) -> tuple[tuple[dt.date, str], ...]:
    """Local dates from which other settings hold, with the season that begins then; the first day of the data too.

    Seasons whose plans are alike need no change between them.
    """

    def told(season: str) -> dict[str, DayPlan]:
        return {
            group.days: plan
            for group, plan in zip(space.groups, card.plans, strict=True)
            if group.season == season
        }

    changes: list[tuple[dt.date, str]] = []
    for date, season in season_changes(case, space):
        if not changes or told(season) != told(changes[-1][1]):
            changes.append((date, season))
    return tuple(changes)
