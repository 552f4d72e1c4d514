"""The page as a file: valid, alone, safe with any name, and its figures those of the JSON."""

from __future__ import annotations

import dataclasses
import json
import re
from functools import cache
from typing import TYPE_CHECKING, Any

import html5lib
import numpy as np
import pytest
from homes.shipped import shipped_case
from homes.small_home import small_home
from terminal import run as command

from dispatch.advice.recommend import Recommendation, recommend
from dispatch.door import Compared, Traced, compare
from dispatch.errors import DispatchError
from dispatch.exports.outages import frontier_document
from dispatch.page import render
from dispatch.page.facts import Found, level_rows, map_rows, month_rows
from dispatch.page.fill import MOST_BYTES
from dispatch.page.render import page
from dispatch.page.series import MOST_STEPS, calendar, day_series, outage_series, slot_starts
from dispatch.safety.answers import answer_for, quick_answers
from dispatch.safety.frontier import frontier, ladder
from dispatch.safety.study import month_hour
from dispatch.words.advice import monthly_savings

if TYPE_CHECKING:
    from pathlib import Path

    from dispatch.outcome import Outcome

HOSTILE = "<script>alert('x')</script> & <img src=x onerror=alert(1)>"


@cache
def advised() -> Recommendation:
    return recommend(small_home().case())


@cache
def year() -> Recommendation:
    return recommend(shipped_case("quay-loft"))


def found(advice: Recommendation) -> Found:
    return Found(advice, quick_answers(advice), advice.chosen)


def embedded(text: str) -> dict[str, Any]:
    match = re.search(r'<script type="application/json" id="data">(.*?)</script>', text, re.DOTALL)
    assert match is not None
    data: dict[str, Any] = json.loads(match[1])
    return data


def test_the_page_is_valid_html_and_needs_nothing_else() -> None:
    text = page(found(advised()))
    html5lib.HTMLParser(strict=True).parse(text)
    # nothing that fetches: the only addresses are places on the page and the name space of SVG
    assert re.findall(r'(?:src|href)="([^#"][^"]*)"', text) == []
    assert set(re.findall(r"https?://[^\s\"']+", text)) == {"http://www.w3.org/2000/svg"}
    assert "default-src 'none'" in text
    ids = re.findall(r'\sid="([^"]+)"', text)
    assert len(ids) == len(set(ids))
    assert set(re.findall(r'href="#([^"]+)"', text)) <= set(ids)


def test_a_validator_would_object_to_a_broken_page() -> None:
    with pytest.raises(html5lib.html5parser.ParseError):
        html5lib.HTMLParser(strict=True).parse(page(found(advised())).replace("</section>", "", 1))


def test_names_with_markup_stay_text() -> None:
    draft = small_home(days=2, name=HOSTILE)
    draft = dataclasses.replace(draft, tariff={**draft.tariff, "name": HOSTILE})
    text = page(found(recommend(draft.case())))
    tree = html5lib.HTMLParser(strict=True, namespaceHTMLElements=False).parse(text)
    assert tree.find(".//h1").text == HOSTILE
    assert tree.find(".//img") is None
    assert len(tree.findall(".//script")) == 2
    assert embedded(text)["currency"] == "CAD"


def test_a_year_stays_below_the_limit_and_one_too_long_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    text = page(found(year()))
    assert len(text.encode()) < MOST_BYTES / 4
    monkeypatch.setattr(render, "MOST_BYTES", 10_000)
    with pytest.raises(DispatchError, match=r"--html: 97 steps make a page of .* give it fewer years"):
        page(found(advised()))


