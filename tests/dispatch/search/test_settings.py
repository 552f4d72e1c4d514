"""Settings that can be entered: found as by trying everything, replayed by another inverter, read and refused."""

from __future__ import annotations

import datetime as dt
import itertools
import json
from dataclasses import replace
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import pytest
from homes.small_home import small_home
from oracles.naive_inverter import run
from oracles.stepcheck import broken_rules

import tariffs
from dispatch.advice.recommend import recommend
from dispatch.ahead.rolling import rolling
from dispatch.cards.card import Card, ChargeWindow, DayPlan, DischargeWindow, Group, Window
from dispatch.cards.card_file import card_toml, read_card, season_changes
from dispatch.cards.plain import plain_card
from dispatch.cards.space import device_space
from dispatch.errors import ScenarioError
from dispatch.exports.settings import settings_document
from dispatch.outcome import as_set_outcome
from dispatch.search.judge import Judge, entries, plain
from dispatch.search.moves import apart
from dispatch.search.search import find
from dispatch.search.study import SettingsStudy, run_card, study

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from dispatch.cards.space import Space
    from dispatch.case.case import Case

COARSE = {
    "charge_window_count": 1,
    "discharge_window_count": 1,
    "time_step_minutes": 180,
    "level_step_percent": 20,
    "tells_weekends": False,
    "sun_first": "load",
}


def home(**sections: Any) -> Case:  # noqa: ANN401 - sections hold values of several types
    return small_home(**{"days": 14, "settings": COARSE, **sections}).case()


@lru_cache(maxsize=4)
def studied(days: int = 14) -> SettingsStudy:
    return study(recommend(small_home(days=days).case()))


# ---- the search against trying everything -------------------------------------------------------------------


def everything(space: Space) -> list[Card]:
    """Every card without overlaps in a space of one group."""
    spans = [
        (a, b + space.grain_minutes)
        for a, b in itertools.product(space.edges, space.edges)
        if b + space.grain_minutes != a
    ]
    spans = [(a, b) for a, b in spans if Window(a, b).minutes < 1440] + [(0, 1440)]
    cards = []
    for reserve in space.reserves:
        targets = [level for level in space.levels if level > reserve]
        charges = [(), *((ChargeWindow(a, b, level),) for (a, b), level in itertools.product(spans, targets))]
        stretches = [(), *((DischargeWindow(a, b),) for a, b in spans)]
        for charge, discharge in itertools.product(charges, stretches):
            plan = DayPlan(charge, discharge, reserve)
            if apart(plan, space, charge_wins=True) == plan:
                cards.append(Card((plan,)))
    return cards


@pytest.mark.parametrize(
    "sections",
    [
        {},
        {"sun": False},
        {"backup": {"target_hours": 6.0}},
        {"first": "2025-06-01", "battery": {"wear_per_kwh": 0.0}},
        {"grid": {"feed_in": "grid"}},
        {"days": 91, "backup": {"target_hours": 11.0, "share_of_instants_fraction": 0.85}},
    ],
    ids=["winter", "no sun", "high target", "summer, no wear", "feeding in", "target most of a quarter"],
)
def test_the_search_finds_what_trying_everything_finds(sections: dict[str, Any]) -> None:
    case = home(**sections)
    space = device_space(case)
    assert len(space.groups) == 1
    judge = Judge(case, space)
    cards = everything(space)
    assert 3_000 < len(cards) <= 50_000
    best = judge.cards(cards)[0]
    found = find(judge, None)
    bill = abs(best.score) + case.prices.fixed_total
    assert best.score <= found.best.score + 1e-9
    assert found.best.score <= best.score + 1e-3 * bill
    assert found.card.score <= found.best.score + 3e-3 * bill
    assert found.card.score <= plain(judge).score + 1e-9
    # of all cards that cost as little, none has fewer entries
    near = [one for one in judge.cards(cards) if one.score <= found.card.score + 1e-9]
    assert entries(found.card.card) <= min(entries(one.card) for one in near)


