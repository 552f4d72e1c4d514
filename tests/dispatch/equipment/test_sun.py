"""Sun from weather against the SPA report, ASHRAE's clear days, pvlib itself, and bad weather."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import pytest

from dispatch.equipment.sun import LOSSES, sun_from_weather
from dispatch.equipment.weather import Place, solar_position, weather_at
from dispatch.errors import ScenarioError, SeriesError
from dispatch.scenario.solar import Solar

if TYPE_CHECKING:
    from collections.abc import Callable

    from dispatch.equipment.sun import SunYear

pvlib = pytest.importorskip("pvlib")

DATA = Path(pvlib.__file__).parent / "data"
GREENSBORO = "723170TYA.CSV"  # TMY3, shipped with pvlib (BSD-3)
PLACE = Place(36.1, -79.95, 273.0)
BIG = {"name": "a", "lowest_v": 1.0, "highest_v": 900.0, "operating_a": 90.0, "most_w": 90000.0}
ONE_KW = {  # a sheet of 1,000 W, no real module
    "name": "m",
    "stc_w": 1000.0,
    "voc_v": 120.0,
    "isc_a": 10.8,
    "vmp_v": 100.0,
    "imp_a": 10.0,
    "voc_percent_per_k": -0.3,
    "pmp_percent_per_k": -0.37,
}


def year(zone: str = "Etc/GMT+5", first: int = 2023, step: str = "h") -> pd.DatetimeIndex:
    return pd.date_range(f"{first}-01-01", f"{first + 1}-01-01", freq=step, tz=zone, inclusive="left")


def solar(tilt: float = 30.0, azimuth: float = 180.0, **settings: Any) -> Solar:  # noqa: ANN401 - of several types
    wired = {"input": "a", "module": "m", "series_count": 1, "tilt_degrees": tilt, "azimuth_degrees": azimuth}
    given = {"coldest_c": -20.0, "hottest_c": 38.0, "modules": [ONE_KW], "inputs": [BIG], "strings": [wired]}
    return Solar.model_validate({**given, **settings})


def greensboro(**settings: Any) -> SunYear:  # noqa: ANN401 - of several types
    return sun_from_weather(solar(**settings), GREENSBORO, DATA, PLACE, year(), 1.0)


def test_the_sun_stands_where_the_spa_report_says() -> None:
    """NREL/TP-560-34302 (Reda and Andreas), table A5.1: zenith 50.11162, azimuth 194.34024 degrees, with refraction."""
    place = Place(39.742476, -105.1786, 1830.14)
    start = pd.DatetimeIndex([pd.Timestamp("2003-10-17T12:00:30-07:00")])
    found = solar_position(pvlib, place, start, 1.0)  # the middle of the step is 12:30:30
    assert found["apparent_zenith"].iloc[0] == pytest.approx(50.11162, abs=2e-3)  # standard air, not 820 mbar
    assert found["azimuth"].iloc[0] == pytest.approx(194.34024, abs=1e-4)


# annual sums of the file's own columns, kWh/m2 (computed from the file; no published totals found)
@pytest.mark.parametrize(("name", "total"), [("ghi", 1566.203), ("dni", 1476.549), ("dhi", 682.223)])
def test_the_typical_year_keeps_the_sums_of_its_file(name: str, total: float) -> None:
    weather = weather_at(GREENSBORO, DATA, PLACE, year(), 1.0)
    assert getattr(weather, name).sum() / 1000 == pytest.approx(total, abs=2e-3)
    assert weather.kind == "typical year"
    assert weather.air_c.min() == pytest.approx(-16.7)


def test_the_typical_year_of_another_place() -> None:
    """703165TY.csv, Sand Point, Alaska: 829.243, 819.209 and 460.947 kWh/m2 (computed from the file)."""
    place = Place(55.317, -160.517, 7.0)
    weather = weather_at("703165TY.csv", DATA, place, year("Etc/GMT+9"), 1.0)
    sums = [float(series.sum()) / 1000 for series in (weather.ghi, weather.dni, weather.dhi)]
    assert sums == pytest.approx([829.243, 819.209, 460.947], abs=2e-3)


def test_epw_and_tmy3_of_the_same_weather_give_the_same_sun(tmp_path: Path) -> None:
    """The TMY3 file rewritten as EPW (EnergyPlus Auxiliary Programs: 8 lines of header, 35 columns, hours 1 to 24)."""
    table, _ = pvlib.iotools.read_tmy3(str(DATA / GREENSBORO), map_variables=True)
    head = ["LOCATION,Greensboro,NC,USA,TMY3,723170,36.1,-79.95,-5.0,273.0", *["DESIGN CONDITIONS,0"] * 7]
    rows = []
    for at, row in enumerate(table.itertuples()):
        day = pd.Timestamp("2023-01-01") + pd.Timedelta(hours=at)
        fields: list[object] = [day.year, day.month, day.day, day.hour + 1, 0, "x", *["0"] * 29]
        fields[6], fields[21] = row.temp_air, row.wind_speed
        fields[13], fields[14], fields[15] = row.ghi, row.dni, row.dhi
        rows.append(",".join(map(str, fields)))
    (tmp_path / "g.epw").write_text("\n".join([*head, *rows]) + "\n", encoding="utf-8")
    found = sun_from_weather(solar(), "g.epw", tmp_path, PLACE, year(), 1.0)
    assert found.kind == "typical year"
    assert found.delivered_kwh == pytest.approx(greensboro().delivered_kwh, abs=1e-6)
    by_itself = sun_from_weather(solar(), "g.epw", tmp_path, None, year(), 1.0)  # the file knows where it is
    assert by_itself.delivered_kwh.sum() == pytest.approx(found.delivered_kwh.sum(), rel=1e-9)


def test_the_months_are_those_of_the_file() -> None:
    """Daily mean global sun by month, kWh/m2 (computed from the file)."""
    weather = weather_at(GREENSBORO, DATA, PLACE, year(), 1.0)
    months = year().month.to_numpy()
    means = [float(weather.ghi[months == m].sum()) / 1000 / (np.sum(months == m) / 24) for m in range(1, 13)]
    expected = [2.41, 3.06, 4.25, 5.41, 5.64, 6.25, 6.08, 5.61, 4.43, 3.59, 2.43, 2.24]
    assert means == pytest.approx(expected, abs=0.006)


def test_a_zone_with_summer_time_and_a_leap_year_lose_no_sun() -> None:
    plain = weather_at(GREENSBORO, DATA, PLACE, year(), 1.0)
    local = weather_at(GREENSBORO, DATA, PLACE, year("America/New_York"), 1.0)
    assert local.ghi.sum() == pytest.approx(plain.ghi.sum(), rel=1e-12)
    leap = weather_at(GREENSBORO, DATA, PLACE, year(first=2024), 1.0)
    assert len(leap.ghi) == 8784
    assert leap.ghi.sum() > plain.ghi.sum()
    quarter = weather_at(GREENSBORO, DATA, PLACE, year(step="15min"), 0.25)
    assert quarter.ghi.sum() / 4 == pytest.approx(plain.ghi.sum(), rel=1e-12)


def test_a_fixed_array_of_one_kw_is_what_pvlib_computes() -> None:
    """The same models called directly, from the file's own rows, without a line of ours."""
    table, about = pvlib.iotools.read_tmy3(str(DATA / GREENSBORO), coerce_year=2023, map_variables=True)
    middle = table.index - pd.Timedelta(minutes=30)  # rows are labelled by the end of their hour
    middle = middle.where(middle.year == 2023, middle - pd.DateOffset(years=1))
    at = pvlib.solarposition.get_solarposition(
        middle, about["latitude"], about["longitude"], about["altitude"]
    )
    numbers = {name: table[name].to_numpy() for name in ("dni", "ghi", "dhi", "temp_air", "wind_speed")}
    zenith, azimuth = at["apparent_zenith"].to_numpy(), at["azimuth"].to_numpy()
    plane = pvlib.irradiance.get_total_irradiance(
        30,
        180,
        zenith,
        azimuth,
        numbers["dni"],
        numbers["ghi"],
        numbers["dhi"],
        dni_extra=pvlib.irradiance.get_extra_radiation(middle.day_of_year.to_numpy()),
        model="haydavies",
        albedo=0.2,
    )
    glass = pvlib.iam.physical(pvlib.irradiance.aoi(30, 180, zenith, azimuth))
    light = np.nan_to_num(plane["poa_direct"] * glass + plane["poa_diffuse"])
    cells = pvlib.temperature.faiman(
        np.nan_to_num(plane["poa_global"]), numbers["temp_air"], numbers["wind_speed"]
    )
    power = np.maximum(light, 0) / 1000 * np.maximum(1 - 0.0037 * (cells - 25), 0)
    ours = greensboro()
    assert ours.delivered_kwh.sum() == pytest.approx(float(power.sum()), rel=1e-3)
    assert ours.delivered_kwh.max() == pytest.approx(float(power.max()), rel=2e-3)


