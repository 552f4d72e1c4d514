"""Exported kWh set off against imported ones, stated for the program; the algebra is that of `tariffs.terms`."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from dispatch.program.schedules import CLEARLY, Money, TermWriter, negated
from dispatch.program.solver import AT_MOST, EQUAL

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dispatch.arrays import Floats
    from tariffs.terms.flow_terms import NettingTerm

    Terms = list[tuple[Any, float]]


@dataclass(frozen=True)
class Bank:
    """Credits at hand, kWh: an expression, and the most it can come to."""

    kwh: Money
    most: float

    def plus(self, terms: Terms, constant: float, most: float) -> Bank:
        """Return the bank with credits added."""
        return Bank(Money([*self.kwh.terms, *terms], self.kwh.constant + constant), self.most + most)


EMPTY = Bank(Money([]), 0.0)


@dataclass(frozen=True)
class StatedNetting:
    """The columns of one netting term: kWh set off by group, as terms, what is billed, and what is left over."""

    set_off: list[Terms]
    billed: list[Any]
    leftover: Money

    def money(self, values: Sequence[float] | Floats, leftover_price: float) -> Money:
        """Price what was set off and what was left over."""
        terms = [
            (variable, -float(value) * factor)
            for value, set_off in zip(values, self.set_off, strict=True)
            for variable, factor in set_off
        ]
        terms += [(variable, -leftover_price * factor) for variable, factor in self.leftover.terms]
        return Money(terms, -leftover_price * self.leftover.constant)


@dataclass
class Netting:
    """States all netting terms in their order."""

    sheet: TermWriter
    stated: list[StatedNetting] = field(default_factory=list)

    def state(self, terms: Sequence[NettingTerm]) -> None:
        """Add the columns and rows of every term."""
        banks: dict[int, Bank] = {}
        for at, term in enumerate(terms):
            for band, kwh in term.opening_kwh:
                banks[band] = banks.get(band, EMPTY).plus([], kwh, kwh)
            set_off, billed = self._net(f"netting_{at}", term, banks)
            left = Money([])
            if term.leftover != "carried":
                if term.leftover == "paid":
                    left = Money(
                        [pair for bank in banks.values() for pair in bank.kwh.terms],
                        sum(bank.kwh.constant for bank in banks.values()),
                    )
                banks.clear()
            self.stated.append(StatedNetting(set_off, billed, left))

    def _net(self, name: str, term: NettingTerm, banks: dict[int, Bank]) -> tuple[list[Terms], list[Any]]:
        """State one term; ``banks`` go in as they were before and come out as after."""
        keys = [group.band if term.across == "same-band" else -1 for group in term.groups]
        bought = [self.sheet.sum("import", group.steps) for group in term.groups]
        most = [float(self.sheet.most_import_kwh[group.steps].sum()) for group in term.groups]
        needs: list[Any] = []
        for at, (group, key) in enumerate(zip(term.groups, keys, strict=True)):
            most_sold = float(self.sheet.most_export_kwh[group.steps].sum())
            sold = self.sheet.sum("export", group.steps)
            need = self.sheet.column(f"{name}_need_{at}")
            if term.across == "any-band":
                self.sheet.row(f"{name}_need_is_{at}", EQUAL, [(need, 1.0), *negated(bought[at])], 0.0)
                banks[key] = banks.get(key, EMPTY).plus(sold, 0.0, most_sold)
            else:
                surplus = self.sheet.column(f"{name}_surplus_{at}")
                balance = [(need, 1.0), (surplus, -1.0), *negated(bought[at]), *sold]
                self.sheet.row(f"{name}_net_{at}", EQUAL, balance, 0.0)
                self._only_one(f"{name}_buys_{at}", (need, most[at]), (surplus, most_sold))
                banks[key] = banks.get(key, EMPTY).plus([(surplus, 1.0)], 0.0, most_sold)
            needs.append(need)
        billed, set_off = [], []
        for at, (need, key) in enumerate(zip(needs, keys, strict=True)):
            left, banks[key] = self._spend(f"{name}_spend_{at}", (need, most[at]), banks[key])
            billed.append(left)
            set_off.append([*bought[at], (left, -1.0)])
        return set_off, billed

    def _only_one(self, name: str, first: tuple[Any, float], second: tuple[Any, float]) -> None:
        """At most one of two columns is above 0; each comes with the most it can be."""
        (one, most_one), (other, most_other) = ((column, most + CLEARLY) for column, most in (first, second))
        if second[1] <= 0:
            self.sheet.row(f"{name}_never", AT_MOST, [(other, 1.0)], 0.0)
            return
        which = self.sheet.column(name, 1.0, integer=True)
        self.sheet.row(f"{name}_first", AT_MOST, [(one, 1.0), (which, -most_one)], 0.0)
        self.sheet.row(f"{name}_second", AT_MOST, [(other, 1.0), (which, most_other)], most_other)

    def _spend(self, name: str, need: tuple[Any, float], bank: Bank) -> tuple[Any, Bank]:
        """Spend min(bank, need): either nothing is left in the bank or nothing is left to be billed."""
        billed, after = self.sheet.column(f"{name}_billed"), self.sheet.column(f"{name}_after")
        # billed = need - spent and after = bank - spent, hence after - billed = bank - need; one of them is 0
        terms = [(after, 1.0), (billed, -1.0), (need[0], 1.0), *negated(bank.kwh.terms)]
        self.sheet.row(f"{name}_is", EQUAL, terms, bank.kwh.constant)
        self._only_one(f"{name}_billed_or_left", (billed, need[1]), (after, bank.most))
        return billed, Bank(Money([(after, 1.0)]), bank.most)
