"""A folder of measured soil moisture with daily weather: `stations.csv` and one CSV for each station and year."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pandas as pd

from gonogo.errors import ConfigError, Fault

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Layer:
    """A layer of soil whose mean content is forecast: its thickness, and how much each probe counts."""

    thickness_mm: float
    probes: Mapping[float, float]


LAYERS: dict[str, Layer] = {
    "5cm": Layer(thickness_mm=75.0, probes={5: 1.0}),
    "0-150mm": Layer(thickness_mm=150.0, probes={5: 0.5, 10: 0.5}),
    "0-200mm": Layer(thickness_mm=200.0, probes={5: 0.5, 20: 0.5}),
    "0-300mm": Layer(thickness_mm=300.0, probes={5: 0.25, 10: 0.25, 20: 0.5}),
    "7.5cm": Layer(thickness_mm=100.0, probes={7.5: 1.0}),
}
HOURLY = ("temp_degc", "rh_pct", "wind_2m_m_s", "shortwave_w_m2", "precip_mm")
WEATHER = ("air_temp_max_c", "air_temp_min_c", "precip_mm", "solar_mj_m2", "rh_max_pct", "rh_min_pct", "rh_mean_pct")
MAY_LACK = ("wind_2m_m_s", "air_temp_mean_c", "soil_temp_5cm_c", "soil_temp_7.5cm_c")
EVERY_DAYS = 7  # where a station reports each day, every seventh is taken as a reading
THAWED_SOIL_DEGC, THAWED_AIR_DEGC = 1.0, 4.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Station:
    """Where a station stands. `is_scored` is false where ground water is presumed near."""

    id: str
    latitude_deg: float
    longitude_deg: float
    elevation_m: float
    climate: str
    soil_class: str
    is_scored: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class StationYear:
    """One file: days of weather as measured (NaN where not), and the layer's content on days when it was read.

    theta     (D,) m3/m3, NaN on days without a reading
    readings  indices of the days that count as readings, rising
    hourly    weather of each hour of those days by name of HOURLY, None where the folder has days alone
    """

    station: Station
    year: int
    thickness_mm: float
    day: npt.NDArray[np.datetime64]
    weather: Mapping[str, Floats] = field(repr=False)
    theta: Floats = field(repr=False)
    readings: npt.NDArray[np.int64] = field(repr=False)
    hourly: Mapping[str, Floats] | None = field(repr=False, default=None)


def stations(folder: Path) -> dict[str, Station]:
    """Return the stations of a folder by id. Raises ConfigError where stations.csv is missing or lacks a column."""
    path = folder / "stations.csv"
    table = _table(path, ("id", "lat", "elevation_m"), {"id": str, "years": str})
    climate = table["climate"].astype(str) if "climate" in table else pd.Series("", index=table.index)
    shallow = table["shallow_water_table"] == "yes" if "shallow_water_table" in table else climate == "yes"
    east = table["lon"] if "lon" in table else pd.Series(0.0, index=table.index)
    soil = table["soil_texture"] if "soil_texture" in table else pd.Series("", index=table.index)
    rows = zip(table["id"], table["lat"], east, table["elevation_m"], climate, soil, shallow, strict=True)
    return {
        str(name): Station(
            id=str(name),
            latitude_deg=_number(path, name, "lat", lat),
            longitude_deg=_number(path, name, "lon", east),
            elevation_m=_number(path, name, "elevation_m", elevation),
            climate=str(kind),
            soil_class=str(texture).partition("(")[0].strip().replace(" ", "_"),
            is_scored=not bool(is_shallow),
        )
        for name, lat, east, elevation, kind, texture, is_shallow in rows
    }


def files(folder: Path, known: Mapping[str, Station]) -> list[Path]:
    """Return the files of station-years, in order of name. Raises ConfigError where there is none."""
    found = [p for p in sorted(folder.glob("*_*.csv")) if p.stem.rpartition("_")[0] in known]
    if not found:
        wrong, right = "no file of a station and year.", "Each is named like uscrn-03048_2020.csv."
        raise ConfigError([Fault(place=str(folder), key="files", value="", wrong=wrong, right=right)])
    return found


def having(paths: Sequence[Path], layer: Layer) -> list[Path]:
    """Return the files that have the layer's probes. Raises ConfigError where none has."""
    probes = [f"soil_moisture_{depth}cm_m3_m3" for depth in layer.probes]
    found = [path for path in paths if set(probes) <= set(_table(path, (), {}, n_rows=0).columns)]
    if not found:
        wrong, right = "no file has it.", f"Each needs {', '.join(probes)}. Choose another --layer."
        raise ConfigError([Fault(place=str(paths[0].parent), key="layer", value="", wrong=wrong, right=right)])
    return found


def read(path: Path, station: Station, layer: Layer) -> StationYear:
    """Return one file. Raises ConfigError where it lacks a column, holds no number, or skips a day."""
    probes = {f"soil_moisture_{depth}cm_m3_m3": share for depth, share in layer.probes.items()}
    table = _table(path, ("date_local_standard", *WEATHER, *probes), {})
    day = pd.to_datetime(table["date_local_standard"], errors="coerce").to_numpy(dtype="datetime64[D]")
    if np.isnat(day).any() or (len(day) > 1 and np.any(np.diff(day) != np.timedelta64(1, "D"))):
        wrong, right = "days are missing, out of order or no dates.", "Give one row a day, as 2020-05-12."
        raise ConfigError([Fault(place=str(path), key="date_local_standard", value="", wrong=wrong, right=right)])
    weather = {name: _column(path, table, name) for name in (*WEATHER, *MAY_LACK)}
    measured = np.zeros(len(day))
    for name, share in probes.items():
        measured = measured + share * _column(path, table, name)
    readings = _reading_days(measured, day, weather)
    return StationYear(
        station=station,
        year=int(str(day[0])[:4]) if len(day) else 0,
        thickness_mm=layer.thickness_mm,
        day=day,
        weather=weather,
        theta=measured,
        readings=readings,
        hourly=_hourly(path, day, station),
    )


