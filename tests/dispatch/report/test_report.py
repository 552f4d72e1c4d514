"""The comparison's screen: what a reader must find on it, in 80 columns and without colour."""

from __future__ import annotations

import datetime as dt
import re
from functools import cache
from typing import TYPE_CHECKING, Any

import pytest
from homes.small_home import small_comparison
from terminal import rendered

from dispatch.formats import format_hours, format_moment, percent_down, price_decimals
from dispatch.report.compare import comparison_report
from dispatch.report.compare_tables import columns_of
from dispatch.report.day import DayPicture, bar_length, stretches
from dispatch.safety.answers import quick_answers

if TYPE_CHECKING:
    from dispatch.comparison.compare import Comparison

comparison = cache(small_comparison)


def screen(of: Comparison, *, full: bool = True) -> str:
    return rendered(comparison_report(of, quick_answers(of.advice), full=full))


def line_with(text: str, start: str) -> str:
    return next(line for line in text.splitlines() if line.strip().startswith(start))


VARIANTS: dict[str, dict[str, Any]] = {
    "four days across the clock change": {},
    "quarter hours in yen": {"step_minutes": 15, "currency": "JPY", "money": 110.0, "days": 2},
    "half hours in dinars": {"step_minutes": 30, "currency": "KWD", "money": 0.3, "days": 3},
    "no sun": {"sun": False},
    "dear money": {"currency": "KRW", "money": 90_000.0, "days": 20},
    "no target": {"backup": {"horizon_hours": 12.0, "target_hours": None}},
}


@pytest.mark.parametrize("variant", VARIANTS)
def test_every_line_fits_80_columns_and_carries_no_colour_codes(variant: str) -> None:
    of = small_comparison(**VARIANTS[variant])
    assert len(screen(of, full=False).splitlines()) <= 24
    text = screen(of)
    assert max(len(line.rstrip()) for line in text.splitlines()) <= 80
    assert "\x1b" not in text


def test_it_opens_with_the_four_answers() -> None:
    result = comparison()
    advice, chosen = result.advice, result.advice.chosen
    quick = quick_answers(advice)
    lines = screen(result, full=False).splitlines()
    assert lines[0].strip() == "Wren Cottage"
    assert lines[2].startswith(f"SET {chosen.name}, reserve {chosen.reserve_percent:g}%")
    text = " ".join(" ".join(lines).split())
    assert f"It saves CAD {chosen.saving:,.2f}" in text
    months = {name: cost - chosen.period_costs[name] for name, cost in advice.no_system.period_costs.items()}
    assert f"{max(months.values()):,.2f}" in text
    assert f"{min(months.values()):,.2f}" in text
    assert f"critical load {format_hours(quick.worst.least)} h" in text
    assert f"nothing switched off {format_hours(quick.worst.least_all)} h" in text
    assert f"Usual evening, 20:00: critical load {format_hours(quick.evening.usual)} h" in text
    assert quick.more.outcome is not None
    assert quick.more.cost is not None
    assert f"2 more hours cost CAD {quick.more.cost:,.2f}" in text
    for name, run in advice.outcomes.items():
        row = next(line for line in lines if line.startswith(name))
        assert f"{run.compared_cost:,.2f}" in row
        assert f"{run.saving:,.2f}" in row
    assert f"{result.planned['least-cost'].compared_cost:,.2f}" in line_with(
        text := "\n".join(lines), "bound"
    )
    assert "\x1b" not in text


def test_a_system_that_loses_money_says_so_first() -> None:
    result = small_comparison(
        battery={"wear_per_kwh": 0.9}, inverter={"idle_on_w": 120}, sun=False, backup={"target_hours": 1.0}
    )
    assert result.advice.chosen.saving < 0
    lines = screen(result, full=False).splitlines()
    assert lines[2].startswith("The system LOSES CAD")
    assert f"{-result.advice.chosen.saving:,.2f}" in lines[2]


