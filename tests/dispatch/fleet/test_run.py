"""A fleet's run survives what runs die of: compared with a run nobody disturbed."""

from __future__ import annotations

import errno
import os
import signal
import subprocess
import sys
from contextlib import nullcontext
from typing import TYPE_CHECKING, Any

import pyarrow.parquet as pq
import pytest
from homes.fleet_homes import different_homes, write_homes

from dispatch.advice.recommend import recommend
from dispatch.case.case import load_scenario
from dispatch.errors import ScenarioError, SolveError
from dispatch.fleet.batch import Batch, run_batch
from dispatch.fleet.crew import Alone
from dispatch.fleet.jobs import find_jobs, fingerprint
from dispatch.fleet.run import even_size, run_fleet
from dispatch.fleet.shapes import shapes_of
from dispatch.fleet.store import SCHEMA, opened, read_parts
from dispatch.fleet.summary import summarise

if TYPE_CHECKING:
    from pathlib import Path

    from dispatch.fleet.batch import Row
    from dispatch.fleet.jobs import Job

NAMES = ("plain", "no-sun", "no-taper", "sells", "yen")


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_homes(tmp_path_factory.mktemp("homes"), NAMES)


@pytest.fixture(scope="module")
def undisturbed(folder: Path, tmp_path_factory: pytest.TempPathFactory) -> dict[tuple[str, str], Row]:
    out = tmp_path_factory.mktemp("undisturbed")
    run_fleet(find_jobs(folder), out, workers=0)
    return rows_of(out)


def rows_of(out: Path) -> dict[tuple[str, str], Row]:
    """Every row by home and strategy; nothing may be there twice."""
    found: dict[tuple[str, str], Row] = {}
    for row in read_parts(out, SCHEMA.names):
        key = (row["home"], row["strategy"])
        assert key not in found, f"{key} counted twice"
        found[key] = row
    return found


def assert_same(found: dict[tuple[str, str], Row], wanted: dict[tuple[str, str], Row]) -> None:
    assert found.keys() == wanted.keys()
    for key, row in found.items():
        for name, value in row.items():
            if isinstance(value, float):
                assert value == pytest.approx(wanted[key][name], rel=1e-9, abs=1e-9), (key, name)
            elif isinstance(value, list):
                assert value == pytest.approx(wanted[key][name], rel=1e-5, abs=1e-5, nan_ok=True), (key, name)
            else:
                assert value == wanted[key][name], (key, name)


def counted(done: list[str]) -> Any:  # noqa: ANN401 - what run_fleet takes as work
    def work(batch: Batch) -> list[Row]:
        done.extend(job.home for job in batch.jobs)
        return run_batch(batch)

    return work


def test_the_rows_are_what_each_home_gets_alone(
    folder: Path, undisturbed: dict[tuple[str, str], Row]
) -> None:
    for name in NAMES:
        advice = recommend(load_scenario(folder / name / "scenario.toml"))
        chosen = undisturbed[name, advice.strategy]
        assert chosen["chosen"]
        assert chosen["saving"] == pytest.approx(advice.chosen.saving, rel=1e-9)
        assert chosen["reserve_percent"] == advice.reserve_percent
        assert chosen["least_hours"] == pytest.approx(advice.chosen.least_hours, rel=1e-9)
        assert sum(row["chosen"] for (home, _), row in undisturbed.items() if home == name) == 1


def test_batch_and_order_change_nothing(
    folder: Path, undisturbed: dict[tuple[str, str], Row], tmp_path: Path
) -> None:
    run_fleet(find_jobs(folder)[::-1], tmp_path, workers=0, batch=2)
    assert_same(rows_of(tmp_path), undisturbed)


def test_a_second_run_has_nothing_to_do(folder: Path, tmp_path: Path) -> None:
    done: list[str] = []
    run_fleet(find_jobs(folder), tmp_path, workers=0, work=counted(done))
    again = run_fleet(find_jobs(folder), tmp_path, workers=0, work=counted(done))
    assert sorted(done) == sorted(NAMES)
    assert (again.homes, again.skipped) == (len(NAMES), len(NAMES))


def test_a_bad_home_costs_one_row_with_its_reason(folder: Path, tmp_path: Path) -> None:
    homes = write_homes(tmp_path / "homes", NAMES[:2])
    (homes / "spoilt").mkdir()
    (homes / "spoilt" / "scenario.toml").write_text("name = 3\n", encoding="utf-8")
    jobs = [*find_jobs(homes), *find_jobs(folder)[-1:]]
    run_fleet(jobs, tmp_path / "out", workers=0)
    rows = rows_of(tmp_path / "out")
    (bad,) = [row for row in rows.values() if row["home"] == "spoilt"]
    assert bad["status"] == "refused"
    assert "scenario.toml" in bad["reason"]
    assert {home for home, strategy in rows if strategy} == {*NAMES[:2], NAMES[-1]}
    summary = summarise(tmp_path / "out")
    assert summary.homes == 4
    assert summary.unusable == {"refused": 1}


