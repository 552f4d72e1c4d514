"""The commands that bring data in, as a person runs them."""

from __future__ import annotations

import json
import os
import pty
import subprocess
import sys
from decimal import Decimal
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest
from homes import meter_files
from homes.meter_files import espi, meter
from homes.small_home import small_home
from terminal import ROOT, run
from typer.testing import CliRunner

from dispatch.cli.app import app

if TYPE_CHECKING:
    from pathlib import Path

COMMANDS = "compare check schema backup outage frontier settings tonight bill tariffs import import-tariff profile new"


def test_import_says_first_what_it_understood(tmp_path: Path) -> None:
    (tmp_path / "usage.xml").write_text(espi(meter(days=40, minutes=15), quality=dict.fromkeys(range(96), 8)))
    done = run("import", tmp_path / "usage.xml", "--out", tmp_path / "load.csv")
    assert done.returncode == 0, done.stderr
    top = "\n".join(done.stdout.splitlines()[:24])
    known = (
        "3,840 steps of 15 min",
        "America/New_York",
        "no gaps",
        "2.5 % of readings estimated",
        "Jan 2025",
    )
    for words in (*known, "load", "highest hour", "usual level"):
        assert words in " ".join(top.split()), words
    assert all(len(line) <= 80 for line in done.stdout.splitlines())
    written = pd.read_csv(tmp_path / "load.csv")
    assert list(written.columns) == ["time", "load_kwh"]
    assert written["time"][0] == "2025-01-20T00:00:00-05:00"


def test_gaps_are_shown_and_nothing_is_written_until_a_repair_is_asked_for(tmp_path: Path) -> None:
    lines = meter_files.start_end(meter()).splitlines()
    del lines[30:32]
    (tmp_path / "usage.csv").write_text("\n".join(lines))
    asked = (
        "import",
        tmp_path / "usage.csv",
        "--time-zone",
        "America/Toronto",
        "--out",
        tmp_path / "load.csv",
    )
    done = run(*asked)
    assert done.returncode == 2
    assert "1 gap, 2.00 h without a reading" in done.stdout
    assert "--gaps interpolate:2h" in done.stderr
    assert not (tmp_path / "load.csv").exists()
    done = run(*asked, "--gaps", "interpolate:2h", "--json")
    assert done.returncode == 0, done.stderr
    document = json.loads(done.stdout)
    assert "filled 2 steps" in document["repairs"][0]
    assert document["step_count"] == 336
    assert (tmp_path / "load.csv").exists()


def test_names_with_markup_are_shown_as_they_are(tmp_path: Path) -> None:
    text = meter_files.start_end(meter()).replace("Usage (kWh)", "[red]=Usage[/red] \x1b[31m(kWh)")
    (tmp_path / "[b]usage[0].csv").write_text(text)
    done = run(
        "import", tmp_path / "[b]usage[0].csv", "--time-zone", "America/Toronto", "--out", tmp_path / "l.csv"
    )
    assert done.returncode == 0, done.stderr
    assert "[red]=Usage[/red]" in done.stdout
    assert "[b]usage[0].csv" in done.stdout
    assert "\x1b" not in done.stdout
    cells = [cell for line in (tmp_path / "l.csv").read_text().splitlines() for cell in line.split(",")]
    assert not any(cell.startswith(("=", "+", "-", "@")) for cell in cells)


def test_parquet_beside_csv_reads_back_to_the_same_bits(tmp_path: Path) -> None:
    (tmp_path / "usage.xml").write_text(espi(meter(days=4, minutes=15), multiplier=-1))
    done = run(
        "import", tmp_path / "usage.xml", "--out", tmp_path / "l.csv", "--parquet", tmp_path / "l.parquet"
    )
    assert done.returncode == 0, done.stderr
    assert_same_table(tmp_path / "l.csv", tmp_path / "l.parquet")


def assert_same_table(csv: Path, parquet: Path) -> None:
    table = pq.read_table(parquet)
    text = pd.read_csv(csv, dtype=str)
    assert table.column_names == list(text.columns)
    assert table.column("time").to_pylist() == text["time"].tolist()
    for name in table.column_names[1:]:
        ours = np.asarray(table.column(name).to_numpy(), dtype=np.float64)
        assert ours.tobytes() == np.array(list(map(float, text[name]))).tobytes(), name
        assert table.schema.field(name).metadata[b"unit"] in {b"kWh", b"currency/kWh"}, name


