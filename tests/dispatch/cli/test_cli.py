"""The command: what goes to stdout, what to stderr, and the exit code; in a process of its own where that matters."""

from __future__ import annotations

import json
import os
import pty
import re
import shutil
import signal
import subprocess
import sys
from typing import TYPE_CHECKING, Any

import pytest
from homes.small_home import small_home
from terminal import COMMAND, ROOT, environment, run, spawn
from typer.testing import CliRunner

from dispatch.cli.app import app

if TYPE_CHECKING:
    from pathlib import Path


def on_terminal(*arguments: str | Path, **changes: str) -> str:
    """Run with stdout and stderr on a terminal of its own; give all it showed."""
    ours, theirs = pty.openpty()
    words = [*COMMAND, *map(str, arguments)]
    with subprocess.Popen(
        words, stdout=theirs, stderr=theirs, env=environment(TERM="xterm", **changes)
    ) as process:
        os.close(theirs)
        shown = b""
        while True:
            try:
                chunk = os.read(ours, 65536)
            except OSError:  # how a terminal says that the other side has closed
                break
            if not chunk:
                break
            shown += chunk
        process.wait()
    os.close(ours)
    return shown.decode()


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return small_home().write(tmp_path_factory.mktemp("home")).parent


def test_json_is_the_only_thing_on_stdout(home: Path) -> None:
    done = spawn("compare", home / "scenario.toml", "--json")
    assert (done.returncode, done.stderr) == (0, "")
    document = json.loads(done.stdout)
    assert document["scenario"] == "Wren Cottage"
    assert document["steps"] == 97


def test_the_report_needs_no_terminal(home: Path) -> None:
    done = run("compare", home)
    assert (done.returncode, done.stderr) == (0, "")
    assert "SET " in done.stdout
    assert "\x1b" not in done.stdout
    assert max(len(line.rstrip()) for line in done.stdout.splitlines()) <= 80


def test_colour_can_be_switched_off_on_a_terminal_and_is_never_forced_into_a_pipe(home: Path) -> None:
    colour = re.compile(r"\x1b\[[0-9;]*3[0-9]")
    assert colour.search(on_terminal("compare", home))
    assert not colour.search(on_terminal("compare", home, NO_COLOR="1"))
    assert "\x1b" not in spawn("compare", home, FORCE_COLOR="1").stdout


def test_a_terminal_sees_progress_but_a_pipe_does_not(home: Path) -> None:
    assert "reading" in on_terminal("compare", home, "--json")
    assert run("compare", home, "--json").stderr == ""


def test_csv_beside_json(home: Path, tmp_path: Path) -> None:
    done = run("compare", home, "--json", "--csv", tmp_path / "flows")
    assert done.returncode == 0
    told = json.loads(done.stdout)["strategies"]
    names = ["grid-only.csv", *(f"{item['name']}-planned.csv" for item in told[1:])]
    names += [f"{item['name']}-as-set.csv" for item in told if item["as_set"] is not None]
    assert sorted(file.name for file in (tmp_path / "flows").iterdir()) == sorted([*names, "made-from.json"])
    beside = json.loads((tmp_path / "flows" / "made-from.json").read_text(encoding="utf-8"))
    assert beside == {key: json.loads(done.stdout)[key] for key in ("made_from", "looks_odd")}
    assert {"dispatch", "python", "highspy", "holidays"} <= set(beside["made_from"]["versions"])


def test_a_csv_directory_that_cannot_be_made_is_bad_input(home: Path, tmp_path: Path) -> None:
    (tmp_path / "taken").write_text("a file")
    inside = run("compare", home, "--csv", tmp_path / "taken" / "flows")
    assert inside.returncode == 2
    assert str(tmp_path / "taken") in inside.stderr
    itself = run("compare", home, "--csv", tmp_path / "taken")
    assert itself.returncode == 2
    assert "Traceback" not in inside.stderr + itself.stderr
    assert inside.stdout == itself.stdout == ""


def test_check_summarises_as_text_and_as_json(home: Path) -> None:
    text = run("check", home)
    assert (text.returncode, text.stderr) == (0, "")
    assert "Wren Cottage: nothing wrong found" in text.stdout
    assert "Three Lanterns" in text.stdout.replace("THREE LANTERNS", "Three Lanterns")
    assert max(map(len, text.stdout.splitlines())) <= 80
    assert all(line == line.rstrip() for line in text.stdout.splitlines())
    assert json.loads(run("check", home, "--json").stdout)["tariff_name"] == "Three Lanterns"


