"""Which of the settings tried is taken: rules of preference, on tables small enough to see."""

from __future__ import annotations

import numpy as np
import pytest
from homes.small_home import small_home

from dispatch.advice.scan import Scan

Row = tuple[str, float, float, float, bool, float, float]

RANKED: list[Row] = [  # strategy, reserve in percent, cost, share of instants, serves, lowest percent, hours
    ("a", 10.0, 1.0, 1.0, False, 90.0, 9.0),
    ("a", 20.0, 2.0, 0.5, True, 20.0, 2.0),
    ("a", 30.0, 3.0, 0.9, True, 30.0, 4.0),
    ("a", 40.0, 4.0, 1.0, True, 40.0, 6.0),
    ("b", 30.0, 0.5, 1.0, True, 25.0, 3.0),
]
ALIKE: list[Row] = [  # each but the last loses to the next by one thing
    ("a", 10.0, 0.1, 1.0, False, 90.0, 9.0),
    ("a", 20.0, 1.0, 0.9, True, 20.0, 2.0),
    ("a", 30.0, 2.0, 0.9 + 2e-10, True, 30.0, 2.0),
    ("a", 40.0, 1.5, 0.9, True, 30.0 + 4e-6, 2.0),
    ("a", 35.0, 1.5 + 2e-7, 0.9 + 1e-10, True, 30.0, 2.0),
    ("b", 5.0, 0.1, 1.0, True, 95.0, 9.0),
]


def table(rows: list[Row]) -> Scan:
    case = small_home().case()
    names, percents, cost, share, serves, lowest, hours = zip(*rows, strict=True)
    return Scan(
        case,
        strategies=names,
        percents=np.array(percents),
        cost=np.array(cost),
        share=np.array(share),
        serves=np.array(serves),
        lowest_kwh=np.array(lowest) / 100 * case.limits.full_kwh,
        least_hours=np.array(hours),
        start_kwh=np.zeros(len(rows)),
    )


@pytest.mark.parametrize(
    ("strategy", "wanted", "lowest_percent", "best"),
    [
        ("a", 1.0, 0.0, 3),
        ("a", 1.0, 40.0, 3),
        ("a", 0.9, 0.0, 2),
        ("a", 0.6 + 0.3, 0.0, 2),
        ("a", 0.4, 0.0, 1),
        ("a", 0.4, 30.0, 2),
        ("a", 1.0, 40.1, None),
        ("b", 1.0, 0.0, 4),
        ("c", 0.0, 0.0, None),
    ],
)
def test_the_best_serves_keeps_the_target_and_the_promise(
    strategy: str, wanted: float, lowest_percent: float, best: int | None
) -> None:
    assert table(RANKED).best(strategy, wanted, lowest_percent) == best


def test_the_cheapest_of_all_strategies_with_so_many_hours_or_above_a_level() -> None:
    found = table(RANKED)
    assert [found.cheapest_with(hours) for hours in (0.0, 3.0, 3.1, 4.0, 6.0, 7.0)] == [4, 4, 2, 2, 3, None]
    assert [found.cheapest_above(level) for level in (0.0, 25.0, 26.0, 30.0, 40.0, 50.0)] == [
        *(4, 4, 2, 2, 3),
        None,
    ]
    assert found.least_percent == pytest.approx([90.0, 20.0, 30.0, 40.0, 25.0])


def test_the_closest_has_the_target_most_often_then_is_fullest_cheapest_and_lowest() -> None:
    assert [table(ALIKE[:count]).closest("a") for count in range(1, 7)] == [0, 1, 2, 3, 4, 4]
    assert table(RANKED).closest("a") == 3


def test_hours_and_levels_are_told_to_a_millionth() -> None:
    found = table(RANKED)
    assert [found.cheapest_with(4.0 + more) for more in (5e-7, 2e-6)] == [2, 3]
    assert [found.cheapest_above(30.0 + more) for more in (5e-7, 2e-6)] == [2, 3]
