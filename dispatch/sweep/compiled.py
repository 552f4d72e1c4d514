"""The one home of numba: loops over steps, compiled; without it they run as they are, slowly.

The machine code is kept on disk under a digest of this room's sources: numba itself looks at the file of a loop, not at
the files of the loops it calls.
"""

from __future__ import annotations

import hashlib
import shutil
from functools import cache
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar, cast

if TYPE_CHECKING:
    from collections.abc import Callable

Loop = TypeVar("Loop", bound="Callable[..., object]")

IS_COMPILED = find_spec("numba") is not None
"""Whether loops are compiled; if not, a linear program is the quicker way."""


def compiled(loop: Loop) -> Loop:
    """Compile a loop on its first call."""
    if not IS_COMPILED:
        return loop
    import numba  # noqa: PLC0415 - an extra

    config: Any = numba.config
    place = _place(config.CACHE_DIR)
    if place is None:
        return cast("Loop", numba.njit(nogil=True)(loop))
    before, config.CACHE_DIR = config.CACHE_DIR, str(place)
    try:
        return cast("Loop", numba.njit(nogil=True, cache=True)(loop))
    finally:
        config.CACHE_DIR = before


@cache
def _place(named: str) -> Path | None:
    """Make the folder of this room's machine code and remove those of other makes; None if there can be none."""
    import platformdirs  # noqa: PLC0415 - only where something is compiled

    base = (
        Path(named) if named else platformdirs.user_cache_path("tou-dispatch", appauthor=False) / "compiled"
    )
    digest = hashlib.blake2b(digest_size=8)
    for source in sorted(Path(__file__).parent.glob("*.py")):
        digest.update(source.read_bytes())
    place = base / f"sweep-{digest.hexdigest()}"
    try:
        place.mkdir(parents=True, exist_ok=True)
    except OSError:
        return None
    for other in base.glob("sweep-*"):
        if other != place:
            shutil.rmtree(other, ignore_errors=True)
    return place
