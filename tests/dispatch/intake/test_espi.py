"""ESPI XML (NAESB REQ.21) against the schema's facts and a published example's totals."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pytest
from homes.meter_files import Meter, espi, meter

from dispatch.errors import SeriesError
from dispatch.intake import espi_rules
from dispatch.intake.intervals import Asked
from dispatch.intake.read import Understood, understand

if TYPE_CHECKING:
    from pathlib import Path

# The nine-day example of the ESPI documents: 216 hourly readings from 2014-01-01 05:00Z, published total
# overallConsumptionLastPeriod 199563 Wh; daily kWh on UTC-5 21.021 21.021 22.113 26.208 25.116 then 21.021 four times
# (NAESB ESPI sample data, as kept in public ESPI test feeds).
NINE_DAYS_KWH = (21.021, 21.021, 22.113, 26.208, 25.116, 21.021, 21.021, 21.021, 21.021)


def read(folder: Path, text: str | bytes, **asked: object) -> Understood:
    path = folder / "usage.xml"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return understand(path, Asked(**asked))  # type: ignore[arg-type]


def test_blocks_of_one_meter_under_two_links_are_joined(tmp_path: Path) -> None:
    """A block under another link than its like is a register of its own, with arrays of another length."""
    text = espi(nine_days())
    mark = '/R/UsagePoint/1/MeterReading/1/IntervalBlock"'
    at = text.rindex(mark)
    moved = f"{text[:at]}{mark.replace('Reading/1', 'Reading/2')}{text[at + len(mark) :]}"
    found = read(tmp_path, moved, time_zone="America/Toronto")
    assert found.columns["load_kwh"].sum() == pytest.approx(199.563)


@pytest.mark.parametrize("number", ["9" * 20, "-" + "9" * 25])
def test_a_number_beyond_all_arithmetic_is_refused_with_its_line(number: str, tmp_path: Path) -> None:
    text = re.sub(
        r"(<espi:start>)\d+(</espi:start></espi:timePeriod>)",
        rf"\g<1>{number}\g<2>",
        espi(nine_days()),
        count=1,
    )
    with pytest.raises(
        SeriesError, match=r"usage\.xml: line \d+: start and value of a reading must be whole numbers"
    ):
        read(tmp_path, text)


def nine_days() -> Meter:
    times = pd.date_range("2014-01-01 05:00", periods=216, freq="h", tz="UTC")
    wh = np.concatenate([np.full(24, round(kwh * 1000) // 24) for kwh in NINE_DAYS_KWH])
    for day, kwh in enumerate(NINE_DAYS_KWH):  # what does not divide by 24 stands in the first hour
        wh[24 * day] += round(kwh * 1000) - wh[24 * day : 24 * day + 24].sum()
    return Meter(times, wh / 1000)


def test_the_nine_day_example_sums_to_its_published_total(tmp_path: Path) -> None:
    made = read(tmp_path, espi(nine_days()))
    assert made.grid.step_seconds == 3600
    assert len(made.grid.times) == 216
    assert made.columns["load_kwh"].sum() == pytest.approx(199.563, abs=1e-9)
    daily = pd.Series(made.columns["load_kwh"], index=made.grid.times).groupby(made.grid.times.date).sum()
    assert daily.round(9).tolist() == list(NINE_DAYS_KWH)
    assert str(made.grid.times.tz) == "America/New_York"  # proved from tzOffset and the rules, not asked


@pytest.mark.parametrize("prefix", ["espi:", "ns0:", ""])
def test_elements_are_found_by_namespace_not_by_prefix(tmp_path: Path, prefix: str) -> None:
    series = meter(minutes=15)
    made = read(tmp_path, espi(series, prefix=prefix))
    np.testing.assert_allclose(made.columns["load_kwh"], series.kwh, rtol=1e-12)


def test_the_power_of_ten_multiplies(tmp_path: Path) -> None:
    # espi.xsd 4.0: value x 10^powerOfTenMultiplier in uom; 938000 with -3 and uom 72 is 938 Wh
    series = meter(days=1)
    made = read(tmp_path, espi(series, multiplier=-3, raw=[938_000] * 24))
    assert set(made.columns["load_kwh"].tolist()) == {0.938}
    made = read(tmp_path, espi(series, multiplier=3, raw=[2] * 24))
    assert set(made.columns["load_kwh"].tolist()) == {2.0}


def test_links_may_be_written_with_and_without_host_and_in_any_order(tmp_path: Path) -> None:
    series = meter(minutes=15)
    text = espi(series).replace('rel="up" href="/R', 'rel="up" href="https://feed.example/x/R')
    np.testing.assert_allclose(read(tmp_path, text).columns["load_kwh"], series.kwh, rtol=1e-12)
    without = re.sub(r'<link rel="up"[^>]*/>', "", espi(series))
    np.testing.assert_allclose(read(tmp_path, without).columns["load_kwh"], series.kwh, rtol=1e-12)
    bare = re.sub(r"<title>.*?</title>|</?(entry|content|link)[^>]*>", "", espi(series))
    np.testing.assert_allclose(read(tmp_path, bare).columns["load_kwh"], series.kwh, rtol=1e-12)


def test_each_readings_own_duration_counts_not_the_types(tmp_path: Path) -> None:
    series = meter(minutes=15)
    text = espi(series).replace("<espi:intervalLength>900<", "<espi:intervalLength>3600<")
    made = read(tmp_path, text)
    assert made.grid.step_seconds == 900
    assert made.columns["load_kwh"].sum() == pytest.approx(series.kwh.sum())


def test_mean_power_becomes_energy_and_reverse_flow_is_fed_in(tmp_path: Path) -> None:
    series = meter(minutes=15)
    text = espi(series).replace("<espi:uom>72<", "<espi:uom>38<")
    made = read(tmp_path, text)
    np.testing.assert_allclose(made.columns["load_kwh"], series.kwh / 4, rtol=1e-12)
    made = read(tmp_path, espi(series, flow=19))
    np.testing.assert_allclose(made.columns["export_kwh"], series.kwh, rtol=1e-12)
    assert not made.columns["import_kwh"].any()


def test_net_readings_are_split_by_their_sign(tmp_path: Path) -> None:
    series = meter(days=2)
    raw = [(-1) ** at * 500 for at in range(48)]
    made = read(tmp_path, espi(series, flow=4, raw=raw))
    assert made.columns["import_kwh"].sum() == pytest.approx(12.0)
    assert made.columns["export_kwh"].sum() == pytest.approx(12.0)


def test_a_dials_running_total_is_differenced_and_may_not_fall(tmp_path: Path) -> None:
    series = meter(days=3)
    dial = (np.cumsum(series.kwh * 1000).round() + 5_000_000).astype(int).tolist()
    made = read(tmp_path, espi(series, behaviour=1, raw=dial))
    np.testing.assert_allclose(made.columns["load_kwh"], series.kwh[1:], rtol=1e-9)
    assert made.grid.times[0] == series.times[1]
    dial[40] = 10
    with pytest.raises(SeriesError, match="the dial falls"):
        read(tmp_path, espi(series, behaviour=1, raw=dial))


def test_estimated_readings_are_counted(tmp_path: Path) -> None:
    # qualityOfReading: 8 and 9 and 12 estimated, 17 validated (espi.xsd 4.0)
    made = read(tmp_path, espi(meter(days=2), quality={0: 8, 1: 9, 2: 12, 3: 17}))
    assert made.estimated_fraction() == pytest.approx(3 / 48)


def test_several_meters_are_listed_and_one_is_chosen_or_all_added(tmp_path: Path) -> None:
    series = meter(days=2)
    text = espi(series, points=2)
    with pytest.raises(SeriesError, match=r"2 usage points.*--usage-point NUMBER[\s\S]*  2: import \d+ kWh"):
        read(tmp_path, text)
    assert read(tmp_path, text, usage_point="2").columns["load_kwh"].sum() == pytest.approx(series.kwh.sum())
    assert read(tmp_path, text, usage_point="all").columns["load_kwh"].sum() == pytest.approx(
        2 * series.kwh.sum()
    )


def test_gas_money_and_reactive_energy_are_left_out(tmp_path: Path) -> None:
    series = meter(days=2)
    for wrong in (
        espi(series).replace("<espi:commodity>1<", "<espi:commodity>7<"),
        espi(series).replace("<espi:uom>72<", "<espi:uom>73<"),
        espi(series).replace("<espi:kind>0<", "<espi:kind>1<"),
    ):
        with pytest.raises(SeriesError, match="no electricity in intervals"):
            read(tmp_path, wrong)


def test_readings_of_several_lengths_need_a_step_and_keep_their_energy(tmp_path: Path) -> None:
    fine, coarse = meter("2025-01-20", 2, minutes=15), meter("2025-01-22", 2, minutes=60)
    blocks = re.findall(
        r"<entry>(?:(?!<entry>).)*?<espi:IntervalBlock>.*?</entry>", espi(coarse), flags=re.DOTALL
    )
    text = espi(fine).replace(
        "</feed>", "".join(blocks).replace("IntervalBlock/", "IntervalBlock/9") + "</feed>"
    )
    with pytest.raises(SeriesError, match=r"several lengths \(15, 60 minutes\).*--step 60"):
        read(tmp_path, text)
    made = understand(tmp_path / "usage.xml", Asked(), step_minutes=60)
    expected = [*fine.kwh.reshape(-1, 4).sum(axis=1), *coarse.kwh]
    np.testing.assert_allclose(made.columns["load_kwh"], expected, rtol=1e-12)
    flat = understand(tmp_path / "usage.xml", Asked(), step_minutes=15)
    assert flat.columns["load_kwh"].sum() == pytest.approx(sum(expected))
    assert any("60 min are taken as flat" in fact for fact in flat.facts)


def test_a_clock_that_is_not_stated_is_asked_for(tmp_path: Path) -> None:
    text = espi(meter(days=2), clock=False)
    with pytest.raises(SeriesError, match="--time-zone"):
        read(tmp_path, text)
    made = read(tmp_path, text, time_zone="America/Toronto")
    assert made.grid.times[0].isoformat() == "2025-01-20T00:00:00-05:00"


@pytest.mark.parametrize(
    ("first", "meant"),
    [("2023-12-04 00:00", "2023-12-04T00:00:00-05:00"), ("2023-09-14 23:00", "2023-09-15T00:00:00-04:00")],
)
def test_local_time_written_as_utc_is_pointed_out_and_moved_on_request(
    tmp_path: Path, first: str, meant: str
) -> None:
    # a real utility's 15-minute feeds began at 00:00Z in December and 23:00Z in September: standard time as if UTC
    times = pd.date_range(first, periods=96, freq="15min", tz="UTC")
    series = Meter(times, np.full(96, 0.25))
    made = read(tmp_path, espi(series))
    assert any("as if it were UTC" in doubt for doubt in made.doubts)
    moved = read(tmp_path, espi(series), clock="standard")
    assert moved.grid.times[0].isoformat() == meant


@pytest.mark.parametrize(
    ("bits", "rule", "day"),
    [
        # espi.xsd 4.0, DstRuleType; the first two are the United States' rules since 2007
        ("360E2000", espi_rules.Rule(3, 3, 0, 7, 2, 0), "2025-03-09"),
        ("B40E2000", espi_rules.Rule(11, 2, 0, 7, 2, 0), "2025-11-02"),
        # the schema's own words: the third Friday in March at 01:45 is month 3, operator 4, weekday 5, 1 h, 2700 s
        (
            f"{3 << 28 | 4 << 25 | 5 << 17 | 1 << 12 | 2700:08X}",
            espi_rules.Rule(3, 4, 0, 5, 1, 2700),
            "2025-03-21",
        ),
        # last Sunday of October at 03:00: Europe
        (f"{10 << 28 | 7 << 25 | 7 << 17 | 3 << 12:08X}", espi_rules.Rule(10, 7, 0, 7, 3, 0), "2025-10-26"),
        # first Sunday on or after 8 March
        (
            f"{3 << 28 | 1 << 25 | 8 << 20 | 7 << 17 | 2 << 12:08X}",
            espi_rules.Rule(3, 1, 8, 7, 2, 0),
            "2025-03-09",
        ),
    ],
)
def test_bits_of_daylight_saving_rules(bits: str, rule: espi_rules.Rule, day: str) -> None:
    assert espi_rules.decode(bits) == rule
    assert espi_rules.change_day(rule, 2025).isoformat() == day


def test_no_rule_and_no_number() -> None:
    assert espi_rules.decode("00000000") is None
    assert espi_rules.decode("FFFFFFFF") is None
    for text in ("", "xyz", "1FFFFFFFFF"):
        with pytest.raises(ValueError, match=r"invalid literal|1FFF"):
            espi_rules.decode(text)


@pytest.mark.parametrize("encoding", ["utf-8", "utf-16", "iso-8859-1"])
def test_encodings_xml_declares(tmp_path: Path, encoding: str) -> None:
    text = (
        espi(meter(days=1)).replace('encoding="UTF-8"', f'encoding="{encoding}"').replace("meter<", "Zähler<")
    )
    assert read(tmp_path, text.encode(encoding)).grid.times[0].hour == 0
