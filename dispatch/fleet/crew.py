"""Who runs the batches: this process, workers on this machine, or a cluster.

Dask starts, feeds, watches and replaces the workers. A batch whose worker died is given to others; one that no worker
survived is run home by home, so that only the home at fault is lost.
"""

from __future__ import annotations

import logging
import os
import signal
import time
from asyncio import CancelledError
from contextlib import contextmanager, suppress
from queue import Empty, SimpleQueue
from typing import TYPE_CHECKING, Any, Protocol

from dispatch.errors import SolveError
from dispatch.fleet.batch import OTHER_PROGRAM, refused, run_batch
from dispatch.fleet.jobs import program
from dispatch.fleet.store import LOST

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator

    from dispatch.fleet.batch import Batch, Row

    Work = Callable[[Batch], list[Row]]


DEATHS = 2
"""Workers a batch may cost before it is divided, and a home before it is given up."""

AHEAD = 2
"""Batches handed out per worker: enough to keep it busy, few enough that memory stays flat."""


MEMORY = {
    "MALLOC_TRIM_THRESHOLD_": 128 * 2**20,
    "MALLOC_MMAP_THRESHOLD_": 32 * 2**20,
    **dict.fromkeys(("OMP_NUM_THREADS", "MKL_NUM_THREADS", "OPENBLAS_NUM_THREADS"), 1),
}
"""Environment of a worker. Dask's own would give every freed array back to the system, which costs a fifth more."""


LOOK_SECONDS, NOBODY_SECONDS = 5.0, 180.0
"""How often the cluster is looked at while nothing comes back, and how long it may be seen without any worker
(one that dies with its batch is soon replaced, on a busy machine in half a minute)."""


class Crew(Protocol):
    """Runs batches."""

    @property
    def workers(self) -> int:
        """How many work at once."""

    def run(self, batches: Iterable[Batch], work: Work = run_batch) -> Iterator[list[Row]]:
        """Yield the rows of each batch as it is done, in any order."""


class Alone:
    """Runs batches in this process."""

    workers = 1

    def run(self, batches: Iterable[Batch], work: Work = run_batch) -> Iterator[list[Row]]:
        """Yield the rows of each batch, in order."""
        yield from map(work, batches)


class Cluster:
    """Runs batches on the workers of a Dask scheduler."""

    def __init__(self, client: Any) -> None:  # noqa: ANN401 - the library is loaded on demand
        self.client = client

    @property
    def workers(self) -> int:
        """How many there are now."""
        return len(self.client.nthreads())

    def run(self, batches: Iterable[Batch], work: Work = run_batch) -> Iterator[list[Row]]:
        """Yield the rows of each batch as it is done.

        Raises
        ------
        SolveError
            If the cluster goes away, or none of its workers is left; what was yielded before stands.
        """
        waiting = iter(batches)
        given: dict[str, tuple[Batch, Any]] = {}
        done: SimpleQueue[Any] = SimpleQueue()

        def submit(batch: Batch) -> None:
            future = self.client.submit(work, batch, pure=False)
            given[future.key] = batch, future
            future.add_done_callback(done.put)

        try:
            while True:
                while (
                    len(given) < AHEAD * max(self.workers, 1) and (batch := next(waiting, None)) is not None
                ):
                    submit(batch)
                if not given:
                    return
                future = self._patiently(lambda seconds: done.get(timeout=seconds))
                batch, _ = given.pop(future.key)
                rows = self._rows(future, batch, submit)
                future.release()
                if rows is not None:
                    yield rows
        except (OSError, TimeoutError, ValueError) as error:  # what Dask's broken connections are
            raise self._gone(error) from error

    def _patiently(self, ask: Callable[[float], Any]) -> Any:  # noqa: ANN401
        """Ask until there is an answer; look now and then whether anybody is there to give one."""
        nobody_since: float | None = None
        while True:
            try:
                return ask(LOOK_SECONDS)
            except (Empty, TimeoutError):
                if self.client.status not in {"running", "connecting"}:
                    raise self._gone(None) from None
            if self.workers:
                nobody_since = None
                continue
            nobody_since = nobody_since or time.monotonic()
            if time.monotonic() - nobody_since >= NOBODY_SECONDS:
                raise SolveError(
                    f"the cluster has had no worker for {NOBODY_SECONDS:g} s; start some, then run the same command "
                    "again: what is finished is kept"
                )

    def _rows(self, future: Any, batch: Batch, submit: Callable[[Batch], None]) -> list[Row] | None:  # noqa: ANN401
        """Take a batch's rows; None where it was divided and given out again.

        Rows that were lost with their worker, before they were fetched, are made again by Dask: that is waited for.
        """
        from distributed import KilledWorker  # noqa: PLC0415

        try:
            rows: list[Row] = self._patiently(lambda seconds: future.result(timeout=seconds))
        except CancelledError:
            raise self._gone(None) from None
        except KilledWorker:
            pass
        else:
            return rows
        if len(batch) > 1:
            for one in batch.halves():
                submit(one)
            return None
        job = batch.jobs[0]
        what = SolveError(
            f"{job.scenario}: {DEATHS + 1} workers died with it (out of memory, or killed); run it by itself with "
            "dispatch compare to see why. The next run tries it again"
        )
        return [refused(job, "", what, LOST)]

    @staticmethod
    def _gone(error: Exception | None) -> SolveError:
        why = f" ({type(error).__name__})" if error else ""
        return SolveError(
            f"the cluster went away{why}; what is finished is kept: run the same command again to go on from there"
        )


