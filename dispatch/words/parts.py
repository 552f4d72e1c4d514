"""Sentences about parts that screens and files share: transfer time, generator cautions, care of the packs."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dispatch.words.transfer import transfer_sentence

if TYPE_CHECKING:
    from dispatch.case.transfer import TransferGap


CLASS_3_MS = 10.0


def transfer_words(gap: TransferGap | None) -> str:
    """Say what notices the time to take over, with its output dynamic class.

    References
    ----------
    .. [1] IEC 62040-3, classification of the output: dynamic performance classes 1 (no interruption) to 3 (less than
       10 ms), 4 as the maker states.
    """
    if gap is None:
        return "Time to take over: not stated (inverter.transfer_ms); ask the maker what notices it."
    if gap.gap_ms <= 0:
        return "Time to take over: none, class 1 of IEC 62040-3: nothing notices."
    below = gap.gap_ms < CLASS_3_MS
    kind = "class 3 of IEC 62040-3, under 10 ms" if below else "class 4 of IEC 62040-3, as the maker states"
    return f"Time to take over: {gap.gap_ms:g} ms ({kind}). {transfer_sentence(gap)}"


GENERATOR_CAUTIONS = (
    (
        "Outdoors only, at least 6 m (20 ft) from the house, exhaust away from doors and windows; never in a garage, "
        "carport or porch, even with doors open: carbon monoxide kills. Have working CO alarms."
    ),
    "Never connect it to house wiring without a transfer switch or interlock put in by a licensed electrician.",
    "Let it cool before refuelling; store fuel outside living space. The maker's manual and local code decide.",
)
