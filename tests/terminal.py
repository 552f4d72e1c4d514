"""A screen as text, a command in this process, and a command in a process of its own."""

from __future__ import annotations

import io
import os
import subprocess
import sys
from contextlib import redirect_stderr, redirect_stdout
from pathlib import Path
from typing import TYPE_CHECKING
from unittest import mock

from rich.console import Console

from dispatch.__main__ import main

if TYPE_CHECKING:
    from rich.console import RenderableType

ROOT = Path(__file__).parents[1]
COMMAND = (sys.executable, "-m", "dispatch")
SETTINGS = ("NO_COLOR", "FORCE_COLOR", "COLUMNS")  # of whoever runs the tests; no test may depend on them


def rendered(renderable: RenderableType, encoding: str = "utf-8") -> str:
    """Print on an 80-column page without colour, in an encoding that may lack letters."""
    file = io.TextIOWrapper(io.BytesIO(), encoding=encoding)
    Console(file=file, width=80, color_system=None, legacy_windows=False, _environ={}).print(renderable)
    file.seek(0)
    return file.read()


def environment(**changes: str) -> dict[str, str]:
    """Return the variables of this process without settings of its terminal, and with what is changed."""
    kept = {name: value for name, value in os.environ.items() if name not in SETTINGS}
    return {**kept, "PYTHONPATH": str(ROOT), **changes}


def run(*arguments: str | Path) -> subprocess.CompletedProcess[str]:
    """Run ``dispatch`` in this process, on pipes: the same entry, exit code and streams, without loading pandas anew.

    A warning raised on the way is an error here, as in every test.
    """
    words = list(map(str, arguments))
    out, err = (io.TextIOWrapper(io.BytesIO(), encoding="utf-8") for _ in range(2))
    with (
        mock.patch.dict(os.environ, environment(), clear=True),
        mock.patch.object(sys, "argv", ["dispatch", *words]),
        redirect_stdout(out),
        redirect_stderr(err),
    ):
        try:
            main()
            code: object = 0
        except SystemExit as left:
            code = left.code or 0
    assert isinstance(code, int), code
    return subprocess.CompletedProcess(words, code, *map(_text, (out, err)))


def _text(stream: io.TextIOWrapper) -> str:
    stream.seek(0)
    return stream.read()


def spawn(*arguments: str | Path, **changes: str) -> subprocess.CompletedProcess[str]:
    """Run ``dispatch`` in a process of its own, for what only a process has: pipes, an encoding, native output."""
    words = [*COMMAND, *map(str, arguments)]
    return subprocess.run(words, capture_output=True, text=True, check=False, env=environment(**changes))
