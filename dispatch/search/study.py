"""What settings really earn: plain, found, re-planned every day, and the bound that foresight sets, side by side."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from dispatch.advice.runs import run_card as run_repeating
from dispatch.ahead.reachable import broken_promises, merit, reachable
from dispatch.ahead.rolling import rolling, sells_of
from dispatch.arrays import quiet
from dispatch.cards.card_file import season_changes
from dispatch.cards.plain import plain_card
from dispatch.cards.space import Space, device_space
from dispatch.errors import NoProgram
from dispatch.outcome import Outcome, as_set_outcome, planned_outcome
from dispatch.program.program import Program
from dispatch.rules.replay import replay
from dispatch.search.judge import Judge, entries
from dispatch.search.margin import Held, with_margin
from dispatch.search.other_years import DrawnYears, Robustness, robustness
from dispatch.search.reasons import Line, Worth, reasons
from dispatch.search.search import find
from dispatch.strategies.solve import solve_or_why
from dispatch.strategies.table import STRATEGIES

if TYPE_CHECKING:
    import datetime as dt
    from collections.abc import Callable, Sequence

    from dispatch.advice.recommend import Recommendation
    from dispatch.arrays import Progress
    from dispatch.cards.card import Card, DayPlan
    from dispatch.case.case import Case
    from dispatch.flows import Flows
    from dispatch.strategies.solved import Solved

PLAIN, FOUND, ENTERED, REPLANNED, REACHABLE, BOUND, BEST_FOUND = (
    "plain",
    "found",
    "entered",
    "re-planned",
    "reachable",
    "bound",
    "best plan",
)

MEANINGS = {
    PLAIN: "the setting of dispatch compare: the tariff's windows entered as they are",
    FOUND: "the card, run by the inverter",
    ENTERED: "your card, run by the inverter",
    REPLANNED: "levels entered anew every evening, a quarter of the device's steps fine, from the last weeks alone",
    REACHABLE: "the best levels for every step, had the period been known: what the inverter's own rules allow",
    BOUND: "a plan that knew the period and is free of the inverter's rules: no setting can beat it",
    BEST_FOUND: "the best such plan that was found before the search was stopped: no bound",
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
        plain, found or entered, re-planned, reachable, and bound (``best plan`` where its search was stopped; left out
        where no plan was found).
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
    unplanned : str
        Why there is no plan to compare with; empty where there is one.
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
    unplanned: str = ""

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
        """How much more the card costs than the best that levels could do (bill + wear)."""
        return self.chosen.compared_cost - self[REACHABLE].compared_cost

    @property
    def best_plan(self) -> Outcome | None:
        """The plan with foresight; None where none was found."""
        return next((way for way in self.ways if way.basis == "planned"), None)

    @property
    def bound(self) -> Outcome | None:
        """The plan with foresight where it is proven, else None."""
        return next((way for way in self.ways if way.name == BOUND), None)

    @property
    def rules_cost(self) -> float | None:
        """How much more the best levels cost than the bound: what the inverter's rules cost; None without a bound."""
        return None if self.bound is None else self[REACHABLE].compared_cost - self.bound.compared_cost

    def missed_share(self, way: Outcome) -> float:
        """Share of the time by which a way falls short of the backup target; 0 where it is met."""
        backup = self.case.scenario.backup
        wanted = backup.share_of_instants_fraction if backup.target_hours is not None else 0.0
        return max(wanted - way.target_share, 0.0)


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

    Raises
    ------
    Infeasible, FlowsError
        A plan that nothing could keep, or flows that break their own balance.
    """
    tell = progress or quiet
    tell(0, 6, "stating the program")
    case, reference = _promised(advice), advice.no_system.bill_and_wear
    space = device_space(case)
    judge = Judge(case, space, sells=card is not None and card.sells)
    drawn = DrawnYears(case, end_value=judge.end_value)
    tell(1, 6, "the bound")
    solved = _plan(_for_bound(case))
    optimum = None if isinstance(solved, str) else solved.flows
    naive = plain_card(case, space, advice.strategy, advice.reserve_percent)
    plain_way = replace(advice.chosen, name=PLAIN)
    search, years = None, None
    if card is None:
        held, search = _found(judge, optimum, drawn, lambda label: tell(2, 6, label))
        card, years, name = held.found.card.card, held.years, FOUND
    else:
        name = ENTERED
    way = as_set_outcome(run_repeating(case, card, name), reference, None)
    tell(3, 6, "re-planning daily")
    replanned = replace(as_set_outcome(rolling(case), reference, None), name=REPLANNED)
    best = best_levels(case, reference, (plain_way, way, replanned))
    plans = [] if isinstance(solved, str) else [_named(planned_outcome(solved, reference))]
    tell(4, 6, "reasons")
    given = reasons(judge, card)
    tell(5, 6, "other years")
    if years is None:
        years = drawn.run(card, judge.tables.orders([card]), judge.start_kwh)
    naive_years = drawn.run(naive, judge.tables.orders([naive]), judge.start_kwh, promises=False)
    tell(6, 6, "done")
    return SettingsStudy(
        case=case,
        space=space,
        card=card,
        entered=search is None,
        ways=(plain_way, way, replanned, best, *plans),
        lines=given.lines,
        sun=given.sun,
        raises=given.raises,
        changes=own_changes(case, space, card),
        robustness=robustness(drawn, years, naive_years),
        reference_total=reference,
        search=search,
        unplanned=solved if isinstance(solved, str) else "",
    )


def _plan(case: Case) -> Solved | str:
    """Solve the plan of least cost, or say why there is none."""
    try:
        return solve_or_why(Program(case), STRATEGIES["least-cost"])
    except NoProgram as error:
        return str(error)


def _named(plan: Outcome) -> Outcome:
    return replace(plan, name=BEST_FOUND if plan.stopped else BOUND)


def _promised(advice: Recommendation) -> Case:
    """Return the case whose promises every row keeps, from the level at which what is recommended begins.

    With a backup target that is the promise, and any reserve that keeps it may be entered; without one the reserve of
    the file is. Raised times stay on top in both.
    """
    own, start_kwh = advice.case, advice.case_to_run.limits.start_kwh
    if own.scenario.backup.target_hours is not None:
        own = own.at_reserve("percent", device_space(own).levels[0])
    return own.starting_at(start_kwh)


def _for_bound(case: Case) -> Case:
    """Return the case the bound is solved on: a target that must hold at every instant is a reserve in hours."""
    backup = case.scenario.backup
    if backup.target_hours is None or backup.share_of_instants_fraction < 1:
        return case
    return case.at_reserve("hours", backup.target_hours).starting_at(case.limits.start_kwh)


def _found(
    judge: Judge, optimum: Flows | None, drawn: DrawnYears, tell: Callable[[str], None]
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


def best_levels(case: Case, reference: float, rivals: Sequence[Outcome]) -> Outcome:
    """Return the best that levels can do with foresight: never worse than a rival that keeps as much of the promises.

    Every rival is levels run by the rules, so the best of them bounds what levels can do too.
    """
    flows = reachable(case, REACHABLE)
    if sells_of(case):
        flows = min(flows, reachable(case, REACHABLE, sells=True), key=lambda run: merit(case, run))
    found = as_set_outcome(flows, reference, None)
    promises = broken_promises(case, flows)
    equals = [way for way in rivals if broken_promises(case, way.flows) <= promises]
    cheapest = min((found, *equals), key=lambda way: way.compared_cost)
    return replace(cheapest, name=REACHABLE, flows=replace(cheapest.flows, name=REACHABLE))


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
