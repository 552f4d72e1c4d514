"""Demand charges: published rules first, then what any meter must do."""

from decimal import Decimal

import numpy as np
import pandas as pd
import pytest
from homes.tariff_series import even, month, steps
from numpy.typing import NDArray

from tariffs import Bill, TariffError, bill, parse_tariff, price_steps

HEAD = """
name = "demand"
currency = "USD"
[bands.energy]
import_price_per_kwh = 0
"""


def demand_tariff(rules: str, top: str = "") -> str:
    return f"{top}{HEAD}[[demand]]\n{rules}\n"


def demand_of(found: Bill) -> list[Decimal | None]:
    return [line.quantity for period in found.periods for line in period.lines if line.kind == "demand"]


def spike(
    times: pd.DatetimeIndex, minutes: int, at: str, kw: float, base_kw: float = 0.0
) -> NDArray[np.float64]:
    """Energy of a load that is flat but for one step."""
    energy = np.full(len(times), base_kw * minutes / 60)
    energy[times.get_loc(pd.Timestamp(at, tz=times.tz))] = kw * minutes / 60
    return energy


# srpnet.com/price-plans/residential-electric/solar/customer-generation (Salt River Project): on-peak weekdays 14-20
# May-Oct, 05-09 and 17-21 Nov-Apr; seasons as below; highest clock-aligned 30-minute on-peak interval of the month.
# Its six holidays and its prices are not in the excerpt: two holidays and the prices here are invented.
SRP = """
name = "customer generation"
currency = "USD"
time_zone = "America/Phoenix"
[[seasons]]
name = "summer"
months = [5, 6, 9, 10]
[[seasons]]
name = "summer peak"
months = [7, 8]
[[seasons]]
name = "winter"
months = [11, 12, 1, 2, 3, 4]
[holidays]
country = "US"
include = ["Independence Day", "Labor Day"]
[bands.energy]
import_price_per_kwh = 0.05
[demand]
price_per_kw = { summer = 8, "summer peak" = 10, winter = 4 }
interval_minutes = 30
windows = [
  { seasons = ["summer", "summer peak"], days = "weekday", hours = "14:00-20:00" },
  { seasons = "winter", days = "weekday", hours = ["05:00-09:00", "17:00-21:00"] },
]
"""


@pytest.mark.parametrize(
    ("at", "counts"),
    [
        ("2025-07-08 14:00", True),
        ("2025-07-08 19:45", True),
        ("2025-07-08 13:45", False),
        ("2025-07-08 20:00", False),
        ("2025-07-05 15:00", False),  # Saturday
        ("2025-07-04 15:00", False),  # holiday
        ("2025-01-08 05:00", True),
        ("2025-01-08 09:00", False),
        ("2025-01-08 20:45", True),
    ],
)
def test_on_peak_windows_of_salt_river(at: str, counts: bool) -> None:
    times = month(at[:7], "America/Phoenix", 15)
    found = bill(parse_tariff(SRP), times, 0.25, spike(times, 15, at, 6.0))
    assert demand_of(found) == [3 if counts else 0]  # 6 kW for half of a half-hour


def test_half_hours_are_clock_aligned() -> None:
    # two full quarters from 15:15 to 15:45 fill neither half-hour: each has one of them
    times = month("2025-07", "America/Phoenix", 15)
    energy = spike(times, 15, "2025-07-08 15:15", 6.0) + spike(times, 15, "2025-07-08 15:30", 6.0)
    assert demand_of(bill(parse_tariff(SRP), times, 0.25, energy)) == [3]
    aligned = spike(times, 15, "2025-07-08 15:30", 6.0) + spike(times, 15, "2025-07-08 15:45", 6.0)
    assert demand_of(bill(parse_tariff(SRP), times, 0.25, aligned)) == [6]


def test_prices_by_three_seasons_of_salt_river() -> None:
    for name, total in {"2025-06": 8 * 6, "2025-08": 10 * 6, "2025-02": 4 * 6}.items():
        times = month(name, "America/Phoenix", 15)
        found = bill(parse_tariff(SRP), times, 0.25, np.full(len(times), 1.5))
        assert sum(line.amount for line in found.periods[0].lines if line.kind == "demand") == total


