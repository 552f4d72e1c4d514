"""A scenario folder before it is written, for tests that invent their households.

A draft can be written as TOML and CSV and read back through the public loader, which exercises the whole file
path, or turned into a `Case` by the models alone, which is faster.
"""

from __future__ import annotations

import io
import tempfile
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

import tariffs
from dispatch.case.case import Case, build_case, load_scenario
from dispatch.case.limits import resolve_limits
from dispatch.case.series import Series, appliances_kwh
from dispatch.scenario.model import Scenario

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from dispatch.flows import Flows


@dataclass(frozen=True)
class Draft:
    """One scenario folder before it is written."""

    settings: Mapping[str, Any]
    """The scenario file."""
    tariff: Mapping[str, Any]
    """The tariff file."""
    times: pd.DatetimeIndex
    """Start of every step, on the site's clock."""
    columns: Mapping[str, NDArray[np.float64]] = field(default_factory=dict)
    """Columns of series.csv; their names carry the unit."""
    clock: str = "offset"
    """How times are written: "offset", "utc" or "naive"."""

    def write(self, folder: Path) -> Path:
        """Write scenario.toml, tariff.toml and series.csv; return the scenario's path."""
        folder.mkdir(parents=True, exist_ok=True)
        (folder / "tariff.toml").write_text(toml_text(self.tariff), encoding="utf-8")
        if self.columns:
            (folder / "series.csv").write_text(self.series_text(), encoding="utf-8")
        path = folder / "scenario.toml"
        path.write_text(toml_text(self.settings), encoding="utf-8")
        return path

    def read_back(self) -> Case:
        """Write the folder and load it as a user would."""
        with tempfile.TemporaryDirectory() as folder:
            return load_scenario(self.write(Path(folder)))

    def case(self) -> Case:
        """Build the case by the models, without files."""
        scenario = Scenario.model_validate(self.settings)
        path = Path("draft/scenario.toml")
        hours = (self.times[1] - self.times[0]) / pd.Timedelta(hours=1)
        energies = {name: self._energy_kwh(name, scenario, hours) for name in ("load", "other_load", "sun")}
        critical = self._energy_kwh("critical_load", scenario, hours)
        series = Series(
            times=self.times,
            dt_hours=hours,
            load_kwh=energies["load"],
            other_kwh=energies["other_load"],
            critical_kwh=energies["load"] if scenario.critical_load is None else critical,
            sun_kwh=energies["sun"],
            load_path=None,
            load_lines=None,
            notes=(),
        )
        tariff = tariffs.parse_tariff(toml_text(self.tariff), "draft/tariff.toml")
        return build_case(scenario, resolve_limits(scenario), tariff, series, path)

    def _energy_kwh(self, section: str, scenario: Scenario, hours: float) -> NDArray[np.float64]:
        source = getattr(scenario, section)
        if source is None:
            return np.zeros(len(self.times))
        if source.csv is not None:
            unit = source.column.rsplit("_", 1)[1]
            return np.asarray(self.columns[source.column] * kwh_per(unit, hours))
        if source.watts is not None:
            return np.full(len(self.times), source.watts / 1000 * hours)
        return np.asarray(appliances_kwh(source.appliances, self.times, hours))

    def series_text(self) -> str:
        """Write the CSV, full precision."""
        labels = {
            "offset": [stamp.isoformat() for stamp in self.times],
            "utc": [stamp.strftime("%Y-%m-%dT%H:%M:%SZ") for stamp in self.times.tz_convert("UTC")],
            "naive": [stamp.strftime("%Y-%m-%d %H:%M") for stamp in self.times],
        }[self.clock]
        out = io.StringIO()
        pd.DataFrame({"time": labels, **self.columns}).to_csv(out, index=False)
        return out.getvalue()

    def changed(self, **sections: Any) -> Draft:  # noqa: ANN401 - sections hold values of several types
        """Copy with settings replaced; None removes.

        ``changed(battery={"pack_count": 2, "start": None}, sun=None)`` updates one section and drops another.
        """
        settings = dict(self.settings)
        for name, value in sections.items():
            old = settings.get(name)
            both = {**old, **value} if isinstance(old, dict) and isinstance(value, dict) else value
            kept = (
                {key: item for key, item in both.items() if item is not None}
                if isinstance(both, dict)
                else both
            )
            settings[name] = kept
        return replace(self, settings={key: value for key, value in settings.items() if value is not None})


