"""The screens of backup, outage and frontier: what a stranger must find on them, in 80 columns, without colour."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from functools import cache
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import pytest
from homes.small_home import small_home
from oracles.blackout import plan
from terminal import rendered

from dispatch.advice.recommend import recommend
from dispatch.errors import ScenarioError
from dispatch.exports.files import json_text
from dispatch.exports.outages import backup_csv, backup_document, frontier_csv, frontier_document, outage_csv
from dispatch.formats import format_hours, format_moment, format_money
from dispatch.outages.hours import backup_hours
from dispatch.outages.outage import play, span_of
from dispatch.report.backup import backup_report
from dispatch.report.frontier import frontier_report
from dispatch.report.outage import outage_report
from dispatch.safety.answers import answer_for
from dispatch.safety.asked import run_asked
from dispatch.safety.frontier import Frontier, frontier, ladder
from dispatch.safety.study import BackupStudy, backup_study

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from dispatch.case.case import Case

ENGINE = {"continuous_w": 900, "sine_wave": True, "litres_per_kwh": 0.6, "price_per_litre": 1.7}
STORMS = {"saifi_per_year": 2.1, "caidi_hours": 3.5, "value_of_lost_load_per_kwh": 9.0}
APPLIANCES = [
    {"name": "refrigerator", "watts": 140.0, "hours_per_day": 9.0, "priority": 1},
    {"name": "lamps", "watts": 60.0, "hours_per_day": 5.0, "starts_at": "18:00", "priority": 2},
]


def studied(case: Case) -> BackupStudy:
    advice = recommend(case)
    return backup_study(advice, run_asked(advice))


@cache
def detail(*, rich: bool = True) -> BackupStudy:
    home = small_home()
    if rich:
        home = home.changed(critical_load=None).changed(critical_load={"appliances": APPLIANCES})
        home = home.changed(generator=ENGINE, outages=STORMS).changed(inverter={"surge_w": 4000})
    return studied(home.case())


@cache
def found() -> Frontier:
    case = small_home().case()
    return frontier(recommend(case), ladder(case, "hours"))


def outage_screen(*, full: bool = True) -> str:
    advice = detail().advice
    span = span_of(advice.case, "2025-11-01T17:00", 18)
    plays = [play(run.case, run.flows, span) for run in (advice.chosen, advice.no_system)]
    return rendered(outage_report(advice.chosen.case, plays, plays[0], full=full))


SCREENS: dict[str, Callable[[], str]] = {
    "backup": lambda: rendered(backup_report(detail(), full=True)),
    "backup of a plain home": lambda: rendered(backup_report(detail(rich=False), full=True)),
    "outage": outage_screen,
    "frontier": lambda: rendered(frontier_report(found(), full=True)),
}


@pytest.mark.parametrize("name", SCREENS)
def test_screens_fit_and_carry_the_cautions(name: str) -> None:
    text = SCREENS[name]()
    assert max(len(line) for line in text.splitlines()) <= 80
    flat = " ".join(text.split())
    for caution in (
        "transfer switch",
        "never feed a house through a socket",
        "needs a plan of their own",
        "Local codes",
        "licensed practice",
    ):
        assert caution in flat
    has_engine = name in {"backup", "outage"}
    for caution in ("outdoors only, at least 20 ft (6 m)", "exhaust pointing away", "Carbon monoxide"):
        assert (caution in flat) == has_engine


def test_first_screens_fit_a_terminal() -> None:
    for text in (
        rendered(backup_report(detail())),
        rendered(backup_report(detail(rich=False))),
        rendered(frontier_report(found())),
        outage_screen(full=False),
    ):
        lines = text.splitlines()
        assert len(lines) <= 24
        assert max(map(len, lines)) <= 80


def test_screens_survive_a_terminal_without_unicode() -> None:
    for renderable in (backup_report(detail()), frontier_report(found())):
        assert "?" not in rendered(renderable, encoding="ascii").replace("WILL IT LAST?", "")


def test_the_first_section_answers_the_question() -> None:
    shown = detail()
    text = " ".join(rendered(backup_report(shown)).split())
    answer = shown.answer
    assert f"If the grid fails at the worst moment, {format_moment(answer.worst_at)}: critical load" in text
    assert f"usually {format_hours(answer.usual)} h" in text
    assert "kept at 100% of moments" in text
    two = next(more for more in shown.more if more.extra_hours == 2.0)
    assert "2 more hours" in text
    if two.cost is not None:
        assert format_money(two.cost, "CAD") in text


@pytest.mark.parametrize("at", ["20:00", "2025-11-02T18:00", None])
@pytest.mark.parametrize("level", [None, "80%", "2.5kWh"])
def test_an_answer_is_for_the_moment_and_the_level_asked_about(at: str | None, level: str | None) -> None:
    outcome = detail(rich=False).outcome
    case = outcome.case
    answer = answer_for(outcome, at, level)
    instants = case.times + pd.Timedelta(hours=case.dt_hours)
    inside = np.ones(len(instants), dtype=bool)
    if at == "20:00":
        inside = np.asarray((instants.hour == 20) & (instants.minute == 0))
    elif at is not None:
        inside = np.asarray(instants == pd.Timestamp(at, tz=case.times.tz))
    held = outcome.flows["stored"]
    if level is not None:
        held = np.full(len(held), 0.8 * case.limits.full_kwh if level == "80%" else 2.5)
    hours = backup_hours(case, held, with_sun=False)[inside]
    assert answer.count == inside.sum() > 0
    assert answer.least == pytest.approx(hours.min())
    assert answer.usual == pytest.approx(np.median(hours))
    everything = backup_hours(case, held, with_sun=False, load="all")[inside]
    assert answer.least_all == pytest.approx(everything.min())
    assert answer.least_all <= answer.least + 1e-9


@pytest.mark.parametrize(
    ("options", "parts"),
    [
        ({"at": "2027-01-01T00:00"}, ("--at", "outside the data")),
        ({"at": "half past"}, ("--at", "is no date and time")),
        ({"level": "3%"}, ("--level", "outside empty", "to the ceiling")),
        ({"level": "much"}, ("--level", "not a level", "62%")),
    ],
)
def test_what_cannot_be_asked_is_refused(options: dict[str, str], parts: tuple[str, ...]) -> None:
    with pytest.raises(ScenarioError) as refused:
        answer_for(detail(rich=False).outcome, **options)
    assert all(part in str(refused.value) for part in parts), str(refused.value)


def test_another_reserve_strategy_or_plan_can_be_asked_about() -> None:
    advice = detail(rich=False).advice
    assert run_asked(advice).outcome is advice.chosen
    other = run_asked(advice, strategy="solar-first", reserve="80%").outcome
    assert (other.name, other.reserve_percent, other.basis) == ("solar-first", 80.0, "as set")
    assert other.flows["stored"].min() >= 0.8 * advice.case.limits.full_kwh - 1e-6
    bound = run_asked(advice, strategy="least-cost", planned=True).outcome
    assert bound.basis == "planned"
    assert bound.compared_cost <= advice.chosen.compared_cost + 1e-6
    for wishes, part in (
        ({"reserve": "2%"}, "outside empty"),
        ({"reserve": "43.7%"}, "steps of"),
        ({"strategy": "least-cost"}, "--planned"),
    ):
        with pytest.raises(ScenarioError, match=part):
            run_asked(advice, **wishes)  # type: ignore[arg-type]


def test_more_hours_than_the_battery_holds_are_refused_in_words() -> None:
    case = small_home(critical_load={"watts": 900}).case()
    text = " ".join(rendered(backup_report(studied(case))).split())
    assert "no setting of this battery keeps them" in text


def test_the_picture_has_every_month_and_hour_the_data_hold() -> None:
    picture = detail().month_hour
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
    text = rendered(backup_report(detail(), full=True))
    rows = text[text.index("OUTAGES OF A YEAR") :].splitlines()
    names = [line.split()[0] for line in rows if re.match(r"(grid-only|reserve|solar|off-peak)", line)]
    advice = detail().advice
    burden = {run.name: run.compared_cost for run in (advice.no_system, *advice.outcomes.values())}
    money = {loss.strategy: loss.money or 0.0 for loss in detail().losses}
    assert names == sorted(names, key=lambda name: burden[name] + money[name])
    assert "SAIFI 2.1 a year" in text


def test_a_generator_without_a_sine_wave_is_told() -> None:
    case = small_home(generator={**ENGINE, "sine_wave": False}).case()
    text = " ".join(rendered(backup_report(studied(case), full=True)).split())
    assert "generator.sine_wave = false" in text


def test_critical_load_above_the_inverter_is_the_first_thing_said() -> None:
    shown = studied(small_home(critical_load={"watts": 2600}, backup={"target_hours": 1.0}).case())
    assert shown.answer.least == 0.0
    assert not shown.advice.meets_target
    lines = rendered(backup_report(shown)).splitlines()
    first = next(line for line in lines if line.startswith("- "))
    assert "OVERLOAD: the critical load with idle draw reaches 2,626 W" in first


def test_documents_are_plain_json() -> None:
    backup = json.loads(json_text(backup_document(detail())))
    assert backup["strategy"] == detail().outcome.name
    assert [row["source"] for row in backup["recharge"]] == ["grid", "sun", "grid and sun", "generator"]
    assert backup["outages"]["saidi_hours"] == pytest.approx(2.1 * 3.5)
    levels: list[dict[str, Any]] = json.loads(json_text(frontier_document(found())))["levels"]
    assert len(levels) == 21
    assert all(level["status"] == "optimal" for level in levels)
    assert [level["hours"] for level in levels] == pytest.approx(
        list(ladder(small_home().case(), "hours").amounts)
    )


def test_csv_files(tmp_path: Path) -> None:
    names = [path.name for path in (*backup_csv(detail(), tmp_path), *frontier_csv(found(), tmp_path))]
    case = detail().case
    span = span_of(case, "2025-11-01T17:00", 3)
    played = play(case, plan(case, [case.limits.ceiling_kwh] * len(case.times)), span)
    names += [path.name for path in outage_csv([played], tmp_path)]
    assert names == ["backup_hours.csv", "backup_month_hour.csv", "frontier.csv", "outage_plan.csv"]
    assert len((tmp_path / "backup_hours.csv").read_text().splitlines()) == 98
    assert len((tmp_path / "frontier.csv").read_text().splitlines()) == 22
    assert len((tmp_path / "outage_plan.csv").read_text().splitlines()) == 4


def test_the_hours_under_the_curve_stand_where_the_points_are_drawn() -> None:
    traced = found()
    lines = rendered(frontier_report(traced, full=True)).splitlines()
    at = next(i for i, line in enumerate(lines) if line.startswith("           +---"))
    axis, figures = lines[at], lines[at + 1]
    told = [(float(each.group()), each.start(), each.end() - 1) for each in re.finditer(r"[\d.]+", figures)]
    assert len(told) > 2
    right = max(
        run.backup.minimum
        for run in (*traced.settings, *traced.advice.outcomes.values())
        if run is not None and run.backup
    )
    right = max(right, *(level.carried_hours for level in traced.levels))
    for hours, first, last in told:
        column = 12 + round(hours / right * 66)
        assert first <= column <= last
        assert axis[column] in ("+" if hours else "-")
    assert "(SET)" in " ".join(lines)


def test_a_tank_that_runs_dry_is_told_instead_of_a_week() -> None:
    """0.35 l at 0.5 l a kWh are 0.7 kWh: at 700 W one hour, far from full."""
    engine = {"continuous_w": 700, "sine_wave": True, "litres_per_kwh": 0.5, "tank_litres": 0.35}
    text = " ".join(rendered(backup_report(studied(small_home(generator=engine).case()))).split())
    assert "generator never: tank empty after 1.0 h at" in text
    assert "generator more than" not in text


def test_what_no_setting_keeps_lies_above_every_setting_shown() -> None:
    short = replace(found(), settings=(*found().settings[:-1], None))  # no setting keeps the highest level
    text = " ".join(rendered(frontier_report(short)).split())
    told = re.search(r"Above (\d+\.\d) h at every moment no setting", text)
    assert told is not None
    scan = found().advice.scan
    assert float(told[1]) == pytest.approx(float(scan.least_hours[scan.serves].max()), abs=0.1)
    shown = [run.backup.minimum for run in found().settings if run is not None and run.backup is not None]
    assert float(told[1]) >= max(shown) - 0.1
