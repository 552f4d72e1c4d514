"""Readings as intervals of real time, and what an import is asked for: shared by every kind of file."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal, Protocol

import numpy as np
from numpy.typing import NDArray

from dispatch.errors import SeriesError
from tariffs.reading import refusals

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence
    from pathlib import Path

    from dispatch.arrays import Floats


Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]
Flow = Literal["import", "export", "net", "production"]
FLOWS: tuple[Flow, ...] = ("import", "export", "net", "production")
Clock = Literal["wall", "standard", "utc"]


class Where(Protocol):
    """Where each reading stands in its file, such as ``line 12``."""

    def __getitem__(self, at: int, /) -> str:
        """Return the words for one reading."""


@dataclass(frozen=True)
class Intervals:
    """Readings of one flow, rising in time and never overlapping.

    Attributes
    ----------
    starts : ndarray of int, shape (n,)
        First instant of each reading. [s since 1970, UTC]
    seconds : ndarray of int, shape (n,)
        Length of each. [s]
    kwh : ndarray of float, shape (n,)
        Energy within it; NaN where the file has an empty place. [kWh]
    estimated : ndarray of bool, shape (n,)
        Whether the file says that the reading was estimated, not measured.
    """

    starts: Ints
    seconds: Ints
    kwh: Floats
    estimated: Flags


@dataclass(frozen=True)
class Asked:
    """What a person said about a file; everything left out must be provable from the file itself.

    Attributes
    ----------
    time_zone : str or None
        IANA zone of the home.
    clock : str or None
        What a time without offset is on: the ``wall`` clock of the zone, its ``standard`` time all year, or ``utc``.
    day_first : bool or None
        Order of day and month in dates such as 03/04/2025.
    label : str or None
        Whether a single time per row is the ``start`` or the ``end`` of its reading.
    decimal : str or None
        The decimal mark.
    unit : str or None
        Unit of all columns: kWh, Wh, MWh (energy in the step), kW, W (mean power in it).
    columns : mapping of flow to column names
        Which columns hold what; several are added up.
    usage_point : str or None
        Which meter of an ESPI file: its number in the list, or ``all``.
    drop_repeats : bool
        Whether readings that stand there twice with the same value may be dropped.
    """

    time_zone: str | None = None
    clock: Clock | None = None
    day_first: bool | None = None
    label: Literal["start", "end"] | None = None
    decimal: str | None = None
    unit: str | None = None
    columns: Mapping[Flow, Sequence[str]] = field(default_factory=dict)
    usage_point: str | None = None
    drop_repeats: bool = False


@dataclass(frozen=True)
class Found:
    """What a meter file says.

    Attributes
    ----------
    path : Path
    shape : str
        What kind of file it is, in words.
    zone : str
        IANA zone of the clock that the home keeps.
    flows : dict of flow to Intervals
    facts : tuple of str
        What was understood and how it is known.
    doubts : tuple of str
        What a person should look at.
    """

    path: Path
    shape: str
    zone: str
    flows: dict[Flow, Intervals]
    facts: tuple[str, ...] = ()
    doubts: tuple[str, ...] = ()


def in_order(  # noqa: PLR0913, PLR0917 - one row of arrays
    path: Path, starts: Ints, seconds: Ints, kwh: Floats, estimated: Flags, where: Where, asked: Asked
) -> tuple[Intervals, int]:
    """Put readings in the order of time; refuse what overlaps.

    Parameters
    ----------
    path : Path
        For messages.
    starts, seconds, kwh, estimated : ndarray, shape (n,)
        As in :class:`Intervals`, in any order.
    where : sequence of str, length n
        Where each stands in the file, such as ``line 12``.
    asked : Asked

    Returns
    -------
    Intervals, and how many repeated readings were dropped on request.

    Raises
    ------
    SeriesError
        If two readings cover the same time.
    """
    order = np.argsort(starts, kind="stable")
    first, length, energy, guess = starts[order], seconds[order], kwh[order], estimated[order]
    clash = np.flatnonzero(first[1:] < first[:-1] + length[:-1]) + 1
    dropped = 0
    if clash.size:
        same = _repeated(first, length, energy, clash)
        if not (asked.drop_repeats and same.all()):
            _refuse_overlap(path, order, clash, same, where)
        keep = np.ones(len(first), dtype=bool)
        keep[clash] = False
        first, length, energy, guess = first[keep], length[keep], energy[keep], guess[keep]
        dropped = int(clash.size)
    return Intervals(first, length, energy, guess), dropped


def _repeated(first: Ints, length: Ints, energy: Floats, clash: Ints) -> Flags:
    before = clash - 1
    equal = (first[clash] == first[before]) & (length[clash] == length[before])
    return np.asarray(
        equal & ((energy[clash] == energy[before]) | (np.isnan(energy[clash]) & np.isnan(energy[before])))
    )


def _refuse_overlap(path: Path, order: Ints, clash: Ints, same: Flags, where: Where) -> None:
    at = int(clash[0])
    pair = f"{where[order[at - 1]]} and {where[order[at]]}"
    if same.all():
        text = f"{len(clash):,} readings stand there twice with the same value (first {pair})"
        raise SeriesError(f"{path}: {text}; remove them, or add --repeats drop to use each once")
    raise SeriesError(
        f"{path}: {len(clash):,} readings cover time that another one covers too (first {pair}); "
        "which is right cannot be known: remove one of each, or export one meter and one register at a time"
    )


def listed(items: Iterable[object]) -> str:
    """Name the first few of many and how many more there are."""
    return refusals.listed([str(item) for item in items])


def quoted(text: str, most: int = 60) -> str:
    """Show what a file holds: printable characters only, shortened, between quotes."""
    plain = repr(text)
    return plain if len(plain) <= most else plain[: most - 4] + "..." + plain[0]
