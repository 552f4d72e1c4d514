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
from dispatch.report.day import DayPicture, bar_length, stretches

if TYPE_CHECKING:
    from dispatch import Comparison

comparison = cache(small_comparison)


def screen(of: Comparison) -> str:
    return rendered(comparison_report(of))


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
    text = screen(small_comparison(**VARIANTS[variant]))
    assert max(len(line.rstrip()) for line in text.splitlines()) <= 80
    assert "\x1b" not in text


def test_it_opens_with_what_to_set() -> None:
    result = comparison()
    chosen = result.recommendation.strategy
    assert chosen is not None
    assert result.recommendation.margin is not None  # so the reason names the next best, too
    lines = screen(result).splitlines()
    assert lines[0].strip() == "Wren Cottage"
    assert lines[3].strip() == "WHAT TO SET"
    assert lines[4].startswith(f"Set {chosen}:")
    unwrapped = " ".join(line.strip() for line in lines[5:20])
    assert result.recommendation.reason.split(" (")[0] in unwrapped
    assert "knowing the whole period in advance" in unwrapped


def test_figures_stand_under_their_strategies() -> None:
    result = comparison()
    text = screen(result)
    bills = [f"{item.total:,.2f}" for item in result.strategies]
    assert line_with(text, "bill ").split()[1:] == bills
    assert line_with(text, "total").split()[1:] == bills
    cycles = [item.cycles for item in result.strategies]
    assert line_with(text, "full cycles").split()[2:] == ["-" if c is None else f"{c:.1f}" for c in cycles]
    for label, figure in (("minimum ", "minimum"), ("5 % of time below", "p05"), ("median ", "median")):
        hours = [
            format_hours(getattr(item.backup, figure)) if item.backup else "-" for item in result.strategies
        ]
        assert line_with(text, label).split()[-6:] == hours
    bought = {
        band: [f"{s.import_kwh_by_band[band]:.1f}" for s in result.strategies]
        for band in ("night", "evening")
    }
    for band, figures in bought.items():
        assert line_with(text, band).split()[1:] == figures


def test_worst_moments_carry_date_and_hour() -> None:
    result = comparison()
    text = screen(result)
    for item in result.strategies:
        if item.backup is not None:
            assert format_moment(item.backup.worst_at) in text


def test_peak_days_show_cost_level_time_and_hours_for_each_setting() -> None:
    result = comparison()
    section = screen(result).split("4 DEAREST DAYS")[1]
    assert "Sun 2 Nov 2025" in section
    for day in result.peak_days:
        assert f"{day.grid_only_cost:.2f}" in section
        for name in ("reserve-first", "solar-first", "off-peak-first"):
            outcome = day.by_strategy[name]
            assert outcome.lowest_kwh is not None
            row = next(
                line
                for line in section.splitlines()
                if name in line and f"{outcome.cost:.2f}" in line and f"{outcome.lowest_kwh:.2f}" in line
            )
            assert format_hours(outcome.backup_hours) in row


def test_the_recommended_column_is_marked_in_words() -> None:
    result = comparison()
    head = next(line for line in screen(result).splitlines() if "SET THIS" in line)
    position = [item.name for item in result.strategies].index(str(result.recommendation.strategy))
    assert head.index("SET THIS") + len("SET THIS") == 20 + 10 * (position + 1)


def test_cautions_and_assumptions_are_on_the_screen() -> None:
    text = " ".join(screen(comparison()).split())
    for word in (
        "20 ft (6 m)",
        "Carbon monoxide",
        "transfer switch",
        "Medical loads",
        "Local codes",
        "electrician",
    ):
        assert word in text
    assert "HiGHS: all 5 schedules optimal" in text


def test_without_a_target_that_can_be_met_it_says_so() -> None:
    text = screen(small_comparison(backup={"target_hours": 150.0}))
    assert "No strategy can be recommended." in text
    assert "SET THIS" not in text
    assert "comes closest" in text


def test_a_load_that_cannot_be_served_names_dates_and_the_limit_to_raise() -> None:
    result = small_comparison(inverter={"bypass_w": 150, "continuous_w": 1400}, charging={"grid_w": 200})
    assert all(item.status == "cannot serve" for item in result.strategies if item.name != "grid-only")
    text = " ".join(screen(result).split())
    assert "WHAT COULD NOT BE KEPT" in text
    assert "load not served:" in text
    assert "inverter.bypass_w by" in text
    assert "cannot serve the whole load: sun-only, reserve-first" in text


