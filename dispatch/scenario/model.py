"""What a person says about one home: frozen, closed models of the scenario file.

Every quantity carries its unit in its name (``_w``, ``_kw``, ``_kwh``, ``_hours``, ``_fraction`` ...), and
a key that is not listed here is an error, so that a misspelt setting can never be ignored. The models hold
what was written; :mod:`dispatch.case.limits` turns it into the limits the program works with, and
:mod:`dispatch.case.series` into arrays.

Rules that concern a single section stand here. A rule that needs a path, a clock or two sections stands
with the code that resolves it.
"""

from __future__ import annotations

from itertools import pairwise
from typing import Annotated, ClassVar, Literal, Self

from pydantic import (
    Discriminator,
    Field,
    Strict,
    Tag,
    ValidationInfo,
    field_validator,
    model_validator,
)
from pydantic_core import PydanticCustomError

from dispatch.scenario.equipment import AcSolar, Care, Combination, DcInput, Life, Mains, Surroundings, Units
from dispatch.scenario.fields import (
    ClockTime,
    Count,
    DeviceSettings,
    Efficiency,
    Moment,
    NotNegative,
    Percent,
    Positive,
    Share,
    Switch,
    WithinAYear,
    refusal,
)
from dispatch.scenario.outages import Generator, Outages, RaisedReserve, one_measure
from dispatch.scenario.sizing import Sizing
from dispatch.scenario.solar import Solar  # noqa: TC001 - pydantic reads the annotations when it runs
from tariffs.reading.clock import FIRST_YEAR, LAST_YEAR, moment_of, unknown_zone
from tariffs.reading.models import Frozen, Text
from tariffs.reading.refusals import unknown_currency


class Site(Frozen):
    """Where the home is: its clock and its money."""

    time_zone: Text = Field(description="IANA name of the clock on the wall, such as America/Halifax")
    currency: Text = Field(description="ISO 4217 code of the money in the tariff, such as CAD")
    latitude_degrees: Annotated[float, Strict(), Field(ge=-90, le=90)] | None = Field(
        None, description="north of the equator, south below zero; needed for sun from weather"
    )
    longitude_degrees: Annotated[float, Strict(), Field(ge=-180, le=180)] | None = Field(
        None, description="east of Greenwich, west below zero"
    )
    altitude_m: Annotated[float, Strict(), Field(ge=-450, le=9000)] = Field(
        0.0, description="height above the sea, in m"
    )

    @field_validator("time_zone", "currency")
    @classmethod
    def _known(cls, value: str, info: ValidationInfo) -> str:
        found = (unknown_zone if info.field_name == "time_zone" else unknown_currency)(value)
        if found:
            raise PydanticCustomError("setting", "{text}", {"text": found})
        return value


class Period(Frozen):
    """The span to compute, on the site's clock."""

    start: Moment = Field(description="first instant: a local date, or an ISO 8601 date and time")
    end: Moment = Field(description="end of the span, itself not included")
    step_minutes: Annotated[int, Strict(), Field(ge=1, le=1440)] | None = Field(
        None, description="length of a step; default: the step of the CSV series, or 60 without one"
    )

    @field_validator("start", "end")
    @classmethod
    def _is_moment(cls, value: str) -> str:
        try:
            year = moment_of(value).year
        except ValueError:
            hint = "write a date such as '2025-01-01' or a date and time such as '2025-01-01T06:00'"
            raise PydanticCustomError("setting", "not a date; {hint}", {"hint": hint}) from None
        if not FIRST_YEAR <= year <= LAST_YEAR:
            hint = f"write a year from {FIRST_YEAR} to {LAST_YEAR}"
            raise PydanticCustomError("setting", "the year looks wrong; {hint}", {"hint": hint})
        return value


