"""Every hour of a site's weather as CSV, and what is computed beside the forecast for it and for the text."""

from __future__ import annotations

import csv
import io
import math

import numpy as np

from gonogo import times
from gonogo.records.site import Site
from gonogo.soil import reference_et
from gonogo.weather.series import HourlyWeather

WET_MM_H = 0.1  # what counts as rain in an hour
CSV_COLUMNS = (
    "hour_local",
    "hour_utc",
    "temp_degc",
    "rh_pct",
    "wind_2m_m_s",
    "pressure_kpa",
    "shortwave_w_m2",
    "et0_mm",
    "rain_mm",
    "rain_p10_mm",
    "rain_p90_mm",
    "rain_chance",
    "snow_mm",
    "melt_mm",
    "frost_depth_mm",
    "thunder_chance",
    "weather_code",
    "service",
    "fetched_utc",
    "forecast_status",
)


def csv_text(site: Site, weather: HourlyWeather) -> str:
    """Return every hour of a site's weather as CSV: units in the column names, empty where something is not known."""
    written = io.StringIO()
    rows = csv.writer(written, lineterminator="\n")
    rows.writerow(CSV_COLUMNS)
    p10, p90 = np.percentile(weather.rain_members_mm, (10, 90), axis=1)
    computed = {
        "et0_mm": et0_mm(site, weather),
        "rain_p10_mm": p10,
        "rain_p90_mm": p90,
        "rain_chance": chance_of_rain(weather),
    }
    for row, hour in enumerate(weather.hour_utc):
        at = times.as_datetime(hour)
        numbers = {
            name: float(computed[name][row] if name in computed else getattr(weather, name)[row])
            for name in CSV_COLUMNS[2:-3]
        }
        rows.writerow(
            [
                at.astimezone(site.zone).isoformat(timespec="minutes"),
                at.strftime("%Y-%m-%dT%H:%MZ"),
                *("" if math.isnan(value) else f"{value:.4g}" for value in numbers.values()),
                weather.service,
                weather.fetched_utc.isoformat(timespec="seconds"),
                weather.status.value,
            ]
        )
    return written.getvalue()


def chance_of_rain(weather: HourlyWeather) -> np.ndarray:
    """Return the share of members with rain in each hour: what the verdicts are made from."""
    return np.asarray((weather.rain_members_mm >= WET_MM_H).mean(axis=1))


def et0_mm(site: Site, weather: HourlyWeather) -> np.ndarray:
    """Return the reference evapotranspiration of each hour [mm], dew left out."""
    return np.maximum(
        reference_et.hourly_et0_mm(weather.air, site.place),
        0.0,
    )
