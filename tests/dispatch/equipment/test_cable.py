"""Cables against published tables and worked drops."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from pydantic import ValidationError

from dispatch.equipment.cable import (
    cable_loss,
    gauge_area_mm2,
    gauge_diameter_mm,
    loop_ohm,
    loss_kw,
    resistance_ohm_per_m,
)
from dispatch.scenario.solar import Cable

FOOT = 0.3048
KFT = 304.8


def cable(**settings: Any) -> Cable:  # noqa: ANN401 - settings of several types
    return Cable.model_validate({"length_m": 10.0, **settings})


# ASTM B258 diameters; cirris.com/wire-resistance-calculator: 80.808 and 64.084 mil, 6,529.9 and 4,106.8 cmil
@pytest.mark.parametrize(
    ("awg", "mil"), [(14, 64.084), (12, 80.808), (10, 101.897), (8, 128.490), (6, 162.02)]
)
def test_gauge_diameters_are_those_of_the_standard(awg: int, mil: float) -> None:
    assert gauge_diameter_mm(awg) == pytest.approx(mil * 0.0254, rel=3e-5)  # as printed


# a circular mil is the area of a circle of one mil: 5.067075e-4 mm2
@pytest.mark.parametrize(("awg", "cmil"), [(14, 4106.8), (12, 6529.9), (10, 10383), (8, 16510), (6, 26251)])
def test_gauge_areas_in_circular_mils(awg: int, cmil: float) -> None:
    assert gauge_area_mm2(awg) / 5.067075e-4 == pytest.approx(cmil, rel=1e-4)


# International Annealed Copper Standard, 0.017241 ohm mm2/m at 20 C (NBS Handbook 100, 1966)
# 1.588 and 2.525 ohm per 1,000 ft: cirris.com/wire-resistance-calculator
@pytest.mark.parametrize(("awg", "ohm"), [(14, 2.525), (12, 1.588), (10, 0.9988), (8, 0.6282)])
def test_solid_copper_at_20_c(awg: int, ohm: float) -> None:
    assert resistance_ohm_per_m(cable(awg=awg, strands="solid", conductor_c=20.0)) * KFT == pytest.approx(
        ohm, rel=5e-4
    )


# NFPA 70 (NEC), chapter 9 Table 8, uncoated copper and aluminium at 75 C, ohm per 1,000 ft
@pytest.mark.parametrize(
    ("metal", "strands", "awg", "ohm"),
    [
        ("copper", "solid", 14, 3.07),
        ("copper", "solid", 12, 1.93),
        ("copper", "solid", 10, 1.21),
        ("copper", "solid", 8, 0.764),
        ("copper", "stranded", 14, 3.14),
        ("copper", "stranded", 12, 1.98),
        ("copper", "stranded", 10, 1.24),
        ("copper", "stranded", 8, 0.778),
        ("copper", "stranded", 6, 0.491),
        ("aluminium", "stranded", 12, 3.25),
        ("aluminium", "stranded", 10, 2.04),
    ],
)
def test_nec_table_8(metal: str, strands: str, awg: int, ohm: float) -> None:
    at = resistance_ohm_per_m(cable(awg=awg, metal=metal, strands=strands, conductor_c=75.0)) * KFT
    assert at == pytest.approx(ohm, rel=4e-3)  # three digits


def test_a_stranded_gauge_is_two_percent_above_a_solid_one_listed_or_not() -> None:
    """The trap of some copies of Table 8: solid values under the heading stranded."""
    for awg in (14, 12, 10, 8, 6, 4, 2):
        stranded, solid = (resistance_ohm_per_m(cable(awg=awg, strands=s)) for s in ("stranded", "solid"))
        assert 1.015 < stranded / solid < 1.03


# IEC 60228, class 5 and class 2, plain copper, largest ohm/km at 20 C (uecables.com, article 471)
@pytest.mark.parametrize(
    ("strands", "area", "ohm"),
    [
        ("flexible", 1.5, 13.3),
        ("flexible", 2.5, 7.98),
        ("flexible", 4.0, 4.95),
        ("flexible", 6.0, 3.30),
        ("flexible", 10.0, 1.91),
        ("flexible", 16.0, 1.21),
        ("stranded", 2.5, 7.41),
        ("stranded", 4.0, 4.61),
        ("stranded", 6.0, 3.08),
        ("stranded", 10.0, 1.83),
    ],
)
def test_iec_60228(strands: str, area: float, ohm: float) -> None:
    at = resistance_ohm_per_m(cable(area_mm2=area, strands=strands, conductor_c=20.0))
    assert at * 1000 == pytest.approx(ohm, rel=1e-9)


# class 2 at 40 C with 0.00393 per K: 4.97235, 3.32209, 1.97384 (derived from the table)
@pytest.mark.parametrize(("area", "ohm"), [(4.0, 4.97235), (6.0, 3.32209), (10.0, 1.97384)])
def test_a_warm_conductor_resists_more(area: float, ohm: float) -> None:
    at = resistance_ohm_per_m(cable(area_mm2=area, strands="stranded", conductor_c=40.0))
    assert at * 1000 == pytest.approx(ohm, rel=1e-5)


def test_an_unlisted_metric_size_lies_between_its_neighbours() -> None:
    sizes = [resistance_ohm_per_m(cable(area_mm2=a, strands="flexible")) for a in (4.0, 5.0, 6.0)]
    assert sizes == sorted(sizes, reverse=True)


def test_worked_drop_of_a_feeder() -> None:
    """20 A, 12 AWG at 1.98 ohm/kft, 100 ft one way: 7.92 V, 3.3 % of 240 V (fatskills.com, wire sizing)."""
    loss = cable_loss(Cable.model_validate({"awg": 12, "length_ft": 100.0, "conductor_c": 75.0}), 20.0, 240.0)
    assert loss.drop_v == pytest.approx(7.92, abs=0.005)
    assert loss.drop_percent == pytest.approx(3.3, abs=0.05)


def test_worked_drop_of_a_thin_cable() -> None:
    """16 AWG, 100 ft, 4 A: 3.992 V, 16.63 % of 24 V (electrician2.com, from Table 8's 4.99 ohm/kft)."""
    loss = cable_loss(Cable.model_validate({"awg": 16, "length_ft": 100.0}), 4.0, 24.0)
    assert loss.drop_v == pytest.approx(3.992, abs=0.001)
    assert loss.drop_percent == pytest.approx(16.63, abs=0.01)


def test_worked_loss_of_solar_cable() -> None:
    """4 mm2 class 5, 10 m one way, 10 A at 20 C: 0.099 ohm, 0.99 V, 9.90 W (derived from IEC 60228)."""
    loss = cable_loss(cable(area_mm2=4.0, strands="flexible", conductor_c=20.0), 10.0, 100.0)
    assert (loss.ohm, loss.drop_v, loss.lost_w) == pytest.approx((0.099, 0.99, 9.90), rel=1e-9)


# two-wire volts per 1,000 ft per ampere at 20 C: paigewire.com/resources/volt-loss-awg
@pytest.mark.parametrize(("awg", "volts"), [(14, 5.05), (12, 3.17), (10, 1.99), (8, 1.26)])
def test_volts_per_thousand_feet_and_ampere(awg: int, volts: float) -> None:
    one = Cable.model_validate({"awg": awg, "length_ft": 1000.0, "strands": "solid", "conductor_c": 20.0})
    assert loop_ohm(one) == pytest.approx(volts, rel=5e-3)


def test_the_longest_cable_for_a_drop_has_that_drop() -> None:
    given = cable(awg=10)
    loss = cable_loss(given, 9.0, 90.0)
    for drop, longest_m in loss.longest_m.items():
        again = cable_loss(given.model_copy(update={"length_m": longest_m}), 9.0, 90.0)
        assert again.drop_percent == pytest.approx(drop, rel=1e-12)


def test_loss_grows_with_the_square_of_the_current() -> None:
    lost = loss_kw(cable(awg=10), np.array([0.0, 4.0, 8.0]))
    assert lost[0] == 0
    assert lost[2] == pytest.approx(4 * lost[1])
    assert loss_kw(None, np.array([5.0])).tolist() == [0.0]


@pytest.mark.parametrize(
    "settings",
    [
        {"length_m": 5.0},
        {"awg": 10, "area_mm2": 4.0, "length_m": 5.0},
        {"awg": 10},
        {"awg": 10, "length_m": 5.0, "length_ft": 16.0},
        {"area_mm2": 4.0, "length_m": 5.0, "metal": "aluminium", "strands": "flexible"},
        {"awg": 10, "length_m": -5.0},
    ],
)
def test_a_cable_that_says_too_little_or_too_much_is_refused(settings: dict[str, Any]) -> None:
    with pytest.raises(ValidationError):
        Cable.model_validate(settings)
