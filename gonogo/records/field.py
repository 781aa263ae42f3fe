"""What was recorded on site."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """A moisture test.

    w_pct      of dry mass, whichever mass the instrument showed
    method     a key of soil.readings.METHOD_ERROR_PCT ("oven", "nuclear gauge", ...)
    depth_mm   it is of the upper so many millimetres of the lift; None = of the whole lift
    """

    strip_id: str
    at_utc: datetime
    w_pct: float
    method: str
    dry_density_kg_m3: float | None = None
    depth_mm: float | None = None


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


Entry = Reading | GaugeRain | Watering | SurfaceWork
