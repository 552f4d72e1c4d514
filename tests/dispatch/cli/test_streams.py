"""stdout and stderr closed, full or without a reader: quiet, and the exit code that tells what happened."""

from __future__ import annotations

import shutil
import subprocess
import sys
from typing import TYPE_CHECKING

import pytest
from homes.small_home import small_home
from terminal import environment

if TYPE_CHECKING:
    from pathlib import Path

BASH = shutil.which("bash") or "/bin/sh"
FULL = "stdout: No space left on device; the result is not written whole: name another place\n"

# what stands behind the command in a shell -> exit code, what stderr (where there is one) holds
CASES = {
    ("--help", ">/dev/full"): (2, FULL),
    ("--version", ">/dev/full"): (2, FULL),
    ("check HOME", ">/dev/full"): (2, FULL),
    ("check HOME --json", ">/dev/full"): (2, FULL),
    ("schema scenario", ">/dev/full 2>/dev/full"): (2, ""),
    ("--help", ">&-"): (0, ""),
    ("check HOME", ">&-"): (0, ""),
    ("check HOME", "2>&-"): (0, ""),
    ("check HOME", "<&- >&- 2>&-"): (0, ""),
    ("check nowhere", "2>&-"): (2, ""),
    ("check nowhere", "2>/dev/full"): (2, ""),
    ("check", "2>/dev/full"): (2, ""),
    ("check nowhere", ">&- 2>&-"): (2, ""),
    ("compare HOME --no-cache", ">&- 2>&-"): (0, ""),
    ("schema scenario", "| head -c 10 >/dev/null"): (0, ""),
}


@pytest.mark.parametrize(("command", "streams"), CASES)
def test_a_stream_that_fails(command: str, streams: str, tmp_path: Path) -> None:
    home = small_home().write(tmp_path).parent
    line = f"{sys.executable} -m dispatch {command.replace('HOME', str(home))} {streams}"
    done = subprocess.run(
        [BASH, "-o", "pipefail", "-c", line], capture_output=True, text=True, check=False, env=environment()
    )
    assert (done.returncode, done.stderr) == CASES[command, streams]


def test_no_file_takes_the_place_of_a_stream_that_was_closed(tmp_path: Path) -> None:
    """Whatever is opened first would be given the number of stdout: the solver's own words would go there."""
    home = small_home().write(tmp_path).parent
    before = {path.name: path.read_bytes() for path in home.iterdir()}
    line = f"{sys.executable} -m dispatch compare {home} --no-cache --csv {tmp_path / 'out'} <&- >&- 2>&-"
    done = subprocess.run([BASH, "-c", line], check=False, env=environment())
    assert done.returncode == 0
    assert {path.name: path.read_bytes() for path in home.iterdir() if path.is_file()} == before
    tables = list((tmp_path / "out").glob("*.csv"))
    assert tables
    assert all(path.read_text().startswith("time,") for path in tables)
