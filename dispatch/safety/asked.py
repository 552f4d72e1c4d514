"""Which run a command is asked about: what is recommended, or another strategy, reserve, card or plan."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from dispatch.advice.runs import run_card, run_strategy
from dispatch.cards.card_file import read_card
from dispatch.cards.space import device_space
from dispatch.comparison.compare import plan_of
from dispatch.errors import ScenarioError
from dispatch.outcome import as_set_outcome
from dispatch.scenario.fields import level_kwh as read_level
from dispatch.strategies.table import CHOICES
from tariffs.reading.refusals import show

if TYPE_CHECKING:
    from pathlib import Path

    from dispatch.advice.recommend import Recommendation
    from dispatch.case.case import Case
    from dispatch.outcome import Outcome


@dataclass(frozen=True)
class Asked:
    """A run and why it is this one.

    Attributes
    ----------
    outcome : Outcome
    chosen_by : str
        ``recommended``, ``as asked``, ``card`` or ``planned``.
    """

    outcome: Outcome
    chosen_by: str


def run_asked(
    advice: Recommendation,
    *,
    strategy: str | None = None,
    reserve: str | None = None,
    card: Path | None = None,
    planned: bool = False,
) -> Asked:
    """Run what is asked for; what is left open is as recommended.

    Parameters
    ----------
    advice : Recommendation
    strategy : str, optional
        One that can be set; with ``planned`` also ``least-cost``.
    reserve : str, optional
        Such as ``40%`` or ``4.2kWh``.
    card : Path, optional
        A card file, as ``dispatch settings --save`` writes it.
    planned : bool
        The plan with perfect foresight at that reserve instead of what the inverter does.

    Raises
    ------
    ScenarioError
        If the wishes do not go together, the reserve cannot be entered, or the card is not of this home.
    SolveError
        No certified optimum of the plan.
    """
    case, reference = advice.case, advice.no_system.bill_and_wear
    if card is not None:
        if strategy is not None or reserve is not None or planned:
            raise ScenarioError(
                f"{card}: --card says all that is set; leave out --strategy, --reserve and --planned"
            )
        entered = read_card(card, case, device_space(case))
        percent = min(plan.reserve_percent for plan in entered.plans)
        flows = run_card(case.at_reserve("percent", percent), entered, f"card {card.name}")
        return Asked(as_set_outcome(flows, reference, percent), "card")
    if strategy is not None and strategy not in CHOICES and not planned:
        raise ScenarioError(
            f"{case.path}: --strategy: {strategy} is a plan that knows the future and cannot be set; "
            "add --planned to look at it"
        )
    name = strategy or advice.strategy
    if strategy in CHOICES and strategy not in advice.outcomes:
        raise ScenarioError(
            f"{case.path}: --strategy: {strategy} needs sun; this home has none, choose another"
        )
    percent = advice.outcomes[name if name in advice.outcomes else advice.strategy].reserve_percent or 0.0
    if reserve is not None:
        percent = reserve_percent(case, reserve)
    if planned:
        at = run_strategy(case, name if name in CHOICES else advice.strategy, percent, reference)
        return Asked(plan_of(at, name), "planned")
    as_asked = strategy is not None or reserve is not None
    if name in advice.outcomes and percent == advice.outcomes[name].reserve_percent:
        return Asked(advice.outcomes[name], "as asked" if as_asked else "recommended")
    return Asked(run_strategy(case, name, percent, reference), "as asked")


def level_kwh(case: Case, text: str, option: str) -> float:
    """Read a level such as ``62%`` or ``6.5kWh``. [kWh].

    Parameters
    ----------
    case : Case
    text : str
    option : str
        What a message calls it.

    Raises
    ------
    ScenarioError
        If it is no level, or lies outside empty to the ceiling.
    """
    limits = case.limits
    level = read_level(text, limits.full_kwh)
    if level is None:
        raise ScenarioError(f"{option}: not a level (got {show(text)}); write such as 62% or 6.5kWh")
    if not limits.empty_kwh - 1e-6 <= level <= limits.ceiling_kwh + 1e-6:
        low, high = (f"{100 * kwh / limits.full_kwh:.4g}%" for kwh in (limits.empty_kwh, limits.ceiling_kwh))
        raise ScenarioError(
            f"{option}: {text} is {level:.4g} kWh, outside empty {limits.empty_kwh:.4g} kWh ({low}) to the ceiling "
            f"{limits.ceiling_kwh:.4g} kWh ({high}); name a level between them"
        )
    return min(max(level, limits.empty_kwh), limits.ceiling_kwh)


def reserve_percent(case: Case, text: str) -> float:
    """Read a reserve that can be entered on the device, percent of nominal.

    Raises
    ------
    ScenarioError
        If it is no level, outside empty to the ceiling, or off the device's steps.
    """
    percent = 100.0 * level_kwh(case, text, "--reserve") / case.limits.full_kwh
    levels = device_space(case).levels
    nearest = min(levels, key=lambda level: abs(level - percent))
    if abs(nearest - percent) > 1e-6:
        around = sorted(sorted(levels, key=lambda level: abs(level - percent))[:2])
        nearest_words = " or ".join(f"{level:g}%" for level in around)
        raise ScenarioError(
            f"--reserve: {text} cannot be entered: the device takes steps of "
            f"{case.scenario.settings.level_step_percent:g} %; write {nearest_words}"
        )
    return nearest
