"""From a TOML file to a :class:`~dispatch.scenario.model.Scenario`, or one message that says what to change."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dispatch.errors import ScenarioError
from dispatch.scenario.model import Scenario
from tariffs.reading.models import validated
from tariffs.reading.toml import read_toml

if TYPE_CHECKING:
    from pathlib import Path


def read_scenario(path: Path) -> Scenario:
    """Read and validate a scenario file, without opening the files it names.

    Parameters
    ----------
    path : Path
        The TOML file.

    Raises
    ------
    ScenarioError
        If the file is missing, not TOML, or breaks a rule of the models. One message holds every problem.
    """
    return validated(Scenario, read_toml(path, ScenarioError), path, ScenarioError)
