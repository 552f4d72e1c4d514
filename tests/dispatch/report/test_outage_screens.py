"""The screens of backup, outage and frontier: what a stranger must find on them, in 80 columns, without colour."""

from __future__ import annotations

import json
import re
from functools import cache
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from homes.small_home import small_home
from oracles.blackout import plan
from terminal import rendered

from dispatch.backup.outage import play, span_of
from dispatch.comparison.compare import compare
from dispatch.errors import ScenarioError
from dispatch.exports.outages import backup_csv, backup_document, frontier_csv, frontier_document, outage_csv
from dispatch.formats import format_hours, format_money
from dispatch.program.program import Program
from dispatch.report.backup import backup_report
from dispatch.report.frontier import frontier_report
from dispatch.report.outage import outage_report
from dispatch.safety.frontier import Frontier, frontier, ladder
from dispatch.safety.study import BackupDetail, backup_detail, require_carried

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

ENGINE = {"continuous_w": 900, "sine_wave": True, "litres_per_kwh": 0.6, "price_per_litre": 1.7}
STORMS = {"saifi_per_year": 2.1, "caidi_hours": 3.5, "value_of_lost_load_per_kwh": 9.0}
APPLIANCES = [
    {"name": "refrigerator", "watts": 140.0, "hours_per_day": 9.0, "priority": 1},
    {"name": "lamps", "watts": 60.0, "hours_per_day": 5.0, "starts_at": "18:00", "priority": 2},
]


@cache
def detail(*, rich: bool = True) -> BackupDetail:
    home = small_home()
    if rich:
        home = home.changed(critical_load=None).changed(critical_load={"appliances": APPLIANCES})
        home = home.changed(generator=ENGINE, outages=STORMS).changed(inverter={"surge_w": 4000})
    case = home.case()
    return backup_detail(compare(case), Program(case))


@cache
def found() -> Frontier:
    case = small_home().case()
    return frontier(Program(case), ladder(case, "hours"), compare(case).strategies)


def outage_screen() -> str:
    comparison = detail().comparison
    span = span_of(comparison.case, "2025-11-01T17:00", 18)
    plays = [
        play(comparison.case, r.flows, span)
        for r in comparison.strategies
        if r.backup is not None or not r.flows.has_system
    ]
    return rendered(outage_report(comparison.case, plays, plays[1]))


SCREENS: dict[str, Callable[[], str]] = {
    "backup": lambda: rendered(backup_report(detail())),
    "backup of a plain home": lambda: rendered(backup_report(detail(rich=False))),
    "outage": outage_screen,
    "frontier": lambda: rendered(frontier_report(found())),
}


@pytest.mark.parametrize("name", SCREENS)
def test_screens_fit_and_carry_the_cautions(name: str) -> None:
    text = SCREENS[name]()
    assert max(len(line) for line in text.splitlines()) <= 80
    flat = " ".join(text.split())
    for caution in (
        "outdoors only, at least 20 ft (6 m)",
        "exhaust pointing away",
        "Carbon monoxide",
        "transfer switch",
        "never feed a house through a socket",
        "needs a plan of their own",
        "Local codes",
        "licensed practice",
    ):
        assert caution in flat


def test_screens_survive_a_terminal_without_unicode() -> None:
    for renderable in (backup_report(detail()), frontier_report(found())):
        assert "?" not in rendered(renderable, encoding="ascii").replace("WILL IT LAST?", "")


def test_the_first_section_answers_the_question() -> None:
    shown = detail()
    text = " ".join(rendered(backup_report(shown)).split())
    backup = shown.result.backup
    assert backup is not None
    assert "Tonight, if the grid fails at 20:00: usually" in text
    assert (
        f": {format_hours(backup.minimum)} h; at 95 % of moments at least {format_hours(backup.p05)} h"
        in text
    )
    two = next(more for more in shown.more if more.extra_hours == 2.0)
    assert "2 more hours at every instant" in text
    if two.cost is not None:
        assert format_money(two.cost, "CAD") in text


def test_two_more_hours_are_kept_and_cost_what_is_said() -> None:
    shown = detail()
    two = next(more for more in shown.more if more.extra_hours == 2.0)
    assert two.at is not None
    backup = shown.result.backup
    assert backup is not None
    assert two.at.hours.min() >= backup.minimum + 2.0 - 1e-6
    assert two.cost == pytest.approx(two.at.burden - shown.result.burden)
    # the same from the file: that reserve in it, everything solved again
    again = small_home().changed(critical_load=None).changed(critical_load={"appliances": APPLIANCES})
    case = (
        again.changed(inverter={"surge_w": 4000}, reserve=None).changed(reserve={"hours": two.hours}).case()
    )
    assert compare(case)[shown.result.name].burden == pytest.approx(two.at.burden, abs=1e-5)


