"""How much to buy: every number of packs with every amount of panels, each as it would be set, and what that is worth.

Every cell is a case of its own, built from its parts as a scenario written with them would be, and run as set by
:func:`dispatch.advice.recommend.recommend`. A purchase is judged against what is there already (or, where nothing is,
against the household without the system) by money that is paid: the bill. Wear is left out of it, because the price
of the packs stands for it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from dispatch.advice.recommend import recommend
from dispatch.arrays import quiet
from dispatch.errors import Infeasible, ScenarioError, SeriesError
from dispatch.outages.expected_loss import expected_loss
from dispatch.outcome import without_system
from dispatch.sizing.life import ages
from dispatch.sizing.parts import Panels, Parts, Workshop, pack_counts, panel_choices, unit_counts
from dispatch.sizing.plans import least_cost_plans
from dispatch.sizing.worth import FADE_PER_YEAR, Gain

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dispatch.advice.recommend import Recommendation
    from dispatch.arrays import Progress
    from dispatch.case.case import Case
    from dispatch.equipment.life import Ageing
    from dispatch.outages.expected_loss import ExpectedLoss
    from dispatch.outcome import Outcome
    from dispatch.scenario.sizing import Sizing


YEAR_DAYS = (360.0, 370.0)
"""Data of so many days stand for a year as they are."""

DAYS_PER_YEAR = 365.0


@dataclass(frozen=True)
class Cell:
    """A home with one set of parts, as it would be set.

    Attributes
    ----------
    parts : Parts
    years : float
        Years the data stand for.
    outcome : Outcome or None
        What is recommended with these parts; None where they do not work.
    refusal : str or None
        Why they do not.
    ageing : Ageing or None
        Of the cells; None where the scenario tells nothing of their life.
    loss : ExpectedLoss or None
        What outages are expected to leave dark; None where the scenario states none.
    planned : Outcome or None
        Least cost with perfect foresight at the same reserve, where it was asked for and one was found.
    most_hours : float
        Fewest hours of critical load with the battery kept as full as it can be set: what the parts could keep. [h]
    """

    parts: Parts
    years: float
    outcome: Outcome | None
    refusal: str | None = None
    ageing: Ageing | None = None
    loss: ExpectedLoss | None = None
    planned: Outcome | None = None
    most_hours: float = 0.0

    @property
    def works(self) -> bool:
        """Whether the whole load is served in daily use."""
        return self.outcome is not None and self.outcome.serves

    @property
    def saving_per_year(self) -> float:
        """Bill without the system less bill + wear, as every command states it, a year. [currency]."""
        return 0.0 if self.outcome is None else self.outcome.saving / self.years

    @property
    def paid_less_per_year(self) -> float:
        """The same without wear, which nobody pays in the year. [currency]."""
        return 0.0 if self.outcome is None else (self.outcome.saving + self.outcome.wear) / self.years

    @property
    def least_hours(self) -> float:
        """Fewest hours of critical load, without sun. [h]."""
        return (self.outcome.least_hours or 0.0) if self.outcome is not None else 0.0

    @property
    def usual_hours(self) -> float:
        """Median hours of critical load, without sun. [h]."""
        backup = self.outcome.backup if self.outcome is not None else None
        return backup.median if backup is not None else 0.0

    @property
    def usual_all_hours(self) -> float:
        """Median hours while nothing is switched off. [h]."""
        backup = self.outcome.backup if self.outcome is not None else None
        return backup.all_median if backup is not None else 0.0

    @property
    def least_all_hours(self) -> float:
        """Fewest hours while nothing is switched off. [h]."""
        backup = self.outcome.backup if self.outcome is not None else None
        return backup.all_minimum if backup is not None else 0.0

    @property
    def cycles_per_year(self) -> float:
        """Full cycles of the usable energy."""
        return ((self.outcome.cycles or 0.0) if self.outcome is not None else 0.0) / self.years


@dataclass(frozen=True)
class Purchase:
    """From what is there to a cell.

    Attributes
    ----------
    cell : Cell
    added_packs, added_units : int
    added_panels : bool
    price : float or None
        None where a price that it needs is not stated. [currency]
    gain : Gain
        In the first year.
    more_hours, more_most_hours : float
        More hours at the worst moment than what is there: as set, and with the battery kept full. [h]
    """

    cell: Cell
    added_packs: int
    added_units: int
    added_panels: bool
    price: float | None
    gain: Gain
    more_hours: float
    more_most_hours: float

    @property
    def is_nothing(self) -> bool:
        """Whether it is what is there already."""
        return not (self.added_packs or self.added_units or self.added_panels)


@dataclass(frozen=True)
class Sized:
    """The whole of ``dispatch size``.

    Attributes
    ----------
    case : Case
        As loaded.
    no_system : Outcome
    years : float
        Years the data stand for.
    panels : tuple of Panels
        None first.
    cells : tuple of Cell
        By units, packs, panels.
    now : Cell or None
        What is there; None where nothing is.
    purchases : tuple of Purchase
        Everything that has no part less than what is there, in the order of ``cells``.
    packs_cut : bool
        The units take more packs than were looked at.
    """

    case: Case
    no_system: Outcome
    years: float
    panels: tuple[Panels, ...]
    cells: tuple[Cell, ...]
    now: Cell | None
    purchases: tuple[Purchase, ...]
    packs_cut: bool

    @property
    def sizing(self) -> Sizing:
        """The scenario's section."""
        return self.case.scenario.sizing

    def cell(self, pack_count: int, panels: Panels, unit_count: int | None = None) -> Cell | None:
        """Return a cell by its parts, if it was looked at."""
        units = self.case.scenario.units.count if unit_count is None else unit_count
        return _find(self.cells, Parts(pack_count, units, panels))

    @property
    def steps(self) -> tuple[Purchase, ...]:
        """The next size up of each kind: packs, panels, units; from nothing, the smallest of each."""
        if self.now is None:
            first = next((each for each in self.purchases if each.cell.works), None)
            return () if first is None else (first,)
        packs = (p for p in self.purchases if p.added_packs and not (p.added_units or p.added_panels))
        panels = (p for p in self.purchases if p.added_panels and not (p.added_units or p.added_packs))
        units = (p for p in self.purchases if p.added_units and not p.added_panels)
        found = (next(kind, None) for kind in (packs, panels, units))
        return tuple(each for each in found if each is not None)


