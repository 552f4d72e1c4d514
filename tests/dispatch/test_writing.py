"""Files are written all or none; what cannot be written, or would destroy what is read, is refused at once."""

from __future__ import annotations

import errno
import os
import secrets
import signal
import stat
import subprocess
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from terminal import environment

from dispatch.errors import OutputError, SeriesError
from dispatch.exports.files import write_files
from dispatch.writing import collected, promised, together, write
from tariffs.reading.opening import Target, read_bytes

if TYPE_CHECKING:
    from collections.abc import Callable

OLD, NEW = b"old\n", b"new\n"


def texts(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in folder.iterdir() if path.is_file()}


def failing_at(count: int, real: Callable[..., object], failure: BaseException) -> Callable[..., object]:
    """Stand in for a call of the system: the call of this number fails."""
    calls = []

    def call(*words: object, **named: object) -> object:
        calls.append(words)
        if len(calls) == count:
            raise failure
        return real(*words, **named)

    return call


FULL = OSError(errno.ENOSPC, "No space left on device", "/somewhere/else")


# ---- all or none -----------------------------------------------------------------------------------------------
@pytest.mark.parametrize("name", ["fsync", "replace", "open"])
@pytest.mark.parametrize("count", [1, 2, 3])
@pytest.mark.parametrize("failure", [FULL, KeyboardInterrupt()])
def test_a_failing_file_leaves_all_as_they_were(
    name: str, count: int, failure: BaseException, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    names = ("a.csv", "b.csv", "new.csv")
    for each in names[:2]:
        (tmp_path / each).write_bytes(OLD)
    with monkeypatch.context() as changed:
        changed.setattr(os, name, failing_at(count, getattr(os, name), failure))
        with pytest.raises(type(failure)) as failed:
            write_files(tmp_path, dict.fromkeys(names, "new\n"))
    if isinstance(failed.value, OSError):
        assert failed.value.filename == str(
            tmp_path / names[count - 1]
        )  # the user's file, not the temporary one
    assert texts(tmp_path) == {"a.csv": OLD, "b.csv": OLD}


def test_several_writers_appear_together_or_not_at_all(tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_bytes(OLD)

    def both(last: str) -> None:
        with together():
            write({tmp_path / "a.csv": NEW})
            assert (tmp_path / "a.csv").read_bytes() == OLD
            write({tmp_path / "made" / "deeper" / last: NEW})

    with pytest.raises(OutputError, match=r"made/deeper/b\x00c.csv: no file can have this name"):
        both("b\0c.csv")
    with pytest.raises(OSError, match="File name too long"):
        both("x" * 300)
    assert sorted(tmp_path.iterdir()) == [tmp_path / "a.csv"]
    assert texts(tmp_path) == {"a.csv": OLD}
    both("x" * 250)  # a temporary name is no longer than the user's
    assert texts(tmp_path) == {"a.csv": NEW}
    assert (tmp_path / "made" / "deeper" / ("x" * 250)).read_bytes() == NEW


def test_a_file_given_twice_is_refused(tmp_path: Path) -> None:
    (tmp_path / "link").symlink_to("a.csv")
    with pytest.raises(OutputError, match="written twice"), together():
        write({tmp_path / "a.csv": NEW, tmp_path / "link": NEW})
    assert texts(tmp_path) == {}


def test_files_keep_their_permissions_and_new_ones_have_the_usual(tmp_path: Path) -> None:
    (tmp_path / "mine.csv").write_bytes(OLD)
    (tmp_path / "mine.csv").chmod(0o640)
    (tmp_path / "left.txt").write_bytes(OLD)
    write({tmp_path / "mine.csv": NEW, tmp_path / "new.csv": NEW})
    assert texts(tmp_path) == {"mine.csv": NEW, "new.csv": NEW, "left.txt": OLD}
    mask = os.umask(0)
    os.umask(mask)
    assert stat.S_IMODE((tmp_path / "new.csv").stat().st_mode) == 0o666 & ~mask
    assert stat.S_IMODE((tmp_path / "mine.csv").stat().st_mode) == 0o640


def test_a_link_is_written_through(tmp_path: Path) -> None:
    (tmp_path / "there").mkdir()
    (tmp_path / "there" / "real.csv").write_bytes(OLD)
    (tmp_path / "link.csv").symlink_to("there/real.csv")
    write({tmp_path / "link.csv": NEW})
    assert (tmp_path / "link.csv").is_symlink()
    assert texts(tmp_path / "there") == {"real.csv": NEW}


def test_no_link_is_followed_on_the_way(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Whoever foresees a temporary name and puts a link there gains nothing: the file must not exist."""
    (tmp_path / "victim").write_bytes(OLD)
    (tmp_path / ".foreseen.tmp").symlink_to("victim")
    monkeypatch.setattr(secrets, "token_hex", lambda _: "foreseen")
    with pytest.raises(FileExistsError):
        write({tmp_path / "a.csv": NEW})
    assert (tmp_path / "victim").read_bytes() == OLD
    assert not (tmp_path / "a.csv").exists()


def test_temporary_names_cannot_be_foreseen(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    seen: set[str] = set()
    monkeypatch.setattr(os, "fsync", lambda _: seen.update(path.name for path in tmp_path.iterdir()))
    for _ in range(20):
        write({tmp_path / "a.csv": NEW})
    assert len(seen - {"a.csv"}) == 20


@pytest.mark.parametrize("kind", ["device", "pipe", "folder"])
def test_what_is_no_ordinary_file_is_left_alone(kind: str, tmp_path: Path) -> None:
    path = tmp_path / "target"
    if kind == "pipe":
        os.mkfifo(path)
    elif kind == "folder":
        path.mkdir()
    else:
        path.symlink_to(os.devnull)
    with pytest.raises(OutputError, match="no ordinary file"):
        write({path: NEW})
    assert len(list(tmp_path.iterdir())) == 1
    assert stat.S_ISCHR(Path(os.devnull).stat().st_mode)


def test_what_is_collected_is_not_written(tmp_path: Path) -> None:
    with collected() as files:
        write({tmp_path / "a.csv": NEW})
    assert files == {tmp_path / "a.csv": NEW}
    assert texts(tmp_path) == {}


HELD = """
import os, sys, time
from pathlib import Path
from dispatch import writing
real = os.fsync
def slow(handle):
    real(handle)
    print("writing", flush=True)
    time.sleep(60)
os.fsync = slow
writing.write({Path(sys.argv[1]) / name: b"new" for name in ("a.csv", "b.csv")})
"""


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP, signal.SIGINT])
def test_nothing_is_left_behind_by_a_process_that_is_told_to_end(
    number: signal.Signals, tmp_path: Path
) -> None:
    (tmp_path / "a.csv").write_bytes(OLD)
    with subprocess.Popen(
        [sys.executable, "-c", HELD, str(tmp_path)],
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        env=environment(),
    ) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == b"writing\n"
        process.send_signal(number)
        process.wait(timeout=30)
    assert process.returncode == -number
    assert texts(tmp_path) == {"a.csv": OLD}


def test_a_signal_between_two_renames_waits(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    real = os.replace

    def interrupted(*words: Path) -> None:
        real(*words)
        os.kill(os.getpid(), signal.SIGINT)
        time.sleep(0.01)

    monkeypatch.setattr(os, "replace", interrupted)
    with pytest.raises(KeyboardInterrupt):
        write({tmp_path / "a.csv": NEW, tmp_path / "b.csv": NEW})
    assert texts(tmp_path) == {"a.csv": NEW, "b.csv": NEW}


# ---- refused before anything is worked out -----------------------------------------------------------------------
def test_a_target_that_is_read_is_refused_as_it_is_read(tmp_path: Path) -> None:
    (tmp_path / "series.csv").write_bytes(OLD)
    (tmp_path / "link.csv").symlink_to("series.csv")
    (tmp_path / "hard.csv").hardlink_to(tmp_path / "series.csv")
    for name in ("series.csv", "link.csv", "hard.csv", "../" + tmp_path.name + "/series.csv"):
        with (
            promised([Target("--html", tmp_path / name)]),
            pytest.raises(SeriesError, match=r"series.csv: is read, and --html .* would write over it"),
        ):
            read_bytes(tmp_path / "series.csv", SeriesError, 100, ".csv")
    with promised([Target("--csv", tmp_path, ("series.csv",))]), pytest.raises(SeriesError, match="--csv"):
        read_bytes(tmp_path / "series.csv", SeriesError, 100, ".csv")
    with promised([Target("--csv", tmp_path, ("other*.csv",)), Target("--html", tmp_path / "page.html")]):
        assert read_bytes(tmp_path / "series.csv", SeriesError, 100, ".csv") == OLD
    assert read_bytes(tmp_path / "series.csv", SeriesError, 100, ".csv") == OLD


def test_a_file_that_was_read_is_never_written_over(tmp_path: Path) -> None:
    """Where a name was not foreseen, the writer has the last word."""
    (tmp_path / "series.csv").write_bytes(OLD)
    with promised([Target("--csv", tmp_path, ("foreseen.csv",))]):
        read_bytes(tmp_path / "series.csv", SeriesError, 100, ".csv")
        with pytest.raises(OutputError, match="was read by this command"):
            write({tmp_path / "foreseen.csv": NEW, tmp_path / "series.csv": NEW})
    assert texts(tmp_path) == {"series.csv": OLD}


def refused(*targets: Target, inputs: tuple[Path, ...] = ()) -> str:
    with pytest.raises(OutputError) as found, promised(targets, inputs):
        pytest.fail("not refused")
    return str(found.value)


def test_places_that_cannot_be_written_are_refused(tmp_path: Path) -> None:
    (tmp_path / "file").write_bytes(OLD)
    os.mkfifo(tmp_path / "pipe")
    (tmp_path / "loop").symlink_to("loop")
    page = Target("--html", tmp_path / "page.html")
    assert "--html: " in refused(Target("--html", tmp_path))
    assert "is a folder" in refused(Target("--html", tmp_path))
    assert "is a file, not a folder" in refused(Target("--csv", tmp_path / "file", ("a.csv",)))
    assert "device or pipe" in refused(Target("--html", tmp_path / "pipe"))
    assert "device or pipe" in refused(Target("--html", Path(os.devnull)))
    assert "no file can have this name" in refused(Target("--html", tmp_path / "a\0b"))
    assert "Too many levels" in refused(Target("--html", tmp_path / "loop"))
    assert "Not a directory" in refused(Target("--html", tmp_path / "file" / "page.html"))
    assert "File name too long" in refused(Target("--html", tmp_path / ("x" * 300)))
    assert "--html and --ics: " in refused(page, Target("--ics", tmp_path / "page.html"))
    assert "--html and --ics: " in refused(page, Target("--ics", tmp_path / "." / "page.html"))
    assert "--csv and --html: " in refused(
        Target("--csv", tmp_path, ("*-planned.csv",)), Target("--html", tmp_path / "x-planned.csv")
    )
    assert "which is read" in refused(Target("--save", tmp_path / "file"), inputs=(tmp_path / "file",))
    assert "cannot be written" in refused(Target("--html", Path("/proc/page.html")))
    assert "cannot be written" in refused(Target("--csv", Path("/proc/flows"), ("a.csv",)))
    with promised([page, Target("--csv", tmp_path / "new" / "deep", ("a.csv",))], [tmp_path / "file"]):
        pass
    assert sorted(path.name for path in tmp_path.iterdir()) == ["file", "loop", "pipe"]


def test_a_file_without_permission_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "file").write_bytes(OLD)
    monkeypatch.setattr(os, "access", lambda path, mode: not (mode & os.W_OK and Path(path).name == "file"))
    assert "may not be written" in refused(Target("--html", tmp_path / "file"))
