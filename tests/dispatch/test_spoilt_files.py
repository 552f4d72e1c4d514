"""Files spoilt at random end in a sentence: never an internal error, never a figure that is none."""

from __future__ import annotations

import contextlib
import io
import re
import tempfile
from pathlib import Path

from homes.home_files import Home
from hypothesis import given
from hypothesis import strategies as st

from dispatch.cli.app import app

HOME = Home()

TOKENS = (
    *(
        "1e999999",
        "9" * 5000,
        "0x" + "f" * 6000,
        "[" * 1200,
        "{a = " * 900,
        "inf",
        "nan",
        "1e308",
        "1e-308",
        "-1",
    ),
    *(
        "0",
        "true",
        '""',
        '"\\u202e"',
        '"\\u001b[31m"',
        "9999-12-31T23:59",
        "0001-01-01",
        "24:00:00",
        '"25:00"',
        "[]",
    ),
    *(
        "{}",
        "[[]]",
        "1_000",
        "1e9",
        "1e-9",
        "99999999999999999999",
        "1 kW",
        "3,5",
        "\0",
        "\u202e",
        ";",
        "\t",
        "null",
    ),
)

FILES = ("scenario.toml", "tariff.toml", "series.csv")


@st.composite
def spoilt(draw: st.DrawFn, text: str) -> str:
    """Draw a text with a value replaced, a line doubled, moved or lost, a token put in, or a piece cut out."""
    lines = text.split("\n")
    at, other = draw(st.integers(0, len(lines) - 1)), draw(st.integers(0, len(lines) - 1))
    kind = draw(st.sampled_from(["value", "value", "double", "lose", "swap", "insert", "cut"]))
    if kind == "value":
        places = list(re.finditer(r"(?<== )[^\n]+|(?<=,)[^,\n]+|\d[\d.]*", text))
        place = draw(st.sampled_from(places))
        return text[: place.start()] + draw(st.sampled_from(TOKENS)) + text[place.end() :]
    if kind in {"insert", "cut"}:
        start = draw(st.integers(0, len(text)))
        put = draw(st.sampled_from(TOKENS)) if kind == "insert" else ""
        return text[:start] + put + text[start + (0 if put else draw(st.integers(1, 40))) :]
    if kind == "swap":
        lines[at], lines[other] = lines[other], lines[at]
    elif kind == "double":
        lines.insert(at, lines[other])
    else:
        del lines[at]
    return "\n".join(lines)


@given(st.data(), st.sampled_from(FILES))
def test_a_spoilt_file_ends_in_a_sentence(data: st.DataObject, name: str) -> None:
    with tempfile.TemporaryDirectory() as folder:
        HOME.write(Path(folder))
        path = Path(folder) / name
        text = data.draw(spoilt(path.read_text(encoding="utf-8")))
        path.write_bytes(text.encode())
        shown, told = io.StringIO(), io.StringIO()
        with contextlib.redirect_stdout(shown), contextlib.redirect_stderr(told):
            code = app(["check", folder], standalone_mode=False) or 0
        screen, message = shown.getvalue(), told.getvalue()
    assert code in {0, 2}, message
    assert bool(message) == (code == 2)
    assert not re.search(r"internal error|pydantic|Traceback|Input should|Decimal\(", message)
    assert not re.search(r"\b(inf|nan)\b", screen)
    assert "\u202e" not in screen + message
