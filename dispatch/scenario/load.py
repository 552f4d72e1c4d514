"""From a TOML file to a :class:`~dispatch.scenario.Scenario`, or one message that says what to change.

Pydantic's own text is written for programmers. Here every problem of the file is rewritten as
``dotted.field: what is wrong, what was seen, what to write instead``, and all of them are shown at once.
"""

from __future__ import annotations

import tomllib
from difflib import get_close_matches
from typing import TYPE_CHECKING, Any, TypeVar, get_args

from pydantic import BaseModel, ValidationError

from dispatch.errors import ScenarioError
from dispatch.scenario.model import Level, Scenario

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from pathlib import Path

    from pydantic.fields import FieldInfo
    from pydantic_core import ErrorDetails

    Loc = tuple[int | str, ...]


M = TypeVar("M", bound=BaseModel)


_UNITS = {
    "_per_kwh": "money per kWh",
    "_kwh": "kWh (energy)",
    "kwh": "kWh (energy)",
    "_kw": "kW (power)",
    "_w": "W (power)",
    "watts": "W (power)",
    "_hours": "hours",
    "hours": "hours",
    "_per_day": "hours a day",
    "_ms": "milliseconds",
    "_fraction": "a fraction: 90 % is 0.9",
    "percent": "percent",
    "minutes": "minutes",
    "_percent_per_k": "percent per kelvin",
    "_degrees": "degrees",
    "_mm2": "square millimetres",
    "_hz": "hertz",
    "_ft": "feet",
    "_v": "volts",
    "_a": "amperes",
    "_c": "degrees Celsius",
    "_k": "kelvin",
    "_m": "metres",
    "_litres": "litres",
    "count": "a whole number",
}
"""What a name's ending says about the number behind it."""


_TAGS = frozenset({"number", "list"})
"""Names of alternatives that pydantic puts into a location; no setting is called so."""


def read_scenario(path: Path) -> Scenario:
    """Read and validate a scenario file, without opening the files it names.

    Parameters
    ----------
    path : Path
        The TOML file.

    Returns
    -------
    Scenario

    Raises
    ------
    ScenarioError
        If the file is missing, not TOML, or breaks a rule of the models. One message holds every problem.
    """
    return validated(path, read_toml(path), Scenario)


def read_toml(path: Path) -> dict[str, Any]:
    """Read a TOML file, or say which line is at fault."""
    text = read_text(path)
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise ScenarioError(f"{path}: not valid TOML: {_toml_problem(str(error), text)}") from None


def validated(path: Path, data: dict[str, Any], model: type[M]) -> M:
    """Hold what a file says against a model, or list every problem."""
    try:
        return model.model_validate(data)
    except ValidationError as error:
        raise ScenarioError(problem_report(path, explain(error, model))) from None


def read_text(path: Path) -> str:
    """Read a UTF-8 text file or say which file of its folder may have been meant."""
    try:
        return path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError:
        raise ScenarioError(f"{path}: not a UTF-8 text file; save it as plain text (UTF-8)") from None
    except OSError:
        raise ScenarioError(f"{path}: {missing_file(path)}") from None


def missing_file(path: Path) -> str:
    """Describe why a file cannot be read, with the nearest name in its folder."""
    if path.is_dir():
        inside = sorted(path.glob("*.toml"))
        return "this is a folder; " + (f"did you mean '{inside[0]}'?" if inside else "name a file in it")
    if path.exists():
        return "the file may not be read; check its permissions"
    if not path.parent.is_dir():
        return f"no such file: there is no folder '{path.parent}'"
    names = [entry.name for entry in path.parent.iterdir()]
    near = get_close_matches(path.name, names, n=1, cutoff=0.5)
    return "no such file" + (f"; did you mean '{near[0]}'?" if near else f" in '{path.parent}'")


def problem_report(source: object, problems: Sequence[str]) -> str:
    """Join the problems of one file into one message: a line for one, a list for several."""
    if len(problems) == 1:
        return f"{source}: {problems[0]}"
    return "\n  ".join([f"{source}: {len(problems)} problems", *problems])


