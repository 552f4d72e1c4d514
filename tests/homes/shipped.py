"""The shipped homes: each year loaded, stated, solved and certified once in a process, however many tests ask."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING
from unittest import mock

from oracles.certify import claim_of, objections

from dispatch.case.case import load_scenario
from dispatch.comparison.compare import compare
from dispatch.strategies.solve import solve

if TYPE_CHECKING:
    from dispatch.case.case import Case
    from dispatch.comparison.compare import Comparison
    from dispatch.program.arrays import Optimum
    from dispatch.program.program import Program
    from dispatch.strategies.solve import Starts
    from dispatch.strategies.solved import Solved
    from dispatch.strategies.table import Strategy

ROOT = Path(__file__).parents[2]
NAMES = tuple(sorted(path.parent.name for path in ROOT.glob("scenarios/*/scenario.toml")))


@dataclass(frozen=True)
class Year:
    """A shipped year as ``dispatch compare`` solves it, and what the certifier says of every stage of it."""

    name: str
    comparison: Comparison
    objections: dict[tuple[str, str], list[str]]  # by strategy and stage

    @property
    def case(self) -> Case:
        """Return the year as loaded."""
        return self.comparison.case


@cache
def shipped_case(name: str) -> Case:
    """Load a shipped home; its arrays are shared by all who ask, so nobody may change them."""
    return load_scenario(ROOT / "scenarios" / name / "scenario.toml")


@cache
def shipped_year(name: str) -> Year:
    """Compare the strategies on a shipped year; let the certifier hear every optimum as it is found."""
    found: dict[tuple[str, str], list[str]] = {}

    def heard(
        program: Program, strategy: Strategy, record: None = None, *, starts: Starts | None = None
    ) -> Solved:
        assert record is None

        def certify(stage: str, optimum: Optimum) -> None:
            found[strategy.name, stage] = objections(claim_of(program, optimum))

        return solve(program, strategy, certify, starts)

    with mock.patch.object(import_module(solve.__module__), "solve", heard):
        comparison = compare(shipped_case(name))
    return Year(name, comparison, found)
