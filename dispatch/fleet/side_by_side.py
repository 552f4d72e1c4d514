"""The recommendation of many homes at once: the same candidates, rule, choice and checks as for one home.

What :func:`dispatch.advice.recommend.recommend` does home by home is done here for a batch: every home's strategies at
every reserve walk through the year together, and then every home's best of each strategy with all flows recorded.
Choice, flow checks, bill and reconciliation are the very functions of the single home. Homes whose bill has no price
per step (blocks, demand, netting), homes that raise their reserve on dates and homes that break a flow check go through
the single home's door.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from dispatch.advice.recommend import best_of_all, best_of_each, reasons_for, recommend
from dispatch.advice.runs import ROUNDS, SETTLED_KWH
from dispatch.advice.scan import Scan, candidates
from dispatch.cards.space import device_space
from dispatch.case.stored_value import lowest_price_per_kwh
from dispatch.errors import DispatchError, FlowsError
from dispatch.fleet.stack import kind_of, picked, some_homes, stacked_conditions, stacked_orders
from dispatch.flows import TOLERANCE_KWH
from dispatch.outcome import as_set_outcome, without_system
from dispatch.rules.replay import Recorder, flows_of
from dispatch.rules.score import BROKEN_KWH, target_level_kwh
from dispatch.rules.walk import simulate
from tariffs.errors import TariffError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dispatch.advice.recommend import Reason
    from dispatch.arrays import Floats
    from dispatch.cards.space import Space
    from dispatch.case.case import Case
    from dispatch.outcome import Outcome
    from dispatch.rules.conditions import Conditions
    from dispatch.rules.walk import FlowBlock, Orders


@dataclass(frozen=True)
class Advised:
    """What one home should set.

    Attributes
    ----------
    case : Case
    no_system : Outcome
    outcomes : dict of str to Outcome
        Each strategy that can be set, at its own best reserve.
    chosen : Outcome
    reasons : tuple of Reason
    """

    case: Case
    no_system: Outcome
    outcomes: dict[str, Outcome]
    chosen: Outcome
    reasons: tuple[Reason, ...]


def advise(cases: Sequence[Case]) -> list[Advised | Exception]:
    """Recommend for many homes.

    Parameters
    ----------
    cases : sequence of Case

    Returns
    -------
    list of Advised or Exception
        In the order given; what a home cannot be advised for stands in its place.
    """
    found: dict[int, Advised | Exception] = {}
    kinds: dict[object, list[int]] = defaultdict(list)
    for at, case in enumerate(cases):
        if goes_beside(case):
            kinds[kind_of(case)].append(at)
        else:
            found[at] = alone(case)
    for group in kinds.values():
        try:
            results = together([cases[at] for at in group])
        except (DispatchError, TariffError, ArithmeticError):  # one home's fault is not its neighbours'
            results = [None] * len(group)
        for at, result in zip(group, results, strict=True):
            found[at] = alone(cases[at]) if result is None else result
    return [found[at] for at in range(len(cases))]


def goes_beside(case: Case) -> bool:
    """Tell whether a home can go beside others: a price per step, and one reserve all year.

    Raises of the reserve on dates are entered on top of each reserve tried, so each has a clock of its own.
    """
    reserve = case.scenario.reserve
    return case.prices.is_plain and (reserve is None or not reserve.raised)


def alone(case: Case) -> Advised | Exception:
    """Recommend for one home by its own door."""
    try:
        advice = recommend(case)
    except Exception as error:  # noqa: BLE001 - whatever is wrong with one home is told in its row
        return error
    reasons = tuple(reasons_for(advice.outcomes, advice.chosen))
    return Advised(case, advice.no_system, advice.outcomes, advice.chosen, reasons)


def together(cases: Sequence[Case]) -> list[Advised | None]:
    """Recommend for homes of one kind with a price per step; None where a home needs its own door."""
    spaces = [device_space(case) for case in cases]
    each = [candidates(case, space) for case, space in zip(cases, spaces, strict=True)]
    given, orders = stacked_conditions(cases), stacked_orders([one for _, one in each])
    starts = repeating_starts(cases, given, orders)
    tally = HomesTally(cases, given, orders, starts)
    scans = [tally.scan(home, pairs, starts[: len(pairs), home]) for home, (pairs, _) in enumerate(each)]
    return _recorded(cases, spaces, scans, given, orders)


def repeating_starts(cases: Sequence[Case], given: Conditions, orders: Orders) -> Floats:
    """Find the level each candidate begins and ends with, shape (k, homes); homes that have settled rest."""
    level = np.empty(orders.fill_kwh.shape[1:])
    level[:] = [case.limits.start_kwh for case in cases]
    moving = [home for home, case in enumerate(cases) if case.scenario.repeats]
    for _ in range(ROUNDS):
        if not moving:
            break
        some = given if len(moving) == len(cases) else some_homes(given, moving)
        told = replace(
            orders, fill_kwh=orders.fill_kwh[:, :, moving], drain_kwh=orders.drain_kwh[:, :, moving]
        )
        end = simulate(some, told, level[:, moving])
        moved = np.abs(end - level[:, moving]).max(axis=0)
        level[:, moving] = end
        moving = [home for home, by in zip(moving, moved.tolist(), strict=True) if by > SETTLED_KWH]
    return level


class HomesTally:
    """Totals of every candidate of every home: arrays of shape (k, homes).

    ``least_kwh`` gives a level for every step and home; ``below`` counts the steps at whose end one is below it.
    """

    def __init__(
        self,
        cases: Sequence[Case],
        given: Conditions,
        orders: Orders,
        starts: Floats,
        least_kwh: Floats | None = None,
    ) -> None:
        shape = orders.fill_kwh.shape[1:]
        self.cases, self.starts = cases, starts
        self.buys = np.column_stack([case.prices.import_price_per_kwh for case in cases])
        self.sells = np.column_stack([case.prices.export_price_per_kwh for case in cases])
        self.feeds = cases[0].limits.feed_in == "grid"
        self.wears = np.array([case.limits.wear_per_kwh for case in cases])
        levels = [target_level_kwh(case) for case in cases]
        never = np.full(len(cases[0].times), -np.inf)
        self.targets = np.column_stack([never if level is None else level for level in levels])
        self.least_kwh = least_kwh
        self.money, self.wear, self.unserved_kwh, self.missed, self.below = np.zeros((5, *shape))
        self.lowest_kwh = np.full(shape, np.inf)
        self.end_kwh = simulate(given, orders, starts, self._add)

    def _add(self, block: FlowBlock) -> None:
        steps = block.steps
        bought = np.maximum(block.net, 0.0)
        self.money += np.einsum("th,tkh->kh", self.buys[steps], bought)
        if self.feeds:
            self.money -= np.einsum("th,tkh->kh", self.sells[steps], bought - block.net)
        self.wear += self.wears * block.cells_out.sum(axis=0)
        self.unserved_kwh += block.unserved_load.sum(axis=0)
        self.missed += (block.stored < self.targets[steps, None] - BROKEN_KWH).sum(axis=0)
        if self.least_kwh is not None:
            self.below += (block.stored < self.least_kwh[steps, None] - BROKEN_KWH).sum(axis=0)
        np.minimum(self.lowest_kwh, block.stored.min(axis=0), out=self.lowest_kwh)

    def cost(self, home: int) -> Floats:
        """Bill + wear of a home's candidates, less the worth of what more is stored at the end. [currency]."""
        case = self.cases[home]
        gained = (self.end_kwh[:, home] - self.starts[:, home]) * lowest_price_per_kwh(case)
        return np.asarray(self.money[:, home] + self.wear[:, home] - gained + case.prices.fixed_total)

    def scan(self, home: int, pairs: list[tuple[str, float]], start_kwh: Floats) -> Scan:
        """Return one home's scores as its own scan would."""
        case, k = self.cases[home], len(pairs)
        holds = self.lowest_kwh[:k, home] >= case.limits.empty_kwh - TOLERANCE_KWH
        return Scan(
            case=case,
            strategies=tuple(name for name, _ in pairs),
            percents=np.array([percent for _, percent in pairs]),
            cost=self.cost(home)[:k],
            share=1.0 - self.missed[:k, home] / len(case.times),
            serves=(self.unserved_kwh[:k, home] <= TOLERANCE_KWH) & holds,
            lowest_kwh=self.lowest_kwh[:k, home],
            least_hours=np.full(k, np.nan),
            start_kwh=start_kwh,
        )


