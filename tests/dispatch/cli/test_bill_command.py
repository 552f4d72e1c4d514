"""``dispatch bill``: every line of a meter's bills on the screen, as JSON and as CSV, or one message."""

from __future__ import annotations

import csv
import json
import re
from decimal import Decimal
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import pytest
from homes.drafts import toml_text
from homes.tariff_rich import RICH
from terminal import ROOT, rendered, run

import tariffs
from dispatch.exports.bill import bill_document
from dispatch.exports.files import json_text, plain_number
from dispatch.report.bill import bill_report, decimal_text
from tariffs.meter_bill import meter_bill

if TYPE_CHECKING:
    import subprocess
    from pathlib import Path

    from tariffs.meter_bill import MeterBill

ALDER_ROW = ROOT / "scenarios" / "alder-row"


def write_files(folder: Path, minutes: int = 60, **changes: Any) -> tuple[Path, Path]:  # noqa: ANN401
    """Write a tariff and four days of readings across the night the clocks go back."""
    tables = {name: value for name, value in {**RICH, **changes}.items() if value is not None}
    tariff = folder / "tariff.toml"
    tariff.write_text(toml_text(tables), encoding="utf-8")
    times = pd.date_range(
        "2025-10-31", "2025-11-04", freq=f"{minutes}min", tz="America/Halifax", inclusive="left"
    )
    rows = [
        f"{at.isoformat()},{0.4 + 0.01 * (number % 50):.2f},{number % 3 / 10}"
        for number, at in enumerate(times)
    ]
    meter = folder / "meter.csv"
    meter.write_text("\n".join(["time,import_kwh,export_kwh", *rows]) + "\n", encoding="utf-8")
    return tariff, meter


def priced(folder: Path, minutes: int = 60, **changes: Any) -> MeterBill:  # noqa: ANN401
    return meter_bill(*write_files(folder, minutes, **changes))


def unbroken(text: str) -> str:
    return " ".join(text.split())


def test_json_is_the_only_thing_on_stdout_and_adds_up_exactly(tmp_path: Path) -> None:
    tariff, meter = write_files(tmp_path)
    done = run("bill", tariff, meter, "--json")
    assert (done.returncode, done.stderr) == (0, "")
    document = json.loads(done.stdout, parse_float=Decimal)
    assert document["tariff"] == "Tall Chimes"
    assert document["currency"] == "CAD"
    assert [period["name"] for period in document["periods"]] == ["2025-10", "2025-11"]
    assert document["periods"][1]["start"] == "2025-11-01"
    assert document["periods"][1]["end"] == "2025-11-03"
    wanted = {"label", "kind", "quantity", "unit", "unit_price", "amount"}
    for period in document["periods"]:
        assert all(wanted <= set(line) for line in period["lines"])
        exact = sum(Decimal(line["amount"]) for line in period["lines"])
        assert abs(exact - period["total_unrounded"]) < Decimal("1e-12")
        assert abs(period["total_unrounded"] + period["rounding"] - period["total"]) < Decimal("1e-12")
    assert document["total"] == sum(period["total"] for period in document["periods"])
    # a reader that knows no decimals gets plain numbers
    assert isinstance(json.loads(done.stdout)["total_unrounded"], float)


def test_the_document_is_the_bill_of_the_package(tmp_path: Path) -> None:
    made = priced(tmp_path)
    meter = made.meter
    own = tariffs.bill(made.tariff, meter.times, meter.dt_hours, meter.import_kwh, meter.export_kwh)
    document = json.loads(json_text(bill_document(made)), parse_float=Decimal)
    assert document["total"] == own.total
    assert abs(document["total_unrounded"] - own.total_unrounded) < Decimal("1e-14")
    assert document["at_least"] is True
    assert document["event_days"]["count"] == 2
    assert document["event_days"]["import_kwh"] == pytest.approx(
        sum(day["import_kwh"] for day in document["event_days"]["days"])
    )
    assert [peak["period"] for peak in document["demand"]] == ["2025-10", "2025-11"]


def test_decimals_are_written_without_exponent_and_labels_never_taken_for_numbers() -> None:
    assert plain_number(Decimal("1E+3")) == "1000"
    assert plain_number(Decimal("1E-9")) == "0.000000001"
    assert plain_number(Decimal("-0.00")) == "0.00"
    assert plain_number(Decimal(1) / Decimal(3)) == "0.333333333333333"
    text = json_text({"label": "12.5", "amount": Decimal("12.50")})
    assert json.loads(text, parse_float=str) == {"label": "12.5", "amount": "12.50"}


