"""Files that must be refused at once, safely, with line, value and remedy."""

from __future__ import annotations

import os
import re
import time
from pathlib import Path

import numpy as np
import pytest
from homes import meter_files
from homes.meter_files import Meter, espi, meter

from dispatch.errors import SeriesError
from dispatch.intake.gaps import Filling, filled, parse_filling, refuse_gaps
from dispatch.intake.intervals import Asked
from dispatch.intake.read import Understood, understand

BOMB = """<?xml version="1.0"?>
<!DOCTYPE feed [<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;&a;&a;&a;&a;&a;&a;&a;&a;">
<!ENTITY c "&b;&b;&b;&b;&b;&b;&b;&b;&b;&b;"><!ENTITY d "&c;&c;&c;&c;&c;&c;&c;&c;&c;&c;">
<!ENTITY e "&d;&d;&d;&d;&d;&d;&d;&d;&d;&d;"><!ENTITY f "&e;&e;&e;&e;&e;&e;&e;&e;&e;&e;">]>
<feed xmlns="http://www.w3.org/2005/Atom">&f;</feed>"""


def read(
    folder: Path, text: str | bytes, zone: str | None = "America/Toronto", **asked: object
) -> Understood:
    path = folder / "meter.csv"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return understand(path, Asked(time_zone=zone, **asked))  # type: ignore[arg-type]


def refused(folder: Path, text: str | bytes, **asked: object) -> str:
    with pytest.raises(SeriesError) as caught:
        read(folder, text, **asked)  # type: ignore[arg-type]
    return str(caught.value).removeprefix(f"{folder / 'meter.csv'}: ")


# ---- XML ---------------------------------------------------------------------------------------------------
@pytest.mark.parametrize("encoding", ["utf-8", "utf-16"])
def test_an_entity_bomb_is_refused_unopened(tmp_path: Path, encoding: str) -> None:
    assert "declares a document type" in refused(tmp_path, BOMB.encode(encoding))


def test_a_late_bomb_in_text_or_attribute_is_refused_too(tmp_path: Path) -> None:
    late = BOMB.replace("<!DOCTYPE", f"<!--{'x' * 9000}--><!DOCTYPE")
    for text in (late, late.replace(">&f;<", ' title="&f;&f;&f;&f;&f;&f;&f;&f;&f;&f;"><entry/><')):
        message = refused(tmp_path, text)
        assert "document type" in message or "readable XML" in message or "no interval readings" in message
        assert len(message) < 400


def test_an_external_entity_is_never_read(tmp_path: Path) -> None:
    secret = tmp_path / "secret.txt"
    secret.write_text("12345")
    body = espi(meter(days=1)).partition("?>")[2].replace("<espi:value>", "<espi:value>&x;", 1)
    declared = f'<?xml version="1.0"?><!DOCTYPE feed [<!ENTITY x SYSTEM "{secret.as_uri()}">]>{body}'
    assert "declares a document type" in refused(tmp_path, declared)
    late = f'<?xml version="1.0"?><!--{"x" * 5000}--><!DOCTYPE feed SYSTEM "{secret.as_uri()}">{body}'
    message = refused(tmp_path, late)
    assert "document type" in message or "readable XML" in message
    assert "12345" not in message


def test_deep_nesting_is_refused(tmp_path: Path) -> None:
    assert "XML" in refused(tmp_path, "<a>" * 100_000)


@pytest.mark.parametrize("share", [0.3, 0.7, 0.99])
def test_a_truncated_feed_is_refused(tmp_path: Path, share: float) -> None:
    text = espi(meter(days=3))
    message = refused(tmp_path, text[: int(len(text) * share)])
    assert "cut off" in message
    assert message.startswith("line ")


@pytest.mark.parametrize(
    ("old", "new", "expected"),
    [
        ("<espi:value>", "<espi:value>x", "whole numbers"),
        ("<espi:start>", "<espi:start>1.5e9", "whole numbers"),
        ("http://naesb.org/espi", "http://other.example/espi", "holds no interval readings"),
        ("<espi:value>", "<espi:value>-", "negative reading"),
    ],
)
def test_a_feed_that_makes_no_sense(tmp_path: Path, old: str, new: str, expected: str) -> None:
    assert expected in refused(tmp_path, espi(meter(days=1)).replace(old, new))


def test_readings_of_the_same_time_are_refused_and_equal_ones_dropped_on_request(tmp_path: Path) -> None:
    text = espi(meter(days=2))
    block = text[text.index("<espi:IntervalReading>") : text.index("</espi:IntervalBlock>")]
    twice = text.replace(block, block + block, 1)
    assert "24 readings stand there twice with the same value" in refused(tmp_path, twice)
    made = read(tmp_path, twice, drop_repeats=True)
    assert any("24 readings stood there twice" in line for line in (*made.facts, *made.doubts))
    other = text.replace(block, block + block.replace("<espi:value>", "<espi:value>9"), 1)
    assert "which is right cannot be known" in refused(tmp_path, other, drop_repeats=True)


