"""A sentence about the gap while the system takes over."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from dispatch.case.transfer import TransferGap


def transfer_sentence(gap: TransferGap) -> str:
    """Say which loads notice the transfer."""
    takes = f"The system takes over in {gap.gap_ms:g} ms"
    rest = "Medical equipment without a battery of its own: ask its maker. Common practice, no test of your appliances."
    if gap.gap_ms <= 0:
        return f"{takes}: no load notices."
    rides = f"{'; '.join(gap.rides)} usually ride through" if gap.rides else "nothing surely rides through"
    if not gap.notices:
        return f"{takes}: {rides}. {rest}"
    return f"{takes}: {rides}; {'; '.join(gap.notices)} may flicker, drop out or restart. {rest}"
