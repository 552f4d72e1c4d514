"""Input that would take for ever is refused at once: devices, pipes, files too large, texts that searches choke on."""

from __future__ import annotations

import os
import time
from typing import TYPE_CHECKING

import pytest
from homes.home_files import Home
from homes.small_home import small_home
from terminal import ROOT, run

import dispatch
from dispatch.case.case import load_scenario
from tariffs import load_tariff, parse_tariff
from tariffs.errors import TariffError

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

HOME = Home()
PANELS = ROOT / "scenarios" / "cinder-flat" / "panels.toml"
SECONDS = 10  # of computing: a hang, not a speed


@pytest.fixture(autouse=True)
def _at_once() -> Iterator[None]:
    started = time.process_time()
    yield
    assert time.process_time() - started < SECONDS


def spoil(path: Path, kind: str) -> None:
    path.unlink(missing_ok=True)
    if kind == "pipe":
        os.mkfifo(path)
    elif kind == "hole":
        with path.open("wb") as file:
            file.truncate(207_000_000)
    else:
        path.symlink_to(kind)


@pytest.mark.parametrize("kind", ["/dev/zero", "/dev/urandom", "pipe", "hole"])
@pytest.mark.parametrize("name", ["scenario.toml", "tariff.toml", "series.csv", "prices.csv", "dates.csv"])
def test_a_file_without_end(name: str, kind: str, tmp_path: Path) -> None:
    path = HOME.write(tmp_path)
    tariff = tmp_path / "tariff.toml"
    beside = {
        "prices.csv": '\n[hourly_prices]\ncsv = "prices.csv"\nimport_column = "spot_per_kwh"\n',
        "dates.csv": '\n[[events]]\nband = "night"\ncsv = "dates.csv"\nfrom = "17:00"\nto = "21:00"\n',
    }
    if name in beside:
        tariff.write_text(f"{tariff.read_text()}{beside[name]}")
    spoil(tmp_path / name, kind)
    with pytest.raises(
        dispatch.DispatchError, match="at most" if kind == "hole" else "no ordinary file"
    ) as refused:
        load_scenario(path)
    assert name in str(refused.value)


