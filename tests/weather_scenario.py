"""Invented weather: a scenario of local days and showers becomes the hourly body of a weather service.

A body has the shape of the service's answer to our own request: times as seconds since 1970 in GMT, a state AT each
stamp and a sum or mean of the hour that ENDS at it. weather_forms.py makes the other services' bodies from these hours.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np

SNOW_CM_PER_MM = 0.7  # the service's own ratio: 7 cm of snow are 10 mm of water
Shower = tuple[datetime, tuple[float, ...], float, bool]

UNITS = {
    "time": "unixtime",
    "temperature_2m": "°C",
    "relative_humidity_2m": "%",
    "dew_point_2m": "°C",
    "precipitation": "mm",
    "precipitation_probability": "%",
    "shortwave_radiation": "W/m²",
    "wind_speed_10m": "m/s",
    "surface_pressure": "hPa",
    "et0_fao_evapotranspiration": "mm",
    "snowfall": "cm",
    "snow_depth": "m",
    "soil_temperature_0cm": "°C",
    "weather_code": "wmo code",
}


@dataclass(frozen=True)
class Day:
    """One local day: extremes of temperature, dew point, share of the sky under cloud, midday wind at 10 m."""

    low_degc: float
    high_degc: float
    dew_degc: float
    cloud: float
    wind_m_s: float


@dataclass(frozen=True, kw_only=True)
class Scenario:
    """Some weeks of invented weather at a place, and the moment from which they are told.

    days      local day -> its weather; days outside hold the nearest one
    showers   (first local hour of rain, mm in each hour from there, greatest chance, thunder)
    morning_utc   hours up to here are past and certain, later ones are forecast
    first_utc, n_hours   the hours that a body holds, by default 15 days back and 12 ahead, from 0:00 UTC
    snow_below_degc   what falls below this temperature falls as snow
    """

    latitude_deg: float
    longitude_deg: float
    elevation_m: float
    zone: ZoneInfo
    morning_utc: datetime
    seed: int
    days: Mapping[date, Day]
    showers: tuple[Shower, ...] = ()
    n_hours: int = 27 * 24
    n_back_days: int = 15
    snow_below_degc: float = 1.0

    @property
    def first_utc(self) -> datetime:
        midnight = self.morning_utc.replace(hour=0, minute=0, second=0, microsecond=0)
        return midnight - timedelta(days=self.n_back_days)

    @property
    def model_run_utc(self) -> datetime:
        return self.morning_utc - timedelta(hours=3, minutes=47, seconds=27)

    @property
    def cell_deg(self) -> tuple[float, float]:
        """Middle of the service's own cell: the place cut to hundredths."""
        return math.trunc(self.latitude_deg * 100.0) / 100.0, math.trunc(self.longitude_deg * 100.0) / 100.0


def day_at(scenario: Scenario, at_utc: datetime) -> tuple[Day, float]:
    """Return the local day's weather and the local hour of a moment."""
    local = at_utc.astimezone(scenario.zone)
    day = min(max(local.date(), min(scenario.days)), max(scenario.days))
    return scenario.days[day], local.hour + local.minute / 60.0


def sun_sine(scenario: Scenario, at_utc: datetime) -> float:
    """Return the sine of the sun's height (a simple almanac formula; equation of time left out, some minutes off)."""
    day_of_year = at_utc.timetuple().tm_yday
    declination = math.radians(23.44) * math.sin(2 * math.pi * (day_of_year - 81) / 365.0)
    solar_h = at_utc.hour + at_utc.minute / 60.0 + scenario.longitude_deg / 15.0
    angle = math.radians(15.0 * (solar_h - 12.0))
    latitude = math.radians(scenario.latitude_deg)
    return math.sin(latitude) * math.sin(declination) + math.cos(latitude) * math.cos(declination) * math.cos(angle)


def vapour_kpa(temp_degc: float) -> float:
    """Return saturation vapour pressure (Magnus form)."""
    return 0.6108 * math.exp(17.27 * temp_degc / (temp_degc + 237.3))


