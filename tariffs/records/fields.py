"""A record of the public-domain US utility rate database (JSON), checked field by field.

Both spellings are read: that of single records (``energyratestructure``) and that of the whole database's file
(``energyRateStrux``). # field names and their meaning from memory of the database's published description
"""

import datetime as dt
import json
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation
from pathlib import Path
from typing import Any

from tariffs.errors import TariffError
from tariffs.reading.opening import read_bytes
from tariffs.reading.refusals import show

LARGEST_BYTES = 100_000_000
HOURS, MONTHS = 24, 12

_RENAMED = {
    "energyratestrux": "energyratestructure",
    "demandratestrux": "demandratestructure",
    "flatdemandstrux": "flatdemandstructure",
    "energyweekdaysched": "energyweekdayschedule",
    "energyweekendsched": "energyweekendschedule",
    "demandweekdaysched": "demandweekdayschedule",
    "demandweekendsched": "demandweekendschedule",
    "ratename": "name",
    "utilityname": "utility",
    "effectivedate": "startdate",
    "sourcereference": "source",
    "_id": "label",
    "demandunits": "demandrateunit",
    "flatdemandunits": "flatdemandunit",
    "fixedmonthlycharge": "fixedchargefirstmeter",
    "minmonthlycharge": "mincharge",
}

_TIER_LISTS = ("energyratetiers", "demandratetiers", "flatdemandtiers")


@dataclass(frozen=True)
class Tier:
    """One tier of one period.

    Attributes
    ----------
    rate, adjustment : Decimal
        Price and what is added to it. [USD/kWh or USD/kW]
    sell : Decimal or None
        Paid for exported energy. [USD/kWh]
    limit : Decimal or None
        The amount up to which it holds; None above all.
    unit : str
        What the limit counts: ``kWh``, ``kWh daily``, ``kWh/kW``, ``kW``.
    """

    rate: Decimal
    adjustment: Decimal
    sell: Decimal | None
    limit: Decimal | None
    unit: str

    @property
    def price(self) -> Decimal:
        """Price and adjustment together."""
        return self.rate + self.adjustment


Tiers = tuple[Tier, ...]
Schedule = tuple[tuple[int, ...], ...]


@dataclass(frozen=True)
class Prices:
    """Periods of tiers and the hours in which each holds.

    Attributes
    ----------
    periods : tuple of Tiers
    weekday, weekend : tuple of 12 tuples of 24 int
        Number of the period by month and hour.
    """

    periods: tuple[Tiers, ...]
    weekday: Schedule
    weekend: Schedule

    def at(self, month: int, *, weekend: bool) -> tuple[Tiers, ...]:
        """Return the tiers of each hour of a kind of day in a month, 0 to 11."""
        return tuple(self.periods[number] for number in (self.weekend if weekend else self.weekday)[month])


@dataclass(frozen=True)
class Record:
    """One rate, as the record states it.

    Attributes
    ----------
    path : Path
    label, name, utility, source : str
    start, end : date or None
        Days on which it is in force.
    energy : Prices
    demand : Prices or None
    flat_demand : tuple of Tiers
        By period; empty without a flat demand charge.
    flat_months : tuple of int
        The period of each month.
    fuel : tuple of Decimal
        An adjustment for each month, or none. [USD/kWh]
    plain : dict of str to object
        Every other field by its name in lower case.
    """

    path: Path
    label: str
    name: str
    utility: str
    source: str
    start: dt.date | None
    end: dt.date | None
    energy: Prices
    demand: Prices | None
    flat_demand: tuple[Tiers, ...]
    flat_months: tuple[int, ...]
    fuel: tuple[Decimal, ...]
    plain: dict[str, object]

    def text(self, key: str) -> str:
        """Return a field as one plain line of text; empty where there is none."""
        return one_line(self.plain.get(key))

    def number(self, key: str) -> Decimal | None:
        """Return a field as an exact number, None where there is none."""
        value = self.plain.get(key)
        return None if value is None or value == "" else _number(value, f"{self.path}: {key}")


def one_line(value: object) -> str:
    """Return any value as one line of printable text."""
    text = "" if value is None else str(value)
    return " ".join("".join(mark if mark.isprintable() else " " for mark in text).split())


