"""Raises, seasons, event days, levels of discharge windows, few entries, and a margin for other years."""

# ruff: noqa: DTZ001 - raises are written in wall time

from __future__ import annotations

import datetime as dt
import json
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from homes.small_home import small_home
from homes.tariff_rich import RICH
from oracles.naive_inverter import run

import tariffs
from dispatch.advice.recommend import recommend
from dispatch.cards.card import Card, ChargeWindow, DayPlan, DischargeWindow, Raise
from dispatch.cards.card_file import card_document, card_toml, read_card
from dispatch.cards.raises import needed_raises
from dispatch.cards.space import device_space
from dispatch.exports.settings import settings_document
from dispatch.outcome import as_set_outcome
from dispatch.search.judge import Judge, entries, plain
from dispatch.search.margin import WANTED_YEARS, with_margin
from dispatch.search.moves import apart, lower_reserve_moves, pairs, split_moves
from dispatch.search.other_years import DrawnYears
from dispatch.search.reasons import alike
from dispatch.search.search import find
from dispatch.search.simple import simplest
from dispatch.search.study import SettingsStudy, run_card, study
from dispatch.words.card import change_lines, share_text
from dispatch.words.card_result import simple_lines

if TYPE_CHECKING:
    from pathlib import Path

    from homes.drafts import Draft

    from dispatch.case.case import Case


def outsiders_bill(case: Case, document: dict[str, Any]) -> float:
    """Bill that an inverter written from the card's semantics alone runs up, starting from the JSON of a card."""
    names = ("load", "idle", "other", "sun")
    columns = {f"{name}_kwh": getattr(case, f"{name}_kwh").tolist() for name in names}
    rows = [dict(zip(columns, values, strict=True)) for values in zip(*columns.values(), strict=True)]
    limits = {name: getattr(case.limits, name) for name in case.limits.__dataclass_fields__}
    seasons = [case.prices.season_names[i] for i in case.prices.season.tolist()]
    moments = [moment.to_pydatetime() for moment in case.times]
    called = {
        moment.date() for moment, event in zip(moments, case.prices.event.tolist(), strict=True) if event
    }
    events = [moment.date() in called for moment in moments]
    flows = run(document["card"], limits, rows, moments, seasons, case.dt_hours, events=events)
    bought, sold = (np.array([row[name] for row in flows]) for name in ("import", "export"))
    return float(tariffs.bill(case.tariff, case.times, case.dt_hours, bought, sold).total)


def shown_bill(result: SettingsStudy) -> tuple[float, dict[str, Any]]:
    document = json.loads(json.dumps(settings_document(result), allow_nan=False))
    return document["ways"][1]["bill"]["total"], document


# ---- raises ------------------------------------------------------------------------------------------------

STORM = {"dates": ["2025-11-09"], "percent": 80.0}


def stormy(**sections: Any) -> Draft:  # noqa: ANN401 - sections hold values of several types
    return small_home(days=28, reserve={"percent": 30, "raised": [STORM]}, **sections)


def test_one_storm_day_does_not_set_the_whole_year() -> None:
    promise: dict[str, Any] = {
        "backup": {"target_hours": None}
    }  # without a target the file's reserve is the promise
    result = study(recommend(stormy(**promise).case()))
    case = result.case
    assert [(one.begins, one.ends, one.reserve_percent) for one in result.card.raises] == [
        (dt.datetime(2025, 11, 8, 18), dt.datetime(2025, 11, 10), 80.0)
    ]
    assert {plan.reserve_percent for plan in result.card.plans} == {30.0}
    assert result["found"].floor_broken_hours == 0.0
    calm = study(recommend(small_home(days=28, **promise).case()))
    always = study(recommend(small_home(days=28, reserve={"percent": 80}, **promise).case()))
    storm_costs = result["found"].compared_cost - calm["found"].compared_cost
    whole_year = always["found"].compared_cost - calm["found"].compared_cost
    assert 0.0 <= storm_costs < 0.2 * whole_year
    assert -result.raises[0].money == pytest.approx(storm_costs, abs=0.1 * whole_year)
    assert result.raises[0].breaks == ("reserve",)
    assert any("raise the reserve to 80 %" in line for line in change_lines(result))
    bill, document = shown_bill(result)
    assert bill == pytest.approx(outsiders_bill(case, document), abs=0.005)


def test_a_small_charger_is_told_early() -> None:
    """80 % of 4.6 kWh less 30 % are 2.3 kWh: with 150 W into the cells at 0.94 and half as much again, 25 h."""
    case = stormy(charging={"grid_w": 150}).case()
    space = device_space(case)
    hours = 1.5 * 0.5 * 4.6 / (0.150 * 0.94)
    begins = space.raises[0].begins
    assert begins == dt.datetime(2025, 11, 9) - dt.timedelta(hours=int(hours) + 1)
    assert needed_raises(case, space.levels, np.full(len(case.times), 90.0)) == ()


