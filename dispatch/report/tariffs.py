"""The screen of ``dispatch tariffs``: tariffs and strategies side by side, the cheapest pair named on top."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.console import Group
from rich.text import Text

from dispatch.formats import ABSENT, format_hours, format_money, format_number, percent_down
from dispatch.report.layout import bulleted, headed, money_places, plain_table, title_of
from dispatch.words import tariffs as words
from dispatch.words.advice import setting_words

if TYPE_CHECKING:
    from collections.abc import Iterator

    from rich.console import RenderableType
    from rich.table import Table

    from dispatch.comparison.tariffs import Offer, Pair, TariffChoice
    from dispatch.outcome import Outcome
    from tariffs.terms.flow_terms import DemandTerm


CHOSEN = "CHOOSE"


def choice_report(choice: TariffChoice, *, full: bool = False) -> Group:
    """Put the screen of ``dispatch tariffs`` together.

    Parameters
    ----------
    choice : TariffChoice
    full : bool
        Whether how to read it follows.

    Returns
    -------
    rich.console.Group
        Fits 80 columns.
    """
    parts: list[RenderableType] = [title_of(choice.case)]
    parts += headed("What to choose", [Text(words.headline(choice), style="bold"), bulleted(_advice(choice))])
    parts += ["", _table(choice, full=full)]
    if reasons := [f"{words.title_of(offer)}: {offer.reason}" for offer in choice.offers if offer.reason]:
        parts += headed("What could not be compared", [bulleted(reasons)])
    if full:
        parts += headed("How to read it", [bulleted(_notes(choice))])
    else:
        parts.append(
            Text("The best setting under each, as set by an inverter. All strategies: --full", style="dim")
        )
    return Group(*parts)


def _advice(choice: TariffChoice) -> Iterator[str]:
    currency = choice.case.currency
    if choice.ranked:
        best = choice.ranked[0]
        yield from _savings(choice, best)
        if len(choice.ranked) > 1:
            runner_up = choice.ranked[1]
            dearer = format_money(runner_up.outcome.compared_cost - best.outcome.compared_cost, currency)
            setting = f"{words.title_of(runner_up.offer)} with {setting_words(runner_up.outcome)}"
            yield f"Next is {setting}, dearer by {dearer}"
        yield from _present_best(choice, best)
    compared = len(choice.compared)
    if compared < len(choice.offers):
        yield f"{len(choice.offers) - compared} of {len(choice.offers)} tariffs could not be compared; see below"


def _savings(choice: TariffChoice, best: Pair) -> Iterator[str]:
    currency, today = choice.case.currency, choice.offers[0].no_system
    saved = choice.saved_on_present(best.outcome)
    if saved is None or today is None:
        return
    reference = format_money(today.bill_and_wear, currency)
    yield f"It {_effect(saved, currency)} against today's {reference}, the present tariff without the system"
    if best.offer.no_system is not None and not best.offer.present:
        alone = today.bill_and_wear - best.offer.no_system.bill_and_wear
        system = _effect(saved - alone, currency)
        yield f"Of that, the change of tariff alone {_effect(alone, currency)}; the system then {system}"


def _effect(amount: float, currency: str) -> str:
    return f"{'saves' if amount >= 0 else 'costs another'} {format_money(abs(amount), currency)}"


def _present_best(choice: TariffChoice, best: Pair) -> Iterator[str]:
    """Say what staying with the present tariff would cost."""
    stay = next((pair for pair in choice.ranked if pair.offer.present), None)
    if stay is not None and stay is not best and stay is not choice.ranked[1]:
        dearer = format_money(stay.outcome.compared_cost - best.outcome.compared_cost, choice.case.currency)
        yield f"Staying with {words.title_of(stay.offer)}, {setting_words(stay.outcome)} is best, dearer by {dearer}"


def _table(choice: TariffChoice, *, full: bool) -> Table:
    currency, target = choice.case.currency, choice.case.scenario.backup.target_hours
    table = plain_table()
    table.add_column("\ntariff\n  strategy", width=17, overflow="fold")
    for heading, width in (
        ("\nre-\nserve", 6),
        (f"bill +\nwear,\n{currency}", 10),
        ("saved\nagainst\ntoday", 10),
        ("saved on\nthis\ntariff", 10),
        ("least\nhours\nleft", 6),
        (f"\n{target:g} h\nkept, %" if target is not None else "", 7),
    ):
        table.add_column(heading, justify="right", width=width)
    table.add_column("", width=7)
    for number, offer in enumerate(choice.offers):
        if number and full:
            table.add_row("")
        _add_offer(table, choice, offer, full=full)
    return table


def _add_offer(table: Table, choice: TariffChoice, offer: Offer, *, full: bool) -> None:
    case = choice.case
    today = choice.offers[0].no_system
    places = money_places(case.currency, [None if today is None else today.total])
    twin = sum(other.name == offer.name for other in choice.offers) > 1
    name = f"{offer.name} ({offer.path.name})" if twin else offer.name
    table.add_row(Text(name, style="bold"), *[""] * 6, "today's" if offer.present else "")
    if offer.no_system is not None:
        cost, saved = offer.no_system.compared_cost, choice.saved_on_present(offer.no_system)
        cells = [format_number(amount, places) for amount in (cost, saved, 0.0)]
        table.add_row("  no system", "", *cells, ABSENT, ABSENT)
    if offer.reason is not None:
        table.add_row("  not compared")
    best = choice.ranked[0].outcome if choice.ranked else None
    runs = list(offer.advice.outcomes.values()) if offer.advice else []
    if offer.advice is not None and not full:
        runs = [offer.advice.chosen]  # the best of each tariff; the others are asked for
    for run in runs:
        _add_run(table, choice, run, places, best=run is best)


def _add_run(table: Table, choice: TariffChoice, run: Outcome, places: int, *, best: bool) -> None:
    case = choice.case
    amounts = (run.compared_cost, choice.saved_on_present(run), run.saving)
    table.add_row(
        f"  {run.name}",
        "full" if run.name == "reserve-first" else f"{run.reserve_percent:g}%",
        *(format_number(amount, places) for amount in amounts),
        format_hours(run.backup.minimum if run.backup else None, case.limits.backup_horizon_hours),
        "" if case.scenario.backup.target_hours is None else percent_down(run.target_share),
        "cannot" if not run.serves else CHOSEN if best else "",
        style="bold" if best else "",
    )


def _notes(choice: TariffChoice) -> Iterator[str]:
    yield (
        "Everything is as set: run step by step by an inverter that sees only the present, each tariff's own windows "
        "entered as they are, each strategy at the reserve that keeps the target for least money."
    )
    yield (
        "Money is bill + wear, less the worth of what more is stored at the end. Against today: against the household "
        "without the system under its present tariff. On this tariff: against the household without the system under "
        "the tariff of the line; what the system adds."
    )
    if any(
        not run.serves for offer in choice.compared if offer.advice for run in offer.advice.outcomes.values()
    ):
        yield "cannot: does not serve the whole load; dispatch compare says which limit would have to rise."
    if any(term.at_least for offer in choice.compared for term in _demand(offer)):
        yield (
            "Demand charges are at least what is shown: the data's steps are longer than the interval in which demand "
            "is measured."
        )


def _demand(offer: Offer) -> Iterator[DemandTerm]:
    if offer.advice is not None:
        yield from offer.advice.case.prices.demand
