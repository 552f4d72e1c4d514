"""Loads and sun on one grid: units, clocks, periods, appliances."""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pytest
from homes.home_files import Home, clock_rows
from hypothesis import example, given
from hypothesis import strategies as st

from dispatch.case.series import Series, appliances_kwh, read_series
from dispatch.errors import SeriesError
from dispatch.scenario.load import read_scenario
from dispatch.scenario.model import Appliance
from tariffs.reading.table import read_table

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

HOME = Home()
HALIFAX = "America/Halifax"


def series_of(home: Home, folder: Path) -> Series:
    path = home.write(folder)
    return read_series(read_scenario(path), path)


def moved(start: str, end: str) -> Home:
    """The sample home over another span, with a series of that span."""
    home = HOME.with_text(('"2025-03-08"', f'"{start}"'), ('"2025-03-11"', f'"{end}"'))
    return home.with_rows(clock_rows(start, end))


def test_a_span_over_the_spring_change_has_an_hour_less(tmp_path: Path) -> None:
    series = series_of(HOME, tmp_path)
    assert len(series.times) == 71
    assert series.dt_hours == 1.0
    assert str(series.times.tz) == HALIFAX
    per_day = pd.Series(1, index=series.times).groupby(series.times.date).sum()
    assert per_day.tolist() == [24, 23, 24]
    assert series.times[26].isoformat() == "2025-03-09T03:00:00-03:00"
    assert np.ptp(np.diff(series.times.asi8)) == 0


def test_a_span_over_the_autumn_change_has_an_hour_more(tmp_path: Path) -> None:
    series = series_of(moved("2025-11-01", "2025-11-04"), tmp_path)
    per_day = pd.Series(1, index=series.times).groupby(series.times.date).sum()
    assert per_day.tolist() == [24, 25, 24]
    assert [at.isoformat() for at in series.times[25:27]] == [
        "2025-11-02T01:00:00-03:00",
        "2025-11-02T01:00:00-04:00",
    ]


def test_columns_become_kwh_per_step(tmp_path: Path) -> None:
    series = series_of(HOME, tmp_path)
    rows = [row.split(",") for row in clock_rows()[1:]]
    assert series.load_kwh.tolist() == pytest.approx([float(row[1]) for row in rows])
    assert series.sun_kwh.tolist() == pytest.approx([float(row[2]) / 1000 for row in rows])
    assert series.other_kwh.tolist() == pytest.approx([0.18] * 71)
    assert series.load_lines is not None
    assert series.load_lines.tolist() == list(range(2, 73))


@pytest.mark.parametrize(
    ("unit", "per_kwh_in_half_an_hour"),
    [("_w", 2000.0), ("_kw", 2.0), ("_wh", 1000.0), ("_kwh", 1.0), ("_kWh", 1.0)],
)
def test_every_unit_says_the_same(unit: str, per_kwh_in_half_an_hour: float, tmp_path: Path) -> None:
    times = pd.date_range("2025-03-08", "2025-03-11", freq="30min", tz=HALIFAX, inclusive="left")
    energy_kwh = 0.1 + 0.01 * np.arange(len(times))
    rows = [
        f"{at.isoformat()},{kwh * per_kwh_in_half_an_hour:.12g},0"
        for at, kwh in zip(times, energy_kwh, strict=True)
    ]
    home = HOME.with_text(('"load_kw"', f'"load{unit}"')).with_rows([f"time,load{unit},sun_w", *rows])
    series = series_of(home, tmp_path)
    assert series.dt_hours == 0.5
    assert series.load_kwh.tolist() == pytest.approx(energy_kwh.tolist())


def _utc(row: str) -> str:
    at, _, rest = row.partition(",")
    return pd.Timestamp(at).tz_convert("UTC").strftime("%Y-%m-%dT%H:%M:%SZ") + "," + rest


def _naive(row: str) -> str:
    return row[:19] + row[25:]


