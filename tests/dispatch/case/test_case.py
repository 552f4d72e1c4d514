"""The resolved case: what the files become, and the notes that tell what was done to them."""

from __future__ import annotations

import dataclasses
import pickle
from typing import TYPE_CHECKING

import numpy as np
import pytest
from homes.drafts import plain_draft
from homes.generators import drafts
from homes.home_files import TARIFF, Home, clock_rows
from hypothesis import given, settings

import tariffs
from dispatch.case.case import Case, load_scenario
from dispatch.scenario.load import read_scenario

if TYPE_CHECKING:
    from pathlib import Path

    from homes.drafts import Draft
    from numpy.typing import NDArray

HOME = Home()


@pytest.fixture
def case(tmp_path: Path) -> Case:
    return load_scenario(HOME.write(tmp_path))


def test_the_sample_home(case: Case, tmp_path: Path) -> None:
    assert (case.name, case.currency, case.path) == ("Fennel Court 3", "CAD", tmp_path / "scenario.toml")
    assert case.scenario == read_scenario(case.path)
    assert case.tariff.name == "Two Lamps"
    assert len(case.times) == 71
    for name in (
        "load_kwh",
        "other_kwh",
        "critical_kwh",
        "sun_kwh",
        "idle_kwh",
        "floor_kwh",
        "floor_capped_steps",
    ):
        assert getattr(case, name).shape == (71,)
    assert case.idle_kwh.tolist() == pytest.approx([0.041] * 71)
    assert case.prices.import_price_per_kwh.shape == (71,)
    at_noon = case.times.hour == 12
    assert set(case.prices.import_price_per_kwh[at_noon]) == {0.24}


def test_a_text_path_will_do(tmp_path: Path) -> None:
    assert len(load_scenario(str(HOME.write(tmp_path))).times) == 71


def test_arrays_are_locked_and_the_callers_are_not(case: Case) -> None:
    with pytest.raises(ValueError, match="read-only"):
        case.load_kwh[0] = 9.0
    mine = np.zeros(71)
    changed = dataclasses.replace(case, sun_kwh=mine)
    mine[0] = 1.0
    with pytest.raises(ValueError, match="read-only"):
        changed.sun_kwh[0] = 2.0


def test_a_case_travels_between_processes(case: Case) -> None:
    again = pickle.loads(pickle.dumps(case))  # noqa: S301 - our own bytes
    assert again.scenario == case.scenario
    assert again.limits == case.limits
    assert again.times.equals(case.times)
    assert again.floor_kwh.tolist() == case.floor_kwh.tolist()


def brute_floor(case: Case, hours: float, share: float) -> NDArray[np.float64]:
    """Walk through the following steps one by one, going round at the end."""
    limits, count = case.limits, len(case.times)
    sun_kwh = case.sun_kwh * limits.eta_inverter * share
    net_kwh = [
        max(0.0, float(c + i - s)) for c, i, s in zip(case.critical_kwh, case.idle_kwh, sun_kwh, strict=True)
    ]
    floor = np.empty(count)
    for at in range(count):
        left, needed, step = hours / case.dt_hours, 0.0, at
        while left > 1e-12:
            step = (step + 1) % count
            needed += min(left, 1.0) * net_kwh[step]
            left -= min(left, 1.0)
        wanted_kwh = limits.empty_kwh + needed / (limits.eta_inverter * limits.eta_discharge)
        floor[at] = min(wanted_kwh, limits.ceiling_kwh)
    return floor


@pytest.mark.parametrize(
    ("hours", "share"), [(5.5, 0.25), (1.0, 0.0), (0.25, 0.0), (23.0, 1.0), (71.0, 0.0), (40.3, 0.5)]
)
def test_an_hours_reserve_is_the_critical_load_to_come(hours: float, share: float, tmp_path: Path) -> None:
    text = (("hours = 5.5\nsun_share_fraction = 0.25", f"hours = {hours}\nsun_share_fraction = {share}"),)
    case = load_scenario(HOME.with_text(*text).write(tmp_path))
    expected = brute_floor(case, hours, share)
    np.testing.assert_allclose(case.floor_kwh, expected, atol=1e-9)
    assert case.floor_kwh.max() > case.limits.empty_kwh
    assert case.floor_capped_steps.tolist() == (expected > case.limits.ceiling_kwh - 1e-9).tolist()
    assert case.floor_capped_steps.any() == any(
        "the floor is the ceiling there" in note for note in case.notes
    )
    assert any("goes on with their beginning" in note for note in case.notes)


def test_the_cap_is_reached_in_these_tests(tmp_path: Path) -> None:
    case = load_scenario(
        HOME.with_text(("hours = 5.5", "hours = 71"), ("sun_share_fraction = 0.25", "")).write(tmp_path)
    )
    assert case.floor_capped_steps.any()


