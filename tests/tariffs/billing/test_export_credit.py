"""Exports that earn a credit in money: set against charges, carried, expiring, settled; worked by hand."""

from __future__ import annotations

from decimal import Decimal
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from homes.tariff_series import lines, steps
from homes.tariff_shapes import toml_text
from hypothesis import Phase, given, settings
from hypothesis import strategies as st
from oracles.sheet_credit import credited

from tariffs import TariffError, bill, evaluate, parse_tariff, price_steps

if TYPE_CHECKING:
    from collections.abc import Mapping

BANDS = {"all": {"import_price_per_kwh": 0.3, "export_price_per_kwh": 0.1}}


def document(credit: dict[str, Any], **more: object) -> str:
    head = {"name": "credit", "currency": "EUR", "bands": BANDS}
    charges = [{"name": "meter", "per_month": 9}]
    return toml_text({**head, "charges": charges, "export_credit": credit, **more})


def flows(months: Mapping[str, tuple[float, float]]) -> tuple[Any, np.ndarray, np.ndarray]:
    """Hours of whole months with kWh bought and sold, each spread evenly over its month."""
    first, last = min(months), max(months)
    end = f"{int(last[:4]) + int(last[5:]) // 12}-{int(last[5:]) % 12 + 1:02d}-01"
    times = steps(f"{first}-01", end, "Europe/Berlin")
    bought, sold = np.zeros(len(times)), np.zeros(len(times))
    for name, (into, out) in months.items():
        inside = times.strftime("%Y-%m") == name
        bought[inside], sold[inside] = into / inside.sum(), out / inside.sum()
    return times, bought, sold


SPRING = {"2025-03": (100, 200), "2025-04": (100, 500), "2025-05": (100, 600), "2025-06": (100, 0)}
# charges on energy are 30 a month; exports earn 20, 50, 60 and 0


def totals(text: str, months: Mapping[str, tuple[float, float]]) -> list[float]:
    times, bought, sold = flows(months)
    found = bill(parse_tariff(text), times, 1.0, bought, sold)
    from_terms = evaluate(price_steps(parse_tariff(text), times, 1.0), bought, sold)
    assert from_terms == pytest.approx(float(found.total_unrounded))
    return [float(period.total) for period in found.periods]


def test_a_credit_is_set_against_energy_and_carried() -> None:
    # 10 of 30 left in March; April uses 30 of 50, May 30 of 80, June 30 of 50; the meter is always owed
    assert totals(document({}), SPRING) == [19, 9, 9, 9]


def test_the_lines_of_a_credit() -> None:
    times, bought, sold = flows(SPRING)
    found = bill(parse_tariff(document({})), times, 1.0, bought, sold)
    assert [(line.label, line.kind, round(line.quantity or 0, 9)) for line in found.periods[2].lines] == [
        ("all", "energy", 100),
        ("all export, earned at 0.1", "netting", 60),
        ("meter", "charges", 1),
        ("export credit brought forward", "netting", 20),
        ("export credit used", "export", 0),
        ("export credit carried forward", "netting", 50),
    ]
    assert [line.amount for line in found.periods[2].lines if line.label == "export credit used"] == [-30]


def test_a_credit_for_the_next_bill() -> None:
    assert totals(document({"first_use": "next-bill"}), SPRING) == [
        39,
        19,
        9,
        9,
    ]  # 0, then 20, 30 of 50, 30 of 80


def test_a_credit_expires_with_the_oldest_used_first() -> None:
    # next-bill and one month: 20 used in April; 30 of 50 in May, whose 20 expire before June's 30 of 60
    credit = {"first_use": "next-bill", "expires_months": 1}
    assert totals(document(credit), SPRING) == [39, 19, 9, 9]
    longer = {**SPRING, "2025-07": (500, 0)}
    # July: 60 less 30 of June's bill have expired as well
    assert totals(document(credit), longer)[-1] == 159
    assert totals(document({**credit, "expires_months": 2}), longer)[-1] == pytest.approx(159 - 50)
    assert totals(document({"expires_months": 0}), SPRING) == [19, 9, 9, 39]


def test_a_settlement_pays_a_share_and_forgets_the_rest() -> None:
    credit = {"settlement": "05-31", "settlement_percent": 40}
    # 50 are left at the end of May: 20 are paid, 30 lost
    assert totals(document(credit), SPRING) == [19, 9, -11, 39]
    assert totals(document({"settlement": "05-31"}), SPRING) == [19, 9, 9, 39]