@pytest.mark.parametrize(
    "rewrite",
    [
        _utc,
        lambda row: row.replace("T", " ", 1),
        lambda row: row.replace(":00-", "-", 1),
        lambda row: f" {row}",
    ],
    ids=["utc", "blank for T", "no seconds", "leading blank"],
)
def test_the_same_instants_written_otherwise(rewrite: Callable[[str], str], tmp_path: Path) -> None:
    rows = clock_rows()
    expected = series_of(HOME, tmp_path)
    series = series_of(HOME.with_rows([rows[0], *map(rewrite, rows[1:])]), tmp_path)
    assert series.times.equals(expected.times)
    assert series.load_kwh.tolist() == expected.load_kwh.tolist()


def test_naive_times_where_they_say_one_thing_only(tmp_path: Path) -> None:
    # over the spring change no hour repeats, and a file on the wall clock leaves the skipped one out
    rows = clock_rows()
    series = series_of(HOME.with_rows([rows[0], *map(_naive, rows[1:])]), tmp_path)
    assert series.times.equals(series_of(HOME, tmp_path).times)


def test_a_naive_year_where_clocks_never_change(tmp_path: Path) -> None:
    rows = clock_rows("2025-01-01", "2026-01-01", "Asia/Kathmandu")
    home = HOME.without("period").with_text((HALIFAX, "Asia/Kathmandu"))
    series = series_of(home.with_rows([rows[0], *map(_naive, rows[1:])]), tmp_path)
    assert len(series.times) == 8760
    assert series.times[0].isoformat() == "2025-01-01T00:00:00+05:45"


def test_naive_rows_outside_the_period_are_not_placed(tmp_path: Path) -> None:
    # the repeated hour lies outside the period: it need not be understood
    rows = clock_rows("2025-10-30", "2025-11-05")
    home = HOME.with_text(("2025-03-08", "2025-10-30"), ("2025-03-11", "2025-11-01"))
    series = series_of(home.with_rows([rows[0], *map(_naive, rows[1:])]), tmp_path)
    assert len(series.times) == 48
    assert series.notes == ("series.csv: 97 lines outside [period] are left out",)


def test_rows_outside_the_period_are_left_out_and_counted(tmp_path: Path) -> None:
    rows = clock_rows("2025-03-01", "2025-03-20")
    rows[2] = rows[2].split(",")[0] + ",not a number,-5"  # far outside: not looked at
    series = series_of(HOME.with_rows(rows), tmp_path)
    assert series.times.equals(series_of(HOME, tmp_path).times)
    assert series.load_lines is not None
    assert (series.load_lines[0], series.load_lines[-1]) == (7 * 24 + 2, 7 * 24 + 72)


def test_notes_count_what_was_left_out(tmp_path: Path) -> None:
    series = series_of(HOME.with_rows(clock_rows("2025-03-01", "2025-03-20")), tmp_path)
    assert series.notes == (f"series.csv: {19 * 24 - 1 - 71} lines outside [period] are left out",)


def test_the_grid_without_period_is_the_files(tmp_path: Path) -> None:
    rows = clock_rows("2025-05-01", "2025-05-03", minutes=15)
    series = series_of(HOME.without("period").with_rows(rows), tmp_path)
    assert series.dt_hours == 0.25
    assert len(series.times) == 192
    assert series.times[-1].isoformat() == "2025-05-02T23:45:00-03:00"
    assert series.notes == ()


def test_the_grid_without_series_is_the_periods(tmp_path: Path) -> None:
    home = HOME.without("sun").with_text(
        ('csv = "series.csv"\ncolumn = "load_kw"', "watts = 300"),
        ('start = "2025-03-08"', 'start = "2025-03-09T00:00-04:00"'),
        ('end = "2025-03-11"', 'end = "2025-03-10T00:00"\nstep_minutes = 15'),
    )
    series = series_of(home, tmp_path)
    assert len(series.times) == 23 * 4
    assert series.load_kwh.tolist() == pytest.approx([0.075] * 92)
    assert not series.sun_kwh.any()
    assert series.load_path is None
    assert series.load_lines is None


