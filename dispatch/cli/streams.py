"""stdout and stderr that may be closed, full, or have nobody at their other end.

A reader that has gone away, or a stream that was closed before the start, is no error: what nobody wants is left
unsaid. A full device is one: the result is lost, which is told on stderr, and the exit code is that of a path that
cannot be used.
"""

from __future__ import annotations

import errno
import os
import sys
from contextlib import contextmanager, suppress
from typing import TYPE_CHECKING, Any, TextIO, cast

if TYPE_CHECKING:
    from collections.abc import Iterator

LOST = 2
_NOBODY = frozenset((errno.EPIPE, errno.EBADF, errno.ENXIO))


class _Patient:
    """A stream whose other end may fail: from then on what is written goes nowhere."""

    def __init__(self, stream: TextIO) -> None:
        self._stream = stream
        self.lost: OSError | None = None

    def write(self, text: str) -> int:
        if self.lost is None:
            try:
                return self._stream.write(text)
            except OSError as error:
                self._lose(error)
        return len(text)

    def flush(self) -> None:
        if self.lost is None:
            try:
                self._stream.flush()
            except OSError as error:
                self._lose(error)

    def _lose(self, error: OSError) -> None:
        self.lost = error
        with suppress(OSError, ValueError):  # what is buffered must go somewhere when the interpreter leaves
            nowhere = os.open(os.devnull, os.O_WRONLY)
            os.dup2(nowhere, self._stream.fileno())
            os.close(nowhere)
            self._stream.flush()

    def __getattr__(self, name: str) -> Any:  # noqa: ANN401 - whatever a stream has
        return getattr(self._stream, name)


def open_what_is_closed() -> None:
    """Open the standard streams that were closed before the start: else the next file read would take their place."""
    for number in range(3):
        try:
            os.fstat(number)
        except OSError:
            os.open(os.devnull, os.O_RDWR)  # the lowest number that is free: this one
    for name, mode in (("stdin", "r"), ("stdout", "w"), ("stderr", "w")):
        if getattr(sys, name) is None:
            setattr(sys, name, open(os.devnull, mode, encoding="utf-8"))  # noqa: PTH123, SIM115 - held to the end


@contextmanager
def patient_streams() -> Iterator[None]:
    """Run a command on streams that may fail; leave with 2 where the result could not be written whole."""
    open_what_is_closed()
    before = sys.stdout, sys.stderr
    out, err = map(_Patient, before)
    sys.stdout, sys.stderr = cast("TextIO", out), cast("TextIO", err)
    code: object = 0
    try:
        try:
            yield
        except SystemExit as left:
            code = left.code
        except OSError as error:  # written past these streams, by whoever prints help
            out._lose(error)  # noqa: SLF001
        out.flush()
        if out.lost is not None and out.lost.errno not in _NOBODY:
            err.write(f"stdout: {out.lost.strerror}; the result is not written whole: name another place\n")
            code = code or LOST
        err.flush()
    finally:
        sys.stdout, sys.stderr = before
    if code:
        sys.exit(code)  # type: ignore[arg-type]
