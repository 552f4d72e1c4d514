"""The gap while the system takes over."""

from __future__ import annotations

import pytest
from homes.small_home import small_home

from dispatch.case.transfer import transfer_gap
from dispatch.words.transfer import transfer_sentence


@pytest.mark.parametrize(
    ("gap_ms", "notice", "ride"),
    [
        # common practice, no source: half a cycle for relays; 20 ms for power supplies (from memory: the ITI curve)
        (0.0, (), ("lamps", "computers", "refrigerators")),
        (10.0, (), ("lamps", "computers", "refrigerators")),
        (11.0, ("lamps",), ("computers", "refrigerators")),
        (20.0, ("lamps",), ("computers", "refrigerators")),
        (21.0, ("lamps", "computers"), ("refrigerators",)),
        (500.0, ("lamps", "computers", "refrigerators"), ()),
    ],
)
def test_who_notices(gap_ms: float, notice: tuple[str, ...], ride: tuple[str, ...]) -> None:
    gap = transfer_gap(small_home(inverter={"transfer_ms": gap_ms}).case())
    assert gap is not None
    assert tuple(name.split()[0].rstrip(",") for name in gap.notices) == notice
    assert tuple(name.split()[0].rstrip(",") for name in gap.rides) == ride
    sentence = transfer_sentence(gap)
    assert f"{gap_ms:g} ms" in sentence
    assert ("may flicker" in sentence) == bool(notice)
    assert ("Medical" in sentence) == (gap_ms > 0)


def test_no_time_stated_nothing_said() -> None:
    assert transfer_gap(small_home().case()) is None