def test_months_split_by_price_add_up_to_what_is_saved() -> None:
    for advice in (advised(), year()):
        months = month_rows(found(advice))
        saved = monthly_savings(advice, advice.chosen)
        assert [sum(row["parts"]) for row in months["rows"]] == pytest.approx(list(saved.values()), abs=1e-9)
        assert sum(saved.values()) == pytest.approx(
            advice.chosen.saving - (advice.chosen.stored_change_value or 0.0), abs=1e-6
        )
        # each price's part, worked out again from the two meters: these tariffs have prices per step alone
        prices, run = advice.case.prices, advice.chosen
        net = (advice.no_system.flows["import"] - run.flows["import"]) * prices.import_price_per_kwh
        net += run.flows["export"] * prices.export_price_per_kwh
        for band, name in enumerate(prices.band_names):
            at = months["names"].index(name)
            parts = sum(row["parts"][at] for row in months["rows"])
            assert parts == pytest.approx(float(net[prices.band == band].sum()), abs=1e-9)


def test_levels_without_plans_are_those_of_the_frontier() -> None:
    advice = advised()
    traced = frontier(advice, ladder(advice.case, "hours"))
    document = frontier_document(traced)
    as_set = [level["as_set"] for level in document["levels"] if level["as_set"]]
    for facts in (found(advice), Found(advice, quick_answers(advice), advice.chosen, frontier=traced)):
        rows = level_rows(facts)
        told = {(row["strategy"], row["reserve_percent"]): row for row in rows}
        assert len(told) == len(rows)
        for level in as_set:
            row = told[level["strategy"], level["reserve_percent"]]
            assert row["cost"] == level["compared_cost"]
            assert row["least"] == level["least_hours"]
        assert sum(row["set"] for row in rows) == 1
        assert all(
            row["card"][0]["rows"][0][2] == f"never below {row['reserve_percent']:g} %" for row in rows
        )


def packed_day(run: Outcome, date: str) -> dict[str, float]:
    days = day_series(run)
    first = next(slot for day, slot in days["days"] if day == date)
    count = len(days["odd"].get(date, days["usual"]))
    names = ("load", "sun", "bought", "sold", "charged", "given")
    return {name: sum(days[name][first : first + count]) / 1000 for name in names}


def test_a_day_holds_what_the_flows_hold() -> None:
    run = year().chosen
    steps = run.case.times.strftime("%Y-%m-%d") == "2025-07-09"
    flows, case = run.flows.frame[steps], run.case
    told = packed_day(run, "2025-07-09")
    assert told["load"] == pytest.approx(
        (case.load_kwh + case.other_kwh + case.idle_kwh)[steps].sum(), abs=0.012
    )
    assert told["bought"] == pytest.approx(flows["import_kwh"].sum(), abs=0.012)
    assert told["given"] == pytest.approx(
        flows[["battery_to_load_kwh", "battery_to_grid_kwh"]].to_numpy().sum(), abs=0.012
    )


def test_days_on_which_the_clocks_change_have_their_own_hours() -> None:
    case = small_home(step_minutes=15).case()  # 2 Nov 2025, Halifax: 01:00 comes twice
    hours = calendar(case, slot_starts(case, hours=True))
    assert hours["odd"]["2025-11-02"][:4] == ["00:00", "01:00", "01:00", "02:00"]
    assert len(hours["usual"]) == 24
    assert hours["slots"] == 4 * 24 + 1
    steps = calendar(case, slot_starts(case, hours=False))
    assert len(steps["odd"]["2025-11-02"]) == 100
    assert [day for day, _ in hours["days"]] == [day for day, _ in steps["days"]]


def test_an_outage_of_any_hour_lasts_what_backup_answers() -> None:
    run = year().chosen
    packed = outage_series(run)
    assert len(packed["critical"]) == 8760
    for at in (0, 1, 1999, 4321, 8759):
        moment = run.case.times[at].strftime("%Y-%m-%dT%H:%M%z")
        answer = answer_for(run, moment[:-2] + ":" + moment[-2:])
        assert packed["level"][at] == round(answer.stored_kwh[0] * 1000)
        for name, hours in (
            ("critical", answer.least),
            ("critical_sun", answer.least_with_sun),
            ("all", answer.least_all),
        ):
            assert packed[name][at] == int(hours * 100 + 1e-6), (at, name)
    worst = packed["critical"][packed["worst"]]
    assert worst == min(packed["critical"])