# ASHRAE clear-day totals on the 21st at 40 N, horizontal, kWh/m2 (Btu/ft2: 948, 1852, 2648, 1788, 782; from memory).
# Its declinations are -20, 0, 23.45, 0 and -23.45 degrees: in September the sun of 2023 stands there on the 23rd.
@pytest.mark.parametrize(
    ("date", "horizontal", "apparent", "extinction", "diffuse"),
    [
        ("2023-01-21", 2.99, 390.0, 0.142, 0.058),
        ("2023-03-20", 5.84, 376.0, 0.156, 0.071),
        ("2023-06-21", 8.35, 345.0, 0.205, 0.134),
        ("2023-09-23", 5.64, 365.0, 0.177, 0.092),
        ("2023-12-21", 2.47, 391.0, 0.142, 0.057),
    ],
)
def test_ashrae_clear_days_pass_through_our_own_chain(  # noqa: PLR0917 - a row of the table
    tmp_path: Path, date: str, horizontal: float, apparent: float, extinction: float, diffuse: float
) -> None:
    """The clear-sky model of the handbook written as a CSV, read and laid on a flat panel."""
    place = Place(40.0, 0.0, 0.0)
    times = pd.date_range(date, periods=96, freq="15min", tz="UTC")
    height = np.radians(90 - solar_position(pvlib, place, times, 0.25)["zenith"].to_numpy())
    up = height > 0.01
    direct = np.where(up, apparent * 3.15459 * np.exp(-extinction / np.sin(np.where(up, height, 1.0))), 0.0)
    rows = pd.DataFrame(
        {
            "time": [t.isoformat() for t in times],
            "ghi_w_per_m2": direct * (np.sin(height) + diffuse) * up,
            "dni_w_per_m2": direct,
            "dhi_w_per_m2": direct * diffuse,
            "air_c": 20.0,
        }
    )
    rows.to_csv(tmp_path / "clear.csv", index=False)
    found = sun_from_weather(solar(tilt=0.0), "clear.csv", tmp_path, place, times, 0.25)
    # per kW rated the light on the plane in kWh/m2; the handbook sums full hours of solar time
    assert found.plane_kwh.sum() == pytest.approx(horizontal, rel=0.01)


