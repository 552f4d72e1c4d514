"""Reading a tariff file: TOML to checked models, every refusal rewritten for the person who wrote it."""

import datetime as dt
from collections.abc import Mapping, Sequence
from decimal import Decimal
from pathlib import Path
from typing import Any

from tariffs.errors import TariffError
from tariffs.reading.clock import NO_DATE, day_of
from tariffs.reading.models import validated
from tariffs.reading.refusals import Problem, problem_report, show
from tariffs.reading.toml import parse_toml, read_text
from tariffs.sheet.beside import read_prices, with_event_dates
from tariffs.sheet.checks import check_event_dates, check_sheet, check_tariff
from tariffs.sheet.checks_bases import check_rounded_lines
from tariffs.sheet.checks_money import check_money
from tariffs.sheet.checks_registers import check_registers
from tariffs.sheet.registers import register_tariffs
from tariffs.sheet.tariff import HOURLY_BAND, DatedSheet, Tariff
from tariffs.sheet.versions import FIXED, merged, misspelt


def load_tariff(path: str | Path) -> Tariff:
    """Read and check a tariff file.

    Parameters
    ----------
    path : str or Path
        A TOML file. Files it names are looked for beside it.

    Raises
    ------
    TariffError
        If the file is missing, is not TOML, or says something that cannot hold; the message names the
        file, the dotted field, the value seen and the remedy.
    """
    file = Path(path)
    return parse_tariff(read_text(file, TariffError), str(file))


def parse_tariff(text: str, source: str = "tariff") -> Tariff:
    """Read and check the text of a tariff file.

    Parameters
    ----------
    text : str
        TOML.
    source : str
        The name to use in messages; files named in the text are looked for in its directory.

    Raises
    ------
    TariffError
        As `load_tariff`.
    """
    document = parse_toml(text, source, TariffError, Decimal)
    folder = Path(source).parent
    versions = _version_list(document, source)
    tariff = _checked(document, source, folder, "")
    later: list[DatedSheet] = []
    for number, version in enumerate(versions):
        prefix = f"versions[{number + 1}]."
        start, changes = _dated(version, later[-1].start if later else None, source, prefix)
        _refuse(source, [_slip(prefix, *found) for found in misspelt(document, changes)])
        document = merged(document, changes)
        later.append(DatedSheet(start, _checked(document, source, folder, prefix)))
    _check_versions(tariff, later, source)
    _refuse(source, check_rounded_lines(tariff, later[-1].sheet if later else tariff))
    tariff._source = source  # noqa: SLF001 - private to the package, set once here
    tariff._later = tuple(later)  # noqa: SLF001
    if tariff.hourly_prices is not None:
        tariff._series = read_prices(tariff.hourly_prices, folder, tariff.time_zone)  # noqa: SLF001
    tariff._beside = register_tariffs(tariff)  # noqa: SLF001
    return tariff


def _checked(document: Mapping[str, Any], source: str, folder: Path, prefix: str) -> Tariff:
    """Validate one version of the document and everything its tables say of each other."""
    complete = with_event_dates(document, folder)
    if "hourly_prices" in complete and "bands" not in complete:
        complete["bands"] = {HOURLY_BAND: {}}
    tariff = validated(Tariff, complete, source, TariffError, prefix)
    problems = [*check_tariff(tariff), *check_sheet(tariff)]
    # prices are looked at only once it is known when they hold
    problems = problems or [
        *check_money(tariff, tariff),
        *check_event_dates(tariff, tariff),
        *check_registers(tariff, tariff),
    ]
    _refuse(source, [Problem(prefix + field, text) for field, text in problems])
    return tariff


def _version_list(document: dict[str, Any], source: str) -> list[object]:
    versions = document.get("versions", [])
    listed = versions if isinstance(versions, list) else [versions]
    if not all(isinstance(version, Mapping) for version in listed):
        raise TariffError(f"{source}: versions: write one [[versions]] for each (got {show(versions)})")
    return listed


def _dated(
    version: object, before: dt.date | None, source: str, prefix: str
) -> tuple[dt.date, dict[str, Any]]:
    """Split a version into its first day and its changes."""
    changes = dict(version) if isinstance(version, Mapping) else {}
    start = seen = changes.pop("valid_from", None)
    if isinstance(start, str):
        try:
            start = day_of(start)
        except ValueError:
            start = None
    if not isinstance(start, dt.date) or isinstance(start, dt.datetime):
        raise TariffError(f"{source}: {prefix}valid_from: {NO_DATE} (got {show(seen)})")
    if before is not None and start <= before:
        text = f"must rise from version to version (got {start} after {before}); sort the versions"
        raise TariffError(f"{source}: {prefix}valid_from: {text}")
    for key in changes:
        if key in FIXED:
            text = "cannot change with a version; it belongs to the whole file"
            raise TariffError(f"{source}: {prefix}{key}: {text} (got {key}); move it to the top of the file")
    return start, changes


def _slip(prefix: str, key: str, name: str, near: str) -> Problem:
    text = f"nothing is called this before this version (got {name!r}); did you mean {near!r}?"
    return Problem(f"{prefix}{key}.{name}", f"{text} What is new needs a name less alike")


def _check_versions(tariff: Tariff, later: Sequence[DatedSheet], source: str) -> None:
    for number, dated in enumerate(later):
        field = f"versions[{number + 1}].valid_from"
        if dated.start is None:
            continue
        if tariff.valid_from is not None and dated.start <= tariff.valid_from:
            text = f"must come after the file's own valid_from, {tariff.valid_from} (got {dated.start})"
            raise TariffError(f"{source}: {field}: {text}; correct one of the dates")
        if tariff.valid_to is not None and dated.start > tariff.valid_to:
            text = f"must not come after the file's valid_to, {tariff.valid_to} (got {dated.start})"
            raise TariffError(f"{source}: {field}: {text}; correct one of the dates")


def _refuse(source: str, problems: Sequence[Problem]) -> None:
    if problems:
        raise TariffError(problem_report(source, problems))
