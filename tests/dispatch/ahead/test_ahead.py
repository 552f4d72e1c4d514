"""Tonight: any moment, any level, what is known by then; and what cannot be used is refused."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import pytest
from homes.small_home import small_home

from dispatch.ahead.desk import SoFar
from dispatch.ahead.given import read_moment
from dispatch.ahead.now import case_around
from dispatch.ahead.tonight import Tonight, tonight
from dispatch.errors import DispatchError, ScenarioError, SeriesError
from dispatch.words.tonight import charge_text
from tariffs.errors import TariffError

if TYPE_CHECKING:
    from pathlib import Path

    from dispatch.case.case import Case


AT = "2025-11-02T18:00"


@lru_cache(maxsize=1)
def home() -> Case:
    return small_home(days=35, first="2025-10-01").case()


@lru_cache(maxsize=1)
def planned() -> Tonight:
    return tonight(home(), AT, "62%")


def test_tonight_names_levels_and_what_half_the_sun_costs() -> None:
    plan, case = planned(), home()
    assert plan.at == pd.Timestamp(AT, tz="America/Halifax")
    assert plan.level_kwh == pytest.approx(0.62 * case.limits.full_kwh)
    assert str(plan.half_date) == "2025-11-03"
    charge = next(entry for entry in plan.run.entries if entry.kind == "charge")
    assert charge.to_percent % 5 == 0
    assert charge_text(plan.run.entries).startswith("charge to")
    assert plan.half.cost > plan.run.cost


def test_the_hours_shown_are_what_is_entered_run_by_the_rules() -> None:
    """Every charge stays within its window and its level; nothing is drawn below what is entered."""
    plan, limits = planned(), home().limits
    stored, into = plan.run.flows["stored"], plan.run.flows["grid_to_battery"]
    charges = [entry for entry in plan.run.entries if entry.kind == "charge"]
    inside = np.zeros(len(plan.times), dtype=bool)
    for entry in charges:
        here = np.asarray((plan.times >= entry.begins) & (plan.times < entry.ends))
        inside |= here
        assert stored[here].max() <= entry.to_kwh + 1e-6
    assert into[~inside].max() < 0.02 * limits.grid_charge_kw
    assert (stored >= plan.floor_kwh - 1e-6).all()


def test_a_charge_never_reaches_across_a_discharge() -> None:
    plan = planned()
    charges = [entry for entry in plan.run.entries if entry.kind == "charge"]
    gives = [entry for entry in plan.run.entries if entry.kind == "discharge"]
    assert charges
    assert gives
    for charge in charges:
        for give in gives:
            assert charge.ends <= give.begins or give.ends <= charge.begins


def test_hours_left_are_those_of_the_level_and_the_constant_critical_load() -> None:
    """hours = (stored - empty)·η_discharge·η_inverter/(load + idle), the closed form for a constant load."""
    plan, limits = planned(), home().limits
    draw_kw = 0.240 + limits.idle_on_kw
    for left in plan.left:
        above = max(left.level_kwh - limits.empty_kwh, 0.0)
        assert left.hours == pytest.approx(
            above * limits.eta_discharge * limits.eta_inverter / draw_kw, abs=1e-6
        )
    assert plan.left[0].when == plan.at
    assert [left.when.hour for left in plan.left[1:2]] == [20]


def test_a_stored_kwh_is_worth_what_the_evening_costs_less_what_is_lost_on_the_way() -> None:
    """After the night's charge one more kWh replaces evening energy; it was bought at the night's price."""
    limits = home().limits
    most = 0.38 * limits.eta_inverter * limits.eta_discharge
    night = small_home(days=35, first="2025-10-01", sun=False).case()
    plan = tonight(night, AT, "62%")
    assert 0.09 / limits.eta_charger < plan.value_per_kwh <= most + 1e-6


def test_below_the_reserve_it_says_to_charge_now_and_until_when() -> None:
    plan = tonight(home(), AT, "12%")
    assert plan.below_reserve
    assert plan.full_enough_at is not None
    assert plan.run.entries[0].kind == "charge"
    assert plan.run.entries[0].begins == plan.at
    at = int(plan.times.searchsorted(plan.full_enough_at))
    assert plan.run.flows["stored"][at - 1] >= plan.floor_kwh[at - 1] - 1e-6
    assert (plan.run.flows["stored"][: at - 1] < plan.floor_kwh[: at - 1] - 1e-6).all()


def test_coming_back_to_the_reserve_in_the_dear_hours_is_no_charge_to_the_nights_level() -> None:
    """At 18:00 energy is dear: it fills to the reserve, waits for the night's price, and goes on then."""
    plan = tonight(home(), AT, "12%")
    dear = np.flatnonzero((plan.times.hour < 22) & (plan.times.day == 2))
    step = 0.05 * home().limits.full_kwh
    assert plan.run.flows["stored"][dear].max() <= plan.floor_kwh[0] + step + 1e-6
    first, second = [entry for entry in plan.run.entries if entry.kind == "charge"][:2]
    assert first.to_percent < second.to_percent
    assert second.begins.hour >= 22 or second.begins.hour < 7


