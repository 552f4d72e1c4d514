"""Classes of price set by the use of earlier months."""

from __future__ import annotations

from decimal import Decimal
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from homes.tariff_series import lines, month, steps
from homes.tariff_shapes import toml_text
from hypothesis import Phase, given, settings
from hypothesis import strategies as st
from oracles.sheet_classes import class_money

from tariffs import TariffError, bill, evaluate, parse_tariff, price_steps

if TYPE_CHECKING:
    from collections.abc import Mapping

# Hand-worked. The shape is that of a Mexican household tariff, from memory (CFE, tarifa 1 and DAC): subsidised tiers as
# long as the mean of the last twelve months is at most 250 kWh a month, else one high price with a fixed charge; the
# prices here are invented.
CLASSES = {
    "name": "class",
    "whole_band": True,
    "past_use": {"past_kwh": {f"2024-{number:02d}": 240 + 2 * number for number in range(1, 13)}},
    "steps": [
        {"up_to_kwh": 250, "inside": [{"up_to_kwh": 75, "price_per_kwh": 1}, {"price_per_kwh": 2}]},
        {"fixed_per_month": 120, "price_per_kwh": 6},
    ],
}


def document(table: dict[str, Any], **more: object) -> str:
    return toml_text({"name": "classes", "currency": "MXN", "bands": {"use": {}}, "blocks": [table], **more})


def in_month(times: Any, kwh: Mapping[str, float]) -> np.ndarray:  # noqa: ANN401 - an index
    energy = np.zeros(len(times))
    for name, amount in kwh.items():
        inside = times.strftime("%Y-%m") == name
        energy[inside] = amount / inside.sum()
    return energy


def test_the_mean_of_twelve_months_sets_the_class() -> None:
    times = steps("2025-01-01", "2025-04-01")
    energy = in_month(times, {"2025-01": 100, "2025-02": 300, "2025-03": 80})
    found = bill(parse_tariff(document(CLASSES)), times, 1.0, energy)
    # means: 2024 is 253; then (3036 - 242 + 100) / 12 = 241.2 and (2894 - 244 + 300) / 12 = 245.8
    assert [period.total for period in found.periods] == [720, 75 + 450, 75 + 10]
    assert found.periods[0].lines[0].label == "class: fixed, class above 250 kWh a month (mean 253)"
    assert found.periods[1].lines[1].label == "class, class up to 250 kWh a month (mean 241.17): above 75 kWh"


def test_a_mean_at_the_limit_is_in_the_lower_class() -> None:
    table = {**CLASSES, "past_use": {"past_each_kwh": 250}}
    times = month("2025-01")
    assert bill(parse_tariff(document(table)), times, 1.0, in_month(times, {"2025-01": 75})).total == 75


def test_a_class_decided_once_a_year_is_held() -> None:
    table = {**CLASSES, "past_use": {"months": 2, "past_each_kwh": 200, "decided_in_months": 3}}
    times = steps("2025-01-01", "2025-07-01")
    kwh = {f"2025-{number:02d}": amount for number, amount in enumerate((10, 990, 10, 10, 10, 10), start=1)}
    found = bill(parse_tariff(document(table)), times, 1.0, in_month(times, kwh))
    # January and February by the two months before March 2024, from March on by January and February 2025: 500
    assert [period.total for period in found.periods] == [10, 75 + 1830, 180, 180, 180, 180]


@pytest.mark.parametrize(
    ("use", "words"),
    [
        (
            {"past_kwh": {"2024-12": 5}, "months": 3},
            r"past_use\.past_kwh: the class on the bill of 2025-01.*2024-10, 2024-11\)",
        ),
        ({"past_kwh": {"12-2024": 5}}, r"blocks\[1\]\.past_use\.past_kwh.*'12-2024'"),
        ({"bands": "day"}, r"blocks\[1\]\.past_use\.bands.*'day'"),
        ({"past_kwh": {"2024-12": 5}, "past_each_kwh": 4}, "not both"),
    ],
)
def test_refusals(use: dict[str, Any], words: str) -> None:
    times = month("2025-01")
    with pytest.raises(TariffError, match=words):
        bill(parse_tariff(document({**CLASSES, "past_use": use})), times, 1.0, np.ones(len(times)))