def test_figures_stand_under_their_strategies() -> None:
    result = comparison()
    text = screen(result)
    runs = columns_of(result)
    assert line_with(text, "bill ").split()[1:] == [f"{item.total:,.2f}" for item in runs]
    assert line_with(text, "saved in all").split()[3:] == [f"{item.saving:,.2f}" for item in runs]
    cycles = [item.cycles for item in runs]
    assert line_with(text, "full cycles").split()[2:] == ["-" if c is None else f"{c:.1f}" for c in cycles]
    for label, figure in (("minimum ", "minimum"), ("5 % of time below", "p05"), ("median ", "median")):
        hours = [format_hours(getattr(item.backup, figure)) if item.backup else "-" for item in runs]
        assert line_with(text, label).split()[-6:] == hours
    for band in ("night", "evening"):
        figures = [f"{item.import_kwh_by_band[band]:.1f}" for item in runs]
        assert line_with(text, band).split()[1:] == figures
    totals = [result.advice.no_system, *result.advice.outcomes.values()]
    assert line_with(text, "total").split()[1:5] == [f"{item.bill_and_wear:,.2f}" for item in totals]


def test_worst_moments_carry_date_and_hour() -> None:
    result = comparison()
    text = screen(result)
    for item in result.advice.outcomes.values():
        if item.backup is not None:
            assert format_moment(item.backup.worst_at) in text


def test_peak_days_show_cost_level_time_and_hours_for_each_setting() -> None:
    result = comparison()
    section = screen(result).split("4 DEAREST DAYS")[1]
    assert "Sun 2 Nov 2025" in section
    for day in result.peak_days:
        assert f"{day.no_system_cost:.2f}" in section
        for name in ("reserve-first", "solar-first", "off-peak-first"):
            outcome = day.runs[name]
            row = next(
                line
                for line in section.splitlines()
                if name in line and f"{outcome.cost:.2f}" in line and f"{outcome.lowest_kwh:.2f}" in line
            )
            assert format_hours(outcome.backup_hours) in row


def test_the_recommended_column_is_marked_in_words() -> None:
    result = comparison()
    section = screen(result).split("SIDE BY SIDE")[1]
    head = next(line for line in section.splitlines() if "SET THIS" in line)
    position = [item.name for item in columns_of(result)].index(result.advice.strategy)
    assert head.index("SET THIS") + len("SET THIS") == 20 + 10 * (position + 1)


def test_cautions_and_assumptions_are_on_the_screen() -> None:
    text = " ".join(screen(comparison()).split())
    for word in (
        "transfer switch",
        "below freezing",
        "Nothing is switched off by itself",
        "Medical loads",
        "Local codes",
        "electrician",
    ):
        assert word in text
    assert "Carbon monoxide" not in text  # this home has no generator
    assert "HiGHS: all 5 plans optimal" in text


def test_where_no_setting_meets_the_target_it_says_so() -> None:
    text = " ".join(screen(small_comparison(backup={"target_hours": 150.0}), full=False).split())
    assert "NOTHING KEEPS THE TARGET, never less than 150 h of backup; this comes closest" in text


def test_a_load_that_cannot_be_served_names_dates_and_the_limit_to_raise() -> None:
    result = small_comparison(inverter={"bypass_w": 150, "continuous_w": 1400}, charging={"grid_w": 200})
    assert not any(item.serves for item in (*result.advice.outcomes.values(), *result.planned.values()))
    assert screen(result, full=False).splitlines()[2] == "No strategy serves the whole load."
    text = " ".join(screen(result).split())
    assert "WHAT COULD NOT BE KEPT" in text
    assert "load not served:" in text
    assert "inverter.bypass_w by" in text
    assert "cannot serve the whole load: sun-only, reserve-first" in text


def test_an_import_limit_no_strategy_keeps_is_told_with_what_would_do() -> None:
    grid = {"feed_in": "grid", "import_limit_kw": 0.05}
    result = small_comparison(grid=grid)
    assert all(item.sum_kwh("import_excess") > 0 for item in columns_of(result))
    text = " ".join(screen(result).split())
    said = re.search(
        r"no strategy stays within grid\.import_limit_kw = 0\.05: .* to ([\d.]+) would be enough", text
    )
    assert said is not None
    assert "no strategy stays within" not in screen(small_comparison(grid=grid | {"import_limit_kw": 50.0}))
    raised = small_comparison(grid=grid | {"import_limit_kw": float(said[1])})
    assert min(item.sum_kwh("import_excess") for item in columns_of(raised) if item.flows.uses_battery) < 1e-6


