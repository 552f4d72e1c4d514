"""What a file may not say, and that each refusal names file, field, value and remedy in one line."""

from pathlib import Path

import pytest
from homes.tariff_ontario import time_of_use
from homes.tariff_series import steps

from tariffs import Tariff, TariffError, bill, load_tariff, parse_tariff, price_steps

GOOD = """
name = "plan"
currency = "CAD"
valid_from = 2025-01-01
valid_to = 2025-12-31
other_hours = "off"
[[seasons]]
name = "winter"
from = "11-01"
to = "04-30"
[[seasons]]
name = "summer"
months = [5, 6, 7, 8, 9, 10]
[holidays]
country = "CA"
subdivision = "ON"
include = ["Canada Day"]
[bands]
on = { import_price_per_kwh = 0.3 }
off = { import_price_per_kwh = { winter = 0.1, summer = 0.2 } }
[[windows]]
band = "on"
days = "weekday"
hours = "07:00-11:00"
[[blocks]]
steps = [{ up_to_kwh = 100, price_per_kwh = 0.01 }, { price_per_kwh = 0.02 }]
[[charges]]
per_month = 5
[[adjustments]]
name = "tax"
percent = 5
"""


def refusal(text: str) -> str:
    with pytest.raises(TariffError) as refused:
        parse_tariff(text, "plan.toml")
    return str(refused.value)


