"""The one writer: several files whole, or none of them; and what is refused before anything is worked out for them.

A file is written under a name nobody can foresee, beside the one it will have, flushed to the disk and renamed when
all of them are there. Where a rename fails the files before it are put back. Only a machine that stops between two
renames can leave some new and some old.
"""

from __future__ import annotations

import os
import secrets
import shutil
import signal
import stat
import tempfile
import threading
from contextlib import contextmanager, suppress
from contextvars import ContextVar
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from dispatch.errors import OutputError
from tariffs.reading.opening import kept_apart, target_of, was_read

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence
    from types import FrameType

    from tariffs.reading.opening import Target

ORIGIN_FILE = "made-from.json"
"""What the tables of ``--csv`` and ``--parquet`` were made from, beside them."""

_CREATE = os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_BINARY", 0)
_ENDING = [getattr(signal, name) for name in ("SIGTERM", "SIGHUP") if hasattr(signal, name)]


# ---- before anything is worked out ---------------------------------------------------------------------------
@contextmanager
def promised(targets: Sequence[Target], inputs: Sequence[Path] = ()) -> Iterator[None]:
    """Refuse places that cannot be written, and keep what is read apart from them for the while.

    Parameters
    ----------
    targets : sequence of Target
    inputs : sequence of Path
        Files named on the command line; those they name in turn are refused when they are read.

    Raises
    ------
    OutputError
        If a target is given twice, an input, of the wrong kind, or cannot be written.
    """
    for target in targets:
        _refuse_kind(target)
    _refuse_twice(targets)
    with kept_apart(targets):
        for path in inputs:
            read = path / "scenario.toml" if path.is_dir() else path
            if (target_over := target_of(read)) is not None:
                raise OutputError(
                    f"{target_over.option}: {target_over.path} would write over {read}, which is read; name "
                    "another place"
                )
        for target in targets:
            _refuse_unwritable(target)
        yield


def _refuse_kind(target: Target) -> None:
    option, path = target.option, target.path
    try:
        found = path.stat()
    except FileNotFoundError:
        return
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or "no file can have this name"
        raise OutputError(f"{option}: {path}: {why}; name another place") from None
    if target.names and not stat.S_ISDIR(found.st_mode):
        raise OutputError(f"{option}: {path}: is a file, not a folder; name a folder")
    if not target.names and stat.S_ISDIR(found.st_mode):
        raise OutputError(f"{option}: {path}: is a folder; name a file in it")
    if not target.names and not stat.S_ISREG(found.st_mode):
        raise OutputError(f"{option}: {path}: is no ordinary file but a device or pipe; name a file")


def _refuse_twice(targets: Sequence[Target]) -> None:
    files = [target for target in targets if not target.names]
    for at, one in enumerate(files):
        for two in files[:at]:
            if os.path.realpath(one.path) == os.path.realpath(two.path) or _is_same(one.path, two.path):
                raise OutputError(
                    f"{two.option} and {one.option}: {one.path}: both would write this file; name two"
                )
        real = Path(os.path.realpath(one.path))
        for folder in targets:
            inside = folder.names and real.parent == Path(os.path.realpath(folder.path))
            if inside and any(real.match(name) for name in folder.names):
                raise OutputError(
                    f"{folder.option} and {one.option}: {one.path}: both would write this file; name two"
                )


def _is_same(one: Path, two: Path) -> bool:
    try:
        return one.samefile(two)
    except OSError:
        return False


def _refuse_unwritable(target: Target) -> None:
    """Refuse a place that may not be written, by trying: what permissions say is not all that decides."""
    real = Path(os.path.realpath(target.path))
    if not target.names and real.exists() and not os.access(real, os.W_OK):
        raise OutputError(f"{target.option}: {target.path}: may not be written; name another file")
    folder = real if target.names else real.parent
    while not folder.exists() and folder != folder.parent:
        folder = folder.parent
    try:
        with tempfile.TemporaryFile(dir=folder):
            pass
    except OSError as error:
        text = f"cannot be written ({error.strerror or error}); name another place"
        raise OutputError(f"{target.option}: {target.path}: {text}") from None


# ---- writing -------------------------------------------------------------------------------------------------
@dataclass
class _Staged:
    shown: Path
    real: Path
    temporary: Path
    kept: Path | None = None
    is_renamed: bool = False


@dataclass
class _Batch:
    """Files on their way: staged one by one, renamed together."""

    staged: list[_Staged] = field(default_factory=list)
    folders: list[Path] = field(default_factory=list)

    def stage(self, shown: Path, content: bytes) -> None:
        """Write a file beside the place it will have; a link is followed to the file it names."""
        with _as_shown(shown):
            real = Path(os.path.realpath(shown))
            if any(each.real == real for each in self.staged):
                raise OutputError(f"{shown}: would be written twice; name another place")
            self._folder(real.parent)
            before = _before(shown, real)
            each = _Staged(shown, real, _beside(real))
            self.staged.append(each)
            _fill(each.temporary, content, before)

    def _folder(self, folder: Path) -> None:
        missing = [folder, *folder.parents]
        for one in reversed([one for one in missing if not one.exists()]):
            one.mkdir(exist_ok=True)
            self.folders.append(one)

    def rename(self) -> None:
        """Give every file its name; where that fails, put back what stood there."""
        with _held_back():
            try:
                for each in self.staged:
                    with _as_shown(each.shown):
                        each.kept = _kept(each.real) if len(self.staged) > 1 else None
                        os.replace(each.temporary, each.real)  # noqa: PTH105 - the atomic rename, by its own name
                        each.is_renamed = True
            except BaseException:
                self._put_back()
                raise
            finally:
                self.discard(folders=False)
        for folder in {each.real.parent for each in self.staged}:
            _flush_folder(folder)

    def _put_back(self) -> None:
        for each in reversed(self.staged):
            with suppress(OSError):
                if each.is_renamed and each.kept is None:
                    each.real.unlink()
                elif each.is_renamed and each.kept is not None:
                    os.replace(each.kept, each.real)  # noqa: PTH105

    def discard(self, *, folders: bool = True) -> None:
        """Leave nothing of what was on its way."""
        for each in self.staged:
            for left in (each.temporary, each.kept):
                if left is not None:
                    with suppress(OSError):
                        left.unlink(missing_ok=True)
        for folder in reversed(self.folders) if folders else ():
            with suppress(OSError):
                folder.rmdir()


