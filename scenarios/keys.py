"""Write the key tables of the two file formats into their READMEs: ``python scenarios/keys.py``.

Every row comes from the models that read the files, so that a table cannot name a key they do not know. A README
marks the place of the tables with two comments, ``<!-- keys -->`` and ``<!-- end of keys -->``. ``--check`` writes
nothing and says whether the committed files equal what this script makes.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from dispatch.scenario.model import Scenario
from tariffs import Tariff

ROOT = Path(__file__).resolve().parents[1]
FORMATS = {
    ROOT / "scenarios" / "README.md": Scenario.model_json_schema(),
    ROOT / "tariffs" / "README.md": Tariff.model_json_schema(),
}
BEGIN, END = "<!-- keys -->\n", "<!-- end of keys -->"
WORDS = {"string": "text", "number": "number", "integer": "whole number", "boolean": "true/false"}
LIMITS = {"exclusiveMinimum": ">", "minimum": "≥", "exclusiveMaximum": "<", "maximum": "≤"}
ENDLESS = 10_000  # limits from here on only keep slips of the keyboard out
ONE_AND_MANY = 2

Schema = Mapping[str, Any]
Tables = dict[str, tuple[list[str], str]]


def alternatives(field: Schema) -> list[Schema]:
    """Return what a key may hold, without null."""
    inner = field.get("anyOf") or field.get("oneOf") or [field]
    return [part for part in inner if part.get("type") != "null"]


def models(field: Schema) -> Iterator[tuple[str, str]]:
    """(model, form) of the tables a key may hold; forms: one, many, list, named."""
    parts = alternatives(field)
    for part in parts:
        if "$ref" in part:
            yield name_of(part), "many" if len(parts) == ONE_AND_MANY else "one"
        elif "$ref" in part.get("items", {}) and len(parts) == 1:
            yield name_of(part["items"]), "list"
        elif "$ref" in (part.get("additionalProperties") or {}):
            yield name_of(part["additionalProperties"]), "named"


def name_of(reference: Schema) -> str:
    """Return the model a reference names."""
    return str(reference["$ref"]).rpartition("/")[2]


def value(field: Schema) -> str:
    """Say what a key takes."""
    found = next(models(field), None)
    if found is not None:
        return {"one": "table", "many": "table(s)", "list": "table list", "named": "tables"}[found[1]]
    words = [kind(part) for part in alternatives(field)]
    return " or ".join(dict.fromkeys(words))


def kind(part: Schema) -> str:
    """Say what one alternative is."""
    if "oneOf" in part:
        return value(part)
    if "enum" in part:
        return " / ".join(json.dumps(choice) for choice in part["enum"])
    if "const" in part:
        return json.dumps(part["const"])
    if part.get("type") == "array":
        return "list"
    if part.get("type") == "object":
        return "table"
    word = "date" if part.get("format") == "date" else WORDS[part["type"]]
    limits = [f"{sign} {part[key]:g}" for key, sign in LIMITS.items() if part.get(key, ENDLESS) < ENDLESS]
    return f"{word} {', '.join(limits)}".rstrip()


def default(key: str, field: Schema, model: Schema) -> str:
    """Return what holds where a key is left out."""
    if key in model.get("required", ()):
        return "required"
    given = field.get("default")
    if given is None or given == [] or next(models(field), None) is not None:
        return "optional"
    if isinstance(given, float):
        return f"{given:g}"
    is_price = isinstance(given, str) and field.get("type") != "string"  # decimals are written as text
    return given if is_price else json.dumps(given)


def rows(model: Schema) -> list[str]:
    """Return the rows of one model's table."""
    return [
        f"| `{key}` | {value(field)} | {default(key, field, model)} | {field['description']} |"
        for key, field in model["properties"].items()
    ]


def section(path: str, key: str, form: str) -> str:
    """Return how a table is written in the file, below another."""
    name = f"{path}.{key}" if path else key
    return f"{name}.NAME" if form == "named" else name


def heading(name: str, form: str) -> str:
    """Return a table's heading as the file has it."""
    return f"`[[{name}]]`" if form in {"list", "many"} else f"`[{name}]`"


def collect(schema: Schema) -> Tables:
    """Gather every model once, with the headings under which it stands."""
    found: Tables = {}

    def visit(model: Schema, path: str) -> None:
        for key, field in model["properties"].items():
            for name, form in models(field):
                here = section(path, key, form)
                names, _ = found.setdefault(name, ([], form))
                names.append(heading(here, form))
                if len(names) == 1:
                    visit(schema["$defs"][name], here)

    visit(schema, "")
    return found


def tables(schema: Schema) -> str:
    """Return all key tables of a file format as Markdown."""
    head = ["| key | value | default | meaning |", "|---|---|---|---|"]
    plain = {
        **schema,
        "properties": {k: f for k, f in schema["properties"].items() if next(models(f), None) is None},
    }
    parts = ["### Top of the file", "", *head, *rows(plain), ""]
    for name, (names, _) in collect(schema).items():
        model = schema["$defs"][name]
        parts += [
            f"### {', '.join(names)}",
            "",
            model["description"].partition("\n\n")[0].replace("\n", " "),
            "",
        ]
        parts += [*head, *rows(model), ""]
    return "\n".join(parts)


def written(path: Path, schema: Schema) -> str:
    """Return a README with its tables made anew."""
    before, _, rest = path.read_text(encoding="utf-8").partition(BEGIN)
    _, _, after = rest.partition(END)
    if not after:
        raise SystemExit(f"{path.name} does not mark the place of its key tables")
    return f"{before}{BEGIN}\n{tables(schema)}\n{END}{after}"


def main(arguments: list[str]) -> int:
    """Write the tables, or compare them."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument(
        "--check", action="store_true", help="write nothing; exit code 1 if a table is out of date"
    )
    check = parser.parse_args(arguments).check
    stale = {
        path: text
        for path, schema in FORMATS.items()
        if (text := written(path, schema)) != path.read_text("utf-8")
    }
    for path, text in stale.items():
        print(f"{path.relative_to(ROOT)}: {'out of date, run scenarios/keys.py' if check else 'written'}")
        if not check:
            path.write_text(text, encoding="utf-8")
    return 1 if check and stale else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
