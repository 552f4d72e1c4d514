"""What a scan of settings found, kept in the store: figures of each setting, not its levels.

What is read back decides which setting is run again; that run's flows check themselves, and its cost has to be the
one that was kept (:func:`dispatch.advice.recommend.recommend`).
"""

from __future__ import annotations

import dataclasses
from typing import TYPE_CHECKING, Any

import numpy as np

from dispatch.store import Entry, fingerprint, in_use

if TYPE_CHECKING:
    from collections.abc import Mapping

    from dispatch.case.case import Case


ARRAYS = ("percents", "cost", "share", "serves", "lowest_kwh", "least_hours", "start_kwh")


AS_JSON = ("scenario", "tariff")
"""Parts of a case that are files as written."""


def recall(case: Case) -> dict[str, Any] | None:
    """Read the fields of a scan of this case; None if none is kept whole."""
    place = in_use()
    entry = None if place is None else place.get(_key(case))
    if entry is None or set(entry.arrays) != set(ARRAYS) or set(entry.facts) != {"strategies"}:
        return None
    strategies = tuple(entry.facts["strategies"])
    whole = all(
        array.shape == (len(strategies),) and bool(np.isfinite(array).all())
        for array in entry.arrays.values()
    )
    return {"strategies": strategies, **entry.arrays} if whole else None


def keep(case: Case, found: Mapping[str, Any]) -> None:
    """Keep the fields of a scan."""
    place = in_use()
    if place is not None:
        arrays = {name: found[name] for name in ARRAYS}
        place.put(_key(case), Entry(arrays, {"strategies": list(found["strategies"])}))


def _key(case: Case) -> str:
    parts = [
        (field.name, getattr(case, field.name))
        for field in dataclasses.fields(case)
        if field.name not in ("path", *AS_JSON)
    ]
    return fingerprint("scan", *parts, *(getattr(case, name).model_dump_json() for name in AS_JSON))
