"""A file of parts: the panels of a home, as a whole scenario or as [solar] alone, for those who only plan."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pydantic import Field

from dispatch.errors import ScenarioError
from dispatch.scenario.load import read_scenario
from dispatch.scenario.model import Site  # noqa: TC001 - pydantic reads the annotations when it runs
from dispatch.scenario.solar import Solar  # noqa: TC001
from tariffs.reading.models import Frozen, Text, validated
from tariffs.reading.toml import read_toml

if TYPE_CHECKING:
    from pathlib import Path


class Parts(Frozen):
    """What the commands about strings and sun need."""

    name: Text = Field("parts", description="what the report calls them")
    site: Site | None = None
    solar: Solar


def read_parts(path: Path) -> Parts:
    """Read the panels from a scenario or from a file that holds only [solar], perhaps with name and [site].

    Raises
    ------
    ScenarioError
        If the file cannot be used, or has no [solar].
    """
    data = read_toml(path, ScenarioError)
    if "battery" not in data and "tariff" not in data:
        return validated(Parts, data, path, ScenarioError)
    scenario = read_scenario(path)
    if scenario.solar is None:
        raise ScenarioError(f"{path}: solar: the scenario says nothing about its panels; add [solar]")
    return Parts(name=scenario.name, site=scenario.site, solar=scenario.solar)
