"""From plain data to a checked model, or one message that says what to change.

Pydantic's own text is written for programmers. Here every problem of a file is rewritten as
``dotted.field: what is wrong, what was seen, what to write instead``, and all of them are shown at once.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Annotated, Any, ClassVar, TypeVar, get_args, get_origin

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, ValidationError
from pydantic_core import PydanticCustomError

from tariffs.reading.clock import NO_DATE
from tariffs.reading.refusals import dotted, nearest, problem_report, show, unseen

if TYPE_CHECKING:
    from collections.abc import Iterator

    from pydantic.fields import FieldInfo
    from pydantic_core import ErrorDetails

    from tariffs.errors import DispatchError

    Loc = tuple[int | str, ...]


class Frozen(BaseModel):
    """A section of a file: what it does not list is an error, and what was read never changes."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)

    examples: ClassVar[tuple[str, ...]] = ()
    """How it is written, where that is no section: shown to who writes a bare value in its place."""


Model = TypeVar("Model", bound=BaseModel)


def _readable(value: str) -> str:
    if (hidden := unseen(value)) is not None:
        hint = f"U+{ord(hidden):04X}"
        text = "holds a character that cannot be seen ({hint}); write the text again without it"
        raise PydanticCustomError("setting", text, {"hint": hint})
    return value


Text = Annotated[str, Field(min_length=1), AfterValidator(_readable)]
"""Text of at least one character, all of which can be seen."""

