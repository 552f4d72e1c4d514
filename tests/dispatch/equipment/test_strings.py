"""Strings against worked examples, and every way a string can hurt its input."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from dispatch.equipment.arrangements import arrangements, how_many
from dispatch.equipment.cable import loop_ohm
from dispatch.equipment.strings import (
    cold_factor,
    deliver,
    deliver_series,
    hot_factor,
    judge,
    judge_strings,
    most_in_series,
)
from dispatch.errors import ScenarioError
from dispatch.scenario.parts import Parts
from dispatch.scenario.solar import Module, Solar
from tariffs.reading.models import validated

if TYPE_CHECKING:
    from pathlib import Path

MODULE = {"name": "m", "stc_w": 410.0, "voc_v": 37.0, "isc_a": 13.9, "vmp_v": 31.0, "imp_a": 13.2}
WITH_COEFFICIENTS = {**MODULE, "voc_percent_per_k": -0.27, "pmp_percent_per_k": -0.34}
INPUT = {  # common practice, no source: 12-150 V, 15 A, 2,400 W
    "name": "a",
    "lowest_v": 12.0,
    "highest_v": 150.0,
    "operating_a": 15.0,
    "short_circuit_a": 30.0,
    "most_w": 2400.0,
}


def solar(**settings: Any) -> Solar:  # noqa: ANN401 - settings of several types
    given = {
        "coldest_c": -20.0,
        "hottest_c": 35.0,
        "modules": [WITH_COEFFICIENTS],
        "inputs": [INPUT],
        **settings,
    }
    return Solar.model_validate(given)


def string(**settings: Any) -> dict[str, Any]:  # noqa: ANN401
    return {"input": "a", "module": "m", "series_count": 3, **settings}


# NFPA 70 (NEC), Table 690.7(A), crystalline silicon; rows 24 to 5 from memory
NEC = [
    *((24, 1.02), (20, 1.02), (19, 1.04), (15, 1.04), (14, 1.06), (10, 1.06), (9, 1.08), (5, 1.08)),
    *((4, 1.10), (0, 1.10), (-1, 1.12), (-5, 1.12), (-6, 1.14), (-10, 1.14), (-11, 1.16), (-15, 1.16)),
    *((-16, 1.18), (-20, 1.18), (-21, 1.20), (-25, 1.20), (-26, 1.21), (-30, 1.21), (-31, 1.23), (-35, 1.23)),
    *((-36, 1.25), (-40, 1.25), (25, 1.0), (30, 1.0)),
]


@pytest.mark.parametrize(("celsius", "factor"), NEC)
def test_factors_of_nec_690_7(celsius: float, factor: float) -> None:
    assert cold_factor(Module.model_validate(MODULE), celsius) == factor


def test_between_two_rows_the_colder_one_counts() -> None:
    assert cold_factor(Module.model_validate(MODULE), -5.5) == 1.14


def test_below_the_table_a_coefficient_is_needed() -> None:
    with pytest.raises(ScenarioError, match=r"end at -40 C.*coldest_c = -41.*add the coefficient"):
        cold_factor(Module.model_validate(MODULE), -41.0)
    assert cold_factor(Module.model_validate(WITH_COEFFICIENTS), -41.0) == pytest.approx(1 + 0.0027 * 66)


def test_worked_string_by_coefficient() -> None:
    """49.5 V, -0.28 %/K, -5 C: 53.66 V, 18 modules to 1,000 V; Vmp 41.2 V at 45 C: 38.9 V (amozeshbargh.ir/post-69)."""
    module = {"name": "m", "stc_w": 400.0, "voc_v": 49.5, "isc_a": 10.2, "vmp_v": 41.2, "imp_a": 9.71}
    module = {**module, "voc_percent_per_k": -0.28, "vmp_percent_per_k": -0.28}
    wide = {**INPUT, "lowest_v": 200.0, "highest_v": 1000.0}
    given = solar(coldest_c=-5.0, hottest_c=45.0, module_rise_k=0.0, modules=[module], inputs=[wide])
    one, panel = given.inputs[0], given.modules[0]
    assert panel.voc_v * cold_factor(panel, -5.0) == pytest.approx(53.658, abs=1e-3)
    assert most_in_series(given, panel, one) == 18
    assert panel.vmp_v * hot_factor(panel, 45.0) == pytest.approx(38.9, abs=0.01)
    assert judge(given, one, panel, 18, 1).is_legal
    assert judge(given, one, panel, 18, 1).hot_vmp_v == pytest.approx(700, abs=1.0)
    assert judge(given, one, panel, 19, 1).dangers


def test_voltage_above_the_window_is_dangerous_and_says_how_many_fit() -> None:
    # 4 x 37 x (1 + 0.0027 x 45) = 165.98 V; 150 / 41.496 = 3.6
    with pytest.raises(
        ScenarioError, match=r"DANGEROUS.*166\.0 V at -20 C, above the 150 V of 'a': at most 3 in series"
    ):
        judge_strings(solar(strings=[string(series_count=4)]))


def test_the_factor_of_the_code_is_used_where_there_is_no_coefficient() -> None:
    given = solar(modules=[MODULE], strings=[string()])
    assert judge_strings(given)[0].cold_voc_v == pytest.approx(3 * 37 * 1.18)


def test_short_circuit_current_above_its_rating_is_dangerous() -> None:
    # 3 x 13.9 = 41.7 A
    with pytest.raises(
        ScenarioError, match=r"DANGEROUS.*41\.7 A short-circuit, above the 30 A of 'a': at most 2 in par"
    ):
        judge_strings(solar(strings=[string(series_count=2, parallel_count=3)]))


def test_a_rating_that_is_not_stated_is_not_taken_as_met() -> None:
    unknown = {key: value for key, value in INPUT.items() if key != "short_circuit_a"}
    verdict = judge_strings(solar(inputs=[unknown], strings=[string()]))[0]
    assert any("not stated, so not checked" in remark for remark in verdict.remarks)


def test_too_little_voltage_in_the_heat_would_not_work() -> None:
    high = {**INPUT, "lowest_v": 60.0}
    # 2 x 31 x (1 - 0.0034 x (35 + 30 - 25)) = 53.57 V
    with pytest.raises(
        ScenarioError, match=r"would not work: 53\.6 V with cells at 65 C, below the 60 V.*at least 3 in"
    ):
        judge_strings(solar(inputs=[high], strings=[string(series_count=2)]))


def test_current_above_what_the_input_uses_is_lost_and_told_not_refused() -> None:
    verdict = judge_strings(solar(strings=[string(series_count=2, parallel_count=2)]))[0]
    # 26.4 A of which 15 A count: 4 x 410 x 15 / 26.4 W
    assert verdict.used_w == pytest.approx(4 * 410 * 15 / 26.4)
    assert any("26.4 A, above the 15 A" in remark for remark in verdict.remarks)


def test_power_above_the_inputs_is_cut_off() -> None:
    small = {**INPUT, "most_w": 1000.0}
    verdict = judge_strings(solar(inputs=[small], strings=[string()]))[0]
    assert verdict.used_w == 1000.0
    assert any("the rest is cut off" in remark for remark in verdict.remarks)


def test_unlike_strings_on_one_input_are_refused_and_two_inputs_may_differ() -> None:
    with pytest.raises(
        ScenarioError, match=r"input 'a': unlike strings, series_count differs \(2 and 3\)|\(3 and 2\)"
    ):
        judge_strings(solar(strings=[string(), string(series_count=2)]))
    two = [INPUT, {**INPUT, "name": "b"}]
    assert len(judge_strings(solar(inputs=two, strings=[string(), string(input="b", series_count=2)]))) == 2


def test_alike_strings_on_one_input_add_their_currents() -> None:
    verdict = judge_strings(solar(strings=[string(series_count=2), string(series_count=2)]))[0]
    assert verdict.parallel_count == 2
    assert verdict.short_circuit_a == pytest.approx(27.8)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"voc_percent_per_k": 0.27}, r"wrong sign.*write -0\.27"),
        ({"voc_percent_per_k": -0.0027}, r"looks like a fraction per K.*write -0\.27"),
        ({"voc_percent_per_k": -0.1}, r"out of range.*divide by the value at 25 C"),
        ({"voc_percent_per_k": -27.0}, r"out of range"),
        ({"pmp_percent_per_k": 0.34}, r"wrong sign"),
        ({"isc_percent_per_k": -0.05}, r"wrong sign.*write 0\.05"),
        ({"vmp_v": 38.0}, r"not below voc_v"),
        ({"imp_a": 14.0}, r"not below isc_a"),
        ({"stc_w": 600.0}, r"vmp_v x imp_a = 409\.2 W"),
    ],
)
def test_a_sheet_that_cannot_be_right_is_refused(tmp_path: Path, change: dict[str, Any], said: str) -> None:
    data = solar().model_dump(exclude_none=True) | {"modules": [{**WITH_COEFFICIENTS, **change}]}
    with pytest.raises(ScenarioError, match=said):
        validated(Parts, {"solar": data}, tmp_path, ScenarioError)


# ---- arrangements ------------------------------------------------------------------------------------------
def test_every_arrangement_of_six_modules_on_one_input() -> None:
    """By hand: 1x6 and 2x3 short circuit 83.4 and 41.7 A > 30 A; 3x2 fits; 6x1 is 249 V."""
    given = solar()
    found = arrangements(given, given.modules[0], 6)
    assert [(p.series_count, p.parallel_count) for way in found.legal for p in way.parts] == [(3, 2)]
    assert {(v.series_count, v.parallel_count) for v in found.illegal} == {(1, 6), (2, 3), (6, 1)}
    assert all(verdict.dangers for verdict in found.illegal)
    assert found.most_legal_count == 6


def test_two_inputs_share_the_modules_and_the_better_way_comes_first() -> None:
    given = solar(inputs=[INPUT, {**INPUT, "name": "b"}])
    found = arrangements(given, given.modules[0], 6)
    best = found.legal[0]
    # 3S1P on each uses 13.2 A of 15: nothing is lost; 3S2P on one loses current
    assert [(p.series_count, p.parallel_count) for p in best.parts] == [(3, 1), (3, 1)]
    assert best.used_w == pytest.approx(2460.0)
    assert best.used_w > found.legal[-1].used_w
    used = [way.used_w for way in found.legal]
    assert used == sorted(used, reverse=True)


def test_every_legal_arrangement_uses_all_modules_within_all_ratings() -> None:
    other = {**INPUT, "name": "b", "highest_v": 90.0, "operating_a": 20.0, "short_circuit_a": 45.0}
    given = solar(inputs=[INPUT, other])
    for count in range(1, 13):
        for way in arrangements(given, given.modules[0], count).legal:
            assert sum(part.module_count for part in way.parts) == count
            for part in way.parts:
                assert part.series_count * 37 * (1 + 0.0027 * 45) <= part.input.highest_v
                assert part.parallel_count * 13.9 <= (part.input.short_circuit_a or 0)


def test_a_number_that_does_not_fit_says_how_many_do() -> None:
    given = solar()
    found = arrangements(given, given.modules[0], 7)
    assert found.legal == ()
    assert found.most_legal_count == 6


@pytest.mark.parametrize("alike", [True, False])
def test_no_way_is_missed_or_told_twice(alike: bool) -> None:
    """Against every pair of arrangements, tried one by one."""
    other = (
        {**INPUT, "name": "b"}
        if alike
        else {**INPUT, "name": "b", "highest_v": 100.0, "short_circuit_a": 45.0}
    )
    given = solar(inputs=[INPUT, other])
    module = given.modules[0]
    for count in (1, 4, 7, 10):
        shapes = [(s, p) for s in range(1, count + 1) for p in range(1, count // s + 1)]
        ways = [
            [None, *(x for x in shapes if judge(given, one, module, *x).is_legal)] for one in given.inputs
        ]
        expected = {
            tuple(sorted((a, b), key=repr)) if alike else (a, b)
            for a in ways[0]
            for b in ways[1]
            if sum(s * p for s, p in filter(None, (a, b))) == count
        }
        found = arrangements(given, module, count)
        assert len(found.legal) == len(expected)
        assert all(sum(part.module_count for part in way.parts) == count for way in found.legal)


def test_how_many_fit_and_how_many_fill() -> None:
    """Two inputs of 2,400 W take 3S2P each at most: 12; current above 15 A is lost, so 12 use 2 x 1,397.7 W."""
    given = solar(inputs=[INPUT, {**INPUT, "name": "b"}])
    found = how_many(given, given.modules[0])
    assert found.most_count == 12
    assert found.best[12].used_w == pytest.approx(2 * 6 * 410 * 15 / 26.4)
    assert [found.best[n].used_w for n in (1, 3, 6)] == pytest.approx([410.0, 1230.0, 2460.0])
    assert found.fills_count == 12


# ---- what arrives ------------------------------------------------------------------------------------------
def test_current_cable_and_power_limit_the_sun_by_hand() -> None:
    cable = {"area_mm2": 4.0, "length_m": 10.0, "strands": "flexible", "conductor_c": 20.0}
    given = solar(strings=[string(parallel_count=2, cable=cable)])
    ohm = loop_ohm(given.strings[0].cable)  # type: ignore[arg-type]
    assert ohm == pytest.approx(0.099)
    panels = np.array([0.0, 0.93, 2.4])
    there = deliver(given, "a", panels)
    # 93 V: 0, 10 and 25.8 A, of which 15 A count
    assert there.current_lost_kw == pytest.approx([0.0, 0.0, 2.4 - 1.395])
    assert there.cable_lost_kw == pytest.approx([0.0, 0.099 * 100 / 1000, 0.099 * 225 / 1000])
    assert there.delivered_kw == pytest.approx([0.0, 0.93 - 0.0099, 1.395 - 0.022275])
    total = there.delivered_kw + there.current_lost_kw + there.cable_lost_kw + there.power_lost_kw
    assert total == pytest.approx(panels)


def test_power_above_the_input_is_lost_and_nothing_goes_missing() -> None:
    given = solar(inputs=[{**INPUT, "most_w": 500.0}], strings=[string()])
    there = deliver(given, "a", np.array([0.4, 1.2]))
    assert there.delivered_kw == pytest.approx([0.4, 0.5])
    assert there.power_lost_kw == pytest.approx([0.0, 0.7])


def test_a_measured_series_is_shared_by_rated_power() -> None:
    two = [INPUT, {**INPUT, "name": "b", "most_w": 300.0}]
    given = solar(inputs=two, strings=[string(), string(input="b", series_count=1)])
    # 1.6 kWh in an hour: 1.2 and 0.4, of which b takes 0.3
    assert deliver_series(given, np.array([1.6]), 1.0) == pytest.approx([1.5])
