"""The screen of ``dispatch compare``, as rich renderables. Nothing here prints.

Made for 80 columns and for reading without colour: weight and colour only repeat what words and figures say.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.console import Group
from rich.text import Text

from dispatch.formats import ABSENT, format_hours, format_moment, format_money, format_number, percent_down
from dispatch.report.as_set import as_set_notes, as_set_table
from dispatch.report.care import life_section
from dispatch.report.compare_tables import (
    bills_by_month,
    peak_days,
    shortfall_lines,
    side_by_side,
    worst_moments,
)
from dispatch.report.day import DayPicture
from dispatch.report.layout import bulleted, headed, money_places, plain_table, title_of
from dispatch.report.tariff_sections import BEYOND_PRICES, tariff_sections
from dispatch.safety.answers import EVENING_HOUR
from dispatch.sizing.life import ages
from dispatch.words.advice import (
    file_reserve_words,
    money_words,
    months_words,
    more_words,
    nearly_free_words,
    overload_words,
    raised_words,
    reason_lines,
    reserve_words,
    setting_words,
    verdict_words,
)
from dispatch.words.notices import ASSUMPTIONS, MEANINGS, cautions, first_cautions, switch_off_words
from dispatch.words.plans import unproven_short, unproven_words
from dispatch.words.would_serve import what_import_would_do, what_would_serve

if TYPE_CHECKING:
    from collections.abc import Iterator

    from rich.console import RenderableType
    from rich.table import Table

    from dispatch.comparison.compare import Comparison
    from dispatch.outcome import Outcome
    from dispatch.safety.answers import Answer, Quick


def comparison_report(comparison: Comparison, quick: Quick, *, full: bool = False) -> Group:
    """Put the screen of ``dispatch compare`` together.

    Parameters
    ----------
    comparison : Comparison
    quick : Quick
        The hours and the price of more that the first screen tells.
    full : bool
        Whether everything behind the answer follows it.

    Returns
    -------
    rich.console.Group
        Fits 80 columns; without ``full`` 24 lines.
    """
    case = comparison.case
    parts: list[RenderableType] = [title_of(case)]
    parts += _answer(comparison, quick)
    if not full:
        return Group(
            *parts, Text("Tables, reasons, all cautions: --full. Local codes come first.", style="dim")
        )
    parts += headed("Why", [bulleted(_reasons(comparison))])
    parts += headed("Side by side, as set", [side_by_side(comparison), *_legend(comparison)])
    parts += headed(
        "As set, and planned with foresight", [as_set_table(comparison), *as_set_notes(comparison)]
    )
    parts += headed(
        "How little backup is left, as set", [worst_moments(comparison), *_backup_notes(comparison)]
    )
    if shortfalls := shortfall_lines(comparison.advice.outcomes.values()):
        remedies = (what_would_serve(comparison), what_import_would_do(comparison))
        parts += headed("What could not be kept", [bulleted([*shortfalls, *filter(None, remedies)])])
    parts += headed("Bill + wear by month, as set", [bills_by_month(comparison)])
    parts += life_section(ages(case, (run.flows for run in comparison.advice.outcomes.values())))
    for title, body in tariff_sections(comparison):
        parts += headed(title, body)
    parts += headed("The dearest day, hour by hour, as set", _day(comparison))
    parts += headed(_peak_title(comparison), [peak_days(comparison)])
    parts += headed("What this rests on", [bulleted([*ASSUMPTIONS, *case.notes])])
    parts += headed("Cautions", [bulleted(cautions(case))])
    parts += ["", _footer(comparison)]
    return Group(*parts)


def _answer(comparison: Comparison, quick: Quick) -> Iterator[RenderableType]:
    advice, chosen = comparison.advice, comparison.advice.chosen
    if not chosen.serves:
        yield Text("No strategy serves the whole load.", style="bold")
        yield bulleted(filter(None, (what_would_serve(comparison), *reason_lines(advice))))
        yield _table(comparison, quick)
        return
    level = "" if chosen.name == "reserve-first" else f" ({reserve_words(chosen)})"
    losing = chosen.saving < 0
    if losing:
        yield Text(f"{money_words(advice, chosen)}.", style="bold")
    yield Text(f"SET {setting_words(chosen)}{level}", style="bold")
    months = months_words(advice, chosen)
    lines = [f"{money_words(advice, chosen)}{'; ' + months if months else ''}"]
    lines = lines if not losing else [f"{months[:1].upper()}{months[1:]}"] if months else []
    lines += filter(None, [verdict_words(advice).rstrip("."), overload_words(chosen)])
    at = format_moment(quick.worst.worst_at, weekday=False)
    lines += [_joined(chosen, quick.worst, f"Worst, {at}")]
    lines += [_joined(chosen, quick.evening, f"Usual evening, {EVENING_HOUR}:00", usual=True)]
    lines += filter(None, [switch_off_words(advice.case)])
    lines += [more_words(advice, quick.more)]
    lines += filter(None, (words(advice) for words in (nearly_free_words, file_reserve_words, raised_words)))
    yield bulleted(lines)
    yield _table(comparison, quick)
    if short := unproven_short(comparison):
        yield Text(short)
    yield Text(first_cautions(advice.case), style="dim")


def _joined(outcome: Outcome, answer: Answer, what: str, *, usual: bool = False) -> str:
    horizon = outcome.case.limits.backup_horizon_hours
    hours, everything = (answer.usual, answer.usual_all) if usual else (answer.least, answer.least_all)
    text = f"{what}: critical load {format_hours(hours, horizon)} h"
    if everything < hours - 0.05:
        text += f"; nothing switched off {format_hours(everything, horizon)} h"
    return text + ("" if everything > 0 or hours <= 0 else ": it TRIPS")


def _table(comparison: Comparison, quick: Quick) -> Table:
    advice, case = comparison.advice, comparison.case
    horizon, target = case.limits.backup_horizon_hours, case.scenario.backup.target_hours
    runs = sorted(advice.outcomes.values(), key=lambda run: (run is not advice.chosen, run.compared_cost))
    places = money_places(case.currency, [advice.no_system.compared_cost])
    table = plain_table()
    for heading, width in (
        (f"\n{case.currency}", 21),
        ("reserve\nset to", 8),
        ("bill +\nwear", 11),
        ("saves\nin all", 10),
        ("least\nhours", 7),
        ("evening,\nusual h", 9),
        (f"{target:g} h\nkept, %" if target is not None else "\n", 8),
    ):
        table.add_column(heading, justify="left" if width == 21 else "right", width=width)
    for run in runs:
        chosen = run is advice.chosen and run.serves
        evening = quick.evenings[run.name]
        table.add_row(
            f"{run.name}{' SET' if chosen else ''}" if run.serves else f"{run.name} (fails)",
            "full" if run.name == "reserve-first" else f"{run.reserve_percent:g}%",
            format_number(run.compared_cost, places),
            format_number(run.saving, places),
            format_hours(run.backup.minimum if run.backup else None, horizon),
            format_hours(evening, horizon),
            "" if target is None else percent_down(run.target_share),
            style="bold" if chosen else "",
        )
    table.add_row(
        "without the system", ABSENT, format_number(advice.no_system.compared_cost, places), "", "", "", ""
    )
    bound, best = comparison.bound, comparison.best_plan
    table.add_row(
        "bound: none below" if best is not None and best.stopped else "bound: best plan",
        "",
        format_number(bound, places),
        format_number(None if bound is None else advice.no_system.compared_cost - bound, places),
    )
    return table


def _reasons(comparison: Comparison) -> Iterator[str]:
    advice, chosen = comparison.advice, comparison.advice.chosen
    currency = comparison.case.currency
    yield f"{chosen.name}: {MEANINGS[chosen.name]}"
    yield from reason_lines(advice)
    bill_saved = float(advice.no_system.bill.total) - chosen.total
    yield (
        f"Bill without the system {format_money(advice.no_system.total, currency)}, with it "
        f"{format_money(chosen.total, currency)}: {format_money(bill_saved, currency)} less on the bill; wear of "
        f"{format_money(chosen.wear, currency)} stands beside it"
    )
    if comparison.case.sun_kwh.any() and "sun-only" in comparison.planned:
        sun = comparison.planned["sun-only"].saving
        battery = chosen.saving - sun
        yield (
            f"The sun alone {'saves' if sun >= 0 else 'costs'} {format_money(abs(sun), currency)}, the battery "
            f"{'adds' if battery >= 0 else 'takes away'} {format_money(abs(battery), currency)}"
        )
    yield f"The system's idle draw, counted in all of that, costs {format_money(chosen.idle_cost, currency)}"
    if comparison.bound_gap is not None:
        yield (
            f"The least any plan with perfect foresight could cost at this reserve lies "
            f"{format_money(comparison.bound_gap, currency)} below what is set (the bound)"
        )
    yield from unproven_words(comparison)
    yield "dispatch settings looks for windows and levels that earn more than the tariff's own windows"


def _legend(comparison: Comparison) -> Iterator[RenderableType]:
    yield ""
    yield bulleted(f"{name}: {MEANINGS[name]}" for name in ("grid-only", *comparison.planned))


def _backup_notes(comparison: Comparison) -> Iterator[RenderableType]:
    case, backup = comparison.case, comparison.advice.chosen.backup
    assert backup is not None  # noqa: S101 - every strategy that can be set uses the battery
    mean_kw = float(case.critical_kwh.mean()) / case.dt_hours
    idle_kw = float(case.idle_kwh.mean()) / case.dt_hours
    carries = "carries it" if backup.carries_critical_peak else "TRIPS: hours in which it does count as none"
    stopped = f"{case.limits.backup_horizon_hours:g}+"
    yield ""
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
        chosen = comparison.advice.chosen
        yield DayPicture(chosen.case, chosen, comparison.peak_days[0].date)
        if not comparison.case.prices.is_plain:
            yield from ("", bulleted([BEYOND_PRICES]))


def _peak_title(comparison: Comparison) -> str:
    count = len(comparison.peak_days)
    return f"The {count} dearest days, as set" if count > 1 else "The dearest day, as set"


def _footer(comparison: Comparison) -> Text:
    plans = comparison.planned.values()
    short = [plan.name for plan in plans if not plan.serves]
    proofs = [plan.proof for plan in plans if plan.proof is not None]
    residual_kwh = max((proof.residual_kwh for proof in proofs), default=0.0)
    runs = (comparison.advice.no_system, *comparison.advice.outcomes.values(), *plans)
    difference = max(run.reconciliation for run in runs)
    stopped = [plan.name for plan in comparison.unproven]
    status = f"all {len(proofs)} plans optimal"
    if comparison.unplanned:
        status = f"NO PLAN of {', '.join(comparison.unplanned)}"
    elif short:
        status = f"cannot serve the whole load: {', '.join(short)}"
    elif stopped:
        status = f"STOPPED before it was proven: {', '.join(stopped)}"
    gaps = [proof.gap for proof in proofs if proof.gap is not None]
    proven = f"; yes-or-no decisions proven to within {max(gaps):.0e} of the best possible" if gaps else ""
    return Text(
        f"HiGHS: {status}{proven}; largest violation of any limit {residual_kwh:.0e} kWh; program and bill differ by "
        f"{difference:.0e} of the bill; {sum(proof.seconds for proof in proofs):.1f} s of solving.",
        style="dim",
    )