def test_compare_writes_parquet_beside_csv(tmp_path: Path) -> None:
    small_home(days=3).write(tmp_path)
    done = run("compare", tmp_path, "--csv", tmp_path / "flows", "--parquet", tmp_path / "flows", "--quiet")
    assert done.returncode == 0, done.stderr
    names = sorted(path.stem for path in (tmp_path / "flows").glob("*.csv"))
    assert len(names) > 5
    for name in names:
        if name != "grid-only":  # its stored_kwh is empty: NaN has many bit patterns
            assert_same_table(tmp_path / "flows" / f"{name}.csv", tmp_path / "flows" / f"{name}.parquet")


@pytest.mark.parametrize("command", [("backup",), ("outage", "--at", "2025-11-01T18:00", "--hours", "6")])
def test_other_tables_are_parquet_too(tmp_path: Path, command: tuple[str, ...]) -> None:
    small_home(days=3).write(tmp_path)
    where = ("--csv", tmp_path / "t", "--parquet", tmp_path / "t")
    done = run(command[0], tmp_path, *command[1:], *where)
    assert done.returncode == 0, done.stderr
    written = sorted((tmp_path / "t").glob("*.csv"))
    assert written
    for csv in written:
        assert_same_cells(csv, csv.with_suffix(".parquet"))


def assert_same_cells(csv: Path, parquet: Path) -> None:
    """Every cell of the Parquet file is what the CSV's text says, to the bit."""
    table = pq.read_table(parquet).to_pydict()
    text = pd.read_csv(csv, dtype=str, keep_default_na=False)
    assert list(table) == list(text.columns)
    for name, values in table.items():
        for cell, value in zip(text[name], values, strict=True):
            if isinstance(value, float):
                assert (cell == "" and value != value) or float(cell) == value, name  # noqa: PLR0124 - NaN
            elif isinstance(value, Decimal):
                assert Decimal(cell) == value, name
            else:
                assert cell == str(value), name


def test_a_bill_is_parquet_with_exact_decimals(tmp_path: Path) -> None:
    lines = [
        "time,import_kwh",
        *(f"{t.isoformat()},{v!r}" for t, v in zip(meter().times, meter().kwh, strict=True)),
    ]
    (tmp_path / "meter.csv").write_text("\n".join(lines).replace("np.float64(", "").replace(")", ""))
    (tmp_path / "t.toml").write_text(
        'name = "t"\ncurrency = "CAD"\n[bands.all]\nimport_price_per_kwh = 0.123456789\n'
    )
    words = ("--time-zone", "America/Toronto", "--csv", tmp_path, "--parquet", tmp_path)
    done = run("bill", tmp_path / "t.toml", tmp_path / "meter.csv", *words)
    assert done.returncode == 0, done.stderr
    assert_same_cells(tmp_path / "bill.csv", tmp_path / "bill.parquet")


def test_a_new_home_runs_at_once_and_says_that_its_load_is_typical(tmp_path: Path) -> None:
    home = tmp_path / "home"
    done = run(
        "new",
        home,
        "--time-zone",
        "America/Toronto",
        "--currency",
        "CAD",
        "--kwh",
        "9000",
        "--name",
        'A "b" [c]',
    )
    assert done.returncode == 0, done.stderr
    for name in ("scenario", "tariff"):
        first = (home / f"{name}.toml").read_text().splitlines()[0]
        assert first == f"#:schema ./{name}.schema.json"
        assert json.loads((home / f"{name}.schema.json").read_text())["type"] == "object"
    done = run("check", home)
    assert done.returncode == 0, done.stderr
    assert 'A "b" [c] (typical load, not measured)' in done.stdout
    again = run("new", home, "--time-zone", "America/Toronto", "--currency", "CAD", "--kwh", "9000")
    assert again.returncode == 2
    assert "is there already" in again.stderr


