"""What each column of a meter table holds: told by its name, its unit and its cells, or by the person."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from dispatch.errors import SeriesError
from dispatch.intake.dates import is_clock, is_date, is_moment, is_range
from dispatch.intake.intervals import FLOWS, Asked, Flow, quoted
from dispatch.intake.numbers import is_missing, is_number
from dispatch.intake.units import UNITS
from tariffs.reading.refusals import nearest

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dispatch.intake.written import Rows


_UNIT = re.compile(r"(?<![a-z])(mwh|kwh|wh|mw|kw|w)(?![a-z])")

_SPELT = {
    r"kilo ?watt[- ]?hours?": "kwh",
    r"mega ?watt[- ]?hours?": "mwh",
    r"watt[- ]?hours?": "wh",
    r"kilo ?watts?": "kw",
    r"watts?": "w",
}


# Words of column names, in the languages utilities here most often write. Order matters: the first that fits tells.
_WORDS: tuple[tuple[Flow | None, re.Pattern[str]], ...] = (
    (
        None,
        re.compile(
            r"cost|price|charge|amount|tariff|\brate\b|\$|€|£|temp|meter (?:no|number|id|serial)|serial|account|"
            r"\bid\b|latitude|longitude|k?var|kva\b|volt|\bamp|power factor|weather|degree|register read"
        ),
    ),
    ("net", re.compile(r"\bnet\b|netto|signed|\bsaldo\b")),
    (
        "export",
        re.compile(
            r"export|feed[- ]?in|teruglever|vertido|"
            r"\bfed\b|\bsent\b|return|inject|inyec|einspeis|surplus|reverse|to (?:the )?grid|"
            r"\bsold\b|outflow|received"
        ),
    ),
    ("production", re.compile(r"produc|\bsolar\b|\bpv\b|\bsun\b|erzeug|panels")),
    (
        "import",
        re.compile(
            r"import|usage|consum|deliver|bezug|verbrauch|from (?:the )?grid|purchas|\bused?\b|verbruik|"
            r"consomm|f[öo]rbruk|energ|\bload\b|bought|forward|\bvalue\b|reading|inflow|electric"
        ),
    ),
)

_GENERATION = re.compile(r"generat")
_QUALITY = re.compile(r"quality|status|estimat|flag|read(?:ing)? type|validat|^type$")
_ESTIMATED = re.compile(r"e|est\b.*|.*estimat.*|.*substitut.*|.*interpolat.*|.*ersatz.*|.*project.*|sub")
_END = re.compile(r"\bend|\bto\b|until|\bbis\b|hasta|\bfin\b|ending|finish")
_START = re.compile(r"start|\bfrom\b|\bvon\b|begin|desde|d[ée]but|^time$")
_HOUR = re.compile(r"hour|\bhr\b|\bhe\b|hora|stunde|heure|period|interval")
_UNIT_COLUMN = re.compile(r"^(?:units?|uom|unit of measure|einheit)$")


@dataclass(frozen=True)
class Value:
    """One column of numbers: what flows, in which unit."""

    at: int
    flow: Flow
    unit: str


@dataclass(frozen=True)
class Columns:
    """Where a table holds its times, values and quality marks.

    Attributes
    ----------
    moment, date, clock, hour, end : int or None
        Columns of a moment, a date, a time of day, an hour's number, the end of a reading.
    chosen : tuple of Value
    quality : int or None
        Column that marks estimated readings.
    """

    moment: int | None
    date: int | None
    clock: int | None
    hour: int | None
    end: int | None
    chosen: tuple[Value, ...]
    quality: int | None


def plain(name: str) -> str:
    """Return a column's name as lower-case words: underlines and brackets are spaces."""
    spaced = re.sub(r"(?<=[a-z]{2})(?=[A-Z][a-z])", " ", name)
    return re.sub(r"[_()\[\]/:,.]+", " ", spaced).strip().lower()


def unit_of(name: str) -> str | None:
    """Return the unit a column's name states, None without one."""
    words = plain(name)
    for spelt, unit in _SPELT.items():
        words = re.sub(spelt, unit, words)
    found = _UNIT.findall(words)
    return str(found[-1]) if found else None


