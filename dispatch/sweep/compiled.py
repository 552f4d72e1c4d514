"""The one home of numba: loops over steps compiled, kept on disk; without it they run as they are, slowly."""

from __future__ import annotations

from importlib.util import find_spec
from typing import TYPE_CHECKING, TypeVar, cast

if TYPE_CHECKING:
    from collections.abc import Callable

Loop = TypeVar("Loop", bound="Callable[..., object]")

IS_COMPILED = find_spec("numba") is not None
"""Whether loops are compiled; if not, a linear program is the quicker way."""


def compiled(loop: Loop) -> Loop:
    """Compile a loop on its first call; the machine code is kept beside the source, or in the user's cache."""
    if not IS_COMPILED:
        return loop
    import numba  # noqa: PLC0415 - an extra

    try:
        return cast("Loop", numba.njit(cache=True, nogil=True)(loop))
    except RuntimeError:  # no place on disk to keep it
        return cast("Loop", numba.njit(nogil=True)(loop))