@pytest.mark.parametrize(("subject", "property_name"), [("scenario", "battery"), ("tariff", "bands")])
def test_schema_is_json_schema(subject: str, property_name: str) -> None:
    done = run("schema", subject)
    assert (done.returncode, done.stderr) == (0, "")
    schema = json.loads(done.stdout)
    assert schema["type"] == "object"
    assert property_name in schema["properties"]


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"battery": {"pack_kWh": 2.0}}, ["battery.pack_kWh", "did you mean", "pack_kwh"]),
        ({"tariff": "nowhere.toml"}, ["nowhere.toml"]),
        ({"load": {"column": "load_in_kw"}}, ["series.csv", "load_in_kw"]),
        ({"reserve": {"percent": 130}}, ["reserve.percent", "130"]),
        (
            {"inverter": {"bypass_w": 100, "continuous_w": 700}},
            ["series.csv: line", "inverter.continuous_w", "bypass"],
        ),
    ],
    ids=["unknown key", "no tariff", "no column", "reserve above full", "load above bypass and inverter"],
)
def test_bad_input_is_one_message_and_exit_2(
    change: dict[str, object], said: list[str], tmp_path: Path
) -> None:
    path = small_home().changed(**change).write(tmp_path)
    done = run("compare", path)
    assert (done.returncode, done.stdout) == (2, "")
    assert "Traceback" not in done.stderr
    assert str(tmp_path) in done.stderr
    for words in said:
        assert words in done.stderr
    assert run("check", path).stderr == done.stderr


def test_a_missing_scenario_is_bad_input(tmp_path: Path) -> None:
    for path in (tmp_path / "none.toml", tmp_path):
        done = run("compare", path)
        assert (done.returncode, done.stdout) == (2, "")
        assert str(path) in done.stderr
        assert "Traceback" not in done.stderr


def test_where_no_strategy_can_serve_the_report_still_comes_and_the_exit_code_is_1(tmp_path: Path) -> None:
    weak: dict[str, Any] = {"inverter": {"bypass_w": 150, "continuous_w": 1400}, "charging": {"grid_w": 200}}
    path = small_home(**weak).write(tmp_path)
    done = run("compare", path, "--json")
    assert done.returncode == 1
    assert {item["status"] for item in json.loads(done.stdout)["strategies"]} == {"optimal", "cannot serve"}
    assert str(path) in done.stderr
    raised = re.search(r"inverter\.bypass_w by ([\d,]+) W to ([\d,]+) W", done.stderr)
    assert raised
    # and the remedy is one: with that bypass nothing goes without
    enough_w = int(raised[2].replace(",", ""))
    assert enough_w == 150 + int(raised[1].replace(",", ""))
    weak["inverter"]["bypass_w"] = enough_w
    again = run("compare", small_home(**weak).write(tmp_path), "--json")
    assert (again.returncode, again.stderr) == (0, "")
    assert json.loads(again.stdout)["strategies"][-1]["unserved_kwh"] == 0.0


@pytest.mark.parametrize("arguments", [(), ("compare",), ("check",), ("schema",)], ids=" ".join)
def test_every_help_ends_with_an_example(arguments: tuple[str, ...]) -> None:
    done = run(*arguments, "--help")
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.rstrip().splitlines()[-1].strip().startswith("Example: dispatch ")
    assert max(map(len, done.stdout.splitlines())) <= 80


def test_help_does_not_wait_for_the_heavy_modules() -> None:
    asks = "import sys; from dispatch.cli.app import app\ntry: app(['--help'])\nexcept SystemExit: pass\n"
    asks += (
        "print(sorted({'pandas', 'numpy', 'pulp', 'pydantic', 'highspy', 'rich.console'} & set(sys.modules)))"
    )
    done = subprocess.run(
        [sys.executable, "-c", asks], capture_output=True, text=True, check=True, env=environment()
    )
    assert done.stdout.splitlines()[-1] == "[]"


