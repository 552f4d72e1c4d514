"""What a person says about panels: the module's sheet, the solar inputs, how modules are strung, cables, surroundings.

A file that holds only these sections (and perhaps ``[site]``) is enough for the commands about strings and sun.
"""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import Field, Strict, field_validator, model_validator

from dispatch.scenario.fields import Count, Positive, Share, refusal
from tariffs.reading.models import Frozen, Text

Celsius = Annotated[float, Strict(), Field(ge=-60, le=90)]

MONTHS = 12

METRES_PER_FOOT = 0.3048

POWER_AGREES_FRACTION = 0.05
"""Sheets round Vmp and Imp; their product may differ from the rated power by this share."""

MonthlyShare = Annotated[tuple[Share, ...], Field(min_length=MONTHS, max_length=MONTHS)]


def _coefficient(name: str, value: float | None, low: float, high: float, what: str) -> None:
    """Refuse a temperature coefficient of the wrong sign or in another unit than percent per kelvin."""
    if value is None or low <= value <= high:
        return
    span = f"{what} lies between {low:g} and {high:g} % per K"
    if low <= -value <= high:
        raise refusal(name, f"{value:g} has the wrong sign: {span}; write {-value:g}")
    if low <= 100 * value <= high and value != 0:
        raise refusal(
            name, f"{value:g} looks like a fraction per K: {span}; write {100 * value:g}, a percentage per K"
        )
    raise refusal(
        name,
        f"{value:g} is out of range: {span}. Where the sheet states V or A per K, divide by the value at 25 C "
        "and write 100 times that",
    )


class Module(Frozen):
    """The sheet of one kind of panel, at standard test conditions (1,000 W/m2, cells at 25 C)."""

    name: Text = Field(description="what the strings call it")
    stc_w: Positive = Field(description="rated power, in W")
    voc_v: Positive = Field(description="open-circuit voltage, in V")
    isc_a: Positive = Field(description="short-circuit current, in A")
    vmp_v: Positive = Field(description="voltage at maximum power, in V")
    imp_a: Positive = Field(description="current at maximum power, in A")
    voc_percent_per_k: Annotated[float, Strict()] | None = Field(
        None,
        description="change of the open-circuit voltage, in % per K, below zero; without it the factors of "
        "NEC 690.7(A) for crystalline silicon are used",
    )
    vmp_percent_per_k: Annotated[float, Strict()] | None = Field(
        None,
        description="change of the voltage at maximum power, in % per K; default: that of power, else of Voc",
    )
    isc_percent_per_k: Annotated[float, Strict()] | None = Field(
        None, description="change of the short-circuit current, in % per K, above zero; default: none"
    )
    pmp_percent_per_k: Annotated[float, Strict()] | None = Field(
        None, description="change of the power, in % per K, below zero; needed for the sun from weather"
    )

    @model_validator(mode="after")
    def _is_one_sheet(self) -> Self:
        if self.vmp_v >= self.voc_v:
            raise refusal(
                "vmp_v", f"{self.vmp_v:g} V is not below voc_v = {self.voc_v:g} V; are the two swapped?"
            )
        if self.imp_a >= self.isc_a:
            raise refusal(
                "imp_a", f"{self.imp_a:g} A is not below isc_a = {self.isc_a:g} A; are the two swapped?"
            )
        power_w = self.vmp_v * self.imp_a
        if abs(power_w - self.stc_w) > POWER_AGREES_FRACTION * self.stc_w:
            text = f"{self.stc_w:g} W, but vmp_v x imp_a = {power_w:.4g} W; correct the one that is not on the sheet"
            raise refusal("stc_w", text)
        _coefficient("voc_percent_per_k", self.voc_percent_per_k, -0.6, -0.15, "the voltage's coefficient")
        _coefficient("vmp_percent_per_k", self.vmp_percent_per_k, -0.8, -0.15, "the voltage's coefficient")
        _coefficient("pmp_percent_per_k", self.pmp_percent_per_k, -0.7, -0.15, "the power's coefficient")
        _coefficient("isc_percent_per_k", self.isc_percent_per_k, 0.0, 0.15, "the current's coefficient")
        return self


class SolarInput(Frozen):
    """One solar input (tracker) with its ratings."""

    name: Text = Field(description="what the strings call it")
    lowest_v: Positive = Field(description="lower end of its voltage window, in V")
    highest_v: Positive = Field(description="upper end: above it the input is destroyed, in V")
    operating_a: Positive = Field(description="current it can use, in A; more is lost")
    short_circuit_a: Positive | None = Field(
        None, description="short-circuit current it may be connected to, in A; none = not stated, not checked"
    )
    most_w: Positive = Field(description="power it can use, in W; more is lost")

    @model_validator(mode="after")
    def _window_is_open(self) -> Self:
        if self.lowest_v >= self.highest_v:
            raise refusal("lowest_v", f"{self.lowest_v:g} V is not below highest_v = {self.highest_v:g} V")
        if self.short_circuit_a is not None and self.short_circuit_a < self.operating_a:
            text = f"{self.short_circuit_a:g} A is below operating_a = {self.operating_a:g} A; are the two swapped?"
            raise refusal("short_circuit_a", text)
        return self


