"""Homes put side by side: what their steps bring and what their hardware allows, as arrays over the homes."""

from __future__ import annotations

from dataclasses import fields, replace
from typing import TYPE_CHECKING, Any, cast

import numpy as np

from dispatch.case.limits import StepLimits, step_limits
from dispatch.rules.conditions import Conditions, conditions
from dispatch.rules.walk import Orders

if TYPE_CHECKING:
    from collections.abc import Hashable, Sequence

    from dispatch.arrays import Floats
    from dispatch.case.case import Case


_SHAPES = ("eta_inverter", "eta_charger", "eta_dc", "eta_discharge", "full_kwh", "empty_kwh", "ceiling_kwh")
"""What of the hardware the rule reads besides the energies of a step."""


def kind_of(case: Case) -> Hashable:
    """Tell what homes must have in common to go side by side: the step and what no number can say."""
    limits = case.limits
    return (
        len(case.times),
        case.dt_hours,
        limits.feed_in,
        limits.battery_feed_in,
        limits.switches_whole_load,
        limits.taper_hours > 0,
    )


def stacked_conditions(cases: Sequence[Case]) -> Conditions:
    """Work out what the steps bring to homes of one kind: arrays of shape (n, homes), hardware (homes,)."""

    def beside(name: str) -> Floats:
        return np.column_stack([getattr(case, name) for case in cases])

    return conditions(
        _stacked_limits(cases),
        beside("load_kwh") + beside("idle_kwh"),
        beside("other_kwh"),
        beside("sun_kwh"),
        may_charge=np.column_stack([case.may_charge for case in cases]),
    )


def _stacked_limits(cases: Sequence[Case]) -> StepLimits:
    """Stack the numbers; the declared types say float, numpy's broadcasting does not care."""
    each = [step_limits(case.limits, case.dt_hours) for case in cases]
    stacked: dict[str, Any] = {
        field.name: np.array([getattr(one, field.name) for one in each])
        for field in fields(StepLimits)
        if field.name not in {"limits", "dt_hours"}
    }
    parts: dict[str, Any] = {
        name: np.array([getattr(case.limits, name) for case in cases]) for name in _SHAPES
    }
    return replace(each[0], limits=replace(cases[0].limits, **parts), **stacked)


def stacked_orders(each: Sequence[Orders]) -> Orders:
    """Put orders of homes side by side: tables of shape (rows, k, homes), padded by repeating the last candidate.

    Tariffs have rows of their own; the rows of the result are the combinations of them that occur.
    """
    patterns = list({orders.row.tobytes(): orders.row for orders in each}.values())
    place = {row.tobytes(): at for at, row in enumerate(patterns)}
    rows, joint = np.unique(np.stack(patterns), axis=1, return_inverse=True)
    width = max(orders.fill_kwh.shape[1] for orders in each)
    tables = {}
    for name in ("fill_kwh", "drain_kwh"):
        table = np.empty((rows.shape[1], width, len(each)))
        for home, orders in enumerate(each):
            mine = getattr(orders, name)[rows[place[orders.row.tobytes()]]]
            table[:, : mine.shape[1], home] = mine
            table[:, mine.shape[1] :, home] = mine[:, -1:]
        tables[name] = table
    return Orders(np.asarray(joint.reshape(-1), dtype=np.intp), tables["fill_kwh"], tables["drain_kwh"])


def picked(orders: Orders, columns: Sequence[Sequence[int]]) -> Orders:
    """Keep of each home some of its candidates, as many of each home.

    Parameters
    ----------
    orders : Orders
        From :func:`stacked_orders`.
    columns : sequence of sequence of int, (homes, k)
    """
    at = np.array(columns).T[None, :, :]
    fill, drain = (np.take_along_axis(table, at, axis=1) for table in (orders.fill_kwh, orders.drain_kwh))
    return Orders(orders.row, fill, drain)


def some_homes(given: Conditions, homes: Sequence[int]) -> Conditions:
    """Keep some of the homes."""
    at = np.array(homes, dtype=np.intp)

    def taken(record: object, leave: set[str]) -> dict[str, Any]:
        named = ((field.name, getattr(record, field.name)) for field in fields(cast("Any", record)))
        return {
            name: value[..., at] if isinstance(value, np.ndarray) else value
            for name, value in named
            if name not in leave
        }

    limits = StepLimits(
        limits=replace(given.limits.limits, **taken(given.limits.limits, set())),
        **taken(given.limits, {"limits"}),
    )
    return Conditions(limits=limits, **taken(given, {"limits"}))
