"""Whole bills as others printed them, or as their rules imply, each with its source beside it.

Energy is spread over the hours of each price; only its amounts are published. Amounts agree to the printed
cent unless the check says why not.
"""

from decimal import Decimal

import numpy as np
import pytest
from homes.tariff_ontario import SEASONS, time_of_use
from homes.tariff_series import amounts, band_bill, even, even_bill, month, year

from tariffs import bill, parse_tariff, price_steps

# faypwc.com/online-usage-calculator-tou/ (Fayetteville Public Works Commission, North Carolina), energy only
FAYETTEVILLE = """
name = "time of use"
currency = "USD"
other_hours = "off-peak"
[[seasons]]
name = "summer"
months = [4, 5, 6, 7, 8, 9, 10]
[[seasons]]
name = "winter"
months = [11, 12, 1, 2, 3]
[bands]
on-peak = { import_price_per_kwh = 0.13 }
off-peak = { import_price_per_kwh = 0.08473 }
[[windows]]
band = "on-peak"
seasons = "summer"
days = "weekday"
hours = "15:00-19:00"
[[windows]]
band = "on-peak"
seasons = "winter"
days = "weekday"
hours = "06:00-10:00"
"""


@pytest.mark.parametrize("name", ["2025-01", "2025-07"])
def test_time_of_use_bill_of_fayetteville(name: str) -> None:
    bills = [
        band_bill(FAYETTEVILLE, month(name), {"off-peak": off, "on-peak": 1000 - off}).total
        for off in (800, 850)
    ]
    assert bills == [Decimal("93.78"), Decimal("91.52")]
    assert bills[0] - bills[1] == Decimal("2.26")


def test_block_bill_of_seymour() -> None:
    # cityofseymour.org/departments/utilities/residential-electricity/bill-comparison/ (winter, 1,200 kWh)
    text = """
    name = "residential"
    currency = "USD"
    [bands.energy]
    [[blocks]]
    name = "tiers"
    steps = [
      { up_to_kwh = 250, price_per_kwh = 0.064 },
      { up_to_kwh = 700, price_per_kwh = 0.049 },
      { price_per_kwh = 0.0446 },
    ]
    [[riders]]
    name = "power cost"
    price_per_kwh = 0.085
    [charges]
    name = "base"
    per_month = 7.50
    [[adjustments]]
    name = "tax"
    percent = 1
    [rounding]
    per = "line"
    """
    found = even_bill(text, month("2025-01"), 1200)
    assert [line.billed_amount for line in found.periods[0].lines] == [
        Decimal(amount) for amount in ("16.00", "22.05", "22.30", "102.00", "7.50", "1.70")
    ]
    assert found.total == Decimal("171.55")


def test_demand_bill_of_a_handbook() -> None:
    # "Energy Management Handbook" (Turner), section 18.5.1, at civilengineeringhandbook.tk/energy-management/
    # 185-calculation-of-a-monthly-bill.html; June. Its demand price is blocked by a table outside the excerpt:
    # 8.7447 per kW is the mean that its 262.34 for 30 kW implies.
    text = """
    name = "general service"
    currency = "USD"
    [bands.energy-use]
    import_price_per_kwh = 0.09444
    [riders]
    name = "cost adjustment"
    price_per_kwh = -0.017192
    [demand]
    price_per_kw = 8.7447
    [charges]
    name = "customer"
    per_month = 3.74
    [rounding]
    per = "line"
    """
    times = month("2025-06")
    use = even(times, 17_588 - 30) * len(times) / (len(times) - 1)
    use[100] = 30.0
    found = bill(parse_tariff(text), times, 1.0, use)
    billed = {line.label: line.billed_amount for line in found.periods[0].lines}
    assert billed == {
        "energy-use": Decimal("1661.01"),
        "cost adjustment": Decimal("-302.37"),
        "peak demand": Decimal("262.34"),
        "customer": Decimal("3.74"),
    }
    assert found.total == Decimal("1624.72")


