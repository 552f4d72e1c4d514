"""What a card earns, keeps and rests on, in words."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dispatch.formats import format_hours, format_money, format_number
from dispatch.search.study import MEANINGS, PLAIN, REACHABLE, REPLANNED
from dispatch.words.card import HALF_CENT, share_text, span_words
from dispatch.words.plans import best_found_words

if TYPE_CHECKING:
    from collections.abc import Iterator

    from dispatch.outcome import Outcome
    from dispatch.search.other_years import Range, Robustness
    from dispatch.search.study import SettingsStudy


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
        yield f"The setting of dispatch compare misses the target by {missed:.1f} % of the time."
    else:
        better = study[PLAIN].compared_cost - way.compared_cost
        word = "less" if better >= 0 else "more"
        yield f"Bill + wear are {money(abs(better))} {word} than with the setting of dispatch compare."
    best = study[REACHABLE]
    share = (
        f" ({format_number(100 * study.gap / abs(best.compared_cost), 1)} %)"
        if abs(best.compared_cost) > HALF_CENT
        else ""
    )
    if way.target_share >= best.target_share or study.missed_share(way) <= 0:
        yield (
            f"Gap to the best that levels could do: {money(study.gap)}{share}. Those levels knew the whole period in "
            "advance and keep the same reserve and target."
        )
    yield _rules_line(study)
    yield _replanned_line(study)


def _rules_line(study: SettingsStudy) -> str:
    """Say what the inverter's rules cost, or why no proven plan tells."""
    if study.bound is not None and study.rules_cost is not None:
        return (
            f"The inverter's own rules cost {format_money(study.rules_cost, study.case.currency)}: that far below them "
            f"lies a plan free to send every kWh where it likes{_bound_keeps(study, study.bound)}."
        )
    if study.best_plan is not None:
        return f"No bound is proven. {best_found_words(study.best_plan)}."
    return f"There is no plan to compare with: {study.unplanned}."


def _bound_keeps(study: SettingsStudy, bound: Outcome) -> str:
    """Say where the bound is freer than the other rows."""
    if study.missed_share(bound) <= 0:
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


def simple_lines(study: SettingsStudy) -> Iterator[str]:
    """Say how few entries the card makes do with, and what more of them would earn."""
    search, currency, span = study.search, study.case.currency, span_words(study)
    if search is None:
        return
    if search.last_entry is None:
        yield f"{search.entries} things to enter; none of them could be left out for 0.3 % of bill + wear."
    else:
        count = search.last_entry_count
        last = "the last one left out" if count == 1 else f"the last {count} left out"
        text = (
            f"{search.entries} things to enter, the fewest found within 0.3 % of the best card: {last} would "
            f"have earned {format_money(max(search.last_entry, 0.0), currency)} {span}"
        )
        if search.best_entries > search.entries + count:
            text += f", all {search.best_entries - search.entries} together {format_money(search.best_less, currency)}"
        yield f"{text}."
    if search.margin_cost > HALF_CENT:
        yield (
            f"A margin for other years is in it: keeping the backup target in them too costs "
            f"{format_money(search.margin_cost, currency)} {span}."
        )


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
        text += f" The target of {target:g} h is met {share_text(way.target_share)} of the time."
    yield text
    if way.floor_broken_hours:
        yield f"The scenario's reserve is NOT kept in {way.floor_broken_hours:g} h of the data with this card."
    money = [format_money(value, case.currency) for value in (years.saving.low, years.saving.high)]
    hours = [
        format_hours(v, horizon) for v in (years.minimum_backup_hours.low, years.minimum_backup_hours.high)
    ]
    what = "Scored on" if study.entered else "The card was tuned on the very days it is scored on. On"
    yield (
        f"{what} {years.years} other years, drawn from these days (same weekday, season and time of year; seed "
        f"{years.seed}), it saves between {money[0]} and {money[1]} in nine of ten, and the fewest hours of backup lie "
        f"between {hours[0]} and {hours[1]} h."
    )
    yield (
        f"Year by year beside the tariff's own windows, in {_years(years, years.cheaper_fraction)} it costs less: "
        f"{_between(years.below_plain, case.currency)} in nine of ten."
    )
    if target is not None and years.keeps_target_fraction is not None:
        kept = _years(years, years.keeps_target_fraction)
        wanted = case.scenario.backup.share_of_instants_fraction
        yield f"{kept[:1].upper()}{kept[1:]} keep the target of {target:g} h {share_text(wanted)} of the time."
    yield from _reserve_years(study)


def _between(less: Range, currency: str) -> str:
    """Write a range of what something costs less, whatever the signs."""
    low, high = (format_money(abs(value), currency) for value in (less.low, less.high))
    if less.high < 0:
        return f"between {high} and {low} more"
    return f"between {low} {'more ' if less.low < 0 else ''}and {high} less"


def _reserve_years(study: SettingsStudy) -> Iterator[str]:
    """Say in how many drawn years the reserve holds, where the settings alone do not make sure of it."""
    years = study.robustness
    if years.keeps_reserve_fraction < 1.0:
        yield (
            f"{_years(years, years.keeps_reserve_fraction)} keep the scenario's reserve at every instant; in the "
            "others the level falls below it for a time."
        )


def _years(years: Robustness, fraction: float) -> str:
    return f"{round(fraction * years.years)} of {years.years} such years"


def assumption_lines(study: SettingsStudy) -> Iterator[str]:
    """Say what the figures rest on."""
    for way in study.ways:
        yield f"{way.name}: {MEANINGS[way.name]}."
    yield (
        "Bill + wear leave out what more or less is stored at the end than at the start, valued at the lowest price."
    )
    yield (
        "Each window's worth is what leaving it out alone, on all the days it holds, would cost; they do not add up."
    )
    if study.search is not None:
        yield (
            f"{study.search.candidates:,} settings were run step by step with the program's own limits and losses."
        )
