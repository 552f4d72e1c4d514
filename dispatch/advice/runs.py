"""Runs of the inverter over a period that ends at the level it began with, so that no start decides anything.

A year has no first hour: whatever stood in the battery on its first morning is what the last night left there. Each
run is therefore repeated from the level it ended with until the two agree; what is shown is the period that repeats.
A scenario with ``repeats = false`` begins at its own start level instead.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from dispatch.cards.plain import plain_card
from dispatch.cards.space import device_space
from dispatch.cards.tables import Tables
from dispatch.errors import FlowsError
from dispatch.outcome import Outcome, as_set_outcome
from dispatch.rules.replay import Recorder, flows_of, replay
from dispatch.rules.score import case_conditions
from dispatch.rules.walk import Orders, simulate

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dispatch.arrays import Floats
    from dispatch.cards.card import Card
    from dispatch.case.case import Case
    from dispatch.flows import Flows
    from dispatch.rules.conditions import Conditions


ROUNDS = 12
"""A level that has not settled by then drifts by less than anyone would notice: it is valued at the end."""

SETTLED_KWH = 1e-9


def repeating_start_kwh(given: Conditions, orders: Orders, start_kwh: float) -> Floats:
    """Find the level each candidate both begins and ends the period with.

    Parameters
    ----------
    given : Conditions
    orders : Orders
        k candidates.
    start_kwh : float
        Where the search begins. [kWh]

    Returns
    -------
    array, shape (k,)
        Level before the first step. [kWh]
    """
    level: Floats = np.full(orders.fill_kwh.shape[1], start_kwh)
    for _ in range(ROUNDS):
        end = simulate(given, orders, level)
        settled = bool(np.abs(end - level).max() <= SETTLED_KWH)
        level = end
        if settled:
            break
    return level


def run_card(case: Case, card: Card, name: str, start_kwh: float | None = None) -> Flows:
    """Run one card over the period, which repeats unless the scenario says otherwise; flows check themselves.

    Parameters
    ----------
    case : Case
        With the reserve that is promised.
    card : Card
    name : str
        What to call the run.
    start_kwh : float, optional
        The level it begins and ends with, where that is known already. [kWh]

    Raises
    ------
    FlowsError
        If the flows break a balance or a limit.
    """
    orders = Tables(case, device_space(case)).orders([card])
    if case.scenario.repeats:
        if start_kwh is None:
            given = case_conditions(case, sells=card.sells)
            start_kwh = float(repeating_start_kwh(given, orders, case.limits.start_kwh)[0])
        case = case.starting_at(start_kwh)
    return replay(case, orders, (name,), sells=card.sells)[0]


class Setting(NamedTuple):
    """A strategy, the reserve entered [percent of nominal], and the level the period begins and ends with [kWh]."""

    strategy: str
    percent: float
    start_kwh: float


def run_settings(case: Case, settings: Sequence[Setting], reference: float) -> list[Outcome | FlowsError]:
    """Run several settings as :func:`run_strategy` does one, side by side: the loop over time is walked once.

    Returns
    -------
    list of Outcome or FlowsError
        In the order of the settings; the error of a run whose flows break a balance or a limit.
    """
    cases = [case.at_reserve("percent", each.percent) for each in settings]
    orders = [_plain_orders(at, each) for at, each in zip(cases, settings, strict=True)]
    if not case.scenario.repeats or not all(_same_rows(orders[0], each) for each in orders):
        return [_run_or_error(case, each, reference) for each in settings]
    together = Orders(
        orders[0].row,
        np.hstack([each.fill_kwh for each in orders]),
        np.hstack([each.drain_kwh for each in orders]),
    )
    recorder = Recorder(len(case.times), len(settings))
    simulate(case_conditions(case), together, np.array([each.start_kwh for each in settings]), recorder.add)
    found: list[Outcome | FlowsError] = []
    for place, (at, setting) in enumerate(zip(cases, settings, strict=True)):
        table = {key: columns[:, place] for key, columns in recorder.table.items()}
        try:
            flows = flows_of(at.starting_at(setting.start_kwh), setting.strategy, table)
            found.append(as_set_outcome(flows, reference, setting.percent))
        except FlowsError as error:
            found.append(error)
    return found


def _plain_orders(at: Case, setting: Setting) -> Orders:
    space = device_space(at)
    return Tables(at, space).orders([plain_card(at, space, setting.strategy, setting.percent)])


def _same_rows(one: Orders, other: Orders) -> bool:
    return (
        one.fill_kwh.shape == other.fill_kwh.shape
        and np.array_equal(one.row, other.row)
        and not (one.sun_waits or other.sun_waits)
    )


def _run_or_error(case: Case, setting: Setting, reference: float) -> Outcome | FlowsError:
    try:
        return run_strategy(case, setting.strategy, setting.percent, reference, setting.start_kwh)
    except FlowsError as error:
        return error


def run_strategy(
    case: Case, strategy: str, reserve_percent: float, reference: float, start_kwh: float | None = None
) -> Outcome:
    """Run a strategy with a reserve entered on the device, the tariff's windows entered as they are.

    Parameters
    ----------
    case : Case
    strategy : str
    reserve_percent : float
        Percent of nominal; times with a raised reserve in the scenario stay on top.
    reference : float
        Unrounded bill of the household without the system. [currency]
    start_kwh : float, optional
        See :func:`run_card`.
    """
    at = case.at_reserve("percent", reserve_percent)
    card = plain_card(at, device_space(at), strategy, reserve_percent)
    return as_set_outcome(run_card(at, card, strategy, start_kwh), reference, reserve_percent)