def test_the_judge_can_tell_good_from_bad() -> None:
    """The plain card of this home is far from the best: a search that returned it would fail above."""
    judge = Judge(home(), device_space(home()))
    assert plain(judge).score > 1.001 * find(judge, None).best.score


def test_the_backup_target_comes_before_the_bill() -> None:
    case = home(backup={"target_hours": 12.0, "share_of_instants_fraction": 0.9})
    space = device_space(case)
    judge = Judge(case, space)
    careless = plain_card(case, space, "off-peak-first", space.reserves[0])
    found = find(judge, None).card.card
    shares = [
        as_set_outcome(run_card(case, judge, card, "card"), 0.0, None).target_share
        for card in (careless, found)
    ]
    assert shares[0] < 0.9 <= shares[1]


# ---- what is shown is what another inverter gets ------------------------------------------------------------


def test_the_cards_bill_is_what_an_independent_inverter_runs_up() -> None:
    result = studied()
    case, document = result.chosen.case, json.loads(json.dumps(settings_document(result)))
    names = ("load", "idle", "other", "sun")
    columns = {f"{name}_kwh": getattr(case, f"{name}_kwh").tolist() for name in names}
    rows = [dict(zip(columns, values, strict=True)) for values in zip(*columns.values(), strict=True)]
    limits = {name: getattr(case.limits, name) for name in case.limits.__dataclass_fields__}
    seasons = [case.prices.season_names[i] for i in case.prices.season.tolist()]
    moments = [moment.to_pydatetime() for moment in case.times]
    flows = run(document["card"], limits, rows, moments, seasons, case.dt_hours)
    bought, sold = (np.array([row[name] for row in flows]) for name in ("import", "export"))
    bill = tariffs.bill(case.tariff, case.times, case.dt_hours, bought, sold)
    way = next(way for way in document["ways"] if way["name"] == "found")
    assert way["bill"]["total"] == pytest.approx(float(bill.total), abs=0.005)
    table = pd.DataFrame({**columns, "floor_kwh": case.floor_kwh}).join(
        pd.DataFrame({f"{name}_kwh": [row[name] for row in flows] for name in flows[0]})
    )
    table["import_excess_kwh"] = 0.0
    table["floor_shortfall_kwh"] = np.maximum(case.floor_kwh - table["stored_kwh"], 0.0)
    closing = max(0.0, case.limits.closing_kwh - float(table["stored_kwh"].iloc[-1]))
    problems = broken_rules(table, limits, "as set", dt_hours=case.dt_hours, closing_shortfall_kwh=closing)
    assert problems == []


def test_the_ways_stand_in_their_order() -> None:
    result = studied()
    assert [way.name for way in result.ways] == ["plain", "found", "re-planned", "reachable", "bound"]
    assert result["found"].compared_cost <= result["plain"].compared_cost + 1e-6
    assert result["bound"].compared_cost <= result["found"].compared_cost + 1e-6
    assert result.gap == pytest.approx(result["found"].compared_cost - result["reachable"].compared_cost)
    assert result["bound"].compared_cost <= result["reachable"].compared_cost + 1e-6
    assert result["reachable"].compared_cost <= result["found"].compared_cost + 1e-9
    assert result["reachable"].compared_cost <= result["re-planned"].compared_cost + 1e-9
    assert result["found"].floor_broken_hours == 0.0
    assert result["found"].target_share == 1.0


def test_leaving_a_line_out_costs_what_its_reason_says() -> None:
    result = studied()
    judge = Judge(result.case, result.space)
    own = judge.cards([result.card])[0].money
    lines = [line for line in result.lines if line.kind == "discharge"]
    assert lines
    for line in lines:
        plan = result.card.plans[line.group]
        rest = tuple(w for i, w in enumerate(plan.discharge) if i != line.index)
        smaller = DayPlan(plan.charge, rest, plan.reserve_percent)
        plans = tuple(
            smaller if other == plan else other for other in result.card.plans
        )  # on all days it holds
        without = judge.cards([Card(plans, result.card.sun_first)])[0]
        assert line.worth is not None
        assert line.worth.money == pytest.approx(without.money - own, abs=1e-9)
        assert line.worth.breaks == without.broken


