"""Reading a tariff file: TOML to checked models, every refusal rewritten for the person who wrote it."""

import datetime as dt
import tomllib
from collections.abc import Iterable, Mapping, Sequence
from decimal import Decimal
from pathlib import Path
from typing import Any, get_args

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from tariffs.errors import TariffError
from tariffs.sheet.beside import read_prices, with_event_dates
from tariffs.sheet.checks import check_event_dates, check_sheet, check_tariff, suggestion
from tariffs.sheet.checks_money import check_money
from tariffs.sheet.tariff import HOURLY_BAND, DatedSheet, Tariff
from tariffs.sheet.versions import FIXED, merged, misspelt
from tariffs.sheet.windows import Problem

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
    later: list[DatedSheet] = []
    for number, version in enumerate(versions):
        prefix = f"versions[{number + 1}]."
        start, changes = _dated(version, later[-1].start if later else None, source, prefix)
        _refuse(source, [_slip(prefix, *found) for found in misspelt(document, changes)])
        document = merged(document, changes)
        later.append(DatedSheet(start, _checked(document, source, folder, prefix)))
    _check_versions(tariff, later, source)
    tariff._source = source  # noqa: SLF001 - private to the package, set once here
    tariff._later = tuple(later)  # noqa: SLF001
    if tariff.hourly_prices is not None:
        tariff._series = read_prices(tariff.hourly_prices, folder, tariff.time_zone)  # noqa: SLF001
    return tariff


def _checked(document: Mapping[str, Any], source: str, folder: Path, prefix: str) -> Tariff:
    """Validate one version of the document and everything its tables say of each other."""
    complete = with_event_dates(document, folder)
    if "hourly_prices" in complete and "bands" not in complete:
        complete["bands"] = {HOURLY_BAND: {}}
    tariff = _validated(complete, source, prefix)
    problems = [*check_tariff(tariff), *check_sheet(tariff)]
    # prices are looked at only once it is known when they hold
    problems = problems or [*check_money(tariff, tariff), *check_event_dates(tariff, tariff)]
    _refuse(source, [Problem(prefix + field, text) for field, text in problems])
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
        raise TariffError("\n".join(f"{source}: {field}: {text}" for field, text in problems))


def _validated(document: object, source: str, prefix: str) -> Tariff:
    try:
        return Tariff.model_validate(document)
    except ValidationError as error:
        problems = [_rewritten(found) for found in error.errors(include_url=False)]
        known_first = dict.fromkeys(problems)  # a union reports the same fault once per branch
        _refuse(source, [Problem(prefix + field, text) for field, text in known_first])
        raise


def _rewritten(found: ErrorDetails) -> Problem:
    """Say what pydantic found in the words of a tariff file."""
    loc, kind = tuple(found["loc"]), found["type"]
    field, key = dotted(loc) or "file", str(loc[-1]) if loc else ""
    got = "" if isinstance(found["input"], dict | list) else f" (got {_shown(found['input'])})"
    misplaced = len(loc) > 1 and key in _TOP_ONLY
    if kind == "extra_forbidden":
        hint = _MISPLACED if misplaced else suggestion(key, _keys_at(Tariff, loc[:-1]))
        return Problem(
            field, f"is not a setting of a tariff file (got {key} = {_shown(found['input'])}); {hint}"
        )
    message = str(found["msg"]).removeprefix("Value error, ")
    if kind == "value_error":
        return Problem(field, message if "(got" in message else message + got)
    if kind == "literal_error":
        return Problem(field, f"is not a value this setting knows{got}; choose {found['ctx']['expected']}")
    if kind == "missing":
        return Problem(field, "is missing; add it")
    if loc == ("bands",):
        return Problem(
            field, f"should be one table per price{got}; write [bands.NAME] with import_price_per_kwh"
        )
    problem, remedy = _WORDS.get(kind, (f"{message[:1].lower()}{message[1:]}", "correct the value"))
    limits = ", ".join(str(limit) for limit in found.get("ctx", {}).values())
    return Problem(field, f"{problem.format(limits)}{got}; {_MISPLACED if misplaced else remedy}")


_TOP_ONLY = ("other_hours", "currency", "time_zone", "valid_to")


_MISPLACED = "it belongs at the top of the file: move it above the first [table]"


_TABLE = ("should be a table of settings", "write it as [table] or { key = value }")


_DATE = ("should be a date", "write it as 2025-01-31")


_WORDS = {
    "model_type": _TABLE,
    "model_attributes_type": _TABLE,
    "dict_type": _TABLE,
    "tuple_type": ("should be a list", "write [..., ...], or [[name]] for each table"),
    "date_from_datetime_parsing": _DATE,
    "date_from_datetime_inexact": _DATE,
    "date_parsing": _DATE,
    "date_type": _DATE,
    "string_type": ("should be text", "put it in quotes"),
    "string_too_short": ("is empty", "write a name"),
    "too_short": ("is empty", "list at least one"),
    "greater_than": ("must be greater than {}", "correct the value"),
    "greater_than_equal": ("must be at least {}", "correct the value"),
    "less_than_equal": ("must be at most {}", "correct the value"),
    "int_type": ("should be a whole number", "write it without quotes and decimals"),
    "int_parsing": ("should be a whole number", "write it without quotes and decimals"),
    "int_from_float": ("should be a whole number", "write it without decimals"),
    "bool_type": ("should be true or false", "write it without quotes"),
    "bool_parsing": ("should be true or false", "write it without quotes"),
}


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