def test_nothing_goes_missing_between_light_and_device() -> None:
    shaded = {
        "horizon_degrees": [(90.0, 10.0), (180.0, 20.0)],
        "shade_fraction": [0.1] * 12,
        "soiling_fraction": [0.03] * 12,
        "snow_fraction": [0.4, 0.2, *[0.0] * 9, 0.1],
    }
    limited = {**BIG, "operating_a": 7.0, "most_w": 600.0}
    wired = {"input": "a", "module": "m", "series_count": 1, "tilt_degrees": 20.0, "azimuth_degrees": 200.0}
    cable = {"awg": 10, "length_m": 20.0}
    found = greensboro(**shaded, inputs=[limited], strings=[{**wired, "cable": cable}])
    assert tuple(found.lost_kwh) == LOSSES
    lost = sum(found.lost_kwh.values())
    assert found.delivered_kwh + lost == pytest.approx(found.plane_kwh, abs=1e-9)
    for name in set(LOSSES) - {"cell temperature"}:
        assert found.lost_kwh[name].sum() > 0, name
        assert found.lost_kwh[name].min() >= -1e-9, name
    assert found.delivered_kwh.max() <= 0.6 + 1e-9
    snowy = found.lost_kwh["snow"]
    assert snowy[year().month == 7].sum() == 0


def test_panels_facing_the_equator_at_the_latitude_beat_flat_and_turned_ones() -> None:
    flat, tilted, turned = (
        greensboro(tilt=t, azimuth=a).delivered_kwh.sum() for t, a in ((0, 180), (33, 180), (33, 0))
    )
    assert tilted > flat > turned


def test_a_clear_sky_is_labelled_and_is_more_than_the_typical_year() -> None:
    clear = sun_from_weather(solar(), "clear-sky", DATA, PLACE, year(), 1.0)
    assert clear.kind == "clear sky"
    assert any("the most there can be" in note for note in clear.notes)
    assert clear.delivered_kwh.sum() > 1.2 * greensboro().delivered_kwh.sum()
    assert any("typical weather" in note for note in greensboro().notes)


