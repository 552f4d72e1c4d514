"""A second inverter: one step at a time in plain Python, from the equations of the flows alone.

It reads a settings card (the JSON of ``dispatch settings``), the resolved limits and the rows of a flow table, and
says what an inverter with those settings would have done. It shares no line with the product.
"""

from __future__ import annotations

import datetime as dt
import math
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

Row = dict[str, float]


def _minutes(text: str) -> int:
    hours, minutes = text.split(":")
    return int(hours) * 60 + int(minutes)


def _inside(moment: dt.datetime, window: Mapping[str, Any]) -> bool:
    now, begin, end = moment.hour * 60 + moment.minute, _minutes(window["from"]), _minutes(window["to"])
    return begin <= now < end if begin < end else now >= begin or now < end


def plan_for(
    card: Mapping[str, Any], season: str, moment: dt.datetime, *, holiday: bool, event: bool = False
) -> Mapping[str, Any]:
    """The card's plan for a moment: by season and kind of day, an event's before what the device tells."""
    kind = "holidays" if holiday else "weekends" if moment.weekday() >= 5 else "weekdays"
    mine = [plan for plan in card["plans"] if plan["season"] == season]
    called = [plan for plan in mine if event and plan["days"] == "event days"]
    fitting = called or [plan for plan in mine if plan["days"] in {kind, "every day"}]
    assert len(fitting) == 1
    found: Mapping[str, Any] = fitting[0]
    return found


def run(  # noqa: PLR0917 - everything an inverter meets
    card: Mapping[str, Any],
    limits: Mapping[str, Any],
    rows: Sequence[Mapping[str, float]],
    moments: Sequence[dt.datetime],
    seasons: Sequence[str],
    dt_hours: float,
    holidays: Sequence[bool] | None = None,
    events: Sequence[bool] | None = None,
) -> list[Row]:
    """Follow the card through the rows (``load_kwh, idle_kwh, other_kwh, sun_kwh``); return the flows of each."""
    level = float(limits["start_kwh"])
    flows = []
    for at, (row, moment, season) in enumerate(zip(rows, moments, seasons, strict=True)):
        plan = plan_for(
            card,
            season,
            moment,
            holiday=holidays is not None and holidays[at],
            event=events is not None and events[at],
        )
        reserve = held_reserve(card, plan, moment, season, _tomorrow(moments, seasons, at))
        told = told_levels(card, plan, limits, moment, reserve)
        flow = _step(limits, row, level, told, dt_hours, sells=card["sells"])
        level = flow["stored"]
        flows.append(flow)
    return flows


def _tomorrow(moments: Sequence[dt.datetime], seasons: Sequence[str], at: int) -> str:
    """Season of the next day, as far as the data tell."""
    today = moments[at].date()
    later = (seasons[i] for i in range(at, len(moments)) if moments[i].date() != today)
    return next(later, seasons[at])


def held_reserve(
    card: Mapping[str, Any], plan: Mapping[str, Any], moment: dt.datetime, season: str, tomorrow: str
) -> float:
    """Percent: the plan's own, a raise's that holds, or that of a season about to begin; the highest of them."""
    wall = moment.replace(tzinfo=None)
    found = [float(plan["reserve_percent"])]
    for one in card.get("raises", ()):
        begins, ends = (dt.datetime.fromisoformat(one[key]) for key in ("from", "to"))
        if begins <= wall < ends:
            found.append(float(one["reserve_percent"]))
    if tomorrow != season and moment.hour >= 18:
        found += [float(other["reserve_percent"]) for other in card["plans"] if other["season"] == tomorrow]
    return max(found)


def told_levels(
    card: Mapping[str, Any],
    plan: Mapping[str, Any],
    limits: Mapping[str, Any],
    moment: dt.datetime,
    reserve_percent: float,
) -> tuple[float, float, bool]:
    """(fill up to, draw down to, sun charges first) at a moment; kWh."""
    full, ceiling = float(limits["full_kwh"]), float(limits["ceiling_kwh"])
    reserve: float = max(reserve_percent / 100 * full, limits["empty_kwh"])
    targets = [w["to_percent"] / 100 * full for w in plan["charge"] if _inside(moment, w)]
    fill = max([reserve, *(min(target, ceiling) for target in targets)])
    levels = [w.get("to_percent", 0.0) / 100 * full for w in plan["discharge"] if _inside(moment, w)]
    gives = bool(levels) and not targets
    drain = max(reserve, min(levels)) if gives else math.inf
    return fill, drain, card["sun_first"] == "battery" and not gives


