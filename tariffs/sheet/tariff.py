"""A tariff file as frozen, closed models: one table of the file is one class here.

Numbers are the decimals that were written, clock times are minutes after local midnight. What spans
several tables (names that must exist, windows that must cover the day) is checked in `tariffs.checks`.
"""

import datetime as dt
import re
from dataclasses import dataclass
from decimal import Decimal
from typing import Annotated, Any, Literal, Self

import numpy as np
from numpy.typing import NDArray
from pydantic import Field, PrivateAttr, WithJsonSchema, model_validator

from tariffs.reading.models import Frozen
from tariffs.sheet.demand import Demand
from tariffs.sheet.export_credit import ExportCredit
from tariffs.sheet.fields import (
    TABLES,
    BySeason,
    Currency,
    Exact,
    ExactPositive,
    Months,
    Name,
    Names,
    in_season,
)
from tariffs.sheet.percent import Adjustment
from tariffs.sheet.rebates import Rebate
from tariffs.sheet.rounding import Rounding
from tariffs.sheet.usage import Blocks, Minimum, Netting
from tariffs.sheet.when import Billing, Event, Holidays, Season, When, Window

WHOLE_YEAR = "all year"
HOURLY_BAND = "hourly"
HOURLY_LINE = "hourly prices"
HOURLY_EXPORT_LINE = "hourly prices, export"
NETTING_LINE = "net metering"
CATEGORIES = ("energy", "export", "riders", "demand", "charges", "credits", "minimum")
EVERYTHING = "everything"

_VERSION_SCHEMA = {
    "type": "object",
    "description": "Values that replace the earlier ones from a date on; keys as in the tariff itself.",
    "properties": {"valid_from": {"type": "string", "format": "date"}},
    "required": ["valid_from"],
}


def export_line(band: str) -> str:
    """Return the name of the line of energy exported in a band."""
    return f"{band} export"


class Band(Frozen):
    """A named price of energy."""

    import_price_per_kwh: BySeason | None = Field(
        None,
        description="price of a kWh bought: one number, or one per season; none = blocks or hourly prices alone",
    )
    export_price_per_kwh: BySeason = Field(
        Decimal(0), description="price paid for a kWh fed in, likewise; negative: a charge"
    )

    def import_price(self, season: str) -> Decimal:
        """Return the price of imported energy in a season, exactly as written."""
        return in_season(self.import_price_per_kwh or Decimal(0), season)

    def export_price(self, season: str) -> Decimal:
        """Return the price paid for exported energy in a season, exactly as written."""
        return in_season(self.export_price_per_kwh, season)


class Charge(Frozen):
    """A fixed amount per day or per month, in all months or in some."""

    name: Name = Field("standing charge", description="name of its line on the bill")
    per_day: Exact | None = Field(None, description="amount for each day")
    per_month: Exact | None = Field(
        None, description="amount for each month; a yearly amount: divide it by 12"
    )
    months: Months = Field((), description="only in these months, 1 to 12; default: all")

    @model_validator(mode="after")
    def _has_amount(self) -> Self:
        if self.per_day is None and self.per_month is None:
            raise ValueError("needs per_day = ... or per_month = ...")
        return self


class Credit(Frozen):
    """A signed amount per month, in all months or in some; a negative one lowers the bill."""

    name: Name = Field(description="name of its line on the bill")
    per_month: Exact = Field(description="signed amount a month: negative lowers the bill")
    months: Months = Field((), description="only in these months, 1 to 12; default: all")


class Rider(Frozen):
    """A price on every kWh, beside the bands' own."""

    name: Name = Field(description="name of its line on the bill")
    price_per_kwh: BySeason = Field(
        description="price of a kWh, charged; negative: credited; one number, or one per season"
    )
    of: Literal["import", "export"] = Field(
        "import",
        description="of kWh bought or of kWh fed in; a positive price is charged, a negative one credited",
    )
    bands: Names = Field((), description="only kWh of these bands; default: all")
    netted: bool = Field(default=True, description="false: owed on all kWh bought, before netting")


