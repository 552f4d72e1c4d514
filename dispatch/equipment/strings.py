"""Modules in series and parallel on a solar input: what is dangerous, what does not work, what is lost.

::

    cold Voc = series · Voc · (1 + β·(coldest - 25))        the coefficient where the sheet has one; else NEC 690.7(A)
    hot Vmp  = series · Vmp · (1 + β·(hottest + rise - 25))
    current  = parallel · Imp                               what is above the input's operating current is lost
    power    = series · Vmp · min(parallel·Imp, operating_a), at most the input's

The cold voltage is taken at the coldest air: at dawn the cells are as cold as it. The hot one adds the rise of the
cells above the air in full sun.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from dispatch.equipment.cable import loss_kw
from dispatch.errors import ScenarioError
from tariffs.reading.refusals import problem_report

if TYPE_CHECKING:
    from dispatch.arrays import Floats
    from dispatch.scenario.solar import Module, Solar, SolarInput, String


STC_C = 25.0

STEEP_PERCENT_PER_K = -0.45  # from memory

HIGH_SUN_FACTOR = 1.25
"""Sun brighter than the test's 1,000 W/m2 for hours: NEC 690.8(A)(1) takes with 125 % of the short-circuit current."""

# lowest temperature the factor holds for [C], factor; from the warmest row to the coldest
_CRYSTALLINE_FACTORS = (
    (25, 1.00),
    (20, 1.02),
    (15, 1.04),
    (10, 1.06),
    (5, 1.08),
    (0, 1.10),
    (-5, 1.12),
    (-10, 1.14),
    (-15, 1.16),
    (-20, 1.18),
    (-25, 1.20),
    (-30, 1.21),
    (-35, 1.23),
    (-40, 1.25),
)
"""NFPA 70 (National Electrical Code), Table 690.7(A): crystalline and multicrystalline silicon."""


def cold_factor(module: Module, coldest_c: float) -> float:
    """How much higher the open-circuit voltage is at the coldest temperature than at 25 C.

    Raises
    ------
    ScenarioError
        If the module has no coefficient and the table of factors ends above that temperature.
    """
    if module.voc_percent_per_k is not None:
        return 1.0 + module.voc_percent_per_k / 100.0 * (coldest_c - STC_C)
    for lowest_c, factor in _CRYSTALLINE_FACTORS:
        if coldest_c >= lowest_c:
            return factor
    raise ScenarioError(
        f"solar.modules: '{module.name}' has no voc_percent_per_k, and the factors used without it end at "
        f"{_CRYSTALLINE_FACTORS[-1][0]} C while solar.coldest_c = {coldest_c:g}; add the coefficient of the sheet"
    )


def hot_factor(module: Module, cell_c: float) -> float:
    """How much lower the voltage at maximum power is with cells this hot than at 25 C.

    The sheet's own coefficient of Vmp, else the steeper of those of power and of Voc; without any, that of power at the
    steep end of crystalline silicon.
    """
    stated = module.vmp_percent_per_k
    if stated is None:
        others = [c for c in (module.pmp_percent_per_k, module.voc_percent_per_k) if c is not None]
        stated = min(others, default=STEEP_PERCENT_PER_K)
    return 1.0 + stated / 100.0 * (cell_c - STC_C)


@dataclass(frozen=True)
class Verdict:
    """One arrangement on one input.

    Attributes
    ----------
    input : SolarInput
    module : Module
    series_count, parallel_count : int
    cold_voc_v, hot_vmp_v : float
        Voltage open at the coldest, and working at the hottest. [V]
    operating_a, short_circuit_a : float
        Currents of all rows together, at standard test conditions. [A]
    panels_w, used_w : float
        Rated power, and what the input uses of it. [W]
    dangers, failures : tuple of str
        Why it must not be connected; why it would not work.
    remarks : tuple of str
        What is lost or not checked, to be told.
    """

    input: SolarInput
    module: Module
    series_count: int
    parallel_count: int
    cold_voc_v: float
    hot_vmp_v: float
    operating_a: float
    short_circuit_a: float
    panels_w: float
    used_w: float
    dangers: tuple[str, ...]
    failures: tuple[str, ...]
    remarks: tuple[str, ...]

    @property
    def is_legal(self) -> bool:
        """Whether it may be connected and works."""
        return not self.dangers and not self.failures

    @property
    def module_count(self) -> int:
        """Modules in all."""
        return self.series_count * self.parallel_count


