"""Would a wrong line be noticed? Seeded small changes to the code of money and energy, each against the tests it meets.

``python tests/mutation.py --seed 16 --count 300`` copies the project to a scratch folder, notes once which test calls
which function and how long it takes, then makes one change at a time and runs the quickest tests that call the changed
function until one fails. What no test noticed is listed. Slow on purpose; it runs by hand. A second run with the same
``--work`` goes on, and with ``--again`` tries once more what no test noticed before.
"""

from __future__ import annotations

import argparse
import ast
import copy
import json
import os
import random
import resource
import shutil
import sys
import time
import traceback
from collections import defaultdict
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from types import FrameType

ROOT = Path(__file__).parents[1]
CODE = (
    "tariffs/billing",
    "tariffs/terms",
    "tariffs/periods",
    "dispatch/flows.py",
    "dispatch/rules",
    "dispatch/outages",
    "dispatch/case",
    "dispatch/program",
    "dispatch/outcome.py",
    "dispatch/advice",
)
TESTS = (
    "tests/tariffs",
    "tests/dispatch/case",
    "tests/dispatch/rules",
    "tests/dispatch/outages",
    "tests/dispatch/program",
    "tests/dispatch/advice",
    "tests/dispatch/equipment",
    "tests/dispatch/test_flows.py",
    "tests/dispatch/test_flows_rules.py",
    "tests/dispatch/test_same_slip.py",
    "tests/dispatch/test_store.py",
)
SLOWEST_SECONDS = 20.0  # a test that takes longer is left out
LIMIT_SECONDS = 90  # of CPU for one change: beyond it, it hangs, and that is noticed
LIBRARIES = (
    "numpy",
    "pandas",
    "pydantic",
    "scipy.sparse",
    "hypothesis",
    "pulp",
    "highspy",
    "simplejson",
    "rich.table",
)

QUIETLY = ("-q", "-p", "no:cacheprovider", "-W", "ignore:Module already imported")

SWAPS: dict[type[ast.AST], type[ast.AST]] = {
    ast.Lt: ast.LtE,
    ast.LtE: ast.Lt,
    ast.Gt: ast.GtE,
    ast.GtE: ast.Gt,
    ast.Eq: ast.NotEq,
    ast.NotEq: ast.Eq,
    ast.Is: ast.IsNot,
    ast.IsNot: ast.Is,
    ast.In: ast.NotIn,
    ast.NotIn: ast.In,
    ast.Add: ast.Sub,
    ast.Sub: ast.Add,
    ast.Mult: ast.Div,
    ast.Div: ast.Mult,
    ast.BitAnd: ast.BitOr,
    ast.BitOr: ast.BitAnd,
    ast.And: ast.Or,
    ast.Or: ast.And,
}
NAMES = {
    "min": "max",
    "max": "min",
    "any": "all",
    "all": "any",
    "minimum": "maximum",
    "maximum": "minimum",
    "floor": "ceil",
    "ceil": "floor",
    "argmax": "argmin",
    "argmin": "argmax",
}
Pair = tuple[ast.AST, ast.AST]


@dataclass(frozen=True)
class Change:
    """One change of one place of one file."""

    file: str
    line: int
    function: str
    start: int
    end: int
    before: str
    after: str

    @property
    def key(self) -> str:
        return f"{self.file}:{self.start}:{self.end}:{self.after}"

    def __str__(self) -> str:
        return f"{self.file}:{self.line} {self.function}: {self.before} -> {self.after}"


# ---- what can be changed -----------------------------------------------------------------------------------
def changes_of(node: ast.AST) -> Iterator[Pair]:  # noqa: C901 - one branch a kind of node
    """Every small change of a node: what to replace, and by what."""
    if isinstance(node, ast.Compare) and len(node.ops) == 1 and type(node.ops[0]) in SWAPS:
        yield node, changed(node, ops=[SWAPS[type(node.ops[0])]()])
    elif isinstance(node, ast.BoolOp):
        yield node, changed(node, op=SWAPS[type(node.op)]())
        yield from ((node, value) for value in node.values)
    elif isinstance(node, ast.UnaryOp) and not isinstance(node.operand, ast.Constant):
        yield node, node.operand
    elif isinstance(node, ast.BinOp):
        if type(node.op) in SWAPS:
            yield node, changed(node, op=SWAPS[type(node.op)]())
        yield from ((node, part) for part in (node.left, node.right))
    elif isinstance(node, ast.Constant):
        yield from ((node, ast.Constant(value)) for value in other_values(node.value))
    elif isinstance(node, ast.Call):
        yield from changes_of_call(node)
    elif isinstance(node, ast.IfExp):
        yield from ((node, branch) for branch in (node.body, node.orelse))
    elif isinstance(node, ast.If | ast.While):
        yield node.test, ast.Constant(value=False)
    elif isinstance(node, ast.AugAssign) and type(node.op) in SWAPS:
        yield node, changed(node, op=SWAPS[type(node.op)]())
    elif isinstance(node, ast.Expr) and isinstance(node.value, ast.Call):
        yield node, ast.Pass()


