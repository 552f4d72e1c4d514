"""``dispatch tariffs``: which tariff and strategy together are cheapest, with the reasons of those left out."""

from __future__ import annotations

import json
from functools import cache
from typing import TYPE_CHECKING, Any

import pytest
from homes.drafts import toml_text
from homes.small_home import small_home
from homes.tariff_rich import HOURS_OF_USE, RICH, rich_home
from terminal import ROOT, rendered, run, spawn

import tariffs
from dispatch.advice.recommend import recommend
from dispatch.case.case import load_scenario
from dispatch.comparison.compare import Comparison, compare
from dispatch.comparison.tariffs import TariffChoice, choose_tariff
from dispatch.exports.comparison import comparison_document
from dispatch.exports.files import json_text
from dispatch.exports.tariffs import choice_document
from dispatch.report.bill import price_text
from dispatch.report.compare import comparison_report
from dispatch.report.tariffs import choice_report
from dispatch.safety.answers import quick_answers
from tariffs.billing.summed import summed_lines

if TYPE_CHECKING:
    from pathlib import Path

CHEAP: dict[str, Any] = {
    "name": "Low Hum",
    "currency": "CAD",
    "time_zone": "America/Halifax",
    "bands": {"any": {"import_price_per_kwh": 0.11}},
    "windows": [{"band": "any"}],
    "charges": {"per_day": 0.2},
}


