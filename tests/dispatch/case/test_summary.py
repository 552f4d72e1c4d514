"""What a check tells without solving."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pytest
from homes.home_files import Home, clock_rows
from homes.small_home import small_home
from terminal import rendered

from dispatch.case.case import load_scenario
from dispatch.case.check import check_summary
from dispatch.report.check import check_report

if TYPE_CHECKING:
    from pathlib import Path

HOME = Home()


def test_facts_of_the_sample_home(tmp_path: Path) -> None:
    case = load_scenario(HOME.write(tmp_path))
    facts = check_summary(case)
    assert (facts.name, facts.currency, facts.time_zone) == ("Fennel Court 3", "CAD", "America/Halifax")
    assert facts.tariff_name == "Two Lamps"
    assert facts.start == pd.Timestamp("2025-03-08", tz="America/Halifax")
    assert facts.end == pd.Timestamp("2025-03-11", tz="America/Halifax")
    assert (facts.steps, facts.dt_hours, facts.hours) == (71, 1.0, 71.0)
    assert facts.usable_kwh == pytest.approx(5.8 * 0.95)
    assert facts.target_hours == 4.5
    assert facts.floor_low_kwh == case.floor_kwh.min()
    assert facts.floor_high_kwh == case.floor_kwh.max()
    assert facts.notes == case.notes


@pytest.mark.parametrize("repeats", [True, False])
def test_a_start_level_that_is_not_used_is_not_told(repeats: bool) -> None:
    case = small_home(repeats=repeats).case()
    text = rendered(check_report(check_summary(case)))
    assert ("starts at" in text) is not repeats
    assert ("the period repeats" in text) is repeats


def test_series_are_summed_and_scaled_to_a_year(tmp_path: Path) -> None:
    facts = check_summary(load_scenario(HOME.write(tmp_path)))
    load = [float(row.split(",")[1]) for row in clock_rows()[1:]]
    by_name = {series.name: series for series in facts.series}
    assert list(by_name) == ["load", "other_load", "critical_load", "idle", "sun"]
    assert by_name["load"].kwh == pytest.approx(sum(load))
    assert by_name["load"].kwh_per_year == pytest.approx(sum(load) / 71 * 8760)
    assert by_name["load"].mean_kw == pytest.approx(np.mean(load))
    assert by_name["load"].peak_kw == max(load)
    assert by_name["load"].peak_at == pd.Timestamp("2025-03-08T06:00", tz="America/Halifax")
    assert by_name["other_load"].kwh == pytest.approx(0.18 * 71)
    assert by_name["idle"].kwh == pytest.approx(0.041 * 71)


def test_bands_share_the_hours_and_the_load(tmp_path: Path) -> None:
    case = load_scenario(HOME.write(tmp_path))
    night, day = check_summary(case).bands
    # 22:00-06:00 on three days, one of which lacks an hour of its night
    assert (night.name, day.name) == ("night", "day")
    assert (night.hours, day.hours) == (23.0, 48.0)
    assert night.share_fraction + day.share_fraction == pytest.approx(1.0)
    assert (night.import_low_per_kwh, night.import_high_per_kwh) == (0.08, 0.08)
    assert (day.export_low_per_kwh, day.export_high_per_kwh) == (0.03, 0.03)
    total_kwh = (case.load_kwh + case.other_kwh + case.idle_kwh).sum()
    assert night.load_kwh + day.load_kwh == pytest.approx(total_kwh)


def test_half_hours_and_a_weak_inverter(tmp_path: Path) -> None:
    home = HOME.with_rows(clock_rows(minutes=30)).with_text(
        ("watts = 110", "watts = 9600"), ("hours_per_day = 8.0", "hours_per_day = 24")
    )
    facts = check_summary(load_scenario(home.write(tmp_path)))
    assert facts.end == pd.Timestamp("2025-03-11", tz="America/Halifax")
    assert facts.critical_above_inverter_hours == 71.0
    assert facts.floor_capped_hours == 71.0
