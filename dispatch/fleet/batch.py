"""One batch of homes, read, advised and turned into rows: what a worker does."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np

import tariffs
from dispatch.case.case import load_scenario
from dispatch.errors import DispatchError, ScenarioError, SolveError
from dispatch.fleet.jobs import fingerprint, program
from dispatch.fleet.shapes import shapes_of
from dispatch.fleet.side_by_side import advise
from dispatch.fleet.store import CHANGED
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


OTHER_PROGRAM = (
    "a worker has another version of this program, or of a library it computes with, than this machine: install the "
    "same on both, and run the same command again"
)


@dataclass(frozen=True)
class Batch:
    """Homes that one worker runs at once.

    Attributes
    ----------
    jobs : tuple of Job
    planned : bool
        Whether the bound of each is asked for.
    program : str
        The program and libraries of who asks; a worker with others refuses.
    """

    jobs: tuple[Job, ...]
    planned: bool = False
    program: str = field(default_factory=program)

    def __len__(self) -> int:
        return len(self.jobs)

    def halves(self) -> tuple[Batch, ...]:
        """Return every home as a batch of its own."""
        return tuple(replace(self, jobs=(job,)) for job in self.jobs)


def run_batch(batch: Batch) -> list[Row]:
    """Run a batch; a home that cannot be used is one row with its reason.

    Returns
    -------
    list of dict
        One row per home and strategy, in the batch's order; see `SCHEMA` in :mod:`dispatch.fleet.store`.

    Raises
    ------
    SolveError
        If this process has another version of the program, or of a library it computes with, than who asks.
    """
    if batch.program != program():
        raise SolveError(OTHER_PROGRAM)
    rows: dict[Job, list[Row]] = {}
    cases: list[_Loaded] = []
    steps = 0
    for job in batch.jobs:
        mark = fingerprint(job, planned=batch.planned)
        try:
            case = _load(job)
        except Exception as error:  # noqa: BLE001 - one bad home costs one row
            rows[job] = [refused(job, mark, error)]
            continue
        if fingerprint(job, planned=batch.planned) != mark:
            rows[job] = [refused(job, mark, _changed(job), CHANGED)]
            continue
        if cases and steps + len(case.times) > TOGETHER_STEPS:
            rows |= _safely(cases, planned=batch.planned)
            cases, steps = [], 0
        steps += len(case.times)
        cases.append(_Loaded(job, mark, case))
    rows |= _safely(cases, planned=batch.planned)
    return [row for job in batch.jobs for row in rows[job]]


@dataclass(frozen=True)
class _Loaded:
    """A home as it was read: the fingerprint is that of the very files the case was made of."""

    job: Job
    mark: str
    case: Case


def _load(job: Job) -> Case:
    case = load_scenario(job.scenario)
    return case if job.tariff is None else case.under(tariffs.load_tariff(job.tariff))


def _changed(job: Job) -> ScenarioError:
    return ScenarioError(
        f"{job.scenario}: its files changed while they were read; the next run tries it again"
    )


def _safely(cases: list[_Loaded], *, planned: bool) -> dict[Job, list[Row]]:
    """Run homes together, and one by one where that fails: a fault of the program costs its home's row only."""
    try:
        return _together(cases, planned=planned)
    except Exception as error:  # noqa: BLE001
        if len(cases) == 1:
            return {cases[0].job: [refused(cases[0].job, cases[0].mark, error)]}
        return {job: rows for one in cases for job, rows in _safely([one], planned=planned).items()}


def _together(cases: Sequence[_Loaded], *, planned: bool) -> dict[Job, list[Row]]:
    rows: dict[Job, list[Row]] = {}
    good: list[tuple[_Loaded, Advised]] = []
    for one, what in zip(cases, advise([one.case for one in cases]), strict=True):
        if isinstance(what, Exception):
            rows[one.job] = [refused(one.job, one.mark, what)]
        else:
            good.append((one, what))
    shapes = shapes_of([("/".join(one.job.name), what) for one, what in good])
    bounds = _Bounds() if planned else None
    for (one, advised), shape in zip(good, shapes, strict=True):
        try:
            rows[one.job] = _rows(one.job, one.mark, advised, shape, bounds)
        except Exception as error:  # noqa: BLE001 - a plan that cannot be solved costs its home's row only
            rows[one.job] = [refused(one.job, one.mark, error)]
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
        ``refused``: its files cannot be used; ``failed``: a fault of the program; ``lost``: no worker survived it;
        ``changed``: its files changed while they were read.
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


def _rows(job: Job, mark: str, advised: Advised, shape: Shapes, bounds: _Bounds | None) -> list[Row]:
    home, tariff = job.name
    reasons = {reason.strategy: reason for reason in advised.reasons}
    least = bounds.of(advised) if bounds else {}
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
            "bound_cost": least.get(name),
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


class _Bounds:
    """Solves the bounds of a batch's homes, one after the other."""

    def __init__(self) -> None:
        from dispatch.strategies.swept import Sweep  # noqa: PLC0415 - loads the solver

        self.sweep = Sweep()

    def of(self, advised: Advised) -> dict[str, float]:
        """Return for each run the least bill + wear of any plan that knew the whole period, at its reserve."""
        from dispatch.comparison.compare import bounds_of  # noqa: PLC0415 - loads the solver

        return {name: plan.bound for name, plan in bounds_of(advised.outcomes, self.sweep).items()}
