"""What looks odd, in sentences: the value seen, and the value that was probably meant."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from tariffs.slips import meter_slips, tariff_slips

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dispatch.case.case import Case
    from tariffs.meter_bill import MeterBill
    from tariffs.slips import Slip

LISTS = "dispatch check"
"""The command that lists them all."""

_WORDS = {
    "percent of the battery": "{place} = {seen}: {seen} % of the battery; did you mean {meant}?",
    "few watts": "{place} = {seen}: {seen} W is very little; if kW was meant, write {meant}",
    "many watts": "{place} = {seen}: more than a household carries; did you mean {meant}?",
    "many kW": "{place} = {seen}: more than a household's connection carries; if W was meant, write {meant}",
    "efficiency": "{place} = {seen}: more is lost than comes through; if the loss was meant, write {meant}",
    "depth of discharge": (
        "{place} = {seen}: most of the battery is never used; if the part kept was meant, write {meant}"
    ),
    "self-discharge": "{place} = {seen}: empties it within days; if a month's loss was meant, write {meant}",
    "large pack": "{place} = {seen}: {seen} kWh is very much for one pack; if Wh was meant, write {meant}",
    "surge": "{place} = {seen}: below inverter.continuous_w; did you mean {meant}?",
    "price": "tariff: {place} = {seen}: very dear for a kWh; if cents were meant, write {meant}",
    "small percent": "tariff: {place} = {seen}: less than 1 %; if a fraction was meant, write {meant}",
    "large percent": "tariff: {place} = {seen}: more than 100 %; did you mean {meant}?",
    "loss factor": "tariff: {place} = {seen}: metered kWh are multiplied by it; did you mean {meant}?",
    "day or month": "tariff: {place} = {seen}: very much for a day; if a month was meant, write per_month = {meant}",
    "register": (
        "{place} only rises, {seen} kWh: the level of a register? Write the energy within each step, the differences"
    ),
    "large energy": "{place}: {seen} kWh a year is no household's; if Wh were meant, it is {meant} kWh",
    "little energy": "{place}: {seen} kWh a year is hardly a household's; if MWh or kW were meant, it is {meant} kWh",
    "no energy": "{place}: nothing is drawn at any time; is it the right column?",
    "equal": "{place} is equal to {seen} in every step: is it the right column?",
    "import and export together": (
        "{place}: both above 0 in all {seen} steps: a meter does one at a time; are they use and make?"
    ),
    "other clock": "{place}: the offset {seen} is never that of {meant}; is it another place's file?",
    "labelled Z": "{place}: times labelled Z cover whole days of UTC, not of {seen}; are they local times?",
    "sun at night": "{place}: {seen} of it lies between 22:00 and 04:00 by the clock of {meant}; is it the right one?",
    "sun off noon": "{place}: its middle lies at {seen} by the clock of {meant}, far from noon; is it the right one?",
}


def slip_words(slip: Slip) -> str:
    """Say what looks odd, with the value seen and the value meant."""
    return _WORDS[slip.kind].format(place=slip.place, seen=_text(slip.seen), meant=_text(slip.meant))


def _text(value: float | str | None) -> str:
    """Write a number as it can be entered."""
    if value is None or isinstance(value, str):
        return value or ""
    return f"{value:,.0f}" if abs(value) >= 1e6 else f"{float(f'{value:.6g}'):.10f}".rstrip("0").rstrip(".")


def count_words(slips: Sequence[Slip]) -> str:
    """Say how many things look odd; empty where none does."""
    if not slips:
        return ""
    return "1 thing looks odd" if len(slips) == 1 else f"{len(slips)} things look odd"


def odd_line(case: Case) -> str:
    """Say in a few words how many things look odd in a home, and which command lists them; empty where none does."""
    counted = count_words(case.slips)
    return counted and f"{counted}: {LISTS} lists {'it' if counted.startswith('1 ') else 'them'}"


def bill_slips(made: MeterBill) -> tuple[Slip, ...]:
    """Find what looks odd in the tariff and the meter file of a bill."""
    return (*tariff_slips(made.tariff), *meter_slips(made.meter))


def looks_odd(case: Case) -> list[dict[str, Any]]:
    """Put what looks odd in a home into plain types: kind, place, the value seen and meant, and the sentence."""
    return odd_documents(case.slips)


def odd_documents(slips: Sequence[Slip]) -> list[dict[str, Any]]:
    """Put slips into plain types."""
    return [
        {
            "kind": slip.kind,
            "place": slip.place,
            "seen": slip.seen,
            "meant": slip.meant,
            "sentence": slip_words(slip),
        }
        for slip in slips
    ]