def test_the_good_file_is_good() -> None:
    assert isinstance(parse_tariff(GOOD), Tariff)


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        (
            'name = "plan"',
            'nmae = "plan"',
            "nmae: not a setting; did you mean 'name'?",
        ),
        ('currency = "CAD"', "", "currency: this setting is missing; add it"),
        (
            '"CAD"',
            '"dollars"',
            "currency: not an ISO 4217 currency code; write three capital letters such as 'EUR' (got 'dollars')",
        ),
        (
            "import_price_per_kwh = 0.3",
            "import_price_per_kWh = 0.3",
            "bands.on.import_price_per_kWh: not a setting",
        ),
        ("import_price_per_kwh = 0.3", "import_price_per_kWh = 0.3", "did you mean 'import_price_per_kwh'?"),
        (
            "= 0.3 }",
            '= "30 cents" }',
            "on.import_price_per_kwh: write a plain number of money per kWh, without quotes or unit (got '30 cents')",
        ),
        (
            "= 0.3 }",
            "= inf }",
            "bands.on.import_price_per_kwh: write a plain number of money per kWh, without quotes or unit (got inf)",
        ),
        ("winter = 0.1, ", "", "has no price for season 'winter'"),
        ("winter = 0.1", "wintre = 0.1", "no season is called this (got 'wintre'); did you mean 'winter'?"),
        ('band = "on"', 'band = "onpeak"', "windows[1].band: no band is called this (got 'onpeak')"),
        (
            'days = "weekday"',
            'days = "weekdays"',
            "windows[1].days: no kind of day is called this (got 'weekdays')",
        ),
        ('days = "weekday"', 'days = "weekdays"', "did you mean 'weekday'?"),
        ('"07:00-11:00"', '"7am-11am"', "windows[1].hours[1]: not a clock time; write it between quotes"),
        ('"07:00-11:00"', '"07:00-07:00"', "the window is empty (got 07:00 to 07:00)"),
        ('"07:00-11:00"', '"07:00-25:00"', "(got '07:00-25:00')"),
        (
            'other_hours = "off"',
            "",
            "windows: no band holds from 00:00 to 07:00, 11:00 to 24:00 in season 'winter' on weekday",
        ),
        (
            "[[blocks]]",
            '[[windows]]\nband = "off"\nhours = "10:00-12:00"\n[[blocks]]',
            "windows[2]: overlaps windows[1]",
        ),
        ("[[blocks]]", '[[windows]]\nband = "off"\nhours = "10:00-12:00"\n[[blocks]]', "from 10:00 to 11:00"),
        (
            "steps = [{ up_to_kwh = 100, price_per_kwh = 0.01 },",
            "whole_band = true\nsteps = [{ up_to_kwh = 100, fixed_per_month = 4.2 },",
            "percent_of_band = ...; write price_per_kwh = 0 where fixed_per_month is all",
        ),
        ('to = "04-30"', 'to = "04-29"', "seasons: no season holds on 04-30"),
        ('to = "04-30"', 'to = "05-01"', "seasons: 05-01 lies in both 'summer' and 'winter'"),
        ('to = "04-30"', 'to = "30-04"', "seasons[1].to: not a day of the year; write month and day"),
        ('to = "04-30"', 'to = "02-30"', "seasons[1].to: not a day of the year; write month and day"),
        (
            '"Canada Day"',
            '"Dominion Day"',
            "holidays.include: the calendar of CA-ON has no holiday of this name",
        ),
        ('"Canada Day"', '"Canda Day"', "did you mean 'Canada Day'?"),
        ('"Canada Day"', '"Labour Day"', "did you mean 'Labor Day'?"),
        (
            'country = "CA"',
            'country = "XX"',
            "holidays.country: no calendar for this country code (got 'XX')",
        ),
        ('"ON"', '"Ontario"', "holidays.subdivision: CA has no such subdivision (got 'Ontario')"),
        (
            "valid_to = 2025-12-31",
            "valid_to = 2024-12-31",
            "valid_to: lies before valid_from (got 2024-12-31)",
        ),
        ("valid_to = 2025-12-31", "valid_to = 2025-02-30", "not valid TOML: Invalid date"),
        (
            "price_per_kwh = 0.02",
            "price_per_kwh = 0.02, up_to_kwh = 900",
            "the last of the steps must be open above",
        ),
        ("up_to_kwh = 100, ", "", "only the last of the steps may leave up_to_kwh out"),
        (
            "steps = [",
            'order = "falling"\nsteps = [',
            "blocks[1]: the prices are declared falling but are not (got 0.02 after 0.01)",
        ),
        ("0.01 }", "0.03 }", None),
        (
            "[[blocks]]",
            '[[blocks]]\nbands = "of"',
            "blocks[1].bands: no band is called this (got 'of'); did you mean 'off'?",
        ),
        ("per_month = 5", "", "charges[1]: needs per_day = ... or per_month = ..."),
        (
            "percent = 5",
            'percent = 5\napplies_to = "enegry"',
            "adjustments.tax.applies_to: no line or group of lines",
        ),
        ("percent = 5", 'percent = 5\napplies_to = "enegry"', "did you mean 'energy'?"),
        ("percent = 5", 'percent = 5\napplies_to = "tax"', "can only name what stands before it (got 'tax')"),
        ('name = "tax"', 'name = "on"', "the name 'on' is used 2 times; give each its own"),
        ('name = "tax"', 'name = "export"', "the name 'export' already means a group of lines"),
        ("[[charges]]", '[[events]]\nband = "on"\n[[charges]]', "events[1]: has no dates"),
        (
            "[[charges]]",
            '[[events]]\nband = "on"\ndates = [2026-07-01]\n[[charges]]',
            "events[1].dates: lies outside the tariff's validity",
        ),
        (
            "[[charges]]",
            '[[events]]\nband = "on"\ndates = [9999-12-31]\nhours = "22:00-02:00"\n[[charges]]',
            "events[1].dates[1]: the year looks wrong; write a year from 1970 to 2100 (got 9999-12-31)",
        ),
        (
            "[[charges]]",
            "[billing]\nread_dates = [0001-01-01, 9999-12-31]\n[[charges]]",
            "billing.read_dates[1]: the year looks wrong",
        ),
        (
            "[[charges]]",
            '[[events]]\nband = "no"\ndates = [2025-07-01]\n[[charges]]',
            "events[1].band: no band is called this (got 'no')",
        ),
        (
            "[[charges]]",
            "[[events]]\ndates = [2025-07-01]\n[[charges]]",
            "events[1]: needs band = ... or adder_per_kwh",
        ),
        (
            "[[charges]]",
            "[[demand]]\nprice_per_kw = 3\ninterval_minutes = 45\n[[charges]]",
            "demand[1].interval_minutes",
        ),
        (
            "[[charges]]",
            "[[versions]]\nvalid_from = 2026-03-01\n[[charges]]",
            "versions[1].valid_from: must not come after the file's valid_to",
        ),
        (
            "[[charges]]",
            '[[versions]]\nvalid_from = 2025-03-01\ncurrency = "EUR"\n[[charges]]',
            "versions[1].currency: cannot change with a version",
        ),
        (
            "[[charges]]",
            "[[versions]]\nvalid_from = 2025-03-01\nbands = { on = { import_price_per_kw = 1 } }\n[[charges]]",
            "versions[1].bands.on.import_price_per_kw: not a setting",
        ),
        (
            "[[charges]]",
            "[[versions]]\nvalid_from = 2025-03-01\nbands = { onn = { import_price_per_kwh = 1 } }\n[[charges]]",
            "versions[1].bands.onn: nothing is called this before this version (got 'onn'); did you mean 'on'?",
        ),
        ("[[charges]]", '[netting]\nacross = "any-band"\n[[charges]]', "netting.order: must list every band"),
        (
            "[[charges]]",
            '[hourly_prices]\ncsv = "none.csv"\nimport_column = "a_per_kwh"\n[[charges]]',
            "none.csv: no such file in",
        ),
    ],
)
def test_refusals(old: str, new: str, message: str | None) -> None:
    assert old in GOOD
    text = GOOD.replace(old, new, 1)
    if message is None:
        assert isinstance(parse_tariff(text), Tariff)
        return
    said = refusal(text)
    assert message in said
    assert all(line.startswith(("plan.toml: ", "none.csv: ", "  ")) for line in said.splitlines())
    assert "Traceback" not in said