class Appliance(Frozen):
    """One kind of appliance and how long it runs each day."""

    name: Text = Field(description="what it is called")
    watts: Positive = Field(description="power of one while it runs, in W")
    starting_w: Positive | None = Field(None, description="what one draws for a moment as it starts, in W")
    count: Count = Field(1, description="how many of them")
    hours_per_day: Annotated[float, Strict(), Field(gt=0, le=24)] = Field(
        description="hours it runs a day; without starts_at spread evenly over the day; 24 = always"
    )
    starts_at: ClockTime | None = Field(
        None, description="local clock time HH:MM at which it starts each day; may run past midnight"
    )


class CriticalAppliance(Appliance):
    """One kind of appliance that is to run in an outage."""

    priority: Count | None = Field(
        None, description="in an outage 1 is kept longest, higher numbers go first"
    )
    shed_below_percent: Percent | None = Field(
        None, description="in an outage it is switched off while the battery is below this percent of nominal"
    )


class Load(Frozen):
    """Consumption, from a CSV column, as constant watts, or as a list of appliances."""

    csv: Text | None = Field(None, description="CSV file, relative to the scenario file")
    column: Text | None = Field(None, description="its column; the name ends in _w, _kw, _wh or _kwh")
    watts: NotNegative | None = Field(None, description="constant power, in W")
    appliances: Annotated[tuple[Appliance, ...], Field(min_length=1)] | None = Field(
        None, description="appliances, one table each"
    )

    @model_validator(mode="after")
    def _one_source(self) -> Self:
        given = [name for name in ("csv", "watts", "appliances") if getattr(self, name) is not None]
        if len(given) != 1:
            have = " and ".join(given) if given else "none of them"
            text = f"give exactly one of csv (with column), watts, or appliances; found {have}"
            raise refusal("", text)
        if self.csv is not None and self.column is None:
            raise refusal("column", "name the column of the CSV file to read, such as 'load_kw'")
        if self.csv is None and self.column is not None:
            raise refusal("column", f"a column ('{self.column}') needs csv, the file it stands in")
        return self


class CriticalLoad(Load):
    """What is to run in an outage; the sources of a load."""

    appliances: Annotated[tuple[CriticalAppliance, ...], Field(min_length=1)] | None = Field(
        None, description="appliances, one table each"
    )


class Sun(Frozen):
    """What the panels can deliver on the DC side, from a CSV column or from weather and [solar]."""

    csv: Text | None = Field(None, description="CSV file, relative to the scenario file")
    column: Text | None = Field(None, description="its column; the name ends in _w, _kw, _wh or _kwh")
    weather: Text | None = Field(
        None,
        description="instead: weather file (TMY3, EPW or CSV), or 'clear-sky'; needs [solar] with strings",
    )

    @model_validator(mode="after")
    def _one_source(self) -> Self:
        if (self.csv is None) == (self.weather is None):
            raise refusal("", "give exactly one of csv (with column) and weather")
        if (self.csv is None) != (self.column is None):
            missing = "column" if self.column is None else "csv"
            raise refusal(missing, "csv and column belong together; add it")
        return self


class Level(Frozen):
    """A level of the battery, as percent of nominal capacity or as kWh."""

    examples: ClassVar[tuple[str, ...]] = ("{ percent = 60 }", "{ kwh = 5.0 }")

    percent: Percent | None = Field(None, description="percent of nominal capacity")
    kwh: NotNegative | None = Field(None, description="energy in the cells, in kWh")

    @model_validator(mode="after")
    def _one_unit(self) -> Self:
        if (self.percent is None) == (self.kwh is None):
            raise refusal("", "give exactly one of percent and kwh, such as { percent = 60 }")
        return self


