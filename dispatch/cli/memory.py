"""Memory that is not needed any more goes back to the system."""

from __future__ import annotations

import sys
from contextlib import suppress

_TRIM_THRESHOLD = -1  # glibc's malloc.h
_AS_AT_FIRST_BYTES = 128 * 1024


def give_back() -> None:
    """Keep glibc from holding on to freed memory: it would keep as much as the largest block ever freed, twice over."""
    if sys.platform == "linux":
        import ctypes  # noqa: PLC0415 - only here

        with suppress(AttributeError, OSError):  # another C library
            ctypes.CDLL(None).mallopt(_TRIM_THRESHOLD, _AS_AT_FIRST_BYTES)
