"""The homes of a fleet: found in a folder or a table, and known by the content of their files."""

from __future__ import annotations

import csv
import hashlib
import io
from dataclasses import dataclass, replace
from functools import cache
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import TYPE_CHECKING, Any

from dispatch.errors import ScenarioError
from tariffs.reading.opening import MOST_TABLE_BYTES, checked, read_bytes
from tariffs.reading.refusals import missing_file
from tariffs.reading.toml import read_toml

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence


@dataclass(frozen=True)
class Job:
    """One home under one tariff.

    Attributes
    ----------
    home : str
        Its name in the results.
    scenario : Path
        The scenario file.
    tariff : Path or None
        A tariff in place of the scenario's own.
    under : str
        What the results call that tariff; '' is the home's own.
    """

    home: str
    scenario: Path
    tariff: Path | None = None
    under: str = ""

    @property
    def name(self) -> tuple[str, str]:
        """What the results know it by: home and tariff."""
        return self.home, self.under

    def anywhere(self) -> Job:
        """Return it with paths that hold on every machine with the same disks."""
        tariff = None if self.tariff is None else self.tariff.resolve()
        return replace(self, scenario=self.scenario.resolve(), tariff=tariff)


def find_jobs(place: Path, tariffs: Sequence[Path] = ()) -> list[Job]:
    """List the homes of a folder of scenario folders, or of a table.

    Parameters
    ----------
    place : Path
        A folder, or a CSV file with the column ``scenario`` and, if wanted, ``home`` and ``tariff``, paths relative to
        the table.
    tariffs : sequence of Path
        Put every home under each of these too.

    Raises
    ------
    ScenarioError
        If nothing is there, a column or a tariff is missing, or a home is named twice.
    """
    for tariff in tariffs:
        if not tariff.is_file():
            raise ScenarioError(f"--tariff: {tariff}: {missing_file(tariff)}")
    own = _in_folder(place) if place.is_dir() else _in_table(place)
    jobs = [
        *own,
        *(Job(job.home, job.scenario, tariff, tariff.as_posix()) for tariff in tariffs for job in own),
    ]
    if not jobs:
        raise ScenarioError(f"{place}: no home: put folders with a scenario.toml in it, or name a table")
    seen: set[tuple[str, str]] = set()
    for job in jobs:
        if job.name in seen:
            under = f" under {job.under}" if job.under else ""
            raise ScenarioError(
                f"{place}: home {job.home!r}{under} is named twice; give each a name of its own"
            )
        seen.add(job.name)
    return jobs


def _in_folder(place: Path) -> list[Job]:
    return [
        Job(path.parent.relative_to(place).as_posix(), path)
        for path in sorted(place.rglob("scenario.toml"))
        if path.parent != place
    ]


def _in_table(place: Path) -> list[Job]:
    if not place.is_file():
        raise ScenarioError(f"{place}: there is no such folder or table; name one")
    raw = read_bytes(place, ScenarioError, MOST_TABLE_BYTES, ".csv")
    try:
        file = io.StringIO(raw.decode("utf-8-sig"), newline="")
    except UnicodeDecodeError:
        raise ScenarioError(f"{place}: not a UTF-8 text file; save the table as 'CSV UTF-8'") from None
    with file:
        rows = csv.DictReader(file)
        if "scenario" not in (rows.fieldnames or ()):
            raise ScenarioError(f"{place}: line 1: no column 'scenario'; name the scenario files in one")
        jobs = []
        for row in rows:
            if not row["scenario"]:
                raise ScenarioError(f"{place}: line {rows.line_num}: column 'scenario' is empty; name a file")
            path = place.parent / row["scenario"]
            path = path / "scenario.toml" if path.is_dir() else path
            tariff = row.get("tariff") or None
            home = row.get("home") or Path(row["scenario"]).as_posix().removesuffix("/scenario.toml")
            jobs.append(Job(home, path, None if tariff is None else place.parent / tariff, tariff or ""))
    return jobs


BOUND = "+bound"
"""End of the fingerprint of results that hold the bound too: they stand where only what is set is asked for."""


def fingerprint(job: Job, *, planned: bool) -> str:
    """Hash everything a home's results depend on: its files, what is asked, this program and its arithmetic.

    A file that cannot be read counts as absent: what is wrong with it is told when the home is run.
    """
    whole = hashlib.blake2b(digest_size=16)
    _feed(whole, [program()])
    for path in _files(job):
        _feed(whole, [path.name, _content(path)])
    return whole.hexdigest() + (BOUND if planned else "")


def _feed(whole: Any, parts: Iterable[str]) -> None:  # noqa: ANN401 - hashlib's type has no public name
    for part in parts:
        whole.update(f"{len(part)}:{part}".encode())


def _files(job: Job) -> Iterator[Path]:
    """Yield the home's files and every file one of them names: series, tariff, the tariff's prices and event days."""
    waiting = [job.scenario] if job.tariff is None else [job.scenario, job.tariff]
    seen: set[Path] = set()
    while waiting:
        path = waiting.pop(0)
        if path in seen:
            continue
        seen.add(path)
        yield path
        if path.suffix == ".toml":
            waiting += _named_in(path)


def _named_in(path: Path) -> list[Path]:
    """Return the files that any text of a TOML file names: what later versions name is found too."""
    try:
        document = read_toml(path, ScenarioError)
    except ScenarioError:
        return []
    return [path.parent / text for text in dict.fromkeys(_texts(document)) if _is_file(path.parent, text)]


def _is_file(folder: Path, text: str) -> bool:
    if not text or "\n" in text:
        return False
    try:
        return (folder / text).is_file()
    except (OSError, ValueError):  # longer than a name can be, or with a zero byte
        return False


def _texts(value: object) -> Iterator[str]:
    if isinstance(value, str):
        yield value
    elif isinstance(value, dict):
        for each in value.values():
            yield from _texts(each)
    elif isinstance(value, list):
        for each in value:
            yield from _texts(each)


def _content(path: Path) -> str:
    try:
        checked(path, ScenarioError, MOST_TABLE_BYTES, path.suffix)
        with path.open("rb") as file:
            return hashlib.file_digest(file, "blake2b").hexdigest()
    except (OSError, ScenarioError):
        return "unreadable"


@cache
def program() -> str:
    """Hash this program's own source and name the libraries whose arithmetic it uses."""
    whole = hashlib.blake2b(digest_size=16)
    top = Path(__file__).parents[2]
    for package in ("dispatch", "tariffs"):
        for path in sorted((top / package).rglob("*.py")):
            whole.update(path.relative_to(top).as_posix().encode() + path.read_bytes())
    names = ("numpy", "pandas", "holidays", "highspy", "numba", "pulp", "pvlib", "rainflow", "tzdata")
    return " ".join([whole.hexdigest(), *(f"{name}={_version(name)}" for name in names)])


def _version(name: str) -> str:
    try:
        return version(name)
    except PackageNotFoundError:
        return "absent"
