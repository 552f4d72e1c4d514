"""Imports point down one table, rooms make no circle, and some packages have one home: read from the source."""

import ast
from collections.abc import Iterator, Mapping
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
PACKAGES = ("tariffs", "dispatch")

# A room is a package, or a module that stands beside the packages. It may use what is below its layer; on one layer
# rooms do not know each other.
LAYERS = {
    "tariffs.errors": 0,
    "tariffs.currencies": 0,
    "dispatch.errors": 1,
    "dispatch.formats": 0,
    "dispatch.arrays": 0,
    "tariffs.reading": 1,
    "tariffs.sheet": 2,
    "tariffs.meter": 2,
    "dispatch.scenario": 2,
    "dispatch.writing": 2,
    "tariffs.periods": 3,
    "dispatch.intake": 3,
    "tariffs.records": 3,
    "tariffs.slips": 3,
    "tariffs.billing": 4,
    "tariffs.terms": 4,
    "dispatch.equipment": 4,
    "tariffs.meter_bill": 5,
    "dispatch.case": 5,
    "dispatch.flows": 6,
    "dispatch.program": 6,
    "dispatch.store": 6,
    "dispatch.sweep": 6,
    "dispatch.strategies": 7,
    "dispatch.rules": 7,
    "dispatch.outages": 7,
    "dispatch.cards": 8,
    "dispatch.ahead": 8,
    "dispatch.outcome": 9,
    "dispatch.advice": 10,
    "dispatch.comparison": 11,
    "dispatch.search": 11,
    "dispatch.safety": 12,
    "dispatch.sizing": 12,
    "dispatch.fleet": 12,
    "dispatch.words": 13,
    "dispatch.report": 14,
    "dispatch.exports": 14,
    "dispatch.page": 14,
    "dispatch.door": 15,
    "dispatch.cli": 16,
    "dispatch.__main__": 17,
}

HOMES = {
    "pulp": ("dispatch.program.solver",),
    "highspy": ("dispatch.program.solver",),
    "lxml": ("dispatch.intake.espi",),
    "pyarrow": ("dispatch.exports.parquet", "dispatch.fleet.store"),
    "dask": ("dispatch.fleet.crew",),
    "distributed": ("dispatch.fleet.crew",),
    "numba": ("dispatch.sweep.compiled",),
    "filelock": ("dispatch.fleet.store",),
    "jinja2": ("dispatch.page.fill",),
    "rich": ("dispatch.report", "dispatch.cli.terminal"),
    "pvlib": ("dispatch.equipment",),
    "rainflow": ("dispatch.equipment",),
    "typer": ("dispatch.cli", "dispatch.__main__"),
}

Imports = Mapping[str, frozenset[str]]


def imported(source: str) -> Iterator[str]:
    """Every module a source names in an import, wherever it stands."""
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, "write imports with the package's name"
            assert node.module is not None
            yield node.module
            # `from dispatch.report import day` names a module too
            if node.module.partition(".")[0] in PACKAGES:
                yield from (f"{node.module}.{alias.name}" for alias in node.names)


def room(module: str) -> str | None:
    """The entry of the table a module stands under."""
    parts = module.split(".")
    return next((name for end in (2, 1) if (name := ".".join(parts[:end])) in LAYERS), None)


def stands_in(module: str, homes: tuple[str, ...]) -> bool:
    return any(module == home or module.startswith(f"{home}.") for home in homes)


def violations(imports: Imports) -> list[str]:
    """What breaks the table or the homes, as sentences."""
    found = []
    for module, targets in imports.items():
        here = room(module)
        if here is None:
            found.append(f"{module} stands in no layer: give it a line in the table")
            continue
        for target in sorted(targets):
            top = target.partition(".")[0]
            if top in HOMES and not stands_in(module, HOMES[top]):
                found.append(f"{module} imports {top}, whose home is {' or '.join(HOMES[top])}")
            if module.startswith("tariffs.") and top == "dispatch":
                found.append(f"{module} imports {target}: tariffs must work without dispatch")
            there = room(target)
            if there is None or there == here:
                continue
            if LAYERS[there] > LAYERS[here]:
                found.append(f"{module} imports {target}, which stands above it")
            elif LAYERS[there] == LAYERS[here]:
                found.append(f"{module} imports {target}, which stands beside it")
    found += [f"circle of modules: {' -> '.join(circle)}" for circle in circles(imports)]
    return found + [f"circle of rooms: {' -> '.join(circle)}" for circle in circles(rooms(imports))]


