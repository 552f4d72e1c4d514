"""How a command ends when it is told to: by Ctrl-C, by termination, or because its terminal went away.

Python hears of a signal only between two of its own instructions, not while the solver computes, and waits for every
thread before it ends. So there are two ears. The handler, in the main thread, raises KeyboardInterrupt, so that what is
half written is taken away; and a thread, woken by the signal itself, ends the process where that takes too long.

The first Ctrl-C during a search for yes-or-no decisions ends that search, not the command: the best it found is shown.
"""

from __future__ import annotations

import os
import select
import signal
import socket
import sys
import threading
import time
from contextlib import contextmanager, suppress
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator
    from types import FrameType

    from dispatch.program.watch import Watch


GRACE_SECONDS = 1.2  # to hear of a signal and to tidy up; then the process ends all the same
LOOK_SECONDS = 0.02
OTHERS_SECONDS = 10.0  # at most so long does a handler that someone put in our place hold up the end
SIGNALS = [getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name)]


class Ears:
    """What was heard, and what came of it.

    Attributes
    ----------
    unwinds : bool
        Whether there may be something to tidy up; before that the process ends at once.
    code : int or None
        The exit code of a command that is being left.
    """

    def __init__(self) -> None:
        self.unwinds = False
        self.code: int | None = None
        self._heard = 0  # signals the handler has heard of
        self._settled = 0  # the first of them that the thread has settled in its place
        self._lock = threading.RLock()

    def handler(self, number: int, _frame: FrameType | None) -> None:
        """Hear of a signal in the main thread."""
        with self._lock:
            self._heard += 1
            if self._heard <= self._settled or self._keeps_best(number):
                return
            self.code = self.code or 128 + number
        # in a search this may be the solver calling back: nothing may be raised through it
        if not self.unwinds or _searching():
            end(self.code)
        raise KeyboardInterrupt

    def listen(self, outer: socket.socket) -> None:
        """Hear of signals in the thread: see that something comes of each."""
        waiting: list[tuple[int, int, float]] = []
        came = 0
        with outer:
            while True:
                if select.select([outer], [], [], LOOK_SECONDS if waiting else None)[0]:
                    if not (numbers := outer.recv(64)):
                        return
                    for number in numbers:
                        if number in SIGNALS:
                            came += 1
                            waiting.append((came, number, time.monotonic() + GRACE_SECONDS))
                waiting = [each for each in waiting if not self._done(*each, hurried=each is not waiting[-1])]

    def _done(self, place: int, number: int, until: float, *, hurried: bool) -> bool:
        """Whether a signal needs no more watching; where nothing came of it in time, see to it here."""
        late = hurried or time.monotonic() >= until
        with self._lock:
            if self._heard < place:  # the main thread is busy outside of Python
                if not late or (
                    signal.getsignal(number) != self.handler and time.monotonic() < until + OTHERS_SECONDS
                ):
                    return False  # or someone must not be disturbed just now
                self._settled = place
                if self._keeps_best(number):
                    return True
                end(self.code or 128 + number)
        if self.code is None:
            return True
        if time.monotonic() >= until:
            end(self.code)
        return False

    @staticmethod
    def _keeps_best(number: int) -> bool:
        watch = _watch()
        return number == signal.SIGINT and watch is not None and watch.interrupt()


def _watch() -> type[Watch] | None:
    """Return the class all searches share, if anything has been loaded that searches."""
    module = sys.modules.get("dispatch.program.watch")
    return None if module is None else getattr(module, "Watch", None)


def _searching() -> bool:
    watch = _watch()
    return watch is not None and watch.is_searching()


def end(code: int) -> None:
    """End the process now, whatever its threads do."""
    with suppress(OSError, ValueError):
        if sys.stderr.isatty():
            os.write(2, b"\x1b[?25h\n")  # a progress bar may have hidden the cursor
    os._exit(code)


@contextmanager
def ears() -> Iterator[Ears]:
    """Listen for signals until the command is done; leave as told where one came."""
    found = Ears()
    if threading.current_thread() is not threading.main_thread():  # pragma: no cover - nobody else may listen
        yield found
        return
    inner, outer = socket.socketpair()
    inner.setblocking(False)  # noqa: FBT003 - the library's
    before = {number: signal.signal(number, found.handler) for number in SIGNALS}
    woken = signal.set_wakeup_fd(inner.fileno(), warn_on_full_buffer=False)
    threading.Thread(target=found.listen, args=(outer,), daemon=True).start()
    try:
        yield found
    finally:
        if found.code is not None:
            end(found.code)
        signal.set_wakeup_fd(woken)
        for number, handler in before.items():
            signal.signal(number, handler)
        inner.close()
