"""Write the invented weather of the demo and of the tests: fixtures/weather/<service>/harrow_flats.json.

    python tests/make_fixtures.py            writes the files
    python tests/make_fixtures.py --check    exit code 1 where a file differs from what would be written

One story, told in the form of each service: the other bodies are made from the first one's hours.

Place and weather are invented. The body has the shape of the service's answer to our own request: times as seconds
since 1970 in GMT, 15 days back and 12 ahead, a state AT each stamp and a sum or mean of the hour that ENDS at it.
The story, in local days of America/Chicago (the morning is Tuesday 2026-05-12, asked at 05:00):

    04-27 to 05-06  ordinary spring with two showers
    05-07, 05-08    rain, 9 mm and 5 mm
    05-09           clearing, breezy
    05-10, 05-11    two sunny drying days
    05-12           dry and warm until late afternoon, then 8 mm with thunder, 17:00 to 22:00
    05-13           wet, 14 mm
    05-14           1 mm early, clearing at noon
    05-15 to 05-17  sunny, drying
    05-18           an afternoon shower of 5 mm
    05-19 to 05-22  mixed, 2 mm on 05-21
    Ahead of the morning every hour has a small chance of rain that grows with the days and the clouds.
"""

from __future__ import annotations

import json
import math
import sys
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np

SITE_NAME = "Harrow Flats embankment"
LATITUDE_DEG, LONGITUDE_DEG, ELEVATION_M = 42.137, -94.368, 325.0
ZONE = ZoneInfo("America/Chicago")
MORNING_UTC = datetime(2026, 5, 12, 10, 0, tzinfo=UTC)
FIRST_UTC = datetime(2026, 4, 27, tzinfo=UTC)
N_HOURS = 27 * 24
SEED = 20260512
FOLDER = Path(__file__).parent.parent / "fixtures" / "weather"
N_MEMBERS = 10

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


# Local day -> its weather. Days outside hold the nearest one.
DAYS: dict[date, Day] = {
    date(2026, 4, 26): Day(6, 17, 4, 0.4, 4.5),
    date(2026, 4, 27): Day(6, 18, 4, 0.3, 4.5),
    date(2026, 4, 28): Day(7, 17, 7, 0.6, 5.0),
    date(2026, 4, 29): Day(8, 13, 9, 0.95, 5.5),
    date(2026, 4, 30): Day(5, 16, 5, 0.4, 5.0),
    date(2026, 5, 1): Day(5, 18, 5, 0.2, 4.0),
    date(2026, 5, 2): Day(7, 20, 8, 0.4, 4.5),
    date(2026, 5, 3): Day(10, 17, 11, 0.85, 5.5),
    date(2026, 5, 4): Day(7, 18, 7, 0.4, 5.0),
    date(2026, 5, 5): Day(7, 20, 7, 0.2, 4.0),
    date(2026, 5, 6): Day(9, 21, 9, 0.4, 4.5),
    date(2026, 5, 7): Day(11, 18, 12, 0.9, 5.5),
    date(2026, 5, 8): Day(9, 13, 9, 0.95, 5.0),
    date(2026, 5, 9): Day(7, 18, 6, 0.4, 6.5),
    date(2026, 5, 10): Day(8, 22, 6, 0.05, 5.5),
    date(2026, 5, 11): Day(9, 24, 7, 0.05, 6.0),
    date(2026, 5, 12): Day(11, 25, 10, 0.25, 6.5),
    date(2026, 5, 13): Day(11, 14, 11, 0.97, 5.5),
    date(2026, 5, 14): Day(8, 17, 8, 0.6, 5.0),
    date(2026, 5, 15): Day(7, 20, 7, 0.1, 4.5),
    date(2026, 5, 16): Day(9, 23, 8, 0.1, 5.0),
    date(2026, 5, 17): Day(10, 24, 9, 0.15, 5.5),
    date(2026, 5, 18): Day(12, 23, 13, 0.55, 5.0),
    date(2026, 5, 19): Day(11, 21, 11, 0.45, 4.5),
    date(2026, 5, 20): Day(10, 22, 10, 0.35, 4.5),
    date(2026, 5, 21): Day(11, 19, 12, 0.7, 5.0),
    date(2026, 5, 22): Day(10, 21, 10, 0.4, 4.5),
    date(2026, 5, 23): Day(10, 22, 10, 0.4, 4.5),
}

