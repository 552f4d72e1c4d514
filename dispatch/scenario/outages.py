"""What a person says about outages: when the reserve is raised, the generator, how often the grid fails.

All of it is optional. The sections are part of the scenario file and of :class:`dispatch.scenario.Scenario`.
"""

from __future__ import annotations

from itertools import pairwise
from typing import Annotated, Literal, Self

from pydantic import Field, Strict, model_validator

from dispatch.scenario.fields import (
    ClockEnd,
    ClockTime,
    DayOfYear,
    LocalDate,
    Moment,
    NotNegative,
    Percent,
    Positive,
    Share,
    Switch,
    refusal,
)
from tariffs.reading.clock import minutes_of
from tariffs.reading.models import Frozen

SUSTAINED_MINUTES = 5.0
"""An interruption is sustained, and counts in SAIFI and CAIDI, if it is longer than this."""

MONTHS, HOURS = 12, 24


def one_measure(measures: dict[str, float | None], *, needed: bool = True) -> str | None:
    """Name the one measure a reserve is given in; refuse none or several."""
    given = [name for name, value in measures.items() if value is not None]
    if len(given) > 1 or (needed and not given):
        have = " and ".join(given) if given else "none of them"
        raise refusal("", f"give exactly one of percent, kwh or hours; found {have}")
    return given[0] if given else None


class RaisedReserve(Frozen):
    """A higher reserve at certain times: part of the year, part of the day, named dates, or all three at once.

    Whatever is left out means always. The level holds from the first to the last instant, both included. Where
    several apply, and the reserve itself, the highest counts: nothing here can lower a reserve.
    """

    dates: tuple[LocalDate, ...] | None = Field(None, description="local dates, such as ['2025-01-15']")
    season_from: DayOfYear | None = Field(None, description="first day of part of the year, 'MM-DD'")
    season_to: DayOfYear | None = Field(None, description="its last day, included; may lie in the next year")
    clock_from: ClockTime | None = Field(None, description="clock time from which it holds; default '00:00'")
    clock_to: ClockEnd | None = Field(
        None, description="clock time up to which it holds; default '24:00'; may lie on the next day"
    )
    percent: Percent | None = Field(None, description="at least this percent of nominal capacity")
    kwh: NotNegative | None = Field(None, description="at least this energy in the cells, in kWh")
    hours: Positive | None = Field(None, description="at least these hours of critical load above empty")
    sun_share_fraction: Share | None = Field(
        None, description="with hours: share of the expected sun that may be counted on; default 0"
    )

    @model_validator(mode="after")
    def _makes_sense(self) -> Self:
        one_measure({"percent": self.percent, "kwh": self.kwh, "hours": self.hours})
        if self.sun_share_fraction is not None and self.hours is None:
            raise refusal("sun_share_fraction", "counting sun works with hours only; remove it or use hours")
        if (self.season_from is None) != (self.season_to is None):
            missing = "season_to" if self.season_to is None else "season_from"
            raise refusal(missing, "part of the year needs both its first and its last day; add it")
        if self.dates is not None and not self.dates:
            raise refusal("dates", "the list is empty; name at least one date or remove it")
        return self

    @property
    def minutes(self) -> tuple[int, int]:
        """First and last minute after midnight; a last one above 1440 lies on the next day."""
        first, last = minutes_of(self.clock_from or "00:00"), minutes_of(self.clock_to or "24:00")
        return first, last if last > first else last + 24 * 60


class FuelPoint(Frozen):
    """What a generator burns at one load."""

    load_w: NotNegative = Field(description="AC load, in W")
    litres_per_hour: NotNegative = Field(description="fuel burnt in an hour at that load, in litres")