_UNITS = {
    "_per_kwh": "money per kWh",
    "_per_kw": "money per kW",
    "_per_kvah": "money per kVAh",
    "_per_kva": "money per kVA",
    "_per_month": "money per month",
    "per_month": "money per month",
    "hours_per_day": "hours a day",
    "per_day": "money per day",
    "_kwh": "kWh (energy)",
    "kwh": "kWh (energy)",
    "_kw": "kW (power)",
    "_w": "W (power)",
    "watts": "W (power)",
    "hours": "hours",
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
"""What a name's ending says about the number behind it; the first that fits counts."""

_MOST_EXPLAINED = 100

_TAGS = frozenset({"number", "list", "[key]"})
"""Parts that pydantic puts into a location; no setting is called so."""


def validated(
    model: type[Model], data: object, source: object, refuse: type[DispatchError], prefix: str = ""
) -> Model:
    """Check plain data against a model.

    Parameters
    ----------
    model : type of BaseModel
    data : object
        As parsed.
    source : object
        The file, to begin the message with.
    refuse : type of DispatchError
        What to raise.
    prefix : str
        What stands before every field, for data that is part of a file.

    Raises
    ------
    DispatchError
        One message with every problem.
    """
    try:
        return model.model_validate(data)
    except ValidationError as error:
        problems = [prefix + line for line in explain(error, model)]
    except RecursionError:
        problems = [f"{prefix or 'the file'}: sections stand inside each other too deep; write fewer"]
    raise refuse(problem_report(source, problems))


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
    told = details[:_MOST_EXPLAINED]
    unknown = {d["loc"]: _meant(model, d["loc"]) for d in told if d["type"] == "extra_forbidden"}
    renamed = {(*loc[:-1], near) for loc, near in unknown.items() if near}
    lines = []
    for detail in told:
        loc = tuple(part for part in detail["loc"] if part not in _TAGS)
        if detail["type"] == "missing" and loc in renamed:
            continue  # the misspelt key says the same
        if detail["type"] == "too_short" and detail["input"]:
            continue  # a list is not empty because its members have problems of their own
        lines.append(_line(model, loc, detail))
    if len(details) > _MOST_EXPLAINED:
        lines.append(f"and {len(details) - _MOST_EXPLAINED:,} more problems")
    return list(dict.fromkeys(lines))  # alternatives report the same fault once each


def _line(model: type[BaseModel], loc: Loc, detail: ErrorDetails) -> str:
    kind, where = detail["type"], dotted(loc) or "the file"
    if kind in {"setting", "value_error"}:
        return _own_rule(loc, detail)
    if kind == "extra_forbidden":
        return f"{where}: {_unknown_key(model, loc)}"
    if kind == "missing":
        return f"{where}: {_missing_key(model, loc)}"
    return f"{where}: {_wrong_value(model, loc, detail)} (got {show(detail.get('input'))})"


def _own_rule(loc: Loc, detail: ErrorDetails) -> str:
    context, seen = detail.get("ctx", {}), detail.get("input")
    if "field" in context:
        field = context["field"]
        return f"{dotted((*loc, field) if field else loc)}: {context['text']}"
    message = detail["msg"].removeprefix("Value error, ")
    # a rule of one setting: its value helps
    got = "" if "(got" in message or isinstance(seen, dict) else f" (got {show(seen)})"
    return f"{dotted(loc) or 'the file'}: {message}{got}"


# ---- the models, by the names used in files ----------------------------------------------------------------
def _fields(model: type[BaseModel]) -> dict[str, FieldInfo]:
    return {field.alias or name: field for name, field in model.model_fields.items()}


def _models_in(annotation: object) -> list[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return [annotation]
    return [model for inner in get_args(annotation) for model in _models_in(inner)]


def _holds(annotation: object, kind: type) -> bool:
    """Tell whether a setting is a list of sections (tuple), or a table of them by name (dict)."""
    mine = get_origin(annotation) is kind and bool(_models_in(annotation))
    return mine or any(_holds(inner, kind) for inner in get_args(annotation))


def _owner(model: type[BaseModel], loc: Loc) -> type[BaseModel]:
    """Find the model whose field the last part of a location names."""
    for part in loc[:-1]:
        field = _fields(model).get(str(part))
        inner = _models_in(field.annotation) if field else []
        model = inner[0] if inner else model
    return model


def _field(model: type[BaseModel], loc: Loc) -> FieldInfo | None:
    return _fields(_owner(model, loc)).get(str(loc[-1])) if loc else None


def _heading(path: str, field: FieldInfo | None) -> str:
    if field is not None and _holds(field.annotation, tuple):
        return f"[[{path}]]"
    return f"[{path}.NAME]" if field is not None and _holds(field.annotation, dict) else f"[{path}]"


def _meant(model: type[BaseModel], loc: Loc) -> str | None:
    """Guess the setting a key was meant to be: the nearest spelling, or the same stem in another unit."""
    fields = list(_fields(_owner(model, loc)))
    key = str(loc[-1]).lower().replace("-", "_").replace(" ", "_")
    if (count := f"{key.removesuffix('s')}_count") in fields:
        return count
    if near := nearest(key, fields):
        return near
    stems = {key, key.rpartition("_")[0]} - {""}
    return next((name for name in fields if name.rpartition("_")[0] in stems), None)


def _homes(model: type[BaseModel], key: str, at: str = "", heading: str = "") -> Iterator[str]:
    """List the sections that have a setting of this name; an empty text is the top of the file."""
    if key in _fields(model):
        yield heading
    for name, field in _fields(model).items():
        for inner in _models_in(field.annotation):
            path = f"{at}.{name}".removeprefix(".")
            yield from _homes(inner, key, path, _heading(path, field))


def _unknown_key(model: type[BaseModel], loc: Loc) -> str:
    key = str(loc[-1])
    homes = list(_homes(model, key))
    if "" in homes:
        return _misplaced(model, key)
    if near := _meant(model, loc):
        unit = _unit(near)
        measure = f" It is a number of {unit}" if unit and not unit.startswith("a ") else ""
        return f"not a setting; did you mean '{near}'?{measure}"
    if homes:
        return f"not a setting of this section; '{key}' belongs in {homes[0]}"
    return "not a setting; this section takes " + ", ".join(_fields(_owner(model, loc)))


def _misplaced(model: type[BaseModel], key: str) -> str:
    field = _fields(model)[key]
    if _models_in(field.annotation):
        return f"not a setting of this section; write it as {_heading(key, field)}"
    return f"not a setting of this section; write '{key}' at the top of the file, before the first [...]"


def _missing_key(model: type[BaseModel], loc: Loc) -> str:
    field = _field(model, loc)
    if field is not None and _models_in(field.annotation):
        return f"this section is missing; add {_heading(dotted(loc), field)}"
    about = f" ({field.description})" if field is not None and field.description else ""
    return f"this setting is missing; add it{about}"


# ---- values ------------------------------------------------------------------------------------------------
_PLAIN = {
    "string_type": "write text between quotes",
    "string_too_short": "write something between the quotes",
    "bool_type": "write true or false, without quotes",
    "bool_parsing": "write true or false, without quotes",
    "too_short": "the list is empty; write at least one value",
}
"""Remedies that need no more than the kind of problem."""

_NUMBER = re.compile(r"float_|int_|decimal_|finite_number")
_NOT_A_SECTION = {"model_type", "dict_type", "model_attributes_type"}


def _wrong_value(model: type[BaseModel], loc: Loc, detail: ErrorDetails) -> str:
    kind = detail["type"]
    unit = _unit(next((part for part in reversed(loc) if isinstance(part, str)), ""))
    if _NUMBER.match(kind):
        whole = " whole" if kind.startswith("int") else ""
        number = f"write a plain{whole} number"
        if unit.startswith("a "):
            return f"{number}, without quotes or unit" + ("" if whole else f" ({unit})")
        return f"{number}{f' of {unit}' if unit else ''}, without quotes or unit"
    if kind in _NOT_A_SECTION or kind in {"tuple_type", "list_type"}:
        return _wrong_shape(model, loc, kind)
    if kind.startswith("date_"):
        return NO_DATE
    if kind == "literal_error":
        return _not_a_choice(detail)
    return _PLAIN.get(kind) or _out_of_range(detail, unit)


def _wrong_shape(model: type[BaseModel], loc: Loc, kind: str) -> str:
    field = _field(model, loc)
    if field is None and loc and str(loc[-1]) in _fields(model):
        return _misplaced(model, str(loc[-1]))  # inside a table of named sections
    inner = _models_in(field.annotation) if field is not None else []
    if inner and issubclass(inner[0], Frozen) and inner[0].examples:
        return "write " + " or ".join(f"{loc[-1]} = {example}" for example in inner[0].examples)
    if kind in _NOT_A_SECTION:
        listed = bool(loc) and isinstance(loc[-1], int)
        heading = f"[[{dotted(loc[:-1])}]]" if listed else _heading(dotted(loc), field)
        return f"this is a section; write {heading} and its settings below it"
    return f"write one [[{dotted(loc)}]] for each" if inner else "write a list in [ ]"


def _not_a_choice(detail: ErrorDetails) -> str:
    expected = detail["ctx"]["expected"]
    choices = [choice.strip("' ") for choice in expected.replace(" or ", ",").split(",")]
    near = nearest(detail["input"], choices) if isinstance(detail["input"], str) else None
    return f"choose one of {expected}" + (f"; did you mean '{near}'?" if near else "")


def _out_of_range(detail: ErrorDetails, unit: str) -> str:
    context: dict[str, Any] = detail.get("ctx", {})
    bounds = {"gt": "more than", "ge": "at least", "lt": "less than", "le": "at most"}
    for key, words in bounds.items():
        if key in context:
            return f"must be {words} {context[key]:,g}" + (f"; {unit}" if "fraction" in unit else "")
    return detail["msg"]


def _unit(name: str) -> str:
    return next((unit for ending, unit in _UNITS.items() if name.endswith(ending)), "")
