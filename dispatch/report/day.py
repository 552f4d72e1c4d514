"""One day drawn hour by hour: price, load, sun, and the battery's level against the floor.

Bars are blocks where the terminal can show them and plain characters where it cannot; every bar has its
figure beside it, so nothing is told by colour or length alone.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from rich.text import Text

from dispatch.formats import fitting_decimals, format_date, format_number, price_decimals

if TYPE_CHECKING:
    import datetime as dt

    from rich.console import Console, ConsoleOptions, RenderResult

    from dispatch.case.case import Case
    from dispatch.outcome import Outcome


BAND_WIDTH = 10
WIDTH = 77
"""Columns that the picture needs."""

LOAD_WIDTH, SUN_WIDTH, LEVEL_WIDTH = 9, 7, 13


class Marks(NamedTuple):
    """Characters of the bars."""

    served: str
    other: str
    sun: str
    level: str
    floor: str


BLOCKS = Marks(served="█", other="▒", sun="█", level="█", floor="│")
PLAIN = Marks(served="#", other="+", sun="*", level="=", floor="|")


@dataclass(frozen=True)
class Stretch:
    """Part of an hour, or all of it, in one price.

    Attributes
    ----------
    label : str
        Local clock time of its start.
    band : str
        Name of the price.
    price_per_kwh : float
        Mean import price.
    load_kw, other_kw, sun_kw : float
        Mean power: what the system serves (its idle draw included), the rest of the house, the sun's DC. [kW]
    stored_kwh, change_kwh, floor_kwh : float
        Level at the stretch's end, its change over the stretch, and the floor at its end. [kWh]
    """

    label: str
    band: str
    price_per_kwh: float
    load_kw: float
    other_kw: float
    sun_kw: float
    stored_kwh: float
    change_kwh: float
    floor_kwh: float


def stretches(case: Case, result: Outcome, day: dt.date) -> tuple[Stretch, ...]:
    """Divide a local day into its hours, and an hour again where the price changes inside it.

    Parameters
    ----------
    case : Case
        The resolved scenario.
    result : Outcome
        The strategy whose battery is drawn.
    day : datetime.date
        A local day within the case.

    Returns
    -------
    tuple of Stretch
        24 on an ordinary day in hourly prices, 23 or 25 when the clocks change.
    """
    times = case.times
    steps = np.flatnonzero(times.date == day)
    if not steps.size:
        return ()
    local = times[steps]
    # the offset tells the two 01:00 of an autumn night apart
    offset = local.tz_localize(None).asi8 - local.tz_convert(None).asi8
    band = case.prices.band[steps]
    new = (np.diff(local.hour) != 0) | (np.diff(offset) != 0) | (np.diff(band) != 0)
    edges = [0, *(np.flatnonzero(new) + 1).tolist(), len(steps)]
    return tuple(_stretch(case, result, steps[begin:end]) for begin, end in pairwise(edges))


def _stretch(case: Case, result: Outcome, steps: np.ndarray[tuple[int], np.dtype[np.intp]]) -> Stretch:
    hours = len(steps) * case.dt_hours
    first, last = int(steps[0]), int(steps[-1])
    stored_kwh = result.flows["stored"]
    return Stretch(
        label=f"{case.times[first]:%H:%M}",
        band=case.prices.band_names[case.prices.band[first]],
        price_per_kwh=float(case.prices.import_price_per_kwh[steps].mean()),
        load_kw=float((case.load_kwh + result.flows.idle_kwh)[steps].sum()) / hours,
        other_kw=float(case.other_kwh[steps].sum()) / hours,
        sun_kw=float(case.sun_kwh[steps].sum()) / hours,
        stored_kwh=float(stored_kwh[last]),
        change_kwh=float(stored_kwh[last] - result.flows.stored_before_kwh()[first]),
        floor_kwh=float(case.floor_kwh[last]),
    )


@dataclass(frozen=True)
class DayPicture:
    """A local day of one strategy as text bars, about 79 columns wide.

    Parameters
    ----------
    case : Case
        The resolved scenario.
    result : Outcome
        The strategy whose battery is drawn.
    day : datetime.date
        A local day within the case.
    """

    case: Case
    result: Outcome
    day: dt.date

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        """Draw with blocks, or with plain characters where the encoding has none."""
        del console
        marks = PLAIN if options.ascii_only else BLOCKS
        rows = stretches(self.case, self.result, self.day)
        title = f"{format_date(self.day)} with {self.result.name}."
        prices = price_decimals([row.price_per_kwh for row in rows])
        most_load_kw = max((row.load_kw + row.other_kw for row in rows), default=0.0)
        most_sun_kw = max((row.sun_kw for row in rows), default=0.0)
        if options.max_width < WIDTH:
            yield Text(title)
            yield from (_in_words(row, prices) for row in rows)
            return
        yield Text(f"{title} {self._legend(marks, any_other=any(row.other_kw > 0 for row in rows))}")
        yield self._columns()
        before = ""
        for row in rows:
            line = Text(no_wrap=True, overflow="crop")
            band = "" if row.band == before else row.band
            before = row.band
            line.append(f"{row.label} {band[:BAND_WIDTH]:<{BAND_WIDTH}}")
            line.append(f"{format_number(row.price_per_kwh, prices):>8} ")
            line.append_text(_load_bar(row, most_load_kw, marks))
            line.append_text(_sun_bar(row, most_sun_kw, marks))
            line.append_text(self._level_bar(row, marks))
            yield line

    def _legend(self, marks: Marks, *, any_other: bool) -> str:
        legend = f"load {marks.served} backed up"
        legend += f" {marks.other} rest of the house" if any_other else ""
        limits = self.case.limits
        return (
            f"{legend}; battery {marks.level} from 0 to {limits.full_kwh:g} kWh, reserve floor {marks.floor}"
        )

    def _columns(self) -> Text:
        heads = (
            f"{'time':<6}{'price':<{BAND_WIDTH}}{self.case.currency + '/kWh':>8} {'load, kW':<{LOAD_WIDTH + 6}}"
            f"{'sun, kW':<{SUN_WIDTH + 6}}{'stored at end, kWh':<{LEVEL_WIDTH + 6}}{'change':>7}"
        )
        return Text(heads, style="bold", no_wrap=True, overflow="crop")

    def _level_bar(self, row: Stretch, marks: Marks) -> Text:
        full_kwh = self.case.limits.full_kwh
        filled = bar_length(row.stored_kwh, full_kwh, LEVEL_WIDTH)
        bar = list(marks.level * filled + " " * (LEVEL_WIDTH - filled))
        floor = min(int(row.floor_kwh / full_kwh * LEVEL_WIDTH), LEVEL_WIDTH - 1)
        bar[floor] = marks.floor
        text = Text("".join(bar), style="green")
        text.stylize("bold red", floor, floor + 1)
        change = f"{row.change_kwh:+.2f}" if abs(row.change_kwh) >= 5e-3 else ""
        text.append(f"{format_number(row.stored_kwh, 2):>6} ", style="default")
        text.append(f"{change:>6}", style="default")
        return text


def _in_words(row: Stretch, prices: int) -> Text:
    """Tell one stretch in a line or two, for a screen too narrow for the bars."""
    load_kw = row.load_kw + row.other_kw
    load, sun = (format_number(kw, fitting_decimals([kw])) for kw in (load_kw, row.sun_kw))
    change = f" ({row.change_kwh:+.2f})" if abs(row.change_kwh) >= 5e-3 else ""
    return Text(
        f"{row.label} {row.band}, {format_number(row.price_per_kwh, prices)}: load {load}, sun "
        f"{sun} kW; stored {format_number(row.stored_kwh, 2)} kWh{change}"
    )


def bar_length(value: float, most: float, width: int) -> int:
    """Scale a figure to whole characters; anything above zero shows at least one.

    Parameters
    ----------
    value, most : float
        The figure and the largest one, in the same unit.
    width : int
        Characters of the largest.

    Returns
    -------
    int
        0 to ``width``.
    """
    if most <= 0.0 or value <= 0.0:
        return 0
    return max(1, min(width, round(value / most * width)))


def _load_bar(row: Stretch, most_kw: float, marks: Marks) -> Text:
    total_kw = row.load_kw + row.other_kw
    length = bar_length(total_kw, most_kw, LOAD_WIDTH)
    served = min(length, bar_length(row.load_kw, most_kw, LOAD_WIDTH))
    text = Text(marks.served * served, style="cyan")
    text.append(marks.other * (length - served), style="blue")
    text.append(" " * (LOAD_WIDTH - length))
    text.append(f"{format_number(total_kw, fitting_decimals([total_kw])):>5} ", style="default")
    return text


def _sun_bar(row: Stretch, most_kw: float, marks: Marks) -> Text:
    length = bar_length(row.sun_kw, most_kw, SUN_WIDTH)
    text = Text(marks.sun * length + " " * (SUN_WIDTH - length), style="yellow")
    figure = format_number(row.sun_kw, fitting_decimals([row.sun_kw])) if row.sun_kw > 0 else ""
    text.append(f"{figure:>5} ", style="default")
    return text
