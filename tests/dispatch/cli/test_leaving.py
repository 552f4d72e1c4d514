"""A command that is told to end does so soon, quietly, with the exit code of the signal; real processes, real signals.

The bounds on time are wide: they tell an end from waiting for everything that is still to be solved.
"""

from __future__ import annotations

import contextlib
import os
import signal
import socket
import subprocess
import sys
import threading
import time
from typing import TYPE_CHECKING, Any

import pytest
from terminal import ROOT, environment

from dispatch.cli import leaving
from dispatch.cli.leaving import Ears
from dispatch.program.watch import Watch, workers

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

WAIT_SECONDS = 60.0  # far above what is promised, far below what there is left to do
HOME = ROOT / "scenarios" / "alder-row"

# Begins a command and says on stderr when it has come to a place: one that is being imported, or one that is called.
BEGIN = """
import sys, threading, time
sys.argv = ["dispatch", *sys.argv[1:]]
def here(*_, **__):
    sys.stderr.write("here\\n"); sys.stderr.flush()
{place}
from dispatch.__main__ import main
main()
"""
WHILE_IMPORTING = """
class Finder:
    def find_spec(self, name, path=None, target=None):
        if name == "typer":
            sys.meta_path.remove(self)
            here()
            time.sleep(600)
sys.meta_path.insert(0, Finder())
"""
IN_THREADS = """
import dispatch.safety.frontier as module
def solve(*_, **__):
    here()
    threading.Event().wait(600)
module.solve_at = solve
"""


def begun(tmp_path: Path, place: str, *arguments: str | Path) -> subprocess.Popen[str]:
    """Begin a command and wait until it has come to the place."""
    words = [sys.executable, "-c", BEGIN.format(place=place), *map(str, arguments)]
    process = subprocess.Popen(
        words,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env=environment(DISPATCH_CACHE_DIR=""),
        cwd=tmp_path,
    )
    assert process.stderr is not None
    assert process.stderr.readline() == "here\n"
    return process


def ended(process: subprocess.Popen[str]) -> tuple[int, str, str]:
    """Wait for the end; give exit code, stdout and stderr."""
    try:
        out, err = process.communicate(timeout=WAIT_SECONDS)
    except subprocess.TimeoutExpired:
        process.kill()
        process.communicate()
        pytest.fail("it did not end")
    return process.returncode, out, err


SIGNALS = [(signal.SIGINT, 130), (signal.SIGTERM, 143), (signal.SIGHUP, 129)]


@pytest.mark.parametrize(("number", "code"), SIGNALS)
def test_while_starting(tmp_path: Path, number: signal.Signals, code: int) -> None:
    process = begun(tmp_path, WHILE_IMPORTING, "compare", HOME)
    process.send_signal(number)
    assert ended(process) == (code, "", "")


@pytest.mark.parametrize(("number", "code"), SIGNALS)
def test_while_threads_solve_and_levels_wait(tmp_path: Path, number: signal.Signals, code: int) -> None:
    process = begun(tmp_path, IN_THREADS, "frontier", HOME, "--levels", "201")
    process.send_signal(number)
    assert ended(process)[0] == code


def test_in_the_middle_of_a_real_frontier(tmp_path: Path) -> None:
    place = "import dispatch.safety.frontier as module\nold = module.solve_at\n"
    place += "def solve(*a, **k):\n    here()\n    return old(*a, **k)\nmodule.solve_at = solve\n"
    process = begun(tmp_path, place, "frontier", HOME, "--levels", "201")
    time.sleep(0.3)
    process.send_signal(signal.SIGINT)
    code, out, err = ended(process)
    assert code == 130
    assert out == ""
    assert set(err.splitlines()) <= {"here"}


NATIVE = """
import ctypes, dispatch.comparison.compare as module
def prepare(_program):
    here()
    ctypes.CDLL(None).sleep(600)  # as deaf as a long solve: no instruction of Python's in between
    ctypes.CDLL(None).sleep(600)  # a signal wakes the first
module.prepare = prepare
"""


def test_while_the_main_thread_computes_outside_of_python(tmp_path: Path) -> None:
    process = begun(tmp_path, NATIVE, "compare", HOME)
    time.sleep(0.2)
    process.send_signal(signal.SIGINT)
    process.send_signal(signal.SIGINT)
    assert ended(process)[:2] == (130, "")


SEARCHING = """
import dispatch.comparison.compare as module
from dispatch.program.watch import Watch
old = module.solve_or_why
def solve(program, strategy, **rest):
    if strategy.name == "least-cost":
        with Watch(["trade"], 600.0) as watch:
            here()
            while not watch.over:
                time.sleep(0.01)
            if {forever}:
                time.sleep(600)
    return old(program, strategy, **rest)
module.solve_or_why = solve
"""


def test_the_first_interrupt_of_a_search_keeps_the_best(tmp_path: Path) -> None:
    process = begun(tmp_path, SEARCHING.format(forever=False), "compare", HOME)
    process.send_signal(signal.SIGINT)
    code, out, err = ended(process)
    assert code == 0
    assert "SET off-peak-first" in out
    assert "the best schedules found so far are kept" in err
    assert "Traceback" not in err


