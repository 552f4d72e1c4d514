"""What to set, and why, as sentences for screen, page and JSON alike."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dispatch.cards.space import device_space
from dispatch.formats import (
    CENT,
    currency_decimals,
    format_hours,
    format_kwh,
    format_moment,
    format_money,
    format_month,
    format_number,
    percent_down,
)
from dispatch.outages.overload import overload_of
from dispatch.outcome import share_wanted
from dispatch.words.notices import span_words

if TYPE_CHECKING:
    from collections.abc import Iterator

    from dispatch.advice.recommend import MoreHours, Reason, Recommendation
    from dispatch.outcome import Outcome
    from dispatch.safety.answers import Answer


def setting_words(outcome: Outcome) -> str:
    """Name a strategy with its reserve: ``off-peak-first, reserve 40%``."""
    if outcome.name == "reserve-first":
        return "reserve-first (keeps the battery full)"
    if outcome.reserve_percent is None:
        return outcome.name
    return f"{outcome.name}, reserve {outcome.reserve_percent:g}%"


def money_words(advice: Recommendation, outcome: Outcome) -> str:
    """Say what a run saves, or loses, in the one measure that everything is ranked by."""
    case, saving = advice.case, outcome.saving
    reference = advice.no_system.bill_and_wear
    share = f", {100 * abs(saving) / reference:.1f}%" if reference > 0 else ""
    amount = f"{format_money(abs(saving), case.currency)} {span_words(case)}"
    if saving < -CENT:
        return f"The system LOSES {amount}{share}: its idle draw and wear cost more than it saves"
    return f"It saves {amount}{share}"


def months_words(advice: Recommendation, outcome: Outcome) -> str | None:
    """Say what it saves in the best and the worst month; None where there is one period only."""
    saved = monthly_savings(advice, outcome)
    if len(saved) < 2:
        return None
    best, worst = max(saved, key=lambda name: saved[name]), min(saved, key=lambda name: saved[name])
    places = currency_decimals(advice.case.currency)
    ends = (f"{format_month(name).split()[0]} {format_number(saved[name], places)}" for name in (best, worst))
    return "best month {}, worst {}".format(*ends)


def monthly_savings(advice: Recommendation, outcome: Outcome) -> dict[str, float]:
    """Return what a run saves in each billing period, wear counted."""
    costs = outcome.period_costs
    return {name: cost - costs[name] for name, cost in advice.no_system.period_costs.items()}


def promise_words(advice: Recommendation) -> str:
    """Say what the household asked for."""
    target, share = advice.case.scenario.backup.target_hours, share_wanted(advice.case)
    if target is None:
        return "no backup target is stated"
    if share >= 1:
        return f"never less than {target:g} h of backup"
    return f"at least {target:g} h of backup at {100 * share:g}% of moments"


def verdict_words(advice: Recommendation) -> str:
    """Say in a sentence what is set and whether it keeps what was asked."""
    chosen, target = advice.chosen, advice.case.scenario.backup.target_hours
    if not chosen.serves:
        return "No strategy serves the whole load."
    if target is None:
        return "The cheapest of what can be set; no backup target is stated."
    met = percent_down(chosen.target_share)
    if advice.meets_target:
        return f"Cheapest with {promise_words(advice)}; kept {met}% of the time."
    return f"NOTHING KEEPS THE TARGET, {promise_words(advice)}; this comes closest: {met}% of the time."


def reason_words(advice: Recommendation, reason: Reason) -> str:
    """Turn one fact of the choice into a sentence without a full stop."""
    run, currency = reason.outcome, advice.case.currency
    if run is None:
        return reason.strategy
    more = format_money(abs(reason.more or 0.0), currency)
    side = "dearer" if (reason.more or 0.0) >= 0 else "cheaper"
    least = run.backup.minimum if run.backup else 0.0
    if reason.kind == "cannot serve":
        return f"{run.name} cannot serve {run.sum_kwh('unserved_load'):,.1f} kWh of the load"
    if reason.kind == "next":
        return f"next is {setting_words(run)}, dearer by {more}"
    if reason.kind == "too few hours":
        worst = f" at {format_moment(run.backup.worst_at)}" if run.backup else ""
        return (
            f"{setting_words(run)}, {side} by {more}, keeps the target {percent_down(run.target_share)}% of the time "
            f"(as little as {format_hours(least)} h{worst})"
        )
    if reason.kind == "file's reserve":
        return f"the file's own reserve asks for {run.reserve_percent:g}%: that would be {side} by {more}"
    return f"{setting_words(run)}: {verdict_words(advice)[:-1]}"


def reason_lines(advice: Recommendation) -> list[str]:
    """All reasons as sentences, in order."""
    return [reason_words(advice, reason) for reason in advice.reasons]


def nearly_free_words(advice: Recommendation) -> str | None:
    """Name a strategy that keeps much more for next to nothing; None where there is none."""
    run = advice.nearly_free
    if run is None:
        return None
    more = format_money(max(run.compared_cost - advice.chosen.compared_cost, 0.0), advice.case.currency)
    least = format_hours(run.least_hours)
    return f"Nearly the same money: {setting_words(run)}, dearer by {more}, never less than {least} h"


def file_reserve_words(advice: Recommendation) -> str | None:
    """Say what the reserve of the file would cost where a lower one is set; None where none is."""
    reason = next((reason for reason in advice.reasons if reason.kind == "file's reserve"), None)
    if reason is None:
        return None
    words = reason_words(advice, reason)
    return f"The target needs less than the file's reserve: {words[:1].lower()}{words[1:]}"


def raised_words(advice: Recommendation) -> str | None:
    """Say that the reserve is raised for some days, which is in every figure; None where it is not."""
    raises = device_space(advice.case_to_run).raises
    if not raises:
        return None
    first = raises[0]
    more = f" and {len(raises) - 1} more times" if len(raises) > 1 else ""
    return (
        f"Raise the reserve to {first.reserve_percent:g}% from {format_moment(first.begins, weekday=False)} to "
        f"{format_moment(first.ends, weekday=False)}{more}, then set it back (dispatch settings lists them)"
    )


def overload_words(outcome: Outcome) -> str | None:
    """Name the overload that takes backup hours away; None where the inverter carries the critical load."""
    trip = overload_of(outcome.case, "critical")
    if trip is None:
        return None
    return (
        f"OVERLOAD: the critical load with idle draw reaches {trip.load_w:,.0f} W, the inverter gives "
        f"{trip.inverter_w:,.0f} W and trips ({trip.hours:g} h of the data, which count as none; more reserve buys no "
        f"hours there): take {trip.over_w:,.0f} W off it"
    )


def more_words(advice: Recommendation, more: MoreHours) -> str:
    """Say what more hours cost as a level the device can be set to."""
    extra = f"{more.extra_hours:g} more hours"
    if more.outcome is None or more.cost is None:
        return (
            f"{extra} (never less than {format_hours(more.hours)} h): no setting of this battery keeps them"
        )
    cost = format_money(max(more.cost, 0.0), advice.case.currency)
    least = more.outcome.backup.minimum if more.outcome.backup else 0.0
    price = "cost nothing" if more.cost <= CENT else f"cost {cost} {span_words(advice.case)}"
    return f"{extra} {price}: {setting_words(more.outcome)} (never less than {format_hours(least)} h)"


def answer_lines(outcome: Outcome, answer: Answer, what: str) -> Iterator[str]:
    """Say how long it lasts: critical load, and with nothing switched off."""
    horizon = outcome.case.limits.backup_horizon_hours

    def hours(value: float) -> str:
        return format_hours(value, horizon)

    same = answer.count == 1 or abs(answer.least - answer.usual) < 0.05
    usual = "" if same else f", usually {hours(answer.usual)} h"
    yield f"{what}: critical load {hours(answer.least)} h{usual}"
    trip = "" if answer.trip is None else trip_words(answer)
    if answer.least_all < answer.least - 0.05:
        everything = "" if same else f", usually {hours(answer.usual_all)} h"
        yield f"With nothing switched off: {hours(answer.least_all)} h{everything}{trip and '; ' + trip}"
    elif trip:
        yield f"With nothing switched off {trip}"


def trip_words(answer: Answer) -> str:
    """Say where the inverter trips if nothing is switched off, and what must go at the least."""
    trip = answer.trip
    assert trip is not None  # noqa: S101 - asked only where it trips
    over = f"{trip.load_w:,.0f} W of {trip.inverter_w:,.0f} W, switch off at least {trip.over_w:,.0f} W"
    if answer.count == 1:
        when = "AT ONCE" if trip.at <= answer.worst_at else f"at {format_moment(trip.at)}"
        return f"the inverter TRIPS {when}: {over}"
    return f"the inverter trips in {trip.hours:g} h of the data ({over})"


def reserve_words(outcome: Outcome) -> str:
    """Say what the reserve holds in energy."""
    if outcome.reserve_percent is None:
        return ""
    return format_kwh(outcome.reserve_percent / 100.0 * outcome.case.limits.full_kwh)
