"""Imports point down one table only, and some packages have one home: read from the source, not run."""

import ast
from collections.abc import Iterator, Mapping
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
PACKAGES = ("tariffs", "dispatch")

# Within a layer a module may use another as long as no circle arises. A module `room_part` lives in `room`.
LAYERS = {
    "tariffs.errors": 0,
    "tariffs.fields": 0,
    "tariffs.model": 0,
    "tariffs.windows": 1,
    "tariffs.calendars": 1,
    "tariffs.checks": 1,
    "tariffs.loading": 1,
    "tariffs.periods": 1,
    "tariffs.meter": 1,
    "tariffs.terms": 2,
    "tariffs.prices": 2,
    "tariffs.billing": 2,
    "dispatch.errors": 0,
    "dispatch.currencies": 0,
    "dispatch.formats": 0,
    "dispatch.scenario": 3,
    "dispatch.loading": 3,
    "dispatch.hardware": 3,
    "dispatch.readings": 4,
    "dispatch.series": 4,
    "dispatch.reserve": 4,
    "dispatch.case": 4,
    "dispatch.summary": 4,
    "dispatch.flows": 4,
    "dispatch.physics": 4,
    "dispatch.solver": 5,
    "dispatch.tariff_columns": 5,
    "dispatch.tariff_netting": 5,
    "dispatch.self_trading": 5,
    "dispatch.tariff_rows": 5,
    "dispatch.program": 5,
    "dispatch.precedence": 6,
    "dispatch.flow_table": 6,
    "dispatch.strategies": 6,
    "dispatch.rules": 6,
    "dispatch.generator": 7,
    "dispatch.island": 7,
    "dispatch.outage": 7,
    "dispatch.recharge": 7,
    "dispatch.reliability": 7,
    "dispatch.backup": 7,
    "dispatch.step_costs": 7,
    "dispatch.event_days": 7,
    "dispatch.bill_lines": 7,
    "dispatch.peak_demand": 7,
    "dispatch.meter_bill": 7,
    "dispatch.tariff_choice": 7,
    "dispatch.results": 7,
    "dispatch.recommendation": 7,
    "dispatch.levels": 7,
    "dispatch.frontier": 7,
    "dispatch.comparison": 7,
    "dispatch.settings": 7,
    "dispatch.ahead": 7,
    "dispatch.robustness": 7,
    "dispatch.calendar_file": 8,
    "dispatch.remedy": 8,
    "dispatch.report": 8,
    "dispatch.exports": 8,
    "dispatch.webreport": 8,
    "dispatch.fleet": 8,
    "dispatch.cli": 9,
    "dispatch.__main__": 10,
}

HOMES = {
    "pulp": ("dispatch.solver",),
    "highspy": ("dispatch.solver",),
    "rich": ("dispatch.report", "dispatch.cli"),
    "typer": ("dispatch.cli", "dispatch.__main__"),
    "dask": ("dispatch.fleet",),
    "distributed": ("dispatch.fleet",),
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
            # `from dispatch import exports` names a module too
            yield from (f"{node.module}.{alias.name}" for alias in node.names if node.module in PACKAGES)


def room(module: str) -> str | None:
    """The entry of the table a module stands under."""
    package, _, name = module.partition(".")
    parts = name.split("_") if not name.startswith("_") else [name]
    names = [f"{package}.{'_'.join(parts[:count])}" for count in range(len(parts), 0, -1)]
    return next((candidate for candidate in names if candidate in LAYERS), None)


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
            if top in HOMES and here not in HOMES[top]:
                found.append(f"{module} imports {top}, whose home is {' or '.join(HOMES[top])}")
            if module.startswith("tariffs.") and top == "dispatch":
                found.append(f"{module} imports {target}: tariffs must work without dispatch")
            there = room(target)
            if there is not None and LAYERS[there] > LAYERS[here]:
                found.append(f"{module} imports {target}, which stands above it")
    return found + [f"circle of imports: {' -> '.join(circle)}" for circle in circles(imports)]


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


def read_imports() -> dict[str, frozenset[str]]:
    """The imports of every module but the two `__init__`, whose job is to name what stands below."""
    return {
        f"{package}.{path.stem}": frozenset(imported(path.read_text(encoding="utf-8")))
        for package in PACKAGES
        for path in sorted((ROOT / package).glob("*.py"))
        if path.stem != "__init__"
    }


def test_imports_point_down_and_stay_at_home() -> None:
    imports = read_imports()
    assert len(imports) > 20  # the sources were found
    assert violations(imports) == []


def test_packages_are_flat() -> None:
    assert [path for package in PACKAGES for path in (ROOT / package).glob("*/*.py")] == []


@pytest.mark.parametrize(
    ("module", "source", "complaint"),
    [
        ("dispatch.hardware", "import dispatch.program", "stands above it"),
        ("dispatch.case", "def f():\n    from dispatch.cli import app", "stands above it"),
        ("tariffs.model", "from tariffs.billing import bill", "stands above it"),
        ("dispatch.errors", "from dispatch import report", "stands above it"),
        ("tariffs.billing", "from dispatch.errors import DispatchError", "must work without dispatch"),
        ("dispatch.strategies", "import pulp", "whose home"),
        ("dispatch.report", "import highspy", "whose home"),
        ("dispatch.comparison", "from rich.table import Table", "whose home"),
        ("dispatch.series", "import dask.dataframe", "whose home"),
        ("dispatch.exports", "from typer import echo", "whose home"),
        ("dispatch.gadget", "import math", "stands in no layer"),
        ("dispatch.errors", "from dispatch.currencies import CURRENCIES", "circle of imports"),
    ],
)
def test_a_planted_violation_is_caught(module: str, source: str, complaint: str) -> None:
    imports = read_imports()
    if complaint == "circle of imports":
        imports["dispatch.currencies"] = frozenset({"dispatch.errors"})
    imports[module] = imports.get(module, frozenset()) | frozenset(imported(source))
    assert any(complaint in sentence and module in sentence for sentence in violations(imports))


def test_a_part_lives_in_its_room() -> None:
    assert room("dispatch.report_day") == "dispatch.report"
    assert room("dispatch.__main__") == "dispatch.__main__"
    assert room("dispatch.repot") is None
