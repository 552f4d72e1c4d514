"""How much to buy, as a function."""

# ruff: noqa: PLC0415 - imports inside the functions: a command loads only what it needs

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from dispatch.door.base import Result, load

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from dispatch.arrays import Progress
    from dispatch.door.base import Home
    from dispatch.sizing.next_step import NextStep
    from dispatch.sizing.size import Sized


@dataclass(frozen=True, kw_only=True)
class SizesTried(Result):
    """What ``size`` found: the grid, ``sized``, and what to buy, ``step``."""

    sized: Sized
    step: NextStep

    def document(self) -> dict[str, Any]:
        """Return every figure; see dispatch/README.md."""
        from dispatch.exports.size import size_document

        return size_document(self.sized, self.step)

    def screen(self) -> object:
        """Return the screen of ``dispatch size``."""
        from dispatch.report.layout import under_odd
        from dispatch.report.size import size_report

        return under_odd(self.sized.case, size_report(self.sized, self.step, full=self.full))

    def write_csv(self, directory: Path) -> tuple[Path, ...]:
        """Write one row per set of parts."""
        from dispatch.exports.size import size_csv

        return size_csv(self.sized, self.step, directory)

    def no_answer(self) -> str | None:
        """Say so where no set of parts serves the load."""
        if self.step.why != "nothing works":
            return None
        reasons = [cell.refusal for cell in self.sized.cells if cell.refusal is not None]
        last = f"; of the largest: {reasons[-1]}" if reasons else "; dispatch compare says what would"
        return f"{self.sized.case.path}: no set of parts looked at serves the whole load{last}"


def size(
    home: Home,
    *,
    most_packs: int | None = None,
    panels: Sequence[float] | None = None,
    planned: bool = False,
    progress: Progress | None = None,
) -> SizesTried:
    """Run every number of packs with every amount of panels as it would be set, and say what to buy.

    Examples
    --------
    >>> from dispatch import size
    >>> found = size("scenarios/alder-row", most_packs=4, panels=[1])
    >>> [cell.parts.pack_count for cell in found.sized.cells if cell.parts.panels.factor == 1]
    [1, 2, 3, 4]
    """
    from dispatch.sizing.next_step import next_step
    from dispatch.sizing.size import size as try_sizes

    sized = try_sizes(load(home), most_packs=most_packs, panels=panels, planned=planned, progress=progress)
    return SizesTried(sized=sized, step=next_step(sized))
