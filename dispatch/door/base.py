"""What every command hands back, and how a home is loaded."""

# ruff: noqa: PLC0415 - imports inside the functions: a command loads only what it needs

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Self

from dispatch.advice.recommend import recommend
from dispatch.case.case import Case, load_scenario

Home = Case | str | Path
"""A loaded case, or the path of its scenario file or folder."""


@dataclass(frozen=True, kw_only=True)
class Result:
    """What a command found.

    Attributes
    ----------
    full : bool
        Whether the screen goes on behind the answer; see :meth:`in_full`.
    """

    full: bool = False

    def document(self) -> dict[str, Any]:
        """Return the result in plain JSON types."""
        raise NotImplementedError

    def screen(self) -> object:
        """Return the screen, for 80 columns."""
        raise NotImplementedError

    def write_csv(self, directory: Path) -> tuple[Path, ...]:
        """Write the result's tables into a directory, made if need be; returns the files."""
        del directory
        return ()

    def write_origin(self, directory: Path) -> None:
        """Write beside a result's tables what they were made from, and what looks odd in the inputs."""
        from dispatch.exports.files import json_text, write_files
        from dispatch.writing import ORIGIN_FILE

        document = self.document()
        known: dict[str, Any] = {key: document[key] for key in ("made_from", "looks_odd") if key in document}
        if known:
            write_files(directory, {ORIGIN_FILE: json_text(known)})

    def page(self) -> str:
        """Return the result as one self-contained HTML page, for the results that have one."""
        raise NotImplementedError

    def write_page(self, file: Path) -> None:
        """Write the page; a reader sees it whole or not at all."""
        from dispatch.writing import write

        write({file: self.page().encode()})

    def no_answer(self) -> str | None:
        """Say why nothing found would do; None where there is an answer."""
        return None

    def in_full(self) -> Self:
        """Return the same result whose screen shows everything."""
        return replace(self, full=True)

    def __rich__(self) -> object:
        """Return the screen."""
        return self.screen()


def load(home: Home) -> Case:
    """Load a home from its scenario file or the folder that holds it as ``scenario.toml``.

    Raises
    ------
    DispatchError
        If anything in it cannot be used; names file, place and remedy.

    Examples
    --------
    >>> from dispatch import load
    >>> load("scenarios/alder-row").name
    'Alder Row'
    """
    if isinstance(home, Case):
        return home
    path = Path(home)
    return load_scenario(path / "scenario.toml" if path.is_dir() else path)


def as_advised(case: Case) -> Case:
    """Return the case at the reserve that is recommended, the file's raised times on top."""
    return case.at_reserve("percent", recommend(case).reserve_percent)
