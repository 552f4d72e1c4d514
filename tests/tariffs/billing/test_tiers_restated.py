"""Random files of tiers, floors, ceilings and rounding, against bills worked out anew in plain Python."""

from datetime import UTC, datetime
from typing import Any

import numpy as np
import pytest
from homes.tariff_agree import examples
from homes.tariff_series import steps
from homes.tariff_shapes import toml_text
from hypothesis import given
from hypothesis import strategies as st
from oracles.sheet_tiers import bills

from tariffs import bill, parse_tariff

PRICES = st.sampled_from((-0.03, 0.0, 0.08, 0.1725, 0.31))
PERCENT = st.sampled_from((-12.5, 0, 4, 9, 21.5))


def tiers(draw: st.DrawFn, name: str) -> dict[str, Any]:
    limits = sorted(draw(st.sets(st.sampled_from((40, 150, 400, 900)), min_size=1, max_size=3)))
    shared = draw(st.sampled_from((None, "in-proportion", ["day", "night"], ["night", "day"])))
    found: dict[str, Any] = {"name": name}
    if draw(st.booleans()):
        found |= {
            "yearly_from": draw(st.sampled_from(("01-01", "03-01"))),
            "used_kwh": draw(st.sampled_from((0, 77.5))),
        }
    if shared is not None:
        found["shared"] = shared
    found["steps"] = []
    for limit in [*limits, None]:
        step: dict[str, Any] = {} if limit is None else {"up_to_kwh": limit}
        if shared is None:
            step["price_per_kwh"] = draw(PRICES)
        elif draw(st.booleans()):
            step["percent_of_band"] = draw(PERCENT)
        else:
            step["price_by_band"] = {"day": draw(PRICES), "night": draw(PRICES)}
        found["steps"].append(step)
    return found


def rate(draw: st.DrawFn, name: str, known: list[str]) -> dict[str, Any]:
    found: dict[str, Any] = {"name": name}
    kind = draw(st.sampled_from(("percent", "at_most", "up_to_kwh", "up_to_amount")))
    if kind in {"percent", "at_most"}:
        found["percent"] = draw(PERCENT)
        found |= {"at_most": draw(st.sampled_from((0.75, 6)))} if kind == "at_most" else {}
    else:
        limits = sorted(draw(st.sets(st.sampled_from((20, 90, 260)), min_size=1, max_size=2)))
        found["steps"] = [{kind: limit, "percent": draw(PERCENT)} for limit in limits] + [
            {"percent": draw(PERCENT)}
        ]
        found["whole_band"] = draw(st.booleans())
    if draw(st.booleans()):
        found["applies_to"] = draw(st.lists(st.sampled_from(known), min_size=1, max_size=3, unique=True))
    return found


@st.composite
def files(draw: st.DrawFn) -> str:
    names = ["energy", "riders", "charges", "day", "night", "fuel"]
    minimums: list[dict[str, Any]] = []
    for number in range(draw(st.integers(0, 2))):
        entry = {"name": f"least {number}", "per_month": draw(st.sampled_from((9, 60)))}
        if draw(st.booleans()):
            entry["applies_to"] = draw(st.sampled_from((["energy"], ["everything"], ["charges", "energy"])))
        minimums.append(entry)
    if draw(st.booleans()):
        minimums.append(
            {"name": "kWh", "kwh_per_month": 120, "band": draw(st.sampled_from(("day", "night")))}
        )
    document: dict[str, Any] = {
        "name": "drawn",
        "currency": "EUR",
        "other_hours": "night",
        "bands": {band: {"import_price_per_kwh": draw(PRICES)} for band in ("day", "night")},
        "windows": [{"band": "day", "hours": "08:00-20:00"}],
        "blocks": [tiers(draw, f"tiers {number}") for number in range(draw(st.integers(0, 2)))],
        "riders": [{"name": "fuel", "price_per_kwh": draw(PRICES)}],
        "charges": [{"name": "meter", "per_month": 3.1}],
        "minimum": minimums,
        "adjustments": [rate(draw, f"rate {number}", names) for number in range(draw(st.integers(0, 3)))],
    }
    rounding: dict[str, Any] = {"mode": draw(st.sampled_from(("half-up", "half-even", "up", "down")))}
    if draw(st.booleans()):
        rounding["total_to"] = draw(st.sampled_from((0.05, 0.5)))
    if draw(st.booleans()):
        rounding |= {
            "kwh_places": draw(st.integers(0, 2)),
            "kwh_mode": draw(st.sampled_from(("half-up", "down", "up"))),
        }
    if draw(st.booleans()):
        names = draw(st.sampled_from((["fuel"], ["riders", "charges"], ["meter"])))
        rounding["lines"] = [{"applies_to": names, "to": draw(st.sampled_from((0.01, 0.25, 2)))}]
        rounding["lines"][0]["mode"] = draw(st.sampled_from(("half-up", "half-even", "up", "down")))
    return toml_text({**document, "rounding": rounding})


@given(files(), st.integers(0, 2**32 - 1), st.sampled_from((0.05, 0.3, 1.1)))
@examples(120)
def test_bills_restated_in_plain_python(text: str, seed: int, kwh_an_hour: float) -> None:
    times = steps("2025-01-01", "2025-05-01", "UTC")
    kwh = np.random.default_rng(seed).gamma(0.7, kwh_an_hour, len(times)).round(3)
    found = bill(parse_tariff(text), times, 1.0, kwh)
    expected = bills(text, kwh.tolist(), datetime(2025, 1, 1, tzinfo=UTC))
    for period, (exact, total) in zip(found.periods, expected, strict=True):
        assert float(period.total_unrounded) == pytest.approx(float(exact), rel=1e-12, abs=1e-9)
        assert float(period.total) == pytest.approx(float(total), abs=1e-9)
