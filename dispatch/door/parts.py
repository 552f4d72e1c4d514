"""The commands about single parts as functions: hardware, generator, care."""

# ruff: noqa: PLC0415 - imports inside the functions: a command loads only what it needs

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from dispatch.door.base import Result, load

if TYPE_CHECKING:
    from dispatch.case.case import Case
    from dispatch.door.base import Home
    from dispatch.equipment.care import CareCard
    from dispatch.sizing.generator import GeneratorStudy
    from dispatch.sizing.hardware import Hardware


def _stamped(case: Case, value: object) -> dict[str, Any]:
    from dispatch.exports.files import plain
    from dispatch.words.origin import stamp

    return {**plain(value), **stamp(case)}


def _under_odd(case: Case, screen: Any) -> object:  # noqa: ANN401 - rich's own types stay in its room
    from dispatch.report.layout import under_odd

    return under_odd(case, screen)


@dataclass(frozen=True, kw_only=True)
class HardwareTold(Result):
    """What ``hardware`` found: ``told``."""

    case: Case
    told: Hardware

    def document(self) -> dict[str, Any]:
        """Return every figure by its own name."""
        return _stamped(self.case, self.told)

    def screen(self) -> object:
        """Return the screen of ``dispatch hardware``."""
        from dispatch.report.hardware import hardware_report

        return _under_odd(self.case, hardware_report(self.told, full=self.full))


def hardware(home: Home) -> HardwareTold:
    """Tell what the parts do: what limits charging, time to full and runtimes for each number of packs.

    Examples
    --------
    >>> from dispatch import hardware
    >>> hardware("scenarios/cinder-flat").told.pack_count
    5
    """
    from dispatch.sizing.hardware import hardware as study

    case = load(home)
    return HardwareTold(case=case, told=study(case))


@dataclass(frozen=True, kw_only=True)
class GeneratorJudged(Result):
    """What ``generator`` found: ``study``."""

    case: Case
    study: GeneratorStudy

    def document(self) -> dict[str, Any]:
        """Return every figure by its own name."""
        return _stamped(self.case, self.study)

    def screen(self) -> object:
        """Return the screen of ``dispatch generator``."""
        from dispatch.report.hardware import generator_report

        return _under_odd(self.case, generator_report(self.study))

    def no_answer(self) -> str | None:
        """Say so where it must not feed the charger."""
        return f"{self.case.path}: generator: must not feed the charger" if self.study.fit.problems else None


def generator(home: Home) -> GeneratorJudged:
    """Hold the generator against its charger: input limit to set, hours and litres for a full charge.

    Examples
    --------
    >>> from dispatch import generator
    >>> generator("scenarios/cinder-flat").study.fit.problems
    ()
    """
    from dispatch.sizing.generator import generator_study

    case = load(home)
    return GeneratorJudged(case=case, study=generator_study(case))


@dataclass(frozen=True, kw_only=True)
class CareTold(Result):
    """What ``care`` found: ``card``."""

    case: Case
    card: CareCard

    def document(self) -> dict[str, Any]:
        """Return every figure by its own name."""
        return _stamped(self.case, self.card)

    def screen(self) -> object:
        """Return the screen of ``dispatch care``."""
        from dispatch.report.care import care_report

        return _under_odd(self.case, care_report(self.card))


def care(home: Home) -> CareTold:
    """Tell how to keep the packs: temperatures, resting, room around them; the maker and local code decide.

    Examples
    --------
    >>> from dispatch import care
    >>> care("scenarios/cinder-flat").card.rests_days > 365
    True
    """
    from dispatch.equipment.care import care_card

    case = load(home)
    limits = case.limits
    return CareTold(case=case, card=care_card(case.scenario, limits.full_kwh, limits.self_discharge_per_hour))