# (first local hour of rain, mm in each hour from there, greatest chance, thunder)
SHOWERS: tuple[tuple[datetime, tuple[float, ...], float, bool], ...] = (
    (datetime(2026, 4, 29, 6, tzinfo=ZONE), (0.3, 0.8, 1.6, 1.4, 0.9, 0.6, 0.4), 1.0, False),
    (datetime(2026, 5, 3, 15, tzinfo=ZONE), (0.6, 2.1, 1.0, 0.3), 1.0, False),
    (datetime(2026, 5, 7, 16, tzinfo=ZONE), (0.4, 1.2, 2.3, 1.9, 1.1, 0.7, 0.4, 0.5, 0.3, 0.2), 1.0, False),
    (datetime(2026, 5, 8, 5, tzinfo=ZONE), (0.3, 0.6, 0.9, 1.0, 0.8, 0.6, 0.5, 0.3), 1.0, False),
    (datetime(2026, 5, 12, 17, tzinfo=ZONE), (0.6, 2.4, 2.9, 1.4, 0.7), 0.9, True),
    (
        datetime(2026, 5, 13, 3, tzinfo=ZONE),
        (0.4, 0.8, 1.2, 1.5, 1.6, 1.4, 1.2, 1.1, 1.0, 1.1, 0.9, 0.7, 0.6, 0.5),
        0.93,
        False,
    ),
    (datetime(2026, 5, 14, 1, tzinfo=ZONE), (0.4, 0.4, 0.2), 0.5, False),
    (datetime(2026, 5, 18, 14, tzinfo=ZONE), (0.7, 2.2, 1.5, 0.6), 0.6, True),
    (datetime(2026, 5, 21, 10, tzinfo=ZONE), (0.4, 0.8, 0.6, 0.2), 0.4, False),
)


def day_at(at_utc: datetime) -> tuple[Day, float]:
    """Return the local day's weather and the local hour of a moment."""
    local = at_utc.astimezone(ZONE)
    day = min(max(local.date(), min(DAYS)), max(DAYS))
    return DAYS[day], local.hour + local.minute / 60.0


def sun_sine(at_utc: datetime) -> float:
    """Return the sine of the sun's height (a simple almanac formula; equation of time left out, some minutes off)."""
    day_of_year = at_utc.timetuple().tm_yday
    declination = math.radians(23.44) * math.sin(2 * math.pi * (day_of_year - 81) / 365.0)
    solar_h = at_utc.hour + at_utc.minute / 60.0 + LONGITUDE_DEG / 15.0
    angle = math.radians(15.0 * (solar_h - 12.0))
    latitude = math.radians(LATITUDE_DEG)
    return math.sin(latitude) * math.sin(declination) + math.cos(latitude) * math.cos(declination) * math.cos(angle)


def vapour_kpa(temp_degc: float) -> float:
    """Return saturation vapour pressure (Magnus form)."""
    return 0.6108 * math.exp(17.27 * temp_degc / (temp_degc + 237.3))


def rain_at(stamp_utc: datetime) -> tuple[float, float, bool]:
    """Return (mm, chance, thunder) of the hour that ends at a stamp."""
    chance, amount, is_thunder = 0.0, 0.0, False
    start_utc = stamp_utc - timedelta(hours=1)
    for first, amounts, greatest, thunder in SHOWERS:
        at = round((start_utc - first.astimezone(UTC)) / timedelta(hours=1))
        if 0 <= at < len(amounts):
            amount, is_thunder = amounts[at], thunder and amounts[at] >= 2.0
            chance = max(chance, greatest * (0.7 + 0.3 * min(1.0, amounts[at])))
        else:
            away = -at if at < 0 else at - len(amounts) + 1
            chance = max(chance, greatest * 0.75 * math.exp(-away / 1.5) if greatest < 1.0 else 0.0)
    return amount, chance, is_thunder


