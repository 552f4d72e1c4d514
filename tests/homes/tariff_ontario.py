"""Ontario's published windows, as tariff files for the checks; they live nowhere in the product.

Sources: OEB release of 2024-10-18 (newswire.ca/news-releases/...828245812.html) for prices and windows from
2024-11-01; Hydro Hawkesbury (hydrohawkesbury.ca) for the overnight plan's windows.
"""

HOLIDAYS = """
[holidays]
country = "CA"
subdivision = "ON"
include = [
  "New Year's Day", "Family Day", "Good Friday", "Victoria Day", "Canada Day",
  "Civic Holiday", "Labor Day", "Thanksgiving Day", "Christmas Day", "Boxing Day",
]
weekend_shift = "next-weekday"
"""

SEASONS = """
[[seasons]]
name = "winter"
from = "11-01"
to = "04-30"
[[seasons]]
name = "summer"
from = "05-01"
to = "10-31"
"""


def time_of_use(off: str = "0.076", mid: str = "0.122", on: str = "0.158") -> str:
    return f"""
name = "Ontario time of use"
currency = "CAD"
time_zone = "America/Toronto"
{SEASONS}{HOLIDAYS}
[bands.off-peak]
import_price_per_kwh = {off}
[bands.mid-peak]
import_price_per_kwh = {mid}
[bands.on-peak]
import_price_per_kwh = {on}
[[windows]]
band = "on-peak"
seasons = "winter"
days = "weekday"
hours = ["07:00-11:00", "17:00-19:00"]
[[windows]]
band = "mid-peak"
seasons = "winter"
days = "weekday"
hours = "11:00-17:00"
[[windows]]
band = "on-peak"
seasons = "summer"
days = "weekday"
hours = "11:00-17:00"
[[windows]]
band = "mid-peak"
seasons = "summer"
days = "weekday"
hours = ["07:00-11:00", "17:00-19:00"]
[[windows]]
band = "off-peak"
days = "weekday"
from = "19:00"
to = "07:00"
[[windows]]
band = "off-peak"
days = ["weekend", "holiday"]
"""


OVERNIGHT = f"""
name = "Ontario ultra-low overnight"
currency = "CAD"
time_zone = "America/Toronto"
{HOLIDAYS}
[bands]
overnight = {{ import_price_per_kwh = 0.028 }}
weekend-off-peak = {{ import_price_per_kwh = 0.076 }}
mid-peak = {{ import_price_per_kwh = 0.122 }}
on-peak = {{ import_price_per_kwh = 0.284 }}
[[windows]]
band = "overnight"
from = "23:00"
to = "07:00"
[[windows]]
band = "weekend-off-peak"
days = ["weekend", "holiday"]
from = "07:00"
to = "23:00"
[[windows]]
band = "mid-peak"
days = "weekday"
hours = ["07:00-16:00", "21:00-23:00"]
[[windows]]
band = "on-peak"
days = "weekday"
from = "16:00"
to = "21:00"
"""
