"""The READMEs as data: their blocks and tables, run, validated and compared.

``python tests/docs.py`` runs every block and writes what it printed into the ``text`` block behind it; what an ellipsis
leaves out stays left out. Look at what it changed before you keep it.
"""

from __future__ import annotations

import contextlib
import difflib
import io
import os
import re
import shlex
import shutil
import sys
import tempfile
import tomllib
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Any
from unittest import mock

from homes.shipped import shipped_case, shipped_year
from terminal import run

from dispatch.cards.card_file import read_card
from dispatch.cards.space import device_space
from dispatch.scenario.model import Scenario
from tariffs import Tariff, parse_tariff

if TYPE_CHECKING:
    from dispatch.advice.recommend import Recommendation
    from dispatch.case.case import Case
    from dispatch.comparison.compare import Comparison

ROOT = Path(__file__).parents[1]
READMES = tuple(
    ROOT / name for name in ("README.md", "scenarios/README.md", "tariffs/README.md", "dispatch/README.md")
)
ELLIPSIS = "..."
SOURCES = ("load", "other_load", "critical_load")  # exactly one source each: replaced whole, never merged


@dataclass(frozen=True)
class Block:
    """A fenced block of a README, and the ``text`` block right behind it, if any: what it printed."""

    path: Path
    line: int
    language: str
    text: str
    shown: str | None

    @property
    def name(self) -> str:
        return f"{self.path.relative_to(ROOT)}:{self.line}"


FENCE = re.compile(
    r"^(?P<indent> *)```(?P<language>\w+)\n(?P<text>.*?)^ *```$(?:\n\n *```text\n(?P<shown>.*?)^ *```$)?",
    re.DOTALL | re.MULTILINE,
)


def blocks(path: Path, language: str) -> list[Block]:
    text = path.read_text(encoding="utf-8")
    return [
        Block(
            path,
            text.count("\n", 0, found.start()) + 1,
            found["language"],
            re.sub(f"^{found['indent']}", "", found["text"], flags=re.MULTILINE),
            found["shown"],
        )
        for found in FENCE.finditer(text)
        if found["language"] == language
    ]


def all_blocks(language: str) -> list[Block]:
    return [block for path in READMES for block in blocks(path, language)]


@contextlib.contextmanager
def solved_once() -> Iterator[None]:
    """Let the commands take the shipped homes from one place, loaded, recommended and solved once in this process."""
    compared = import_module("dispatch.comparison.compare")
    base, runs, entering = (import_module(f"dispatch.door.{name}") for name in ("base", "runs", "entering"))
    load_file, recommend = vars(base)["load_scenario"], vars(runs)["recommend"]
    solve = compared.compare
    shipped: dict[int, tuple[str, Case]] = {}  # the case as well, so that no other takes its place

    @cache
    def loaded(path: Path) -> Case:
        case: Case = load_file(path)
        if path.resolve().parent.parent == ROOT / "scenarios" and path.name == "scenario.toml":
            shipped[id(case)] = path.resolve().parent.name, case
        return case

    def advised(case: Case) -> Recommendation:
        if id(case) in shipped:
            return shipped_year(shipped[id(case)][0]).comparison.advice
        advice: Recommendation = recommend(case)
        return advice

    def solved(case: Case, *rest: Any) -> Comparison:  # noqa: ANN401 - the progress bar
        if id(case) in shipped:
            return shipped_year(shipped[id(case)][0]).comparison
        comparison: Comparison = solve(case, *rest)
        return comparison

    def kept(function: Callable[..., Any]) -> Callable[..., Any]:
        """Run once for each home (or what was advised for it) and question."""
        found: dict[tuple[int, str], Any] = {}

        def run_or_recall(home: object, *rest: Any) -> Any:  # noqa: ANN401 - whatever it is
            question = id(home), repr([part for part in rest if not callable(part)])
            if question not in found:
                found[question] = function(home, *rest)
            return found[question]

        return run_or_recall

    rooms = ("safety.frontier", "search.study", "comparison.tariffs")
    frontier, study, choice = (import_module(f"dispatch.{name}") for name in rooms)
    with (
        mock.patch.object(choice, "choose_tariff", kept(choice.choose_tariff)),
        mock.patch.object(frontier, "frontier", kept(frontier.frontier)),
        mock.patch.object(study, "study", kept(study.study)),
        mock.patch.object(base, "load_scenario", loaded),
        mock.patch.object(base, "recommend", advised),
        mock.patch.object(runs, "recommend", advised),
        mock.patch.object(entering, "recommend", advised),
        mock.patch.object(compared, "compare", solved),
    ):
        yield


