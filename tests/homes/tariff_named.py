"""Named shapes of tariffs: what a program finds hard to state, and what it cannot."""

from __future__ import annotations

HEAD = 'name = "by hand"\ncurrency = "EUR"\n'
FLAT = (
    HEAD + "[bands.all]\nimport_price_per_kwh = {price}\n[[windows]]\nband = 'all'\nhours = '00:00-24:00'\n"
)


BLOCKS = """[[blocks]]
name = "b"
{more}
steps = [{{ up_to_kwh = {limit}, price_per_kwh = {low} }}, {{ price_per_kwh = {high} }}]
"""
WHOLE = "[billing]\npart_periods = 'whole'\n"
READS = "[billing]\nread_dates = [2025-06-01, 2025-06-02, 2025-06-03, 2025-06-04]\n"
TWO = """[bands.night]
import_price_per_kwh = {night}
export_price_per_kwh = {sold}
[bands.day]
import_price_per_kwh = {day}
export_price_per_kwh = {sold}
[[windows]]
band = "night"
hours = "21:00-09:00"
[[windows]]
band = "day"
hours = "09:00-21:00"
"""
NETTED = TWO.replace("export_price_per_kwh = {sold}\n", "")


def two(night: float = 0.1, day: float = 0.3, sold: float = 0.05) -> str:
    return HEAD + TWO.format(night=night, day=day, sold=sold)


def netted(night: float, day: float, across: str, surplus: str, *more: str) -> str:
    order = '\norder = ["night", "day"]' if across != "same-band" else ""
    text = HEAD + NETTED.format(night=night, day=day) + READS
    return f'{text}[netting]\nacross = "{across}"\nsurplus = "{surplus}"{order}\n' + "\n".join(more)


