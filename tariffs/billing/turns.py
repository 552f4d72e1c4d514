"""What is taken of other lines, in turn: percentages plain, capped or by tiers, and top-ups to minimum bills."""

from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import replace
from decimal import Decimal

from tariffs.billing.lines import ZERO, BillLine, Placed, money, ratio, rounded_line, shared, text
from tariffs.billing.tiers import RESOLUTION, Measured, range_text
from tariffs.billing.usage import Usage
from tariffs.periods.credit import credit_period
from tariffs.periods.runs import Run, turns
from tariffs.sheet.export_credit import ExportCredit
from tariffs.sheet.percent import Adjustment, PercentStep
from tariffs.sheet.tariff import EVERYTHING
from tariffs.sheet.usage import Minimum

_HUNDRED = Decimal(100)


def with_turns(measured: Measured, period: int, lines: list[Placed]) -> list[Placed]:
    """Return the lines of a period with its percentages and top-ups behind them, in the tariff's order."""
    found = list(lines)
    for turn in turns(measured.layout, period):
        if isinstance(turn.item, ExportCredit):
            added = list(_by_days(measured, turn.run, _credited(measured, turn.item, turn.run, found)))
        elif isinstance(turn.item, Minimum):
            added = _topped_up(measured, turn.item, turn.run, found)
        elif turn.item.is_plain:
            added = [_plain(measured, turn.item, turn.run, found)]
        else:
            added = list(_by_days(measured, turn.run, _uneven(measured, turn.item, turn.run, found)))
        found += added
    return found


def _rounded(measured: Measured, line: BillLine) -> BillLine:
    return replace(line, billed_amount=rounded_line(line, measured.layout.tariff.rounding))


def _plain(measured: Measured, item: Adjustment, run: Run, lines: list[Placed]) -> Placed:
    """Return the line of one percentage: what of it each part owes follows from what is due there."""
    counted = _counted(item, lines)
    base, billed_base = _owed(counted, run.parts)
    rate = (item.percent or ZERO) / _HUNDRED
    exact = rate * base
    line = _line(measured, item, "", item.percent or ZERO, (exact, rate * billed_base, billed_base))
    return Placed(line, {part: rate * _owed(counted, (part,))[0] for part in run.parts})


def _line(
    measured: Measured,
    item: Adjustment,
    which: str,
    percent: Decimal,
    amounts: tuple[Decimal, Decimal, Decimal],
) -> BillLine:
    """Return a percentage's line; `amounts`: the exact one, the billed one unrounded, and what the latter is of."""
    exact, billed, base = amounts
    label = f"{item.name} {percent:+f}%{which}"
    rate = percent / _HUNDRED
    line = BillLine(
        label, "adjustment", base, measured.layout.tariff.currency, rate, exact, billed, item.name
    )
    return _rounded(measured, line)


def _uneven(measured: Measured, item: Adjustment, run: Run, lines: list[Placed]) -> Iterator[BillLine]:
    """Yield the lines of a percentage with a ceiling, or with a rate for each tier of the total."""
    base, billed_base = _owed(_counted(item, lines), run.parts)
    months = ratio(run.months)
    if item.at_most is not None:
        yield _capped(measured, item, item.at_most * months, (base, billed_base))
        return
    exact = _portions(item, months, _kwh(measured.usage, run), base)
    billed = _portions(item, months, _kwh(measured.rounded or measured.usage, run), billed_base)
    for step, which, part, billed_part in zip(
        item.steps, _ranges(measured, item, months), exact, billed, strict=True
    ):
        rate = step.percent / _HUNDRED
        if rate and (part or billed_part):
            amounts = rate * part, rate * billed_part, billed_part
            yield _line(measured, item, which, step.percent, amounts)


def _kwh(usage: Sequence[Usage], run: Run) -> Decimal:
    return sum((sum(usage[part].billed.values(), ZERO) for part in run.parts), ZERO)


def _capped(measured: Measured, item: Adjustment, most: Decimal, bases: tuple[Decimal, Decimal]) -> BillLine:
    rate = (item.percent or ZERO) / _HUNDRED
    exact, billed = (min(rate * base, most) if rate > 0 else max(rate * base, -most) for base in bases)
    if exact == rate * bases[0]:
        return _line(measured, item, "", item.percent or ZERO, (exact, billed, bases[1]))
    label = f"{item.name} {item.percent or ZERO:+f}%: at most {text(most, 4)}"
    return _rounded(measured, replace(money(label, ("adjustment", item.name), exact), billed_amount=billed))


