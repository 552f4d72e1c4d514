"""Results kept on disk, so that no command solves again what another has solved.

An entry is found by a hash of everything that decides it: the inputs, the options, and the code and libraries that
solve or run. It holds arrays and a few facts. Nothing read from it is trusted: an entry that cannot be read is as
good as none, and whoever asks checks what it reads as it would check what it had solved.

Entries are written under a temporary name and renamed, so that two runs may write the same one; the oldest used go
when the store grows over its bound. The library keeps nothing unless told to (`use`); the command line does.
"""

from __future__ import annotations

import dataclasses
import functools
import hashlib
import importlib.metadata
import io
import json
import os
import tempfile
import zipfile
import zlib
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    from collections.abc import Mapping

    from dispatch.arrays import Floats


PLACE_VARIABLE = "DISPATCH_CACHE_DIR"
"""Environment variable that names the folder; empty: nothing is kept."""

MOST_BYTES = 400_000_000
"""Bound of the store: some hundred strategies of a year of quarter hours."""

SOLVING_CODE = (
    "dispatch/program",
    "dispatch/strategies",
    "dispatch/sweep",
    "dispatch/case",
    "dispatch/flows.py",
    "dispatch/rules",
    "dispatch/cards",
    "dispatch/advice",
    "dispatch/outages",
    "tariffs/reading",
    "tariffs/periods",
    "tariffs/terms",
)
SOLVING_LIBRARIES = ("highspy", "numpy", "pulp")
_UNREADABLE = (OSError, ValueError, KeyError, EOFError, TypeError, zipfile.BadZipFile, zlib.error)


@dataclasses.dataclass(frozen=True)
class Entry:
    """What is kept: arrays by name, and facts that JSON can hold."""

    arrays: Mapping[str, Floats]
    facts: Mapping[str, Any]


class Store:
    """A bounded folder of entries.

    Parameters
    ----------
    folder : Path
        Made when first written to.
    most_bytes : int
        Above this the entries unused for longest are removed.
    """

    def __init__(self, folder: Path, most_bytes: int = MOST_BYTES) -> None:
        self.folder = folder
        self.most_bytes = most_bytes

    def __contains__(self, key: str) -> bool:
        """Whether there is an entry; it may yet prove unreadable."""
        return self._path(key).is_file()

    def get(self, key: str) -> Entry | None:
        """Read an entry; None if there is none that can be read whole."""
        path = self._path(key)
        try:
            with np.load(
                io.BytesIO(path.read_bytes()), allow_pickle=False
            ) as held:  # the archive's own checksums are held on reading
                arrays = {name: held[name] for name in held.files}
            facts = json.loads(arrays.pop("facts").tobytes().decode())
            if facts.pop("key") != key:
                return None
            os.utime(path)
        except _UNREADABLE:
            return None
        return Entry(arrays, facts)

    def put(self, key: str, entry: Entry) -> None:
        """Write an entry; a store that cannot be written to keeps nothing, which is no error."""
        facts = np.frombuffer(json.dumps({**entry.facts, "key": key}).encode(), dtype=np.uint8)
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
            handle, name = tempfile.mkstemp(dir=self.folder, suffix=".part")
            try:
                with os.fdopen(handle, "wb") as file:
                    np.savez(file, allow_pickle=False, facts=facts, **entry.arrays)
                Path(name).replace(self._path(key))
            except BaseException:
                Path(name).unlink(missing_ok=True)
                raise
            self._bound()
        except OSError:
            return

    def entries(self) -> list[tuple[Path, os.stat_result]]:
        """Every entry with its size and time of last use, oldest first; parts left by a killed run too."""
        found = []
        for path in (*self.folder.glob("*.npz"), *self.folder.glob("*.part")):
            try:
                found.append((path, path.stat()))
            except OSError:  # another run was quicker
                continue
        return sorted(found, key=lambda each: each[1].st_mtime)

    @property
    def size_bytes(self) -> int:
        """What the entries take together."""
        return sum(stat.st_size for _, stat in self.entries())

    def clear(self) -> int:
        """Remove all entries; return how many there were."""
        found = self.entries()
        for path, _ in found:
            path.unlink(missing_ok=True)
        return len(found)

    def _bound(self) -> None:
        found = self.entries()
        size = sum(stat.st_size for _, stat in found)
        for path, stat in found[:-1]:
            if size <= self.most_bytes:
                return
            path.unlink(missing_ok=True)
            size -= stat.st_size

    def _path(self, key: str) -> Path:
        return self.folder / f"{key}.npz"


# ---- the one in use ----------------------------------------------------------------------------------------
class _InUse:
    store: Store | None = None


def use(store: Store | None) -> None:
    """Keep results in this store from now on; None: keep nothing."""
    _InUse.store = store


def in_use() -> Store | None:
    """Return the store that results are kept in, if any."""
    return _InUse.store


def users_store() -> Store | None:
    """Return the store in the user's cache folder, or where the environment says; None where that is empty."""
    place = os.environ.get(PLACE_VARIABLE)
    if place is not None:
        return Store(Path(place)) if place else None
    import platformdirs  # noqa: PLC0415 - most runs name no folder of their own, but tests all do

    return Store(platformdirs.user_cache_path("tou-dispatch", appauthor=False))


# ---- keys --------------------------------------------------------------------------------------------------
def fingerprint(*parts: object) -> str:
    """Hash what decides a result, with the code and libraries that make it; equal parts, equal hash."""
    digest = hashlib.blake2b(digest_size=20)
    _feed(digest, (_versions(), *parts))
    return digest.hexdigest()


@functools.lru_cache(maxsize=1)
def _versions() -> str:
    digest = hashlib.blake2b(digest_size=20)
    root = Path(__file__).parents[1]
    for name in SOLVING_CODE:
        place = root / name
        for path in [place] if place.is_file() else sorted(place.glob("*.py")):
            digest.update(path.name.encode() + path.read_bytes())
    for library in SOLVING_LIBRARIES:
        digest.update(f"{library} {importlib.metadata.version(library)}".encode())
    return digest.hexdigest()


def _feed(digest: Any, part: object) -> None:  # noqa: ANN401 - hashlib's
    """Feed a part in a form that no other part shares."""
    if isinstance(part, np.ndarray):
        digest.update(f"array {part.dtype} {part.shape};".encode())
        digest.update(np.ascontiguousarray(part).tobytes())
    elif isinstance(part, pd.DatetimeIndex):
        _feed(digest, (str(part.tz), part.as_unit("ns").asi8))
    elif dataclasses.is_dataclass(part) and not isinstance(part, type):
        values = [(field.name, getattr(part, field.name)) for field in dataclasses.fields(part)]
        _feed(digest, (type(part).__name__, tuple(values)))
    elif isinstance(part, tuple | list):
        digest.update(f"sequence {len(part)};".encode())
        for each in part:
            _feed(digest, each)
    elif isinstance(part, dict):
        _feed(digest, tuple(sorted(part.items())))
    elif part is None or isinstance(part, bool | int | float | str | np.number | np.bool_):
        digest.update(f"{type(part).__name__} {part!r};".encode())
    else:
        raise TypeError(f"no fingerprint for {type(part).__name__}")