# ---- files -------------------------------------------------------------------------------------------------
def test_a_file_of_two_gigabytes_meets_the_limit_at_once(tmp_path: Path) -> None:
    path = tmp_path / "meter.csv"
    with path.open("wb") as file:
        file.truncate(2_000_000_000)  # a hole: no disk is used
    started = time.process_time()
    with pytest.raises(SeriesError, match=r"has 2,000 MB; at most 100 MB are read"):
        understand(path, Asked())
    assert time.process_time() - started < 5  # a hang, not a speed


def test_what_is_no_file(tmp_path: Path) -> None:
    with pytest.raises(SeriesError, match="no such file"):
        understand(tmp_path / "none.csv", Asked())
    with pytest.raises(SeriesError, match="this is a folder"):
        understand(tmp_path, Asked())
    os.mkfifo(tmp_path / "pipe")
    with pytest.raises(SeriesError, match="no ordinary file"):
        understand(tmp_path / "pipe", Asked())


@pytest.mark.parametrize(
    ("raw", "expected"),
    [
        (b"", "empty"),
        (b"  \n \n", "empty"),
        (b"PK\x03\x04" + b"x" * 99, "spreadsheet or zip"),
        (b"%PDF-1.7", "a PDF"),
        (b"\x00\x01\x02\x03" * 50, "no text"),
        (b"hello\nworld\n", "no reading found"),
        (b'time,kwh\n"2025-01-01 00:00,1\n', "check the quotes"),
    ],
)
def test_what_is_no_table(tmp_path: Path, raw: bytes, expected: str) -> None:
    assert expected in refused(tmp_path, raw)


@pytest.mark.parametrize("encoding", ["utf-8-sig", "utf-16", "utf-16-le", "cp1252"])
def test_other_encodings_are_read_and_a_guess_is_said(tmp_path: Path, encoding: str) -> None:
    text = meter_files.start_end(meter()).replace("Usage", "Zählerstand Usage")
    made = read(tmp_path, text.encode(encoding))
    assert made.columns["load_kwh"].sum() == pytest.approx(meter().kwh.sum())
    assert any("Windows-1252" in doubt for doubt in made.doubts) == (encoding == "cp1252")


def test_a_truncated_table_names_its_last_line(tmp_path: Path) -> None:
    text = meter_files.start_end(meter(days=2))
    message = refused(tmp_path, text[:-30])
    assert "line 49" in message or "line 48" in message


# ---- contents ----------------------------------------------------------------------------------------------
def spoilt(row: int, old: str, new: str) -> str:
    lines = meter_files.start_end(meter()).splitlines()
    lines[row] = lines[row].replace(old, new)
    return "\n".join(lines)


@pytest.mark.parametrize(
    ("row", "old", "new", "expected"),
    [
        (9, "2025-01-20 08:00", "2025-13-20 08:00", r"line 10 \('2025-13-20'\)"),
        (9, ":00", ":77", "not a time of day: line 10"),
        (9, "2025-01-20 08:00", "2025-01-20 07:00", "cover time that another one covers"),
    ],
)
def test_a_spoilt_row_is_named(tmp_path: Path, row: int, old: str, new: str, expected: str) -> None:
    assert re.search(expected, refused(tmp_path, spoilt(row, old, new)))


@pytest.mark.parametrize("cell", ["abc", "1_000", "inf", "1e999", "=1+1", "@SUM(A1)", "12 kWh"])
def test_a_cell_that_is_no_number_is_named(tmp_path: Path, cell: str) -> None:
    lines = meter_files.start_end(meter()).splitlines()
    lines[50] = ",".join([*lines[50].split(",")[:2], cell])
    message = refused(tmp_path, "\n".join(lines))
    assert "line 51" in message
    assert cell in message


def test_the_year_must_be_sensible(tmp_path: Path) -> None:
    assert "not a date" in refused(tmp_path, meter_files.start_end(meter()).replace("2025-", "1025-"))


def test_watts_under_a_heading_of_kilowatts(tmp_path: Path) -> None:
    series = Meter(meter().times, np.full(len(meter().times), 900.0))  # an average home of 900 kW
    text = meter_files.table(series, "Start,Power (kW)", lambda a, _, v: f"{a},{v}")
    assert "a mean of 900 kW" in refused(tmp_path, text)
    assert read(tmp_path, text, unit="W").columns["load_kwh"][0] == pytest.approx(0.9)


