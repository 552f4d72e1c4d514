"""What counts other money, stated for the program: minimum bills, and percentages with a ceiling or by tiers of money.

    minimum     topup ≥ minimum - base
    percentage  value = Σ slope[k]·e[k] over pieces of the base, filled from the lowest on (binaries where it must be)

A base is the money of other lines, those that count lines themselves included.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np

from dispatch.program.export_credit import ExportCredits, why_not
from dispatch.program.rebates import most_saved_kwh
from dispatch.program.schedules import Money, merged, negated
from dispatch.program.solver import AT_LEAST
from tariffs.terms.money_terms import CreditTerm, MinimumTerm, PercentTerm
from tariffs.terms.schedules import Schedule, ScheduleClass
from tariffs.terms.slopes import NOISE, worth_ranges

if TYPE_CHECKING:
    from dispatch.arrays import Floats, Ints
    from dispatch.program.chain import ChainedBlock
    from dispatch.program.netting import StatedNetting
    from dispatch.program.schedules import StatedSchedule, TermWriter
    from tariffs.terms.money_terms import CountingTerm

    Terms = list[tuple[Any, float]]


class Rows(Protocol):
    """What of a tariff's rows is stated by now, and takes the money of more."""

    sheet: TermWriter
    blocks: list[StatedSchedule | ChainedBlock]
    demand: list[list[StatedSchedule]]
    netting: list[StatedNetting]
    missing: list[Any]
    saved: list[Any]
    most_billed_kw: list[float]
    money: Terms
    constant: float

    def sum_priced(self, family: str, steps: Ints, prices: Floats) -> Terms:
        """Return a family of flows over steps, each at its price."""


def refusal(rows: Rows) -> str | None:
    """Say why what counts other money cannot be stated, if it cannot."""
    prices = rows.sheet.case.prices
    for term in prices.percentages:
        if term.by_kwh:
            return (
                f"adjustment '{term.name}': its tiers are of energy while it is of money, so energy multiplies money, "
                "which no linear program can state"
            )
    if (why := why_not(prices)) is not None:
        return f"export_credit: {why}, which no row of the program states"
    weights = worth_ranges(prices)
    for minimum in prices.minimums:
        least = weights[minimum.order][0]
        if least < -NOISE:
            return (
                "minimum: the adjustments after it turn what it adds into a credit "
                f"({least:g} per unit), so that falling short of it would pay without end"
            )
    return None


def state_counting(rows: Rows) -> None:
    """State every counting term, in an order in which each finds what it counts."""
    values: dict[int, tuple[Money, tuple[float, float]]] = {}
    weights = worth_ranges(rows.sheet.case.prices)
    account = ExportCredits(rows.sheet)
    for term in rows.sheet.case.prices.counting:
        if isinstance(term, CreditTerm):
            account.state(term, _earned(rows, term), _base(rows, term))
            continue
        base, between = _base(rows, term), _range(rows, term)
        terms, constant = list(base.terms), base.constant
        for order, factor in term.counts:
            money, (low, high) = values[order]
            terms += [(column, factor * each) for column, each in money.terms]
            constant += factor * money.constant
            ends = sorted((factor * low, factor * high))
            between = between[0] + ends[0], between[1] + ends[1]
        base = Money(merged(terms), constant)
        if isinstance(term, MinimumTerm):
            value = _topup(rows, term, base)
            reach = 0.0, max(0.0, term.minimum - between[0])
        else:
            value = _percentage(rows, term, base, between, weights[term.order])
            most = max(map(abs, term.fractions)) * max(map(abs, between))
            reach = -most, most
        values[term.order] = value, reach
        rows.money += [(column, term.topup_factor * each) for column, each in value.terms]
        rows.constant += term.topup_factor * value.constant
    rows.money += account.money
    rows.constant += account.constant


def _earned(rows: Rows, term: CreditTerm) -> Money:
    """Return what exports earn of a credit in a period."""
    earned, constant = rows.sum_priced("export", term.steps, term.earned_per_kwh), term.earned_fixed
    for block, schedule in term.earned_blocks:
        part = rows.blocks[block].money(schedule)
        earned += negated(part.terms)
        constant -= part.constant
    return Money(earned, constant)


