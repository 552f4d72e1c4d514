"""Measure the page of a shipped home, after imports: python tests/benchmarks/page.py [--home quay-loft] [--repeats 3].

Writing is CPU time from a recommendation that is made already; the first paint is what headless Chromium itself
reports, with no network, and is left out where there is no browser.
"""

from __future__ import annotations

import argparse
import shutil
import tempfile
import time
from pathlib import Path

from homes.browser import FLAGS, NAMES

from dispatch.advice.recommend import recommend
from dispatch.case.case import load_scenario
from dispatch.page.facts import Found
from dispatch.page.render import page
from dispatch.safety.answers import quick_answers

SCENARIOS = Path(__file__).parents[2] / "scenarios"
PAINTED = "performance.getEntriesByName('first-contentful-paint').map(each => each.startTime)"


def main() -> None:
    """Print the shortest of several runs."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--home", default="quay-loft")
    parser.add_argument("--repeats", type=int, default=3)
    asked = parser.parse_args()
    advice = recommend(load_scenario(SCENARIOS / asked.home / "scenario.toml"))
    found = Found(advice, quick_answers(advice), advice.chosen)
    seconds = []
    for _ in range(asked.repeats):
        started = time.process_time()
        text = page(found)
        seconds.append(time.process_time() - started)
    print(f"page of {asked.home}: {min(seconds):.2f} s CPU, {len(text.encode()) / 1e6:.2f} MB")
    path = next(filter(None, map(shutil.which, NAMES)), None)
    print("no browser" if path is None else first_paint(text, path, asked.repeats))


def first_paint(text: str, path: str, repeats: int) -> str:
    """Open the page in contexts of their own and tell the soonest and the latest first paint."""
    from playwright.sync_api import sync_playwright  # noqa: PLC0415 - only where there is a browser

    painted: list[float] = []
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as driver:
        file = Path(folder) / "page.html"
        file.write_text(text, encoding="utf-8")
        started = driver.chromium.launch(executable_path=path, chromium_sandbox=False, args=list(FLAGS))
        for _ in range(repeats):
            opened = started.new_context(offline=True, viewport={"width": 390, "height": 844}).new_page()
            opened.goto(file.as_uri())
            opened.wait_for_function(f"{PAINTED}.length > 0")
            painted += opened.evaluate(PAINTED)
        started.close()
    return f"first paint: {min(painted):.0f} to {max(painted):.0f} ms"


if __name__ == "__main__":
    main()