def _recorded(
    cases: Sequence[Case],
    spaces: Sequence[Space],
    scans: Sequence[Scan],
    given: Conditions,
    orders: Orders,
) -> list[Advised | None]:
    """Run each home's best of each strategy with all flows, check them, price them, and choose."""
    best = [best_of_each(scan, space.reserves[0]) for scan, space in zip(scans, spaces, strict=True)]
    width = max(map(len, best))
    columns = [[*mine.values(), *[next(iter(mine.values()))] * (width - len(mine))] for mine in best]
    runs = [_runs(case, scan, mine) for case, scan, mine in zip(cases, scans, best, strict=True)]
    starts = np.array(
        [[*(run.limits.start_kwh for run in mine), *[0.0] * (width - len(mine))] for mine in runs]
    ).T
    recorder = HomesRecorder(len(cases[0].times), width, len(cases))
    simulate(given, picked(orders, columns), starts, recorder.recorder.add)
    return [
        _advised(case, list(mine), [float(scan.percents[at]) for at in mine.values()], run, recorder, home)
        for home, (case, scan, mine, run) in enumerate(zip(cases, scans, best, runs, strict=True))
    ]


def _runs(case: Case, scan: Scan, best: dict[str, int]) -> list[Case]:
    """Return the case of each run: its reserve, and the level it repeats from."""
    found = []
    for at in best.values():
        run = case.at_reserve("percent", float(scan.percents[at]))
        found.append(run.starting_at(float(scan.start_kwh[at])) if case.scenario.repeats else run)
    return found


class HomesRecorder:
    """Keeps every flow of k candidates of many homes."""

    def __init__(self, n: int, k: int, homes: int) -> None:
        self.recorder = Recorder(n, k, homes)

    def of(self, candidate: int, home: int) -> dict[str, Floats]:
        """Return the flows of one run."""
        table = self.recorder.table
        return {name: np.ascontiguousarray(flows[:, candidate, home]) for name, flows in table.items()}


def _advised(  # noqa: PLR0913, PLR0917 - one home's share of a batch
    case: Case,
    names: list[str],
    percents: list[float],
    runs: list[Case],
    recorder: HomesRecorder,
    home: int,
) -> Advised | None:
    no_system, outcomes = without_system(case), {}
    reference = no_system.bill_and_wear
    try:
        for at, (name, percent, run) in enumerate(zip(names, percents, runs, strict=True)):
            outcomes[name] = as_set_outcome(flows_of(run, name, recorder.of(at, home)), reference, percent)
    except FlowsError:
        return None  # the single home's door tells which settings cannot be run, and why
    chosen = best_of_all(outcomes)
    return Advised(case, no_system, outcomes, chosen, tuple(reasons_for(outcomes, chosen)))
