"""Reading a tariff file: TOML to checked models, every refusal rewritten for the person who wrote it."""

import tomllib
from collections.abc import Iterable, Sequence
from decimal import Decimal
from pathlib import Path
from typing import get_args

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from tariffs.checks import check_sheet, check_tariff, suggestion
from tariffs.errors import TariffError
from tariffs.model import DatedSheet, Tariff
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
    tariff = _validated(document, source)
    _refuse(source, check_tariff(tariff))
    _refuse(source, check_sheet(tariff))
    tariff._source = source  # noqa: SLF001 - private to the package, set once here
    tariff._sheets = (DatedSheet(None, tariff),)  # noqa: SLF001
    return tariff


def _refuse(source: str, problems: Sequence[Problem]) -> None:
    if problems:
        raise TariffError("\n".join(f"{source}: {field}: {text}" for field, text in problems))


def _validated(document: object, source: str) -> Tariff:
    try:
        return Tariff.model_validate(document)
    except ValidationError as error:
        problems = [_rewritten(Tariff, found) for found in error.errors(include_url=False)]
        known_first = dict.fromkeys(problems)  # a union reports the same fault once per branch
        _refuse(source, list(known_first))
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
