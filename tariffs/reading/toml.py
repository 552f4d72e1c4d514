"""TOML files: read, parsed, and a complaint that shows the line itself and how to mend it."""

from __future__ import annotations

import json
import re
import tomllib
from typing import TYPE_CHECKING, Any

from tariffs.reading.opening import MOST_SHEET_BYTES, read_bytes
from tariffs.reading.refusals import show, unseen, visible

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from tariffs.errors import DispatchError

_LONGEST_FILE = 1_000_000  # characters: a person writes no more, and a parser may take very long over it

_MOST_SETTINGS = 5_000  # of one file

# the parser's time grows with the square of a name's parts; started at a word only, so that this search's does not
_PART = r"""(?:"[^"\n]*+"|'[^'\n]*+'|(?<![\w-])[\w-]++)"""
_MANY_PARTS = re.compile(rf"(?:{_PART}[ \t]*+\.[ \t]*+){{50}}", re.ASCII)

_MOST_EXPONENT = 30  # no quantity of a household has so many digits before or behind the point

_MOST_DIGITS = 60

_LONE_HALF = re.compile(
    r"[\ud800-\udfff]"
)  # of a surrogate pair, from a file name that is no text: TOML has none

_NUMBER = re.compile(r"[-+]?([\d_]*)(?:\.([\d_]*))?(?:e([-+]?[\d_]+))?", re.IGNORECASE)


class _OutlandishError(ValueError):
    """A number that no quantity can have; holds it as written."""


def read_toml(
    path: Path, refuse: type[DispatchError], parse_float: Callable[[str], object] = float
) -> dict[str, Any]:
    """Read a TOML file.

    Parameters
    ----------
    path : Path
    refuse : type of DispatchError
        What to raise.
    parse_float : callable
        What numbers with a point become: `float`, or `Decimal` where they are money.

    Raises
    ------
    DispatchError
        If it is missing, not text or not TOML.
    """
    return parse_toml(read_text(path, refuse), path, refuse, parse_float)


def read_text(path: Path, refuse: type[DispatchError]) -> str:
    """Read a UTF-8 text file or say which file of its folder may have been meant."""
    raw = read_bytes(path, refuse, MOST_SHEET_BYTES, ".toml")
    try:
        return raw.decode("utf-8-sig").replace("\r\n", "\n").replace("\r", "\n")
    except UnicodeDecodeError:
        raise refuse(f"{path}: not a UTF-8 text file; save it as plain text (UTF-8)") from None


def parse_toml(
    text: str, source: object, refuse: type[DispatchError], parse_float: Callable[[str], object] = float
) -> dict[str, Any]:
    """Parse the text of a TOML file; as :func:`read_toml`, `source` being the name to use in messages."""
    if len(text) > _LONGEST_FILE:
        limit = f"{_LONGEST_FILE:,} characters"
        raise refuse(f"{source}: longer than {limit}; is it a series? Name the settings file")

    def number(written: str) -> object:
        _refuse_outlandish(written)
        return parse_float(written)

    text = text.removeprefix("\ufeff")
    if (parts := _MANY_PARTS.search(text)) is not None:
        line = text.count("\n", 0, parts.start()) + 1
        raise refuse(
            f"{source}: line {line} ({show(parts[0])}): a name of too many parts; write fewer points"
        )
    try:
        document = tomllib.loads(text, parse_float=number)
    except tomllib.TOMLDecodeError as error:
        raise refuse(f"{source}: not valid TOML: {_complaint(str(error), text)}") from None
    except _OutlandishError as error:
        where = _line_with(text, str(error))
        raise refuse(f"{source}: {where}: no quantity is so large or so fine; correct the number") from None
    except RecursionError:
        where = _line_with(text, max(text.splitlines(), key=lambda line: line.count("[") + line.count("{")))
        raise refuse(f"{source}: {where}: brackets are nested too deep; close them") from None
    except ValueError:  # Python reads no integer of more than 4300 digits
        longest = max(re.findall(r"[\d_]+", text), key=len)
        where = _line_with(text, longest)
        raise refuse(f"{source}: {where}: no quantity has so many digits; correct the number") from None
    if _settings(document) > _MOST_SETTINGS:
        text = f"holds more than {_MOST_SETTINGS:,} settings; what is given for each step belongs in a CSV"
        raise refuse(f"{source}: {text}")
    if (key := _unreadable_key(document)) is not None:
        hidden = f"U+{ord(unseen(key) or ' '):04X}"
        text = f"the name {visible(key)!r} holds a character that cannot be seen ({hidden}); write it again without it"
        raise refuse(f"{source}: {text}")
    return document


def toml_text(text: str) -> str:
    """Write a text as TOML: between quotes, with everything escaped that could end it early or is not allowed."""
    return visible(json.dumps(_LONE_HALF.sub("\ufffd", text), ensure_ascii=False))


def _settings(value: object) -> int:
    inside = value if isinstance(value, list) else value.values() if isinstance(value, dict) else ()
    own = len(value) if isinstance(value, dict) else 0
    return own + sum(_settings(inner) for inner in inside if isinstance(inner, list | dict))


def _unreadable_key(value: object) -> str | None:
    """Return the first key that holds a character nobody can see."""
    for inner in value if isinstance(value, list) else ():
        if (found := _unreadable_key(inner)) is not None:
            return found
    for key, inner in value.items() if isinstance(value, dict) else ():
        if unseen(key) is not None:
            return str(key)
        if (found := _unreadable_key(inner)) is not None:
            return found
    return None


def _refuse_outlandish(written: str) -> None:
    """Refuse a number that arithmetic cannot hold: with it nothing after this would be exact."""
    match = _NUMBER.fullmatch(written)
    if match is None:  # inf or nan
        return
    whole, fraction, exponent = (part.replace("_", "") for part in match.groups(default=""))
    long = len(whole) + len(fraction) > _MOST_DIGITS or len(exponent) > _MOST_DIGITS
    if long or abs(int(exponent or "0")) > _MOST_EXPONENT:
        raise _OutlandishError(written)


def _line_with(text: str, part: str) -> str:
    """Name the first line that holds a part of the text, and show it."""
    lines = text.splitlines()
    number = next((at for at, line in enumerate(lines, start=1) if part in line), 1)
    return f"line {number} ({show(lines[number - 1].strip())})"


def _complaint(text: str, source: str) -> str:
    """Add the line itself to the parser's complaint, and the usual cause where it is recognisable."""
    number = "".join(ch for ch in text.partition("at line ")[2].partition(",")[0] if ch.isdigit())
    if text.startswith("Cannot overwrite a value"):
        text = text.replace("Cannot overwrite a value", "a setting stands there twice; keep one of the two")
    elif text.startswith("Cannot declare"):
        text = f"a section stands there twice; join the two {text[text.rindex('(at line') :]}"
    lines = source.split("\n")
    if not number or int(number) > len(lines):
        return visible(text)
    line = lines[int(number) - 1].strip()
    value = line.partition("=")[2].split("#")[0].strip()
    hint = ""
    if re.fullmatch(r"[-+]?[\d.,]+ *[^\d\s,.]+", value):
        hint = "; write the number alone: the unit stands in the name"
    elif re.fullmatch(r"\d+,\d+", value):
        hint = "; write the number with a point as decimal mark"
    elif value and value[0].isalpha() and value not in {"true", "false"}:
        hint = "; put text between quotes"
    shown = line if len(line) <= 100 else line[:97] + "..."
    return visible(f"{text}\n  line {number}: {shown}{hint}")
