"""A fleet's summary, and many years of one home, as JSON documents."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from dispatch.exports.files import plain
from dispatch.exports.outcome import head

if TYPE_CHECKING:
    from dispatch.fleet.run import Ran
    from dispatch.fleet.summary import Summary
    from dispatch.fleet.years import Years


def fleet_document(summary: Summary, ran: Ran) -> dict[str, Any]:
    """Put a summary into plain JSON types: its own field names; ``load`` by month (12 lists) of 24 local hours. [kW].

    Keys are stable: more may be added, none is renamed.
    """
    document: dict[str, Any] = plain(summary)
    document["reasons"] = [{"home": home, "reason": reason} for home, reason in summary.reasons]
    for group, written in zip(summary.groups, document["groups"], strict=True):
        written["load"]["taken_off_kw"] = group.load.taken_off_kw
    return {**document, **plain(ran, leave=("directory", "homes"))}


def years_document(found: Years) -> dict[str, Any]:
    """Put many years of one home into plain JSON types, under their own field names; money in the case's currency."""
    return {**head(found.case), **plain(found, leave=("case",))}
