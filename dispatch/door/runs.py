"""What to set, how long it lasts, what it costs: check, compare, backup, outage, frontier, tariffs, bill."""

# ruff: noqa: PLC0415 - imports inside the functions: a command loads only what it needs

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from dispatch.advice.recommend import recommend
from dispatch.door.base import Home, Result, load

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dispatch.arrays import Progress
    from dispatch.case.case import Case
    from dispatch.case.check import CheckSummary
    from dispatch.comparison.compare import Comparison
    from dispatch.comparison.tariffs import TariffChoice
    from dispatch.outages.outage import Played
    from dispatch.safety.answers import Quick
    from dispatch.safety.frontier import Frontier
    from dispatch.safety.study import BackupStudy
    from tariffs.meter_bill import MeterBill


@dataclass(frozen=True, kw_only=True)
class Checked(Result):
    """What ``check`` found: ``summary``."""

    summary: CheckSummary

    def document(self) -> dict[str, Any]:
        """Return the summary's own field names."""
        from dispatch.exports.comparison import check_document

        return check_document(self.summary)

    def screen(self) -> object:
        """Return the screen of ``dispatch check``."""
        from dispatch.report.check import check_report

        return check_report(self.summary)


def check(home: Home) -> Checked:
    """Validate a home with its series and tariff, and summarise it without solving.

    Examples
    --------
    >>> from dispatch import check
    >>> check("scenarios/alder-row").document()["steps"]
    8760
    """
    from dispatch.case.check import check_summary

    return Checked(summary=check_summary(load(home)))


@dataclass(frozen=True, kw_only=True)
class Compared(Result):
    """What ``compare`` found: ``comparison``, and the hours told first, ``quick``."""

    comparison: Comparison
    quick: Quick

    def document(self) -> dict[str, Any]:
        """Return every figure; see dispatch/README.md."""
        from dispatch.exports.comparison import comparison_document

        return comparison_document(self.comparison, self.quick)

    def screen(self) -> object:
        """Return the screen of ``dispatch compare``."""
        from dispatch.report.compare import comparison_report

        return comparison_report(self.comparison, self.quick, full=self.full)

    def write_csv(self, directory: Path) -> tuple[Path, ...]:
        """Write every run's steps, as set and planned by name."""
        from dispatch.exports.comparison import comparison_csv

        return comparison_csv(self.comparison, directory)

    def page(self) -> str:
        """Return the page, the plans with foresight beside the strategies."""
        from dispatch.page.facts import Found
        from dispatch.page.render import page

        advice = self.comparison.advice
        return page(Found(advice, self.quick, advice.chosen, comparison=self.comparison))

    def no_answer(self) -> str | None:
        """Name what would have to give where nothing serves the load."""
        from dispatch.words.would_serve import what_would_serve

        return what_would_serve(self.comparison)


def compare(home: Home, progress: Progress | None = None) -> Compared:
    """Run the strategies as set, choose what to set, and solve the plans beside them.

    Examples
    --------
    >>> from dispatch import compare
    >>> compare("scenarios/alder-row").comparison.advice.strategy
    'off-peak-first'
    """
    from dispatch.comparison.compare import compare as compare_strategies
    from dispatch.safety.answers import quick_answers

    comparison = compare_strategies(load(home), progress)
    return Compared(comparison=comparison, quick=quick_answers(comparison.advice))


@dataclass(frozen=True, kw_only=True)
class BackedUp(Result):
    """What ``backup`` found: ``study``."""

    study: BackupStudy

    def document(self) -> dict[str, Any]:
        """Return every figure; see dispatch/README.md."""
        from dispatch.exports.outages import backup_document

        return backup_document(self.study)

    def screen(self) -> object:
        """Return the screen of ``dispatch backup``."""
        from dispatch.report.backup import backup_report

        return backup_report(self.study, full=self.full)

    def write_csv(self, directory: Path) -> tuple[Path, ...]:
        """Write the hours of every instant, and by month and hour."""
        from dispatch.exports.outages import backup_csv

        return backup_csv(self.study, directory)

    def page(self) -> str:
        """Return the page; its days and outages are those of the run that was asked about."""
        from dispatch.page.facts import Found
        from dispatch.page.render import page
        from dispatch.safety.answers import quick_answers

        advice = self.study.advice
        return page(Found(advice, quick_answers(advice), self.study.outcome))


def backup(  # noqa: PLR0913 - one per option
    home: Home,
    *,
    at: str | None = None,
    level: str | None = None,
    strategy: str | None = None,
    reserve: str | None = None,
    card: Path | None = None,
    planned: bool = False,
    progress: Progress | None = None,
) -> BackedUp:
    """Tell how many hours the battery lasts, as the inverter leaves it, and what more hours would cost.

    Examples
    --------
    >>> from dispatch.door import backup
    >>> backup("scenarios/alder-row", at="20:00").study.answer.count
    365
    """
    from dispatch.safety.asked import run_asked
    from dispatch.safety.study import backup_study

    advice = recommend(load(home))
    asked = run_asked(advice, strategy=strategy, reserve=reserve, card=card, planned=planned)
    return BackedUp(study=backup_study(advice, asked, at=at, level=level, progress=progress))


@dataclass(frozen=True, kw_only=True)
class OutagePlayed(Result):
    """What ``outage`` found: ``plays``, the one asked about first, and its case."""

    case: Case
    plays: tuple[Played, ...]

    def document(self) -> dict[str, Any]:
        """Return every figure; see dispatch/README.md."""
        from dispatch.exports.outages import outage_document

        return outage_document(self.case, self.plays)

    def screen(self) -> object:
        """Return the screen of ``dispatch outage``."""
        from dispatch.report.outage import outage_report

        return outage_report(self.case, self.plays, self.plays[0], full=self.full)

    def write_csv(self, directory: Path) -> tuple[Path, ...]:
        """Write the steps of every play."""
        from dispatch.exports.outages import outage_csv

        return outage_csv(self.plays, directory)


