"""How much to buy, as sentences for screen and JSON alike."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dispatch.formats import format_hours, format_money, format_number
from dispatch.words.advice import setting_words

if TYPE_CHECKING:
    from collections.abc import Iterator

    from dispatch.sizing.next_step import Judged, NextStep
    from dispatch.sizing.size import Cell, Purchase, Sized
    from dispatch.sizing.worth import Doubt


def packs_words(count: int) -> str:
    """Say how many packs."""
    return "1 pack" if count == 1 else f"{count} packs"


def panels_words(name: str, factor: float) -> str:
    """Say how many panels: the scenario's own are a multiple of themselves."""
    return "no panels" if factor <= 0 else f"panels {name}"


def parts_words(sized: Sized, cell: Cell) -> str:
    """Name all parts of a cell."""
    parts = cell.parts
    several = len({one.parts.unit_count for one in sized.cells}) > 1 or parts.unit_count > 1
    units = f"{parts.unit_count} unit{'s' if parts.unit_count > 1 else ''}, " if several else ""
    return f"{units}{packs_words(parts.pack_count)}, {panels_words(parts.panels.name, parts.panels.factor)}"


def purchase_words(sized: Sized, purchase: Purchase) -> str:
    """Name what is bought: ``1 more pack``, ``panels x1.5 instead of x1``."""
    if purchase.is_nothing:
        return "nothing"
    if sized.now is None:
        return parts_words(sized, purchase.cell)
    said = []
    if purchase.added_units:
        said.append(f"{purchase.added_units} more unit{'s' if purchase.added_units > 1 else ''}")
    if purchase.added_packs:
        said.append(f"{purchase.added_packs} more pack{'s' if purchase.added_packs > 1 else ''}")
    if purchase.added_panels:
        had = sized.now.parts.panels
        instead = "" if had.factor <= 0 else f" instead of {had.name}"
        said.append(f"panels {purchase.cell.parts.panels.name}{instead}")
    return " and ".join(said)


def headline(sized: Sized, step: NextStep) -> str:
    """Say the best next step in a sentence."""
    name, best, currency = sized.case.name, step.best, sized.case.currency
    if step.why == "nothing works":
        return f"{name}: none of these parts serves the whole load."
    if best is None:
        if not step.steps:
            return f"{name}: nothing larger was looked at; ask for more packs with --packs."
        missing = " and ".join(f"sizing.{key}" for key in missing_prices(sized))
        return f"{name}: what to buy hangs on {missing}, not stated; here is what each purchase is worth."
    if best.purchase.is_nothing:
        which = "no purchase whose price is stated" if missing_prices(sized) else "no purchase looked at"
        return f"{name}: buy nothing; {which} earns back its price in {_horizon(sized)}."
    what, price = purchase_words(sized, best.purchase), format_money(best.purchase.price, currency)
    if step.why == "least loss":
        return f"{name}: nothing earns back its price in {_horizon(sized)}; {what}, {price}, loses least."
    run = best.purchase.cell.outcome
    ends = "it earns back more than it costs"
    if (best.npv_low or 0.0) < 0:
        ends = "it is likely to earn back more than it costs, not sure to"
    if step.why == "promise":
        kept = run is not None and run.meets_target
        ends = f"it {'keeps the backup target for the least money' if kept else 'comes closest to the backup target'}"
    return f"{name}: buy {what}, {price}: {ends}."


def missing_prices(sized: Sized) -> list[str]:
    """Name the fields under [sizing] without which some purchase has no price."""
    unpriced = [one for one in sized.purchases if one.price is None]
    sizing = sized.sizing
    life = sized.case.scenario.life
    needed = {
        "pack_price": sizing.pack_price is None
        and (life is None or life.pack_price is None)
        and any(one.added_packs for one in unpriced),
        "unit_price": sizing.unit_price is None and any(one.added_units for one in unpriced),
        "panels_price": sizing.panels_price is None and any(one.added_panels for one in unpriced),
    }
    return [name for name, is_missing in needed.items() if is_missing]


def _horizon(sized: Sized) -> str:
    years = sized.sizing.horizon_years
    return "a year" if years == 1 else f"{years} years"


def money_line(sized: Sized, judged: Judged) -> str:
    """Say what a purchase brings a year, when it has paid itself back, and what it is worth."""
    currency, purchase = sized.case.currency, judged.purchase
    gain = purchase.gain.total
    if gain >= 0:
        brings = f"It lowers the bill by {format_money(gain, currency)} a year"
    else:
        brings = f"It RAISES the bill by {format_money(-gain, currency)} a year"
    horizon = _horizon(sized)
    if judged.npv is None:
        worth = "nothing" if judged.worth <= 0 else f"up to {format_money(judged.worth, currency)}"
        return f"{brings}; over {horizon} that is worth {worth}"
    back = payback_words(sized, judged)
    side = "gain" if judged.npv >= 0 else "LOSS"
    return f"{brings}; {back}; {side} of {format_money(abs(judged.npv), currency)} in {horizon} (net present value)"


def hours_line(sized: Sized, purchase: Purchase) -> str:
    """Say what it does for hours: as set at its own best reserve, and what the parts could keep."""
    horizon = sized.case.limits.backup_horizon_hours
    cell, now = purchase.cell, sized.now

    def hours(value: float) -> str:
        return format_hours(value, horizon)

    before = now is not None and not purchase.is_nothing
    was_usual = f" (now {hours(now.usual_hours)})" if before and now is not None else ""
    was_most = f" (now {hours(now.most_hours)})" if before and now is not None else ""
    return (
        f"Critical load: never less than {hours(cell.least_hours)} h, usually {hours(cell.usual_hours)} h{was_usual}; "
        f"kept full {hours(cell.most_hours)} h{was_most}"
    )