def test_netting_beside_an_export_price() -> None:
    text = GOOD.replace("= 0.3 }", "= 0.3, export_price_per_kwh = 0.1 }") + '[netting]\nacross = "same-band"'
    assert (
        "netting: exported kWh are set off against imported ones and have no price of their own"
        in refusal(text)
    )


def test_several_faults_are_told_at_once() -> None:
    said = refusal(GOOD.replace('"07:00-11:00"', '"7-11"').replace('currency = "CAD"', ""))
    assert said.splitlines()[0] == "plan.toml: 2 problems"
    assert len(said.splitlines()) == 3


def test_blocks_that_do_not_rise_as_declared() -> None:
    text = GOOD.replace("steps = [", 'order = "rising"\nsteps = [').replace(
        "price_per_kwh = 0.02", "price_per_kwh = 0.005"
    )
    assert "blocks[1]: the prices are declared rising but are not (got 0.005 after 0.01)" in refusal(text)


def test_event_dates_outside_the_series_year() -> None:
    text = (
        time_of_use()
        + '[events]\nname = "hot"\ndates = [2024-07-01]\nband = "on-peak"\nhours = "17:00-19:00"'
    )
    with pytest.raises(
        TariffError, match=r"events\[1\].dates: 'hot' has a date outside the series' year, 2025"
    ):
        price_steps(parse_tariff(text, "plan.toml"), steps("2025-07-01", "2025-08-01"), 1.0)


def test_two_events_at_one_time() -> None:
    day = 'dates = [2025-07-01]\nband = "on-peak"\n'
    text = (
        time_of_use()
        + f'[[events]]\nname = "a"\n{day}hours = "17:00-19:00"\n[[events]]\nname = "b"\n{day}hours = "18:00-20:00"'
    )
    assert "events[2]: two event prices at one time (got 2025-07-01 18:00, also in events[1])" in refusal(
        text
    )


def test_an_event_edge_inside_a_step() -> None:
    text = time_of_use() + '[events]\ndates = [2025-07-01]\nband = "on-peak"\nhours = "17:30-19:00"'
    with pytest.raises(TariffError, match=r"event's edge at 17:30 .*2025-07-01T17:00"):
        price_steps(parse_tariff(text), steps("2025-07-01", "2025-07-02"), 1.0)


def test_files_that_are_not_there_or_not_text(tmp_path: Path) -> None:
    for path, words in (
        (tmp_path / "none.toml", "no such file"),
        (tmp_path, "this is a folder"),
        (tmp_path / "latin.toml", "UTF-8"),
    ):
        (tmp_path / "latin.toml").write_bytes('name = "Straße"'.encode("latin-1"))
        with pytest.raises(TariffError, match=words) as refused:
            load_tariff(path)
        assert str(refused.value).startswith(f"{path}: ")