def background(stamp_utc: datetime, cloud: float) -> float:
    """Return the small chance of rain that a forecast always leaves, 0 before the morning."""
    days_ahead = (stamp_utc - MORNING_UTC) / timedelta(days=1)
    return max(0.0, 0.02 * days_ahead * cloud) if days_ahead > 0 else 0.0


def weather_code(rain_mm: float, is_thunder: bool, cloud: float) -> int:
    """Return the WMO 4677 code as the service uses it."""
    if is_thunder:
        return 95
    for least_mm, code in ((2.5, 63), (1.3, 61), (0.6, 53), (0.1, 51)):
        if rain_mm >= least_mm:
            return code
    return 0 if cloud < 0.15 else 1 if cloud < 0.35 else 2 if cloud < 0.7 else 3


def body() -> dict[str, Any]:
    """Return the answer as the service would give it."""
    rng = np.random.default_rng(SEED)
    jitter = rng.normal(0.0, 1.0, size=(N_HOURS, 4))
    hourly: dict[str, list[Any]] = {name: [] for name in UNITS}
    for hour in range(N_HOURS):
        stamp = FIRST_UTC + timedelta(hours=hour)
        day, local_h = day_at(stamp)
        # Coldest at 05:00, warmest at 15:30 local.
        swing = 0.5 - 0.5 * math.cos(math.pi * _day_share(local_h))
        before, _ = day_at(stamp - timedelta(hours=12))
        high = day.high_degc if local_h >= 5.0 else before.high_degc
        amount, chance, is_thunder = rain_at(stamp)
        next_amount, _, _ = rain_at(stamp + timedelta(hours=1))
        is_wet = amount > 0.0 or next_amount > 0.0
        temp = day.low_degc + swing * (high - day.low_degc) - (2.5 if is_wet else 0.0) + 0.3 * jitter[hour, 0]
        dew = min(day.dew_degc + (2.0 if is_wet else 0.0) + 0.3 * jitter[hour, 1], temp - 0.2)
        humidity = min(100.0, 100.0 * vapour_kpa(dew) / vapour_kpa(temp))
        cloud = min(1.0, max(day.cloud, 0.97 if is_wet else 0.0))
        wind = max(0.4, day.wind_m_s * (0.5 + 0.5 * swing) + 0.4 * jitter[hour, 2] + (2.0 if is_thunder else 0.0))
        # The mean of the preceding hour, from six moments in it.
        sines = [max(0.0, sun_sine(stamp - timedelta(minutes=m))) for m in (5, 15, 25, 35, 45, 55)]
        clear = sum(1361.0 * s * 0.76 for s in sines) / len(sines)
        light = clear * (1.0 - 0.75 * cloud**3.4)
        surface = temp + light / 1000.0 * 11.0 - (1.5 if light == 0.0 and cloud < 0.5 else 0.0)
        # A grass reference by a plain radiation and wind form: it stands in the body because the service sends it.
        deficit = vapour_kpa(temp) * (1.0 - humidity / 100.0)
        et0 = max(0.0, 0.0036 * light * 0.77 * 0.26 + 0.011 * wind * 0.748 * deficit)
        pressure = 975.0 + 3.0 * math.cos(2 * math.pi * hour / 150.0) - 3.0 * cloud
        row = {
            "time": int(stamp.timestamp()),
            "temperature_2m": round(temp, 1),
            "relative_humidity_2m": round(humidity),
            "dew_point_2m": round(dew, 1),
            "precipitation": round(amount, 2),
            "precipitation_probability": round(100 * min(1.0, max(chance, background(stamp, cloud)))),
            "shortwave_radiation": round(light, 1),
            "wind_speed_10m": round(wind, 2),
            "surface_pressure": round(pressure, 1),
            "et0_fao_evapotranspiration": round(et0, 2),
            "snowfall": 0.0,
            "snow_depth": 0.0,
            "soil_temperature_0cm": round(surface, 1),
            "weather_code": weather_code(amount, is_thunder, cloud),
        }
        for name, value in row.items():
            hourly[name].append(value)
    return {
        "latitude": 42.13,
        "longitude": -94.36,
        "generationtime_ms": 0.5,
        "utc_offset_seconds": 0,
        "timezone": "GMT",
        "timezone_abbreviation": "GMT",
        "elevation": ELEVATION_M,
        "hourly_units": UNITS,
        "hourly": hourly,
    }


