"""What was recorded on site."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """A moisture test. method: a key of soil.readings.METHOD_ERROR_PCT ("oven", "nuclear gauge", ...)."""

    strip_id: str
    at_utc: datetime
    w_pct: float
    method: str
    dry_density_kg_m3: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class GaugeRain:
    """Rain caught by the site's own gauge between two moments [mm]."""

    from_utc: datetime
    until_utc: datetime
    rain_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Watering:
    """Water put on a strip by the truck [litres]."""

    strip_id: str
    at_utc: datetime
    litres: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SurfaceWork:
    """Work that changed a strip's surface: "rolled", "sealed", "disked" or "spread" (a new lift)."""

    strip_id: str
    at_utc: datetime
    work: str
    passes: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class StationDay:
    """What the weather station that a contract names read on one local date, None = it says nothing of it.

    It stands in the site's book and nowhere else: no verdict is made from it.
    """

    station: str
    day: date
    rain_mm: float | None = None
    temp_min_degc: float | None = None
    temp_max_degc: float | None = None
    wind_max_m_s: float | None = None
    snow_lying_mm: float | None = None


Entry = Reading | GaugeRain | Watering | SurfaceWork
