"""The same slip gets the same words, whichever file it stands in; with the line itself and the mend."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd
import pytest
from homes.home_files import Home
from homes.small_home import small_home

import dispatch
from dispatch.ahead.tonight import tonight
from dispatch.cards.card_file import read_card
from dispatch.cards.space import device_space
from dispatch.case.case import load_scenario
from tariffs import load_tariff, read_meter

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from dispatch import Case

HOME = Home()

CARD = """\
sun_first = "load"
[[plans]]
reserve_percent = 40
charge = [{ from = "00:00", to = "06:00", to_percent = 80 }]
"""


@pytest.fixture(scope="module")
def case() -> Case:
    return small_home().case()


def refusal(kind: str, path: Path, case: Case) -> str:
    """Read a file as what it is; return what the refusal says after the file's name."""
    readers: dict[str, Callable[[], object]] = {
        "scenario": lambda: load_scenario(path),
        "tariff": lambda: load_tariff(path),
        "card": lambda: read_card(path, case, device_space(case)),
        "series": lambda: load_scenario(path.parent / "scenario.toml"),
        "meter": lambda: read_meter(path, "America/Halifax"),
        "forecast": lambda: tonight(case, "2025-11-02T18:00", "62%", forecast=path),
        "prices": lambda: load_tariff(path.parent / "tariff.toml"),
    }
    with pytest.raises(dispatch.DispatchError) as refused:
        readers[kind]()
    message = str(refused.value)
    assert message.startswith(f"{path}: ")
    return message.removeprefix(f"{path}: ")


# ---- TOML ------------------------------------------------------------------------------------------------------
TOML_TEXTS = {"scenario": HOME.scenario, "tariff": str(HOME.tariff), "card": CARD}

# what is written as the first line -> what is said
TOML_SLIPS = {
    "unit behind a number": ("x = 5 kW", ("not valid TOML", "\n  line 1: x = 5 kW; write the number alone")),
    "decimal comma": ("x = 3,5", ("not valid TOML", "line 1: x = 3,5; write the number with a point")),
    "text without quotes": (
        "x = Halifax",
        ("not valid TOML", "line 1: x = Halifax; put text between quotes"),
    ),
    "open section": ("[x", ("not valid TOML", "line 1: [x")),
    "twice": ("x = 1\nx = 2", ("a setting stands there twice", "line 2: x = 2")),
    "no date": ("x = 2025-02-30", ("Invalid date", "line 1: x = 2025-02-30")),
    "thousands of digits": ("x = " + "9" * 5000, ("line 1 ('x = 999", "so many digits; correct the number")),
    "nested deep": ("x = " + "[" * 1000, ("line 1 ('x = [[[", "brackets are nested too deep")),
    "tables nested deep": ("x = " + "{a = " * 1000, ("line 1 ('x = {a = {a", "brackets are nested too deep")),
    "beyond arithmetic": ("x = 1e999999", ("line 1 ('x = 1e999999')", "so large or so fine")),
    "finer than arithmetic": ("x = 1e-999999", ("line 1 ('x = 1e-999999')", "so large or so fine")),
    "beyond any exponent": ("x = 1e" + "9" * 30, ("line 1 (", "so large or so fine")),
    "long fraction": ("x = 0." + "3" * 90, ("line 1 (", "so large or so fine")),
    "turned round": ("x = \u202etxt", ("line 1: x = \\u202etxt",)),
    "too long": ("#" * 1_000_001, ("longer than 1,000,000 characters", "is it a series?")),
    "name of many parts": ("a." * 200_000 + "a = 1", ("line 1 (", "a name of too many parts")),
    "spaced parts": ('"a" . ' * 100_000 + "a = 1", ("line 1 (", "a name of too many parts")),
    "header of many parts": ("x = 1\n[" + "a." * 100_000 + "a]", ("line 2 (", "a name of too many parts")),
    "many settings": (
        "".join(f"k{number} = 1\n" for number in range(5_001)),
        ("holds more than 5,000 settings", "belongs in a CSV"),
    ),
    "unseen in a name": ('"a\\u202eb" = 1', ("the name 'a\\\\u202eb' holds a character", "(U+202E)")),
}


@pytest.mark.parametrize("slip", TOML_SLIPS)
def test_a_slip_of_toml(slip: str, tmp_path: Path, case: Case) -> None:
    line, parts = TOML_SLIPS[slip]
    said = set()
    for kind, text in TOML_TEXTS.items():
        path = tmp_path / f"{kind}.toml"
        path.write_text(f"{line}\n{text}", encoding="utf-8")
        said.add(refusal(kind, path, case))
    assert len(said) == 1, said
    assert all(part in next(iter(said)) for part in parts), said


