"""Rate records to tariff files: published bills to the cent, every hour's price, and what is named as left out."""

from __future__ import annotations

import json
from decimal import Decimal
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from homes.tariff_series import band_bill, even, even_bill, month, year
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tariffs import TariffError, bill, load_tariff, parse_tariff, price_steps
from tariffs.records.convert import Converted, import_record

if TYPE_CHECKING:
    from pathlib import Path

HOURS = range(24)


def schedule(*rows: tuple[range | tuple[int, ...], dict[range, int]]) -> list[list[int]]:
    """12 x 24 zeros, and other periods in given hours of given months."""
    table = [[0] * 24 for _ in range(12)]
    for months, hours in rows:
        for at in months:
            for span, period in hours.items():
                for hour in span:
                    table[at - 1][hour] = period
    return table


def converted(folder: Path, record: Any, **asked: Any) -> Converted:  # noqa: ANN401 - JSON
    path = folder / "record.json"
    path.write_text(record if isinstance(record, str) else json.dumps(record))
    made = import_record(path, **asked)
    (folder / "tariff.toml").write_text(made.text)
    assert load_tariff(folder / "tariff.toml").name
    return made


# faypwc.com/online-usage-calculator-tou/ (Fayetteville Public Works Commission, North Carolina), energy only
FAYETTEVILLE = {
    "label": "a1",
    "utility": "Public Works",
    "name": "time of use",
    "startdate": 1735689600,
    "energyratestructure": [[{"rate": 0.08473, "unit": "kWh"}], [{"rate": 0.13, "unit": "kWh"}]],
    "energyweekdayschedule": schedule(
        (range(4, 11), {range(15, 19): 1}), ((1, 2, 3, 11, 12), {range(6, 10): 1})
    ),
    "energyweekendschedule": schedule(),
}


@pytest.mark.parametrize("name", ["2025-01", "2025-07"])
def test_time_of_use_bill_of_fayetteville(tmp_path: Path, name: str) -> None:
    text = converted(tmp_path, FAYETTEVILLE).text
    bills = [band_bill(text, month(name), {"off-peak": off, "peak": 1000 - off}).total for off in (800, 850)]
    assert bills == [Decimal("93.78"), Decimal("91.52")]


def test_block_bill_of_seymour(tmp_path: Path) -> None:
    # cityofseymour.org/departments/utilities/residential-electricity/bill-comparison/ (winter, 1,200 kWh): 169.85
    # before its 1 % tax, which records do not hold
    tiers = [{"rate": 0.064, "adj": 0.085, "max": 250}, {"rate": 0.049, "adj": 0.085, "max": 700}]
    record = {
        "name": "residential",
        "energyratestructure": [[*tiers, {"rate": 0.0446, "adj": 0.085}]],
        "fixedchargefirstmeter": 7.5,
        "fixedchargeunits": "$/month",
    }
    made = converted(tmp_path, record)
    assert even_bill(made.text, month("2025-01"), 1200).total == Decimal("169.85")
    assert "price_per_kwh = 0.085" in made.text  # the common adjustment, as a line of its own


def test_demand_bill_of_a_handbook(tmp_path: Path) -> None:
    # "Energy Management Handbook" (Turner), section 18.5.1, at civilengineeringhandbook.tk/energy-management/
    # 185-calculation-of-a-monthly-bill.html; 8.7447 per kW is the mean that its 262.34 for 30 kW implies.
    record = {
        "name": "general service",
        "energyratestructure": [[{"rate": 0.09444, "adj": -0.017192, "unit": "kWh"}]],
        "flatdemandstructure": [[{"rate": 8.7447}]],
        "flatdemandmonths": [0] * 12,
        "flatdemandunit": "kW",
        "demandwindow": 60,
        "fixedchargefirstmeter": 3.74,
        "fixedchargeunits": "$/month",
    }
    times = month("2025-06")
    use = even(times, 17_588 - 30) * len(times) / (len(times) - 1)
    use[100] = 30.0
    assert bill(parse_tariff(converted(tmp_path, record).text), times, 1.0, use).total == Decimal("1624.72")


