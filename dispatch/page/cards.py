"""The rows of a card that a strategy and a reserve amount to: what a person enters, season by season."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from dispatch.cards.plain import plain_card
from dispatch.cards.space import device_space
from dispatch.formats import format_moment

if TYPE_CHECKING:
    from collections.abc import Iterator

    from dispatch.cards.card import DayPlan, Raise
    from dispatch.cards.space import Space
    from dispatch.case.case import Case

MOST_RAISES = 12


def card_of(case: Case, strategy: str, reserve_percent: float) -> list[dict[str, Any]]:
    """List what is entered for a strategy and a reserve.

    Parameters
    ----------
    case : Case
    strategy : str
    reserve_percent : float
        Percent of nominal.

    Returns
    -------
    list of dict
        One per different plan: ``title`` (seasons and days) and ``rows`` of (entry, when, level).
    """
    at = case.at_reserve("percent", reserve_percent)
    space = device_space(at)
    card = plain_card(at, space, strategy, reserve_percent)
    alike: dict[tuple[str, DayPlan], list[int]] = {}
    for group, (there, plan) in enumerate(zip(space.groups, card.plans, strict=True)):
        alike.setdefault((there.days, plan), []).append(group)
    plans = [
        {"title": _title(space, groups), "rows": list(_rows(plan))} for (_, plan), groups in alike.items()
    ]
    if card.raises:
        plans.append({"title": "For some days, by hand", "rows": list(_raised(card.raises))})
    return plans


def _title(space: Space, groups: list[int]) -> str:
    seasons = [space.groups[group].season for group in groups]
    whole = len(seasons) == len({group.season for group in space.groups})
    season = "all year" if whole else " and ".join(seasons)
    return f"{season[:1].upper()}{season[1:]}, {space.groups[groups[0]].days}"


def _raised(raises: tuple[Raise, ...]) -> Iterator[tuple[str, str, str]]:
    for each in raises[:MOST_RAISES]:
        when = f"{format_moment(each.begins)} to {format_moment(each.ends)}"
        yield "Reserve", when, f"never below {each.reserve_percent:g} %"
    if len(raises) > MOST_RAISES:
        yield "Reserve", f"{len(raises) - MOST_RAISES} more times", "dispatch settings lists them"


def _rows(plan: DayPlan) -> Iterator[tuple[str, str, str]]:
    reserve = f"{plan.reserve_percent:g} %"
    yield "Reserve", "always", f"never below {reserve}"
    for window in plan.charge:
        yield "Charge from grid", window.text, f"up to {window.to_percent:g} %"
    if not plan.charge:
        yield "Charge from grid", "off", "-"
    for stretch in plan.discharge:
        level = reserve if stretch.to_percent is None else f"{stretch.to_percent:g} %"
        yield "Discharge", stretch.text, f"down to {level}"
    if not plan.discharge:
        yield "Discharge", "off", "-"
