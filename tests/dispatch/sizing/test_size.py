"""How much to buy: every cell is what a scenario written with those parts gives; money by hand; refusals."""

from __future__ import annotations

import csv
import json
from typing import TYPE_CHECKING, Any

import pytest
from homes.small_home import small_home
from terminal import rendered, run

from dispatch import door
from dispatch.advice.recommend import recommend
from dispatch.case.case import load_scenario
from dispatch.comparison.compare import plan_of
from dispatch.errors import DispatchError, ScenarioError
from dispatch.exports.files import json_text
from dispatch.exports.size import size_document
from dispatch.report.size import size_report
from dispatch.sizing.next_step import next_step
from dispatch.sizing.size import Sized, size

if TYPE_CHECKING:
    from pathlib import Path

    from homes.drafts import Draft

    from dispatch.sizing.size import Purchase

DAYS = 97 / 24  # the clocks go back
PRICES = {"pack_price": 90.0, "panels_price": 150.0, "work_price": 20.0}


def home(**sections: Any) -> Draft:  # noqa: ANN401 - sections of several types
    return small_home(days=4).changed(**sections)


def sized(folder: Path, draft: Draft, **asked: Any) -> Sized:  # noqa: ANN401 - options of several types
    return size(load_scenario(draft.write(folder)), **asked)


def bought(found: Sized, packs: int, factor: float) -> Purchase:
    return next(
        each
        for each in found.purchases
        if each.cell.parts.pack_count == packs and each.cell.parts.panels.factor == factor
    )


# ---- cells -------------------------------------------------------------------------------------------------
def test_every_cell_is_what_a_scenario_written_with_those_parts_recommends(tmp_path: Path) -> None:
    table = [1200.0, 1900.0, 2300.0]
    draft = home(charging={"combined_w": table})
    found = sized(tmp_path / "home", draft, most_packs=3, panels=[0.0, 0.5, 1.0, 2.0])
    assert len(found.cells) == 12
    assert all(cell.outcome is not None for cell in found.cells)
    for cell in found.cells:
        parts, factor = cell.parts, cell.parts.panels.factor
        written = draft.changed(battery={"pack_count": parts.pack_count})
        if factor <= 0:
            written = written.changed(sun=None)
        else:
            columns = {**draft.columns, "sun_kw": draft.columns["sun_kw"] * factor}
            written = type(written)(written.settings, written.tariff, written.times, columns)
        name = f"{parts.pack_count}-{factor:g}"
        expected = recommend(load_scenario(written.write(tmp_path / name))).chosen
        assert cell.outcome is not None
        assert (cell.outcome.name, cell.outcome.reserve_percent) == (
            expected.name,
            expected.reserve_percent,
        ), name
        assert cell.outcome.total == pytest.approx(expected.total, abs=1e-9), name
        assert cell.outcome.saving == pytest.approx(expected.saving, rel=1e-9, abs=1e-9)
        assert expected.backup is not None
        assert cell.least_hours == pytest.approx(expected.backup.minimum)
        assert cell.least_all_hours == pytest.approx(expected.backup.all_minimum)
        assert cell.cycles_per_year == pytest.approx((expected.cycles or 0.0) * 365 / DAYS)


def test_the_cell_of_the_home_itself_is_the_recommendation_of_every_command(tmp_path: Path) -> None:
    path = home().write(tmp_path)
    found, chosen = size(load_scenario(path), most_packs=2), door.compare(path).comparison.advice.chosen
    assert found.now is not None
    assert found.now.outcome is not None
    assert found.now.outcome.total == chosen.total
    assert found.now.saving_per_year == pytest.approx(chosen.saving * 365 / DAYS)