def test_mean_of_the_daily_maxima() -> None:
    # srpnet.com (solar options): another of its plans bills the average of the daily on-peak maxima
    times = steps(
        "2025-07-01", "2025-07-05", "America/Phoenix", 30
    )  # Tuesday to Friday; the 4th is a holiday
    energy = sum(
        (spike(times, 30, f"2025-07-0{day} 16:00", kw) for day, kw in ((1, 2.0), (2, 5.0), (3, 5.0))),
        start=np.zeros(len(times)),
    )
    whole = SRP + '[billing]\npart_periods = "whole"'
    for rule, kw in (('"all"', 4), ("2", 5), ("1", 5)):
        text = whole.replace("interval_minutes = 30", f"interval_minutes = 30\nhighest_days = {rule}")
        assert demand_of(bill(parse_tariff(text), times, 0.5, energy)) == [kw]


def test_demand_is_power_not_energy() -> None:
    # conwaycorp.com (demand): 20 kW for an hour and 2 kW for ten hours are both 20 kWh; demands 20 and 2 kW
    times = month("2025-06", "America/Chicago")
    tariff = parse_tariff(demand_tariff("price_per_kw = 1"))
    short, long = np.zeros(len(times)), np.zeros(len(times))
    short[100] = 20.0
    long[100:110] = 2.0
    assert demand_of(bill(tariff, times, 1.0, short)) == [20]
    assert demand_of(bill(tariff, times, 1.0, long)) == [2]


def test_same_energy_in_a_third_of_the_day_is_three_times_the_demand() -> None:
    # fmtn.org, question 142 (Farmington): user A flat over 24 h, user B the same energy in 8 h
    times = month("2025-06", "America/Denver")
    tariff = parse_tariff(demand_tariff("price_per_kw = 1"))
    flat = even(times, 720.0)
    bunched = np.where((times.hour >= 8) & (times.hour < 16), 3.0, 0.0)
    demands = [demand_of(bill(tariff, times, 1.0, energy))[0] for energy in (flat, bunched)]
    assert flat.sum() == pytest.approx(bunched.sum())
    assert demands == [1, 3]


def test_bill_of_a_cooperative() -> None:
    # uec.coop (questions on demand): $54.50, $5.39 per kW, 4.137 cents per kWh; total derived
    text = """
    name = "commercial"
    currency = "USD"
    [bands.energy]
    import_price_per_kwh = 0.04137
    [demand]
    price_per_kw = 5.39
    [charges]
    per_month = 54.50
    """
    times = month("2025-06", "America/Chicago")
    energy = even(times, 30_000 - 100) * len(times) / (len(times) - 1)
    energy[300] = 100.0
    assert bill(parse_tariff(text), times, 1.0, energy).total == Decimal("1834.60")


def test_single_highest_quarter_hour_and_clock_hour() -> None:
    # jdlstudio.com/FallRiver/DemandCalculator.html (2022): $1.00 per kW of the highest 15-minute interval;
    # cloverland.com (questions): $0.93 per kW of the highest clock hour between 08 and 21
    text = f"""{HEAD}
    [[demand]]
    name = "quarter hour"
    price_per_kw = 1.00
    interval_minutes = 15
    [[demand]]
    name = "clock hour"
    price_per_kw = 0.93
    hours = "08:00-21:00"
    """
    times = month("2025-06", "America/Detroit", 15)
    energy = spike(times, 15, "2025-06-10 07:30", 12.0) + spike(times, 15, "2025-06-10 12:15", 8.0)
    found = bill(parse_tariff(text), times, 0.25, energy)
    assert {line.label: line.amount for line in found.periods[0].lines if line.kind == "demand"} == {
        "quarter hour": 12,
        "clock hour": Decimal("1.86"),  # 8 kW in one quarter of the hour is 2 kW
    }


# hydroquebec.com (bill-m-details-part3-overlay), Rate M, April 2012: the greatest of the month's kW and 65 % of last
# winter's maximum (its third figure, 90 % of kVA, needs reactive power, which is not in a series of kWh);
# first 210,000 kWh per 30 days at $0.041, the rest at $0.0319. Its demand price is not in the excerpt: invented.
HYDRO_QUEBEC = """
name = "rate M"
currency = "CAD"
[[seasons]]
name = "winter"
months = [12, 1, 2, 3]
[[seasons]]
name = "summer"
months = [4, 5, 6, 7, 8, 9, 10, 11]
[bands.use]
[blocks]
name = "energy"
limits_for_days = 30
order = "falling"
steps = [{ up_to_kwh = 210000, price_per_kwh = 0.041 }, { price_per_kwh = 0.0319 }]
[demand]
price_per_kw = 10
interval_minutes = 15
ratchet = { percent = 65, look_back_months = 12, seasons = "winter", past_kw = { PAST } }
"""
WINTER = '"2012-03" = 900, "2012-02" = 1000, "2012-01" = 950, "2011-12" = 870, "2011-11" = 5000'


