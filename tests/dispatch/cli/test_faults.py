"""Killed, interrupted, or out of room while it writes: every file is whole, old or new, and nothing is left behind.

A forked child runs the command; an audit hook counts what it opens for writing or renames in the target's folder, and
strikes at each of these moments in turn. What the writer does inside does not matter to it.
"""

from __future__ import annotations

import os
import resource
import signal
import sys
import warnings
from typing import TYPE_CHECKING

import pytest
from fuzz_files import files
from homes.small_home import small_home

from dispatch.__main__ import main

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

MOST_MOMENTS = 40
OLD = "what stood there before\n"

# what is written by each command; {} is the folder of the inputs, [] that of the outputs
COMMANDS = {
    "bill": ("bill {}/zoned.toml {}/meter.csv --csv []", ("bill.csv",)),
    "import": ("import {}/utility0.csv --out []/series.csv --time-zone America/Toronto", ("series.csv",)),
    "import-tariff": (
        "import-tariff {}/record.json --out []/made.toml --time-zone America/New_York",
        ("made.toml",),
    ),
    "settings": (
        "settings {}/scenario.toml --card {}/card.toml --save []/card.toml --ics []/card.ics --html []/card.html",
        ("card.toml", "card.ics", "card.html"),
    ),
    "outage": (
        "outage {}/scenario.toml --at 2025-11-01T18:00 --hours 5 --csv []",
        ("outage_solar-first.csv", "outage_off-peak-first.csv"),
    ),
    "backup": ("backup {}/scenario.toml --csv [] --html []/page.html", ("backup_hours.csv", "page.html")),
    "profile": ("profile --kwh 3600 --time-zone Europe/Lisbon --out []/load.csv", ("load.csv",)),
}


@pytest.fixture
def place(tmp_path: Path) -> Path:
    """A folder with every kind of input, and one with targets that are there already."""
    inputs, outputs = tmp_path / "in", tmp_path / "out"
    inputs.mkdir()
    outputs.mkdir()
    for name, text in files().items():
        (inputs / name).write_text(text, encoding="utf-8")
    small_home(days=2).write(inputs)
    return tmp_path


def child(words: list[str], prepare: Callable[[], None]) -> tuple[int, str]:
    """Run a command in a fork of this process: its code, negative for a signal, and its message."""
    reader, writer = os.pipe()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)  # threads of the libraries are at rest here
        number = os.fork()
    if number == 0:
        code: object = 99
        try:
            os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
            os.dup2(writer, 2)
            sys.stdout, sys.stderr = (os.fdopen(os.dup(at), "w", encoding="utf-8") for at in (1, 2))
            sys.argv = ["dispatch", *words]
            prepare()
            main()
            code = 0
        except SystemExit as left:
            code = left.code or 0
        finally:
            sys.stderr.flush()
            os._exit(code if isinstance(code, int) else 99)
    os.close(writer)
    with os.fdopen(reader, encoding="utf-8") as told:
        message = told.read()
    return os.waitstatus_to_exitcode(os.waitpid(number, 0)[1]), message


def words_of(command: str, place: Path) -> list[str]:
    text = COMMANDS[command][0].replace("{}", str(place / "in")).replace("[]", str(place / "out"))
    return text.split()


def strike(out: Path, moment: int, number: signal.Signals) -> Callable[[], None]:
    """Send this process a signal at the n-th moment at which it touches the folder for writing."""

    def prepare() -> None:
        seen = 0

        def hook(event: str, arguments: tuple[object, ...]) -> None:
            nonlocal seen
            touches = event == "os.rename" or (
                event == "open" and isinstance(arguments[2], int) and arguments[2] & (os.O_WRONLY | os.O_RDWR)
            )
            if touches and isinstance(arguments[0], str | os.PathLike) and str(out) in str(arguments[0]):
                if seen == moment:
                    os.kill(os.getpid(), number)
                seen += 1

        sys.addaudithook(hook)

    return prepare


def states(out: Path) -> dict[str, str]:
    return {path.name: path.read_text(encoding="utf-8") for path in out.iterdir()}


def whole(command: str, place: Path) -> dict[str, str]:
    """What an undisturbed run writes; the targets stand there with old content first."""
    for name in COMMANDS[command][1]:
        (place / "out" / name).write_text(OLD, encoding="utf-8")
    code, message = child(words_of(command, place), lambda: None)
    assert code == 0, message
    made = states(place / "out")
    assert all(made[name] != OLD for name in COMMANDS[command][1])
    return made


def before(command: str, place: Path, made: dict[str, str]) -> None:
    for name in made:
        (place / "out" / name).unlink(missing_ok=True)
    for path in (place / "out").iterdir():
        path.unlink()
    for name in COMMANDS[command][1]:
        (place / "out" / name).write_text(OLD, encoding="utf-8")


def without_moments(text: str) -> str:
    """A calendar says when it was written."""
    return "\n".join(line for line in text.split("\n") if not line.startswith("DTSTAMP"))


@pytest.mark.parametrize("command", COMMANDS)
@pytest.mark.parametrize("number", [signal.SIGKILL, signal.SIGINT], ids=["killed", "interrupted"])
def test_every_file_is_whole_whenever_it_is_struck(command: str, number: signal.Signals, place: Path) -> None:
    made = whole(command, place)
    for moment in range(MOST_MOMENTS):
        before(command, place, made)
        code, message = child(words_of(command, place), strike(place / "out", moment, number))
        found = states(place / "out")
        for name, text in found.items():
            if name in made:
                old = name in COMMANDS[command][1] and text == OLD
                assert old or without_moments(text) == without_moments(made[name]), (
                    f"{name} is cut at {moment}"
                )
            else:
                # a killed process cannot clean up: what it leaves can be told from a result
                assert number == signal.SIGKILL, f"{name} was left behind at {moment}"
                assert name.startswith(".") or name.endswith((".tmp", ".part")), name
        if code == 0:
            break
        assert code in ({-9} if number == signal.SIGKILL else {130, -2}), message
        assert "Traceback" not in message
    else:
        pytest.fail(f"more than {MOST_MOMENTS} moments of writing")
    assert moment > 0, "it was never struck"


@pytest.mark.parametrize("command", COMMANDS)
def test_a_full_disk_changes_nothing_and_is_told(command: str, place: Path) -> None:
    made = whole(command, place)
    largest = max(len(text.encode()) for text in made.values())
    for limit in (0, largest // 2, largest - 1):
        before(command, place, made)

        def prepare(limit: int = limit) -> None:
            signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
            resource.setrlimit(resource.RLIMIT_FSIZE, (limit, resource.RLIM_INFINITY))

        code, message = child(words_of(command, place), prepare)
        assert code == 2, message
        assert "Traceback" not in message
        assert "internal error" not in message
        assert str(place / "out") in message
        assert states(place / "out") == dict.fromkeys(COMMANDS[command][1], OLD)
