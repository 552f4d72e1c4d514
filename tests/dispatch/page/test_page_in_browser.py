"""The page in a real browser, from a file, without network: what is picked changes the figures to those of the JSON."""

from __future__ import annotations

import math
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

import axe_playwright_python
import pandas as pd
import pytest
from homes.browser import browser
from homes.small_home import small_home

from dispatch import door
from dispatch.advice.recommend import recommend
from dispatch.exports.outcome import step_table
from dispatch.formats import format_hours, format_moment, format_money, format_number
from dispatch.safety.answers import answer_for

if TYPE_CHECKING:
    from collections.abc import Iterator

    from playwright.sync_api import Page

    from dispatch.case.case import Case

AXE = Path(axe_playwright_python.__file__).parent / "axe.min.js"


@cache
def home() -> Case:
    return small_home().case()


@pytest.fixture(scope="module")
def traced() -> door.Traced:
    return door.frontier(home())


@pytest.fixture(scope="module")
def opened(traced: door.Traced, tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Page, list[str]]]:
    file = tmp_path_factory.mktemp("page") / "page.html"
    traced.write_page(file)
    said: list[str] = []
    with browser() as chromium:
        context = chromium.new_context(offline=True, viewport={"width": 1280, "height": 900})
        page = context.new_page()
        page.on("console", lambda message: said.append(f"console: {message.text}"))
        page.on("pageerror", lambda error: said.append(f"error: {error}"))
        page.on("request", lambda request: said.append(request.url) if request.url != file.as_uri() else None)
        page.goto(file.as_uri())
        yield page, said


def text_of(page: Page, selector: str) -> str:
    return " ".join((page.text_content(selector) or "").split())


def panel(page: Page) -> dict[str, str]:
    names, values = (page.locator(f"#level {tag}").all_text_contents() for tag in ("dt", "dd"))
    return dict(zip(names, values, strict=True))


def setting_of(level: dict[str, Any]) -> dict[str, str]:
    currency = home().currency
    return {
        "Bill": format_money(level["bill"], currency),
        "Wear": format_money(level["wear"], currency),
        "Bill + wear": format_money(level["compared_cost"], currency),
        "Fewest hours": f"{format_hours(level['least_hours'])} h",
    }


def test_a_picked_point_and_a_picked_row_show_their_level(
    opened: tuple[Page, list[str]], traced: door.Traced
) -> None:
    page, said = opened
    levels = [level["as_set"] for level in traced.document()["levels"] if level["as_set"]]
    different = list({(each["strategy"], each["reserve_percent"]): each for each in levels}.values())
    assert len(different) > 4
    chosen = recommend(home()).chosen
    assert panel(page)["Bill + wear"] == format_money(chosen.compared_cost, home().currency)
    before = panel(page)
    # a point, with the mouse
    last = different[-1]
    row = page.locator(f'#levels tr[data-setting="{last["strategy"]} {last["reserve_percent"]}"]')
    at = row.locator("input").get_attribute("value")
    page.locator(f'#chart-safety [data-level="{at}"]').click()
    assert panel(page).items() >= setting_of(last).items()
    assert panel(page) != before
    assert f"never below {last['reserve_percent']:g} %" in text_of(page, "#level")
    # its neighbour, with the keyboard alone
    page.locator(f'#levels input[value="{at}"]').focus()
    page.keyboard.press("ArrowUp")
    assert page.locator("#levels tr.picked").count() == 1
    assert panel(page).items() >= setting_of(different[-2]).items()
    assert said == []


def test_a_picked_date_shows_that_day(opened: tuple[Page, list[str]]) -> None:
    page, said = opened
    run = recommend(home()).chosen
    table = step_table(run)
    for date in ("2025-11-02", "2025-11-01"):  # the first has 25 hours
        page.fill("#day-date", date)
        day = table[table["time"].str.startswith(date)]
        load = (day["load_kwh"] + day["other_kwh"] + day["idle_kwh"]).sum()
        words = text_of(page, "#day-words")
        # each step is embedded to the Wh, so that a day of 25 may be out by 0.0125 kWh
        told = [float(word) for word in words.split() if word.replace(".", "").isdigit() and "." in word]
        expected = [load, day["sun_kwh"].sum(), day["import_kwh"].sum(), day["export_kwh"].sum()]
        assert told[:4] == pytest.approx(expected, abs=0.018)
        assert told[-1] == pytest.approx(day["stored_kwh"].min(), abs=0.006)
        if page.locator("#day-details").get_attribute("open") is None:
            page.locator("#day-details summary").click()
        rows = page.locator("#day-table tbody tr")
        rows.nth(len(day) - 1).wait_for(state="attached")  # opening tells the page in its own time
        assert rows.count() == len(day)
        level = rows.nth(7).locator("td").nth(8).inner_text()
        assert level == format_number(round(float(day["stored_kwh"].iloc[7]), 3), 2)
    page.locator("#day-on").click()
    assert "Sun 2 Nov 2025" in text_of(page, "#day-words")
    assert said == []


