"""What a fleet's results come to: savings, hours, winners and losers, and the group's load before and after."""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from dispatch.fleet.shapes import HOURS, MONTHS
from dispatch.fleet.store import read_parts

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

    from dispatch.arrays import Floats


YEAR_DAYS = 365.0

WORST = 10
"""Homes that lose money named one by one."""

BARS = 18
"""Bars of a distribution, about."""

BELOW_NOTHING = -0.005
"""A saving above it is nothing, not a loss."""

_COLUMNS = (
    *("home", "tariff", "status", "reason", "currency", "strategy", "chosen", "reserve_percent", "saving"),
    *("compared_cost", "bound_cost", "least_hours", "meets_target", "days", "usable_kwh", "sun_kwh", "wear"),
    *("delay_minutes", "free_minutes", "before_kw", "after_kw", "staggered_kw"),
)


@dataclass(frozen=True)
class Spread:
    """A distribution: mean and percentiles."""

    mean: float
    p05: float
    p25: float
    median: float
    p75: float
    p95: float

    @classmethod
    def of(cls, values: Iterable[float]) -> Spread | None:
        """Return the spread of some values (linear interpolation); None of none."""
        found = np.sort(np.fromiter(values, dtype=np.float64))
        if not len(found):
            return None
        return cls(float(found.mean()), *np.percentile(found, [5, 25, 50, 75, 95]).tolist())


@dataclass(frozen=True)
class Bars:
    """A distribution as counts.

    Attributes
    ----------
    edges : tuple of float
        Round numbers; 0 is one of them where values of both signs occur.
    homes : tuple of int
        Homes from one edge to below the next; the first and last hold those that lie beyond, too.
    """

    edges: tuple[float, ...]
    homes: tuple[int, ...]

    @classmethod
    def of(cls, values: Iterable[float]) -> Bars:
        """Count values, at least one; about twenty bars hold all but the outermost hundredths."""
        found = np.fromiter(values, dtype=np.float64)
        low, high = np.percentile(found, [1, 99]).tolist()
        step = _round_step((high - low) / BARS)
        first = math.floor(low / step + 1e-9)
        last = max(math.floor(high / step + 1e-9) + 1, first + 1)
        edges = np.round(np.arange(first, last + 1) * step, 9)
        inside = np.clip(np.floor(found / step + 1e-9) - first, 0, last - first - 1).astype(np.int64)
        homes = np.bincount(inside, minlength=last - first)
        return cls(tuple(edges.tolist()), tuple(homes.tolist()))


def _round_step(least: float) -> float:
    """Return the smallest of 1, 2, 5, 10, ... (and their tenths) that is no smaller."""
    power = 10.0 ** math.floor(math.log10(max(least, 0.1)))
    return next(step * power for step in (1.0, 2.0, 5.0, 10.0) if step * power >= least - 1e-12)


@dataclass(frozen=True)
class Winner:
    """One strategy among the homes it is best for.

    Attributes
    ----------
    strategy : str
    homes : int
    share : float
        Of the homes that could be set.
    reserve_percent : Spread
    reserves : dict of str to int
        Homes by reserve, in tens of percent: ``"30-39"``.
    ahead : Spread or None
        Money a year by which it beats the next strategy that keeps the target too. [currency]
    only_one_homes : int
        Homes where no other strategy serves and keeps the target.
    missing_homes : int
        Homes where it comes closest to a target that nothing keeps.
    usable_kwh : Spread
        Usable energy of the batteries of these homes.
    with_sun_share : float
        Share of these homes with panels.
    """

    strategy: str
    homes: int
    share: float
    reserve_percent: Spread
    reserves: dict[str, int]
    ahead: Spread | None
    only_one_homes: int
    missing_homes: int
    usable_kwh: Spread
    with_sun_share: float


@dataclass(frozen=True)
class Loser:
    """A home that the system costs money: what it saves a year, and of that the wear. [currency]."""

    home: str
    strategy: str
    saving_per_year: float
    wear_per_year: float


