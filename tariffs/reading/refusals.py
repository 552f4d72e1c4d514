"""Saying what is wrong with a file: the value as it was written, the nearest name that exists, one message."""

from __future__ import annotations

import datetime as dt
import difflib
import re
from decimal import Decimal
from typing import TYPE_CHECKING, NamedTuple

from tariffs.currencies import CURRENCIES

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from pathlib import Path

NO_FILE = "is no ordinary file but a device or pipe; save the data to a file first"

SHOWN = 3
"""How many offenders a message names before it gives the total."""

_NAMES_SHOWN = 30

_MOST_COMPARED = 200  # names: each takes a while

_LONGEST = 60

_MOST_TOLD = 50

_CONTROLS = r"\x7f-\x9f\u2028\u2029\ud800-\udfff"

_TURNING = r"\u061c\u200e\u200f\u202a-\u202e\u2066-\u2069"
"""Characters that turn the direction of those after them: with one, `gnp.exe` reads as `exe.png`."""

_UNSEEN = re.compile(rf"[\x00-\x1f{_CONTROLS}{_TURNING}]")

_HARMFUL = re.compile(rf"[\x00-\x08\x0b-\x1f{_CONTROLS}{_TURNING}]")


class Problem(NamedTuple):
    """One thing wrong with a file: the dotted field and what to say about it."""

    field: str
    text: str


def problem_report(source: object, problems: Sequence[str | Problem]) -> str:
    """Join the problems of one file into one message: a line for one, a list for several."""
    lines = [found if isinstance(found, str) else f"{found.field}: {found.text}" for found in problems]
    if len(lines) == 1:
        return f"{source}: {lines[0]}"
    more = [f"and {len(lines) - _MOST_TOLD:,} more"] if len(lines) > _MOST_TOLD else []
    return "\n  ".join([f"{source}: {len(lines):,} problems", *lines[:_MOST_TOLD], *more])


def dotted(loc: Iterable[int | str]) -> str:
    """Write a location as in the file, counting tables from 1: ``load.appliances[2].watts``."""
    text = "".join(f"[{part + 1}]" if isinstance(part, int) else f".{part}" for part in loc)
    return text.removeprefix(".")


def show(value: object) -> str:
    """Show a value as it stands in a TOML file, shortened."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, list | tuple):
        inner = ("a list" if isinstance(item, list | tuple) else show(item) for item in value[:_LONGEST])
        text = f"[{', '.join(inner)}]"
    elif isinstance(value, dt.date | dt.time):
        text = value.isoformat()
    else:
        try:
            plain = float(value) if isinstance(value, Decimal) and not value.is_finite() else value
            text = str(plain) if isinstance(plain, Decimal) else repr(plain)
        except ValueError:  # an integer of more digits than Python writes out
            return "a number of thousands of digits"
    return text if len(text) <= _LONGEST else text[: _LONGEST - 3] + "..."


def listed(items: Sequence[str], total: int | None = None) -> str:
    """Name the first few offenders and how many more there are; `total` where not all of them are in `items`."""
    count = len(items) if total is None else total
    shown = ", ".join(items[:SHOWN])
    return f"{shown} and {count - SHOWN:,} more" if count > SHOWN else shown


def unseen(text: str) -> str | None:
    """Return the first character of a text that no screen shows, or that turns others round; None without."""
    found = _UNSEEN.search(text)
    return None if found is None else found[0]


def visible(text: str) -> str:
    """Write characters that cannot be seen, or that turn others round, as escapes; line breaks and tabs stay."""
    return _HARMFUL.sub(lambda found: f"\\u{ord(found[0]):04x}", text)


# ---- names -------------------------------------------------------------------------------------------------
def nearest(word: str, known: Iterable[str], cutoff: float = 0.6) -> str | None:
    """Return the known name that a word was probably meant to be, whatever its capitals."""
    folded = {name.casefold(): name for name in sorted(set(known))}
    wanted = word.casefold()[: 2 * _LONGEST]  # the search is quadratic in it
    begun = [held for held in folded if len(word) > 1 and held.startswith(wanted)]
    near = folded if len(folded) <= _MOST_COMPARED else ()
    close = begun[:1] or difflib.get_close_matches(wanted, near, n=1, cutoff=cutoff)
    return folded[close[0]] if close else None


def suggestion(word: str, known: Iterable[str]) -> str:
    """Say which known word was probably meant, or list them all."""
    words = sorted(set(known))
    if near := nearest(word, words):
        return f"did you mean {near!r}?"
    if not words:
        return "none is defined"
    more = ", ..." if len(words) > _NAMES_SHOWN else ""
    return f"known: {', '.join(words[:_NAMES_SHOWN])}{more}"


def unknown(field: str, word: str, known: Iterable[str], what: str) -> Problem:
    """Report a name that nothing in the file carries."""
    return Problem(field, f"no {what} is called this (got {show(word)}); {suggestion(word, known)}")


def unknown_names(field: str, words: Iterable[str], known: Iterable[str], what: str) -> list[Problem]:
    """Report every word that is not known."""
    words_known = list(known)
    return [unknown(field, word, words_known, what) for word in words if word not in words_known]


def missing_file(path: Path, kind: str = ".toml") -> str:
    """Describe why a file of a kind cannot be read, with the nearest name in its folder."""
    try:
        if path.is_dir():
            inside = sorted(path.glob(f"*{kind}"))
            return "this is a folder; " + (f"did you mean '{inside[0]}'?" if inside else "name a file in it")
        if path.exists() and not path.is_file():
            return NO_FILE
        if path.exists():
            return "the file may not be read; check its permissions"
        if not path.parent.is_dir():
            return f"no such file: there is no folder '{path.parent}'"
        near = nearest(path.name, [entry.name for entry in path.parent.iterdir()], cutoff=0.5)
    except (OSError, ValueError):  # longer than a name may be, or with a NUL in it
        return "no file can have this name; correct it"
    return "no such file" + (f"; did you mean '{near}'?" if near else f" in '{path.parent}'")


def unknown_currency(code: str) -> str | None:
    """Say what is wrong with a currency code; None if it is one of ISO 4217."""
    if code in CURRENCIES:
        return None
    wanted = code.strip().upper()[:_LONGEST]
    # swapped letters are the commonest slip, and look far to difflib
    swapped = [known for known in sorted(CURRENCIES) if sorted(known) == sorted(wanted)]
    close = swapped or difflib.get_close_matches(wanted, sorted(CURRENCIES), n=9, cutoff=0.65)
    # of equally near codes one of the same country: its first two letters; then one that many households use
    near = min(close, key=lambda known: (known[:2] != wanted[:2], known[:1] != wanted[:1]), default=None)
    hint = f"did you mean '{near}'?" if near else "write three capital letters such as 'EUR'"
    return f"not an ISO 4217 currency code; {hint}"
