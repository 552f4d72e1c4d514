"""What a price per step cannot say, stated for the program: blocks, demand, netting, minimum bill, self-trading.

Names are those of `tariffs.terms`, which holds the algebra of the money itself. Stated here::

    blocks    amount = Σ e[k];  0 ≤ e[k] ≤ width[k];  money Σ price[k]·e[k]          rising prices: linear
              falling prices: binary full[k];  e[k] ≥ width[k]·full[k];  e[k+1] ≤ width[k+1]·full[k]
              whole-band: binary in[c], Σ in[c] = 1;  lower[c]·in[c] ≤ amount[c] ≤ upper[c]·in[c]
    demand    daily[i] ≥ Σ import of interval j / hours[j]   for every interval j of day i
              measured = top + Σ over[i]/n;  over[i] ≥ daily[i] - top        (mean of the n largest; n = 1: the peak)
              billed ≥ measured, floor_kw, ratchet_fraction·measured of earlier terms
    netting   need - surplus = bought - sold, one of them 0 (binary);  spent = min(bank, need) (binary)
              billed = need - spent;  the bank carries on in the tariff's order, whatever the price
    minimum   topup ≥ minimum - base
    trade     import ≤ M·buys;  export ≤ M·(1 - buys)            only in steps where trading with oneself would pay
    burn      charge ≤ M·charges;  discharge ≤ M·(1 - charges)   only in steps where wasting energy would pay

Demand, minimum and rising blocks are exact in a linear program because no cost falls when they grow; what is not
so is either given binaries or refused with its reason.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from dispatch.errors import ScenarioError
from dispatch.solver import AT_LEAST, AT_MOST, EQUAL, Statement


if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from dispatch.case import Case
    from tariffs.terms import BlockTerm, DemandTerm, MinimumTerm, NettingTerm, Schedule

    Floats = NDArray[np.float64]
    Terms = list[tuple[Any, float]]

RESOLUTION = 0.0005  # which class an amount falls in is decided to this resolution, as in `tariffs.terms`
PAYS = 1e-9  # money per kWh; a gain below this from trading with oneself is rounding


@dataclass(frozen=True)
class Money:
    """A linear expression in money: terms and a constant."""

    terms: Terms
    constant: float = 0.0


@dataclass(frozen=True)
class StatedSchedule:
    """The columns of one schedule: class indicators (none for a single class) and the fill of each block."""

    indicators: Sequence[Any]
    fills: Sequence[Sequence[Any]]

    def money(self, schedule: Schedule) -> Money:
        """Price the same columns by a schedule of the same shape."""
        terms: Terms = []
        constant = 0.0
        for at, (step, fills) in enumerate(zip(schedule.classes, self.fills, strict=True)):
            terms += [(fill, float(price)) for fill, price in zip(fills, step.prices, strict=True) if price]
            if self.indicators:
                terms.append((self.indicators[at], step.fixed))
            else:
                constant += step.fixed
        return Money(terms, constant)


@dataclass
class StatedNetting:
    """The columns of one netting term: kWh set off by group, as terms, and what is left over."""

    set_off: list[Terms]
    billed: list[Any]
    leftover: Terms

    def money(self, values: Sequence[float] | Floats, leftover_price: float) -> Money:
        """Price what was set off and what was left over."""
        terms = [
            (variable, -float(value) * factor)
            for value, set_off in zip(values, self.set_off, strict=True)
            for variable, factor in set_off
        ]
        return Money(terms + [(variable, -leftover_price * factor) for variable, factor in self.leftover])


@dataclass
class TariffRows:
    """States the terms of a case's tariff; afterwards ``money`` holds their cost by column.

    Parameters
    ----------
    statement : Statement
    case : Case
    families : mapping of str to list
        The program's columns by family.
    """

    statement: Statement
    case: Case
    families: Mapping[str, list[Any]]
    constant: float = 0.0
    money: list[tuple[Any, float]] = field(default_factory=list)

    def __post_init__(self) -> None:
        """State everything, in an order in which each part finds what it builds on."""
        prices = self.case.prices
        self._refuse_hopeless()
        self.netting = self._netting(prices.netting)
        self.blocks = [self._block(at, term) for at, term in enumerate(prices.blocks)]
        self.measured: list[Terms] = []
        self.demand = [self._demand(at, term) for at, term in enumerate(prices.demand)]
        for at, minimum in enumerate(prices.minimums):
            self._minimum(at, minimum)
        self._forbid_self_trading()

    # ---- small helpers -----------------------------------------------------------------------------------------

    def _column(self, name: str, upper: float = math.inf, *, integer: bool = False) -> Any:  # noqa: ANN401 - PuLP's
        return self.statement.family(name, 1, 0.0, upper, integer=integer)[0]

    def _row(self, name: str, sense: int, terms: Terms, right: float) -> None:
        self.statement.row_family(name, sense, [(_merged(terms), right)])

    def _charge(self, money: Money) -> None:
        self.money += money.terms
        self.constant += money.constant

    def _most_import_kwh(self, steps: NDArray[np.int64]) -> float:
        case = self.case
        need = case.load_kwh + case.idle_kwh + case.other_kwh + case.limits.grid_charge_kw * case.dt_hours
        return float(need[steps].sum())

    def _most_export_kwh(self, steps: NDArray[np.int64]) -> float:
        return self.case.limits.inverter_kw * self.case.dt_hours * len(steps)

    def _sum(self, family: str, steps: NDArray[np.int64], factor: float = 1.0) -> Terms:
        columns = self.families.get(family)
        return [] if columns is None else [(columns[t], factor) for t in steps.tolist()]

    # ---- refusals ----------------------------------------------------------------------------------------------

    def _refuse_hopeless(self) -> None:
        for block in self.case.prices.blocks:
            if block.demand is not None:
                self._refuse(
                    f"blocks '{block.name}': limits in hours of demand multiply energy by power, which no linear "
                    "program can state; such a tariff can be billed (dispatch bill) but not optimised"
                )
        for demand in self.case.prices.demand:
            if not all(schedule.is_convex and schedule.classes[0].prices.min() >= 0 for schedule in demand.schedules):
                self._refuse(
                    f"demand '{demand.name}': with a price per kW that falls or jumps, drawing more power could pay; "
                    "such a tariff can be billed (dispatch bill) but not optimised"
                )

    def _refuse(self, why: str) -> None:
        raise ScenarioError(f"{self.case.path}: tariff '{self.case.tariff.name}': {why}")

    # ---- blocks ------------------------------------------------------------------------------------------------

    def _block(self, at: int, term: BlockTerm) -> StatedSchedule:
        if term.netted:
            amount = [(self.netting[chain].billed[group], 1.0) for chain, group in term.netted]
            most = float(sum(self._most_import_kwh(self._netted_steps(*pair)) for pair in term.netted))
        else:
            amount = self._sum("export" if term.of_export else "import", term.steps)
            most = self._most_export_kwh(term.steps) if term.of_export else self._most_import_kwh(term.steps)
        stated = self._schedule(f"block_{at}", term.schedule, amount, most)
        self._charge(stated.money(term.schedule))
        return stated

    def _netted_steps(self, chain: int, group: int) -> NDArray[np.int64]:
        return self.case.prices.netting[chain].groups[group].steps

    def _schedule(self, name: str, schedule: Schedule, amount: Terms, most: float) -> StatedSchedule:
        """State what an amount costs; every amount from 0 to ``most`` has to find its place."""
        if len(schedule.classes) == 1:
            fills = self._fill(name, schedule.classes[0].widths, schedule.classes[0].prices, most)
            self._row(f"{name}_amount", EQUAL, [*((e, 1.0) for e in fills), *_negated(amount)], 0.0)
            return StatedSchedule((), [fills])
        indicators, all_fills, lower = [], [], 0.0
        for place, step in enumerate(schedule.classes):
            indicator = self._column(f"{name}_in_{place}", 1.0, integer=True)
            upper = min(step.upper, most)
            fills = self._fill(f"{name}_{place}", step.widths, step.prices, most)
            inside = [(e, 1.0) for e in fills]
            self._row(f"{name}_most_{place}", AT_MOST, [*inside, (indicator, -max(upper, 0.0))], 0.0)
            self._row(f"{name}_least_{place}", AT_LEAST, [*inside, (indicator, -lower)], 0.0)
            indicators.append(indicator)
            all_fills.append(fills)
            lower = step.upper + 2 * RESOLUTION  # clearly inside: at the limit itself the class below holds
            if lower > most:
                lower = math.inf
                break
        unreached = len(schedule.classes) - len(indicators)
        for place in range(len(indicators), len(indicators) + unreached):
            indicators.append(self._column(f"{name}_in_{place}", 0.0, integer=True))
            all_fills.append([self._column(f"{name}_{place}_fill_{k}", 0.0) for k in range(len(schedule.classes[place].widths))])
        self._row(f"{name}_one", EQUAL, [(indicator, 1.0) for indicator in indicators], 1.0)
        fills_all = [(e, 1.0) for fills in all_fills for e in fills]
        self._row(f"{name}_amount", EQUAL, [*fills_all, *_negated(amount)], 0.0)
        return StatedSchedule(indicators, all_fills)

    def _fill(self, name: str, widths: Floats, prices: Floats, most: float) -> list[Any]:
        """Columns of blocks that fill from the first on; binaries only across a price that falls."""
        room = np.minimum(widths, most)
        fills = [self._column(f"{name}_fill_{k}", float(width)) for k, width in enumerate(room)]
        if np.all(np.diff(prices) >= 0):
            return fills  # rising: the cheap block fills first of its own accord
        for k in range(len(fills) - 1):
            full = self._column(f"{name}_full_{k}", 1.0, integer=True)
            if widths[k] > most:
                self._row(f"{name}_shut_{k}", EQUAL, [(full, 1.0)], 0.0)
            self._row(f"{name}_before_{k}", AT_LEAST, [(fills[k], 1.0), (full, -float(room[k]))], 0.0)
            self._row(f"{name}_after_{k}", AT_MOST, [(fills[k + 1], 1.0), (full, -float(room[k + 1]))], 0.0)
        return fills

    # ---- demand ------------------------------------------------------------------------------------------------

    def _demand(self, at: int, term: DemandTerm) -> list[StatedSchedule]:
        measured = self._measured(f"demand_{at}", term)
        self.measured.append(measured)
        billed = self._column(f"demand_{at}_billed")
        self._row(f"demand_{at}_billed_measured", AT_LEAST, [(billed, 1.0), *_negated(measured)], 0.0)
        self._row(f"demand_{at}_billed_floor", AT_LEAST, [(billed, 1.0)], term.floor_kw)
        for earlier in term.ratchet_terms:
            share = [(variable, -factor * term.ratchet_fraction) for variable, factor in self.measured[earlier]]
            self._row(f"demand_{at}_ratchet_{earlier}", AT_LEAST, [(billed, 1.0), *share], 0.0)
        stated = []
        for place, schedule in enumerate(term.schedules):
            part = self._schedule(f"demand_{at}_price_{place}", schedule, [(billed, 1.0)], math.inf)
            self._charge(part.money(schedule))
            stated.append(part)
        return stated

    def _measured(self, name: str, term: DemandTerm) -> Terms:
        imports = self.families["import"]
        days = int(term.day.max()) + 1
        daily = [self._column(f"{name}_peak")] * days if term.days_averaged == 1 else self.statement.family(f"{name}_daily", days)
        by_interval: list[Terms] = [[] for _ in term.hours]
        for step, interval in zip(term.steps.tolist(), term.interval.tolist(), strict=True):
            by_interval[interval].append((imports[step], 1.0 / float(term.hours[interval])))
        self.statement.row_family(
            f"{name}_interval",
            AT_LEAST,
            (
                ([(daily[day], 1.0), *_negated(power)], 0.0)
                for day, power in zip(term.day.tolist(), by_interval, strict=True)
            ),
        )
        if term.days_averaged == 1:
            return [(daily[0], 1.0)]
        count = term.days_averaged
        if count >= days:
            return [(highest, 1.0 / count) for highest in daily]
        top = self._column(f"{name}_top")  # Σ of the n largest = min over top of n·top + Σ max(daily - top, 0)
        over = self.statement.family(f"{name}_over", days)
        self.statement.row_family(
            f"{name}_over_top",
            AT_LEAST,
            (([(o, 1.0), (top, 1.0), (d, -1.0)], 0.0) for o, d in zip(over, daily, strict=True)),
        )
        return [(top, 1.0), *((o, 1.0 / count) for o in over)]

    # ---- minimum bill ------------------------------------------------------------------------------------------

    def _minimum(self, at: int, term: MinimumTerm) -> None:
        base = self._sum_priced("import", term.steps, term.import_price_per_kwh)
        base += self._sum_priced("export", term.steps, -term.export_price_per_kwh)
        constant = term.base_fixed
        parts = [self.blocks[block].money(schedule) for block, schedule in term.blocks]
        for demand, schedules in term.demand:
            parts += [part.money(s) for part, s in zip(self.demand[demand], schedules, strict=True)]
        parts += [self.netting[chain].money(values, price) for chain, values, price in term.netting]
        for part in parts:
            base += part.terms
            constant += part.constant
        topup = self._column(f"minimum_{at}_topup")
        self._row(f"minimum_{at}", AT_LEAST, [(topup, 1.0), *_merged(base)], term.minimum - constant)
        self.money.append((topup, term.topup_factor))

    def _sum_priced(self, family: str, steps: NDArray[np.int64], prices: Floats) -> Terms:
        columns = self.families.get(family)
        if columns is None:
            return []
        return [(columns[t], price) for t, price in zip(steps.tolist(), prices.tolist(), strict=True) if price]

    # ---- netting -----------------------------------------------------------------------------------------------

    def _netting(self, terms: Sequence[NettingTerm]) -> list[StatedNetting]:
        banks: dict[int, Money] = {}
        stated = []
        for at, term in enumerate(terms):
            for band, kwh in term.opening_kwh:
                old = banks.get(band, Money([]))
                banks[band] = Money(old.terms, old.constant + kwh)
            netting = self._net(f"netting_{at}", term, banks)
            if term.leftover != "carried":
                left = [pair for bank in banks.values() for pair in bank.terms]
                netting.leftover = left if term.leftover == "paid" else []
                self.constant -= sum(bank.constant for bank in banks.values()) * (
                    term.leftover_price_per_kwh if term.leftover == "paid" else 0.0
                )
                banks.clear()
            self._charge(netting.money([group.value_per_kwh for group in term.groups], term.leftover_price_per_kwh))
            stated.append(netting)
        return stated

    def _net(self, name: str, term: NettingTerm, banks: dict[int, Money]) -> StatedNetting:
        """State one term; ``banks`` (kWh, as expressions) go in as they were before and come out as after."""
        own = term.across == "any-band"
        keys = [group.band if term.across == "same-band" else -1 for group in term.groups]
        bought = [self._sum("import", group.steps) for group in term.groups]
        needs: list[Any] = []
        for at, (group, key) in enumerate(zip(term.groups, keys, strict=True)):
            sold = self._sum("export", group.steps)
            most = max(self._most_import_kwh(group.steps), self._most_export_kwh(group.steps))
            need, surplus = self._column(f"{name}_need_{at}", most), self._column(f"{name}_surplus_{at}", most)
            if own:
                self._row(f"{name}_need_is_{at}", EQUAL, [(need, 1.0), *_negated(bought[at])], 0.0)
                self._row(f"{name}_surplus_is_{at}", EQUAL, [(surplus, 1.0), *_negated(sold)], 0.0)
            else:
                balance = [(need, 1.0), (surplus, -1.0), *_negated(bought[at]), *sold]
                self._row(f"{name}_net_{at}", EQUAL, balance, 0.0)
                self._only_one(f"{name}_buys_{at}", need, surplus, most)
            needs.append(need)
            bank = banks.get(key, Money([]))
            banks[key] = Money([*bank.terms, (surplus, 1.0)], bank.constant)
        billed, set_off = [], []
        for at, (need, key) in enumerate(zip(needs, keys, strict=True)):
            left, after = self._spend(f"{name}_spend_{at}", need, banks[key])
            banks[key] = after
            billed.append(left)
            set_off.append([*bought[at], (left, -1.0)])
        return StatedNetting(set_off, billed, [])

    def _only_one(self, name: str, first: Any, second: Any, most: float) -> None:  # noqa: ANN401 - PuLP's columns
        which = self._column(name, 1.0, integer=True)
        self._row(f"{name}_first", AT_MOST, [(first, 1.0), (which, -most)], 0.0)
        self._row(f"{name}_second", AT_MOST, [(second, 1.0), (which, most)], most)

    def _spend(self, name: str, need: Any, bank: Money) -> tuple[Any, Money]:  # noqa: ANN401 - PuLP's columns
        """Spend min(bank, need): either nothing is left in the bank or nothing is left to be billed."""
        most_bank = self._most_export_kwh(np.arange(len(self.case.times))) + bank.constant
        billed, after = self._column(f"{name}_billed"), self._column(f"{name}_after", most_bank)
        # billed = need - spent and after = bank - spent, hence after - billed = bank - need; one of them is 0
        self._row(
            f"{name}_is", EQUAL, [(after, 1.0), (billed, -1.0), (need, 1.0), *_negated(bank.terms)], bank.constant
        )
        self._only_one(f"{name}_billed_or_left", billed, after, max(most_bank, self._most_import_kwh(np.arange(len(self.case.times)))))
        return billed, Money([(after, 1.0)])

    # ---- trading with oneself, burning energy --------------------------------------------------------------------

    def _forbid_self_trading(self) -> None:
        buy, sell = lowest_buying(self.case), highest_selling(self.case)
        case, dt = self.case, self.case.dt_hours
        if "export" in self.families:
            trades = np.flatnonzero(sell > buy + PAYS)
            need = case.load_kwh + case.idle_kwh + case.other_kwh + case.limits.grid_charge_kw * dt
            out = case.limits.inverter_kw * dt
            self._either("trade", trades, ["import"], need, ["export"], np.full(len(need), out))
        burns = np.flatnonzero(buy < -PAYS)
        limits = case.limits
        most_out = limits.inverter_kw * dt / limits.eta_inverter
        self._either(
            "burn",
            burns,
            ["grid_to_battery", "sun_to_battery"],
            np.full(len(buy), limits.total_charge_kw * dt),
            ["battery_to_load", "battery_to_grid"],
            np.full(len(buy), most_out),
        )

    def _either(
        self, name: str, steps: NDArray[np.intp], first: list[str], first_most: Floats, second: list[str], second_most: Floats
    ) -> None:
        if not len(steps):
            return
        which = self.statement.family(name, len(steps), 0.0, 1.0, integer=True)
        ones = [self.families[f] for f in first if f in self.families]
        others = [self.families[f] for f in second if f in self.families]
        self.statement.row_family(
            f"{name}_first",
            AT_MOST,
            (
                ([*((family[t], 1.0) for family in ones), (w, -float(first_most[t]))], 0.0)
                for t, w in zip(steps.tolist(), which, strict=True)
            ),
        )
        self.statement.row_family(
            f"{name}_second",
            AT_MOST,
            (
                ([*((family[t], 1.0) for family in others), (w, float(second_most[t]))], float(second_most[t]))
                for t, w in zip(steps.tolist(), which, strict=True)
            ),
        )


def lowest_buying(case: Case) -> Floats:
    """Return the least that one more bought kWh can cost in each step, shape (n,)."""
    buy = case.prices.import_price_per_kwh.copy()
    for block in case.prices.blocks:
        if not block.of_export:
            lowest = min(float(step.prices.min()) for step in block.schedule.classes)
            if not block.netted:
                buy[block.steps] += lowest
    for term in case.prices.netting:
        if term.across != "any-band":
            for group in term.groups:
                buy[group.steps] -= group.value_per_kwh
    return buy


def highest_selling(case: Case) -> Floats:
    """Return the most that one more sold kWh can earn in each step, shape (n,)."""
    sell = case.prices.export_price_per_kwh.copy()
    for block in case.prices.blocks:
        if block.of_export:
            sell[block.steps] -= min(float(step.prices.min()) for step in block.schedule.classes)
    for term in case.prices.netting:
        if term.across == "any-band":
            paid = term.leftover_price_per_kwh if term.leftover == "paid" else 0.0
            most = max([paid, *(group.value_per_kwh for group in term.groups)])
            for group in term.groups:
                sell[group.steps] += most
    return sell


def _negated(terms: Terms) -> Terms:
    return [(variable, -factor) for variable, factor in terms]


def _merged(terms: Terms) -> Terms:
    """Add up the factors of columns that stand several times."""
    total: dict[int, tuple[Any, float]] = {}
    for variable, factor in terms:
        total[id(variable)] = (variable, total.get(id(variable), (variable, 0.0))[1] + factor)
    return list(total.values())