def test_an_opening_credit_never_expires() -> None:
    credit = {"opening_amount": 45, "expires_months": 1}
    assert totals(document(credit), {"2025-03": (100, 0), "2025-04": (100, 0), "2025-05": (100, 0)}) == [
        9,
        24,
        39,
    ]


def test_a_credit_before_and_after_a_tax() -> None:
    tax = [{"name": "tax", "percent": 10}]
    # before: the tax is of what is left; after: the credit pays tax and meter, too
    assert totals(document({}, adjustments=tax), SPRING)[1] == pytest.approx(9.9)
    after = document({"applies_to": ["everything"]}, adjustments=tax)
    assert totals(after, SPRING) == [22.9, 0, 0, pytest.approx(42.9 - (50 - 42.9 + 60 - 42.9))]
    named = document({"applies_to": ["energy", "tax"]}, adjustments=tax)
    assert totals(named, SPRING)[0] == pytest.approx(42.9 - 20)


def test_a_minimum_bill_counts_what_is_used() -> None:
    assert totals(document({}, minimum={"per_month": 15}), SPRING) == [19, 15, 15, 15]
    # set against the whole bill, it pays the minimum as well
    whole = document({"applies_to": "everything"}, minimum={"per_month": 50})
    assert totals(whole, SPRING) == [30, 0, 0, pytest.approx(50 - (60 - 50))]


def test_credits_are_rounded_as_they_are_printed() -> None:
    text = document({"applies_to": ["energy"]}, rounding={"per": "line"}).replace("0.3,", "0.333,")
    times, bought, sold = flows({"2025-03": (1.0, 100), "2025-04": (1.0, 0)})
    found = bill(parse_tariff(text), times, 1.0, bought, sold)
    assert [period.total for period in found.periods] == [9, 9]
    assert lines(found, "export")[0] == ("export credit used", -0.333)
    assert [line.billed_amount for line in found.periods[0].lines if line.kind == "export"] == [
        Decimal("-0.33")
    ]


@pytest.mark.parametrize(
    ("credit", "more", "words"),
    [
        ({"applies_to": "enrgy"}, {}, r"export_credit\.applies_to.*'enrgy'"),
        ({"name": "meter"}, {}, "'meter' is used 2 times"),
        ({"settlement_percent": 5}, {}, 'needs settlement = "MM-DD"'),
        ({"first_use": "next-bill", "expires_months": 0}, {}, "cannot expire with its own"),
        ({}, {"bands": {"all": {"import_price_per_kwh": 1}}}, "export_credit: nothing that is fed in earns"),
        ({}, {"netting": {}}, "set off in kWh or credited in money"),
    ],
)
def test_refusals(credit: dict[str, Any], more: dict[str, Any], words: str) -> None:
    with pytest.raises(TariffError, match=words):
        parse_tariff(document(credit, **more))


@st.composite
def tables(draw: st.DrawFn) -> dict[str, Any]:
    """Draw a credit."""
    table: dict[str, Any] = {"first_use": draw(st.sampled_from(("this-bill", "next-bill")))}
    if draw(st.booleans()):
        table["expires_months"] = draw(st.sampled_from((1, 2, 5)))
    if draw(st.booleans()):
        table |= {"settlement": "04-30", "settlement_percent": draw(st.sampled_from((0, 70, 100)))}
    if draw(st.booleans()):
        table["opening_amount"] = 12.5
    return table


@given(tables(), st.integers(0, 999))
@settings(max_examples=30, deadline=None, derandomize=True, phases=[Phase.generate])
def test_credits_are_those_of_plain_python(table: dict[str, Any], seed: int) -> None:
    random = np.random.default_rng(seed)
    months = {
        f"2025-{at:02d}": (float(random.integers(1, 300)), float(random.integers(0, 900)))
        for at in range(1, 9)
    }
    times, bought, sold = flows(months)
    tariff = parse_tariff(document(table))
    found = bill(tariff, times, 1.0, bought, sold)
    expected = credited(table, [(name, 0.1 * out, 0.3 * into) for name, (into, out) in months.items()])
    money = [
        0.3 * into + 9 - used - paid
        for (into, _), (used, paid, _) in zip(months.values(), expected, strict=True)
    ]
    assert [float(period.total_unrounded) for period in found.periods] == pytest.approx(money)
    kept = [
        sum(float(line.quantity or 0) for line in period.lines if line.label.endswith("carried forward"))
        for period in found.periods
    ]
    assert kept == pytest.approx([left for _, _, left in expected])
    assert evaluate(price_steps(tariff, times, 1.0), bought, sold) == pytest.approx(sum(money))
