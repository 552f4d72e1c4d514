"""Registers beside the main meter: a controlled load, an export meter, one appliance's own meter."""

from __future__ import annotations

import math
from dataclasses import replace
from decimal import Decimal
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import pytest
from homes.tariff_series import amounts, month, steps
from homes.tariff_shapes import cases, toml_text
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from oracles.sheet_registers import register_money

from tariffs import MeterError, TariffError, bill, evaluate, parse_tariff, price_steps
from tariffs.meter import OtherReadings
from tariffs.meter_bill import meter_bill

if TYPE_CHECKING:
    from pathlib import Path

    from homes.tariff_shapes import Case

SYDNEY = "Australia/Sydney"

# Hand-worked, after the usual shape of an Australian bill (common practice, no source): supply and usage of the main
# meter, a controlled load at its own price and hours with a small supply charge of its own, tax on all but solar.
CONTROLLED = """
name = "two elements"
currency = "AUD"
time_zone = "Australia/Sydney"
[bands.anytime]
import_price_per_kwh = 0.30
[[charges]]
name = "supply"
per_day = 1.10
[[riders]]
name = "levy"
price_per_kwh = 0.01
[[registers]]
name = "controlled load"
column = "hot_water_kwh"
price_per_kwh = 0.18
hours = ["22:00-07:00", "13:00-15:00"]
charges = [{ name = "supply", per_day = 0.05 }]
shared_riders = ["levy"]
[[registers]]
name = "gross solar"
of = "export"
price_per_kwh = 0.60
[[adjustments]]
name = "GST"
percent = 10
not_to = ["gross solar"]
"""


def readings(times: pd.DatetimeIndex, **by_name: np.ndarray | float) -> OtherReadings:
    return OtherReadings(
        registers={name.replace("_", " "): np.broadcast_to(kwh, len(times)) for name, kwh in by_name.items()}
    )


def test_a_controlled_load_and_an_export_meter() -> None:
    times = month("2025-01", SYDNEY)  # 31 days
    water = np.where(times.hour == 23, 4.0, 0.0)  # 124 kWh
    sun = np.where(times.hour == 12, 2.0, 0.0)  # 62 kWh
    others = readings(times, controlled_load=water, gross_solar=sun)
    found = bill(parse_tariff(CONTROLLED), times, 1.0, np.full(len(times), 0.5), others=others)
    assert amounts(found) == {
        "anytime": 111.6,
        "levy": 3.72,
        "supply": 34.1,
        "controlled load": 22.32,
        "controlled load: levy": 1.24,
        "controlled load: supply": 1.55,
        "gross solar export": -37.2,
        "GST +10%": 17.453,
    }
    assert found.total == Decimal("154.78")  # 191.983 and 154.783


@pytest.mark.parametrize(
    ("others", "words"),
    [
        ({"gross solar": 0.0}, r"register 'controlled load': there is no series.*'hot_water_kwh'"),
        (
            {"gross solar": 0.0, "controlled load": 0.1},
            r"'controlled load': counts energy in 403 steps.*other_hours",
        ),
        ({"gross solar": -1.0, "controlled load": 0.0}, r"'gross solar': must be a number >= 0.*got -1\.0"),
        ({"gros solar": 0.0}, "did you mean 'gross solar'"),
        ({"pool": 0.0}, "add \\[\\[registers\\]\\]"),
    ],
)
def test_series_that_registers_do_not_have(others: dict[str, float], words: str) -> None:
    times = month("2025-01", SYDNEY)
    series = OtherReadings(registers={name: np.full(len(times), kwh) for name, kwh in others.items()})
    with pytest.raises(TariffError, match=words):
        bill(parse_tariff(CONTROLLED), times, 1.0, np.ones(len(times)), others=series)
    with pytest.raises(TariffError, match=words):
        price_steps(parse_tariff(CONTROLLED), times, 1.0, series)


