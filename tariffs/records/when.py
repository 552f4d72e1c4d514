"""Months to seasons, schedules to named bands and windows: the parts a person would write."""

from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass

from tariffs.records.fields import HOURS, MONTHS, Prices, Record, Tiers
from tariffs.sheet.tariff import WHOLE_YEAR

_MONTH_NAMES = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")

_BY_COUNT = {
    1: ("energy",),
    2: ("off-peak", "peak"),
    3: ("off-peak", "mid-peak", "peak"),
    4: ("super-off-peak", "off-peak", "mid-peak", "peak"),
}

Stretches = tuple[tuple[int, int], ...]


@dataclass(frozen=True)
class Seasons:
    """The record's months in groups that have all prices and hours in common.

    Attributes
    ----------
    months : dict of str to tuple of int
        Months, 1 to 12, by the season's name.
    """

    months: dict[str, tuple[int, ...]]

    @property
    def names(self) -> tuple[str, ...]:
        """Seasons in the order of their first months."""
        return tuple(self.months)

    def first(self, name: str) -> int:
        """Return one month of a season, 0 to 11: it stands for all of them."""
        return self.months[name][0] - 1


@dataclass(frozen=True)
class Where:
    """Hours of the clock in some seasons, on some days.

    Attributes
    ----------
    seasons : tuple of str
        Empty for all.
    days : tuple of str
        ``weekday``, ``weekend``; empty for both.
    stretches : tuple of (int, int)
        First hour and the hour it ends; one that crosses midnight ends below its start.
    """

    seasons: tuple[str, ...]
    days: tuple[str, ...]
    stretches: Stretches


def seasons_of(record: Record) -> Seasons:
    """Group months whose every price and hour is the same."""
    groups: dict[Hashable, list[int]] = {}
    for month in range(MONTHS):
        key = (
            record.energy.at(month, weekend=False),
            record.energy.at(month, weekend=True),
            None if record.demand is None else record.demand.at(month, weekend=False),
            None if record.demand is None else record.demand.at(month, weekend=True),
            record.flat_demand[record.flat_months[month]] if record.flat_demand else None,
            record.fuel[month] if record.fuel else None,
        )
        groups.setdefault(key, []).append(month + 1)
    months = [tuple(group) for group in groups.values()]
    if len(months) == 1:
        return Seasons({WHOLE_YEAR: months[0]})
    if len(months) == 2 and any(7 in group and 1 not in group for group in months):
        return Seasons({"summer" if 7 in group else "winter": group for group in months})
    return Seasons({_months_name(group): group for group in months})


def _months_name(months: Sequence[int]) -> str:
    """Name months by their stretches, New Year being no end: ``nov-feb``, ``mar and oct``."""
    held = set(months)
    starts = [month for month in sorted(held) if (month - 2) % MONTHS + 1 not in held]
    words = []
    for start in starts:
        end = start
        while end % MONTHS + 1 in held and end % MONTHS + 1 != start:
            end = end % MONTHS + 1
        first, last = _MONTH_NAMES[start - 1], _MONTH_NAMES[end - 1]
        words.append(first if start == end else f"{first}-{last}")
    return " and ".join(words)


def named_bands(prices: Prices, seasons: Seasons) -> dict[str, dict[str, Tiers]]:
    """Name the prices of each season by their rank, so that one band may differ by season.

    Returns
    -------
    dict of str to dict of str to Tiers
        By band, then by season in which it holds; the cheapest band first.
    """
    ranked: dict[str, list[Tiers]] = {}
    for season in seasons.names:
        month = seasons.first(season)
        used = {*prices.at(month, weekend=False), *prices.at(month, weekend=True)}
        ranked[season] = sorted(used, key=lambda tiers: [tier.price for tier in tiers])
    most = max(map(len, ranked.values()))
    names = _BY_COUNT.get(most) or tuple(f"price {number}" for number in range(1, most + 1))
    bands: dict[str, dict[str, Tiers]] = {name: {} for name in names}
    for season, tiers in ranked.items():
        own = names
        if most in _BY_COUNT and most > 1:
            own = ("off-peak",) if len(tiers) == 1 else _BY_COUNT[len(tiers)]
        for name, each in zip(own, tiers, strict=False):
            bands[name][season] = each
    return {name: found for name, found in bands.items() if found}


def hours_of(prices: Prices, seasons: Seasons, wanted: Mapping[str, Tiers]) -> list[Where]:
    """Return when given tiers hold, by season, in as few pieces as a person would write.

    Parameters
    ----------
    prices : Prices
    seasons : Seasons
    wanted : mapping of season to Tiers
        What to look for in each season.
    """
    held: dict[tuple[tuple[str, ...], Stretches], list[str]] = {}
    for season, tiers in wanted.items():
        month = seasons.first(season)
        by_day = {
            day: _stretches([each == tiers for each in prices.at(month, weekend=day == "weekend")])
            for day in ("weekday", "weekend")
        }
        if by_day["weekday"] == by_day["weekend"]:
            parts: list[tuple[tuple[str, ...], Stretches]] = [((), by_day["weekday"])]
        else:
            parts = [((day,), stretches) for day, stretches in by_day.items()]
        for days, stretches in parts:
            if stretches:
                held.setdefault((days, stretches), []).append(season)
    return [
        Where(() if len(names) == len(seasons.names) else tuple(names), days, stretches)
        for (days, stretches), names in held.items()
    ]


def _stretches(held: Sequence[bool]) -> Stretches:
    """Return stretches of hours; one that reaches midnight runs on into the one that begins there."""
    found: list[tuple[int, int]] = []
    for hour in range(HOURS):
        if not held[hour]:
            continue
        if found and found[-1][1] == hour:
            found[-1] = (found[-1][0], hour + 1)
        else:
            found.append((hour, hour + 1))
    if len(found) > 1 and found[0][0] == 0 and found[-1][1] == HOURS:
        (_, end), *rest = found
        found = [*rest[:-1], (rest[-1][0], end)]
    return tuple(found)
