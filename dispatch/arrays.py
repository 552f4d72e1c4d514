"""Names of the arrays and callbacks that every room hands about."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]

Progress = Callable[[int, int, str], None]
"""Called with (steps done, steps in all, what is being done)."""


def quiet(_done: int, _total: int, _label: str) -> None:
    """Progress that nobody watches."""
