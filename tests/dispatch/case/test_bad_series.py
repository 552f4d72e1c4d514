"""Every refusal of a series: one message with file, line or time, value seen and remedy."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from homes.home_files import Home, clock_rows, refusal

from dispatch.case.case import load_scenario
from dispatch.errors import SeriesError

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

HOME = Home()
Rows = list[str]


def _edit(*changes: tuple[int, str]) -> Callable[[Rows], Rows]:
    """Replace lines, numbered as an editor does; `{time}` stands for the line's time."""

    def apply(rows: Rows) -> Rows:
        rows = list(rows)
        for line, text in changes:
            rows[line - 1] = text.replace("{time}", rows[line - 1].split(",")[0])
        return rows

    return apply


def _naive(rows: Rows) -> Rows:
    return [rows[0], *(row[:19] + row[25:] for row in rows[1:])]


SERIES_CASES: dict[str, tuple[Callable[[Rows], Rows], tuple[str, ...]]] = {
    "gap": (
        lambda rows: rows[:19] + rows[22:],
        ("3 of 71 steps", "missing", "after line 19", "2025-03-08T18:00-04:00", "supply these readings"),
    ),
    "gap at the start": (lambda rows: rows[:1] + rows[3:], ("2 of 71 steps", "before the first line")),
    "wrong length": (lambda rows: rows[:60], ("12 of 71 steps", "after line 60", "and 9 more")),
    "duplicate": (
        lambda rows: [*rows[:8], rows[7], *rows[8:]],
        ("stand there twice", "line 9 (2025-03-08T06:00-04:00)", "keep one line"),
    ),
    "unsorted": (
        lambda rows: [*rows[:8], rows[9], rows[8], *rows[10:]],
        ("not in order", "line 10", "sort the file"),
    ),
    "beside the grid": (
        _edit((6, "2025-03-08T04:20-04:00,1,1")),
        ("2 problems", "line 6 (2025-03-08T04:20-04:00)", "1 of 71 steps"),
    ),
    "not a number": (_edit((6, "{time},nan,1")), ("'load_kw'", "not a finite number", "line 6 ('nan')")),
    "infinite": (_edit((6, "{time},1,inf")), ("'sun_w'", "not a finite number", "line 6 ('inf')")),
    "empty cell": (_edit((6, "{time},,1")), ("'load_kw'", "empty cell", "line 6")),
    "negative": (_edit((6, "{time},-0.2,1")), ("'load_kw'", "negative", "line 6 ('-0.2')")),
    "words": (_edit((6, "{time},0.3 kW,1")), ("'load_kw'", "not a number", "line 6 ('0.3 kW')")),
    "underscore": (_edit((6, "{time},0.3,1_0")), ("'sun_w'", "not a number", "line 6 ('1_0')")),
    "several cells": (
        _edit((6, "{time},-1,x"), (7, "{time},-2,1"), (8, "{time},-3,1"), (9, "{time},-4,1")),
        ("2 problems", "line 6 ('-1'), line 7 ('-2'), line 8 ('-3') and 1 more", "'sun_w': not a number"),
    ),
    "decimal comma": (_edit((6, "{time},0,3,1,0")), ("line 6", "5 cells under 3", "decimal mark")),
    "short row": (_edit((6, "{time},0.3")), ("line 6", "2 cells under 3")),
    "semicolons": (lambda rows: [row.replace(",", ";") for row in rows], ("line 1", "semicolons", "commas")),
    "tabs": (lambda rows: [row.replace(",", "\t") for row in rows], ("line 1", "tabs", "commas")),
    "quotes": (_edit((6, '"{time},0.3,1')), ("not readable as CSV", "check the quotes")),
    "misspelt column": (
        lambda rows: [rows[0].replace("load_kw", "laod_kw"), *rows[1:]],
        ("no column 'load_kw'", "load.column", "did you mean 'laod_kw'?", "time, laod_kw, sun_w"),
    ),
    "no such column": (
        lambda rows: ["time,a,b", *rows[1:]],
        ("2 problems", "no column 'load_kw'", "sun.column", "time, a, b"),
    ),
    "no time column": (
        lambda rows: [rows[0].replace("time", "TIME"), *rows[1:]],
        ("no column 'time'", "did you mean 'TIME'?"),
    ),
    "column twice": (lambda rows: ["time,load_kw,load_kw", *rows[1:]], ("'load_kw' stands there twice",)),
    "other date format": (
        _edit((6, "03/08/2025 04:00,1,1")),
        ("not ISO 8601", "line 6 ('03/08/2025 04:00')", "2025-01-31T14:00-04:00"),
    ),
    "year mistyped": (_edit((6, "0225-03-08T04:00-04:00,1,1")), ("line 6", "0225-03-08", "correct the year")),
    "one time without offset": (
        _edit((6, "2025-03-08T04:00,1,1")),
        ("line 6", "'2025-03-08T04:00'", "no offset", "unlike other lines"),
    ),
    "one time with offset": (
        lambda rows: _edit((6, "2025-03-08T04:00-04:00,1,1"))(_naive(rows)),
        ("line 6", "'2025-03-08T04:00-04:00'", "an offset", "unlike other lines"),
    ),
    "time in the skipped hour": (
        lambda rows: [*_naive(rows[:27]), "2025-03-09T02:00:00,1,1", *_naive(rows)[27:]],
        ("skips", "line 28 (2025-03-09 02:00)", "America/Halifax", "the time_zone"),
    ),
    "watts called kilowatts": (
        lambda rows: [rows[0], *(row.split(",")[0] + ",1450,1" for row in rows[1:])],
        ("line 2", "'load_kw'", "1450", "1,450 kW", "rename the column"),
    ),
    "only names": (lambda rows: rows[:1], ("no readings",)),
    "nothing": (lambda _: [], ("the file is empty", "first line")),
    "another year": (
        lambda rows: [row.replace("2025", "2024") for row in rows],
        ("none of its times", "2024-03-08T00:00:00-04:00", "2025-03-08T00:00-04:00", "[period]"),
    ),
}


