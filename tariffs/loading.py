"""Reading a tariff file: TOML to checked models, every refusal rewritten for the person who wrote it."""

import datetime as dt
import tomllib
from collections.abc import Iterable, Mapping, Sequence
from decimal import Decimal
from pathlib import Path
from typing import Any, get_args

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from tariffs.checks import check_event_dates, check_sheet, check_tariff, suggestion
from tariffs.checks_money import check_money
from tariffs.errors import TariffError
from tariffs.loading_beside import read_prices, with_event_dates
from tariffs.loading_versions import FIXED, merged
from tariffs.model import HOURLY_BAND, DatedSheet, Tariff
from tariffs.windows import Problem

Loc = tuple[int | str, ...]


def load_tariff(path: str | Path) -> Tariff:
    """Read and check a tariff file.

    Parameters
    ----------
    path : str or Path
        A TOML file. Files it names are looked for beside it.

    Returns
    -------
    Tariff

    Raises
    ------
    TariffError
        If the file is missing, is not TOML, or says something that cannot hold; the message names the
        file, the dotted field, the value seen and the remedy.
    """
    file = Path(path)
    try:
        text = file.read_text(encoding="utf-8")
    except FileNotFoundError:
        raise TariffError(f"{file}: no such tariff file; check the path") from None
    except IsADirectoryError:
        raise TariffError(f"{file}: is a directory; give the tariff's .toml file") from None
    except UnicodeDecodeError:
        raise TariffError(f"{file}: is not a text file in UTF-8; save it as UTF-8") from None
    except OSError as error:
        raise TariffError(f"{file}: cannot be read ({error.strerror}); check the path") from None
    return parse_tariff(text, str(file))


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
    try:
        document = tomllib.loads(text, parse_float=Decimal)
    except tomllib.TOMLDecodeError as error:
        raise TariffError(f"{source}: is not valid TOML: {error}") from None
    folder = Path(source).parent
    versions = _version_list(document, source)
    tariff = _checked(document, source, folder, "")
    sheets = [DatedSheet(None, tariff)]
    for number, version in enumerate(versions):
        prefix = f"versions[{number + 1}]."
        start, changes = _dated(version, sheets[-1].start, source, prefix)
        document = merged(document, changes)
        sheets.append(DatedSheet(start, _checked(document, source, folder, prefix)))
    _check_versions(tariff, sheets, source)
    tariff._source = source  # noqa: SLF001 - private to the package, set once here
    tariff._sheets = tuple(sheets)  # noqa: SLF001
    if tariff.hourly_prices is not None:
        tariff._series = read_prices(tariff.hourly_prices, folder, tariff.time_zone)  # noqa: SLF001
    return tariff


def _checked(document: Mapping[str, Any], source: str, folder: Path, prefix: str) -> Tariff:
    """Validate one version of the document and everything its tables say of each other."""
    complete = with_event_dates(document, folder)
    if "hourly_prices" in complete and "bands" not in complete:
        complete["bands"] = {HOURLY_BAND: {}}
    tariff = _validated(complete, source, prefix)
    for check in (
        check_tariff(tariff),
        check_sheet(tariff),
        check_money(tariff, tariff),
        check_event_dates(tariff, tariff),
    ):
        _refuse(source, [Problem(prefix + field, text) for field, text in check])
    return tariff


def _version_list(document: dict[str, Any], source: str) -> list[object]:
    versions = document.get("versions", [])
    listed = versions if isinstance(versions, list) else [versions]
    if not all(isinstance(version, Mapping) for version in listed):
        raise TariffError(f"{source}: versions: should be tables (got {versions!r}); write [[versions]]")
    return listed


def _dated(
    version: object, before: dt.date | None, source: str, prefix: str
) -> tuple[dt.date, dict[str, Any]]:
    """Split a version into its first day and its changes."""
    changes = dict(version) if isinstance(version, Mapping) else {}
    start = changes.pop("valid_from", None)
    if isinstance(start, str):
        try:
            start = dt.date.fromisoformat(start)
        except ValueError:
            start = None
    if not isinstance(start, dt.date) or isinstance(start, dt.datetime):
        raise TariffError(f"{source}: {prefix}valid_from: should be a date; write valid_from = 2025-05-01")
    if before is not None and start <= before:
        text = f"must rise from version to version (got {start} after {before}); sort the versions"
        raise TariffError(f"{source}: {prefix}valid_from: {text}")
    for key in changes:
        if key in FIXED:
            text = "cannot change with a version; it belongs to the whole file"
            raise TariffError(f"{source}: {prefix}{key}: {text} (got {key}); move it to the top of the file")
    return start, changes


def _check_versions(tariff: Tariff, sheets: Sequence[DatedSheet], source: str) -> None:
    for number, dated in enumerate(sheets[1:]):
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
        raise TariffError("\n".join(f"{source}: {field}: {text}" for field, text in problems))


def _validated(document: object, source: str, prefix: str) -> Tariff:
    try:
        return Tariff.model_validate(document)
    except ValidationError as error:
        problems = [_rewritten(Tariff, found) for found in error.errors(include_url=False)]
        known_first = dict.fromkeys(problems)  # a union reports the same fault once per branch
        _refuse(source, [Problem(prefix + field, text) for field, text in known_first])
        raise


def _rewritten(model: type[BaseModel], found: ErrorDetails) -> Problem:
    loc, kind = tuple(found["loc"]), found["type"]
    field = dotted(loc)
    if kind == "extra_forbidden":
        keys = _keys_at(model, loc[:-1])
        got = f"got {loc[-1]} = {_shown(found['input'])}"
        return Problem(field, f"is not a setting of a tariff file ({got}); {suggestion(str(loc[-1]), keys)}")
    if kind == "missing":
        return Problem(field, "is missing; add it")
    message = str(found["msg"]).removeprefix("Value error, ")
    if kind == "value_error" and "(got" in message:
        return Problem(field or "file", message)
    shown = found["input"]
    got = "" if isinstance(shown, dict | list) else f" (got {_shown(shown)})"
    return Problem(field or "file", f"{message[:1].lower()}{message[1:]}{got}")


def _shown(value: object) -> str:
    if isinstance(value, dict | list):
        return "{...}" if isinstance(value, dict) else "[...]"
    return str(value) if isinstance(value, Decimal) else repr(value)


def dotted(loc: Iterable[int | str]) -> str:
    """Write a location as the user counts: ``windows[2].from``, the first entry being 1."""
    text = ""
    for part in loc:
        text += f"[{part + 1}]" if isinstance(part, int) else f".{part}" if text else str(part)
    return text


def _keys_at(model: type[BaseModel], loc: Loc) -> list[str]:
    """Return the keys that the table at a location may have."""
    for part in loc:
        if isinstance(part, str):
            model = _table_of(model, part)
    return [info.alias or name for name, info in model.model_fields.items()]


def _table_of(model: type[BaseModel], key: str) -> type[BaseModel]:
    for name, info in model.model_fields.items():
        if key in {name, info.alias}:
            return _first_model(info.annotation) or model
    return model  # the name of one band inside [bands]


def _first_model(annotation: object) -> type[BaseModel] | None:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    for argument in get_args(annotation):
        if (found := _first_model(argument)) is not None:
            return found
    return None