def test_the_second_interrupt_of_a_search_ends_the_command(tmp_path: Path) -> None:
    process = begun(tmp_path, SEARCHING.format(forever=True), "compare", HOME)
    process.send_signal(signal.SIGINT)
    assert process.stderr is not None
    assert "the best schedules found so far are kept" in process.stderr.readline()
    process.send_signal(signal.SIGINT)
    code, out, err = ended(process)
    assert (code, out) == (130, "")
    assert "Traceback" not in err


def test_what_is_half_written_is_taken_away(tmp_path: Path) -> None:
    place = "import dispatch.door as door\ndef compare(*_, **__):\n"
    place += "    part = open('half.part', 'w')\n    try:\n        here(); time.sleep(600)\n"
    place += "    finally:\n        import os; os.unlink('half.part')\ndoor.compare = compare\n"
    process = begun(tmp_path, place, "compare", HOME)
    assert (tmp_path / "half.part").exists()
    process.send_signal(signal.SIGTERM)
    assert ended(process)[0] == 143
    assert list(tmp_path.iterdir()) == []


# ---- the parts ------------------------------------------------------------------------------------------------
class Ended(Exception):  # noqa: N818 - what happens
    """Stands in for the end of the process."""


@contextlib.contextmanager
def listening(monkeypatch: pytest.MonkeyPatch) -> Iterator[tuple[Ears, socket.socket, list[int]]]:
    """An ear without a process: what it would end with is collected."""
    codes: list[int] = []

    def end(code: int) -> None:
        codes.append(code)
        raise Ended

    monkeypatch.setattr(leaving, "end", end)
    monkeypatch.setattr(leaving, "GRACE_SECONDS", 0.1)
    ears = Ears()
    monkeypatch.setattr(signal, "getsignal", lambda _number: ears.handler)
    inner, outer = socket.socketpair()

    def listen() -> None:
        with contextlib.suppress(Ended):
            ears.listen(outer)

    thread = threading.Thread(target=listen)
    thread.start()
    try:
        yield ears, inner, codes
    finally:
        inner.close()
        thread.join(WAIT_SECONDS)
        assert not thread.is_alive()


def until(holds: Any) -> None:  # noqa: ANN401 - a test of anything
    """Wait until something holds."""
    end = time.monotonic() + WAIT_SECONDS
    while not holds():
        assert time.monotonic() < end
        time.sleep(0.01)


def test_a_deaf_main_thread_is_ended(monkeypatch: pytest.MonkeyPatch) -> None:
    with listening(monkeypatch) as (_, inner, codes):
        inner.send(bytes([signal.SIGTERM]))
        until(lambda: codes)
    assert codes == [143]


def test_a_main_thread_that_does_not_come_to_an_end_is_ended(monkeypatch: pytest.MonkeyPatch) -> None:
    with listening(monkeypatch) as (ears, inner, codes):
        ears.unwinds = True
        with pytest.raises(KeyboardInterrupt):
            ears.handler(signal.SIGINT, None)
        inner.send(bytes([signal.SIGINT]))
        until(lambda: codes)
    assert codes == [130]


def test_a_deaf_search_is_stopped_once_and_ended_the_second_time(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Watch, "stop", threading.Event())
    with listening(monkeypatch) as (ears, inner, codes), Watch(["trade"], 600.0) as watch:
        inner.send(bytes([signal.SIGINT]))
        until(lambda: watch.over)
        ears.handler(signal.SIGINT, None)  # heard at last: it was settled, nothing is raised
        assert codes == []
        inner.send(bytes([signal.SIGINT]))
        until(lambda: codes)
    assert codes == [130]


def test_whoever_is_interrupted_waits_for_no_thread(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Watch, "stop", threading.Event())
    free, searches = threading.Event(), []

    def search() -> None:
        with Watch(["trade"], 600.0) as watch:
            searches.append(watch)
            free.wait(WAIT_SECONDS)

    with pytest.raises(KeyboardInterrupt), workers(1) as pool:  # noqa: PT012 - it is raised on the way
        pool.submit(search)
        later = pool.submit(search)
        until(lambda: searches)
        raise KeyboardInterrupt
    assert later.cancelled()
    assert searches[0].over
    assert not Watch(["trade"], 600.0).over  # a later search is free
    free.set()


def test_handlers_are_put_back(monkeypatch: pytest.MonkeyPatch) -> None:
    before = [signal.getsignal(number) for number in leaving.SIGNALS]
    with leaving.ears() as heard:
        assert signal.getsignal(signal.SIGINT) == heard.handler
    assert [signal.getsignal(number) for number in leaving.SIGNALS] == before
    codes: list[int] = []
    monkeypatch.setattr(leaving, "end", codes.append)
    with pytest.raises(KeyboardInterrupt), leaving.ears() as heard:  # noqa: PT012 - it comes as a signal
        heard.unwinds = True
        os.kill(os.getpid(), signal.SIGINT)
        time.sleep(WAIT_SECONDS)
    assert codes[0] == 130
