"""Results on disk: parts of Parquet that are whole or absent, written by one run at a time.

``RESULTS/homes/part-*.parquet`` is one dataset: one row per home, tariff and strategy, one row with its reason for a
home that could not be run. A part is a batch, named by what it holds, and appears under its name only when complete.
What a rerun no longer stands for (a home changed, left out, or never finished by a worker) is taken out first.
"""

from __future__ import annotations

import hashlib
import os
from contextlib import contextmanager
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
    from collections.abc import Iterator, Mapping, Sequence
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

LOST = "lost"
"""Status of a home no worker survived: the next run tries it again."""

_KEYS = ("home", "tariff", "fingerprint", "status")


class Store:
    """The results folder of one run; see :func:`opened`."""

    def __init__(self, directory: Path) -> None:
        self.directory, self.parts = directory, directory / "homes"

    def keep(self, wanted: Mapping[tuple[str, str], str]) -> set[tuple[str, str]]:
        """Drop what does not stand any more, and tell what is done.

        Parameters
        ----------
        wanted : mapping of (home, tariff) to fingerprint
        """
        done: set[tuple[str, str]] = set()
        for temporary in self.parts.glob(".part-*.tmp"):
            temporary.unlink()
        for path in sorted(self.parts.glob("part-*.parquet")):
            keys = pq.read_table(path, columns=list(_KEYS)).to_pylist()
            names = [(key["home"], key["tariff"]) for key in keys]
            stands = [
                wanted.get(name) == key["fingerprint"] and key["status"] != LOST and name not in done
                for name, key in zip(names, keys, strict=True)
            ]
            done.update(name for name, good in zip(names, stands, strict=True) if good)
            if not any(stands):
                path.unlink()
            elif not all(stands):
                _write(path, pq.read_table(path, schema=SCHEMA).filter(pa.array(stands)))
        return done

    def add(self, rows: Sequence[Mapping[str, Any]]) -> Path:
        """Write a part.

        Raises
        ------
        OSError
            If it cannot be written, the disk full for one; then it is absent, and every part before it whole.
        """
        names = sorted({f"{row['home']}\0{row['tariff']}\0{row['fingerprint']}" for row in rows})
        mark = hashlib.blake2b("\n".join(names).encode(), digest_size=12).hexdigest()
        return _write(self.parts / f"part-{mark}.parquet", pa.Table.from_pylist(list(rows), schema=SCHEMA))


def _write(path: Path, table: pa.Table) -> Path:
    temporary = path.with_name(f".{path.stem}.tmp")
    try:
        pq.write_table(table, temporary, compression="zstd")
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