def test_two_units_are_what_a_scenario_with_two_units_gives(tmp_path: Path) -> None:
    draft = home(units={"most_packs_count": 2}, sizing={"unit_count": [1, 2]})
    found = sized(tmp_path / "one", draft, panels=[1.0])
    pairs = [
        (cell.parts.unit_count, cell.parts.pack_count) for cell in found.cells if cell.parts.panels.factor
    ]
    assert pairs == [(1, 1), (1, 2), (2, 2), (2, 4)]
    two = draft.changed(units={"count": 2}, battery={"pack_count": 4})
    expected = recommend(load_scenario(two.write(tmp_path / "two"))).chosen
    cell = next(cell for cell in found.cells if cell.parts.pack_count == 4 and cell.parts.panels.factor)
    assert cell.outcome is not None
    assert cell.outcome.total == expected.total
    assert cell.outcome.case.limits.inverter_kw == 2 * found.case.limits.inverter_kw


def test_planned_cells_are_true_optima_and_never_dearer_than_as_set(tmp_path: Path) -> None:
    found = sized(tmp_path, home(), most_packs=3, panels=[0.0, 1.0], planned=True)
    for cell in found.cells:
        assert cell.outcome is not None
        assert cell.planned is not None
        assert cell.planned.compared_cost <= cell.outcome.compared_cost + 1e-6
        assert cell.planned.reserve_percent == cell.outcome.reserve_percent
        again = plan_of(cell.outcome, "least-cost")
        assert cell.planned.compared_cost == pytest.approx(again.compared_cost, abs=1e-7)


def test_more_parts_never_keep_fewer_hours_and_never_cost_the_plan_more(tmp_path: Path) -> None:
    """The plan may leave a pack or a panel unused; a battery kept full holds more with more packs."""
    draft = home(inverter={"idle_on_w": 0.0}, charging={"combined_w": 1900.0}, battery={"wear_per_kwh": 0.0})
    draft = draft.changed(backup=None, reserve={"percent": 0.0})
    found = sized(tmp_path, draft, most_packs=4, panels=[0.0, 0.5, 1.0, 1.5], planned=True)
    for cell in found.cells:
        more = found.cell(cell.parts.pack_count + 1, cell.parts.panels)
        if more is not None:
            assert more.most_hours >= cell.most_hours - 1e-6
    for panels, wider in zip(found.panels, found.panels[1:], strict=False):
        for packs in range(1, 5):
            less, more = found.cell(packs, panels), found.cell(packs, wider)
            assert less is not None
            assert more is not None
            assert less.planned is not None
            assert more.planned is not None
            # the reserve is the same 0 %: only the sun differs
            assert more.planned.compared_cost <= less.planned.compared_cost + 1e-6


# ---- money -------------------------------------------------------------------------------------------------
def test_price_gain_payback_and_net_present_value_by_hand(tmp_path: Path) -> None:
    sizing = {
        **PRICES,
        "horizon_years": 3,
        "discount_per_year_fraction": 0.06,
        "tariff_growth_per_year_fraction": 0.02,
        "pack_fade_per_year_fraction": 0.03,
        "panels_fade_per_year_fraction": 0.01,
    }
    found = sized(tmp_path, home(sizing=sizing), most_packs=3, panels=[0.0, 1.0, 2.0])
    now, packs_only = found.now, found.cell(3, found.panels[1])
    purchase = bought(found, 3, 2.0)
    assert now is not None
    assert now.outcome is not None
    assert packs_only is not None
    assert packs_only.outcome is not None
    assert purchase.cell.outcome is not None
    assert purchase.price == 90.0 + 150.0 + 20.0
    # bills alone, as a household pays them: nothing in it is wear
    year = 365 / DAYS
    bills = [
        cell.outcome.compared_cost - cell.outcome.wear
        for cell in (now, packs_only, purchase.cell)
        if cell.outcome is not None
    ]
    from_packs, from_panels = (bills[0] - bills[1]) * year, (bills[1] - bills[2]) * year
    assert purchase.gain.packs == pytest.approx(from_packs)
    assert purchase.gain.panels == pytest.approx(from_panels)
    by_hand = sum(
        (from_packs * (1 - 0.03 * (t - 1)) + from_panels * (1 - 0.01 * (t - 1))) * (1.02 / 1.06) ** t
        for t in (1, 2, 3)
    )
    step = next_step(found)
    judged = next(one for one in step.judged if one.purchase is purchase)
    assert judged.npv == pytest.approx(by_hand - 260.0)
    assert judged.payback_years == pytest.approx(260.0 / (from_packs + from_panels))
    best = max(step.judged, key=lambda one: one.npv or 0.0)
    assert step.best is best


