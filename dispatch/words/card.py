"""The card in words: the same lines for the terminal, Markdown and the printed page."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from dispatch.formats import format_date, format_hours, format_money
from dispatch.search.study import BOUND, MEANINGS, PLAIN, REACHABLE, REPLANNED, Line, SettingsStudy, ordered
from dispatch.settings.card import EVERY_DAY, HOLIDAYS

if TYPE_CHECKING:
    from collections.abc import Iterator

    from dispatch.settings.card import DayPlan


YEAR_HOURS = 8760
YEAR_TOLERANCE = 0.02


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
    """Title and a group for every different plan; seasons with the same plan on the same days share one."""
    found: dict[tuple[str, DayPlan], list[int]] = {}
    for group, (there, plan) in enumerate(zip(study.space.groups, study.card.plans, strict=True)):
        found.setdefault((there.days, plan), []).append(group)
    return [(group_title(study, mine), mine[0]) for mine in found.values()]


def group_title(study: SettingsStudy, groups: list[int]) -> str:
    """Name the seasons and days of plans that are alike."""
    seasons = [study.space.groups[group].season for group in groups]
    whole = len(seasons) == len({other.season for other in study.space.groups})
    season = "all year" if whole else " and ".join(seasons)
    return f"{season[:1].upper()}{season[1:]}, {study.space.groups[groups[0]].days}"


def card_rows(study: SettingsStudy, group: int) -> list[CardRow]:
    """List what is entered for one season and kind of day, in the order of entering."""
    plan = study.card.plans[group]
    lines = {(line.kind, line.index): line for line in ordered(study.lines, group)}
    reserve = f"{plan.reserve_percent:g} %"
    rows = [CardRow("Reserve", "always", f"never below {reserve}", lines["reserve", 0].why)]
    many = len(plan.charge) > 1
    for index, window in enumerate(plan.charge):
        entry = f"Charge from grid {index + 1}" if many else "Charge from grid"
        line = lines["charge", index]
        rows.append(CardRow(entry, window.text, f"up to {window.to_percent:g} %", _worth(study, line)))
    if not plan.charge:
        rows.append(CardRow("Charge from grid", "off", "-", "no window earns anything here"))
    many = len(plan.discharge) > 1
    for index, stretch in enumerate(plan.discharge):
        entry = f"Discharge {index + 1}" if many else "Discharge"
        line = lines["discharge", index]
        rows.append(CardRow(entry, stretch.text, f"down to {reserve}", _worth(study, line)))
    if not plan.discharge:
        rows.append(CardRow("Discharge", "off", "-", "kept for dearer hours and outages"))
    return rows


def _worth(study: SettingsStudy, line: Line) -> str:
    worth = format_money(max(line.worth or 0.0, 0.0), study.case.currency)
    return f"{line.why}; worth {worth} {span_words(study)}"


def sun_line(study: SettingsStudy) -> str | None:
    """Say where the sun goes first; None without panels."""
    if not study.case.sun_kwh.any():
        return None
    if study.card.sun_first == "battery":
        text = "Sun: BATTERY FIRST, then the load, outside the discharge windows; in them the load first"
    else:
        text = "Sun: LOAD FIRST, then the battery, then what is left"
    if study.sun_worth is not None and study.sun_worth >= 0.005:
        text += f" (the other way costs {format_money(study.sun_worth, study.case.currency)} more {span_words(study)})"
    elif study.sun_worth is not None:
        text += " (the other way costs the same)"
    return text


def change_lines(study: SettingsStudy) -> list[str]:
    """Say what changes on which date."""
    if len({season for _, season in study.changes}) < 2:
        return ["Nothing changes with the season: enter it once."]
    first, *later = study.changes
    lines = [f"From the start ({format_date(first[0])}): the {first[1]} settings."]
    lines += [f"{format_date(date)}: enter the {season} settings." for date, season in later]
    return lines


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
    kinds = {group.days for group in study.space.groups}
    if kinds != {EVERY_DAY} and HOLIDAYS not in kinds:
        yield "Holidays run as the day of the week they fall on: the device does not know them, and was scored so."
    yield "When the clocks change, check the device's clock."
    if study.card.sells:
        yield "In its discharge windows the battery also sells to the grid; this needs the utility's permission."


def result_lines(study: SettingsStudy) -> Iterator[str]:
    """Say what the card earns, what it misses, and how sure that is."""
    case, way = study.case, study.chosen
    currency, span = case.currency, span_words(study)

    def money(amount: float) -> str:
        return format_money(amount, currency)

    who = "Your card" if study.entered else "This card"
    verb, amount = ("saves", way.saving) if way.saving >= 0 else ("costs", -way.saving)
    yield (
        f"{who}: bill {money(way.total)} {span} as the inverter would run it, wear {money(way.wear)} beside it. It "
        f"{verb} {money(amount)} against {money(study.reference_total)} without the system."
    )
    if study.missed_share(study[PLAIN]) > study.missed_share(way):
        missed = 100 * study.missed_share(study[PLAIN])
        yield f"The tariff's windows entered as they are miss the target by {missed:.1f} % of the time."
    else:
        better = study[PLAIN].compared_cost - way.compared_cost
        word = "less" if better >= 0 else "more"
        yield f"Bill + wear are {money(abs(better))} {word} than with the tariff's windows entered as they are."
    best = study[REACHABLE]
    share = f" ({100 * study.gap / abs(best.compared_cost):.1f} %)" if abs(best.compared_cost) > 0.005 else ""
    if way.target_share >= best.target_share or study.missed_share(way) <= 0:
        yield (
            f"Gap to the best that levels could do: {money(study.gap)}{share}. Those levels knew the whole period in "
            "advance and keep the same reserve and target."
        )
    yield (
        f"The inverter's own rules cost {money(study.rules_cost)}: that far below them lies a plan free to send every "
        f"kWh where it likes{_bound_keeps(study)}."
    )
    yield _replanned_line(study)


def _bound_keeps(study: SettingsStudy) -> str:
    """Say where the bound is freer than the other rows."""
    if study.missed_share(study[BOUND]) <= 0:
        return ""
    return " (it keeps the reserve only, not the target, so part of this is the target's price)"


def _replanned_line(study: SettingsStudy) -> str:
    """Compare entering levels anew every evening with the card, where both keep the target."""
    way, daily = study.chosen, study[REPLANNED]
    difference = daily.compared_cost - way.compared_cost
    amount = format_money(abs(difference), study.case.currency)
    who = "Entering new levels every evening from the last weeks alone"
    missed = study.missed_share(daily)
    if missed > study.missed_share(way):
        return f"{who} misses the target by {100 * missed:.1f} % of the time, so its money is not compared."
    return f"{who} would cost {amount} {'less' if difference < 0 else 'more'}."


def safety_lines(study: SettingsStudy) -> Iterator[str]:
    """Say how many hours of backup the card keeps, and in how many other years it would earn what."""
    case, way, years = study.case, study.chosen, study.robustness
    horizon, backup = case.limits.backup_horizon_hours, way.backup
    assert backup is not None  # noqa: S101 - a card uses the battery
    target = case.scenario.backup.target_hours
    text = (
        f"Backup kept: at least {format_hours(backup.minimum, horizon)} h of the critical load at every instant, "
        f"{format_hours(backup.median, horizon)} h half of the time (without sun)."
    )
    if target is not None:
        text += f" The target of {target:g} h is met {100 * way.target_share:.1f} % of the time."
    yield text
    money = [format_money(value, case.currency) for value in (years.saving.low, years.saving.high)]
    hours = [
        format_hours(v, horizon) for v in (years.minimum_backup_hours.low, years.minimum_backup_hours.high)
    ]
    yield (
        f"In {years.years} other years, drawn from these days (same weekday, season and time of year; seed "
        f"{years.seed}), the saving lies between {money[0]} and {money[1]} in nine of ten, the fewest hours of "
        f"backup between {hours[0]} and {hours[1]} h."
    )


def assumption_lines(study: SettingsStudy) -> Iterator[str]:
    """Say what the figures rest on."""
    for way in study.ways:
        yield f"{way.name}: {MEANINGS[way.name]}."
    yield (
        "Bill + wear leave out what more or less is stored at the end than at the start, valued at the lowest price."
    )
    yield "Each window's worth is what leaving it out alone would cost; they do not add up."
    yield f"{study.candidates:,} settings were run step by step with the program's own limits and losses."
