"""Rebates for using less than a baseline, stated for the program; the algebra is that of `tariffs.terms`.

::

    baseline = known_kwh, or Σ counts[d] / counted
               counts[d] ≤ import of like day d;   counts[d] ≤ most·chosen[d];   Σ chosen = counted   (chosen binary)
    saved ≤ baseline - import of the event + M·(1 - below);   saved ≤ most·below;   below binary

A larger ``saved`` only ever earns, so it is what it may be at most: the largest days, and the whole difference.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from dispatch.program.solver import AT_MOST, EQUAL

if TYPE_CHECKING:
    from dispatch.program.schedules import TermWriter
    from tariffs.terms.flow_terms import RebateTerm

    Terms = list[tuple[Any, float]]


def state_rebate(sheet: TermWriter, name: str, term: RebateTerm) -> Any:  # noqa: ANN401 - PuLP's
    """State one event day; return the column of what is saved. [kWh]."""
    baseline, constant, most = _baseline(sheet, name, term)
    used = sheet.sum("import", term.steps)
    most_used = float(sheet.most_import_kwh[term.steps].sum())
    saved, below = sheet.column(f"{name}_saved", most), sheet.column(f"{name}_below", 1.0, integer=True)
    rows = [(saved, 1.0), *used, *((column, -factor) for column, factor in baseline), (below, most_used)]
    sheet.row(f"{name}_difference", AT_MOST, rows, constant + most_used)
    sheet.row(f"{name}_or_nothing", AT_MOST, [(saved, 1.0), (below, -most)], 0.0)
    return saved


def most_saved_kwh(sheet: TermWriter, term: RebateTerm) -> float:
    """Return the most that can be saved on an event day. [kWh]."""
    if term.known_kwh is not None:
        return term.known_kwh
    most = sorted((float(sheet.most_import_kwh[steps].sum()) for steps in term.like), reverse=True)
    return sum(most[: term.counted]) / term.counted


def _baseline(sheet: TermWriter, name: str, term: RebateTerm) -> tuple[Terms, float, float]:
    """Return the baseline as terms and a constant, and the most it can be."""
    if term.known_kwh is not None:
        return [], term.known_kwh, term.known_kwh
    share = 1.0 / term.counted
    most = [float(sheet.most_import_kwh[steps].sum()) for steps in term.like]
    highest = share * sum(sorted(most, reverse=True)[: term.counted])
    if term.counted == len(term.like):
        return [pair for steps in term.like for pair in sheet.sum("import", steps, share)], 0.0, highest
    terms: Terms = []
    chosen = []
    for day, (steps, limit) in enumerate(zip(term.like, most, strict=True)):
        counts = sheet.column(f"{name}_counts_{day}", limit)
        pick = sheet.column(f"{name}_chosen_{day}", 1.0, integer=True)
        bought = sheet.sum("import", steps, -1.0)
        sheet.row(f"{name}_of_day_{day}", AT_MOST, [(counts, 1.0), *bought], 0.0)
        sheet.row(f"{name}_if_chosen_{day}", AT_MOST, [(counts, 1.0), (pick, -limit)], 0.0)
        terms.append((counts, share))
        chosen.append((pick, 1.0))
    sheet.row(f"{name}_so_many", EQUAL, chosen, float(term.counted))
    return terms, 0.0, highest
