"""Tiers that count through the year and tiers that bands share; floors, ceilings, rates by tier, rounding.

All bills here are worked by hand.
"""

from decimal import Decimal

import numpy as np
import pytest
from homes.tariff_series import amounts, by_band, even, lines, month, steps
from numpy.typing import NDArray

from tariffs import Bill, TariffError, bill, evaluate, parse_tariff, price_steps


def billed(text: str, start: str, end: str, kwh: NDArray[np.float64] | float) -> Bill:
    """Bill a series of hours, and hold the program's terms against the exact amounts."""
    tariff, times = parse_tariff(text), steps(start, end, "UTC")
    energy = even(times, kwh) if isinstance(kwh, float | int) else kwh
    found = bill(tariff, times, 1.0, energy)
    terms = evaluate(price_steps(tariff, times, 1.0), energy, np.zeros(len(times)))
    assert terms == pytest.approx(float(found.total_unrounded), rel=1e-11, abs=1e-9)
    return found


YEARLY = """
name = "year steps"
currency = "EUR"
[bands.use]
[blocks]
name = "steps"
yearly_from = "04-01"
{used}
steps = [{{ up_to_kwh = 2900, price_per_kwh = 0.30 }}, {{ price_per_kwh = 0.40 }}]
"""


def test_tiers_count_on_from_bill_to_bill_and_begin_anew() -> None:
    # January to June at 10 kWh a day; 1,850 kWh from before: 310 and 280 more leave 460 of 2,900, which March's 310
    # does not use up; April begins anew
    text = YEARLY.format(used="used_kwh = 1850")
    found = billed(text, "2025-01-01", "2025-07-01", 1810.0)
    assert [line.label for line in found.periods[2].lines] == ["steps: up to 2900 kWh"]
    dearer = billed(YEARLY.format(used="used_kwh = 2700"), "2025-01-01", "2025-07-01", 1810.0)
    # 2,700 + 310 crosses 2,900 in January: 200 x 0.30 and 110 x 0.40; then 0.40 until April
    assert [amounts(dearer_month) for dearer_month in (_only(dearer, at) for at in range(4))] == [
        {"steps: up to 2900 kWh": 60.0, "steps: above 2900 kWh": 44.0},
        {"steps: above 2900 kWh": 112.0},
        {"steps: above 2900 kWh": 124.0},
        {"steps: up to 2900 kWh": 90.0},
    ]


def _only(found: Bill, at: int) -> Bill:
    return Bill(found.tariff_name, found.currency, found.periods[at : at + 1])


def test_a_year_begins_with_the_first_bill_on_or_after_its_day() -> None:
    text = (
        YEARLY.format(used="used_kwh = 2900")
        + "[billing]\nread_dates = [2025-03-20, 2025-04-20, 2025-05-20]\n"
    )
    found = billed(text, "2025-03-20", "2025-05-20", 61.0)
    assert [line.label for period in found.periods for line in period.lines] == [
        "steps: above 2900 kWh",  # the bill from 20 March on belongs to the year before
        "steps: up to 2900 kWh",
    ]


def test_what_was_used_before_the_series_must_be_known() -> None:
    with pytest.raises(TariffError, match=r"used_kwh: the tiers count from 2024-04-01, .* write used_kwh ="):
        billed(YEARLY.format(used=""), "2025-01-01", "2025-02-01", 10.0)
    assert billed(YEARLY.format(used=""), "2025-04-01", "2025-05-01", 10.0).total == Decimal("3.00")


def test_nothing_was_used_in_a_year_that_begins_with_the_series() -> None:
    text = YEARLY.format(used="used_kwh = 2895")
    assert billed(text, "2025-04-01", "2025-05-01", 10.0).total == Decimal("3.00")
    # from the 2nd on the bill has begun already: 5 kWh are left at 0.30
    assert billed(text, "2025-04-02", "2025-05-01", 10.0).total == Decimal("3.50")