RISING_DAY = "[[versions]]\nvalid_from = 2025-06-03\n[versions.bands.day]\nimport_price_per_kwh = 0.9\n"
SHAPES = {
    "rising": two() + READS + BLOCKS.format(limit=9, low=0.0, high=0.2, more=""),
    "falling": two() + READS + BLOCKS.format(limit=9, low=0.2, high=0.0, more=""),
    "falling inside one band": two()
    + READS
    + BLOCKS.format(limit=4, low=0.2, high=0.0, more="bands = ['day']"),
    "whole-band": two() + READS + BLOCKS.format(limit=9, low=0.0, high=0.2, more="whole_band = true"),
    "whole-band that falls": two()
    + READS
    + BLOCKS.format(limit=12, low=0.3, high=0.05, more="whole_band = true"),
    "class by past use": two()
    + READS
    + BLOCKS.format(
        limit=8, low=0.05, high=0.25, more="whole_band = true\npast_use = { months = 1, past_each_kwh = 3 }"
    ),
    "class by past use, with the bill's own and tiers inside": two()
    + READS
    + "[[blocks]]\nwhole_band = true\npast_use = { months = 2, past_each_kwh = 3, with_this_bill = true }\n"
    "steps = [{ up_to_kwh = 6, price_per_kwh = 0.02 }, { fixed_per_month = 1, inside = ["
    "{ up_to_kwh = 4, price_per_kwh = 0.05 }, { price_per_kwh = 0.3 }] }]\n[minimum]\nper_day = 2\n",
    "credit in money": two(sold=0.25) + READS + "[export_credit]\n",
    "credit in money against tiers whose first kWh are cheaper": two(sold=0.25)
    + READS
    + BLOCKS.format(limit=5, low=-0.08, high=0.0, more="")
    + "[export_credit]\n",
    "credit in money against all but the meter, with a tax, settled": two(sold=0.2)
    + READS
    + "[[charges]]\nper_day = 1\n[[adjustments]]\nname = 'tax'\npercent = 10\n[export_credit]\nopening_amount = 0.3\n"
    "applies_to = ['energy', 'tax']\nsettlement = '06-02'\nsettlement_percent = 50\n",
    "credit in money for the next bill, of blocks that rise": two(sold=0.05)
    + READS
    + BLOCKS.format(limit=3, low=0.1, high=0.4, more="of = 'export'")
    + "[export_credit]\nfirst_use = 'next-bill'\n",
    "rebate below the mean of a day": two()
    + "[[rebates]]\nname = 'r'\nprice_per_kwh = 0.5\ndates = 2025-06-03\nhours = '06:00-11:00'\nlike_days = 1\n",
    "rebate below the highest of two days": two()
    + "[[rebates]]\nname = 'r'\nprice_per_kwh = 0.5\ndates = 2025-06-04\nhours = '05:00-09:00'\nlike_days = 2\n"
    "highest_days = 1\nlike = 'any-day'\n",
    "rebate below a told baseline, and a minimum": two()
    + "[[rebates]]\nname = 'r'\nprice_per_kwh = 0.4\ndates = [2025-06-02, 2025-06-03]\nhours = '06:00-10:00'\n"
    "known_baseline_kwh = { '2025-06-02' = 2.5, '2025-06-03' = 0.2 }\n[minimum]\nper_day = 2\n"
    "applies_to = ['energy', 'credits']\n",
    "rising credit": two() + READS + BLOCKS.format(limit=3, low=0.0, high=0.2, more="of = 'export'"),
    "whole-band credit": two()
    + READS
    + BLOCKS.format(limit=3, low=0.0, high=0.2, more="of = 'export'\nwhole_band = true"),
    "negative block": two() + READS + BLOCKS.format(limit=5, low=-0.2, high=0.1, more=""),
    "falling demand": two()
    + "[[demand]]\nsteps = [{ up_to_kw = 1, price_per_kw = 5 }, { price_per_kw = 1 }]\n",
    "demand of days": two() + "[[demand]]\nprice_per_kw = 2\nhighest_days = 2\n",
    "highest hours on any day, half at night": two()
    + "[[demand]]\nprice_per_kw = 2\nhighest_intervals = 2\nwindows = [{ hours = '06:00-22:00' }, "
    "{ hours = '22:00-06:00', counted_percent = 50 }]\n",
    "called hours in kVA": two()
    + "[[demand]]\nprice_per_kva = 3\npower_factor = 0.9\nhighest_intervals = 'all'\n"
    "called_hours = ['2025-06-02 18:00', '2025-06-02 21:00', '2025-06-03 07:00']\n",
    "mean of months": two()
    + READS
    + "[[demand]]\nprice_per_kw = 9\nrolling_mean = { months = 4, each_at_least_kw = 0.4, past_each_kw = 1.1 }\n",
    "ratchet": two()
    + READS
    + "[[demand]]\nprice_per_kw = 2\nratchet = { percent = 80, past_highest_kw = 1.0 }\n",
    "minimum": two() + READS + "[minimum]\nper_day = 2.5\n",
    "minimum before a rebate": two()
    + READS
    + "[minimum]\nper_day = 4\n[[adjustments]]\nname = 'rebate'\npercent = -30\napplies_to = ['energy']\n",
    "minimum without exports": two() + READS + "[minimum]\nper_day = 4\napplies_to = ['energy']\n",
    "same band, carried": netted(0.1, 0.3, "same-band", "carry", RISING_DAY),
    "any band, carried": netted(0.1, 0.3, "any-band", "carry", RISING_DAY),
    "same band first, paid": netted(0.1, 0.3, "same-band-first", "paid", "surplus_price_per_kwh = 0.04"),
    "any band, lost": netted(0.1, 0.3, "any-band", "lost"),
    "tiers of what netting leaves": netted(
        0.1, 0.3, "any-band", "lost", BLOCKS.format(limit=4, low=0.05, high=0.25, more="")
    ),
    "yearly tiers": two()
    + READS
    + BLOCKS.format(limit=12, low=0.0, high=0.2, more="yearly_from = '01-01'\nused_kwh = 4"),
    "yearly tiers that fall": two()
    + READS
    + BLOCKS.format(limit=12, low=0.2, high=0.0, more="yearly_from = '01-01'\nused_kwh = 4"),
    "yearly tiers whose price changes, under a minimum": two()
    + READS
    + BLOCKS.format(limit=12, low=0.0, high=0.2, more="yearly_from = '01-01'\nused_kwh = 4")
    + "[[versions]]\nvalid_from = 2025-06-03\nblocks = [{ name = 'b', steps = ["
    "{ up_to_kwh = 12, price_per_kwh = 0.1 }, "
    "{ price_per_kwh = 0.15 }] }]\n[minimum]\nper_day = 2\n",
    "tiers of one band after another": two() + READS + "[[blocks]]\nshared = ['day', 'night']\nsteps = ["
    "{ up_to_kwh = 8, price_by_band = { day = -0.1, night = -0.02 } }, "
    "{ price_by_band = { day = 0.2, night = 0.05 } }]\n",
    "a rebate of so much at most": two()
    + READS
    + "[[adjustments]]\nname = 'rebate'\npercent = -40\nat_most = 0.9\n",
    "a tax of so much at most": two()
    + READS
    + "[[adjustments]]\nname = 'tax'\npercent = 60\nat_most = 0.9\n",
    "a tax by tiers of money, and one on it": two()
    + READS
    + "[[adjustments]]\nname = 'tax'\nsteps = [{ up_to_amount = 1.2, percent = 10 }, { percent = 90 }]\n"
    "[[adjustments]]\nname = 'more'\nwhole_band = true\nsteps = [{ up_to_amount = 2, percent = 0 }, { percent = 5 }]\n",
    "kWh minimum in tiers": two()
    + READS
    + BLOCKS.format(limit=9, low=0.05, high=0.2, more="")
    + "[minimum]\nkwh_per_day = 10\nband = 'night'\n",
    "two minimums, one of the other": two()
    + READS
    + "[[minimum]]\nname = 'a'\nper_day = 1.5\napplies_to = ['energy']\n[[minimum]]\nname = 'b'\nper_day = 2.1\n"
    "applies_to = ['a', 'energy', 'export']\n",
    "three minimums, each of the one before, and a tax between": two()
    + READS
    + "[[minimum]]\nname = 'a'\nper_day = 1.5\napplies_to = ['energy']\n[[adjustments]]\nname = 'fee'\npercent = 3\n"
    "applies_to = ['energy', 'a']\n[[minimum]]\nname = 'b'\nper_day = 1.9\n"
    "applies_to = ['energy', 'a', 'fee', 'export']\n"
    "[[adjustments]]\nname = 'tax'\npercent = 6\n[[minimum]]\nname = 'c'\nper_day = 2.1\napplies_to = ['everything']\n",
    "losses at the last tier": two()
    + READS
    + BLOCKS.format(limit=9, low=0.05, high=0.2, more="")
    + "[losses]\nloss_factor = 1.2\ntiers = 'last'\napplies_to = ['b']\n",
    "negative nights": two(night=-0.2, sold=-0.1),
    "negative nights before which the cells are best empty": two(night=-0.3, sold=0.02),
    "sold dearer than bought": two(sold=0.2),
}


