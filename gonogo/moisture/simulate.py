"""The moisture of a site's strips over the hours of the weather."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np
import numpy.typing as npt

from gonogo import times
from gonogo.moisture import learned
from gonogo.moisture.learned import LearnedSoil
from gonogo.moisture.lift_history import SURFACE_AFTER, Story, story
from gonogo.records.field import Entry, Reading
from gonogo.records.site import Site, Strip
from gonogo.soil import bare_soil, ensemble, reference_et
from gonogo.soil.rain import SURFACE_INDEX
from gonogo.soil.strip import StripSoil, strip_soil
from gonogo.weather.series import HourlyWeather

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Marched:
    """The moisture of a site's strips as a moment knows it.

    stories   of every strip's present lift; readings: those that found a place on the model's hours, as the flags of
              the moisture count them
    lessons   what the readings taught, to be kept
    """

    stories: tuple[Story, ...]
    readings: tuple[Reading, ...]
    et0_mm: Floats
    moisture: ensemble.StripMoisture
    lessons: tuple[LearnedSoil, ...]


def marched(
    site: Site,
    *,
    now_utc: datetime,
    weather: HourlyWeather,
    entries: Sequence[Entry],
    settings: Mapping[str, float],
    rng: np.random.Generator,
    stored: Sequence[LearnedSoil] = (),
) -> Marched:
    """Return the moisture of every strip over the weather's hours; arguments and faults as of `judge`."""
    stories = tuple(story(strip, entries, now_utc) for strip in site.strips)
    hour_utc = weather.hour_utc
    et0_mm = reference_et.hourly_et0_mm(weather.air, site.place)
    placed, placed_from = _placed(stories, hour_utc)
    lifts = [
        learned.Lift(
            strip=strip,
            from_utc=one.lift_from_utc,
            readings_utc=tuple(r.at_utc for r in placed_from if r.strip_id == strip.id),
        )
        for strip, one in zip(site.strips, stories, strict=True)
    ]
    prior = learned.prior(lifts, stored, share_next_lift=settings["learned_share_next_lift"])
    moisture = ensemble.run(
        _soil(site),
        hour_utc=hour_utc,
        et0_mm=np.maximum(et0_mm, 0.0),  # dew is a few hundredths of a millimetre and is left out
        kc_max=bare_soil.kc_max_by_hour(
            weather.wind_2m_m_s, weather.rh_pct, hour_utc=hour_utc, longitude_deg=site.longitude_deg
        ),
        rain_members_mm=weather.water_members_mm,
        frozen=_frozen(weather, settings["freeze_temp_degc"]),
        readings=placed,
        watering_mm=_watering_mm(site.strips, stories, hour_utc),
        surface=_surface(site.strips, stories, hour_utc),
        rng=rng,
        prior=prior.learned,
    )
    return Marched(
        stories=stories,
        readings=tuple(placed_from),
        et0_mm=et0_mm,
        moisture=moisture,
        lessons=learned.lessons(lifts, prior, moisture.learned, moisture.n_taught.tolist()),
    )


def _soil(site: Site) -> StripSoil:
    """The soil of every strip of a site, in the order of its strips."""
    materials = [site.material(strip.material_id) for strip in site.strips]
    return strip_soil(
        soil_class=[m.soil_class for m in materials],
        lift_thickness_mm=[1000.0 * s.lift_thickness_m for s in site.strips],
        dry_density_kg_m3=[s.dry_density_kg_m3 for s in site.strips],
        specific_gravity=[m.specific_gravity for m in materials],
        omc_pct=[m.omc_pct for m in materials],
        theta_fc=[m.theta_fc for m in materials],
        theta_wp=[m.theta_wp for m in materials],
    )


def _hour_index(at_utc: datetime, hour_utc: npt.NDArray[np.datetime64], *, nearest: bool) -> int:
    """Index of the hour that holds a moment, or of the hour start nearest to it; may lie outside the axis."""
    hours = (times.as_datetime(hour_utc[0]) - at_utc) / times.HOUR
    return round(-hours) if nearest else int(np.floor(-hours))


def _placed(
    stories: Sequence[Story], hour_utc: npt.NDArray[np.datetime64]
) -> tuple[list[ensemble.ReadingAt], list[Reading]]:
    """Readings on the model's axes, with the records they came from. Older ones than the weather cannot be used."""
    placed: list[ensemble.ReadingAt] = []
    placed_from: list[Reading] = []
    for strip, one in enumerate(stories):
        for reading in one.readings:
            hour = _hour_index(reading.at_utc, hour_utc, nearest=True)
            if 0 <= hour <= len(hour_utc):
                sd_pct = ensemble.METHOD_ERROR_PCT[reading.method]
                placed.append(ensemble.ReadingAt(strip=strip, hour=hour, w_pct=reading.w_pct, sd_pct=sd_pct))
                placed_from.append(reading)
    return placed, placed_from


def _watering_mm(
    strips: Sequence[Strip], stories: Sequence[Story], hour_utc: npt.NDArray[np.datetime64]
) -> npt.NDArray[np.float64]:
    """Water put on each strip in each hour [mm], (H, S)."""
    put_on = np.zeros((len(hour_utc), len(strips)))
    for s, (strip, one) in enumerate(zip(strips, stories, strict=True)):
        for watering in one.waterings:
            hour = _hour_index(watering.at_utc, hour_utc, nearest=False)
            if 0 <= hour < len(hour_utc):
                put_on[hour, s] += watering.litres / strip.area_m2
    return put_on


def _surface(
    strips: Sequence[Strip], stories: Sequence[Story], hour_utc: npt.NDArray[np.datetime64]
) -> npt.NDArray[np.int64]:
    """Surface state of each strip in each hour as an index into rain.SURFACES, (H, S)."""
    states = np.empty((len(hour_utc), len(strips)), dtype=np.int64)
    for s, (strip, one) in enumerate(zip(strips, stories, strict=True)):
        states[:, s] = SURFACE_INDEX[strip.surface]
        for work in one.works:
            hour = _hour_index(work.at_utc, hour_utc, nearest=False)
            states[max(hour, 0) :, s] = SURFACE_INDEX[SURFACE_AFTER[work.work]]
    return states


def _frozen(weather: HourlyWeather, freeze_temp_degc: float) -> npt.NDArray[np.bool_]:
    """Hours in which water in the lift does not move: its surface (else the air) freezes, or frost stands in it."""
    surface = np.where(np.isfinite(weather.surface_temp_degc), weather.surface_temp_degc, weather.temp_degc)
    return np.asarray((surface <= freeze_temp_degc) | weather.is_ground_frozen)
