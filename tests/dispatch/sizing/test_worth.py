"""Payback and present value against tables of engineering economics and formulas worked by hand."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dispatch.scenario.sizing import Sizing
from dispatch.sizing.worth import (
    Gain,
    Outlook,
    against,
    by_year,
    discounted_payback_years,
    doubts,
    in_favour,
    outlook_of,
    simple_payback_years,
    worth,
)

EVEN = Gain(packs=0.0, panels=1.0, pack_fade=0.0, pack_life_years=math.inf)


@pytest.mark.parametrize(
    ("discount", "years", "factor"),
    [(0.03, 20, 14.8775), (0.05, 15, 10.3797), (0.08, 10, 6.7101), (0.10, 5, 3.7908), (0.12, 1, 0.8929)],
)
def test_present_worth_of_a_uniform_series(discount: float, years: int, factor: float) -> None:
    """Tables of (P/A, i, n), as in D. G. Newnan et al., "Engineering Economic Analysis", appendix. # from memory."""
    assert worth(EVEN, Outlook(years, discount, 0.0, 0.0)) == pytest.approx(factor, abs=5e-5)


@given(
    discount=st.floats(0.0, 0.2),
    growth=st.floats(-0.1, 0.15),
    years=st.integers(1, 40),
)
def test_present_worth_of_a_growing_series(discount: float, growth: float, years: int) -> None:
    """NIST Handbook 135 (1995), modified uniform present value UPV*, in its closed form. # from memory."""
    ratio = (1 + growth) / (1 + discount)
    near = abs(discount - growth) < 1e-6
    closed = years if near else (1 + growth) / (discount - growth) * (1 - ratio**years)
    assert worth(EVEN, Outlook(years, discount, growth, 0.0)) == pytest.approx(closed, rel=1e-4)


def test_fading_is_linear_and_a_life_ends_within_a_year() -> None:
    gain = Gain(packs=100.0, panels=40.0, pack_fade=0.04, pack_life_years=2.25)
    outlook = Outlook(4, 0.0, 0.0, 0.01)
    assert by_year(gain, outlook) == pytest.approx([140.0, 96.0 + 39.6, 0.25 * 92.0 + 39.2, 38.8])
    faster = replace(outlook, fade_factor=2.0)
    # life 1.125 years: an eighth of the second year, with 8 % less
    assert by_year(gain, faster) == pytest.approx([140.0, 0.125 * 92.0 + 39.2, 38.4, 37.6])


def test_paybacks_by_hand() -> None:
    """1,000 for 250 a year: 4 years; at 10 % the fifth year's 155.23 has to give the last 207.53: not yet. By hand."""
    gain = Gain(packs=0.0, panels=250.0, pack_fade=0.0, pack_life_years=math.inf)
    outlook = Outlook(15, 0.10, 0.0, 0.0)
    assert simple_payback_years(1000.0, gain) == 4.0
    # 250·(1/1.1 + ... + 1/1.1^5) = 947.70; the sixth brings 141.12
    assert discounted_payback_years(1000.0, gain, outlook) == pytest.approx(
        5 + (1000 - 947.6967) / 141.1185, rel=1e-5
    )
    assert discounted_payback_years(1000.0, gain, replace(outlook, horizon_years=5)) is None
    assert simple_payback_years(1000.0, replace(gain, panels=0.0)) is None
    assert simple_payback_years(1000.0, replace(gain, panels=-3.0)) is None
    assert simple_payback_years(0.0, gain) == 0.0
    assert discounted_payback_years(0.0, gain, outlook) == 0.0


@given(
    price=st.floats(0.0, 1e5),
    packs=st.floats(0.0, 2000.0),
    panels=st.floats(0.0, 2000.0),
    fade=st.floats(0.0, 0.1),
    life=st.floats(0.5, 60.0),
)
def test_doubt_in_favour_is_never_worth_less(
    price: float, packs: float, panels: float, fade: float, life: float
) -> None:
    sizing = Sizing()
    gain, likely = Gain(packs, panels, fade, life), outlook_of(sizing)
    low, high = worth(gain, against(sizing, likely)), worth(gain, in_favour(sizing, likely))
    assert low <= worth(gain, likely) + 1e-9 <= high + 2e-9
    for doubt in doubts(price, gain, sizing):
        ends = sorted([doubt.npv_low, doubt.npv_high])
        assert ends[0] <= worth(gain, likely) - price + 1e-6
        assert ends[1] >= worth(gain, likely) - price - 1e-6
        assert low - price - 1e-6 <= ends[0]
        assert ends[1] <= high - price + 1e-6


def test_what_is_paid_back_within_the_horizon_has_a_present_value() -> None:
    gain, outlook = Gain(60.0, 30.0, 0.02, 11.5), Outlook(12, 0.045, 0.015, 0.005)
    value = worth(gain, outlook)
    assert discounted_payback_years(value, gain, outlook) == pytest.approx(12.0)
    assert discounted_payback_years(value + 1.0, gain, outlook) is None
    assert discounted_payback_years(value - 1.0, gain, outlook) is not None