class Register(When):
    """A meter register beside the main one, with hours and prices of its own.

    A controlled load, an export meter, or one appliance's own meter.
    """

    name: Name = Field(description="name of its lines on the bill, and of all of them together in applies_to")
    of: Literal["import", "export"] = Field("import", description="whether it counts kWh bought or fed in")
    column: Name | None = Field(
        None,
        description="its column of the meter file, ending in _kwh, _wh, _kw or _w; default: the name, then _kwh",
    )
    inside_main: bool = Field(
        default=False, description="its kWh run through the main meter, too, and are taken off there"
    )
    price_per_kwh: BySeason | None = Field(
        None, description="price of its kWh, or what is paid for them with of = 'export'"
    )
    bands: dict[Name, Band] = Field(
        default_factory=dict, description="in place of one price: bands of its own, by name"
    )
    windows: Annotated[tuple[Window, ...], TABLES] = Field((), description="when each of its bands holds")
    other_hours: Name | None = Field(None, description="its band of every hour that no window claims")
    blocks: Annotated[tuple[Blocks, ...], TABLES] = Field((), description="prices by the kWh it counts")
    riders: Annotated[tuple[Rider, ...], TABLES] = Field((), description="prices on every kWh it counts")
    shared_riders: Names = Field((), description="names of the file's own riders that its kWh pay as well")
    demand: Annotated[tuple[Demand, ...], TABLES] = Field((), description="charges on its peak power")
    charges: Annotated[tuple[Charge, ...], TABLES] = Field((), description="fixed amounts for it")

    @model_validator(mode="after")
    def _one_way(self) -> Self:
        own_hours = self.seasons or self.days or self.hours or self.start is not None
        if bool(self.bands) == (self.price_per_kwh is not None) and not (self.blocks and not self.bands):
            raise ValueError("needs price_per_kwh = ... or bands of its own (or blocks alone)")
        if self.bands and own_hours:
            raise ValueError("give a register with bands its hours in windows = [...], not here")
        if not self.bands and (self.windows or self.other_hours):
            raise ValueError("windows and other_hours belong to bands; add bands, or give hours = ...")
        return self

    @property
    def meter_column(self) -> str:
        """Its column of a meter file."""
        return self.column or re.sub(r"\W+", "_", self.name.casefold()).strip("_") + "_kwh"


class Losses(Frozen):
    """A factor on metered energy before it is priced."""

    loss_factor: ExactPositive = Field(description="metered kWh times this before they are priced")
    applies_to: Names = Field(
        ("energy", "riders"),
        description="groups or names of lines it applies to; limits of blocks stay metered kWh",
    )
    tiers: Literal["each", "last"] = Field(
        "each",
        description="in blocks: losses of each step at its own price, or all at the price of the last step reached",
    )


class HourlyPrices(Frozen):
    """Prices from a CSV, one row per interval; they add to the bands' own, if any."""

    csv: Name = Field(description="CSV file with a time column, beside the tariff file")
    import_column: Name | None = Field(
        None, description="column of prices of kWh bought; its name ends in _per_kwh or _per_mwh"
    )
    export_column: Name | None = Field(None, description="column of prices paid for kWh fed in, likewise")

    @model_validator(mode="after")
    def _has_column(self) -> Self:
        if self.import_column is None and self.export_column is None:
            raise ValueError('needs import_column = "..." or export_column = "..."')
        return self


class Sheet(Frozen):
    """Everything of a tariff that may change from one version to the next."""

    seasons: Annotated[tuple[Season, ...], TABLES] = Field(
        (), description="parts of the year, a table each; default: one season, all year"
    )
    holidays: Holidays | None = Field(None, description="which days are holidays; default: none")
    bands: dict[Name, Band] = Field(default_factory=dict, description="named prices, such as [bands.peak]")
    windows: Annotated[tuple[Window, ...], TABLES] = Field(
        (), description="when each band holds, a table each"
    )
    other_hours: Name | None = Field(None, description="band of every hour that no window claims")
    events: Annotated[tuple[Event, ...], TABLES] = Field(
        (), description="days on which other prices hold, a table each"
    )
    blocks: Annotated[tuple[Blocks, ...], TABLES] = Field(
        (), description="prices by the kWh of a period, a table each"
    )
    riders: Annotated[tuple[Rider, ...], TABLES] = Field((), description="prices on every kWh, a table each")
    losses: Losses | None = Field(None, description="a factor on metered energy")
    demand: Annotated[tuple[Demand, ...], TABLES] = Field(
        (), description="charges on peak power, a table each"
    )
    charges: Annotated[tuple[Charge, ...], TABLES] = Field((), description="fixed amounts, a table each")
    credits: Annotated[tuple[Credit, ...], TABLES] = Field(
        (), description="signed amounts a month, a table each"
    )
    rebates: Annotated[tuple[Rebate, ...], TABLES] = Field(
        (), description="what is paid for using less than a baseline on event days, a table each"
    )
    registers: Annotated[tuple[Register, ...], TABLES] = Field(
        (), description="meters beside the main one, a table each"
    )
    export_credit: ExportCredit | None = Field(
        None, description="what is fed in earns a credit in money that is set against charges"
    )
    minimum: Annotated[tuple[Minimum, ...], TABLES] = Field(
        (), description="the least a bill comes to, or the least kWh it is for; a table each"
    )
    adjustments: Annotated[tuple[Adjustment, ...], TABLES] = Field(
        (), description="percentages, a table each, in this order"
    )

    @property
    def season_names(self) -> tuple[str, ...]:
        """Seasons in the order they were first named."""
        return tuple(dict.fromkeys(season.name for season in self.seasons)) or (WHOLE_YEAR,)

    @property
    def band_names(self) -> tuple[str, ...]:
        """Bands in the order of the file."""
        return tuple(self.bands)

    @property
    def sequence(self) -> tuple[Adjustment | Minimum | ExportCredit, ...]:
        """The adjustments in their order, minimum bills and the export credit after the last item they name."""
        places = {found.name: at for at, found in enumerate(self.adjustments)}
        order: list[tuple[int, Adjustment | Minimum | ExportCredit]] = list(enumerate(self.adjustments))
        later: list[Minimum | ExportCredit] = [one for one in self.minimum if one.in_money]
        if (
            self.export_credit is not None
        ):  # minimum bills count what is used of it, unless it is set against them
            named = {"minimum", EVERYTHING, *(one.name for one in later)} & set(self.export_credit.applies_to)
            later.insert(len(later) if named else 0, self.export_credit)
        for item in later:
            behind = [places[name] for name in item.applies_to if name in places]
            if "minimum" in item.applies_to:
                behind += [places[one.name] for one in self.minimum if one.name in places]
            last = len(self.adjustments) if EVERYTHING in item.applies_to else max(behind, default=-1)
            places[item.name] = last
            order.append((last, item))
        return tuple(item for _, item in sorted(order, key=lambda found: found[0]))

    def losses_at_last(self, *tags: str) -> bool:
        """Tell whether the losses of a line of blocks are priced at the last step reached."""
        return self.losses is not None and self.losses.tiers == "last" and self.loss_factor(*tags) != 1

    def loss_factor(self, *tags: str) -> Decimal:
        """Return the factor on metered energy for a line of a given group and name."""
        if self.losses is None or not set(tags) & set(self.losses.applies_to):
            return Decimal(1)
        return self.losses.loss_factor


