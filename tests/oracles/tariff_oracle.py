"""A second statement of a tariff's money on top of `oracle`'s flows, for ``scipy.optimize.milp``.

Written from the algebra that `tariffs.terms` documents, and from nothing of the product's program. Where that fills
blocks, this cuts every schedule into straight pieces and picks one; where that places binaries on the steps where
trading or wasting would pay, this has them on every step; where that states the mean of the largest days by a
threshold, this writes a row for every choice of days.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import combinations
from typing import TYPE_CHECKING, Any

import numpy as np

from oracles.household import household_of
from oracles.linear_model import BIG, ONE, Model, Sum, plus, scheduled, scheduled_by_past
from oracles.oracle import COLUMNS
from tariffs.terms.money_terms import CreditTerm, MinimumTerm
from tariffs.terms.schedules import RESOLUTION

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from dispatch.case.case import Case
    from oracles.household import Array
    from tariffs.terms.flow_terms import DemandTerm, NettingTerm, RebateTerm
    from tariffs.terms.money_terms import CountingTerm, PercentTerm
    from tariffs.terms.schedules import Schedule
    from tariffs.terms.terms import PricedSteps


@dataclass
class Stated:
    """Expressions of what a bill's terms are priced by."""

    billed: list[list[Sum]] = field(default_factory=list)
    set_off: list[list[Sum]] = field(default_factory=list)
    left: list[Sum] = field(default_factory=list)
    kw: list[Sum] = field(default_factory=list)