def test_event_dates_from_a_file(tmp_path: Path) -> None:
    (tmp_path / "days.csv").write_text("date,kind\n2025-07-01,hot\n2025-07-08,hot\n", encoding="utf-8")
    text = time_of_use() + '[events]\ncsv = "days.csv"\nband = "on-peak"\nhours = "17:00-19:00"'
    (tmp_path / "plan.toml").write_text(text, encoding="utf-8")
    priced = price_steps(load_tariff(tmp_path / "plan.toml"), steps("2025-07-01", "2025-08-01"), 1.0)
    assert priced.event.sum() == 4
    (tmp_path / "days.csv").write_text("date\n2025-07-01\n1 July\n", encoding="utf-8")
    with pytest.raises(TariffError, match=r"days.csv: column 'date': not a date.*line 3 .'1 July'"):
        load_tariff(tmp_path / "plan.toml")
    (tmp_path / "days.csv").write_text("day\n2025-07-01\n", encoding="utf-8")
    with pytest.raises(TariffError, match=r"no column 'date'"):
        load_tariff(tmp_path / "plan.toml")


def test_a_price_column_without_its_unit(tmp_path: Path) -> None:
    (tmp_path / "p.csv").write_text(
        "time,price\n2025-01-01T00:00Z,1\n2025-01-01T01:00Z,2\n", encoding="utf-8"
    )
    text = 'name = "spot"\ncurrency = "EUR"\n[hourly_prices]\ncsv = "p.csv"\nimport_column = "price"'
    with pytest.raises(
        TariffError,
        match=r"p.csv: the column name 'price'.*has no unit; rename .* so that it ends in _per_kwh or _per_mwh",
    ):
        parse_tariff(text, str(tmp_path / "plan.toml"))


def test_amounts_that_are_no_bill() -> None:
    """Sixty adjustments of a thousand million percent each left what exact decimals hold."""
    taxes = "".join(f'[[adjustments]]\nname = "a{number}"\npercent = 1e9\n' for number in range(60))
    tariff = parse_tariff(f"{time_of_use()}\n{taxes}", "plan.toml")
    times = steps("2025-07-01", "2025-07-02")
    with pytest.raises(TariffError, match="is no bill; correct the tariff's prices and percentages"):
        bill(tariff, times, 1.0, [1.0] * len(times))


def test_a_value_where_tables_are_listed() -> None:
    said = refusal(
        GOOD.replace("[[charges]]\nper_month = 5", "").replace("valid_from", "charges = [7]\nvalid_from")
    )
    assert (
        said
        == "plan.toml: charges[1]: this is a section; write [[charges]] and its settings below it (got 7)"
    )


ONLY_BLOCKS = """
name = "x"
currency = "EUR"
{band}
[[blocks]]
name = "steps"
steps = [{{ price_per_kwh = 0.2 }}]
[[adjustments]]
name = "tax"
percent = 5
applies_to = ["{of}"]
"""


@pytest.mark.parametrize(
    ("band", "of", "message"),
    [
        ("[bands.use]", "use", r"\(got 'use'\): the band has no price of its own; name 'steps' instead"),
        ("[bands.use]", "use export", r"the band has no export_price_per_kwh; leave it out"),
        ("[bands.use]", "hourly prices", r"no hourly_prices.import_column prices what is bought"),
        ("[bands.use]", "riders", r"the file has no such lines \(got 'riders'\); name lines it has"),
        ("[bands.use]", "energy", None),
        ("[bands.use]\nexport_price_per_kwh = 0.05", "use export", None),
    ],
)
def test_a_percentage_of_lines_that_can_never_exist(band: str, of: str, message: str | None) -> None:
    text = ONLY_BLOCKS.format(band=band, of=of)
    if message is None:
        assert parse_tariff(text).adjustments[0].applies_to == (of,)
        return
    with pytest.raises(TariffError, match=message):
        parse_tariff(text)