def grass_mm_h(
    temp_degc: float, rh_pct: float, wind_10m_m_s: float, light: tuple[float, float, float], pressure_kpa: float
) -> float:
    """Return the reference evapotranspiration of an hour, never below 0 (ASCE-EWRI 2005, short grass, hourly).

    light   (of the hour, of a clear one [W/m2], share of the sky under cloud), the last of which speaks by night
    """
    shortwave, clear, cloud = light
    vapour = vapour_kpa(temp_degc) * rh_pct / 100.0
    clearness = shortwave / clear if clear > 120.0 else 1.0 - 0.75 * cloud**3.4
    cloudiness = min(max(1.35 * min(max(clearness, 0.3), 1.0) - 0.35, 0.05), 1.0)
    lost = 2.042e-10 * (temp_degc + 273.16) ** 4 * (0.34 - 0.14 * math.sqrt(vapour)) * cloudiness
    net = 0.77 * 0.0036 * shortwave - lost
    heat, cd = (0.1 * net, 0.24) if net > 0.0 else (0.5 * net, 0.96)
    wind = max(0.5, wind_10m_m_s * 4.87 / math.log(67.8 * 10.0 - 5.42))
    slope = 4098.0 * vapour_kpa(temp_degc) / (temp_degc + 237.3) ** 2
    gamma = 0.000665 * pressure_kpa
    dryness = gamma * 37.0 / (temp_degc + 273.0) * wind * (vapour_kpa(temp_degc) - vapour)
    return max(0.0, (0.408 * slope * (net - heat) + dryness) / (slope + gamma * (1.0 + cd * wind)))


def rain_at(scenario: Scenario, stamp_utc: datetime) -> tuple[float, float, bool]:
    """Return (mm, chance, thunder) of the hour that ends at a stamp."""
    chance, amount, is_thunder = 0.0, 0.0, False
    start_utc = stamp_utc - timedelta(hours=1)
    for first, amounts, greatest, thunder in scenario.showers:
        at = round((start_utc - first.astimezone(UTC)) / timedelta(hours=1))
        if 0 <= at < len(amounts):
            amount, is_thunder = amounts[at], thunder and amounts[at] >= 2.0
            chance = max(chance, greatest * (0.7 + 0.3 * min(1.0, amounts[at])))
        else:
            away = -at if at < 0 else at - len(amounts) + 1
            chance = max(chance, greatest * 0.75 * math.exp(-away / 1.5) if greatest < 1.0 else 0.0)
    return amount, chance, is_thunder


def background(scenario: Scenario, stamp_utc: datetime, cloud: float) -> float:
    """Return the small chance of rain that a forecast always leaves, 0 before the morning."""
    days_ahead = (stamp_utc - scenario.morning_utc) / timedelta(days=1)
    return max(0.0, 0.02 * days_ahead * cloud) if days_ahead > 0 else 0.0


def weather_code(rain_mm: float, is_thunder: bool, cloud: float, *, is_snow: bool) -> int:
    """Return the WMO 4677 code as the service uses it."""
    if is_thunder:
        return 95
    if is_snow:
        return 75 if rain_mm >= 2.5 else 73 if rain_mm >= 1.0 else 71
    for least_mm, code in ((2.5, 63), (1.3, 61), (0.6, 53), (0.1, 51)):
        if rain_mm >= least_mm:
            return code
    return 0 if cloud < 0.15 else 1 if cloud < 0.35 else 2 if cloud < 0.7 else 3


