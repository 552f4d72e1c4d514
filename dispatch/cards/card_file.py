"""The card as a file: written as TOML or JSON, read back with every limit of the device checked."""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING, Annotated, Any, Literal

import numpy as np
from pydantic import ConfigDict, Field

from dispatch.cards.card import (
    EVENT_DAYS,
    EVERY_DAY,
    Card,
    ChargeWindow,
    DayPlan,
    DischargeWindow,
    Group,
    Raise,
    Window,
)
from dispatch.errors import ScenarioError
from dispatch.scenario.fields import (  # noqa: TC001 - pydantic reads them
    ClockEnd,
    ClockTime,
    Moment,
    Percent,
    Switch,
)
from tariffs.reading.clock import FIRST_YEAR, LAST_YEAR, MINUTES_PER_DAY, clock_text, minutes_of, moment_of
from tariffs.reading.models import Frozen, Text, validated
from tariffs.reading.refusals import problem_report
from tariffs.reading.toml import read_toml, toml_text

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path

    from dispatch.cards.space import Space
    from dispatch.case.case import Case


_LEVEL_TOLERANCE = 1e-6


class _Entry(Frozen):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False, populate_by_name=True)


class WindowEntry(_Entry):
    """A stretch of the clock, ``from`` and ``to`` as HH:MM."""

    start: ClockTime = Field(alias="from", description="local clock time at which it begins, such as '22:00'")
    end: ClockEnd = Field(alias="to", description="local clock time at which it ends; may lie past midnight")


class ChargeEntry(WindowEntry):
    """A stretch in which the grid may fill the battery."""

    to_percent: Percent = Field(description="target level, percent of nominal")


class DischargeEntry(WindowEntry):
    """A stretch in which the load may draw the battery down."""

    to_percent: Percent | None = Field(
        None, description="level down to which, percent of nominal; left out: the reserve"
    )


class RaiseEntry(_Entry):
    """A higher reserve for some days."""

    start: Moment = Field(alias="from", description="local time at which it is entered, '2025-01-14T18:00'")
    end: Moment = Field(alias="to", description="local time at which it is taken back")
    reserve_percent: Percent = Field(description="never drawn below it meanwhile, percent of nominal")


class PlanEntry(_Entry):
    """What holds in a season and on a kind of day."""

    season: Text | None = Field(None, description="a season of the tariff; left out: all")
    days: Literal["every day", "weekdays", "weekends", "holidays", "event days"] | None = Field(
        None, description="'weekdays', 'weekends', 'holidays', 'event days'; left out: every day"
    )
    reserve_percent: Percent = Field(description="never drawn below it, percent of nominal")
    charge: tuple[ChargeEntry, ...] = ()
    discharge: tuple[DischargeEntry, ...] = ()


class CardFile(_Entry):
    """A settings card."""

    sun_first: Literal["load", "battery"] = "load"
    sells: Switch = False
    plans: Annotated[tuple[PlanEntry, ...], Field(min_length=1)]
    raises: tuple[RaiseEntry, ...] = ()


def card_document(card: Card, groups: Sequence[Group]) -> dict[str, Any]:
    """Put a card into plain types; the same keys as the card file."""
    return {
        "sun_first": card.sun_first,
        "sells": card.sells,
        "plans": [
            {
                "season": group.season,
                "days": group.days,
                "reserve_percent": plan.reserve_percent,
                "charge": [
                    {"from": clock_text(w.start), "to": clock_text(w.end), "to_percent": w.to_percent}
                    for w in plan.charge
                ],
                "discharge": [
                    {"from": clock_text(w.start), "to": clock_text(w.end)}
                    | ({} if w.to_percent is None else {"to_percent": w.to_percent})
                    for w in plan.discharge
                ],
            }
            for group, plan in zip(groups, card.plans, strict=True)
        ],
        "raises": [
            {
                "from": one.begins.isoformat(timespec="minutes"),
                "to": one.ends.isoformat(timespec="minutes"),
                "reserve_percent": one.reserve_percent,
            }
            for one in card.raises
        ],
    }


def card_toml(card: Card, groups: Sequence[Group]) -> str:
    """Write a card as the TOML that :func:`read_card` reads."""
    document = card_document(card, groups)
    lines = [
        "# A settings card: edit it and score it with: dispatch settings SCENARIO --card FILE",
        f"sun_first = {toml_text(document['sun_first'])}",
        f"sells = {str(document['sells']).lower()}",
    ]
    for plan in document["plans"]:
        charge, discharge = (", ".join(map(_inline, plan[kind])) for kind in ("charge", "discharge"))
        lines += [
            "",
            "[[plans]]",
            f"season = {toml_text(plan['season'])}",
            f"days = {toml_text(plan['days'])}",
            f"reserve_percent = {plan['reserve_percent']:g}",
            f"charge = [{charge}]",
            f"discharge = [{discharge}]",
        ]
    for one in document["raises"]:
        lines += [
            "",
            "[[raises]]",
            f'from = "{one["from"]}"',
            f'to = "{one["to"]}"',
            f"reserve_percent = {one['reserve_percent']:g}",
        ]
    return "\n".join(lines) + "\n"


