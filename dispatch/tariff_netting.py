"""Exported kWh set off against imported ones, stated for the program; the algebra is that of `tariffs.terms`."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from dispatch.solver import AT_MOST, EQUAL
from dispatch.tariff_columns import Money, Sheet, negated

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from tariffs.terms import NettingTerm

    Floats = NDArray[np.float64]
    Terms = list[tuple[Any, float]]


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
class Netting:
    """States all netting terms in their order; ``constant`` is the money of opening credits paid out unused."""

    sheet: Sheet
    constant: float = 0.0
    stated: list[StatedNetting] = field(default_factory=list)

    def state(self, terms: Sequence[NettingTerm]) -> None:
        """Add the columns and rows of every term."""
        banks: dict[int, Money] = {}
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
            self.stated.append(netting)

    def _net(self, name: str, term: NettingTerm, banks: dict[int, Money]) -> StatedNetting:
        """State one term; ``banks`` (kWh, as expressions) go in as they were before and come out as after."""
        own = term.across == "any-band"
        keys = [group.band if term.across == "same-band" else -1 for group in term.groups]
        bought = [self.sheet.sum("import", group.steps) for group in term.groups]
        needs: list[Any] = []
        for at, (group, key) in enumerate(zip(term.groups, keys, strict=True)):
            sold = self.sheet.sum("export", group.steps)
            most = max(self.sheet.most_import_kwh(group.steps), self.sheet.most_export_kwh(group.steps))
            need, surplus = (
                self.sheet.column(f"{name}_need_{at}", most),
                self.sheet.column(f"{name}_surplus_{at}", most),
            )
            if own:
                self.sheet.row(f"{name}_need_is_{at}", EQUAL, [(need, 1.0), *negated(bought[at])], 0.0)
                self.sheet.row(f"{name}_surplus_is_{at}", EQUAL, [(surplus, 1.0), *negated(sold)], 0.0)
            else:
                balance = [(need, 1.0), (surplus, -1.0), *negated(bought[at]), *sold]
                self.sheet.row(f"{name}_net_{at}", EQUAL, balance, 0.0)
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
        which = self.sheet.column(name, 1.0, integer=True)
        self.sheet.row(f"{name}_first", AT_MOST, [(first, 1.0), (which, -most)], 0.0)
        self.sheet.row(f"{name}_second", AT_MOST, [(second, 1.0), (which, most)], most)

    def _spend(self, name: str, need: Any, bank: Money) -> tuple[Any, Money]:  # noqa: ANN401 - PuLP's columns
        """Spend min(bank, need): either nothing is left in the bank or nothing is left to be billed."""
        most_bank = self.sheet.most_export_kwh(np.arange(len(self.sheet.case.times))) + bank.constant
        billed, after = self.sheet.column(f"{name}_billed"), self.sheet.column(f"{name}_after", most_bank)
        # billed = need - spent and after = bank - spent, hence after - billed = bank - need; one of them is 0
        self.sheet.row(
            f"{name}_is",
            EQUAL,
            [(after, 1.0), (billed, -1.0), (need, 1.0), *negated(bank.terms)],
            bank.constant,
        )
        self._only_one(
            f"{name}_billed_or_left",
            billed,
            after,
            max(most_bank, self.sheet.most_import_kwh(np.arange(len(self.sheet.case.times)))),
        )
        return billed, Money([(after, 1.0)])