def test_price_by_hours_of_use_and_prompt_payment() -> None:
    # Kimberly, "Electrical Engineering", Example 142, vias.org/kimberlyee/ee_26_07.html: 6,400 kWh at 50.6 kW are
    # 126.5 hours of use, priced 0.0375; 12 % off. (Its "$250.00" is a misprint: its own arithmetic uses 240.00.)
    # The classes either side of 0.0375 are invented: the excerpt does not print the table.
    text = """
    name = "hours of use"
    currency = "USD"
    [bands.energy-use]
    [demand]
    price_per_kw = 0
    [blocks]
    name = "by hours of use"
    whole_band = true
    demand = "peak demand"
    steps = [
      { up_to_hours = 100, price_per_kwh = 0.05 },
      { up_to_hours = 150, price_per_kwh = 0.0375 },
      { price_per_kwh = 0.03 },
    ]
    [[adjustments]]
    name = "prompt payment"
    percent = -12
    """
    times = month("2025-06")
    use = np.zeros(len(times))
    use[:126] = 50.6
    use[126] = 6400 - 126 * 50.6
    found = bill(parse_tariff(text), times, 1.0, use)
    assert pytest.approx(126.5, abs=0.05) == 6400 / 50.6
    assert sum(amounts(found, "energy").values()) == 240.00
    assert found.total == Decimal("211.20")


KERALA = """
name = "domestic"
currency = "INR"
[bands.units]
[[blocks]]
name = "slabs"
order = "rising"
steps = [
  { up_to_kwh = 50, price_per_kwh = 3.15 },
  { up_to_kwh = 100, price_per_kwh = 3.70 },
  { up_to_kwh = 150, price_per_kwh = 4.80 },
  { price_per_kwh = 6.40 },
]
"""


def test_slabs_and_duty_of_kerala() -> None:
    # ksebinfoportal.blogspot.com/2020/07/kseb-bill-calculation.html (Kerala State Electricity Board, 2020)
    text = (
        KERALA
        + """
    [[riders]]
    name = "fuel"
    price_per_kwh = 0.10
    [[charges]]
    name = "fixed"
    per_month = 55
    [[charges]]
    name = "meter rent, its tax and cess"
    per_month = 7.14
    [[adjustments]]
    name = "duty"
    percent = 10
    applies_to = ["slabs"]
    """
    )
    found = even_bill(text, month("2020-06"), 117)
    assert sum(amounts(found, "energy").values()) == 424.10
    assert amounts(found)["duty +10%"] == 42.41
    assert found.total == Decimal("540.35")


def test_subsidy_by_slabs_of_kerala() -> None:
    # as above: 5 x 1.50 + 15 x 0.35 + 77 x 0.50; the first 20 of the 117 units have none
    text = """
    name = "subsidy"
    currency = "INR"
    [bands.units]
    [blocks]
    name = "subsidy"
    steps = [
      { up_to_kwh = 20, price_per_kwh = 0 },
      { up_to_kwh = 25, price_per_kwh = -1.50 },
      { up_to_kwh = 40, price_per_kwh = -0.35 },
      { price_per_kwh = -0.50 },
    ]
    """
    assert even_bill(text, month("2020-06"), 117).total == Decimal("-51.25")


def test_two_month_slabs_of_kerala_are_twice_as_wide() -> None:
    text = KERALA + "[billing]\nperiod_months = 2"
    times = month("2020-05").union(month("2020-06"))
    found = even_bill(text, times, 396)
    assert list(amounts(found).values()) == [315, 370, 480, 614.40]
    assert found.total == Decimal("1779.40")
    assert [period.name for period in found.periods] == ["2020-05"]


# lankafreezone.com/mypage_35_Ceylon-Electricity-Board-Bill-Calculator.html: blocks per 30 days, scaled by days
SRI_LANKA = """
name = "domestic"
currency = "LKR"
[bands.units]
[blocks]
name = "by use"
limits_for_days = 30
steps = [
  { up_to_kwh = 30, price_per_kwh = 3.00 },
  { up_to_kwh = 60, price_per_kwh = 4.70 },
  { up_to_kwh = 90, price_per_kwh = 7.50 },
  { up_to_kwh = 120, price_per_kwh = 21.00 },
  { up_to_kwh = 180, price_per_kwh = 24.00 },
  { price_per_kwh = 36.00 },
]
[[adjustments]]
name = "fuel surcharge"
percent = 40
"""


def test_blocks_scaled_by_days_and_surcharge_of_sri_lanka() -> None:
    found = even_bill(SRI_LANKA, month("2014-01"), 210)
    energy = [93.00, 145.70, 232.50, 651.00, 1488.00, 864.00]
    assert list(amounts(found, "energy").values()) == energy
    assert sum(energy) == pytest.approx(3474.20)
    assert found.total == Decimal("4863.88")  # derived: the page prints the parts, not this sum


