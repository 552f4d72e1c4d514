"""What a group of homes saves and does to the grid, as sentences for screen and page alike."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dispatch.formats import format_hours, format_money, format_number

if TYPE_CHECKING:
    from collections.abc import Iterator

    from dispatch.fleet.run import Ran
    from dispatch.fleet.summary import Group, Loser, Peak, Summary, Winner


MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")

NOTES = (
    "As set: run by an inverter that sees only the present, each home at its own best strategy and reserve.",
    (
        "Saving: bill + wear against the household without the system, less the worth of what more is stored, scaled "
        "to a year. Hours: the critical load, without sun, at the worst instant."
    ),
    (
        "Load: import less export of all homes, mean of each hour of the local day by month. Days differ: the highest "
        "single hour of a year lies above it. Neighbours share a transformer: ask the utility what it carries."
    ),
    (
        "Staggered: each home draws by lot, from its name, one of the later starts that cost nothing on its bill, "
        "serve as much, keep its target as often as wanted and never leave fewer hours than its fewest; delay_minutes "
        "in the results is what it drew. Until then the battery waits, so usual hours in the night are fewer."
    ),
)
"""How the figures of a group are meant."""


def homes_words(summary: Summary) -> str:
    """Say how many homes there are and how many could be set."""
    could = summary.homes - sum(summary.unusable.values())
    return f"{_homes(summary.homes)}, {could:,} with a setting"


def _homes(count: int) -> str:
    return f"{count:,} home{'s' * (count != 1)}"


def run_lines(ran: Ran) -> Iterator[str]:
    """Say what the run found in its folder and did not keep."""
    if ran.taken_out:
        yield f"Homes of an earlier run that are not asked for now: {ran.taken_out:,}, taken out of the results"
    if ran.unreadable_parts:
        yield f"Damaged files of an earlier run: {ran.unreadable_parts:,}, their homes run again"


def saving_words(group: Group) -> str:
    """Say what half the homes save, and how many lose."""
    median = format_money(group.saving_per_year.median, group.currency)
    return f"Half the homes save more than {median} a year; {losing_words(group)}"


def losing_words(group: Group) -> str:
    """Say how many homes lose money."""
    if not group.losing_homes:
        return "none loses money"
    return f"{group.losing_homes:,} of {group.homes:,} lose{'s' * (group.losing_homes == 1)} money"


def loser_words(loser: Loser, currency: str) -> str:
    """Say what a home loses and what its bill and its wear have to do with it."""
    bill = loser.saving_per_year + loser.wear_per_year
    side = "falls" if bill >= 0 else "rises"
    return (
        f"{loser.home}: {format_money(loser.saving_per_year, currency)} a year with {loser.strategy}: its bill {side} "
        f"by {format_money(abs(bill), currency)}, wear is {format_money(loser.wear_per_year, currency)}"
    )


def peak_words(peak: Peak) -> str:
    """Write a peak with its hour: ``145.5 kW (Dec, 21-22 h)``."""
    return f"{format_number(peak.kw, 1)} kW ({MONTHS[peak.month - 1]}, {peak.hour:02d}-{(peak.hour + 1) % 24:02d} h)"


def grid_lines(group: Group) -> Iterator[str]:
    """Say what the group's load was, becomes, and would be with staggered starts."""
    load = group.load
    change = load.peak_after.kw - load.peak_before.kw
    yield (
        f"Highest hour of a month's mean day: {peak_words(load.peak_before)} before, {peak_words(load.peak_after)} as "
        "set"
    )
    if load.rise.kw >= 0.05:
        together = ": they all charge at once" if load.can_shift_homes else ""
        yield f"Batteries raise the load most by {peak_words(load.rise)}{together}"
    if not load.can_shift_homes:
        yield "No home can start its charge later without cost"
        return
    word, where = ("takes", "off") if load.taken_off_kw >= 0 else ("adds", "to")
    yield (
        f"Starting each charge by lot within what costs the home nothing ({_homes(load.can_shift_homes)} can) {word} "
        f"{format_number(abs(load.taken_off_kw), 1)} kW {where} the peak: {peak_words(load.peak_staggered)}"
    )
    if change > 0:
        left = load.peak_staggered.kw - load.peak_before.kw
        side = "above" if left >= 0 else "below"
        yield (
            f"The new peak is {format_number(change, 1)} kW above the old; staggered, {format_number(abs(left), 1)} kW "
            f"{side} it"
        )


def why_words(winner: Winner, currency: str) -> str:
    """Say for how many homes a strategy is best, why, and at which reserves."""
    parts = [f"{winner.strategy}: {_homes(winner.homes)}"]
    by_money = winner.homes - winner.only_one_homes - winner.missing_homes
    if winner.ahead is not None:
        ahead = format_money(winner.ahead.median, currency)
        parts.append(f"{by_money:,} by money, half of them by more than {ahead} a year")
    if winner.only_one_homes:
        parts.append(f"{winner.only_one_homes:,} because nothing else serves and keeps the target")
    if winner.missing_homes:
        parts.append(f"{winner.missing_homes:,} where nothing keeps the target and it comes closest")
    reserves = ", ".join(f"{tens} %: {count:,}" for tens, count in winner.reserves.items())
    return f"{'; '.join(parts)}. Reserves {reserves}"


def unusable_words(summary: Summary) -> str:
    """Count the homes without a setting by what is wrong with them."""
    return ", ".join(f"{count:,} {status}" for status, count in summary.unusable.items())


def spread_words(group: Group) -> str:
    """Say between which savings nine homes of ten lie, and what all save together."""
    low, high = (
        format_money(amount, group.currency)
        for amount in (group.saving_per_year.p05, group.saving_per_year.p95)
    )
    total = format_money(group.total_saving_per_year, group.currency)
    return f"Nine homes of ten save between {low} and {high} a year; all together {total}."


def hours_words(group: Group) -> str:
    """Say between which fewest hours nine homes of ten lie."""
    low, high = (format_hours(hours) for hours in (group.least_hours.p05, group.least_hours.p95))
    return f"Nine homes of ten never have less than {low} to {high} h of their critical load, without sun."