def changes_of_call(node: ast.Call) -> Iterator[Pair]:
    name = node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
    if name in NAMES:
        other = NAMES[name]
        field = {"attr": other} if isinstance(node.func, ast.Attribute) else {"id": other}
        yield node, changed(node, func=changed(node.func, **field))
    if name in {"abs", "min", "max", "minimum", "maximum", "round", "cumsum", "sorted"}:
        yield from ((node, argument) for argument in node.args if not isinstance(argument, ast.GeneratorExp))
    for at, keyword in enumerate(node.keywords):
        if keyword.arg is not None and isinstance(keyword.value, ast.Constant):
            yield node, changed(node, keywords=node.keywords[:at] + node.keywords[at + 1 :])


def changed(node: ast.AST, **fields: object) -> ast.AST:
    other = copy.copy(node)
    for name, value in fields.items():
        setattr(other, name, value)
    return other


def other_values(value: object) -> Iterator[Any]:
    if isinstance(value, bool):
        yield not value
    elif isinstance(value, int):
        yield value + 1
        if value:
            yield value - 1
    elif isinstance(value, float):
        yield value * 1000 if 0 < abs(value) < 0.01 else value + 1.0
        if value:
            yield 0.0


def places(tree: ast.Module) -> Iterator[tuple[ast.AST, str]]:
    """Every node that computes something, and the function it stands in; not words, types nor refusals."""

    def visit(node: ast.AST, function: str) -> Iterator[tuple[ast.AST, str]]:
        if isinstance(node, ast.Raise | ast.JoinedStr | ast.Assert | ast.Import | ast.ImportFrom):
            return
        if isinstance(node, ast.If) and ast.unparse(node.test) == "TYPE_CHECKING":
            return
        if isinstance(node, ast.FunctionDef | ast.ClassDef):
            function = f"{function}.{node.name}".lstrip(".")
        yield node, function
        for field, value in ast.iter_fields(node):
            if field in {"annotation", "returns", "decorator_list", "bases", "type_params"}:
                continue
            for child in value if isinstance(value, list) else [value]:
                if isinstance(child, ast.AST):
                    yield from visit(child, function)

    yield from visit(tree, "")


def every_change(root: Path) -> list[list[Change]]:
    """All changes, grouped by the place they change."""
    files = [
        file
        for name in CODE
        for file in ([root / name] if name.endswith(".py") else (root / name).glob("*.py"))
    ]
    found = []
    for file in sorted(files):
        text = file.read_text(encoding="utf-8")
        offsets = [0]
        for row in text.encode().splitlines(keepends=True):
            offsets.append(offsets[-1] + len(row))
        for node, function in places(ast.parse(text)):
            group = [
                Change(
                    file=str(file.relative_to(root)),
                    line=old.lineno,
                    function=function,
                    start=(start := offsets[old.lineno - 1] + old.col_offset),
                    end=(end := offsets[(old.end_lineno or 1) - 1] + (old.end_col_offset or 0)),
                    before=" ".join(text.encode()[start:end].decode().split()),
                    after=ast.unparse(new) if isinstance(new, ast.stmt) else f"({ast.unparse(new)})",
                )
                for old, new in changes_of(node)
                if isinstance(old, ast.expr | ast.stmt)
            ]
            found += [group] if group else []
    return found


def sample(root: Path, seed: int, count: int) -> list[Change]:
    """A seeded sample: at most one change in a place."""
    chance = random.Random(seed)  # noqa: S311 - a sample, no secret
    groups = every_change(root)
    return [chance.choice(group) for group in chance.sample(groups, min(count, len(groups)))]