def _topup(rows: Rows, term: MinimumTerm, base: Money) -> Money:
    topup = rows.sheet.column(f"minimum_{term.order}_topup")
    right = term.minimum - base.constant
    rows.sheet.row(f"minimum_{term.order}", AT_LEAST, [(topup, 1.0), *base.terms], right)
    return Money([(topup, 1.0)])


def _percentage(
    rows: Rows,
    term: PercentTerm,
    base: Money,
    between: tuple[float, float],
    weight: tuple[float, float],
) -> Money:
    """State a percentage of a base as a schedule of what the base lies above the least it can be."""
    least = math.floor(min(between[0], 0.0)) - 1.0
    shift = base.constant - least
    name = f"percentage_{term.order}"
    fixed = rows.sheet.column(f"{name}_shift", abs(shift), abs(shift))
    amount = [*base.terms, (fixed, math.copysign(1.0, shift))]
    schedule = _schedule(term, least)
    views = [Schedule(tuple(_times(step, each) for step in schedule.classes)) for each in weight]
    stated = rows.sheet.schedule(name, schedule, amount, (0.0, between[1] - least), views)
    return stated.money(schedule)


def _schedule(term: PercentTerm, least: float) -> Schedule:
    first = term.fractions[0]
    if term.whole:
        return Schedule(
            tuple(
                ScheduleClass(limit - least, fraction * least, np.array([np.inf]), np.array([fraction]))
                for limit, fraction in zip(term.limits, term.fractions, strict=True)
            )
        )
    limits, slopes = term.limits, term.fractions
    if math.isfinite(term.most) and first:
        limits, slopes = (term.most / abs(first), math.inf), (first, 0.0)
    widths = np.diff(np.array([least, *limits]))
    return Schedule((ScheduleClass(math.inf, first * least, widths, np.array(slopes)),))


def _times(step: ScheduleClass, factor: float) -> ScheduleClass:
    return ScheduleClass(step.upper, step.fixed * factor, step.widths, step.prices * factor)


def _base(rows: Rows, term: CountingTerm) -> Money:
    """Return the money that a term counts, what earlier counting terms add apart."""
    base = rows.sum_priced("import", term.steps, term.import_price_per_kwh)
    base += rows.sum_priced("export", term.steps, -term.export_price_per_kwh)
    constant = term.base_fixed
    parts = [rows.blocks[block].money(schedule) for block, schedule in term.blocks]
    for demand, schedules in term.demand:
        parts += [part.money(s) for part, s in zip(rows.demand[demand], schedules, strict=True)]
    parts += [rows.netting[chain].money(values, price) for chain, values, price in term.netting]
    for part in parts:
        base += part.terms
        constant += part.constant
    base += [(rows.missing[at], price) for at, price in term.kwh_minimums]
    base += [(rows.saved[at], -price) for at, price in term.rebates]
    return Money(base, constant)


def _range(rows: Rows, term: CountingTerm) -> tuple[float, float]:
    """Return bounds of a base, wide ones: every price at everything that could flow."""
    sheet, prices = rows.sheet, rows.sheet.case.prices
    bought, sold = sheet.most_import_kwh[term.steps], sheet.most_export_kwh[term.steps]
    low = float(
        np.minimum(term.import_price_per_kwh, 0) @ bought - np.maximum(term.export_price_per_kwh, 0) @ sold
    )
    high = float(
        np.maximum(term.import_price_per_kwh, 0) @ bought - np.minimum(term.export_price_per_kwh, 0) @ sold
    )
    kwh = float(bought.sum() + sold.sum()) + sum(short.kwh for short in prices.kwh_minimums)
    wide = sum(_most(schedule, kwh) for _, schedule in term.blocks)
    for at, schedules in term.demand:
        wide += sum(_most(schedule, rows.most_billed_kw[at]) for schedule in schedules)
    for _, values, leftover in term.netting:
        wide += (float(np.abs(values).sum()) + abs(leftover)) * kwh
    wide += sum(abs(price) * prices.kwh_minimums[at].kwh for at, price in term.kwh_minimums)
    wide += sum(abs(price) * most_saved_kwh(sheet, prices.rebates[at]) for at, price in term.rebates)
    return term.base_fixed + low - wide, term.base_fixed + high + wide


def _most(schedule: Schedule, amount: float) -> float:
    return max(abs(step.fixed) + float(np.abs(step.prices).max()) * amount for step in schedule.classes)
