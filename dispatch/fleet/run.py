"""A fleet from its files to its results: what is done is skipped, the rest goes out in batches."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from dispatch.arrays import quiet
from dispatch.fleet.batch import Batch, run_batch
from dispatch.fleet.crew import hired
from dispatch.fleet.jobs import fingerprint
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
    """

    directory: Path
    homes: int
    skipped: int


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
        If another run is writing to the folder.
    SolveError
        If the cluster goes away.
    OSError
        If a part cannot be written. After any of these, run again: what is finished is not done twice.
    """
    progress(0, len(jobs), "reading the files")
    marks = {job: fingerprint(job, planned=planned) for job in jobs}
    with opened(out) as store:
        done = store.keep({job.name: mark for job, mark in marks.items()})
        left = [job for job in jobs if job.name not in done]
        finished = len(done)
        progress(finished, len(jobs), "running homes")
        if left:
            with crew or hired(min(workers, -(-len(left) // batch)), scheduler) as hands:
                batches = _batches(left, marks, batch, planned=planned, anywhere=scheduler is not None)
                for rows in hands.run(batches, work):
                    store.add(rows)
                    finished += len({(row["home"], row["tariff"]) for row in rows})
                    progress(finished, len(jobs), "running homes")
    return Ran(out, len(jobs), len(done))


def _batches(
    left: Sequence[Job], marks: dict[Job, str], size: int, *, planned: bool, anywhere: bool
) -> Iterator[Batch]:
    for first in range(0, len(left), size):
        jobs = tuple(left[first : first + size])
        told = tuple(job.anywhere() for job in jobs) if anywhere else jobs
        yield Batch(told, tuple(marks[job] for job in jobs), planned)