def test_thirty_units_in_28_days_of_sri_lanka() -> None:
    found = even_bill(SRI_LANKA, month("2014-02"), 30)
    assert [line.quantity for line in found.periods[0].lines[:2]] == [28, 2]


@pytest.mark.parametrize(("units", "total"), [(80, 100), (130, 215), (230, 520)])
def test_whole_band_slabs_of_tamil_nadu(units: int, total: int) -> None:
    # headlinesnewsworld.blogspot.com/2012/06 (a blog on the Tamil Nadu tariff of 2012)
    text = """
    name = "domestic 2012"
    currency = "INR"
    [bands.units]
    [blocks]
    name = "slabs"
    whole_band = true
    steps = [
      { up_to_kwh = 100, price_per_kwh = 1.00, fixed_per_month = 20 },
      { up_to_kwh = 200, price_per_kwh = 1.50, fixed_per_month = 20 },
      { fixed_per_month = 30, inside = [
        { up_to_kwh = 200, price_per_kwh = 2.00 },
        { price_per_kwh = 3.00 },
      ] },
    ]
    """
    assert even_bill(text, month("2012-06"), units).total == total


# Unit rates and caps: ofgem.gov.uk/news/new-energy-price-cap-level-october-december-2024-starts-today and
# ...july-september-2024..., ashfordadvice.org/news/energy-price-cap-2; gas 11,500 kWh: powercompare.co.uk/blog/ofgem
# electricity 2,700 kWh: from memory. Pence; published totals are rounded, so they agree to a pound.
@pytest.mark.parametrize(
    ("electricity", "gas", "published", "electricity_only"),
    [
        ((28.62, 53.35), (7.42, 29.60), 1928, "967.47"),
        ((24.50, 60.10), (6.04, 31.43), 1690, "880.87"),
        ((22.36, 60.12), (5.48, 31.41), 1568, "823.16"),
        ((24.50, 60.99), (6.24, 31.66), 1717, "884.11"),
    ],
)
def test_british_price_cap_of_2024(
    electricity: tuple[float, float], gas: tuple[float, float], published: int, electricity_only: str
) -> None:
    def annual(rates: tuple[float, float], kwh: float) -> Decimal:
        unit, standing = (Decimal(str(rate)) / 100 for rate in rates)
        text = f"""
        name = "cap"
        currency = "GBP"
        [bands.unit-rate]
        import_price_per_kwh = {unit}
        [charges]
        per_day = {standing}
        [billing]
        period_months = 12
        """
        return even_bill(text, year(2023, "Europe/London"), kwh).total  # 365 days, as the cap is stated

    power = annual(electricity, 2700)
    assert power == Decimal(electricity_only)  # derived
    assert abs(power + annual(gas, 11_500) - published) <= 1


def textbook(off: tuple[str, str], events: str) -> str:
    # SMUD's table of 2012 in Masters, "Renewable and Efficient Electric Power Systems", 2nd ed., as quoted at
    # solutioninn.com (the-summer-tou-rate-structure-shown, 6651568). The tier counts off-peak energy only.
    return f"""
    name = "summer time of use"
    currency = "USD"
    other_hours = "off-peak"
    [bands]
    off-peak = {{}}
    on-peak = {{ import_price_per_kwh = 0.27 }}
    critical = {{ import_price_per_kwh = 0.75 }}
    [[windows]]
    band = "on-peak"
    days = "weekday"
    hours = "16:00-19:00"
    [[blocks]]
    name = "off-peak tiers"
    bands = "off-peak"
    steps = [{{ up_to_kwh = 700, price_per_kwh = {off[0]} }}, {{ price_per_kwh = {off[1]} }}]
    {events}
    """


EVENTS = """
[events]
name = "critical peak"
dates = [2025-07-08, 2025-07-15]
hours = "16:00-19:00"
band = "critical"
"""


