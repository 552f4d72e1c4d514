"""Plans that are not proven, or not there: which, how far from the best they may be, and what makes it hard."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dispatch.formats import format_money

if TYPE_CHECKING:
    from collections.abc import Iterator

    from dispatch.comparison.compare import Comparison
    from dispatch.outcome import Outcome


def unproven_words(comparison: Comparison) -> Iterator[str]:
    """Say of every plan that was stopped or not found what is known of it."""
    for plan in comparison.unproven:
        yield best_found_words(plan)
    reasons: dict[str, list[str]] = {}
    for name, why in comparison.unplanned.items():
        reasons.setdefault(why, []).append(name)
    for why, names in reasons.items():
        yield f"No plan of {', '.join(names)}: {why}"


def unproven_short(comparison: Comparison) -> str | None:
    """Say in one line which plans are not proven; None where all are."""
    best, named = comparison.best_plan, []
    if best is not None and best.stopped:
        named.append(f"best plan found {format_money(best.compared_cost, comparison.case.currency)}")
    named += [plan.name for plan in comparison.unproven if plan is not best]
    text = f"Not proven: {', '.join(named)}. " if named else ""
    if comparison.unplanned:
        text += f"No plan of {', '.join(comparison.unplanned)}. "
    return f"{text}Why: --full" if text else None


def best_found_words(plan: Outcome) -> str:
    """Say of a plan whose search was stopped how far from the best it may be, and what made it hard."""
    currency, proof = plan.case.currency, plan.proof
    hard = proof.hard if proof is not None else ""
    return (
        f"{plan.name}: the best plan found costs {format_money(plan.compared_cost, currency)}, none can cost less than "
        f"{format_money(plan.least_possible, currency)}; {hard}"
    )
