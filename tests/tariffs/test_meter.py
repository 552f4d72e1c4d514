"""Meter files: read as they stand, or refused with row, value and remedy."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from tariffs import MeterError, read_meter

HOURS = pd.date_range("2025-03-08", "2025-03-11", freq="60min", tz="America/Toronto", inclusive="left")


def write(folder: Path, times: list[str], values: list[str], header: str = "time,import_kwh") -> Path:
    path = folder / "meter.csv"
    rows = [f"{at},{value}" for at, value in zip(times, values, strict=True)]
    path.write_text("\n".join([header, *rows]) + "\n", encoding="utf-8")
    return path


def stamps(times: pd.DatetimeIndex) -> list[str]:
    return [at.isoformat() for at in times]


@pytest.mark.parametrize("minutes", [15, 30, 60])
def test_steps_of_15_30_and_60_minutes(tmp_path: Path, minutes: int) -> None:
    times = pd.date_range("2025-01-01", periods=96, freq=f"{minutes}min", tz="UTC")
    meter = read_meter(write(tmp_path, stamps(times), [f"{at / 10}" for at in range(96)]), "America/Toronto")
    assert meter.dt_hours == minutes / 60
    assert meter.times.equals(times.tz_convert("America/Toronto"))
    assert np.array_equal(meter.import_kwh, np.arange(96) / 10)
    assert not meter.export_kwh.any()


def test_export_is_read_where_it_is_there(tmp_path: Path) -> None:
    path = write(tmp_path, stamps(HOURS), ["1,0.5"] * len(HOURS), "time,import_kwh,export_kwh")
    assert read_meter(path).export_kwh.sum() == len(HOURS) / 2


def test_local_times_without_offset_across_the_spring_change(tmp_path: Path) -> None:
    naive = [str(at.tz_localize(None)) for at in HOURS]
    meter = read_meter(write(tmp_path, naive, ["1"] * len(HOURS)), "America/Toronto")
    assert meter.times.equals(HOURS)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (
            {5: ("2025-03-08T05:00:00-05:00", "")},
            "column 'import_kwh': an empty cell; supply the reading (0 only if nothing flowed): line 7",
        ),
        (
            {5: ("2025-03-08T05:00:00-05:00", "x")},
            "not a number; write plain numbers with a point as decimal mark, without unit: line 7 ('x')",
        ),
        ({5: ("2025-03-08T05:00:00-05:00", "1_000")}, "without unit: line 7 ('1_000')"),
        (
            {5: ("2025-03-08T05:00:00-05:00", "nan")},
            "not a finite number; supply the reading: line 7 ('nan')",
        ),
        (
            {5: ("2025-03-08T05:00:00-05:00", "-1")},
            "a negative number; write energy as positive numbers, what is fed in as a column of its own: line 7 ('-1')",
        ),
        (
            {5: ("8 March", "1")},
            "times that are not ISO 8601: line 7 ('8 March'); write them as 2025-01-31T14:00-04:00",
        ),
        (
            {5: ("2025-03-08T04:00:00-05:00", "1")},
            "times that stand there twice: line 7 (2025-03-08T09:00+00:00); keep one line of each",
        ),
        (
            {5: ("2025-03-08T02:00:00-05:00", "1")},
            "lines not in order of time: line 7 (2025-03-08T07:00+00:00); sort the file",
        ),
        (
            {5: ("2025-03-08T05:00:00", "1")},
            "line 7: time '2025-03-08T05:00:00' has no offset, unlike other lines",
        ),
        (
            {5: None},
            "1 of 71 steps of its own first to last time are missing, after line 6: 2025-03-08T10:00+00:00",
        ),
        (
            {5: None, 6: None},
            "2 of 71 steps of its own first to last time are missing, after line 6: 2025-03-08T10:00",
        ),
    ],
)
def test_rows_that_cannot_stand(
    tmp_path: Path, change: dict[int, tuple[str, str] | None], words: str
) -> None:
    rows: list[tuple[str, str] | None] = [(at, "1") for at in stamps(HOURS)]
    for at, row in change.items():
        rows[at] = row
    kept = [row for row in rows if row is not None]
    path = write(tmp_path, [at for at, _ in kept], [value for _, value in kept])
    with pytest.raises(MeterError) as refused:
        read_meter(path)
    assert words in str(refused.value)
    assert str(refused.value).startswith(f"{path}: ")


def test_the_repeated_hour_needs_its_offset(tmp_path: Path) -> None:
    times = pd.date_range("2025-11-01", "2025-11-03", freq="60min", tz="America/Toronto", inclusive="left")
    path = write(tmp_path, [str(at.tz_localize(None)) for at in times], ["1"] * len(times))
    with pytest.raises(
        MeterError, match=r"repeats: line 27 .2025-11-02 01:00., line 28 .*write the offset to every time"
    ):
        read_meter(path, "America/Toronto")


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "the file is empty"),
        ("time,import_kwh\n", "no readings below the column names; supply them"),
        (
            "time;import_kwh\n2025-01-01;1\n",
            "line 1: columns are separated by semicolons; save it with commas",
        ),
        ("time,import_kw\n2025-01-01T00:00Z,1\n2025-01-01T01:00Z,1\n", "no column 'import_kwh'"),
        ("time,import_kw\n2025-01-01T00:00Z,1\n2025-01-01T01:00Z,1\n", "did you mean 'import_kw'?"),
        ("time,import_kwh\n2025-01-01T00:00Z,1,2\n", "line 2: 3 cells under 2 column names"),
        ("time,import_kwh,time\n2025-01-01T00:00Z,1,2\n", "the column name 'time' stands there twice"),
        ("time,import_kwh\n2025-01-01T00:00Z,1\n", "one line of readings shows no step; supply two"),
        (
            "time,import_kwh\n2025-01-01T00:00Z,1\n2025-01-02T00:00Z,1\n",
            "most lines are 1440 minutes apart; supply readings 5, 10, 15, 20, 30, 60 minutes apart",
        ),
        ("time,import_kwh\n2025-01-01T00:00,1\n2025-01-01T01:00,1\n", "no offset and no time_zone is known"),
        ("time,import_kwh\n0001-01-01T00:00Z,1\n2025-01-01T01:00Z,1\n", "out of range"),
        ('time,import_kwh\n"2025-01-01T00:00Z,1\n', "not readable as CSV"),
    ],
)
def test_files_that_are_no_meter_file(tmp_path: Path, text: str, words: str) -> None:
    path = tmp_path / "meter.csv"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(MeterError) as refused:
        read_meter(path)
    assert words in str(refused.value)


def test_a_meter_file_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(MeterError, match="no such file in"):
        read_meter(tmp_path / "none.csv")