class Cable(Frozen):
    """A two-wire DC cable, by gauge or by cross-section."""

    awg: Annotated[int, Strict(), Field(ge=0, le=30)] | None = Field(
        None, description="American wire gauge number, 0 = 1/0"
    )
    area_mm2: Positive | None = Field(None, description="instead: cross-section of the conductor, in mm2")
    length_m: Positive | None = Field(None, description="one way, in m")
    length_ft: Positive | None = Field(None, description="instead: one way, in feet")
    strands: Literal["solid", "stranded", "flexible"] = Field(
        "stranded", description="make of the conductor; solar cable is flexible"
    )
    metal: Literal["copper", "aluminium"] = Field("copper", description="metal of the conductor")
    conductor_c: Annotated[float, Strict(), Field(ge=-40, le=120)] = Field(
        75.0, description="temperature of the conductor, in C"
    )

    @model_validator(mode="after")
    def _one_size_one_length(self) -> Self:
        if (self.awg is None) == (self.area_mm2 is None):
            raise refusal("", "give exactly one of awg and area_mm2")
        if (self.length_m is None) == (self.length_ft is None):
            raise refusal("", "give exactly one of length_m and length_ft, one way")
        if self.metal == "aluminium" and self.strands == "flexible":
            raise refusal("metal", "flexible cable is copper; write strands = 'stranded'")
        return self

    @property
    def one_way_m(self) -> float:
        """Length one way. [m]."""
        return self.length_m if self.length_m is not None else (self.length_ft or 0.0) * METRES_PER_FOOT


class String(Frozen):
    """Modules in series, perhaps several such rows in parallel, on one solar input."""

    input: Text = Field(description="name of the solar input")
    module: Text = Field(description="name of the module")
    series_count: Count = Field(description="modules in series")
    parallel_count: Count = Field(1, description="such rows in parallel")
    tilt_degrees: Annotated[float, Strict(), Field(ge=0, le=90)] | None = Field(
        None, description="slope, 0 = flat, 90 = upright; needed for the sun from weather"
    )
    azimuth_degrees: Annotated[float, Strict(), Field(ge=0, lt=360)] | None = Field(
        None, description="where it faces: 0 north, 90 east, 180 south, 270 west"
    )
    cable: Cable | None = Field(None, description="from the panels to the input, carrying all rows' current")


class Solar(Frozen):
    """Panels, the inputs they are wired to, and what stands in their sun."""

    coldest_c: Celsius = Field(description="coldest air of the site in many years, in C: sets the voltage")
    hottest_c: Celsius = Field(description="hottest air of the site, in C")
    module_rise_k: Annotated[float, Strict(), Field(ge=0, le=60)] = Field(
        30.0, description="how much hotter than the air the cells are in full sun, in K"
    )
    modules: Annotated[tuple[Module, ...], Field(min_length=1)] = Field(
        description="module sheets, a table each"
    )
    inputs: Annotated[tuple[SolarInput, ...], Field(min_length=1, max_length=4)] = Field(
        description="solar inputs, a table each"
    )
    strings: tuple[String, ...] = Field((), description="what is wired to them, a table each")
    horizon_degrees: tuple[tuple[float, float], ...] = Field(
        (), description="skyline as [azimuth, elevation] pairs, straight lines between them; default: flat"
    )
    shade_fraction: MonthlyShare | None = Field(
        None, description="share of the direct sun lost to trees and walls, 12 numbers, January first"
    )
    soiling_fraction: MonthlyShare | None = Field(
        None, description="share of all sun lost to dirt, 12 numbers"
    )
    snow_fraction: MonthlyShare | None = Field(None, description="share of all sun lost to snow, 12 numbers")

    @field_validator("horizon_degrees")
    @classmethod
    def _horizon_goes_round(cls, value: tuple[tuple[float, float], ...]) -> tuple[tuple[float, float], ...]:
        for azimuth, elevation in value:
            if not (0 <= azimuth <= 360 and 0 <= elevation < 90):
                text = f"[{azimuth:g}, {elevation:g}] is no [azimuth 0-360, elevation 0-90]"
                raise refusal("", f"{text}; write degrees clockwise from north, and above level")
        return value

    @model_validator(mode="after")
    def _names_meet(self) -> Self:
        if self.coldest_c >= self.hottest_c:
            raise refusal("coldest_c", f"{self.coldest_c:g} C is not below hottest_c = {self.hottest_c:g} C")
        for what, entries in (("modules", self.modules), ("inputs", self.inputs)):
            names = [entry.name for entry in entries]
            if twice := next((name for name in names if names.count(name) > 1), None):
                raise refusal(what, f"'{twice}' stands there twice; give each a name of its own")
        for at, string in enumerate(self.strings, 1):
            for key, wanted, entries in (
                ("module", string.module, self.modules),
                ("input", string.input, self.inputs),
            ):
                known = [entry.name for entry in entries]
                if wanted not in known:
                    text = f"'{wanted}' is none of [[solar.{key}s]]: {', '.join(known)}"
                    raise refusal(f"strings[{at}].{key}", text)
        return self

    def module_named(self, name: str) -> Module:
        """Return a module by its name, which the model has checked."""
        return next(module for module in self.modules if module.name == name)

    def input_named(self, name: str) -> SolarInput:
        """Return a solar input by its name."""
        return next(one for one in self.inputs if one.name == name)

    def strings_on(self, name: str) -> tuple[String, ...]:
        """Return the strings wired to one input."""
        return tuple(string for string in self.strings if string.input == name)