def test_a_price_that_changes_within_the_year_leaves_the_count_running() -> None:
    text = YEARLY.format(used="used_kwh = 0") + (
        "[[versions]]\nvalid_from = 2025-06-01\nblocks = [{ name = 'steps', steps = "
        "[{ up_to_kwh = 2900, price_per_kwh = 0.50 }, { price_per_kwh = 0.60 }] }]\n"
    )
    found = billed(text, "2025-04-01", "2025-07-01", 9100.0)  # 3,000; 3,100; 3,000
    assert lines(_only(found, 0)) == [("steps: up to 2900 kWh", 870.0), ("steps: above 2900 kWh", 40.0)]
    assert lines(_only(found, 2)) == [("steps: above 2900 kWh", 1800.0)]


SHARED = """
name = "hours and steps"
currency = "USD"
other_hours = "off"
[bands]
peak = {{ import_price_per_kwh = 0.36 }}
off = {{ import_price_per_kwh = 0.20 }}
[[windows]]
band = "peak"
hours = "16:00-21:00"
[[blocks]]
name = "baseline"
shared = {shared}
steps = [{first}, {second}]
"""
FIVE_AND_THREE = {"off": 500, "peak": 300}


def shared_bill(shared: str, first: str, second: str) -> Bill:
    text = SHARED.format(shared=shared, first=first, second=second)
    energy = by_band(parse_tariff(text), month("2025-06", "UTC"), FIVE_AND_THREE)
    return billed(text, "2025-06-01", "2025-07-01", energy)


def test_tiers_shared_in_proportion_with_a_percentage_of_each_bands_price() -> None:
    # of the first 400 kWh 250 are off-peak and 150 peak: 25 % off 250 x 0.20 and off 150 x 0.36
    found = shared_bill(
        '"in-proportion"', "{ up_to_kwh = 400, percent_of_band = -25 }", "{ percent_of_band = 10 }"
    )
    assert amounts(found) == {
        "peak": 108.0,
        "off": 100.0,
        "baseline peak: up to 400 kWh": -13.5,
        "baseline peak: above 400 kWh": 5.4,
        "baseline off: up to 400 kWh": -12.5,
        "baseline off: above 400 kWh": 5.0,
    }


@pytest.mark.parametrize(
    ("order", "expected"),
    [
        (
            '["off", "peak"]',
            {"off: up to 400 kWh": 20.0, "off: above 400 kWh": 11.0, "peak: above 400 kWh": 45.0},
        ),
        (
            '["peak", "off"]',
            {"peak: up to 400 kWh": 27.0, "off: up to 400 kWh": 5.0, "off: above 400 kWh": 44.0},
        ),
    ],
)
def test_tiers_used_up_by_one_band_after_another(order: str, expected: dict[str, float]) -> None:
    found = shared_bill(
        order,
        "{ up_to_kwh = 400, price_by_band = { peak = 0.09, off = 0.05 } }",
        "{ price_by_band = { peak = 0.15, off = 0.11 } }",
    )
    blocks = {
        label.removeprefix("baseline "): amount for label, amount in lines(found) if "baseline" in label
    }
    assert blocks == expected


@pytest.mark.parametrize(
    ("shared", "first", "message"),
    [
        (
            '["off"]',
            "{ up_to_kwh = 4, price_by_band = { peak = 1, off = 2 } }",
            r"shared: must list every band",
        ),
        (
            '"by-turns"',
            "{ up_to_kwh = 4, price_by_band = { peak = 1, off = 2 } }",
            r'"in-proportion".*or a list',
        ),
        (
            '"in-proportion"',
            "{ up_to_kwh = 4, price_by_band = { peak = 1 } }",
            r"no price for band 'off'; add it",
        ),
        (
            '"in-proportion"',
            "{ up_to_kwh = 4, price_by_band = { pek = 1, off = 2 } }",
            r"did you mean 'peak'",
        ),
    ],
)
def test_shared_tiers_that_cannot_be_read(shared: str, first: str, message: str) -> None:
    with pytest.raises(TariffError, match=message):
        shared_bill(shared, first, "{ price_by_band = { peak = 1, off = 2 } }")


