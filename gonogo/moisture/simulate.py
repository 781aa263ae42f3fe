"""The moisture of a site's strips over the hours of the weather."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np
import numpy.typing as npt

from gonogo import times
from gonogo.moisture import learned, unknown_work
from gonogo.moisture.learned import LearnedSoil
from gonogo.moisture.lift_history import SURFACE_AFTER, Story, story
from gonogo.moisture.unknown_work import ToldWork
from gonogo.records.day_plan import DayPlan
from gonogo.records.field import Entry, Reading
from gonogo.records.site import Site, Strip
from gonogo.soil import bare_soil, ensemble, reference_et
from gonogo.soil.rain import SURFACE_INDEX
from gonogo.soil.strip import StripSoil, strip_soil
from gonogo.weather.series import HourlyWeather

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Kept:
    """What earlier runs of a site left: what they learned of the strips' soil, and the day plans they told."""

    learned: Sequence[LearnedSoil] = ()
    plans: Sequence[DayPlan] = ()


NOTHING_KEPT = Kept()


@dataclass(frozen=True, slots=True, kw_only=True)
class Marched:
    """The moisture of a site's strips as a moment knows it.

    stories   of every strip's present lift; readings: those that found a place on the model's hours, as the flags of
              the moisture count them
    lessons   what the readings taught, to be kept
    resimulate   moisture of the strips on some rows, had something else happened to them
    unknown   told work that neither entry nor test has settled, each with the share of members in which it was done
    """

    stories: tuple[Story, ...]
    readings: tuple[Reading, ...]
    et0_mm: Floats
    moisture: ensemble.StripMoisture
    lessons: tuple[LearnedSoil, ...]
    resimulate: Callable[[Sequence[int], Sequence[Story]], ensemble.StripMoisture]
    unknown: tuple[tuple[ToldWork, float], ...] = ()