def at_hours(hourly: dict[str, list[Any]], first_utc: datetime, n_hours: int) -> list[dict[str, Any]]:
    """Return the hours [t, t + 1 h) from a moment on: states at their start, sums and codes of the hour after."""
    start = round((first_utc - FIRST_UTC) / timedelta(hours=1))
    sums = ("precipitation", "precipitation_probability", "weather_code")
    names = ("temperature_2m", "relative_humidity_2m", "dew_point_2m", "wind_speed_10m")
    return [
        {name: hourly[name][row] for name in names} | {name: hourly[name][row + 1] for name in sums}
        for row in range(start, start + n_hours)
    ]


def cloud_pct(at_utc: datetime, rain_mm: float) -> float:
    """Return the sky under cloud of an hour."""
    day, _ = day_at(at_utc)
    return round(100.0 * max(day.cloud, 0.97 if rain_mm > 0.0 else 0.0), 1)


def symbol(hour: dict[str, Any]) -> str:
    """Return the name of the picture that a service shows for an hour."""
    if hour["weather_code"] == 95:
        return "heavyrainandthunder"
    return "rain" if hour["precipitation"] > 0.0 else "fair_day"


def met_norway(hourly: dict[str, list[Any]]) -> dict[str, Any]:
    """Return the story as MET Norway tells it: 56 hours one by one, then steps of six; periods BEGIN at their time."""
    first = MORNING_UTC
    hours = at_hours(hourly, first, 9 * 24)
    # Hourly up to the first full six hours of UTC after 56 hours, as in the service's own answers.
    n_hourly = 56 + (-(first.hour + 56)) % 6
    series = []
    for at, hour in enumerate(hours):
        moment = first + timedelta(hours=at)
        is_hourly = at < n_hourly
        if not is_hourly and moment.hour % 6:
            continue
        data: dict[str, Any] = {
            "instant": {
                "details": {
                    "air_pressure_at_sea_level": 1014.0,
                    "air_temperature": hour["temperature_2m"],
                    "cloud_area_fraction": cloud_pct(moment, hour["precipitation"]),
                    "dew_point_temperature": hour["dew_point_2m"],
                    "relative_humidity": float(hour["relative_humidity_2m"]),
                    "wind_from_direction": 180.0,
                    "wind_speed": hour["wind_speed_10m"],
                }
            }
        }
        six = hours[at : at + 6]
        if len(six) == 6:
            data["next_6_hours"] = {
                "summary": {"symbol_code": max((symbol(h) for h in six), key=lambda s: ("thunder" in s, "rain" in s))},
                "details": {
                    "precipitation_amount": round(sum(h["precipitation"] for h in six), 2),
                    "probability_of_precipitation": max(h["precipitation_probability"] for h in six),
                },
            }
        if is_hourly:
            data["next_1_hours"] = {
                "summary": {"symbol_code": symbol(hour)},
                "details": {
                    "precipitation_amount": hour["precipitation"],
                    "probability_of_precipitation": hour["precipitation_probability"],
                    "probability_of_thunder": 60.0 if hour["weather_code"] == 95 else 1.0,
                },
            }
        series.append({"time": moment.strftime("%Y-%m-%dT%H:%M:%SZ"), "data": data})
    series[-1]["data"] = {"instant": series[-1]["data"]["instant"]}  # the last stamp has no period
    return {
        "type": "Feature",
        "geometry": {"type": "Point", "coordinates": [LONGITUDE_DEG, LATITUDE_DEG, ELEVATION_M]},
        "properties": {
            "meta": {
                "updated_at": "2026-05-12T06:12:33Z",
                "units": {
                    "air_pressure_at_sea_level": "hPa",
                    "air_temperature": "celsius",
                    "cloud_area_fraction": "%",
                    "dew_point_temperature": "celsius",
                    "precipitation_amount": "mm",
                    "probability_of_precipitation": "%",
                    "probability_of_thunder": "%",
                    "relative_humidity": "%",
                    "wind_from_direction": "degrees",
                    "wind_speed": "m/s",
                },
            },
            "timeseries": series,
        },
    }