@pytest.mark.parametrize("level", ["0%", "7.2 %", "100%", "2.5 kWh"])
def test_every_level_from_nothing_to_full_is_accepted(level: str) -> None:
    plan = tonight(home(), AT, level)
    assert plan.run.flows["stored"].max() <= home().limits.full_kwh + 1e-6


def test_a_reserve_for_now_replaces_the_scenarios() -> None:
    plan = tonight(home(), AT, "62%", reserve_percent=55.0)
    assert plan.floor_kwh == pytest.approx(0.55 * home().limits.full_kwh)
    assert plan.run.flows["stored"][-1] >= 0.55 * home().limits.full_kwh - 1e-6


@pytest.mark.parametrize("critical", [{"watts": 240}, None, {"csv": "series.csv", "column": "other_kw"}])
def test_an_evening_played_again_knows_only_what_was_known_then(critical: dict[str, Any] | None) -> None:
    draft = small_home(days=35, first="2025-10-01", reserve={"percent": None, "hours": 3.0})
    settings = {name: value for name, value in draft.settings.items() if name != "critical_load"}
    known = replace(draft, settings={**settings, **({"critical_load": critical} if critical else {})}).case()
    later = known.times >= pd.Timestamp(AT, tz="America/Halifax")
    changed: dict[str, Any] = {
        name: np.where(later, 0.77, getattr(known, name))
        for name in ("load_kwh", "other_kwh", "sun_kwh", "critical_kwh")
    }
    other = replace(known, **changed)
    one, two = (tonight(each, AT, "62%") for each in (known, other))
    assert one.run.entries == two.run.entries
    assert one.run.flows["stored"] == pytest.approx(two.run.flows["stored"])
    assert [left.hours for left in one.left] == pytest.approx([left.hours for left in two.left])


# ---- now: after the data, and the last weeks' readings -------------------------------------------------------


def test_after_the_data_days_of_the_same_weekday_and_season_stand_in() -> None:
    case = small_home(days=400, first="2024-09-01", sun=False).case()
    load = np.arange(len(case.times), dtype=float)
    case = replace(case, load_kwh=load)
    moment = read_moment(case, "--at", "2026-01-20T18:00")
    now = case_around(case, moment, 36.0)
    assert now.at == moment
    past = now.case.times[now.first - 24 * 7]
    back = past - pd.Timedelta(days=364)
    found = case.times[int(now.case.load_kwh[now.first - 24 * 7])]
    assert (found.date(), found.hour) == (back.date(), past.hour)
    assert any("--recent" in note for note in now.notes)


def test_prices_after_the_data_are_the_tariffs_own() -> None:
    plan = tonight(home(), "2026-02-03T18:30", "62%")
    assert plan.at.hour == 18
    expected = [0.09 if t.hour >= 22 or t.hour < 7 else 0.38 if t.hour >= 17 else 0.17 for t in plan.times]
    assert plan.import_price_per_kwh == pytest.approx(np.array(expected))


def test_a_tariff_that_has_run_out_says_so() -> None:
    with pytest.raises(Exception, match="2026-12-31"):
        tonight(home(), "2027-02-03T18:00", "62%")


def test_months_before_the_plan_are_those_the_tariff_file_tells() -> None:
    peaks: dict[str, Any] = {"months": 12, "past_kw": {f"2024-{month:02d}": 2.0 for month in (11, 12)}}
    peaks["past_kw"] |= {f"2025-{month:02d}": 2.0 for month in range(1, 10)}
    needed = [{"name": "capacity", "price_per_kw": 4.0, "interval_minutes": 60, "rolling_mean": peaks}]
    case = tariff_with(demand=needed)  # the data begin in October: all it needs is told
    message = r"got none for .*2025-10\).*the plan prices 2026-04-14 to .* alone; months before it"
    with pytest.raises(TariffError, match=message):
        tonight(case, "2026-04-14T18:00", "62%")
    told = [needed[0] | {"rolling_mean": {"months": 12, "past_each_kw": 2.0}}]
    assert tonight(tariff_with(demand=told), "2026-04-14T18:00", "62%").run.entries


def write(path: Path, begin: str, hours: int, step: str = "h", **columns: float) -> Path:
    times = pd.date_range(begin, periods=hours, freq=step, tz="America/Halifax")
    pd.DataFrame({"time": [t.isoformat() for t in times], **columns}).to_csv(path, index=False)
    return path


def test_recent_readings_are_what_the_plan_rests_on(tmp_path: Path) -> None:
    path = write(tmp_path / "recent.csv", "2026-01-01", 24 * 33 + 18, load_w=777.0)
    plan = tonight(home(), "2026-02-03T18:00", "62%", recent=path)
    assert plan.expected["load"] == pytest.approx(0.777)
    assert any("recent.csv" in note for note in plan.notes)


