"""The moisture of a site's strips over the hours of the weather."""

from __future__ import annotations

import zlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np
import numpy.typing as npt

from gonogo import times
from gonogo.moisture import learned
from gonogo.moisture.learned import LearnedSoil, Lift, Prior
from gonogo.moisture.lift_history import SURFACE_AFTER, Story, story
from gonogo.records.field import Entry, Reading
from gonogo.records.site import Site, Strip
from gonogo.soil import bare_soil, ensemble, ground, reference_et, unexplained
from gonogo.soil.ensemble import StripMoisture
from gonogo.soil.error_growth import TERMS
from gonogo.soil.ground import Ground, Tables
from gonogo.soil.rain import SURFACE_INDEX
from gonogo.soil.readings import IMPOSSIBLE, METHOD_ERROR_PCT, PROBE, PROBE_ERROR_PCT, SPOT_SCATTER_PCT, ReadingAt
from gonogo.soil.season import Season, season
from gonogo.soil.sky import Sky
from gonogo.soil.strip import StripSoil, strip_soil
from gonogo.weather.series import HourlyWeather

Floats = npt.NDArray[np.float64]

LOOSENS = ("spread", "disked")  # a lift of which this is recorded lies loose and bare on what was there before


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
    moisture: StripMoisture
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
    reference_mm = et0_mm(site, weather)
    placed, placed_from = _placed(stories, hour_utc)
    lifts = [
        Lift(
            strip=strip,
            from_utc=one.lift_from_utc,
            readings_utc=tuple(r.at_utc for r in placed_from if r.strip_id == strip.id),
        )
        for strip, one in zip(site.strips, stories, strict=True)
    ]
    prior = learned.prior(lifts, stored, share_next_lift=settings["learned_share_next_lift"])
    sky = Sky(
        et0_mm=np.maximum(reference_mm, 0.0),  # dew is a few hundredths of a millimetre and is left out
        kc_max=bare_soil.kc_max_by_hour(
            weather.wind_2m_m_s, weather.rh_pct, hour_utc=hour_utc, longitude_deg=site.longitude_deg
        ),
        rain_mm=weather.water_members_mm,
        frozen=_frozen(weather, settings["freeze_temp_degc"]),
        watering_mm=_watering_mm(site.strips, stories, hour_utc),
        surface=_surface(site.strips, stories, hour_utc),
    )
    so_far = _season(weather, sky.et0_mm, lifts, stored)
    spread = [
        (hour, s)
        for s, one in enumerate(stories)
        if one.lift_from_utc is not None and 0 <= (hour := hour_index(one.lift_from_utc, hour_utc)) < len(hour_utc)
    ]
    is_fresh = np.array([any(work.work in LOOSENS for work in one.works) for one in stories])
    moisture = _of_all(site, _Known(sky, so_far, placed, prior, spread, is_fresh, Tables()), int(rng.integers(2**62)))
    last = [hour_index(lift.readings_utc[-1], hour_utc) if lift.readings_utc else 0 for lift in lifts]
    lessons = learned.lessons(lifts, prior, moisture.knowledge, [tuple(so_far.at(h).tolist()) for h in last])
    if any(strip.ground == ground.NATURAL for strip in site.strips):
        now = hour_index(now_utc, hour_utc)
        if 0 <= now <= len(hour_utc):
            lessons = (*lessons, learned.season_put_down(tuple(so_far.at(now).tolist()), now_utc))
    return Marched(
        stories=stories,
        readings=tuple(placed_from),
        et0_mm=reference_mm,
        moisture=moisture,
        lessons=lessons,
    )


def et0_mm(site: Site, weather: HourlyWeather) -> Floats:
    """Return reference evapotranspiration of each hour at a site (H,) [mm], slightly negative where dew forms."""
    return reference_et.hourly_et0_mm(
        weather.temp_degc,
        weather.rh_pct,
        weather.wind_2m_m_s,
        weather.shortwave_w_m2,
        hour_utc=weather.hour_utc,
        latitude_deg=site.latitude_deg,
        longitude_deg=site.longitude_deg,
        elevation_m=site.elevation_m,
        pressure_kpa=weather.pressure_kpa,
    )


@dataclass(frozen=True, slots=True)
class _Known:
    """All that a run starts from, on the axes of the site."""

    sky: Sky
    season: Season
    placed: Sequence[ReadingAt]
    prior: Prior
    spread: Sequence[tuple[int, int]]
    is_fresh: npt.NDArray[np.bool_]
    tables: Tables