class Battery(Frozen):
    """The battery packs and what they lose."""

    pack_kwh: Positive = Field(description="nominal energy of one pack, in kWh")
    pack_count: Count = Field(1, description="number of packs")
    depth_of_discharge_fraction: Efficiency = Field(
        description="usable share of the nominal energy; the rest is never drawn"
    )
    charger_efficiency_fraction: Efficiency = Field(description="from the AC plug into the cells")
    solar_charge_efficiency_fraction: Efficiency = Field(description="from the sun's DC into the cells")
    discharge_efficiency_fraction: Efficiency = Field(description="from the cells to the DC terminals")
    self_discharge_per_hour_fraction: Annotated[float, Strict(), Field(ge=0, lt=1)] = Field(
        0.0, description="share of the stored energy lost in an hour"
    )
    start: Level | None = Field(
        None,
        description="level before the first step; default: halfway from empty to the ceiling, or the reserve if higher",
    )
    closing: Level | None = Field(None, description="level wanted after the last step; default: start")
    ceiling: Level | None = Field(None, description="highest level allowed; default: full")
    taper_hours: NotNegative = Field(
        0.0,
        description="time constant with which charging slows down near full: a step of dt hours takes at most "
        "(full - level) * (1 - exp(-dt / taper_hours)); 0 = it does not",
    )
    wear_per_kwh: NotNegative | None = Field(
        None,
        description="money counted per kWh that leaves the cells; default: from [life] where it has a price, else 0",
    )


class Inverter(Frozen):
    """The inverter, its transfer switch and its own draw."""

    continuous_w: Positive = Field(description="AC output it can hold, in W")
    efficiency_fraction: Efficiency = Field(description="from DC to AC")
    idle_on_w: NotNegative = Field(description="the system's own draw with outputs on, in W")
    idle_off_w: NotNegative = Field(0.0, description="the system's own draw with outputs off, in W")
    bypass_w: Positive | None = Field(None, description="grid power it passes through; none = no limit")
    transfer_ms: NotNegative | None = Field(None, description="time to take over in an outage, in ms")
    switches_whole_load: Switch = Field(
        default=False, description="true where grid and inverter cannot feed the load together"
    )
    surge_w: Positive | None = Field(None, description="AC output for a moment, in W")


def _list_or_number(value: object) -> str:
    return "list" if isinstance(value, list | tuple) else "number"


CombinedWatts = Annotated[
    Annotated[Positive, Tag("number")] | Annotated[tuple[Positive, ...], Field(min_length=1), Tag("list")],
    Discriminator(_list_or_number),
]


class Charging(Frozen):
    """How fast the battery may be charged, at the inputs as ratings state it."""

    grid_w: NotNegative = Field(description="limit of the grid charger at its input, in W")
    ac_input_w: Positive | None = Field(None, description="cord or breaker feeding load and charger, in W")
    solar_w: Positive | None = Field(
        None,
        description="limit of the solar input, in W; needed with [sun]; default: the inputs of [solar] together",
    )
    combined_w: CombinedWatts | None = Field(
        None,
        description="limit of grid and sun charging together, in W: a number, or a list by pack count "
        "(1 pack, 2 packs, ...); default: grid_w + solar_w",
    )
    dc_inputs: tuple[DcInput, ...] = Field((), description="DC inputs beside the solar ones, a table each")
    input_limits_w: Annotated[tuple[Positive, ...], Field(min_length=1)] | None = Field(
        None, description="the input limits that can be set on the device, in W; for the generator"
    )
    mains: Mains | None = Field(None, description="voltage and frequency the AC input accepts")

    @model_validator(mode="after")
    def _more_packs_charge_no_slower(self) -> Self:
        table = self.combined_w
        if isinstance(table, tuple) and any(b < a for a, b in pairwise(table)):
            count = next(n for n, (a, b) in enumerate(pairwise(table), 2) if b < a)
            text = f"falls from {count - 1} to {count} packs; a list by pack count must not fall"
            raise refusal("combined_w", text)
        return self


class Grid(Frozen):
    """What the connection allows."""

    import_limit_kw: Positive | None = Field(None, description="largest import; none = no limit")
    feed_in: Literal["none", "house", "grid"] = Field(
        "none", description="whether the inverter may feed the rest of the house, or the grid too"
    )
    export_limit_kw: NotNegative | None = Field(None, description="largest export; with feed_in = 'grid'")
    battery_feed_in: Switch = Field(default=False, description="whether the battery too may feed in")

    @model_validator(mode="after")
    def _switches_agree(self) -> Self:
        if self.export_limit_kw is not None and self.feed_in != "grid":
            text = f"{self.export_limit_kw:g} has no effect with feed_in = '{self.feed_in}'; "
            raise refusal("export_limit_kw", text + "set feed_in = 'grid' or remove the limit")
        if self.battery_feed_in and self.feed_in == "none":
            text = "true contradicts feed_in = 'none'; set feed_in = 'house' or 'grid', or remove it"
            raise refusal("battery_feed_in", text)
        return self


