"""Usage files in ESPI XML (NAESB REQ.21): interval readings of electricity, by namespace, whatever the prefixes.

The reader takes no document type, so no entity can be declared, resolved or fetched. Facts of the schema: espi.xsd 4.0
(NAESB Energy Services Provider Interface).
"""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass, field
from io import BytesIO
from typing import TYPE_CHECKING, Any

from lxml import etree

from dispatch.errors import SeriesError

if TYPE_CHECKING:
    from pathlib import Path


ESPI = "{http://naesb.org/espi}"
_ATOM = "{http://www.w3.org/2005/Atom}"
_ESTIMATED = frozenset((8, 9, 12))
"""qualityOfReading: estimated from a reference day, interpolated, projected."""


@dataclass
class Block:
    """The readings of one meter reading resource.

    Attributes
    ----------
    starts, seconds, raw, quality : list of int
        As written: epoch seconds, seconds, unscaled values, codes of quality (-1 where none stands).
    lines : list of int
        Line of the file each reading begins on.
    """

    starts: list[int] = field(default_factory=list)
    seconds: list[int] = field(default_factory=list)
    raw: list[int] = field(default_factory=list)
    quality: list[int] = field(default_factory=list)
    lines: list[int] = field(default_factory=list)


@dataclass
class Feed:
    """What an ESPI file holds, before anything is chosen.

    Attributes
    ----------
    reading_types, meter_readings, usage_points : dict of str to dict of str
        Resources by their own link, each with the plain texts of its elements.
    blocks : dict of str to Block
        Readings by the link of the meter reading they belong to.
    clock : dict of str
        Texts of the local time parameters.
    """

    reading_types: dict[str, dict[str, str]] = field(default_factory=dict)
    meter_readings: dict[str, dict[str, str]] = field(default_factory=dict)
    usage_points: dict[str, dict[str, str]] = field(default_factory=dict)
    blocks: dict[str, Block] = field(default_factory=dict)
    clock: dict[str, str] = field(default_factory=dict)


def looks_like_xml(raw: bytes) -> bool:
    """Tell whether a file begins as XML does, in UTF-8 or UTF-16."""
    head = raw[:200].replace(b"\0", b"").lstrip(b"\xef\xbb\xbf\xff\xfe \t\r\n")
    return head.startswith(b"<")


def read_feed(path: Path, raw: bytes) -> Feed:
    """Read an ESPI file.

    Parameters
    ----------
    path : Path
        For messages.
    raw : bytes
        The file.

    Raises
    ------
    SeriesError
        If it is no XML, is cut off, declares a document type, or holds no ESPI resources.
    """
    feed = Feed()
    names = ("IntervalBlock", "ReadingType", "MeterReading", "UsagePoint", "LocalTimeParameters")
    try:
        if b"<!DOCTYPE" in raw[:4096].replace(b"\0", b"").upper():
            _refuse_document_type(path)
        parser = etree.iterparse(
            BytesIO(raw),
            events=("start", "end"),
            tag=(f"{_ATOM}entry", *(ESPI + name for name in names)),
            resolve_entities=False,
            no_network=True,
            load_dtd=False,
            huge_tree=False,
            remove_comments=True,
            remove_pis=True,
        )
        reader = _Reader(feed)
        for number, (event, element) in enumerate(parser):
            if number == 0 and element.getroottree().docinfo.internalDTD is not None:
                _refuse_document_type(path)
            reader.take(event, element)
    except etree.XMLSyntaxError as error:
        line = f"line {error.lineno}: " if error.lineno else ""
        raise SeriesError(
            f"{path}: {line}not whole, readable XML ({_short(error)}); the file may be cut off: download it again"
        ) from None
    except _NotANumber as error:
        raise SeriesError(f"{path}: {error}; download the file again") from None
    if not feed.blocks:
        text = "holds no interval readings of the namespace http://naesb.org/espi"
        raise SeriesError(f"{path}: {text}; ask for interval usage in ESPI XML (NAESB REQ.21)")
    return feed


def _short(error: Exception) -> str:
    return str(error).partition(", line")[0][:120]


def _refuse_document_type(path: Path) -> None:
    raise SeriesError(
        f"{path}: declares a document type (<!DOCTYPE ...>), which usage files never do and which can hide entities "
        "that grow or fetch other files; download the file again from the utility"
    )


class _NotANumber(Exception):  # noqa: N818 - turned into a SeriesError where the file's name is known
    """An element that must be a whole number is none."""


