"""A plan that was stopped, or never found, keeps nobody from the figures as set; it is said, never made up."""

from __future__ import annotations

import json
from contextlib import contextmanager
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import pytest
from homes.small_home import small_home
from homes.tariff_rich import HOURS_OF_USE
from rich.console import Group
from terminal import rendered

import dispatch
from dispatch.advice.recommend import recommend
from dispatch.comparison.compare import compare
from dispatch.errors import StoppedEarly
from dispatch.exports.comparison import comparison_document
from dispatch.exports.files import json_text
from dispatch.exports.outages import frontier_document
from dispatch.exports.settings import settings_document
from dispatch.fleet.years import _bound_saving
from dispatch.program import watch as watching
from dispatch.program.watch import Watch
from dispatch.report.compare import comparison_report
from dispatch.report.frontier import frontier_report
from dispatch.report.settings import settings_report
from dispatch.safety.answers import quick_answers
from dispatch.safety.frontier import frontier, ladder
from dispatch.search.study import study
from dispatch.strategies import solve as solving

if TYPE_CHECKING:
    from collections.abc import Iterator

    from homes.drafts import Draft

    from dispatch.case.case import Case
    from dispatch.comparison.compare import Comparison

HARD = "12 yes-or-no decisions (12 for blocks whose price falls, or counts for the whole amount) make it hard"


def hours_of_use() -> Draft:
    """A tariff that can be billed but that no program can state."""
    return replace(small_home(), tariff=HOURS_OF_USE)


@contextmanager
def stopped(monkeypatch: pytest.MonkeyPatch, *names: str, found: bool) -> Iterator[None]:
    """Let the search for these plans be stopped, with a schedule found or none."""
    real = solving._solve  # noqa: SLF001 - what is solved, not what is kept

    def solve(program: Any, strategy: Any, *rest: Any) -> Any:  # noqa: ANN401 - passed on
        if strategy.name in names and not found:
            raise StoppedEarly(f"the search was stopped before it had found a schedule; {HARD}")
        solved = real(program, strategy, *rest)
        return replace(solved, gap=0.1, unproven=1.25, hard=HARD) if strategy.name in names else solved

    monkeypatch.setattr(solving, "_solve", solve)
    yield
    monkeypatch.setattr(solving, "_solve", real)


def texts(case: Case) -> tuple[str, str, dict[str, Any], Comparison]:
    comparison = compare(case)
    quick = quick_answers(comparison.advice)
    document = json.loads(json_text(comparison_document(comparison, quick)))
    short, full = (rendered(comparison_report(comparison, quick, full=full)) for full in (False, True))
    return short, full, document, comparison


def of(document: dict[str, Any], name: str) -> dict[str, Any]:
    found: dict[str, Any] = next(each for each in document["strategies"] if each["name"] == name)
    return found


def flat(text: str) -> str:
    return " ".join(text.split())