def read_record(path: Path, chosen: str | None = None) -> Record:
    """Read one record of a file.

    Parameters
    ----------
    path : Path
        JSON: one record, a list, or an object with ``items``.
    chosen : str, optional
        Its label, or its number in the file from 1.

    Raises
    ------
    TariffError
        If the file is no such record, or holds several and none is chosen; the message names the field.
    """
    found = [_renamed(each) for each in _listed(path)]
    if len(found) > 1 or chosen is not None:
        return _checked(path, _chosen(path, found, chosen))
    return _checked(path, found[0])


def _listed(path: Path) -> list[Mapping[str, Any]]:
    raw = read_bytes(path, TariffError, LARGEST_BYTES, path.suffix)
    try:
        document = json.loads(raw, parse_float=Decimal, parse_constant=_refuse_constant)
    except UnicodeDecodeError:
        raise TariffError(f"{path}: is not text in UTF-8; download the record again") from None
    except RecursionError:
        raise TariffError(f"{path}: is nested too deeply for a rate record; download it again") from None
    except ValueError as error:
        raise TariffError(
            f"{path}: is not whole, readable JSON ({error}); download the record again"
        ) from None
    items = document.get("items", document) if isinstance(document, dict) else document
    listed = items if isinstance(items, list) else [items]
    if not listed or not all(isinstance(each, dict) for each in listed):
        raise TariffError(f"{path}: holds no rate record; a record is a JSON object with energyratestructure")
    return listed


def _refuse_constant(text: str) -> float:
    raise ValueError(f"{text} is no number of JSON")


def _renamed(record: Mapping[str, Any]) -> dict[str, Any]:
    lower = {str(key).lower(): value for key, value in record.items()}
    return {_RENAMED.get(key, key): value for key, value in lower.items()}


def _chosen(path: Path, found: Sequence[dict[str, Any]], chosen: str | None) -> dict[str, Any]:
    for number, record in enumerate(found, start=1):
        if chosen is not None and chosen in {str(number), one_line(record.get("label"))}:
            return record
    lines = [
        f"  {number}: {one_line(record.get('name'))[:60]} ({one_line(record.get('utility'))[:40]}, label "
        f"{one_line(record.get('label'))[:30]})"
        for number, record in enumerate(found[:20], start=1)
    ]
    seen = "" if chosen is None else f" and none is {chosen!r}"
    more = [f"  and {len(found) - 20:,} more"] if len(found) > 20 else []
    head = f"{path}: holds {len(found):,} records{seen}; add --record NUMBER or --record LABEL:"
    raise TariffError("\n".join([head, *lines, *more]))


def _checked(path: Path, raw: dict[str, Any]) -> Record:
    energy = _prices(path, raw, "energy")
    if energy is None:
        raise TariffError(
            f"{path}: energyratestructure: the record has no price of energy; choose another record"
        )
    flat = _structure(path, raw, "flatdemandstructure")
    fuel = raw.get("fueladjustmentsmonthly") or ()
    amounts = tuple(_number(each, f"{path}: fueladjustmentsmonthly") for each in fuel)
    if amounts and len(amounts) != MONTHS:
        raise TariffError(
            f"{path}: fueladjustmentsmonthly: should be 12 numbers (got {len(amounts)}); correct it"
        )
    months = tuple(raw.get("flatdemandmonths") or ([0] * MONTHS if flat else ()))
    _check_row(path, "flatdemandmonths", months, MONTHS if flat else len(months), len(flat) or 1)
    return Record(
        path=path,
        label=one_line(raw.get("label")),
        name=one_line(raw.get("name")) or "imported tariff",
        utility=one_line(raw.get("utility")),
        source=one_line(raw.get("source")),
        start=_date(path, raw, "startdate"),
        end=_date(path, raw, "enddate"),
        energy=energy,
        demand=_prices(path, raw, "demand"),
        flat_demand=flat,
        flat_months=months if flat else (),
        fuel=amounts,
        plain=raw,
    )


