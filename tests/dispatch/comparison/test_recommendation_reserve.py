"""The cheapest strategy and reserve level that meet the target, against trying every level from the file."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import pytest
from homes.small_home import small_home

from dispatch import compare
from dispatch.outcome import reference_bill, strategies_as_set
from dispatch.settings.space import device_space
from dispatch.strategies.table import CHOICES

if TYPE_CHECKING:
    from homes.drafts import Draft

    from dispatch.comparison.compare import Comparison


def by_hand(draft: Draft, hours: float, share: float) -> dict[tuple[str, float], float]:
    """Write every level into the file, run it, and keep what meets the target."""
    found = {}
    for percent in device_space(draft.case()).levels:
        case = draft.changed(reserve={"percent": percent}).case()
        for name, run in strategies_as_set(case, reference_bill(case)).items():
            met = float((run.backup.hours >= hours - 1e-6).mean())
            if met >= share - 1e-12 and run.unserved_kwh < 1e-6:
                found[name, percent] = run.burden
    return found


def home(hours: float, share: float = 1.0, percent: float = 30.0) -> Draft:
    backup = {"target_hours": hours, "share_of_instants_fraction": share}
    return small_home(backup=backup, reserve={"percent": percent}, battery={"start": {"percent": 100}})


def solved(draft: Draft) -> Comparison:
    return compare(draft.case())


@pytest.mark.parametrize(
    ("hours", "share", "percent"), [(3.0, 1.0, 30.0), (9.0, 1.0, 10.0), (6.0, 0.8, 30.0), (2.0, 1.0, 80.0)]
)
def test_no_other_level_and_strategy_is_cheaper(hours: float, share: float, percent: float) -> None:
    draft = home(hours, share, percent)
    recommendation = solved(draft).recommendation
    tried = by_hand(draft, hours, share)
    assert recommendation.reserve is not None
    advice = recommendation.reserve
    assert advice.burden == pytest.approx(min(tried.values()), abs=1e-6)
    assert tried[advice.strategy, advice.percent] == pytest.approx(advice.burden, abs=1e-6)
    assert advice.share_met >= share


@pytest.mark.parametrize("demand", [False, True])
def test_no_other_level_is_cheaper_under_tiers_and_demand(*, demand: bool) -> None:
    tariff: dict[str, Any] = {
        "name": "tiers",
        "currency": "CAD",
        "bands": {"use": {}},
        "blocks": [
            {"name": "steps", "steps": [{"up_to_kwh": 9.0, "price_per_kwh": 0.11}, {"price_per_kwh": 0.42}]}
        ],
    }
    if demand:
        tariff["demand"] = [{"name": "evening", "price_per_kw": 6.0, "hours": "17:00-21:00"}]
    draft = replace(home(3.0), tariff=tariff)
    tried = by_hand(draft, 3.0, 1.0)
    advice = solved(draft).recommendation.reserve
    assert advice is not None
    assert advice.burden == pytest.approx(min(tried.values()), abs=1e-6)
    assert len({round(burden, 6) for burden in tried.values()}) > 3  # the levels do differ
    assert advice.saves is not None
    assert advice.saves > -1e-9


def test_where_the_reserve_of_the_file_fails_the_advice_is_recommended() -> None:
    comparison = solved(home(6.0, percent=10.0).changed(battery={"start": {"percent": 90}}))
    recommendation = comparison.recommendation
    runs = comparison.as_set.values()
    met = [float((run.backup.hours >= 6.0 - 1e-6).mean()) for run in runs if run.name != "reserve-first"]
    assert max(met) < 1.0
    assert recommendation.reserve is not None
    assert recommendation.reserve.least_hours >= 6.0


def test_a_lower_reserve_that_still_does_is_offered() -> None:
    recommendation = solved(home(2.0, percent=80.0)).recommendation
    assert recommendation.reserve is not None
    assert recommendation.reserve.percent < 80.0
    assert recommendation.reserve.saves is not None
    assert recommendation.reserve.saves > 0
    assert "cheaper by" in recommendation.reason


def test_none_where_no_level_holds_the_target_and_none_without_a_target() -> None:
    assert solved(home(100.0)).recommendation.reserve is None
    assert solved(small_home().changed(backup=None)).recommendation.reserve is None


def test_a_level_that_leaves_load_dark_in_daily_use_is_never_advised() -> None:
    # 0.7 kW of bypass for evenings of 1.3 kW: the battery must help every day, and a high reserve forbids it
    draft = home(1.0).changed(inverter={"bypass_w": 700})
    tried = by_hand(draft, 1.0, 1.0)
    advice = solved(draft).recommendation.reserve
    assert len(tried) < len(CHOICES) * len(device_space(draft.case()).levels)
    if advice is None:
        assert not tried
    else:
        assert (advice.strategy, advice.percent) in tried
