"""The class of a blocks term that past use sets, as the program has to know it."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from tariffs.terms.flow_terms import PastUseTerm
from tariffs.terms.schedules import RESOLUTION, Schedule

if TYPE_CHECKING:
    from tariffs.periods.layout import Layout
    from tariffs.periods.past_use import PastMean


def past_use_term(layout: Layout, past: PastMean) -> PastUseTerm:
    """Return the mean of past use as arrays."""
    bands = [layout.band_names.index(name) for name in past.bands if name in layout.band_names]
    counted = []
    for period, share in past.periods.items():
        steps = layout.steps_of(period)
        inside = steps.start + np.flatnonzero(np.isin(layout.band[steps], bands))
        counted.append((inside, float(share)))
    return PastUseTerm(float(past.past_kwh), past.months, tuple(counted))


def decided(schedule: Schedule, past: PastUseTerm, limits: tuple[float, ...]) -> Schedule:
    """Return the schedule of a blocks table whose class is set by past use.

    Where nothing in the series can move the mean, only the class that holds is left of it. ``limits`` are the means
    up to which each class holds; they take the place of the classes' own limits.
    """
    classes = tuple(replace(one, upper=limit) for one, limit in zip(schedule.classes, limits, strict=True))
    if past.counted:
        return Schedule(classes, by_past=True)
    mean = past.mean_kwh(np.zeros(0))
    held = next(one for one in classes if mean <= one.upper + RESOLUTION)
    return Schedule((replace(held, upper=np.inf),))