# by file: its number, its clock time, its choice, its list of sections: what stands there
PLACES = {
    "number": {
        "scenario": ("pack_kwh = 2.9", "battery.pack_kwh"),
        "tariff": ("import_price_per_kwh = 0.08", "bands.night.import_price_per_kwh"),
        "card": ("to_percent = 80", "plans[1].charge[1].to_percent"),
    },
    "clock": {
        "scenario": ('starts_at = "18:30"', "critical_load.appliances[2].starts_at"),
        "tariff": ('from = "22:00"', "windows[1].from"),
        "card": ('from = "00:00"', "plans[1].charge[1].from"),
    },
    "name": {"scenario": ('name = "Fennel Court 3"', "name"), "tariff": ('name = "Two Lamps"', "name")},
    "currency": {
        "scenario": ('currency = "CAD"', "site.currency"),
        "tariff": ('currency = "CAD"', "currency"),
    },
    "zone": {
        "scenario": ('time_zone = "America/Halifax"', "site.time_zone"),
        "tariff": ('currency = "CAD"', "time_zone"),
    },
}

VALUE_SLIPS = [
    ("number", '"5 kW"', "write a plain number of UNIT, without quotes or unit (got '5 kW')"),
    ("number", "true", "write a plain number of UNIT, without quotes or unit (got true)"),
    ("number", "[1]", "write a plain number of UNIT, without quotes or unit (got [1])"),
    ("number", "nan", "write a plain number of UNIT, without quotes or unit (got nan)"),
    ("number", "inf", "write a plain number of UNIT, without quotes or unit (got inf)"),
    ("clock", '"6pm"', "not a clock time; write it between quotes, such as '18:00' (got '6pm')"),
    ("clock", '"12:60"', "not a clock time; write it between quotes, such as '18:00' (got '12:60')"),
    (
        "clock",
        '"25:00"',
        "the day ends at 24:00; a window that crosses midnight runs from '22:00' to '06:00', say",
    ),
    ("name", '""', "write something between the quotes (got '')"),
    ("name", "7", "write text between quotes (got 7)"),
    (
        "name",
        '"a\\u202eb"',
        "holds a character that cannot be seen (U+202E); write the text again without it",
    ),
    (
        "name",
        '"\\u001b[31m"',
        "holds a character that cannot be seen (U+001B); write the text again without it",
    ),
    ("currency", '"CDA"', "not an ISO 4217 currency code; did you mean 'CAD'? (got 'CDA')"),
    ("zone", '"Halifax"', "no such time zone; did you mean 'America/Halifax'? (got 'Halifax')"),
]


@pytest.mark.parametrize(("place", "value", "words"), VALUE_SLIPS)
def test_a_slip_in_a_value(place: str, value: str, words: str, tmp_path: Path, case: Case) -> None:
    for kind, (old, field) in PLACES[place].items():
        key = field.rpartition(".")[2]
        kept = f"{old}\n" if not old.startswith(key) else ""
        assert TOML_TEXTS[kind].count(old) == 1
        path = tmp_path / f"{kind}.toml"
        path.write_text(TOML_TEXTS[kind].replace(old, f"{kept}{key} = {value}"), encoding="utf-8")
        said = refusal(kind, path, case)
        assert said.startswith(f"{field}: ")
        for unit in ("kWh (energy)", "money per kWh", "percent"):
            said = said.replace(f" of {unit},", " of UNIT,")
        assert words in said


@pytest.mark.parametrize("kind", TOML_TEXTS)
def test_a_number_beyond_any_household(kind: str, tmp_path: Path, case: Case) -> None:
    """A price of 1e25 made `inf` on the screen, and JSON that is none."""
    old, field = PLACES["number"][kind]
    path = tmp_path / f"{kind}.toml"
    path.write_text(
        TOML_TEXTS[kind].replace(old, f"{old.split(' = ', maxsplit=1)[0]} = 1e25"), encoding="utf-8"
    )
    said = refusal(kind, path, case)
    assert said.startswith(f"{field}: must be at most ")


@pytest.mark.parametrize("kind", TOML_TEXTS)
def test_a_key_of_another_unit_or_spelling(kind: str, tmp_path: Path, case: Case) -> None:
    old, field = PLACES["number"][kind]
    key = field.rpartition(".")[2]
    path = tmp_path / f"{kind}.toml"
    path.write_text(TOML_TEXTS[kind].replace(old, old.replace(key, key.upper())), encoding="utf-8")
    said = refusal(kind, path, case)
    assert f"not a setting; did you mean '{key}'? It is a number of " in said
    assert "problems" not in said