def _inline(window: dict[str, Any]) -> str:
    level = f", to_percent = {window['to_percent']:g}" if "to_percent" in window else ""
    return f'{{ from = "{window["from"]}", to = "{window["to"]}"{level} }}'


def read_card(path: Path, case: Case, space: Space) -> Card:
    """Read a card file and check it against what the device takes.

    Parameters
    ----------
    path : Path
    case : Case
    space : Space
        Of that case.

    Raises
    ------
    ScenarioError
        One message with every problem: unknown keys, windows longer than a day or off the device's step, more
        windows than it takes, overlaps, levels outside reserve … ceiling, seasons without a plan.
    """
    entered = validated(CardFile, read_toml(path, ScenarioError), path, ScenarioError)
    problems: list[str] = []
    plans = [
        _plan(number, entry, case, space, problems) for number, entry in enumerate(entered.plans, start=1)
    ]
    if entered.sells and not case.limits.battery_feed_in:
        problems.append("sells: true, but grid.battery_feed_in = false; remove it or allow feeding in")
    chosen = _assigned(entered.plans, space, problems)
    lowest = min((plan.reserve_percent for plan in plans), default=0.0)  # below it a raise does nothing
    raises = [
        _raise(number, entry, lowest, case, problems) for number, entry in enumerate(entered.raises, start=1)
    ]
    if problems:
        raise ScenarioError(problem_report(path, problems))
    return Card(
        tuple(plans[index] for index in chosen),
        sun_first=entered.sun_first,
        sells=entered.sells,
        raises=tuple(sorted(raises)),
    )


def _raise(number: int, entry: RaiseEntry, lowest: float, case: Case, problems: list[str]) -> Raise:
    at = f"raises[{number}]"
    moments = [
        _moment(f"{at}.{key}", text, problems) for key, text in (("from", entry.start), ("to", entry.end))
    ]
    begins, ends = moments
    last = case.times[-1].tz_localize(None) + dt.timedelta(hours=case.dt_hours)
    if ends <= begins:
        problems.append(
            f"{at}: it is taken back ({entry.end}) before it is entered ({entry.start}); swap them"
        )
    elif ends <= case.times[0].tz_localize(None) or begins >= last:
        problems.append(
            f"{at}: {entry.start} to {entry.end} lies outside the data, {case.times[0]:%Y-%m-%d} to "
            f"{case.times[-1]:%Y-%m-%d}; correct the dates or remove it"
        )
    problems += _level_problems(f"{at}.reserve_percent", entry.reserve_percent, lowest, case)
    return Raise(begins, ends, entry.reserve_percent)


def _moment(field: str, text: str, problems: list[str]) -> dt.datetime:
    try:
        found = moment_of(text)
    except ValueError:
        found = None
    if found is None or found.tzinfo is not None or not FIRST_YEAR <= found.year <= LAST_YEAR:
        problems.append(f"{field}: not a local time (got '{text}'); write one such as '2025-01-14T18:00'")
        return dt.datetime(1970, 1, 1)  # noqa: DTZ001 - wall time; the card is refused
    return found


def _lowest_reserve(case: Case) -> tuple[float, str]:
    """Lowest reserve that may be entered, in percent, and what it is.

    A backup target takes the place of the file's reserve, as it does where cards are searched for.
    """
    limits = case.limits
    if case.scenario.reserve is None or case.scenario.backup.target_hours is not None:
        return 100 * limits.empty_kwh / limits.full_kwh, "the empty level"
    return 100 * float(case.floor_kwh.min()) / limits.full_kwh, "the scenario's reserve"


def _assigned(entries: Sequence[PlanEntry], space: Space, problems: list[str]) -> list[int]:
    """Find the one entry for every group; say where there is none, or more than one."""
    seasons = {group.season for group in space.groups}
    for number, entry in enumerate(entries, start=1):
        if entry.season is not None and entry.season not in seasons:
            problems.append(
                f"plans[{number}].season: the tariff has no such season in this period (got '{entry.season}'); "
                f"choose one of {', '.join(sorted(seasons))}"
            )
    chosen = []
    for group in space.groups:
        fits = [i for i, entry in enumerate(entries) if _fits(entry, group)]
        if group.days == EVENT_DAYS:  # their own plan, where there is one, before that of every day
            fits = [i for i in fits if entries[i].days == EVENT_DAYS] or fits
        if len(fits) != 1:
            which = " and ".join(f"plans[{i + 1}]" for i in fits) or "none"
            problems.append(
                f"plans: {group.season}, {group.days} needs exactly one plan (found {which}); "
                + ("remove one of them" if fits else "add a [[plans]] for it")
            )
        chosen.append(fits[0] if fits else 0)
    return chosen