def flow_of(name: str) -> Flow | None:
    """Return what a column holds by its name, None where no word tells."""
    words = plain(name)
    return next((flow for flow, pattern in _WORDS if pattern.search(words)), None)


def is_estimate(cell: str) -> bool:
    """Tell whether a quality mark says that a reading was estimated."""
    return _ESTIMATED.fullmatch(cell.strip().lower()) is not None


def kind_of(cells: Sequence[str]) -> str:
    """Tell what a sample of one column's cells holds."""
    filled = [cell for cell in cells if not is_missing(cell)]
    if not filled:
        return "blank"
    tests = (("range", is_range), ("clock", is_clock), ("number", is_number))
    if any(map(is_moment, filled)) and all(is_moment(cell) or is_date(cell) for cell in filled):
        return "moment"
    if all(map(is_date, filled)):
        return "date"
    return next((kind for kind, test in tests if all(map(test, filled))), "text")


def find_columns(rows: Rows, asked: Asked) -> Columns:
    """Find what each column holds.

    Raises
    ------
    SeriesError
        If no column holds times, or which column holds the readings, or their unit, cannot be told.
    """
    size = len(rows.rows)
    places = sorted(
        {*range(min(size, 40)), *range(0, size, max(size // 40, 1)), *range(max(size - 20, 0), size)}
    )
    kinds = [kind_of([rows.rows[at][column] for at in places]) for column in range(len(rows.header))]
    moment, end = _moment_and_end(rows, kinds)
    date = clock = hour = None
    if moment is None:
        date = kinds.index("date") if "date" in kinds else None
        if date is None:
            raise SeriesError(
                f"{rows.path}: line {rows.lines[0]}: no column holds a date and time (got "
                f"{quoted(','.join(rows.rows[0]))}); write times such as 2025-01-31 14:00"
            )
        clocks = [at for at, kind in enumerate(kinds) if kind == "clock"]
        clock = clocks[0] if clocks else None
        if (
            clock is not None
            and _END.search(plain(rows.header[clock]))
            and not _START.search(plain(rows.header[clock]))
        ):
            end = clock
        hour = None if clocks else _hour_column(rows, kinds)
    used = {moment, end, date, clock, hour}
    numeric = [at for at, kind in enumerate(kinds) if kind in {"number", "blank"} and at not in used]
    quality = next(
        (at for at, kind in enumerate(kinds) if kind == "text" and _QUALITY.search(plain(rows.header[at]))),
        None,
    )
    values = _asked_values(rows, asked) or _told_values(rows, [at for at in numeric if kinds[at] == "number"])
    return Columns(moment, date, clock, hour, end, tuple(_with_units(rows, values, kinds, asked)), quality)


def _moment_and_end(rows: Rows, kinds: Sequence[str]) -> tuple[int | None, int | None]:
    moments = [at for at, kind in enumerate(kinds) if kind in {"moment", "range"}]
    if not moments:
        return None, None
    ends = [
        at
        for at in moments
        if _END.search(plain(rows.header[at])) and not _START.search(plain(rows.header[at]))
    ]
    starts = [at for at in moments if at not in ends]
    return (starts or ends)[0], ends[0] if ends else None


def _hour_column(rows: Rows, kinds: Sequence[str]) -> int | None:
    for at, kind in enumerate(kinds):
        if kind == "number" and _HOUR.search(plain(rows.header[at])) and unit_of(rows.header[at]) is None:
            return at
    return None


def _asked_values(rows: Rows, asked: Asked) -> list[tuple[int, Flow]]:
    found: list[tuple[int, Flow]] = []
    for flow in FLOWS:
        for name in asked.columns.get(flow, ()):
            if name not in rows.header:
                near = nearest(name, rows.header, cutoff=0.4)
                hint = f"did you mean {quoted(near)}?" if near else "name one of them"
                have = ", ".join(map(quoted, rows.header))
                raise SeriesError(f"{rows.path}: has no column {quoted(name)} (got {have}); {hint}")
            found.append((rows.header.index(name), flow))
    return found


def _told_values(rows: Rows, numeric: Sequence[int]) -> list[tuple[int, Flow]]:
    """Choose the columns of readings by their names; where a choice is left, ask."""
    named = {at: rows.header[at] for at in numeric}
    vague = [name for at, name in named.items() if _GENERATION.search(plain(name)) and not _names_flow(name)]
    if vague:
        text = "may be what the panels made or what was fed into the grid"
        raise SeriesError(
            f"{rows.path}: column {quoted(vague[0])} {text}; name it: --made or --export COLUMN"
        )
    found = {at: flow for at, name in named.items() if (flow := flow_of(name)) is not None}
    plain_units = [
        at for at, name in named.items() if at not in found and unit_of(name) and not _excluded(name)
    ]
    if not found and len(plain_units) == 1:
        return [(plain_units[0], "import")]
    if not found and len(numeric) == 1 and not _excluded(named[numeric[0]]):
        return [(numeric[0], "import")]
    # a name that says the unit tells more than one that does not
    for flow in FLOWS:
        same = [at for at, each in found.items() if each == flow]
        with_unit = [at for at in same if unit_of(named[at])]
        if len(same) > 1 and len(with_unit) == 1:
            found = {at: each for at, each in found.items() if each != flow or at in with_unit}
        elif len(same) > 1:
            have = ", ".join(quoted(named[at]) for at in same)
            option = "made" if flow == "production" else flow
            text = f"--{option} COLUMN (repeat it to add several up)"
            raise SeriesError(f"{rows.path}: several columns may hold the {flow} ({have}); name it: {text}")
    if not found:
        have = ", ".join(map(quoted, rows.header))
        raise SeriesError(
            f"{rows.path}: which column holds the readings cannot be told from the names (got {have}); "
            "name it: --import COLUMN"
        )
    if "net" in found.values():
        found = {at: flow for at, flow in found.items() if flow in {"net", "production"}}
    return list(found.items())


def _names_flow(name: str) -> bool:
    return flow_of(name) in {"export", "production", "net"}


def _excluded(name: str) -> bool:
    return _WORDS[0][1].search(plain(name)) is not None


def _with_units(
    rows: Rows, values: Sequence[tuple[int, Flow]], kinds: Sequence[str], asked: Asked
) -> list[Value]:
    shared = _unit_column(rows, kinds)
    made = []
    for at, flow in values:
        unit = (asked.unit or "").lower() or unit_of(rows.header[at]) or shared
        if unit is None:
            raise SeriesError(
                f"{rows.path}: column {quoted(rows.header[at])}: its unit stands nowhere; add --unit kWh (energy in "
                "the step) or --unit kW (mean power), or Wh or W"
            )
        made.append(Value(at, flow, unit))
    return made


def _unit_column(rows: Rows, kinds: Sequence[str]) -> str | None:
    for at, kind in enumerate(kinds):
        if kind == "text" and _UNIT_COLUMN.search(plain(rows.header[at])):
            units = {row[at].strip().lower() for row in rows.rows}
            if len(units) == 1 and units <= set(UNITS):
                return units.pop()
    return None


def starts_by_name(name: str) -> bool:
    """Tell whether a column's name says that its times are starts."""
    words = plain(name)
    return _START.search(words) is not None and _END.search(words) is None


_MOST_REGISTERS = 4


def by_register(rows: Rows) -> dict[Flow, Rows]:
    """Split a table that names the register of each row in a column; empty where none does."""
    for at in range(len(rows.header)):
        kinds = {row[at].strip() for row in rows.rows[:50]}
        if not 2 <= len(kinds) <= _MOST_REGISTERS or any(is_number(kind) or is_date(kind) for kind in kinds):
            continue
        named = {kind: flow_of(kind) for kind in {row[at].strip() for row in rows.rows}}
        flows = [flow for flow in named.values() if flow is not None]
        if len(flows) < len(named) or len(set(flows)) < len(named):
            continue
        places = {
            flow: [place for place, row in enumerate(rows.rows) if named[row[at].strip()] == flow]
            for flow in flows
        }
        return {
            flow: replace(
                rows, rows=[rows.rows[place] for place in own], lines=[rows.lines[place] for place in own]
            )
            for flow, own in places.items()
        }
    return {}
