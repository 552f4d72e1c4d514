"""What a group does to the grid, many years of one home, and homes drawn from a seed."""

from __future__ import annotations

import csv
from dataclasses import replace
from decimal import Decimal
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pytest
from homes.small_home import small_home

from dispatch.advice.recommend import recommend
from dispatch.advice.runs import run_card
from dispatch.arrays import quiet
from dispatch.cards.space import device_space
from dispatch.case.case import load_scenario
from dispatch.door import fleet, years
from dispatch.errors import ScenarioError
from dispatch.exports.files import json_text
from dispatch.fleet.shapes import FREE, delayed_cards, mean_days, shapes_of
from dispatch.fleet.side_by_side import Advised, advise
from dispatch.fleet.synthetic import Sky, draw_fleet
from dispatch.outages.hours import backup_hours
from dispatch.outcome import bill_of
from dispatch.report.fleet import fleet_report
from dispatch.report.years import years_report

if TYPE_CHECKING:
    from pathlib import Path

    from homes.drafts import Draft


def night_home(number: int, days: int = 28) -> Draft:
    """A home whose battery is full two hours into the nine hours of night."""
    return small_home(
        days=days,
        first="2025-02-01",
        sun=False,
        battery={"start": {"percent": 40}, "taper_hours": 0.0, "wear_per_kwh": 0.0},
        backup=None,
        reserve={"percent": 20},
        charging={"grid_w": 1600 + 10 * number},
    )


def test_a_mean_day_holds_all_the_energy() -> None:
    case = small_home().case()
    net = np.arange(len(case.times), dtype=float)
    mean = mean_days(case, net)
    local = case.times.tz_localize(None)
    for month, hour in ((10, 3), (11, 1), (11, 23)):  # 1 November 2025 ff. across the change of clocks
        chosen = (local.month == month) & (local.hour == hour)
        assert mean[month - 1, hour] == pytest.approx(net[chosen].mean())
    assert np.isnan(mean[0]).all()