def body(scenario: Scenario) -> dict[str, Any]:
    """Return the answer as the service would give it."""
    rng = np.random.default_rng(scenario.seed)
    jitter = rng.normal(0.0, 1.0, size=(scenario.n_hours, 4))
    hourly: dict[str, list[Any]] = {name: [] for name in UNITS}
    snow_m = 0.0
    for hour in range(scenario.n_hours):
        stamp = scenario.first_utc + timedelta(hours=hour)
        day, local_h = day_at(scenario, stamp)
        # Coldest at 05:00, warmest at 15:30 local.
        swing = 0.5 - 0.5 * math.cos(math.pi * _day_share(local_h))
        before, _ = day_at(scenario, stamp - timedelta(hours=12))
        high = day.high_degc if local_h >= 5.0 else before.high_degc
        amount, chance, is_thunder = rain_at(scenario, stamp)
        next_amount, _, _ = rain_at(scenario, stamp + timedelta(hours=1))
        is_wet = amount > 0.0 or next_amount > 0.0
        temp = day.low_degc + swing * (high - day.low_degc) - (2.5 if is_wet else 0.0) + 0.3 * jitter[hour, 0]
        dew = min(day.dew_degc + (2.0 if is_wet else 0.0) + 0.3 * jitter[hour, 1], temp - 0.2)
        humidity = min(100.0, 100.0 * vapour_kpa(dew) / vapour_kpa(temp))
        cloud = min(1.0, max(day.cloud, 0.97 if is_wet else 0.0))
        wind = max(0.4, day.wind_m_s * (0.5 + 0.5 * swing) + 0.4 * jitter[hour, 2] + (2.0 if is_thunder else 0.0))
        snow_cm = SNOW_CM_PER_MM * amount if temp < scenario.snow_below_degc else 0.0
        snow_m = max(0.0, snow_m + snow_cm / 100.0 - 0.002 * max(0.0, temp))
        # The mean of the preceding hour, from six moments in it.
        sines = [max(0.0, sun_sine(scenario, stamp - timedelta(minutes=m))) for m in (5, 15, 25, 35, 45, 55)]
        clear = sum(1361.0 * s * 0.76 for s in sines) / len(sines)
        light = clear * (1.0 - 0.75 * cloud**3.4)
        surface = temp + light / 1000.0 * 11.0 - (1.5 if light == 0.0 and cloud < 0.5 else 0.0)
        pressure = 975.0 + 3.0 * math.cos(2 * math.pi * hour / 150.0) - 3.0 * cloud
        et0 = grass_mm_h(temp, humidity, wind, (light, clear, cloud), pressure / 10.0)
        row = {
            "time": int(stamp.timestamp()),
            "temperature_2m": round(temp, 1),
            "relative_humidity_2m": round(humidity),
            "dew_point_2m": round(dew, 1),
            "precipitation": round(amount, 2),
            "precipitation_probability": round(100 * min(1.0, max(chance, background(scenario, stamp, cloud)))),
            "shortwave_radiation": round(light, 1),
            "wind_speed_10m": round(wind, 2),
            "surface_pressure": round(pressure, 1),
            "et0_fao_evapotranspiration": round(et0, 2),
            "snowfall": round(snow_cm, 2),
            "snow_depth": round(snow_m, 2),
            "soil_temperature_0cm": round(surface, 1),
            "weather_code": weather_code(amount, is_thunder, cloud, is_snow=snow_cm > 0.0),
        }
        for name, value in row.items():
            hourly[name].append(value)
    return answer(*scenario.cell_deg, scenario.elevation_m, hourly)


def answer(latitude_deg: float, longitude_deg: float, elevation_m: float, hourly: Mapping[str, Any]) -> dict[str, Any]:
    """Return the service's answer around hourly columns."""
    return {
        "latitude": latitude_deg,
        "longitude": longitude_deg,
        "generationtime_ms": 0.5,
        "utc_offset_seconds": 0,
        "timezone": "GMT",
        "timezone_abbreviation": "GMT",
        "elevation": elevation_m,
        "hourly_units": UNITS,
        "hourly": hourly,
    }


def _day_share(local_h: float) -> float:
    """Return 0 at 05:00, 1 at 15:30 and back to 0 at 05:00."""
    since = (local_h - 5.0) % 24.0
    return since / 10.5 if since <= 10.5 else 1.0 - (since - 10.5) / 13.5


def text(whole: dict[str, Any]) -> str:
    """Return a body's text: hourly columns one array a line, lists of entries one entry a line."""
    whole = dict(whole)
    hourly = whole.pop("hourly", None)
    if hourly is None:
        return json.dumps(whole, ensure_ascii=False, separators=(",", ":")).replace('},{"', '},\n{"') + "\n"
    head = json.dumps(whole, ensure_ascii=False, indent=1)[:-2]
    lines = ",\n".join(f'  "{name}": {json.dumps(values)}' for name, values in hourly.items())
    return f'{head},\n "hourly": {{\n{lines}\n }}\n}}\n'
