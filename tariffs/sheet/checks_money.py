"""What must agree between the priced tables of a tariff file: names, bases, and rules that exclude each other."""

from collections import Counter

import numpy as np
from numpy.typing import NDArray

from tariffs.reading.refusals import Problem, unknown_names
from tariffs.sheet.checks import check_by_season, check_past_months, check_when
from tariffs.sheet.checks_bases import check_bases, lines_of
from tariffs.sheet.demand import Demand
from tariffs.sheet.tariff import CATEGORIES, EVERYTHING, Sheet, Tariff
from tariffs.sheet.usage import Blocks, Netting
from tariffs.sheet.windows import day_classes, paint

# The group that a table's lines belong to: a line may bear its own group's name, and no other group's.
_GROUPS = {
    "bands": "energy",
    "blocks": "energy",
    "export blocks": "export",
    "events": "energy",
    "riders": "riders",
    "demand": "demand",
    "charges": "charges",
    "credits": "credits",
    "minimum": "minimum",
    "export_credit": "export",
}


def check_money(tariff: Tariff, sheet: Sheet) -> list[Problem]:
    """Check everything of one sheet that is priced."""
    problems = [
        *_bands(tariff, sheet),
        *_blocks(sheet),
        *_riders(sheet),
        *_unique(sheet),
        *check_bases(tariff, sheet),
    ]
    for number, demand in enumerate(sheet.demand):
        problems += _demand(tariff, demand, f"demand[{number + 1}]", sheet)
    problems += _kwh_minimums(sheet)
    problems += _export_credit(tariff, sheet)
    if tariff.netting is not None:
        problems += _netting(tariff, tariff.netting, sheet)
    return problems


def _bands(tariff: Tariff, sheet: Sheet) -> list[Problem]:
    problems: list[Problem] = []
    if not sheet.bands:
        problems.append(Problem("bands", "the file has no price; add [bands.NAME] with import_price_per_kwh"))
    hourly = tariff.hourly_prices is not None and tariff.hourly_prices.import_column is not None
    table = paint(sheet)[0]
    priced_by_blocks = [blocks for blocks in sheet.blocks if blocks.of == "import"]
    for name, band in sheet.bands.items():
        field = f"bands.{name}"
        in_blocks = any(not blocks.bands or name in blocks.bands for blocks in priced_by_blocks)
        if band.import_price_per_kwh is None and not hourly and not in_blocks:
            text = "has no price; add import_price_per_kwh, or [[blocks]] or [hourly_prices] that price it"
            problems.append(Problem(field, text))
        used = _seasons_of(sheet, name, table)
        problems += check_by_season(band.import_price_per_kwh, f"{field}.import_price_per_kwh", sheet, used)
        problems += check_by_season(band.export_price_per_kwh, f"{field}.export_price_per_kwh", sheet, used)
    return problems


def _seasons_of(sheet: Sheet, band: str, table: NDArray[np.int16]) -> list[str]:
    """Return the seasons in which a band ever holds; an event's band may hold in all of them."""
    if any(part.band == band for event in sheet.events for part in event.priced):
        return list(sheet.season_names)
    days = sorted(day_classes((), with_holidays=sheet.holidays is not None))
    held = (table[:, days] == sheet.band_names.index(band)).any(axis=(1, 2))
    return [name for name, used in zip(sheet.season_names, held.tolist(), strict=True) if used]


def _blocks(sheet: Sheet) -> list[Problem]:
    problems = []
    for number, blocks in enumerate(sheet.blocks):
        field = f"blocks[{number + 1}]"
        problems += unknown_names(f"{field}.bands", blocks.bands, sheet.bands, "band")
        problems += _shared(blocks, field, sheet)
        problems += unknown_names(f"{field}.seasons", blocks.seasons, sheet.season_names, "season")
        if blocks.past_use is not None:
            past = f"{field}.past_use"
            problems += unknown_names(f"{past}.bands", blocks.past_use.bands, sheet.bands, "band")
            problems += check_past_months(f"{past}.past_kwh", blocks.past_use.past_kwh)
            if sheet.losses_at_last("energy", blocks.name):
                text = "losses at the last step's price need a step that this bill's use sets (got past_use)"
                problems.append(Problem(past, f"{text}; drop one of the two"))
        if blocks.demand is not None:
            known = [demand.name for demand in sheet.demand]
            problems += unknown_names(f"{field}.demand", [blocks.demand], known, "demand charge")
    return problems


