"""Registers beside the main meter: each has a small tariff of its own, on the same calendar and bills."""

from collections.abc import Iterable
from decimal import Decimal
from typing import Any, TypeVar

from pydantic import BaseModel

from tariffs.sheet.export_credit import ExportCredit
from tariffs.sheet.percent import Adjustment
from tariffs.sheet.tariff import (
    CATEGORIES,
    Band,
    DatedSheet,
    Register,
    Sheet,
    Tariff,
    export_line,
)
from tariffs.sheet.usage import BlockStep, Minimum
from tariffs.sheet.when import Window

Entry = TypeVar("Entry", bound=BaseModel)
Item = TypeVar("Item", Adjustment, Minimum, ExportCredit)
OUTSIDE = "outside its hours"
_EVERY_GROUP = tuple(name for name in CATEGORIES if name != "minimum")


def qualified(register: str, name: str) -> str:
    """Return what a line of a register is called on the bill."""
    return f"{register}: {name}"


def outside_band(register: str) -> str:
    """Return the band of the hours at which a register must not count: it has no price."""
    return qualified(register, OUTSIDE)


def register_lines(sheet: Sheet, register: Register) -> list[str]:
    """List the names of a register's lines, that applies_to may have."""
    own = sheet_of(sheet, register, register.name)
    names = [name for name in own.bands if name != outside_band(register.name)]
    names += [export_line(name) for name in names]
    for entries in (own.blocks, own.riders, own.demand, own.charges):
        names += [entry.name for entry in entries]
    return [name for name in names if name != register.name]


def register_tariffs(tariff: Tariff) -> tuple[tuple[Register, Tariff], ...]:
    """Return every register with the tariff that its energy is priced by, in the order of the file.

    Its adjustments and minimum are the file's own, said of its lines: they weigh its money, and add none.
    """
    latest: dict[str, Register] = {}
    for dated in tariff.sheets:
        latest |= {register.name: register for register in dated.sheet.registers}
    found = []
    for name, register in latest.items():
        sheets = [
            (dated.start, sheet_of(dated.sheet, _named(dated.sheet, name), name)) for dated in tariff.sheets
        ]
        first = sheets[0][1]
        if not isinstance(first, Tariff):
            continue
        first._later = tuple(DatedSheet(start, sheet) for start, sheet in sheets[1:])  # noqa: SLF001 - as load.py
        first._series, first._beside = None, ()  # noqa: SLF001
        found.append((register, first))
    return tuple(found)


def _named(sheet: Sheet, name: str) -> Register | None:
    return next((register for register in sheet.registers if register.name == name), None)


def sheet_of(sheet: Sheet, register: Register | None, name: str) -> Sheet:
    """Return the sheet a register is priced by while the file's ``sheet`` holds."""
    outside = {outside_band(name): Band(import_price_per_kwh=Decimal(0))}
    own: dict[str, Any] = {"bands": outside, "windows": (), "other_hours": outside_band(name)}
    if register is not None:
        own = {**_hours_of(register, outside), **_priced(sheet, register)}
    nothing: dict[str, Any] = dict.fromkeys(("events", "credits", "registers", "rebates"), ())
    nothing |= dict.fromkeys(("blocks", "riders", "demand", "charges"), ())
    update = nothing | own
    update["adjustments"] = tuple(_told_of(item, name) for item in sheet.adjustments)
    update["minimum"] = tuple(_told_of(item, name) for item in sheet.minimum if item.in_money)
    if sheet.export_credit is not None:
        update["export_credit"] = _told_of(sheet.export_credit, name)
    if isinstance(sheet, Tariff):
        update |= dict.fromkeys(("hourly_prices", "netting", "valid_from", "valid_to")) | {"versions": ()}
    return sheet.model_copy(update=update)


def _hours_of(register: Register, outside: dict[str, Band]) -> dict[str, Any]:
    """Return bands and windows: the register's own, or one price at its hours and none outside them."""
    name = register.name
    if register.bands:
        return {
            "bands": {
                qualified(name, band): _one_sided(register, own) for band, own in register.bands.items()
            },
            "windows": tuple(_renamed(window, "band", name) for window in register.windows),
            "other_hours": register.other_hours and qualified(name, register.other_hours),
        }
    price = register.price_per_kwh
    key = f"{register.of}_price_per_kwh"
    band = _one_sided(register, Band() if price is None else Band(**{key: price}))
    always = not (register.seasons or register.days or register.hours or register.start is not None)
    if always:
        return {"bands": {name: band}, "windows": (), "other_hours": None}
    window = Window.model_construct(
        band=name,
        start=None,
        end=None,
        seasons=register.seasons,
        days=register.days,
        hours=register.stretches,
    )
    return {"bands": {name: band, **outside}, "windows": (window,), "other_hours": outside_band(name)}


def _one_sided(register: Register, band: Band) -> Band:
    """Return a band of a register; one that counts exports buys nothing, and needs no price for it."""
    return band if register.of == "import" else band.model_copy(update={"import_price_per_kwh": Decimal(0)})


def _priced(sheet: Sheet, register: Register) -> dict[str, Any]:
    name = register.name
    shared = [rider for rider in sheet.riders if rider.name in register.shared_riders]
    of = {"of": register.of}
    return {
        "blocks": tuple(
            _renamed(blocks, "name", name).model_copy(
                update={
                    "bands": _all_qualified(name, blocks.bands),
                    "demand": blocks.demand and qualified(name, blocks.demand),
                    "shared": _all_qualified(name, blocks.shared)
                    if isinstance(blocks.shared, tuple)
                    else blocks.shared,
                    "steps": tuple(_own_bands(step, name) for step in blocks.steps),
                    **of,
                }
            )
            for blocks in register.blocks
        ),
        "riders": tuple(
            _renamed(rider, "name", name).model_copy(
                update={"bands": _all_qualified(name, rider.bands), **of}
            )
            for rider in (*register.riders, *shared)
        ),
        "demand": tuple(_renamed(demand, "name", name) for demand in register.demand),
        "charges": tuple(_renamed(charge, "name", name) for charge in register.charges),
    }


def _own_bands(step: BlockStep, register: str) -> BlockStep:
    prices = {qualified(register, band): price for band, price in step.price_by_band.items()}
    return step.model_copy(update={"price_by_band": prices})


def _all_qualified(register: str, names: Iterable[str]) -> tuple[str, ...]:
    return tuple(qualified(register, name) for name in names)


def _renamed(entry: Entry, key: str, register: str) -> Entry:
    return entry.model_copy(update={key: qualified(register, getattr(entry, key))})


def _told_of(item: Item, register: str) -> Item:
    """Say what an adjustment is of in a register's own words: the register's name means every line of it."""
    update = {}
    for key in ("applies_to", "not_to"):
        names: tuple[str, ...] = getattr(item, key, ())
        if register in names:
            update[key] = (*(name for name in names if name != register), *_EVERY_GROUP)
    return item.model_copy(update=update)