def most_in_series(solar: Solar, module: Module, one: SolarInput) -> int:
    """Modules in series that stay within the input's voltage at the coldest."""
    each = module.voc_v * cold_factor(module, solar.coldest_c)
    return math.floor(one.highest_v / each + 1e-9)


def fewest_in_series(solar: Solar, module: Module, one: SolarInput) -> int:
    """Modules in series that the input needs to work at the hottest."""
    each = module.vmp_v * hot_factor(module, solar.hottest_c + solar.module_rise_k)
    return math.ceil(one.lowest_v / each - 1e-9)


def judge(solar: Solar, one: SolarInput, module: Module, series_count: int, parallel_count: int) -> Verdict:
    """Judge one arrangement on one input.

    Parameters
    ----------
    solar : Solar
        Gives the temperatures.
    one : SolarInput
    module : Module
    series_count, parallel_count : int
    """
    cold_voc_v = series_count * module.voc_v * cold_factor(module, solar.coldest_c)
    cell_c = solar.hottest_c + solar.module_rise_k
    hot_vmp_v = series_count * module.vmp_v * hot_factor(module, cell_c)
    current_a, shorted_a = parallel_count * module.imp_a, parallel_count * module.isc_a
    panels_w = series_count * parallel_count * module.stc_w
    wired_w = series_count * module.vmp_v * min(current_a, one.operating_a)
    # the product of rounded Vmp and Imp is not the rated power; only the share lost is taken from it
    used_w = min(panels_w * min(1.0, one.operating_a / current_a), one.most_w)
    dangers, failures, remarks = [], [], []
    if cold_voc_v > one.highest_v + 1e-9:
        most = most_in_series(solar, module, one)
        fit = f"at most {most} in series" if most else "not even one module fits: choose another"
        dangers.append(
            f"{cold_voc_v:.1f} V at {solar.coldest_c:g} C, above the {one.highest_v:g} V of '{one.name}': {fit}"
        )
    if one.short_circuit_a is None:
        remarks.append(
            f"short-circuit current of '{one.name}' not stated, so not checked: {shorted_a:.1f} A here; ask its maker"
        )
    elif shorted_a > one.short_circuit_a + 1e-9:
        dangers.append(
            f"{shorted_a:.1f} A short-circuit, above the {one.short_circuit_a:g} A of '{one.name}': at most "
            f"{math.floor(one.short_circuit_a / module.isc_a + 1e-9)} in parallel"
        )
    elif HIGH_SUN_FACTOR * shorted_a > one.short_circuit_a:
        remarks.append(
            f"with the 125 % of NEC 690.8(A)(1) {HIGH_SUN_FACTOR * shorted_a:.1f} A short-circuit, above the "
            f"{one.short_circuit_a:g} A of '{one.name}': have it checked where that code holds"
        )
    if hot_vmp_v < one.lowest_v - 1e-9:
        failures.append(
            f"{hot_vmp_v:.1f} V with cells at {cell_c:g} C, below the {one.lowest_v:g} V of '{one.name}': at least "
            f"{fewest_in_series(solar, module, one)} in series"
        )
    if current_a > one.operating_a + 1e-9:
        lost_w = panels_w * (1.0 - one.operating_a / current_a)
        remarks.append(
            f"{current_a:.1f} A, above the {one.operating_a:g} A '{one.name}' uses: {lost_w:,.0f} W lost in full sun"
        )
    if min(panels_w, wired_w) > one.most_w + 1e-9:
        remarks.append(
            f"{min(panels_w, wired_w):,.0f} W, above the {one.most_w:,.0f} W '{one.name}' uses: the rest is cut off"
        )
    return Verdict(
        input=one,
        module=module,
        series_count=series_count,
        parallel_count=parallel_count,
        cold_voc_v=cold_voc_v,
        hot_vmp_v=hot_vmp_v,
        operating_a=current_a,
        short_circuit_a=shorted_a,
        panels_w=panels_w,
        used_w=used_w,
        dangers=tuple(dangers),
        failures=tuple(failures),
        remarks=tuple(remarks),
    )