@pytest.mark.parametrize(
    ("register", "words"),
    [
        ('name = "x"', "needs price_per_kwh"),
        ('name = "x"\nprice_per_kwh = 1\nother_hours = "y"', "belong to bands"),
        ('name = "x"\nprice_per_kwh = 1\nshared_riders = "levi"', r"registers\[1\]\.shared_riders.*'levy'"),
        ('name = "x"\nprice_per_kwh = 1\nseasons = "winter"', r"registers\[1\]\.seasons"),
        (
            (
                'name = "x"\nbands = { a = { import_price_per_kwh = 1 }, b = { import_price_per_kwh = 2 } }\n'
                'windows = [{ band = "a", hours = "07:00-09:00" }]'
            ),
            r"registers\[1\]\.windows: no band holds from 00:00 to 07:00",
        ),
        (
            'name = "x"\nbands = { a = { import_price_per_kwh = 1 } }\nother_hours = "c"',
            r"registers\[1\]\.other_hours.*'c'",
        ),
        ('name = "levy"\nprice_per_kwh = 1', "the name 'levy' is used 2 times"),
        (
            'name = "x"\nof = "export"\nbands = { a = { export_price_per_kwh = { hot = 1 } } }',
            r"registers\[1\].*'hot'",
        ),
    ],
)
def test_registers_that_cannot_be(register: str, words: str) -> None:
    text = CONTROLLED.partition("[[registers]]")[0]
    with pytest.raises(TariffError, match=words):
        parse_tariff(f"{text}[[registers]]\n{register}\n")


def test_names_of_register_lines_can_be_taxed() -> None:
    text = CONTROLLED.replace(
        'not_to = ["gross solar"]', 'applies_to = ["controlled load: supply", "gross solar"]'
    )
    times = month("2025-01", SYDNEY)
    others = readings(times, controlled_load=0.0, gross_solar=1.0)
    found = bill(parse_tariff(text), times, 1.0, np.zeros(len(times)), others=others)
    assert amounts(found)["GST +10%"] == pytest.approx(0.1 * (31 * 0.05 - 31 * 24 * 0.6))
    with pytest.raises(TariffError, match="controlled load: supply"):
        parse_tariff(text.replace("controlled load: supply", "controlled load: suply"))


def test_a_register_that_comes_with_a_version() -> None:
    text = CONTROLLED.partition("[[registers]]")[0]
    text += (
        '[[versions]]\nvalid_from = 2025-01-11\nregisters = [{ name = "car", price_per_kwh = 0.1, charges = '
    )
    text += "[{ per_month = 31 }] }]"
    times = month("2025-01", SYDNEY)
    later = np.where(times.day >= 11, 1.0, 0.0)
    found = bill(parse_tariff(text), times, 1.0, np.zeros(len(times)), others=readings(times, car=later))
    mine = [(line.label, round(float(line.amount), 9)) for line in found.periods[0].lines if line.register]
    assert mine == [("car", 50.4), ("car: standing charge (21 of 31 days)", 21)]
    with pytest.raises(TariffError, match="counts energy in 240 steps"):
        bill(parse_tariff(text), times, 1.0, np.zeros(len(times)), others=readings(times, car=1.0))


# --- a meter file


def write_meter(folder: Path, tariff: str, main: float, car: float) -> tuple[Path, Path]:
    rows = pd.date_range("2025-01-01", "2025-02-01", freq="30min", inclusive="left")
    lines = [f"{at.isoformat()},{main},{car * 1000}" for at in rows]
    meter, file = folder / "meter.csv", folder / "tariff.toml"
    meter.write_text("\n".join(["time,import_kwh,wall_box_wh", *lines]), encoding="utf-8")
    file.write_text(tariff, encoding="utf-8")
    return file, meter


INSIDE = CONTROLLED.partition("[[registers]]")[0] + (
    '[[registers]]\nname = "car"\ncolumn = "wall_box_wh"\ninside_main = true\nprice_per_kwh = 0.08\n'
)


def test_an_appliance_behind_the_main_meter_is_taken_off_there(tmp_path: Path) -> None:
    found = meter_bill(*write_meter(tmp_path, INSIDE, 0.5, 0.2)).bill
    assert amounts(found, "energy") == {
        "anytime": round(31 * 48 * 0.3 * 0.3, 4),
        "car": round(31 * 48 * 0.2 * 0.08, 4),
    }


def test_a_register_inside_the_main_meter_counts_no_more_than_it(tmp_path: Path) -> None:
    with pytest.raises(
        MeterError, match=r"'wall_box_wh'.*1,488 steps \(got 0\.6 kWh of 0\.5.*2025-01-01T00:00"
    ):
        meter_bill(*write_meter(tmp_path, INSIDE, 0.5, 0.6))


def test_a_register_without_a_column_is_refused(tmp_path: Path) -> None:
    files = write_meter(tmp_path, INSIDE.replace("wall_box_wh", "wallbox_wh"), 0.5, 0.2)
    with pytest.raises(
        MeterError,
        match=r"no column 'wallbox_wh', needed by .* register 'car' \(its key column\).*wall_box_wh",
    ):
        meter_bill(*files)