def size(
    case: Case,
    *,
    most_packs: int | None = None,
    panels: Sequence[float] | None = None,
    planned: bool = False,
    progress: Progress | None = None,
) -> Sized:
    """Run every set of parts as it would be set, and judge what it would take to get there.

    Parameters
    ----------
    case : Case
        From ``load_scenario``, whose files are read again.
    most_packs : int, optional
        Most packs looked at, instead of the scenario's.
    panels : sequence of float, optional
        Multiples of the scenario's panels, instead of the scenario's choices.
    planned : bool
        Whether the plan of least cost is solved for every cell too.
    progress : callable, optional
        Called with (done, total, label).

    Raises
    ------
    ScenarioError
        If sizes are asked for that the units or the scenario's sun do not allow.
    """
    tell = progress or quiet
    choices = panel_choices(case, panels)
    asked = [
        Parts(packs, units, choice)
        for units in unit_counts(case)
        for packs in pack_counts(case, units, most_packs)
        for choice in choices
    ]
    workshop, years = Workshop(case), _years(case)
    cells = []
    for done, parts in enumerate(asked):
        tell(done, len(asked), _label(parts))
        cells.append(_cell(workshop, parts, years))
    if planned:
        cells = _with_plans(cells, tell)
    tell(len(asked), len(asked), "done")
    now = _find(cells, _parts_now(case, choices)) if case.scenario.sizing.parts_are_owned else None
    units = case.scenario.units
    most = max(parts.pack_count for parts in asked)
    takes = units.most_packs_count and units.most_packs_count * max(parts.unit_count for parts in asked)
    return Sized(
        case=case,
        no_system=without_system(case),
        years=years,
        panels=choices,
        cells=tuple(cells),
        now=now,
        purchases=tuple(_purchases(case, cells, choices, now)),
        packs_cut=bool(takes and takes > most),
    )


def _label(parts: Parts) -> str:
    packs = f"{parts.pack_count} pack{'s' if parts.pack_count > 1 else ''}"
    return f"{packs}, panels {parts.panels.name}"


def _years(case: Case) -> float:
    days = len(case.times) * case.dt_hours / 24.0
    return 1.0 if YEAR_DAYS[0] <= days <= YEAR_DAYS[1] else days / DAYS_PER_YEAR


def _cell(workshop: Workshop, parts: Parts, years: float) -> Cell:
    try:
        case = workshop.build(parts)
        advice = recommend(case)
    except (ScenarioError, SeriesError, Infeasible) as error:
        return Cell(parts, years, None, str(error))
    outcome, outages = advice.chosen, case.scenario.outages
    return Cell(
        parts=parts,
        years=years,
        outcome=outcome,
        ageing=ages(case, [outcome.flows]).get(outcome.name),
        loss=None if outages is None else expected_loss(outcome.case, outcome.flows, outages),
        most_hours=_most_hours(advice),
    )