def test_a_picked_outage_hour_lasts_what_backup_says(opened: tuple[Page, list[str]]) -> None:
    page, said = opened
    run = recommend(home()).chosen
    for date, label, moment in (
        ("2025-11-01", "18:00", "2025-11-01T18:00-03:00"),
        ("2025-11-02", "00:00", "2025-11-02T00:00-03:00"),
        ("2025-11-02", "01:00 (again)", "2025-11-02T01:00-04:00"),
        ("2025-11-02", "22:00", "2025-11-02T22:00-04:00"),
    ):
        page.fill("#out-date", date)
        page.select_option("#out-hour", label=label)
        answer = door.backup(home(), at=moment).document()["answer"]
        kinds = {"critical": "least", "critical_sun": "least_with_sun", "all": "least_all"}
        for kind, key in kinds.items():
            told = page.locator(f'#out-table tr[data-kind="{kind}"] td').first.inner_text()
            assert told == format_hours(answer[key], run.case.limits.backup_horizon_hours), (moment, kind)
        fails = pd.Timestamp(moment).tz_convert("America/Halifax")
        assert f"The grid fails {format_moment(fails)}" in text_of(page, "#out-words")
        # the hours are embedded in hundredths, rounded down
        dark = fails + pd.Timedelta(hours=math.floor(answer["least"] * 100 + 1e-6) / 100)
        told = page.locator('#out-table tr[data-kind="critical"] td').nth(1).inner_text()
        assert told.removesuffix(" (again)") == format_moment(dark), moment
        assert f"with {answer['stored_kwh'][0]:.2f} kWh" in text_of(page, "#out-words")
    assert answer_for(run, "2025-11-02T22:00-04:00").least == answer["least"]
    page.select_option("#out-span", "6")
    assert "for 6 h" in text_of(page, "#out-words")
    assert said == []


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_no_serious_finding_of_accessibility_and_no_sideways_scrolling(
    scheme: str, opened: tuple[Page, list[str]]
) -> None:
    page, said = opened
    page.emulate_media(color_scheme="dark" if scheme == "dark" else "light")
    page.set_viewport_size({"width": 390, "height": 844})
    assert page.evaluate("document.documentElement.scrollWidth") == 390
    page.evaluate(AXE.read_text(encoding="utf-8"))
    found = page.evaluate("axe.run()")
    assert len(found["passes"]) > 20  # the rules were run
    serious = [(each["id"], each["nodes"][0]["target"]) for each in found["violations"]]
    assert serious == []
    assert said == []


def test_paper_shows_every_table_and_keeps_its_width(opened: tuple[Page, list[str]]) -> None:
    page, said = opened
    page.emulate_media(media="print", color_scheme="dark")
    page.evaluate("dispatchEvent(new Event('beforeprint'))")
    assert page.locator("details:not([open])").count() == 0
    assert page.locator("#day-table tbody tr").count() > 20
    assert page.evaluate("getComputedStyle(document.body).backgroundColor") == "rgb(255, 255, 255)"
    page.evaluate("dispatchEvent(new Event('afterprint'))")
    page.emulate_media(media="screen")
    assert said == []


@pytest.mark.parametrize(("ci", "outcome"), [("true", pytest.fail.Exception), ("", pytest.skip.Exception)])
def test_a_missing_browser_is_said_and_fails_in_ci(
    ci: str, outcome: type[BaseException], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("CI", ci)
    monkeypatch.setattr("shutil.which", lambda _name: None)
    with pytest.raises(outcome, match="apt-get install chromium"), browser():
        pass