@pytest.mark.parametrize(("kw", "billed"), [(500, 650), (700, 700)])
def test_ratchet_of_hydro_quebec(kw: int, billed: int) -> None:
    # the month of November is no winter month, however high its figure in the file
    times = month("2012-04", "America/Toronto", 15)
    tariff = parse_tariff(HYDRO_QUEBEC.replace("PAST", WINTER))
    found = bill(tariff, times, 0.25, np.full(len(times), kw / 4))
    assert demand_of(found) == [billed]


def test_energy_of_hydro_quebec() -> None:
    times = month("2012-04", "America/Toronto", 15)
    tariff = parse_tariff(HYDRO_QUEBEC.replace("PAST", WINTER))
    found = bill(tariff, times, 0.25, even(times, 300_000))
    energy = [line.amount for line in found.periods[0].lines if line.kind == "energy"]
    assert energy == [8610, 2871]
    assert sum(energy) == Decimal("11481.00")  # derived


def test_a_ratchet_without_its_past_is_refused() -> None:
    tariff = parse_tariff(HYDRO_QUEBEC.replace("PAST", '"2012-02" = 1000'))
    times = month("2012-04", "America/Toronto", 15)
    with pytest.raises(TariffError, match=r"2012-03, 2012-01, 2011-12.*past_kw"):
        bill(tariff, times, 0.25, even(times, 1.0))


def test_a_ratchet_looks_back_on_the_series_own_months() -> None:
    text = demand_tariff(
        "price_per_kw = 1\nratchet = { percent = 50, look_back_months = 2, past_highest_kw = 3 }"
    )
    times = steps("2025-01-01", "2025-06-01", "America/Chicago")
    energy = np.full(len(times), 1.0)
    energy[5] = 8.0  # January
    assert demand_of(bill(parse_tariff(text), times, 1.0, energy)) == [8, 4, 4, 1, 1]


# alliantenergy.com (timeofdaypricingiowabiz): demand on-peak Mon-Fri 07-20; energy on-peak 14-19 weekdays June to
# August except Independence Day. Prices are not in the excerpt: invented.
ALLIANT = """
name = "time of day"
currency = "USD"
other_hours = "off-peak"
[[seasons]]
name = "summer"
months = [6, 7, 8]
[[seasons]]
name = "other"
months = [1, 2, 3, 4, 5, 9, 10, 11, 12]
[holidays]
country = "US"
include = "Independence Day"
[bands]
on-peak = { import_price_per_kwh = 0.2 }
off-peak = { import_price_per_kwh = 0.06 }
[[windows]]
band = "on-peak"
seasons = "summer"
days = "weekday"
hours = "14:00-19:00"
[demand]
price_per_kw = 9
days = ["weekday", "holiday"]
hours = "07:00-20:00"
"""


@pytest.mark.parametrize(
    ("at", "band", "demand"),
    [
        ("2025-07-08 14:00", "on-peak", True),
        ("2025-07-08 19:00", "off-peak", True),
        ("2025-07-08 20:00", "off-peak", False),
        ("2025-07-04 15:00", "off-peak", True),  # a Friday: demand counts, energy is off-peak
        ("2025-09-09 15:00", "off-peak", True),
        ("2025-07-05 15:00", "off-peak", False),
    ],
)
def test_energy_and_demand_windows_of_alliant_differ(at: str, band: str, demand: bool) -> None:
    times = month(at[:7], "America/Chicago")
    found = bill(parse_tariff(ALLIANT), times, 1.0, spike(times, 60, at, 4.0))
    assert [line.label for line in found.periods[0].lines if line.kind == "energy"] == [band]
    assert demand_of(found) == [4 if demand else 0]


