"""Every strategy at every reserve the device takes, run side by side as an inverter does."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import TYPE_CHECKING

import numpy as np

from dispatch.advice.kept import keep, recall
from dispatch.advice.runs import repeating_start_kwh
from dispatch.cards.plain import plain_cards
from dispatch.cards.space import device_space
from dispatch.cards.tables import Tables
from dispatch.case.stored_value import lowest_price_per_kwh
from dispatch.flows import TOLERANCE_KWH
from dispatch.outages.hours import backup_hours
from dispatch.rules.score import Scorer
from dispatch.strategies.table import CHOICES

if TYPE_CHECKING:
    from dispatch.arrays import Flags, Floats
    from dispatch.cards.space import Space
    from dispatch.case.case import Case
    from dispatch.rules.walk import Orders


ROUNDING = 1e-12

HOURS_ROUNDING = 1e-6


@dataclass(frozen=True)
class Scan:
    """Settings run side by side: arrays of shape (k,).

    Attributes
    ----------
    case : Case
    strategies : tuple of str
    percents : array
        Reserve, percent of nominal.
    cost : array
        Bill + wear less the worth of what more is stored at the end. [currency]
    share : array
        Share of instants that leave the backup target; 1 without one.
    serves : array of bool
        Whether the whole load is served.
    lowest_kwh : array
        Lowest level at the end of any step.
    least_hours : array
        Fewest backup hours, without sun; nan where many homes were run at once. [h]
    start_kwh : array
        Level each begins, and where the period repeats ends, with.
    """

    case: Case
    strategies: tuple[str, ...]
    percents: Floats
    cost: Floats
    share: Floats
    serves: Flags
    lowest_kwh: Floats
    least_hours: Floats
    start_kwh: Floats

    @property
    def names(self) -> tuple[str, ...]:
        """The strategies, each once."""
        return tuple(dict.fromkeys(self.strategies))

    @property
    def least_percent(self) -> Floats:
        """Lowest level of each setting, percent of nominal."""
        return np.asarray(self.lowest_kwh / self.case.limits.full_kwh * 100.0)

    def best(self, strategy: str, wanted: float, lowest_percent: float = 0.0) -> int | None:
        """Return the cheapest that serves and leaves the target as often as wanted; of equals the lowest reserve."""
        kept = self.serves & (self.share >= wanted - ROUNDING) & (self.percents >= lowest_percent - ROUNDING)
        return self._cheapest(kept & np.array([name == strategy for name in self.strategies]))

    def cheapest_with(self, hours: float) -> int | None:
        """Return the cheapest that serves and never leaves less than so many hours."""
        return self._cheapest(self.serves & (self.least_hours >= hours - HOURS_ROUNDING))

    def cheapest_above(self, percent: float) -> int | None:
        """Return the cheapest that serves and never lies below a level, percent of nominal."""
        return self._cheapest(self.serves & (self.least_percent >= percent - HOURS_ROUNDING))

    def _cheapest(self, kept: Flags) -> int | None:
        return min(
            np.flatnonzero(kept).tolist(),
            key=lambda at: (round(float(self.cost[at]), 6), self.percents[at]),
            default=None,
        )

    def closest(self, strategy: str) -> int:
        """Return the one that serves, and leaves the target most often; of equals the fullest, then the cheapest."""
        return min(
            (at for at, name in enumerate(self.strategies) if name == strategy),
            key=lambda at: (
                not self.serves[at],
                -round(float(self.share[at]), 9),
                -round(float(self.lowest_kwh[at]), 6),
                round(float(self.cost[at]), 6),
                self.percents[at],
            ),
        )


def settable(case: Case) -> tuple[str, ...]:
    """Return the strategies worth offering: solar-first only to a home with sun."""
    return tuple(name for name in CHOICES if name != "solar-first" or bool(case.sun_kwh.any()))


def candidates(case: Case, space: Space) -> tuple[list[tuple[str, float]], Orders]:
    """Return every strategy at every reserve the device takes, and what each tells the inverter."""
    names = settable(case)
    cards = [card for name in names for card in plain_cards(case, space, name, space.levels)]
    return [(name, percent) for name in names for percent in space.levels], Tables(case, space).orders(cards)


def scan(case: Case, *, anew: bool = False) -> Scan:
    """Run every strategy at every reserve the device takes, over the period that repeats; or read what is kept."""
    known = None if anew else recall(case)
    if known is not None:
        return Scan(case, **known)
    found = _run_all(case)
    keep(case, {field.name: getattr(found, field.name) for field in fields(found) if field.name != "case"})
    return found


def _run_all(case: Case) -> Scan:
    space = device_space(case)
    pairs, orders = candidates(case, space)
    scorer = Scorer.of(case)
    start: Floats = np.full(len(pairs), case.limits.start_kwh)
    if case.scenario.repeats:
        start = repeating_start_kwh(scorer.given, orders, case.limits.start_kwh)
    stored = np.empty((len(case.times), len(pairs)))
    tally = scorer.tally_by_bill(orders, start, stored)
    # self-discharge takes from an empty battery what no charger makes good: such a setting cannot run
    lowest = stored.min(axis=0)
    holds = lowest >= case.limits.empty_kwh - TOLERANCE_KWH
    gained = (tally.end_kwh - start) * lowest_price_per_kwh(case)
    return Scan(
        case=case,
        strategies=tuple(name for name, _ in pairs),
        percents=np.array([percent for _, percent in pairs]),
        cost=tally.money + tally.wear - gained + case.prices.fixed_total,
        share=1.0 - tally.missed_steps / len(case.times),
        serves=(tally.unserved_kwh <= TOLERANCE_KWH) & holds,
        lowest_kwh=lowest,
        least_hours=np.array([backup_hours(case, each, with_sun=False).min() for each in stored.T]),
        start_kwh=start,
    )
