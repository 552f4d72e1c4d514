"""One invented meter series written in the shapes that utilities send."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray


@dataclass(frozen=True)
class Meter:
    """Readings in kWh, labelled by their start."""

    times: pd.DatetimeIndex
    kwh: NDArray[np.float64]

    @property
    def minutes(self) -> int:
        return int((self.times[1] - self.times[0]).total_seconds() // 60)

    @property
    def zone(self) -> str:
        return str(self.times.tz)


def meter(  # one series
    start: str = "2025-01-20", days: int = 14, zone: str = "America/Toronto", minutes: int = 60, seed: int = 1
) -> Meter:
    end = pd.Timestamp(start) + pd.Timedelta(days=days)
    times = pd.date_range(start, end, freq=f"{minutes}min", tz=zone, inclusive="left")
    # Wh, so that every spelling of a number has a short exact text
    return Meter(times, np.random.default_rng(seed).integers(50, 3000, len(times)) / 1000)


def number(value: float, mark: str = ".") -> str:
    return repr(float(value)).replace(".", mark)


def table(
    series: Meter, header: str, row: Callable[[pd.Timestamp, pd.Timestamp, float], str], above: str = ""
) -> str:
    """Write a row per reading; `row` is given local start, local end (naive) and kWh."""
    step = pd.Timedelta(minutes=series.minutes)
    starts, ends = series.times.tz_localize(None), (series.times + step).tz_localize(None)
    rows = [row(*each) for each in zip(starts, ends, series.kwh.tolist(), strict=True)]
    return above + "\n".join([header, *rows]) + "\n"


def start_end(series: Meter) -> str:
    return table(
        series,
        "Start,End,Usage (kWh)",
        lambda a, b, v: f"{a:%Y-%m-%d %H:%M},{b:%Y-%m-%d %H:%M},{number(v)}",
    )


def start_only(series: Meter) -> str:
    return table(series, "Interval start,kWh", lambda a, _, v: f"{a:%Y-%m-%d %H:%M:%S},{number(v)}")


def end_only(series: Meter) -> str:
    return table(series, "Interval end,kWh", lambda _, b, v: f"{b:%Y-%m-%d %H:%M},{number(v)}")


def vague(series: Meter) -> str:
    return table(
        series, "Timestamp,Consumption (Wh)", lambda a, _, v: f"{a:%Y-%m-%d %H:%M},{round(v * 1000)}"
    )


def european(series: Meter) -> str:
    return table(
        series,
        "Datum;von;bis;Verbrauch kWh",
        lambda a, b, v: f"{a:%d.%m.%Y};{a:%H:%M};{b:%H:%M};{number(v, ',')}",
    )


def day_first(series: Meter) -> str:
    return table(series, "Date/Time,kWh used", lambda a, _, v: f"{a:%d/%m/%Y %H:%M},{number(v)}")


def month_first(series: Meter) -> str:
    return table(
        series,
        "Date,Start Time,End Time,Usage,Units,Cost,Notes",
        lambda a, b, v: f"{a.month}/{a.day}/{a.year},{a:%I:%M %p},{b:%I:%M %p},{number(v)},kWh,$0.12,",
        above='Name,A. Person\nAddress,"1 Elm Road, Nowhere"\nAccount Number,0123456789\n\n',
    )


def power(series: Meter) -> str:
    hours = series.minutes / 60
    return table(
        series, "start time,Mean power (W)", lambda a, _, v: f"{a:%d %b %Y %H:%M},{v / hours * 1000!r}"
    )


def newest_first(series: Meter) -> str:
    head, *rows = start_end(series).splitlines()
    return "\n".join([head, *rows[::-1]]) + "\n"


def with_offset(series: Meter) -> str:
    rows = [f"{t.isoformat()}\t{number(v)}" for t, v in zip(series.times, series.kwh.tolist(), strict=True)]
    return "\n".join(["time\timport_kwh", *rows]) + "\n"


def span(series: Meter) -> str:
    return table(
        series,
        "Period,Energy kWh",
        lambda a, b, v: f"{a:%Y-%m-%d %H:%M:%S} to {b:%Y-%m-%d %H:%M:%S},{number(v)}",
    )


def total_below(series: Meter) -> str:
    return start_end(series) + f"Total,,{series.kwh.sum():.3f}\n"


def wide(series: Meter) -> str:
    """A day per row. Days of a changing clock are not drawn in this shape: see the tests of it."""
    count = 1440 // series.minutes
    labels = [f"{at * series.minutes // 60:02d}:{at * series.minutes % 60:02d}" for at in range(count)]
    days = series.times.tz_localize(None)[::count]
    rows = [
        f"{day:%Y-%m-%d}," + ",".join(map(number, series.kwh[at * count : (at + 1) * count].tolist()))
        for at, day in enumerate(days)
    ]
    return "\n".join(["Consumption in kWh", ",".join(["Date", *labels]), *rows]) + "\n"


SHAPES = {
    shape.__name__: shape
    for shape in (
        *(start_end, start_only, end_only, vague, european, day_first, month_first, power, newest_first),
        *(with_offset, span, total_below),
    )
}


def espi(  # noqa: PLR0917 - parts of one invented feed
    series: Meter,
    prefix: str = "espi:",
    multiplier: int = 0,
    raw: list[int] | None = None,
    kinds: str = "",
    clock: bool = True,
    flow: int = 1,
    behaviour: int = 4,
    quality: dict[int, int] | None = None,
    points: int = 1,
) -> str:
    """Write an ESPI feed with a block a day; values in Wh x 10^multiplier."""
    p, per_day = prefix, max(1440 // series.minutes, 1)
    values = raw if raw is not None else [round(v * 1000 / 10.0**multiplier) for v in series.kwh.tolist()]
    starts = series.times.as_unit("s").asi8.tolist()
    seconds = series.minutes * 60
    spaces = f'xmlns:{p[:-1]}="http://naesb.org/espi"' if p else ""
    own = "" if p else ' xmlns="http://naesb.org/espi"'
    out = [f'<?xml version="1.0" encoding="UTF-8"?>\n<feed xmlns="http://www.w3.org/2005/Atom" {spaces}>\n']

    def entry(link: str, up: str, content: str, related: str = "") -> None:
        rel = f'<link rel="related" href="{related}"/>' if related else ""
        out.append(
            f'<entry><link rel="self" href="{link}"/><link rel="up" href="{up}"/>{rel}<title>meter</title>'
            f"<content>{content}</content></entry>\n"
        )

    if clock:
        entry(
            "/R/LocalTimeParameters/1",
            "/R/LocalTimeParameters",
            f"<{p}LocalTimeParameters{own}><{p}dstEndRule>B40E2000</{p}dstEndRule><{p}dstOffset>3600</{p}dstOffset>"
            f"<{p}dstStartRule>360E2000</{p}dstStartRule><{p}tzOffset>-18000</{p}tzOffset></{p}LocalTimeParameters>",
        )
    for number_ in range(1, points + 1):
        point = f"/R/UsagePoint/{number_}"
        entry(
            point,
            "/R/UsagePoint",
            f"<{p}UsagePoint{own}><{p}ServiceCategory><{p}kind>0</{p}kind></{p}ServiceCategory></{p}UsagePoint>",
        )
        entry(
            f"{point}/MeterReading/1", f"{point}/MeterReading", f"<{p}MeterReading{own}/>", "/R/ReadingType/1"
        )
        for at in range(0, len(starts), per_day):
            readings = "".join(
                f"<{p}IntervalReading>"
                + (
                    f"<{p}ReadingQuality><{p}quality>{quality[place]}</{p}quality></{p}ReadingQuality>"
                    if quality and place in quality
                    else ""
                )
                + f"<{p}timePeriod><{p}duration>{seconds}</{p}duration><{p}start>{starts[place]}</{p}start>"
                f"</{p}timePeriod><{p}value>{values[place]}</{p}value></{p}IntervalReading>\n"
                for place in range(at, min(at + per_day, len(starts)))
            )
            entry(
                f"{point}/MeterReading/1/IntervalBlock/{at}",
                f"{point}/MeterReading/1/IntervalBlock",
                f"<{p}IntervalBlock{own}><{p}interval><{p}duration>{seconds * per_day}</{p}duration>"
                f"<{p}start>{starts[at]}</{p}start></{p}interval>{readings}</{p}IntervalBlock>",
            )
    entry(
        "/R/ReadingType/1",
        "/R/ReadingType",
        f"<{p}ReadingType{own}><{p}accumulationBehaviour>{behaviour}</{p}accumulationBehaviour><{p}commodity>1"
        f"</{p}commodity><{p}flowDirection>{flow}</{p}flowDirection><{p}intervalLength>{seconds}</{p}intervalLength>"
        f"<{p}powerOfTenMultiplier>{multiplier}</{p}powerOfTenMultiplier><{p}uom>72</{p}uom>{kinds}</{p}ReadingType>",
    )
    return "".join(out) + "</feed>\n"
