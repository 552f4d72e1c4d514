"""Two statements of one tariff, the bill and the program's terms, held against each other."""

import math

from hypothesis import HealthCheck, settings

from homes.tariff_shapes import Case
from tariffs import bill, evaluate, price_steps


def examples(count: int) -> settings:
    """The same examples in every run: a failure is the change's doing."""
    return settings(
        max_examples=count,
        deadline=None,
        derandomize=True,
        suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
    )


def agree(case: Case) -> None:
    """Hold the terms of a case against its unrounded bill."""
    tariff = case.tariff()
    priced = price_steps(tariff, case.times, case.dt_hours)
    found = bill(tariff, case.times, case.dt_hours, case.import_kwh, case.export_kwh)
    from_terms = evaluate(priced, case.import_kwh, case.export_kwh)
    # terms that cancel leave a small total: compare with the size of what was added up
    size = float(sum(abs(line.amount) for period in found.periods for line in period.lines))
    assert math.isclose(from_terms, float(found.total_unrounded), rel_tol=1e-9, abs_tol=1e-9 * size + 1e-12)