def test_packs_are_counted(tmp_path: Path, case: Case) -> None:
    path = HOME.with_text(("pack_count = 2", "packs = 2")).write(tmp_path)
    assert refusal("scenario", path, case) == "battery.packs: not a setting; did you mean 'pack_count'?"


@pytest.mark.parametrize("setting", ["priority = 1", "shed_below_percent = 20"])
@pytest.mark.parametrize("section", ["load", "other_load"])
def test_ranks_belong_to_critical_appliances(section: str, setting: str, tmp_path: Path, case: Case) -> None:
    appliance = f'[[{section}.appliances]]\nname = "pump"\nwatts = 90\nhours_per_day = 24\n{setting}\n'
    old = "watts = 180" if section == "other_load" else 'csv = "series.csv"\ncolumn = "load_kw"'
    home = HOME.with_text((f"[{section}]\n{old}\n", appliance))
    key = setting.split(" = ", maxsplit=1)[0]
    words = f"{section}.appliances[1].{key}: not a setting of this section; '{key}' belongs in "
    assert refusal("scenario", home.write(tmp_path), case) == f"{words}[[critical_load.appliances]]"


# ---- CSV -------------------------------------------------------------------------------------------------------
COLUMNS = {"series": "load_kw", "meter": "import_kwh", "forecast": "load_kw", "prices": "spot_per_kwh"}

TIMES = [
    at.isoformat() for at in pd.date_range("2025-11-02T18:00", periods=36, freq="h", tz="America/Halifax")
]

HOURLY = '\n[hourly_prices]\ncsv = "prices.csv"\nimport_column = "spot_per_kwh"\n'


def with_cell(text: str) -> Callable[[list[str]], list[str]]:
    """Change the number on line 6."""
    return lambda rows: [*rows[:5], f"{rows[5].split(',')[0]},{text}", *rows[6:]]


def with_time(text: str) -> Callable[[list[str]], list[str]]:
    """Change the time on line 6."""
    return lambda rows: [*rows[:5], f"{text},0.5", *rows[6:]]


TABLE_SLIPS: dict[str, tuple[Callable[[list[str]], list[str] | bytes], str]] = {
    "empty cell": (with_cell(""), "column 'COLUMN': an empty cell; supply the reading"),
    "unit in a cell": (with_cell("0.3 kW"), "not a number; write plain numbers with a point"),
    "underscore": (with_cell("1_0"), "without unit: line 6 ('1_0')"),
    "no number": (with_cell("nan"), "not a finite number; supply the reading: line 6 ('nan')"),
    "beyond arithmetic": (with_cell("1e999"), "not a finite number; supply the reading: line 6 ('1e999')"),
    "beyond any household": (
        with_cell("1e300"),
        "more than 1e+09, which nothing here can be; correct it: line 6",
    ),
    "decimal comma": (with_cell("0,5"), "line 6: 3 cells under 2 column names; write one value in each cell"),
    "short line": (lambda rows: [*rows[:5], "x", *rows[6:]], "line 6: 1 cells under 2 column names"),
    "negative": (with_cell("-1"), "a negative number; write energy as positive numbers"),
    "other date format": (
        with_time("02/11/2025"),
        "times that are not ISO 8601: line 6 ('02/11/2025'); write them as",
    ),
    "year mistyped": (with_time("0225-11-02T22:00-04:00"), "times out of range: line 6"),
    "end of all time": (with_time("9999-12-31T23:59-04:00"), "times out of range: line 6"),
    "no offset": (
        with_time("2025-11-02T22:00"),
        "line 6: time '2025-11-02T22:00' has no offset, unlike other",
    ),
    "semicolons": (
        lambda rows: [row.replace(",", ";") for row in rows],
        "line 1: columns are separated by semicolons",
    ),
    "tabs": (lambda rows: [row.replace(",", "\t") for row in rows], "line 1: columns are separated by tabs"),
    "column twice": (
        lambda rows: [f"{row},{row.split(',')[1]}" for row in rows],
        "the column name 'COLUMN' stands there twice; rename one of them",
    ),
    "no time column": (
        lambda rows: [rows[0].replace("time", "Time"), *rows[1:]],
        "no column 'time', needed by every series; did you mean 'Time'? (the file has Time, COLUMN)",
    ),
    "only names": (lambda rows: rows[:1], "no readings below the column names; supply them"),
    "nothing": (lambda _: [], "the file is empty; its first line must name the columns"),
    "quotes": (lambda rows: [*rows[:5], f'"{rows[5]}', *rows[6:]], "not readable as CSV"),
    "no text": (lambda _: b"\xff\xfet\x00", "not a UTF-8 text file; save the table as 'CSV UTF-8'"),
    "NUL": (with_cell("1\0"), "not a number; write plain numbers"),
}


