"""Dated versions of a tariff: each is the file before it with the values that change replaced."""

from collections.abc import Iterator, Mapping
from typing import Any

from tariffs.reading.refusals import nearest

# Lists whose entries are known by name: a version changes the entry of that name and keeps the others.
_DEFAULT_NAMES = {
    "events": "event",
    "blocks": "blocks",
    "riders": None,
    "demand": "peak demand",
    "charges": "standing charge",
    "credits": None,
    "registers": None,
    "rebates": None,
    "adjustments": None,
    "minimum": "minimum bill",
}

# What a version's own key takes the place of in the earlier entry, which can have only one of them.
_MONEY, _KWH = ("per_day", "per_month", "applies_to"), ("kwh_per_day", "kwh_per_month", "band")
_REPLACES: Mapping[str, Mapping[str, tuple[str, ...]]] = {
    "minimum": {
        **dict.fromkeys(_MONEY[:2], (*_MONEY[:2], *_KWH)),
        **dict.fromkeys(_KWH[:2], (*_KWH[:2], *_MONEY)),
    },
    "adjustments": {"percent": ("steps", "whole_band"), "steps": ("percent", "at_most")},
    "demand": {"price_per_kw": ("steps", "whole_band"), "steps": ("price_per_kw",)},
}

FIXED = frozenset(
    {
        "name",
        "currency",
        "time_zone",
        "valid_to",
        "hourly_prices",
        "netting",
        "export_credit",
        "billing",
        "rounding",
        "versions",
    }
)


def merged(base: Mapping[str, Any], changes: Mapping[str, Any]) -> dict[str, Any]:
    """Return a tariff document with a version's values in place of the earlier ones.

    Tables are merged key by key. Lists of named entries are merged entry by entry; seasons, windows and
    every other list are replaced whole.

    Parameters
    ----------
    base, changes : mapping
        TOML documents.
    """
    result = dict(base)
    for key, value in changes.items():
        if key in _DEFAULT_NAMES:
            result[key] = _merged_entries(_entries(base.get(key)), _entries(value), key)
        elif isinstance(value, Mapping) and isinstance(base.get(key), Mapping):
            result[key] = merged(base[key], value)
        else:
            result[key] = value
    return result


def misspelt(base: Mapping[str, Any], changes: Mapping[str, Any]) -> Iterator[tuple[str, str, str]]:
    """Yield new names in a version that look like a slip for an earlier one: its field, the name, the earlier name.

    A version may add entries, so a misspelt name would be added to the one it meant to replace, and both be billed.
    Names that differ in digits only ("meter 1", "meter 2") are taken as meant.

    Parameters
    ----------
    base, changes : mapping
        TOML documents.
    """
    for key in (*_DEFAULT_NAMES, "bands"):
        known, named = _names(base.get(key)), _names(changes.get(key))
        for name in (name for name in named if name not in known):
            free = [other for other in known if other not in named and _letters(other) != _letters(name)]
            if near := nearest(name, free, cutoff=0.8):
                yield key, name, near


def _names(value: object) -> list[str]:
    """Return the names in a list of named entries, or the keys of a table of tables."""
    if isinstance(value, Mapping) and value and all(isinstance(entry, Mapping) for entry in value.values()):
        return [str(name) for name in value]
    return [str(entry["name"]) for entry in _entries(value) if isinstance(entry, Mapping) and "name" in entry]


def _letters(name: str) -> str:
    return "".join(letter for letter in name if not letter.isdigit())


def _entries(value: object) -> list[Any]:
    if value is None:
        return []
    return list(value) if isinstance(value, list | tuple) else [value]


def _merged_entries(base: list[Any], changes: list[Any], key: str) -> list[Any]:
    result = list(base)
    default = _DEFAULT_NAMES[key]
    if key == "minimum" and len(base) == 1 and isinstance(base[0], Mapping):
        default = base[0].get("name", default)  # the only one there is need not be named again
    for change in changes:
        places = [
            at
            for at, entry in enumerate(result)
            if isinstance(entry, Mapping)
            and isinstance(change, Mapping)
            and entry.get("name", default) == change.get("name", default)
        ]
        if places:
            at = places[0]
            result[at] = {**_without(result[at], change, key), **change}
        else:
            result.append(change)
    return result


def _without(entry: Mapping[str, Any], change: Mapping[str, Any], key: str) -> dict[str, Any]:
    """Leave out of an entry what a change gives in another way."""
    replaces = _REPLACES.get(key, {})
    dropped = {other for given in change for other in replaces.get(given, ())}
    return {name: value for name, value in entry.items() if name not in dropped}