def test_what_cannot_be_told_is_asked(tmp_path: Path) -> None:
    few = meter(start="2025-03-03", days=1)
    assert "--dates day-first" in refused(tmp_path, meter_files.day_first(few))
    part = meter_files.vague(meter()).splitlines()
    assert "--times start or --times end" in refused(tmp_path, "\n".join([part[0], *part[5:-3]]))
    assert "--time-zone" in refused(tmp_path, meter_files.start_end(meter()), zone=None)
    unitless = meter_files.start_end(meter()).replace("Usage (kWh)", "Usage")
    assert "--unit kWh" in refused(tmp_path, unitless)
    two = meter_files.table(meter(), "Start,Usage A (kWh),Usage B (kWh)", lambda a, _, v: f"{a},{v},{v}")
    assert "--import COLUMN" in refused(tmp_path, two)
    made = read(tmp_path, two, columns={"import": ("Usage A (kWh)", "Usage B (kWh)")})
    assert made.columns["load_kwh"].sum() == pytest.approx(2 * meter().kwh.sum())
    assert "did you mean 'Usage A (kWh)'" in refused(tmp_path, two, columns={"import": ("Usage A",)})
    vague = meter_files.table(meter(), "Start,Generation (kWh)", lambda a, _, v: f"{a},{v}")
    assert "--made or --export" in refused(tmp_path, vague)


def test_a_zone_that_does_not_exist(tmp_path: Path) -> None:
    with pytest.raises(SeriesError, match="did you mean 'America/Toronto'"):
        read(tmp_path, meter_files.start_end(meter()), zone="Toronto")


def test_thousands_and_decimal_commas(tmp_path: Path) -> None:
    times = meter(days=2)
    text = meter_files.table(times, "Start;Wh", lambda a, *_: f"{a};1,500")
    assert "--decimal comma" in refused(tmp_path, text)
    assert read(tmp_path, text, decimal=".").columns["load_kwh"][0] == pytest.approx(1.5)
    assert "looks like kW under a heading of W" in refused(tmp_path, text, decimal=",")  # 1.5 Wh an hour
    german = meter_files.table(times, "Start;Wh", lambda a, *_: f"{a};1.500,25")
    assert read(tmp_path, german).columns["load_kwh"][0] == pytest.approx(1.50025)


# ---- gaps --------------------------------------------------------------------------------------------------
def holed(*holes: int) -> str:
    lines = meter_files.start_end(meter(start="2025-02-24", days=28)).splitlines()
    return "\n".join(line for at, line in enumerate(lines) if at - 1 not in holes)


def test_gaps_are_refused_and_counted(tmp_path: Path) -> None:
    made = read(tmp_path, holed(30, 31, 200))
    assert [gap.count for gap in made.grid.gaps()] == [2, 1]
    with pytest.raises(
        SeriesError, match=r"2 gaps without readings, 3.00 h in all: 2025-02-25 06:00-05:00 for 2 h"
    ):
        refuse_gaps(made.grid, Path("meter.csv"))
    empty = meter_files.start_end(meter()).splitlines()
    empty[7] = empty[7].rpartition(",")[0] + ","
    assert [gap.count for gap in read(tmp_path, "\n".join(empty)).grid.gaps()] == [1]


def test_interpolation_keeps_to_its_limit_and_reports(tmp_path: Path) -> None:
    made = read(tmp_path, holed(30, 31, 100, 101, 102))
    grid = filled(made.grid, parse_filling("interpolate:2h"))
    assert [gap.count for gap in grid.gaps()] == [3]
    values = grid.kwh["import"]
    np.testing.assert_allclose(values[29:33], np.linspace(values[29], values[32], 4))
    assert "filled 2 steps" in grid.repairs[0]
    assert "2025-02-25 06:00-05:00 for 2 h" in grid.repairs[0]


def test_same_weekday_takes_the_same_clock_time_across_the_clock_change(tmp_path: Path) -> None:
    series = meter(start="2025-02-24", days=28)
    clock = {t.isoformat()[:16]: v for t, v in zip(series.times, series.kwh.tolist(), strict=True)}
    hole = next(
        at for at, t in enumerate(series.times) if f"{t:%Y-%m-%d %H}" == "2025-03-10 18"
    )  # after the change
    grid = filled(read(tmp_path, holed(hole)).grid, Filling("same-weekday", float("inf")))
    expected = (clock["2025-03-03T18:00"] + clock["2025-03-17T18:00"]) / 2
    assert grid.kwh["import"][hole] == pytest.approx(expected)


@pytest.mark.parametrize(
    "text", ["", "interpolate", "interpolate:2", "same weekday", "zero", "interpolate:-1h"]
)
def test_other_ways_of_filling_are_refused(text: str) -> None:
    with pytest.raises(SeriesError, match="--gaps"):
        parse_filling(text)
