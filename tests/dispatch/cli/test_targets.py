"""What a command writes destroys nothing: not what it reads, not what it writes beside, not what is no file."""

from __future__ import annotations

import os
import shutil
import stat
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from homes.small_home import small_home
from terminal import run

from dispatch.cli.app import COMPARE_TABLES
from dispatch.cli.outages import BACKUP_TABLES, FRONTIER_TABLES, OUTAGE_TABLES
from dispatch.cli.size import SIZE_TABLES
from dispatch.cli.tariffs import BILL_TABLES
from dispatch.door import base, entering, runs
from dispatch.writing import ORIGIN_FILE

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

OUTAGE = ("outage", "HOME", "--at", "2025-11-01T17", "--hours", "18")
BILL = ("bill", "HOME/tariff.toml", "HOME/series.csv", "--import", "load_kw")


@pytest.fixture(scope="module")
def drawn(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return small_home().write(tmp_path_factory.mktemp("home")).parent


@pytest.fixture
def home(drawn: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    shutil.copytree(drawn, tmp_path / "home")
    monkeypatch.chdir(tmp_path)
    return tmp_path / "home"


def everything(folder: Path) -> Mapping[str, object]:
    """Every file with its content, every other thing with its kind."""

    def content(path: Path) -> object:
        mode = path.lstat().st_mode
        return path.read_bytes() if stat.S_ISREG(mode) else stat.S_IFMT(mode)

    return {str(path.relative_to(folder)): content(path) for path in folder.rglob("*")}


def words(line: tuple[str, ...], home: Path) -> Iterator[str]:
    return (word.replace("HOME", str(home)) for word in line)


SETTINGS = ("settings", "HOME")
COMPARE = ("compare", "HOME")
REFUSED = {
    "the scenario": (*SETTINGS, "--save", "HOME/scenario.toml"),
    "the scenario, the long way": (*SETTINGS, "--markdown", "HOME/../home/scenario.toml"),
    "the tariff": (*SETTINGS, "--ics", "HOME/tariff.toml"),
    "the series": (*COMPARE, "--html", "HOME/series.csv"),
    "the series through a link": (*COMPARE, "--html", "link"),
    "the series by another name": ("backup", "HOME", "--html", "hard"),
    "the card": (*SETTINGS, "--card", "card.toml", "--save", "card.toml"),
    "the meter": ("bill", "HOME/tariff.toml", "bill.csv", "--import", "load_kw", "--csv", "."),
    "the meter as a folder's link": (
        "bill",
        "HOME/tariff.toml",
        "bill.csv",
        "--import",
        "load_kw",
        "--csv",
        "here",
    ),
    "the imported file": (
        "import",
        "bill.csv",
        "--import",
        "load_kw",
        "--time-zone",
        "America/Halifax",
        "--out",
        "bill.csv",
    ),
    "the imported file as Parquet": (
        *("import", "bill.csv", "--import", "load_kw", "--time-zone", "America/Halifax", "--out", "new.csv"),
        *("--parquet", "bill.csv"),
    ),
    "two of one name": (*SETTINGS, "--html", "page", "--ics", "page"),
    "two of one file": (*SETTINGS, "--html", "page", "--ics", "./page"),
    "a page among the tables": (*COMPARE, "--csv", ".", "--html", "grid-only.csv"),
    "two of one import": (
        *("import", "bill.csv", "--import", "load_kw", "--time-zone", "America/Halifax", "--out", "new.csv"),
        *("--parquet", "new.csv"),
    ),
    "a folder": (*SETTINGS, "--html", "HOME"),
    "a file as folder": (*COMPARE, "--csv", "bill.csv"),
    "a pipe": (*COMPARE, "--html", "pipe"),
    "a device": (*SETTINGS, "--save", "null"),
    "below a file": (*SETTINGS, "--save", "bill.csv/card.toml"),
    "no name": (*SETTINGS, "--save", "x" * 300),
    "no place": (*COMPARE, "--csv", "/proc/flows"),
    "a series of sun over the panels": (
        "profile",
        "--kwh",
        "3000",
        "--time-zone",
        "Europe/Lisbon",
        "--out",
        "pipe",
    ),
}


@pytest.mark.parametrize("name", REFUSED)
def test_a_target_that_cannot_be_is_refused_before_anything_is_solved(
    name: str, home: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    shutil.copy(home / "series.csv", "bill.csv")
    Path("card.toml").write_text("[[plans]]\nreserve_percent = 40\n", encoding="utf-8")
    Path("link").symlink_to("home/series.csv")
    Path("here").symlink_to(".")
    Path("hard").hardlink_to(home / "series.csv")
    Path("null").symlink_to(os.devnull)
    os.mkfifo("pipe")

    def solved(*_: object) -> None:
        pytest.fail("solved all the same")

    for module in (base, entering, runs):
        monkeypatch.setattr(module, "recommend", solved)
    before = everything(tmp_path)
    done = run(*words(REFUSED[name], home))
    assert (done.returncode, done.stdout) == (2, "")
    assert "internal error" not in done.stderr
    assert done.stderr.count("\n") <= 4  # the usage of an option that names a folder stands above
    assert everything(tmp_path) == before


WRITES = {
    "compare": ((*COMPARE, "--csv", "out"), COMPARE_TABLES),
    "backup": (("backup", "HOME", "--csv", "out"), BACKUP_TABLES),
    "outage": ((*OUTAGE, "--csv", "out"), OUTAGE_TABLES),
    "frontier": (("frontier", "HOME", "--csv", "out"), FRONTIER_TABLES),
    "size": (("size", "HOME", "--packs", "2", "--csv", "out"), SIZE_TABLES),
    "bill": ((*BILL, "--csv", "out"), BILL_TABLES),
}


@pytest.mark.parametrize("name", WRITES)
def test_every_table_has_a_name_that_is_looked_out_for(name: str, home: Path) -> None:
    line, names = WRITES[name]
    done = run(*words(line, home))
    assert done.returncode == 0, done.stderr
    assert Path("out", ORIGIN_FILE).is_file()
    written = list(Path("out").glob("*.csv"))
    assert written
    assert all(any(path.match(f"{mask}.csv") for mask in names) for path in written)
    # the same names stand there for whoever reads one of them in the same folder
    read = written[0]
    shutil.copy(home / "series.csv", read)
    scenario = home / "scenario.toml"
    scenario.write_text(scenario.read_text().replace("series.csv", str(read.resolve())))
    again = run(*(str(read) if word.endswith("series.csv") else word for word in words(line, home)))
    assert again.returncode == 2
    assert "--csv" in again.stderr
    assert read.read_bytes() == (home / "series.csv").read_bytes()


@pytest.mark.parametrize(
    ("line", "targets"),
    [
        ((*SETTINGS, "--save", "a", "--markdown", "b", "--html", "c", "--ics", "d"), "abcd"),
        ((*BILL, "--csv", "a", "--parquet", "b"), ("a/bill.csv", "b/bill.parquet")),
        (("backup", "HOME", "--csv", "a", "--html", "b"), ("a/backup_hours.csv", "b")),
    ],
)
def test_several_targets_are_all_written_or_none(
    line: tuple[str, ...],
    targets: tuple[str, ...],
    home: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    before = everything(tmp_path)
    real, calls = os.replace, []

    def fails_at_the_last(*names: Path) -> None:
        calls.append(names)
        if len(calls) == fails_at:
            raise OSError(28, "No space left on device", str(names[0]))
        real(*names)

    monkeypatch.setattr(os, "replace", fails_at_the_last)
    fails_at = 2
    done = run(*words(line, home))
    assert (done.returncode, done.stdout) == (2, "")
    assert ": No space left on device; name a path that can be used" in done.stderr
    assert ".tmp" not in done.stderr
    assert everything(tmp_path) == before
    fails_at = 0
    assert run(*words(line, home)).returncode == 0
    assert all(Path(target).is_file() for target in targets)
    assert not list(tmp_path.rglob("*.tmp"))


def test_a_season_with_quotes_comes_back_from_a_saved_card(home: Path) -> None:
    """It once gave a card that could not be read, and could have brought in settings of its own."""
    season = 'wi"nter"\\\' ]] = "x'
    tariff = home / "tariff.toml"
    text = tariff.read_text(encoding="utf-8")
    quoted = season.replace("\\", "\\\\").replace('"', '\\"')
    seasons = f'[[seasons]]\nname = "{quoted}"\nmonths = [1, 2, 3, 4, 10, 11, 12]\n'
    tariff.write_text(
        f'{text}\n{seasons}[[seasons]]\nname = "rest"\nmonths = [5, 6, 7, 8, 9]\n', encoding="utf-8"
    )
    done = run("settings", home, "--save", "card.toml", "--markdown", "card.md", "--ics", "card.ics")
    assert done.returncode == 0, done.stderr
    scored = run("settings", home, "--card", "card.toml", "--json")
    assert scored.returncode == 0, scored.stderr
    assert season.replace("\\", "\\\\").replace('"', '\\"') in scored.stdout


@pytest.mark.parametrize("name", ["scenario.toml", "tariff.toml", "series.csv"])
def test_a_byte_order_mark_is_no_fault(name: str, home: Path) -> None:
    path = home / name
    plain = run("check", home).stdout
    path.write_bytes(b"\xef\xbb\xbf" + path.read_bytes())
    assert (run("check", home).returncode, run("check", home).stdout) == (0, plain)


def test_cells_that_begin_like_a_formula_are_text(home: Path) -> None:
    tariff = home / "tariff.toml"
    text = tariff.read_text(encoding="utf-8")
    for mark, band in zip("=+-", ("night", "day", "evening"), strict=True):
        text = text.replace(f"\n{band} = ", f"\n'{mark}{band}' = ").replace(f'"{band}"', f"'{mark}{band}'")
    tariff.write_text(text, encoding="utf-8")
    done = run(*words((*BILL, "--csv", "out", "--parquet", "out"), home))
    assert done.returncode == 0, done.stderr
    cells = [
        cell
        for line in Path("out/bill.csv").read_text(encoding="utf-8").splitlines()
        for cell in line.split(",")
    ]
    assert {cell[:2] for cell in cells} >= {"'=", "'+", "'-"}
    for cell in cells:
        if cell[:1] in set("=+-@"):
            float(cell)  # a number stays one
    import pyarrow.parquet as pq  # noqa: PLC0415 - an extra

    labels = pq.read_table("out/bill.parquet")["label"].to_pylist()
    assert any(label.startswith("=") for label in labels)