def rooms(imports: Imports) -> dict[str, frozenset[str]]:
    """The imports among rooms that those of the modules amount to."""
    drawn: dict[str, set[str]] = {}
    for module, targets in imports.items():
        here = room(module) or module
        drawn.setdefault(here, set()).update(
            there for target in targets if (there := room(target)) is not None and there != here
        )
    return {name: frozenset(targets) for name, targets in drawn.items()}


def circles(imports: Imports) -> list[list[str]]:
    """Circles among the modules, each found once from where the search met it."""
    done: set[str] = set()
    found = []

    def visit(module: str, trail: list[str]) -> None:
        if module in trail:
            found.append([*trail[trail.index(module) :], module])
        elif module not in done:
            for target in sorted(imports.get(module, ())):
                visit(target, [*trail, module])
            done.add(module)

    for module in imports:
        visit(module, [])
    return found


@cache
def read_imports() -> Imports:
    """The imports of every module but the `__init__`s, whose job is to name what stands below."""
    return {
        ".".join(path.relative_to(ROOT).with_suffix("").parts): frozenset(
            imported(path.read_text(encoding="utf-8"))
        )
        for package in PACKAGES
        for path in sorted((ROOT / package).rglob("*.py"))
        if path.stem != "__init__"
    }


def test_imports_point_down_and_stay_at_home() -> None:
    imports = read_imports()
    assert len(imports) > 20  # the sources were found
    assert violations(imports) == []


def test_the_table_lists_what_exists() -> None:
    for name in LAYERS:
        place = ROOT.joinpath(*name.split("."))
        assert place.is_dir() or place.with_suffix(".py").is_file(), name
    for homes in HOMES.values():
        assert all(room(home) for home in homes)


def test_a_package_uses_its_own_modules_by_their_full_names() -> None:
    """Through its own `__init__` a module would import what imports it."""
    modules = read_imports()
    for module, targets in modules.items():
        own = module.rpartition(".")[0]
        through = [target for target in targets if target.rpartition(".")[0] == own and target not in modules]
        assert own.count(".") == 0 or not through, f"{module} imports {through} through {own}"


def test_a_room_that_leads_to_help_stays_empty() -> None:
    """`dispatch --help` must not load pandas."""
    tree = ast.parse((ROOT / "dispatch" / "cli" / "__init__.py").read_text(encoding="utf-8"))
    assert [type(node) for node in tree.body] == [ast.Expr]


@pytest.mark.parametrize(
    ("module", "source", "complaint"),
    [
        ("dispatch.case.limits", "import dispatch.program.solver", "stands above it"),
        ("dispatch.case.case", "def f():\n    from dispatch.cli.app import app", "stands above it"),
        ("tariffs.sheet.tariff", "from tariffs.billing.bill import bill", "stands above it"),
        ("dispatch.errors", "from dispatch import report", "stands above it"),
        ("dispatch.comparison.compare", "from dispatch.words import notices", "stands above it"),
        ("tariffs.billing.bill", "from tariffs.terms import evaluate", "stands beside it"),
        ("dispatch.exports.page", "from dispatch.report.layout import titled", "stands beside it"),
        ("dispatch.flows", "from dispatch.program.program import Program", "stands beside it"),
        ("tariffs.billing.bill", "from dispatch.errors import DispatchError", "must work without dispatch"),
        ("dispatch.strategies.solve", "import pulp", "whose home"),
        ("dispatch.program.program", "import pulp", "whose home"),
        ("dispatch.report.day", "import highspy", "whose home"),
        ("dispatch.comparison.compare", "from rich.table import Table", "whose home"),
        ("dispatch.cli.app", "from rich.console import Console", "whose home"),
        ("dispatch.exports.files", "from typer import echo", "whose home"),
        ("dispatch.gadget", "import math", "stands in no layer"),
        ("dispatch.gadgets.lever", "import math", "stands in no layer"),
        ("dispatch.rules.walk", "from dispatch.rules.replay import replay", "circle of modules"),
        ("dispatch.case.case", "import dispatch.rules.walk", "circle of rooms"),
    ],
)
def test_a_planted_violation_is_caught(module: str, source: str, complaint: str) -> None:
    imports = dict(read_imports())
    assert not any(complaint in sentence for sentence in violations(imports))
    imports[module] = imports.get(module, frozenset()) | frozenset(imported(source))
    named = room(module) if complaint == "circle of rooms" else module
    assert any(complaint in sentence and str(named) in sentence for sentence in violations(imports))


def test_a_module_lives_in_its_room() -> None:
    assert room("dispatch.report.day") == "dispatch.report"
    assert room("dispatch.__main__") == "dispatch.__main__"
    assert room("dispatch.repot.day") is None