def test_a_forecast_file_replaces_what_it_has(tmp_path: Path) -> None:
    path = write(tmp_path / "forecast.csv", AT, 36, load_w=700.0)
    plan = tonight(home(), AT, "62%", forecast=path)
    assert plan.expected["load"] == pytest.approx(0.7)
    assert "forecast.csv for load" in plan.source
    assert plan.expected["sun"].max() > 0


# ---- what the month has had ----------------------------------------------------------------------------------


def tariff_with(**sections: Any) -> Case:  # noqa: ANN401 - tariff sections of several types
    draft = small_home(days=35, first="2025-10-01", sun=False)
    return replace(draft, tariff={**draft.tariff, **sections}).case()


def test_tiers_are_priced_where_the_month_ends() -> None:
    steps = [{"up_to_kwh": 500, "price_per_kwh": 0.01}, {"price_per_kwh": 0.20}]
    case = tariff_with(blocks=[{"name": "monthly use", "steps": steps}])
    low, high = (
        tonight(case, "2025-10-31T18:00", "62%", so_far=SoFar(bought_kwh=kwh)) for kwh in (50.0, 900.0)
    )
    before_midnight = 5
    more = high.import_price_per_kwh - low.import_price_per_kwh
    assert more[:before_midnight] == pytest.approx(0.19)


def test_demand_above_the_months_highest_is_avoided() -> None:
    demand = [
        {
            "name": "evening demand",
            "price_per_kw": 30.0,
            "interval_minutes": 60,
            "from": "17:00",
            "to": "22:00",
        }
    ]
    case = tariff_with(demand=demand)
    used = tonight(case, "2025-10-31T16:00", "95%", so_far=SoFar(highest_kw=9.0))
    fresh = tonight(case, "2025-10-31T16:00", "95%", so_far=SoFar(highest_kw=0.0))
    window = np.asarray((used.times.hour >= 17) & (used.times.hour < 22) & (used.times.day == 31))
    assert fresh.run.flows["import"][window].max() <= used.run.flows["import"][window].max() + 1e-9
    assert any("demand" in note for note in fresh.notes)


# ---- refusals ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("arguments", "kind", "words"),
    [
        ({"at": "2025-09-30"}, ScenarioError, ("--at", "outside the data")),
        ({"at": "tonight"}, ScenarioError, ("--at", "'tonight' is no date and time", "write such as")),
        ({"at": "2025-11-02T01:30"}, ScenarioError, ("--at", "comes twice", "write the offset")),
        ({"level": "62"}, ScenarioError, ("--level", "got '62'", "62%")),
        ({"level": "-5%"}, ScenarioError, ("--level", "got '-5%'")),
        ({"level": "9kWh"}, ScenarioError, ("--level", "9 kWh", "full", "read the display")),
        ({"level": "101%"}, ScenarioError, ("--level", "101%", "above full")),
        ({"hours": 2.0}, ScenarioError, ("--hours", "12 to 72")),
        ({"reserve_percent": 120.0}, ScenarioError, ("--reserve", "120 %")),
    ],
)
def test_what_tonight_cannot_use_is_refused(
    arguments: dict[str, Any], kind: type[DispatchError], words: tuple[str, ...]
) -> None:
    given_arguments = {"at": AT, "level": "62%", **arguments}
    at, level = given_arguments.pop("at"), given_arguments.pop("level")
    with pytest.raises(kind) as refused:
        tonight(home(), at, level, **given_arguments)
    for word in words:
        assert word in str(refused.value)


def test_a_forecast_shorter_than_the_plan_is_refused(tmp_path: Path) -> None:
    path = write(tmp_path / "short.csv", AT, 20, load_kw=0.7)
    with pytest.raises(SeriesError) as refused:
        tonight(home(), AT, "62%", forecast=path)
    for word in (str(path), "no line for 16 of the plan's 36 steps", "2025-11-03T14:00", "--hours"):
        assert word in str(refused.value)


def test_a_forecast_without_a_known_column_is_refused(tmp_path: Path) -> None:
    path = write(tmp_path / "odd.csv", AT, 36, temperature=7.0)
    with pytest.raises(SeriesError, match="no column to use"):
        tonight(home(), AT, "62%", forecast=path)


def test_recent_readings_with_a_gap_are_refused(tmp_path: Path) -> None:
    path = write(tmp_path / "recent.csv", "2025-10-20", 100, load_kw=0.5)
    lines = path.read_text(encoding="utf-8").splitlines()
    path.write_text("\n".join([*lines[:40], *lines[42:]]) + "\n", encoding="utf-8")
    with pytest.raises(SeriesError) as refused:
        tonight(home(), AT, "62%", recent=path)
    for word in (str(path), "not one row for each step", "2025-10-21T15:00", "supply what is missing"):
        assert word in str(refused.value)


def test_recent_readings_before_the_data_or_after_the_moment_are_refused(tmp_path: Path) -> None:
    for begin, words in (("2025-09-20", "lies before the data"), ("2025-11-05", "comes after --at")):
        path = write(tmp_path / "recent.csv", begin, 48, load_kw=0.5)
        with pytest.raises(SeriesError, match=words):
            tonight(home(), AT, "62%", recent=path)