def toml_text(table: Mapping[str, Any], prefix: str = "") -> str:
    """Write nested plain values as TOML: numbers, text, lists, tables and lists of tables."""
    lines, later = [], []
    for key, value in table.items():
        name = f"{prefix}{_key(key)}"
        if isinstance(value, dict) and prefix.count(".") < 1 and not _is_inline(value):
            later.append(f"\n[{name}]\n{toml_text(value, name + '.')}")
        elif isinstance(value, list) and value and all(isinstance(item, dict) for item in value):
            later += [f"\n[[{name}]]\n{toml_text(item, name + '.')}" for item in value]
        else:
            lines.append(f"{_key(key)} = {_value(value)}\n")
    return "".join(lines) + "".join(later)


def _key(key: str) -> str:
    return key if key.replace("-", "").replace("_", "").isalnum() else f'"{key}"'


def _is_inline(value: Mapping[str, Any]) -> bool:
    return set(value) <= {"kwh", "percent"} and len(value) == 1 and "hours" not in value


def _value(value: Any) -> str:  # noqa: ANN401 - whatever TOML can hold
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return f'"{value}"'
    if isinstance(value, list | tuple):
        return "[" + ", ".join(_value(item) for item in value) + "]"
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{_key(key)} = {_value(item)}" for key, item in value.items()) + " }"
    return repr(float(value)) if isinstance(value, float | np.floating) else repr(int(value))


def kwh_per(unit: str, hours: float) -> float:
    """Energy in a step that one of this unit stands for. [kWh]."""
    return {"w": hours * 1e-3, "kw": hours, "wh": 1e-3, "kwh": 1.0}[unit]


def plain_draft(
    import_price: list[float],
    *,
    load_kw: list[float] | float = 0.0,
    sun_kw: list[float] | None = None,
    export_price: list[float] | None = None,
    **sections: Mapping[str, Any],
) -> Draft:
    """One day or less of hourly steps with ideal hardware, for cases small enough to solve by hand.

    Prices are per clock hour from midnight on. Without further ``sections`` (which update the settings' own)
    nothing is lost anywhere, the battery holds 1 kWh and starts and ends empty, and no limit binds.
    """
    hours = len(import_price)
    sold = export_price or [0.0] * hours
    columns = {"load_kw": np.broadcast_to(np.asarray(load_kw, dtype=float), (hours,)).copy()}
    settings: dict[str, Any] = {
        "name": "by hand",
        "tariff": "tariff.toml",
        "site": {"time_zone": "UTC", "currency": "EUR"},
        "load": {"csv": "series.csv", "column": "load_kw"},
        "battery": {
            "pack_kwh": 1.0,
            "depth_of_discharge_fraction": 1.0,
            "charger_efficiency_fraction": 1.0,
            "solar_charge_efficiency_fraction": 1.0,
            "discharge_efficiency_fraction": 1.0,
            "start": {"kwh": 0.0},
            "closing": {"kwh": 0.0},
        },
        "inverter": {"continuous_w": 1e6, "efficiency_fraction": 1.0, "idle_on_w": 0.0},
        "charging": {"grid_w": 1e6, "solar_w": 1e6, "combined_w": 1e6},
        "grid": {"feed_in": "none" if export_price is None else "grid"},
    }
    if sun_kw is not None:
        columns["sun_kw"] = np.asarray(sun_kw, dtype=float)
        settings["sun"] = {"csv": "series.csv", "column": "sun_kw"}
    pairs = list(zip(import_price, sold, strict=True))
    bands = {f"price {i}": pair for i, pair in enumerate(dict.fromkeys(pairs))}
    name_of = {pair: name for name, pair in bands.items()}
    tariff = {
        "name": "by hand",
        "currency": "EUR",
        "bands": {
            name: {"import_price_per_kwh": bought, "export_price_per_kwh": given}
            for name, (bought, given) in bands.items()
        },
        "windows": [
            {"band": name_of[pair], "from": f"{hour:02d}:00", "to": f"{hour + 1:02d}:00"}
            for hour, pair in enumerate(pairs)
        ],
        "other_hours": name_of[pairs[-1]],
    }
    if hours == 24:
        del tariff["other_hours"]  # nothing is left for it
    times = pd.date_range("2025-06-02", periods=hours, freq="h", tz="UTC")
    return Draft(settings, tariff, times, columns).changed(**sections)


def flows_table(flows: Flows) -> pd.DataFrame:
    """Lay out what the CSV holds, straight from the objects."""
    case = flows.case
    inputs = {
        "load_kwh": case.load_kwh,
        "other_kwh": case.other_kwh,
        "idle_kwh": case.idle_kwh,
        "sun_kwh": case.sun_kwh,
        "floor_kwh": case.floor_kwh,
    }
    return pd.concat([pd.DataFrame(inputs, index=case.times), flows.frame], axis=1)