def _step(  # noqa: PLR0915 - one step, told from top to bottom
    limits: Mapping[str, Any],
    row: Mapping[str, float],
    level: float,
    told: tuple[float, float, bool],
    dt_hours: float,
    *,
    sells: bool,
) -> Row:
    fill, drain, sun_waits = told

    def most(name: str) -> float:
        return math.inf if limits[name] is None else float(limits[name]) * dt_hours

    eta = limits["eta_inverter"]
    need, other, sun = row["load_kwh"] + row["idle_kwh"], row["other_kwh"], row["sun_kwh"]
    through, inverter = min(most("bypass_kw"), most("ac_input_kw")), most("inverter_kw")
    kept = level * (1 - limits["self_discharge_per_hour"] * dt_hours)
    room = limits["ceiling_kwh"] - kept
    if limits["taper_hours"] > 0:
        room = min(room, (limits["full_kwh"] - level) * (1 - math.exp(-dt_hours / limits["taper_hours"])))
    room = max(float(room), 0.0)
    grid_alone = limits["switches_whole_load"] and need > inverter + 1e-12
    most_straight = 0.0 if grid_alone else min(sun, need / eta, inverter / eta)
    sun_waits = sun_waits and need <= through and need + other <= most("import_limit_kw")

    def by_sun(offered: float) -> float:
        return max(0.0, min(offered, most("total_charge_kw"), float(room / limits["eta_dc"])))

    if sun_waits:
        sun_to_battery = by_sun(sun)
        sun_to_load = max(0.0, min(sun - sun_to_battery, most_straight))
    else:
        sun_to_load = most_straight
        sun_to_battery = by_sun(sun - sun_to_load)
    left = need - eta * sun_to_load
    # what the battery may give, and what only the battery can give
    able = 0.0 if grid_alone else max(0.0, min(left, inverter - eta * sun_to_load))
    house = 0.0
    if limits["feed_in"] != "none" and limits["battery_feed_in"] and sun - most_straight <= 1e-12:
        export = most("export_limit_kw") if sells and limits["feed_in"] == "grid" else 0.0
        house = max(0.0, min(inverter - eta * sun_to_load - able, other + export))
    able_cells, house_cells = (x / eta / limits["eta_discharge"] for x in (able, house))
    must = max(0.0, min(max(left - through, left + other - most("import_limit_kw")), able))
    must_cells = min(must / eta / limits["eta_discharge"], max(0.0, kept - limits["empty_kwh"]))
    cells_out = max(0.0, min(kept - drain, able_cells + house_cells), must_cells)
    if sun_waits:
        cells_out = 0.0
    to_load = min(cells_out, able_cells) * limits["eta_discharge"]
    to_grid = max(0.0, cells_out - able_cells) * limits["eta_discharge"]
    grid_to_load = max(0.0, min(left - eta * to_load, through))
    into = limits["eta_dc"] * sun_to_battery
    grid_to_battery = 0.0
    if must <= 0:
        beside = need if sun_waits else left
        grid_to_battery = max(
            0.0,
            min(
                (fill - kept - into) / limits["eta_charger"],
                (room - into) / limits["eta_charger"],
                limits["grid_charge_kw"] * dt_hours,
                limits["total_charge_kw"] * dt_hours - sun_to_battery,
                most("ac_input_kw") - min(beside, through),
                most("import_limit_kw") - min(beside, through) - other,
            ),
        )
    # an empty battery is kept from falling further whatever cord and import limit say
    keep = (limits["empty_kwh"] - kept - into) / limits["eta_charger"]
    charger = min(limits["grid_charge_kw"], limits["total_charge_kw"]) * dt_hours
    grid_to_battery = max(grid_to_battery, min(keep, charger))
    grid_to_load = min(grid_to_load, max(0.0, most("ac_input_kw") - grid_to_battery))
    rest = max(0.0, sun - sun_to_load - sun_to_battery)
    meter = grid_to_load + grid_to_battery + other - eta * to_grid
    sun_to_grid = 0.0
    if limits["feed_in"] != "none":
        export = most("export_limit_kw") if limits["feed_in"] == "grid" else 0.0
        spare = inverter / eta - sun_to_load - to_load - to_grid
        sun_to_grid = max(0.0, min(rest, spare, (meter + export) / eta))
    net = meter - eta * sun_to_grid
    return {
        "import": max(net, 0.0),
        "export": max(-net, 0.0),
        "grid_to_load": grid_to_load,
        "grid_to_battery": grid_to_battery,
        "sun_to_load": sun_to_load,
        "sun_to_battery": sun_to_battery,
        "sun_to_grid": sun_to_grid,
        "spill": rest - sun_to_grid,
        "battery_to_load": to_load,
        "battery_to_grid": to_grid,
        "stored": kept + into + limits["eta_charger"] * grid_to_battery - cells_out,
        "unserved_load": max(0.0, need - eta * (sun_to_load + to_load) - grid_to_load),
    }