# ---- weather that does not belong --------------------------------------------------------------------------
def test_another_hemisphere_is_refused() -> None:
    with pytest.raises(
        ScenarioError, match=r"latitude 36\.1, the other hemisphere than site\.latitude_degrees = -36\.1"
    ):
        sun_from_weather(solar(), GREENSBORO, DATA, Place(-36.1, -79.95, 273.0), year(), 1.0)


def test_a_longitude_that_does_not_go_with_the_clock_is_refused() -> None:
    with pytest.raises(
        ScenarioError, match=r"site\.longitude_degrees: 79\.95 is 10 h of sun away from the clock"
    ):
        sun_from_weather(solar(), "clear-sky", DATA, Place(36.1, 79.95, 273.0), year(), 1.0)


def test_panels_facing_away_from_the_equator_are_asked_about() -> None:
    assert any("is that meant?" in note for note in greensboro(azimuth=10.0).notes)
    assert not any("is that meant?" in note for note in greensboro(azimuth=100.0).notes)


def test_another_longitude_is_refused() -> None:
    with pytest.raises(ScenarioError, match=r"degrees from site\.longitude_degrees = -120"):
        sun_from_weather(solar(), GREENSBORO, DATA, Place(36.1, -120.0, 273.0), year(), 1.0)


def test_a_series_on_the_wrong_clock_shows_sun_at_night(tmp_path: Path) -> None:
    weather = weather_at(GREENSBORO, DATA, PLACE, year(), 1.0)
    rows = {
        "time": [t.isoformat() for t in year()],
        "ghi_w_per_m2": np.roll(weather.ghi, 6),
        "dni_w_per_m2": np.roll(weather.dni, 6),
        "dhi_w_per_m2": np.roll(weather.dhi, 6),
        "air_c": weather.air_c,
    }
    pd.DataFrame(rows).to_csv(tmp_path / "late.csv", index=False)
    with pytest.raises(ScenarioError, match="shows sun at night"):
        sun_from_weather(solar(), "late.csv", tmp_path, PLACE, year(), 1.0)


@pytest.mark.parametrize(
    ("spoil", "kind", "said"),
    [
        (lambda rows: rows.drop(columns="dni_w_per_m2"), SeriesError, "no column dni_w_per_m2"),
        (lambda rows: rows.drop(index=5), SeriesError, "1 of 24 steps have no weather"),
        (lambda rows: rows.assign(time=rows["time"].str[:19]), SeriesError, "no offset"),
        (lambda rows: pd.concat([rows, rows.iloc[[3]]]), SeriesError, "stands there twice"),
        (lambda rows: rows.assign(ghi_w_per_m2=-1.0), SeriesError, "below zero"),
        (lambda rows: rows.assign(air_c="mild"), SeriesError, "no number"),
    ],
)
def test_a_series_that_cannot_be_used_is_refused(
    tmp_path: Path, spoil: Callable[[pd.DataFrame], pd.DataFrame], kind: type[Exception], said: str
) -> None:
    times = pd.date_range("2023-06-01", periods=24, freq="h", tz="Etc/GMT+5")
    rows = pd.DataFrame({"time": [t.isoformat() for t in times], "air_c": 20.0})
    for name in ("ghi_w_per_m2", "dni_w_per_m2", "dhi_w_per_m2"):
        rows[name] = 0.0
    spoil(rows).to_csv(tmp_path / "w.csv", index=False)
    with pytest.raises(kind, match=said):
        sun_from_weather(solar(), "w.csv", tmp_path, PLACE, times, 1.0)


def test_a_file_that_is_no_weather_and_one_that_is_not_there(tmp_path: Path) -> None:
    (tmp_path / "odd.epw").write_text("not weather\n", encoding="utf-8")
    with pytest.raises(SeriesError, match="not readable as EPW weather"):
        sun_from_weather(solar(), "odd.epw", tmp_path, PLACE, year(), 1.0)
    with pytest.raises(ScenarioError, match="no such file"):
        sun_from_weather(solar(), "none.csv", tmp_path, PLACE, year(), 1.0)


def test_without_the_extra_the_install_line_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "pvlib", None)
    with pytest.raises(ScenarioError, match=r"pip install 'tou-dispatch\[solar\]'"):
        greensboro()


@pytest.mark.parametrize("missing", ["tilt_degrees", "azimuth_degrees"])
def test_panels_that_face_nowhere_are_refused(missing: str) -> None:
    wired = {"input": "a", "module": "m", "series_count": 1, "tilt_degrees": 20.0, "azimuth_degrees": 200.0}
    with pytest.raises(ScenarioError, match=missing):
        greensboro(strings=[{key: value for key, value in wired.items() if key != missing}])