def step_line(sized: Sized, judged: Judged) -> str:
    """Say one purchase in a line: price, gain a year, payback, hours; money without cents."""
    currency, purchase, gain = sized.case.currency, judged.purchase, judged.purchase.gain.total
    what = purchase_words(sized, purchase)
    brings = f"{'saves' if gain >= 0 else 'COSTS'} {currency} {format_number(abs(gain))} a year"
    more = purchase.more_most_hours
    full = f"; {more:+.1f} h kept full" if abs(more) >= 0.05 else ""
    if judged.npv is None or purchase.price is None:
        worth = f"worth up to {currency} {format_number(max(judged.worth, 0.0))}"
        return f"{what}: {brings}, {worth}{full}"
    price = f"{currency} {format_number(purchase.price)}"
    if judged.payback_years is None:
        back = "never back"
    elif judged.discounted_payback_years is None:
        back = f"not back in {_horizon(sized)}"
    else:
        back = f"back in {judged.payback_years:.1f} years"
    return f"{what}, {price}: {brings}, {back}{full}"


def payback_words(sized: Sized, judged: Judged) -> str:
    """Say when the gains of a year, as they are today, have paid the price; and where they never do in time."""
    years = judged.payback_years
    if years is None:
        return "never paid back"
    if judged.discounted_payback_years is None:
        return f"NOT paid back in {_horizon(sized)} ({years:.1f} were nothing to fade)"
    return f"paid back in {years:.1f} years"


def doubt_line(sized: Sized, step: NextStep) -> str | None:
    """Say how sure the money is, and whether doubt would change the choice; None where no price is known."""
    best = step.best
    if best is None or best.npv_low is None or best.npv_high is None:
        return None
    doubted = "price of money, tariff growth and fading"
    if best.purchase.is_nothing:
        return f"Were {doubted} all in its favour: {_then(sized, step.best_high, best)}"
    low, high = (format_number(amount) for amount in (best.npv_low, best.npv_high))
    return (
        f"Not sure: {low} to {high} {sized.case.currency} with {doubted} all against it "
        f"({_then(sized, step.best_low, best)}) or all for it ({_then(sized, step.best_high, best)})"
    )


def _then(sized: Sized, other: Judged | None, best: Judged) -> str:
    if other is None or other.purchase is best.purchase:
        return "still the best choice" if not best.purchase.is_nothing else "still nothing"
    return f"best then: {purchase_words(sized, other.purchase)}"


def doubt_words(doubt: Doubt, currency: str) -> str:
    """Say what one uncertain figure does."""
    ends = (doubt.low, doubt.high)
    if doubt.name == "fading":
        figures = " to ".join(f"{value:g}" for value in ends) + " times as fast"
    else:
        figures = " to ".join(f"{100 * value:.3g}" for value in ends) + " % a year"
    low, high = (format_money(amount, currency) for amount in (doubt.npv_low, doubt.npv_high))
    return f"{doubt.name}, {figures}: {low} to {high}"


def assumptions(sized: Sized) -> Iterator[str]:
    """Say what the money rests on."""
    sizing = sized.sizing
    fade = sizing.pack_fade_per_year_fraction
    life = sized.case.scenario.life
    packs = f"{100 * fade:g} % a year" if fade is not None else "as [life] gives with each way of running"
    if fade is None and life is None:
        packs = "2 % a year (assumed; state [life])"
    yield (
        f"{_horizon(sized)}, price of money {100 * sizing.discount_per_year_fraction:g} % a year, tariff "
        f"{100 * sizing.tariff_growth_per_year_fraction:+g} % a year, packs fade {packs}, panels "
        f"{100 * sizing.panels_fade_per_year_fraction:g} % a year; all of it stands under [sizing]"
    )
    yield (
        "Money gained is the bill, wear left out: the price of the packs stands for it. What packs bring counts until "
        "80 % is left where [life] is stated. Taxes, grants and repairs are not counted"
    )


def notes(sized: Sized) -> Iterator[str]:
    """Say how to read the tables."""
    yield (
        "Every line is as set: an inverter that sees only the present, at the strategy and reserve that are "
        "recommended for those parts; what dispatch compare says of a scenario with them"
    )
    yield (
        "Least: at the worst moment of the data, without sun. Kept full: the same with the highest reserve that can be "
        "entered; more hours than the target asks for cost money, see dispatch frontier"
    )
    yield "Saving is bill without the system less bill + wear; a miss (!) is a backup target that is not kept"
    if sized.years != 1.0:
        days = sized.years * 365.0
        yield f"THE DATA HOLD {days:,.0f} DAYS: a year is taken to be like them; other seasons are not seen"
    if sized.packs_cut:
        yield "The units take more packs than were looked at; ask for them with --packs"
    if any(cell.loss is not None for cell in sized.cells):
        yield "Dark: critical energy that the stated outages are expected to leave unserved; not part of the money"
    for cell in sized.cells:
        if cell.refusal is not None:
            yield f"{parts_words(sized, cell)}: {cell.refusal}"


CAUTIONS = (
    "Ask the maker whether old and new packs may be joined, and how many; unlike packs can be dangerous together",
    (
        "More packs need room and distance by local code (dispatch care shows the figures of NFPA 855); more panels "
        "must stay within the solar inputs (dispatch strings). Panels, units and wiring are work for a licensed "
        "electrician, and may need a permit and the utility's consent"
    ),
)


def set_words(cell: Cell) -> str:
    """Say what is set with these parts."""
    return "do not work" if cell.outcome is None else setting_words(cell.outcome)
