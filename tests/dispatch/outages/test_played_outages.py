"""Two hundred random outages against a simulator written from the rules in dispatch/README.md alone."""

from __future__ import annotations

import pytest
from oracles.blackout import black_out, instant, parts_of, plain, plan
from oracles.outage_homes import random_home, told

from dispatch.outages.outage import play, span_of

OUTAGES = 200


@pytest.mark.parametrize("seed", range(OUTAGES))
def test_an_outage_is_played_as_the_rules_say(seed: int) -> None:
    case, random = random_home(seed)
    count, dt = len(case.times), case.dt_hours
    low, high = case.limits.empty_kwh, case.limits.ceiling_kwh
    stored = (low + random.uniform(0, 1, count) * (high - low)).tolist()
    first, offset = int(random.integers(count)), float(random.choice([0.0, 0.0, 0.4])) * dt
    offset, hours = round(offset * 3600) / 3600, float(random.choice([3.0, 11.5, 30.0, 60.0]))
    schedule = plan(case, stored)
    played = play(case, schedule, span_of(case, instant(case, first, offset), hours))
    before = schedule.stored_before_kwh()[first]
    level = before + (stored[first] - before) * offset / dt
    things, engine = told(case)
    hand = black_out(*plain(case), dt, level, parts_of(count, dt, first, offset, hours), things, engine)
    assert played.stored_kwh == pytest.approx(level, abs=1e-9)
    for ours, theirs in (
        (played.stored_end_kwh, hand.level),
        (played.served_kwh, hand.served),
        (played.unserved_kwh, hand.unserved),
        (played.shed_kwh, hand.shed),
        (played.sun_kwh, hand.sun),
        (played.litres, hand.litres),
    ):
        assert ours == pytest.approx(theirs, abs=1e-6)
    second = 1 / 3600
    assert played.generator_hours == pytest.approx(hand.running, abs=second)
    assert played.tripped_hours == pytest.approx(hand.tripped, abs=second)
    assert played.dark_hours == pytest.approx(hand.dark_hours, abs=second * max(len(played.dark), 1))
    if hand.missing:
        began = (played.dark[0].begins - played.begins).total_seconds() / 3600
        assert began == pytest.approx(hand.missing[0].begin, abs=second)
    for one in played.appliances:
        assert one.hours_without == pytest.approx(hand.without[one.name], abs=second), one.name


def test_the_random_outages_hold_everything_that_can_happen() -> None:
    """Else the two hundred would prove little."""
    kinds: dict[str, int] = {}
    for seed in range(OUTAGES):
        case, random = random_home(seed)
        stored = [case.limits.empty_kwh + 0.6 * (case.limits.ceiling_kwh - case.limits.empty_kwh)]
        played = play(
            case,
            plan(case, stored * len(case.times)),
            span_of(case, instant(case, int(random.integers(len(case.times))), 0.0), 30.0),
        )
        for kind in {event.kind for event in played.events}:
            kinds[kind] = kinds.get(kind, 0) + 1
    expected = {
        "generator on",
        "generator off",
        "tank empty",
        "battery empty",
        "inverter trips",
        "shed",
        "back",
    }
    assert set(kinds) == expected
    assert min(kinds.values()) >= 10, kinds