def _shared(blocks: Blocks, field: str, sheet: Sheet) -> list[Problem]:
    """Check that tiers which several bands share have an order and a price for each of them."""
    counted = blocks.bands or sheet.band_names
    problems: list[Problem] = []
    if isinstance(blocks.shared, tuple):
        problems += unknown_names(f"{field}.shared", blocks.shared, sheet.bands, "band")
        missing = [name for name in counted if name not in blocks.shared]
        if missing and not problems:
            text = f"must list every band that the tiers count (missing {', '.join(map(repr, missing))})"
            problems.append(
                Problem(f"{field}.shared", f"{text}; add them, or name the counted ones in bands")
            )
        if len(set(blocks.shared)) < len(blocks.shared):
            problems.append(Problem(f"{field}.shared", "names a band twice; remove one"))
    for number, step in enumerate(blocks.steps):
        place = f"{field}.steps[{number + 1}]"
        problems += unknown_names(f"{place}.price_by_band", step.price_by_band, sheet.bands, "band")
        missing = [name for name in counted if step.price_by_band and name not in step.price_by_band]
        if missing:
            text = f"has no price for band {', '.join(map(repr, missing))}; add it"
            problems.append(Problem(f"{place}.price_by_band", text))
        unpriced = [
            name for name in counted if name in sheet.bands and sheet.bands[name].import_price_per_kwh is None
        ]
        if step.percent_of_band is not None and unpriced:
            text = f"is of the band's own price, and {unpriced[0]!r} has none; give it import_price_per_kwh"
            problems.append(Problem(f"{place}.percent_of_band", text))
    special = blocks.shared is not None or blocks.yearly_from is not None
    if special and sheet.losses_at_last("energy", blocks.name):
        text = 'losses at the last step (losses.tiers = "last") need tiers of one bill with one price each'
        problems.append(
            Problem(field, f'{text}; write tiers = "each", or leave this name out of losses.applies_to')
        )
    return problems


def _riders(sheet: Sheet) -> list[Problem]:
    problems = []
    for number, rider in enumerate(sheet.riders):
        field = f"riders[{number + 1}]"
        problems += unknown_names(f"{field}.bands", rider.bands, sheet.bands, "band")
        problems += check_by_season(rider.price_per_kwh, f"{field}.price_per_kwh", sheet)
    return problems


def _demand(tariff: Tariff, demand: Demand, field: str, sheet: Sheet) -> list[Problem]:
    named = [when.seasons for when in demand.whens]
    needed = None if not all(named) else {name for names in named for name in names}
    key = "price_per_kw" if demand.price_per_kw is not None else "price_per_kva"
    problems = check_by_season(demand.price, f"{field}.{key}", sheet, needed)
    for number, when in enumerate(demand.whens):
        problems += check_when(when, f"{field}.windows[{number + 1}]" if demand.windows else field, sheet)
    if demand.ratchet is not None:
        ratchet = f"{field}.ratchet"
        problems += unknown_names(f"{ratchet}.seasons", demand.ratchet.seasons, sheet.season_names, "season")
        problems += check_past_months(f"{ratchet}.past_kw", demand.ratchet.past_kw)
    if demand.rolling_mean is not None:
        problems += check_past_months(f"{field}.rolling_mean.past_kw", demand.rolling_mean.past_kw)
        if tariff.billing.period_months != 1:
            text = f"is of months' peaks, and the bills are of {tariff.billing.period_months} months"
            problems.append(
                Problem(
                    f"{field}.rolling_mean", f"{text} (got billing.period_months); make bills of one month"
                )
            )
    return problems


