"""Whoever watches a long mixed-integer solve: told how far it is and what makes it hard, and free to stop it.

There is one watch for the process, as there is one keyboard: Ctrl-C stops every solve that is under way, each keeps
the best answer it has, and what it is worth is told with the answer.
"""

from __future__ import annotations

import threading
import time
from typing import TYPE_CHECKING, ClassVar, Self

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence


QUIET_SECONDS = 60.0  # no word before a solve has taken this long
BETWEEN_SECONDS = 20.0  # between one word and the next

HARD = {
    "trade": "steps in which buying and selling at once would pay",
    "burn": "steps in which wasting energy would pay",
    "netting": "sums of exported energy set off against imported",
    "block": "blocks whose price falls, or counts for the whole amount",
    "demand": "prices of demand that fall, or count for the whole demand",
}


def what_is_hard(kinds: Sequence[str]) -> str:
    """Say how many yes-or-no decisions there are, and what the most of them are about."""
    counts = {kind: sum(each == kind for each in kinds) for kind in dict.fromkeys(kinds)}
    named = sorted(counts, key=lambda kind: -counts[kind])
    parts = ", ".join(f"{counts[kind]:,} for {HARD.get(kind, kind)}" for kind in named[:2])
    return f"{len(kinds):,} yes-or-no decisions ({parts})"


class Watch:
    """One solve's clock and voice.

    Parameters
    ----------
    kinds : sequence of str
        What each yes-or-no decision is about; a key of ``HARD``.
    seconds : float
        After this long the solve stops with the best answer it has.
    hears : bool
        Whether ``stop`` stops it: not a solve so short that without it there would be no answer to keep.
    """

    say: Callable[[str], None] | None = None
    """Set by whoever wants to be told; shared by all solves."""
    stop = threading.Event()
    """Set to stop every solve under way; shared."""
    _under_way: ClassVar[list[Watch]] = []

    def __init__(self, kinds: Sequence[str], seconds: float, *, hears: bool = True) -> None:
        self.hears = hears
        self.kinds = kinds
        self.started = time.monotonic()
        self.until = self.started + seconds
        self.next = self.started + QUIET_SECONDS

    def __enter__(self) -> Self:
        """Count as under way."""
        self._under_way.append(self)
        return self

    def __exit__(self, *_: object) -> None:
        """Be done."""
        self._under_way.remove(self)

    @classmethod
    def interrupt(cls) -> bool:
        """Ask what is under way to stop with the best it has; False if nothing is, or it was asked before."""
        if not cls._under_way or cls.stop.is_set():
            return False
        cls.stop.set()
        return True

    @property
    def over(self) -> bool:
        """Whether the solve is to stop."""
        return (self.hears and self.stop.is_set()) or time.monotonic() >= self.until

    def look(self, bound: float, best: float) -> bool:
        """Tell what is known by now, if it is time to; return whether to stop."""
        now = time.monotonic()
        if self.say is not None and now >= self.next:
            self.next = now + BETWEEN_SECONDS
            found = "no schedule yet" if not abs(best) < 1e30 else f"best so far {best:.2f}"
            known = f"none can cost less than {bound:.2f}" if abs(bound) < 1e30 else "no bound yet"
            self.say(
                f"still solving after {now - self.started:.0f} s: {found}, {known}; {what_is_hard(self.kinds)} make it "
                "hard. Ctrl-C keeps the best schedule found."
            )
        return self.over
