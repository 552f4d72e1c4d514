"""A name can do no harm where it is shown: no control reaches terminal, calendar or Markdown, no mark its layout."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from typing import TYPE_CHECKING

import pytest
from homes.small_home import small_home
from rich.text import Text

from dispatch.cli import terminal
from dispatch.door import settings
from dispatch.exports.files import as_cell, as_written
from dispatch.exports.icalendar import Entry, calendar_text, escaped
from dispatch.exports.settings import card_markdown
from tariffs.reading.toml import parse_toml, toml_text

if TYPE_CHECKING:
    from dispatch.search.study import SettingsStudy

HARMFUL = "a\x1b[31mb\u202ec\x07d\u2066e\x9bf\u2028g\x00h\rj"


def harmless(text: str) -> bool:
    return not set(text) & set("\x1b\u202e\x07\u2066\x9b\u2028\x00")


def test_a_terminal_shows_escapes(capsys: pytest.CaptureFixture[str]) -> None:
    terminal.show(Text(HARMFUL))
    terminal.write(f"{HARMFUL}\n")
    shown = capsys.readouterr().out
    assert harmless(shown)
    for escape in ("\\u001b[31m", "\\u202e", "\\u2066", "\\u009b", "\\u2028", "\\u0000"):
        assert shown.count(escape) == 2


def test_colours_of_a_terminal_are_its_own(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("sys.stdout.isatty", lambda: True)
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.setenv("COLUMNS", "80")
    terminal.show(Text("x\x1b[2Jy", style="bold"))
    assert capsys.readouterr().out == "\x1b[1mx\\u001b[2Jy\x1b[0m\n"


def test_a_calendar_shows_escapes() -> None:
    assert escaped("a\u202eb\x1b[31m\r\nc\x07, d") == "a\\\\u202eb\\\\u001b[31m\\nc\\\\u0007\\, d"
    moment = dt.datetime(2025, 1, 1)  # noqa: DTZ001 - wall time
    entry = Entry("1@x", HARMFUL, HARMFUL, moment, moment)
    text = calendar_text(HARMFUL, "Europe/Lisbon", [entry], dt.datetime(2025, 1, 1, tzinfo=dt.UTC))
    assert harmless(text)
    assert text.count("\r") == text.count("\r\n")


@pytest.fixture(scope="module")
def study() -> SettingsStudy:
    return settings(small_home().case()).study


def test_markdown_shows_a_name_as_it_is(study: SettingsStudy) -> None:
    name = "x | <script>\n# [y](z) `w` *v* _u_ | " + HARMFUL
    changed = replace(study, case=replace(study.case, name=name))
    text = card_markdown(changed)
    title = text.split("\n", 1)[0]
    assert harmless(text)
    assert title.startswith(r"# Battery settings: x \| \<script\> # \[y\](z) \`w\` \*v\* \_u\_ \| a")
    rows = [line for line in text.splitlines() if line.startswith("|")]
    assert {line.replace(r"\|", "").count("|") for line in rows} <= {5, 6}


@pytest.mark.parametrize("text", ["=1+2", "+1", "-x", "@x", "\tx", "'=x", "''@x", "'s", "x=1", "", "'", "1"])
def test_a_cell_is_text_and_comes_back(text: str) -> None:
    cell = as_cell(text)
    assert cell[:1] not in set("=+-@\t\r")
    assert as_written(cell) == text


@pytest.mark.parametrize(
    "text", ['a"b', "a\\b", "a\nb = 1", HARMFUL, "\x7f\x80", "'''", '"""', "\ud83d", "é 😀"]
)
def test_a_text_comes_back_from_toml(text: str) -> None:
    written = toml_text(text)
    assert written.isprintable()
    assert parse_toml(f"x = {written}", "x", Exception) == {"x": text.replace("\ud83d", "\ufffd")}  # type: ignore[arg-type]
