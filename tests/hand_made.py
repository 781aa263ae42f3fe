"""Mornings made by hand for tests of the decisions: no model, no service, every number visible."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from datetime import UTC, date, datetime, time, timedelta
from importlib import resources
from statistics import NormalDist
from zoneinfo import ZoneInfo

import numpy as np

from gonogo.decide.facts import MorningInputs
from gonogo.decide.lift_state import LiftState
from gonogo.moisture.ground_state import GroundState
from gonogo.records.site import Crew, Drum, Material, Roller, Site, Strip, Surface, Truck
from gonogo.weather.forecast_status import ForecastStatus
from gonogo.weather.series import HourlyWeather

ZONE = ZoneInfo("Etc/UTC")
DAY = date(2026, 6, 17)  # a Wednesday
NOW_UTC = datetime(2026, 6, 17, 5, 30, tzinfo=UTC)
BACK_H, AHEAD_H, MEMBERS = 48, 7 * 24, 50
FIRST_UTC = datetime(2026, 6, 17, tzinfo=UTC) - timedelta(hours=BACK_H)
N_HOURS = BACK_H + AHEAD_H
SPREAD = np.array([NormalDist().inv_cdf((m + 0.5) / MEMBERS) for m in range(MEMBERS)])


def default_settings() -> dict[str, float]:
    rows = tomllib.loads(resources.files("gonogo").joinpath("defaults.toml").read_text("utf-8"))
    return {name: float(row["value"]) for name, row in rows.items()}


SETTINGS = default_settings()


def at(hour: float, day: date = DAY) -> datetime:
    return datetime(day.year, day.month, day.day, tzinfo=UTC) + timedelta(hours=hour)


def row(hour: float, day: date = DAY) -> int:
    """Return the row of the table that holds an hour of a day."""
    return int((at(hour, day) - FIRST_UTC).total_seconds() // 3600)


def material(**changes: object) -> Material:
    """A silt with optimum 14 % and a window from 12 to 16 %."""
    fields: dict[str, object] = {
        "id": "silt",
        "name": "Brown silt",
        "soil_class": "silt_loam",
        "omc_pct": 14.0,
        "mdd_kg_m3": 1850.0,
        "test": "Standard Proctor",
        "window_low_pct": -2.0,
        "window_high_pct": 2.0,
        "required_compaction_pct": 95.0,
        "specific_gravity": 2.68,
        "theta_fc": 0.30,
        "theta_wp": 0.15,
    }
    return Material(**(fields | changes))


def roller(**changes: object) -> Roller:
    fields: dict[str, object] = {
        "id": "roller",
        "name": "Roller",
        "drum": Drum.SMOOTH,
        "rolled_width_m": 2.1,
        "overlap_m": 0.15,
        "speed_km_h": 4.0,
        "passes": 6,
        "efficiency": 0.75,
    }
    return Roller(**(fields | changes))


def truck(**changes: object) -> Truck:
    fields: dict[str, object] = {
        "id": "truck",
        "name": "Truck",
        "tank_litres": 10000.0,
        "bar_width_m": 4.0,
        "flow_litres_min": 600.0,
        "fill_time_min": 10.0,
        "travel_time_min": 5.0,
        "speed_min_km_h": 2.0,
        "speed_max_km_h": 12.0,
    }
    return Truck(**(fields | changes))


def strip(**changes: object) -> Strip:
    """100 m x 8 m, 0.25 m thick at 1600 kg/m3: 400 kg of dry soil under a square metre."""
    fields: dict[str, object] = {
        "id": "N1",
        "name": "North 1",
        "crew_id": "north",
        "material_id": "silt",
        "length_m": 100.0,
        "width_m": 8.0,
        "lift_thickness_m": 0.25,
        "dry_density_kg_m3": 1600.0,
        "surface": Surface.LOOSE,
    }
    return Strip(**(fields | changes))


def crew(**changes: object) -> Crew:
    fields: dict[str, object] = {"id": "north", "name": "North", "roller": roller(), "truck": truck(), "recipients": ()}
    return Crew(**(fields | changes))


def site(strips: Sequence[Strip], **changes: object) -> Site:
    """Works Monday to Friday, 7 to 17, in a place where the June day is longer than that."""
    fields: dict[str, object] = {
        "id": "demo",
        "name": "Demo",
        "latitude_deg": 50.0,
        "longitude_deg": 0.0,
        "elevation_m": 100.0,
        "zone": ZONE,
        "working_days": (0, 1, 2, 3, 4),
        "shift_start": time(7),
        "shift_end": time(17),
        "mail_at": time(5, 30),
        "deadline": time(9),
        "holidays": (),
        "mixing_depth_m": 0.30,
        "crews": (crew(),),
        "materials": (material(),),
        "strips": tuple(strips),
    }
    return Site(**(fields | changes))


def hourly(value: object) -> np.ndarray:
    return np.broadcast_to(np.asarray(value, dtype=np.float64), (N_HOURS,)).copy()


def weather(rain_mm: object = 0.0, **changes: object) -> HourlyWeather:
    """A mild dry spell. rain_mm: a number, (H,) or (H, M)."""
    rain = np.asarray(rain_mm, dtype=np.float64)
    rain = rain[:, None] if rain.ndim == 1 else rain
    members = np.broadcast_to(rain, (N_HOURS, MEMBERS)).copy()
    fields: dict[str, object] = {
        "service": "hand made",
        "attribution": (),
        "fetched_utc": NOW_UTC - timedelta(hours=1),
        "status": ForecastStatus.FRESH,
        "notes": (),
        "hour_utc": np.datetime64(FIRST_UTC.replace(tzinfo=None), "h") + np.arange(N_HOURS),
        "temp_degc": 15.0,
        "rh_pct": 60.0,
        "wind_2m_m_s": 2.0,
        "pressure_kpa": 100.0,
        "shortwave_w_m2": 300.0,
        "rain_mm": members.mean(axis=1),
        "rain_chance": np.nan,
        "snow_mm": 0.0,
        "surface_temp_degc": np.nan,
        "weather_code": np.nan,
        "rain_members_mm": members,
    }
    fields |= changes
    for name in ("temp_degc", "rh_pct", "wind_2m_m_s", "pressure_kpa", "shortwave_w_m2", "rain_mm", "rain_chance",
                 "snow_mm", "surface_temp_degc", "weather_code"):  # fmt: skip
        fields[name] = hourly(fields[name])
    return HourlyWeather(**fields)


def path(w_pct: object, n_strips: int = 1, sd_pct: float = 0.2) -> np.ndarray:
    """Return (H, S, M) around a number, (H,) or (S,) of means, with a normal spread over the members."""
    mean = np.asarray(w_pct, dtype=np.float64)
    if mean.ndim == 1:
        mean = mean[:, None, None] if len(mean) == N_HOURS else mean[None, :, None]
    return np.broadcast_to(mean + sd_pct * SPREAD, (N_HOURS, n_strips, MEMBERS)).copy()


def morning(
    w_pct: object = 14.0,
    *,
    sd_pct: float = 0.2,
    top_pct: object = None,
    base_pct: object = None,
    et0_mm: object = 0.15,
    rain_mm: object = 0.0,
    sky: Mapping[str, object] | None = None,
    strips: Sequence[Strip] | None = None,
    on_site: Mapping[str, object] | None = None,
    settings: Mapping[str, float] | None = None,
    reading_age_h: object = 12.0,
    rained_since_reading_mm: object = 0.0,
    rolled: np.ndarray | None = None,
    surfaces: tuple[Surface, ...] | None = None,
    now_utc: datetime = NOW_UTC,
    day: date = DAY,
    reading_doubtful: object = 0.0,
    water_unexplained: object = 0.0,
    work_unknown: object = 0.0,
    untested_water_litres_m2: object = 0.0,
    last_test_pct: object = np.nan,
    test_apart_pct: object = 0.0,
    lifts: Mapping[str, LiftState] | None = None,
    grounds: Mapping[str, GroundState] | None = None,
) -> MorningInputs:
    """Return a morning on which a right lift is compacted; each argument spoils one thing."""
    strips = (strip(),) if strips is None else tuple(strips)
    n = len(strips)
    mean = path(w_pct, n, sd_pct)
    return MorningInputs(
        site=site(strips, **(on_site or {})),
        strips=strips,
        now_utc=now_utc,
        day=day,
        hour_utc=np.datetime64(FIRST_UTC.replace(tzinfo=None), "h") + np.arange(N_HOURS),
        w_pct=mean,
        w_top_pct=mean.copy() if top_pct is None else path(top_pct, n, sd_pct),
        w_base_pct=mean.copy() if base_pct is None else path(base_pct, n, sd_pct),
        et0_mm=hourly(et0_mm),
        weather=weather(rain_mm, **(sky or {})),
        reading_age_h=np.broadcast_to(np.asarray(reading_age_h, dtype=np.float64), (n,)).copy(),
        rained_since_reading_mm=np.broadcast_to(np.asarray(rained_since_reading_mm, dtype=np.float64), (n,)).copy(),
        settings=SETTINGS | dict(settings or {}),
        rolled=rolled,
        surfaces=surfaces,
        reading_doubtful=np.broadcast_to(np.asarray(reading_doubtful, dtype=np.float64), (n,)).copy(),
        water_unexplained=np.broadcast_to(np.asarray(water_unexplained, dtype=np.float64), (n,)).copy(),
        work_unknown=np.broadcast_to(np.asarray(work_unknown, dtype=np.float64), (n,)).copy(),
        untested_water_litres_m2=np.broadcast_to(np.asarray(untested_water_litres_m2, dtype=np.float64), (n,)).copy(),
        last_test_pct=np.broadcast_to(np.asarray(last_test_pct, dtype=np.float64), (n,)).copy(),
        test_apart_pct=np.broadcast_to(np.asarray(test_apart_pct, dtype=np.float64), (n,)).copy(),
        lifts=lifts or {},
        grounds=grounds or {},
    )