def outage(  # noqa: PLR0913 - one per option
    home: Home,
    at: str,
    hours: float,
    *,
    strategy: str | None = None,
    reserve: str | None = None,
    card: Path | None = None,
    planned: bool = False,
) -> OutagePlayed:
    """Play one outage from the level the inverter holds then, and the recharge after it.

    Examples
    --------
    >>> from dispatch import outage
    >>> outage("scenarios/alder-row", "2025-02-14T16:00", 18).plays[0].strategy
    'off-peak-first'
    """
    from dispatch.outages.outage import play, span_of
    from dispatch.safety.asked import run_asked

    case = load(home)
    span = span_of(case, at, hours)
    advice = recommend(case)
    asked = run_asked(advice, strategy=strategy, reserve=reserve, card=card, planned=planned).outcome
    others = [run for run in (*advice.outcomes.values(), advice.no_system) if run.name != asked.name]
    runs = (asked, *others)
    return OutagePlayed(case=asked.case, plays=tuple(play(run.case, run.flows, span) for run in runs))


@dataclass(frozen=True, kw_only=True)
class Traced(Result):
    """What ``frontier`` found: ``found``."""

    found: Frontier

    def document(self) -> dict[str, Any]:
        """Return every figure; see dispatch/README.md."""
        from dispatch.exports.outages import frontier_document

        return frontier_document(self.found)

    def screen(self) -> object:
        """Return the screen of ``dispatch frontier``."""
        from dispatch.report.frontier import frontier_report

        return frontier_report(self.found, full=self.full)

    def write_csv(self, directory: Path) -> tuple[Path, ...]:
        """Write one row per level."""
        from dispatch.exports.outages import frontier_csv

        return frontier_csv(self.found, directory)

    def page(self) -> str:
        """Return the page, the plans with foresight beside what safety costs."""
        from dispatch.page.facts import Found
        from dispatch.page.render import page
        from dispatch.safety.answers import quick_answers

        advice = self.found.advice
        return page(Found(advice, quick_answers(advice), advice.chosen, frontier=self.found))


def frontier(
    home: Home,
    measure: str = "hours",
    levels: int = 21,
    to: float | None = None,
    progress: Progress | None = None,
) -> Traced:
    """Tell what safety costs: per level the cheapest setting that keeps as much, and the best plan beside it.

    Examples
    --------
    >>> from dispatch import frontier
    >>> len(frontier("scenarios/alder-row").found.levels)
    21
    """
    from dispatch.safety.frontier import frontier as trace_frontier
    from dispatch.safety.frontier import ladder

    case = load(home)
    rungs = ladder(case, "percent" if measure == "percent" else "hours", levels, to)
    return Traced(found=trace_frontier(recommend(case), rungs, progress))


@dataclass(frozen=True, kw_only=True)
class TariffChosen(Result):
    """What ``tariffs`` found: ``choice``."""

    choice: TariffChoice

    def document(self) -> dict[str, Any]:
        """Return every figure; see dispatch/README.md."""
        from dispatch.exports.tariffs import choice_document

        return choice_document(self.choice)

    def screen(self) -> object:
        """Return the screen of ``dispatch tariffs``."""
        from dispatch.report.tariffs import choice_report

        return choice_report(self.choice, full=self.full)

    def no_answer(self) -> str | None:
        """Say why nothing could be compared, or nothing would serve."""
        return self.choice.no_answer()


def tariffs(home: Home, others: Sequence[str | Path], progress: Progress | None = None) -> TariffChosen:
    """Find which tariff and setting together are cheapest.

    Examples
    --------
    >>> from dispatch import tariffs
    >>> tariffs("scenarios/alder-row", ["scenarios/alder-row/tariff-demand.toml"]).choice.ranked[0].outcome.name
    'solar-first'
    """
    from dispatch.comparison.tariffs import choose_tariff

    return TariffChosen(choice=choose_tariff(load(home), [Path(path) for path in others], progress))


@dataclass(frozen=True, kw_only=True)
class Billed(Result):
    """What ``bill`` found: ``made``."""

    made: MeterBill

    def document(self) -> dict[str, Any]:
        """Return every figure, money as exact decimals; see dispatch/README.md."""
        from dispatch.exports.bill import bill_document

        return bill_document(self.made)

    def screen(self) -> object:
        """Return the screen of ``dispatch bill``."""
        from dispatch.report.bill import bill_report

        return bill_report(self.made)

    def write_csv(self, directory: Path) -> tuple[Path, ...]:
        """Write one row per line of every period."""
        from dispatch.exports.bill import bill_csv

        return bill_csv(self.made, directory)


def bill(
    tariff: str | Path,
    meter: str | Path,
    *,
    time_zone: str | None = None,
    bought: Sequence[str] = (),
    sold: Sequence[str] = (),
) -> Billed:
    """Price a meter's readings under a tariff, line by line for every billing period.

    Examples
    --------
    >>> from dispatch import bill
    >>> home = "scenarios/alder-row"
    >>> columns = ["load_kw", "other_kw"]
    >>> bill(f"{home}/tariff.toml", f"{home}/series.csv", bought=columns).document()["currency"]
    'CAD'
    """
    from tariffs.meter_bill import meter_bill

    return Billed(made=meter_bill(Path(tariff), Path(meter), time_zone, bought, sold))
