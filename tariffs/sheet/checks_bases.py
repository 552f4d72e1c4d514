"""What percentages, minimum bills and losses are of: names of lines that a bill of this file can have."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tariffs.reading.refusals import Problem, suggestion
from tariffs.sheet.export_credit import ExportCredit
from tariffs.sheet.percent import Adjustment
from tariffs.sheet.registers import register_lines
from tariffs.sheet.tariff import (
    CATEGORIES,
    EVERYTHING,
    HOURLY_EXPORT_LINE,
    HOURLY_LINE,
    Sheet,
    Tariff,
    export_line,
)

if TYPE_CHECKING:
    from collections.abc import Iterable


def lines_of(sheet: Sheet) -> list[tuple[str, str]]:
    """List (table, name) of everything that can stand on a bill, adjustments apart."""
    names = [("bands", name) for name in sheet.bands]
    names += [
        ("blocks" if blocks.of == "import" else "export blocks", blocks.name) for blocks in sheet.blocks
    ]
    names += [("events", event.name) for event in sheet.events]
    names += [("riders", rider.name) for rider in sheet.riders]
    names += [("demand", demand.name) for demand in sheet.demand]
    names += [("charges", charge.name) for charge in sheet.charges]
    names += [("credits", credit.name) for credit in sheet.credits]
    names += [("rebates", rebate.name) for rebate in sheet.rebates]
    names += [("registers", register.name) for register in sheet.registers]
    return names


def check_bases(tariff: Tariff, sheet: Sheet) -> list[Problem]:
    """Check that everything that counts lines names groups, lines, or adjustments that come before it."""
    never, lines = _never(tariff, sheet), _nameable(sheet)
    problems = []
    if sheet.losses is not None:
        priced = ["energy", "riders", HOURLY_LINE]
        priced += [
            name for table, name in lines_of(sheet) if table in {"bands", "blocks", "events", "riders"}
        ]
        problems += _named("losses.applies_to", sheet.losses.applies_to, priced, [], never)
    known = [name for name in lines if name != "minimum"]
    for item in sheet.sequence:
        later = [after.name for after in sheet.sequence] + ["minimum"]
        if isinstance(item, ExportCredit):
            field = "export_credit.applies_to"
            problems += _named(field, item.applies_to, [*known, EVERYTHING], later, never)
            known.append(item.name)
            continue
        if not isinstance(item, Adjustment):
            field = "minimum.applies_to" if len(sheet.minimum) == 1 else f"minimum.{item.name}.applies_to"
            problems += _named(field, item.applies_to, [*known, EVERYTHING], later, never)
            known += ["minimum", item.name]
            continue
        for key in ("applies_to", "not_to"):
            field = f"adjustments.{item.name}.{key}"
            problems += _named(field, getattr(item, key, ()), known, later, never)
        problems += _of_nothing(tariff, sheet, item)
        known.append(item.name)
    return problems


def _nameable(sheet: Sheet) -> list[str]:
    """List groups and names of lines that can be written, what is taken of others apart."""
    lines = [*CATEGORIES, HOURLY_LINE, HOURLY_EXPORT_LINE, *(name for _, name in lines_of(sheet))]
    lines += [export_line(name) for name in sheet.bands]
    return lines + [name for register in sheet.registers for name in register_lines(sheet, register)]


def check_rounded_lines(tariff: Tariff, last: Sheet) -> list[Problem]:
    """Check that what rounds lines names some; of all versions the last has every name."""
    known = [*_nameable(last), *(item.name for item in last.sequence)]
    problems = []
    for number, own in enumerate(tariff.rounding.lines):
        field = f"rounding.lines[{number + 1}].applies_to"
        problems += _named(field, own.applies_to, known, [], _never(tariff, last))
    return problems


def _named(
    field: str,
    names: Iterable[str],
    known: list[str],
    later: list[str],
    never: dict[str, tuple[str, list[str]]],
) -> list[Problem]:
    problems = []
    for name in names:
        if name in never:
            why, instead = never[name]
            would = " or ".join(repr(one) for one in instead)
            remedy = f"name {would} instead" if instead else "leave it out"
            problems.append(
                Problem(
                    field, f"no bill of this file has a line of this name (got {name!r}): {why}; {remedy}"
                )
            )
        elif name not in known and name in later:
            text = f"can only name what stands before it (got {name!r}); reorder the adjustments"
            problems.append(Problem(field, text))
        elif name not in known:
            hint = suggestion(name, [one for one in known if one not in never])
            problems.append(
                Problem(field, f"no line or group of lines is called this (got {name!r}); {hint}")
            )
    return problems


def _never(tariff: Tariff, sheet: Sheet) -> dict[str, tuple[str, list[str]]]:
    """Return names of lines that can never stand on a bill: why, and which lines have that money."""
    hourly = tariff.hourly_prices
    by_hour = [HOURLY_LINE] if hourly is not None and hourly.import_column is not None else []
    sold_by_hour = [HOURLY_EXPORT_LINE] if hourly is not None and hourly.export_column is not None else []
    blocks_sold = [blocks.name for blocks in sheet.blocks if blocks.of == "export"]
    priced_sold = [
        export_line(name)
        for name, band in sheet.bands.items()
        if "export_price_per_kwh" in band.model_fields_set
    ]
    found: dict[str, tuple[str, list[str]]] = {}
    for name, band in sheet.bands.items():
        if band.import_price_per_kwh is None:
            counting = [
                blocks.name
                for blocks in sheet.blocks
                if blocks.of == "import" and (not blocks.bands or name in blocks.bands)
            ]
            found[name] = "the band has no price of its own", [*counting, *by_hour]
        if export_line(name) not in priced_sold:
            why = "the band has no export_price_per_kwh"
            found[export_line(name)] = why, [*priced_sold, *blocks_sold, *sold_by_hour]
    if not by_hour:
        why = "no hourly_prices.import_column prices what is bought"
        found[HOURLY_LINE] = why, sold_by_hour or ["energy"]
    if not sold_by_hour:
        why = "no hourly_prices.export_column prices what is fed in"
        found[HOURLY_EXPORT_LINE] = why, [*priced_sold, *blocks_sold]
    for event in sheet.events:
        if all(part.adder_per_kwh is None for part in event.priced):
            bands = [part.band for part in event.priced if part.band is not None]
            found[event.name] = "its hours are billed as a band's", list(dict.fromkeys(bands))
    names = {
        name
        for table, name in lines_of(sheet)
        if table != "events" and (table != "bands" or name not in found)
    }
    return {name: why for name, why in found.items() if name not in names}


def _of_nothing(tariff: Tariff, sheet: Sheet, item: Adjustment) -> list[Problem]:
    """Refuse a percentage of groups of lines that are all empty; a later version may fill one."""
    if tariff.versions or not item.applies_to:
        return []
    held = {
        "energy": True,
        "export": tariff.netting is not None
        or any("export_price_per_kwh" in band.model_fields_set for band in sheet.bands.values())
        or any(blocks.of == "export" for blocks in sheet.blocks)
        or (tariff.hourly_prices is not None and tariff.hourly_prices.export_column is not None)
        or any(register.of == "export" for register in sheet.registers),
        "riders": bool(sheet.riders) or any(register.riders for register in sheet.registers),
        "demand": bool(sheet.demand) or any(register.demand for register in sheet.registers),
        "charges": bool(sheet.charges) or any(register.charges for register in sheet.registers),
        "credits": bool(sheet.credits or sheet.rebates),
        "minimum": bool(sheet.minimum),
    }
    if any(held.get(name, True) for name in item.applies_to):
        return []
    empty = ", ".join(repr(name) for name in item.applies_to)
    filled = ", ".join(repr(name) for name, has in held.items() if has)
    text = f"the file has no such lines (got {empty}); name lines it has, such as the groups {filled}"
    return [Problem(f"adjustments.{item.name}.applies_to", text)]
