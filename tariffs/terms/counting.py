"""Building the terms of what counts other money: minimum bills, and percentages with a ceiling or with tiers."""

import math
from collections.abc import Iterable
from dataclasses import replace
from decimal import Decimal
from typing import Any, NamedTuple

import numpy as np

from tariffs.periods.cells import KwhMinimumCell
from tariffs.periods.credit import credit_period
from tariffs.periods.layout import Layout
from tariffs.periods.runs import Item, Run, Turn, turns
from tariffs.sheet.export_credit import ExportCredit
from tariffs.sheet.percent import Adjustment
from tariffs.sheet.usage import Minimum
from tariffs.terms.build import (
    Base,
    Cells,
    demand_schedules,
    leftover_price,
    netting_values,
    schedule_of,
)
from tariffs.terms.energy import fixed_amount, import_price, step_prices
from tariffs.terms.flow_terms import KwhMinimumTerm
from tariffs.terms.money_terms import CreditTerm, MinimumTerm, PercentTerm
from tariffs.terms.rebates import rebate_price
from tariffs.terms.schedules import Floats
from tariffs.terms.weights import EARNED, Which, weights_of


def kwh_minimum_terms(layout: Layout, cells: Cells) -> tuple[KwhMinimumTerm, ...]:
    """Return the minimums in kWh of every period as terms."""
    return tuple(
        KwhMinimumTerm(
            period=cell.run.period,
            steps=np.arange(cell.run.steps.start, cell.run.steps.stop),
            kwh=float(cell.kwh),
            price_per_kwh=_missing_price(layout, cell, None),
            blocks=tuple(
                at
                for at, blocks in enumerate(cells.blocks)
                if blocks.blocks.of == "import"
                and cell.run.parts[-1] in blocks.run.parts
                and cell.band in blocks.bands
                and cell.season in blocks.seasons
            ),
            netted=_netted(cells, cell.run),
        )
        for cell in cells.kwh_minimums
    )


def _missing_price(layout: Layout, cell: KwhMinimumCell, which: Which) -> float:
    sheet = layout.sheet(layout.parts[cell.run.parts[-1]].version)
    return import_price(sheet, cell.band, cell.season, which, netted_only=True)


def _netted(cells: Cells, run: Run) -> tuple[tuple[int, int], ...]:
    """Return the (term, group) pairs of netting whose billed kWh lie in a run; none where the tariff does not net."""
    return tuple(
        (term, group)
        for term, cell in enumerate(cells.netting)
        if cell.part in run.parts
        for group in range(len(cell.bands))
    )


class CountingTerms(NamedTuple):
    """Everything that counts other lines of a bill."""

    minimums: tuple[MinimumTerm, ...]
    percentages: tuple[PercentTerm, ...]
    credits: tuple[CreditTerm, ...]


def counting_terms(layout: Layout, cells: Cells) -> CountingTerms:
    """Return the minimum bills, the uneven percentages and the credits of every period as terms."""
    prices: dict[str, tuple[Floats, Floats]] = {}
    before: list[Turn] = []
    minimums: list[MinimumTerm] = []
    percentages: list[PercentTerm] = []
    kept: list[CreditTerm] = []
    for turn in (turn for period in range(len(layout.periods)) for turn in turns(layout, period)):
        item, run = turn.item, turn.run
        if isinstance(item, Adjustment) and item.is_plain:
            continue
        if item.name not in prices:
            prices[item.name] = step_prices(layout, item.name)
        common = _common(layout, cells, turn, before, prices[item.name])
        if isinstance(item, Minimum):
            per_day, per_month = float(item.per_day or 0), float(item.per_month or 0)
            least = per_day * float(run.days) + per_month * float(run.months)
            minimums.append(MinimumTerm(**common, minimum=least))
        elif isinstance(item, ExportCredit):
            opening = 0.0 if kept else float(item.opening_amount)
            kept.append(replace(_credit_term(layout, cells, item, run, common), opening=opening))
        else:
            percentages.append(_percent_term(cells, item, run, common))
        before.append(turn)
    return CountingTerms(tuple(minimums), tuple(percentages), tuple(kept))


