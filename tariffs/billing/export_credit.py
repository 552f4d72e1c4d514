"""Exports kept as a credit in money: earned, brought forward, used, expired, settled."""

from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from decimal import Decimal

from tariffs.billing.lines import ZERO, BillLine, Placed, money, priced, text
from tariffs.periods.credit import CreditPeriod
from tariffs.sheet.export_credit import ExportCredit

_HUNDRED = Decimal(100)


@dataclass
class Account:
    """Credits at hand: what each bill earned and is not used yet, by the bill's month, the oldest first."""

    lots: list[tuple[int, Decimal]] = field(default_factory=list)

    @property
    def held(self) -> Decimal:
        """All of them."""
        return sum((amount for _, amount in self.lots), ZERO)

    def expire(self, before: int) -> Decimal:
        """Drop what was earned before a month; return it."""
        lost = sum((amount for month, amount in self.lots if month < before), ZERO)
        self.lots = [lot for lot in self.lots if lot[0] >= before]
        return lost

    def use(self, wanted: Decimal) -> Decimal:
        """Take off the oldest first, as far as it goes; return what was taken."""
        used = min(self.held, wanted)
        left = used
        kept = []
        for month, amount in self.lots:
            spent = min(amount, left)
            left -= spent
            if amount > spent:
                kept.append((month, amount - spent))
        self.lots = kept
        return used


@dataclass
class Credit:
    """The credit of a series' bills: exact, and as the bills print it; and what the bill in hand earned."""

    item: ExportCredit
    exact: Account = field(default_factory=Account)
    billed: Account = field(default_factory=Account)
    earned: tuple[Decimal, Decimal] = (ZERO, ZERO)

    def earn(self, lines: Iterable[Placed], currency: str) -> list[Placed]:
        """Keep what lines of exports earn; return the lines with what was earned in place of money."""
        found, exact, billed = [], ZERO, ZERO
        for placed in lines:
            line = placed.line
            if line.kind != "export":
                found.append(placed)
                continue
            exact, billed = exact - line.amount, billed - line.billed_amount
            at = "" if line.unit_price is None else f" at {text(-line.unit_price, 6)}"
            label = f"{line.label}, earned{at}"
            told = priced(label, ("netting", line.name), -line.billed_amount, ZERO, currency)
            found.append(Placed(replace(told, register=line.register), {}))
        self.earned = exact, billed
        return found

    def settle(self, bases: tuple[Decimal, Decimal], period: CreditPeriod, currency: str) -> list[BillLine]:
        """Work the account of one bill out; return its lines. ``bases`` are the charges, exact and as billed."""
        exact = self._worked(self.exact, bases[0], self.earned[0], period)
        billed = self._worked(self.billed, bases[1], self.earned[1], period)
        name = self.item.name
        lines = [
            priced(f"{name} {what}", ("netting", name), billed[what], ZERO, currency)
            for what in ("brought forward", "expired")
            if billed[what]
        ]
        lines += [
            replace(money(f"{name} {what}", ("export", name), -exact[what]), billed_amount=-billed[what])
            for what in ("charged", "used", "paid out")
            if exact[what] or billed[what]
        ]
        lines += [
            priced(f"{name} {what}", ("netting", name), billed[what], ZERO, currency)
            for what in ("lost", "carried forward")
            if billed[what]
        ]
        return lines

    def _worked(
        self, account: Account, base: Decimal, earned: Decimal, period: CreditPeriod
    ) -> dict[str, Decimal]:
        before, charged = account.held, max(-earned, ZERO)
        earned = max(earned, ZERO)
        expired = account.expire(period.oldest)
        if self.item.first_use == "this-bill":
            account.lots.append((period.month, earned))
        used = account.use(max(base, ZERO))
        if self.item.first_use == "next-bill":
            account.lots.append((period.month, earned))
        paid = lost = ZERO
        if period.settles or period.expires_at_once:
            left = account.held
            paid = left * self.item.settlement_percent / _HUNDRED if period.settles else ZERO
            lost = left - paid
            account.lots.clear()
        return {
            "brought forward": before,
            "expired": expired,
            "charged": -charged,
            "used": used,
            "paid out": paid,
            "lost": lost,
            "carried forward": account.held,
        }
