"""The demo households: they load, reproduce, behave like homes, and are nobody's hardware twice."""

from __future__ import annotations

import importlib.util
import itertools
import shutil
import subprocess
import sys
import tomllib
from collections import Counter
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import pytest
from homes.shipped import NAMES, Year, shipped_case

if TYPE_CHECKING:
    from types import ModuleType

    from dispatch import Case

SCENARIOS = Path(__file__).resolve().parents[1] / "scenarios"
WINTER, SUMMER = (12, 1, 2), (6, 7, 8)


@pytest.fixture(scope="module", params=NAMES)
def case(request: pytest.FixtureRequest) -> Case:
    return shipped_case(request.param)


@pytest.fixture(scope="module")
def generate() -> ModuleType:
    spec = importlib.util.spec_from_file_location("generate", SCENARIOS / "generate.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module  # dataclasses look their module up
    spec.loader.exec_module(module)
    return module


def load_kw(case: Case) -> pd.Series[float]:
    return pd.Series(case.load_kwh / case.dt_hours, index=case.times)


def raw_sun_kw(case: Case) -> pd.Series[float]:
    """Sun as the file gives it, before the solar input cuts it off."""
    table = pd.read_csv(case.path.parent / "series.csv")
    return pd.Series(table["sun_kw"].to_numpy(dtype=float), index=case.times)


def months(series: pd.Series[float], chosen: tuple[int, ...]) -> float:
    """Mean over the named calendar months."""
    return float(series[np.isin(pd.DatetimeIndex(series.index).month, chosen)].mean())


# --- files --------------------------------------------------------------------------------------------------


def test_there_are_three_households() -> None:
    assert NAMES == ("alder-row", "cinder-flat", "quay-loft")


def test_a_whole_local_year_across_both_clock_changes(case: Case) -> None:
    assert len(case.times) == 8760
    assert case.times[0].time() == pd.Timestamp("00:00").time()
    after = case.times[-1] + pd.Timedelta(hours=1)
    assert (after.month, after.day, after.hour) == (case.times[0].month, case.times[0].day, 0)
    hours_per_day = Counter(pd.Series(1, index=case.times).groupby(case.times.date).sum().tolist())
    assert hours_per_day == {24: 363, 23: 1, 25: 1}


def test_the_time_column_carries_the_offset(case: Case) -> None:
    written = pd.read_csv(case.path.parent / "series.csv")["time"]
    assert written.str.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:00:00[+-]\d\d:\d\d").all()
    assert written.str[-6:].nunique() == 2  # standard and summer time


def test_committed_series_are_what_the_script_makes() -> None:
    command = [sys.executable, str(SCENARIOS / "generate.py"), "--check"]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


def test_check_names_the_first_row_that_differs(generate: ModuleType, tmp_path: Path) -> None:
    household = next(each for each in generate.households() if each.folder == "quay-loft")
    shutil.copytree(SCENARIOS / "quay-loft", tmp_path / "quay-loft")
    path = tmp_path / "quay-loft" / "series.csv"
    assert generate.differences(household, tmp_path) is None
    lines = path.read_text(encoding="utf-8").splitlines()
    lines[100] = lines[100].replace(",", ",1", 1)
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    assert "row 101" in generate.differences(household, tmp_path)
    assert generate.write(household, tmp_path) == path
    assert path.read_bytes() == (SCENARIOS / "quay-loft" / "series.csv").read_bytes()
    path.write_text("\n".join(lines[:90]) + "\n", encoding="utf-8")
    assert "90 rows" in generate.differences(household, tmp_path)
    assert sorted(each.name for each in path.parent.iterdir()) == sorted(
        each.name for each in (SCENARIOS / "quay-loft").iterdir()
    )


# --- homes --------------------------------------------------------------------------------------------------


def test_evenings_are_busier_than_nights(case: Case) -> None:
    load = load_kw(case)
    evening = load[(case.times.hour >= 17) & (case.times.hour < 22)].mean()
    night = load[case.times.hour < 5].mean()
    assert evening > 1.8 * night


def test_weekday_mornings_peak_before_the_quiet_of_the_day(case: Case) -> None:
    weekdays = load_kw(case)[case.times.day_of_week < 5]
    by_hour = weekdays.groupby(pd.DatetimeIndex(weekdays.index).hour).mean()
    assert by_hour.loc[6:8].max() > 1.3 * by_hour.loc[10:11].max()


def test_weekend_middays_are_busier_than_weekday_middays(case: Case) -> None:
    load = load_kw(case)
    midday = (case.times.hour >= 10) & (case.times.hour < 15)
    weekend = case.times.day_of_week >= 5
    assert load[midday & weekend].mean() > 1.25 * load[midday & ~weekend].mean()


def test_load_is_neither_flat_nor_absurd(case: Case) -> None:
    load = load_kw(case)
    assert 0.1 < load.mean() / load.max() < 0.35
    assert load.min() > 0.03  # something is always on
    # No two days alike, and no smooth curve either: neighbouring hours jump.
    days = {tuple(day.tolist()) for _, day in load.groupby(case.times.date)}
    assert len(days) == 365
    assert load.diff().abs().median() > 0.05 * load.mean()


def test_away_weeks_show(case: Case) -> None:
    evening = load_kw(case)[(case.times.hour >= 17) & (case.times.hour < 22)]
    daily = evening.groupby(pd.DatetimeIndex(evening.index).date).mean()
    assert 0.02 < (daily < 0.45 * daily.median()).mean() < 0.1


@pytest.mark.parametrize(
    ("name", "winter", "summer", "low", "high"),
    [
        ("alder-row", WINTER, SUMMER, 1.8, 4.0),  # heats with electricity, never cools
        ("cinder-flat", SUMMER, WINTER, 0.75, 0.95),  # cools more than it heats; seasons of the south
        ("quay-loft", WINTER, SUMMER, 0.9, 1.25),  # district heating: only lamps tell the season
    ],
)
def test_the_seasons_follow_the_climate(
    name: str, winter: tuple[int, ...], summer: tuple[int, ...], low: float, high: float
) -> None:
    case = shipped_case(name)
    load, sun = load_kw(case), raw_sun_kw(case)
    assert low < months(load, winter) / months(load, summer) < high
    assert months(sun, summer) > 1.7 * months(sun, winter)


def test_hot_evenings_carry_the_cooling() -> None:
    case = shipped_case("cinder-flat")
    load = load_kw(case)
    evening = (case.times.hour >= 17) & (case.times.hour < 22)
    daily = load[evening].groupby(case.times.date[evening]).sum()
    by_month = daily.groupby(pd.DatetimeIndex(daily.index).month)
    assert by_month.max()[[1, 2]].min() > 2 * by_month.median()[10]


# --- sun ----------------------------------------------------------------------------------------------------


def test_the_sun_is_dark_at_night_and_never_at_noon(case: Case) -> None:
    sun = raw_sun_kw(case)
    assert (sun[(case.times.hour <= 2) | (case.times.hour >= 23)] == 0).all()
    assert (sun[case.times.hour == 12] > 0).all()


def test_sunny_and_dull_days_come_in_spells(case: Case) -> None:
    daily = raw_sun_kw(case).groupby(case.times.date).sum()
    # The season alone would correlate; take the month around each day out first.
    clear = daily - daily.rolling(31, center=True, min_periods=1).mean()
    assert clear.autocorr(1) > 0.15
    shuffled = pd.Series(np.random.default_rng(5).permutation(clear.to_numpy()))
    assert abs(shuffled.autocorr(1)) < 0.13  # what no spells would look like
    # Clear and overcast days differ several times over within one month.
    by_month = daily.groupby(pd.DatetimeIndex(daily.index).month)
    assert (by_month.quantile(0.9) / by_month.quantile(0.1)).median() > 1.7


def test_clipping_shows_now_and_then(case: Case) -> None:
    sun = raw_sun_kw(case)
    clipped_hours = int((sun > case.limits.solar_input_kw + 1e-12).sum())
    assert 20 <= clipped_hours <= 250
    lost = float((sun * case.dt_hours).sum() - case.sun_kwh.sum())
    assert case.clipped_sun_kwh == pytest.approx(lost)
    assert 0 < lost < 0.02 * float(case.sun_kwh.sum())


# --- hardware and money -------------------------------------------------------------------------------------


def numbers(table: object, at: str = "") -> list[tuple[str, float]]:
    """Every number in a TOML table with its dotted field, lists element by element."""
    if isinstance(table, dict):
        return [found for key, value in table.items() for found in numbers(value, f"{at}.{key}".lstrip("."))]
    if isinstance(table, list):
        return [found for value in table for found in numbers(value, at)]
    return [(at, float(table))] if isinstance(table, int | float) and not isinstance(table, bool) else []


def written(name: str, file: str) -> dict[str, Any]:
    return tomllib.loads((SCENARIOS / name / file).read_text(encoding="utf-8"))


@pytest.mark.parametrize(("one", "other"), list(itertools.combinations(NAMES, 2)))
def test_no_two_households_share_a_hardware_figure(one: str, other: str) -> None:
    parts = ("battery", "inverter", "charging", "grid", "reserve", "backup")
    first, second = (
        set(numbers({part: written(each, "scenario.toml")[part] for part in parts})) for each in (one, other)
    )
    assert len(first) >= 20
    assert not first & second
    assert not set(numbers(written(one, "tariff.toml"))) & set(numbers(written(other, "tariff.toml")))


def test_the_load_can_always_be_carried(case: Case) -> None:
    limits = case.limits
    assert limits.bypass_kw is not None
    peak_kw = float((case.load_kwh + case.idle_kwh).max()) / case.dt_hours
    assert peak_kw <= limits.bypass_kw + limits.inverter_kw
    critical_kw = float((case.critical_kwh + case.idle_kwh).max()) / case.dt_hours
    assert critical_kw <= limits.inverter_kw  # in an outage the inverter is alone


def test_cycling_pays_beyond_losses_and_wear(case: Case) -> None:
    limits, prices = case.limits, case.prices.import_price_per_kwh
    returned = limits.eta_charger * limits.eta_discharge * limits.eta_inverter
    worn = limits.wear_per_kwh * limits.eta_charger
    assert prices.max() * returned > 1.2 * (prices.min() + worn)


def test_the_households_differ_in_rules_and_calendars() -> None:
    files = [written(name, "scenario.toml") for name in NAMES]
    assert {each["grid"]["feed_in"] for each in files} == {"grid", "none", "house"}
    assert len({each["site"]["time_zone"] for each in files}) == 3
    assert {next(iter(each["reserve"])) for each in files} == {"percent", "hours", "kwh"}


@pytest.mark.parametrize(
    ("year", "recommended", "reserve_percent"),
    [
        ("alder-row", "off-peak-first", 40.0),  # dear winter peaks: the tariff decides
        ("cinder-flat", "solar-first", 45.0),  # much sun that nobody buys: it decides
        ("quay-loft", "off-peak-first", 95.0),  # little to gain and much to keep: the target decides
    ],
    indirect=["year"],
)
def test_the_three_homes_need_three_settings(year: Year, recommended: str, reserve_percent: float) -> None:
    advice, planned = year.comparison.advice, year.comparison.planned
    assert advice.meets_target
    assert (advice.strategy, advice.reserve_percent) == (recommended, reserve_percent)
    assert all(run.serves for run in (*advice.outcomes.values(), *planned.values()))
    # each strategy beats having no system, and what is set has little left to a plan that knew the year
    costs = [run.compared_cost for run in advice.outcomes.values()]
    assert max(costs) < advice.no_system.compared_cost
    assert year.comparison.bound_gap is not None
    assert 0.0 <= year.comparison.bound_gap < 0.15 * advice.no_system.compared_cost