def test_every_line_fits_and_event_days_and_at_least_are_told(tmp_path: Path) -> None:
    made = priced(tmp_path)
    text = rendered(bill_report(made))
    assert max(len(line.rstrip()) for line in text.splitlines()) <= 80
    flat = unbroken(text)
    assert f"Tall Chimes: at least CAD {made.bill.total:,.2f}" in flat
    assert "EVENT DAYS" in flat
    assert "Fri 31 Oct 2025 17:00 4" in flat
    assert "evening power (at least)" in flat
    assert flat.count("total, at least") == 2
    assert "The true demand, and the bill with it, may be higher." in flat
    for period in made.bill.periods:
        assert f"sum of the lines {decimal_text(period.total_unrounded, 4)}" in flat
        assert f"{period.total:,.2f}" in flat


def test_printed_lines_add_up_to_the_printed_sum(tmp_path: Path) -> None:
    text = rendered(bill_report(priced(tmp_path))).split("ALL BILLS")[0]
    bills = text.split("unit       amount")[1:]
    assert len(bills) == 2
    for bill in bills:
        rows = bill.splitlines()
        end = next(at for at, row in enumerate(rows) if row.startswith("sum of the lines"))
        printed = [row.split()[-1] for row in rows[3 : end - 1]]  # long labels run on below their line
        amounts = [float(last) for last in printed if re.fullmatch(r"-?\d+\.\d{4}", last)]
        assert len(amounts) >= 7
        wanted = float(rows[end].split()[-1])
        assert sum(amounts) == pytest.approx(wanted, abs=1e-4 * len(amounts))
        total, rounding = float(rows[end + 2].split()[-1]), float(rows[end + 1].split()[-1])
        assert wanted + rounding == pytest.approx(total, abs=1e-4)


def test_finer_readings_need_no_at_least(tmp_path: Path) -> None:
    made = priced(tmp_path, minutes=15)
    assert not made.at_least()
    assert "at least" not in rendered(bill_report(made))


def test_what_is_rounded_by_itself_is_told(tmp_path: Path) -> None:
    to_fives = rendered(bill_report(priced(tmp_path, rounding={"per": "line", "total_to": 0.05})))
    assert "The tariff rounds every line; the total goes to 0.05." in to_fives
    some = priced(tmp_path, rounding={"lines": [{"applies_to": ["energy", "charges"], "to": 0.5}]})
    text = " ".join(rendered(bill_report(some)).split())
    assert "The tariff rounds some lines by themselves: energy, charges." in text
    period = some.bill.periods[0]
    assert f"sum of the lines {period.total_of_lines:,.4f}" in text
    assert all(line.billed_amount % Decimal("0.5") == 0 for line in period.lines if line.kind == "energy")


def test_lines_rounded_one_by_one_are_printed_as_billed(tmp_path: Path) -> None:
    made = priced(tmp_path, rounding={"per": "line"})
    text = rendered(bill_report(made))
    assert "sum of the lines" not in text
    assert "The tariff rounds every line; the total is their sum." in text
    printed = sum(line.billed_amount for line in made.bill.periods[0].lines)
    assert f"{printed:,.2f}" in text
    assert printed == made.bill.periods[0].total


def test_netting_lines_carry_no_money(tmp_path: Path) -> None:
    made = priced(tmp_path, netting={"across": "same-band"}, events=None, demand=None)
    line = next(
        line for line in rendered(bill_report(made)).splitlines() if line.startswith("exported and set")
    )
    assert line.split()[-2:] == ["-", "-"]


def test_columns_in_any_unit_add_up_to_the_household() -> None:
    tariff = ALDER_ROW / "tariff-demand.toml"
    made = meter_bill(tariff, ALDER_ROW / "series.csv", None, ("load_kw", "other_kw"))
    table = pd.read_csv(ALDER_ROW / "series.csv")
    assert np.allclose(made.meter.import_kwh, table["load_kw"] + table["other_kw"])
    assert not made.meter.export_kwh.any()
    assert made.events is not None
    assert len(made.events.days) == 11
    sold = meter_bill(tariff, ALDER_ROW / "series.csv", None, ("other_kw",), ("sun_kw",))
    assert np.allclose(sold.meter.export_kwh, table["sun_kw"])


