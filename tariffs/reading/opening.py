"""The one way a file is opened to be read: an ordinary file of a sensible size, and none that is to be written."""

from __future__ import annotations

import fnmatch
import os
import stat
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from tariffs.reading.refusals import NO_FILE, missing_file

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from tariffs.errors import DispatchError

MOST_TABLE_BYTES = 100_000_000
"""Tables above this are refused unread: three years of minutes fit below it."""

MOST_TABLE_LINES = 1_600_000
"""And tables of more lines: a series has at most 1,000,000 steps, and some years around them may be left out."""

MOST_SHEET_BYTES = 8_000_000
"""Files of settings above this are refused unread: a person writes no more."""

_WAITS = getattr(os, "O_NONBLOCK", 0) | getattr(
    os, "O_NOCTTY", 0
)  # a pipe without a writer must not hold us up


@dataclass(frozen=True)
class Target:
    """A place that a command is asked to write to.

    Attributes
    ----------
    option : str
        As on the command line.
    path : Path
    names : tuple of str
        Names of the files that a folder will get, ``*`` standing for any part; empty: the path is a file itself.
    """

    option: str
    path: Path
    names: tuple[str, ...] = ()

    def is_file(self, path: Path, found: os.stat_result) -> bool:
        """Tell whether a file that exists is, or would be, written by this target."""
        if not self.names:
            return _same(self.path, found)
        real = Path(os.path.realpath(path))
        return any(
            _same(self.path, parent.stat()) and any(fnmatch.fnmatchcase(name, mask) for mask in self.names)
            for parent, name in {(real.parent, real.name), (path.absolute().parent, path.name)}
        )


@dataclass
class _Kept:
    """What is to be written, and the files read while that is known."""

    targets: tuple[Target, ...] = ()
    read: set[tuple[int, int]] = field(default_factory=set)


_KEPT: list[_Kept] = []  # of the process, not of a thread: solvers' threads read nothing of their own


@contextmanager
def kept_apart(targets: Sequence[Target]) -> Iterator[None]:
    """Refuse to read, for the while, what is to be written."""
    _KEPT.append(_Kept(tuple(targets)))
    try:
        yield
    finally:
        _KEPT.pop()


def was_read(path: Path) -> bool:
    """Tell whether a file has been read since the targets were named."""
    try:
        found = path.stat()
    except (OSError, ValueError):
        return False
    return any((found.st_dev, found.st_ino) in kept.read for kept in _KEPT)


def target_of(path: Path) -> Target | None:
    """Return the target, if any, that would write over a file."""
    try:
        found = path.stat()
    except (OSError, ValueError):
        return None
    return next((one for kept in _KEPT for one in kept.targets if one.is_file(path, found)), None)


def checked(path: Path, refuse: type[DispatchError], most_bytes: int, kind: str) -> None:
    """Refuse a file that cannot be read, or should not be.

    Parameters
    ----------
    path : Path
    refuse : type of DispatchError
        What to raise.
    most_bytes : int
        A larger file is refused unread.
    kind : str
        Ending of the files that are looked for near a misspelt name.

    Raises
    ------
    DispatchError
        If it is missing, a folder, a device or pipe, too large, or about to be written.
    """
    try:
        found = path.stat()
    except (OSError, ValueError):
        raise refuse(f"{path}: {missing_file(path, kind)}") from None
    if stat.S_ISDIR(found.st_mode):
        raise refuse(f"{path}: {missing_file(path, kind)}")
    if not stat.S_ISREG(found.st_mode):
        raise refuse(f"{path}: {NO_FILE}")
    if found.st_size > most_bytes:
        size, limit = found.st_size / 1e6, most_bytes / 1e6
        text = f"has {size:,.0f} MB; at most {limit:,.0f} MB are read"
        raise refuse(f"{path}: {text}: is it the file that was meant? A series may be cut into years")
    if (target := target_of(path)) is not None:
        raise refuse(
            f"{path}: is read, and {target.option} {target.path} would write over it; name another place"
        )
    for kept in _KEPT:
        kept.read.add((found.st_dev, found.st_ino))


def read_bytes(path: Path, refuse: type[DispatchError], most_bytes: int, kind: str) -> bytes:
    """Read a whole file; as :func:`checked`, and never more than the limit, whatever the file says of itself."""
    checked(path, refuse, most_bytes, kind)
    try:
        handle = os.open(path, os.O_RDONLY | _WAITS)
        with os.fdopen(handle, "rb") as file:
            raw = file.read(most_bytes + 1)
    except (OSError, ValueError):
        raise refuse(f"{path}: {missing_file(path, kind)}") from None
    if len(raw) > most_bytes:
        raise refuse(f"{path}: grows while it is read; save the data to a file first")
    return raw


def _same(path: Path, found: os.stat_result) -> bool:
    try:
        mine = path.stat()
    except (OSError, ValueError):
        return False
    return (mine.st_dev, mine.st_ino) == (found.st_dev, found.st_ino)