def _kwh_minimums(sheet: Sheet) -> list[Problem]:
    """Check that it is known at which price missing kWh are billed, and that they are billed once."""
    problems = []
    in_kwh = [minimum for minimum in sheet.minimum if not minimum.in_money]
    for minimum in in_kwh:
        field = f"minimum.{minimum.name}.band"
        if minimum.band is not None:
            problems += unknown_names(field, [minimum.band], sheet.bands, "band")
        elif len(sheet.bands) > 1:
            text = "the missing kWh need the price of one band, and the file has several (got none)"
            problems.append(Problem(field, f'{text}; write band = "{next(iter(sheet.bands))}"'))
    if len(in_kwh) > 1:
        text = f"only one may be in kWh (got {len(in_kwh)}); keep the larger"
        problems.append(Problem("minimum", text))
    return problems


def _export_credit(tariff: Tariff, sheet: Sheet) -> list[Problem]:
    if sheet.export_credit is None:
        return []
    if tariff.netting is not None:
        text = "exports are set off in kWh or credited in money (got netting as well); drop one of the two"
        return [Problem("export_credit", text)]
    earns = any(band.export_price_per_kwh for band in sheet.bands.values())
    earns = earns or any(blocks.of == "export" for blocks in sheet.blocks)
    earns = earns or any(register.of == "export" for register in sheet.registers)
    if earns or (tariff.hourly_prices is not None and tariff.hourly_prices.export_column is not None):
        return []
    text = "nothing that is fed in earns anything; give a band its export_price_per_kwh, or [[blocks]] of = 'export'"
    return [Problem("export_credit", text)]


def _netting(tariff: Tariff, netting: Netting, sheet: Sheet) -> list[Problem]:
    problems = unknown_names("netting.order", netting.order, sheet.bands, "band")
    known = sheet.bands if netting.across == "same-band" else {"all": None}
    problems += unknown_names("netting.opening_kwh", netting.opening_kwh, known, "band")
    if netting.across != "same-band" and len(sheet.bands) > 1:
        missing = [name for name in sheet.bands if name not in netting.order]
        if missing:
            names = ", ".join(repr(name) for name in missing)
            text = (
                f"must list every band, the one that credits are spent on first at its head (missing {names})"
            )
            problems.append(Problem("netting.order", text))
    if len(set(netting.order)) < len(netting.order):
        problems.append(
            Problem("netting.order", f"names a band twice (got {list(netting.order)}); remove one")
        )
    paid = [name for name, band in sheet.bands.items() if band.export_price_per_kwh]
    paid += [blocks.name for blocks in sheet.blocks if blocks.of == "export"]
    paid += [rider.name for rider in sheet.riders if rider.of == "export"]
    if tariff.hourly_prices is not None:
        paid.append("hourly_prices")
    if paid:
        text = (
            f"exported kWh are set off against imported ones and have no price of their own (got {paid[0]!r})"
        )
        remedy = "drop [netting] to pay exports in money, or drop that price"
        problems.append(Problem("netting", f"{text}; {remedy}"))
    return problems


def _unique(sheet: Sheet) -> list[Problem]:
    """Refuse two priced things of one name: applies_to could not tell them apart."""
    names = lines_of(sheet)
    names += [("minimum", minimum.name) for minimum in sheet.minimum]
    names += [("export_credit", sheet.export_credit.name)] if sheet.export_credit else []
    names += [("adjustments", adjustment.name) for adjustment in sheet.adjustments]
    counts = Counter(name for _, name in names)
    problems = []
    for table, name in dict.fromkeys(names):
        if counts[name] > 1:
            problems.append(
                Problem(table, f"the name {name!r} is used {counts[name]} times; give each its own")
            )
        elif name in (*CATEGORIES, EVERYTHING) and name != _GROUPS.get(table):
            problems.append(
                Problem(table, f"the name {name!r} already means a group of lines; choose another")
            )
    return problems
