"""What a tariff or a meter file may say but hardly means is found, and published prices are not."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pytest
from homes.tariff_ontario import time_of_use
from terminal import run

from dispatch.words.slips import slip_words
from tariffs import parse_tariff, read_meter
from tariffs.slips import meter_slips, tariff_slips

if TYPE_CHECKING:
    from pathlib import Path

BANDS = 'other_hours = "day"\n[bands.day]\nimport_price_per_kwh = 0.21\n'

# what is written behind one ordinary band -> what is said
TARIFF = {
    "price in cents": (
        "export_price_per_kwh = 12.4",
        "tariff: bands.day.export_price_per_kwh = 12.4: very dear for a kWh; if cents were meant, write 0.124",
    ),
    "block in cents": (
        "[[blocks]]\nsteps = [{ up_to_kwh = 600, price_per_kwh = 0.1 }, { price_per_kwh = 15.5 }]",
        "tariff: blocks[1].steps[2].price_per_kwh = 15.5: very dear for a kWh; if cents were meant, write 0.155",
    ),
    "rider in cents by season": (
        '[riders]\nname = "fuel"\nprice_per_kwh = { all = 3.7 }\n[seasons]\nname = "all"\nfrom = "01-01"\nto = "12-31"',
        "tariff: riders[1].price_per_kwh.all = 3.7: very dear for a kWh; if cents were meant, write 0.037",
    ),
    "tax as a fraction": (
        '[[adjustments]]\nname = "tax"\npercent = 0.13',
        "tariff: adjustments[1].percent = 0.13: less than 1 %; if a fraction was meant, write 13",
    ),
    "tax by hundreds": (
        '[[adjustments]]\nname = "tax"\npercent = 1300',
        "tariff: adjustments[1].percent = 1300: more than 100 %; did you mean 13?",
    ),
    "losses in percent": (
        "[losses]\nloss_factor = 7.6",
        "tariff: losses.loss_factor = 7.6: metered kWh are multiplied by it; did you mean 1.076?",
    ),
    "losses alone": (
        "[losses]\nloss_factor = 0.076",
        "tariff: losses.loss_factor = 0.076: metered kWh are multiplied by it; did you mean 1.076?",
    ),
    "a month's charge a day": (
        "[[charges]]\nper_day = 24.5",
        "tariff: charges[1].per_day = 24.5: very much for a day; if a month was meant, write per_month = 24.5",
    ),
}


def tariff(more: str, currency: str = "CAD") -> str:
    return f'name = "Two Lamps"\ncurrency = "{currency}"\ntime_zone = "America/Halifax"\n{BANDS}{more}\n'


@pytest.mark.parametrize("slip", TARIFF)
def test_a_slip_in_a_tariff(slip: str) -> None:
    more, words = TARIFF[slip]
    assert [slip_words(found) for found in tariff_slips(parse_tariff(tariff(more)))] == [words]


def test_another_currency_has_other_prices() -> None:
    dear = tariff("export_price_per_kwh = 12.4\n[[charges]]\nper_day = 24.5", "JPY")
    assert tariff_slips(parse_tariff(dear)) == ()


def test_what_every_version_repeats_is_told_once() -> None:
    later = '[[adjustments]]\nname = "tax"\npercent = 0.13\n[[versions]]\nvalid_from = 2026-01-01\n'
    assert len(tariff_slips(parse_tariff(tariff(later)))) == 1


@pytest.mark.parametrize("text", [time_of_use(), tariff(""), tariff("[losses]\nloss_factor = 1.5")])
def test_ordinary_tariffs_are_not_asked_about(text: str) -> None:
    assert tariff_slips(parse_tariff(text)) == ()


# ---- meters ----------------------------------------------------------------------------------------------------
TIMES = [at.isoformat() for at in pd.date_range("2025-06-02", periods=72, freq="h", tz="America/Halifax")]
LOAD = [0.4 + 0.3 * (number % 24 > 16) for number in range(72)]


def meter(folder: Path, bought: list[float], sold: list[float]) -> Path:
    rows = [f"{at},{a:.4f},{b:.4f}" for at, a, b in zip(TIMES, bought, sold, strict=True)]
    path = folder / "meter.csv"
    path.write_text("\n".join(["time,import_kwh,export_kwh", *rows]) + "\n", encoding="utf-8")
    return path


METER = {
    "register": ((list(np.cumsum(LOAD)), [0.0] * 72), "import only rises, 0.4 to"),
    "Wh under kWh": (([1000 * kwh for kwh in LOAD], [0.0] * 72), "if Wh were meant, it is"),
    "use and make": ((LOAD, [0.1 + kwh / 9 for kwh in LOAD]), "both above 0 in all 72 steps"),
    "one column for both": ((LOAD, LOAD), "export is equal to import in every step"),
}


@pytest.mark.parametrize("slip", METER)
def test_a_slip_in_a_meter_file(slip: str, tmp_path: Path) -> None:
    columns, words = METER[slip]
    found = meter_slips(read_meter(meter(tmp_path, *columns), "America/Halifax"))
    assert any(words in slip_words(each) for each in found)


def test_an_ordinary_meter_is_not_asked_about(tmp_path: Path) -> None:
    noon = [0.5 if 10 <= number % 24 <= 14 else 0.0 for number in range(72)]
    assert meter_slips(read_meter(meter(tmp_path, LOAD, noon), "America/Halifax")) == ()


def test_a_bill_says_what_looks_odd_and_what_it_was_made_from(tmp_path: Path) -> None:
    file, readings = tmp_path / "tariff.toml", meter(tmp_path, LOAD, [0.1] * 72)
    file.write_text(tariff("[losses]\nloss_factor = 7.6"), encoding="utf-8")
    screen = run("bill", file, readings)
    assert screen.returncode == 0
    assert "2 things look odd:" in screen.stdout
    assert "did you mean 1.076?" in " ".join(screen.stdout.split())
    document = json.loads(run("bill", file, readings, "--json").stdout)
    assert [each["kind"] for each in document["looks_odd"]] == ["loss factor", "import and export together"]
    assert len(document["made_from"]["inputs_sha256"]) == 64


@pytest.mark.parametrize("option", ["--import", "--export"])
def test_a_column_named_twice_is_refused(option: str, tmp_path: Path) -> None:
    file, readings = tmp_path / "tariff.toml", meter(tmp_path, LOAD, [0.1] * 72)
    file.write_text(tariff(""), encoding="utf-8")
    done = run("bill", file, readings, "--import", "import_kwh", option, "export_kwh", option, "export_kwh")
    assert done.returncode == 2
    assert (
        f"{readings}: {option}: the column 'export_kwh' is named twice; name each column once" in done.stderr
    )
