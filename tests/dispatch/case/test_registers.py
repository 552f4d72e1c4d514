"""A tariff's registers beside the main meter in a scenario: billed in every run, moved by none."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest
from homes.home_files import TARIFF, Home

import dispatch
from dispatch.case.case import load_scenario
from dispatch.outcome import bill_of
from tariffs import TariffError

if TYPE_CHECKING:
    from pathlib import Path

REGISTER = """
[[registers]]
name = "boiler"
price_per_kwh = 0.11
hours = "22:00-06:00"
[minimum]
per_month = 40
"""
SERIES = """
[[registers.boiler.appliances]]
name = "element"
watts = 2000
hours_per_day = 4
starts_at = "23:00"
"""


def test_a_register_is_billed_in_every_run_and_moved_by_none(tmp_path: Path) -> None:
    home = Home(Home().scenario + SERIES, TARIFF + REGISTER)
    found = dispatch.compare(home.write(tmp_path)).comparison
    case = found.case
    assert float(case.others.registers["boiler"].sum()) == pytest.approx(24)
    for run in (*found.planned.values(), *found.advice.outcomes.values()):
        (line,) = {
            line.amount for period in bill_of(run.flows).periods for line in period.lines if line.register
        }
        assert float(line) == pytest.approx(0.11 * case.others.registers["boiler"].sum())


def test_a_register_without_a_series_is_refused_by_the_table_to_add(tmp_path: Path) -> None:
    with pytest.raises(TariffError, match=r"register 'boiler'.*\[registers\.boiler\]"):
        load_scenario(Home(tariff=TARIFF + REGISTER).write(tmp_path))


def test_a_series_without_a_register_is_refused(tmp_path: Path) -> None:
    with pytest.raises(TariffError, match=r"registers.*'boiler'.*add \[\[registers\]\]"):
        load_scenario(Home(Home().scenario + SERIES).write(tmp_path))
    other = Home(Home().scenario + SERIES, TARIFF + REGISTER.replace('"boiler"', '"boilers"'))
    with pytest.raises(TariffError, match="did you mean 'boilers'"):
        load_scenario(other.write(tmp_path))
    assert np.isfinite(load_scenario(Home().write(tmp_path)).load_kwh).all()
