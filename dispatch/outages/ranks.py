"""The critical appliances in the order in which they are kept in an outage."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from dispatch.case.series import appliances_kwh

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dispatch.arrays import Floats
    from dispatch.case.case import Case
    from dispatch.scenario.model import CriticalAppliance


@dataclass(frozen=True)
class Ranked:
    """The critical appliances in the order in which they are kept.

    Attributes
    ----------
    listed : sequence of Appliance
    power_kw : array, shape (appliances, n)
    below_kwh : array, shape (appliances,)
        Level below which one is shed; ``-inf`` = never.
    has_order : bool
        Whether any of them has a priority.
    """

    listed: Sequence[CriticalAppliance]
    power_kw: Floats
    below_kwh: Floats
    has_order: bool


def ranked_appliances(case: Case) -> Ranked:
    """List the critical appliances, priority 1 first and those without one last, in the file's order."""
    critical = case.scenario.critical_load
    listed = (critical.appliances if critical is not None else None) or ()
    order = sorted(listed, key=lambda one: (one.priority is None, one.priority or 0))
    power = [appliances_kwh((one,), case.times, case.dt_hours) / case.dt_hours for one in order]
    levels = [
        -math.inf if one.shed_below_percent is None else case.limits.full_kwh * one.shed_below_percent / 100.0
        for one in order
    ]
    return Ranked(
        listed=order,
        power_kw=np.array(power).reshape(len(order), len(case.times)),
        below_kwh=np.array(levels),
        has_order=any(one.priority is not None for one in order),
    )
