"""What solving a strategy gives: its schedule, and how it was found."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from dispatch.flows import Flows


@dataclass(frozen=True)
class Solved:
    """A strategy's schedule and how it was found.

    Attributes
    ----------
    flows : Flows
    stage_values : dict of str to float
        Optimum of each stage in the order solved, in the stage's own unit (kWh, or money for ``cost``; Σ stored
        is negative because stages are minimised).
    money : float
        What the flows cost by the program's own account, without wear and what no flow changes.
    iterations, residual, seconds : int, float, float
        Simplex iterations, worst violated row or bound [kWh], wall time [s].
    gap : float or None
        Relative gap proved by the mixed-integer solve, where the tariff needed one.
    unproven : float
        The same as an amount: how much less the best schedule may cost. [currency]
    hard : str
        What made that solve hard, where it was stopped before the gap was as small as asked; else empty.
    """

    flows: Flows
    stage_values: dict[str, float]
    money: float
    iterations: int
    residual: float
    seconds: float
    gap: float | None
    unproven: float = 0.0
    hard: str = ""

    @property
    def stopped(self) -> bool:
        """Whether the search was stopped: the best schedule found, not proven."""
        return bool(self.hard)