# ---- which test calls what ---------------------------------------------------------------------------------
class Calls:
    """A plugin that notes for every test its seconds and the functions of the project it called."""

    def __init__(self, root: Path) -> None:
        self.prefixes = tuple(str(root / name) for name in CODE)
        self.root = root
        self.now: set[Any] = set()
        self.of_fixture: dict[str, set[Any]] = {}
        self.tests: dict[str, tuple[float, list[str]]] = {}

    def trace(self, frame: FrameType, _event: str, _argument: object) -> None:
        self.now.add(frame.f_code)

    @pytest.hookimpl(wrapper=True)
    def pytest_fixture_setup(self, fixturedef: Any) -> Iterator[Any]:  # noqa: ANN401 - types of pytest's inside
        outer, self.now = self.now, set()
        try:
            return (yield)
        finally:
            self.of_fixture.setdefault(fixturedef.argname, set()).update(self.now)
            self.now = outer | self.now

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_protocol(self, item: Any) -> Iterator[Any]:  # noqa: ANN401
        self.now = set()
        began = time.process_time()
        sys.settrace(self.trace)
        try:
            return (yield)
        finally:
            sys.settrace(None)
            codes = set(self.now)
            for name in item.fixturenames:
                codes |= self.of_fixture.get(name, set())
            called = {
                f"{Path(code.co_filename).relative_to(self.root)}:{named(code.co_qualname)}"
                for code in codes
                if code.co_filename.startswith(self.prefixes)
            }
            self.tests[item.nodeid] = (time.process_time() - began, sorted(called))


def named(qualname: str) -> str:
    """The function as ``places`` names it: without locals, lambdas and comprehensions."""
    parts = [part for part in qualname.split(".") if not part.startswith("<")]
    return ".".join(parts)


def note_calls(root: Path, file: Path) -> None:
    """Run the tests unchanged in a child and write what each called."""

    def inside() -> int:
        calls = Calls(root)
        code = pytest.main([*QUIETLY, *TESTS], plugins=[calls])
        file.write_text(json.dumps(calls.tests), encoding="utf-8")
        return int(code)

    if code := in_child(inside, None, file.with_suffix(".log")):
        raise SystemExit(
            f"the unchanged project fails its tests (exit code {code}), see {file.with_suffix('.log')}"
        )


def in_child(work: Callable[[], int], seconds: int | None, log: Path) -> int:
    """Run something in a forked process, its output to a file; a signal counts as a negative code."""
    child = os.fork()
    if child == 0:
        code = 99
        try:
            out = os.open(log, os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
            os.dup2(out, 1)
            os.dup2(out, 2)
            if seconds is not None:
                resource.setrlimit(resource.RLIMIT_CPU, (seconds, seconds))
            code = work()
        except BaseException:  # noqa: BLE001 - a fork must never return into its parent's work
            traceback.print_exc()
        finally:
            sys.stdout.flush()
            sys.stderr.flush()
            os._exit(code)
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])