@pytest.mark.parametrize(
    ("off", "kwh", "total"),
    [
        (("0.0846", "0.1660"), {"off-peak": 1000, "on-peak": 800}, "325.02"),
        (("0.0721", "0.1411"), {"off-peak": 1000, "on-peak": 700, "critical": 100}, "356.80"),
        (("0.0721", "0.1411"), {"off-peak": 1000, "on-peak": 700}, "281.80"),
    ],
)
def test_textbook_tiers_within_a_price_and_critical_peak(
    off: tuple[str, str], kwh: dict[str, float], total: str
) -> None:
    # totals derived from the published prices
    text = textbook(off, EVENTS if off[0] == "0.0721" else "")
    assert band_bill(text, month("2025-07"), kwh).total == Decimal(total)


@pytest.mark.parametrize(
    ("prices", "name", "total"),
    [
        # 700 kWh at 64/18/18 %; prices: OEB releases of 2024-10-18 and 2025-10-18; totals derived
        (("0.076", "0.122", "0.158"), "2024-11", "69.33"),
        (("0.098", "0.157", "0.203"), "2025-11", "89.26"),
    ],
)
def test_ontario_time_of_use_month(prices: tuple[str, str, str], name: str, total: str) -> None:
    kwh = {"off-peak": 448, "mid-peak": 126, "on-peak": 126}
    assert band_bill(time_of_use(*prices), month(name), kwh).total == Decimal(total)


# cents per kWh: off, mid, on, and the average printed or remembered. Prices: burlingtonhydro.com (2018-05),
# newswire.ca 802944544 (2019-11), orpowercorp.com (2022-11), wawa-news.com (2023-11, 2025-11), newswire.ca
# 828245812 (2024-11). Averages 12.8, 9.3, 11.1, 9.9: from memory, so within 0.15 cents.
@pytest.mark.parametrize(
    ("prices", "average"),
    [
        ((10.1, 14.4, 20.8), 12.8),
        ((7.4, 10.2, 15.1), 9.3),
        ((8.7, 12.2, 18.2), 11.1),
        ((7.6, 12.2, 15.8), 9.9),
    ],
)
def test_ontario_average_price_is_the_weighted_sum(
    prices: tuple[float, float, float], average: float
) -> None:
    text = time_of_use(*(str(round(price / 100, 5)) for price in prices))
    kwh = {"off-peak": 640, "mid-peak": 180, "on-peak": 180}
    found = float(band_bill(text, month("2025-01"), kwh).total_unrounded) / 1000
    assert found * 100 == pytest.approx(average, abs=0.15)


# Tiers: 600 kWh a month in summer, 1,000 in winter. oakvillehydro.com (understanding-your-bill-tiered,
# May to October 2022): 9.8 and 11.5 cents
TIERED = f"""
name = "Ontario tiers"
currency = "CAD"
time_zone = "America/Toronto"
{SEASONS}
[bands.use]
[[blocks]]
name = "summer tiers"
seasons = "summer"
steps = [{{ up_to_kwh = 600, price_per_kwh = 0.098 }}, {{ price_per_kwh = 0.115 }}]
[[blocks]]
name = "winter tiers"
seasons = "winter"
steps = [{{ up_to_kwh = 1000, price_per_kwh = 0.098 }}, {{ price_per_kwh = 0.115 }}]
"""


@pytest.mark.parametrize(("name", "first"), [("2022-07", 600), ("2022-01", 1000)])
def test_ontario_tiers(name: str, first: int) -> None:
    found = even_bill(TIERED, month(name), 1100)
    assert [line.quantity for line in found.periods[0].lines] == [first, 1100 - first]
    assert float(found.total) == pytest.approx(first * 0.098 + (1100 - first) * 0.115)


def test_ontario_prices_change_on_the_first_of_november() -> None:
    text = time_of_use("0.087", "0.122", "0.182") + (
        "[[versions]]\nvalid_from = 2024-11-01\n"
        "bands = { off-peak = { import_price_per_kwh = 0.076 }, on-peak = { import_price_per_kwh = 0.158 } }\n"
    )
    priced = price_steps(parse_tariff(text), month("2024-10").union(month("2024-11")), 1.0)
    found = {
        (priced.period_names[period], priced.band_names[band]): price
        for period, band, price in zip(priced.period, priced.band, priced.import_price_per_kwh, strict=True)
    }
    assert found == {
        ("2024-10", "off-peak"): 0.087,
        ("2024-10", "mid-peak"): 0.122,
        ("2024-10", "on-peak"): 0.182,
        ("2024-11", "off-peak"): 0.076,
        ("2024-11", "mid-peak"): 0.122,
        ("2024-11", "on-peak"): 0.158,
    }