@dataclass(frozen=True, eq=False)
class PriceSeries:
    """Prices by interval, as read from a CSV.

    Attributes
    ----------
    path : str
        Where they come from, for messages.
    starts : array of int
        Starts of the intervals, seconds since 1970 in UTC, rising evenly.
    seconds : int
        Length of an interval. [s]
    import_price_per_kwh, export_price_per_kwh : array or None
        One price per interval. [currency/kWh]
    """

    path: str
    starts: NDArray[np.int64]
    seconds: int
    import_price_per_kwh: NDArray[np.float64] | None
    export_price_per_kwh: NDArray[np.float64] | None

    def __eq__(self, other: object) -> bool:
        """Compare by the prices, not by the file."""
        if not isinstance(other, PriceSeries):
            return NotImplemented
        mine = (self.starts, self.import_price_per_kwh, self.export_price_per_kwh)
        theirs = (other.starts, other.import_price_per_kwh, other.export_price_per_kwh)
        return all(
            np.array_equal(a, b) if a is not None and b is not None else a is b
            for a, b in zip(mine, theirs, strict=True)
        )

    __hash__ = None  # type: ignore[assignment]


@dataclass(frozen=True)
class DatedSheet:
    """A sheet and the first local date on which it is in force (None: from the beginning)."""

    start: dt.date | None
    sheet: Sheet


class Tariff(Sheet):
    """A whole tariff file; its own prices and charges, a ``Sheet``, hold until the first version's date.

    Attributes
    ----------
    name, currency, time_zone : str
        As in the file: the currency an ISO 4217 code, the clock an IANA zone or None.
    valid_from, valid_to : date or None
        First and last day the file speaks of.
    hourly_prices, netting, billing, rounding
        Tables that hold for all versions alike.
    versions : tuple of dict
        What changes later, as written; ``sheets`` holds them worked out.
    series : PriceSeries or None
        Prices read from a CSV.
    source : str
        The file it was read from, for messages.
    sheets : tuple of DatedSheet
        The prices in force, oldest first. The first holds from the beginning.
    """

    name: Name = Field(description="name of the plan, as reports show it")
    currency: Currency = Field(description="ISO 4217 code of the money, such as CAD")
    time_zone: str | None = Field(
        None,
        description="IANA name of the clock the windows are read on; default: the site's; needed to price a meter file",
    )
    valid_from: dt.date | None = Field(None, description="first day these prices hold; default: always")
    valid_to: dt.date | None = Field(None, description="last day these prices hold")
    hourly_prices: HourlyPrices | None = Field(None, description="prices from a CSV file")
    netting: Netting | None = Field(None, description="kWh fed in set off against kWh bought")
    billing: Billing = Field(Billing(), description="how the year is cut into bills")
    rounding: Rounding = Field(Rounding(), description="how amounts become money")
    versions: Annotated[tuple[Annotated[dict[str, Any], WithJsonSchema(_VERSION_SCHEMA)], ...], TABLES] = (
        Field((), description="later prices, a table each: valid_from and the keys that change")
    )

    _source: str = PrivateAttr("tariff")
    _later: tuple[DatedSheet, ...] = PrivateAttr(())

    _series: "PriceSeries | None" = PrivateAttr(None)
    _beside: tuple["tuple[Register, Tariff]", ...] = PrivateAttr(())

    @property
    def beside(self) -> "tuple[tuple[Register, Tariff], ...]":
        """Every register beside the main meter, with the tariff that its energy is priced by."""
        return self._beside

    @property
    def series(self) -> "PriceSeries | None":
        """Prices read from a CSV, where the file has any."""
        return self._series

    @property
    def source(self) -> str:
        """The file this tariff was read from."""
        return self._source

    @property
    def sheets(self) -> tuple[DatedSheet, ...]:
        """The price sheets in the order they come into force."""
        return (DatedSheet(None, self), *self._later)