class Reserve(Frozen):
    """Energy kept for an outage: percent of nominal, kWh, or hours of the critical load."""

    percent: Percent | None = Field(None, description="percent of nominal capacity")
    kwh: NotNegative | None = Field(None, description="energy in the cells, in kWh")
    hours: Positive | None = Field(None, description="hours of critical load above empty")
    sun_share_fraction: Share | None = Field(
        None, description="with hours: share of the expected sun that may be counted on; default 0"
    )

    raised: tuple[RaisedReserve, ...] = Field(
        (), description="times with a higher reserve, a table each; the highest that applies counts"
    )

    @model_validator(mode="after")
    def _one_measure(self) -> Self:
        given = one_measure(
            {"percent": self.percent, "kwh": self.kwh, "hours": self.hours}, needed=not self.raised
        )
        if self.sun_share_fraction is not None and self.hours is None:
            text = f"counting sun works with hours only, not with {given}; remove it or use hours"
            raise refusal("sun_share_fraction", text)
        return self


class Backup(Frozen):
    """The hours of backup the household wants, and how they are judged."""

    target_hours: NotNegative | None = Field(None, description="never less than this; none = no target")
    share_of_instants_fraction: Efficiency = Field(
        1.0, description="share of all instants at which the target must hold"
    )
    horizon_hours: WithinAYear = Field(168.0, description="backup hours are counted up to this many")

    @model_validator(mode="after")
    def _target_can_be_seen(self) -> Self:
        if self.target_hours is not None and self.target_hours > self.horizon_hours:
            text = f"{self.target_hours:g} lies beyond horizon_hours = {self.horizon_hours:g}, the most "
            raise refusal("target_hours", text + "that is counted; raise horizon_hours or lower the target")
        return self


class Strategies(Frozen):
    """Choices that belong to a strategy rather than to the hardware."""

    cheapest_hours_per_day: Annotated[float, Strict(), Field(gt=0, le=24)] | None = Field(
        None, description="with hourly prices: how many hours of each day count as cheap"
    )


class Scenario(Frozen):
    """One home: the whole scenario file.

    Sections that are left out take the defaults of their models; ``critical_load`` left out means the
    served load, ``other_load`` and ``sun`` left out mean none, ``reserve`` left out means the floor is
    the level below which the battery is never drawn.
    """

    name: Text = Field(description="what the report calls this home")
    tariff: Text = Field(description="tariff file, relative to the scenario file")
    site: Site
    period: Period | None = None
    repeats: bool = Field(
        default=True,
        description="whether the period stands for many like it: it then ends at the level it began with, and "
        "battery.start and battery.closing are not used",
    )
    load: Load
    other_load: Load | None = None
    registers: dict[Text, Load] = Field(
        default_factory=dict,
        description="what each of the tariff's registers beside the main meter counts, by its name there",
    )
    critical_load: CriticalLoad | None = None
    battery: Battery
    inverter: Inverter
    charging: Charging
    sun: Sun | None = None
    grid: Grid = Grid()
    reserve: Reserve | None = None
    backup: Backup = Backup()
    generator: Generator | None = None
    outages: Outages | None = None
    strategies: Strategies = Strategies()
    settings: DeviceSettings = DeviceSettings()
    units: Units = Units()
    solar: Solar | None = None
    surroundings: Surroundings | None = None
    life: Life | None = None
    care: Care = Care()
    ac_solar: AcSolar | None = None
    sizing: Sizing = Sizing()
    combinations: tuple[Combination, ...] = ()

    def __hash__(self) -> int:
        """Hash what tells homes apart: registers are a mapping, which has no hash of its own."""
        return hash((self.name, self.tariff, self.load, self.battery, self.inverter, *self.registers))
