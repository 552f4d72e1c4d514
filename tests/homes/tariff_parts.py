"""Random parts of a tariff, built valid from what was drawn before them."""

import datetime as dt
from itertools import pairwise
from typing import Any

from hypothesis import strategies as st

PRICES = (-0.03, 0.0, 0.04, 0.0715, 0.11, 0.158, 0.2375, 0.41)


def a_price(draw: st.DrawFn, seasons: list[str]) -> Any:  # noqa: ANN401 - a number, or one per season
    if bool(seasons) and draw(st.booleans()):
        return {season: draw(st.sampled_from(PRICES)) for season in seasons}
    return draw(st.sampled_from(PRICES))


@st.composite
def a_band(draw: st.DrawFn, seasons: list[str], *, netting: bool) -> dict[str, Any]:
    band = {"import_price_per_kwh": a_price(draw, seasons)}
    if not netting and draw(st.booleans()):
        band["export_price_per_kwh"] = a_price(draw, seasons)
    return band


@st.composite
def some_windows(draw: st.DrawFn, bands: list[str]) -> list[dict[str, Any]]:
    windows = []
    for days in draw(st.sampled_from((["weekday"], ["weekday", "saturday"], [""]))):
        cuts = sorted(draw(st.sets(st.integers(0, 23), min_size=2, max_size=4)))
        for begin, end in pairwise(cuts):
            window = {"band": draw(st.sampled_from(bands)), "hours": f"{begin:02d}:00-{end:02d}:00"}
            windows.append({**window, "days": days} if days else window)
    return windows


@st.composite
def some_hours(draw: st.DrawFn, seasons: list[str]) -> dict[str, Any]:
    when: dict[str, Any] = {}
    if draw(st.booleans()):
        begin, end = draw(st.lists(st.integers(0, 23), min_size=2, max_size=2, unique=True))
        when["hours"] = f"{begin:02d}:00-{end:02d}:00"
    if draw(st.booleans()):
        when["days"] = draw(st.sampled_from(("weekday", "weekend", "sunday")))
    if bool(seasons) and draw(st.booleans()):
        when["seasons"] = draw(st.sampled_from(seasons))
    return when


@st.composite
def a_minimum(draw: st.DrawFn, names: list[str], number: int) -> dict[str, Any]:
    unit = draw(st.sampled_from(("per_day", "per_month")))
    minimum: dict[str, Any] = {"name": f"least {number}", unit: draw(st.sampled_from((0.4, 90.0)))}
    if number:
        names = [*names, "least 0"]
    if draw(st.booleans()):
        minimum["applies_to"] = draw(
            st.lists(st.sampled_from([*names, "everything"]), min_size=1, max_size=3, unique=True)
        )
    return minimum


@st.composite
def some_of_export(draw: st.DrawFn, document: dict[str, Any]) -> None:
    """Let some riders and blocks be of exported energy."""
    for table in ("riders", "blocks"):
        for entry in document[table]:
            if "shared" not in entry and draw(st.booleans()):
                entry["of"] = "export"


@st.composite
def perhaps_a_credit(draw: st.DrawFn, document: dict[str, Any], bands: list[str]) -> None:
    """Let what is fed in earn a credit in money."""
    earns = any(
        "export_price_per_kwh" in band and band["export_price_per_kwh"] for band in document["bands"].values()
    )
    if not earns or not draw(st.booleans()):
        return
    credit: dict[str, Any] = {"first_use": draw(st.sampled_from(("this-bill", "next-bill")))}
    names = ["energy", "riders", "demand", "charges", bands[0]]
    if draw(st.booleans()):
        credit["applies_to"] = draw(
            st.lists(st.sampled_from([*names, "everything"]), min_size=1, max_size=3, unique=True)
        )
    if draw(st.booleans()):
        credit["expires_months"] = draw(st.sampled_from((1, 2, 12)))
    if draw(st.booleans()):
        credit |= {"settlement": draw(st.sampled_from(("03-31", "06-10"))), "settlement_percent": 60}
    if draw(st.booleans()):
        credit["opening_amount"] = 7.5
    document["export_credit"] = credit


