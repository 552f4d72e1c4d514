"""One household under several tariffs: which tariff and strategy together are cheapest."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import tariffs
from dispatch.comparison.compare import compare
from dispatch.comparison.recommendation import share_meeting
from dispatch.errors import DispatchError
from dispatch.strategies.solve import grid_only
from dispatch.strategies.table import CHOICES

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dispatch.arrays import Progress
    from dispatch.case.case import Case
    from dispatch.comparison.compare import Comparison
    from dispatch.comparison.recommendation import ReserveAdvice
    from dispatch.outcome import Earned, StrategyResult

    Judged = StrategyResult | Earned


@dataclass(frozen=True)
class Offer:
    """One tariff held against the household.

    Attributes
    ----------
    path : Path
        The tariff file.
    name : str
        What the tariff calls itself.
    present : bool
        Whether it is the scenario's own.
    grid_only : Bill or None
        The bill of the household without the system; None where the tariff does not fit the data.
    comparison : Comparison or None
        The strategies under it; None where they could not be compared.
    reason : str or None
        Why not.
    """

    path: Path
    name: str
    present: bool
    grid_only: tariffs.Bill | None
    comparison: Comparison | None
    reason: str | None

    @property
    def judged(self) -> tuple[Judged, ...]:
        """The strategies that can be set, by the figures the recommendation rests on."""
        if self.comparison is None:
            return ()
        if self.comparison.recommendation.basis == "as set":
            return tuple(self.comparison.as_set.values())
        return tuple(self.comparison[name] for name in CHOICES)

    @property
    def basis(self) -> str | None:
        """Whether `judged` is ``as set`` or ``planned``."""
        return None if self.comparison is None else self.comparison.recommendation.basis


@dataclass(frozen=True)
class Pair:
    """A tariff with a strategy."""

    offer: Offer
    judged: Judged


@dataclass(frozen=True)
class TariffChoice:
    """What ``dispatch tariffs`` shows.

    Attributes
    ----------
    case : Case
        The household under its present tariff.
    offers : tuple of Offer
        The present tariff first, then the others as given.
    ranked : tuple of Pair
        Pairs that serve the load and meet the backup target, cheapest first by bill + wear.
    """

    case: Case
    offers: tuple[Offer, ...]
    ranked: tuple[Pair, ...]

    @property
    def compared(self) -> tuple[Offer, ...]:
        """Tariffs under which strategies could be compared."""
        return tuple(offer for offer in self.offers if offer.comparison is not None)

    @property
    def present_bill(self) -> tariffs.Bill | None:
        """The bill of the household without the system under its present tariff."""
        return self.offers[0].grid_only

    def saved_on_present(self, total: float) -> float | None:
        """Return what a bill saves against today's without the system; None where there is none."""
        return None if self.present_bill is None else float(self.present_bill.total) - total

    def advice(self) -> tuple[Offer, ReserveAdvice] | None:
        """Return the cheapest tariff, strategy and reserve that meet the target, at any reserve the device takes."""
        found = [
            (offer, reserve)
            for offer in self.offers
            if offer.comparison is not None
            and (reserve := offer.comparison.recommendation.reserve) is not None
        ]
        return min(found, key=lambda each: each[1].burden, default=None)

    def no_answer(self) -> str | None:
        """Say why there is nothing to show, or nothing that would serve; None where there is an answer."""
        if not self.compared:
            reasons = "\n  ".join(f"{offer.name}: {offer.reason}" for offer in self.offers)
            return f"{self.case.path}: none of the tariffs could be compared:\n  {reasons}"
        if all(judged.status != "optimal" for offer in self.compared for judged in offer.judged):
            return (
                f"{self.case.path}: no strategy serves the whole load, whatever the tariff; dispatch compare "
                "names the limit that would have to rise"
            )
        return None


def qualifies(case: Case, judged: Judged) -> bool:
    """Tell whether a strategy serves the whole load and meets the backup target."""
    backup = case.scenario.backup
    wanted = 0.0 if backup.target_hours is None else backup.share_of_instants_fraction
    return judged.status == "optimal" and share_meeting(case, judged) >= wanted - 1e-12


def choose_tariff(case: Case, paths: Sequence[Path], progress: Progress | None = None) -> TariffChoice:
    """Compare all strategies under the scenario's own tariff and under others.

    Parameters
    ----------
    case : Case
        From ``load_scenario``.
    paths : sequence of Path
        Tariff files; one that is the scenario's own, or given twice, counts once.
    progress : callable, optional
        Called with (done, total, label) as the work goes on.

    Raises
    ------
    TariffError
        If a tariff file cannot be read. One that cannot be used for this household is kept, with the reason.
    """
    own = (case.path.parent / case.scenario.tariff).resolve()
    files = {own: Path(case.tariff.source)}
    for path in paths:
        files.setdefault(path.resolve(), path)
    sheets = [(path, case.tariff if at == own else tariffs.load_tariff(path)) for at, path in files.items()]
    offers = []
    for number, (path, tariff) in enumerate(sheets):
        tell = _within(progress, number, len(sheets), tariff.name)
        offers.append(_offer(case, path, tariff, tell, present=number == 0))
    pairs = [Pair(offer, judged) for offer in offers for judged in offer.judged if qualifies(case, judged)]
    return TariffChoice(case, tuple(offers), tuple(sorted(pairs, key=lambda pair: pair.judged.burden)))


def _within(progress: Progress | None, number: int, count: int, name: str) -> Progress | None:
    """Show one comparison's progress as a part of the whole."""
    if progress is None:
        return None

    def tell(done: int, total: int, _label: str) -> None:
        progress(number * total + done, count * total, name)

    return tell


def _offer(
    case: Case, path: Path, tariff: tariffs.Tariff, progress: Progress | None, *, present: bool
) -> Offer:
    bill = comparison = reason = None
    try:
        under = with_tariff(case, tariff)
        flows = grid_only(under)
        bill = tariffs.bill(tariff, under.times, under.dt_hours, flows["import"], flows["export"])
        comparison = compare(under, progress)
    except (tariffs.TariffError, DispatchError) as error:
        reason = _without_paths(str(error), case.path, path)
    return Offer(path, tariff.name, present, bill, comparison, reason)


def with_tariff(case: Case, tariff: tariffs.Tariff) -> Case:
    """Put a household under another tariff.

    Raises
    ------
    TariffError
        If its currency is another, or it does not cover the data.
    """
    if tariff is case.tariff:
        return case
    if tariff.currency != case.currency:
        raise tariffs.TariffError(
            f"{tariff.source}: currency: is in '{tariff.currency}', the household's money in '{case.currency}'"
        )
    return replace(case, tariff=tariff, prices=tariffs.price_steps(tariff, case.times, case.dt_hours))


def _without_paths(message: str, *paths: Path) -> str:
    """Take leading file names off a message that stands beside them."""
    for path in paths:
        message = message.removeprefix(f"{path}: ")
    return message
