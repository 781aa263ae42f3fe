"""A scenario of invented weather told as the other services tell it: from the hours of the first body."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime, timedelta
from typing import Any

import numpy as np
from weather_scenario import Scenario, day_at

from gonogo.weather.grid.sources import SOURCES

N_MEMBERS = 10


def at_hours(
    scenario: Scenario, hourly: dict[str, list[Any]], first_utc: datetime, n_hours: int
) -> list[dict[str, Any]]:
    """Return the hours [t, t + 1 h) from a moment on: states at their start, sums and codes of the hour after."""
    start = round((first_utc - scenario.first_utc) / timedelta(hours=1))
    sums = ("precipitation", "precipitation_probability", "weather_code")
    names = ("temperature_2m", "relative_humidity_2m", "dew_point_2m", "wind_speed_10m")
    return [
        {name: hourly[name][row] for name in names} | {name: hourly[name][row + 1] for name in sums}
        for row in range(start, start + n_hours)
    ]


def cloud_pct(scenario: Scenario, at_utc: datetime, rain_mm: float) -> float:
    """Return the sky under cloud of an hour."""
    day, _ = day_at(scenario, at_utc)
    return round(100.0 * max(day.cloud, 0.97 if rain_mm > 0.0 else 0.0), 1)


def symbol(hour: dict[str, Any]) -> str:
    """Return the name of the picture that a service shows for an hour."""
    if hour["weather_code"] == 95:
        return "heavyrainandthunder"
    return "rain" if hour["precipitation"] > 0.0 else "fair_day"


def met_norway(scenario: Scenario, hourly: dict[str, list[Any]]) -> dict[str, Any]:
    """Return the scenario as MET Norway has it: 56 hours one by one, then steps of six; periods BEGIN at their time."""
    first = scenario.morning_utc
    hours = at_hours(scenario, hourly, first, 9 * 24)
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
                    "cloud_area_fraction": cloud_pct(scenario, moment, hour["precipitation"]),
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
        "geometry": {
            "type": "Point",
            "coordinates": [scenario.longitude_deg, scenario.latitude_deg, scenario.elevation_m],
        },
        "properties": {
            "meta": {
                "updated_at": scenario.model_run_utc.strftime("%Y-%m-%dT%H:%M:%SZ"),
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


def nws_place(scenario: Scenario) -> dict[str, Any]:
    """Return the first answer of the US service: the cell in which the site lies. The cell's name is invented."""
    return {
        "type": "Feature",
        "geometry": {"type": "Point", "coordinates": [scenario.longitude_deg, scenario.latitude_deg]},
        "properties": {
            "gridId": "XYZ",
            "gridX": 41,
            "gridY": 87,
            "forecastGridData": "https://api.weather.gov/gridpoints/XYZ/41,87",
            "timeZone": scenario.zone.key,
        },
    }