@pytest.mark.parametrize("kind", ["/dev/zero", "pipe", "hole"])
@pytest.mark.parametrize(
    "line",
    [
        ("bill", "TARIFF", "FILE"),
        ("bill", "FILE", "TARIFF"),
        ("tonight", "HOME", "--at", "2025-11-03T18:00", "--level", "62%", "--forecast", "FILE"),
        ("tonight", "HOME", "--at", "2025-11-03T18:00", "--level", "62%", "--recent", "FILE"),
        ("backup", "HOME", "--card", "FILE"),
        ("years", "HOME", "FILE"),
        ("tariffs", "HOME", "FILE"),
        ("import", "FILE", "--out", "series.csv"),
        ("import-tariff", "FILE", "--out", "tariff.toml"),
        ("fleet", "FILE"),
        ("strings", "FILE"),
        ("sun", "PANELS", "--weather", "FILE"),
    ],
)
def test_a_file_without_end_in_a_command(
    line: tuple[str, ...], kind: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    home = small_home().write(tmp_path / "home").parent
    spoil(tmp_path / "endless.csv", kind)
    named = {
        "HOME": str(home),
        "TARIFF": str(home / "tariff.toml"),
        "FILE": "endless.csv",
        "PANELS": str(PANELS),
    }
    done = run(*(named.get(word, word) for word in line))
    assert (done.returncode, done.stdout) == (2, "")
    assert "/dev/zero" in done.stderr or "endless.csv" in done.stderr
    assert "internal error" not in done.stderr


TARIFF = str(HOME.tariff)
LONG = {
    "spaces in hours": '[[windows]]\nband = "night"\nhours = "' + " " * 40_000 + 'x"\n',
    "spaces in a time": '[[windows]]\nband = "night"\nfrom = "' + " " * 400_000 + 'x"\nto = "01:00"\n',
    "digits in a time": '[[windows]]\nband = "night"\nfrom = "' + "1" * 400_000 + '"\nto = "01:00"\n',
    "a price beyond arithmetic": "[billing]\nmonth_days = 1e-9999999\n",
    "a month of next to no days": "[billing]\nmonth_days = 0.000000001\n",
    "a month of thousands of days": "[billing]\nmonth_days = 100000\n",
    "names nobody knows": "".join(
        f'[bands.b{number}]\nimport_price_per_kwh = 0.1\n[[windows]]\nband = "c{number}"\n'
        for number in range(1500)
    ),
    "settings nobody knows": "[charges]\n" + "".join(f"per_dya{number} = 1\n" for number in range(4000)),
    "words with points": "x = '" + "word " * 100_000 + "'\n",
    "quotes without end": "x = " + "'\" " * 100_000,
}


@pytest.mark.parametrize("slip", LONG)
def test_a_text_that_searches_choke_on(slip: str) -> None:
    with pytest.raises(TariffError) as refused:
        parse_tariff(f"{TARIFF}\n{LONG[slip]}", "tariff.toml")
    assert len(str(refused.value)) < 20_000


@pytest.mark.parametrize(
    "level", ["9" * 60_000 + "%", " " * 60_000 + "x", "1" + " " * 60_000 + "x", "." * 60_000]
)
@pytest.mark.parametrize(
    "line",
    [
        ("backup", "--level"),
        ("backup", "--at", "20:00", "--level"),
        ("backup", "--reserve"),
        ("tonight", "--at", "2025-11-03T18:00", "--level"),
        ("backup", "--at"),
        ("tonight", "--level", "62%", "--at"),
        ("size", "--panels"),
    ],
)
def test_a_word_without_end(line: tuple[str, ...], level: str, tmp_path: Path) -> None:
    home = small_home().write(tmp_path).parent
    command, *options = line
    done = run(command, home, *options, level)
    assert (done.returncode, done.stdout) == (2, "")
    assert "internal error" not in done.stderr


@pytest.mark.parametrize("hours", ["1e9", "8784.5", "inf", "nan"])
def test_hours_of_backup_are_counted_up_to_a_year(hours: str, tmp_path: Path) -> None:
    path = HOME.with_text(("horizon_hours = 96", f"horizon_hours = {hours}")).write(tmp_path)
    with pytest.raises(dispatch.ScenarioError, match="horizon_hours"):
        load_scenario(path)
    HOME.with_text(("horizon_hours = 96", "horizon_hours = 8784")).write(tmp_path)
    assert load_scenario(path).limits.backup_horizon_hours == 8784


def test_lines_without_end(tmp_path: Path) -> None:
    path = HOME.write(tmp_path)
    series = tmp_path / "series.csv"
    head, line, *_ = series.read_text(encoding="utf-8").splitlines()
    series.write_text(f"{head}\n" + f"{line}\n" * 1_700_000, encoding="utf-8")
    with pytest.raises(dispatch.SeriesError, match=r"has 1,700,001 lines; at most 1,600,000 are read"):
        load_scenario(path)


# ---- dates -------------------------------------------------------------------------------------------------------
STRANGE = (
    "2025-W44-6",
    "20250131",
    "2025-031",
    "0001-01-01",
    "9999-12-31",
    "2025-02-30",
    "2025-01-31\\u0000",
)


@pytest.mark.parametrize("date", STRANGE)
@pytest.mark.parametrize(
    "place",
    [
        '[[events]]\nband = "night"\ndates = ["DATE"]\nfrom = "22:00"\nto = "06:00"\n',
        '[[events]]\nband = "night"\ncsv = "dates.csv"\nfrom = "22:00"\nto = "06:00"\n',
        '[billing]\nread_dates = ["DATE"]\n',
    ],
)
def test_a_strange_date_in_a_tariff(place: str, date: str, tmp_path: Path) -> None:
    HOME.write(tmp_path)
    path = tmp_path / "tariff.toml"
    path.write_text(f"{TARIFF}\n{place.replace('DATE', date)}", encoding="utf-8")
    (tmp_path / "dates.csv").write_text("date\n" + date.replace("\\u0000", "\0") + "\n", encoding="utf-8")
    with pytest.raises(TariffError):
        load_tariff(path)


@pytest.mark.parametrize("date", STRANGE)
@pytest.mark.parametrize(
    "place",
    [
        ('start = "2025-03-08"', 'start = "DATE"'),
        ('end = "2025-03-11"', 'end = "DATE"'),
        (
            "[backup]",
            '[[reserve.raised]]\ndates = ["DATE"]\nfrom = "22:00"\nto = "06:00"\npercent = 50\n\n[backup]',
        ),
    ],
)
def test_a_strange_date_in_a_scenario(place: tuple[str, str], date: str, tmp_path: Path) -> None:
    old, new = place
    path = HOME.with_text((old, new.replace("DATE", date))).write(tmp_path)
    with pytest.raises(dispatch.ScenarioError):
        load_scenario(path)


@pytest.mark.parametrize("date", STRANGE)
def test_a_strange_time_in_a_series(date: str, tmp_path: Path) -> None:
    path = HOME.write(tmp_path)
    series = tmp_path / "series.csv"
    lines = series.read_text(encoding="utf-8").split("\n")
    lines[3] = date.replace("\\u0000", "\0") + lines[3][10:]
    series.write_text("\n".join(lines), encoding="utf-8")
    with pytest.raises(dispatch.SeriesError, match=r"series.csv"):
        load_scenario(path)


@pytest.mark.parametrize(
    "at", [*STRANGE, "9999-12-31T23:59:59.999999-23:59", "0001-01-01T00:00+23:59", "", " "]
)
def test_a_strange_time_on_the_command_line(at: str, tmp_path: Path) -> None:
    home = small_home().write(tmp_path).parent
    for line in (
        ("outage", "--hours", "5", "--at"),
        ("tonight", "--level", "62%", "--at"),
        ("storm", "--level", "62%", "--from", "2025-11-01T18:00", "--hours", "5", "--at"),
        ("storm", "--level", "62%", "--at", "2025-11-01T18:00", "--hours", "5", "--from"),
    ):
        command, *options = line
        done = run(command, home, *options, at)
        assert (done.returncode, done.stdout) == (2, "")
        assert "internal error" not in done.stderr


def test_an_outage_at_the_last_microsecond(tmp_path: Path) -> None:
    home = small_home().write(tmp_path).parent
    done = run("outage", home, "--at", "2025-11-03T23:59:59.999999", "--hours", "5", "--json")
    assert (done.returncode, done.stderr) == (0, "")


@pytest.mark.parametrize("price", ["1e26", "-1e26", "1e9999999"])
def test_a_price_beyond_money(price: str, tmp_path: Path) -> None:
    path = HOME.write(tmp_path)
    tariff = tmp_path / "tariff.toml"
    tariff.write_text(TARIFF.replace("import_price_per_kwh = 0.08", f"import_price_per_kwh = {price}"))
    with pytest.raises(TariffError):
        load_scenario(path)
