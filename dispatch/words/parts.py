"""Sentences about parts that screens and files share: transfer time, generator cautions, care of the packs."""

from __future__ import annotations

CLASS_3_MS = 10.0

COMPUTER_MS = 20.0


def transfer_words(transfer_ms: float | None) -> str:
    """Say what notices the time to take over, in the wording of IEC 62040-3's output dynamic classes.

    References
    ----------
    .. [1] IEC 62040-3, classification of the output: dynamic performance classes 1 (no interruption) to 3 (less than
       10 ms), 4 as the maker states. The 20 ms are those of the ITI (CBEMA) curve.
    """
    if transfer_ms is None:
        return "Time to take over: not stated (inverter.transfer_ms); ask the maker what notices it."
    if transfer_ms <= 0:
        return "Time to take over: none, class 1 of IEC 62040-3: nothing notices."
    if transfer_ms < CLASS_3_MS:
        return (
            f"Time to take over: {transfer_ms:g} ms, class 3 of IEC 62040-3 (under 10 ms): most loads ride through; "
            "lamps may blink."
        )
    computers = (
        "computers built to the ITI curve (20 ms) ride through"
        if transfer_ms <= COMPUTER_MS
        else "computers may restart"
    )
    return (
        f"Time to take over: {transfer_ms:g} ms, longer than class 3 of IEC 62040-3 (under 10 ms), so class 4: as the "
        f"maker states. {computers[0].upper()}{computers[1:]}; lamps blink, motors run on; medical devices, alarms, "
        "relays and clocks may drop out: test them, and keep a supply of their own for what must not."
    )


GENERATOR_CAUTIONS = (
    (
        "Outdoors only, at least 6 m (20 ft) from the house, exhaust away from doors and windows; never in a garage, "
        "carport or porch, even with doors open: carbon monoxide kills. Have working CO alarms."
    ),
    "Never connect it to house wiring without a transfer switch or interlock put in by a licensed electrician.",
    "Let it cool before refuelling; store fuel outside living space. The maker's manual and local code decide.",
)
