"""The READMEs are run, not believed: every block, every figure, every key; and a slip of each kind is caught."""

from __future__ import annotations

import doctest
import importlib
import json
import re
import subprocess
import sys
from typing import TYPE_CHECKING, Any

import pytest
from docs import (
    ELLIPSIS,
    READMES,
    ROOT,
    RUNS,
    Keys,
    all_blocks,
    blocks,
    holds,
    household,
    key_rows,
    objections,
    printed_by,
    printed_by_python,
    smallest,
    solved_once,
    validate,
)
from terminal import run
from test_layout import LAYERS

import dispatch
import dispatch.door
import tariffs

if TYPE_CHECKING:
    from pathlib import Path

FIRST, SECOND = blocks(READMES[0], "sh")[:2]
TOML = all_blocks("toml")
PYTHON = all_blocks("python")
ROWS = [row for path in READMES for row in key_rows(path)]


@pytest.fixture(scope="module", autouse=True)
def _at_home(tmp_path_factory: pytest.TempPathFactory) -> Any:  # noqa: ANN401 - a generator
    with household(tmp_path_factory.mktemp("household")), solved_once():
        yield


@pytest.fixture(scope="module")
def documents() -> dict[str, Any]:
    """The document of every command on one shipped home."""
    return {command: json.loads(run(command, *words, "--json").stdout) for command, words in RUNS.items()}