def test_price_by_hours_of_use(tmp_path: Path) -> None:
    # Kimberly, "Electrical Engineering", Example 142, vias.org/kimberlyee/ee_26_07.html: 6,400 kWh at 50.6 kW are
    # 126.5 hours of use. Its classes are whole-band; a record's tiers are not: 100 h at 0.05, the rest at 0.0375
    record = {
        "name": "hours of use",
        "energyratestructure": [
            [{"rate": 0.05, "max": 100, "unit": "kWh/kW"}, {"rate": 0.0375, "unit": "kWh/kW"}]
        ],
        "demandwindow": 60,
    }
    times = month("2025-06")
    use = np.zeros(len(times))
    use[:126] = 50.6
    use[126] = 6400 - 126 * 50.6
    found = bill(parse_tariff(converted(tmp_path, record).text), times, 1.0, use)
    assert found.total == Decimal("303.25")  # 5,060 x 0.05 + 1,340 x 0.0375 = 253.00 + 50.25


def rates(draw: st.DrawFn) -> list[float]:
    return draw(
        st.lists(st.integers(1, 60).map(lambda cents: cents / 100), min_size=1, max_size=5, unique=True)
    )


@st.composite
def records(draw: st.DrawFn) -> dict[str, Any]:
    prices = rates(draw)
    months = st.lists(st.integers(0, len(prices) - 1), min_size=24, max_size=24)
    rows = draw(st.lists(months, min_size=1, max_size=3))
    which = draw(st.lists(st.integers(0, len(rows) - 1), min_size=12, max_size=12))
    weekend = draw(st.integers(0, len(rows) - 1))
    return {
        "name": "drawn",
        "energyratestructure": [[{"rate": price, "sell": price / 2}] for price in prices],
        "energyweekdayschedule": [rows[at] for at in which],
        "energyweekendschedule": [rows[weekend]] * 12,
    }


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(record=records())
def test_every_hour_has_the_records_price(tmp_path: Path, record: dict[str, Any]) -> None:
    times = year(2025)
    priced = price_steps(parse_tariff(converted(tmp_path, record).text), times, 1.0)
    rate = [tiers[0]["rate"] for tiers in record["energyratestructure"]]
    tables = (record["energyweekdayschedule"], record["energyweekendschedule"])
    expected = np.array([rate[tables[t.weekday() >= 5][t.month - 1][t.hour]] for t in times])
    np.testing.assert_allclose(priced.import_price_per_kwh, expected, rtol=1e-12)
    np.testing.assert_allclose(priced.export_price_per_kwh, expected / 2, rtol=1e-12)


def test_demand_by_hours_and_by_season(tmp_path: Path) -> None:
    record = FAYETTEVILLE | {
        "demandratestructure": [[{"rate": 0}], [{"rate": 9.5, "adj": 0.5}]],
        "demandweekdayschedule": schedule((range(6, 9), {range(14, 20): 1})),
        "demandweekendschedule": schedule(),
        "demandrateunit": "kW",
        "demandwindow": 30,
        "flatdemandstructure": [[{"rate": 2}], [{"rate": 3}]],
        "flatdemandmonths": [0] * 5 + [1] * 3 + [0] * 4,
        "lookbackpercent": 0.5,
        "lookbackrange": 11,
    }
    made = converted(tmp_path, record)
    tariff = parse_tariff(made.text)
    by_name = {demand.name: demand for demand in tariff.demand}
    hours = by_name["demand by hours"]
    assert hours.price_per_kw == Decimal(10)
    assert (hours.interval_minutes, hours.days) == (30, ("weekday",))
    assert (hours.start, hours.end) == (14 * 60, 20 * 60)
    assert hours.ratchet is not None
    assert hours.ratchet.percent == Decimal(50)
    assert hours.ratchet.look_back_months == 11
    times = month("2025-07")
    use = np.zeros(len(times))
    use[times.hour == 15] = 4.0  # kWh in an hour: 4 kW
    hourly = made.text.replace("interval_minutes = 30", "interval_minutes = 60")
    hourly = hourly.replace("look_back_months = 11 }", "look_back_months = 11, past_highest_kw = 0 }")
    amounts = {
        line.label: line.amount for line in bill(parse_tariff(hourly), times, 1.0, use).periods[0].lines
    }
    assert amounts["demand by hours"] == 40
    assert amounts["monthly demand"] == 12


def test_what_cannot_be_carried_over_is_named(tmp_path: Path) -> None:
    record = FAYETTEVILLE | {
        "fixedchargefirstmeter": 12,
        "fixedchargeunits": "$/day",
        "fixedchargeeaaddl": 3.25,
        "mincharge": 240,
        "minchargeunits": "$/year",
        "demandreactivepowercharge": 0.3,
        "peakkwcapacitymax": 500,
        "energycomments": "See\nrider 7 for\u0007 the fuel clause",
        "invented": [0, None, {"deep": 4}],
        "empty": [0, None, ""],
    }
    made = converted(tmp_path, record)
    said = "\n".join(made.left)
    for word in (
        *(
            "fixedchargeeaaddl",
            "mincharge: 240 in $/year",
            "reactive power",
            "peakkwcapacitymax",
            "rider 7 for the fuel",
        ),
        *("invented: not known", "pays nothing for exports"),
    ):
        assert word in said
        assert word.split()[0] in made.text
    assert "empty" not in said
    assert "per_day = 12" in made.text
    assert "holidays" in made.text