def write_tariff(folder: Path, document: dict[str, Any], name: str) -> Path:
    path = folder / name
    path.write_text(toml_text(document), encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = small_home().write(tmp_path_factory.mktemp("home")).parent
    write_tariff(folder, CHEAP, "cheap.toml")
    write_tariff(folder, RICH, "rich.toml")
    write_tariff(folder, HOURS_OF_USE, "hours.toml")
    write_tariff(folder, {**CHEAP, "name": "Afar", "currency": "EUR"}, "afar.toml")
    write_tariff(folder, {**CHEAP, "name": "Past", "valid_to": "2025-11-01"}, "past.toml")
    return folder


NAMES = ("cheap.toml", "rich.toml", "hours.toml", "afar.toml", "past.toml")


@cache
def chosen(home: Path) -> TariffChoice:
    return choose_tariff(load_scenario(home / "scenario.toml"), [home / name for name in NAMES])


def screen(of: Comparison) -> str:
    return rendered(comparison_report(of, quick_answers(of.advice), full=True))


def told_of(of: Comparison) -> dict[str, Any]:
    return comparison_document(of, quick_answers(of.advice))


def unbroken(of: TariffChoice) -> str:
    return " ".join(rendered(choice_report(of)).split())


def test_each_tariff_gets_the_comparison_it_would_have_had_alone(home: Path) -> None:
    choice = chosen(home)
    assert [offer.name for offer in choice.offers] == [
        "Three Lanterns",
        "Low Hum",
        "Tall Chimes",
        "Long Hours",
        "Afar",
        "Past",
    ]
    for offer, name in zip(choice.offers[:3], ("tariff.toml", "cheap.toml", "rich.toml"), strict=True):
        alone = recommend(choice.case.under(tariffs.load_tariff(home / name)))
        assert offer.advice is not None
        assert offer.no_system is not None
        assert list(offer.advice.outcomes) == ["reserve-first", "solar-first", "off-peak-first"]
        assert (offer.advice.strategy, offer.advice.reserve_percent) == (
            alone.strategy,
            alone.reserve_percent,
        )
        for run_name, outcome in offer.advice.outcomes.items():
            assert outcome.bill.total == alone.outcomes[run_name].bill.total
        assert offer.no_system.bill.total == alone.no_system.bill.total


def test_the_cheapest_pair_is_the_least_of_all_that_qualify(home: Path) -> None:
    choice = chosen(home)
    everything = [
        (outcome.compared_cost, offer.name, outcome.name)
        for offer in choice.offers
        if offer.advice is not None
        for outcome in offer.advice.outcomes.values()
        if (outcome.least_hours or 0.0) >= 3.0 - 1e-6
    ]
    best = choice.ranked[0]
    assert (best.outcome.compared_cost, best.offer.name, best.outcome.name) == min(everything)
    text = unbroken(choice)
    assert f"Cheapest: '{best.offer.name}' ({best.offer.path.name}) with {best.outcome.name}" in text
    assert "2 of 6 tariffs could not be compared" in text
    present = choice.offers[0].no_system
    assert present is not None
    assert f"against today's CAD {present.bill_and_wear:,.2f}" in text


def test_savings_are_on_the_present_and_on_the_same_tariff(home: Path) -> None:
    plain = json.loads(json_text(choice_document(chosen(home))))
    today = plain["tariffs"][0]["grid_only_bill"]
    assert plain["present_bill"] == today
    for entry in plain["tariffs"][:3]:
        for line in entry["strategies"]:
            # bills are rounded to the cent a month, savings are not
            assert line["saved_on_present"] == pytest.approx(today - line["compared_cost"], abs=0.02)
            assert line["saved_on_same"] == pytest.approx(
                entry["grid_only_bill"] - line["compared_cost"], abs=0.02
            )
            assert line["meets_target"] == (line["least_backup_hours"] >= 3.0 - 1e-6)
    assert plain["cheapest"] == plain["ranked"][0]
    assert [line["compared_cost"] for line in plain["ranked"]] == sorted(
        line["compared_cost"] for line in plain["ranked"]
    )


def test_a_tariff_that_does_not_fit_is_shown_with_its_reason(home: Path) -> None:
    choice = chosen(home)
    hours, afar, past = choice.offers[3:]
    assert hours.advice is not None  # it can be billed and run as set, only not planned
    assert "'EUR'" in (afar.reason or "")
    assert "valid_to" in (past.reason or "")
    text = unbroken(choice)
    assert "WHAT COULD NOT BE COMPARED" in text
    assert text.count("not compared") >= 2
    assert "Long Hours" in text


@pytest.mark.parametrize("target", [3.0, None, 40.0])
def test_every_line_fits(target: float | None, home: Path, tmp_path: Path) -> None:
    path = small_home(backup={"target_hours": target, "horizon_hours": 100.0}).write(tmp_path)
    choice = choose_tariff(load_scenario(path), [home / "rich.toml", home / "past.toml"])
    text = rendered(choice_report(choice))
    assert max(len(line.rstrip()) for line in text.splitlines()) <= 80
    if target == 40.0:
        assert not choice.ranked
        assert "No tariff with any strategy and reserve leaves the wanted 40 hours" in unbroken(choice)
        assert choice_document(choice)["cheapest"] is None
    else:
        assert unbroken(choice).count("CHOOSE") == 2  # the heading and the line


def test_the_own_tariff_named_again_counts_once(home: Path) -> None:
    case = load_scenario(home / "scenario.toml")
    choice = choose_tariff(case, [home / "tariff.toml", home / "cheap.toml", home / "." / "cheap.toml"])
    assert [offer.name for offer in choice.offers] == ["Three Lanterns", "Low Hum"]
    assert [offer.present for offer in choice.offers] == [True, False]


def test_progress_rises_to_its_end(home: Path) -> None:
    seen: list[tuple[int, int]] = []
    choose_tariff(
        load_scenario(home / "scenario.toml"),
        [home / "cheap.toml"],
        lambda done, total, _label: seen.append((done, total)),
    )
    assert [done for done, _ in seen] == sorted(done for done, _ in seen)
    assert seen[-1][0] == seen[-1][1]


def test_json_is_the_only_thing_on_stdout(home: Path) -> None:
    done = spawn("tariffs", home, home / "rich.toml", home / "past.toml", "--json")
    assert (done.returncode, done.stderr) == (0, "")
    plain = json.loads(done.stdout)
    assert plain["scenario"] == "Wren Cottage"
    assert [entry["reason"] is None for entry in plain["tariffs"]] == [True, True, False]


def test_a_file_that_cannot_be_read_exits_2_before_solving(home: Path, tmp_path: Path) -> None:
    broken = write_tariff(tmp_path, {**CHEAP, "bands": {"any": {"import_price": 0.1}}}, "broken.toml")
    for path, part in (
        (tmp_path / "none.toml", "no such file; did you mean"),
        (broken, "import_price_per_kwh"),
    ):
        done = run("tariffs", home, path)
        assert (done.returncode, done.stdout) == (2, "")
        assert part in done.stderr
        assert "Traceback" not in done.stderr


def test_none_that_could_be_compared_exits_1_with_every_reason(home: Path, tmp_path: Path) -> None:
    drained = {"self_discharge_per_hour_fraction": 0.002, "depth_of_discharge_fraction": 0.9}
    folder = (
        small_home(battery=drained, charging={"grid_w": 0}, sun=False, reserve=None).write(tmp_path).parent
    )
    done = run("tariffs", folder, home / "past.toml")
    assert done.returncode == 1
    assert "none of the tariffs could be compared" in done.stderr
    assert "nothing charges it" in done.stderr
    assert "valid_to" in done.stderr
    assert "None of the tariffs could be compared." in done.stdout


def test_a_tariff_no_plan_can_be_made_for_can_still_be_set_for(home: Path, tmp_path: Path) -> None:
    path = small_home().write(tmp_path)
    write_tariff(tmp_path, HOURS_OF_USE, "tariff.toml")
    choice = choose_tariff(load_scenario(path), [home / "cheap.toml"])
    assert {pair.offer.name for pair in choice.ranked} == {"Long Hours", "Low Hum"}
    assert choice.no_answer() is None
    present, outcome = choice.offers[0].no_system, choice.ranked[0].outcome
    assert present is not None
    assert choice.saved_on_present(outcome) == pytest.approx(present.bill_and_wear - outcome.compared_cost)


def test_the_demo_works_out_of_the_box() -> None:
    case = load_scenario(ROOT / "scenarios" / "alder-row" / "scenario.toml")
    tariff = tariffs.load_tariff(ROOT / "scenarios" / "alder-row" / "tariff-demand.toml")
    prices = case.under(tariff).prices
    assert prices.event.sum() == 44
    assert prices.blocks
    assert prices.demand
    assert prices.minimums


def test_the_comparison_itemises_bill_demand_and_event_days(home: Path) -> None:
    result = compare(chosen(home).case.under(tariffs.load_tariff(home / "rich.toml")))
    text = screen(result)
    assert max(len(line.rstrip()) for line in text.splitlines()) <= 80
    flat = " ".join(text.split())
    name = result.advice.strategy
    assert f"THE BILL OF {name.upper()}, AS SET" in flat
    assert "HIGHEST DEMAND BY MONTH" in flat
    assert "evening power, at least" in flat
    assert "THE 2 EVENT DAYS" in flat
    total = result.advice.chosen.bill.total
    assert f"total, at least {total:,.2f}" in flat
    told = json.loads(json_text(told_of(result)))
    for strategy in told["strategies"]:
        lines = sum(line["amount"] for line in strategy["bill_lines"])
        assert lines == pytest.approx(strategy["bill"]["total_unrounded"])
        assert strategy["event_days"]["count"] == 2
        assert len(strategy["demand"]) == 2
        if strategy["as_set"] is not None:
            own = strategy["as_set"]
            assert sum(line["amount"] for line in own["bill_lines"]) == pytest.approx(
                own["bill"]["total_unrounded"]
            )
            assert own["event_days"]["least_backup_hours"] is not None


def test_an_itemised_bill_shows_lines_as_they_are_billed() -> None:
    steps = {"name": "steps", "steps": [{"up_to_kwh": 20, "price_per_kwh": 0.05}, {"price_per_kwh": 0.2}]}
    rounding = {"kwh_places": 0, "per": "line", "total_to": 0.5}
    result = compare(rich_home(blocks=[steps], events=None, demand=None, rounding=rounding).case())
    bill = result.advice.chosen.bill
    lines = sum(line.billed_amount for period in bill.periods for line in period.lines)
    assert lines not in {bill.total, bill.total_unrounded}
    flat = " ".join(screen(result).split())
    assert f"sum of the lines {lines:,.2f} rounding {bill.total - lines:,.2f} total {bill.total:,.2f}" in flat
    moved = [
        line
        for line in summed_lines(bill)
        if line.kind == "energy" and round(line.amount, 2) != line.billed_amount
    ]
    assert moved
    for line in moved:
        assert line.unit_price is not None
        assert f"{line.quantity:,.2f} kWh {price_text(line.unit_price)} {line.billed_amount:,.2f}" in flat


def test_the_footer_says_how_far_yes_or_no_decisions_are_proven() -> None:
    falling = {"name": "steps", "steps": [{"up_to_kwh": 20, "price_per_kwh": 0.2}, {"price_per_kwh": 0.05}]}
    result = compare(rich_home(blocks=[falling], events=None, demand=None).case())
    plans = list(result.planned.values())
    gaps = [plan.proof.gap for plan in plans if plan.proof is not None and plan.proof.gap is not None]
    assert gaps
    flat = " ".join(screen(result).split())
    assert f"yes-or-no decisions proven to within {max(gaps):.0e} of the best possible" in flat
    assert "what depends on a whole period (tiers, demand) is left out" in flat
    told = told_of(result)["strategies"][1:]
    assert [item["gap"] for item in told] == [plan.proof.gap if plan.proof else None for plan in plans]


def test_plain_tariffs_keep_the_plain_report() -> None:
    text = screen(compare(small_home().case()))
    assert "EVENT DAYS" not in text
    assert "HIGHEST DEMAND" not in text