@dataclass(frozen=True)
class Peak:
    """The highest of the group's mean powers by month and hour. [kW]; month 1 to 12, local hour."""

    kw: float
    month: int
    hour: int


@dataclass(frozen=True)
class GroupLoad:
    """The group's mean net power at the meters by month and local hour, arrays (12, 24). [kW].

    Attributes
    ----------
    before, after, staggered : array
        Without the systems; as set; as set with each home's start drawn by lot among those that cost it nothing.
    peak_before, peak_after, peak_staggered : Peak
    rise : Peak
        Where the load rises most above what it was.
    can_shift_homes : int
        Homes with a later start that costs nothing.
    """

    before: Floats
    after: Floats
    staggered: Floats
    peak_before: Peak
    peak_after: Peak
    peak_staggered: Peak
    rise: Peak
    can_shift_homes: int

    @property
    def taken_off_kw(self) -> float:
        """What the staggered start takes off the peak."""
        return self.peak_after.kw - self.peak_staggered.kw


@dataclass(frozen=True)
class Group:
    """All homes under one tariff (``""``: each under its own).

    Attributes
    ----------
    tariff, currency : str
    homes : int
        That could be set.
    saving_per_year : Spread
        Against the household without the system. [currency]
    total_saving_per_year : float
    saving_bars : Bars
        Homes by saving a year. [currency]
    least_hours : Spread
        Fewest hours of backup of each home.
    hours_bars : Bars
        Homes by fewest hours.
    missing_target_homes : int
        Homes whose target nothing keeps.
    foresight_per_year : Spread or None
        What knowing the whole year would save more, where the bounds were solved. [currency]
    bound_homes : int
        Homes whose bound was solved.
    winners : tuple of Winner
        The most frequent first.
    losing_homes : int
    losers : tuple of Loser
        The worst.
    load : GroupLoad
    """

    tariff: str
    currency: str
    homes: int
    saving_per_year: Spread
    total_saving_per_year: float
    saving_bars: Bars
    least_hours: Spread
    hours_bars: Bars
    missing_target_homes: int
    foresight_per_year: Spread | None
    bound_homes: int
    winners: tuple[Winner, ...]
    losing_homes: int
    losers: tuple[Loser, ...]
    load: GroupLoad


@dataclass(frozen=True)
class Summary:
    """Everything ``dispatch fleet`` shows.

    Attributes
    ----------
    directory : str
    homes : int
        Homes x tariffs in the results.
    unusable : dict of str to int
        Homes without a figure, by status.
    reasons : tuple of (str, str)
        Home and reason of each of them.
    groups : tuple of Group
        By tariff, and by currency where several occur.
    """

    directory: str
    homes: int
    unusable: dict[str, int]
    reasons: tuple[tuple[str, str], ...]
    groups: tuple[Group, ...]


@dataclass
class _Gathered:
    """The chosen rows of one group, the load already summed."""

    rows: list[dict[str, Any]] = field(default_factory=list)
    others: dict[str, list[tuple[str, float]]] = field(default_factory=lambda: defaultdict(list))
    load: Floats = field(default_factory=lambda: np.zeros((3, MONTHS * HOURS)))


def summarise(directory: Path) -> Summary:
    """Read the results once, part by part.

    Parameters
    ----------
    directory : Path
        Of the results.
    """
    groups: dict[tuple[str, str], _Gathered] = defaultdict(_Gathered)
    unusable: Counter[str] = Counter()
    reasons = []
    for row in read_parts(directory, _COLUMNS):
        if row["strategy"] is None or (row["chosen"] and row["status"] != "set"):
            unusable[row["status"]] += 1
            reasons.append((row["home"], row["reason"]))
            continue
        if row["status"] != "set":
            continue
        group = groups[row["tariff"], row["currency"]]
        if not row["chosen"]:
            if row["reason"] == "next":
                group.others[row["home"]].append((row["strategy"], row["compared_cost"]))
            continue
        shapes = [row.pop(name) for name in ("before_kw", "after_kw", "staggered_kw")]
        group.load += np.nan_to_num(np.array(shapes, dtype=np.float64))
        group.rows.append(row)
    found = tuple(_group(*key, group) for key, group in sorted(groups.items()))
    homes = sum(group.homes for group in found) + sum(unusable.values())
    return Summary(str(directory), homes, dict(sorted(unusable.items())), tuple(sorted(reasons)), found)