def _portions(item: Adjustment, months: Decimal, kwh: Decimal, base: Decimal) -> list[Decimal]:
    """Return how much of an amount is due at each step's percentage."""
    total = kwh if item.by_kwh else base
    filled = _whole(item.steps, months, total) if item.whole_band else _filled(item.steps, months, total)
    if not item.by_kwh and not item.whole_band:
        return filled
    in_all = sum(filled, ZERO)
    if not in_all:
        return [base, *(ZERO for _ in filled[1:])]
    return [base * part / in_all if part else ZERO for part in filled]


def _whole(steps: Iterable[PercentStep], months: Decimal, total: Decimal) -> list[Decimal]:
    """Put everything in the step that a total falls in."""
    found, placed = [], False
    for step in steps:
        here = not placed and (step.limit is None or total <= step.limit * months + RESOLUTION)
        found.append(Decimal(int(here)))
        placed = placed or here
    return found


def _filled(steps: Iterable[PercentStep], months: Decimal, total: Decimal) -> list[Decimal]:
    """Fill steps from the first on; what is nothing or less lies in the first."""
    found, below = [], ZERO
    for step in steps:
        upper = total if step.limit is None else step.limit * months
        found.append(max(min(total, upper) - below, ZERO))
        below = upper
    return found if total > 0 else [total, *(ZERO for _ in found[1:])]


def _ranges(measured: Measured, item: Adjustment, months: Decimal) -> Iterator[str]:
    below = ZERO
    unit = "kWh" if item.by_kwh else measured.layout.tariff.currency
    for step in item.steps:
        upper = None if step.limit is None else step.limit * months
        yield f", {range_text(below, upper, unit)}"
        below = upper or ZERO


def _topped_up(measured: Measured, item: Minimum, run: Run, lines: list[Placed]) -> list[Placed]:
    per_day, per_month = item.per_day or ZERO, item.per_month or ZERO
    least = per_day * ratio(run.days) + per_month * ratio(run.months)
    base, billed_base = _owed(_counted(item, lines), run.parts)
    exact = max(least - base, ZERO)
    line = money(f"{item.name}: top-up to {text(least, 4)}", ("minimum", item.name), exact)
    line = _rounded(measured, replace(line, billed_amount=max(least - billed_base, ZERO)))
    if not exact and not line.billed_amount:
        return []
    return list(_by_days(measured, run, [line]))


def _credited(measured: Measured, item: ExportCredit, run: Run, lines: list[Placed]) -> list[BillLine]:
    """Return the lines of the credit that exports earned."""
    if measured.credit is None:
        return []
    layout = measured.layout
    found = measured.credit.settle(
        _owed(_counted(item, lines), run.parts),
        credit_period(layout, run.period, item),
        layout.tariff.currency,
    )
    return [_rounded(measured, line) for line in found]


def _by_days(measured: Measured, run: Run, lines: Iterable[BillLine]) -> Iterator[Placed]:
    """Share lines that follow from a whole run's money out over its parts."""
    for line in lines:
        yield shared(line, {at: measured.layout.parts[at].days for at in run.parts})


def _counted(item: Adjustment | Minimum | ExportCredit, lines: Iterable[Placed]) -> list[Placed]:
    """Return the lines that an item names by their group or their name, and does not except."""
    wanted, barred = item.applies_to, item.not_to if isinstance(item, Adjustment) else ()
    if EVERYTHING in wanted:
        wanted = ()
    return [
        placed
        for placed in lines
        if (not wanted or not _tags(placed).isdisjoint(wanted)) and _tags(placed).isdisjoint(barred)
    ]


def _tags(placed: Placed) -> set[str]:
    """Return what a line is named by: its group, its name and its register."""
    return {placed.line.kind, placed.line.name, placed.line.register}


def _owed(lines: Iterable[Placed], parts: Collection[int]) -> tuple[Decimal, Decimal]:
    """Add up the exact and the billed amounts that parts of a period owe."""
    amounts = [placed.owed(parts) for placed in lines]
    return sum((exact for exact, _ in amounts), ZERO), sum((billed for _, billed in amounts), ZERO)