@pytest.mark.parametrize("name", SERIES_CASES)
def test_series_is_refused(name: str, tmp_path: Path) -> None:
    spoil, parts = SERIES_CASES[name]
    message = refusal(HOME.with_rows(spoil(clock_rows())), tmp_path, SeriesError)
    assert message.startswith("series.csv: ")
    for part in parts:
        assert part in message


def test_naive_times_in_the_repeated_hour(tmp_path: Path) -> None:
    rows = _naive(clock_rows("2025-11-01", "2025-11-04"))
    home = HOME.with_text(("2025-03-08", "2025-11-01"), ("2025-03-11", "2025-11-04")).with_rows(rows)
    message = refusal(home, tmp_path, SeriesError)
    assert "line 27 (2025-11-02 01:00), line 28 (2025-11-02 01:00)" in message
    assert "2025-11-02T01:00-03:00 or 2025-11-02T01:00-04:00" in message


def test_the_step_of_the_file_is_not_the_periods(tmp_path: Path) -> None:
    home = HOME.with_text(('end = "2025-03-11"', 'end = "2025-03-11"\nstep_minutes = 30'))
    message = refusal(home, tmp_path, SeriesError)
    assert "60 minutes apart" in message
    assert "period.step_minutes = 30" in message


def test_two_files_with_different_times(tmp_path: Path) -> None:
    home = HOME.without("period").with_text(
        ('csv = "series.csv"\ncolumn = "sun_w"', 'csv = "sun.csv"\ncolumn = "sun_w"')
    )
    message = refusal(home.with_rows(clock_rows()[:-4], "sun.csv"), tmp_path, SeriesError)
    assert message.startswith("sun.csv: 4 of 71 steps of the times of series.csv are missing, after line 68")
    longer = refusal(home.with_rows(clock_rows(end="2025-03-12"), "sun.csv"), tmp_path, SeriesError)
    assert longer.startswith("sun.csv: times that are none of the times of series.csv")
    assert "line 73 (2025-03-11T00:00-03:00)" in longer
    assert "and 21 more" in longer