def test_a_single_row_with_a_stated_step(tmp_path: Path) -> None:
    home = HOME.with_text(('end = "2025-03-11"', 'end = "2025-03-08T01:00"\nstep_minutes = 60'))
    assert len(series_of(home.with_rows(clock_rows()[:2]), tmp_path).times) == 1


def test_series_may_stand_in_two_files(tmp_path: Path) -> None:
    home = HOME.with_text(('csv = "series.csv"\ncolumn = "sun_w"', 'csv = "roof.csv"\ncolumn = "sun_w"'))
    roof = [",".join(reversed(row.split(","))) for row in clock_rows("2025-03-07", "2025-03-12")]
    series = series_of(home.with_rows(roof, "roof.csv"), tmp_path)
    assert series.sun_kwh.tolist() == series_of(HOME, tmp_path).sun_kwh.tolist()
    assert series.notes == ("roof.csv: 48 lines outside [period] are left out",)


def test_one_column_may_serve_twice(tmp_path: Path) -> None:
    home = HOME.with_text(("watts = 180", 'csv = "series.csv"\ncolumn = "load_kw"'))
    series = series_of(home, tmp_path)
    assert series.other_kwh.tolist() == series.load_kwh.tolist()


def test_critical_load_left_out_is_the_load(tmp_path: Path) -> None:
    head, _, rest = HOME.scenario.partition("[[critical_load.appliances]]")
    home = Home(head + rest[rest.index("[battery]") :], HOME.tariff, HOME.files)
    series = series_of(home, tmp_path)
    assert series.critical_kwh.tolist() == series.load_kwh.tolist()


def test_blank_lines_marks_and_blanks_do_not_matter(tmp_path: Path) -> None:
    rows = clock_rows()
    content = (
        "\ufeff" + "\r\n".join([" time , load_kw ,sun_w", *rows[1:30], "", *rows[30:], "", ""])
    ).encode()
    series = series_of(HOME.with_rows(content), tmp_path)
    assert series.load_kwh.tolist() == series_of(HOME, tmp_path).load_kwh.tolist()


def test_line_numbers_are_those_of_the_file(tmp_path: Path) -> None:
    rows = clock_rows()
    (tmp_path / "x.csv").write_text("\n".join([*rows[:5], "", *rows[5:8]]), encoding="utf-8")
    readings = read_table(tmp_path / "x.csv", SeriesError).readings({"load_kw": "load.column"}, HALIFAX)
    assert readings.lines.tolist() == [2, 3, 4, 5, 7, 8, 9]
    assert readings.ignored_lines == 0


def kettle(**settings: object) -> tuple[Appliance, ...]:
    return (Appliance.model_validate({"name": "kettle", "watts": 1200, "hours_per_day": 2, **settings}),)


def grid(start: str, end: str, zone: str = HALIFAX, freq: str = "60min") -> pd.DatetimeIndex:
    return pd.date_range(start, end, freq=freq, tz=zone, inclusive="left")


def test_an_appliance_without_a_start_is_spread_over_the_day() -> None:
    times = grid("2025-06-01", "2025-06-03")
    energy_kwh = appliances_kwh(kettle(count=3), times, 1.0)
    assert energy_kwh.tolist() == pytest.approx([3 * 1.2 * 2 / 24] * 48)


def test_an_appliance_with_a_start_runs_from_there() -> None:
    energy_kwh = appliances_kwh(kettle(starts_at="18:30"), grid("2025-06-01", "2025-06-02"), 1.0)
    assert np.flatnonzero(energy_kwh).tolist() == [18, 19, 20]
    assert energy_kwh[18:21].tolist() == pytest.approx([0.6, 1.2, 0.6])


def test_an_appliance_may_run_past_midnight_and_did_so_before_the_data() -> None:
    energy_kwh = appliances_kwh(
        kettle(starts_at="23:00", hours_per_day=3), grid("2025-06-01", "2025-06-02"), 1.0
    )
    assert np.flatnonzero(energy_kwh).tolist() == [0, 1, 23]


