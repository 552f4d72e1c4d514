"""Panels on the AC side: who is served by them, and what is left for the device."""

from __future__ import annotations

import numpy as np
import pytest

from dispatch.case.panels import beside_ac_solar


def test_panels_beside_the_device_serve_the_house_first_and_then_the_load() -> None:
    ac, other, load = np.array([0.0, 0.4, 1.5, 3.0]), np.full(4, 1.0), np.full(4, 0.8)
    notes: list[str] = []
    other_left, load_left = beside_ac_solar(ac, other, load, notes)
    assert other_left == pytest.approx([1.0, 0.6, 0.0, 0.0])
    assert load_left == pytest.approx([0.8, 0.8, 0.3, 0.0])
    # by hand: 0.4 + 1.5 + 1.8 kWh find a use, 1.2 of the last hour's 3 kWh do not
    (note,) = notes
    assert "serves 3.7 kWh of the house directly; 1.2 kWh beyond" in note
