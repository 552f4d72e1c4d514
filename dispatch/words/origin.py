"""What a result was made from, in a line."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from dispatch.case.origin import origin_of
from dispatch.words.slips import looks_odd

if TYPE_CHECKING:
    from dispatch.case.case import Case
    from dispatch.case.origin import Origin

_SHOWN = 16  # characters of the hash that a person compares


def stamp(case: Case) -> dict[str, Any]:
    """Return what every document about a home carries: what looks odd in its files, and what it was made from."""
    return {"looks_odd": looks_odd(case), **made_from(origin_of(case.inputs))}


def made_from(origin: Origin) -> dict[str, Any]:
    """Put an origin into plain types."""
    return {"made_from": {"inputs_sha256": origin.inputs, "versions": origin.versions}}


def origin_words(origin: Origin) -> str:
    """Say what a result was made from."""
    used = ", ".join(f"{name} {version}" for name, version in origin.versions.items())
    return f"Made with {used}; inputs {origin.inputs[:_SHOWN]} (start of their SHA-256)"
