"""The program's terms and the bill are two statements of one tariff: they must give the same money."""

import math
from decimal import Decimal

from homes.tariff_agree import agree, examples
from homes.tariff_shapes import Case, cases
from hypothesis import given

from tariffs import bill, price_steps


@given(cases())
@examples(150)
def test_terms_equal_the_unrounded_bill_on_every_shape(case: Case) -> None:
    agree(case)


@given(cases(rich=False))
@examples(30)
def test_plain_tariffs_have_no_terms_but_prices(case: Case) -> None:
    priced = price_steps(case.tariff(), case.times, case.dt_hours)
    terms = [priced.blocks, priced.demand, priced.minimums, priced.netting]
    assert not any(terms)
    agree(case)


@given(cases())
@examples(60)
def test_a_bill_adds_up(case: Case) -> None:
    tariff = case.tariff()
    found = bill(tariff, case.times, case.dt_hours, case.import_kwh, case.export_kwh)
    for period in found.periods:
        assert abs(sum(line.amount for line in period.lines) - period.total_unrounded) < Decimal("1e-20")
        assert abs(period.total_unrounded + period.rounding - period.total) < Decimal("1e-20")
        for line in period.lines:
            if found.rounds_kwh:
                continue  # exact amounts are of metered kWh, what is printed of rounded ones
            if line.quantity is not None and line.unit_price is not None and line.kind != "adjustment":
                assert math.isclose(
                    line.quantity * line.unit_price, line.amount, rel_tol=1e-12, abs_tol=1e-12
                )
        if found.rounds_lines and tariff.rounding.total_to is None:
            assert sum(line.billed_amount for line in period.lines) == period.total