def nws_place() -> dict[str, Any]:
    """Return the first answer of the US service: the cell in which the site lies. The cell's name is invented."""
    return {
        "type": "Feature",
        "geometry": {"type": "Point", "coordinates": [LONGITUDE_DEG, LATITUDE_DEG]},
        "properties": {
            "gridId": "XYZ",
            "gridX": 41,
            "gridY": 87,
            "forecastGridData": "https://api.weather.gov/gridpoints/XYZ/41,87",
            "timeZone": "America/Chicago",
        },
    }


def nws(hourly: dict[str, list[Any]]) -> dict[str, Any]:
    """Return the story as the US service tells it: layers of intervals, equal neighbours merged, rain in buckets."""
    first = MORNING_UTC - timedelta(hours=3)  # the first intervals begin before the update
    hours = at_hours(hourly, first, 7 * 24)

    def merged(unit: str, values: list[Any]) -> dict[str, Any]:
        found: list[dict[str, Any]] = []
        start = 0
        for at in range(1, len(values) + 1):
            if at == len(values) or values[at] != values[start]:
                begins = (first + timedelta(hours=start)).strftime("%Y-%m-%dT%H:%M:%S+00:00")
                days, rest = divmod(at - start, 24)
                length = "P" + (f"{days}D" if days else "") + (f"T{rest}H" if rest else "")
                found.append({"validTime": f"{begins}/{length}", "value": values[start]})
                start = at
        return {"uom": unit, "values": found}

    amounts, chances, buckets = [], [], []
    at = 0
    while at < len(hours):
        length = min(6 - (first.hour + at) % 6, len(hours) - at)
        part = hours[at : at + length]
        amounts.append(round(sum(h["precipitation"] for h in part), 3))
        chances += [max(h["precipitation_probability"] for h in part)] * length
        buckets.append((at, length))
        at += length
    rain = [
        {
            "validTime": f"{(first + timedelta(hours=at)).strftime('%Y-%m-%dT%H:%M:%S+00:00')}/PT{length}H",
            "value": amount,
        }
        for (at, length), amount in zip(buckets, amounts, strict=True)
    ]

    def in_words(hour: dict[str, Any]) -> list[dict[str, Any]]:
        if hour["weather_code"] == 95:
            return [{"coverage": "likely", "weather": "thunderstorms", "intensity": None}]
        if hour["precipitation"] > 0.0:
            return [{"coverage": "chance", "weather": "rain_showers", "intensity": "light"}]
        return [{"coverage": None, "weather": None, "intensity": None}]

    half = 0.015  # degrees, half the width of the invented cell
    ring = [(-half, half), (-half, -half), (half, -half), (half, half), (-half, half)]
    sky = [cloud_pct(first + timedelta(hours=n), hour["precipitation"]) for n, hour in enumerate(hours)]
    return {
        "type": "Feature",
        "geometry": {
            "type": "Polygon",
            "coordinates": [[[round(LONGITUDE_DEG + x, 5), round(LATITUDE_DEG + y, 5)] for x, y in ring]],
        },
        "properties": {
            "updateTime": "2026-05-12T09:41:07+00:00",
            "validTimes": f"{first.strftime('%Y-%m-%dT%H:%M:%S+00:00')}/P7D",
            "elevation": {"unitCode": "wmoUnit:m", "value": ELEVATION_M},
            "gridId": "XYZ",
            "gridX": "41",
            "gridY": "87",
            "temperature": merged("wmoUnit:degC", [round(hour["temperature_2m"] * 2.0) / 2.0 for hour in hours]),
            "dewpoint": merged("wmoUnit:degC", [round(hour["dew_point_2m"] * 2.0) / 2.0 for hour in hours]),
            "relativeHumidity": merged("wmoUnit:percent", [hour["relative_humidity_2m"] for hour in hours]),
            "windSpeed": merged("wmoUnit:km_h-1", [round(hour["wind_speed_10m"] * 3.6) for hour in hours]),
            "skyCover": merged("wmoUnit:percent", sky),
            "weather": {"values": merged("", [in_words(hour) for hour in hours])["values"]},
            "probabilityOfPrecipitation": merged("wmoUnit:percent", chances),
            "quantitativePrecipitation": {"uom": "wmoUnit:mm", "values": rain},
            "snowfallAmount": {
                "uom": "wmoUnit:mm",
                "values": [{"validTime": f"{first.strftime('%Y-%m-%dT%H:%M:%S+00:00')}/P3D", "value": 0}],
            },
            "pressure": {"values": []},
        },
    }


