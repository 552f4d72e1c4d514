"""Which of the settable strategies to set for a stated backup target, and why."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, TypeAlias

import numpy as np

from dispatch.formats import format_hours, format_moment, format_money, percent_down
from dispatch.strategies.table import CHOICES

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from dispatch.case.case import Case
    from dispatch.outcome import Earned, StrategyResult

    Judged: TypeAlias = StrategyResult | Earned


@dataclass(frozen=True)
class ReserveAdvice:
    """The cheapest strategy and reserve that meet the target, as set.

    Attributes
    ----------
    strategy : str
    percent, kwh : float
        The reserve to set, percent of nominal and in kWh.
    bill, wear, burden : float
        Its bill and wear, and their sum less the worth of what more is stored at the end.
    least_hours, share_met : float
        Fewest backup hours, and share of instants at which the target is left.
    saves : float or None
        Against the recommended strategy at the reserve of the file; None where that one is none.
    """

    strategy: str
    percent: float
    kwh: float
    bill: float
    wear: float
    burden: float
    least_hours: float
    share_met: float
    saves: float | None


@dataclass(frozen=True)
class Recommendation:
    """Which of the three strategies to set, why, and by how much (bill + wear) over the next that qualifies.

    ``reserve`` is the cheapest strategy and reserve level that meet the target, None without a target or where no
    level meets it. Where nothing meets it at the reserve of the file, ``strategy`` is the one of ``reserve``.
    """

    strategy: str | None
    reason: str
    margin: float | None
    runner_up: str | None
    basis: str = "planned"
    reserve: ReserveAdvice | None = None


def recommend(
    case: Case, results: Sequence[StrategyResult], as_set: Mapping[str, Earned] | None = None
) -> Recommendation:
    """Choose the cheapest of the three settable strategies (bill + wear) that meets the backup target.

    Parameters
    ----------
    results : sequence of StrategyResult
        Those among ``CHOICES`` are considered; a strategy that cannot serve the load never qualifies.
    as_set : mapping of str to Earned, optional
        The strategies as an inverter runs them: where given, these figures decide, not the planned ones.
    """
    planned = [result for result in results if result.name in CHOICES]
    if not as_set:
        return _recommend(case, planned)
    return replace(_recommend(case, [as_set[result.name] for result in planned]), basis="as set")


def _recommend(case: Case, choices: Sequence[Judged]) -> Recommendation:
    serving = [result for result in choices if result.status == "optimal"]
    if not serving:
        return Recommendation(
            None, "none of the strategies can serve the whole load; see what had to give", None, None
        )
    meeting = [result for result in serving if share_meeting(case, result) >= _share_wanted(case) - 1e-12]
    if not meeting:
        return Recommendation(None, _why_none(case, serving), None, None)
    ranked = sorted(meeting, key=lambda result: result.burden)
    best = ranked[0]
    runner_up = ranked[1] if len(ranked) > 1 else None
    return Recommendation(
        strategy=best.name,
        reason=_why_best(case, best, runner_up, choices),
        margin=None if runner_up is None else runner_up.burden - best.burden,
        runner_up=None if runner_up is None else runner_up.name,
    )


def share_meeting(case: Case, result: Judged) -> float:
    """Share of instants at which the strategy leaves at least the target hours (1 without a target)."""
    target = case.scenario.backup.target_hours
    if target is None or result.backup is None:
        return 1.0
    return float(np.mean(result.backup.hours >= target - 1e-6))


def _share_wanted(case: Case) -> float:
    backup = case.scenario.backup
    return 0.0 if backup.target_hours is None else backup.share_of_instants_fraction


def _promise(case: Case) -> str:
    target, share = case.scenario.backup.target_hours, _share_wanted(case)
    if share >= 1:
        return f"never leaves less than {target:g} hours of backup"
    return f"leaves at least {target:g} hours of backup at {100 * share:g} % of instants"


def _why_best(case: Case, best: Judged, runner_up: Judged | None, choices: Sequence[Judged]) -> str:
    money = f"bill {format_money(best.total, case.currency)}"
    if best.wear:
        money += f" + wear {format_money(best.wear, case.currency)}"
    if case.scenario.backup.target_hours is None:
        text = f"{best.name} is the cheapest strategy ({money}); no backup target is stated"
    else:
        least = best.backup.minimum if best.backup else 0.0
        text = f"{best.name} is the cheapest strategy that {_promise(case)} "
        text += f"({money}; its least is {format_hours(least)} h)"
    if runner_up is not None:
        text += f"; next is {runner_up.name}, dearer by {format_money(runner_up.burden - best.burden, case.currency)}"
    out = [_why_out(case, r) for r in choices if r.burden < best.burden - 5e-3 and r is not best]
    return text + "".join(f"; {reason}" for reason in out)


def _why_out(case: Case, result: Judged) -> str:
    if result.status != "optimal":
        return f"{result.name} would be cheaper but cannot serve {result.unserved_kwh:,.1f} kWh of the load"
    least = result.backup.minimum if result.backup else 0.0
    worst = f", at {format_moment(result.backup.worst_at)}" if result.backup else ""
    share = share_meeting(case, result)
    return (
        f"{result.name} would be cheaper but leaves as little as {format_hours(least)} h{worst} "
        f"(target met {percent_down(share)} % of the time)"
    )


def _why_none(case: Case, serving: Sequence[Judged]) -> str:
    safest = max(serving, key=lambda r: (share_meeting(case, r), r.backup.minimum if r.backup else 0.0))
    least = safest.backup.minimum if safest.backup else 0.0
    worst = f" at {format_moment(safest.backup.worst_at)}" if safest.backup else ""
    target, share = case.scenario.backup.target_hours, _share_wanted(case)
    met = percent_down(share_meeting(case, safest))
    always = "at every instant" if share >= 1 else f"at {100 * share:g} % of instants"
    return (
        f"no strategy keeps {target:g} hours of backup {always}; {safest.name} comes closest with "
        f"{format_hours(least)} h{worst}, and meets the target {met} % of the time: "
        "raise the reserve, add packs, or lower the target"
    )
