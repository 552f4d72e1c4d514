"""Windows painted on the clock: which band holds in each season, day class and minute of the day.

The table that proves that the day is covered without hole or overlap is the same one that prices it.
"""

from collections.abc import Iterable, Iterator

import numpy as np
from numpy.typing import NDArray

from tariffs.reading.clock import MINUTES_PER_DAY, clock_text
from tariffs.reading.refusals import Problem
from tariffs.sheet.fields import DAY_CLASSES, DAY_NAMES
from tariffs.sheet.tariff import Sheet
from tariffs.sheet.when import When

UNPAINTED = -1


def day_classes(days: Iterable[str], *, with_holidays: bool) -> frozenset[int]:
    """Return the day classes a list of day names stands for; an empty list means every day."""
    every = frozenset(range(len(DAY_CLASSES) if with_holidays else len(DAY_CLASSES) - 1))
    named = [DAY_NAMES[day] for day in days]
    return frozenset.union(*named) & every if named else every


def days_text(classes: Iterable[int]) -> str:
    """Name a set of day classes as shortly as it can be named."""
    left, words = set(classes), []
    for group in ("weekday", "weekend"):
        if DAY_NAMES[group] <= left:
            words.append(group)
            left -= DAY_NAMES[group]
    return ", ".join(words + [DAY_CLASSES[index] for index in sorted(left)])


def season_indices(names: Iterable[str], sheet: Sheet) -> list[int]:
    """Return the indices of named seasons; no names means every season."""
    wanted = set(names)
    return [index for index, name in enumerate(sheet.season_names) if not wanted or name in wanted]


def mask_of(whens: Iterable[When], sheet: Sheet) -> NDArray[np.bool_]:
    """Return where any of several windows holds, as a table of season x day class x minute."""
    mask = np.zeros((len(sheet.season_names), len(DAY_CLASSES), MINUTES_PER_DAY), dtype=bool)
    for when in whens:
        for season, day, begin, finish in _cells(when, sheet):
            mask[season, day, begin:finish] = True
    return mask


def _cells(when: When, sheet: Sheet) -> Iterator[tuple[int, int, int, int]]:
    for season in season_indices(when.seasons, sheet):
        for day in day_classes(when.days, with_holidays=sheet.holidays is not None):
            for begin, finish in when.pieces:
                yield season, day, begin, finish


def paint(sheet: Sheet) -> tuple[NDArray[np.int16], list[Problem]]:
    """Paint a sheet's windows and report every hole and overlap.

    Parameters
    ----------
    sheet : Sheet
        Its band, season and day names must already be known to exist.

    Returns
    -------
    table : array of int, shape (seasons, 8 day classes, 1440 minutes)
        Index of the band in force. The holiday class is painted only where the sheet has holidays.
    problems : list of Problem
        Empty when every minute has exactly one band.
    """
    names = sheet.band_names
    shape = (len(sheet.season_names), len(DAY_CLASSES), MINUTES_PER_DAY)
    table = np.full(shape, UNPAINTED, dtype=np.int16)
    if not sheet.windows and not sheet.other_hours and len(names) == 1:
        table[:] = 0  # one price at all times needs no window
        return table, []
    owner = np.full(shape, UNPAINTED, dtype=np.int16)
    problems: list[Problem] = []
    for index, window in enumerate(sheet.windows):
        for season, day, begin, finish in _cells(window, sheet):
            taken = owner[season, day, begin:finish]
            clash = np.flatnonzero((taken != UNPAINTED) & (taken != index))
            if clash.size and not any(found.field == f"windows[{index + 1}]" for found in problems):
                problems.append(_overlap(sheet, index, (season, day, begin), taken, clash))
            taken[:] = index
            table[season, day, begin:finish] = names.index(window.band)
    if sheet.other_hours:
        table[table == UNPAINTED] = names.index(sheet.other_hours)
    return table, problems + _holes(table, sheet)


def _overlap(
    sheet: Sheet, index: int, at: tuple[int, int, int], taken: NDArray[np.int16], clash: NDArray[np.intp]
) -> Problem:
    season, day, begin = at
    other = int(taken[clash[0]])
    last = int(clash[taken[clash] == other][-1])
    return Problem(
        f"windows[{index + 1}]",
        f"overlaps windows[{other + 1}] in season {sheet.season_names[season]!r} on {DAY_CLASSES[day]} "
        f"from {clock_text(begin + int(clash[0]))} to {clock_text(begin + last + 1)} "
        f"(got bands {sheet.windows[index].band!r} and {sheet.windows[other].band!r}); "
        "every instant must have one band: shorten or remove one of the two",
    )


def runs(hits: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Return the half-open stretches of True in a vector."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], hits, [False])).astype(np.int8)))
    return list(zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True))


def _holes(table: NDArray[np.int16], sheet: Sheet) -> list[Problem]:
    days = sorted(day_classes((), with_holidays=sheet.holidays is not None))
    found: dict[tuple[tuple[int, int], ...], dict[int, list[int]]] = {}
    for season in range(len(sheet.season_names)):
        for day in days:
            gaps = tuple(runs(table[season, day] == UNPAINTED))
            if gaps:
                found.setdefault(gaps, {}).setdefault(season, []).append(day)
    problems = []
    for gaps, by_season in found.items():
        hours = ", ".join(f"{clock_text(begin)} to {clock_text(finish)}" for begin, finish in gaps)
        where = "; ".join(
            f"season {sheet.season_names[season]!r} on {days_text(hit)}" for season, hit in by_season.items()
        )
        problems.append(
            Problem(
                "windows",
                f"no band holds from {hours} in {where}; "
                'add a window for these hours, or name the band of all remaining hours as other_hours = "..."',
            )
        )
    return problems


def edge_text(sheet: Sheet, before: int, after: int, minute: int) -> str:
    """Name the window whose edge a change from one band to another is."""
    names = sheet.band_names
    found = ""
    for number, window in enumerate(sheet.windows):
        starts = window.band == names[after] and any(begin == minute for begin, _ in window.pieces)
        ends = window.band == names[before] and any(finish == minute for _, finish in window.pieces)
        if starts or ends:
            found = f"windows[{number + 1}]: "
            break
    return f"{found}the change from {names[before]!r} to {names[after]!r} at {clock_text(minute)}"
