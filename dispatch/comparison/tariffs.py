"""One household under several tariffs: which tariff and setting together are cheapest, as an inverter runs them."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import tariffs
from dispatch.advice.recommend import recommend
from dispatch.errors import DispatchError
from dispatch.outcome import without_system

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dispatch.advice.recommend import Recommendation
    from dispatch.arrays import Progress
    from dispatch.case.case import Case
    from dispatch.outcome import Outcome


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
    no_system : Outcome or None
        The household without the system; None where the tariff does not fit the data.
    advice : Recommendation or None
        What to set under it; None where nothing could be run.
    reason : str or None
        Why not.
    """

    path: Path
    name: str
    present: bool
    no_system: Outcome | None
    advice: Recommendation | None
    reason: str | None


@dataclass(frozen=True)
class Pair:
    """A tariff with a strategy at its own best reserve."""

    offer: Offer
    outcome: Outcome


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
        Pairs that serve the load and meet the backup target, cheapest first.
    """

    case: Case
    offers: tuple[Offer, ...]
    ranked: tuple[Pair, ...]

    @property
    def compared(self) -> tuple[Offer, ...]:
        """Tariffs under which strategies could be run."""
        return tuple(offer for offer in self.offers if offer.advice is not None)

    def saved_on_present(self, outcome: Outcome) -> float | None:
        """Return what a run saves against today's bill without the system; None where there is none."""
        today = self.offers[0].no_system
        return None if today is None else today.bill_and_wear - outcome.compared_cost

    def no_answer(self) -> str | None:
        """Say why there is nothing to show, or nothing that would serve; None where there is an answer."""
        if not self.compared:
            reasons = "\n  ".join(f"{offer.name}: {offer.reason}" for offer in self.offers)
            return f"{self.case.path}: none of the tariffs could be compared:\n  {reasons}"
        if not any(offer.advice is not None and offer.advice.answers for offer in self.compared):
            return (
                f"{self.case.path}: no strategy serves the whole load, whatever the tariff; dispatch compare "
                "names the limit that would have to rise"
            )
        return None


def choose_tariff(case: Case, paths: Sequence[Path], progress: Progress | None = None) -> TariffChoice:
    """Run all strategies under the scenario's own tariff and under others.

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
        if progress is not None:
            progress(number, len(sheets), tariff.name)
        offers.append(_offer(case, path, tariff, present=number == 0))
    if progress is not None:
        progress(len(sheets), len(sheets), "done")
    pairs = [Pair(offer, run) for offer in offers if offer.advice for run in offer.advice.ranked]
    return TariffChoice(
        case, tuple(offers), tuple(sorted(pairs, key=lambda pair: pair.outcome.compared_cost))
    )


def _offer(case: Case, path: Path, tariff: tariffs.Tariff, *, present: bool) -> Offer:
    no_system = advice = reason = None
    try:
        under = case.under(tariff)
        no_system = without_system(under)
        advice = recommend(under)
    except DispatchError as error:
        reason = _without_paths(str(error), case.path, path)
    return Offer(path, tariff.name, present, no_system, advice, reason)


def _without_paths(message: str, *paths: Path) -> str:
    """Take leading file names off a message that stands beside them."""
    for path in paths:
        message = message.removeprefix(f"{path}: ")
    return message