def _group(tariff: str, currency: str, group: _Gathered) -> Group:
    rows = sorted(group.rows, key=lambda row: str(row["home"]))
    savings = [_yearly(row, row["saving"]) for row in rows]
    bounds = [
        _yearly(row, row["compared_cost"] - row["bound_cost"])
        for row in rows
        if row["bound_cost"] is not None
    ]
    losers = sorted(
        (
            Loser(row["home"], row["strategy"], saving, _yearly(row, row["wear"]))
            for row, saving in zip(rows, savings, strict=True)
            if saving < BELOW_NOTHING
        ),
        key=lambda loser: (loser.saving_per_year, loser.home),
    )
    return Group(
        tariff=tariff,
        currency=currency,
        homes=len(rows),
        saving_per_year=_some(savings),
        total_saving_per_year=float(np.sum(savings)),
        saving_bars=Bars.of(savings),
        least_hours=_some(row["least_hours"] for row in rows),
        hours_bars=Bars.of(row["least_hours"] for row in rows),
        missing_target_homes=sum(not row["meets_target"] for row in rows),
        foresight_per_year=Spread.of(bounds),
        bound_homes=len(bounds),
        winners=_winners(rows, group.others),
        losing_homes=len(losers),
        losers=tuple(losers[:WORST]),
        load=_load(group.load, sum(row["free_minutes"] > 0 for row in rows)),
    )


def _yearly(row: dict[str, Any], amount: float) -> float:
    return float(amount * YEAR_DAYS / row["days"])


def _some(values: Iterable[float]) -> Spread:
    spread = Spread.of(values)
    assert spread is not None  # noqa: S101 - a group has a home
    return spread


def _winners(rows: list[dict[str, Any]], others: dict[str, list[tuple[str, float]]]) -> tuple[Winner, ...]:
    by_name: dict[str, list[dict[str, Any]]] = defaultdict(list)
    for row in rows:
        by_name[row["strategy"]].append(row)
    found = []
    for name, mine in by_name.items():
        ahead = [
            _yearly(row, min(cost for _, cost in others[row["home"]]) - row["compared_cost"])
            for row in mine
            if others.get(row["home"])
        ]
        tens = Counter(int(row["reserve_percent"] // 10) for row in mine)
        missing = sum(row["reason"] == "closest" for row in mine)
        found.append(
            Winner(
                strategy=name,
                homes=len(mine),
                share=len(mine) / len(rows),
                reserve_percent=_some(row["reserve_percent"] for row in mine),
                reserves={f"{10 * ten}-{10 * ten + 9}": tens[ten] for ten in sorted(tens)},
                ahead=Spread.of(ahead),
                only_one_homes=len(mine) - len(ahead) - missing,
                missing_homes=missing,
                usable_kwh=_some(row["usable_kwh"] for row in mine),
                with_sun_share=sum(row["sun_kwh"] > 0 for row in mine) / len(mine),
            )
        )
    return tuple(sorted(found, key=lambda winner: (-winner.homes, winner.strategy)))


def _load(total: Floats, can_shift: int) -> GroupLoad:
    before, after, staggered = (each.reshape(MONTHS, HOURS) for each in total)
    return GroupLoad(
        before=before,
        after=after,
        staggered=staggered,
        peak_before=_peak(before),
        peak_after=_peak(after),
        peak_staggered=_peak(staggered),
        rise=_peak(after - before),
        can_shift_homes=can_shift,
    )


def _peak(load: Floats) -> Peak:
    month, hour = divmod(int(np.argmax(load)), HOURS)
    return Peak(float(load[month, hour]), month + 1, hour)
