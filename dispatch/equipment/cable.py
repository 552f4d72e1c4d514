"""What a two-wire DC cable loses.

::

    R     = ρ20·(1 + α·(T - 20))·2·length/area        there and back; area of the gauge, or as the standard states it
    drop  = R·I                                       loss = R·I²

American gauges: d = 0.005 in · 92^((36 - n)/39) (ASTM B258), copper of the International Annealed Copper Standard;
stranded ones as NEC chapter 9 Table 8 lists them, else 2 % more than solid (the strands lie in a spiral). Metric sizes
are defined by a largest resistance, not by their area: those of IEC 60228, class 1 (solid), 2 (stranded) and 5
(flexible), hold for the usual sizes.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from dispatch.scenario.solar import METRES_PER_FOOT, Cable

if TYPE_CHECKING:
    from dispatch.arrays import Floats


RESISTIVITY_OHM_MM2_PER_M = {"copper": 0.017241, "aluminium": 0.028264}
"""At 20 C: 100 % IACS for copper; 61 % IACS for aluminium (from memory)."""

PER_KELVIN = {"copper": 0.00393, "aluminium": 0.00403}
"""Temperature coefficient of the resistance at 20 C (from memory: NBS Handbook 100)."""

STRANDING_FACTOR = 1.02

REFERENCE_C = 20.0

MM_PER_INCH = 25.4

# largest resistance at 20 C by nominal mm2, plain copper [ohm/km]; IEC 60228
_STANDARD_OHM_PER_KM = {
    "stranded": {
        1.5: 12.1,
        2.5: 7.41,
        4.0: 4.61,
        6.0: 3.08,
        10.0: 1.83,
        16.0: 1.15,
        25.0: 0.727,
        35.0: 0.524,
    },
    "flexible": {
        1.5: 13.3,
        2.5: 7.98,
        4.0: 4.95,
        6.0: 3.30,
        10.0: 1.91,
        16.0: 1.21,
        25.0: 0.780,
        35.0: 0.554,
    },
}
_STANDARD_OHM_PER_KM["solid"] = {
    size: ohm for size, ohm in _STANDARD_OHM_PER_KM["stranded"].items() if size <= 16.0
}  # class 1 and 2 share their limits up to 16 mm2

_STRANDED_OHM_PER_KFT_75C = {
    "copper": {16: 4.99, 14: 3.14, 12: 1.98, 10: 1.24, 8: 0.778, 6: 0.491},
    "aluminium": {14: 5.17, 12: 3.25, 10: 2.04, 8: 1.28, 6: 0.808},
}
"""NFPA 70 (National Electrical Code), chapter 9 Table 8: uncoated stranded conductors, at 75 C."""

_UNLISTED_FACTOR = {"solid": 1.08, "stranded": 1.08, "flexible": 1.16}
"""Metric sizes the standard does not list: what it allows at most beyond ρ/A for those it does."""

GAUGES = (14, 12, 10, 8, 6)

SIZES_MM2 = (2.5, 4.0, 6.0, 10.0, 16.0)

DROPS_PERCENT = (1.0, 2.0, 3.0)


def gauge_diameter_mm(awg: int) -> float:
    """Diameter of a solid wire of this gauge (ASTM B258). [mm]."""
    return float(0.005 * 92.0 ** ((36 - awg) / 39.0) * MM_PER_INCH)


def gauge_area_mm2(awg: int) -> float:
    """Cross-section of this gauge. [mm2]."""
    return math.pi / 4.0 * float(gauge_diameter_mm(awg)) ** 2


def resistance_ohm_per_m(cable: Cable) -> float:
    """Resistance of one conductor at its temperature. [ohm/m]."""
    warm = 1.0 + PER_KELVIN[cable.metal] * (cable.conductor_c - REFERENCE_C)
    return warm * _at_reference(cable)


def _at_reference(cable: Cable) -> float:
    resistivity = RESISTIVITY_OHM_MM2_PER_M[cable.metal]
    if cable.awg is not None:
        listed = _STRANDED_OHM_PER_KFT_75C[cable.metal].get(cable.awg)
        if listed is not None and cable.strands == "stranded":
            return (
                listed / (1000.0 * METRES_PER_FOOT) / (1.0 + PER_KELVIN[cable.metal] * (75.0 - REFERENCE_C))
            )
        factor = 1.0 if cable.strands == "solid" else STRANDING_FACTOR
        return factor * resistivity / gauge_area_mm2(cable.awg)
    area = cable.area_mm2 or math.nan
    standard = _STANDARD_OHM_PER_KM[cable.strands].get(area) if cable.metal == "copper" else None
    if standard is not None:
        return standard / 1000.0
    return _UNLISTED_FACTOR[cable.strands] * resistivity / area


def loop_ohm(cable: Cable) -> float:
    """Resistance there and back. [ohm]."""
    return 2.0 * cable.one_way_m * resistance_ohm_per_m(cable)


def loss_kw(cable: Cable | None, current_a: Floats) -> Floats:
    """Power lost at these currents: it grows with their square. [kW]."""
    if cable is None:
        return np.zeros_like(current_a)
    lost: Floats = loop_ohm(cable) * current_a**2 / 1000.0
    return lost


@dataclass(frozen=True)
class CableLoss:
    """What one cable does at one current.

    Attributes
    ----------
    cable : Cable
    amps, volts : float
        Current, and the voltage the drop is a share of. [A], [V]
    ohm : float
        There and back. [ohm]
    drop_v, drop_percent : float
    lost_w : float
    longest_m : dict of float to float
        By drop in percent: the longest one-way length with no more than that. [m]
    """

    cable: Cable
    amps: float
    volts: float
    ohm: float
    drop_v: float
    drop_percent: float
    lost_w: float
    longest_m: dict[float, float]


def cable_loss(cable: Cable, amps: float, volts: float) -> CableLoss:
    """Work out drop and loss of a cable at one current.

    Parameters
    ----------
    cable : Cable
    amps, volts : float
        Current in it, and voltage of the circuit. [A], [V]
    """
    ohm = loop_ohm(cable)
    per_m = 2.0 * resistance_ohm_per_m(cable)
    return CableLoss(
        cable=cable,
        amps=amps,
        volts=volts,
        ohm=ohm,
        drop_v=ohm * amps,
        drop_percent=100.0 * ohm * amps / volts,
        lost_w=ohm * amps**2,
        longest_m={drop: volts * drop / 100.0 / (per_m * amps) for drop in DROPS_PERCENT},
    )


def size_name(cable: Cable) -> str:
    """Name a size as it is sold: ``10 AWG`` or ``4 mm2``."""
    if cable.awg is not None:
        return f"{cable.awg} AWG" if cable.awg else "1/0 AWG"
    return f"{cable.area_mm2:g} mm2"


def choices(cable: Cable, amps: float, volts: float) -> tuple[CableLoss, ...]:
    """Judge the same run in the usual sizes: gauges as stranded building wire, metric sizes as flexible solar cable."""
    run = {"length_m": cable.one_way_m, "conductor_c": cable.conductor_c}
    gauges = [Cable.model_validate({**run, "awg": awg, "strands": "stranded"}) for awg in GAUGES]
    sizes = [Cable.model_validate({**run, "area_mm2": area, "strands": "flexible"}) for area in SIZES_MM2]
    return tuple(cable_loss(one, amps, volts) for one in (*gauges, *sizes))


def feet(metres: float) -> float:
    """Metres in feet."""
    return metres / METRES_PER_FOOT
