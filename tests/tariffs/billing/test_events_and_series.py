"""Events and prices by the hour, on bills small enough to check by hand."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from homes.tariff_plain import TWO
from homes.tariff_series import amounts, even_bill, lines, month, steps

from tariffs import Tariff, TariffError, bill, evaluate, parse_tariff, price_steps


def test_an_event_across_midnight_belongs_to_its_date() -> None:
    text = TWO + '[events]\ndates = [2025-01-31]\nhours = "22:00-02:00"\nadder_per_kwh = 1\n'
    times = steps("2025-01-01", "2025-03-01")
    priced = price_steps(parse_tariff(text), times, 1.0)
    held = times[priced.event]
    assert [str(at)[:16] for at in held] == [
        "2025-01-31 22:00",
        "2025-01-31 23:00",
        "2025-02-01 00:00",
        "2025-02-01 01:00",
    ]
    assert priced.import_price_per_kwh[priced.event] == pytest.approx([1.1] * 4)
    found = bill(parse_tariff(text), times, 1.0, np.ones(len(times)))
    assert [line.amount for p in found.periods for line in p.lines if line.label == "event"] == [2, 2]


def test_day_colours_by_event_windows() -> None:
    text = (
        TWO.replace(
            "[bands]",
            "[bands]\nred = { import_price_per_kwh = 0.70 }\nred-night = { import_price_per_kwh = 0.15 }",
        )
        + """
    [events]
    name = "red days"
    dates = [2025-01-15]
    windows = [
      { band = "red", hours = "06:00-22:00" },
      { band = "red-night", hours = "22:00-06:00" },
    ]
    """
    )
    priced = price_steps(parse_tariff(text), steps("2025-01-15", "2025-01-17"), 1.0)
    names = [priced.band_names[at] for at in priced.band]
    assert (
        names
        == ["night"] * 6 + ["red"] * 16 + ["red-night"] * 8 + ["night"] * 2 + ["day"] * 12 + ["night"] * 4
    )


@pytest.mark.parametrize("on_price", [True, False])
def test_events_are_priced_in_the_bill_as_in_the_steps(on_price: bool) -> None:
    price = 'band = "critical"' if on_price else "adder_per_kwh = 0.6"
    bands = "[bands]\ncritical = { import_price_per_kwh = 0.9 }" if on_price else "[bands]"
    text = TWO.replace("[bands]", bands) + f'[events]\ndates = [2025-06-03]\nhours = "17:00-19:00"\n{price}'
    found = even_bill(text, month("2025-06"), 720)
    expected = 358 * 0.3 + 360 * 0.1 + 2 * (0.9 if on_price else 0.3 + 0.6)
    assert float(found.total_unrounded) == pytest.approx(expected)


def hourly(tmp_path: object, prices: list[float], extra: str = "", minutes: int = 60) -> Tariff:
    rows = pd.date_range("2025-06-01", periods=len(prices), freq=f"{minutes}min", tz="Europe/Berlin")
    lines = [f"{at.isoformat()},{price}" for at, price in zip(rows, prices, strict=True)]
    folder = str(tmp_path)
    with open(f"{folder}/prices.csv", "w", encoding="utf-8") as file:  # noqa: PTH123 - tmp_path comes untyped
        file.write("\n".join(["time,day_ahead_per_mwh", *lines]))
    text = 'name = "spot"\ncurrency = "EUR"\ntime_zone = "Europe/Berlin"\n'
    text += f'[hourly_prices]\ncsv = "prices.csv"\nimport_column = "day_ahead_per_mwh"\n{extra}'
    return parse_tariff(text, f"{folder}/tariff.toml")


def test_hourly_prices_with_negative_ones_markup_and_tax(tmp_path: object) -> None:
    tariff = hourly(
        tmp_path,
        [-50, 0, 100, 250],
        '[riders]\nname = "markup"\nprice_per_kwh = 0.02\n[[adjustments]]\nname = "VAT"\npercent = 20',
    )
    times = pd.date_range("2025-06-01", periods=4, freq="60min", tz="Europe/Berlin")
    priced = price_steps(tariff, times, 1.0)
    assert priced.hourly
    assert priced.import_price_per_kwh == pytest.approx([-0.036, 0.024, 0.144, 0.324])
    found = bill(tariff, times, 1.0, [4, 3, 2, 1])
    assert float(found.total_unrounded) == pytest.approx(1.2 * (-0.2 + 0.2 + 0.25 + 0.2))


def test_a_tax_on_hourly_prices_leaves_what_is_fed_in_alone(tmp_path: Path) -> None:
    rows = "".join(f"2025-06-01T{hour:02d}:00Z,0.30,0.10\n" for hour in range(4))
    (tmp_path / "prices.csv").write_text("time,bought_per_kwh,sold_per_kwh\n" + rows, encoding="utf-8")
    text = 'name = "spot"\ncurrency = "EUR"\n[hourly_prices]\ncsv = "prices.csv"\n'
    text += 'import_column = "bought_per_kwh"\nexport_column = "sold_per_kwh"\n'
    text += '[[adjustments]]\nname = "tax"\npercent = 10\napplies_to = ["OF"]\n'
    times = pd.date_range("2025-06-01", periods=4, freq="60min", tz="UTC")
    bought, sold = np.array([1.0, 2, 3, 4]), np.array([1.0, 1, 1, 2])
    for of, tax in (("hourly prices", 0.3), ("hourly prices, export", -0.05)):
        tariff = parse_tariff(text.replace("OF", of), str(tmp_path / "tariff.toml"))
        found = bill(tariff, times, 1.0, bought, sold)
        terms = evaluate(price_steps(tariff, times, 1.0), bought, sold)
        assert terms == pytest.approx(float(found.total_unrounded))
        assert [label for label, _ in lines(found)[:2]] == ["hourly prices", "hourly prices, export"]
        assert amounts(found, "adjustment") == {"tax +10%": tax}


def test_a_row_a_day_over_a_clock_change_is_told(tmp_path: Path) -> None:
    rows = ["2025-03-29T00:00+01:00,0.2", "2025-03-30T00:00+01:00,0.2", "2025-03-31T00:00+02:00,0.3"]
    (tmp_path / "prices.csv").write_text("\n".join(["time,price_per_kwh", *rows]), encoding="utf-8")
    text = (
        'name = "days"\ncurrency = "EUR"\ntime_zone = "Europe/Berlin"\n[hourly_prices]\ncsv = "prices.csv"\n'
    )
    with pytest.raises(
        TariffError, match=r"a row a day cannot hold over a change .* write a row for each hour"
    ):
        parse_tariff(text + 'import_column = "price_per_kwh"\n', str(tmp_path / "tariff.toml"))


def test_finer_steps_than_the_price_rows(tmp_path: object) -> None:
    tariff = hourly(tmp_path, [100, 200])
    times = pd.date_range("2025-06-01", periods=8, freq="15min", tz="Europe/Berlin")
    assert price_steps(tariff, times, 0.25).import_price_per_kwh == pytest.approx([0.1] * 4 + [0.2] * 4)


def test_prices_that_change_inside_a_step_or_run_out(tmp_path: object) -> None:
    times = pd.date_range("2025-06-01", periods=3, freq="60min", tz="Europe/Berlin")
    with pytest.raises(TariffError, match=r"changes inside a step.*2025-05-31T22:00Z"):
        price_steps(hourly(tmp_path, [1.0] * 12, minutes=15), times, 1.0)
    with pytest.raises(TariffError, match=r"no price for 1 of 3 steps.*first missing 2025-06-01T00:00Z"):
        price_steps(hourly(tmp_path, [1.0] * 2), times, 1.0)
