"""What settings really earn: plain, found, re-planned every day, and the bound that foresight sets, side by side."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from dispatch.ahead.reachable import broken_promises, merit, reachable
from dispatch.ahead.rolling import rolling, sells_of
from dispatch.arrays import quiet
from dispatch.formats import format_date
from dispatch.outcome import Outcome, as_set_outcome, planned_outcome
from dispatch.program.program import Program
from dispatch.rules.replay import replay
from dispatch.search.judge import Judge, plain
from dispatch.search.other_years import Robustness, other_years
from dispatch.search.search import find
from dispatch.settings.card_file import season_changes
from dispatch.settings.space import Space, device_space
from dispatch.strategies.solve import solve
from dispatch.strategies.table import STRATEGIES

if TYPE_CHECKING:
    import datetime as dt
    from collections.abc import Callable, Sequence

    from dispatch.advice.recommend import Recommendation
    from dispatch.arrays import Progress
    from dispatch.case.case import Case
    from dispatch.flows import Flows
    from dispatch.settings.card import Card


SOME_SHARE = 0.1  # of a window's steps: below it a price is an exception

PLAIN, FOUND, ENTERED, REPLANNED, REACHABLE, BOUND = (
    "plain",
    "found",
    "entered",
    "re-planned",
    "reachable",
    "bound",
)

MEANINGS = {
    PLAIN: "the tariff's windows entered as they are, run by the inverter",
    FOUND: "the card, run by the inverter",
    ENTERED: "your card, run by the inverter",
    REPLANNED: "levels entered anew every evening, a quarter of the device's steps fine, from the last weeks alone",
    REACHABLE: "the best levels for every step, had the period been known: what the inverter's own rules allow",
    BOUND: "a plan that knew the period and is free of the inverter's rules: no setting can beat it",
}


@dataclass(frozen=True)
class Line:
    """One line of the card and why it is there.

    Attributes
    ----------
    group : int
    kind : str
        "charge", "discharge" or "reserve".
    index : int
        Which window.
    worth : float or None
        What the period would cost more without the line; None for the reserve.
    why : str
    """

    group: int
    kind: str
    index: int
    worth: float | None
    why: str


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
        plain, found or entered, re-planned, reachable, bound.
    lines : tuple of Line
    sun_worth : float or None
        What sending the sun the other way would cost more; None where the device has no choice.
    changes : tuple of (date, season)
        When to enter another season's settings.
    robustness : Robustness
    reference_total : float
        Bill of the household without the system.
    candidates : int
        How many settings were run.
    """

    case: Case
    space: Space
    card: Card
    entered: bool
    ways: tuple[Outcome, ...]
    lines: tuple[Line, ...]
    sun_worth: float | None
    changes: tuple[tuple[dt.date, str], ...]
    robustness: Robustness
    reference_total: float
    candidates: int

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
    def rules_cost(self) -> float:
        """How much more the best levels cost than the bound: what the inverter's rules cost."""
        return self[REACHABLE].compared_cost - self[BOUND].compared_cost

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
    Infeasible, SolveError
        No certified optimum, or flows that break their own balance.
    """
    tell = progress or quiet
    tell(0, 6, "stating the program")
    case, reference = advice.case_to_run, advice.no_system.bill_and_wear
    space = device_space(case)
    judge = Judge(case, space)
    tell(1, 6, "the bound")
    solved = solve(Program(case), STRATEGIES["least-cost"])
    optimum = solved.flows
    naive = as_set_outcome(run_card(case, judge, plain(judge).card, PLAIN), reference, None)
    if card is None:
        chosen = _found(judge, naive, optimum, lambda label: tell(2, 6, label))
    else:
        chosen = as_set_outcome(run_card(case, judge, card, ENTERED), reference, None), card
    tell(3, 6, "re-planning daily")
    replanned = replace(as_set_outcome(rolling(case), reference, None), name=REPLANNED)
    best = best_levels(case, reference, (naive, chosen[0], replanned))
    bound = replace(planned_outcome(solved, reference), name=BOUND)
    tell(4, 6, "reasons")
    way, final = chosen
    lines, sun_worth = reasons(judge, final)
    tell(5, 6, "other years")
    years = other_years(case, final, judge.tables.orders([final]))
    tell(6, 6, "done")
    return SettingsStudy(
        case=case,
        space=space,
        card=final,
        entered=card is not None,
        ways=(naive, way, replanned, best, bound),
        lines=lines,
        sun_worth=sun_worth,
        changes=tuple(season_changes(case, space)),
        robustness=years,
        reference_total=reference,
        candidates=judge.count,
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


def _found(judge: Judge, naive: Outcome, optimum: Flows, tell: Callable[[str], None]) -> tuple[Outcome, Card]:
    """Search, and let the real bill have the last word between what was found and the plain settings."""
    case = judge.case
    reference = naive.reference
    candidates = [found.card for found in find(judge, optimum, tell, keep=1 if case.prices.is_plain else 30)]
    runs = [
        (as_set_outcome(run_card(case, judge, card, FOUND), reference, None), card) for card in candidates
    ]
    runs.append((replace(naive, name=FOUND), plain(judge).card))
    return min(runs, key=lambda run: (_broken(case, run[0]), round(run[0].compared_cost, 6)))


def _broken(case: Case, way: Outcome) -> tuple[float, ...]:
    wanted = case.scenario.backup.share_of_instants_fraction if case.scenario.backup.target_hours else 0.0
    return (
        round(way.sum_kwh("unserved_load"), 6),
        round(way.sum_kwh("import_excess"), 6),
        round(float(way.flows["floor_shortfall"].sum()), 4),
        round(max(wanted - way.target_share, 0.0), 9),
    )


# ---- reasons -----------------------------------------------------------------------------------------------
def reasons(judge: Judge, card: Card) -> tuple[tuple[Line, ...], float | None]:
    """Say of every line what the period would cost more without it, and of the sun's way what the other would."""
    keys: list[tuple[int, str, int]] = []
    variants = [card]
    for g, plan in enumerate(card.plans):
        for kind in ("charge", "discharge"):
            windows = getattr(plan, kind)
            for index in range(len(windows)):
                smaller = replace(plan, **{kind: windows[:index] + windows[index + 1 :]})
                variants.append(replace(card, plans=(*card.plans[:g], smaller, *card.plans[g + 1 :])))
                keys.append((g, kind, index))
    totals = judge.scores(judge.tables.orders(variants))
    worths = totals[1:] - totals[0]
    lines = [
        Line(g, kind, index, float(worth), _why(judge, card, (g, kind, index)))
        for (g, kind, index), worth in zip(keys, worths.tolist(), strict=True)
    ]
    lines += [Line(g, "reserve", 0, None, _why_reserve(judge, card, g)) for g in range(len(card.plans))]
    sun_worth = None
    if len(judge.space.sun_choices) > 1:
        other = replace(card, sun_first="load" if card.sun_first == "battery" else "battery")
        sun_worth = float(judge.scores(judge.tables.orders([other]))[0] - totals[0])
    return tuple(lines), sun_worth