def _of_all(site: Site, start: _Known, root: int) -> StripMoisture:
    """Run the strips of each kind of ground together, and put them back in the order of the site."""
    sky, placed, prior, spread = start.sky, start.placed, start.prior, start.spread
    whole = _soil(site)
    n_hours, n_members, n_strips = len(sky.frozen), sky.rain_mm.shape[-1], len(site.strips)
    w = np.empty((3, n_hours + 1, n_strips, n_members))
    terms = np.empty((n_hours + 1, n_strips, len(TERMS)))
    known = list(prior.knowledge)
    flags: list[tuple[int, str, str]] = []
    closure_error_mm = 0.0
    for kind in ground.SCORE_NAMES:
        own = [s for s, strip in enumerate(site.strips) if strip.ground == kind]
        if not own:
            continue
        soil = whole.only(own)
        of_kind = _ground(kind, soil, start, start.is_fresh[own])
        mine = [(i, replace(r, strip=own.index(r.strip))) for i, r in enumerate(placed) if r.strip in own]
        found = ensemble.run(
            soil,
            of_kind,
            replace(sky, watering_mm=sky.watering_mm[:, own], surface=sky.surface[:, own]),
            readings=[r for _, r in mine],
            knowledge=[known[s] for s in own],
            # A stream of its own for each strip: one more strip on the site moves no other.
            rngs=[np.random.default_rng([root, zlib.crc32(site.strips[s].id.encode())]) for s in own],
            spread_at=[(hour, own.index(s)) for hour, s in spread if s in own],
        )
        w[:, :, own] = found.w_pct, found.w_top_pct, found.w_base_pct
        terms[:, own] = found.error_terms
        flags += [(mine[i][0], key, text) for i, key, text in found.reading_flags]
        closure_error_mm = max(closure_error_mm, found.closure_error_mm)
        for s, one in zip(own, found.knowledge, strict=True):
            known[s] = one
        if kind == ground.FILL:
            barred = {i for i, key, _ in found.reading_flags if key == IMPOSSIBLE}
            wet = unexplained.flags(soil, sky, own, [(i, r) for i, (_, r) in enumerate(mine) if i not in barred])
            flags += [(mine[i][0], key, text) for i, key, text in wet]
    return StripMoisture(
        w_pct=w[0],
        w_top_pct=w[1],
        w_base_pct=w[2],
        closure_error_mm=closure_error_mm,
        knowledge=tuple(known),
        error_terms=terms,
        reading_flags=tuple(sorted(flags)),
    )


def _ground(kind: str, soil: StripSoil, start: _Known, is_fresh: npt.NDArray[np.bool_]) -> Ground:
    growth = start.tables.growth[kind]
    if kind == ground.NATURAL:
        return ground.Natural(strips=soil, season=start.season, table=start.tables.population, growth=growth)
    return ground.Fill(strips=soil, growth=growth, is_fresh=is_fresh)


def _season(weather: HourlyWeather, et0_mm: Floats, lifts: Sequence[Lift], stored: Sequence[LearnedSoil]) -> Season:
    """The weather so far at every hour, taken up where the newest lesson before the first reading put it down."""
    water_mm = weather.rain_mm + weather.melt_mm
    first = min((lift.readings_utc[0] for lift in lifts if lift.readings_utc), default=None)
    kept = [one for one in stored if one.season and (first is None or one.through_utc <= first)]
    if not kept:
        return season(water_mm, et0_mm, weather.temp_degc)
    newest = max(kept, key=lambda one: one.through_utc)
    at = min(max(hour_index(newest.through_utc, weather.hour_utc), 0), len(water_mm))
    rest = season(water_mm[at:], et0_mm[at:], weather.temp_degc[at:], np.array(newest.season))
    return Season(state=np.concatenate([np.repeat(rest.state[:1], at, axis=0), rest.state]))


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


def hour_index(at_utc: datetime, hour_utc: npt.NDArray[np.datetime64], *, nearest: bool = True) -> int:
    """Index of the hour start nearest to a moment, or of the hour that holds it; may lie outside the axis."""
    hours = (times.as_datetime(hour_utc[0]) - at_utc) / times.HOUR
    return round(-hours) if nearest else int(np.floor(-hours))


def _placed(stories: Sequence[Story], hour_utc: npt.NDArray[np.datetime64]) -> tuple[list[ReadingAt], list[Reading]]:
    """Readings on the model's axes, with the records they came from. Older ones than the weather cannot be used."""
    placed: list[ReadingAt] = []
    placed_from: list[Reading] = []
    for strip, one in enumerate(stories):
        for reading in one.readings:
            hour = hour_index(reading.at_utc, hour_utc)
            if 0 <= hour <= len(hour_utc):
                is_probe = reading.method == PROBE
                placed.append(
                    ReadingAt(
                        strip=strip,
                        hour=hour,
                        w_pct=reading.w_pct,
                        sd_pct=PROBE_ERROR_PCT if is_probe else METHOD_ERROR_PCT[reading.method],
                        spot_sd_pct=0.0 if is_probe else SPOT_SCATTER_PCT,
                    )
                )
                placed_from.append(reading)
    return placed, placed_from


def _watering_mm(
    strips: Sequence[Strip], stories: Sequence[Story], hour_utc: npt.NDArray[np.datetime64]
) -> npt.NDArray[np.float64]:
    """Water put on each strip in each hour [mm], (H, S)."""
    put_on = np.zeros((len(hour_utc), len(strips)))
    for s, (strip, one) in enumerate(zip(strips, stories, strict=True)):
        for watering in one.waterings:
            hour = hour_index(watering.at_utc, hour_utc, nearest=False)
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
            hour = hour_index(work.at_utc, hour_utc, nearest=False)
            states[max(hour, 0) :, s] = SURFACE_INDEX[SURFACE_AFTER[work.work]]
    return states


def _frozen(weather: HourlyWeather, freeze_temp_degc: float) -> npt.NDArray[np.bool_]:
    """Hours in which water in the lift does not move: its surface (else the air) freezes, or frost stands in it."""
    surface = np.where(np.isfinite(weather.surface_temp_degc), weather.surface_temp_degc, weather.temp_degc)
    return np.asarray((surface <= freeze_temp_degc) | weather.is_ground_frozen)