@st.composite
def some_blocks(
    draw: st.DrawFn, number: int, bands: list[str], seasons: list[str], demand: list[str]
) -> dict[str, Any]:
    whole = draw(st.booleans())
    by_hours = bool(demand) and draw(st.booleans())
    limits = sorted(draw(st.sets(st.sampled_from((5, 30, 80, 200, 450)), max_size=3)))
    key = "up_to_hours" if by_hours else "up_to_kwh"
    steps: list[dict[str, Any]] = []
    for limit in [*limits, None] if not by_hours or limits else [60, None]:
        step: dict[str, Any] = {} if limit is None else {key: limit}
        if whole and not by_hours and draw(st.booleans()):
            step["inside"] = [{"up_to_kwh": 40, "price_per_kwh": 0.1}, {"price_per_kwh": 0.3}]
        else:
            step["price_per_kwh"] = draw(st.sampled_from(PRICES))
        if whole and draw(st.booleans()):
            step["fixed_per_month"] = draw(st.sampled_from((3, 20)))
        steps.append(step)
    blocks: dict[str, Any] = {"name": f"blocks {number}", "whole_band": whole, "steps": steps}
    if by_hours:
        blocks["demand"] = draw(st.sampled_from(demand))
    elif whole and draw(st.booleans()):
        use: dict[str, Any] = {"months": draw(st.sampled_from((1, 3, 12)))}
        use |= draw(st.sampled_from(({"past_each_kwh": 120}, {"before": "left-out"})))
        use |= draw(st.sampled_from(({}, {"with_this_bill": True}, {"decided_in_months": [1, 6, 11]})))
        blocks["past_use"] = use | ({"bands": [bands[-1]]} if draw(st.booleans()) else {})
    elif draw(st.booleans()):
        blocks["limits_for_days"] = draw(st.sampled_from((1, 30)))
    if draw(st.booleans()):
        blocks["bands"] = [draw(st.sampled_from(bands))]
    if bool(seasons) and draw(st.booleans()):
        blocks["seasons"] = [draw(st.sampled_from(seasons))]
    if not whole and not by_hours:
        draw(special_rules(blocks, bands))
    return blocks


@st.composite
def special_rules(draw: st.DrawFn, blocks: dict[str, Any], bands: list[str]) -> None:
    """Let tiers count through the year, and bands share them."""
    if "limits_for_days" not in blocks and draw(st.booleans()):
        blocks["yearly_from"] = draw(st.sampled_from(("01-01", "07-15")))
        blocks["used_kwh"] = draw(st.sampled_from((0, 60.5)))
    if draw(st.booleans()):
        own = blocks.get("bands", bands)
        blocks["shared"] = draw(st.sampled_from(("in-proportion", list(reversed(own)))))
        for step in blocks["steps"]:
            del step["price_per_kwh"]
            if draw(st.booleans()):
                step["percent_of_band"] = draw(st.sampled_from((-20, 12.5)))
            else:
                step["price_by_band"] = {name: draw(st.sampled_from(PRICES)) for name in own}


@st.composite
def a_demand(draw: st.DrawFn, number: int, seasons: list[str]) -> dict[str, Any]:
    demand: dict[str, Any] = {
        "name": f"demand {number}",
        "interval_minutes": draw(st.sampled_from((15, 30, 60))),
    }
    demand["flat_within_step"] = True
    demand["per"] = draw(st.sampled_from(("month", "day")))
    demand[draw(st.sampled_from(("highest_days", "highest_intervals")))] = draw(
        st.sampled_from((1, 3, "all"))
    )
    shape = draw(st.sampled_from(("price", "steps", "whole band")))
    if shape == "price":
        demand["price_per_kw"] = (
            {season: draw(st.sampled_from((1.5, 8.0))) for season in seasons}
            if bool(seasons) and draw(st.booleans())
            else draw(st.sampled_from((0.9, 5.39)))
        )
    else:
        demand["steps"] = [
            {"up_to_kw": 3, "price_per_kw": 4},
            {"up_to_kw": 6, "price_per_kw": 9},
            {"price_per_kw": 7},
        ]
    if shape == "whole band":
        demand["whole_band"] = True
        demand["steps"][0] = {"up_to_kw": 2, "fixed_per_month": 15}
    if draw(st.booleans()):
        demand["windows"] = [draw(some_hours(seasons)) for _ in range(draw(st.integers(1, 2)))]
    else:
        demand |= draw(some_hours(seasons))
    draw(other_measures(demand, seasons))
    return demand