class Tariff:
    """The money of a case, stated."""

    def __init__(self, case: Case) -> None:
        self.prices: PricedSteps = case.prices
        self.model = Model(household_of(case))
        self.case = case
        house, hardware = self.model.house, self.model.house.hardware
        charge = min(hardware.grid_charge_kw, hardware.total_charge_kw) * case.dt_hours
        self.most_in = house.load + house.idle + house.other + charge
        limit = hardware.inverter_kw * case.dt_hours
        if hardware.export_limit_kw is not None:
            limit = min(limit, hardware.export_limit_kw * case.dt_hours)
        self.most_out = np.full(house.steps, limit if hardware.feed_in == "grid" else 0.0)
        self.stated = Stated()
        self._no_nonsense()
        self._net()
        self._miss()
        self._measure()
        self.saved = [self._saved(term) for term in self.prices.rebates]

    def _no_nonsense(self) -> None:
        """No step buys and sells, none charges and discharges, whatever it would gain."""
        model, hardware, dt = self.model, self.model.house.hardware, self.case.dt_hours
        for t in range(model.house.steps):
            buys, sells = model.flow("import", [t]), model.flow("export", [t])
            model.either(buys, sells, (float(self.most_in[t]), float(self.most_out[t])))
            into = plus(model.flow("grid_to_battery", [t]), model.flow("sun_to_battery", [t]))
            out = plus(model.flow("battery_to_load", [t]), model.flow("battery_to_grid", [t]))
            model.either(
                into, out, (hardware.total_charge_kw * dt, hardware.inverter_kw * dt / hardware.eta_inverter)
            )

    def _net(self) -> None:
        model, banks, total = self.model, dict[int, Sum](), float(self.most_out.sum())
        opening = 0.0
        for term in self.prices.netting:
            for band, kwh in term.opening_kwh:
                banks[band] = plus(banks.get(band, {}), {ONE: kwh})
                opening += kwh
            keys = [group.band if term.across == "same-band" else -1 for group in term.groups]
            bought = [model.flow("import", group.steps) for group in term.groups]
            needs = self._needs(term, keys, bought, banks)
            billed = []
            for key, need, group in zip(keys, needs, term.groups, strict=True):
                most = float(self.most_in[group.steps].sum())
                spent = model.column()
                unmet, kept = plus(need, {spent: -1.0}), plus(banks[key], {spent: -1.0})
                model.row(unmet, 0.0, np.inf)
                model.row(kept, 0.0, np.inf)
                model.either(unmet, kept, (most, total + opening))
                banks[key] = kept
                billed.append(unmet)
            self.stated.billed.append(billed)
            pairs = zip(bought, billed, strict=True)
            self.stated.set_off.append([plus(b, plus(unmet, factor=-1.0)) for b, unmet in pairs])
            self.stated.left.append(plus(*banks.values()) if term.leftover == "paid" else {})
            if term.leftover != "carried":
                banks = {}

    def _needs(
        self, term: NettingTerm, keys: list[int], bought: list[Sum], banks: dict[int, Sum]
    ) -> list[Sum]:
        needs = []
        for key, group, buys in zip(keys, term.groups, bought, strict=True):
            sold, need = self.model.flow("export", group.steps), buys
            if term.across != "any-band":
                over, under = self.model.column(), self.model.column()
                self.model.row(plus({over: 1.0, under: -1.0}, plus(buys, factor=-1.0), sold), 0.0, 0.0)
                most = float(self.most_in[group.steps].sum()), float(self.most_out[group.steps].sum())
                self.model.either({over: 1.0}, {under: 1.0}, most)
                need, sold = {over: 1.0}, {under: 1.0}
            banks[key] = plus(banks.get(key, {}), sold)
            needs.append(need)
        return needs

    def _measure(self) -> None:
        measured: list[Sum] = []
        for term in self.prices.demand:
            kw, billed = self._measured(term), {self.model.column(): 1.0}
            measured.append(kw)
            self.model.row(billed, term.floor_kw, np.inf)
            if term.mean is not None:
                mean: Sum = {ONE: term.mean.past_kw / term.mean.months}
                for month in (*(measured[at] for at in term.mean.earlier_terms), kw):
                    peak = {self.model.column(): 1.0}
                    self.model.row(peak, term.mean.each_at_least_kw, np.inf)
                    self.model.row(plus(peak, plus(month, factor=-1.0)), 0.0, np.inf)
                    mean = plus(mean, plus(peak, factor=1.0 / term.mean.months))
                self.model.row(plus(billed, plus(mean, factor=-1.0)), 0.0, np.inf)
                self.stated.kw.append(billed)
                continue
            self.model.row(plus(billed, plus(kw, factor=-1.0)), 0.0, np.inf)
            for at in term.ratchet_terms:
                self.model.row(plus(billed, plus(measured[at], factor=-term.ratchet_fraction)), 0.0, np.inf)
            self.stated.kw.append(billed)

    def _saved(self, term: RebateTerm) -> Sum:
        """What is saved below a baseline: the largest over every choice of days, or nothing; one binary picks."""
        used = self.model.flow("import", term.steps)
        baselines: list[Sum] = [{ONE: term.known_kwh}] if term.known_kwh is not None else []
        for chosen in combinations(term.like, term.counted) if not baselines else ():
            flows = (self.model.flow("import", steps) for steps in chosen)
            baselines.append(plus(*(plus(flow, factor=1.0 / term.counted) for flow in flows)))
        saved, picked = {self.model.column(): 1.0}, {}
        for baseline in baselines:
            pick = self.model.column(1.0, whole=True)
            picked[pick] = 1.0
            short = plus(saved, plus(baseline, factor=-1.0), used, {pick: 1e3})
            self.model.row(short, -np.inf, 1e3)
        nothing = self.model.column(1.0, whole=True)
        self.model.row(plus(saved, {nothing: 1e3}), -np.inf, 1e3)
        self.model.row({**picked, nothing: 1.0}, 1.0, 1.0)
        return saved

    def _measured(self, term: DemandTerm) -> Sum:
        days = [self.model.column() for _ in range(int(term.day.max()) + 1)]
        for interval, hours in enumerate(term.hours):
            mean = plus(self.model.flow("import", term.steps[term.interval == interval]), factor=1 / hours)
            self.model.row(plus({days[term.day[interval]]: 1.0}, plus(mean, factor=-1.0)), 0.0, np.inf)
        kw = {self.model.column(): 1.0}
        for chosen in combinations(days, term.days_averaged):
            share = dict.fromkeys(chosen, -1.0 / term.days_averaged)
            self.model.row(plus(kw, share), 0.0, np.inf)
        return kw

    def money(self) -> Sum:
        """State all of it: energy, terms, minimum bills and wear."""
        prices, model = self.prices, self.model
        steps = range(model.house.steps)
        total = self._energy(steps, prices.import_price_per_kwh, prices.export_price_per_kwh)
        counting = prices.counting
        bases = [self._base(term) for term in counting]
        for at in range(len(prices.blocks)):
            schedules = [prices.blocks[at].schedule]
            schedules += [s for m in counting for b, s in m.blocks if b == at]
            first, *others = self._block_money(at, schedules)
            total = plus(total, first)
            self._into(bases, [any(b == at for b, _ in m.blocks) for m in counting], others)
        for at, short in enumerate(prices.kwh_minimums):
            total = plus(total, plus(self.missing[at], factor=short.price_per_kwh))
        most_kw = 1e3
        for at, demand in enumerate(prices.demand):
            for schedule in demand.schedules:
                total = plus(total, *scheduled(model, self.stated.kw[at], [schedule], most_kw))
            for place, term in enumerate(counting):
                for schedule in (each for d, owed in term.demand if d == at for each in owed):
                    parts = scheduled(model, self.stated.kw[at], [schedule], most_kw)
                    bases[place] = plus(bases[place], *parts)
        for at, netting in enumerate(prices.netting):
            values = [group.value_per_kwh for group in netting.groups]
            total = plus(total, self._credit(at, values, netting.leftover_price_per_kwh))
        total = plus(total, self._counted(bases))
        return plus(total, self._wear(), {ONE: prices.fixed_total})

    def _account(self, term: CreditTerm, base: Sum, held: Sum) -> tuple[Sum, Sum]:
        """Work one bill of an export credit: what is used is the least of both, by a binary."""
        earned = plus(
            self._energy(term.steps, 0 * term.earned_per_kwh, -term.earned_per_kwh), {ONE: term.earned_fixed}
        )
        parts = (plus(self._block_money(at, [s])[0], factor=-1.0) for at, s in term.earned_blocks)
        earned = plus(earned, *parts)
        hand = plus(held, {ONE: term.opening}, earned if term.at_once else {})
        used = {self.model.column(): 1.0}
        rest, unpaid = plus(hand, plus(used, factor=-1.0)), plus(base, plus(used, factor=-1.0))
        self.model.row(rest, 0.0, np.inf)
        self.model.row(unpaid, 0.0, np.inf)
        self.model.either(rest, unpaid, (BIG, BIG))
        left = rest if term.at_once else plus(rest, earned)
        if term.settled_fraction is not None:
            return plus(used, plus(left, factor=term.settled_fraction)), {}
        return used, {} if term.lost_at_end else left

    def _counted(self, bases: list[Sum]) -> Sum:
        """State rebates, minimum bills, uneven percentages and credits, in their order."""
        prices, model = self.prices, self.model
        total: Sum = {}
        for saved, rebate in zip(self.saved, prices.rebates, strict=True):
            total = plus(total, plus(saved, factor=-rebate.price_per_kwh))
        found: dict[int, Sum] = {}
        held: Sum = {}
        for term, base in zip(prices.counting, bases, strict=True):
            parts = [self._credit(at, values, left) for at, values, left in term.netting]
            parts += [plus(self.missing[at], factor=price) for at, price in term.kwh_minimums]
            parts += [plus(found[order], factor=factor) for order, factor in term.counts]
            parts += [plus(self.saved[at], factor=-price) for at, price in term.rebates]
            whole = plus(base, *parts)
            if isinstance(term, CreditTerm):
                gained, held = self._account(term, whole, held)
                total = plus(total, plus(gained, factor=-term.topup_factor))
                continue
            if isinstance(term, MinimumTerm):
                topup = {model.column(): 1.0}
                model.either(plus(topup, whole, {ONE: -term.minimum}), topup, (BIG, BIG))
                model.row(plus(topup, whole), term.minimum, np.inf)
                found[term.order] = topup
            else:
                found[term.order] = self._percentage(term, whole)
            total = plus(total, plus(found[term.order], factor=term.topup_factor))
        return total

    def _block_money(self, at: int, schedules: Sequence[Schedule]) -> list[Sum]:
        """Price the energy of a block term by several schedules of the same limits."""
        block, model = self.prices.blocks[at], self.model
        assert not block.together, "the program says that it cannot state this"
        amount, most = self._amount(at)
        if block.schedule.by_past and block.past_use is not None:
            past = block.past_use
            flows = [
                plus(model.flow("import", steps), factor=share / past.months) for steps, share in past.counted
            ]
            mean = plus(*flows, {ONE: past.past_kwh / past.months})
            return scheduled_by_past(model, amount, schedules, most, mean)
        if not (block.earlier or block.opening_kwh):
            return scheduled(model, amount, schedules, most)
        each = [self._amount(other) for other in block.earlier]
        before = plus({ONE: block.opening_kwh}, *(kwh for kwh, _ in each))
        most_before = block.opening_kwh + sum(kwh for _, kwh in each)
        above = scheduled(model, plus(before, amount), schedules, most_before + most)
        below = scheduled(model, before, schedules, most_before)
        return [plus(one, plus(other, factor=-1.0)) for one, other in zip(above, below, strict=True)]

    def _percentage(self, term: PercentTerm, base: Sum) -> Sum:
        """Cut the line of a percentage into straight pieces of (from, to, slope, value at 0), and pick one."""
        first = term.fractions[0]
        cuts = [(-BIG, 0.0, first, 0.0)]
        if np.isfinite(term.most) and first:
            edge = term.most / abs(first)
            cuts += [(0.0, edge, first, 0.0), (edge, BIG, 0.0, edge * first)]
        else:
            low, paid = 0.0, 0.0
            for limit, fraction in zip(term.limits, term.fractions, strict=True):
                high = min(limit, BIG)
                if term.whole:
                    low, high = low + RESOLUTION * bool(low), high + RESOLUTION
                    cuts.append((low, high, fraction, 0.0))
                else:
                    cuts.append((low, high, fraction, paid - fraction * low))
                paid += fraction * (high - low)
                low = limit
        inside: Sum = {}
        picked: Sum = {}
        value: Sum = {}
        for low, high, slope, at_zero in cuts:
            above, pick = self.model.column(), self.model.column(1.0, whole=True)
            self.model.row({above: 1.0, pick: low - high}, -np.inf, 0.0)
            inside = plus(inside, {above: 1.0, pick: low})
            picked[pick] = 1.0
            value = plus(value, {above: slope, pick: at_zero + slope * low})
        self.model.row(picked, 1.0, 1.0)
        self.model.row(plus(inside, plus(base, factor=-1.0)), 0.0, 0.0)
        return value

    def _miss(self) -> None:
        """State what is missing to minimums in kWh: nothing, or exactly that."""
        self.missing: list[Sum] = []
        for short in self.prices.kwh_minimums:
            used = (
                plus(*(self.stated.billed[term][group] for term, group in short.netted))
                if short.netted
                else self.model.flow("import", short.steps)
            )
            missing, over = {self.model.column(): 1.0}, {self.model.column(): 1.0}
            self.model.row(plus(missing, used, plus(over, factor=-1.0)), short.kwh, short.kwh)
            self.model.either(missing, over, (short.kwh, float(self.most_in.sum()) + 1))
            self.missing.append(missing)

    @staticmethod
    def _into(bases: list[Sum], counted: list[bool], parts: list[Sum]) -> None:
        places = [place for place, counts in enumerate(counted) if counts]
        for place, part in zip(places, parts, strict=True):
            bases[place] = plus(bases[place], part)

    def _amount(self, at: int) -> tuple[Sum, float]:
        block = self.prices.blocks[at]
        if block.netted:
            groups = [self.prices.netting[term].groups[group].steps for term, group in block.netted]
            parts = [self.stated.billed[term][group] for term, group in block.netted]
            most = sum(float(self.most_in[steps].sum()) for steps in groups) + 1
            return self._with_missing(at, plus(*parts), most)
        each = self.most_out if block.of_export else self.most_in
        flow = self.model.flow("export" if block.of_export else "import", block.steps)
        return self._with_missing(at, flow, float(each[block.steps].sum()) + 1)

    def _with_missing(self, at: int, kwh: Sum, most: float) -> tuple[Sum, float]:
        for place, short in enumerate(self.prices.kwh_minimums):
            if at in short.blocks:
                kwh, most = plus(kwh, self.missing[place]), most + short.kwh
        return kwh, most

    def _energy(self, steps: Sequence[int] | NDArray[Any], bought: Array, sold: Array) -> Sum:
        buys, sells = self.model.flow("import", steps), self.model.flow("export", steps)
        paid = {c: float(price) for c, price in zip(buys, bought, strict=True)}
        return plus(paid, {c: -float(price) for c, price in zip(sells, sold, strict=True)})

    def _base(self, term: CountingTerm) -> Sum:
        energy = self._energy(term.steps, term.import_price_per_kwh, term.export_price_per_kwh)
        return plus(energy, {ONE: term.base_fixed})

    def _credit(self, at: int, values: Sequence[float] | Array, left: float) -> Sum:
        parts = zip(self.stated.set_off[at], values, strict=True)
        return plus(
            *(plus(kwh, factor=-float(v)) for kwh, v in parts), plus(self.stated.left[at], factor=-left)
        )

    def _wear(self) -> Sum:
        hardware = self.model.house.hardware
        out = [
            self.model.flow(name, range(self.model.house.steps)) for name in COLUMNS if "battery_to" in name
        ]
        return plus(*out, factor=hardware.wear_per_kwh / hardware.eta_discharge)


def least_cost(case: Case) -> float:
    """Return the least that bill and wear can come to, over all schedules that keep every promise."""
    tariff = Tariff(case)
    return tariff.model.solve(tariff.money())
