"""TOML as a person writes it: short tables, prices side by side, a reason behind what is not plain."""

from collections.abc import Iterable, Mapping, Sequence
from decimal import Decimal

from tariffs.reading.toml import toml_text
from tariffs.records.when import Where
from tariffs.sheet.tariff import WHOLE_YEAR


def number(value: Decimal) -> str:
    """Write a number as it is, without an exponent or idle zeros."""
    text = f"{value:f}"
    return text.rstrip("0").rstrip(".") or "0" if "." in text else text


def key(name: str) -> str:
    """Write a name as a key, bare where TOML allows it."""
    plain = name.isascii() and name.replace("-", "").replace("_", "").isalnum()
    return name if plain else toml_text(name)


def by_season(values: Mapping[str, Decimal]) -> str:
    """Write one number, or a small table by season where they differ."""
    if len(set(values.values())) == 1 or WHOLE_YEAR in values:
        return number(next(iter(values.values())))
    inside = ", ".join(f"{key(season)} = {number(value)}" for season, value in values.items())
    return f"{{ {inside} }}"


def strings(names: Iterable[str]) -> str:
    """Write a list of texts."""
    return f"[{', '.join(map(toml_text, names))}]"


def comment(text: str, width: int = 110) -> list[str]:
    """Break a comment into lines."""
    lines, line = [], "#"
    for word in text.split():
        if len(line) + 1 + len(word) > width and line != "#":
            lines.append(line)
            line = "#"
        line += f" {word}"
    return [*lines, line]


def when_lines(where: Where) -> list[str]:
    """Write the seasons, days and hours of one table; whatever is all is left out."""
    lines = [f"seasons = {strings(where.seasons)}"] if where.seasons else []
    lines += [f"days = {strings(where.days)}"] if where.days else []
    return lines + hour_lines(where.stretches)


def hour_lines(stretches: Sequence[tuple[int, int]]) -> list[str]:
    """Write stretches of the clock; all day is left out."""
    if list(stretches) == [(0, 24)]:
        return []
    if len(stretches) == 1:
        (begin, end), *_ = stretches
        return [f'from = "{begin:02d}:00"', f'to = "{end:02d}:00"']
    return [f"hours = {strings(f'{begin:02d}:00-{end:02d}:00' for begin, end in stretches)}"]