def test_killed_and_started_again(
    folder: Path, undisturbed: dict[tuple[str, str], Row], tmp_path: Path
) -> None:
    """SIGKILL while the third home is being worked on: two parts stand, the lock is free, three homes are left."""
    script = (
        "import sys, time\n"
        "from pathlib import Path\n"
        "from dispatch.fleet.batch import run_batch\n"
        "from dispatch.fleet.jobs import find_jobs\n"
        "from dispatch.fleet.run import run_fleet\n"
        "def work(batch):\n"
        "    if len(list(Path(sys.argv[2], 'homes').glob('part-*.parquet'))) == 2:\n"
        "        Path(sys.argv[2], 'homes', '.part-half.tmp').write_bytes(b'PAR1 half')\n"
        "        print('now', flush=True)\n"
        "        time.sleep(600)\n"
        "    return run_batch(batch)\n"
        "run_fleet(find_jobs(Path(sys.argv[1])), Path(sys.argv[2]), workers=0, batch=1, work=work)\n"
    )
    command = [sys.executable, "-c", script, str(folder), str(tmp_path)]
    with subprocess.Popen(
        command, stdout=subprocess.PIPE, env=dict(os.environ, PYTHONPATH=os.pathsep.join(sys.path))
    ) as run:
        assert run.stdout is not None
        assert run.stdout.readline() == b"now\n"
        with pytest.raises(ScenarioError, match="another run is writing"):
            run_fleet(find_jobs(folder), tmp_path, workers=0)
        run.send_signal(signal.SIGKILL)
    done: list[str] = []
    run_fleet(find_jobs(folder), tmp_path, workers=0, work=counted(done))
    assert len(done) == len(NAMES) - 2
    assert_same(rows_of(tmp_path), undisturbed)
    assert not list((tmp_path / "homes").glob(".part*"))


def test_a_full_disk(
    folder: Path, undisturbed: dict[tuple[str, str], Row], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    written: list[Path] = []
    really_write = pq.write_table

    def fills_up(table: Any, path: Path, **options: Any) -> None:  # noqa: ANN401 - pyarrow's
        if len(written) == 2:
            path.write_bytes(b"PAR1")  # what fitted
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC), str(path))
        written.append(path)
        really_write(table, path, **options)

    with monkeypatch.context() as patch:
        patch.setattr(pq, "write_table", fills_up)
        with pytest.raises(OSError, match="No space left"):
            run_fleet(find_jobs(folder), tmp_path, workers=0, batch=1)
    assert len(rows_of(tmp_path)) > 0
    assert not list((tmp_path / "homes").glob(".part*"))
    done: list[str] = []
    run_fleet(find_jobs(folder), tmp_path, workers=0, work=counted(done))
    assert len(done) == len(NAMES) - 2
    assert_same(rows_of(tmp_path), undisturbed)


def test_two_runs_on_one_folder(folder: Path, tmp_path: Path) -> None:
    with opened(tmp_path), pytest.raises(ScenarioError, match="another run is writing"):
        run_fleet(find_jobs(folder), tmp_path, workers=0)
    run_fleet(find_jobs(folder)[:1], tmp_path, workers=0)


def test_what_changed_between_runs_is_done_again_and_not_mixed(tmp_path: Path) -> None:
    homes, out, done = write_homes(tmp_path / "homes", NAMES[:3]), tmp_path / "out", list[str]()
    run_fleet(find_jobs(homes), out, workers=0)  # one part holds all three
    before = rows_of(out)
    different_homes()["no-sun"].changed(reserve={"percent": 60}, backup=None).write(homes / "no-sun")
    series = homes / "plain" / "series.csv"
    series.write_text(series.read_text(encoding="utf-8").replace("0.3", "0.4"), encoding="utf-8")
    run_fleet(find_jobs(homes), out, workers=0, work=counted(done))
    assert sorted(done) == ["no-sun", "plain"]
    run_fleet(find_jobs(homes), tmp_path / "fresh", workers=0)
    after = rows_of(out)
    assert_same(after, rows_of(tmp_path / "fresh"))
    for strategy in ("reserve-first", "off-peak-first"):
        assert after["no-taper", strategy] == pytest.approx(before["no-taper", strategy], nan_ok=True)
        assert after["plain", strategy]["bill"] != before["plain", strategy]["bill"]