_OPEN: ContextVar[_Batch | dict[Path, bytes] | None] = ContextVar("_OPEN", default=None)


def write(files: Mapping[Path, bytes]) -> tuple[Path, ...]:
    """Write files so that a reader sees all of them new and whole, or all of them as they were.

    Parameters
    ----------
    files : mapping of Path to bytes
        Folders are made if need be.

    Returns
    -------
    tuple of Path
        The files, in the given order.

    Raises
    ------
    OSError
        Naming the file, if one cannot be written; then nothing has been replaced and nothing stays behind.
    OutputError
        If one is no ordinary file, or was read by this command.
    """
    with together():
        held = _OPEN.get()
        for path, content in files.items():
            if isinstance(held, dict):
                held[path] = content
            elif held is not None:
                held.stage(path, content)
    return tuple(files)


@contextmanager
def together() -> Iterator[None]:
    """Let all that is written meanwhile appear at the end, or none of it; inside another, at the end of that."""
    if _OPEN.get() is not None:
        yield
        return
    batch = _Batch()
    token = _OPEN.set(batch)
    try:
        with _swept_on_signals(batch):
            try:
                yield
                batch.rename()
            except BaseException:
                batch.discard()
                raise
    finally:
        _OPEN.reset(token)


@contextmanager
def collected() -> Iterator[dict[Path, bytes]]:
    """Hand what is written meanwhile over in memory instead."""
    files: dict[Path, bytes] = {}
    token = _OPEN.set(files)
    try:
        yield files
    finally:
        _OPEN.reset(token)


@contextmanager
def _as_shown(shown: Path) -> Iterator[None]:
    """Name the user's file, not the temporary one."""
    try:
        yield
    except OSError as error:
        raise type(error)(error.errno, error.strerror or str(error), str(shown)) from None
    except ValueError as error:
        raise OutputError(f"{shown}: no file can have this name ({error}); name another") from None


def _before(shown: Path, real: Path) -> os.stat_result | None:
    """Return what stands there, None where nothing does; refuse what is no ordinary file or was read."""
    try:
        found = real.lstat()
    except FileNotFoundError:
        return None
    if not stat.S_ISREG(found.st_mode):
        raise OutputError(f"{shown}: is no ordinary file; name another")
    if was_read(real):
        raise OutputError(f"{shown}: was read by this command and would be written over; name another place")
    return found


def _beside(real: Path) -> Path:
    return real.with_name(f".{secrets.token_hex(8)}.tmp")


def _fill(temporary: Path, content: bytes, before: os.stat_result | None) -> None:
    handle = os.open(temporary, _CREATE, 0o666)
    with os.fdopen(handle, "wb") as file:
        if before is not None and hasattr(os, "fchmod"):
            os.fchmod(file.fileno(), stat.S_IMODE(before.st_mode))
        file.write(content)
        file.flush()
        os.fsync(file.fileno())


def _kept(real: Path) -> Path | None:
    """Keep what stands there under another name, to be put back if need be."""
    if not real.exists():
        return None
    aside = _beside(real)
    try:
        os.link(real, aside)
    except OSError:  # no hard links there
        shutil.copy2(real, aside)
    return aside


def _flush_folder(folder: Path) -> None:
    with suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


# ---- signals -------------------------------------------------------------------------------------------------
def _in_main_thread() -> bool:
    return threading.current_thread() is threading.main_thread()


@contextmanager
def _swept_on_signals(batch: _Batch) -> Iterator[None]:
    """Take away what is on its way when the process is told to end or its terminal goes; then end as told."""

    def sweep(number: int, _frame: FrameType | None) -> None:
        batch.discard()
        signal.signal(number, signal.SIG_DFL)
        os.kill(os.getpid(), number)

    mine = [one for one in _ENDING if _in_main_thread() and signal.getsignal(one) == signal.SIG_DFL]
    try:
        for one in mine:
            signal.signal(one, sweep)
        yield
    finally:
        for one in mine:
            signal.signal(one, signal.SIG_DFL)


@contextmanager
def _held_back() -> Iterator[None]:
    """Let no signal fall between two renames; one that came meanwhile is given afterwards."""
    if not _in_main_thread():
        yield
        return
    came: list[int] = []
    before = {one: signal.getsignal(one) for one in (signal.SIGINT, *_ENDING)}
    own = {one: handler for one, handler in before.items() if handler is not None}
    for one in own:
        signal.signal(one, lambda number, _frame: came.append(number))
    try:
        yield
    finally:
        for one, handler in own.items():
            signal.signal(one, handler)
        for number in came:
            os.kill(os.getpid(), number)
