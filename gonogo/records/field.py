"""What was recorded on site."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime

BORROW = "borrow"  # in place of a test method: the lift arrived as the borrow delivers it


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
class Spread:
    """A lift as it was spread. None where nobody said it: there the config's value stands.

    thickness_m, dry_density_kg_m3   as spread, loose
    material_id     another than the strip's
    area_share      share of the strip that the lift covers, from its beginning on [-], above 0 to 1
    w_pct, method   how wet it arrived [%]: a moisture test, or BORROW where the borrow's own content is meant
    loads, load_m3  trucks that were counted and the loose volume of one [m3]; the thickness follows from them
    """

    thickness_m: float | None = None
    dry_density_kg_m3: float | None = None
    material_id: str | None = None
    area_share: float | None = None
    w_pct: float | None = None
    method: str | None = None
    loads: float | None = None
    load_m3: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SurfaceWork:
    """Work on a strip: "rolled", "sealed", "disked", "mixed" (a binder, into soil that is treated) or "spread".

    spread   what is known of the lift that was spread, None where nothing is
    """

    strip_id: str
    at_utc: datetime
    work: str
    passes: int | None = None
    spread: Spread | None = None


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


ACCEPTED, REWORK = "accepted", "rework"  # what the engineer says of a lift


@dataclass(frozen=True, slots=True, kw_only=True)
class LiftResult:
    """What was decided of the lift that lies there: ACCEPTED, or REWORK: it is broken up and done again."""

    strip_id: str
    at_utc: datetime
    result: str


# How a strip was seen to lie, and what was done about it.
SNOW, CLEARED, POND, DRAINED, SLICK, FROZEN, FIRM = "snow", "cleared", "pond", "drained", "slick", "frozen", "firm"
WITH_DEPTH = (SNOW, POND)


@dataclass(frozen=True, slots=True, kw_only=True)
class GroundSeen:
    """What somebody saw on a strip: SNOW or a POND of water on it, that it was CLEARED of snow or DRAINED.

    SLICK and FROZEN are of its crust, FIRM says that neither is there any more.

    lying_mm   how deep snow or water lies [mm], None of the others
    """

    strip_id: str
    at_utc: datetime
    state: str
    lying_mm: float | None = None


Entry = Reading | GaugeRain | Watering | SurfaceWork | LiftResult | GroundSeen