def test_part_of_the_year_and_near_dates_are_raises_too() -> None:
    season = {"season_from": "11-10", "season_to": "11-12", "percent": 60.0}
    dates = {
        "dates": ["2025-11-13", "2025-11-20"],
        "clock_from": "12:00",
        "clock_to": "18:00",
        "percent": 70.0,
    }
    case = small_home(days=28, reserve={"percent": 30, "raised": [season, dates]}).case()
    raises = device_space(case).raises
    assert [(one.begins.day, one.reserve_percent) for one in raises] == [(9, 70.0), (19, 70.0)]
    assert raises[0].ends == dt.datetime(2025, 11, 13, 18)


def test_a_daily_raise_is_part_of_the_reserve() -> None:
    daily = {"clock_from": "17:00", "clock_to": "21:00", "percent": 50.0}
    space = device_space(small_home(days=14, reserve={"percent": 30, "raised": [daily]}).case())
    assert space.raises == ()
    assert space.reserves[0] == 50.0


def test_raises_survive_the_card_file_and_bad_ones_are_refused(tmp_path: Path) -> None:
    case = stormy(settings={"discharge_levels": True}).case()
    space = device_space(case)
    plan = DayPlan((ChargeWindow(0, 360, 90.0),), (DischargeWindow(1020, 1320, 45.0),), 30.0)
    card = Card((plan,) * len(space.groups), raises=space.raises)
    path = tmp_path / "card.toml"
    text = card_toml(card, space.groups)
    path.write_text(text, encoding="utf-8")
    assert read_card(path, case, space) == card
    assert card_document(card, space.groups)["raises"][0]["from"] == "2025-11-08T18:00"
    for old, new, words in (
        ('to = "2025-11-10T00:00"', 'to = "2025-11-01T00:00"', "before it is entered"),
        ("2025-11-08T18:00", "Saturday", "not a local time (got 'Saturday')"),
        ("reserve_percent = 80", "reserve_percent = 10", "outside the reserve 30 %"),
        ("to_percent = 45", "to_percent = 20", "discharge[1].to_percent: 20 % is outside"),
    ):
        assert old in text
        path.write_text(text.replace(old, new), encoding="utf-8")
        with pytest.raises(
            Exception, match=words.replace("(", r"\(").replace(")", r"\)").replace("[", r"\[")
        ):
            read_card(path, case, space)
    plain_device = stormy().case()
    path.write_text(text, encoding="utf-8")
    with pytest.raises(Exception, match="takes no level for a discharge window"):
        read_card(path, plain_device, device_space(plain_device))


@pytest.mark.parametrize("target", [3.0, None])
def test_with_a_target_a_card_may_lie_below_the_file_s_reserve(target: float | None, tmp_path: Path) -> None:
    """The search takes a target in place of the reserve; what it finds and saves must be read back."""
    case = small_home(days=14, reserve={"percent": 60}, backup={"target_hours": target}).case()
    space = device_space(case)
    card = Card((DayPlan((), (DischargeWindow(1020, 1320),), 40.0),) * len(space.groups))
    path = tmp_path / "card.toml"
    path.write_text(card_toml(card, space.groups), encoding="utf-8")
    if target is not None:
        assert read_card(path, case, space) == card
        return
    with pytest.raises(Exception, match="40 % is outside the scenario's reserve 60 %"):
        read_card(path, case, space)


# ---- seasons -----------------------------------------------------------------------------------------------


def seasonal() -> Draft:
    """Two seasons, the second with a longer evening peak."""
    draft = small_home(days=21)
    tariff = dict(draft.tariff)
    tariff["seasons"] = [
        {"name": "autumn", "from": "09-01", "to": "11-09"},
        {"name": "winter", "from": "11-10", "to": "08-31"},
    ]
    return replace(draft, tariff=tariff)


def test_the_eve_of_a_season_holds_its_reserve() -> None:
    case = seasonal().case()
    space = device_space(case)
    assert [group.season for group in space.groups] == ["autumn", "winter"]
    eve = np.flatnonzero(space.eve_of >= 0)
    assert [str(space.wall[i]) for i in eve[[0, -1]]] == ["2025-11-09T18:00:00", "2025-11-09T23:00:00"]
    plans = (DayPlan((), (DischargeWindow(0, 1440),), 30.0), DayPlan((), (DischargeWindow(0, 1440),), 70.0))
    judge = Judge(case, space)
    levels = judge.levels(Card(plans)) / case.limits.full_kwh
    assert levels[eve[0] - 1] < 0.5
    assert levels[eve[-1]] >= 0.7 - 1e-9
    given = study(recommend(case), card=Card(plans))
    bill, document = shown_bill(given)
    assert bill == pytest.approx(outsiders_bill(given.chosen.case, document), abs=0.005)
    assert any(
        "its reserve of 70 % already at 18:00 on Sun 9 Nov 2025" in line for line in change_lines(given)
    )