def test_a_broken_promise_is_named_and_never_money() -> None:
    """A reserve window that keeps the target: without it the target is missed, and the money is that of the flows."""
    case = home(backup={"target_hours": 12.0, "share_of_instants_fraction": 0.9})
    advice = recommend(case)
    result = study(advice)
    case = result.case
    breaking = [line for line in result.lines if line.worth is not None and line.worth.breaks]
    assert [line.kind for line in breaking] == ["charge"]
    worth = breaking[0].worth
    assert worth is not None
    assert worth.breaks == ("backup target",)
    judge = Judge(case, result.space)
    plan = result.card.plans[0]
    without = replace(result.card, plans=(DayPlan((), plan.discharge, plan.reserve_percent),))
    ways = [
        as_set_outcome(run_card(case, judge, card, "x"), result.reference_total, None)
        for card in (result.card, without)
    ]
    assert worth.met_fraction == pytest.approx(ways[1].target_share, abs=1e-9)
    assert worth.money == pytest.approx(ways[1].compared_cost - ways[0].compared_cost, abs=1e-6)
    assert abs(worth.money) < result.reference_total


def test_no_figure_of_the_document_is_a_penalty() -> None:
    for case in (home(backup={"target_hours": 12.0, "share_of_instants_fraction": 0.9}), home()):
        result = study(recommend(case))

        def numbers(value: Any) -> Iterator[float]:  # noqa: ANN401 - a tree of plain types
            if isinstance(value, dict):
                value = list(value.values())
            if isinstance(value, list):
                for part in value:
                    yield from numbers(part)
            elif isinstance(value, int | float) and not isinstance(value, bool):
                yield float(value)

        document = settings_document(result)
        money = [
            *numbers(document["ways"]),
            *numbers(document["reasons"]),
            *numbers(document["search"]["best_less"]),
        ]
        assert (
            max(map(abs, money)) < 1_000 * result.reference_total
        )  # energies stand among them; a weight is far above


def test_scoring_a_given_card_gives_the_figures_of_finding_it() -> None:
    result = studied()
    again = study(recommend(small_home(days=14).case()), card=result.card)
    assert again.entered
    assert again["entered"].total == result["found"].total
    assert again["entered"].compared_cost == pytest.approx(result["found"].compared_cost, abs=1e-9)


def test_bill_terms_beyond_prices_decide_too() -> None:
    """A demand charge on the evening: the card found keeps the month's highest hour lower than the plain one."""
    draft = small_home(days=14, settings=COARSE)
    demand = {"name": "evening demand", "price_per_kw": 9.0, "from": "16:00", "to": "22:00"}
    draft = type(draft)(draft.settings, {**draft.tariff, "demand": [demand]}, draft.times, draft.columns)
    case = draft.case()
    assert case.prices.demand
    advice = recommend(case)
    result = study(advice)
    case = result.case
    assert result["found"].compared_cost <= result["plain"].compared_cost + 1e-6
    judge = Judge(case, result.space)
    assert result["plain"].compared_cost == pytest.approx(advice.chosen.compared_cost, abs=1e-9)
    assert judge.cards([result.card])[0].score + case.prices.fixed_total == pytest.approx(
        result["found"].compared_cost, abs=1e-6
    )


# ---- groups, plain settings and the card file ---------------------------------------------------------------


def test_kinds_of_day_are_told_apart_only_where_prices_are() -> None:
    case = small_home(days=14).case()
    space = device_space(case)
    assert {group.days for group in space.groups} <= {"every day", "weekdays", "weekends"}
    assert len(space.group_of) == len(case.times)


def test_plain_follows_the_tariffs_windows() -> None:
    case = small_home(days=14).case()
    space = device_space(case)
    plan = plain_card(case, space, "off-peak-first", space.reserves[0]).plans[0]
    price = case.prices.import_price_per_kwh
    minute = np.asarray(case.times.hour * 60)
    charging = np.any([w.holds(minute) for w in plan.charge], axis=0)
    assert set(price[charging & (space.group_of == 0)]) == {price[space.group_of == 0].min()}
    assert plan.charge[0].to_percent == space.levels[-1]