def first_hour(day: npt.NDArray[np.datetime64], station: Station) -> np.datetime64:
    """Return the UTC hour at which the first day begins: days are of local standard time, whole hours from UTC."""
    if not len(day):
        return np.datetime64(0, "h")
    first: np.datetime64 = day[0].astype("datetime64[h]") - np.timedelta64(round(station.longitude_deg / 15.0), "h")
    return first


def _hourly(path: Path, day: npt.NDArray[np.datetime64], station: Station) -> dict[str, Floats] | None:
    """The hours of a station-year from the folder `hourly` beside its file, None where there is none."""
    beside = path.parent / "hourly" / path.name
    if not beside.is_file():
        return None
    table = _table(beside, ("time_utc", *HOURLY), {})
    at = (
        pd.to_datetime(table["time_utc"], errors="coerce", utc=True)
        .dt.tz_localize(None)
        .to_numpy(dtype="datetime64[h]")
    )
    place = (at - first_hour(day, station)).astype(np.int64)
    if np.isnat(at).any() or np.any(np.diff(place) <= 0):
        wrong, right = "hours are out of order, double or no times.", "Give one row an hour, as 2022-01-01T06:00Z."
        raise ConfigError([Fault(place=str(beside), key="time_utc", value="", wrong=wrong, right=right)])
    held = (place >= 0) & (place < 24 * len(day))
    out = {}
    for name in HOURLY:
        out[name] = np.full(24 * len(day), np.nan)
        out[name][place[held]] = _column(beside, table, name)[held]
    return out


def _reading_days(
    theta: Floats, day: npt.NDArray[np.datetime64], weather: Mapping[str, Floats]
) -> npt.NDArray[np.int64]:
    """The days that count as readings: all that hold a value; of a daily record every seventh from the first fit."""
    held = np.flatnonzero(np.isfinite(theta))
    if held.size < 2 or not np.any(np.diff(held) == 1):
        return held
    fit = np.flatnonzero(fit_days(day, weather) & np.isfinite(theta))
    return fit[(fit - fit[0]) % EVERY_DAYS == 0] if fit.size else fit


def fit_days(day: npt.NDArray[np.datetime64], weather: Mapping[str, Floats]) -> npt.NDArray[np.bool_]:
    """Return the days (D,) of the thawed season whose rain, sun and temperature are known."""
    month_day = np.array([str(d)[5:] for d in day])
    in_season = (month_day >= "03-01") & (month_day <= "11-20")
    soil, air = weather["soil_temp_5cm_c"], weather["air_temp_mean_c"]
    soil = np.where(np.isfinite(soil), soil, weather["soil_temp_7.5cm_c"])
    is_thawed = np.where(np.isfinite(soil), soil > THAWED_SOIL_DEGC, air > THAWED_AIR_DEGC)
    is_fit = in_season & is_thawed
    for name in ("precip_mm", "solar_mj_m2", "air_temp_max_c", "air_temp_min_c"):
        is_fit &= np.isfinite(weather[name])
    return np.asarray(is_fit, dtype=np.bool_)


def _table(path: Path, columns: tuple[str, ...], kinds: dict[str, type], n_rows: int | None = None) -> pd.DataFrame:
    try:
        table = pd.read_csv(path, dtype=kinds, nrows=n_rows)
    except (OSError, ValueError, UnicodeDecodeError) as error:
        wrong = f"cannot be read: {str(error).splitlines()[0]}."
        right = "Give a CSV file with a header row."
        raise ConfigError([Fault(place=str(path), key="file", value="", wrong=wrong, right=right)]) from error
    right = f"Columns needed: {', '.join(columns)}."
    lacking = [
        Fault(place=str(path), key=name, value="", wrong="no such column.", right=right)
        for name in columns
        if name not in table
    ]
    if lacking:
        raise ConfigError(lacking)
    return table


def _number(path: Path, row: object, key: str, value: object) -> float:
    try:
        number = float(str(value))
    except ValueError:
        number = np.nan
    if not np.isfinite(number):
        wrong, right = "not a number.", "For example 39.1."
        raise ConfigError([Fault(place=str(path), key=f"{row}.{key}", value=str(value), wrong=wrong, right=right)])
    return number


def _column(path: Path, table: pd.DataFrame, name: str) -> Floats:
    """A column as numbers, NaN where it is empty; all NaN where there is none and it may lack."""
    if name not in table:
        return np.full(len(table), np.nan)
    numbers = pd.to_numeric(table[name], errors="coerce")
    bad = numbers.isna() & table[name].notna()
    if bad.any():
        row = int(np.flatnonzero(bad.to_numpy())[0])
        value, key = str(table[name].iloc[row]), f"row {row + 2}.{name}"
        wrong, right = "not a number.", "Leave the field empty where nothing was measured."
        raise ConfigError([Fault(place=str(path), key=key, value=value, wrong=wrong, right=right)])
    return numbers.to_numpy(dtype=np.float64)