def test_changes_follow_the_cards_own_groups_and_no_search_is_told_of() -> None:
    case = seasonal().case()
    plan = DayPlan((ChargeWindow(0, 360, 90.0),), (DischargeWindow(1020, 1320),), 30.0)
    given = study(recommend(case), card=Card((plan, plan)))
    assert change_lines(given) == ["Nothing changes with the season: enter it once."]
    assert alike(given.space.groups, given.card) == [[0, 1]]
    assert given.search is None
    assert list(simple_lines(given)) == []
    worths = {(line.kind, line.index): line.worth for line in given.lines}
    judge = Judge(given.case, given.space)
    without = DayPlan((), plan.discharge, 30.0)
    money = [judge.cards([Card((one, one))])[0].money for one in (without, plan)]
    charge = worths["charge", 0]
    assert charge is not None
    assert charge.money == pytest.approx(money[0] - money[1], abs=1e-9)  # on all days it holds, both seasons


# ---- event days --------------------------------------------------------------------------------------------


def eventful() -> Draft:
    draft = small_home(days=28)
    events = [
        {
            "name": "chimes",
            "dates": ["2025-11-05", "2025-11-06", "2025-11-18"],
            "hours": "17:00-21:00",
            "band": "chime",
        }
    ]
    bands = {**draft.tariff["bands"], "chime": RICH["bands"]["chime"]}
    return replace(draft, tariff={**draft.tariff, "bands": bands, "events": events})


def test_event_days_have_lines_of_their_own() -> None:
    result = study(recommend(eventful().case()))
    case = result.chosen.case
    days = [group.days for group in result.space.groups]
    assert "event days" in days
    assert result["found"].compared_cost <= result["plain"].compared_cost + 1e-6
    told = [line for line in change_lines(result) if "vent day" in line]
    assert len(told) == 1
    assert "Wed 5 Nov 2025" in told[0]
    bill, document = shown_bill(result)
    assert document["event_days"] == ["2025-11-05", "2025-11-06", "2025-11-18"]
    assert bill == pytest.approx(outsiders_bill(case, document), abs=0.005)


# ---- levels of discharge windows ---------------------------------------------------------------------------


def test_levels_keep_a_reserve_that_follows_the_clock() -> None:
    """The critical load is an evening one: little is needed before dawn, and a level per window makes use of it."""
    evening = {
        "critical_load": {
            "watts": None,
            "appliances": [{"name": "heater", "watts": 400, "hours_per_day": 5, "starts_at": "18:00"}],
        }
    }
    home: dict[str, Any] = {
        "days": 28,
        **evening,
        "reserve": {"percent": None, "hours": 6.0},
        "backup": {"target_hours": None},
    }
    results = {
        levels: study(recommend(small_home(**home, settings={"discharge_levels": levels}).case()))
        for levels in (False, True)
    }
    without, with_levels = results[False], results[True]
    assert min(plan.reserve_percent for plan in with_levels.card.plans) < without.space.reserves[0]
    assert with_levels["found"].floor_broken_hours == 0.0
    assert with_levels["found"].compared_cost < without["found"].compared_cost - 0.1
    assert with_levels.robustness.keeps_reserve_fraction >= WANTED_YEARS
    bill, document = shown_bill(with_levels)
    assert bill == pytest.approx(outsiders_bill(with_levels.chosen.case, document), abs=0.005)


def test_a_split_gives_two_windows_with_different_levels() -> None:
    space = device_space(small_home(days=14, settings={"discharge_levels": True}).case())
    plan = DayPlan((), (DischargeWindow(960, 360),), 30.0)
    found = list(split_moves(plan, space, 0))
    assert found
    for moved in found:
        assert len(moved.discharge) == 2
        assert len({window.to_percent for window in moved.discharge}) == 2
        assert sum(window.minutes for window in moved.discharge) == plan.discharge[0].minutes
    assert list(split_moves(plan, replace(space, discharge_levels=False), 0)) == []
    assert list(lower_reserve_moves(plan, replace(space, discharge_levels=False), (20.0,), 30.0)) == []


# ---- what may stand on a card ------------------------------------------------------------------------------


