"""Results on disk: parts of Parquet that are whole or absent, written by one run at a time.

``RESULTS/homes/part-*.parquet`` is one dataset: one row per home, tariff and strategy, one row with its reason for a
home that could not be run. A part is a batch, named by what it holds, and appears under its name only when complete.
What a rerun no longer stands for (a home changed, left out, or never finished by a worker) is taken out first, and so
is a part that is damaged: every page carries its checksum.
"""

from __future__ import annotations

import hashlib
import os
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from dispatch.errors import ScenarioError

try:
    import pyarrow as pa
    import pyarrow.parquet as pq
    from filelock import FileLock, Timeout
except ImportError:
    raise ScenarioError(
        "keeping a fleet's results needs the libraries pyarrow and filelock; install them: "
        "pip install 'tou-dispatch[fleet]'"
    ) from None

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping, Sequence
    from pathlib import Path


_KW = pa.list_(pa.float32())

SCHEMA = pa.schema(
    [
        pa.field("home", pa.string()),
        pa.field("tariff", pa.string()),
        pa.field("fingerprint", pa.string()),
        pa.field("status", pa.string()),
        pa.field("reason", pa.string()),
        pa.field("currency", pa.string()),
        pa.field("strategy", pa.string()),
        pa.field("chosen", pa.bool_()),
        *(
            pa.field(name, pa.float64())
            for name in (
                "reserve_percent",
                "bill",
                "wear",
                "compared_cost",
                "no_system_bill",
                "saving",
                "bound_cost",
                "least_hours",
                "median_hours",
                "target_share_fraction",
                "cycles",
                "import_kwh",
                "export_kwh",
                "no_system_import_kwh",
                "usable_kwh",
                "sun_kwh",
                "load_kwh",
                "days",
            )
        ),
        pa.field("serves", pa.bool_()),
        pa.field("meets_target", pa.bool_()),
        pa.field("steps", pa.int64()),
        pa.field("delay_minutes", pa.int64()),
        pa.field("free_minutes", pa.int64()),
        pa.field("before_kw", _KW),
        pa.field("after_kw", _KW),
        pa.field("staggered_kw", _KW),
    ]
)

LOST, CHANGED = "lost", "changed"
"""Status of a home no worker survived, and of one whose files changed while they were read: tried again next time."""

_AGAIN = (LOST, CHANGED)

_KEYS = ("home", "tariff", "fingerprint", "status")


@dataclass(frozen=True)
class Kept:
    """What an earlier run left that still stands.

    Attributes
    ----------
    done : frozenset of (home, tariff)
    taken_out : int
        Homes x tariffs that are not asked for any more.
    unreadable : int
        Damaged parts.
    """

    done: frozenset[tuple[str, str]]
    taken_out: int
    unreadable: int


class Store:
    """The results folder of one run; see :func:`opened`."""

    def __init__(self, directory: Path) -> None:
        self.directory, self.parts = directory, directory / "homes"

    def keep(self, marks: Callable[[tuple[str, str]], tuple[str, ...]]) -> Kept:
        """Drop what does not stand any more, and tell what is done.

        Parameters
        ----------
        marks : callable
            Gives, for a home and tariff, the fingerprints under which its results stand; none if it is not asked for.

        Raises
        ------
        ScenarioError
            If nothing there is asked for: the folder is another fleet's.
        """
        for temporary in self.parts.glob(".part-*.tmp"):
            temporary.unlink()
        parts = {path: _keys_of(path) for path in sorted(self.parts.glob("part-*.parquet"))}
        held = {key[:2] for keys in parts.values() for key in keys or ()}
        stand = {name: marks(name) for name in held}
        others = sum(not found for found in stand.values())
        if held and others == len(held):
            raise ScenarioError(
                f"{self.directory}: holds results of {others:,} other homes and of none of these; name another folder "
                "with --out, or delete this one"
            )
        done: set[tuple[str, str]] = set()
        for path, keys in parts.items():
            good = [
                mark in stand[home, tariff] and status not in _AGAIN and (home, tariff) not in done
                for home, tariff, mark, status in keys or ()
            ]
            done.update(key[:2] for key, stands in zip(keys or (), good, strict=True) if stands)
            if not any(good):
                path.unlink()
            elif not all(good):
                _write(path, pq.read_table(path, schema=SCHEMA).filter(pa.array(good)))
        return Kept(frozenset(done), others, sum(keys is None for keys in parts.values()))

    def add(self, rows: Sequence[Mapping[str, Any]]) -> Path:
        """Write a part.

        Raises
        ------
        OSError
            If it cannot be written, the disk full for one; then it is absent, and every part before it whole.
        """
        names = sorted({f"{row['home']}\0{row['tariff']}\0{row['fingerprint']}" for row in rows})
        mark = hashlib.blake2b("\n".join(names).encode(), digest_size=12).hexdigest()
        table = pa.Table.from_pylist(list(rows), schema=SCHEMA)
        try:
            return _write(self.parts / f"part-{mark}.parquet", table)
        except OSError as error:
            what = os.strerror(error.errno) if error.errno else str(error)
            what += " (what is finished is kept: make room and run the same command again)"
            raise OSError(error.errno, what, str(self.directory)) from error


def _keys_of(path: Path) -> list[tuple[str, str, str, str]] | None:
    """Read home, tariff, fingerprint and status of each row of a part; None if any of it is damaged."""
    try:
        whole = pq.read_table(path, page_checksum_verification=True)
        if whole.schema != SCHEMA:
            return None
        keys = whole.select(list(_KEYS)).to_pylist()
    except (OSError, ValueError, pa.ArrowException) as error:
        if isinstance(error, OSError) and error.errno is not None:
            raise  # the disk's fault, or a permission's; pyarrow's own have no number
        return None
    return [tuple(key[name] for name in _KEYS) for key in keys]


def _write(path: Path, table: pa.Table) -> Path:
    temporary = path.with_name(f".{path.stem}.tmp")
    try:
        pq.write_table(table, temporary, compression="zstd", write_page_checksum=True)
        with temporary.open("rb") as file:
            os.fsync(file.fileno())  # a part that has its name is on the disk
        os.replace(temporary, path)  # noqa: PTH105 - the atomic rename, by its own name
    finally:
        temporary.unlink(missing_ok=True)
    return path


@contextmanager
def opened(directory: Path) -> Iterator[Store]:
    """Open a results folder for one run.

    Raises
    ------
    ScenarioError
        If another run is writing there.
    """
    store = Store(directory)
    store.parts.mkdir(parents=True, exist_ok=True)
    lock = FileLock(directory / ".lock")
    try:
        lock.acquire(timeout=0)  # let go by the system if this process dies
    except Timeout:
        raise ScenarioError(
            f"{directory}: another run is writing there; wait for it, or name another folder with --out"
        ) from None
    try:
        yield store
    finally:
        lock.release()


def read_parts(directory: Path, columns: Sequence[str]) -> Iterator[dict[str, Any]]:
    """Read every row of the results, part by part, some columns."""
    for path in sorted((directory / "homes").glob("part-*.parquet")):
        yield from pq.read_table(path, columns=list(columns)).to_pylist()
