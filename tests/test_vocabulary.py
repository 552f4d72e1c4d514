"""Every number says its unit in its name, and every exception survives the way to another process."""

import pickle
from collections.abc import Iterator, Mapping
from typing import Any

import pytest
from pydantic import BaseModel

import dispatch
import dispatch.errors
import tariffs.errors
from dispatch.scenario.model import Scenario
from tariffs import Tariff

UNIT_ENDINGS = (
    *("_w", "_kw", "_wh", "_kwh", "_per_kwh", "_per_kw", "_per_day", "_per_month", "_per_hour", "_per_kvah"),
    *(
        "_hours",
        "_minutes",
        "_ms",
        "_days",
        "_months",
        "_fraction",
        "_percent",
        "_count",
        "_factor",
        "_intervals",
    ),
    *("_per_year", "_per_kva", "_litres", "_per_litre", "_years"),
    *("_v", "_a", "_hz", "_c", "_k", "_m", "_ft", "_mm2", "_degrees", "_percent_per_k"),
)
UNITS_ALONE = (
    "watts",
    "kwh",
    "percent",
    "hours",
    "count",
    "per_day",
    "per_month",
    "per_kwh",
    "months",
    "minutes",
)
WITHOUT_UNIT = {
    "Adjustment.at_most": "money a month",
    "BlockStep.percent_of_band": "percent, by the name of a band",
    "BlockStep.price_by_band": "money per kWh, by the name of a band",
    "ExportCredit.opening_amount": "money",
    "PercentStep.up_to_amount": "money a month",
    "Rounding.kwh_places": "a count of decimal places",
    "LineRounding.to": "money",
    "Rounding.total_to": "money",
    "Rounding.places": "a count of decimal places",
    "Cable.awg": "a gauge number",
    "CriticalAppliance.priority": "a rank",
    "Life.pack_price": "money for one pack",
    "PanelsChoice.price": "money for the panels",
    "Sizing.pack_price": "money for one pack",
    "Sizing.panels_price": "money for the panels",
    "Sizing.unit_price": "money for one unit",
    "Sizing.work_price": "money paid once",
    "Outages.start_weights": "shares relative to each other",
    "Outages.years_observed": "the unit leads the name",
}
"""Numeric settings that need no unit, each with the reason."""

Schema = Mapping[str, Any]


def is_number(schema: Schema) -> bool:
    """Whether a setting takes a number, or a list or table of numbers, in one of its alternatives."""
    inner = [*schema.get("anyOf", ()), *schema.get("oneOf", ())]
    inner += [schema[key] for key in ("items", "additionalProperties") if isinstance(schema.get(key), dict)]
    return schema.get("type") in {"number", "integer"} or any(is_number(part) for part in inner)


def numeric_fields(*roots: type[BaseModel]) -> Iterator[tuple[str, str]]:
    """(model, setting) of every number a file can hold, by the names used in files."""
    for root in roots:
        schema = root.model_json_schema()
        for name, model in {root.__name__: schema, **schema["$defs"]}.items():
            for key, field in model.get("properties", {}).items():
                if is_number(field):
                    yield name, key


def names_its_unit(name: str) -> bool:
    return name in UNITS_ALONE or name.endswith(UNIT_ENDINGS)


NUMBERS = sorted(set(numeric_fields(Scenario, Tariff)))


@pytest.mark.parametrize(("model", "name"), NUMBERS)
def test_every_quantity_names_its_unit(model: str, name: str) -> None:
    assert names_its_unit(name) or f"{model}.{name}" in WITHOUT_UNIT


def test_the_search_reaches_nested_numbers() -> None:
    assert ("Appliance", "hours_per_day") in NUMBERS
    assert ("Charging", "combined_w") in NUMBERS
    assert ("Level", "percent") in NUMBERS
    assert any(name == "import_price_per_kwh" for _, name in NUMBERS)
    assert ("Inverter", "switches_whole_load") not in NUMBERS


def test_exemptions_are_still_needed() -> None:
    present = {f"{model}.{name}" for model, name in NUMBERS}
    assert set(WITHOUT_UNIT) <= present


@pytest.mark.parametrize("name", ["capacity", "price", "soc", "power_factor_limit", "hour", "kwh_count_x"])
def test_a_name_without_unit_is_caught(name: str) -> None:
    assert not names_its_unit(name)


def exceptions_of(module: Any) -> list[type[Exception]]:  # noqa: ANN401 - a module
    return [
        value for value in vars(module).values() if isinstance(value, type) and issubclass(value, Exception)
    ]


EXCEPTIONS = list(dict.fromkeys(exceptions_of(dispatch.errors) + exceptions_of(tariffs.errors)))


@pytest.mark.parametrize("kind", EXCEPTIONS, ids=lambda kind: kind.__name__)
def test_exceptions_survive_pickling(kind: type[Exception]) -> None:
    error = kind("barn.toml: load.watts: write a plain number (got 'x')")
    again = pickle.loads(pickle.dumps(error))  # noqa: S301 - our own bytes
    assert type(again) is kind
    assert str(again) == str(error)
    assert vars(again) == vars(error)


@pytest.mark.parametrize("kind", EXCEPTIONS, ids=lambda kind: kind.__name__)
def test_one_root_catches_every_refusal(kind: type[Exception]) -> None:
    with pytest.raises(dispatch.DispatchError):
        raise kind("barn.toml: load.watts: write a plain number (got 'x')")


def test_both_trees_are_covered() -> None:
    names = {kind.__name__ for kind in EXCEPTIONS}
    assert {"DispatchError", "ScenarioError", "SeriesError", "StoppedEarly", "TariffError"} <= names
