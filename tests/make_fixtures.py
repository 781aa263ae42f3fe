"""Write the invented weather of the demo and of the tests: fixtures/weather/open_meteo/harrow_flats.json.

    python tests/make_fixtures.py            writes the file
    python tests/make_fixtures.py --check    exit code 1 where the file differs from what would be written

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
TARGET = Path(__file__).parent.parent / "fixtures" / "weather" / "open_meteo" / "harrow_flats.json"

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


def _day_share(local_h: float) -> float:
    """Return 0 at 05:00, 1 at 15:30 and back to 0 at 05:00."""
    since = (local_h - 5.0) % 24.0
    return since / 10.5 if since <= 10.5 else 1.0 - (since - 10.5) / 13.5


def text() -> str:
    """Return the file's text, one array a line."""
    whole = body()
    hourly = whole.pop("hourly")
    head = json.dumps(whole, ensure_ascii=False, indent=1)[:-2]
    lines = ",\n".join(f'  "{name}": {json.dumps(values)}' for name, values in hourly.items())
    return f'{head},\n "hourly": {{\n{lines}\n }}\n}}\n'


def main() -> int:
    """Write or compare the file; return the exit code."""
    wanted = text()
    if "--check" in sys.argv[1:]:
        return 0 if TARGET.exists() and TARGET.read_text(encoding="utf-8") == wanted else 1
    TARGET.parent.mkdir(parents=True, exist_ok=True)
    TARGET.write_text(wanted, encoding="utf-8")
    print(f"wrote {TARGET}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