def _refuse_other_programs(client: Any) -> None:  # noqa: ANN401
    """Ask every worker there is which program it has; those that come later are asked with each batch."""
    try:
        others = set(client.run(program).values()) - {program()}
    except (ImportError, AttributeError) as error:
        raise SolveError(f"a worker cannot load this program ({error}); {OTHER_PROGRAM}") from error
    if others:
        raise SolveError(OTHER_PROGRAM)


@contextmanager
def _silenced() -> Iterator[None]:
    """Keep Dask from telling in its own words, with its own stacks, what is told here in one sentence."""
    loggers = [
        logging.getLogger(name) for name in logging.root.manager.loggerDict if name.startswith("distributed")
    ]
    levels = [logger.level for logger in loggers]
    try:
        for logger in loggers:
            logger.setLevel(logging.CRITICAL)
        yield
    finally:
        for logger, level in zip(loggers, levels, strict=True):
            logger.setLevel(level)


@contextmanager
def hired(workers: int, scheduler: str | None = None) -> Iterator[Crew]:
    """Give a crew.

    Parameters
    ----------
    workers : int
        Processes on this machine; 0 works in this one.
    scheduler : str, optional
        Address of a running Dask scheduler, in their place.

    Raises
    ------
    DispatchError
        If Dask is not installed or the scheduler does not answer.
    """
    if workers == 0 and scheduler is None:
        yield Alone()
        return
    try:
        import dask  # noqa: PLC0415
        from distributed import Client, LocalCluster  # noqa: PLC0415
    except ImportError:
        raise SolveError(
            "several workers need the library dask.distributed; install it: pip install 'tou-dispatch[fleet]', or "
            "say --workers 0"
        ) from None
    if scheduler is not None:
        try:
            client = Client(scheduler, timeout="10s", set_as_default=False)
        except (OSError, TimeoutError, ValueError):
            raise SolveError(
                f"--scheduler: no Dask scheduler answers at {scheduler}; start one, or leave the option out"
            ) from None
        with _silenced(), client:
            _refuse_other_programs(client)
            yield Cluster(client)
        return
    settings = {
        "distributed.scheduler.allowed-failures": DEATHS,
        "distributed.nanny.pre-spawn-environ": MEMORY,
    }
    with (
        dask.config.set(settings),
        _local(workers, LocalCluster) as cluster,
        Client(cluster, set_as_default=False) as client,
    ):
        try:
            yield Cluster(client)
        except KeyboardInterrupt:
            _let_go(cluster)
            raise


def _let_go(cluster: Any) -> None:  # noqa: ANN401
    """End workers in the middle of a batch: they hold nothing, and Dask would wait for them to finish."""
    for nanny in cluster.workers.values():
        nanny.auto_restart = False
        if nanny.pid is not None:
            with suppress(ProcessLookupError):
                os.kill(nanny.pid, getattr(signal, "SIGKILL", signal.SIGTERM))


def _local(workers: int, cluster: Any) -> Any:  # noqa: ANN401
    """Start workers on this machine."""
    try:
        return cluster(
            n_workers=workers,
            threads_per_worker=1,  # the work is Python and small arrays: threads would wait for each other
            dashboard_address="127.0.0.1:0",  # any free port, for this machine only
            silence_logs="CRITICAL",
        )
    except RuntimeError as error:
        raise SolveError(
            f"the workers could not be started ({error}); a script needs 'if __name__ == \"__main__\":' around what it "
            "does, and code typed in a shell works with 0 workers"
        ) from None