def nws(scenario: Scenario, hourly: dict[str, list[Any]]) -> dict[str, Any]:
    """Return the scenario as the US service tells it: layers of intervals, equal neighbours merged, rain in buckets."""
    first = scenario.morning_utc - timedelta(hours=3)  # the first intervals begin before the update
    hours = at_hours(scenario, hourly, first, 7 * 24)

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
    sky = [cloud_pct(scenario, first + timedelta(hours=n), hour["precipitation"]) for n, hour in enumerate(hours)]
    return {
        "type": "Feature",
        "geometry": {
            "type": "Polygon",
            "coordinates": [
                [[round(scenario.longitude_deg + x, 5), round(scenario.latitude_deg + y, 5)] for x, y in ring]
            ],
        },
        "properties": {
            "updateTime": (scenario.morning_utc - timedelta(minutes=18, seconds=53)).strftime(
                "%Y-%m-%dT%H:%M:%S+00:00"
            ),
            "validTimes": f"{first.strftime('%Y-%m-%dT%H:%M:%S+00:00')}/P7D",
            "elevation": {"unitCode": "wmoUnit:m", "value": scenario.elevation_m},
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


def open_meteo_ensemble(scenario: Scenario, whole: dict[str, Any]) -> dict[str, Any]:
    """Return the scenario as an ensemble: two days back and nine ahead; showers come early, late, weak or strong."""
    rng = np.random.default_rng(scenario.seed + 1)
    hourly = whole["hourly"]
    start = round((scenario.morning_utc - timedelta(days=2) - scenario.first_utc) / timedelta(hours=1))
    stop = start + 11 * 24
    asked = ("temperature_2m", "relative_humidity_2m", "precipitation", "shortwave_radiation", "wind_speed_10m")
    asked += ("surface_pressure", "snowfall", "weather_code")
    told: dict[str, list[Any]] = {"time": hourly["time"][start:stop]}
    units: dict[str, str] = {"time": "unixtime"}
    now = round((scenario.morning_utc - scenario.first_utc) / timedelta(hours=1))
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
                    value
                    if at <= now
                    else round(strength * hourly[name][min(max(at - late_h, now), scenario.n_hours - 1)], 2)
                    for at, value in enumerate(values)
                ]
            told[key], units[key] = values[start:stop], whole["hourly_units"][name]
    head = {name: value for name, value in whole.items() if name not in ("hourly", "hourly_units")}
    return head | {"hourly_units": units, "hourly": told}


def grid(scenario: Scenario, hourly: dict[str, list[Any]], *, source: str = "gfs", days: int = 6) -> dict[str, Any]:
    """Return the scenario as a run that began at 0 UTC of the morning's day, read for the site.

    As NOAA tells it: amounts and mean radiation since the last full six hours of the run. Of an ensemble each member
    has more or less rain than the control, by up to half.
    """
    run_utc = scenario.morning_utc.replace(hour=0)
    run = SOURCES[source]
    steps = run.steps_h(run_utc, days)
    start = round((run_utc - scenario.first_utc) / timedelta(hours=1))

    def total(name: str, begin: int, end: int) -> float:
        return float(sum(hourly[name][start + 1 + begin : start + 1 + end]))

    at = {name: np.array(hourly[name], dtype=np.float64)[start + np.array(steps)] for name in hourly if name != "time"}
    fixed = {
        "land_share": ("(0 - 1)", 1.0),
        "elevation_m": ("m", scenario.elevation_m),
        "sea_level_pressure_kpa": ("Pa", 101_400.0),
    }
    series = [grid_series(name, unit, "instant", (0,), (0,), [value]) for name, (unit, value) in fixed.items()]
    states = {
        "temp_degc": ("K", at["temperature_2m"] + 273.15),
        "dew_point_degc": ("K", at["dew_point_2m"] + 273.15),
        "wind_east_m_s": ("m s**-1", at["wind_speed_10m"] * 0.6),
        "wind_north_m_s": ("m s**-1", at["wind_speed_10m"] * 0.8),
        "pressure_kpa": ("Pa", at["surface_pressure"] * 100.0),
    }
    series += [grid_series(name, unit, "instant", steps, steps, values) for name, (unit, values) in states.items()]
    ends = steps[1:]
    begun = [(end - 1) // 6 * 6 for end in ends]
    light = [total("shortwave_radiation", b, e) / (e - b) for b, e in zip(begun, ends, strict=True)]
    series.append(grid_series("radiation_j_m2", "W m**-2", "mean", begun, ends, light))
    for member in run.members:
        share = 1.0 + 0.5 * np.sin(member)
        rain = [share * total("precipitation", b, e) for b, e in zip(begun, ends, strict=True)]
        series.append(grid_series("precip_mm", "kg m**-2", "total", begun, ends, rain, member=member))
    place = {"latitude": scenario.latitude_deg, "longitude": scenario.longitude_deg}
    return {
        "form": "grid 1",
        "source": source,
        "run": f"{run_utc:%Y-%m-%dT%H:%M:%SZ}",
        "days": days,
        "site": place,
        "place": {"how": "between", **place, "away_km": 0.0},
        "series": series,
    }


def grid_series(
    quantity: str,
    unit: str,
    kind: str,
    from_h: Sequence[int],
    to_h: Sequence[int],
    values: Iterable[float],
    *,
    member: int = 0,
) -> dict[str, Any]:
    """Return one series of what was read from a grid; the hashes are of no message."""
    return {
        "quantity": quantity,
        "member": member,
        "unit": unit,
        "kind": kind,
        "from_h": list(from_h),
        "to_h": list(to_h),
        "hashes": "".join(f"{hour:016x}" for hour in to_h),
        "values": [float(f"{value:.6g}") for value in values],
    }
