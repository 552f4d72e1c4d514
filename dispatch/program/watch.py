"""Whoever watches a long mixed-integer solve: told how far it is and what makes it hard, and free to stop it.

There is one watch for the process, as there is one keyboard: Ctrl-C stops every solve that is under way, each keeps
the best answer it has, and what it is worth is told with the answer.
"""

from __future__ import annotations

import threading
import time
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from typing import TYPE_CHECKING, ClassVar, Self

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence


QUIET_SECONDS = 60.0  # no word before a solve has taken this long
BETWEEN_SECONDS = 20.0  # between one word and the next

LIMIT_SECONDS = 60.0
"""How long the whole numbers of one plan are searched for unless told otherwise; then the best found is the answer."""

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
    seconds : float, optional
        After this long the solve stops with the best answer it has; default: ``limit_seconds``.
    hears : bool
        Whether ``stop`` stops it: not a solve so short that without it there would be no answer to keep.
    """

    say: Callable[[str], None] | None = None
    """Set by whoever wants to be told; shared by all solves."""
    stop = threading.Event()
    """Set to stop every solve under way; shared."""
    limit_seconds: float = LIMIT_SECONDS
    """How long each search may take; shared, and the only place that says so."""
    _under_way: ClassVar[list[Watch]] = []

    def __init__(self, kinds: Sequence[str], seconds: float | None = None, *, hears: bool = True) -> None:
        self.hears = hears
        self.kinds = kinds
        self._stop = self.stop  # what is abandoned later is not for searches that begin after
        self.started = time.monotonic()
        self.until = self.started + (self.limit_seconds if seconds is None else seconds)
        self.next = self.started + QUIET_SECONDS

    def __enter__(self) -> Self:
        """Count as under way."""
        self._under_way.append(self)
        return self

    def __exit__(self, *_: object) -> None:
        """Be done."""
        self._under_way.remove(self)

    @classmethod
    @contextmanager
    def limited(cls, seconds: float) -> Iterator[None]:
        """Let each search take so long for the while."""
        before, cls.limit_seconds = cls.limit_seconds, seconds
        try:
            yield
        finally:
            cls.limit_seconds = before

    @classmethod
    def interrupt(cls) -> bool:
        """Ask what is under way to stop with the best it has; False if nothing is, or it was asked before."""
        if not cls._under_way or cls.stop.is_set():
            return False
        cls.stop.set()
        if cls.say is not None:
            cls.say(
                "stopping: the best schedules found so far are kept; Ctrl-C again leaves without an answer"
            )
        return True

    @classmethod
    def is_searching(cls) -> bool:
        """Whether a search is under way in any thread."""
        return bool(cls._under_way)

    @classmethod
    def abandon(cls) -> None:
        """Stop what is under way because nobody waits for it any more; later searches are free."""
        cls.stop.set()
        cls.stop = threading.Event()

    @property
    def over(self) -> bool:
        """Whether the solve is to stop."""
        return (self.hears and self._stop.is_set()) or time.monotonic() >= self.until

    def look(self, bound: float, best: float) -> bool:
        """Tell what is known by now, if it is time to; return whether to stop."""
        now = time.monotonic()
        if self.say is not None and now >= self.next:
            self.next = now + BETWEEN_SECONDS
            self.say(
                f"still solving after {now - self.started:.0f} s: {_known(bound, best)}; {what_is_hard(self.kinds)} "
                "make it hard. Ctrl-C keeps the best schedule found."
            )
        return self.over

    def ended(self, bound: float, best: float) -> str:
        """Tell what was known when the search was stopped, and what makes it hard; return the latter."""
        hard = f"{what_is_hard(self.kinds)} make it hard"
        if self.say is not None:
            self.say(f"stopped after {time.monotonic() - self.started:.0f} s: {_known(bound, best)}; {hard}.")
        return hard


@contextmanager
def workers(count: int) -> Iterator[ThreadPoolExecutor]:
    """Give threads that solve side by side; whoever is interrupted while waiting for them does not wait any longer."""
    pool = ThreadPoolExecutor(count)
    try:
        yield pool
    except BaseException:
        pool.shutdown(wait=False, cancel_futures=True)
        Watch.abandon()
        raise
    pool.shutdown()


def _known(bound: float, best: float) -> str:
    found = "no schedule yet" if not abs(best) < 1e30 else f"best so far {best:.2f}"
    known = f"none can cost less than {bound:.2f}" if abs(bound) < 1e30 else "no bound yet"
    return f"{found}, {known}"