def test_the_best_plan_found_is_shown_with_what_none_can_cost_less_than(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    case = small_home().case()
    _, _, plain, _ = texts(case)
    with stopped(monkeypatch, "least-cost", found=True):
        short, full, document, comparison = texts(case)
    best, bound = comparison.best_plan, comparison.bound
    assert best is not None
    assert bound == pytest.approx(best.compared_cost - 1.25)
    assert document["recommendation"] == plain["recommendation"]
    assert document["bound"] == pytest.approx(plain["bound"] - 1.25)
    assert document["bound_gap"] == pytest.approx(plain["bound_gap"] + 1.25)
    shown = of(document, "least-cost")
    assert (shown["status"], shown["stopped"], shown["hard"]) == ("best found", True, HARD)
    assert shown["least_possible"] == pytest.approx(shown["compared_cost"] - 1.25)
    assert of(plain, "least-cost")["status"] == "optimal"
    assert f"bound: none below {bound:,.2f}" in flat(short)
    assert f"Not proven: best plan found CAD {best.compared_cost:,.2f}" in short
    assert len(short.splitlines()) <= 24
    assert HARD in flat(full)
    assert "best yet" in full


def test_a_plan_that_was_not_found_is_said_and_has_no_figures(monkeypatch: pytest.MonkeyPatch) -> None:
    case = small_home().case()
    _, _, plain, _ = texts(case)
    with stopped(monkeypatch, "least-cost", "off-peak-first", found=False):
        short, full, document, comparison = texts(case)
    assert set(comparison.unplanned) == {"least-cost", "off-peak-first"}
    assert document["recommendation"] == plain["recommendation"]
    assert document["bound"] is document["bound_gap"] is None
    for name in ("least-cost", "off-peak-first"):
        shown = of(document, name)
        assert shown["status"] == "no plan"
        assert HARD in shown["why"]
        assert shown["compared_cost"] is shown["foresight_worth"] is None
        assert shown.keys() >= of(document, "grid-only").keys()
    assert of(document, "off-peak-first")["as_set"] == of(plain, "off-peak-first")["as_set"]
    assert of(document, "solar-first")["bill"] == of(plain, "solar-first")["bill"]
    assert "No plan of off-peak-first, least-cost. Why: --full" in short
    assert len(short.splitlines()) <= 24
    assert HARD in flat(full)
    assert "NO PLAN of" in flat(full)


def test_no_plan_at_all_is_no_refusal() -> None:
    case = hours_of_use().case()
    short, full, document, comparison = texts(case)
    assert comparison.planned == {}
    assert "SET " in short
    assert "multiply energy by power" in flat(full)
    assert document["recommendation"]["strategy"] == comparison.advice.strategy
    result = dispatch.compare(case)
    assert result.no_answer() is None
    assert "multiply energy by power" in result.page()


@pytest.mark.parametrize("found", [True, False])
def test_settings_are_found_without_a_bound(found: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    advice = recommend(small_home().case())
    with stopped(monkeypatch, "least-cost", found=found):
        made = study(advice)
    text = flat(rendered(settings_report(made)))
    document = settings_document(made)
    assert made.rules_cost is document["rules_cost"] is None
    names = [way.name for way in made.ways]
    assert ("best plan" in names) is found
    assert "bound" not in names
    assert HARD in text
    assert (document["unplanned"] is None) is found


@pytest.mark.parametrize("found", [True, False])
def test_levels_of_safety_keep_what_can_be_set(found: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    advice = recommend(small_home().case())
    rungs = ladder(advice.case, "hours")
    plain = frontier(advice, rungs)
    monkeypatch.setattr("dispatch.safety.frontier.serves", lambda *_: False)
    with stopped(monkeypatch, "least-cost", found=found):
        made = frontier(advice, rungs)
    set_before, set_now = ([run and run.name for run in each.settings] for each in (plain, made))
    assert set_now == set_before
    text = flat(rendered(Group(frontier_report(made, full=True))))
    first = frontier_document(made)["levels"][0]
    assert HARD in text
    if found:
        assert first["bound"] == pytest.approx(made.levels[0].plan.compared_cost - 1.25)
        assert "21 STOPPED" in text
    else:
        assert first["bill_and_wear"] is first["bound"] is first["bill"]["total"] is None
        assert first["status"] == "no plan"
        assert "NO PLAN at 21" in text
        assert made.knee is None
        assert not any(made.prices)
        with pytest.raises(StoppedEarly):
            made.levels[0].plan  # noqa: B018 - it is asked for


def test_the_levels_of_a_frontier_share_what_a_search_may_take(monkeypatch: pytest.MonkeyPatch) -> None:
    seen: list[float] = []
    monkeypatch.setattr("dispatch.safety.frontier.serves", lambda *_: False)
    real = solving.solve

    def solve(*given: Any, **named: Any) -> Any:  # noqa: ANN401 - passed on
        seen.append(Watch.limit_seconds)
        return real(*given, **named)

    monkeypatch.setattr("dispatch.safety.levels.solve", solve)
    advice = recommend(small_home().case())
    frontier(advice, ladder(advice.case, "hours"))
    assert min(seen) == pytest.approx(watching.LIMIT_SECONDS * 8 / 21)
    assert Watch.limit_seconds == watching.LIMIT_SECONDS


def test_a_year_without_a_bound_has_none() -> None:
    assert _bound_saving(None) is None