@pytest.mark.parametrize("arguments", [("compare",), ("schema", "house"), ("compares",)], ids=" ".join)
def test_wrong_usage_is_exit_2(arguments: tuple[str, ...]) -> None:
    done = run(*arguments)
    assert (done.returncode, done.stdout) == (2, "")
    assert "Error:" in done.stderr


def test_a_reader_that_goes_away_is_no_error() -> None:
    words = [*COMMAND, "schema", "scenario"]
    with subprocess.Popen(
        words, stdout=subprocess.PIPE, stderr=subprocess.PIPE, env=environment()
    ) as process:
        assert process.stdout is not None
        assert process.stderr is not None
        process.stdout.close()
        said = process.stderr.read()
    assert (process.returncode, said) == (0, b"")


def test_an_interrupt_is_quiet(home: Path) -> None:
    script = (
        "import dispatch.case.case, os, signal\n"
        "dispatch.case.case.load_scenario = lambda path: os.kill(os.getpid(), signal.SIGINT)\n"
        f"from dispatch.__main__ import main\nimport sys\nsys.argv[1:] = ['compare', {str(home)!r}]\nmain()\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=False, env=environment()
    )
    assert (done.returncode, done.stdout, done.stderr) == (128 + signal.SIGINT, "", "")


def test_a_fault_of_the_program_is_owned_up_to_without_a_traceback(
    home: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(path: Path) -> None:
        raise RuntimeError(f"a bolt came loose in {path.name}")

    monkeypatch.setattr("dispatch.door.base.load_scenario", broken)
    done = run("compare", home)
    assert (done.returncode, done.stdout) == (1, "")
    assert "internal error (RuntimeError: a bolt came loose in scenario.toml)" in done.stderr
    assert "Traceback" not in done.stderr
    monkeypatch.setenv("DISPATCH_TRACEBACK", "1")
    with pytest.raises(RuntimeError, match="a bolt came loose"):  # for the interpreter to print
        run("compare", home)


def test_messages_wrap_on_a_terminal_without_breaking_paths(tmp_path: Path) -> None:
    folder = tmp_path / "a long way down" / "in a folder whose name has spaces"
    path = small_home().changed(reserve={"percent": 130}).write(folder)
    shown = on_terminal("check", path, COLUMNS="80")
    assert str(path) in shown
    lines = shown.replace("\r", "").splitlines()
    assert len(lines) > 1
    assert all(len(line) <= 80 or str(path) in line for line in lines)
    assert run("check", path).stderr.count("\n") < len(lines)


def test_a_terminal_without_unicode_gets_plain_characters(home: Path) -> None:
    done = spawn("compare", home, PYTHONIOENCODING="ascii")
    assert done.returncode == 0
    assert done.stdout.isascii()
    assert "?" not in done.stdout


def test_what_native_code_prints_while_solving_is_no_result() -> None:
    program = (
        "import os\n"
        "from dispatch.cli.terminal import progress_bar, write\n"
        "with progress_bar():\n"
        "    os.write(1, b'native talk')\n"
        "write('result')\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, cwd=ROOT, check=True
    )
    assert (done.stdout, done.stderr) == ("result", "native talk")


@pytest.mark.parametrize(
    "words",
    [
        ("compare", "HOME", "--csv", "--json"),
        ("backup", "HOME", "--csv", "--strategy", "solar-first"),
        ("settings", "HOME", "--save", "--html", "card.html"),
        ("settings", "HOME", "--card", "-h"),
        ("bill", "HOME", "HOME", "--import", "--csv", "out"),
    ],
)
def test_an_option_does_not_swallow_the_next_one(
    words: tuple[str, ...], home: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    done = CliRunner().invoke(app, [str(home) if word == "HOME" else word for word in words])
    assert done.exit_code == 2
    option, value = words[-3:-1] if words[-1] in {"solar-first", "card.html", "out"} else words[-2:]
    assert f"Invalid value for {option}: needs a value (got '{value}', an option)" in done.stderr
    assert list(tmp_path.iterdir()) == []


def test_a_file_name_that_turns_text_round_is_shown_as_escapes(
    home: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    shutil.copytree(home, "home\u202e")
    for words in (["check", "home\u202e"], ["check", "home\u202e/absent\u202e.toml"]):
        with pytest.raises(SystemExit):
            app(words)
        shown = "".join(capsys.readouterr())
        assert "home\\u202e" in shown
        assert "\u202e" not in shown
