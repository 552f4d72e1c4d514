"""The screens of ``dispatch strings``, ``dispatch cable`` and ``dispatch sun``."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.console import Group
from rich.text import Text

from dispatch.equipment.cable import DROPS_PERCENT, feet, size_name
from dispatch.formats import ABSENT, format_number
from dispatch.report.layout import bulleted, headed, plain_table

if TYPE_CHECKING:
    from collections.abc import Sequence

    from rich.console import RenderableType
    from rich.table import Table

    from dispatch.equipment.arrangements import Arrangement, Arrangements, HowMany
    from dispatch.equipment.cable import CableLoss
    from dispatch.equipment.strings import Verdict
    from dispatch.equipment.sun import SunYear
    from dispatch.scenario.solar import Solar


ROWS_AT_FIRST = 4

MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")

SHORT = {
    "horizon and shade": "horizon\nshade",
    "glass at an angle": "glass at\nan angle",
    "soiling": "\ndirt",
    "snow": "\nsnow",
    "cell temperature": "cells'\nheat",
    "input current": "input's\ncurrent",
    "cable": "\ncable",
    "input power": "input's\npower",
}
"""Places of loss as heads of columns."""

WIRING_CAUTION = (
    "Panels in light are live and cannot be switched off: DC wiring is for licensed hands; plates, manuals and local "
    "code decide."
)


# ---- strings -----------------------------------------------------------------------------------------------
def strings_report(name: str, solar: Solar, verdicts: Sequence[Verdict]) -> Group:
    """Put the screen of the strings as wired together."""
    used = sum(v.used_w for v in verdicts)
    rated = sum(v.panels_w for v in verdicts)
    lost = f"; {rated - used:,.0f} W of the panels are lost in full sun" if rated - used >= 0.5 else ""
    parts: list[RenderableType] = [
        Text(f"{name}: the strings are within the ratings; {used:,.0f} W in full sun{lost}.", style="bold"),
        Text(_temperatures(solar)),
        "",
        _verdict_table(verdicts),
    ]
    remarks = list(dict.fromkeys(remark for verdict in verdicts for remark in verdict.remarks))
    if remarks:
        parts += ["", bulleted(remarks)]
    return Group(*parts, "", Text(WIRING_CAUTION))


def arrangements_report(name: str, solar: Solar, found: Arrangements, *, full: bool = False) -> Group:
    """Put the screen of ``dispatch strings --modules`` together: legal arrangements best first, why the others fail."""
    count = found.module_count
    parts: list[RenderableType] = [
        Text(_arrangements_answer(name, found), style="bold"),
        Text(_temperatures(solar)),
    ]
    legal = found.legal if full else found.legal[:ROWS_AT_FIRST]
    if legal:
        parts += ["", _ways_table(legal)]
        if len(found.legal) > len(legal):
            parts.append(Text(f"{len(found.legal) - len(legal)} more ways: --full"))
        remarks = list(dict.fromkeys(remark for part in found.legal[0].parts for remark in part.remarks))
        parts += [bulleted([f"best way: {remark}" for remark in remarks])] if remarks else []
    if found.illegal:
        illegal = found.illegal if full else _telling(found.illegal, count)[: 2 if legal else 4]
        parts += headed("Must not or cannot be used", [bulleted([_why(verdict) for verdict in illegal])])
        if len(found.illegal) > len(illegal):
            parts.append(Text(f"{len(found.illegal) - len(illegal)} more: --full"))
    return Group(*parts, "", Text(WIRING_CAUTION))


def how_many_report(name: str, solar: Solar, found: HowMany, *, full: bool = False) -> Group:
    """Put the screen of how many modules fit together."""
    if not found.best:
        answer = (
            f"{name}: no number of {found.module.name} can be wired to these inputs within their ratings."
        )
        return Group(Text(answer, style="bold"), Text(_temperatures(solar)))
    most, fills = found.most_count, found.fills_count
    way = found.best[most]
    answer = f"{name}: up to {most} x {found.module.name} can be wired: {_way(way)}, {way.used_w:,.0f} W in full sun"
    if fills is not None and fills < most:
        answer += f"; {fills} already give all the inputs use"
    parts: list[RenderableType] = [Text(f"{answer}.", style="bold"), Text(_temperatures(solar)), ""]
    counts = sorted(found.best)
    chosen = counts if full else counts[-12:]
    table = plain_table()
    table.add_column("modules", justify="right", width=7)
    table.add_column("  best as series x parallel", width=44, overflow="fold")
    table.add_column("W rated", justify="right", width=9)
    table.add_column("W used", justify="right", width=9)
    for count in chosen:
        best = found.best[count]
        rated = format_number(count * found.module.stc_w)
        table.add_row(str(count), f"  {_way(best)}", rated, format_number(best.used_w))
    parts.append(table)
    if len(chosen) < len(counts):
        parts.append(Text(f"{len(counts) - len(chosen)} smaller numbers: --full"))
    return Group(*parts, "", Text(WIRING_CAUTION))


def _temperatures(solar: Solar) -> str:
    hot_c = solar.hottest_c + solar.module_rise_k
    return f"Coldest air {solar.coldest_c:g} C sets the voltage; cells up to {hot_c:g} C."


def _arrangements_answer(name: str, found: Arrangements) -> str:
    modules = f"{found.module_count} x {found.module.name}"
    if not found.legal:
        fewer = f"; at most {found.most_legal_count} can be used" if found.most_legal_count else ""
        return f"{name}: {modules} cannot be wired to these inputs within their ratings{fewer}."
    best = found.legal[0]
    return f"{name}: wire {modules} as {_way(best)}: {best.used_w:,.0f} W in full sun."


def _way(way: Arrangement) -> str:
    return ", ".join(f"{part.series_count}S{part.parallel_count}P on {part.input.name}" for part in way.parts)


def _telling(illegal: Sequence[Verdict], count: int) -> list[Verdict]:
    """Choose a few: all modules on one input first, then the smallest that already fails."""
    order = sorted(illegal, key=lambda v: (v.module_count != count, v.module_count, v.series_count))
    return order[:4]


def _why(verdict: Verdict) -> str:
    shape = f"{verdict.series_count} in series x {verdict.parallel_count} in parallel"
    dangers = [f"DANGEROUS: {text}" for text in verdict.dangers]
    return f"{shape}: {'; '.join([*dangers, *verdict.failures])}"


def _ways_table(ways: Sequence[Arrangement]) -> Table:
    table = plain_table()
    table.add_column("series x parallel", width=36, overflow="fold")
    for heading, width in (("V cold", 9), ("V hot", 9), ("A", 8), ("W used", 9)):
        table.add_column(heading, justify="right", width=width)
    for way in ways:
        table.add_row(
            _way(way),
            format_number(max(part.cold_voc_v for part in way.parts), 1),
            format_number(min(part.hot_vmp_v for part in way.parts), 1),
            format_number(way.current_a, 1),
            format_number(way.used_w),
        )
    return table


def _verdict_table(verdicts: Sequence[Verdict]) -> Table:
    table = plain_table()
    table.add_column("\ninput", width=16, overflow="fold")
    table.add_column("series x\nparallel", width=9)
    table.add_column("V open,\ncold / most", justify="right", width=14)
    table.add_column("V working,\nhot / least", justify="right", width=14)
    table.add_column("A short /\nrating", justify="right", width=13)
    table.add_column("W panels\n/ used", justify="right", width=14)
    for one in verdicts:
        rating = ABSENT if one.input.short_circuit_a is None else f"{one.input.short_circuit_a:g}"
        table.add_row(
            one.input.name,
            f"{one.series_count} x {one.parallel_count}",
            f"{one.cold_voc_v:.1f} / {one.input.highest_v:g}",
            f"{one.hot_vmp_v:.1f} / {one.input.lowest_v:g}",
            f"{one.short_circuit_a:.1f} / {rating}",
            f"{one.panels_w:,.0f} / {one.used_w:,.0f}",
        )
    return table


# ---- cable -------------------------------------------------------------------------------------------------
def cable_report(name: str, asked: Sequence[tuple[str, CableLoss]], choices: Sequence[CableLoss]) -> Group:
    """Put the screen of ``dispatch cable`` together.

    Parameters
    ----------
    name : str
    asked : sequence of (str, CableLoss)
        The cables asked about, and what they feed.
    choices : sequence of CableLoss
        The first of them in the usual sizes.
    """
    parts: list[RenderableType] = []
    for label, loss in asked:
        cable = loss.cable
        make = f"{size_name(cable)} {cable.strands} {cable.metal}"
        length = f"{cable.one_way_m:.3g} m ({feet(cable.one_way_m):.3g} ft) one way"
        parts.append(
            Text(
                f"{name}{label}: {loss.drop_v:.2f} V of {loss.volts:g} V ({loss.drop_percent:.2f} %) and "
                f"{loss.lost_w:,.1f} W lost",
                style="bold",
            )
        )
        parts.append(
            Text(
                f"  in {make}, {length}, {loss.amps:g} A, conductor at {cable.conductor_c:g} C, {loss.ohm:.4f} ohm."
            )
        )
    parts += ["", _sizes_table(choices)]
    parts.append(
        Text(
            "AWG: stranded copper; mm2: flexible solar cable (IEC 60228 class 5). Loss grows with the square of the "
            "current. Whether a size may carry the current is for local code: ampacity is not checked here."
        )
    )
    return Group(*parts)


def _sizes_table(choices: Sequence[CableLoss]) -> Table:
    table = plain_table()
    table.add_column("\nsize", width=10)
    table.add_column("drop\n%", justify="right", width=7)
    table.add_column("lost\nW", justify="right", width=8)
    for drop in DROPS_PERCENT:
        table.add_column(f"longest for {drop:g} %\nm (ft)", justify="right", width=17)
    for loss in choices:
        lengths = (
            f"{loss.longest_m[drop]:,.1f} ({feet(loss.longest_m[drop]):,.0f})" for drop in DROPS_PERCENT
        )
        table.add_row(
            size_name(loss.cable),
            format_number(loss.drop_percent, 2),
            format_number(loss.lost_w, 1),
            *lengths,
        )
    return table


# ---- sun ---------------------------------------------------------------------------------------------------
def sun_report(name: str, year: SunYear, *, full: bool = False) -> Group:
    """Put the screen of ``dispatch sun`` together."""
    delivered, plane = float(year.delivered_kwh.sum()), float(year.plane_kwh.sum())
    share = (
        f"{100 * delivered / plane:.1f} % of what the light on the panels is rated for"
        if plane > 0
        else "no light"
    )
    days = len(year.times) * year.dt_hours / 24.0
    parts: list[RenderableType] = [
        Text(
            f"{name}: {delivered:,.0f} kWh of sun in {days:,.0f} days ({year.kind}), {share}.", style="bold"
        ),
        Text(_best_and_worst(year)),
        "",
        _month_table(year),
    ]
    parts.append(Text(_losses_line(year)))
    if full:
        parts += headed("By hour of the day", [_hour_table(year)])
        parts += headed("Notes", [bulleted([*year.notes, *_sun_assumptions()])])
    else:
        told = [note for note in year.notes[1:] if "is that meant" in note] + [year.notes[-1]]
        parts.append(Text(f"{'. '.join(dict.fromkeys(told))}. More: --full"))
    return Group(*parts)


def _best_and_worst(year: SunYear) -> str:
    days = year.times.tz_localize(None).normalize()
    by_day: dict[object, float] = {}
    for day, kwh in zip(days, year.delivered_kwh.tolist(), strict=True):
        by_day[day] = by_day.get(day, 0.0) + kwh
    figures = sorted(by_day.values())
    middle = figures[len(figures) // 2]
    return f"A day brings {figures[0]:.1f} to {figures[-1]:.1f} kWh, {middle:.1f} in the middle."


def _month_table(year: SunYear) -> Table:
    table = plain_table()
    table.add_column("\n", width=4)
    table.add_column("arrives\nkWh", justify="right", width=7)
    table.add_column("a day\nkWh", justify="right", width=6)
    names = [name for name, values in year.lost_kwh.items() if abs(float(values.sum())) >= 0.5]
    for name in names:
        table.add_column(SHORT[name], justify="right", width=8)
    months = year.times.month.to_numpy()
    dates = year.times.strftime("%Y-%m-%d").to_numpy()
    for month in range(1, 13):
        here = months == month
        if not here.any():
            continue
        total = float(year.delivered_kwh[here].sum())
        table.add_row(
            MONTHS[month - 1],
            format_number(total, 0),
            format_number(total / len(set(dates[here])), 1),
            *(format_number(float(year.lost_kwh[name][here].sum()), 0) for name in names),
        )
    return table


def _losses_line(year: SunYear) -> str:
    plane = float(year.plane_kwh.sum())
    told = [
        f"{name} {100 * float(values.sum()) / plane:.1f} %"
        for name, values in year.lost_kwh.items()
        if plane > 0 and abs(float(values.sum())) >= 0.0005 * plane
    ]
    return f"Lost, kWh by month above, of the year: {', '.join(told) or 'nothing'}."


def _hour_table(year: SunYear) -> Table:
    table = plain_table()
    table.add_column("from", width=7)
    table.add_column("kWh", justify="right", width=9)
    table.add_column("%", justify="right", width=6)
    hours = year.times.hour.to_numpy()
    whole = float(year.delivered_kwh.sum())
    for hour in range(24):
        total = float(year.delivered_kwh[hours == hour].sum())
        if total > 0:
            table.add_row(f"{hour:02d}:00", format_number(total, 0), format_number(100 * total / whole, 1))
    return table


def _sun_assumptions() -> list[str]:
    return [
        "Light on the panels by Hay and Davies, glass by Fresnel, cells by Faiman; ground reflects 20 %.",
        "Shade takes its share of the direct light only; a module half in shade can lose more than its share.",
    ]