def test_an_import_limit_no_strategy_keeps_is_told_with_what_would_do() -> None:
    grid = {"feed_in": "grid", "import_limit_kw": 0.05}
    result = small_comparison(grid=grid)
    assert all(item.import_excess_kwh > 0 for item in result.strategies)
    text = " ".join(screen(result).split())
    said = re.search(
        r"no strategy stays within grid\.import_limit_kw = 0\.05: .* to ([\d.]+) would be enough", text
    )
    assert said is not None
    assert "no strategy stays within" not in screen(small_comparison(grid=grid | {"import_limit_kw": 50.0}))
    raised = small_comparison(grid=grid | {"import_limit_kw": float(said[1])})
    assert min(item.import_excess_kwh for item in raised.strategies if item.flows.uses_battery) < 1e-6


def test_a_cheaper_reserve_stands_beside_the_headline(monkeypatch: pytest.MonkeyPatch) -> None:
    result = small_comparison(reserve={"percent": 80.0}, backup={"target_hours": 2.0})
    advice = result.recommendation.reserve
    assert advice is not None
    assert advice.saves is not None
    assert advice.saves > 0.01
    text = " ".join(screen(result).split())
    words = f"still enough: {advice.strategy} with the reserve set to {advice.percent:g}%"
    assert text.index(words) < text.index("- ")
    assert text.count("and still enough") == 1
    monkeypatch.setattr(
        "dispatch.report.compare.HEADLINE_SHARE", 10.0
    )  # a saving too small for it is one of the reasons
    text = " ".join(screen(result).split())
    assert text.index(words) > text.index("- ")
    assert text.count("and still enough") == 1


def test_the_marked_column_shows_what_the_choice_rests_on() -> None:
    result = comparison()
    figures = line_with(screen(result), "bill + wear, as set").split()[-6:]
    runs = [result.as_set.get(item.name) for item in result.strategies]
    assert figures == ["-" if run is None else f"{run.total + run.wear:,.2f}" for run in runs]


def test_sun_is_not_called_fed_in_where_feeding_in_is_not_allowed() -> None:
    text = screen(small_comparison(grid={"feed_in": "house"}))
    assert "sun to rest of home" in text
    assert "sun fed in" not in text


def test_plain_characters_where_the_terminal_has_no_others() -> None:
    text = rendered(comparison_report(comparison()), encoding="ascii")
    assert text.isascii()
    assert "####" in text
    assert "|==" in text


def test_the_autumn_night_has_25_rows_and_two_one_oclocks() -> None:
    result = comparison()
    rows = stretches(result.case, result["solar-first"], dt.date(2025, 11, 2))
    assert [row.label for row in rows][:4] == ["00:00", "01:00", "01:00", "02:00"]
    assert len(rows) == 25
    assert rows[-1].stored_kwh == pytest.approx(
        rows[0].stored_kwh - rows[0].change_kwh + sum(row.change_kwh for row in rows)
    )


def test_an_hour_is_divided_where_the_price_changes_inside_it() -> None:
    draft_prices = small_comparison(step_minutes=30, days=1)
    rows = stretches(draft_prices.case, draft_prices["grid-only"], dt.date(2025, 10, 31))
    assert len(rows) == 24
    moved = small_comparison(step_minutes=30, days=1, zone="Asia/Kolkata", first="2025-10-31")
    rows = stretches(moved.case, moved["off-peak-first"], dt.date(2025, 10, 31))
    assert [row.label for row in rows] == [f"{hour:02d}:00" for hour in range(24)]
    assert sum(row.load_kw for row in rows) == pytest.approx(
        float((moved.case.load_kwh + moved.case.idle_kwh).sum())
    )


def test_a_day_outside_the_case_draws_nothing() -> None:
    result = comparison()
    assert stretches(result.case, result["solar-first"], dt.date(2025, 12, 1)) == ()


def test_the_picture_tells_price_load_sun_level_and_floor() -> None:
    result = comparison()
    day = dt.date(2025, 11, 1)
    text = rendered(DayPicture(result.case, result["off-peak-first"], day))
    row = next(line for line in text.splitlines() if line.startswith("17:00"))
    assert "evening" in row
    assert "0.3800" in row
    for item in stretches(result.case, result["off-peak-first"], day):
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