def explain(error: ValidationError, model: type[BaseModel]) -> list[str]:
    """Rewrite what pydantic found into one line per problem, in the words of the file.

    Parameters
    ----------
    error : ValidationError
    model : type of BaseModel
        The model that was being validated.

    Returns
    -------
    list of str
        ``dotted.field: problem; remedy``, in the order of the models.
    """
    details = error.errors(include_url=False)
    unknown = {d["loc"]: _meant(model, d["loc"]) for d in details if d["type"] == "extra_forbidden"}
    renamed = {(*loc[:-1], near) for loc, near in unknown.items() if near}
    lines = []
    for detail in details:
        loc = tuple(part for part in detail["loc"] if part not in _TAGS)
        if detail["type"] == "missing" and loc in renamed:
            continue  # the misspelt key says the same
        if detail["type"] == "too_short" and detail["input"]:
            continue  # a list is not empty because its members have problems of their own
        lines.append(_line(model, loc, detail))
    return lines


def _line(model: type[BaseModel], loc: Loc, detail: ErrorDetails) -> str:
    seen = detail.get("input")
    kind = detail["type"]
    if kind == "setting":
        return _own_rule(loc, detail)
    if kind == "extra_forbidden":
        return f"{dotted(loc)}: {_unknown_key(model, loc)}"
    if kind == "missing":
        return f"{dotted(loc)}: {_missing_key(model, loc)}"
    return f"{dotted(loc)}: {_wrong_value(model, loc, detail)} (got {show(seen)})"


def _own_rule(loc: Loc, detail: ErrorDetails) -> str:
    context = detail.get("ctx", {})
    if "field" not in context:  # a rule of one setting: its value helps
        return f"{dotted(loc)}: {detail['msg']} (got {show(detail.get('input'))})"
    field = context["field"]
    return f"{dotted((*loc, field) if field else loc)}: {context['text']}"


def _toml_problem(text: str, source: str) -> str:
    """Add the line itself to the parser's complaint, and the usual cause where it is recognisable."""
    number = "".join(ch for ch in text.partition("at line ")[2].partition(",")[0] if ch.isdigit())
    if not number:
        return text
    if text.startswith("Cannot overwrite a value"):
        text = text.replace("Cannot overwrite a value", "a setting stands there twice; keep one of the two")
    elif text.startswith("Cannot declare"):
        text = f"a section stands there twice; join the two {text[text.rindex('(at line') :]}"
    line = source.splitlines()[min(int(number), len(source.splitlines())) - 1].strip()
    value = line.partition("=")[2].strip()
    hint = ""
    if value and value[0].isdigit() and value.split("#")[0].strip().count(" ") == 1:
        hint = "; write the number alone: the unit stands in the name"
    elif value and value[0].isalpha() and value not in {"true", "false"}:
        hint = "; put text between quotes"
    return f"{text}\n  line {number}: {line}{hint}"


def dotted(loc: Iterable[int | str]) -> str:
    """Write a location as in the file, counting tables from 1: ``load.appliances[2].watts``."""
    text = ""
    for part in loc:
        text += f"[{part + 1}]" if isinstance(part, int) else f".{part}"
    return text.removeprefix(".")