def test_what_the_reserve_of_the_file_would_cost_is_a_reason() -> None:
    result = small_comparison(reserve={"percent": 80.0}, backup={"target_hours": 2.0})
    assert result.advice.reserve_percent < 80
    reason = next(reason for reason in result.advice.reasons if reason.kind == "file's reserve")
    text = " ".join(screen(result).split())
    assert f"the file's own reserve asks for 80%: that would be dearer by CAD {reason.more:,.2f}" in text


def test_sun_is_not_called_fed_in_where_feeding_in_is_not_allowed() -> None:
    text = screen(small_comparison(grid={"feed_in": "house"}))
    assert "sun to rest of home" in text
    assert "sun fed in" not in text


def test_plain_characters_where_the_terminal_has_no_others() -> None:
    text = rendered(
        comparison_report(comparison(), quick_answers(comparison().advice), full=True), encoding="ascii"
    )
    assert text.isascii()
    assert "####" in text
    assert "|==" in text


def test_the_autumn_night_has_25_rows_and_two_one_oclocks() -> None:
    result = comparison()
    rows = stretches(result.case, result.advice.outcomes["solar-first"], dt.date(2025, 11, 2))
    assert [row.label for row in rows][:4] == ["00:00", "01:00", "01:00", "02:00"]
    assert len(rows) == 25
    assert rows[-1].stored_kwh == pytest.approx(
        rows[0].stored_kwh - rows[0].change_kwh + sum(row.change_kwh for row in rows)
    )


def test_an_hour_is_divided_where_the_price_changes_inside_it() -> None:
    draft_prices = small_comparison(step_minutes=30, days=1)
    rows = stretches(draft_prices.case, draft_prices.advice.no_system, dt.date(2025, 10, 31))
    assert len(rows) == 24
    moved = small_comparison(step_minutes=30, days=1, zone="Asia/Kolkata", first="2025-10-31")
    rows = stretches(moved.case, moved.advice.outcomes["off-peak-first"], dt.date(2025, 10, 31))
    assert [row.label for row in rows] == [f"{hour:02d}:00" for hour in range(24)]
    assert sum(row.load_kw for row in rows) == pytest.approx(
        float((moved.case.load_kwh + moved.case.idle_kwh).sum())
    )


def test_a_day_outside_the_case_draws_nothing() -> None:
    result = comparison()
    assert stretches(result.case, result.advice.outcomes["solar-first"], dt.date(2025, 12, 1)) == ()


def test_the_picture_tells_price_load_sun_level_and_floor() -> None:
    result = comparison()
    day = dt.date(2025, 11, 1)
    text = rendered(DayPicture(result.case, result.advice.outcomes["off-peak-first"], day))
    row = next(line for line in text.splitlines() if line.startswith("17:00"))
    assert "evening" in row
    assert "0.3800" in row
    for item in stretches(result.case, result.advice.outcomes["off-peak-first"], day):
        line = next(line for line in text.splitlines() if line.startswith(item.label))
        assert f"{item.stored_kwh:.2f}" in line
        assert f"{item.load_kw + item.other_kw:.2f}" in line
        assert "│" in line
        assert (f"{item.sun_kw:.2f}" in line) if item.sun_kw else True


def test_bars_never_hide_a_small_figure_nor_overflow() -> None:
    assert [bar_length(value, 10.0, 8) for value in (0.0, 0.01, 5.0, 10.0, 11.0)] == [0, 1, 4, 8, 8]
    assert bar_length(1.0, 0.0, 8) == 0


def test_prices_keep_about_four_digits() -> None:
    assert [price_decimals([value, 0.01]) for value in (0.3465, 3.5, 31.5)] == [4, 3, 2]


def test_a_hundred_percent_means_all_of_it() -> None:
    assert [percent_down(share) for share in (1.0, 0.99999, 0.7678, 0.0)] == ["100", "99.9", "76.7", "0.0"]
