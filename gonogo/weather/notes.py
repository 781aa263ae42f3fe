"""What was done to a forecast before it was used, as keys with typed gaps; each language has the sentences.

A gap is named after its unit, as everywhere; `n` is the count that chooses the plural form.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime

NOTES: dict[str, tuple[str, ...]] = {
    "hours_sorted": (),
    "hours_twice": ("n",),
    "column_left_out": ("column", "n"),
    "column_clipped": ("column", "n"),
    "unit_unknown": ("name", "unit"),
    "first_hours_empty": ("n", "from_utc"),
    "last_hours_empty": ("n", "until_utc"),
    "gaps_filled": ("n", "from_utc"),
    "rain_before_unknown": ("from_utc",),
    "rain_missing": ("n", "from_utc"),
    "rain_contradicted": ("n", "from_utc"),
    "rain_unlike_before": ("rain_mm", "before_mm", "made_utc"),
    "air_unlike_before": ("made_utc",),
    "second_agrees": ("service",),
    "second_disagrees": ("service",),
    "second_silent": ("service",),
    "snow_by_temperature": ("water_mm",),
    "gauge_left_out": ("rain_mm", "until_utc"),
    "gauge_used": ("hours", "n"),
    "clock_ahead": ("clock_off_h",),
    "clock_behind": ("clock_off_h",),
    "service_forecast_old": ("made_utc",),
    "past_from_forecasts": ("from_utc", "n"),
    "past_from_gauge": ("from_utc", "n"),
    "spread_learned": ("spread_ratio",),
    "ensemble_too_short": (),
    "ensemble_too_few": (),
    "members_left_out": ("n", "n_members"),
    "pressure_from_elevation": (),
    "radiation_unknown": (),
    "radiation_from_cloud": (),
    "radiation_from_temperature": (),
    "long_steps": ("from_utc",),
    "grid_on_land": ("away_m",),
    "grid_at_sea": (),
    "grid_height": ("model_m", "site_m"),
    "grid_height_unknown": (),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Note:
    """One thing that was done to a forecast. key: a row of NOTES; gaps: numbers, moments and names by gap."""

    key: str
    gaps: dict[str, float | datetime | str] = field(default_factory=dict)


def note(key: str, **gaps: float | datetime | str) -> Note:
    """Return a note. Raises KeyError for a key or for gaps that its sentence does not have."""
    if set(NOTES[key]) != set(gaps):
        raise KeyError(f"{key}: the gaps are {', '.join(NOTES[key])}")
    return Note(key=key, gaps=gaps)
