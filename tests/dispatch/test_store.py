"""Results kept on disk: found again, bounded, and never trusted."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest
from homes.small_home import small_home

from dispatch.advice import scan as scanning
from dispatch.advice.kept import ARRAYS
from dispatch.advice.recommend import recommend
from dispatch.advice.scan import scan
from dispatch.program.arrays import Gap
from dispatch.program.program import Program
from dispatch.store import Entry, Store, fingerprint, in_use, use, users_store
from dispatch.strategies import solve as solving
from dispatch.strategies.kept import is_kept
from dispatch.strategies.solve import solve
from dispatch.strategies.table import STRATEGIES

if TYPE_CHECKING:
    from collections.abc import Iterator

    from dispatch.case.case import Case

LEAST_COST = STRATEGIES["least-cost"]


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    place = Store(tmp_path / "kept")
    use(place)
    yield place
    use(None)


def entry(size: int = 10) -> Entry:
    return Entry({"flow": np.arange(size, dtype=float)}, {"money": 0.1 + 0.2, "gap": None})


def test_what_is_put_is_got(store: Store) -> None:
    assert store.get("a") is None
    store.put("a", entry())
    got = store.get("a")
    assert got is not None
    assert got.facts == {"money": 0.1 + 0.2, "gap": None}
    np.testing.assert_array_equal(got.arrays["flow"], np.arange(10.0))


@pytest.mark.parametrize("harm", ["cut", "flip", "empty", "text", "swapped"])
def test_a_damaged_entry_is_as_good_as_none(store: Store, harm: str) -> None:
    store.put("a", entry(1000))
    path = store.folder / "a.npz"
    data = bytearray(path.read_bytes())
    if harm == "cut":
        path.write_bytes(data[: len(data) // 2])
    elif harm == "flip":
        data[len(data) // 2] ^= 0xFF
        path.write_bytes(data)
    elif harm == "swapped":  # another result under this name
        store.put("b", entry())
        (store.folder / "b.npz").replace(path)
    else:
        path.write_bytes(b"" if harm == "empty" else b"not an archive")
    assert store.get("a") is None
    store.put("a", entry())
    assert store.get("a") is not None


def test_the_entries_unused_for_longest_go_first(store: Store) -> None:
    for place, key in enumerate("abc"):
        store.put(key, entry(1000))
        os.utime(store.folder / f"{key}.npz", (1e9 + place, 1e9 + place))
    assert store.get("a") is not None  # used again: now b is the oldest
    small = Store(store.folder, most_bytes=int(2.5 * store.size_bytes / 3))
    small.put("d", entry(10))
    assert [key for key in "abcd" if key in small] == ["a", "c", "d"]
    assert small.clear() == 3
    assert small.entries() == []


def test_many_at_once_write_whole_entries(store: Store) -> None:
    with ThreadPoolExecutor(8) as pool:
        list(pool.map(lambda _: store.put("a", entry(5000)), range(40)))
    assert store.get("a") is not None
    assert [path.name for path, _ in store.entries()] == ["a.npz"]  # no part is left


def test_a_store_that_cannot_be_written_keeps_nothing(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way")
    place = Store(tmp_path / "file" / "kept")
    place.put("a", entry())
    assert place.get("a") is None


def test_the_environment_names_the_folder(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("DISPATCH_CACHE_DIR", str(tmp_path))
    found = users_store()
    assert found is not None
    assert found.folder == tmp_path
    monkeypatch.setenv("DISPATCH_CACHE_DIR", "")
    assert users_store() is None
    assert in_use() is None  # the library keeps nothing by itself


# ---- keys ----------------------------------------------------------------------------------------------------


def test_equal_parts_have_equal_fingerprints_and_others_others() -> None:
    parts = [
        (1, 2),
        ((1,), 2),
        (1, (2,)),
        "1",
        1,
        1.0,
        True,
        None,
        np.ones(2),
        np.ones(2, dtype=int),
        np.ones((1, 2)),
    ]
    assert len({fingerprint(part) for part in parts}) == len(parts)
    assert fingerprint(np.ones(2), "a") == fingerprint(np.ones(2), "a")
    with pytest.raises(TypeError, match="no fingerprint"):
        fingerprint({1})


def case_of_four_days() -> Case:
    return small_home().case()


@pytest.mark.usefixtures("store")
def test_whatever_decides_a_result_is_in_its_key() -> None:
    case = case_of_four_days()
    program = Program(case)
    solve(program, LEAST_COST)
    assert is_kept(case, "least-cost")
    assert not is_kept(case, "solar-first")
    step = np.eye(1, len(case.times), 7)[0] * 1e-9
    others = [
        replace(case, load_kwh=case.load_kwh + step),
        replace(case, other_kwh=case.other_kwh + step),
        replace(case, sun_kwh=case.sun_kwh + step),
        replace(case, idle_kwh=case.idle_kwh + step),
        replace(case, floor_kwh=case.floor_kwh + step),
        replace(case, limits=replace(case.limits, wear_per_kwh=0.011)),
        replace(case, limits=replace(case.limits, start_kwh=case.limits.start_kwh + 1e-9)),
        replace(
            case,
            prices=replace(case.prices, import_price_per_kwh=case.prices.import_price_per_kwh + step),
        ),
        replace(case, times=case.times + (case.times[1] - case.times[0])),
    ]
    for other in others:
        assert not is_kept(other, "least-cost")
    assert not is_kept(case, "least-cost", Gap(1e-6, 1e-6))


def test_changed_code_or_library_makes_other_keys(monkeypatch: pytest.MonkeyPatch) -> None:
    before = fingerprint("a")
    monkeypatch.setattr("dispatch.store._versions", lambda: "another")
    assert fingerprint("a") != before


# ---- read back under the same checks ---------------------------------------------------------------------------


@pytest.mark.parametrize("name", STRATEGIES)
def test_a_result_read_back_is_the_result(store: Store, name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    program = Program(case_of_four_days())
    first = solve(program, STRATEGIES[name])
    assert len(store.entries()) == 1

    def never(*_: object) -> None:
        raise AssertionError("solved again")

    monkeypatch.setattr(solving, "_solve", never)
    again = solve(Program(case_of_four_days()), STRATEGIES[name])
    assert again.flows.frame.equals(first.flows.frame)
    assert again.flows.uses_battery == first.flows.uses_battery
    assert (again.money, again.stage_values, again.gap) == (first.money, first.stage_values, first.gap)


@pytest.mark.parametrize("harm", ["balance", "money", "negative", "fact"])
def test_an_entry_that_fails_a_check_is_solved_anew(store: Store, harm: str) -> None:
    program = Program(case_of_four_days())
    first = solve(program, LEAST_COST)
    key = store.entries()[0][0].stem
    held = store.get(key)
    assert held is not None
    arrays, facts = {name: values.copy() for name, values in held.arrays.items()}, dict(held.facts)
    if harm == "balance":
        arrays["import_kwh"][3] += 1e-3
    elif harm == "negative":
        arrays["stored_kwh"][:] -= 50.0
    elif harm == "money":
        facts["money"] += 0.01
    else:
        facts["unheard_of"] = 1
    store.put(key, Entry(arrays, facts))
    assert solve(program, LEAST_COST).flows.frame.equals(first.flows.frame)
    mended = store.get(key)
    assert mended is not None
    assert mended.facts["money"] == first.money


# ---- what the settings come to ----------------------------------------------------------------------------------


def test_a_scan_read_back_is_the_scan(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    case = case_of_four_days()
    first = scan(case)
    assert len(store.entries()) == 1

    def never(*_: object) -> None:
        raise AssertionError("run again")

    monkeypatch.setattr(scanning, "_run_all", never)
    again = scan(case_of_four_days())
    assert again.strategies == first.strategies
    for name in ARRAYS:
        np.testing.assert_array_equal(getattr(again, name), getattr(first, name))


def test_whatever_decides_a_scan_is_in_its_key(store: Store) -> None:
    case = case_of_four_days()
    scan(case)
    step = np.eye(1, len(case.times), 7)[0] * 1e-9
    others = [
        replace(case, critical_kwh=case.critical_kwh + step),
        replace(case, may_charge=step == 0),
        replace(case, limits=replace(case.limits, ceiling_kwh=case.limits.ceiling_kwh - 1e-9)),
        small_home(backup={"target_hours": 2.0}).case(),
        small_home(backup={"target_hours": 2.5}).case(),
    ]
    for count, other in enumerate(others, start=2):
        scan(other)
        assert len(store.entries()) == count
    scan(replace(case, path=case.path / "elsewhere"))  # where the file stands decides nothing
    assert len(store.entries()) == 1 + len(others)


@pytest.mark.parametrize("harm", ["cost", "start_kwh", "short", "not a number"])
def test_a_scan_that_is_not_what_the_inverter_does_is_run_anew(store: Store, harm: str) -> None:
    case = case_of_four_days()
    first = recommend(case)
    key = store.entries()[0][0].stem
    held = store.get(key)
    assert held is not None
    arrays = {name: values.copy() for name, values in held.arrays.items()}
    if harm == "short":
        arrays["cost"] = arrays["cost"][:-1]
    elif harm == "not a number":
        arrays["cost"][0] = np.nan
    else:
        arrays[harm] += 0.01
    store.put(key, Entry(arrays, held.facts))
    again = recommend(case)
    assert again.chosen.flows.frame.equals(first.chosen.flows.frame)
    mended = store.get(key)
    assert mended is not None
    np.testing.assert_array_equal(mended.arrays["cost"], held.arrays["cost"])


# ---- the command ------------------------------------------------------------------------------------------------


def run(*arguments: str, folder: Path) -> subprocess.CompletedProcess[str]:
    root = Path(__file__).parents[2]
    environment = {**os.environ, "PYTHONPATH": str(root), "DISPATCH_CACHE_DIR": str(folder)}
    return subprocess.run(
        [sys.executable, "-m", "dispatch", *arguments],
        capture_output=True,
        text=True,
        check=True,
        cwd=root,
        env=environment,
    )


def test_commands_keep_results_and_can_be_told_not_to(tmp_path: Path) -> None:
    scenario, folder = str(small_home(days=2).write(tmp_path / "home")), tmp_path / "kept"
    run("compare", scenario, "--json", "--no-cache", folder=folder)
    assert "0 results" in run("cache", folder=folder).stdout
    first = run("compare", scenario, "--json", folder=folder)  # each plan, and what the settings come to
    assert f"{len(STRATEGIES) + 1} results" in run("cache", folder=folder).stdout
    again = run("compare", scenario, "--json", folder=folder)
    documents = [json.loads(each.stdout) for each in (first, again)]
    for document in documents:
        for strategy in document["strategies"]:
            strategy.pop("seconds", None)
            if "solver" in strategy:
                strategy["solver"].pop("seconds", None)
    assert documents[0] == documents[1]
    assert f"{len(STRATEGIES) + 1} results removed" in run("cache", "--clear", folder=folder).stdout
    assert list(folder.iterdir()) == []