def test_season_changes_are_the_days_prices_change() -> None:
    case = small_home(days=14).case()
    changes = season_changes(case, device_space(case))
    assert changes[0][0] == case.times[0].date()
    assert all(isinstance(day, dt.date) for day, _ in changes)


def test_a_card_survives_its_file(tmp_path: Path) -> None:
    result = studied()
    path = tmp_path / "card.toml"
    path.write_text(card_toml(result.card, result.space.groups), encoding="utf-8")
    assert read_card(path, result.case, result.space) == result.card


GOOD = """
sun_first = "load"
[[plans]]
reserve_percent = 40
charge = [{ from = "00:00", to = "06:00", to_percent = 80 }]
discharge = [{ from = "18:00", to = "21:00" }]
"""


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('to = "06:00"', 'to = "30:00"', ("charge[1]", "ends at 24:00", "got '30:00'")),
        ('from = "18:00"', 'from = "25:00"', ("discharge[1]", "ends at 24:00", "crosses midnight")),
        ('to = "21:00"', 'to = "18:00"', ("empty", "'00:00' to '24:00'")),
        ('to = "21:00"', 'to = "21:15"', ("21:15", "step")),
        ('"18:00"', '"six"', ("not a clock time", "got 'six'", "such as '18:00'")),
        ("to_percent = 80", "to_percent = 20", ("to_percent", "20 %", "reserve", "choose a level between")),
        ("reserve_percent = 40", "reserve_percent = 0", ("0 %", "reserve_percent")),
        ("reserve_percent = 40", "reserve_percent = 45", ("45 %", "multiple", "write")),
        ("to_percent = 80", "to_percent = 120", ("to_percent", "at most 100")),
        (
            "charge = [{",
            'charge = [{ from = "08:00", to = "09:00", to_percent = 80 }, {',
            ("2 windows", "takes 1"),
        ),
        ('from = "18:00"', 'from = "03:00"', ("overlap", "shorten")),
        ("[[plans]]", '[[plans]]\nseason = "spring"', ("spring", "no such season", "choose one of")),
        ("sun_first", "sun_frist", ("sun_frist", "did you mean 'sun_first'")),
        ("reserve_percent = 40", "", ("plans[1].reserve_percent", "missing")),
        ('sun_first = "load"', "sells = true", ("sells", "battery_feed_in")),
    ],
)
def test_cards_that_cannot_be_entered_are_refused(
    tmp_path: Path, old: str, new: str, words: tuple[str, ...]
) -> None:
    assert old in GOOD
    case = home()
    path = tmp_path / "card.toml"
    path.write_text(GOOD.replace(old, new, 1), encoding="utf-8")
    with pytest.raises(ScenarioError) as refused:
        read_card(path, case, device_space(case))
    for word in (str(path), *words):
        assert word in str(refused.value)


def test_the_good_card_is_good(tmp_path: Path) -> None:
    case = home()
    path = tmp_path / "card.toml"
    path.write_text(GOOD, encoding="utf-8")
    card = read_card(path, case, device_space(case))
    assert card.plans[0].charge == (ChargeWindow(0, 360, 80.0),)


@pytest.mark.parametrize(
    ("setting", "value", "word"),
    [("time_step_minutes", 50, "do not divide a day"), ("level_step_percent", 7, "do not divide 100")],
)
def test_a_device_that_cannot_be_is_refused(setting: str, value: int, word: str) -> None:
    with pytest.raises(ValueError, match=word):
        small_home(settings={setting: value}).case()


def test_windows_read_as_people_write_them() -> None:
    assert Window(1320, 360).text == "22:00-06:00"
    assert Window(1320, 360).minutes == 480
    assert Window(0, 1440).minutes == 1440
    assert Group("winter", "weekdays").season == "winter"


# ---- no plan on forecasts beats the bound --------------------------------------------------------------------


def test_the_rolling_run_keeps_the_reserve_and_the_balance() -> None:
    case = small_home(days=14).case()
    flows = rolling(case)
    assert flows["floor_shortfall"].max() < 1e-6
    assert flows["unserved_load"].max() < 1e-9
