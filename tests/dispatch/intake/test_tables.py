"""What is written in any of the shapes that utilities send reads back to the same series."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pytest
from homes import meter_files
from homes.meter_files import SHAPES, Meter, meter
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from dispatch.errors import SeriesError
from dispatch.intake.intervals import Asked
from dispatch.intake.read import Understood, understand
from dispatch.intake.write import csv_text

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

ZONES = ("America/Toronto", "Europe/Lisbon", "Australia/Adelaide", "Asia/Kolkata", "America/St_Johns")


def read(folder: Path, text: str, zone: str | None = "America/Toronto", **asked: object) -> Understood:
    path = folder / "meter.csv"
    path.write_text(text, encoding="utf-8")
    return understand(path, Asked(time_zone=zone, **asked))  # type: ignore[arg-type]


def assert_same(made: Understood, series: Meter) -> None:
    assert made.grid.times.tz_convert("UTC").equals(
        series.times.tz_convert("UTC").as_unit(made.grid.times.unit)
    )
    np.testing.assert_allclose(made.columns["load_kwh"], series.kwh, rtol=1e-12, atol=0)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    shape=st.sampled_from(sorted(SHAPES)),
    zone=st.sampled_from(ZONES),
    start=st.sampled_from(
        ["2025-03-01", "2025-03-25", "2025-10-01", "2025-10-25", "2024-12-30", "2025-06-11"]
    ),
    days=st.integers(15, 20),
    minutes=st.sampled_from([5, 15, 30, 60]),
    seed=st.integers(0, 9),
)
def test_any_shape_reads_back(  # noqa: PLR0917 - one draw each
    tmp_path: Path, shape: str, zone: str, start: str, days: int, minutes: int, seed: int
) -> None:
    series = meter(start, days, zone, minutes, seed)
    assert_same(read(tmp_path, SHAPES[shape](series), zone), series)


@pytest.mark.parametrize("zone", ZONES)
@pytest.mark.parametrize("shape", ["start_end", "start_only", "end_only", "newest_first", "european"])
def test_a_whole_year_through_both_clock_changes(tmp_path: Path, shape: str, zone: str) -> None:
    series = meter("2025-01-01", 365, zone, 30)
    assert_same(read(tmp_path, SHAPES[shape](series), zone), series)


@pytest.mark.parametrize("minutes", [15, 30, 60])
def test_a_sheet_of_days_by_hours(tmp_path: Path, minutes: int) -> None:
    series = meter("2025-05-01", 40, minutes=minutes)
    made = read(tmp_path, meter_files.wide(series))
    assert made.shape == "table of days by hours"
    assert_same(made, series)


@pytest.mark.parametrize("first", [0, 1])
def test_hours_by_number_are_starts_from_0_and_ends_from_1(tmp_path: Path, first: int) -> None:
    series = meter("2025-05-01", 20)
    local = series.times.tz_localize(None)
    rows = [f"{t:%Y-%m-%d},{t.hour + first},{v!r}" for t, v in zip(local, series.kwh.tolist(), strict=True)]
    assert_same(read(tmp_path, "\n".join(["Date,Hour,kWh", *rows])), series)


def test_a_sheet_with_a_25th_column_on_the_day_the_clock_goes_back(tmp_path: Path) -> None:
    series = meter("2025-11-01", 3)  # 24 + 25 + 24 hours; the clock shows 01:00 twice on the 2nd
    cells = series.kwh.tolist()
    rows = [
        "2025-11-01," + ",".join(map(repr, cells[:24])) + ",",
        "2025-11-02," + ",".join(map(repr, cells[24:49])),
        "2025-11-03," + ",".join(map(repr, cells[49:])) + ",",
    ]
    head = ",".join(["Date", *(f"Hour {n}" for n in range(1, 26))])
    assert_same(read(tmp_path, "\n".join(["Usage (kWh)", head, *rows])), series)


def test_the_repeated_hour_standing_once_is_a_gap_and_said(tmp_path: Path) -> None:
    series = meter("2025-10-30", 7)
    head, *rows = meter_files.start_only(series).splitlines()
    twice = [at for at, row in enumerate(rows) if row.startswith("2025-11-02 01:00")]
    assert len(twice) == 2
    del rows[twice[1]]
    made = read(tmp_path, "\n".join([head, *rows]))
    assert [(gap.start.isoformat(), gap.count) for gap in made.grid.gaps()] == [
        ("2025-11-02T01:00:00-05:00", 1)
    ]
    assert any("stands there once" in doubt for doubt in made.doubts)


def test_a_file_on_standard_time_all_year_is_refused_on_the_wall_clock_and_read_when_said(
    tmp_path: Path,
) -> None:
    series = meter("2025-03-01", 30)
    rows = [
        f"{(t.tz_convert('UTC') - pd.Timedelta(hours=5)).tz_localize(None)},{v!r}"
        for t, v in zip(series.times, series.kwh.tolist(), strict=True)
    ]
    text = "\n".join(["start,kWh", *rows])
    with pytest.raises(
        SeriesError, match=r"line 196: readings in the hour that the clock .* skips.*--clock standard"
    ):
        read(tmp_path, text)
    assert_same(read(tmp_path, text, clock="standard"), series)


def test_empty_and_zero_places_in_the_skipped_hour_are_the_files_filling(tmp_path: Path) -> None:
    series = meter("2025-03-01", 20)
    for filling in ("", "0"):
        head, *rows = meter_files.start_only(series).splitlines()
        at = next(at for at, row in enumerate(rows) if row.startswith("2025-03-09 03:00"))
        rows.insert(at, f"2025-03-09 02:00:00,{filling}")
        assert_same(read(tmp_path, "\n".join([head, *rows])), series)


def test_energy_is_conserved_when_steps_are_joined_or_divided(tmp_path: Path) -> None:
    series = meter("2025-03-01", 30, minutes=15)
    path = tmp_path / "meter.csv"
    path.write_text(meter_files.start_only(series))
    hourly = understand(path, Asked(time_zone=series.zone), step_minutes=60)
    assert hourly.grid.step_seconds == 3600
    assert hourly.columns["load_kwh"].sum() == pytest.approx(series.kwh.sum(), rel=1e-12)
    np.testing.assert_allclose(hourly.columns["load_kwh"], series.kwh.reshape(-1, 4).sum(axis=1), rtol=1e-12)
    fine = understand(path, Asked(time_zone=series.zone), step_minutes=5)
    np.testing.assert_allclose(fine.columns["load_kwh"].reshape(-1, 3).sum(axis=1), series.kwh, rtol=1e-12)


def test_what_is_written_is_read_back_to_the_same_bits(tmp_path: Path) -> None:
    series = meter("2025-10-01", 60, minutes=15)
    made = read(tmp_path, SHAPES["power"](series))
    again = read(tmp_path, csv_text(made.grid.times, made.columns))
    assert again.grid.times.tz_convert("UTC").equals(made.grid.times.tz_convert("UTC"))
    assert (again.columns["load_kwh"] == made.columns["load_kwh"]).all()


# ---- other spellings ---------------------------------------------------------------------------------------
def _numbered_hours(series: Meter) -> str:
    """Hours of each day counted on, 1 to 23, 24 or 25, with decimal commas."""
    local = series.times.tz_localize(None)
    count = pd.Series(1, index=range(len(local))).groupby(local.normalize()).cumsum()
    rows = zip(local, count, series.kwh.tolist(), strict=True)
    return "\n".join(
        ["CUPS;Fecha;Hora;AE_kWh", *(f"X;{t:%d/%m/%Y};{h};{meter_files.number(v, ',')}" for t, h, v in rows)]
    )


def _last_minute(series: Meter) -> str:
    minute = pd.Timedelta("1min")
    return meter_files.table(
        series,
        "TYPE,DATE,START TIME,END TIME,USAGE (kWh),COST,NOTES",
        lambda a, b, v: f"Electric,{a:%Y-%m-%d},{a:%H:%M},{b - minute:%H:%M},{v},$0.12,",
        above="Name,A. Person\nAddress,B\n\nService,1\n\n",
    )


OTHERS: dict[str, Callable[[Meter], str]] = {
    "abbreviated zones": lambda m: "\n".join(
        ["Time,kWh", *(f"{t:%Y-%m-%d %H:%M %Z},{v}" for t, v in zip(m.times, m.kwh, strict=True))]
    ),
    "another zone's offsets": lambda m: "\n".join(
        [
            "time,kWh",
            *(f"{t.isoformat()},{v}" for t, v in zip(m.times.tz_convert("Asia/Kolkata"), m.kwh, strict=True)),
        ]
    ),
    "UTC, midnight at home": lambda m: "\n".join(
        [
            "Timestamp,kWh",
            *(f"{t:%Y-%m-%dT%H:%M:%SZ},{v}" for t, v in zip(m.times.tz_convert("UTC"), m.kwh, strict=True)),
        ]
    ),
    "last minutes as ends": _last_minute,
    "numbered hours": _numbered_hours,
    "units in a line of their own": lambda m: meter_files.table(
        m, "Date/Time,Import,Volt\n,kWh,V", lambda a, _, v: f"{a:%Y-%m-%d %H:%M},{v},230"
    ),
    "energy and power side by side": lambda m: meter_files.table(
        m,
        "Interval Start,Usage (kWh),Demand (kW),Temperature",
        lambda a, _, v: f"{a:%Y-%m-%d %H:%M},{v},{v},21.5",
    ),
    "midnight as a date alone": lambda m: meter_files.table(
        m,
        "Datum;Verbrauch kWh",
        lambda a, _, v: f"{a:%d.%m.%Y %H:%M};{meter_files.number(v, ',')}".replace(" 00:00;", ";"),
    ),
    "a separator at every end": lambda m: meter_files.table(
        m, "Date,Time,kWh,", lambda a, _, v: f"{a:%Y-%m-%d},{a:%H:%M},{v},"
    ),
}


@pytest.mark.parametrize("start", ["2025-03-01", "2025-10-25"])
@pytest.mark.parametrize("name", OTHERS)
def test_other_spellings(tmp_path: Path, name: str, start: str) -> None:
    series = meter(start, 20)
    assert_same(read(tmp_path, OTHERS[name](series)), series)


def test_registers_in_rows_of_their_own(tmp_path: Path) -> None:
    series = meter("2025-10-25", 20)
    rows = [
        f"{t},{name},{v * share!r}"
        for t, v in zip(series.times.tz_localize(None), series.kwh.tolist(), strict=True)
        for name, share in (("Import", 1.0), ("Export", 0.25))
    ]
    made = read(tmp_path, "\n".join(["Date Time,Direction,kWh", *rows]))
    np.testing.assert_allclose(made.columns["import_kwh"], series.kwh, rtol=1e-12)
    np.testing.assert_allclose(made.columns["export_kwh"], series.kwh / 4, rtol=1e-12)


def test_a_dial_is_not_taken_for_energy(tmp_path: Path) -> None:
    series = meter()
    dial = Meter(series.times, np.round(5000 + np.cumsum(series.kwh), 3))
    with pytest.raises(SeriesError, match="a dial's running total"):
        read(tmp_path, meter_files.start_end(dial))


# ---- sun ---------------------------------------------------------------------------------------------------
def sunny(days: int = 20) -> tuple[Meter, np.ndarray, np.ndarray, np.ndarray]:
    series = meter("2025-06-01", days)
    hour = series.times.hour.to_numpy()
    sun = np.where((hour > 6) & (hour < 19), np.round(3 * np.sin((hour - 6) / 13 * np.pi), 3), 0.0)
    net = series.kwh - sun
    return series, sun, np.round(np.maximum(net, 0), 3), np.round(np.maximum(-net, 0), 3)


def test_load_is_rebuilt_from_net_and_production(tmp_path: Path) -> None:
    series, sun, bought, sold = sunny()
    local = series.times.tz_localize(None)
    rows = [f"{t},{b!r},{s!r}" for t, b, s in zip(local, bought.tolist(), sold.tolist(), strict=True)]
    (tmp_path / "sun.csv").write_text(
        "\n".join(
            [
                "Start,Solar production (kWh)",
                *(f"{t},{v!r}" for t, v in zip(local, sun.tolist(), strict=True)),
            ]
        )
    )
    meter_path = tmp_path / "meter.csv"
    meter_path.write_text("\n".join(["Start,From grid kWh,To grid kWh", *rows]))
    alone = understand(meter_path, Asked(time_zone=series.zone))
    assert list(alone.columns) == ["import_kwh", "export_kwh"]
    assert "not the load" in alone.load_how
    made = understand(meter_path, Asked(time_zone=series.zone), tmp_path / "sun.csv")
    np.testing.assert_allclose(made.columns["load_kwh"], series.kwh, atol=1e-9)
    signed = "\n".join(
        ["Start,Net (kWh)", *(f"{t},{v!r}" for t, v in zip(local, (bought - sold).tolist(), strict=True))]
    )
    meter_path.write_text(signed)
    again = understand(meter_path, Asked(time_zone=series.zone), tmp_path / "sun.csv")
    for name, values in made.columns.items():
        np.testing.assert_allclose(again.columns[name], values, atol=1e-9)


def test_a_rebuilt_load_below_zero_is_refused(tmp_path: Path) -> None:
    series, sun, bought, sold = sunny()
    local = series.times.tz_localize(None)
    moved = np.roll(sun, 12)  # the panels' clock is half a day off
    rows = [f"{t},{b!r},{s!r},{p!r}" for t, b, s, p in zip(local, bought, sold, moved.tolist(), strict=True)]
    rows = [row.replace("np.float64(", "").replace(")", "") for row in rows]
    with pytest.raises(SeriesError, match=r"load rebuilt .* is negative in \d+ steps"):
        read(tmp_path, "\n".join(["Start,Import kWh,Export kWh,PV production kWh", *rows]))


def test_import_and_export_exchanged_are_refused(tmp_path: Path) -> None:
    series, _, bought, sold = sunny()
    local = series.times.tz_localize(None)
    rows = [f"{t},{s!r},{b!r}" for t, b, s in zip(local, bought.tolist(), sold.tolist(), strict=True)]
    with pytest.raises(SeriesError, match="look exchanged"):
        read(tmp_path, "\n".join(["Start,Import kWh,Export kWh", *rows]))