def _prices(path: Path, raw: Mapping[str, Any], kind: str) -> Prices | None:
    periods = _structure(path, raw, f"{kind}ratestructure")
    if not periods:
        return None
    schedules = []
    for day in ("weekday", "weekend"):
        name = f"{kind}{day}schedule"
        rows = raw.get(name)
        if rows is None and len(periods) == 1:
            rows = [[0] * HOURS] * MONTHS
        if not isinstance(rows, list) or len(rows) != MONTHS:
            got = "none" if rows is None else f"{len(rows) if isinstance(rows, list) else rows!r:.40}"
            raise TariffError(
                f"{path}: {name}: should be 12 rows, one for each month (got {got}); correct the record"
            )
        for month, row in enumerate(rows, start=1):
            _check_row(path, f"{name}[{month}]", row, HOURS, len(periods))
        schedules.append(tuple(tuple(row) for row in rows))
    return Prices(periods, schedules[0], schedules[1])


def _check_row(path: Path, field: str, row: object, size: int, periods: int) -> None:
    if not isinstance(row, list | tuple) or len(row) != size:
        got = len(row) if isinstance(row, list | tuple) else row
        raise TariffError(
            f"{path}: {field}: should be {size} numbers of periods (got {show(got)}); correct the record"
        )
    for number in row:
        if isinstance(number, bool) or not isinstance(number, int) or not 0 <= number < periods:
            text = f"names a period that the record does not have (got {show(number)}, there are {periods}, from 0)"
            raise TariffError(f"{path}: {field}: {text}; correct the record")


def _structure(path: Path, raw: Mapping[str, Any], name: str) -> tuple[Tiers, ...]:
    periods = raw.get(name) or []
    if not isinstance(periods, list):
        raise TariffError(f"{path}: {name}: should be a list of periods; correct the record")
    return tuple(tuple(_tiers(path, f"{name}[{at}]", period)) for at, period in enumerate(periods, start=1))


def _tiers(path: Path, field: str, period: object) -> Iterator[Tier]:
    if isinstance(period, dict):
        lower = {str(key).lower(): value for key, value in period.items()}
        period = next((lower[key] for key in _TIER_LISTS if key in lower), None)
    if not isinstance(period, list) or not period or not all(isinstance(tier, dict) for tier in period):
        raise TariffError(f"{path}: {field}: should be a list of tiers; correct the record")
    for at, tier in enumerate(period, start=1):
        here = f"{path}: {field}[{at}]"
        if tier.get("rate") is None and tier.get("adj") is None:
            raise TariffError(f"{here}: the tier has no rate; correct the record, or choose another")
        numbers = {
            key: None if tier.get(key) is None else _number(tier[key], f"{here}.{key}")
            for key in ("rate", "adj", "sell", "max")
        }
        zero = Decimal(0)
        yield Tier(
            numbers["rate"] or zero,
            numbers["adj"] or zero,
            numbers["sell"],
            numbers["max"],
            one_line(tier.get("unit")),
        )


def _number(value: object, where: str) -> Decimal:
    if isinstance(value, int | Decimal | str) and not isinstance(value, bool):
        try:
            number = Decimal(value)
        except InvalidOperation:
            number = Decimal("nan")
        if number.is_finite() and abs(number) < Decimal(10) ** 15:
            return number
    raise TariffError(f"{where}: should be a number (got {value!r:.40}); correct the record")


def _date(path: Path, raw: Mapping[str, Any], key: str) -> dt.date | None:
    """Read seconds since 1970, a date as text, or such a text under ``$date``."""
    value = raw.get(key)
    if isinstance(value, dict):
        value = value.get("$date")
    if value is None or value == "":
        return None
    if isinstance(value, str) and re.match(r"\d{4}-\d{2}-\d{2}", value):
        try:
            return dt.date.fromisoformat(value[:10])
        except ValueError:
            pass
    else:
        seconds = _number(value, f"{path}: {key}")
        seconds = seconds / 1000 if abs(seconds) > Decimal(10) ** 11 else seconds
        if 0 <= seconds < 4_102_444_800:
            return dt.datetime.fromtimestamp(int(seconds), dt.UTC).date()
    raise TariffError(
        f"{path}: {key}: should be a date, or seconds since 1970 (got {value!r:.40}); correct the record"
    )