def judge_strings(solar: Solar, source: object = "scenario") -> tuple[Verdict, ...]:
    """Judge the strings as wired, one verdict per input in use; refuse what is dangerous or cannot work.

    Raises
    ------
    ScenarioError
        If unlike strings share an input, a voltage or short-circuit current is above its ratings, or the voltage is
        below its window. One message holds every problem.
    """
    problems, verdicts = [], []
    for one in solar.inputs:
        wired = solar.strings_on(one.name)
        if not wired:
            continue
        if unlike := _unlike(wired):
            problems.append(f"solar.strings: on input '{one.name}': {unlike}")
            continue
        first = wired[0]
        rows = sum(string.parallel_count for string in wired)
        module = solar.module_named(first.module)
        verdict = judge(solar, one, module, first.series_count, rows)
        problems += [f"solar.strings: DANGEROUS, do not connect: {text}" for text in verdict.dangers]
        problems += [f"solar.strings: would not work: {text}" for text in verdict.failures]
        verdicts.append(verdict)
    if problems:
        raise ScenarioError(problem_report(source, problems))
    return tuple(verdicts)


def _unlike(wired: tuple[String, ...]) -> str | None:
    """Say how strings on one input differ in what they must share, or None."""
    keys = ("module", "series_count", "tilt_degrees", "azimuth_degrees")
    for key in keys:
        values = {getattr(string, key) for string in wired}
        if len(values) > 1:
            have = " and ".join(f"{value:g}" if isinstance(value, float) else str(value) for value in values)
            return (
                f"unlike strings, {key} differs ({have}): in parallel they pull each other from their best point; "
                "make them alike, or put one on an input of its own"
            )
    return None


@dataclass(frozen=True)
class Delivered:
    """DC power of one input over time, and where the rest went; arrays of shape (n,), kW.

    Attributes
    ----------
    delivered_kw : array
        What arrives in the device.
    current_lost_kw, cable_lost_kw, power_lost_kw : array
        Above the input's current; in the cable, growing with the square of the current; above the input's power.
    """

    delivered_kw: Floats
    current_lost_kw: Floats
    cable_lost_kw: Floats
    power_lost_kw: Floats


def deliver(solar: Solar, name: str, panels_kw: Floats, string_v: Floats | float | None = None) -> Delivered:
    """Bring the panels' power through current limit, cable and power limit of one input.

    Parameters
    ----------
    solar : Solar
        Its strings on this input have been judged.
    name : str
        The input.
    panels_kw : array, shape (n,)
        Power at maximum-power voltage, DC, of all modules on the input. [kW]
    string_v : array, shape (n,), or float, optional
        Their voltage; default: Vmp of the sheet. [V]
    """
    wired = solar.strings_on(name)
    one, first = solar.input_named(name), wired[0]
    if string_v is None:
        string_v = first.series_count * solar.module_named(first.module).vmp_v
    volts = np.broadcast_to(np.asarray(string_v, dtype=np.float64), panels_kw.shape)
    rows = sum(string.parallel_count for string in wired)
    wanted_a = np.divide(panels_kw * 1000.0, volts, out=np.zeros_like(panels_kw), where=volts > 0)
    current_a = np.minimum(wanted_a, one.operating_a)
    carried_kw = current_a * volts / 1000.0
    # beyond the input's power the device moves off the best point and draws less current through the cable
    most_a = np.divide(one.most_w, volts, out=np.zeros_like(panels_kw), where=volts > 0)
    power_a = np.minimum(current_a, most_a)
    lost_kw = sum(
        (loss_kw(string.cable, power_a * string.parallel_count / rows) for string in wired),
        np.zeros_like(power_a),
    )
    lost_kw = np.minimum(lost_kw, carried_kw)
    arrived_kw = np.minimum(carried_kw - lost_kw, one.most_w / 1000.0)
    return Delivered(
        delivered_kw=arrived_kw,
        current_lost_kw=panels_kw - carried_kw,
        cable_lost_kw=lost_kw,
        power_lost_kw=carried_kw - lost_kw - arrived_kw,
    )


def shares_of_inputs(solar: Solar) -> dict[str, float]:
    """Share of the rated panel power on each input in use: how a measured series is divided among them."""
    rated = {
        one.name: sum(
            s.series_count * s.parallel_count * solar.module_named(s.module).stc_w
            for s in solar.strings_on(one.name)
        )
        for one in solar.inputs
        if solar.strings_on(one.name)
    }
    total = sum(rated.values())
    return {name: watts / total for name, watts in rated.items()}


def deliver_series(solar: Solar, panels_kwh: Floats, dt_hours: float) -> Floats:
    """Bring a series of all panels together (a measured one) through strings, cables and inputs. [kWh in the step].

    It is divided among the inputs by rated power, and each string stands at the voltage of its sheet.
    """
    total = np.zeros_like(panels_kwh)
    for name, share in shares_of_inputs(solar).items():
        total += deliver(solar, name, share * panels_kwh / dt_hours).delivered_kw * dt_hours
    return total