class Generator(Frozen):
    """A fuel generator that feeds the system's AC input in an outage."""

    continuous_w: Positive = Field(description="AC power it can hold, in W")
    sine_wave: Switch = Field(
        description="true if its maker states a sine wave; without one the charger must not be fed from it"
    )
    output_v: Positive | None = Field(None, description="its voltage, in V")
    output_hz: Positive | None = Field(None, description="its frequency, in Hz")
    running_fraction: Annotated[float, Strict(), Field(gt=0, le=1)] = Field(
        1.0, description="share of continuous_w it is to run at for hours; sets the input limit"
    )
    litres_per_kwh: Positive | None = Field(None, description="fuel burnt per kWh of AC energy, in litres")
    litres_per_hour: tuple[FuelPoint, ...] | None = Field(
        None, description="fuel curve, a table each: load_w and litres_per_hour, lowest load first"
    )
    price_per_litre: NotNegative = Field(0.0, description="price of a litre of fuel (3.785 to the US gallon)")
    tank_litres: Positive | None = Field(
        None, description="fuel at hand for one outage; none = it never runs out"
    )
    starts_below_percent: Percent | None = Field(
        None,
        description="in an outage it is started when the battery falls to this percent of nominal; "
        "default: when something would be dark without it",
    )
    stops_at_percent: Percent | None = Field(
        None,
        description="and stopped when it has reached this one; default: the ceiling (99 % of it with a taper)",
    )

    @model_validator(mode="after")
    def _fuel_is_known(self) -> Self:
        if (self.litres_per_kwh is None) == (self.litres_per_hour is None):
            have = "both" if self.litres_per_kwh is not None else "neither"
            raise refusal("", f"give exactly one of litres_per_kwh and litres_per_hour; found {have}")
        curve = self.litres_per_hour
        if curve is not None:
            if len(curve) < 2 or any(b.load_w <= a.load_w for a, b in pairwise(curve)):
                raise refusal("litres_per_hour", "needs two or more points, each with a higher load_w")
            if curve[-1].load_w < self.continuous_w:
                text = (
                    f"ends at {curve[-1].load_w:g} W; add the fuel at continuous_w = {self.continuous_w:g} W"
                )
                raise refusal("litres_per_hour", text)
        start, stop = self.starts_below_percent, self.stops_at_percent
        if start is not None and stop is not None and stop <= start:
            raise refusal(
                "stops_at_percent", f"{stop:g} is not above starts_below_percent = {start:g}; raise it"
            )
        return self


class PastOutage(Frozen):
    """One outage that happened."""

    start: Moment | None = Field(
        None, description="when it began, on the site's clock; only told, never used"
    )
    minutes: Positive = Field(description="how long it lasted, in minutes")


class Outages(Frozen):
    """How often and for how long the grid fails, in the terms of IEEE 1366."""

    saifi_per_year: NotNegative | None = Field(
        None, description="sustained interruptions a customer has in a year (SAIFI)"
    )
    caidi_hours: Positive | None = Field(None, description="mean length of one of them, in hours (CAIDI)")
    past: tuple[PastOutage, ...] | None = Field(
        None, description="instead: past outages, a table each, in years_observed years"
    )
    years_observed: Positive | None = Field(None, description="years the list of past outages covers")
    durations: Literal["exponential", "fixed", "past"] | None = Field(
        None,
        description="lengths: spread exponentially around the mean, all the same, or those of the past list; "
        "default: past with a list, else exponential",
    )
    start_weights: tuple[tuple[NotNegative, ...], ...] | None = Field(
        None,
        description="12 lists (January first) of 24 weights (from 00:00): when outages begin; default: any time",
    )
    value_of_lost_load_per_kwh: NotNegative | None = Field(
        None, description="money a kWh of critical load not served is counted with"
    )
    horizon_hours: Annotated[float, Strict(), Field(gt=0, le=2000)] | None = Field(
        None, description="outages are followed step by step this far; default: 72 or 12 mean lengths"
    )

    @model_validator(mode="after")
    def _rate_and_length_are_known(self) -> Self:
        if self.past is not None:
            for name in ("saifi_per_year", "caidi_hours"):
                if getattr(self, name) is not None:
                    raise refusal(name, "the list of past outages says it already; remove one of the two")
            if self.years_observed is None:
                raise refusal("years_observed", "missing; say how many years the list of past outages covers")
            if not any(outage.minutes > SUSTAINED_MINUTES for outage in self.past):
                text = (
                    f"no outage longer than {SUSTAINED_MINUTES:g} minutes: nothing to count; remove [outages]"
                )
                raise refusal("past", text)
            return self
        if self.years_observed is not None:
            raise refusal(
                "years_observed", "belongs to a list of past outages; add [[outages.past]] or remove it"
            )
        if self.saifi_per_year is None:
            seen = (
                f"caidi_hours = {self.caidi_hours:g} says"
                if self.caidi_hours is not None
                else "without it nothing says"
            )
            raise refusal(
                "saifi_per_year", f"missing; {seen} how long, not how often: add the outages a year"
            )
        if self.caidi_hours is None:
            raise refusal(
                "caidi_hours", "missing; saifi_per_year says how often, not how long: add the mean hours"
            )
        if self.durations == "past":
            raise refusal("durations", "'past' needs a list [[outages.past]]; add it or choose 'exponential'")
        return self

    @model_validator(mode="after")
    def _weights_are_a_year(self) -> Self:
        weights = self.start_weights
        if weights is None:
            return self
        if len(weights) != MONTHS or any(len(row) != HOURS for row in weights):
            rows = sorted({len(row) for row in weights})
            text = f"needs {MONTHS} lists of {HOURS} numbers; found {len(weights)} of {rows}"
            raise refusal("start_weights", text)
        if not any(weight > 0 for row in weights for weight in row):
            raise refusal("start_weights", "every weight is 0; give at least one hour a weight above 0")
        return self