def test_no_window_leaves_out_less_than_two_hours() -> None:
    """23:00-22:00 reads as if it ran backwards."""
    space = device_space(small_home(days=14).case())
    assert apart(DayPlan((), (DischargeWindow(1380, 1320),), 30.0), space, charge_wins=True) is None
    assert (1380, 1320) not in set(pairs(space))
    assert (0, 1440) in set(pairs(space))
    result = study(recommend(small_home(days=14).case()))
    for plan in result.card.plans:
        for window in (*plan.charge, *plan.discharge):
            assert window.minutes <= 1440 - 120 or window.minutes == 1440


def test_the_simple_card_says_what_its_last_entry_would_have_earned() -> None:
    judge = Judge((case := small_home(days=28).case()), device_space(case))
    found = find(judge, None)
    assert entries(found.card.card) <= entries(found.best.card)
    assert found.card.money <= found.best.money + 3e-3 * (found.best.money + case.prices.fixed_total) + 1e-9
    again = simplest(judge, found.card)
    assert entries(again.card.card) <= entries(found.card.card)
    result = study(recommend(case))
    assert result.search is not None
    if result.search.last_entry is not None:
        assert result.search.last_entry <= 3e-3 * result["found"].compared_cost
        assert any("would have earned" in line for line in simple_lines(result))
    assert result["found"].compared_cost <= result["plain"].compared_cost + 1e-6


@pytest.mark.parametrize(
    ("fraction", "text"),
    [
        (1.0, "100.0 %"),
        (0.99996, "over 99.9 %"),
        (0.9994, "99.9 %"),
        (0.98356, "98.3 %"),
        (0.0, "0.0 %"),
        (1e-5, "under 0.1 %"),
        (-0.0, "0.0 %"),
    ],
)
def test_every_moment_is_100_and_only_that(fraction: float, text: str) -> None:
    assert share_text(fraction) == text


# ---- other years -------------------------------------------------------------------------------------------


def test_a_margin_keeps_the_target_in_most_drawn_years() -> None:
    """A target in most instants, met by a hair: in the drawn years it is not, until the search is stricter."""
    case = small_home(days=91, backup={"target_hours": 9.0, "share_of_instants_fraction": 0.8}).case()
    judge = Judge(case, device_space(case))
    drawn = DrawnYears(case, years=60, end_value=judge.end_value)
    found = find(judge, None)
    before = drawn.run(found.card.card, judge.tables.orders([found.card.card]), judge.start_kwh)
    held = with_margin(judge, found, drawn)
    after = drawn.kept(held.years)
    assert after is not None
    assert after >= max(WANTED_YEARS, drawn.kept(before) or 0.0)
    assert as_set_outcome(run_card(case, judge, held.found.card.card, "x"), 0.0, None).target_share >= 0.8


def test_a_stricter_judge_asks_for_more() -> None:
    case = small_home(days=28, backup={"target_hours": 9.0, "share_of_instants_fraction": 0.8}).case()
    judge = Judge(case, device_space(case))
    strict = judge.stricter(0.5, 0.0)
    assert strict.allowed_steps == pytest.approx(0.5 * judge.allowed_steps)
    naive = plain(judge)
    assert strict.cards([naive.card])[0].score >= naive.score
    higher = judge.stricter(1.0, 0.3)
    assert higher.target is not None
    assert judge.target is not None
    assert (higher.target >= judge.target).all()
    assert judge.count == higher.count  # one count for all of them


def test_a_bill_of_many_terms_is_the_same_in_drawn_years() -> None:
    """The quick price of a drawn year is the bill that ``tariffs.bill`` writes for the same flows."""
    case = replace(small_home(days=28), tariff={**RICH, "events": []}).case()
    space = device_space(case)
    judge = Judge(case, space)
    drawn = DrawnYears(case, years=3)
    card = plain(judge).card
    result = drawn.run(card, judge.tables.orders([card]), judge.start_kwh)
    for year in range(3):
        where = drawn.steps[:, year]
        alone = replace(
            case, load_kwh=case.load_kwh[where], other_kwh=case.other_kwh[where], sun_kwh=case.sun_kwh[where]
        )
        flows = run_card(alone, Judge(alone, space), card, "x")
        bill = tariffs.bill(case.tariff, case.times, case.dt_hours, flows["import"], flows["export"])
        assert result.bills[year] == pytest.approx(float(bill.total_unrounded), rel=1e-9)


def test_a_card_with_a_raise_outside_the_plan_keeps_its_own_reserve() -> None:
    case = small_home(days=14).case()
    space = device_space(case)
    low = Raise(dt.datetime(2025, 11, 3), dt.datetime(2025, 11, 5), 20.0)
    plan = DayPlan((), (DischargeWindow(0, 1440),), 40.0)
    judge = Judge(case, space)
    cards = [Card((plan,) * len(space.groups), raises=some) for some in ((), (low,))]
    assert np.array_equal(judge.levels(cards[0]), judge.levels(cards[1]))
