"""Bills of tiers, floors, ceilings and rounding in plain Python, from the words of the reference alone.

For files of two bands by the hour (``day`` from 08:00 to 20:00, ``night``), calendar months and no seasons. Shares
nothing with the product: not its reader, its periods nor its lines.
"""

from __future__ import annotations

import math
import tomllib
from datetime import UTC, datetime, timedelta
from fractions import Fraction
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Sequence

    Table = dict[str, Any]
    Money = dict[str, Fraction]

ENERGY = ("energy", "riders", "export", "demand", "charges")


def number(value: object) -> Fraction:
    """Take a number as it is written."""
    return Fraction(str(value))


def rounded(value: Fraction, unit: Fraction, mode: str) -> Fraction:
    """Bring a number to multiples of a unit."""
    times, sign = abs(value) / unit, -1 if value < 0 else 1
    whole = math.floor(times)
    rest = times - whole
    up = {"down": False, "up": rest > 0, "half-up": rest >= Fraction(1, 2)}.get(mode)
    if up is None:  # half-even
        up = rest > Fraction(1, 2) or (rest == Fraction(1, 2) and whole % 2 == 1)
    return sign * unit * (whole + up)


def months_of(kwh: Sequence[float], start: datetime) -> dict[tuple[int, int], dict[str, Fraction]]:
    """Add hours up by month and band."""
    found: dict[tuple[int, int], dict[str, list[float]]] = {}
    for at, energy in enumerate(kwh):
        when = start + timedelta(hours=at)
        band = "day" if 8 <= when.hour < 20 else "night"
        found.setdefault((when.year, when.month), {"day": [], "night": []})[band].append(energy)
    return {
        month: {band: Fraction(format(math.fsum(each), ".12g")) for band, each in bands.items()}
        for month, bands in found.items()
    }


def tier_money(blocks: Table, file: Table, own: dict[str, Fraction], before: Fraction) -> Fraction:
    """Price a month's kWh in tiers that hold ``before`` already."""

    def price(step: Table, band: str) -> Fraction:
        if "percent_of_band" in step:
            return number(step["percent_of_band"]) / 100 * number(file["bands"][band]["import_price_per_kwh"])
        if "price_by_band" in step:
            return number(step["price_by_band"][band])
        return number(step["price_per_kwh"])

    def parts(low: Fraction, high: Fraction) -> list[tuple[Table, Fraction]]:
        edges = [Fraction(0)]
        found = []
        for step in blocks["steps"]:
            edges.append(number(step["up_to_kwh"]) if "up_to_kwh" in step else max(high, edges[-1]))
            found.append((step, max(Fraction(0), min(high, edges[-1]) - max(low, edges[-2]))))
        return found

    shared, total = blocks.get("shared"), sum(own.values(), Fraction(0))
    if isinstance(shared, list):
        money, at = Fraction(0), before
        for band in shared:
            money += sum((kwh * price(step, band) for step, kwh in parts(at, at + own[band])), Fraction(0))
            at += own[band]
        return money
    mix = {band: kwh / total if total else Fraction(0) for band, kwh in own.items()}
    return sum(
        (kwh * mix[band] * price(step, band) for step, kwh in parts(before, before + total) for band in own),
        Fraction(0),
    )


def percentage(item: Table, base: Fraction, kwh: Fraction) -> Fraction:
    """Take a percentage of a base."""
    if "percent" in item:
        exact = number(item["percent"]) / 100 * base
        most = number(item["at_most"]) if "at_most" in item else None
        if most is None:
            return exact
        return min(exact, most) if number(item["percent"]) > 0 else max(exact, -most)
    steps = item["steps"]
    key = "up_to_kwh" if "up_to_kwh" in steps[0] else "up_to_amount"
    total = kwh if key == "up_to_kwh" else base
    if item.get("whole_band"):
        held = next(s for s in steps if key not in s or total <= number(s[key]) + Fraction(1, 2000))
        return number(held["percent"]) / 100 * base
    if total <= 0:
        return number(steps[0]["percent"]) / 100 * base
    low, due = Fraction(0), Fraction(0)
    for step in steps:
        high = min(total, number(step[key])) if key in step else total
        due += number(step["percent"]) / 100 * max(Fraction(0), high - low)
        low = max(low, high)
    return base * due / total if key == "up_to_kwh" else due