@contextlib.contextmanager
def household(place: Path) -> Iterator[None]:
    """Stand in a folder of its own in which the demo homes are found, the card of the first README, and a
    tariff with everything a bill can tell."""
    (place / "scenarios").symlink_to(ROOT / "scenarios")
    card = next(block.text for block in blocks(READMES[0], "toml") if "[[plans]]" in block.text)
    (place / "card.toml").write_text(card, encoding="utf-8")
    demand = (ROOT / "scenarios/alder-row/tariff-demand.toml").read_text(encoding="utf-8")
    (place / "bell.toml").write_text(f'{demand}\n[holidays]\ncountry = "CA"\n', encoding="utf-8")
    before = Path.cwd()
    os.chdir(place)
    try:
        yield
    finally:
        os.chdir(before)


def printed_by_shell(text: str) -> str:
    """Run the lines of an ``sh`` block, each as it would be typed; return what the last printed."""
    out = ""
    for line in text.replace("\\\n", " ").splitlines():
        words = shlex.split(line.rpartition("&& ")[2], comments=True)
        match words:
            case []:
                continue
            case [".venv/bin/python", "-m", "pytest", "-q"]:
                continue  # this very run
            case ["cp", "-r", source, target]:
                shutil.copytree(source, target, dirs_exist_ok=True)
            case [program, *arguments] if program in {"dispatch", ".venv/bin/dispatch"}:
                done = run(*arguments)
                assert done.returncode == 0, done.stderr
                out = done.stdout
            case _:
                raise AssertionError(f"a README may run dispatch and cp -r, not: {line}")
    return out


def printed_by_python(text: str) -> str:
    """Run a ``python`` block; return what it printed."""
    out = io.StringIO()
    with contextlib.redirect_stdout(out):
        exec(compile(text, "README", "exec"), {})  # noqa: S102 - our own file
    return out.getvalue()


def printed_by(block: Block) -> str:
    return printed_by_python(block.text) if block.language == "python" else printed_by_shell(block.text)


def chunks(shown: str) -> list[list[str]]:
    """The lines shown, in stretches between ellipses."""
    found: list[list[str]] = [[]]
    for line in shown.splitlines():
        if line.strip() == ELLIPSIS:
            found.append([])
        else:
            found[-1].append(line.rstrip())
    return found


def objections(shown: str, printed: str) -> list[str]:
    """What a README shows that was not printed so; the stretches between ellipses follow each other."""
    lines = [line.rstrip() for line in printed.splitlines()]
    parts, at, found = chunks(shown), 0, []
    for number, part in enumerate(parts):
        starts = range(at, len(lines) - len(part) + 1) if number else [0]
        place = next((start for start in starts if lines[start : start + len(part)] == part), None)
        if place is None:
            found += list(
                difflib.unified_diff(part, lines[at : at + len(part)], "shown", "printed", lineterm="", n=0)
            )
        else:
            at = place + len(part)
    if not found and len(parts) == 1 and at != len(lines):
        found.append(f"{len(lines) - at} more lines were printed; show them or end with an ellipsis")
    return found


def merged(below: Mapping[str, Any], above: Mapping[str, Any]) -> dict[str, Any]:
    """Lay a fragment over a file."""
    out = dict(below)
    for key, value in above.items():
        deep = isinstance(value, dict) and isinstance(out.get(key), dict) and key not in SOURCES
        out[key] = merged(out[key], value) if deep else value
    return out


@cache
def smallest() -> dict[str, Any]:
    """The smallest scenario file, as scenarios/README.md has it."""
    table: dict[str, Any] = tomllib.loads(blocks(ROOT / "scenarios/README.md", "toml")[0].text)
    return table


def validate(text: str) -> str:
    """Validate a ``toml`` block: a card, a tariff, a scenario or a fragment of one; says which it was."""
    table = tomllib.loads(text)
    if "plans" in table:
        case = shipped_case("alder-row")
        card = Path("card-of-a-readme.toml")
        card.write_text(text, encoding="utf-8")
        read_card(card, case, device_space(case))
        return "card"
    if "currency" in table:
        Tariff.model_validate(table) if "hourly_prices" in table else parse_tariff(text)
        return "tariff"
    Scenario.model_validate(table if {"tariff", "site"} <= table.keys() else merged(smallest(), table))
    return "scenario"


@dataclass(frozen=True)
class Keys:
    """A row of a table that names keys of a command's document."""

    path: Path
    command: str
    keys: tuple[str, ...]