def test_the_first_two_commands_are_the_set_up() -> None:
    assert FIRST.text.endswith("-e . && .venv/bin/dispatch compare scenarios/alder-row\n")
    assert SECOND.text.strip() in (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    assert all("pip install" in block.text and "\n" not in block.text.strip() for block in (FIRST, SECOND))
    assert FIRST.shown is not None
    assert 15 < FIRST.shown.count("\n") <= 25


def test_the_first_page_is_short() -> None:
    assert len(READMES[0].read_text(encoding="utf-8").splitlines()) <= 250


@pytest.mark.parametrize("path", READMES, ids=lambda path: path.parent.name)
def test_commands_print_what_is_shown(path: Path) -> None:
    for block in blocks(path, "sh"):
        printed = printed_by(block)
        if block.shown is not None:
            assert objections(block.shown, printed) == [], block.name


@pytest.mark.parametrize("block", PYTHON, ids=lambda block: block.name)
def test_python_runs(block: Any) -> None:  # noqa: ANN401 - a Block
    assert block.shown is not None, "show what it prints"
    assert objections(block.shown, printed_by(block)) == []


@pytest.mark.parametrize("block", TOML, ids=lambda block: block.name)
def test_files_are_valid(block: Any) -> None:  # noqa: ANN401 - a Block
    assert validate(block.text) in {"scenario", "tariff", "card"}


@pytest.mark.parametrize("command", RUNS)
def test_keys_of_documents_exist(command: str, documents: dict[str, Any]) -> None:
    rows = [row for row in ROWS if row.command == command]
    assert rows, f"no table names keys of {command}"
    missing = [key for row in rows for key in row.keys if not holds(documents[command], key)]
    assert missing == []


def test_the_columns_of_an_outage_are_those_of_its_steps(documents: dict[str, Any]) -> None:
    text = (ROOT / "dispatch" / "README.md").read_text(encoding="utf-8")
    _, _, section = text.partition("### Columns of `outage_<strategy>.csv`")
    rows = re.findall(r"^\| (`.*?) \|", section.partition("\n## ")[0], flags=re.MULTILINE)
    told = [name for row in rows for name in re.findall(r"`(\w+)`", row)]
    assert sorted(told) == sorted(documents["outage"]["strategies"][0]["steps"][0])


def test_every_row_of_keys_belongs_to_a_command() -> None:
    assert len(ROWS) > 60
    assert {row.command for row in ROWS} == set(RUNS)


@pytest.mark.parametrize("path", READMES, ids=lambda path: path.parent.name)
def test_links_lead_somewhere(path: Path) -> None:
    for target, anchor in re.findall(r"\]\(([^)#:]*)(?:#([^)]*))?\)", path.read_text(encoding="utf-8")):
        file = (path.parent / target).resolve() if target else path
        assert file.exists(), target
        assert not anchor or anchor in anchors(file), anchor


def anchors(path: Path) -> set[str]:
    """The headings of a README as links name them."""
    headings = re.findall(r"^#+ (.*)$", path.read_text(encoding="utf-8"), flags=re.MULTILINE)
    return {re.sub(r"[^\w\- ]", "", heading.lower()).replace(" ", "-") for heading in headings}


def check_keys() -> subprocess.CompletedProcess[str]:
    """Hold the key tables against the models, as ``python scenarios/keys.py --check`` does."""
    words = [sys.executable, str(ROOT / "scenarios" / "keys.py"), "--check"]
    return subprocess.run(words, capture_output=True, text=True, check=False, env={"PYTHONPATH": str(ROOT)})


def test_the_key_tables_are_those_of_the_models() -> None:
    done = check_keys()
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")


def test_a_wrong_row_of_a_key_table_is_caught(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.syspath_prepend(str(ROOT / "scenarios"))
    keys = importlib.import_module("keys")
    path, schema = next(iter(keys.FORMATS.items()))
    text = path.read_text(encoding="utf-8")
    assert keys.written(path, schema) == text
    spoilt = tmp_path / "README.md"
    spoilt.write_text(
        text.replace("| `pack_count` | whole number ≥ 1 | 1 |", "| `packs` | number | 2 |"), encoding="utf-8"
    )
    assert keys.written(spoilt, schema) == text != spoilt.read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("right", "wrong"),
    [
        ("pack_kwh = ", "pack_kwhs = "),
        ("import_price_per_kwh", "import_price_kwh"),
        ("reserve_percent", "reserve"),
    ],
)
def test_a_misspelt_key_is_caught(right: str, wrong: str) -> None:
    text = next(block.text for block in TOML if right in block.text)
    validate(text)
    with pytest.raises((ValueError, dispatch.DispatchError), match=wrong.partition(" ")[0]):
        validate(text.replace(right, wrong, 1))


def test_a_wrong_figure_is_caught() -> None:
    printed = "one\ntwo 2.50\nthree\nfour\n"
    for shown in (
        "one\ntwo 2.50\nthree\nfour\n",
        f"one\n{ELLIPSIS}\nthree\n{ELLIPSIS}\n",
        f"{ELLIPSIS}\nfour\n",
    ):
        assert objections(shown, printed) == []
    for shown in (
        "one\ntwo 2.51\nthree\nfour\n",
        "one\ntwo 2.50\n",
        f"one\n{ELLIPSIS}\ntwo 2.51\n",
        f"three\n{ELLIPSIS}\n",
    ):
        assert objections(shown, printed) != [], shown
    assert FIRST.shown is not None
    figure = re.search(r"\d+\.\d\d", FIRST.shown)
    assert figure is not None
    spoilt = FIRST.shown.replace(figure[0], f"{figure[0][:-1]}{(int(figure[0][-1]) + 1) % 10}")
    assert objections(spoilt, FIRST.shown) != []


def test_a_wrong_attribute_is_caught() -> None:
    text = PYTHON[0].text
    with pytest.raises(AttributeError, match="bills"):
        printed_by_python(text.replace(".bill.total", ".bills.total"))


@pytest.mark.parametrize(
    ("key", "there"),
    [
        ("answer.least", True),
        ("recharge[].hours", True),
        ("answer.leest", False),
        ("recharge.hours", False),
        ("recharges[].hours", False),
    ],
)
def test_a_wrong_key_of_a_document_is_caught(key: str, there: bool, documents: dict[str, Any]) -> None:
    assert holds(documents["backup"], key) is there


def test_key_rows_are_read(tmp_path: Path) -> None:
    page = tmp_path / "README.md"
    page.write_text(
        "## `dispatch bill`\n\n| key of `--json` | what |\n|---|---|\n| `a`, `b[].c` | x |\n\n"
        "| word | what |\n|---|---|\n| `d` | y |\n",
        encoding="utf-8",
    )
    assert list(key_rows(page)) == [Keys(page, "bill", ("a", "b[].c"))]


def test_the_smallest_file_is_the_smallest() -> None:
    """Whatever is left out of it is missed."""
    for section, table in smallest().items():
        for key in table if isinstance(table, dict) else (None,):
            rest = {name: dict(part) if isinstance(part, dict) else part for name, part in smallest().items()}
            if key is None:
                del rest[section]
            else:
                del rest[section][key]
            with pytest.raises(ValueError, match=key or section):
                dispatch.Scenario.model_validate(rest)


EXAMPLES = [
    dispatch,
    *(importlib.import_module(f"dispatch.door.{name}") for name in ("runs", "parts", "buying")),
]


@pytest.mark.parametrize("module", EXAMPLES, ids=lambda module: module.__name__)
def test_examples_of_the_doors_hold(module: Any) -> None:  # noqa: ANN401 - a module
    found = doctest.testmod(module)
    assert found.attempted > 0
    assert found.failed == 0


def test_every_door_has_an_example() -> None:
    doors = [value for name, value in vars(dispatch.door).items() if callable(value) and name in DOORS]
    assert len(doors) == len(DOORS)
    assert [door.__name__ for door in doors if ">>>" not in (door.__doc__ or "")] == []


DOORS = (
    *(
        "load",
        "check",
        "compare",
        "backup",
        "outage",
        "frontier",
        "settings",
        "tonight",
        "storm",
        "tariffs",
        "bill",
        "hardware",
        "strings",
        "cable",
        "sun",
        "generator",
        "care",
        "size",
    ),
)


@pytest.mark.parametrize("package", [dispatch, tariffs], ids=lambda package: package.__name__)
def test_what_a_package_offers_can_be_imported(package: Any) -> None:  # noqa: ANN401 - a module
    assert sorted(package.__all__) == package.__all__ == list(dict.fromkeys(package.__all__))
    for name in package.__all__:
        scope: dict[str, object] = {}
        exec(f"from {package.__name__} import {name}", scope)  # noqa: S102 - a name of ours
        assert scope[name] is getattr(package, name)
        assert not isinstance(scope[name], type(sys)), f"{name} is a room, not what is offered"
    assert set(package.__all__) <= set(dir(package))


def test_the_doors_are_offered() -> None:
    assert set(DOORS) <= set(dispatch.__all__) | {"fleet"}  # whose name is a room's: dispatch.door.fleet


def test_the_table_of_rooms_is_that_of_the_layout() -> None:
    rows = re.findall(
        r"^\| (\d+) \| ([^|]*) \|", (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8"), re.MULTILINE
    )
    told = {name: int(layer) for layer, names in rows for name in re.findall(r"`([^`]+)`", names)}
    assert told == LAYERS