def test_a_period_that_does_not_repeat_knows_nothing_of_its_first_moment() -> None:
    run = recommend(small_home(repeats=False).case()).chosen
    packed = outage_series(run)
    assert packed["critical"][0] == -1
    assert min(packed["critical"][1:]) >= 0


def test_more_steps_than_a_page_takes_are_summed_to_hours(monkeypatch: pytest.MonkeyPatch) -> None:
    run = recommend(small_home(step_minutes=15).case()).chosen
    fine = day_series(run)
    assert not fine["summed"]
    assert len(run.case.times) < MOST_STEPS
    monkeypatch.setattr("dispatch.page.series.MOST_STEPS", 100)
    coarse = day_series(run)
    assert coarse["summed"]
    assert len(coarse["load"]) == 97
    for name in ("load", "bought", "given"):
        assert sum(coarse[name]) == pytest.approx(sum(fine[name]), abs=0.5 * len(fine[name]))
    assert coarse["level"][-1] == fine["level"][-1]
    assert coarse["level"][10] in fine["level"]


def test_the_map_says_what_the_months_hold() -> None:
    run = year().chosen
    backup = run.backup
    assert backup is not None
    table = month_hour(run.case, backup.hours)
    rows = map_rows(table, run.case.limits.backup_horizon_hours)
    assert [row["hour"] for row in rows][::23] == ["00", "23"]
    assert rows[20]["fewest"][0][0] == str(int(np.floor(table.least[0, 20] + 1e-6)))
    assert max(shade for row in rows for _, shade in row["usual"]) == 5


def test_a_home_nothing_serves_says_so_first() -> None:
    home = small_home(inverter={"bypass_w": 150, "continuous_w": 1400}, charging={"grid_w": 200})
    advice = recommend(home.case())
    assert not advice.answers
    text = page(found(advice))
    html5lib.HTMLParser(strict=True).parse(text)
    assert text.index("No strategy serves the whole load") < text.index("What to enter")
    assert "It saves" not in text


def test_the_commands_write_the_page(tmp_path: Path) -> None:
    scenario = small_home(days=2).write(tmp_path)
    for words in (("compare",), ("backup", "--strategy", "reserve-first"), ("frontier",)):
        file = tmp_path / "out" / f"{words[0]}.html"
        done = command(words[0], scenario, *words[1:], "--html", file)
        assert done.returncode == 0, done.stderr
        html5lib.HTMLParser(strict=True).parse(file.read_text(encoding="utf-8"))
    assert "Planned" in (tmp_path / "out" / "compare.html").read_text(encoding="utf-8")
    assert ">Bound<" in (tmp_path / "out" / "frontier.html").read_text(encoding="utf-8")
    asked = (tmp_path / "out" / "backup.html").read_text(encoding="utf-8")
    assert "as asked for; what to set is above" in asked
    assert "a plan with foresight" not in asked
    planned = tmp_path / "out" / "planned.html"
    assert command("backup", scenario, "--planned", "--html", planned).returncode == 0
    assert planned.read_text(encoding="utf-8").count("(a plan with foresight, the bound)") >= 4
    assert not list((tmp_path / "out").glob(".*"))


def test_every_result_with_a_page_writes_the_same_home(tmp_path: Path) -> None:
    case = small_home(days=2).case()
    advice = recommend(case)
    compared = compare(case)
    assert isinstance(compared, Compared)
    traced = Traced(found=frontier(advice, ladder(case, "hours")))
    levels = [embedded(result.page())["levels"] for result in (compared, traced)]
    assert [row["cost"] for row in levels[0]] == [row["cost"] for row in levels[1]]
    compared.write_page(tmp_path / "page.html")
    assert (tmp_path / "page.html").read_text(encoding="utf-8") == compared.page()
