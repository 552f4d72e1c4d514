"""The card in words: the same lines for the terminal, Markdown and the printed page."""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from dispatch.cards.card import EVENT_DAYS, EVERY_DAY, HOLIDAYS
from dispatch.formats import format_date, format_money
from dispatch.search.reasons import alike, ordered

if TYPE_CHECKING:
    from collections.abc import Iterator

    from dispatch.search.reasons import Line, Worth
    from dispatch.search.study import SettingsStudy


YEAR_HOURS = 8760
YEAR_TOLERANCE = 0.02
HALF_CENT = 0.005
MOST_DATES = 4  # event days named in a line; the calendar holds all


@dataclass(frozen=True)
class CardRow:
    """One thing to enter: what, when, up or down to which level, and why."""

    entry: str
    when: str
    level: str
    why: str


def span_words(study: SettingsStudy) -> str:
    """Say how long the money is for: "a year" where the data are one."""
    hours = len(study.case.times) * study.case.dt_hours
    return "a year" if abs(hours / YEAR_HOURS - 1) < YEAR_TOLERANCE else "in this period"


def sections(study: SettingsStudy) -> list[tuple[str, int]]:
    """Title and a group for every different plan; seasons and kinds of day with the same plan share one."""
    return [(group_title(study, mine), mine[0]) for mine in alike(study.space.groups, study.card)]


def group_title(study: SettingsStudy, groups: list[int]) -> str:
    """Name the seasons and days of plans that are alike."""
    every = study.space.groups
    seasons = list(dict.fromkeys(every[group].season for group in groups))
    whole = len(seasons) == len({other.season for other in every})
    season = "all year" if whole else " and ".join(seasons)
    kinds = list(dict.fromkeys(every[group].days for group in groups))
    of_seasons = {other.days for other in every if other.season in seasons}
    days = EVERY_DAY if set(kinds) == of_seasons else " and ".join(kinds)
    return f"{season[:1].upper()}{season[1:]}, {days}"


def card_rows(study: SettingsStudy, group: int) -> list[CardRow]:
    """List what is entered for one season and kind of day, in the order of entering."""
    plan = study.card.plans[group]
    lines = {(line.kind, line.index): line for line in ordered(study.lines, group)}
    reserve = f"{plan.reserve_percent:g} %"
    rows = [CardRow("Reserve", "always", f"never below {reserve}", lines["reserve", 0].why)]
    many = len(plan.charge) > 1
    searched = study.search is not None
    for index, window in enumerate(plan.charge):
        entry = f"Charge from grid {index + 1}" if many else "Charge from grid"
        line = lines["charge", index]
        rows.append(CardRow(entry, window.text, f"up to {window.to_percent:g} %", _worth(study, line)))
    if not plan.charge:
        why = "no window found that earns its entry" if searched else "not entered"
        rows.append(CardRow("Charge from grid", "off", "-", why))
    many = len(plan.discharge) > 1
    for index, stretch in enumerate(plan.discharge):
        entry = f"Discharge {index + 1}" if many else "Discharge"
        level = reserve if stretch.to_percent is None else f"{stretch.to_percent:g} %"
        rows.append(
            CardRow(entry, stretch.text, f"down to {level}", _worth(study, lines["discharge", index]))
        )
    if not plan.discharge:
        why = "kept for dearer hours and outages" if searched else "not entered"
        rows.append(CardRow("Discharge", "off", "-", why))
    return rows


def _worth(study: SettingsStudy, line: Line) -> str:
    worth, span = line.worth, span_words(study)
    if worth is None:
        return line.why
    money = format_money(abs(worth.money), study.case.currency)
    if worth.breaks:
        return f"{line.why}; without it {broken_words(study, worth)} ({_more_or_less(money, worth.money)} {span})"
    if worth.money < -HALF_CENT:
        return f"{line.why}; costs {money} {span}"
    return f"{line.why}; worth {money} {span}"


def _more_or_less(money: str, more: float) -> str:
    return f"costs {money} {'more' if more >= 0 else 'less'}"


def broken_words(study: SettingsStudy, worth: Worth) -> str:
    """Say which promises are broken."""
    target = study.case.scenario.backup.target_hours
    parts = []
    for name in worth.breaks:
        if name == "load":
            parts.append("part of the load is not served")
        elif name == "import limit":
            parts.append("the import limit is broken")
        elif name == "reserve":
            parts.append("the scenario's reserve is not kept")
        elif worth.met_fraction is not None and target is not None:
            parts.append(f"the target of {target:g} h holds {share_text(worth.met_fraction)} of the time")
    return " and ".join(parts)


def share_text(fraction: float) -> str:
    """Write a share of time in percent; 100 only where every moment counts, 0 only where none does."""
    rounded = math.floor(1000 * fraction + 1e-9) / 10  # down, as percent_down: one share, one figure
    if 0.9995 <= fraction < 1.0:
        return "over 99.9 %"
    if rounded <= 0.0 and fraction > 0.0:
        return "under 0.1 %"
    return f"{rounded + 0.0:.1f} %"