def _credit_term(
    layout: Layout, cells: Cells, item: ExportCredit, run: Run, common: dict[str, Any]
) -> CreditTerm:
    dates = credit_period(layout, run.period, item)
    base = Base(EARNED, frozenset(run.parts))
    return CreditTerm(
        **common,
        earned_per_kwh=step_prices(layout, EARNED)[1][run.steps],
        earned_blocks=tuple(
            (at, schedule_of(layout, cells, cell, base))
            for at, cell in enumerate(cells.blocks)
            if cell.blocks.of == "export" and any(base.holds(part) for part in cell.shares)
        ),
        month=dates.month,
        oldest=dates.oldest,
        at_once=item.first_use == "this-bill",
        lost_at_end=dates.expires_at_once,
        settled_fraction=float(item.settlement_percent) / 100.0 if dates.settles else None,
    )


def _percent_term(cells: Cells, item: Adjustment, run: Run, common: dict[str, Any]) -> PercentTerm:
    months = float(run.months)
    tiers = [(step.limit, step.percent) for step in item.steps] or [(None, item.percent or Decimal(0))]
    return PercentTerm(
        **common,
        name=item.name,
        most=math.inf if item.at_most is None else float(item.at_most) * months,
        fractions=tuple(float(percent) / 100.0 for _, percent in tiers),
        limits=tuple(math.inf if limit is None else float(limit) * months for limit, _ in tiers),
        by_kwh=item.by_kwh,
        whole=item.whole_band,
        netted=_netted(cells, run),
        missing=tuple(at for at, cell in enumerate(cells.kwh_minimums) if cell.run.parts[-1] in run.parts),
    )


def _common(
    layout: Layout, cells: Cells, turn: Turn, before: list[Turn], prices: tuple[Floats, Floats]
) -> dict[str, Any]:
    """Return what every counting term has: its place, its weight in the bill, and its base."""
    item, run = turn.item, turn.run
    base = Base(item.name, frozenset(run.parts))
    imports, exports = prices
    return {
        "period": run.period,
        "order": len(before),
        "topup_factor": _later(layout, run, item, None, run.parts),
        "base_fixed": sum(fixed_amount(layout, layout.parts[part], item.name) for part in run.parts),
        "steps": np.arange(run.steps.start, run.steps.stop),
        "import_price_per_kwh": imports[run.steps],
        "export_price_per_kwh": exports[run.steps],
        "blocks": tuple(
            (at, schedule_of(layout, cells, cell, base))
            for at, cell in enumerate(cells.blocks)
            if any(base.holds(part) for part in cell.shares)
        ),
        "demand": tuple(
            (at, demand_schedules(layout, cell, shares, base.name))
            for at, cell in enumerate(cells.demand)
            if (shares := [share for share in cell.shares if base.holds(share.part)])
        ),
        "netting": tuple(
            (at, netting_values(layout, cell, base.name), leftover_price(layout, cell, base.name))
            for at, cell in enumerate(cells.netting)
            if base.holds(cell.part)
        ),
        "kwh_minimums": tuple(
            (at, _missing_price(layout, cell, base.name))
            for at, cell in enumerate(cells.kwh_minimums)
            if base.holds(cell.run.parts[-1])
        ),
        "rebates": tuple(
            (at, rebate_price(layout, event, item.name))
            for at, event in enumerate(cells.rebates)
            if base.holds(event.part)
        ),
        "counts": _earlier(layout, turn, before),
    }


def _later(layout: Layout, run: Run, item: Item, which: Which, parts: Iterable[int]) -> float:
    """Return what one unit that an item adds comes to in the bill, or in a base, of some of its parts."""
    return sum(
        float(layout.parts[part].days / run.days)
        * weights_of(layout.sheet(layout.parts[part].version), item).of(which)
        for part in parts
    )


def _earlier(layout: Layout, turn: Turn, before: Iterable[Turn]) -> tuple[tuple[int, float], ...]:
    """Return which earlier counting terms a term counts, and how much of each."""
    found = []
    for at, other in enumerate(before):
        both = [part for part in other.run.parts if part in turn.run.parts]
        if both:
            found.append((at, _later(layout, other.run, other.item, turn.item.name, both)))
    return tuple((at, factor) for at, factor in found if factor)
