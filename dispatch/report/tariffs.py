"""The screen of ``dispatch tariffs``: tariffs and strategies side by side, the cheapest pair named on top."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.console import Group
from rich.text import Text

from dispatch.comparison.recommendation import share_meeting
from dispatch.formats import (
    ABSENT,
    currency_decimals,
    format_hours,
    format_money,
    format_number,
    format_span,
    format_step,
    percent_down,
)
from dispatch.report.layout import bulleted, headed, plain_table
from dispatch.words.tariffs import headline, title_of

if TYPE_CHECKING:
    from collections.abc import Iterator

    from rich.console import RenderableType
    from rich.table import Table

    import tariffs
    from dispatch.comparison.tariffs import Offer, Pair, TariffChoice


CENT = 5e-3


CHOSEN = "CHOOSE"


def choice_report(choice: TariffChoice) -> Group:
    """Put the whole screen of ``dispatch tariffs`` together.

    Parameters
    ----------
    choice : TariffChoice

    Returns
    -------
    rich.console.Group
        Fits 80 columns.
    """
    case = choice.case
    span = format_span(case.times[0].date(), case.times[-1].date())
    facts = f"{len(case.times):,} steps of {format_step(case.dt_hours)}, {case.scenario.site.time_zone}"
    parts: list[RenderableType] = [
        Text(case.name, style="bold"),
        Text(f"{span}; {facts}, {case.currency}"),
    ]
    parts += headed("What to choose", [Text(headline(choice), style="bold"), bulleted(_advice(choice))])
    parts += headed("Tariffs and strategies side by side", [_table(choice)])
    if reasons := [f"{title_of(offer)}: {offer.reason}" for offer in choice.offers if offer.reason]:
        parts += headed("What could not be compared", [bulleted(reasons)])
    parts += headed("How to read it", [bulleted(_notes(choice))])
    return Group(*parts)


def _advice(choice: TariffChoice) -> Iterator[str]:
    currency = choice.case.currency
    if choice.ranked:
        best = choice.ranked[0]
        yield from _savings(choice, best)
        if len(choice.ranked) > 1:
            runner_up = choice.ranked[1]
            dearer = format_money(runner_up.judged.burden - best.judged.burden, currency)
            yield f"Next is {title_of(runner_up.offer)} with {runner_up.judged.name}, dearer by {dearer}"
        yield from _present_best(choice, best)
    yield from _other_reserve(choice)
    compared = len(choice.compared)
    if compared < len(choice.offers):
        yield f"{len(choice.offers) - compared} of {len(choice.offers)} tariffs could not be compared; see below"


def _savings(choice: TariffChoice, best: Pair) -> Iterator[str]:
    currency = choice.case.currency
    saved = choice.saved_on_present(best.judged.total)
    if saved is None or choice.present_bill is None:
        return
    today = format_money(float(choice.present_bill.total), currency)
    yield f"It {_effect(saved, currency)} against today's {today}, the present tariff without the system"
    if best.offer.grid_only is not None and not best.offer.present:
        alone = float(choice.present_bill.total - best.offer.grid_only.total)
        system = _effect(saved - alone, currency)
        yield f"Of that, the change of tariff alone {_effect(alone, currency)}; the system then {system}"


def _effect(amount: float, currency: str) -> str:
    return f"{'saves' if amount >= 0 else 'costs another'} {format_money(abs(amount), currency)}"


def _present_best(choice: TariffChoice, best: Pair) -> Iterator[str]:
    """Say what staying with the present tariff would cost."""
    stay = next((pair for pair in choice.ranked if pair.offer.present), None)
    if stay is not None and stay is not best and stay is not choice.ranked[1]:
        dearer = format_money(stay.judged.burden - best.judged.burden, choice.case.currency)
        yield f"Staying with {title_of(stay.offer)}, {stay.judged.name} is best, dearer by {dearer}"


def _other_reserve(choice: TariffChoice) -> Iterator[str]:
    found = choice.advice()
    if found is None:
        return
    offer, advice = found
    setting = f"{title_of(offer)} with {advice.strategy} and the reserve at {advice.percent:g}%"
    least = f"its least is {format_hours(advice.least_hours)} h"
    money = format_money(advice.bill, choice.case.currency)
    if not choice.ranked:
        yield f"At another reserve one does: {setting}, a bill of {money} ({least})"
        return
    cheaper = choice.ranked[0].judged.burden - advice.burden
    if cheaper > CENT:
        by = format_money(cheaper, choice.case.currency)
        yield f"Cheaper by {by} and still enough at another reserve: {setting}, a bill of {money} ({least})"


def _table(choice: TariffChoice) -> Table:
    currency, target = choice.case.currency, choice.case.scenario.backup.target_hours
    table = plain_table()
    table.add_column("\ntariff\n  strategy", width=17, overflow="fold")
    for heading, width in (
        (f"\nbill\n{currency}", 9),
        ("\nwith\nwear", 9),
        ("saved\nagainst\ntoday", 9),
        ("saved on\nthis\ntariff", 9),
        ("least\nhours\nleft", 6),
        (f"\n{target:g} h\nkept, %" if target is not None else "", 7),
    ):
        table.add_column(heading, justify="right", width=width)
    table.add_column("", width=7)
    for number, offer in enumerate(choice.offers):
        if number:
            table.add_row("")
        _add_offer(table, choice, offer)
    return table


def _add_offer(table: Table, choice: TariffChoice, offer: Offer) -> None:
    case = choice.case
    places, horizon = currency_decimals(case.currency), case.limits.backup_horizon_hours
    twin = sum(other.name == offer.name for other in choice.offers) > 1
    name = f"{offer.name} ({offer.path.name})" if twin else offer.name
    table.add_row(Text(name, style="bold"), *[""] * 6, "today's" if offer.present else "")

    def money(amount: float | None) -> str:
        return format_number(amount, places)

    if offer.grid_only is not None:
        total = float(offer.grid_only.total)
        saved = choice.saved_on_present(total)
        table.add_row("  no system", money(total), money(total), money(saved), money(0.0), ABSENT, ABSENT)
    if offer.reason is not None:
        table.add_row("  not compared")
    best = choice.ranked[0].judged if choice.ranked else None
    for judged in offer.judged:
        same = None if offer.grid_only is None else float(offer.grid_only.total) - judged.total
        table.add_row(
            f"  {judged.name}",
            money(judged.total),
            money(judged.total + judged.wear),
            money(choice.saved_on_present(judged.total)),
            money(same),
            format_hours(judged.backup.minimum if judged.backup else None, horizon),
            "" if case.scenario.backup.target_hours is None else percent_down(share_meeting(case, judged)),
            "cannot" if judged.status != "optimal" else CHOSEN if judged is best else "",
            style="bold" if judged is best else "",
        )


def _notes(choice: TariffChoice) -> Iterator[str]:
    bases = {offer.basis for offer in choice.compared}
    if "as set" in bases:
        yield (
            "Bills are as set: run step by step by an inverter that sees only the present, each tariff's own windows "
            "entered as they are."
        )
    if "planned" in bases:
        yield "Bills are planned: knowing load, sun and prices of the whole period in advance."
    yield (
        "Savings are on the bill. Against today: against the household without the system under its present tariff. "
        "On this tariff: against the household without the system under the tariff of the line; what the system adds."
    )
    yield "The choice is by bill and wear, what is stored at the end counted at each tariff's lowest price."
    if any(judged.status != "optimal" for offer in choice.compared for judged in offer.judged):
        yield "cannot: does not serve the whole load; dispatch compare says which limit would have to rise."
    if any(term.at_least for offer in choice.compared for term in _demand(offer)):
        yield (
            "Demand charges are at least what is shown: the data's steps are longer than the interval in which demand "
            "is measured."
        )
    if gaps := [gap for offer in choice.compared for gap in _gaps(offer)]:
        yield f"Plans with yes-or-no decisions are proven to within {max(gaps):.0e} of the best possible."


def _demand(offer: Offer) -> Iterator[tariffs.DemandTerm]:
    if offer.comparison is not None:
        yield from offer.comparison.case.prices.demand


def _gaps(offer: Offer) -> Iterator[float]:
    if offer.comparison is not None:
        yield from (result.gap for result in offer.comparison.strategies if result.gap is not None)
