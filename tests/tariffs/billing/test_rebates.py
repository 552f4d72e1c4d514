"""Rebates for using less than a baseline on event days; worked by hand, but for the random."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from decimal import Decimal
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from homes.tariff_series import lines, month, steps
from homes.tariff_shapes import toml_text
from hypothesis import Phase, given, settings
from hypothesis import strategies as st
from oracles.sheet_rebates import saved_by_day

from tariffs import TariffError, bill, evaluate, parse_tariff, price_steps

if TYPE_CHECKING:
    from pathlib import Path

HEAD = {"name": "rebates", "currency": "USD", "bands": {"use": {"import_price_per_kwh": 0.2}}}
# common practice, no source: a peak-time rebate pays for kWh below the mean of the last non-event weekdays
REBATE = {"name": "peak rebate", "price_per_kwh": 1.25, "hours": "14:00-18:00", "like_days": 3}
CHICAGO = "America/Chicago"
MONDAY = dt.date(2025, 7, 14)


def document(rebate: dict[str, Any], **more: object) -> str:
    return toml_text({**HEAD, "rebates": [rebate], **more})


def july(**by_day: float) -> tuple[Any, np.ndarray]:
    """July with so many kWh in the hours of the rebate on some days, and 2 kWh on all others."""
    times = month("2025-07", CHICAGO)
    inside = (times.hour >= 14) & (times.hour < 18)
    each = np.array([by_day.get(f"d{day}", 2.0) for day in times.day])
    return times, np.where(inside, each / 4, 0.0)


def test_the_mean_of_three_weekdays_is_the_baseline() -> None:
    # weekdays before Monday the 14th: Friday 11, Thursday 10, Wednesday 9; the weekend does not count
    times, energy = july(d14=1.5, d13=50, d12=50, d11=4, d10=5, d9=6)
    found = bill(parse_tariff(document({**REBATE, "dates": [MONDAY]})), times, 1.0, energy)
    assert lines(found, "credits") == [("peak rebate, 1 event day", -4.375)]  # (5 - 1.5) at 1.25
    (line,) = [line for line in found.periods[0].lines if line.kind == "credits"]
    assert (line.quantity, line.unit_price) == (Decimal("3.5"), Decimal("-1.25"))


def test_a_rebate_is_never_negative_and_events_are_no_like_days() -> None:
    # the 15th uses more than its baseline and earns nothing; the 16th looks past both events to 11, 10, 9
    days = [MONDAY, dt.date(2025, 7, 15), dt.date(2025, 7, 16)]
    times, energy = july(d14=1, d15=9, d16=1, d11=4, d10=5, d9=6)
    found = bill(parse_tariff(document({**REBATE, "dates": days})), times, 1.0, energy)
    assert lines(found, "credits") == [("peak rebate, 2 event days", -10)]
    events = [{"name": "called", "dates": [dt.date(2025, 7, 11)], "hours": "14:00-18:00", "adder_per_kwh": 0}]
    found = bill(parse_tariff(document({**REBATE, "dates": [MONDAY]}, events=events)), times, 1.0, energy)
    assert lines(found, "credits") == [
        ("peak rebate, 1 event day", round(-1.25 * (13 / 3 - 1), 4))
    ]  # 10, 9, 8


def test_the_highest_of_the_like_days() -> None:
    times, energy = july(d14=1, d11=4, d10=5, d9=6)
    rebate = {**REBATE, "dates": [MONDAY], "like_days": 5, "highest_days": 2}
    found = bill(parse_tariff(document(rebate)), times, 1.0, energy)
    assert lines(found, "credits") == [("peak rebate, 1 event day", -5.625)]  # 5.5 - 1


def test_weekend_events_holidays_and_any_day() -> None:
    times, energy = july(d19=1, d13=6, d12=7, d6=8, d18=3, d17=3, d16=3)
    rebate = {**REBATE, "dates": [dt.date(2025, 7, 19)]}
    assert lines(bill(parse_tariff(document(rebate)), times, 1.0, energy), "credits")[0][1] == -7.5  # 7 - 1
    rebate["like"] = "any-day"
    assert lines(bill(parse_tariff(document(rebate)), times, 1.0, energy), "credits")[0][1] == -2.5  # 3 - 1
    held = document({**REBATE, "dates": [MONDAY]}, holidays={"extra_dates": [dt.date(2025, 7, 11)]})
    times, energy = july(d14=1, d11=90, d10=5, d9=6, d8=7)
    assert lines(bill(parse_tariff(held), times, 1.0, energy), "credits")[0][1] == -6.25  # 6 - 1


def test_baselines_that_were_told_and_dates_from_a_file(tmp_path: Path) -> None:
    (tmp_path / "days.csv").write_text("date\n2025-07-02\n", encoding="utf-8")
    rebate = {**REBATE, "csv": "days.csv", "known_baseline_kwh": {"2025-07-02": 6.1}}
    times, energy = july(d2=1.1)
    found = bill(parse_tariff(document(rebate), str(tmp_path / "tariff.toml")), times, 1.0, energy)
    assert lines(found, "credits") == [("peak rebate, 1 event day", -6.25)]


def test_hours_across_midnight_run_on() -> None:
    times = steps("2025-07-07", "2025-07-12", CHICAGO)
    rebate = {**REBATE, "hours": "22:00-02:00", "like_days": 1, "dates": [dt.date(2025, 7, 9)]}
    energy = np.zeros(len(times))
    energy[48 - 2 : 48 + 2] = 1.0  # the night from the 8th to the 9th
    energy[72] = 0.5  # in that from the 9th to the 10th
    found = bill(parse_tariff(document(rebate)), times, 1.0, energy)
    assert lines(found, "credits")[0][1] == -1.25 * 3.5


@pytest.mark.parametrize(
    ("rebate", "words"),
    [
        (
            {"dates": [dt.date(2025, 7, 3)]},
            r"'peak rebate': like_days: the baseline of 2025-07-03.*3 weekdays.*got 2",
        ),
        ({"dates": [dt.date(2025, 7, 5)]}, "needs 3 weekends?.*got 0"),
        ({"dates": [dt.date(2024, 7, 5)]}, r"rebates\[1\]\.dates.*series' year, 2025.*2024-07-05"),
        ({}, r"rebates\[1\]: has no dates"),
        ({"dates": [MONDAY, MONDAY]}, "a date stands twice"),
        ({"dates": [MONDAY], "highest_days": 4}, "highest_days is at most like_days"),
        ({"dates": [MONDAY], "known_baseline_kwh": {"2025-07-15": 1}}, "is of no event day"),
        ({"dates": [MONDAY], "price_per_kwh": -1}, r"rebates\[1\]\.price_per_kwh"),
        ({"dates": [MONDAY], "hours": "14:30-18:00"}, "rebate 'peak rebate': the edge at 14:30"),
    ],
)
def test_refusals(rebate: dict[str, Any], words: str) -> None:
    times, energy = july()
    with pytest.raises(TariffError, match=words):
        bill(parse_tariff(document({**REBATE, **rebate})), times, 1.0, energy)


@st.composite
def tables(draw: st.DrawFn) -> dict[str, Any]:
    """Draw a rebate of the second half of a month."""
    days = draw(st.lists(st.integers(20, 31), min_size=1, max_size=5, unique=True))
    table: dict[str, Any] = {**REBATE, "dates": [dt.date(2025, 7, day) for day in sorted(days)]}
    table["like_days"] = draw(st.sampled_from((1, 3, 4)))
    if draw(st.booleans()):
        table["highest_days"] = 1
    table["like"] = draw(st.sampled_from(("same-kind", "any-day")))
    if draw(st.booleans()):
        table["known_baseline_kwh"] = {table["dates"][0].isoformat(): 3}
    return table


@given(tables(), st.integers(0, 999))
@settings(max_examples=30, deadline=None, derandomize=True, phases=[Phase.generate])
def test_rebates_are_those_of_plain_python(table: dict[str, Any], seed: int) -> None:
    random = np.random.default_rng(seed)
    times = steps("2025-07-01", "2025-08-01", "Europe/Berlin", 30)
    energy = random.gamma(0.6, 0.8, len(times))
    adjustments = [{"name": "tax", "percent": 10, "not_to": ["peak rebate"]}]
    minimum = {"per_month": 900, "applies_to": ["energy", "credits"]}
    tariff = parse_tariff(document(table, adjustments=adjustments, minimum=minimum))
    found = bill(tariff, times, 0.5, energy)
    owed: dict[str, float] = defaultdict(float)
    for line in found.periods[0].lines:
        owed[line.kind] += float(line.amount)
    saved = saved_by_day(table, times, energy)
    assert -owed["credits"] == pytest.approx(1.25 * sum(saved.values()))
    assert owed["minimum"] == pytest.approx(max(0.0, 900 - owed["energy"] - owed["credits"]))
    value = evaluate(price_steps(tariff, times, 0.5), energy, 0 * energy)
    assert value == pytest.approx(float(found.total_unrounded))