def _why(judge: Judge, card: Card, key: tuple[int, str, int]) -> str:
    """Name the prices that hold in a window."""
    group, kind, index = key
    case, space = judge.case, judge.space
    window = getattr(card.plans[group], kind)[index]
    inside = (space.group_of == group) & window.holds(space.minutes)[space.slot_of]
    prices = case.prices
    if prices.hourly:
        mean = float(prices.import_price_per_kwh[inside].mean()) if inside.any() else 0.0
        return f"hourly prices, {mean:.4g} on average"
    found: dict[str, float] = {}
    bands = prices.band[inside]
    for band in np.unique(bands).tolist():
        if np.mean(bands == band) < SOME_SHARE:
            continue  # a few holidays among the weekdays
        price = float(np.median(prices.import_price_per_kwh[inside & (prices.band == band)]))
        found[prices.band_names[band]] = price
    return ", ".join(f"{name} {price:.4g}" for name, price in sorted(found.items(), key=lambda item: item[1]))


def _why_reserve(judge: Judge, card: Card, group: int) -> str:
    case, space = judge.case, judge.space
    level = card.plans[group].reserve_percent
    lowest = space.reserves[0]
    target = case.scenario.backup.target_hours
    if level <= lowest:
        floor = case.floor_kwh
        if floor.max() - floor.min() <= 1e-9:
            return "the lowest level that keeps the scenario's reserve"
        highest = format_date(case.times[int(np.argmax(floor))].date())
        return f"one level for the whole year, from the scenario's highest reserve ({highest})"
    if target is not None:
        return f"keeps {target:g} h of backup as often as wanted"
    return "raised: it costs nothing here"


def ordered(lines: Sequence[Line], group: int) -> list[Line]:
    """Lines of one group, as they are entered: reserve, charge, discharge."""
    rank = {"reserve": 0, "charge": 1, "discharge": 2}
    return sorted(
        (line for line in lines if line.group == group), key=lambda line: (rank[line.kind], line.index)
    )
