"""What a price per step cannot say, stated for the program: blocks, demand, netting, minimum bill, self-trading.

Names are those of `tariffs.terms`, which holds the algebra of the money itself. Stated here::

    blocks    amount = Σ e[k];  0 ≤ e[k] ≤ width[k];  money Σ price[k]·e[k]          rising prices: linear
              falling prices: binary full[k];  e[k] ≥ width[k]·full[k];  e[k+1] ≤ width[k+1]·full[k]
              whole-band: binary in[c], Σ in[c] = 1;  lower[c]·in[c] ≤ amount[c] ≤ upper[c]·in[c]
              by past use: Σ lower[c]·in[c] ≤ mean of past imports ≤ Σ upper[c]·in[c];  amount[c] ≤ most·in[c]
    demand    daily[i] ≥ Σ import of interval j / hours[j]   for every interval j of day i
              measured = top + Σ over[i]/n;  over[i] ≥ daily[i] - top        (mean of the n largest; n = 1: the peak)
              billed ≥ measured, floor_kw, ratchet_fraction·measured of earlier terms
              mean of months: peak ≥ measured, each_at_least_kw;  billed ≥ floor_kw, (past_kw + Σ peak) / months
    netting   need - surplus = bought - sold, one of them 0 (binary);  spent = min(bank, need) (binary)
              billed = need - spent;  the bank carries on in the tariff's order, whatever the price
    credit    used ≤ credit at hand, used ≤ charges it is set against: `dispatch.program.export_credit`
    rebates   saved ≤ baseline - used or 0 (binary): `dispatch.program.rebates`
              after earlier energy: `dispatch.program.chain`
    minimum   topup ≥ minimum - base;  uneven percentages likewise: `dispatch.program.counting`
              in kWh: missing ≥ kwh - amount, and counts in the blocks
    trade     import ≤ M·buys;  export ≤ M·(1 - buys)            only in steps where trading with oneself would pay
    burn      charge ≤ M·charges;  discharge ≤ M·(1 - charges)   only in steps where wasting energy would pay

Demand, minimum and rising blocks are exact in a linear program because no cost falls when they grow, be the bill
above its minimum or below; what is not so is either given binaries or refused with its reason.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, NoReturn

import numpy as np

from dispatch.errors import NoProgram
from dispatch.program.chain import ChainedBlock, chains, state_chain
from dispatch.program.counting import refusal, state_counting
from dispatch.program.export_credit import why_not
from dispatch.program.netting import Netting
from dispatch.program.rebates import state_rebate
from dispatch.program.schedules import Money, StatedSchedule, TermWriter, merged, negated
from dispatch.program.self_trading import forbid_self_trading
from dispatch.program.solver import AT_LEAST
from tariffs.terms.slopes import NOISE, lowest_slope, never_cheaper_above, views_of

if TYPE_CHECKING:
    from dispatch.arrays import Floats, Ints
    from tariffs.terms.flow_terms import (
        BlockTerm,
        DemandTerm,
        KwhMinimumTerm,
        MonthsMean,
        PastUseTerm,
        RebateTerm,
    )

    Terms = list[tuple[Any, float]]


@dataclass
class TariffRows:
    """States the terms of a case's tariff.

    Attributes
    ----------
    sheet : TermWriter
    money : list of (column, factor)
        What the terms cost, by column; a column may stand several times.
    constant : float
        What they cost whatever is done.

    Raises
    ------
    NoProgram
        If a term cannot be stated exactly; says which and why.
    """

    sheet: TermWriter
    constant: float = 0.0
    money: Terms = field(default_factory=list)

    def __post_init__(self) -> None:
        """State everything, in an order in which each part finds what it builds on."""
        prices = self.sheet.case.prices
        self.views = views_of(prices)
        self._refuse_hopeless()
        self._refuse_of_the_past()
        self._net()
        self.saved = [self._rebate(at, term) for at, term in enumerate(prices.rebates)]
        self.missing = [self._missing(at, short) for at, short in enumerate(prices.kwh_minimums)]
        self.blocks = self._blocks()
        self.measured: list[Terms] = []
        self.most_kw: list[float] = []
        self.most_billed_kw: list[float] = []
        self.demand = [self._demand(at, term) for at, term in enumerate(prices.demand)]
        state_counting(self)
        forbid_self_trading(self.sheet, self.views)

    def _charge(self, money: Money) -> None:
        self.money += money.terms
        self.constant += money.constant

    def _net(self) -> None:
        netting = Netting(self.sheet)
        netting.state(self.sheet.case.prices.netting)
        self.netting = netting.stated
        for term, stated in zip(self.sheet.case.prices.netting, self.netting, strict=True):
            values = [group.value_per_kwh for group in term.groups]
            self._charge(stated.money(values, term.leftover_price_per_kwh))

    def _rebate(self, at: int, term: RebateTerm) -> Any:  # noqa: ANN401 - PuLP's
        saved = state_rebate(self.sheet, f"rebate_{at}", term)
        self.money.append((saved, -term.price_per_kwh))
        return saved

    # ---- refusals ----------------------------------------------------------------------------------------------

    def _refuse_hopeless(self) -> None:  # noqa: C901 - a list of refusals
        prices = self.sheet.case.prices
        for block in prices.blocks:
            if block.demand is not None:
                self._refuse(
                    f"blocks '{block.name}': limits in hours of demand multiply energy by power, which no linear "
                    "program can state; such a tariff can be billed (dispatch bill) but not optimised"
                )
            if block.together:
                self._refuse(
                    f"blocks '{block.name}': bands that share tiers in proportion multiply energy by energy, which no "
                    "linear program can state; such a tariff can be billed (dispatch bill) but not optimised"
                )
        if (why := refusal(self)) is not None:
            self._refuse(f"{why}; such a tariff can be billed (dispatch bill) but not optimised")
        for at, short in enumerate(prices.kwh_minimums):
            for view in self.views:
                if (
                    view.missing[at] + sum(lowest_slope(view.blocks[block]) for block in short.blocks)
                    < -NOISE
                ):
                    self._refuse(
                        "minimum in kWh: a missing kWh can lower the bill, so that more of them would pay; such a "
                        "tariff can be billed (dispatch bill) but not optimised"
                    )
        for at, demand in enumerate(prices.demand):
            if demand.kvar is not None:
                self._refuse(
                    f"demand '{demand.name}': metered kVA are the root of a sum of squares, which no linear "
                    "program can state; write a power_factor to plan with"
                )
            # billed ≥ measured states the demand exactly only if no more of it is ever cheaper
            lowest = min(sum(lowest_slope(each) for each in view.demand[at]) for view in self.views)
            if lowest < -NOISE:
                self._refuse(
                    f"demand '{demand.name}': one more kW can lower the bill "
                    + ("(its cost drops at a limit)" if math.isinf(lowest) else f"(by {-lowest:.4g})")
                    + ", so that drawing more power would pay; correct its prices and the adjustments that touch "
                    "it; such a tariff can be billed (dispatch bill) but not optimised"
                )

    def _refuse_of_the_past(self) -> None:
        """Refuse what looks back, or forward, on other bills in a way that no row here states."""
        prices = self.sheet.case.prices
        for at, block in enumerate(prices.blocks):
            if block.schedule.by_past and not all(
                never_cheaper_above(view.blocks[at]) for view in self.views
            ):
                self._refuse(
                    f"blocks '{block.name}': a higher class by past use can be the cheaper one, so that using more now "
                    "could pay later; such a tariff can be billed (dispatch bill) but not optimised"
                )
        for at, rebate in enumerate(prices.rebates):
            if (least := min(view.rebates[at] for view in self.views)) < 0:
                self._refuse(
                    f"rebates '{rebate.name}': the adjustments turn what is saved into a charge ({least:.4g} per "
                    "kWh), so that the rebate would not be taken; such a tariff can be billed but not optimised"
                )
        if prices.credits and (why := why_not(prices)) is not None:
            self._refuse(
                f"export_credit: {why}, which no row of the program states; such a tariff can be billed "
                "(dispatch bill) but not optimised"
            )

    def _refuse(self, why: str) -> NoReturn:
        raise NoProgram(f"{self.sheet.case.path}: tariff '{self.sheet.case.tariff.name}': {why}")

    # ---- blocks ------------------------------------------------------------------------------------------------

    def _blocks(self) -> list[StatedSchedule | ChainedBlock]:
        prices = self.sheet.case.prices
        chained: dict[int, ChainedBlock] = {}
        for chain in chains(prices):
            try:
                found, money = state_chain(self.sheet, chain, self._amount, self.views)
            except ValueError as error:
                self._refuse(
                    f"blocks '{prices.blocks[chain[0]].name}': {error}, which no program here can state; such a tariff "
                    "can be billed (dispatch bill) but not optimised"
                )
            chained |= found
            self._charge(money)
        return [chained.get(at) or self._block(at, term) for at, term in enumerate(prices.blocks)]

    def _amount(self, at: int) -> tuple[Terms, tuple[float, float]]:
        """Return the energy a block term counts, and the least and most that it can be."""
        prices = self.sheet.case.prices
        term = prices.blocks[at]
        if term.netted:
            amount = [(self.netting[chain].billed[group], 1.0) for chain, group in term.netted]
            steps = [self._netted_steps(*pair) for pair in term.netted]
            between = (0.0, sum(float(self.sheet.most_import_kwh[each].sum()) for each in steps))
        elif term.of_export:
            amount = self.sheet.sum("export", term.steps)
            between = (0.0, float(self.sheet.most_export_kwh[term.steps].sum()))
        else:
            amount = self.sheet.sum("import", term.steps)
            between = self.sheet.import_range_kwh(term.steps)
        for place, short in enumerate(prices.kwh_minimums):
            if at in short.blocks:
                amount = [*amount, (self.missing[place], 1.0)]
                between = between[0], between[1] + short.kwh
        return amount, between

    def _missing(self, at: int, short: KwhMinimumTerm) -> Any:  # noqa: ANN401 - PuLP's
        """State the kWh that a minimum in kWh bills although they were not used."""
        missing = self.sheet.column(f"missing_{at}", short.kwh)
        used = (
            [(self.netting[chain].billed[group], 1.0) for chain, group in short.netted]
            if short.netted
            else self.sheet.sum("import", short.steps)
        )
        self.sheet.row(f"missing_{at}", AT_LEAST, [(missing, 1.0), *used], short.kwh)
        self.money.append((missing, short.price_per_kwh))
        return missing

    def _block(self, at: int, term: BlockTerm) -> StatedSchedule:
        amount, between = self._amount(at)
        views = [view.blocks[at] for view in self.views]
        if term.schedule.by_past and term.past_use is not None:
            stated = self._class_by_past(at, term.past_use, amount, between[1])
            self._charge(stated.money(term.schedule))
            return stated
        stated = self.sheet.schedule(f"block_{at}", term.schedule, amount, between, views)
        self._charge(stated.money(term.schedule))
        return stated

    def _class_by_past(self, at: int, past: PastUseTerm, amount: Terms, most: float) -> StatedSchedule:
        """State the mean of past use that sets the class, and the amount's cost in it."""
        mean = [
            (column, share * factor / past.months)
            for steps, share in past.counted
            for column, factor in self.sheet.sum("import", steps)
        ]
        highest = (
            past.past_kwh
            + sum(share * float(self.sheet.most_import_kwh[steps].sum()) for steps, share in past.counted)
        ) / past.months
        schedule, *others = (view.blocks[at] for view in self.views)
        bounds = merged(mean), past.past_kwh / past.months, highest
        return self.sheet.schedule_by_past(f"block_{at}", schedule, amount, most, bounds, others)

    def _netted_steps(self, chain: int, group: int) -> Ints:
        return self.sheet.case.prices.netting[chain].groups[group].steps

    # ---- demand ------------------------------------------------------------------------------------------------

    def _demand(self, at: int, term: DemandTerm) -> list[StatedSchedule]:
        measured = self._measured(f"demand_{at}", term)
        self.measured.append(measured)
        self.most_kw.append(self._most_kw(term))
        billed = self.sheet.column(f"demand_{at}_billed")
        self.sheet.row(f"demand_{at}_billed_floor", AT_LEAST, [(billed, 1.0)], term.floor_kw)
        if term.mean is not None:
            most = self._mean_of_months(f"demand_{at}", at, term.mean, billed)
            return self._demand_money(at, term, billed, max(most, term.floor_kw))
        self.sheet.row(f"demand_{at}_billed_measured", AT_LEAST, [(billed, 1.0), *negated(measured)], 0.0)
        for earlier in term.ratchet_terms:
            share = [
                (variable, -factor * term.ratchet_fraction) for variable, factor in self.measured[earlier]
            ]
            self.sheet.row(f"demand_{at}_ratchet_{earlier}", AT_LEAST, [(billed, 1.0), *share], 0.0)
        ratchets = [term.ratchet_fraction * self.most_kw[earlier] for earlier in term.ratchet_terms]
        return self._demand_money(at, term, billed, max(self.most_kw[at], term.floor_kw, *ratchets, 0.0))

    def _mean_of_months(self, name: str, at: int, mean: MonthsMean, billed: Any) -> float:  # noqa: ANN401 - PuLP's
        """State the mean of months' peaks as a floor of what is billed; return the most it can be. [kW]."""
        least, share, most = mean.each_at_least_kw, 1.0 / mean.months, mean.past_kw
        peaks: Terms = []
        for month in (*mean.earlier_terms, at):
            peak = self.sheet.column(f"{name}_peak_of_{month}", lower=least)
            self.sheet.row(
                f"{name}_peak_{month}", AT_LEAST, [(peak, 1.0), *negated(self.measured[month])], 0.0
            )
            peaks.append((peak, -share))
            most += max(self.most_kw[month], least)
        self.sheet.row(f"{name}_mean", AT_LEAST, [(billed, 1.0), *peaks], mean.past_kw * share)
        return most * share

    def _demand_money(self, at: int, term: DemandTerm, billed: Any, most: float) -> list[StatedSchedule]:  # noqa: ANN401
        """Price what is billed by every schedule of a charge."""
        self.most_billed_kw.append(most)
        stated = []
        for place, schedule in enumerate(term.schedules):
            views = [view.demand[at][place] for view in self.views]
            part = self.sheet.schedule(
                f"demand_{at}_price_{place}", schedule, [(billed, 1.0)], (0.0, most), views
            )
            self._charge(part.money(schedule))
            stated.append(part)
        return stated

    def _most_kw(self, term: DemandTerm) -> float:
        each = self.sheet.most_import_kwh[term.steps]
        return float((np.bincount(term.interval, weights=each) / term.hours).max())

    def _measured(self, name: str, term: DemandTerm) -> Terms:
        imports = self.sheet.families["import"]
        days = int(term.day.max()) + 1
        daily = (
            [self.sheet.column(f"{name}_peak")] * days
            if term.days_averaged == 1
            else self.sheet.statement.family(f"{name}_daily", days)
        )
        by_interval: list[Terms] = [[] for _ in term.hours]
        for step, interval in zip(term.steps.tolist(), term.interval.tolist(), strict=True):
            by_interval[interval].append((imports[step], 1.0 / float(term.hours[interval])))
        self.sheet.statement.row_family(
            f"{name}_interval",
            AT_LEAST,
            (
                ([(daily[day], 1.0), *negated(power)], 0.0)
                for day, power in zip(term.day.tolist(), by_interval, strict=True)
            ),
        )
        if term.days_averaged == 1:
            return [(daily[0], 1.0)]
        count = term.days_averaged
        if count >= days:
            return [(highest, 1.0 / count) for highest in daily]
        # Σ of the n largest = min over top of n·top + Σ max(daily - top, 0)
        top = self.sheet.column(f"{name}_top")
        over = self.sheet.statement.family(f"{name}_over", days)
        self.sheet.statement.row_family(
            f"{name}_over_top",
            AT_LEAST,
            (([(o, 1.0), (top, 1.0), (d, -1.0)], 0.0) for o, d in zip(over, daily, strict=True)),
        )
        return [(top, 1.0), *((o, 1.0 / count) for o in over)]

    def sum_priced(self, family: str, steps: Ints, prices: Floats) -> Terms:
        """Return a family of flows over steps, each at its price."""
        columns = self.sheet.families.get(family)
        if columns is None:
            return []
        return [
            (columns[t], price) for t, price in zip(steps.tolist(), prices.tolist(), strict=True) if price
        ]
