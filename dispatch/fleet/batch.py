"""One batch of homes, read, advised and turned into rows: what a worker does."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

import tariffs
from dispatch.case.case import load_scenario
from dispatch.errors import DispatchError
from dispatch.fleet.shapes import shapes_of
from dispatch.fleet.side_by_side import advise
from dispatch.outages.hours import backup_hours
from tariffs.errors import TariffError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dispatch.case.case import Case
    from dispatch.fleet.jobs import Job
    from dispatch.fleet.shapes import Shapes
    from dispatch.fleet.side_by_side import Advised
    from dispatch.outcome import Outcome

    Row = dict[str, Any]


TOGETHER_STEPS = 32 * 8784
"""Steps x homes that walk through the year together: keeps a worker's memory flat whatever the step."""


@dataclass(frozen=True)
class Batch:
    """Homes that one worker runs at once, with their fingerprints."""

    jobs: tuple[Job, ...]
    prints: tuple[str, ...]
    planned: bool = False

    def __len__(self) -> int:
        return len(self.jobs)

    def halves(self) -> tuple[Batch, ...]:
        """Return every home as a batch of its own."""
        pairs = zip(self.jobs, self.prints, strict=True)
        return tuple(Batch((job,), (mark,), self.planned) for job, mark in pairs)


def run_batch(batch: Batch) -> list[Row]:
    """Run a batch; a home that cannot be used is one row with its reason.

    Returns
    -------
    list of dict
        One row per home and strategy, in the batch's order; see `SCHEMA` in :mod:`dispatch.fleet.store`.
    """
    marks = dict(zip(batch.jobs, batch.prints, strict=True))
    rows: dict[Job, list[Row]] = {}
    cases: list[tuple[Job, Case]] = []

    def flush() -> None:
        rows.update(_together(cases, marks, planned=batch.planned))
        cases.clear()

    steps = 0
    for job in batch.jobs:
        try:
            case = _load(job)
        except Exception as error:  # noqa: BLE001 - one bad home costs one row
            rows[job] = [refused(job, marks[job], error)]
            continue
        if cases and steps + len(case.times) > TOGETHER_STEPS:
            flush()
            steps = 0
        steps += len(case.times)
        cases.append((job, case))
    flush()
    return [row for job in batch.jobs for row in rows[job]]


def _load(job: Job) -> Case:
    case = load_scenario(job.scenario)
    return case if job.tariff is None else case.under(tariffs.load_tariff(job.tariff))


def _together(
    cases: Sequence[tuple[Job, Case]], marks: dict[Job, str], *, planned: bool
) -> dict[Job, list[Row]]:
    found = dict(zip([job for job, _ in cases], advise([case for _, case in cases]), strict=True))
    rows = {
        job: [refused(job, marks[job], what)] for job, what in found.items() if isinstance(what, Exception)
    }
    good = [(job, what) for job, what in found.items() if not isinstance(what, Exception)]
    shapes = shapes_of([("/".join(job.name), what) for job, what in good])
    for (job, advised), shape in zip(good, shapes, strict=True):
        try:
            rows[job] = _rows(job, marks[job], advised, shape, planned=planned)
        except Exception as error:  # noqa: BLE001 - a plan that cannot be solved costs its home's row only
            rows[job] = [refused(job, marks[job], error)]
    return rows


def refused(job: Job, mark: str, error: Exception, status: str | None = None) -> Row:
    """Return the one row of a home that could not be run.

    Parameters
    ----------
    job : Job
    mark : str
        Its fingerprint.
    error : Exception
    status : str, optional
        ``refused``: its files cannot be used; ``failed``: a fault of the program; ``lost``: no worker survived it.
    """
    known = isinstance(error, DispatchError | TariffError | OSError)
    reason = str(error) if known else f"internal error ({type(error).__name__}: {error}); please report it"
    home, tariff = job.name
    return {
        "home": home,
        "tariff": tariff,
        "fingerprint": mark,
        "status": status or ("refused" if known else "failed"),
        "reason": reason,
    }


def _rows(job: Job, mark: str, advised: Advised, shape: Shapes, *, planned: bool) -> list[Row]:
    home, tariff = job.name
    reasons = {reason.strategy: reason for reason in advised.reasons}
    bounds = _bounds(advised) if planned else {}
    rows = []
    for name, run in advised.outcomes.items():
        chosen = run is advised.chosen
        row = {
            "home": home,
            "tariff": tariff,
            "fingerprint": mark,
            "status": "set" if advised.chosen.serves else "cannot serve",
            "reason": reasons[name].kind,
            "currency": advised.case.currency,
            "strategy": name,
            "chosen": chosen,
            "bound_cost": bounds.get(name),
            **_figures(advised, run),
        }
        if chosen:
            row |= {
                "before_kw": shape.before.ravel().tolist(),
                "after_kw": shape.after.ravel().tolist(),
                "staggered_kw": shape.staggered.ravel().tolist(),
                "delay_minutes": shape.delay_minutes,
                "free_minutes": shape.free_minutes,
            }
        rows.append(row)
    return rows


def _figures(advised: Advised, run: Outcome) -> Row:
    """Return the figures of one run; hours are of the critical load, without sun."""
    hours = backup_hours(run.case, run.flows["stored"])
    return {
        "reserve_percent": run.reserve_percent,
        "bill": float(run.bill.total_unrounded),
        "wear": run.wear,
        "compared_cost": run.compared_cost,
        "no_system_bill": advised.no_system.bill_and_wear,
        "saving": run.saving,
        "least_hours": float(hours.min()),
        "median_hours": float(np.median(hours)),
        "target_share_fraction": run.target_share,
        "serves": run.serves,
        "meets_target": run.meets_target,
        "cycles": run.cycles,
        "import_kwh": run.sum_kwh("import"),
        "export_kwh": run.sum_kwh("export"),
        "no_system_import_kwh": advised.no_system.sum_kwh("import"),
        "usable_kwh": run.case.limits.full_kwh - run.case.limits.empty_kwh,
        "sun_kwh": float(run.case.sun_kwh.sum()),
        "load_kwh": float((run.case.load_kwh + run.case.other_kwh).sum()),
        "steps": len(run.case.times),
        "days": len(run.case.times) * run.case.dt_hours / 24.0,
    }


def _bounds(advised: Advised) -> dict[str, float]:
    """Return for each run the least bill + wear of any plan that knew the whole period, at the run's reserve."""
    from dispatch.comparison.compare import bounds_of  # noqa: PLC0415 - loads the solver

    return {name: plan.compared_cost for name, plan in bounds_of(advised.outcomes).items()}