# --- against plain Python, and the terms against the bill

REGISTERS: list[dict[str, Any]] = [
    {"name": "one price", "price_per_kwh": 0.11, "shared_riders": ["levy"]},
    {
        "name": "heat pump",
        "other_hours": "low",
        "bands": {"high": {"import_price_per_kwh": 0.31}, "low": {"import_price_per_kwh": 0.19}},
        "windows": [{"band": "high", "hours": "17:00-20:00"}],
        "charges": [{"name": "meter", "per_month": 3.2}],
    },
    {
        "name": "sold",
        "of": "export",
        "other_hours": "day",
        "bands": {"day": {"export_price_per_kwh": 0.08}, "eve": {"export_price_per_kwh": 0.21}},
        "windows": [{"band": "eve", "hours": "18:00-01:00"}],
        "charges": [{"name": "export meter", "per_day": 0.04}],
    },
]


@given(
    st.lists(st.sampled_from(REGISTERS), min_size=1, max_size=3, unique_by=lambda one: one["name"]),
    st.integers(0, 99),
)
@settings(max_examples=15, deadline=None, derandomize=True, phases=[Phase.generate])
def test_registers_are_those_of_plain_python(registers: list[dict[str, Any]], seed: int) -> None:
    random = np.random.default_rng(seed)
    times = month("2025-03", "Europe/Berlin", 30)
    own = {one["name"]: random.gamma(0.6, 0.5, len(times)) for one in registers}
    document = {
        "name": "random",
        "currency": "EUR",
        "bands": {"main": {"import_price_per_kwh": 0}},
        "riders": [{"name": "levy", "price_per_kwh": 0.02}],
        "registers": registers,
        "adjustments": [{"name": "tax", "percent": 7}],
    }
    tariff, nothing = parse_tariff(toml_text(document)), np.zeros(len(times))
    found = bill(tariff, times, 0.5, nothing, others=OtherReadings(registers=own))
    expected = sum(register_money(one, times, own[one["name"]], {"levy": 0.02}) for one in registers)
    assert float(found.total_unrounded) == pytest.approx(1.07 * expected, rel=1e-10)


MORE = """
[[registers]]
name = "second"
other_hours = "low"
bands = { high = { import_price_per_kwh = 0.2 }, low = { import_price_per_kwh = 0.1 } }
windows = [{ band = "high", hours = "08:00-12:00" }]
blocks = [{ steps = [{ up_to_kwh = 50, price_per_kwh = 0.01 }, { price_per_kwh = 0.07 }], bands = "high" }]
demand = [{ price_per_kw = 2, flat_within_step = true }]
charges = [{ per_month = 3 }]
[[registers]]
name = "third"
of = "export"
price_per_kwh = 0.09
"""


@given(cases(), st.integers(0, 99))
@settings(
    max_examples=40,
    deadline=None,
    derandomize=True,
    suppress_health_check=list(HealthCheck),
    phases=[Phase.generate],
)
def test_terms_are_the_bill_with_registers_beside(case: Case, seed: int) -> None:
    random = np.random.default_rng(seed)
    text = case.text.replace('"applies_to" = ["energy"', '"applies_to" = ["second", "energy"')

    tariff = replace(case, text=text + MORE).tariff()
    own = {name: random.gamma(0.6, 0.7, len(case.times)) for name in ("second", "third")}
    others = OtherReadings(registers=own)
    priced = price_steps(tariff, case.times, case.dt_hours, others)
    found = bill(tariff, case.times, case.dt_hours, case.import_kwh, case.export_kwh, others=others)
    size = float(sum(abs(line.amount) for period in found.periods for line in period.lines))
    value = evaluate(priced, case.import_kwh, case.export_kwh)
    assert math.isclose(value, float(found.total_unrounded), rel_tol=1e-9, abs_tol=1e-9 * size + 1e-12)


def test_what_registers_come_to_may_be_left_out_of_the_terms_but_never_of_a_bill() -> None:
    times = steps("2025-01-01", "2025-01-03", SYDNEY)
    priced = price_steps(parse_tariff(CONTROLLED), times, 1.0, OtherReadings(leave_out_registers=True))
    assert priced.fixed_total == pytest.approx(2 * 1.1 * 1.1)
