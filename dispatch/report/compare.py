"""The screen of ``dispatch compare``, as rich renderables. Nothing here prints.

Made for 80 columns and for reading without colour: weight and colour only repeat what words and figures say.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from rich.console import Group
from rich.text import Text

from dispatch.comparison.reserve_advice import cheaper_words
from dispatch.formats import (
    CENT,
    format_hours,
    format_kwh,
    format_moment,
    format_money,
    format_span,
    format_step,
)
from dispatch.report.as_set import as_set_notes, as_set_table, foresight_sentence
from dispatch.report.compare_tables import (
    bills_by_month,
    peak_days,
    shortfall_lines,
    side_by_side,
    worst_moments,
)
from dispatch.report.day import DayPicture
from dispatch.report.layout import bulleted, headed
from dispatch.report.tariff_sections import BEYOND_PRICES, tariff_sections
from dispatch.strategies.table import CHOICES
from dispatch.words.notices import ASSUMPTIONS, CAUTIONS, HINDSIGHT, MEANINGS
from dispatch.words.would_serve import what_import_would_do, what_would_serve

if TYPE_CHECKING:
    from collections.abc import Iterator

    from rich.console import RenderableType

    from dispatch.case.case import Case
    from dispatch.comparison.compare import Comparison
    from dispatch.comparison.recommendation import ReserveAdvice
    from dispatch.outcome import StrategyResult


HEADLINE_SHARE = 0.01
"""Of the bill without the system: what another reserve must save to be told beside the headline."""


def comparison_report(comparison: Comparison) -> Group:
    """Put the whole report of ``dispatch compare`` together.

    Parameters
    ----------
    comparison : Comparison
        The finished comparison.

    Returns
    -------
    rich.console.Group
        Fits 80 columns.
    """
    parts: list[RenderableType] = [_title(comparison.case)]
    parts += headed("What to set", _advice(comparison))
    parts += headed("The strategies side by side, planned", [side_by_side(comparison), *_legend(comparison)])
    if comparison.as_set:
        parts += headed("Planned, and as set", [as_set_table(comparison), *as_set_notes(comparison)])
    parts += headed(
        "How little backup is left, planned", [worst_moments(comparison), *_backup_notes(comparison)]
    )
    if shortfalls := shortfall_lines(comparison.strategies):
        remedies = (what_would_serve(comparison), what_import_would_do(comparison))
        parts += headed("What could not be kept", [bulleted([*shortfalls, *filter(None, remedies)])])
    parts += headed("Bills by month, planned", [bills_by_month(comparison)])
    for title, body in tariff_sections(comparison):
        parts += headed(title, body)
    parts += headed("The dearest day, hour by hour, planned", _day(comparison))
    parts += headed(_peak_title(comparison), [peak_days(comparison)])
    parts += headed("What this rests on", [bulleted([*ASSUMPTIONS, *comparison.case.notes])])
    parts += headed("Cautions", [bulleted(CAUTIONS)])
    parts += ["", _footer(comparison)]
    return Group(*parts)


def _title(case: Case) -> Group:
    span = format_span(case.times[0].date(), case.times[-1].date())
    zone = case.scenario.site.time_zone
    facts = f"{len(case.times):,} steps of {format_step(case.dt_hours)}, {zone}, {case.currency}"
    return Group(Text(case.name, style="bold"), Text(f"{span}; {facts}"))


def _advice(comparison: Comparison) -> Iterator[RenderableType]:
    recommendation = comparison.recommendation
    lines = _clauses(recommendation.reason)
    if recommendation.strategy is None:
        yield Text("No strategy can be recommended.", style="bold")
    elif recommendation.reserve is not None and recommendation.reserve.saves is None:
        advice = recommendation.reserve
        yield Text(f"Set {advice.strategy}, and the reserve to {advice.percent:g}%.", style="bold")
        lines += [_other_reserve_sentence(comparison, advice), _reserve_sentence(comparison.case)]
    else:
        chosen = comparison[recommendation.strategy]
        yield Text(f"Set {chosen.name}: {MEANINGS[chosen.name]}.", style="bold")
        if recommendation.reserve is not None and _is_headline(comparison, recommendation.reserve):
            words = cheaper_words(recommendation.reserve, comparison.case.currency)
            lines.remove(words)
            yield Text(f"{words[:1].upper()}{words[1:]}.", style="bold")
        lines += [
            _money_sentence(comparison, chosen),
            _reserve_sentence(comparison.case),
            _worst_sentence(comparison, chosen),
        ]
    foresight = foresight_sentence(comparison) if recommendation.strategy else None
    yield bulleted([*lines, foresight or HINDSIGHT])


def _is_headline(comparison: Comparison, advice: ReserveAdvice) -> bool:
    """Tell whether another reserve saves enough to stand beside what to set, not among its reasons."""
    saves = advice.saves or 0.0
    return saves > CENT and saves >= HEADLINE_SHARE * comparison["grid-only"].total


def _clauses(reason: str) -> list[str]:
    """Take a long sentence apart at its semicolons, those inside parentheses left alone."""
    return re.split(r";\s+(?![^(]*\))", reason)


def _reserve_sentence(case: Case) -> str:
    low_kwh, high_kwh = float(case.floor_kwh.min()), float(case.floor_kwh.max())
    if high_kwh - low_kwh < 5e-3:
        level = f"{format_kwh(low_kwh)}, {100 * low_kwh / case.limits.full_kwh:.3g}% of the battery"
    else:
        level = f"{format_kwh(low_kwh)} to {format_kwh(high_kwh)}, following the critical load"
    return f"Reserve floor, kept for an outage by every strategy: {level}"


def _other_reserve_sentence(comparison: Comparison, advice: ReserveAdvice) -> str:
    bill = format_money(advice.bill, comparison.case.currency)
    return (
        f"With that reserve, {format_kwh(advice.kwh)}, its bill as set is {bill}; the tables below are at the reserve "
        "of the file"
    )


def _worst_sentence(comparison: Comparison, chosen: StrategyResult) -> str:
    run = comparison.as_set.get(chosen.name)
    backup = chosen.backup if run is None else run.backup
    horizon = comparison.case.limits.backup_horizon_hours
    if backup is None:
        return ""
    return (
        f"If the grid failed at its worst moment, {format_moment(backup.worst_at)}, the critical load would run "
        f"for {format_hours(backup.minimum, horizon)} hours without sun"
    )


def _money_sentence(comparison: Comparison, chosen: StrategyResult) -> str:
    currency = comparison.case.currency
    reference, sun_alone = comparison["grid-only"].total, comparison["sun-only"].saving
    run = comparison.as_set.get(chosen.name)
    saving = chosen.saving if run is None else run.saving
    share = f" ({100 * abs(saving) / reference:.1f}%)" if reference > 0 else ""
    verb = "saves" if saving >= 0 else "costs another"
    text = f"Against a bill of {format_money(reference, currency)} without the system it {verb} "
    text += f"{format_money(abs(saving), currency)}{share}" + (" as set" if run else "")
    if comparison.case.sun_kwh.any():
        battery = saving - sun_alone
        text += f"; the sun alone {'saves' if sun_alone >= 0 else 'costs'} {format_money(abs(sun_alone), currency)}, "
        text += (
            f"the battery {'adds' if battery >= 0 else 'takes away'} {format_money(abs(battery), currency)}"
        )
    return (
        f"{text}. The system's idle draw, counted in that, costs {format_money(chosen.idle_cost, currency)}"
    )


def _legend(comparison: Comparison) -> Iterator[RenderableType]:
    yield ""
    yield bulleted(f"{result.name}: {MEANINGS[result.name]}" for result in comparison.strategies)


def _backup_notes(comparison: Comparison) -> Iterator[RenderableType]:
    case = comparison.case
    backup = next(result.backup for result in comparison.strategies if result.backup is not None)
    mean_kw = float(case.critical_kwh.mean()) / case.dt_hours
    idle_kw = float(case.idle_kwh.mean()) / case.dt_hours
    carries = (
        "carries it" if backup.carries_critical_peak else "DOES NOT carry it: the hours count energy only"
    )
    yield ""
    stopped = f"{case.limits.backup_horizon_hours:g}+"
    yield bulleted(
        (
            (
                f"The hours carry the critical load, {mean_kw:.2f} kW on average, and the system's idle draw of "
                f"{1000 * idle_kw:.3g} W. They are rounded down; {stopped} means that the count stopped there."
            ),
            (
                f"Largest critical load with idle draw: {backup.critical_peak_kw:.2f} kW in a step. The inverter, "
                f"{case.limits.inverter_kw:g} kW, {carries}."
            ),
        )
    )


def _day(comparison: Comparison) -> Iterator[RenderableType]:
    if comparison.peak_days:
        drawn = comparison.recommendation.strategy or CHOICES[-1]
        yield DayPicture(comparison.case, comparison[drawn], comparison.peak_days[0].date)
        if not comparison.case.prices.is_plain:
            yield from ("", bulleted([BEYOND_PRICES]))


def _peak_title(comparison: Comparison) -> str:
    count = len(comparison.peak_days)
    return f"The {count} dearest days, planned" if count > 1 else "The dearest day, planned"


def _footer(comparison: Comparison) -> Text:
    solved = [result for result in comparison.strategies if result.stage_values]
    short = [result.name for result in solved if result.status != "optimal"]
    residual_kwh = max((result.residual_kwh for result in solved), default=0.0)
    difference = max(result.reconciliation for result in comparison.strategies)
    seconds = sum(result.seconds for result in comparison.strategies)
    status = (
        f"all {len(solved)} schedules optimal"
        if not short
        else f"cannot serve the whole load: {', '.join(short)}"
    )
    gaps = [result.gap for result in solved if result.gap is not None]
    proven = f"; yes-or-no decisions proven to within {max(gaps):.0e} of the best possible" if gaps else ""
    return Text(
        f"HiGHS: {status}{proven}; largest violation of any limit {residual_kwh:.0e} kWh; program and bill differ by "
        f"{difference:.0e} of the bill; {seconds:.1f} s of solving.",
        style="dim",
    )