# ---- one change at a time ----------------------------------------------------------------------------------
class Judge:
    """Makes one change at a time in a copy and runs the tests that call the changed function."""

    def __init__(self, root: Path, tests: dict[str, tuple[float, list[str]]], budget_seconds: float) -> None:
        self.root = root
        self.budget_seconds = budget_seconds
        self.by_function: dict[str, list[tuple[float, str]]] = defaultdict(list)
        for test, (seconds, called) in tests.items():
            if seconds > SLOWEST_SECONDS:
                continue
            for function in called:
                self.by_function[function].append((seconds, test))
            for name in {function.partition(":")[0] for function in called}:
                self.by_function[f"{name}:"].append((seconds, test))

    def tests_of(self, change: Change) -> list[str]:
        """The tests that call the function, or anything of its file: the room's own first, the quickest first."""
        whole = f"{change.file}:{change.function}"
        found = self.by_function.get(whole) or self.by_function.get(f"{change.file}:", [])
        chosen: list[str] = []
        spent = 0.0
        room = f"tests/{change.file.removesuffix('.py')}".rpartition("/")[0]
        room = room if room.count("/") > 1 else f"{room}/test_{Path(change.file).stem}"
        for seconds, test in sorted(found, key=lambda pair: (not pair[1].startswith(room), pair)):
            spent += seconds
            if spent > self.budget_seconds and chosen:
                break
            chosen.append(test)
        return chosen

    def notices(self, change: Change, log: Path) -> str:
        """Say what noticed the change: the first failing test, "time", "crash"; "" for nothing."""
        tests = self.tests_of(change)
        if not tests:
            return ""
        file = self.root / change.file
        before, stat = file.read_bytes(), file.stat()
        after = before[: change.start] + change.after.encode() + before[change.end :]
        try:
            compile(after, change.file, "exec")
            file.write_bytes(after)
            os.utime(file, (stat.st_atime, stat.st_mtime + 1000))  # what was compiled before must not be used
            code = in_child(lambda: self._run(tests), LIMIT_SECONDS, log)
        finally:
            file.write_bytes(before)
            os.utime(file, (stat.st_atime, stat.st_mtime))
        if code == 0:
            return ""
        if code < 0:
            return "time or crash"
        told = [
            line
            for line in log.read_text(errors="replace").splitlines()
            if line.startswith(("FAILED", "ERROR"))
        ]
        return told[0] if told else f"exit code {code}"

    @staticmethod
    def _run(tests: list[str]) -> int:
        sys.dont_write_bytecode = True
        return int(pytest.main(["-x", "--no-header", "--tb=no", *QUIETLY, *tests]))


def copied(work: Path) -> Path:
    """A fresh copy of the project, code and tests."""
    shutil.rmtree(work, ignore_errors=True)
    leave = shutil.ignore_patterns(".*", "*.egg-info", "__pycache__", "build")
    shutil.copytree(ROOT, work, ignore=leave)
    return work


def enter(root: Path) -> None:
    """Make this process, and all it forks, use the copy."""
    os.chdir(root)
    sys.path[:0] = [str(root), str(root / "tests")]
    sys.path[:] = [name for name in sys.path if Path(name).resolve() not in {ROOT, ROOT / "tests"}]


def main() -> None:
    """Sample, judge, write each verdict as it falls, and sum up."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--seed", type=int, default=16)
    parser.add_argument("--count", type=int, default=300)
    parser.add_argument("--budget", type=float, default=15.0, help="seconds of tests for one change")
    parser.add_argument("--work", type=Path, required=True, help="scratch folder; verdicts are kept in it")
    parser.add_argument("--list", action="store_true", help="only list the sample")
    parser.add_argument("--again", action="store_true", help="also what no test noticed before")
    parser.add_argument("--only", default="", help="only changes in files that begin so")
    options = parser.parse_args()
    wanted = [
        change for change in sample(ROOT, options.seed, options.count) if change.file.startswith(options.only)
    ]
    if options.list:
        sys.stdout.writelines(f"{change}\n" for change in wanted)
        return
    for name in LIBRARIES:
        __import__(name)
    options.work.mkdir(parents=True, exist_ok=True)
    verdicts = options.work.resolve() / "verdicts.jsonl"
    root = copied(options.work.resolve() / "copy")
    enter(root)
    calls = options.work.resolve() / "calls.json"
    if not calls.is_file():
        note_calls(root, calls)
    compiled = ["--collect-only", *QUIETLY, *TESTS]  # once for all: no change is to wait for it
    in_child(lambda: int(pytest.main(compiled)), None, options.work.resolve() / "last.log")
    judge = Judge(root, json.loads(calls.read_text(encoding="utf-8")), options.budget)
    known = (
        dict(json.loads(line) for line in verdicts.read_text(encoding="utf-8").splitlines())
        if verdicts.is_file()
        else {}
    )
    for change in wanted:
        if change.key not in known or (options.again and not known[change.key]):
            known[change.key] = judge.notices(change, options.work.resolve() / "last.log")
            with verdicts.open("a", encoding="utf-8") as out:
                out.write(json.dumps([change.key, known[change.key]]) + "\n")
    missed = [change for change in wanted if not known[change.key]]
    sys.stdout.writelines(f"not noticed: {change}\n" for change in missed)
    share = 100.0 * (len(wanted) - len(missed)) / max(len(wanted), 1)
    sys.stdout.write(
        f"{len(wanted)} changes, {len(wanted) - len(missed)} noticed: {share:.1f} % (seed {options.seed})\n"
    )


if __name__ == "__main__":
    main()