def test_a_month_that_the_series_covers_in_part_has_to_be_given() -> None:
    use: dict[str, Any] = {"months": 2, "past_kwh": {"2024-12": 100, "2024-11": 100}}
    times = steps("2025-01-10", "2025-03-01")
    with pytest.raises(TariffError, match=r"bill of 2025-02 depends.*got none for 2025-01\)"):
        bill(parse_tariff(document({**CLASSES, "past_use": use})), times, 1.0, np.ones(len(times)))
    use["past_kwh"] |= {"2025-01": 420}
    found = bill(
        parse_tariff(document({**CLASSES, "past_use": use})), times, 1.0, in_month(times, {"2025-02": 10})
    )
    assert found.periods[1].total == 180  # (420 + 100) / 2


def test_a_new_customer_is_in_the_first_class() -> None:
    table = {**CLASSES, "past_use": {"before": "left-out"}}
    times = steps("2025-01-01", "2025-03-01")
    found = bill(parse_tariff(document(table)), times, 1.0, in_month(times, {"2025-01": 400, "2025-02": 10}))
    assert [period.total for period in found.periods] == [75 + 650, 180]


def test_the_class_of_peak_kwh_may_be_set_by_all_of_them() -> None:
    bands = {"day": {"import_price_per_kwh": 0}, "night": {"import_price_per_kwh": 0}}
    windows = [{"band": "day", "hours": "08:00-20:00"}]
    table = {**CLASSES, "bands": ["day"], "past_use": {"months": 1, "past_each_kwh": 0}}
    text = document(table, bands=bands, windows=windows, other_hours="night")
    times = steps("2025-01-01", "2025-03-01")
    night = np.where(times.hour < 8, 1.5, 0.0)  # 372 kWh in January
    found = bill(parse_tariff(text), times, 1.0, night + np.where(times.hour == 12, 0.5, 0.0))
    assert lines(found, "energy")[-2] == ("class: fixed, class above 250 kWh a month (mean 387.5)", 120)
    only = text.replace('"months" = 1', '"months" = 1, "bands" = "day"')
    assert bill(parse_tariff(only), times, 1.0, night).total == Decimal(0)


@st.composite
def tables(draw: st.DrawFn) -> dict[str, Any]:
    """Draw classes by past use."""
    use: dict[str, Any] = {"months": draw(st.sampled_from((1, 2, 12)))}
    use |= draw(
        st.sampled_from(({"past_each_kwh": 90}, {"past_kwh": {"2024-12": 300}, "before": "left-out"}))
    )
    use |= draw(st.sampled_from(({}, {"with_this_bill": True}, {"decided_in_months": [2, 9]})))
    return {**CLASSES, "past_use": use}


@given(tables(), st.integers(0, 999))
@settings(max_examples=30, deadline=None, derandomize=True, phases=[Phase.generate])
def test_classes_are_those_of_plain_python(table: dict[str, Any], seed: int) -> None:
    random = np.random.default_rng(seed)
    times = steps("2025-01-01", "2025-06-01")
    used = {f"2025-{number:02d}": float(random.integers(20, 480)) for number in range(1, 6)}
    energy, tariff = in_month(times, used), parse_tariff(document(table))
    found = bill(tariff, times, 1.0, energy)
    expected = [class_money(table, name, used) for name in used]
    assert [float(period.total_unrounded) for period in found.periods] == pytest.approx(expected)
    priced = price_steps(tariff, times, 1.0)
    assert evaluate(priced, energy, 0 * energy) == pytest.approx(float(found.total_unrounded))