def test_a_reserve_that_counts_on_sun_is_told_to_leave_it_out() -> None:
    case = small_home(reserve=None).changed(reserve={"hours": 4.0, "sun_share_fraction": 0.5}).case()
    text = " ".join(rendered(backup_report(backup_detail(compare(case), Program(case)))).split())
    assert "over these 4 days, with [reserve] hours = " in text
    assert " and its sun_share_fraction taken out in the scenario file" in text
    assert "light load ahead" not in text  # no reason for few hours


def test_more_hours_than_the_battery_holds_are_refused_in_words() -> None:
    case = small_home(critical_load={"watts": 900}).case()
    text = " ".join(rendered(backup_report(backup_detail(compare(case), Program(case)))).split())
    assert "not with this battery" in text


def test_the_picture_has_every_month_and_hour_the_data_hold() -> None:
    picture = detail().picture
    assert picture.least.shape == picture.median.shape == (12, 24)
    seen = ~np.isnan(picture.least)
    assert seen[10].all()  # November
    assert seen[9].sum() == 23  # the 31st of October from its first step's end on
    assert not seen[:9].any()
    assert (picture.least[seen] <= picture.median[seen]).all()


def test_worst_moments_are_one_a_day_and_in_order() -> None:
    moments = detail().worst
    assert len({moment.at.date() for moment in moments}) >= len(moments) - 1
    hours = [round(moment.hours, 2) for moment in moments]
    assert hours == sorted(hours)
    assert all(moment.why for moment in moments)


def test_losses_are_ranked_with_their_money() -> None:
    text = rendered(backup_report(detail()))
    rows = text[text.index("OUTAGES OF A YEAR") :].splitlines()
    names = [line.split()[0] for line in rows if re.match(r"(grid-only|reserve|solar|off-peak|least)", line)]
    burden = {result.name: result.burden for result in detail().comparison.strategies}
    money = {loss.strategy: loss.money or 0.0 for loss in detail().losses}
    assert names == sorted(names, key=lambda name: burden[name] + money[name])
    assert "SAIFI 2.1 a year" in text


def test_a_generator_without_a_sine_wave_is_told() -> None:
    case = small_home(generator={**ENGINE, "sine_wave": False}).case()
    text = " ".join(rendered(backup_report(backup_detail(compare(case), Program(case)))).split())
    assert "generator.sine_wave = false" in text


def test_critical_load_above_the_inverter() -> None:
    with pytest.raises(ScenarioError) as refused:
        require_carried(small_home(critical_load={"watts": 2600}).case())
    text = str(refused.value)
    for part in ("critical_load", "2.626 kW", "inverter.continuous_w = 2,100 W", "raise", "526 W"):
        assert part in text
    # left to its default it is the served load: then the screen warns
    unstated = small_home(inverter={"continuous_w": 700, "bypass_w": 2600}).changed(critical_load=None).case()
    require_carried(unstated)
    shown = backup_detail(compare(unstated), Program(unstated))
    assert "DOES NOT carry it" in " ".join(rendered(backup_report(shown)).split())


def test_documents_are_plain_json() -> None:
    backup = json.loads(json.dumps(backup_document(detail()), allow_nan=False))
    assert backup["strategy"] == detail().result.name
    assert [row["source"] for row in backup["recharge"]] == ["grid", "sun", "grid and sun", "generator"]
    assert backup["outages"]["saidi_hours"] == pytest.approx(2.1 * 3.5)
    levels: list[dict[str, Any]] = json.loads(json.dumps(frontier_document(found()), allow_nan=False))[
        "levels"
    ]
    assert len(levels) == 21
    assert all(level["status"] == "optimal" for level in levels)
    assert [level["hours"] for level in levels] == pytest.approx(
        list(ladder(small_home().case(), "hours").amounts)
    )


def test_csv_files(tmp_path: Path) -> None:
    names = [path.name for path in (*backup_csv(detail(), tmp_path), *frontier_csv(found(), tmp_path))]
    case = detail().comparison.case
    span = span_of(case, "2025-11-01T17:00", 3)
    played = play(case, plan(case, [case.limits.ceiling_kwh] * len(case.times)), span)
    names += [path.name for path in outage_csv([played], tmp_path)]
    assert names == ["backup_hours.csv", "backup_month_hour.csv", "frontier.csv", "outage_plan.csv"]
    assert len((tmp_path / "backup_hours.csv").read_text().splitlines()) == 98
    assert len((tmp_path / "frontier.csv").read_text().splitlines()) == 22
    assert len((tmp_path / "outage_plan.csv").read_text().splitlines()) == 4