FLAT = """
name = "flat"
currency = "EUR"
[bands.energy]
import_price_per_kwh = 0.25
{more}
"""


def flat_bill(more: str, kwh: float) -> Bill:
    return billed(FLAT.format(more=more), "2025-06-01", "2025-07-01", kwh)


@pytest.mark.parametrize(
    ("percent", "kwh", "amount"),
    [(-10, 200, -5.0), (-10, 800, -12.5), (8, 200, 4.0), (8, 800, 12.5)],
)
def test_a_percentage_of_at_most_so_much(percent: int, kwh: float, amount: float) -> None:
    found = flat_bill(f"[[adjustments]]\nname = 'x'\npercent = {percent}\nat_most = 12.50", kwh)
    assert [value for _, value in lines(found, "adjustment")] == [amount]


BY_KWH = """
[[adjustments]]
name = "use tax"
whole_band = {whole}
steps = [{{ up_to_kwh = 200, percent = 0 }}, {{ up_to_kwh = 500, percent = 12 }}, {{ percent = 25 }}]
"""


@pytest.mark.parametrize(
    ("whole", "kwh", "tax"),
    [("true", 200, 0), ("true", 300, 9.0), ("true", 600, 37.5), ("false", 300, 3.0), ("false", 600, 15.25)],
)
def test_a_tax_by_tier_of_the_kwh(whole: str, kwh: float, tax: float) -> None:
    # false: of 600 kWh worth 150, a half (300 kWh) at 12 % and a sixth (100 kWh) at 25 %: 9.00 + 6.25
    found = flat_bill(BY_KWH.format(whole=whole), kwh)
    assert sum(amount for _, amount in lines(found, "adjustment")) == pytest.approx(tax)


def test_a_tax_by_tier_of_the_money() -> None:
    found = flat_bill(
        "[[adjustments]]\nname = 'vat'\nsteps = [{ up_to_amount = 100, percent = 5 }, { percent = 21 }]", 600
    )
    assert lines(found, "adjustment") == [("vat +5%, up to 100 EUR", 5.0), ("vat +21%, above 100 EUR", 10.5)]


def test_several_minimums_each_count_what_they_name() -> None:
    more = """
    [[charges]]
    name = "meter"
    per_month = 4
    [[minimum]]
    name = "energy floor"
    per_month = 20
    applies_to = ["energy"]
    [[minimum]]
    name = "least bill"
    per_month = 30
    applies_to = ["everything"]
    """
    # energy 10 is topped up by 10; with the meter 24, topped up by 6
    assert amounts(flat_bill(more, 40), "minimum") == {
        "energy floor: top-up to 20": 10.0,
        "least bill: top-up to 30": 6.0,
    }


def test_a_minimum_in_kwh_bills_what_was_not_used() -> None:
    more = """
    [[riders]]
    name = "flag"
    price_per_kwh = 0.05
    [[minimum]]
    name = "availability"
    kwh_per_month = 50
    """
    assert amounts(flat_bill(more, 20)) == {
        "availability: 30 kWh more, up to 50 kWh": 0.0,
        "energy": 12.5,
        "flag": 2.5,
    }
    assert amounts(flat_bill(more, 60)) == {"energy": 15.0, "flag": 3.0}


def test_a_versions_own_way_of_writing_a_minimum_takes_the_place_of_the_earlier() -> None:
    more = "[minimum]\nper_day = 1\n[[versions]]\nvalid_from = 2025-06-16\nminimum = { per_month = 60 }"
    # two halves of 10 EUR of energy: 15 days at 1, and half of 60
    assert [amount for _, amount in lines(flat_bill(more, 80), "minimum")] == [5.0, 20.0]


