"""Every way to string a number of modules onto the inputs there are: the legal ones best first, the others with why."""

from __future__ import annotations

from dataclasses import dataclass
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
    verdicts = _verdicts(solar, module, module_count)
    reached = _reachable(_choices(solar, verdicts))
    illegal = [
        verdict
        for (name, _, _), verdict in verdicts.items()
        if not verdict.is_legal
        and _divides(verdict, module_count, len(solar.inputs))
        and _first_alike(solar, name)
    ]
    return Arrangements(
        module=module,
        module_count=module_count,
        legal=_legal(solar, verdicts, module_count),
        illegal=tuple(illegal),
        most_legal_count=max((n for n in reached[0] if n <= module_count), default=0),
    )


@dataclass(frozen=True)
class HowMany:
    """The numbers of one module that can be wired.

    Attributes
    ----------
    module : Module
    best : dict of int to Arrangement
        By number of modules, the best way; numbers without a legal way are missing.
    fills_count : int or None
        The fewest modules with which the inputs use the most they ever do.
    """

    module: Module
    best: dict[int, Arrangement]
    fills_count: int | None

    @property
    def most_count(self) -> int:
        """The most modules that can be wired; 0 where none can."""
        return max(self.best, default=0)


def how_many(solar: Solar, module: Module) -> HowMany:
    """Tell how many modules the inputs take, and how each number is best wired."""
    verdicts = _verdicts(solar, module, MOST_MODULES)
    best = {}
    for count in sorted(_reachable(_choices(solar, verdicts))[0] - {0}):
        if count <= MOST_MODULES and (ways := _legal(solar, verdicts, count)):
            best[count] = ways[0]
    most_w = max((way.used_w for way in best.values()), default=0.0)
    fills = next((count for count, way in best.items() if way.used_w >= most_w - 1e-6), None)
    return HowMany(module, best, fills)


def _verdicts(solar: Solar, module: Module, module_count: int) -> dict[tuple[str, int, int], Verdict]:
    return {
        (one.name, series, parallel): judge(solar, one, module, series, parallel)
        for one in solar.inputs
        for series in range(1, module_count + 1)
        for parallel in range(1, module_count // series + 1)
    }


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


Choices = list[list[Verdict | None]]
"""By input: nothing, or one of the legal arrangements on it."""


def _choices(solar: Solar, verdicts: dict[tuple[str, int, int], Verdict]) -> Choices:
    """List what may stand on each input, inputs of like ratings one after the other."""
    inputs = sorted(solar.inputs, key=lambda one: repr(_ratings(one)))
    return [
        [None, *(v for (name, _, _), v in verdicts.items() if name == one.name and v.is_legal)]
        for one in inputs
    ]


def _reachable(choices: Choices) -> list[set[int]]:
    """Tell which numbers of modules the inputs from each on can take together."""
    sets: list[set[int]] = [{0}]
    for ways in reversed(choices):
        counts = {0 if way is None else way.module_count for way in ways}
        sets.append({a + b for a in counts for b in sets[-1] if a + b <= MOST_MODULES})
    return sets[::-1]


def _legal(
    solar: Solar, verdicts: dict[tuple[str, int, int], Verdict], module_count: int
) -> tuple[Arrangement, ...]:
    choices = _choices(solar, verdicts)
    found = [
        Arrangement(tuple(sorted(parts, key=lambda part: _place(solar, part))))
        for parts in _fill(choices, _reachable(choices), module_count, 0, 0)
        if parts
    ]
    return tuple(
        sorted(
            found,
            key=lambda a: (-round(a.used_w, 6), round(a.current_a, 6), len(a.parts), -a.headroom_fraction),
        )
    )


def _place(solar: Solar, part: Verdict) -> int:
    return [one.name for one in solar.inputs].index(part.input.name)


def _fill(
    choices: Choices, reachable: list[set[int]], left: int, at: int, first: int
) -> Iterator[tuple[Verdict, ...]]:
    """Fill the inputs from ``at`` on with what is left; like inputs in one order, so that none is found twice."""
    if at == len(choices):
        yield ()
        return
    alike = at + 1 < len(choices) and _same_ratings(choices[at], choices[at + 1])
    for index in range(first, len(choices[at])):
        way = choices[at][index]
        rest = left - (0 if way is None else way.module_count)
        if rest < 0 or rest not in reachable[at + 1]:
            continue
        for parts in _fill(choices, reachable, rest, at + 1, index if alike else 0):
            yield parts if way is None else (way, *parts)


def _same_ratings(one: list[Verdict | None], other: list[Verdict | None]) -> bool:
    first, second = (next((way for way in ways if way is not None), None) for ways in (one, other))
    if first is None or second is None:
        return first is second
    return _ratings(first.input) == _ratings(second.input)
