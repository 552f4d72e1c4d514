"""A few hundred spoilt inputs of every reader and command; the long run is ``python tests/fuzz.py``, by hand."""

from __future__ import annotations

from typing import TYPE_CHECKING

import fuzz
import pytest

if TYPE_CHECKING:
    from pathlib import Path

# kinds of input in which the long run once found a fault: (seed, number, share of commands)
FOUND = (
    (1, 537, 0.3),  # a record's period that is no whole number
    (1, 1085, 0.3),  # an ESPI reading beyond all arithmetic
    (16, 12283, 0.2),  # a seed below nothing
    (16, 19419, 0.2),  # a control character in the name of a column
    (16, 75515, 0.2),  # ESPI blocks of one meter under two links
)


@pytest.mark.parametrize("first", range(0, 400, 100))
def test_spoilt_inputs_end_in_a_sentence(first: int) -> None:
    told: list[str] = []
    counted = fuzz.fuzz(7, range(first, first + 100), 0.25, told.append)
    assert "".join(told) == ""
    assert counted["exit code 2"] > 50  # most slips are refused
    assert counted["exit code 0"] > 5


@pytest.mark.parametrize(("seed", "number", "commands"), FOUND)
def test_what_was_found_stays_mended(seed: int, number: int, commands: float, tmp_path: Path) -> None:
    assert fuzz.answer(seed, number, tmp_path, commands).fault == ""


def test_the_rules_catch_what_they_are_for(tmp_path: Path) -> None:
    """A message without a file, one in a library's words, a changed input, a file left behind."""
    assert fuzz._objections("no such setting", tmp_path) == "names neither file nor option"  # noqa: SLF001
    assert fuzz._objections(f"{tmp_path}/a: Input should be a number", tmp_path)  # noqa: SLF001
    assert fuzz._objections(f"{tmp_path}/a: line 3: write a number", tmp_path) == ""  # noqa: SLF001
    assert fuzz._objections("", tmp_path) == "no message"  # noqa: SLF001
    (tmp_path / "a").write_text("1", encoding="utf-8")
    before = fuzz._contents(tmp_path)  # noqa: SLF001
    found = fuzz.Answer("bill", "", 2, "")
    assert fuzz._left_behind(tmp_path, before, found) == ""  # noqa: SLF001
    (tmp_path / "b").write_text("2", encoding="utf-8")
    assert fuzz._left_behind(tmp_path, before, found) == "refused, and wrote b"  # noqa: SLF001
    (tmp_path / "a").write_text("3", encoding="utf-8")
    assert fuzz._left_behind(tmp_path, before, found) == "changed its input a"  # noqa: SLF001
