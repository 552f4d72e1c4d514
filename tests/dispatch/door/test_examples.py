"""The examples in the docstrings of the functions about parts and sizes run as they stand."""

from __future__ import annotations

import doctest
import sys
from typing import TYPE_CHECKING

import pytest
from terminal import ROOT

import dispatch
from dispatch import door

if TYPE_CHECKING:
    from collections.abc import Callable

NAMES = ("hardware", "strings", "cable", "sun", "generator", "care", "size")


@pytest.mark.parametrize("name", NAMES)
def test_examples_run(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    if name == "sun":
        pytest.importorskip("pvlib")
    monkeypatch.chdir(ROOT)
    function: Callable[..., object] = getattr(door, name)
    module = sys.modules[function.__module__]
    tests = doctest.DocTestFinder(recurse=False).find(function, name, module=module)
    assert sum(len(test.examples) for test in tests) >= 2
    for test in tests:
        result = doctest.DocTestRunner().run(test)
        assert result.failed == 0


def test_every_name_of_the_door_about_parts_is_a_name_of_the_package() -> None:
    for name in NAMES:
        assert name in dispatch.__all__
        assert getattr(dispatch, name) is getattr(door, name)


def test_the_package_hands_on_no_name_it_does_not_have() -> None:
    for name in dispatch.__all__:
        assert getattr(dispatch, name) is not None
