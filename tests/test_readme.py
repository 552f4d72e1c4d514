"""README is run, not believed: its commands, its output, its example files."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from terminal import run

from dispatch.scenario.model import Scenario
from tariffs import parse_tariff

ROOT = Path(__file__).resolve().parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
TOML = re.findall(r"^```toml\n(.*?)^```", README, flags=re.DOTALL | re.MULTILINE)
SHELL = re.findall(r"^```sh\n(.*?)^```", README, flags=re.DOTALL | re.MULTILINE)


def shown_after(block: str) -> list[str]:
    """Return the lines of the text block that follows a shell block: what it printed."""
    after = README.split(block, 1)[1]
    found = re.search(r"^```text\n(.*?)^```", after, flags=re.DOTALL | re.MULTILINE)
    assert found is not None
    return [line.rstrip() for line in found.group(1).splitlines()]


def test_the_first_two_commands_are_the_set_up() -> None:
    assert "dispatch compare scenarios/alder-row" in SHELL[0]
    assert SHELL[1].strip() in (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    assert all("pip install" in block and "\n" not in block.strip() for block in SHELL[:2])


def test_the_first_command_prints_what_is_shown(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(ROOT)
    done = run("compare", "scenarios/alder-row")
    assert done.returncode == 0
    printed = [line.rstrip() for line in done.stdout.splitlines()]
    shown = shown_after(SHELL[0])
    assert len(shown) > 30
    assert printed[: len(shown)] == shown


@pytest.mark.parametrize("text", TOML)
def test_every_example_file_is_valid(text: str) -> None:
    import tomllib  # noqa: PLC0415 - only here

    table = tomllib.loads(text)
    if "site" in table:
        Scenario.model_validate(table)
    elif "bands" in table:
        assert parse_tariff(text).name
    else:
        assert table  # a fragment of a scenario file: its keys are checked by the key tables
