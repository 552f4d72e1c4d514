"""On a narrow screen nothing is cut and no figure is broken: tables become lists, drawings become words."""

from __future__ import annotations

import io
import re
from functools import cache
from typing import TYPE_CHECKING

import pytest
from homes.small_home import small_home
from rich.console import Console
from terminal import ROOT

from dispatch import door

if TYPE_CHECKING:
    from collections.abc import Callable

    from dispatch.case.case import Case
    from dispatch.door import Result

ALDER = ROOT / "scenarios" / "alder-row"
WIDTHS = (40, 47, 54, 61, 68, 75)

SCREENS: dict[str, Callable[[Case], Result]] = {
    "check": door.check,
    "compare": door.compare,
    "backup": door.backup,
    "frontier": door.frontier,
    "hardware": door.hardware,
    "care": door.care,
    "strings": lambda _: door.strings(ROOT / "scenarios" / "cinder-flat" / "panels.toml", modules=14),
    "cable": lambda _: door.cable(amps=9.5, volts=96, length_m=18, awg=10),
    "bill": lambda _: door.bill(ALDER / "tariff.toml", ALDER / "series.csv", bought=["load_kw"]),
    "settings": door.settings,
    "outage": lambda case: door.outage(case, "2025-11-01T17", 18),
    "tonight": lambda case: door.tonight(case, "2025-11-03T18:00", "62%"),
    "storm": lambda case: door.storm(case, "2025-11-01T18:00", "62%", "2025-11-02T06:00", 20),
}


@cache
def told(name: str) -> Result:
    return SCREENS[name](small_home().case())


def printed(result: Result, width: int) -> str:
    file = io.StringIO()
    console = Console(
        file=file, width=width, color_system=None, markup=False, legacy_windows=False, _environ={}
    )
    console.print(result)
    return file.getvalue()


def figures(text: str) -> set[str]:
    """Every word with a digit in it: a time of day, a date, an amount."""
    return set(re.findall(r"\S*\d\S*", text))


@pytest.mark.parametrize("full", [False, True])
@pytest.mark.parametrize("name", SCREENS)
def test_no_figure_is_lost_or_broken(name: str, full: bool) -> None:
    result = told(name).in_full() if full else told(name)
    whole = printed(result, 80)
    if name == "frontier":  # what is left out, and says so, are the figures on the axes of the drawing
        whole = whole.partition("BILL + WEAR AGAINST")[0] + whole.rpartition("bill + wear ")[2]
    for width in WIDTHS:
        narrow = printed(result, width)
        assert not {word for word in figures(whole) if word not in narrow}, width
        assert "\u2026" not in narrow
        assert all(len(line) <= width or " " not in line.strip() for line in narrow.splitlines())


@pytest.mark.parametrize("full", [False, True])
def test_what_is_to_be_entered_stands_whole_under_its_heading(full: bool) -> None:
    """The card once ended clock times in dots below 75 columns."""
    study = told("settings").study  # type: ignore[attr-defined]
    result = told("settings").in_full() if full else told("settings")
    windows = [window for plan in study.card.plans for window in (*plan.charge, *plan.discharge)]
    assert windows
    for width in range(40, 81):
        lines = printed(result, width).splitlines()
        for window in windows:
            assert any(window.text in line for line in lines)
        for plan in study.card.plans:
            assert any(f"{plan.reserve_percent:g} %" in line for line in lines)
