"""Every way to string a number of modules onto the inputs there are: the legal ones best first, the others with why."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product
from typing import TYPE_CHECKING

from dispatch.equipment.strings import Verdict, judge
from dispatch.errors import ScenarioError

if TYPE_CHECKING:
    from collections.abc import Iterator

    from dispatch.scenario.solar import Module, Solar, SolarInput


MOST_MODULES = 60
"""More than a household's inputs take; the number of ways would grow without use."""


@dataclass(frozen=True)
class Arrangement:
    """One legal way to string all the modules.

    Attributes
    ----------
    parts : tuple of Verdict
        One per input in use, in the order of the inputs.
    """

    parts: tuple[Verdict, ...]

    @property
    def used_w(self) -> float:
        """What the inputs use in full sun. [W]."""
        return sum(part.used_w for part in self.parts)

    @property
    def current_a(self) -> float:
        """Largest current in one cable. [A]."""
        return max(part.operating_a for part in self.parts)

    @property
    def headroom_fraction(self) -> float:
        """Smallest distance of a cold voltage from the top of its window, as a share of it."""
        return min(1.0 - part.cold_voc_v / part.input.highest_v for part in self.parts)


@dataclass(frozen=True)
class Arrangements:
    """The ways to string ``module_count`` modules.

    Attributes
    ----------
    module : Module
    module_count : int
    legal : tuple of Arrangement
        Best first: most power used, then the smaller current (less lost in cables), then more headroom in voltage.
    illegal : tuple of Verdict
        Arrangements on one input, of up to all the modules, that must not or cannot be used.
    most_legal_count : int
        The largest number of modules, up to ``module_count``, with a legal way.
    """

    module: Module
    module_count: int
    legal: tuple[Arrangement, ...]
    illegal: tuple[Verdict, ...]
    most_legal_count: int


def arrangements(solar: Solar, module: Module, module_count: int) -> Arrangements:
    """List the ways to string a number of like modules onto the inputs.

    Parameters
    ----------
    solar : Solar
        Temperatures and inputs; its own strings do not matter.
    module : Module
    module_count : int
        All of them are used, in rows of equal length on each input; inputs may be left empty and may differ.

    Raises
    ------
    ScenarioError
        If the number is not between 1 and 60.
    """
    if not 1 <= module_count <= MOST_MODULES:
        raise ScenarioError(f"modules: {module_count} is out of range; name 1 to {MOST_MODULES} modules")
    verdicts = {
        (one.name, series, parallel): judge(solar, one, module, series, parallel)
        for one in solar.inputs
        for series in range(1, module_count + 1)
        for parallel in range(1, module_count // series + 1)
    }
    legal = _legal(solar, verdicts, module_count)
    most = next((n for n in range(module_count, 0, -1) if _legal(solar, verdicts, n)), 0)
    illegal = [
        verdict
        for (name, _, _), verdict in verdicts.items()
        if not verdict.is_legal
        and _divides(verdict, module_count, len(solar.inputs))
        and _first_alike(solar, name)
    ]
    return Arrangements(module, module_count, legal, tuple(illegal), most)


def _divides(verdict: Verdict, module_count: int, input_count: int) -> bool:
    """On one input all modules are meant; on several any part of them may be."""
    return verdict.module_count == module_count or (input_count > 1 and verdict.module_count < module_count)


def _first_alike(solar: Solar, name: str) -> bool:
    """Of inputs with the same ratings only the first need be told."""
    one = solar.input_named(name)
    first = next(other for other in solar.inputs if _ratings(other) == _ratings(one))
    return first.name == name


def _ratings(one: SolarInput) -> tuple[float | None, ...]:
    return (one.lowest_v, one.highest_v, one.operating_a, one.short_circuit_a, one.most_w)


def _legal(
    solar: Solar, verdicts: dict[tuple[str, int, int], Verdict], module_count: int
) -> tuple[Arrangement, ...]:
    by_input: list[dict[int, list[Verdict | None]]] = []
    for one in solar.inputs:
        ways: dict[int, list[Verdict | None]] = {0: [None]}
        for (name, _, _), verdict in verdicts.items():
            if name == one.name and verdict.is_legal and verdict.module_count <= module_count:
                ways.setdefault(verdict.module_count, []).append(verdict)
        by_input.append(ways)
    found: dict[tuple[tuple[tuple[float | None, ...], int, int], ...], Arrangement] = {}
    for counts in _splits([sorted(ways) for ways in by_input], module_count):
        for parts in product(*(ways[count] for ways, count in zip(by_input, counts, strict=True))):
            used = tuple(part for part in parts if part is not None)
            # like inputs may change places: that is the same way
            key = tuple(
                sorted(((_ratings(p.input), p.series_count, p.parallel_count) for p in used), key=repr)
            )
            found.setdefault(key, Arrangement(used))
    order = sorted(
        found.values(),
        key=lambda a: (-round(a.used_w, 6), round(a.current_a, 6), len(a.parts), -a.headroom_fraction),
    )
    return tuple(order)


def _splits(choices: list[list[int]], total: int) -> Iterator[tuple[int, ...]]:
    if len(choices) == 1:
        if total in choices[0]:
            yield (total,)
        return
    for first in choices[0]:
        if first <= total:
            for rest in _splits(choices[1:], total - first):
                yield (first, *rest)