def test_steps_longer_than_the_interval() -> None:
    times = month("2025-06", "America/Chicago")
    rules = "price_per_kw = 2\ninterval_minutes = 15"
    with pytest.raises(TariffError, match=r"measured over 15 minutes.*steps of 60.*flat_within_step"):
        bill(parse_tariff(demand_tariff(rules)), times, 1.0, even(times, 720.0))
    found = bill(
        parse_tariff(demand_tariff(f"{rules}\nflat_within_step = true")), times, 1.0, even(times, 720.0)
    )
    assert [line.label for line in found.periods[0].lines if line.kind == "demand"] == [
        "peak demand (at least)"
    ]
    assert (
        price_steps(parse_tariff(demand_tariff(f"{rules}\nflat_within_step = true")), times, 1.0)
        .demand[0]
        .at_least
    )


def test_a_window_edge_inside_a_step_is_refused() -> None:
    times = month("2025-06", "America/Chicago")
    rules = 'price_per_kw = 2\ninterval_minutes = 30\nflat_within_step = true\nhours = "07:30-10:00"'
    with pytest.raises(TariffError, match=r"window's edge at 07:30.*2025-06-01T07:00"):
        bill(parse_tariff(demand_tariff(rules)), times, 1.0, even(times, 1.0))


def test_window_edges_off_the_clocks_marks_are_refused() -> None:
    with pytest.raises(TariffError, match=r"demand\[1\].*60-minute marks.*07:30"):
        parse_tariff(demand_tariff('price_per_kw = 2\nhours = "07:30-10:00"'))


@pytest.mark.parametrize(
    ("kw", "lines"),
    [
        (2.0, {"peak demand: up to 3 kW": 10}),
        (
            12.0,
            {"peak demand: up to 3 kW": 15, "peak demand: 3 to 10 kW": 70, "peak demand: above 10 kW": 40},
        ),
    ],
)
def test_demand_in_steps(kw: float, lines: dict[str, int]) -> None:
    rules = (
        "steps = [{up_to_kw = 3, price_per_kw = 5}, {up_to_kw = 10, price_per_kw = 10}, {price_per_kw = 20}]"
    )
    times = month("2025-06", "America/Chicago")
    found = bill(parse_tariff(demand_tariff(rules)), times, 1.0, np.full(len(times), kw))
    assert {line.label: line.amount for line in found.periods[0].lines if line.kind == "demand"} == lines


@pytest.mark.parametrize(("kw", "fee"), [(1.9, 150), (2.0, 150), (2.1, 260), (7.0, 430)])
def test_a_fee_by_class_of_demand(kw: float, fee: int) -> None:
    rules = (
        "highest_days = 3\nwhole_band = true\nsteps = [{up_to_kw = 2, fixed_per_month = 150}, "
        "{up_to_kw = 5, fixed_per_month = 260}, {fixed_per_month = 430}]"
    )
    times = month("2025-06", "America/Chicago")
    assert bill(parse_tariff(demand_tariff(rules)), times, 1.0, np.full(len(times), kw)).total == fee


def test_a_price_per_kw_and_day() -> None:
    times = month("2025-06", "America/Chicago")
    found = bill(
        parse_tariff(demand_tariff('price_per_kw = 0.10\nper = "day"')), times, 1.0, np.full(len(times), 4.0)
    )
    assert found.total == 12


def test_minimum_demand() -> None:
    times = month("2025-06", "America/Chicago")
    found = bill(
        parse_tariff(demand_tariff("price_per_kw = 2\nminimum_kw = 7")), times, 1.0, np.full(len(times), 4.0)
    )
    assert found.total == 14
    assert found.periods[0].lines[-1].label == "peak demand (minimum)"


def test_demand_of_a_period_whose_price_changes_is_shared_by_days() -> None:
    rules = "price_per_kw = 3\n[[versions]]\nvalid_from = 2025-06-11\ndemand = [{ price_per_kw = 6 }]"
    times = month("2025-06", "America/Chicago")
    energy = np.full(len(times), 1.0)
    energy[-5] = 10.0  # the peak of the whole month, after the change
    assert (
        bill(parse_tariff(demand_tariff(rules)), times, 1.0, energy).total
        == 10 * 3 * 10 / 30 + 10 * 6 * 20 / 30
    )


def test_a_clock_change_does_not_merge_the_repeated_hour() -> None:
    times = month("2025-11", "America/Chicago", 30)
    energy = np.zeros(len(times))
    twice = np.flatnonzero((times.day == 2) & (times.hour == 1))
    assert len(twice) == 4
    energy[twice] = 1.5  # 3 kW through both
    assert demand_of(bill(parse_tariff(demand_tariff("price_per_kw = 1")), times, 0.5, energy)) == [3]