CODE = re.compile(r"`([^`]+)`")
COMMAND = re.compile(r"dispatch ([a-z]+)")


def cells(row: str) -> list[str]:
    return [cell.strip() for cell in row.strip().strip("|").split("|")]


def key_rows(path: Path) -> Iterator[Keys]:
    """The rows of tables with a column of keys of ``--json``; the command stands in the row or in the heading above.

    Where a row names several commands, semicolons part their keys.
    """
    command, column = "", None
    for line in path.read_text(encoding="utf-8").splitlines():
        if line.startswith("## "):
            told = COMMAND.search(line)
            command = told[1] if told else ""
        if not line.strip().startswith("|"):
            column = None
            continue
        row = cells(line)
        if "key of `--json`" in row:
            column = row.index("key of `--json`")
        elif column is not None and not set(row[0]) <= set("-: "):
            named: list[str] = COMMAND.findall(line) or [command]
            for name, part in zip(named, row[column].split(";"), strict=True):
                yield Keys(path, name, tuple(CODE.findall(part)))


def holds(document: object, path: str) -> bool:
    """Whether a document has a key: dots lead inwards, ``[]`` stands for any entry of a list."""
    name, _, rest = path.partition(".")
    bare = name.removesuffix("[]")
    if not isinstance(document, Mapping) or bare not in document:
        return False
    inner = document[bare]
    if name.endswith("[]"):
        return any(holds(entry, rest) for entry in inner)
    return not rest or holds(inner, rest)


ALDER = "scenarios/alder-row"
NOW = ("--at", "2025-01-14T18:00", "--level", "62%")
RUNS: dict[str, Sequence[str]] = {
    "check": (ALDER,),
    "compare": (ALDER,),
    "backup": (ALDER, "--at", "20:00", "--level", "62%"),
    "outage": (ALDER, "--at", "2025-02-14T16:00", "--hours", "18"),
    "frontier": (ALDER,),
    "settings": (ALDER, "--card", "card.toml"),
    "tonight": (ALDER, *NOW),
    "storm": (ALDER, *NOW, "--from", "2025-01-16T06:00", "--hours", "20"),
    "hardware": ("scenarios/cinder-flat",),
    "strings": ("scenarios/cinder-flat/panels.toml",),
    "cable": ("--amps", "9.5", "--volts", "96", "--length-m", "18", "--awg", "10"),
    "sun": ("scenarios/cinder-flat/panels.toml", "--weather", "clear-sky"),
    "generator": ("scenarios/cinder-flat",),
    "care": ("scenarios/cinder-flat",),
    "tariffs": (ALDER, f"{ALDER}/tariff-demand.toml"),
    "bill": ("bell.toml", f"{ALDER}/series.csv", "--import", "load_kw"),
    "size": ("scenarios/cinder-flat", "--panels", "1,1.5"),
    "fleet": ("scenarios", "--workers", "0"),
    "years": ("scenarios/quay-loft", "--drawn", "1", "--as-set-only"),
}


def rewritten(block: Block, printed: str) -> str:
    """What a README should show in place of what it shows: as many lines of each stretch, found by its first line."""
    assert block.shown is not None
    lines, at, out = [line.rstrip() for line in printed.splitlines()], 0, []
    parts = chunks(block.shown)
    if len(parts) == 1:
        return "\n".join(lines) + "\n"
    for number, part in enumerate(parts):
        if part:
            likely = difflib.get_close_matches(part[0], lines[at:], 1, 0.5) if number else lines[:1]
            at = at + lines[at:].index(likely[0]) if likely else at
            out.append(lines[at : at + len(part)])
            at += len(part)
        else:
            out.append([])
    return f"\n{ELLIPSIS}\n".join("\n".join(part) for part in out).lstrip("\n").rstrip("\n") + "\n"


def main() -> int:
    """Write what the blocks print into the READMEs."""
    with tempfile.TemporaryDirectory() as place, household(Path(place)), solved_once():
        for path in READMES:
            text = path.read_text(encoding="utf-8")
            for block in [*blocks(path, "sh"), *blocks(path, "python")]:
                printed = printed_by(block)
                if block.shown is None or not objections(block.shown, printed):
                    continue
                head, _, rest = text.partition(block.text)
                between, _, after = rest.partition(f"```text\n{block.shown}")
                text = f"{head}{block.text}{between}```text\n{rewritten(block, printed)}{after}"
                print(f"{block.name}: written")  # noqa: T201 - a script
            path.write_text(text, encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