def test_wear_out_of_the_packs_ends_what_they_bring(tmp_path: Path) -> None:
    life = {
        "cycles": [{"depth_percent": 80.0, "cycles_count": 900.0}],
        "calendar_fade_per_year_fraction": 0.02,
    }
    found = sized(tmp_path, home(life=life, sizing=PRICES), most_packs=3, panels=[1.0])
    purchase = bought(found, 3, 1.0)
    ageing = purchase.cell.ageing
    assert ageing is not None
    assert purchase.gain.pack_life_years == ageing.years_to_80 < 15
    assert purchase.gain.pack_fade == pytest.approx(0.2 / ageing.years_to_80)


def test_without_parts_everything_is_a_purchase(tmp_path: Path) -> None:
    sizing = {**PRICES, "unit_price": 400.0, "parts_are_owned": False}
    found = sized(tmp_path, home(sizing=sizing), most_packs=2, panels=[0.0, 1.0])
    assert found.now is None
    assert len(found.purchases) == len(found.cells) == 4
    purchase = bought(found, 2, 1.0)
    assert purchase.price == 2 * 90.0 + 400.0 + 150.0 + 20.0
    assert purchase.gain.total == pytest.approx(purchase.cell.paid_less_per_year)
    assert "buy " in rendered(size_report(found, next_step(found)))


def test_a_target_goes_before_money(tmp_path: Path) -> None:
    """Two packs miss 30 h; the cheapest way to keep them is bought though it costs far more than it brings."""
    sizing = {**PRICES, "pack_price": 5000.0}
    found = sized(tmp_path, home(backup={"target_hours": 30.0}, sizing=sizing), most_packs=6, panels=[1.0])
    step = next_step(found)
    assert found.now is not None
    assert found.now.outcome is not None
    assert not found.now.outcome.meets_target
    assert step.why == "promise"
    assert step.best is not None
    assert step.best.purchase.cell.outcome is not None
    assert step.best.purchase.cell.outcome.meets_target
    keeps = [
        one for one in step.judged if one.purchase.cell.outcome and one.purchase.cell.outcome.meets_target
    ]
    assert step.best.purchase.added_packs == min(one.purchase.added_packs for one in keeps)


def test_dear_parts_are_not_bought_and_without_prices_their_worth_is_told(tmp_path: Path) -> None:
    dear = {"pack_price": 1e6, "panels_price": 1e6}
    found = sized(tmp_path / "dear", home(sizing=dear), most_packs=3, panels=[1.0, 2.0])
    step = next_step(found)
    assert step.why == "nothing pays"
    assert "buy nothing" in rendered(size_report(found, step))
    silent = sized(tmp_path / "silent", home(), most_packs=3, panels=[1.0, 2.0])
    step = next_step(silent)
    assert step.why == "no prices"
    assert step.best is None
    assert all(one.npv is None for one in step.steps)
    screen = " ".join(rendered(size_report(silent, step)).split())
    assert "worth up to" in screen
    assert "hangs on sizing.pack_price and sizing.panels_price, not stated" in screen


