"""``dispatch new``: what is asked, and the files that come of the answers."""

# ruff: noqa: PLC0415 - imports inside functions are the point
from __future__ import annotations

import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import typer

from dispatch.cli.terminal import BAD_INPUT, stop, write

if TYPE_CHECKING:
    from collections.abc import Mapping

    from pydantic import BaseModel

    from dispatch.intake.starter import Answers


@dataclass(frozen=True)
class _Question:
    """One thing to know: its option, what to ask, and the usual value (None: there is none)."""

    option: str
    text: str
    usual: Any


_QUESTIONS = {
    "name": _Question("--name", "What reports call the home", "My home"),
    "time_zone": _Question("--time-zone", "Its clock, such as America/Toronto", None),
    "currency": _Question("--currency", "Currency, three letters such as CAD", None),
    "kwh": _Question("--kwh", "kWh of a year, from the bills", None),
    "household": _Question("--household", "Household: single, couple, family, retired or bdew-h0", "family"),
    "pack_kwh": _Question("--pack-kwh", "Nominal energy of one battery pack [kWh]", 5.0),
    "packs": _Question("--packs", "Battery packs", 2),
    "inverter_w": _Question("--inverter-w", "AC output the inverter can hold [W]", 3000.0),
    "charge_w": _Question("--charge-w", "Grid charger [W]", 1500.0),
    "critical_w": _Question("--critical-w", "What must run in an outage, mean [W]", 300.0),
    "target_hours": _Question("--target-hours", "Hours of backup wanted [h]", 8.0),
    "cheap_price": _Question("--cheap-price", "Price of a kWh in the cheap hours", 0.10),
    "dear_price": _Question("--dear-price", "Price of a kWh in the other hours", 0.25),
    "cheap_hours": _Question("--cheap-hours", "The cheap hours", "23:00-07:00"),
    "per_month": _Question("--per-month", "Standing charge a month", 10.0),
}


def make_home(folder: Path, said: Mapping[str, Any], load: Path | None, year: int, seed: int) -> None:
    """Ask what was not said, and write the files of a new home.

    Parameters
    ----------
    folder : Path
    said : mapping
        What the options said, None where they did not.
    load : Path or None
        A series to use in place of a typical load.
    year, seed : int
        Of a typical load.
    """
    from dispatch.exports.files import write_files
    from dispatch.intake.read import check_zone
    from dispatch.intake.starter import (
        SCENARIO_SCHEMA,
        TARIFF_SCHEMA,
        refuse_existing,
        scenario_toml,
        tariff_toml,
    )

    files = ("scenario.toml", "tariff.toml", "load.csv", SCENARIO_SCHEMA, TARIFF_SCHEMA)
    refuse_existing(folder, files)
    if load is not None:
        said = {**said, "kwh": 0.0, "household": ""}
    known = _complete(said)
    check_zone(known["time_zone"])
    csv, column, words = _load_series(load, known, year, seed)
    home = _answers(known, column, words)
    texts = {
        "scenario.toml": scenario_toml(home),
        "tariff.toml": tariff_toml(home),
        "load.csv": csv,
        **_schemas(),
    }
    _try_out(folder, texts)
    write_files(folder, texts)
    write(
        f"{folder}: a scenario, its tariff and its load ({words}), ready to run.\n"
        f"  dispatch check {folder}\n  dispatch compare {folder}\n"
        "Correct the figures marked (check) and the prices from your own data sheets and bill.\n"
        "Wiring and the place of a battery follow local codes: leave them to licensed people.\n"
    )


def _complete(said: Mapping[str, Any]) -> dict[str, Any]:
    """Fill in what was not said: asked for in a terminal, else the usual; what has none is refused together."""
    known = dict(said)
    asking = sys.stdin.isatty()
    missing = []
    for key, question in _QUESTIONS.items():
        if known[key] is not None:
            continue
        if asking:
            kind = float if key == "kwh" else None
            known[key] = typer.prompt(question.text, default=question.usual, type=kind, err=True)
        elif question.usual is None:
            missing.append(f"  {question.option}: {question.text}")
        else:
            known[key] = question.usual
    if missing:
        text = "these have no usual value; add them (or run in a terminal to be asked):"
        stop("\n".join([text, *missing]), BAD_INPUT)
    return known


def _load_series(load: Path | None, known: Mapping[str, Any], year: int, seed: int) -> tuple[str, str, str]:
    """Return the text of load.csv, its column, and what it is."""
    if load is None:
        from dispatch.intake.profile import COLUMN, typical_load
        from dispatch.intake.write import csv_text

        times, kwh = typical_load(known["kwh"], known["household"], year, known["time_zone"], seed=seed)
        words = f"a typical {known['household']} load of {known['kwh']:,.0f} kWh a year, not measured"
        return csv_text(times, {COLUMN: kwh}), COLUMN, words
    from dispatch.errors import SeriesError
    from dispatch.intake.rows import decoded, read_bytes

    text, _ = decoded(load, read_bytes(load))
    names = [name.strip() for name in text.partition("\n")[0].split(",")]
    found = [name for name in ("load_kwh", "load_kw", "typical_load_kwh") if name in names]
    if not found or "time" not in names:
        raise SeriesError(
            f"{load}: should have the columns time and load_kwh (got {', '.join(names)[:80]}); "
            "make it with: dispatch import"
        )
    return text.replace("\r\n", "\n"), found[0], f"from {load.name}"


def _answers(known: Mapping[str, Any], column: str, words: str) -> Answers:
    from dispatch.intake.starter import Answers
    from tariffs.reading.refusals import visible

    begin, _, end = str(known["cheap_hours"]).partition("-")
    return Answers(
        name=known["name"],
        time_zone=known["time_zone"],
        currency=str(known["currency"]).upper(),
        load_csv="load.csv",
        load_column=column,
        load_words=visible(" ".join(words.split())),
        pack_kwh=known["pack_kwh"],
        pack_count=known["packs"],
        inverter_w=known["inverter_w"],
        grid_charge_w=known["charge_w"],
        critical_w=known["critical_w"],
        target_hours=known["target_hours"],
        cheap_price_per_kwh=known["cheap_price"],
        dear_price_per_kwh=known["dear_price"],
        cheap_from=begin.strip(),
        cheap_to=end.strip(),
        fixed_per_month=known["per_month"],
    )


def _schemas() -> dict[str, str]:
    import json

    from dispatch.intake.starter import SCENARIO_SCHEMA, TARIFF_SCHEMA
    from dispatch.scenario.model import Scenario
    from tariffs import Tariff

    models: dict[str, type[BaseModel]] = {SCENARIO_SCHEMA: Scenario, TARIFF_SCHEMA: Tariff}
    return {name: json.dumps(model.model_json_schema(), indent=2) + "\n" for name, model in models.items()}


def _try_out(folder: Path, texts: Mapping[str, str]) -> None:
    """Load the home from a temporary folder: what cannot run is not written."""
    from dispatch.case.case import load_scenario
    from dispatch.errors import DispatchError, ScenarioError
    from dispatch.exports.files import write_files
    from tariffs.errors import TariffError

    with tempfile.TemporaryDirectory() as place:
        write_files(Path(place), texts)
        try:
            load_scenario(Path(place) / "scenario.toml")
        except (DispatchError, TariffError) as error:
            raise ScenarioError(f"nothing written: {error}".replace(place, str(folder))) from None
