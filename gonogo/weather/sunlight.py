"""Radiation and pressure for services that give none, and the sun as a check of a service's clock."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from gonogo.errors import WeatherError
from gonogo.records.site import Site
from gonogo.soil.reference_et import pressure_kpa
from gonogo.soil.sun import shortwave_from_cloud_w_m2, shortwave_from_temperature_w_m2, sun_hours
from gonogo.weather.notes import Note, note
from gonogo.weather.table import ParsedForecast

if TYPE_CHECKING:
    import pandas as pd  # takes long to import: where a table is at hand

NIGHT_LIGHT_W_M2 = 20.0  # more than any twilight gives as a mean of an hour; common sense, no source
NIGHT_HOURS_MAX = 2  # so many hours may be odd before the clock is doubted
CLOUD_SHARE_MIN = 0.9  # of the hours must have cloud cover for it to stand in for radiation


def completed(parsed: ParsedForecast, site: Site) -> ParsedForecast:
    """Return a parsed forecast with radiation and pressure filled where the service has none at all, and a note each.

    Radiation comes from cloud cover where the service gives it, else from the range of temperature (see soil/sun.py);
    pressure from the site's elevation (FAO-56, eq. 7). Columns that the service gives, with gaps or not, stay as they
    are.

    Raises WeatherError where the service's own radiation shines at night: its stamps are not the site's hours.
    """
    import pandas as pd

    table, notes = parsed.table, list(parsed.notes)
    if not len(table):
        return parsed
    if table["shortwave_w_m2"].isna().all():
        estimate, how = _shortwave(table, site)
        table, notes = pd.concat([table, estimate], ignore_index=True), [*notes, how]
    else:
        _require_dark_nights(parsed, site)
    if table["pressure_kpa"].isna().all():
        has_state = table["temp_degc"].notna()
        table = table.assign(pressure_kpa=np.where(has_state, pressure_kpa(site.elevation_m), np.nan))
        notes.append(note("pressure_from_elevation"))
    members = parsed.rain_members_mm
    if members is not None and len(table) > len(members):
        members = np.concatenate([members, np.full((len(table) - len(members), members.shape[1]), np.nan)])
    return replace(parsed, table=table, notes=tuple(notes), rain_members_mm=members)


def _shortwave(table: pd.DataFrame, site: Site) -> tuple[pd.DataFrame, Note]:
    """Return rows (hour_utc, shortwave_w_m2) from cloud cover or temperature, and the note that says so."""
    import pandas as pd

    by_hour = table.groupby("hour_utc", sort=True)[["temp_degc", "cloud_pct"]].first()
    known = by_hour[by_hour["temp_degc"].notna()]
    hours = known.index.to_numpy().astype("datetime64[s]")
    latitude_deg, longitude_deg = site.latitude_deg, site.longitude_deg
    if not len(known):
        estimate, how = np.zeros(0), note("radiation_unknown")
    elif known["cloud_pct"].notna().mean() >= CLOUD_SHARE_MIN:
        cloud_pct = known["cloud_pct"].interpolate(limit_direction="both").to_numpy(dtype=np.float64)
        estimate = shortwave_from_cloud_w_m2(
            cloud_pct,
            hour_utc=hours,
            latitude_deg=latitude_deg,
            longitude_deg=longitude_deg,
            elevation_m=site.elevation_m,
        )
        how = note("radiation_from_cloud")
    else:
        temp_degc = known["temp_degc"].to_numpy(dtype=np.float64)
        estimate = shortwave_from_temperature_w_m2(
            temp_degc, hour_utc=hours, latitude_deg=latitude_deg, longitude_deg=longitude_deg
        )
        how = note("radiation_from_temperature")
    return pd.DataFrame({"hour_utc": hours, "shortwave_w_m2": estimate}), how


def _require_dark_nights(parsed: ParsedForecast, site: Site) -> None:
    """Refuse stamps under which the sun would shine at night."""
    hours = parsed.table["hour_utc"].to_numpy().astype("datetime64[s]")
    light_w_m2 = parsed.table["shortwave_w_m2"].to_numpy(dtype=np.float64)
    is_lit = ~(np.isnan(light_w_m2) | np.isnat(hours))
    hours, light_w_m2 = hours[is_lit], light_w_m2[is_lit]
    is_night = np.ones(len(hours), dtype=bool)
    for shift_h in (-1, 0, 1):
        sun = sun_hours(
            (hours.astype(np.int64) + 3600 * shift_h).astype("datetime64[s]"),
            latitude_deg=site.latitude_deg,
            longitude_deg=site.longitude_deg,
        )
        is_night &= sun.extraterrestrial_mj_m2_h <= 0.0
    bright = is_night & (light_w_m2 > NIGHT_LIGHT_W_M2)
    if bright.sum() > NIGHT_HOURS_MAX:
        at = int(np.argmax(bright))
        raise WeatherError(
            f"{parsed.service}: shortwave_w_m2 = {light_w_m2[at]:g} at {hours[at]} UTC: the sun is down "
            f"then, and in {int(bright.sum()) - 1} hours more. Stamps in true UTC are right: the answer's time "
            "zone or its place is wrong. The answer is not used.",
            passing=False,
        )
