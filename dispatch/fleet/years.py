"""Many years of one home: each as an inverter runs it and as planned, and the one setting that is best over all.

A year is a CSV file with the columns the scenario's series have, or one drawn from the scenario's own days
(:func:`dispatch.search.other_years.drawn_steps`). The tariff is today's in every year: its span of validity is
stretched over the years asked about, its announced days stay on their dates.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from dispatch.advice.scan import candidates
from dispatch.cards.space import device_space
from dispatch.case.case import build_case, load_scenario
from dispatch.case.limits import resolve_limits
from dispatch.case.series import read_series, sections
from dispatch.comparison.compare import bounds_of
from dispatch.errors import ScenarioError
from dispatch.fleet.side_by_side import HomesTally, advise, goes_beside, repeating_starts
from dispatch.fleet.stack import kind_of, stacked_conditions, stacked_orders
from dispatch.fleet.summary import Spread
from dispatch.outcome import share_wanted
from dispatch.search.other_years import drawn_steps
from dispatch.strategies.swept import Sweep
from tariffs.reading.refusals import missing_file

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from dispatch.arrays import Flags, Floats, Progress
    from dispatch.case.case import Case
    from dispatch.outcome import Outcome


TOGETHER_STEPS = 32 * 8784
"""Steps x years that walk together."""


LEAP_DAYS = 1.5
"""Days by which years may differ: 29 February, and a clock that changed."""


@dataclass(frozen=True)
class Year:
    """One year of the home.

    Attributes
    ----------
    name : str
        The file, or ``drawn 1``.
    no_system_bill : float
        [currency]
    strategy, reserve_percent : str, float
        Best in this year alone.
    own_saving : float
        As set so. [currency]
    saving : float
        As set with the setting that is best over all years. [currency]
    keeps_target_fraction : float
        Share of instants at which that setting leaves the backup target; 1 without one.
    bound_saving : float or None
        The most a plan that knew the whole year could have saved, at this year's own reserve; where asked for and
        where one was found. [currency]
    """

    name: str
    no_system_bill: float
    strategy: str
    reserve_percent: float
    own_saving: float
    saving: float
    keeps_target_fraction: float
    bound_saving: float | None


@dataclass(frozen=True)
class Setting:
    """One setting over all years.

    Attributes
    ----------
    strategy : str
    reserve_percent : float
    mean_saving, worst_saving : float
        [currency]
    worst_year : str
    keeps_target : bool
        Whether it serves the load and leaves the target as often as wanted in every year.
    """

    strategy: str
    reserve_percent: float
    mean_saving: float
    worst_saving: float
    worst_year: str
    keeps_target: bool


@dataclass(frozen=True)
class Years:
    """Everything ``dispatch years`` shows.

    Attributes
    ----------
    case : Case
        The scenario as loaded.
    years : tuple of Year
    best : Setting
        Most saved on average, of the settings that keep the target in every year (of all, where none does).
    safest : Setting
        Most saved in its worst year, of the same.
    spread : Spread
        Of the saving with ``best``. [currency]
    days : float
        That each of them holds, leap days apart.
    """

    case: Case
    years: tuple[Year, ...]
    best: Setting
    safest: Setting
    spread: Spread
    days: float


def many_years(  # noqa: PLR0913 - one per option of the command
    path: Path,
    files: Sequence[Path],
    *,
    drawn: int = 0,
    seed: int = 1,
    planned: bool = True,
    progress: Progress,
) -> Years:
    """Run one home through many years.

    Parameters
    ----------
    path : Path
        The scenario file.
    files : sequence of Path
        One CSV a year.
    drawn : int
        Years drawn from the scenario's own days, beside them.
    seed : int
        Of the draw.
    planned : bool
        Also solve each year's bound.
    progress : callable

    Raises
    ------
    ScenarioError
        If there is no year, one is named twice or is not as long as the others, or a tariff has no price per step.
    """
    base = load_scenario(path)
    named = [(name, year_case(base, file)) for name, file in _named(files)]
    named += [(f"drawn {at + 1}", case) for at, case in enumerate(drawn_cases(base, drawn, seed))]
    names, cases = [name for name, _ in named], [case for _, case in named]
    _refuse_unfit(path, names, cases)
    found = []
    for name, one in zip(names, advise(cases), strict=True):
        if isinstance(one, Exception):
            raise type(one)(f"{name}: {one}") from one
        found.append(one)
    table = _all_settings(cases, np.array([one.no_system.bill_and_wear for one in found]))
    best, safest = table.first(table.saving.mean(axis=0)), table.first(table.saving.min(axis=0))
    years, sweep = [], Sweep()
    for at, (name, one) in enumerate(zip(names, found, strict=True)):
        progress(at, len(names), name)
        run = {one.chosen.name: one.chosen} if planned else {}
        plans = bounds_of(run, sweep)
        years.append(
            Year(
                name=name,
                no_system_bill=one.no_system.bill_and_wear,
                strategy=one.chosen.name,
                reserve_percent=float(one.chosen.reserve_percent or 0.0),
                own_saving=one.chosen.saving,
                saving=float(table.saving[at, best]),
                keeps_target_fraction=float(table.share[at, best]),
                bound_saving=_bound_saving(plans.get(one.chosen.name)) if planned else None,
            )
        )
    spread = Spread.of(table.saving[:, best])
    assert spread is not None  # noqa: S101 - there is a year
    days = round(min(map(_days, cases)), 1)
    return Years(base, tuple(years), table.setting(best, names), table.setting(safest, names), spread, days)


def _bound_saving(plan: Outcome | None) -> float | None:
    return None if plan is None else plan.reference - plan.bound


def _named(files: Sequence[Path]) -> list[tuple[str, Path]]:
    """Name each file as briefly as tells it from the others."""
    seen: set[Path] = set()
    for file in files:
        if not file.is_file():
            raise ScenarioError(f"{file}: {missing_file(file, '.csv')}")
        if file.resolve() in seen:
            raise ScenarioError(f"{file}: is named twice; a year counts once")
        seen.add(file.resolve())
    brief = len({file.name for file in files}) == len(files)
    return [(file.name if brief else str(file), file) for file in files]


def _days(case: Case) -> float:
    return len(case.times) * case.dt_hours / 24.0


def _refuse_unfit(path: Path, names: Sequence[str], cases: Sequence[Case]) -> None:
    if not cases:
        raise ScenarioError(f"{path}: no year: name CSV files, or draw some with --drawn")
    days = [_days(case) for case in cases]
    shortest, longest = int(np.argmin(days)), int(np.argmax(days))
    if days[longest] - days[shortest] > LEAP_DAYS:
        raise ScenarioError(
            f"{names[shortest]}: holds {days[shortest]:.1f} days, {names[longest]} {days[longest]:.1f}: their savings "
            "cannot stand side by side; give all of them the same days of the year"
        )
    if not all(map(goes_beside, cases)):
        raise ScenarioError(
            f"{path}: blocks, demand and netting of the tariff have no price per step, and a reserve raised on dates "
            "no one setting: run dispatch compare year by year"
        )


@dataclass(frozen=True)
class _Table:
    """Every setting in every year: arrays of shape (years, settings)."""

    settings: list[tuple[str, float]]
    saving: Floats
    share: Floats
    keeps: Flags

    def first(self, score: Floats) -> int:
        """Return the setting with the highest score, of those that keep the target in every year, if any does."""
        kept = self.keeps.all(axis=0)
        kept = kept if kept.any() else np.ones_like(kept)
        return int(np.flatnonzero(kept)[np.argmax(np.round(score[kept], 6))])

    def setting(self, at: int, names: Sequence[str]) -> Setting:
        """Describe one setting over the years."""
        savings = self.saving[:, at]
        worst = int(np.argmin(savings))
        return Setting(
            strategy=self.settings[at][0],
            reserve_percent=self.settings[at][1],
            mean_saving=float(savings.mean()),
            worst_saving=float(savings[worst]),
            worst_year=names[worst],
            keeps_target=bool(self.keeps[:, at].all()),
        )


def _all_settings(cases: Sequence[Case], reference: Floats) -> _Table:
    """Score the settings that the device takes in every year, in every year."""
    spaces = [device_space(case) for case in cases]
    each = [candidates(case, space) for case, space in zip(cases, spaces, strict=True)]
    promised = cases[0].scenario.backup.target_hours is None  # then the file's reserve is the promise
    lowest = max(space.reserves[0] for space in spaces) if promised else 0.0
    common = [
        pair for pair in each[0][0] if pair[1] >= lowest - 1e-9 and all(pair in pairs for pairs, _ in each)
    ]
    saving, share = np.empty((2, len(cases), len(common)))
    keeps = np.empty((len(cases), len(common)), dtype=bool)
    for group in _groups(cases):
        some = [cases[at] for at in group]
        given, orders = stacked_conditions(some), stacked_orders([each[at][1] for at in group])
        tally = HomesTally(some, given, orders, repeating_starts(some, given, orders))
        for place, at in enumerate(group):
            pairs = each[at][0]
            scan = tally.scan(place, pairs, tally.starts[: len(pairs), place])
            columns = [pairs.index(pair) for pair in common]
            saving[at], share[at] = reference[at] - scan.cost[columns], scan.share[columns]
            keeps[at] = scan.serves[columns] & (scan.share[columns] >= share_wanted(cases[at]) - 1e-12)
    return _Table(common, saving, share, keeps)


def _groups(cases: Sequence[Case]) -> list[list[int]]:
    """Years that walk together: of one length, and few enough for memory."""
    kinds: dict[object, list[int]] = {}
    for at, case in enumerate(cases):
        kinds.setdefault(kind_of(case), []).append(at)
    groups = []
    for members in kinds.values():
        size = max(1, TOGETHER_STEPS // len(cases[members[0]].times))
        groups += [members[first : first + size] for first in range(0, len(members), size)]
    return groups


def year_case(base: Case, file: Path) -> Case:
    """Put another year's readings in the place of every series of a scenario.

    Raises
    ------
    ScenarioError, SeriesError
        If the file lacks a column the scenario's series have, or cannot be read.
    """
    scenario, resolved = base.scenario, file.resolve()
    changed: dict[str, Any] = {"period": None}  # the grid is the file's own times
    for name, section in sections(scenario).items():
        if getattr(section, "csv", None):
            moved = section.model_copy(update={"csv": str(resolved)})
            table, _, register = name.partition(".")
            if register:
                changed[table] = changed.get(table, scenario.registers) | {register: moved}
            else:
                changed[name] = moved
    if len(changed) == 1:
        raise ScenarioError(f"{base.path}: no series is a CSV file; there is nothing a year could replace")
    there = scenario.model_copy(update=changed)
    series = read_series(there, base.path)
    first, last = series.times[0].date(), series.times[-1].date()
    begins, ends = base.tariff.valid_from, base.tariff.valid_to
    stretched = {"valid_from": begins and min(begins, first), "valid_to": ends and max(ends, last)}
    tariff = base.tariff.model_copy(update=stretched)
    return build_case(there, resolve_limits(there, base.path), tariff, series, base.path)


def drawn_cases(case: Case, count: int, seed: int) -> list[Case]:
    """Draw years from the home's own days: load, rest of the house, critical load and sun of a day stay together."""
    if count < 1:
        return []
    steps = drawn_steps(case, count, seed)
    names = ("load_kwh", "other_kwh", "critical_kwh", "sun_kwh", "may_charge")
    return [
        replace(case, **{name: getattr(case, name)[steps[:, year]] for name in names})
        for year in range(count)
    ]
