"""Demand charges of a record: flat by month, and by the hours of the clock."""

from collections.abc import Iterator
from decimal import Decimal

from tariffs.reading.toml import toml_text
from tariffs.records.fields import Prices, Record, Tiers
from tariffs.records.toml import by_season, hour_lines, number, strings, when_lines
from tariffs.records.when import Seasons, hours_of

FLAT_NAME = "monthly demand"
_INTERVALS = (5, 10, 15, 20, 30, 60)


def demand_tables(
    record: Record, seasons: Seasons, carried: list[str], left: list[str], *, needed: bool
) -> Iterator[list[str]]:
    """Yield the tables of all demand charges.

    Parameters
    ----------
    record : Record
    seasons : Seasons
    carried, left : list of str
        What there is to say is added to them.
    needed : bool
        Whether tiers count kWh per kW, so that a demand must be measured even where it costs nothing.
    """
    interval = _interval(record, left) if record.demand or record.flat_demand else []
    flat = list(_flat(record, seasons, interval, carried, left))
    if needed and not flat:
        flat = [
            [
                "[[demand]]",
                f"name = {toml_text(FLAT_NAME)}",
                "price_per_kw = 0  # measured for the tiers",
                *interval,
            ]
        ]
    yield from flat
    if record.demand is not None and _in_kw(record, "demandrateunit", "demandratestructure", left):
        yield from _by_hours(record.demand, seasons, interval, _ratchet(record, carried, left))


def _interval(record: Record, left: list[str]) -> list[str]:
    minutes = record.number("demandwindow")
    if minutes is None:
        left.append(
            "the record does not say over how many minutes demand is measured; 60 is taken: check the sheet"
        )
        return []
    if minutes not in _INTERVALS:
        left.append(f"demandwindow: {number(minutes)} minutes cannot be measured; 60 is taken")
        return []
    return [] if minutes == 60 else [f"interval_minutes = {number(minutes)}"]


def _in_kw(record: Record, unit_key: str, name: str, left: list[str]) -> bool:
    unit = record.text(unit_key) or "kW"
    if unit.lower() != "kw":
        left.append(f"{name}: demand in {unit}; only kW by month can be written: the charge is left out")
        return False
    return True


def _flat(
    record: Record, seasons: Seasons, interval: list[str], carried: list[str], left: list[str]
) -> Iterator[list[str]]:
    if not record.flat_demand or not _in_kw(record, "flatdemandunit", "flatdemandstructure", left):
        return
    tiers = {name: record.flat_demand[record.flat_months[seasons.first(name)]] for name in seasons.names}
    ratchet = _ratchet(record, carried, left) if record.demand is None else []
    if all(len(each) == 1 for each in tiers.values()):
        prices = {name: each[0].price for name, each in tiers.items()}
        if any(prices.values()):
            price = f"price_per_kw = {by_season(prices)}"
            yield ["[[demand]]", f"name = {toml_text(FLAT_NAME)}", price, *interval, *ratchet]
        return
    groups: dict[Tiers, list[str]] = {}
    for name, each in tiers.items():
        groups.setdefault(each, []).append(name)
    for each, names in groups.items():
        label = FLAT_NAME if len(groups) == 1 else f"{FLAT_NAME}, {' and '.join(names)}"
        held = [] if len(groups) == 1 else [f"seasons = {strings(names)}"]
        yield ["[[demand]]", f"name = {toml_text(label)}", *held, *interval, *_steps(each), *ratchet]


def _steps(tiers: Tiers) -> list[str]:
    lines = ["steps = ["]
    for at, tier in enumerate(tiers):
        last = at == len(tiers) - 1
        limit = "" if last or tier.limit is None else f"up_to_kw = {number(tier.limit)}, "
        lines.append(f"  {{ {limit}price_per_kw = {number(tier.price)} }},")
    return [*lines, "]"]


def _by_hours(
    prices: Prices, seasons: Seasons, interval: list[str], ratchet: list[str]
) -> Iterator[list[str]]:
    held: dict[Tiers, dict[str, Tiers]] = {}
    for season in seasons.names:
        month = seasons.first(season)
        for tiers in (*prices.at(month, weekend=False), *prices.at(month, weekend=True)):
            if any(tier.price for tier in tiers):
                held.setdefault(tiers, {})[season] = tiers
    for at, (tiers, wanted) in enumerate(held.items(), start=1):
        name = "demand by hours" if len(held) == 1 else f"demand by hours {at}"
        lines = ["[[demand]]", f"name = {toml_text(name)}", *interval]
        lines += [f"price_per_kw = {number(tiers[0].price)}"] if len(tiers) == 1 else _steps(tiers)
        wheres = hours_of(prices, seasons, wanted)
        if len(wheres) == 1:
            yield [*lines, *when_lines(wheres[0]), *ratchet]
            continue
        windows = []
        for where in wheres:
            parts = [f"seasons = {strings(where.seasons)}"] if where.seasons else []
            parts += [f"days = {strings(where.days)}"] if where.days else []
            parts += hour_lines(where.stretches)
            windows.append(f"  {{ {', '.join(parts)} }},")
        yield [*lines, "windows = [", *windows, "]", *ratchet]


def _ratchet(record: Record, carried: list[str], left: list[str]) -> list[str]:
    share, months = record.number("lookbackpercent"), record.number("lookbackrange")
    if not share:
        return []
    percent = share * 100 if share <= 1 else share
    if not months or months != int(months) or not Decimal(1) <= months <= 60:
        left.append(
            f"lookbackpercent: {number(percent)} % of an earlier demand, without a number of months before"
        )
        return []
    carried.append(
        f"billed demand is at least {number(percent)} % of the highest of {number(months)} months before"
    )
    return [f"ratchet = {{ percent = {number(percent)}, look_back_months = {int(months)} }}"]
