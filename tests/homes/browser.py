"""The system's own Chromium, without network: one browser for as many pages as a test opens."""

from __future__ import annotations

import os
import shutil
from contextlib import contextmanager
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from collections.abc import Iterator

    from playwright.sync_api import Browser

NAMES = ("chromium", "chromium-browser")
FLAGS = (
    "--disable-gpu",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)


@contextmanager
def browser() -> Iterator[Browser]:
    """Start the browser and close it again; where there is none skip, but fail in CI."""
    path = next(filter(None, map(shutil.which, NAMES)), None)
    if path is None:
        message = "no Chromium to drive the page in: apt-get install chromium"
        if os.environ.get("CI") == "true":
            pytest.fail(message)
        pytest.skip(message)
    from playwright.sync_api import sync_playwright  # noqa: PLC0415 - only where there is a browser

    with sync_playwright() as driver:
        started = driver.chromium.launch(executable_path=path, chromium_sandbox=False, args=list(FLAGS))
        try:
            yield started
        finally:
            started.close()