def show(value: object) -> str:
    """Show a value as it stands in a TOML file, shortened."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, dict):
        return "a table"
    text = repr(value)
    return text if len(text) <= 60 else text[:57] + "..."


def _models_in(annotation: object) -> list[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return [annotation]
    return [model for inner in get_args(annotation) for model in _models_in(inner)]


def _owner(model: type[BaseModel], loc: Loc) -> type[BaseModel]:
    """Find the model whose field the last part of a location names."""
    for part in loc[:-1]:
        field = model.model_fields.get(str(part))
        inner = _models_in(field.annotation) if field else []
        model = inner[0] if inner else model
    return model


def _field(model: type[BaseModel], loc: Loc) -> FieldInfo | None:
    return _owner(model, loc).model_fields.get(str(loc[-1])) if loc else None


def _meant(model: type[BaseModel], loc: Loc) -> str | None:
    """Guess the setting a key was meant to be: the nearest spelling, or the same stem in another unit."""
    fields = list(_owner(model, loc).model_fields)
    key = str(loc[-1]).lower().replace("-", "_").replace(" ", "_")
    if near := get_close_matches(key, fields, n=1, cutoff=0.6):
        return near[0]
    return next(
        (name for name in fields if name.rpartition("_")[0] in {key, key.rpartition("_")[0]} - {""}), None
    )


def _homes(model: type[BaseModel], key: str, at: str = "") -> list[str]:
    """List the sections that have a setting of this name."""
    homes = [at] if key in model.model_fields else []
    for name, field in model.model_fields.items():
        for inner in _models_in(field.annotation):
            homes += _homes(inner, key, f"{at}.{name}".removeprefix("."))
    return homes


def _unknown_key(model: type[BaseModel], loc: Loc) -> str:
    key = str(loc[-1])
    homes = _homes(model, key)
    if "" in homes:
        return f"not a setting of this section; write '{key}' at the top of the file, before the first [...]"
    if near := _meant(model, loc):
        unit = _unit(near)
        measure = f" It is a number of {unit}" if unit and not unit.startswith("a ") else ""
        return f"not a setting; did you mean '{near}'?{measure}"
    if homes:
        return f"not a setting of this section; '{key}' belongs in [{homes[0]}]"
    return "not a setting; this section takes " + ", ".join(_owner(model, loc).model_fields)


def _missing_key(model: type[BaseModel], loc: Loc) -> str:
    field = _field(model, loc)
    if field is not None and _models_in(field.annotation):
        return f"this section is missing; add [{dotted(loc)}]"
    about = f" ({field.description})" if field is not None and field.description else ""
    return f"this setting is missing; add it{about}"


_PLAIN = {
    "string_type": "write text between quotes",
    "string_too_short": "write something between the quotes",
    "bool_type": "write true or false, without quotes",
    "too_short": "the list is empty; write at least one value",
}
"""Remedies that need no more than the kind of problem."""


_NOT_A_NUMBER = {"float_type", "float_parsing", "int_type", "int_parsing", "int_from_float", "finite_number"}


_NOT_A_SECTION = {"model_type", "dict_type", "model_attributes_type"}


def _wrong_value(model: type[BaseModel], loc: Loc, detail: ErrorDetails) -> str:
    kind = detail["type"]
    unit = _unit(next((part for part in reversed(loc) if isinstance(part, str)), ""))
    if kind in _NOT_A_NUMBER:
        whole = " whole" if kind.startswith("int") else ""
        number = f"write a plain{whole} number"
        if unit.startswith("a "):
            return f"{number}, without quotes or unit" + ("" if whole else f" ({unit})")
        return f"{number}{f' of {unit}' if unit else ''}, without quotes or unit"
    if kind in _NOT_A_SECTION or kind in {"tuple_type", "list_type"}:
        return _wrong_shape(model, loc, kind)
    if kind == "literal_error":
        return _not_a_choice(detail)
    return _PLAIN.get(kind) or _out_of_range(detail, unit)


def _wrong_shape(model: type[BaseModel], loc: Loc, kind: str) -> str:
    field = _field(model, loc)
    inner = _models_in(field.annotation) if field is not None else []
    if kind in _NOT_A_SECTION:
        if Level in inner:
            return f"write {loc[-1]} = {{ percent = 60 }} or {loc[-1]} = {{ kwh = 5.0 }}"
        return f"this is a section; write [{dotted(loc)}] and its settings below it"
    return f"write one [[{dotted(loc)}]] for each" if inner else "write a list in [ ]"


def _not_a_choice(detail: ErrorDetails) -> str:
    expected = detail["ctx"]["expected"]
    choices = [choice.strip("' ") for choice in expected.replace(" or ", ",").split(",")]
    near = get_close_matches(str(detail["input"]).lower(), choices, n=1)
    return f"choose one of {expected}" + (f"; did you mean '{near[0]}'?" if near else "")


def _out_of_range(detail: ErrorDetails, unit: str) -> str:
    context: dict[str, Any] = detail.get("ctx", {})
    bounds = {"gt": "more than", "ge": "at least", "lt": "less than", "le": "at most"}
    for key, words in bounds.items():
        if key in context:
            return f"must be {words} {context[key]:g}" + (f"; {unit}" if "fraction" in unit else "")
    return detail["msg"]


def _unit(name: str) -> str:
    return next((unit for ending, unit in _UNITS.items() if name.endswith(ending)), "")