def test_expected_loss_falls_with_packs(tmp_path: Path) -> None:
    outages = {"saifi_per_year": 2.0, "caidi_hours": 9.0}
    found = sized(
        tmp_path, home(outages=outages, backup=None, reserve={"percent": 40.0}), most_packs=4, panels=[1.0]
    )
    losses = [cell.loss.unserved_kwh for cell in found.cells if cell.loss and cell.parts.panels.factor]
    assert len(losses) == 4
    assert losses == sorted(losses, reverse=True)
    assert losses[-1] < losses[0]


# ---- screens and files -------------------------------------------------------------------------------------
def test_the_first_screen_is_24_lines_of_80(tmp_path: Path) -> None:
    path = home(sizing=PRICES).write(tmp_path)
    done = run("size", path, "--packs", "8", "--csv", tmp_path / "out")
    assert done.returncode == 0, done.stderr
    lines = done.stdout.rstrip("\n").split("\n")
    assert len(lines) <= 24
    assert max(map(len, lines)) <= 80
    assert lines[0].startswith("Wren Cottage: buy")
    with (tmp_path / "out" / "size.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == 8 * 4
    full = run("size", path, "--packs", "3", "--panels", "0,1", "--full").stdout
    assert max(map(len, full.split("\n"))) <= 80
    for said in ("MONEY, BY PARTS", "HOURS AND LIFE", "price of money", "tariff growth", "fading", "4 DAYS"):
        assert said in full
    document = json.loads(run("size", path, "--packs", "3", "--panels", "0,1", "--json").stdout)
    assert len(document["cells"]) == 6
    assert {doubt["name"] for doubt in (document["best"] or document["next_sizes"][0])["doubts"]} <= {
        "price of money",
        "tariff growth",
        "fading",
    }


def test_with_two_units_the_first_screen_fits_too(tmp_path: Path) -> None:
    sizing = {**PRICES, "unit_price": 300.0, "unit_count": [1, 2]}
    path = home(sizing=sizing, units={"most_packs_count": 4}).write(tmp_path)
    done = run("size", path, "--packs", "8")
    assert done.returncode == 0, done.stderr
    lines = done.stdout.rstrip("\n").split("\n")
    assert len(lines) <= 24, done.stdout
    assert max(map(len, lines)) <= 80
    assert "more unit" in done.stdout
    assert "2 x 2" in done.stdout


def test_parts_that_do_not_work_are_told_with_their_reason(tmp_path: Path) -> None:
    draft = home(reserve={"kwh": 3.0, "percent": None}, backup=None)
    found = sized(tmp_path, draft, most_packs=2, panels=[1.0])
    small = [cell for cell in found.cells if cell.parts.pack_count == 1]
    assert all(cell.refusal is not None and "reserve" in cell.refusal for cell in small)
    assert all(cell.works for cell in found.cells if cell.parts.pack_count == 2)
    screen = rendered(size_report(found, next_step(found), full=True))
    assert "cannot" in screen
    assert "reserve" in screen
    json_text(size_document(found, next_step(found)))


@pytest.mark.parametrize(
    ("sections", "asked", "said"),
    [
        ({"units": {"most_packs_count": 3}}, {"most_packs": 4}, "--packs: 4 packs, but 1 unit of"),
        (
            {"units": {"most_packs_count": 3}, "sizing": {"most_packs_count": 9}},
            {},
            "sizing.most_packs_count: 9",
        ),
        ({"sun": None}, {"panels": [1.0]}, "--panels: needs a series of sun"),
        ({"sun": None, "sizing": {"panels": [{"panels_factor": 1.0}]}}, {}, "sizing.panels: needs a series"),
        ({"sizing": {"panels": [{"panels_factor": 1.0, "strings": []}]}}, {}, "sizing.panels"),
        (
            {"sizing": {"panels": [{"panels_factor": 2.0}, {"panels_factor": 1.0}]}},
            {},
            "rising panels_factor",
        ),
        ({"sizing": {"panels": [{}]}}, {}, "exactly one of panels_factor and strings"),
        ({"sizing": {"unit_count": [2, 1]}}, {}, "write the smaller number first"),
        ({"sizing": {"unit_count": [1, 3]}}, {}, "takes 1, 2 or both"),
        ({"sizing": {"discount_per_year_fraction": 5.0}}, {}, "sizing.discount_per_year_fraction"),
        ({"sizing": {"tariff_growth_per_year_fraction": -1.0}}, {}, "sizing.tariff_growth_per_year_fraction"),
        ({"sizing": {"horizon_years": 0}}, {}, "sizing.horizon_years"),
        ({"sizing": {"pack_prize": 5.0}}, {}, "sizing.pack_prize"),
        (
            {
                "sizing": {
                    "panels": [{"strings": [{"input": "a", "module": "m", "series_count": 2}]}],
                }
            },
            {},
            "strings need [solar]",
        ),
    ],
)
def test_refusals(sections: dict[str, Any], asked: dict[str, Any], said: str, tmp_path: Path) -> None:
    with pytest.raises(ScenarioError) as refused:
        sized(tmp_path, home(**sections), **asked)
    assert said in str(refused.value)
    assert isinstance(refused.value, DispatchError)


@pytest.mark.parametrize("text", ["one", "-1", "1,,2", "nan"])
def test_a_list_of_panels_that_is_none_leaves_with_2(text: str, tmp_path: Path) -> None:
    done = run("size", home().write(tmp_path), f"--panels={text}")
    assert done.returncode == 2
    assert "--panels" in done.stderr


# ---- strings -----------------------------------------------------------------------------------------------
MODULE = {"name": "m", "stc_w": 400.0, "voc_v": 40.0, "isc_a": 12.6, "vmp_v": 33.4, "imp_a": 11.98}
INPUTS = [
    {"name": "a", "lowest_v": 30.0, "highest_v": 150.0, "operating_a": 13.0, "most_w": 950.0},
    {"name": "b", "lowest_v": 30.0, "highest_v": 150.0, "operating_a": 13.0, "most_w": 950.0},
]


def test_panels_as_strings_go_through_the_inputs_and_dangerous_ones_are_refused(tmp_path: Path) -> None:
    wired = {"input": "a", "module": "m", "series_count": 2}
    solar = {
        "coldest_c": -25.0,
        "hottest_c": 34.0,
        "modules": [{**MODULE, "voc_percent_per_k": -0.28, "pmp_percent_per_k": -0.35}],
        "inputs": INPUTS,
        "strings": [wired],
    }
    choices = [
        {"strings": [wired], "price": 300.0},
        {"name": "two", "strings": [wired, {**wired, "input": "b"}], "price": 580.0},
        {"name": "four in series", "strings": [{**wired, "series_count": 4}], "price": 600.0},
    ]
    draft = home(solar=solar, sizing={"pack_price": 90.0})
    settings = {**draft.settings, "sizing": {"pack_price": 90.0, "panels": choices}}
    draft = type(draft)(settings, draft.tariff, draft.times, draft.columns)
    path = tmp_path / "scenario.toml"
    draft.write(tmp_path)
    found = size(load_scenario(path), most_packs=2)
    assert [(one.name, one.factor) for one in found.panels] == [
        ("none", 0.0),
        ("800 W", 1.0),
        ("two", 2.0),
        ("four in series", 2.0),
    ]
    assert found.now is not None
    assert found.now.parts.panels.name == "800 W"
    danger = [cell for cell in found.cells if cell.parts.panels.name == "four in series"]
    assert all(cell.refusal is not None and "DANGEROUS" in cell.refusal for cell in danger)
    two = bought(found, 2, 2.0)
    assert two.price == 280.0
    one_input, both = found.now.outcome, two.cell.outcome
    assert one_input is not None
    assert both is not None
    assert both.case.sun_kwh.max() == pytest.approx(2 * min(one_input.case.sun_kwh.max(), 0.95), rel=0.02)