def open_meteo_ensemble(whole: dict[str, Any]) -> dict[str, Any]:
    """Return the story as an ensemble: two days back and nine ahead; showers come early, late, weak or strong."""
    rng = np.random.default_rng(SEED + 1)
    hourly = whole["hourly"]
    start = round((MORNING_UTC - timedelta(days=2) - FIRST_UTC) / timedelta(hours=1))
    stop = start + 11 * 24
    asked = ("temperature_2m", "relative_humidity_2m", "precipitation", "shortwave_radiation", "wind_speed_10m")
    asked += ("surface_pressure", "snowfall", "weather_code")
    told: dict[str, list[Any]] = {"time": hourly["time"][start:stop]}
    units: dict[str, str] = {"time": "unixtime"}
    now = round((MORNING_UTC - FIRST_UTC) / timedelta(hours=1))
    for name in asked:
        told[name], units[name] = hourly[name][start:stop], whole["hourly_units"][name]
        for member in range(1, N_MEMBERS):
            if name not in ("temperature_2m", "precipitation"):
                continue
            key = f"{name}_member{member:02d}"
            late_h, strength = int(rng.integers(-4, 5)), float(rng.gamma(2.5, 0.4))
            values = list(hourly[name])
            if name == "precipitation":
                values = [
                    value if at <= now else round(strength * hourly[name][min(max(at - late_h, now), N_HOURS - 1)], 2)
                    for at, value in enumerate(values)
                ]
            told[key], units[key] = values[start:stop], whole["hourly_units"][name]
    head = {name: value for name, value in whole.items() if name not in ("hourly", "hourly_units")}
    return head | {"hourly_units": units, "hourly": told}


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


def texts() -> dict[Path, str]:
    """Return every file's text by its path."""
    whole = body()
    bodies = {
        "open_meteo/harrow_flats.json": whole,
        "open_meteo_ensemble/harrow_flats.json": open_meteo_ensemble(whole),
        "met_norway/harrow_flats.json": met_norway(whole["hourly"]),
        "nws/harrow_flats.json": nws(whole["hourly"]),
        "nws/harrow_flats_place.json": nws_place(),
    }
    return {FOLDER / name: text(one) for name, one in bodies.items()}


def main() -> int:
    """Write or compare the files; return the exit code."""
    wanted = texts()
    if "--check" in sys.argv[1:]:
        return 0 if all(p.exists() and p.read_text(encoding="utf-8") == one for p, one in wanted.items()) else 1
    for path, one in wanted.items():
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(one, encoding="utf-8")
        print(f"wrote {path}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