@pytest.mark.parametrize(
    ("more", "message"),
    [
        ("[minimum]\nper_day = 1\nper_month = 2", r"minimum\[1\]: needs one of per_day, per_month"),
        (
            "[[adjustments]]\nname = 'x'\npercent = 5\nsteps = [{ percent = 3 }]",
            r"either percent = .* or steps",
        ),
        (
            "[[adjustments]]\nname = 'x'\nsteps = [{ up_to_kwh = 5, percent = 3 }]",
            r"must be open above \(got 5\)",
        ),
        (
            "[minimum]\nkwh_per_month = 9\napplies_to = ['energy']",
            r"applies_to belongs to a minimum in money",
        ),
    ],
)
def test_floors_and_ceilings_that_cannot_be_read(more: str, message: str) -> None:
    with pytest.raises(TariffError, match=message):
        flat_bill(more, 10)


@pytest.mark.parametrize(
    ("rounding", "total"),
    [  # 100.4 kWh x 0.25 = 25.10; 101.6 kWh = 25.40
        ("mode = 'down'\nplaces = 0", ("25", "25")),
        ("mode = 'up'\nplaces = 0", ("26", "26")),
        ("total_to = 0.05\nplaces = 2", ("25.10", "25.40")),
        ("total_to = 0.5", ("25.0", "25.5")),
        ("kwh_places = 0", ("25.00", "25.50")),
        ("kwh_places = 0\nkwh_mode = 'down'", ("25.00", "25.25")),
    ],
)
def test_rounding_of_money_and_of_kwh(rounding: str, total: tuple[str, str]) -> None:
    for kwh, expected in zip((100.4, 101.6), total, strict=True):
        found = flat_bill("[rounding]\n" + rounding, kwh)
        assert found.total == Decimal(expected)
        assert found.total_unrounded == Decimal(str(kwh)) * Decimal("0.25")
        period = found.periods[0]
        assert period.total_unrounded + period.rounding == period.total


LEVY = """
[[riders]]
name = "levy"
price_per_kwh = 3.49
[[adjustments]]
name = "tax"
percent = 10
[[adjustments]]
name = "fund"
percent = 2.7
not_to = ["tax"]
[rounding]
places = 0
mode = "down"
"""


def test_a_line_is_rounded_by_itself_and_the_others_with_the_total() -> None:
    # 101.6 kWh: 25.40 + levy 354.584 = 379.984, tax 37.9984, fund 10.259568: 428.24
    alone = flat_bill(LEVY, 101.6)
    assert alone.total == 428
    lines = '[[rounding.lines]]\napplies_to = "levy"\nmode = "down"\n'
    # levy 354: 379.40, tax 37.94, fund 10.2438: 427.58
    found = flat_bill(LEVY + lines, 101.6)
    assert [line.billed_amount for line in found.periods[0].lines] == [
        Decimal(text) for text in ("25.4", "354", "37.94", "10.2438")
    ]
    assert found.total == 427
    assert found.total_unrounded == alone.total_unrounded
    # the fund to tens, downwards, the tax to the nearest whole: 25.40 + 354 + 38 + 10 = 427.40
    lines += '[[rounding.lines]]\napplies_to = ["tax"]\n'
    lines += '[[rounding.lines]]\napplies_to = ["fund"]\nmode = "down"\nto = 10\n'
    assert [line.billed_amount for line in flat_bill(LEVY + lines, 101.6).periods[0].lines[2:]] == [38, 10]


def test_rounded_lines_go_before_rounding_per_line() -> None:
    lines = 'per = "line"\n[[rounding.lines]]\napplies_to = ["riders", "adjustment tax"]\nmode = "up"\n'
    with pytest.raises(TariffError, match=r"rounding\.lines\[1\]\.applies_to: no line .* 'adjustment tax'"):
        flat_bill(LEVY + lines, 101.6)
    found = flat_bill(LEVY + lines.replace("adjustment tax", "tax"), 101.6)
    # 25, levy 355, tax of 380: 38, fund of 380: 10.26, downwards as the file says
    assert [line.billed_amount for line in found.periods[0].lines] == [25, 355, 38, 10]


