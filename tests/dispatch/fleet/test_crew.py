"""Workers that die and a cluster that goes away cost time, never results."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from contextlib import nullcontext
from typing import TYPE_CHECKING, Any

import pytest
from distributed import LocalCluster
from homes.fleet_homes import write_homes

from dispatch.errors import SolveError
from dispatch.fleet.batch import run_batch
from dispatch.fleet.crew import Cluster, hired
from dispatch.fleet.jobs import find_jobs
from dispatch.fleet.run import run_fleet
from dispatch.fleet.store import SCHEMA, read_parts

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from dispatch.fleet.batch import Batch

NAMES = ("plain", "no-sun", "yen")

pytestmark = [
    pytest.mark.filterwarnings("ignore::ResourceWarning"),  # sockets of a worker that was killed
    pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning"),
]


@pytest.fixture(scope="module")
def crew() -> Iterator[Cluster]:
    with hired(1) as hands:
        assert isinstance(hands, Cluster)
        yield hands


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_homes(tmp_path_factory.mktemp("homes"), NAMES)


def figures(out: Path) -> list[tuple[Any, ...]]:
    rows = read_parts(out, ["home", "strategy", "status", "chosen", "bill", "saving", "least_hours"])
    return sorted((tuple(row.values()) for row in rows), key=str)


@pytest.fixture(scope="module")
def undisturbed(folder: Path, tmp_path_factory: pytest.TempPathFactory) -> list[tuple[Any, ...]]:
    out = tmp_path_factory.mktemp("undisturbed")
    run_fleet(find_jobs(folder), out, workers=0)
    return figures(out)


def dying(marker: Path, home: str, *, always: bool) -> Any:  # noqa: ANN401
    """Work that kills its worker at one home, once or always; a closure, so that it travels by value."""
    name = str(marker)

    def work(batch: Batch) -> Any:  # noqa: ANN401
        if any(job.home == home for job in batch.jobs) and (always or not os.path.exists(name)):  # noqa: PTH110
            with open(name, "a", encoding="utf-8") as file:  # noqa: PTH123
                file.write("killed\n")
            time.sleep(2)  # Dask gives a worker up that dies before it has told its nanny that it has begun
            os.kill(os.getpid(), signal.SIGKILL)
        return run_batch(batch)

    return work


def test_a_worker_killed_in_the_middle_is_replaced(
    crew: Cluster, folder: Path, undisturbed: list[tuple[Any, ...]], tmp_path: Path
) -> None:
    marker = tmp_path / "marker"
    work = dying(marker, "no-sun", always=False)
    run_fleet(find_jobs(folder), tmp_path / "out", batch=1, crew=nullcontext(crew), work=work)
    assert marker.read_text(encoding="utf-8").count("killed") == 1
    assert figures(tmp_path / "out") == undisturbed


def test_a_home_no_worker_survives_is_reported_alone_and_tried_again(
    crew: Cluster, folder: Path, undisturbed: list[tuple[Any, ...]], tmp_path: Path
) -> None:
    out, work = tmp_path / "out", dying(tmp_path / "marker", "no-sun", always=True)
    run_fleet(find_jobs(folder), out, crew=nullcontext(crew), work=work)
    lost = [row for row in read_parts(out, SCHEMA.names) if row["home"] == "no-sun"]
    assert [row["status"] for row in lost] == ["lost"]
    assert "workers died" in lost[0]["reason"]
    rest = [row for row in undisturbed if row[0] != "no-sun"]
    assert [row for row in figures(out) if row[0] != "no-sun"] == rest
    run_fleet(find_jobs(folder), out, workers=0)
    assert figures(out) == undisturbed


def test_a_cluster_that_goes_away_is_told_and_the_rest_resumed(
    folder: Path, undisturbed: list[tuple[Any, ...]], tmp_path: Path
) -> None:
    cluster = LocalCluster(
        n_workers=1,
        threads_per_worker=1,
        processes=False,
        dashboard_address="127.0.0.1:0",
        silence_logs="CRITICAL",
    )

    def gone(done: int, _total: int, _label: str) -> None:
        if done == 1:
            cluster.close()

    with pytest.raises(SolveError, match="cluster went away"):
        run_fleet(find_jobs(folder), tmp_path, batch=1, scheduler=cluster.scheduler_address, progress=gone)
    assert len({row[0] for row in figures(tmp_path)}) >= 1
    run_fleet(find_jobs(folder), tmp_path, workers=0)
    assert figures(tmp_path) == undisturbed


def test_a_scheduler_killed_on_another_machine(
    folder: Path, undisturbed: list[tuple[Any, ...]], tmp_path: Path
) -> None:
    """A scheduler and a worker in processes of their own; the scheduler is killed once one home is done."""
    place = tmp_path / "scheduler.json"
    environment = dict(os.environ, PYTHONPATH=os.pathsep.join(sys.path))
    start = [sys.executable, "-m", "dask"]
    told = ["--scheduler-file", str(place), "--no-dashboard"]
    with (
        subprocess.Popen(
            [*start, "scheduler", "--host", "127.0.0.1", "--port", "0", *told],
            env=environment,
            stderr=subprocess.DEVNULL,
        ) as scheduler,
        subprocess.Popen(
            [*start, "worker", "--nthreads", "1", "--no-nanny", *told],
            env=environment,
            stderr=subprocess.DEVNULL,
            cwd=tmp_path,
        ) as worker,
    ):
        try:
            while not place.exists():
                assert scheduler.poll() is None
                time.sleep(0.1)
            address = json.loads(place.read_text(encoding="utf-8"))["address"]

            def kill(done: int, _total: int, _label: str) -> None:
                if done == 1:
                    scheduler.send_signal(signal.SIGKILL)

            with pytest.raises(SolveError, match="cluster went away"):
                run_fleet(find_jobs(folder), tmp_path / "out", batch=1, scheduler=address, progress=kill)
        finally:
            scheduler.kill()
            worker.kill()
    assert {row[0] for row in figures(tmp_path / "out")} < set(NAMES)
    run_fleet(find_jobs(folder), tmp_path / "out", workers=0)
    assert figures(tmp_path / "out") == undisturbed


def test_a_cluster_without_workers_is_not_waited_for(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("dispatch.fleet.crew.LOOK_SECONDS", 0.05)
    monkeypatch.setattr("dispatch.fleet.crew.NOBODY_SECONDS", 0.2)
    with (
        LocalCluster(
            n_workers=0, processes=False, dashboard_address="127.0.0.1:0", silence_logs="CRITICAL"
        ) as cluster,
        pytest.raises(SolveError, match=r"no worker for 0\.2 s"),
    ):
        run_fleet(find_jobs(folder), tmp_path, scheduler=cluster.scheduler_address)


def test_workers_with_another_program_are_refused(
    crew: Cluster, folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("dispatch.fleet.crew.program", other_program)
    with pytest.raises(SolveError, match="another version of this program"):
        run_fleet(find_jobs(folder), tmp_path, scheduler=crew.client.scheduler.address)


def other_program() -> str:
    """Differ in every process."""
    return str(os.getpid())


def test_a_run_that_is_stopped_leaves_at_once_and_leaves_nobody_behind(folder: Path, tmp_path: Path) -> None:
    """Ctrl-C while both workers are in the middle of a home that takes ten minutes."""
    script = tmp_path / "script.py"
    script.write_text(
        "import os, sys, time\n"
        "from pathlib import Path\n"
        "from dispatch.fleet.jobs import find_jobs\n"
        "from dispatch.fleet.run import run_fleet\n"
        "def main():\n"
        "    place = sys.argv[2]\n"
        "    def work(batch):\n"
        "        import os, time\n"
        "        open(os.path.join(place, str(os.getpid())), 'w').close()\n"
        "        time.sleep(600)\n"
        "    run_fleet(find_jobs(Path(sys.argv[1])), Path(place), batch=1, work=work)\n"
        "if __name__ == '__main__':\n"
        "    main()\n",
        encoding="utf-8",
    )
    out = tmp_path / "out"
    with subprocess.Popen(
        [sys.executable, str(script), str(folder), str(out)],
        env=dict(os.environ, PYTHONPATH=os.pathsep.join(sys.path)),
        stderr=subprocess.PIPE,
        text=True,
    ) as run:
        while len(workers := [path.name for path in out.glob("[0-9]*")]) < 2:
            assert run.poll() is None
            time.sleep(0.1)
        run.send_signal(signal.SIGINT)
        _, said = run.communicate(timeout=120)  # without the stop: ten minutes
    assert "KeyboardInterrupt" in said
    for worker in workers:
        with pytest.raises(ProcessLookupError):
            os.kill(int(worker), 0)
    run_fleet(find_jobs(folder), out, workers=0)
    assert {row[0] for row in figures(out)} == set(NAMES)


def test_no_scheduler_there(folder: Path, tmp_path: Path) -> None:
    with pytest.raises(SolveError, match="no Dask scheduler answers"):
        run_fleet(find_jobs(folder), tmp_path, scheduler="tcp://127.0.0.1:9")