def sun_line(study: SettingsStudy) -> str | None:
    """Say where the sun goes first; None without panels."""
    if not study.case.sun_kwh.any():
        return None
    if study.card.sun_first == "battery":
        text = "Sun: BATTERY FIRST, then the load, outside the discharge windows; in them the load first"
    else:
        text = "Sun: LOAD FIRST, then the battery, then what is left"
    if study.sun is None:
        return text
    money = format_money(abs(study.sun.money), study.case.currency)
    if study.sun.breaks:
        other = f"{broken_words(study, study.sun)}, and it {_more_or_less(money, study.sun.money)} {span_words(study)}"
        return f"{text} (the other way {other})"
    if abs(study.sun.money) < HALF_CENT:
        return f"{text} (the other way costs the same)"
    return f"{text} (the other way costs {money} {'more' if study.sun.money > 0 else 'less'} {span_words(study)})"


def change_lines(study: SettingsStudy) -> list[str]:
    """Say what changes on which date: seasons, raised reserves, event days."""
    lines = []
    if len(study.changes) < 2:
        lines.append("Nothing changes with the season: enter it once.")
    else:
        first, *later = study.changes
        lines.append(f"From the start ({format_date(first[0])}): the {first[1]} settings.")
        for date, season in later:
            lines.append(f"{format_date(date)}: enter the {season} settings{_eve(study, date, season)}.")
    return [*lines, *raise_lines(study), *event_lines(study)]


def eve_reserve(study: SettingsStudy, season: str) -> float | None:
    """Reserve of a season that is higher than that of the others, so that it is entered on its eve; else None."""
    reserves: dict[str, float] = {}
    for group, plan in zip(study.space.groups, study.card.plans, strict=True):
        reserves[group.season] = max(reserves.get(group.season, 0.0), plan.reserve_percent)
    lowest = min(
        plan.reserve_percent
        for group, plan in zip(study.space.groups, study.card.plans, strict=True)
        if group.season != season
    )
    return reserves[season] if reserves[season] > lowest else None


def _eve(study: SettingsStudy, date: dt.date, season: str) -> str:
    """Say what the eve of a season with a higher reserve asks for."""
    reserve = eve_reserve(study, season)
    if reserve is None:
        return ""
    return f"; its reserve of {reserve:g} % already at 18:00 on {format_date(date - dt.timedelta(days=1))}"


def raise_lines(study: SettingsStudy) -> list[str]:
    """Say when the reserve is raised for some days, when it is taken back, and what that costs."""
    lines = []
    currency, span = study.case.currency, span_words(study)
    for index, one in enumerate(study.card.raises):
        text = (
            f"{_moment(one.begins)}: raise the reserve to {one.reserve_percent:g} %; "
            f"{_moment(one.ends)}: set it back"
        )
        if study.raises:
            costs = -study.raises[index].money
            text += f" ({'costs' if costs >= 0 else 'saves'} {format_money(abs(costs), currency)} {span})"
        lines.append(f"{text}.")
    return lines


def _moment(wall: dt.datetime) -> str:
    return f"{format_date(wall.date())} {wall:%H:%M}"


def event_lines(study: SettingsStudy) -> list[str]:
    """Say what to do on the evening before an event day and after it."""
    dates = event_dates(study)
    if not dates:
        return []
    named = ", ".join(format_date(date) for date in dates[:MOST_DATES])
    more = f" and {len(dates) - MOST_DATES} more" if len(dates) > MOST_DATES else ""
    if not own_event_plans(study):
        return [f"Event days ({named}{more}): nothing to change, the settings of those days serve them."]
    text = f"On the evening before an event day ({named}{more}): enter the event-day settings, which hold from 00:00"
    return [f"{text}; at 24:00 of that day the usual ones hold again."]


def event_dates(study: SettingsStudy) -> list[dt.date]:
    """Dates of the data on which an event's price holds."""
    numbers = [g for g, group in enumerate(study.space.groups) if group.days == EVENT_DAYS]
    days = study.space.wall[np.isin(study.space.group_of, numbers)].astype("datetime64[D]")
    return [day.item() for day in np.unique(days)]


def own_event_plans(study: SettingsStudy) -> bool:
    """Whether event days have settings that differ from those of every other day of their season."""
    pairs = list(zip(study.space.groups, study.card.plans, strict=True))
    return any(
        group.days == EVENT_DAYS
        and {plan} != {other for there, other in pairs if there.season == group.season}
        for group, plan in pairs
    )


def how_to_enter(study: SettingsStudy) -> Iterator[str]:
    """Explain the card's own words, so that nothing else has to be read."""
    yield "Levels are the percentage on the battery's display. Times are those of the clock on the wall."
    yield (
        "Outside the charge windows the grid charges only when the level is below the reserve; outside the discharge "
        "windows the battery waits, and the grid serves the load."
    )
    plans = study.card.plans
    if any(w.end < w.start for plan in plans for w in (*plan.charge, *plan.discharge)):
        example = next(w for plan in plans for w in (*plan.charge, *plan.discharge) if w.end < w.start)
        first, last = example.text.split("-")
        yield (
            f"A window across midnight, such as {example.text}, is on its days the two pieces {first}-24:00 and "
            f"00:00-{last}; a device that takes no such window takes the pieces."
        )
    kinds = {group.days for group in study.space.groups} - {EVENT_DAYS}
    if kinds != {EVERY_DAY} and HOLIDAYS not in kinds and len(set(plans)) > 1:
        yield "Holidays run as the day of the week they fall on: the device does not know them, and was scored so."
    yield "When the clocks change, check the device's clock."
    if study.card.sells:
        yield "In its discharge windows the battery also sells to the grid; this needs the utility's permission."