def test_a_rounded_line_may_come_with_a_version() -> None:
    lines = '[[rounding.lines]]\napplies_to = "later"\nmode = "down"\n'
    with pytest.raises(TariffError, match=r"rounding\.lines\[1\]\.applies_to: no line .* 'later'"):
        flat_bill(LEVY + lines, 101.6)
    later = '[[versions]]\nvalid_from = 2025-06-16\ncharges = [{ name = "later", per_month = 3.4 }]\n'
    found = flat_bill(LEVY + lines + later, 101.6)
    assert [line.billed_amount for line in found.periods[0].lines if line.name == "later"] == [1]


def test_lines_tiers_and_taxes_are_of_rounded_kwh() -> None:
    more = """
    [[blocks]]
    name = "slab"
    whole_band = true
    steps = [{ up_to_kwh = 100, price_per_kwh = 0.1 }, { price_per_kwh = 0.5 }]
    [[adjustments]]
    name = "tax"
    percent = 10
    [rounding]
    kwh_places = 0
    """
    found = flat_bill(more, 100.4)  # 100 kWh on the bill: the first slab
    assert [(line.label, line.billed_amount) for line in found.periods[0].lines if line.billed_amount] == [
        ("energy", Decimal(25)),
        ("slab, up to 100 kWh: all", Decimal(10)),
        ("tax +10%", Decimal("3.5")),
    ]
    assert found.total == Decimal("38.50")


def test_a_band_is_rounded_once_whatever_changes_within_the_month() -> None:
    more = "[rounding]\nkwh_places = 0\n[[versions]]\nvalid_from = 2025-06-16\ncharges = []\n"
    found = flat_bill(more, 20.8)  # 10.4 in each half: 21 in all, not 10 and 10
    assert found.periods[0].lines[0].quantity == 21


def test_lines_that_read_alike_keep_their_exact_amounts_beside_rounded_kwh() -> None:
    text = """
    name = "two seasons in one bill"
    currency = "EUR"
    billing = { read_dates = [2025-04-16, 2025-05-16] }
    rounding = { kwh_places = 0 }
    seasons = [{ name = "winter", from = "11-01", to = "04-30" }, { name = "summer", from = "05-01", to = "10-31" }]
    [bands.use]
    import_price_per_kwh = 0.2
    [blocks]
    shared = ["use"]
    steps = [{ up_to_kwh = 30, percent_of_band = 50 }, { price_by_band = { use = 0.1 } }]
    """
    times = steps("2025-04-16", "2025-05-16")
    found = bill(parse_tariff(text), times, 1.0, even(times, 100.4))
    blocks = [line for line in found.periods[0].lines if line.name == "blocks"]
    above = "blocks use: above 30 kWh"
    assert [line.label for line in blocks] == ["blocks use: up to 30 kWh", above, above]
    # each season is half of 100.4 kWh: 30 and 20.2 above them, then 50.2, all at 0.1; the bill's are 30, 20 and 50
    assert [float(line.amount) for line in blocks] == pytest.approx([3, 2.02, 5.02])
    assert [line.billed_amount for line in blocks] == [3, 2, 5]
    assert float(found.total_unrounded) == pytest.approx(100.4 * 0.3)


def test_losses_at_the_last_step_reached() -> None:
    more = """
    [losses]
    loss_factor = 1.10
    tiers = "last"
    applies_to = ["blocks"]
    [blocks]
    steps = [{ up_to_kwh = 100, price_per_kwh = 0.1 }, { price_per_kwh = 0.3 }]
    """
    # 150 kWh: 100 x 0.1, 50 x 0.3, and 15 kWh of losses all at 0.3
    assert amounts(flat_bill(more, 150), "energy")["blocks: losses"] == pytest.approx(4.5)
    each = flat_bill(more.replace('"last"', '"each"'), 150)
    assert amounts(each)["blocks: up to 100 kWh × 1.1 losses"] == pytest.approx(11.0)