UNSTATABLE = {
    "bands that share tiers in proportion": two()
    + "[[blocks]]\nshared = 'in-proportion'\nsteps = [{ up_to_kwh = 8, percent_of_band = 1 }, "
    "{ percent_of_band = 5 }]\n",
    "its tiers are of energy while it is of money": two()
    + "[[adjustments]]\nname = 'tax'\nsteps = [{ up_to_kwh = 8, percent = 1 }, { percent = 9 }]\n",
    "it is set against can be less than nothing": two()
    + BLOCKS.format(limit=5, low=-0.12, high=0.0, more="")
    + "[export_credit]\n",
    "limits change within the year": two()
    + READS
    + BLOCKS.format(limit=12, low=0.0, high=0.2, more="yearly_from = '01-01'\nused_kwh = 4")
    + "[[versions]]\nvalid_from = 2025-06-03\nblocks = [{ name = 'b', steps = [{ up_to_kwh = 9, price_per_kwh = 0.1 }, "
    "{ price_per_kwh = 0.3 }] }]\n",
}


HARD = {
    "minimum before a rebate": 14,
    "negative nights": 24,
    "negative nights before which the cells are best empty": 24,
    "minimum without exports": 24,
    "rebate below the highest of two days": 58,
}
"""Steps of shapes in which wasting would pay in every step alike, which no bound can tell apart."""
