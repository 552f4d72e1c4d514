"""What an amount of energy or power costs over a billing period: blocks within classes."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
RESOLUTION = 0.0005
"""Half a watt-hour, or half a watt: which class an amount falls in is decided to this resolution."""


@dataclass(frozen=True)
class ScheduleClass:
    """One class of a schedule: what it costs when the amount lies in it.

    Attributes
    ----------
    upper : float
        The amount up to which this class holds, itself included; infinity for the last.
    fixed : float
        Owed as soon as the amount lies in this class. [currency]
    widths : array, shape (k,)
        Widths of its blocks, filled from the first on; the last is infinity.
    prices : array, shape (k,)
        Price of each block. [currency per unit]
    """

    upper: float
    fixed: float
    widths: Floats
    prices: Floats

    def cost(self, amount: float) -> float:
        """Return ``fixed + sum of prices[k] * filled[k]``, the blocks filled in their order."""
        starts = np.concatenate(([0.0], np.cumsum(self.widths[:-1])))
        filled = np.clip(amount - starts, 0.0, self.widths)
        return self.fixed + float(filled @ self.prices)


@dataclass(frozen=True)
class Schedule:
    """A cost of one amount over a billing period, by classes of that amount.

    With a single class it is telescopic: each block's price counts for the energy inside that block only.
    It is then convex, and a linear program may leave the filling of the blocks to itself, exactly if its
    prices do not fall. With several classes the whole amount is priced by the class it falls in ("whole-band"),
    which jumps where classes meet. With `by_past` the class is that of a `PastUseTerm`'s mean instead.
    """

    classes: tuple[ScheduleClass, ...]
    by_past: bool = False

    def in_class(self, amount: float, mean: float) -> float:
        """Return the cost of an amount in the class that a mean of past use sets."""
        return next(step for step in self.classes if mean <= step.upper + RESOLUTION).cost(amount)

    def __call__(self, amount: float) -> float:
        """Return the cost of an amount >= 0; noise below `RESOLUTION` does not push it into the next class."""
        return next(step for step in self.classes if amount <= step.upper + RESOLUTION).cost(amount)

    def scaled(self, limits: float) -> "Schedule":
        """Return the schedule with every limit multiplied."""
        classes = []
        for step in self.classes:
            upper = step.upper if np.isinf(step.upper) else step.upper * limits
            widths = np.where(np.isinf(step.widths), np.inf, 0.0)  # infinity times nothing is still no limit
            np.multiply(step.widths, limits, out=widths, where=np.isfinite(step.widths))
            classes.append(ScheduleClass(upper, step.fixed, widths, step.prices))
        return Schedule(tuple(classes), self.by_past)
