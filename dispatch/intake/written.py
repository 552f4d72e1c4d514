"""A table file as written: its cells, and the lines they stand on."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pathlib import Path


@dataclass(frozen=True)
class Rows:
    """A table as written.

    Attributes
    ----------
    path : Path
    header : list of str
        Names of the columns.
    rows : list of list of str
        Cells, as many per row as there are names.
    lines : list of int
        Line of the file that each row stands on, the first being 1.
    heading : list of str
        What stands above the names of the columns.
    facts, doubts : list of str
        How it was read.
    """

    path: Path
    header: list[str]
    rows: list[list[str]]
    lines: list[int]
    heading: list[str]
    facts: list[str]
    doubts: list[str]

    def column(self, at: int) -> list[str]:
        """Return the cells of one column."""
        return [row[at] for row in self.rows]