def test_net_metering_and_monthly_fuel(tmp_path: Path) -> None:
    fuel = [0.01, 0.01, 0.02, 0.02, 0.02, 0.02, 0.02, 0.02, 0.02, 0.02, 0.01, 0.01]
    made = converted(tmp_path, FAYETTEVILLE | {"dgrules": "Net Metering", "fueladjustmentsmonthly": fuel})
    tariff = parse_tariff(made.text)
    assert tariff.netting is not None
    prices = tariff.riders[0].price_per_kwh
    assert isinstance(prices, dict)
    assert prices["nov-feb"] == Decimal("0.01")
    assert prices["apr-oct"] == prices["mar"] == Decimal("0.02")


def test_both_spellings_and_several_records(tmp_path: Path) -> None:
    other = {
        "_id": {"$oid": "5"},
        "rateName": "other",
        "utilityName": "Works",
        "effectiveDate": {"$date": "2025-01-01T00:00:00Z"},
        "energyRateStrux": [{"energyRateTiers": [{"rate": 0.2}]}],
        "energyWeekdaySched": [[0] * 24] * 12,
        "energyWeekendSched": [[0] * 24] * 12,
        "fixedChargeFirstMeter": 5,
        "fixedChargeUnits": "$/month",
    }
    with pytest.raises(TariffError, match=r"2 records; add --record[\s\S]*1: time of use[\s\S]*2: other"):
        converted(tmp_path, {"items": [FAYETTEVILLE, other]})
    made = converted(tmp_path, [FAYETTEVILLE, other], chosen="2")
    assert even_bill(made.text, month("2025-01"), 100).total == Decimal("25.00")
    assert "valid_from = 2025-01-01" in made.text
    assert converted(tmp_path, [FAYETTEVILLE, other], chosen="a1").record.name == "time of use"


def test_a_name_with_markup_or_quotes_stays_a_name(tmp_path: Path) -> None:
    name = 'a "b" \\ [bold]c[/bold] <script> \x7f =1+1'
    made = converted(tmp_path, FAYETTEVILLE | {"name": name, "source": 'x"\n[charges]\nper_month = 9'})
    tariff = parse_tariff(made.text)
    assert tariff.name == " ".join(name.replace("\x7f", " ").split())
    assert tariff.charges == ()


DAILY = [[{"rate": 1, "max": 5, "unit": "kWh/kW daily"}, {"rate": 1, "unit": "kWh/kW daily"}]]


@pytest.mark.parametrize(
    ("change", "expected"),
    [
        ("", "not whole, readable JSON"),
        ("[" * 100_000, "nested too deeply"),
        ("[]", "holds no rate record"),
        ('{"name": NaN}', "not whole, readable JSON"),
        ({"energyratestructure": []}, "energyratestructure: the record has no price"),
        ({"energyratestructure": [[{"unit": "kWh"}], [{"rate": 1}]]}, r"\[1\]\[1\]: the tier has no rate"),
        ({"energyratestructure": [[{"rate": "abc"}], [{"rate": 1}]]}, r"rate: should be a number \(got 'abc'\)"),
        ({"energyweekdayschedule": [[0] * 24] * 11}, "energyweekdayschedule: should be 12 rows"),
        ({"energyweekdayschedule": [[0] * 23] * 12}, r"energyweekdayschedule\[1\]: should be 24 numbers"),
        ({"energyweekendschedule": [[7] * 24] * 12}, r"names a period that the record does not have \(got 7"),
        ({"startdate": "yesterday"}, "startdate: should be a"),
        ({"fixedchargefirstmeter": [1]}, "fixedchargefirstmeter: should be a number"),
        ({"energyratestructure": DAILY * 2}, "cannot be written as a tariff file"),
        ({"energyratestructure": [[{"rate": 1}, {"rate": 2}]] * 2}, "tier 1 has no max"),
    ],
)  # fmt: skip
def test_what_is_no_record_is_refused(tmp_path: Path, change: str | dict[str, Any], expected: str) -> None:
    with pytest.raises(TariffError, match=expected):
        converted(tmp_path, change if isinstance(change, str) else FAYETTEVILLE | change)
