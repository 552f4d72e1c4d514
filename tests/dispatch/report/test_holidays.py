"""Which days a tariff's calendar keeps as holidays is told, so that a day too many does not go unnoticed."""

import json
from pathlib import Path

import terminal
from homes.tariff_ontario import time_of_use

from dispatch.report.holidays import holiday_lines
from tariffs import parse_tariff
from tariffs.sheet.holidays import kept_holidays

ROOT = Path(__file__).resolve().parents[3]


def test_a_holiday_that_moved_says_from_where() -> None:
    # off-peak holidays of 2017, a utility's copy of the Ontario Energy Board's list: Canada Day is kept on 3 July
    # (Bluewater Power, "Time-of-use rates", bluewaterpower.com)
    rule = parse_tariff(time_of_use("0.1", "0.2", "0.3")).holidays
    year, *_ = (line.plain for line in holiday_lines(kept_holidays(rule, 2017, 2017)))
    assert year.startswith("2017: Mon 2 Jan New Year's Day (moved from Sun 1 Jan); Mon 20 Feb Family Day; ")
    assert "; Mon 3 Jul Canada Day (moved from Sat 1 Jul); " in year
    assert year.count(";") == 9  # ten days


def test_check_and_bill_list_them() -> None:
    alder = ROOT / "scenarios" / "alder-row"
    shown = terminal.run("check", str(alder)).stdout
    assert "HOLIDAYS OF THE TARIFF" in shown
    told = json.loads(terminal.run("check", str(alder), "--json").stdout)["holidays"]
    meter = ("bill", str(alder / "tariff.toml"), str(alder / "series.csv"), "--import", "load_kw")
    billed = json.loads(terminal.run(*meter, "--json").stdout)["holidays"]
    assert billed == told
    assert told[0] == {"date": "2025-01-01", "name": "New Year's Day", "moved_from": None}
    assert "Wed 1 Jan New Year's Day" in terminal.run(*meter).stdout