@st.composite
def other_measures(draw: st.DrawFn, demand: dict[str, Any], seasons: list[str]) -> None:
    """Draw what counts of the power, and what the months before do to it."""
    for window in demand.get("windows", [demand]):
        if draw(st.booleans()):
            window["counted_percent"] = draw(st.sampled_from((50, 120)))
    if draw(st.booleans()):
        demand |= {"unit": "kVA"} if "price_per_kw" not in demand else {"at_least_kva_percent": 90}
        demand["power_factor"] = draw(st.sampled_from((0.8, 0.95)))
    if draw(st.booleans()):
        demand["minimum_kw"] = draw(st.sampled_from((1, 7.5)))
    if draw(st.booleans()):
        demand["rolling_mean"] = {"months": draw(st.sampled_from((2, 4, 12))), "each_at_least_kw": 2.5}
        demand["rolling_mean"] |= draw(st.sampled_from(({"past_each_kw": 4.5}, {"before": "left-out"})))
    elif draw(st.booleans()):
        demand["ratchet"] = {"percent": draw(st.sampled_from((65, 110))), "past_highest_kw": 4.5}
        if draw(st.booleans()):
            demand["ratchet"]["look_back_months"] = draw(st.sampled_from((1, 12)))
        if bool(seasons) and draw(st.booleans()):
            demand["ratchet"]["seasons"] = [draw(st.sampled_from(seasons))]


@st.composite
def some_events(draw: st.DrawFn, bands: list[str], start: dt.date, days: int) -> list[dict[str, Any]]:
    dates = [
        start + dt.timedelta(days=at)
        for at in sorted(draw(st.sets(st.integers(0, days - 1), min_size=1, max_size=6)))
    ]
    events: list[dict[str, Any]] = [{"name": "hot days", "dates": dates, "hours": "14:00-18:00"}]
    if draw(st.booleans()):
        events[0]["band"] = draw(st.sampled_from(bands))
    else:
        events[0]["adder_per_kwh"] = 0.6
    if draw(st.booleans()):
        night = {"hours": "22:00-02:00", "adder_per_kwh": 0.05}
        events.append({"name": "nights", "dates": dates[:2], "windows": [night]})
    return events


@st.composite
def a_rebate(draw: st.DrawFn, start: dt.date, days: int) -> dict[str, Any]:
    """Draw a rebate below a baseline: told, or that of the days before."""
    rebate: dict[str, Any] = {"name": "saving", "price_per_kwh": 1.2, "hours": "16:00-20:00"}
    if days > 5 and draw(st.booleans()):
        places = draw(st.sets(st.integers(4, days - 1), min_size=1, max_size=1))
        rebate |= {"like": "any-day", "like_days": draw(st.sampled_from((1, 2)))}
        if draw(st.booleans()):
            rebate["highest_days"] = 1
    else:
        places = draw(st.sets(st.integers(0, days - 1), min_size=1, max_size=3))
        told = ((start + dt.timedelta(days=at)).isoformat() for at in sorted(places))
        rebate["known_baseline_kwh"] = {day: draw(st.sampled_from((0.5, 3, 9))) for day in told}
    rebate["dates"] = [start + dt.timedelta(days=at) for at in sorted(places)]
    return rebate


@st.composite
def some_netting(draw: st.DrawFn, bands: list[str]) -> dict[str, Any]:
    across = draw(st.sampled_from(("same-band", "any-band", "same-band-first")))
    netting: dict[str, Any] = {"across": across, "order": draw(st.permutations(bands))}
    netting["surplus"] = draw(st.sampled_from(("carry", "carry", "paid", "lost")))
    if netting["surplus"] == "paid":
        netting["surplus_price_per_kwh"] = 0.03
    if netting["surplus"] == "carry":
        if draw(st.booleans()):
            netting["settlement"] = draw(st.sampled_from(("03-31", "06-10", "12-31")))
            netting["settlement_price_per_kwh"] = 0.02
        if draw(st.booleans()):
            netting["opening_kwh"] = {bands[0] if across == "same-band" else "all": 25}
    return netting