@pytest.mark.parametrize(
    ("name", "factor"), [("import_kw", 0.5), ("import_w", 0.0005), ("import_wh", 0.001), ("import_kwh", 1.0)]
)
def test_the_ending_of_a_column_is_its_unit(name: str, factor: float, tmp_path: Path) -> None:
    times = pd.date_range("2025-10-31", periods=4, freq="30min", tz="America/Halifax")
    path = tmp_path / "meter.csv"
    path.write_text("\n".join([f"time,{name}", *(f"{at.isoformat()},600" for at in times)]) + "\n")
    meter = tariffs.read_meter(path, "America/Halifax", (name,))
    assert meter.import_kwh == pytest.approx(np.full(4, 600 * factor))


def test_csv_holds_every_line_and_the_rounding(tmp_path: Path) -> None:
    tariff, meter = write_files(tmp_path)
    done = run("bill", tariff, meter, "--csv", tmp_path / "out")
    assert (done.returncode, done.stderr) == (0, "")
    with (tmp_path / "out" / "bill.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    bill = meter_bill(tariff, meter).bill
    assert len(rows) == sum(len(period.lines) + 1 for period in bill.periods)
    assert sum(Decimal(row["amount"]) for row in rows) == pytest.approx(bill.total, abs=Decimal("1e-12"))


def test_a_clock_can_be_given_where_the_file_has_none(tmp_path: Path) -> None:
    tariff, meter = write_files(tmp_path, time_zone=None)
    refused = run("bill", tariff, meter)
    assert (refused.returncode, refused.stdout) == (2, "")
    assert "time_zone" in refused.stderr
    assert "--time-zone" in refused.stderr
    given = json.loads(run("bill", tariff, meter, "--time-zone", "America/Halifax", "--json").stdout)
    tariff, meter = write_files(tmp_path)
    written = json.loads(run("bill", tariff, meter, "--json").stdout)
    assert given.pop("made_from") != written.pop("made_from")  # the file is another one
    assert given == written


def told(done: subprocess.CompletedProcess[str]) -> str:
    assert (done.returncode, done.stdout) == (2, "")
    assert "Traceback" not in done.stderr
    return done.stderr


@pytest.mark.parametrize(
    ("words", "parts"),
    [
        (
            ("--time-zone", "America/Halifx"),
            ("--time-zone", "America/Halifx", "did you mean 'America/Halifax'"),
        ),
        (("--time-zone", "Europe/Berlin"), ("--time-zone", "contradicts", "America/Halifax")),
        (("--import", "import_kw"), ("meter.csv", "no column 'import_kw'", "did you mean 'import_kwh'")),
        (("--import", "time"), ("meter.csv", "the column name 'time' has no unit", "_wh or _kwh")),
        (("--export", "sold_kwh"), ("meter.csv", "no column 'sold_kwh'")),
    ],
)
def test_bad_questions_exit_2_with_one_message(
    words: tuple[str, ...], parts: tuple[str, ...], tmp_path: Path
) -> None:
    message = told(run("bill", *write_files(tmp_path), *words))
    assert all(part in message for part in parts), message
    assert len(message.strip().splitlines()) == 1


def test_readings_of_another_clock_are_told(tmp_path: Path) -> None:
    tariff, meter = write_files(tmp_path)
    assert "are they of another place?" not in rendered(bill_report(meter_bill(tariff, meter)))
    text = meter.read_text(encoding="utf-8").replace("-03:00", "+09:00").replace("-04:00", "+08:00")
    meter.write_text(text, encoding="utf-8")
    told_of = rendered(bill_report(meter_bill(tariff, meter)))
    assert "(+08:00, +09:00)" in told_of
    assert "are they of another place?" in " ".join(told_of.split())


def test_bad_files_exit_2_with_one_message(tmp_path: Path) -> None:
    tariff, meter = write_files(tmp_path)
    assert "no such file" in told(run("bill", tariff, tmp_path / "none.csv"))
    assert "no such file; did you mean" in told(run("bill", tmp_path / "none.toml", meter))
    text = meter.read_text(encoding="utf-8").replace("import_kwh", "used_kwh")
    (tmp_path / "other.csv").write_text(text, encoding="utf-8")
    message = told(run("bill", tariff, tmp_path / "other.csv"))
    assert "no column 'import_kwh'" in message
    assert "--import" in message
    assert "did you mean" not in message
    short, meter = write_files(tmp_path, valid_to="2025-11-01", events=None)
    assert "valid_to" in told(run("bill", short, meter))
    (tmp_path / "taken").write_text("a file")
    tariff, meter = write_files(tmp_path)
    assert "taken" in told(run("bill", tariff, meter, "--csv", tmp_path / "taken" / "out"))