@pytest.mark.parametrize("slip", TABLE_SLIPS)
def test_a_slip_of_a_table(slip: str, tmp_path: Path, case: Case) -> None:
    spoil, words = TABLE_SLIPS[slip]
    home = HOME.without("sun").with_text(
        ('start = "2025-03-08"', 'start = "2025-11-02T18:00"'),
        ('end = "2025-03-11"', 'end = "2025-11-04T06:00"'),
    )
    home.write(tmp_path)
    (tmp_path / "tariff.toml").write_text(f"{HOME.tariff}{HOURLY}", encoding="utf-8")
    said = set()
    for kind, column in COLUMNS.items():
        if kind == "prices" and slip == "negative":
            continue
        if kind != "prices":
            (tmp_path / "tariff.toml").write_text(str(HOME.tariff), encoding="utf-8")
        spoilt = spoil([f"time,{column}", *(f"{time},0.5" for time in TIMES)])
        path = tmp_path / f"{kind}.csv"
        path.write_bytes(
            spoilt if isinstance(spoilt, bytes) else "".join(f"{row}\n" for row in spoilt).encode()
        )
        if kind == "prices":
            (tmp_path / "tariff.toml").write_text(f"{HOME.tariff}{HOURLY}", encoding="utf-8")
        said.add(refusal(kind, path, case).replace(column, "COLUMN"))
    assert len(said) == 1, said
    assert words in next(iter(said)), said


@pytest.mark.parametrize("kind", ["series", "meter", "prices"])
def test_a_series_with_a_gap(kind: str, tmp_path: Path, case: Case) -> None:
    home = HOME.without("sun").without("period")
    home.write(tmp_path)
    hourly = HOURLY if kind == "prices" else ""
    (tmp_path / "tariff.toml").write_text(f"{HOME.tariff}{hourly}", encoding="utf-8")
    rows = [f"time,{COLUMNS[kind]}", *(f"{time},0.5" for time in TIMES)]
    path = tmp_path / f"{kind}.csv"
    path.write_text("\n".join(rows[:6] + rows[8:]), encoding="utf-8")
    said = refusal(kind, path, case)
    assert said.startswith("2 of 36 steps of its own first to last time are missing, after line 6: 2025-11-0")


# ---- what a command is given -----------------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("moment", "words"),
    [
        ("tomorrow", "--at: 'tomorrow' is no date and time; write such as '2025-01-31T14:00'"),
        (
            "9999-12-31T23:59",
            "--at: the year of '9999-12-31T23:59' looks wrong; write a year from 1970 to 2100",
        ),
        ("0001-01-01T00:00+14:00", "--at: the year of '0001-01-01T00:00+14:00' looks wrong"),
        (
            "2025-11-02T01:30",
            "--at: '2025-11-02T01:30' comes twice on the clock of America/Halifax; write the offset",
        ),
        ("2026-03-08T02:30", "never comes on the clock of America/Halifax, which skips it; write the time"),
    ],
)
def test_moments_no_clock_shows(moment: str, words: str, case: Case) -> None:
    from dispatch.outages.outage import span_of  # noqa: PLC0415

    with pytest.raises(dispatch.ScenarioError) as at_night:
        tonight(case, moment, "62%")
    with pytest.raises(dispatch.ScenarioError) as in_an_outage:
        span_of(case, moment, 5)
    assert words in str(at_night.value)
    assert words in str(in_an_outage.value)


@pytest.mark.parametrize("hours", [1e-308, 0.0, -1.0, float("nan"), float("inf")])
def test_an_outage_of_no_time(hours: float, case: Case) -> None:
    """An outage of 1e-308 h had no row in its table, and ended in a KeyError."""
    from dispatch.outages.outage import span_of  # noqa: PLC0415

    with pytest.raises(dispatch.ScenarioError, match="name at least a minute"):
        span_of(case, "2025-11-01T12:00", hours)


@pytest.mark.parametrize(
    ("levels", "to", "words"),
    [
        (10**9, None, "too many; ask for 201 or fewer"),
        (10**30, None, "too many"),
        (21, 1e-300, "no upper end"),
    ],
)
def test_levels_nobody_can_mean(levels: int, to: float | None, words: str, case: Case) -> None:
    from dispatch.safety.frontier import ladder  # noqa: PLC0415

    with pytest.raises(dispatch.ScenarioError, match=words):
        ladder(case, "hours", levels, to)