def _fits(entry: PlanEntry, group: Group) -> bool:
    if entry.season not in (None, group.season):
        return False
    return entry.days in {None, EVERY_DAY, group.days}


def _plan(number: int, entry: PlanEntry, case: Case, space: Space, problems: list[str]) -> DayPlan:
    at = f"plans[{number}]"
    charge, discharge = [], []
    for index, given in enumerate(entry.charge, start=1):
        span = _window(f"{at}.charge[{index}]", given, space, problems)
        charge.append(ChargeWindow(span.start, span.end, given.to_percent))
        problems += _level_problems(
            f"{at}.charge[{index}].to_percent", given.to_percent, entry.reserve_percent, case
        )
    for index, stretch in enumerate(entry.discharge, start=1):
        span = _window(f"{at}.discharge[{index}]", stretch, space, problems)
        discharge.append(DischargeWindow(span.start, span.end, stretch.to_percent))
        problems += _own_level_problems(f"{at}.discharge[{index}]", stretch, entry, case)
    lowest, what = _lowest_reserve(case)
    problems += _level_problems(f"{at}.reserve_percent", entry.reserve_percent, lowest, case, what)
    for name, windows, most in (
        ("charge", charge, space.charge_windows),
        ("discharge", discharge, space.discharge_windows),
    ):
        if len(windows) > most:
            problems.append(
                f"{at}.{name}: {len(windows)} windows, but the device takes {most} "
                f"(settings.{name}_window_count); remove {len(windows) - most}"
            )
    problems += _overlaps(at, [*charge, *discharge])
    return DayPlan(tuple(sorted(charge)), tuple(sorted(discharge)), entry.reserve_percent)


def _own_level_problems(field: str, window: DischargeEntry, plan: PlanEntry, case: Case) -> Iterator[str]:
    if window.to_percent is None:
        return
    if not case.scenario.settings.discharge_levels:
        yield (
            f"{field}.to_percent: the device takes no level for a discharge window (got {window.to_percent:g}); "
            "remove it, or set settings.discharge_levels = true"
        )
    yield from _level_problems(f"{field}.to_percent", window.to_percent, plan.reserve_percent, case)


def _level_problems(
    field: str, percent: float, lowest: float, case: Case, what: str = "the reserve"
) -> Iterator[str]:
    limits, step = case.limits, case.scenario.settings.level_step_percent
    top = 100 * limits.ceiling_kwh / limits.full_kwh
    if not lowest - _LEVEL_TOLERANCE <= percent <= top + _LEVEL_TOLERANCE:
        yield f"{field}: {percent:g} % is outside {what} {lowest:.4g} % to {top:.4g} %; choose a level between"
    elif abs(percent / step - round(percent / step)) > _LEVEL_TOLERANCE:
        near = round(percent / step) * step
        yield (
            f"{field}: {percent:g} % is no multiple of settings.level_step_percent = {step:g}; "
            f"write {near:g} or change the step"
        )


def _window(field: str, entry: WindowEntry, space: Space, problems: list[str]) -> Window:
    start, end = minutes_of(entry.start), minutes_of(entry.end)
    if start == end:
        problems.append(
            f"{field}: {entry.start} to {entry.end} is empty; for all day write '00:00' to '24:00'"
        )
    off = [text for text, value in ((entry.start, start), (entry.end, end)) if value % space.grain_minutes]
    if off:
        problems.append(
            f"{field}: {' and '.join(off)} is not on the {space.grain_minutes}-minute step of device and series; "
            "move it, or use a finer series and settings.time_step_minutes"
        )
    return Window(start, end or MINUTES_PER_DAY)


def _overlaps(at: str, windows: Sequence[Window]) -> Iterator[str]:
    minutes = np.arange(MINUTES_PER_DAY)
    for i, one in enumerate(windows):
        for two in windows[i + 1 :]:
            if np.any(one.holds(minutes) & two.holds(minutes)):
                yield f"{at}: the windows {one.text} and {two.text} overlap; shorten one of them"


def season_changes(case: Case, space: Space) -> list[tuple[dt.date, str]]:
    """Local dates from which another season's plans hold, the first day of the data included."""
    changes: list[tuple[dt.date, str]] = []
    for moment, group in zip(case.times, space.group_of.tolist(), strict=True):
        season = space.groups[group].season
        if not changes or changes[-1][1] != season:
            changes.append((moment.date(), season))
    return changes
