"""Relations that must hold between strategies, batteries and prices, with the conditions under which they do."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from homes.generators import drafts, repeatable
from hypothesis import given
from hypothesis import strategies as st

from dispatch.advice.recommend import recommend
from dispatch.comparison.compare import plans
from dispatch.errors import Infeasible
from dispatch.outages.hours import backup_summary
from dispatch.outcome import bill_of
from dispatch.program.program import Program
from dispatch.strategies.solve import solve
from dispatch.strategies.table import CHOICES, STRATEGIES, Strategy

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from homes.drafts import Draft
    from homes.shipped import Year

    from dispatch import Case, Flows

SMALL = ((1, 60), (1, 30), (2, 60), (3, 60), (4, 60))
WITH_BATTERY = ("reserve-first", "solar-first", "off-peak-first", "least-cost")
ROUNDING = 1e-6
SLACKS = ("unserved_load", "import_excess", "floor_shortfall", "closing_shortfall")


@dataclass(frozen=True)
class Outcome:
    """What one strategy makes of a case."""

    flows: Flows
    cost: float
    """Energy money plus wear."""
    shortfalls: tuple[float, ...]

    @property
    def stored(self) -> float:
        """Sum of the level at the end of every step. [kWh]."""
        return float(self.flows.frame["stored_kwh"].sum())

    def total(self, *names: str) -> float:
        """Sum of some flows over all steps. [kWh]."""
        return float(sum(self.flows.frame[f"{name}_kwh"].sum() for name in names))

    def breaks_as_much_as(self, other: Outcome) -> bool:
        """Whether both break the same promises by the same amounts, so that they may be compared."""
        return bool(np.allclose(self.shortfalls, other.shortfalls, rtol=1e-7, atol=1e-7))


def outcome(program: Program, strategy: Strategy) -> Outcome:
    solved = solve(program, strategy)
    shortfalls = tuple(solved.stage_values.get(name, 0.0) for name in SLACKS)
    return Outcome(solved.flows, solved.stage_values["cost"], shortfalls)


def outcomes(case: Case, names: Iterable[str] = WITH_BATTERY) -> dict[str, Outcome]:
    program = Program(case)
    return {name: outcome(program, STRATEGIES[name]) for name in names}


def at_most(less: float, more: float) -> bool:
    return less <= more + ROUNDING * max(1.0, abs(more))


# --- between strategies ---------------------------------------------------------------------------------------


@repeatable(40)
@given(draft=drafts(SMALL))
def test_least_cost_is_never_dearer_than_a_strategy_that_breaks_as_much(draft: Draft) -> None:
    found = outcomes(draft.case())
    best = found["least-cost"]
    for name, other in found.items():
        if best.breaks_as_much_as(other):
            assert at_most(best.cost, other.cost), name


@repeatable(40)
@given(draft=drafts(SMALL))
def test_least_cost_breaks_no_promise_more_than_another_strategy(draft: Draft) -> None:
    """It has the widest bounds, and promises come before money: what it breaks is the least, in their order."""
    found = outcomes(draft.case())
    best = found["least-cost"].shortfalls
    for other in found.values():
        first = next((i for i in range(4) if abs(best[i] - other.shortfalls[i]) > 1e-7), None)
        assert first is None or best[first] < other.shortfalls[first]


@repeatable(40)
@given(draft=drafts(SMALL))
def test_idle_battery_is_never_cheaper_where_idling_is_allowed(draft: Draft) -> None:
    """Least-cost may do what sun-only does if nothing is asked of the battery that idling would break."""
    battery = {
        "self_discharge_per_hour_fraction": 0.0,
        "start": {"percent": 60.0},
        "closing": {"percent": 60.0},
    }
    case = draft.changed(battery=battery, reserve=None).case()
    found = outcomes(case, ("sun-only", "least-cost"))
    if found["least-cost"].breaks_as_much_as(found["sun-only"]):
        assert at_most(found["least-cost"].cost, found["sun-only"].cost)


@repeatable(40)
@given(draft=drafts(SMALL))
def test_reserve_first_stores_most(draft: Draft) -> None:
    """Against solar-first, whose sun serves the load first too, always.

    Against the others where putting the load first costs no charging: a strategy free to send sun into the
    battery and grid to the load can store more wherever sun is the only charger, or the faster one.
    """
    case = draft.case()
    found = outcomes(case)
    most = found["reserve-first"]
    free = not case.sun_kwh.any()
    for name in ("solar-first", "off-peak-first", "least-cost") if free else ("solar-first",):
        if most.breaks_as_much_as(found[name]):
            assert at_most(found[name].stored, most.stored), name


@repeatable(40)
@given(draft=drafts(SMALL))
def test_solar_first_loses_least_sun_within_its_bounds(draft: Draft) -> None:
    """Against whatever else could be done within its bounds.

    Only without taper: with it an emptier battery takes more of the same sun, so a strategy that empties it
    before noon and refills it from the grid at night may lose less, which solar-first forgoes on purpose.
    """
    case = draft.changed(battery={"taper_hours": 0.0}).case()
    program = Program(case)
    solar = STRATEGIES["solar-first"]
    least = outcome(program, solar)
    rivals = (
        STRATEGIES["reserve-first"],
        replace(solar, name="cheapest within its bounds", own_stages=lambda _case: ()),
        replace(solar, name="fullest within its bounds", own_stages=STRATEGIES["reserve-first"].own_stages),
    )
    for rival in rivals:
        other = outcome(program, rival)
        if least.breaks_as_much_as(other):
            assert at_most(least.total("spill", "sun_to_grid"), other.total("spill", "sun_to_grid")), (
                rival.name
            )


@repeatable(40)
@given(draft=drafts(SMALL))
def test_grid_charging_and_discharge_never_share_a_price_under_off_peak_first(draft: Draft) -> None:
    case = draft.case()
    found = outcomes(case, ("off-peak-first",))["off-peak-first"]
    frame, price = found.flows.frame, case.prices.import_price_per_kwh
    discharge = (frame["battery_to_load_kwh"] + frame["battery_to_grid_kwh"]).to_numpy() > ROUNDING
    days = case.times.strftime("%Y-%m-%d").to_numpy()
    lowest = {day: price[days == day].min() for day in np.unique(days)}
    cheap = price <= np.array([lowest[day] for day in days]) + 1e-9
    assert not (discharge & cheap).any()
    dear_charging = float(frame["grid_to_battery_kwh"].to_numpy()[~cheap].sum())
    if dear_charging > ROUNDING:  # only a promise can make it charge outside the cheapest price
        unreserved = draft.changed(reserve=None, battery={"closing": {"kwh": case.limits.empty_kwh}})
        relaxed = outcomes(unreserved.case(), ("off-peak-first",))["off-peak-first"]
        kept = case.limits.self_discharge_per_hour > 0  # then staying above empty is a promise too
        assert kept or relaxed.flows.frame["grid_to_battery_kwh"].to_numpy()[~cheap].sum() <= ROUNDING


# --- batteries and prices -------------------------------------------------------------------------------------


@repeatable(30)
@given(draft=drafts(SMALL), larger=st.sampled_from((1.1, 1.7, 3.0)))
def test_bigger_battery_is_never_dearer(draft: Draft, larger: float) -> None:
    """With reserve, start and closing in kWh, the same energy below empty, no self-discharge, the same idle."""
    full = draft.settings["battery"]["pack_kwh"] * draft.settings["battery"]["pack_count"]

    def sized(factor: float) -> Case:
        empty = 0.1 * full
        battery = {
            "pack_kwh": draft.settings["battery"]["pack_kwh"] * factor,
            "depth_of_discharge_fraction": 1 - empty / (full * factor),
            "self_discharge_per_hour_fraction": 0.0,
            "start": {"kwh": 0.4 * full},
            "closing": {"kwh": 0.5 * full},
        }
        return draft.changed(
            battery=battery,
            reserve={"kwh": 0.3 * full, "hours": None, "percent": None, "sun_share_fraction": None},
        ).case()

    small, large = (outcomes(sized(factor), ("least-cost",))["least-cost"] for factor in (1.0, larger))
    first = next((i for i in range(4) if abs(large.shortfalls[i] - small.shortfalls[i]) > 1e-7), None)
    if first is None:
        assert at_most(large.cost, small.cost)
    else:  # what it buys may be dearer: it serves what the small one left undone
        assert large.shortfalls[first] < small.shortfalls[first]


def doubled(amount: Any) -> Any:  # noqa: ANN401 - a price, or prices by season
    return {key: doubled(value) for key, value in amount.items()} if isinstance(amount, dict) else 2 * amount


def dearer_by_two(draft: Draft) -> Draft:
    tariff: Mapping[str, Any] = {
        **draft.tariff,
        "bands": doubled(draft.tariff["bands"]),
        "charges": [{**charge, "per_day": 2 * charge["per_day"]} for charge in draft.tariff["charges"]],
    }
    wear = {"wear_per_kwh": 2 * draft.settings["battery"]["wear_per_kwh"]}
    return replace(draft, tariff=tariff).changed(battery=wear)


@repeatable(20)
@given(draft=drafts(SMALL))
def test_doubled_prices_charges_and_wear_double_the_cost(draft: Draft) -> None:
    case, dear = draft.case(), dearer_by_two(draft).case()
    for name in STRATEGIES:
        one, two = (solve(Program(each), STRATEGIES[name]).flows for each in (case, dear))
        assert float(bill_of(two).total_unrounded) == pytest.approx(
            2 * float(bill_of(one).total_unrounded), rel=1e-6, abs=1e-6
        )
        assert two.wear == pytest.approx(2 * one.wear, rel=1e-6, abs=1e-6)


@repeatable(30)
@given(draft=drafts(SMALL), price=st.sampled_from((0.07, 0.31)))
def test_under_one_price_without_sun_or_export_the_battery_is_worthless(draft: Draft, price: float) -> None:
    """Nothing to shift, so nothing is saved: the system costs its own draw, and keeping the level costs more."""
    flat = {"name": "flat", "currency": "EUR", "bands": {"all": {"import_price_per_kwh": price}}}
    windows = [{"band": "all", "from": "00:00", "to": "24:00"}]
    plain = replace(draft, tariff={**flat, "windows": windows}).changed(
        sun=None,
        grid={"feed_in": "none", "battery_feed_in": False, "export_limit_kw": None, "import_limit_kw": None},
        inverter={"bypass_w": None},
        charging={"ac_input_w": None},
        battery={"start": {"percent": 55.0}, "closing": {"percent": 55.0}},
        reserve=None,
    )
    case = plain.case()
    best = outcomes(case, ("least-cost",))["least-cost"]
    assert best.shortfalls == pytest.approx((0.0,) * 4, abs=ROUNDING)
    without_use = price * float((case.load_kwh + case.other_kwh + case.idle_kwh).sum())
    if case.limits.self_discharge_per_hour == 0:
        assert best.cost == pytest.approx(without_use, rel=1e-6)
    else:
        assert best.cost > without_use


# --- one answer, however it is reached ------------------------------------------------------------------------


def backup_figures(case: Case, flows: Flows) -> tuple[float, ...]:
    found = backup_summary(case, flows.frame["stored_kwh"].to_numpy())
    return (found.minimum, found.p05, found.median, found.with_sun_minimum, found.with_sun_median)


@repeatable(25)
@given(draft=drafts(SMALL), order=st.permutations(WITH_BATTERY))
def test_backup_hours_do_not_depend_on_warmth_or_order(draft: Draft, order: list[str]) -> None:
    case = draft.case()
    in_order = {name: found.flows for name, found in outcomes(case, order).items()}  # each warm from the last
    for name in WITH_BATTERY:
        alone = outcomes(case, (name,))[name].flows  # cold
        assert backup_figures(case, in_order[name]) == pytest.approx(
            backup_figures(case, alone), rel=1e-6, abs=1e-6
        )


@pytest.mark.parametrize("year", ["alder-row"], indirect=True)
def test_backup_hours_of_a_shipped_year_do_not_depend_on_warmth_or_order(year: Year) -> None:
    case, program = year.case, Program(year.case)
    twins = {name: program.twin() for name in WITH_BATTERY}  # each with a solver that has seen nothing
    for name in reversed(WITH_BATTERY):
        warm = backup_figures(case, outcome(program, STRATEGIES[name]).flows)  # from the last one's basis
        cold = backup_figures(case, outcome(twins[name], STRATEGIES[name]).flows)
        assert warm == pytest.approx(cold, rel=1e-6, abs=1e-6)


@repeatable(15)
@given(draft=drafts(SMALL), order=st.permutations(tuple(STRATEGIES)))
def test_plans_do_not_depend_on_the_order_of_solving(draft: Draft, order: list[str]) -> None:
    try:
        advice = recommend(draft.case())
    except Infeasible:  # nothing keeps this battery above empty: nothing can be set
        return
    wanted = [name for name in order if name not in CHOICES or name in advice.outcomes]
    (one, unplanned), (other, as_unplanned) = plans(advice, sorted(wanted)), plans(advice, wanted)
    assert list(other) == wanted
    assert (unplanned, as_unplanned) == ({}, {})
    for name, left in one.items():
        right = other[name]
        assert left.bill.total == right.bill.total
        if left.backup is not None and right.backup is not None:
            for figure in ("minimum", "p05", "median"):
                assert getattr(left.backup, figure) == pytest.approx(
                    getattr(right.backup, figure), rel=1e-6, abs=1e-6
                )