def test_an_appliance_over_the_clock_changes() -> None:
    # spring: 02:30 does not exist, the run begins at 03:00; autumn: 01:30 comes twice, the first counts
    spring = appliances_kwh(kettle(starts_at="02:30"), grid("2025-03-09", "2025-03-10"), 1.0)
    assert np.flatnonzero(spring).tolist() == [
        2,
        3,
    ]  # 03:00 and 04:00 are the third and fourth hour of that day
    autumn = appliances_kwh(kettle(starts_at="01:30"), grid("2025-11-02", "2025-11-03"), 1.0)
    assert autumn[:5].tolist() == pytest.approx([0, 0.6, 1.2, 0.6, 0])
    assert autumn.sum() == pytest.approx(2.4)


def test_an_appliance_that_never_stops() -> None:
    times = grid("2025-03-08", "2025-03-11")
    assert appliances_kwh(kettle(starts_at="07:00", hours_per_day=24), times, 1.0).tolist() == pytest.approx(
        [1.2] * 71
    )


def test_an_appliance_that_hardly_stops_never_runs_twice_at_once() -> None:
    energy_kwh = appliances_kwh(
        kettle(starts_at="00:10", hours_per_day=23.9), grid("2025-03-08", "2025-03-11"), 1.0
    )
    assert energy_kwh.max() <= 1.2 + 1e-12


@given(
    st.times().map(lambda time: time.replace(second=0, microsecond=0)),
    st.integers(1, 24 * 60 - 1),
    st.sampled_from(["Europe/Berlin", "Australia/Lord_Howe", "Asia/Kathmandu", HALIFAX]),
    st.sampled_from(
        [("2025-03-07", "2025-03-11"), ("2025-03-29", "2025-04-08"), ("2025-10-04", "2025-10-07")]
    ),
    st.sampled_from([15, 30, 60]),
)
# a clock that skips half an hour only
@example(dt.time(2), 1, "Australia/Lord_Howe", ("2025-10-04", "2025-10-07"), 15)
@example(dt.time(2, 15), 40, "Australia/Lord_Howe", ("2025-10-04", "2025-10-07"), 30)
def test_an_appliance_agrees_with_a_walk_through_the_minutes(
    start: dt.time, minutes: int, zone: str, span: tuple[str, str], step: int
) -> None:
    times = grid(*span, zone, f"{step}min")
    appliance = Appliance(
        name="a", watts=600, hours_per_day=minutes / 60, starts_at=start.isoformat("minutes")
    )
    energy_kwh = appliances_kwh((appliance,), times, step / 60)
    # minute by minute: whatever the clock shows, it runs for `minutes` after each moment it first shows `start`
    first = times[0].tz_convert("UTC") - pd.Timedelta(days=2)
    clock = pd.date_range(first, times[-1].tz_convert("UTC") + pd.Timedelta(days=1), freq="min").tz_convert(
        zone
    )
    wall = clock.tz_localize(None)
    # the first minute of each date at or after the wanted clock time: skipped times begin when the clock goes on
    due = np.asarray(wall - wall.normalize()) >= np.timedelta64(start.hour * 60 + start.minute, "m")
    dates = wall.normalize().asi8
    running = np.zeros(len(clock) + 2 * 1440, dtype=bool)
    for date in np.unique(dates):
        whole_day = np.flatnonzero((dates == date) & due)
        if len(whole_day) and (dates == date).argmax() > 0:
            running[whole_day[0] : whole_day[0] + minutes] = True
    offset = int((times[0] - clock[0]) / pd.Timedelta(minutes=1))
    expected = running[offset : offset + step * len(times)].reshape(len(times), step).sum(axis=1) * 0.6 / 60
    np.testing.assert_allclose(energy_kwh, expected, atol=1e-9)


@pytest.mark.parametrize("clock", ["07:30", "7:30", "07:30:00"])
def test_a_clock_time_may_be_written_in_three_ways(clock: str) -> None:
    appliance = Appliance(name="kettle", watts=1000, hours_per_day=0.5, starts_at=clock)
    times = pd.date_range("2025-06-02", periods=48, freq="30min", tz="UTC")
    assert np.flatnonzero(appliances_kwh((appliance,), times, 0.5)).tolist() == [15]
