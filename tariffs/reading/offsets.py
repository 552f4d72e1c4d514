"""What the offsets written behind times say of the clock they were written on."""

from __future__ import annotations

import datetime as dt
import re
from typing import TYPE_CHECKING

import pandas as pd

if TYPE_CHECKING:
    from collections.abc import Sequence

_OFFSET = re.compile(r"[+-]\d\d:?\d\d$")
_LONGEST = 6  # characters of an offset


def other_clock(cells: Sequence[str], local: pd.DatetimeIndex) -> str:
    """Return the offsets that times carry where none is ever the zone's; Z and +00:00 name no clock.

    Parameters
    ----------
    cells : sequence of str
        Times as written.
    local : pandas.DatetimeIndex
        The same on the zone's clock.
    """
    endings = {text.strip()[-_LONGEST:] for text in cells}
    stated = {found[0] for text in endings if (found := _OFFSET.search(text))} - {"+00:00", "+0000"}
    apart = (local.tz_localize(None) - local.tz_convert("UTC").tz_localize(None)).unique()
    kept = {f"{pd.Timestamp(0, tz=dt.timezone(offset)):%z}" for offset in apart.to_pytimedelta()}
    return "" if {text.replace(":", "") for text in stated} & kept else ", ".join(sorted(stated))


def whole_z_days(cells: Sequence[str], local: pd.DatetimeIndex, step_hours: float) -> bool:
    """Tell whether times labelled Z cover whole days of UTC where the zone's own days begin at another hour.

    A household's data begin at its midnight; where that midnight is UTC's, local times may have been labelled Z.
    """
    if not {text.strip()[-1:] for text in cells} <= {"Z", "z"} or not len(local):
        return False
    first = local[0].tz_convert("UTC")
    whole = (len(local) * step_hours) % 24 == 0
    return bool(first == first.normalize() and whole and local[0] != local[0].normalize())
