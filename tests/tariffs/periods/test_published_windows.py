"""Published windows beside Ontario's, and a complete hourly bill found in a meter-data sample.

Prices are not checked here and are invented: 1, 2, 3 ... tell the bands apart.
"""

from decimal import Decimal

import numpy as np
import pandas as pd
import pytest
from homes.tariff_series import month, steps

from tariffs import Tariff, bill, parse_tariff, price_steps

CALIFORNIA = "America/Los_Angeles"
HEAD = 'currency = "USD"\ntime_zone = "America/Los_Angeles"\nother_hours = "off-peak"\n'

# rateatlas.org/california/rate-details (a third party's copy of the sheets)
E_TOU_C = f"""
name = "E-TOU-C"
{HEAD}
[bands]
peak = {{ import_price_per_kwh = 2 }}
off-peak = {{ import_price_per_kwh = 1 }}
[windows]
band = "peak"
hours = "16:00-21:00"
"""
E_TOU_D = f"""
name = "E-TOU-D"
{HEAD}
[holidays]
country = "US"
subdivision = "CA"
include = ["New Year's Day", "Independence Day", "Christmas Day"]
[bands]
peak = {{ import_price_per_kwh = 2 }}
off-peak = {{ import_price_per_kwh = 1 }}
[windows]
band = "peak"
days = "weekday"
hours = "17:00-20:00"
"""
# part-peak 15-16 and 21-24: from memory
EV2_A = f"""
name = "EV2-A"
{HEAD}
[bands]
peak = {{ import_price_per_kwh = 3 }}
part-peak = {{ import_price_per_kwh = 2 }}
off-peak = {{ import_price_per_kwh = 1 }}
[[windows]]
band = "peak"
hours = "16:00-21:00"
[[windows]]
band = "part-peak"
hours = ["15:00-16:00", "21:00-24:00"]
"""
SCE = f"""
name = "time of use"
{HEAD}
[[seasons]]
name = "summer"
months = [6, 7, 8, 9]
[[seasons]]
name = "winter"
months = [10, 11, 12, 1, 2, 3, 4, 5]
[bands]
peak = {{ import_price_per_kwh = 3 }}
off-peak = {{ import_price_per_kwh = 2 }}
super-off-peak = {{ import_price_per_kwh = 1 }}
[[windows]]
band = "peak"
hours = "16:00-21:00"
[[windows]]
band = "super-off-peak"
seasons = "winter"
hours = "08:00-16:00"
[charges]
name = "basic charge"
per_day = 0.48
"""


def changes(text: str, day: str) -> dict[int, str]:
    """Hours at which the band changes, with the new band."""
    times = steps(day, str((pd.Timestamp(day) + pd.Timedelta(days=1)).date()), CALIFORNIA)
    priced = price_steps(parse_tariff(text), times, 1.0)
    names = [priced.band_names[index] for index in priced.band]
    return {hour: band for hour, band in enumerate(names) if not hour or band != names[hour - 1]}


DAILY_PEAK = {0: "off-peak", 16: "peak", 21: "off-peak"}


@pytest.mark.parametrize(
    ("text", "day", "expected"),
    [
        (E_TOU_C, "2025-07-08", DAILY_PEAK),
        (E_TOU_C, "2025-07-06", DAILY_PEAK),  # every day: a Sunday too
        (E_TOU_D, "2025-07-08", {0: "off-peak", 17: "peak", 20: "off-peak"}),
        (E_TOU_D, "2025-07-04", {0: "off-peak"}),
        (E_TOU_D, "2025-07-06", {0: "off-peak"}),
        (EV2_A, "2025-07-06", {0: "off-peak", 15: "part-peak", 16: "peak", 21: "part-peak"}),
        (SCE, "2025-07-06", DAILY_PEAK),
        (SCE, "2025-01-08", {0: "off-peak", 8: "super-off-peak", 16: "peak", 21: "off-peak"}),
    ],
)
def test_californian_windows(text: str, day: str, expected: dict[int, str]) -> None:
    assert changes(text, day) == expected


def test_basic_charge_by_the_day() -> None:
    times = month("2025-06", CALIFORNIA)
    assert bill(parse_tariff(SCE), times, 1.0, np.zeros(len(times))).total == Decimal("14.40")


def test_baseline_credit_per_day_of_the_period() -> None:
    # rateatlas.org: baseline credit of $0.09566 per kWh; the allowance of 10 kWh a day is invented
    text = E_TOU_C.replace("import_price_per_kwh = 2", "import_price_per_kwh = 0.5")
    text = text.replace("import_price_per_kwh = 1 ", "import_price_per_kwh = 0.5 ") + (
        '[blocks]\nname = "baseline credit"\nlimits_for_days = 1\norder = "rising"\n'
        "steps = [{ up_to_kwh = 10, price_per_kwh = -0.09566 }, { price_per_kwh = 0 }]"
    )
    times = month("2025-06", CALIFORNIA)
    found = bill(parse_tariff(text), times, 1.0, np.full(len(times), 500 / 720))
    assert float(found.total_unrounded) == pytest.approx(500 * 0.5 - 300 * 0.09566)


# The sample feed of nine days of NAESB REQ.21 usage: hourly, prices by hour in UTC, weekdays and weekends apart.
# Wh by price as summed from its readings; their costs add up to 22.05567.
WEEKDAY = "24 18 12 6 3 3 3 3 3 3 3 6 6 6 6 6 6 6 6 12 18 24 30 30"
WEEKEND = "12 9 6 3 3 3 3 3 3 3 3 6 6 6 6 6 6 6 6 9 12 15 15 15"
WH_BY_PRICE = {3: 25_935, 6: 91_455, 9: 5_460, 12: 20_748, 15: 8_190, 18: 15_288, 24: 15_288, 30: 17_199}


def nine_days() -> Tariff:
    bands = "".join(f"c{cents} = {{ import_price_per_kwh = 0.{cents:02d} }}\n" for cents in WH_BY_PRICE)
    windows = "".join(
        f'[[windows]]\nband = "c{cents}"\ndays = "{days}"\nhours = "{hour:02d}:00-{hour + 1:02d}:00"\n'
        for days, row in (("weekday", WEEKDAY), ("weekend", WEEKEND))
        for hour, cents in enumerate(row.split())
    )
    return parse_tariff(f'name = "nine days"\ncurrency = "USD"\ntime_zone = "UTC"\n[bands]\n{bands}{windows}')


def test_hourly_bill_of_a_usage_sample() -> None:
    times = pd.date_range("2014-01-01 05:00", periods=216, freq="60min", tz="UTC")
    tariff = nine_days()
    priced = price_steps(tariff, times, 1.0)
    energy = np.zeros(len(times))
    for band, wh in enumerate(WH_BY_PRICE.values()):
        energy[priced.band == band] = wh / 1000 / np.count_nonzero(priced.band == band)
    assert energy.sum() == pytest.approx(199.563)
    assert bill(tariff, times, 1.0, energy).total_unrounded == Decimal("22.05567")
