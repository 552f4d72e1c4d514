"""The four answers of the first screen: a figure that is seen at once, and sentences under it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from dispatch.formats import CENT, format_hours, format_moment, format_money
from dispatch.safety.answers import EVENING_HOUR
from dispatch.words.advice import (
    money_words,
    months_words,
    more_words,
    overload_words,
    reason_lines,
    reserve_words,
    setting_words,
    trip_words,
    verdict_words,
)
from dispatch.words.notices import span_words, switch_off_words

if TYPE_CHECKING:
    from collections.abc import Iterator

    from dispatch.page.facts import Found


@dataclass(frozen=True)
class Told:
    """One answer: the question it answers, the figure, and sentences."""

    question: str
    figure: str
    lines: tuple[str, ...]


def answers(found: Found) -> tuple[Told, ...]:
    """Answer what to set, what it saves, how long it lasts, and what two more hours cost.

    Where no strategy serves the load there is one answer: that, and why.
    """
    advice, chosen = found.advice, found.advice.chosen
    if not chosen.serves:
        return (
            Told("What to set", "No strategy serves the whole load", tuple(map(_stop, reason_lines(advice)))),
        )
    return (_setting(found), _money(found), _hours(found), _more(found))


def _stop(words: str) -> str:
    words = f"{words[:1].upper()}{words[1:]}"
    return words if words.endswith(".") else f"{words}."


def _setting(found: Found) -> Told:
    advice, chosen = found.advice, found.advice.chosen
    lines = [verdict_words(advice)]
    if chosen.name != "reserve-first":
        lines.append(f"The reserve holds {reserve_words(chosen)}.")
    return Told("What to set", setting_words(chosen), (*lines, *map(_stop, reason_lines(advice)[1:])))


def _money(found: Found) -> Told:
    advice, chosen = found.advice, found.advice.chosen
    currency = advice.case.currency
    loses = chosen.saving < -CENT
    months = months_words(advice, chosen)
    lines = [_stop(money_words(advice, chosen))]
    if months:
        lines.append(_stop(months))
    lines.append(
        f"Bill + wear {format_money(chosen.compared_cost, currency)}, against "
        f"{format_money(advice.no_system.compared_cost, currency)} without the system."
    )
    amount = f"{format_money(abs(chosen.saving), currency)} {span_words(advice.case)}"
    return Told("What it saves", f"LOSES {amount}" if loses else amount, tuple(lines))


def _hours(found: Found) -> Told:
    chosen, worst, evening = found.advice.chosen, found.quick.worst, found.quick.evening
    horizon = chosen.case.limits.backup_horizon_hours

    def hours(value: float) -> str:
        return format_hours(value, horizon)

    def lines() -> Iterator[str]:
        yield f"Critical load, worst moment ({format_moment(worst.worst_at)}): {hours(worst.least)} h."
        yield f"Critical load, usual evening at {EVENING_HOUR}:00: {hours(evening.usual)} h."
        yield (
            f"With nothing switched off: {hours(worst.least_all)} h at the worst moment, {hours(evening.usual_all)} h "
            f"on a usual evening."
        )
        if worst.trip is not None:
            words = trip_words(worst)
            yield _stop(f"With nothing switched off {words}")
        if over := overload_words(chosen):
            yield _stop(over)
        if off := switch_off_words(found.advice.case):
            yield _stop(off)

    return Told("How long it lasts", f"{hours(worst.least)} h at the worst moment", tuple(lines()))


def _more(found: Found) -> Told:
    advice, more = found.advice, found.quick.more
    if more.outcome is None or more.cost is None:
        figure = "not to be had"
    elif more.cost <= CENT:
        figure = "nothing"
    else:
        figure = f"{format_money(more.cost, advice.case.currency)} {span_words(advice.case)}"
    return Told(f"What {more.extra_hours:g} more hours cost", figure, (_stop(more_words(advice, more)),))