def test_a_later_start_costs_nothing_and_is_what_the_inverter_does() -> None:
    """The delay drawn, run alone: the bill of the undelayed card, and the shape that was told."""
    advised = advise([night_home(number).case() for number in range(6)])
    pairs = [(f"home {at}", one) for at, one in enumerate(advised) if isinstance(one, Advised)]
    assert len(pairs) == 6
    delays = set()
    for (_, one), shape in zip(pairs, shapes_of(pairs), strict=True):
        assert one.chosen.name == "off-peak-first"
        assert shape.free_minutes >= 120
        cards, grain = delayed_cards(
            one.chosen.case, device_space(one.chosen.case), one.chosen.reserve_percent or 0.0
        )
        flows = run_card(one.chosen.case, cards[shape.delay_minutes // grain], "later")
        assert float(bill_of(flows).total_unrounded) <= float(one.chosen.bill.total_unrounded) + FREE
        net = flows["import"] - flows["export"]
        np.testing.assert_allclose(shape.staggered, mean_days(one.case, net), atol=1e-6)
        delays.add(shape.delay_minutes)
        too_late = run_card(one.chosen.case, cards[-1], "too late")  # charging for the last hour only
        assert float(bill_of(too_late).total_unrounded) > float(one.chosen.bill.total_unrounded) + FREE
    assert len(delays) > 1


def test_a_later_start_leaves_no_fewer_hours_where_the_critical_load_varies() -> None:
    """A critical load that is high from midnight to four: what is stored by then counts, not the lowest level."""
    draft = night_home(0)
    hour = draft.times.hour.to_numpy()
    draft = replace(draft, columns={**draft.columns, "critical_kw": np.where(hour < 4, 0.3, 0.05)})
    advised = advise(
        [draft.changed(critical_load={"watts": None, "csv": "series.csv", "column": "critical_kw"}).case()]
    )
    (home,) = (one for one in advised if isinstance(one, Advised))
    case, chosen = home.chosen.case, home.chosen
    least = backup_hours(case, chosen.flows["stored"]).min()
    cards, grain = delayed_cards(case, device_space(case), chosen.reserve_percent or 0.0)
    runs = [run_card(case, card, "later") for card in cards]
    hours = [backup_hours(case, flows["stored"]).min() for flows in runs]
    same = [
        bill_of(flows).total_unrounded <= bill_of(runs[0]).total_unrounded + Decimal(str(FREE))
        for flows in runs
    ]
    lowest = [flows["stored"].min() for flows in runs]
    free = [at for at in range(len(cards)) if same[at] and hours[at] >= least - 1e-6]
    # the case is one that money and the lowest level alone would get wrong
    assert any(same[at] and lowest[at] >= lowest[0] - 1e-6 for at in range(len(cards)) if at not in free)
    for name in ("a", "b", "c", "d", "e", "f"):
        (shape,) = shapes_of([(name, home)])
        assert shape.free_minutes == max(free) * grain
        assert shape.delay_minutes // grain in free


def test_the_new_peak_comes_with_the_cheap_price_and_the_lot_takes_from_it(tmp_path: Path) -> None:
    for number in range(8):
        night_home(number, days=4).write(tmp_path / "homes" / f"h{number}")
    result = fleet(tmp_path / "homes", tmp_path / "out", workers=0)
    (group,) = result.summary.groups
    load = group.load
    # eight chargers of 1.6 kW upwards, all begun at 22:00
    assert (load.peak_after.month, load.peak_after.hour) == (2, 22)
    assert load.peak_after.kw > load.peak_before.kw
    assert 8 * 1.0 < load.rise.kw < 8 * 1.7
    assert load.taken_off_kw > 0
    # a lot moves energy, it makes none: the same month's mean but for the dust of later charging
    assert load.staggered[1].sum() == pytest.approx(load.after[1].sum(), rel=1e-3)
    cases = [night_home(number, days=4).case() for number in range(8)]
    assert load.before[1] == pytest.approx(
        sum(mean_days(case, case.load_kwh + case.other_kwh)[1] for case in cases), rel=1e-5
    )
    savings = [recommend(case).chosen.saving * 365 / 4 for case in cases]
    assert group.total_saving_per_year == pytest.approx(sum(savings), rel=1e-9)
    assert group.saving_per_year.median == pytest.approx(np.median(savings), rel=1e-9)
    assert json_text(result.document())
    assert fleet_report(result.summary, full=True)


def test_every_year_is_what_the_home_gets_alone(tmp_path: Path) -> None:
    """Two files: the scenario's own readings, and the same home a year earlier with half the sun."""
    draft = small_home()
    path = draft.write(tmp_path / "home")
    other = small_home(first="2023-10-31")
    rows = list(csv.DictReader(other.series_text().splitlines()))
    lines = [
        ",".join(rows[0]),
        *(",".join({**row, "sun_kw": str(float(row["sun_kw"]) / 2)}.values()) for row in rows),
    ]
    (tmp_path / "dim.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    (tmp_path / "own.csv").write_text(draft.series_text(), encoding="utf-8")
    found = years(path, [tmp_path / "own.csv", tmp_path / "dim.csv"]).found
    own, dim = found.years
    alone = recommend(load_scenario(path))
    assert own.own_saving == pytest.approx(alone.chosen.saving, rel=1e-9)
    assert (own.strategy, own.reserve_percent) == (alone.strategy, alone.reserve_percent)
    half = other.columns["sun_kw"] / 2
    by_hand = recommend(load_scenario(_with_sun(tmp_path / "dim-home", other, half)))
    assert dim.own_saving == pytest.approx(by_hand.chosen.saving, rel=1e-9)
    for year in found.years:
        assert year.saving <= year.own_saving + 1e-6 or year.keeps_target_fraction < 1
        assert year.bound_saving is not None
        assert year.bound_saving >= year.own_saving - 1e-6
    assert found.best.mean_saving == pytest.approx((own.saving + dim.saving) / 2, rel=1e-9)
    assert found.safest.worst_saving >= found.best.worst_saving - 1e-9
    assert years_report(found, full=True)


def _with_sun(folder: Path, draft: Draft, sun: np.ndarray[tuple[int], np.dtype[np.float64]]) -> Path:
    tariff = {**draft.tariff, "valid_from": "2023-01-01"}
    return replace(draft, tariff=tariff, columns={**draft.columns, "sun_kw": sun}).write(folder)


def test_years_need_a_year(tmp_path: Path) -> None:
    with pytest.raises(ScenarioError, match="no year"):
        years(small_home().write(tmp_path))


def test_years_that_cannot_stand_side_by_side(tmp_path: Path) -> None:
    path = small_home().write(tmp_path / "home")
    (tmp_path / "short.csv").write_text(small_home(days=2).series_text(), encoding="utf-8")
    whole = tmp_path / "home" / "series.csv"
    with pytest.raises(ScenarioError, match=r"short\.csv: holds 2\.0 days, series\.csv 4\.0"):
        years(path, [whole, tmp_path / "short.csv"], planned=False)
    with pytest.raises(ScenarioError, match="named twice"):
        years(path, [whole, tmp_path / "home" / ".." / "home" / "series.csv"], planned=False)
    with pytest.raises(ScenarioError, match="no such file"):
        years(path, [tmp_path / "none.csv"], planned=False)
    other = small_home(first="2023-10-31").write(tmp_path / "other").parent / "series.csv"
    found = years(path, [whole, other], planned=False).found
    assert [year.name for year in found.years] == [str(whole), str(other)]  # one name, two files
    assert found.days == 4.0


def test_the_same_seed_draws_the_same_homes(tmp_path: Path) -> None:
    first = draw_fleet(tmp_path / "a", 3, 5, quiet)
    second = draw_fleet(tmp_path / "b", 2, 5, quiet)
    texts = [path.read_text(encoding="utf-8") for path in first]
    assert [path.read_text(encoding="utf-8") for path in second] == texts[:2]
    assert len(set(texts)) == 3
    assert len(load_scenario(first[2]).times) == 8760
    with pytest.raises(ScenarioError, match="not empty"):
        draw_fleet(tmp_path / "a", 1, 5, quiet)


def test_the_sun_stands_where_it_should() -> None:
    """Noon elevation at the solstices and equinox is 90 - latitude + declination (spherical trigonometry)."""
    times = pd.date_range("2025-01-01", "2026-01-01", freq="h", tz="America/Moncton", inclusive="left")
    sky = Sky.drawn(times, 1)
    for date, declination in (("2025-06-21", 23.44), ("2025-12-21", -23.44), ("2025-03-20", 0.0)):
        day = times.tz_localize(None).normalize() == pd.Timestamp(date)
        highest = np.degrees(np.arcsin(sky.elevation_sine[day].max()))
        assert highest == pytest.approx(90 - 46 + declination, abs=1.0)
    down = sky.elevation_sine < 0
    assert (sky.sun_kw(3.0, 30.0, 0.0)[down] == 0).all()
    assert 2.0 < sky.sun_kw(3.0, 30.0, 0.0).max() < 3.3
