"""A fleet from its files to its results: what is done is skipped, the rest goes out in batches."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from dispatch.arrays import quiet
from dispatch.fleet.batch import Batch, run_batch
from dispatch.fleet.crew import hired
from dispatch.fleet.jobs import BOUND, fingerprint
from dispatch.fleet.store import opened

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from contextlib import AbstractContextManager
    from pathlib import Path

    from dispatch.arrays import Progress
    from dispatch.fleet.crew import Crew, Work
    from dispatch.fleet.jobs import Job


BATCH = 32
"""Homes handed to a worker at once: many enough to share the loop over time, few enough to lose."""


@dataclass(frozen=True)
class Ran:
    """What a run of the fleet did.

    Attributes
    ----------
    directory : Path
        Of the results.
    homes : int
        Homes x tariffs asked for.
    skipped : int
        Of these, found done and unchanged.
    taken_out : int
        Homes x tariffs of an earlier run that are not asked for any more.
    unreadable_parts : int
        Files of an earlier run that were damaged; their homes were run again.
    """

    directory: Path
    homes: int
    skipped: int
    taken_out: int
    unreadable_parts: int


def run_fleet(  # noqa: PLR0913 - one per option of the command
    jobs: Sequence[Job],
    out: Path,
    *,
    planned: bool = False,
    workers: int = 2,
    scheduler: str | None = None,
    batch: int = BATCH,
    progress: Progress = quiet,
    crew: AbstractContextManager[Crew] | None = None,
    work: Work = run_batch,
) -> Ran:
    """Run every home that is not done yet, writing results as they finish.

    Parameters
    ----------
    jobs : sequence of Job
    out : Path
        Of the results; made if need be.
    planned : bool
        Also solve each home's bound.
    workers, scheduler
        See :func:`dispatch.fleet.crew.hired`.
    batch : int
        Homes handed out at once; changes no result.
    progress : callable
    crew : context manager, optional
        Who works, in place of workers and scheduler.
    work : callable
        What is done with a batch.

    Returns
    -------
    Ran

    Raises
    ------
    ScenarioError
        If another run is writing to the folder, or it holds the results of other homes alone.
    SolveError
        If the cluster goes away.
    OSError
        If a part cannot be written. After any of these, run again: what is finished is not done twice.
    """
    told = {job.name: job for job in jobs}

    def marks(name: tuple[str, str]) -> tuple[str, ...]:
        """Return the fingerprints under which a home's results stand: a bound more is no harm."""
        job = told.get(name)
        if job is None:
            return ()
        progress(0, len(jobs), "looking for changes")
        own = fingerprint(job, planned=planned)
        return (own,) if planned else (own, own + BOUND)

    with opened(out) as store:
        kept = store.keep(marks)
        left = [job for job in jobs if job.name not in kept.done]
        finished = len(kept.done)
        progress(finished, len(jobs), "running homes")
        if left:
            with crew or hired(min(workers, -(-len(left) // batch)), scheduler) as hands:
                size = even_size(len(left), hands.workers, batch)
                batches = _batches(left, size, planned=planned, anywhere=scheduler is not None)
                for rows in hands.run(batches, work):
                    store.add(rows)
                    finished += len({(row["home"], row["tariff"]) for row in rows})
                    progress(finished, len(jobs), "running homes")
    return Ran(out, len(jobs), len(kept.done), kept.taken_out, kept.unreadable)


def even_size(homes: int, workers: int, most: int) -> int:
    """Choose the size of batches so that all workers end together: as many rounds as it takes, all of one size."""
    rounds = -(-homes // (max(workers, 1) * most))
    return -(-homes // (max(workers, 1) * rounds))


def _batches(left: Sequence[Job], size: int, *, planned: bool, anywhere: bool) -> Iterator[Batch]:
    for first in range(0, len(left), size):
        jobs = tuple(left[first : first + size])
        yield Batch(tuple(job.anywhere() for job in jobs) if anywhere else jobs, planned)