def in_turn(file: Table) -> list[tuple[str, Table]]:
    """Put minimums behind the last item that they name."""
    items = [("percentage", item) for item in file.get("adjustments", [])]
    places = {item["name"]: at for at, (_, item) in enumerate(items)}
    found = [(float(at), entry) for at, entry in enumerate(items)]
    for number_, item in enumerate(one for one in file.get("minimum", []) if "per_month" in one):
        named = item.get("applies_to", ENERGY)
        place = max((places[name] for name in named if name in places), default=-1)
        place = len(items) if "everything" in named else place
        places[item["name"]] = place
        found.append((place + 0.5 + number_ / 100, ("minimum", item)))
    return [entry for _, entry in sorted(found, key=lambda one: one[0])]


def round_by_themselves(groups: dict[str, dict[str, Fraction]], rules: Sequence[Table]) -> None:
    """Round the riders and charges that rules name, in place."""
    for rule in rules:
        unit = number(rule.get("to", 0.01))
        for group in ("riders", "charges"):
            for name in {name for name in groups[group] if {name, group} & set(rule["applies_to"])}:
                groups[group][name] = rounded(groups[group][name], unit, rule.get("mode", "half-up"))


def month_bill(
    file: Table, own: dict[str, Fraction], before: dict[str, Fraction], rules: Sequence[Table] = ()
) -> Fraction:
    """Return a month's bill before rounding, but for riders and charges that ``rules`` round by themselves."""
    groups: dict[str, dict[str, Fraction]] = {"energy": {}, "riders": {}, "charges": {}}
    kwh = dict(own)
    for item in file.get("minimum", []):
        if "kwh_per_month" in item:
            short = number(item["kwh_per_month"]) - sum(kwh.values(), Fraction(0))
            kwh[item["band"]] += max(Fraction(0), short)
    for band, energy in kwh.items():
        groups["energy"][band] = energy * number(file["bands"][band]["import_price_per_kwh"])
    for blocks in file.get("blocks", []):
        held = before.get(blocks["name"], Fraction(0))
        groups["energy"][blocks["name"]] = tier_money(blocks, file, kwh, held)
        if "yearly_from" in blocks:
            before[blocks["name"]] = held + sum(kwh.values(), Fraction(0))
    for rider in file.get("riders", []):
        groups["riders"][rider["name"]] = number(rider["price_per_kwh"]) * sum(kwh.values(), Fraction(0))
    for charge in file.get("charges", []):
        groups["charges"][charge["name"]] = number(charge["per_month"])
    round_by_themselves(groups, rules)
    lines = [(group, name, money) for group, names in groups.items() for name, money in names.items()]
    for kind, item in in_turn(file):
        named = item.get("applies_to", ENERGY if kind == "minimum" else ())
        every = not named or "everything" in named
        base = sum(
            (money for group, name, money in lines if every or group in named or name in named), Fraction(0)
        )
        if kind == "minimum":
            lines.append(("minimum", item["name"], max(Fraction(0), number(item["per_month"]) - base)))
        else:
            lines.append(("", item["name"], percentage(item, base, sum(kwh.values(), Fraction(0)))))
    return sum((money for _, _, money in lines), Fraction(0))


def bills(text: str, kwh: Sequence[float], start: datetime) -> list[tuple[Fraction, Fraction]]:
    """Return (before rounding, total) of every month, all of it covered."""
    file = tomllib.loads(text)
    rounding = file.get("rounding", {})
    found = []
    opening = {
        blocks["name"]: number(blocks["used_kwh"])
        for blocks in file.get("blocks", [])
        if "yearly_from" in blocks
    }
    used = opening, dict(opening)  # with kWh as metered, and rounded
    for (_, month), own in months_of(kwh, start.astimezone(UTC)).items():
        for so_far in used:
            for blocks in file.get("blocks", []):
                if blocks.get("yearly_from") == f"{month:02d}-01":
                    so_far[blocks["name"]] = Fraction(0)
        exact = month_bill(file, own, used[0])
        priced = own
        if "kwh_places" in rounding:
            grain, how = Fraction(1, 10 ** rounding["kwh_places"]), rounding.get("kwh_mode", "half-up")
            priced = {band: rounded(each, grain, how) for band, each in own.items()}
        billed = month_bill(file, priced, used[1], rounding.get("lines", ()))
        mode = rounding.get("mode", "half-up")
        unit = (
            number(rounding["total_to"])
            if "total_to" in rounding
            else Fraction(1, 10 ** rounding.get("places", 2))
        )
        found.append((exact, rounded(billed, unit, mode)))
    return found