def test_a_home_left_out_leaves_the_results(folder: Path, tmp_path: Path) -> None:
    run_fleet(find_jobs(folder), tmp_path, workers=0)
    run_fleet(find_jobs(folder)[1:], tmp_path, workers=0)
    assert summarise(tmp_path).homes == len(NAMES) - 1


def test_a_folder_of_other_homes_is_left_alone(folder: Path, tmp_path: Path) -> None:
    homes = find_jobs(folder)
    run_fleet(homes[:2], tmp_path, workers=0)
    before = rows_of(tmp_path)
    with pytest.raises(ScenarioError, match="results of 2 other homes and of none of these"):
        run_fleet(homes[2:], tmp_path, workers=0)
    assert_same(rows_of(tmp_path), before)
    ran = run_fleet(homes[1:3], tmp_path, workers=0)
    assert (ran.skipped, ran.taken_out) == (1, 1)


@pytest.mark.parametrize("damage", ["a bit", "the end", "everything", "other columns"])
def test_a_damaged_part_is_done_again(
    damage: str, folder: Path, undisturbed: dict[tuple[str, str], Row], tmp_path: Path
) -> None:
    run_fleet(find_jobs(folder), tmp_path, workers=0, batch=2)
    part = min((tmp_path / "homes").glob("part-*.parquet"))
    held = part.read_bytes()
    if damage == "a bit":  # in the middle of the data, where nothing but a checksum tells
        at = held.index(b"\x28\xb5\x2f\xfd") + 12  # behind the head of the first zstd frame (RFC 8878, 3.1.1)
        part.write_bytes(held[:at] + bytes([held[at] ^ 1]) + held[at + 1 :])
    elif damage == "other columns":
        pq.write_table(pq.read_table(part).drop_columns(["saving"]), part)
    else:
        part.write_bytes(held[:-40] if damage == "the end" else b"")
    ran = run_fleet(find_jobs(folder), tmp_path, workers=0)
    assert ran.unreadable_parts == 1
    assert ran.skipped < len(NAMES)
    assert_same(rows_of(tmp_path), undisturbed)
    assert run_fleet(find_jobs(folder), tmp_path, workers=0).skipped == len(NAMES)