def _most_hours(advice: Recommendation) -> float:
    """Fewest hours of the setting that keeps most: the highest reserve that can be entered. [h]."""
    scan = advice.scan
    fullest = scan.percents >= scan.percents.max() - 1e-9
    return float(scan.least_hours[fullest].max())


def _with_plans(cells: list[Cell], tell: Progress) -> list[Cell]:
    plans = iter(least_cost_plans([cell.outcome for cell in cells if cell.outcome is not None], tell))
    return [cell if cell.outcome is None else replace(cell, planned=next(plans)) for cell in cells]


# ---- purchases ---------------------------------------------------------------------------------------------
def _parts_now(case: Case, choices: Sequence[Panels]) -> Parts:
    return Parts(case.scenario.battery.pack_count, case.scenario.units.count, _panels_now(case, choices))


def _panels_now(case: Case, choices: Sequence[Panels]) -> Panels:
    """Find the scenario's own panels among the choices."""
    if case.scenario.sun is None:
        return choices[0]
    strings = case.scenario.solar.strings if case.scenario.solar is not None else ()
    wired = (one for one in choices if strings and one.strings == strings)
    plain = (one for one in choices if one.strings is None and abs(one.factor - 1.0) < 1e-9)
    found = next(wired, None) or next(plain, None)
    if found is None:
        raise ScenarioError("--panels: must hold 1, the panels there are, where no [solar] strings tell them")
    return found


def _find(cells: Sequence[Cell], parts: Parts) -> Cell | None:
    return next((cell for cell in cells if cell.parts == parts), None)


def _purchases(
    case: Case, cells: Sequence[Cell], choices: Sequence[Panels], now: Cell | None
) -> list[Purchase]:
    start = Parts(0, 0, choices[0]) if now is None else now.parts
    first = choices.index(start.panels)
    return [
        _purchase(case.scenario.sizing, _pack_price(case), cells, now, cell)
        for cell in cells
        if cell.outcome is not None
        and cell.parts.pack_count >= start.pack_count
        and cell.parts.unit_count >= start.unit_count
        and choices.index(cell.parts.panels) >= first
    ]


def _pack_price(case: Case) -> float | None:
    stated, life = case.scenario.sizing.pack_price, case.scenario.life
    return life.pack_price if stated is None and life is not None else stated


def _purchase(
    sizing: Sizing, pack_price: float | None, cells: Sequence[Cell], now: Cell | None, cell: Cell
) -> Purchase:
    parts = cell.parts
    had = None if now is None else now.parts
    packs = parts.pack_count - (had.pack_count if had else 0)
    units = parts.unit_count - (had.unit_count if had else 0)
    panels = parts.panels.factor > 0 if had is None else parts.panels != had.panels
    prices = []
    if packs:
        prices.append(None if pack_price is None else packs * pack_price)
    if units:
        prices.append(None if sizing.unit_price is None else units * sizing.unit_price)
    if panels:
        before, after = had.panels.price if had else 0.0, parts.panels.price
        prices.append(None if after is None or before is None else after - before)
    known = [price for price in prices if price is not None]
    whole = sum(known) + sizing.work_price if prices else 0.0
    return Purchase(
        cell=cell,
        added_packs=packs,
        added_units=units,
        added_panels=panels,
        price=whole if len(known) == len(prices) else None,
        gain=_gain(sizing, cells, now, cell),
        more_hours=cell.least_hours - (now.least_hours if now is not None else 0.0),
        more_most_hours=cell.most_hours - (now.most_hours if now is not None else 0.0),
    )


def _gain(sizing: Sizing, cells: Sequence[Cell], now: Cell | None, cell: Cell) -> Gain:
    """Divide what a purchase brings: packs bring what they would with the panels there were, panels the rest."""
    kept = replace(cell.parts, panels=cells[0].parts.panels if now is None else now.parts.panels)
    halfway = _find(cells, kept)
    # where that cannot be run nothing is known of the panels' share: all of it fades as packs do
    middle = cell if halfway is None or halfway.outcome is None else halfway
    fade, ageing = sizing.pack_fade_per_year_fraction, cell.ageing
    if fade is None:
        fade = FADE_PER_YEAR if ageing is None else ageing.cycle_fade_per_year + ageing.calendar_fade_per_year
    return Gain(
        packs=middle.paid_less_per_year - (now.paid_less_per_year if now is not None else 0.0),
        panels=cell.paid_less_per_year - middle.paid_less_per_year,
        pack_fade=fade,
        pack_life_years=np.inf if ageing is None else ageing.years_to_80,
    )
