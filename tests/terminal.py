"""A screen as text, and a command in a process of its own."""

from __future__ import annotations

import io
import os
import subprocess
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from rich.console import Console

if TYPE_CHECKING:
    from rich.console import RenderableType

ROOT = Path(__file__).parents[1]


def rendered(renderable: RenderableType, encoding: str = "utf-8") -> str:
    """Print on an 80-column page without colour, in an encoding that may lack letters."""
    file = io.TextIOWrapper(io.BytesIO(), encoding=encoding)
    Console(file=file, width=80, color_system=None, legacy_windows=False, _environ={}).print(renderable)
    file.seek(0)
    return file.read()


def run(*arguments: str | Path) -> subprocess.CompletedProcess[str]:
    """Run ``dispatch`` with neither terminal nor colour settings."""
    words = [sys.executable, "-m", "dispatch", *map(str, arguments)]
    kept = {
        name: value
        for name, value in os.environ.items()
        if name not in {"NO_COLOR", "FORCE_COLOR", "COLUMNS"}
    }
    environment = {**kept, "PYTHONPATH": str(ROOT)}
    return subprocess.run(words, capture_output=True, text=True, check=False, env=environment)
