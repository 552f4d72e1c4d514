"""Many homes, many years: fleet and years."""

# ruff: noqa: PLC0415 - imports inside the functions: a command loads only what it needs

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from dispatch.door.base import Result

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dispatch.arrays import Progress
    from dispatch.fleet.run import Ran
    from dispatch.fleet.summary import Summary
    from dispatch.fleet.years import Years


@dataclass(frozen=True, kw_only=True)
class FleetRun(Result):
    """What ``fleet`` found: ``summary``, and what the run did, ``ran``."""

    summary: Summary
    ran: Ran

    def document(self) -> dict[str, Any]:
        """Return the summary; the rows are in the Parquet files."""
        from dispatch.exports.fleet import fleet_document

        return fleet_document(self.summary, self.ran)

    def screen(self) -> object:
        """Return the screen of ``dispatch fleet``."""
        from dispatch.report.fleet import fleet_report

        return fleet_report(self.summary, self.ran, full=self.full)

    def page(self) -> str:
        """Return the summary as one page."""
        from dispatch.page.fleet import fleet_page

        return fleet_page(self.summary, self.ran)

    def no_answer(self) -> str | None:
        """Say so where no home could be set."""
        if self.summary.groups:
            return None
        return f"{self.summary.directory}: no home could be set; the reasons are above"


def fleet(  # noqa: PLR0913 - one per option of the command
    homes: str | Path,
    out: str | Path,
    tariffs: Sequence[Path] = (),
    *,
    planned: bool = False,
    workers: int = 2,
    scheduler: str | None = None,
    progress: Progress | None = None,
) -> FleetRun:
    """Run many homes, keep the results as Parquet, and summarise them.

    Workers are processes: a script that calls this needs ``if __name__ == "__main__":`` around it.

    Examples
    --------
    >>> import tempfile
    >>> from dispatch.door import fleet
    >>> fleet("scenarios", tempfile.mkdtemp(), workers=0).summary.homes
    3
    """
    from dispatch.arrays import quiet
    from dispatch.fleet.jobs import find_jobs
    from dispatch.fleet.run import run_fleet
    from dispatch.fleet.summary import summarise

    ran = run_fleet(
        find_jobs(Path(homes), tariffs),
        Path(out),
        planned=planned,
        workers=workers,
        scheduler=scheduler,
        progress=progress or quiet,
    )
    return FleetRun(summary=summarise(ran.directory), ran=ran)


@dataclass(frozen=True, kw_only=True)
class YearsRun(Result):
    """What ``years`` found: ``found``."""

    found: Years

    def document(self) -> dict[str, Any]:
        """Return every year, and the setting that is best over all."""
        from dispatch.exports.fleet import years_document

        return years_document(self.found)

    def screen(self) -> object:
        """Return the screen of ``dispatch years``."""
        from dispatch.report.years import years_report

        return years_report(self.found, full=self.full)

    def page(self) -> str:
        """Return the years as one page."""
        from dispatch.page.years import years_page

        return years_page(self.found)


def years(  # noqa: PLR0913 - one per option of the command
    scenario: str | Path,
    files: Sequence[str | Path] = (),
    *,
    drawn: int = 0,
    seed: int = 1,
    planned: bool = True,
    progress: Progress | None = None,
) -> YearsRun:
    """Run one home through many years, from files or drawn from its own days.

    Examples
    --------
    >>> from dispatch.door import years
    >>> years("scenarios/quay-loft", drawn=2, planned=False).found.best.strategy
    'off-peak-first'
    """
    from dispatch.arrays import quiet
    from dispatch.fleet.years import many_years

    path = Path(scenario)
    path = path / "scenario.toml" if path.is_dir() else path
    found = many_years(
        path,
        [Path(file) for file in files],
        drawn=drawn,
        seed=seed,
        planned=planned,
        progress=progress or quiet,
    )
    return YearsRun(found=found)