def test_a_new_home_of_an_imported_load(tmp_path: Path) -> None:
    (tmp_path / "usage.csv").write_text(meter_files.start_end(meter(days=20)))
    assert (
        run(
            "import", tmp_path / "usage.csv", "--time-zone", "America/Toronto", "--out", tmp_path / "l.csv"
        ).returncode
        == 0
    )
    home = tmp_path / "home"
    words = ("--time-zone", "America/Toronto", "--currency", "CAD", "--load", tmp_path / "l.csv")
    done = run("new", home, *words, "--cheap-hours", "22:00-06:00", "--packs", "3")
    assert done.returncode == 0, done.stderr
    checked = run("compare", home)
    assert checked.returncode == 0, checked.stderr
    assert "typical" not in checked.stdout


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        ((), "--time-zone: Its clock"),
        (("--currency", "CAD", "--kwh", "9", "--time-zone", "Toronto"), "did you mean 'America/Toronto'"),
        (("--currency", "XXQ", "--kwh", "9", "--time-zone", "America/Toronto"), "site.currency"),
        (
            ("--currency", "CAD", "--kwh", "9", "--time-zone", "America/Toronto", "--cheap-hours", "night"),
            "windows",
        ),
        (("--currency", "CAD", "--kwh", "-9", "--time-zone", "America/Toronto"), "--kwh"),
    ],
)
def test_a_new_home_that_cannot_run_is_not_written(
    tmp_path: Path, words: tuple[str, ...], expected: str
) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "dispatch", "new", str(tmp_path / "home"), *words],
        capture_output=True,
        text=True,
        check=False,
        stdin=subprocess.DEVNULL,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )
    assert done.returncode == 2, done.stdout
    assert expected in done.stderr
    assert not (tmp_path / "home").exists()


def test_a_new_home_by_asking(tmp_path: Path) -> None:
    ours, theirs = pty.openpty()
    child = subprocess.Popen(
        [sys.executable, "-m", "dispatch", "new", str(tmp_path / "home")],
        stdin=theirs,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )
    os.close(theirs)
    os.write(ours, b"Elm House\nEurope/Lisbon\nEUR\n3600\n" + b"\n" * 11)
    out, err = child.communicate(timeout=60)
    os.close(ours)
    assert child.returncode == 0, err
    assert "kWh of a year" in err
    assert "ready to run" in out
    assert 'name = "Elm House"' in (tmp_path / "home" / "scenario.toml").read_text()


def test_profile_and_import_tariff(tmp_path: Path) -> None:
    done = run(
        "profile",
        "--kwh",
        "3600",
        "--household",
        "bdew-h0",
        "--time-zone",
        "Europe/Berlin",
        "--out",
        tmp_path / "l.csv",
    )
    assert done.returncode == 0, done.stderr
    assert "A typical load (bdew-h0), not measured: 3,600 kWh in 2025" in done.stdout
    record = {"name": "[b]flat[/b]", "energyratestructure": [[{"rate": 0.1}]], "fixedchargeeaaddl": 2}
    (tmp_path / "record.json").write_text(json.dumps(record))
    done = run("import-tariff", tmp_path / "record.json", "--out", tmp_path / "tariff.toml")
    assert done.returncode == 0, done.stderr
    assert "[b]flat[/b]" in done.stdout
    assert "NOT CARRIED OVER" in done.stdout
    assert "fixedchargeeaaddl" in done.stdout
    assert (tmp_path / "tariff.toml").exists()


@pytest.mark.parametrize("command", COMMANDS.split())
def test_every_help_has_an_example(command: str) -> None:
    done = CliRunner().invoke(app, [command, "--help"])
    assert done.exit_code == 0
    assert f"Example: dispatch {command}" in done.stdout


def test_version_and_completion() -> None:
    done = run("--version")
    assert done.stdout.startswith("dispatch ")
    done = run("--help")
    assert "--install-completion" in done.stdout
    for command in COMMANDS.split():
        assert command in done.stdout
    asked = {"_DISPATCH_COMPLETE": "complete_bash", "COMP_WORDS": "dispatch imp", "COMP_CWORD": "1"}
    words = subprocess.run(
        [sys.executable, "-m", "dispatch"],
        capture_output=True,
        text=True,
        check=False,
        env={**os.environ, "PYTHONPATH": str(ROOT), **asked},
    )
    assert words.stdout.split() == ["import", "import-tariff"]