@pytest.mark.parametrize(
    ("reserve", "floor_kwh"),
    [
        ("percent = 40", 2.32),
        ("kwh = 2.5", 2.5),
        ("percent = 3", 0.29),
        ("kwh = 0.0", 0.29),
        ("percent = 90", 5.22),
    ],
)
def test_a_constant_reserve_is_at_least_empty(reserve: str, floor_kwh: float, tmp_path: Path) -> None:
    home = HOME.with_text(("hours = 5.5\nsun_share_fraction = 0.25", reserve))
    case = load_scenario(home.write(tmp_path))
    assert case.floor_kwh.tolist() == pytest.approx([floor_kwh] * 71)
    assert not case.floor_capped_steps.any()


def test_without_reserve_the_floor_is_empty(tmp_path: Path) -> None:
    case = load_scenario(HOME.without("reserve").write(tmp_path))
    assert case.floor_kwh.tolist() == pytest.approx([0.29] * 71)


def test_sun_above_the_input_is_clipped_and_told(tmp_path: Path) -> None:
    case = load_scenario(HOME.with_text(("solar_w = 1900", "solar_w = 600")).write(tmp_path))
    raw_kwh = np.array([float(row.split(",")[2]) / 1000 for row in clock_rows()[1:]])
    assert case.sun_kwh.tolist() == pytest.approx(np.minimum(raw_kwh, 0.6).tolist())
    assert case.clipped_sun_kwh == pytest.approx((raw_kwh - np.minimum(raw_kwh, 0.6)).sum())
    assert any(note.startswith("sun: ") and "600 W" in note and "in 15 h" in note for note in case.notes)


def test_nothing_clipped_nothing_told(case: Case) -> None:
    assert case.clipped_sun_kwh == 0.0
    assert not any(note.startswith("sun: ") for note in case.notes)


def test_a_start_below_the_reserve_is_told_not_refused(tmp_path: Path) -> None:
    home = HOME.with_text(("hours = 5.5\nsun_share_fraction = 0.25", "percent = 80"))
    notes = load_scenario(home.write(tmp_path)).notes
    assert "battery.start: 3.19 kWh is below the reserve of 4.64 kWh at that moment" in notes
    assert any(note.startswith("battery.closing: 3 kWh") for note in notes)


def test_an_open_start_is_raised_to_the_reserve(tmp_path: Path) -> None:
    text = HOME.with_text(
        ("start = { percent = 55 }\n", ""), ("hours = 5.5\nsun_share_fraction = 0.25", "percent = 80")
    )
    case = load_scenario(text.write(tmp_path))
    assert case.limits.start_kwh == pytest.approx(0.8 * 5.8)
    assert case.limits.closing_kwh == 3.0  # written, so kept


def test_a_tariff_on_another_clock_is_told(tmp_path: Path) -> None:
    home = Home(HOME.scenario, 'time_zone = "America/Toronto"\n' + TARIFF, HOME.files)
    notes = load_scenario(home.write(tmp_path)).notes
    assert "tariff: its windows follow the clock of America/Toronto, not of America/Halifax" in notes


def test_a_critical_load_above_the_inverter_is_allowed(tmp_path: Path) -> None:
    case = load_scenario(HOME.with_text(("watts = 110", "watts = 20000")).write(tmp_path))
    assert (case.critical_kwh / case.dt_hours).min() > case.limits.inverter_kw


def test_a_load_that_just_fits_is_allowed(tmp_path: Path) -> None:
    # bypass (behind the cord) and inverter carry 7.2 kW, of which 41 W are the system's own
    rows = clock_rows()
    rows[5] = rows[5].split(",")[0] + ",7.159,0"
    assert load_scenario(HOME.with_rows(rows).write(tmp_path)).load_kwh.max() == 7.159


def test_tariff_errors_pass_through(tmp_path: Path) -> None:
    home = Home(HOME.scenario, TARIFF.replace('to = "22:00"', 'to = "21:00"'), HOME.files)
    with pytest.raises(tariffs.TariffError, match=r"tariff\.toml"):
        load_scenario(home.write(tmp_path))


@settings(deadline=None, max_examples=25)
@given(drafts())
def test_files_and_models_give_the_same_case(draft: Draft) -> None:
    built, read = draft.case(), draft.read_back()
    assert read.times.equals(built.times)
    assert read.limits == built.limits
    for name in ("load_kwh", "other_kwh", "critical_kwh", "sun_kwh", "idle_kwh", "floor_kwh"):
        np.testing.assert_allclose(getattr(read, name), getattr(built, name), rtol=1e-12, atol=1e-12)
    assert (read.floor_kwh >= read.limits.empty_kwh).all()
    assert (read.floor_kwh <= read.limits.ceiling_kwh).all()
    assert (read.sun_kwh <= read.limits.solar_input_kw * read.dt_hours).all()


@pytest.mark.parametrize(("above_kwh", "told"), [(0.0, False), (5e-10, False), (2e-9, True), (1e-7, True)])
def test_a_level_below_the_reserve_by_more_than_rounding_is_told(above_kwh: float, *, told: bool) -> None:
    level = {"kwh": 0.3}
    draft = plain_draft(
        [0.2] * 3, battery={"start": level, "closing": level}, reserve={"kwh": 0.3 + above_kwh}
    )
    named = [name for name in ("start", "closing") if f"battery.{name}" in " ".join(draft.case().notes)]
    assert named == (["start", "closing"] if told else [])