@pytest.mark.parametrize(
    ("rows", "part"),
    [
        (clock_rows()[:2], "one line of readings shows no step"),
        ([*clock_rows()[:2], clock_rows()[1]], "every line has the same time"),
    ],
)
def test_a_series_alone_must_show_its_step(rows: Rows, part: str, tmp_path: Path) -> None:
    assert part in refusal(HOME.without("period").with_rows(rows), tmp_path, SeriesError)


def test_steps_of_seconds(tmp_path: Path) -> None:
    rows = ["time,load_kw,sun_w", *(f"2025-03-08T00:00:{at:02d}-04:00,1,1" for at in range(0, 60, 10))]
    assert "at least a minute" in refusal(HOME.without("period").with_rows(rows), tmp_path, SeriesError)


@pytest.mark.parametrize(
    ("content", "part"), [(b"\xff\xfet\x00i\x00", "UTF-8"), (b"PK\x03\x04\x00\xff", "UTF-8"), (b"", "empty")]
)
def test_series_is_no_table(content: bytes, part: str, tmp_path: Path) -> None:
    assert part in refusal(HOME.with_rows(content), tmp_path, SeriesError)


WIDE_CORD = ("ac_input_w = 3900", "ac_input_w = 5000")
NO_CORD = ("ac_input_w = 3900\n", "")
WHOLE = ("switches_whole_load = false", "switches_whole_load = true")


@pytest.mark.parametrize(
    ("changes", "limit", "remedy"),
    [
        (
            (),
            "the 7.2 kW that bypass and",
            "by 1,841 W to 5,141 W, or inverter.bypass_w and charging.ac_input_w to 5,741 W",
        ),
        (
            (WIDE_CORD,),
            "the 7.4 kW that bypass and",
            "by 1,641 W to 4,941 W, or inverter.bypass_w and charging.ac_input_w to",
        ),
        ((NO_CORD,), "the 7.4 kW that bypass and", "by 1,641 W to 4,941 W, or inverter.bypass_w to 5,741 W"),
        (
            (WHOLE,),
            "the 3.9 kW that bypass or",
            "by 5,741 W to 9,041 W, or inverter.bypass_w and charging.ac_input_w to 9,041 W",
        ),
    ],
)
def test_load_above_what_can_be_carried(
    changes: tuple[tuple[str, str], ...], limit: str, remedy: str, tmp_path: Path
) -> None:
    home = HOME.with_text(*changes).with_rows(_edit((6, "{time},9,0"), (7, "{time},8.9,0"))(clock_rows()))
    message = refusal(home, tmp_path, SeriesError)
    assert message.startswith("series.csv: line 6 (2025-03-08T04:00-04:00)")
    assert "9.041 kW" in message
    assert limit in message
    assert f"raise inverter.continuous_w {remedy}" in message
    assert "(2 such steps" in message


@pytest.mark.parametrize(
    "remedy", [("continuous_w = 3300", "continuous_w = 5141"), ("bypass_w = 4100", "bypass_w = 5741")]
)
def test_the_remedy_for_a_load_is_enough(remedy: tuple[str, str], tmp_path: Path) -> None:
    home = HOME.with_rows(_edit((6, "{time},9,0"))(clock_rows()))
    if "bypass" in remedy[0]:
        home = home.with_text(("ac_input_w = 3900", "ac_input_w = 5741"))
    assert load_scenario(home.with_text(remedy).write(tmp_path)).load_kwh.max() == 9.0


def test_constant_load_above_what_can_be_carried(tmp_path: Path) -> None:
    home = HOME.with_text(('csv = "series.csv"\ncolumn = "load_kw"', "watts = 9000"))
    message = refusal(home, tmp_path, SeriesError)
    assert message.startswith("scenario.toml: load at 2025-03-08T00:00-04:00")
    assert "(71 such steps" in message