def test_a_file_that_changes_while_it_is_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Its row says so, under a fingerprint that nothing else has, and the next run does it again."""
    homes = write_homes(tmp_path / "homes", NAMES[:2])
    series, really_load = homes / "plain" / "series.csv", load_scenario
    was = series.read_text(encoding="utf-8")

    def load_and_change(path: Path) -> Any:  # noqa: ANN401
        case = really_load(path)
        if path.parent.name == "plain":
            series.write_text(was.replace("0.3", "0.4"), encoding="utf-8")
        return case

    with monkeypatch.context() as patch:
        patch.setattr("dispatch.fleet.batch.load_scenario", load_and_change)
        run_fleet(find_jobs(homes), tmp_path / "out", workers=0)
    assert summarise(tmp_path / "out").unusable == {"changed": 1}
    series.write_text(was, encoding="utf-8")
    assert run_fleet(find_jobs(homes), tmp_path / "out", workers=0).skipped == 1
    run_fleet(find_jobs(homes), tmp_path / "fresh", workers=0)
    assert_same(rows_of(tmp_path / "out"), rows_of(tmp_path / "fresh"))


def test_a_fault_of_the_program_costs_one_row(
    folder: Path,
    undisturbed: dict[tuple[str, str], Row],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:

    def breaks(homes: Any) -> Any:  # noqa: ANN401
        if any(name.startswith("yen") for name, _ in homes):
            raise IndexError("a slip of ours")
        return shapes_of(homes)

    monkeypatch.setattr("dispatch.fleet.batch.shapes_of", breaks)
    run_fleet(find_jobs(folder), tmp_path, workers=0)
    found = rows_of(tmp_path)
    (bad,) = [found.pop(key) for key in list(found) if key[0] == "yen"]
    assert bad["status"] == "failed"
    assert "IndexError" in bad["reason"]
    assert_same(found, {key: row for key, row in undisturbed.items() if key[0] != "yen"})


def test_a_worker_of_another_version_does_nothing(folder: Path) -> None:
    batch = Batch(tuple(find_jobs(folder)), program="another")
    with pytest.raises(SolveError, match="another version of this program"):
        run_batch(batch)


@pytest.mark.parametrize(
    ("homes", "workers", "size"),
    [(1000, 2, 32), (1000, 1, 32), (100, 2, 25), (65, 2, 17), (3, 8, 1), (1, 1, 1)],
)
def test_all_workers_end_together(homes: int, workers: int, size: int) -> None:
    found = even_size(homes, workers, 32)
    assert found == size
    batches = -(-homes // found)
    assert batches % workers == 0 or batches < workers


def test_the_fingerprint_knows_every_file_and_what_is_asked(tmp_path: Path) -> None:
    (job,) = find_jobs(write_homes(tmp_path, NAMES[:1]))
    seen = {fingerprint(job, planned=False), fingerprint(job, planned=True)}
    for name in ("scenario.toml", "series.csv", "tariff.toml"):
        path = tmp_path / "plain" / name
        path.write_text(path.read_text(encoding="utf-8") + "\n", encoding="utf-8")
        seen.add(fingerprint(job, planned=False))
    assert len(seen) == 5


def test_the_fingerprint_knows_what_the_tariff_names(tmp_path: Path) -> None:
    """Prices by the hour and days announced lie in files that only the tariff names."""
    (job,) = find_jobs(write_homes(tmp_path, NAMES[:1]))
    tariff = tmp_path / "plain" / "tariff.toml"
    (tmp_path / "plain" / "prices").mkdir()
    for name in ("prices/hours.csv", "days.csv"):
        (tmp_path / "plain" / name).write_text("date\n2025-11-01\n", encoding="utf-8")
    extra = '[hourly_prices]\ncsv = "prices/hours.csv"\n[[events]]\nname = "peak"\ncsv = "days.csv"\n'
    tariff.write_text(tariff.read_text(encoding="utf-8") + extra, encoding="utf-8")
    before = fingerprint(job, planned=False)
    for name in ("prices/hours.csv", "days.csv"):
        (tmp_path / "plain" / name).write_text("date\n2025-11-02\n", encoding="utf-8")
        after = fingerprint(job, planned=False)
        assert after != before
        before = after


def test_a_table_names_homes_and_tariffs(folder: Path, tmp_path: Path) -> None:
    table = tmp_path / "homes.csv"
    lines = [
        "home,scenario,tariff",
        f"a,{folder / 'plain'},",
        f"a,{folder / 'plain'},{folder / 'no-taper' / 'tariff.toml'}",
    ]
    table.write_text("\n".join(lines) + "\n", encoding="utf-8")
    jobs: list[Job] = find_jobs(table)
    assert [(job.home, job.under != "") for job in jobs] == [("a", False), ("a", True)]
    run_fleet(jobs, tmp_path / "out", workers=0, crew=nullcontext_alone())
    own, other = summarise(tmp_path / "out").groups
    assert own.saving_per_year == other.saving_per_year  # the same prices in another file
    with pytest.raises(ScenarioError, match=r"--tariff: .*none\.toml: no such file"):
        find_jobs(table, [tmp_path / "none.toml"])
    table.write_text("\n".join([*lines, lines[1]]) + "\n", encoding="utf-8")
    with pytest.raises(ScenarioError, match="named twice"):
        find_jobs(table)


def nullcontext_alone() -> Any:  # noqa: ANN401
    return nullcontext(Alone())


def test_bounds_do_not_depend_on_the_batch_and_stand_in_every_row(folder: Path) -> None:
    batch = Batch(tuple(find_jobs(folder)), planned=True)
    together = {(row["home"], row["strategy"]): row["bound_cost"] for row in run_batch(batch)}
    alone = {
        (row["home"], row["strategy"]): row["bound_cost"] for one in batch.halves() for row in run_batch(one)
    }
    assert together.keys() == alone.keys()
    for key, bound in together.items():
        assert bound == pytest.approx(alone[key], rel=1e-9), key


def test_the_bound_is_never_dearer(folder: Path, tmp_path: Path) -> None:
    run_fleet(find_jobs(folder)[:2], tmp_path, workers=0, planned=True)
    chosen = [row for row in rows_of(tmp_path).values() if row["chosen"]]
    assert len(chosen) == 2
    assert all(row["bound_cost"] <= row["compared_cost"] + 1e-6 for row in chosen)
    (group,) = {group.currency: group for group in summarise(tmp_path).groups}.values()
    assert group.foresight_per_year is not None
    assert group.foresight_per_year.p05 >= 0
    # a bound more is no reason to run a home again, a bound less is
    assert run_fleet(find_jobs(folder)[:2], tmp_path, workers=0).skipped == 2
    assert run_fleet(find_jobs(folder)[:3], tmp_path, workers=0).skipped == 2
    assert run_fleet(find_jobs(folder)[:3], tmp_path, workers=0, planned=True).skipped == 2