def marched(
    site: Site,
    *,
    now_utc: datetime,
    weather: HourlyWeather,
    entries: Sequence[Entry],
    settings: Mapping[str, float],
    rng: np.random.Generator,
    kept: Kept = NOTHING_KEPT,
) -> Marched:
    """Return the moisture of every strip over the weather's hours; arguments and faults as of `judge`."""
    stories = tuple(story(strip, entries, now_utc) for strip in site.strips)
    hour_utc = weather.hour_utc
    et0_mm = reference_et.hourly_et0_mm(weather.air, site.place)
    sky = _Sky(
        site=site,
        hour_utc=hour_utc,
        et0_mm=np.maximum(et0_mm, 0.0),  # dew is a few hundredths of a millimetre and is left out
        kc_max=bare_soil.kc_max_by_hour(
            weather.wind_2m_m_s, weather.rh_pct, hour_utc=hour_utc, longitude_deg=site.longitude_deg
        ),
        rain_members_mm=weather.water_members_mm,
        frozen=_frozen(weather, settings["freeze_temp_degc"]),
    )
    before = _prior(site.strips, stories, hour_utc, kept, settings)
    run = _run(sky, site.strips, stories, before, rng)
    unknown: tuple[tuple[ToldWork, float], ...] = ()
    told = unknown_work.told_work(site, stories, kept.plans, now_utc, settings["told_is_done_chance"])
    if told:
        run, unknown = _with_unknown_work(sky, stories, told, run, before, rng)
    return Marched(
        stories=stories,
        readings=run.readings,
        et0_mm=et0_mm,
        moisture=run.moisture,
        lessons=learned.lessons(
            _lifts(site.strips, stories, hour_utc), before, run.moisture.learned, run.moisture.n_taught.tolist()
        ),
        resimulate=lambda rows, happened: _resimulated(sky, rows, happened, before, rng.spawn(1)[0]).moisture,
        unknown=unknown,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Sky:
    """A site with what its weather does to any strip, as ensemble.run takes it."""

    site: Site
    hour_utc: npt.NDArray[np.datetime64]
    et0_mm: Floats
    kc_max: Floats
    rain_members_mm: Floats
    frozen: npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Run:
    """Moisture of some strips, and the readings that found a place on the hours, as its flags count them."""

    moisture: ensemble.StripMoisture
    readings: tuple[Reading, ...]


def _run(
    sky: _Sky, strips: Sequence[Strip], stories: Sequence[Story], before: learned.Prior, rng: np.random.Generator
) -> _Run:
    """Simulate some strips with what happened to them."""
    placed, placed_from = _placed(stories, sky.hour_utc)
    moisture = ensemble.run(
        _soil(sky.site, strips),
        hour_utc=sky.hour_utc,
        et0_mm=sky.et0_mm,
        kc_max=sky.kc_max,
        rain_members_mm=sky.rain_members_mm,
        frozen=sky.frozen,
        readings=placed,
        watering_mm=_watering_mm(strips, stories, sky.hour_utc),
        surface=_surface(strips, stories, sky.hour_utc),
        rng=rng,
        prior=before.learned,
    )
    return _Run(moisture=moisture, readings=tuple(placed_from))


def _resimulated(
    sky: _Sky, rows: Sequence[int], stories: Sequence[Story], before: learned.Prior, rng: np.random.Generator
) -> _Run:
    """Simulate the strips on some rows, a row as often as it stands there, with other histories."""
    prior = learned.Prior(
        learned=before.learned.of_strips(rows),
        taken_from=tuple(before.taken_from[s] for s in rows),
        share=tuple(before.share[s] for s in rows),
    )
    return _run(sky, [sky.site.strips[s] for s in rows], stories, prior, rng)


def _with_unknown_work(
    sky: _Sky,
    stories: Sequence[Story],
    told: Mapping[str, tuple[ToldWork, ...]],
    base: _Run,
    before: learned.Prior,
    rng: np.random.Generator,
) -> tuple[_Run, tuple[tuple[ToldWork, float], ...]]:
    """Return the run with members that carry told work as done, and the share of each piece of work."""
    own_rng = rng.spawn(1)[0]  # strips without unknown work keep their draws
    ways = unknown_work.variants(sky.site, stories, told)
    rows = [way.s for way in ways]
    done = _resimulated(sky, rows, [way.story for way in ways], before, own_rng)
    mixed = unknown_work.mixed(
        base.moisture,
        done.moisture,
        ways,
        hour_of=lambda at_utc: _hour_index(at_utc, sky.hour_utc, nearest=True),
        rng=own_rng,
    )
    # A strip whose tests fit the told work better is judged by them: what they say against "not done" is no fault.
    row_of = {strip.id: s for s, strip in enumerate(sky.site.strips)}
    by_done = {rows[v]: v for v in mixed.likeliest.tolist() if v >= 0}
    place = {(r.strip_id, r.at_utc, r.w_pct): i for i, r in enumerate(base.readings)}
    flags = [f for f in base.moisture.reading_flags if row_of[base.readings[f[0]].strip_id] not in by_done]
    for v in by_done.values():
        own_id = sky.site.strips[rows[v]].id
        for i, key, text in done.moisture.reading_flags:
            reading = done.readings[i]
            if reading.strip_id == own_id and _is_of_variant(done.readings, i, rows, v):
                flags.append((place[reading.strip_id, reading.at_utc, reading.w_pct], key, text))
    moisture = replace(mixed.moisture, reading_flags=tuple(flags))
    unknown = tuple(
        (work, mixed.chance_done[work.strip_id, work.task]) for works in told.values() for work in works if work.is_open
    )
    return _Run(moisture=moisture, readings=base.readings), unknown


def _is_of_variant(readings: Sequence[Reading], i: int, rows: Sequence[int], v: int) -> bool:
    """Whether the i-th reading of the variants is the v-th variant's: each repeats all readings of its strip."""
    same = [k for k, r in enumerate(readings) if r == readings[i]]
    return same.index(i) == [k for k, s in enumerate(rows) if s == rows[v]].index(v)


def _lifts(
    strips: Sequence[Strip], stories: Sequence[Story], hour_utc: npt.NDArray[np.datetime64]
) -> list[learned.Lift]:
    """The present lifts with the readings that teach."""
    _, placed_from = _placed(stories, hour_utc)
    return [
        learned.Lift(
            strip=strip,
            from_utc=story_.lift_from_utc,
            readings_utc=tuple(r.at_utc for r in placed_from if r.strip_id == strip.id),
        )
        for strip, story_ in zip(strips, stories, strict=True)
    ]


def _prior(
    strips: Sequence[Strip],
    stories: Sequence[Story],
    hour_utc: npt.NDArray[np.datetime64],
    kept: Kept,
    settings: Mapping[str, float],
) -> learned.Prior:
    share = settings["learned_share_next_lift"]
    return learned.prior(_lifts(strips, stories, hour_utc), kept.learned, share_next_lift=share)


def _soil(site: Site, strips: Sequence[Strip]) -> StripSoil:
    """The soil of some strips of a site, in their order."""
    materials = [site.material(strip.material_id) for strip in strips]
    return strip_soil(
        soil_class=[m.soil_class for m in materials],
        lift_thickness_mm=[1000.0 * s.lift_thickness_m for s in strips],
        dry_density_kg_m3=[s.dry_density_kg_m3 for s in strips],
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
