"""The pages of a fleet and of many years: valid, alone, safe with any name, figures those of the JSON, in a browser."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import TYPE_CHECKING, Any

import axe_playwright_python
import html5lib
import numpy as np
import pytest
from homes.browser import browser
from homes.fleet_homes import different_homes, write_homes
from homes.small_home import small_home
from terminal import run as command

from dispatch.door import FleetRun, YearsRun, fleet, years
from dispatch.fleet.summary import Bars
from dispatch.formats import format_number

if TYPE_CHECKING:
    from collections.abc import Iterator

    from playwright.sync_api import Page

AXE = Path(axe_playwright_python.__file__).parent / "axe.min.js"

HOSTILE = "a<script>alert(1)</script>"


@pytest.fixture(scope="module")
def ran(tmp_path_factory: pytest.TempPathFactory) -> FleetRun:
    """Five homes of two currencies, one of them in a folder whose name holds markup; a sixth cannot be read."""
    place = tmp_path_factory.mktemp("group")
    homes = write_homes(place / "homes", ("plain", "no-sun", "yen", "once"))
    different_homes()["no-taper"].write(homes / HOSTILE.replace("/", "_"))
    (homes / "spoilt").mkdir()
    (homes / "spoilt" / "scenario.toml").write_text(f'name = "{HOSTILE}"\n', encoding="utf-8")
    return fleet(homes, place / "out", workers=0)


@pytest.fixture(scope="module")
def found(tmp_path_factory: pytest.TempPathFactory) -> YearsRun:
    return years(small_home().write(tmp_path_factory.mktemp("home")), drawn=3)


@pytest.fixture(params=["fleet", "years"])
def text(request: pytest.FixtureRequest, ran: FleetRun, found: YearsRun) -> str:
    return ran.page() if request.param == "fleet" else found.page()


def embedded(text: str) -> dict[str, Any]:
    match = re.search(r'<script type="application/json" id="data">(.*?)</script>', text, re.DOTALL)
    assert match is not None
    data: dict[str, Any] = json.loads(match[1])
    return data


def test_the_page_is_valid_html_and_needs_nothing_else(text: str) -> None:
    html5lib.HTMLParser(strict=True).parse(text)
    assert re.findall(r'(?:src|href)="([^#"][^"]*)"', text) == []
    assert set(re.findall(r"https?://[^\s\"']+", text)) == {"http://www.w3.org/2000/svg"}
    assert "default-src 'none'" in text
    ids = re.findall(r'\sid="([^"]+)"', text)
    assert len(ids) == len(set(ids))
    assert set(re.findall(r'href="#([^"]+)"', text)) <= set(ids)


def test_names_with_markup_stay_text(ran: FleetRun) -> None:
    text = ran.page()
    assert "<script>alert" not in text
    assert "spoilt" in text
    assert "1 refused" in text


def test_the_figures_are_those_of_the_document(ran: FleetRun) -> None:
    text, document = ran.page(), ran.document()
    groups = document["groups"]
    assert [group["currency"] for group in groups] == ["CAD", "JPY"]
    for group, drawn in zip(groups, embedded(text)["groups"], strict=True):
        assert drawn["saving"]["homes"] == group["saving_bars"]["homes"]
        assert sum(drawn["hours"]["homes"]) == group["homes"]
        assert drawn["month"] == group["load"]["peak_after"]["month"] - 1
        for name in ("before", "after", "staggered"):
            np.testing.assert_allclose(drawn["load"][name], group["load"][name], atol=1e-4)
        total = sum(sum(winner["reserves"].values()) for winner in drawn["winners"])
        assert total == group["homes"]
        assert format_number(group["load"]["peak_after"]["kw"], 1) in text
        places = 0 if group["currency"] == "JPY" else 2
        assert format_number(group["saving_per_year"]["median"], places) in text


def test_years_show_every_year(found: YearsRun) -> None:
    text, document = found.page(), found.document()
    for year, drawn in zip(document["years"], embedded(text)["years"], strict=True):
        assert (year["name"], year["saving"], year["bound_saving"]) == (
            drawn["name"],
            drawn["saving"],
            drawn["bound"],
        )
        assert f">{format_number(year['saving'], 2)}</td>" in text


@pytest.mark.parametrize(
    ("values", "edges", "homes"),
    [
        ([3.0], [3.0, 3.1], [1]),
        ([-30.0, -1.0, 0.0, 1.0, 59.0], [-30.0, -20.0, -10.0, 0.0, 10.0], None),
        (list(range(1000)), [0.0, 100.0], None),
    ],
)
def test_bars_begin_at_round_numbers_and_count_every_home(
    values: list[float], edges: list[float], homes: list[int] | None
) -> None:
    found = Bars.of(values)
    assert sum(found.homes) == len(values)
    assert len(found.edges) == len(found.homes) + 1
    assert found.edges[0] <= edges[0] + 1e-9
    assert set(edges[:1] if homes is None else edges) <= {edges[0], *found.edges}
    if min(values) < 0 < max(values):
        assert 0.0 in found.edges
        assert sum(n for n, edge in zip(found.homes, found.edges, strict=False) if edge < 0) == sum(
            value < 0 for value in values
        )
    if homes is not None:
        assert list(found.homes) == homes


def test_the_commands_write_the_page(tmp_path: Path) -> None:
    homes = write_homes(tmp_path / "homes", ("plain",))
    page = tmp_path / "page.html"
    done = command("fleet", homes, "--out", tmp_path / "out", "--workers", "0", "--html", page)
    assert done.returncode == 0, done.stderr
    assert "1 home, 1 with a setting" in page.read_text(encoding="utf-8")
    done = command("years", homes / "plain", "--drawn", "2", "--as-set-only", "--html", page)
    assert done.returncode == 0, done.stderr
    assert "2 spans of 4 days under" in page.read_text(encoding="utf-8")


# ---- in a browser ------------------------------------------------------------------------------------------
@pytest.fixture(scope="module")
def opened(
    ran: FleetRun, found: YearsRun, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[tuple[dict[str, Page], list[str]]]:
    place, said = tmp_path_factory.mktemp("pages"), list[str]()
    results = {"fleet": ran, "years": found}
    with browser() as chromium:
        pages = {}
        for name, result in results.items():
            file = place / f"{name}.html"
            result.write_page(file)
            page = chromium.new_context(offline=True, viewport={"width": 1280, "height": 900}).new_page()
            page.on("console", lambda message: said.append(f"console: {message.text}"))
            page.on("pageerror", lambda error: said.append(f"error: {error}"))
            page.goto(file.as_uri())
            pages[name] = page
        yield pages, said


@pytest.mark.parametrize("name", ["fleet", "years"])
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_nothing_to_object_to_at_the_width_of_a_phone(
    name: str, scheme: str, opened: tuple[dict[str, Page], list[str]]
) -> None:
    pages, said = opened
    page = pages[name]
    page.emulate_media(color_scheme="dark" if scheme == "dark" else "light")
    page.set_viewport_size({"width": 390, "height": 844})
    assert page.evaluate("document.documentElement.scrollWidth") == 390
    page.evaluate(AXE.read_text(encoding="utf-8"))
    found = page.evaluate("axe.run()")
    assert len(found["passes"]) > 20  # the rules were run
    assert [(each["id"], each["nodes"][0]["target"]) for each in found["violations"]] == []
    assert said == []


def test_a_picked_month_shows_its_day(opened: tuple[dict[str, Page], list[str]], ran: FleetRun) -> None:
    pages, said = opened
    page, load = pages["fleet"], ran.summary.groups[0].load
    picked = page.locator("#month-0").input_value()
    assert int(picked) == load.peak_after.month - 1
    other = next(month for month in (9, 10) if str(month) != picked)  # the homes' data: October, November
    before = page.locator("#day-0 > svg").get_attribute("aria-label")
    page.select_option("#month-0", str(other))
    assert page.locator("#day-0 > svg").get_attribute("aria-label") != before
    peak = format_number(float(load.after[other].max()), 3)
    told = page.locator("#day-0 > svg text.strong").last.text_content() or ""
    assert float(told) == pytest.approx(float(peak.replace(",", "")), abs=0.001)
    assert page.locator("#months-1 > svg rect").count() == 36
    assert said == []


def test_paper_opens_every_table(opened: tuple[dict[str, Page], list[str]]) -> None:
    pages, said = opened
    page = pages["fleet"]
    page.emulate_media(media="print")
    page.evaluate("dispatchEvent(new Event('beforeprint'))")
    assert page.locator("details:not([open])").count() == 0
    page.evaluate("dispatchEvent(new Event('afterprint'))")
    page.emulate_media(media="screen")
    assert said == []