class _Reader:
    """Takes elements as the parser finishes them, and lets go of what has been read."""

    def __init__(self, feed: Feed) -> None:
        self._feed = feed
        self._latest = {"UsagePoint": "", "MeterReading": "", "ReadingType": ""}
        self._made = Counter[str]()

    def take(self, event: str, element: Any) -> None:  # noqa: ANN401 - lxml has no types
        """Take one event of the parser."""
        name = element.tag.rpartition("}")[2]
        if name == "entry":
            if event == "end":
                self._link_entry(element)
                element.clear()
                while element.getprevious() is not None:
                    del element.getparent()[0]
            return
        if event == "end" and name == "IntervalBlock":
            self._entry_blocks(element)
        elif event == "end" and next(element.iterancestors(f"{_ATOM}entry"), None) is None:
            self._link_entry(element)

    def _entry_blocks(self, element: Any) -> None:  # noqa: ANN401
        entry = next(element.iterancestors(f"{_ATOM}entry"), None)
        up = _links(entry, "up") if entry is not None else []
        owner = _parent(up[0]) if up else self._latest["MeterReading"]
        block = self._feed.blocks.setdefault(owner, Block())
        whole = _child(element, "interval")
        length = _number(_text(whole, "duration"), element, 0) if whole is not None else 0
        for reading in element.iterchildren(f"{ESPI}IntervalReading"):
            _read_one(block, reading, whole, length)
        element.clear()

    def _link_entry(self, entry: Any) -> None:  # noqa: ANN401
        own = next(iter(_links(entry, "self")), "")
        for name, table in (
            ("ReadingType", self._feed.reading_types),
            ("MeterReading", self._feed.meter_readings),
            ("UsagePoint", self._feed.usage_points),
        ):
            for element in entry.iter(ESPI + name):
                self._made[name] += 1
                link = own or f"{name} {self._made[name]}"
                table[link] = _texts(element)
                table[link]["title"] = entry.findtext(f"{_ATOM}title") or ""
                if name == "MeterReading":
                    up = _links(entry, "up")
                    table[link]["usage point"] = _parent(up[0]) if up else self._latest["UsagePoint"]
                    table[link]["related"] = " ".join(_links(entry, "related"))
                self._latest[name] = link
        for element in entry.iter(f"{ESPI}LocalTimeParameters"):
            self._feed.clock.update(_texts(element))


def _read_one(block: Block, reading: Any, whole: Any, whole_seconds: int) -> None:  # noqa: ANN401
    """Take one reading; without a time of its own it covers the whole block."""
    period = _child(reading, "timePeriod")
    if period is None:
        if whole is None:
            raise _NotANumber(
                f"line {reading.sourceline}: a reading without timePeriod stands in a block without interval"
            )
        period = whole
    block.starts.append(_number(_text(period, "start"), reading, None))
    block.seconds.append(_number(_text(period, "duration"), reading, whole_seconds))
    block.raw.append(_number(_text(reading, "value"), reading, None))
    mark = _child(reading, "ReadingQuality")
    block.quality.append(-1 if mark is None else _number(_text(mark, "quality"), reading, -1))
    block.lines.append(int(reading.sourceline or 0))


def _child(element: Any, name: str) -> Any:  # noqa: ANN401
    return element.find(ESPI + name)


def _text(element: Any, name: str) -> str | None:  # noqa: ANN401
    found = element.findtext(ESPI + name)
    return None if found is None else str(found)


_LARGEST = 2**53
"""Whole numbers up to here are exact in every arithmetic that follows."""


def _number(text: str | None, element: Any, absent: int | None) -> int:  # noqa: ANN401
    if text is None and absent is not None:
        return absent
    try:
        number = int(text or "")
        if abs(number) > _LARGEST:
            raise ValueError  # noqa: TRY301 - no count of seconds or of Wh; told as what is no number at all
    except ValueError:
        seen = "nothing" if text is None else repr(text[:30])
        raise _NotANumber(
            f"line {element.sourceline}: start and value of a reading must be whole numbers (got {seen})"
        ) from None
    return number


def _texts(element: Any) -> dict[str, str]:  # noqa: ANN401
    """Return the texts of an element's plain parts by name, the nearest to its top where names repeat."""
    found: dict[str, str] = {}
    for part in element.iterdescendants():
        name = part.tag.rpartition("}")[2]
        if len(part) == 0 and part.text and name not in found:
            found[name] = str(part.text).strip()[:200]
    return found


def _links(entry: Any, relation: str) -> list[str]:  # noqa: ANN401
    return [
        _plain_link(str(link.get("href", "")))
        for link in entry.iterchildren(f"{_ATOM}link")
        if link.get("rel") == relation
    ]


def _plain_link(link: str) -> str:
    """Return a link without host, query and closing slash: feeds write the same resource in several ways."""
    path = link.partition("?")[0].partition("#")[0].rstrip("/")
    _, found, rest = path.rpartition("/resource/")
    return f"/resource/{rest}" if found else re.sub(r"^[a-z]+://[^/]*", "", path)


def _parent(link: str) -> str:
    """Return the resource a collection belongs to: ``.../MeterReading/7`` of ``.../MeterReading/7/IntervalBlock``."""
    return link.rpartition("/")[0]


def is_estimated(quality: int, default: int) -> bool:
    """Tell whether a reading's code, or else its type's, says that it was estimated."""
    return (default if quality < 0 else quality) in _ESTIMATED
