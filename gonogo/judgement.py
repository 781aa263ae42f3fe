"""From weather and what was recorded on site to verdicts and outlook: one pure function of its arguments."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime

import numpy as np
import numpy.typing as npt

from gonogo import learned, times
from gonogo.decide.inputs import MorningInputs
from gonogo.decide.outlook import outlook
from gonogo.decide.verdict import decide
from gonogo.learned import LearnedSoil
from gonogo.records import Decision, Entry, OutlookDay, Reading, Site, Strip, Surface, SurfaceWork, Watering
from gonogo.soil import bare_soil, ensemble, reference_et
from gonogo.soil.rain import SURFACE_INDEX
from gonogo.soil.strip import StripSoil, strip_soil
from gonogo.weather.series import HourlyWeather

Floats = npt.NDArray[np.float64]

# What work on the surface leaves behind. Rolled counts as sealed: a compacted surface takes in far less (common
# practice, no source).
SURFACE_AFTER: dict[str, Surface] = {
    "rolled": Surface.SEALED,
    "sealed": Surface.SEALED,
    "disked": Surface.SCARIFIED,
    "spread": Surface.LOOSE,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Judgement:
    """What a site's morning came to.

    reading_notes     (reading, flag key, text) of each reading that did not fit what the model held possible
    closure_error_mm  largest gap of the water balance of any member [mm]
    lessons           what this morning's readings taught of the strips' soil, to be kept
    """

    decisions: tuple[Decision, ...]
    outlook: tuple[OutlookDay, ...]
    inputs: MorningInputs
    moisture: ensemble.StripMoisture
    reading_notes: tuple[tuple[Reading, str, str], ...]
    closure_error_mm: float
    lessons: tuple[LearnedSoil, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Story:
    """What happened to one strip's present lift, oldest first; what belongs to an earlier lift is left out."""

    readings: tuple[Reading, ...]
    waterings: tuple[Watering, ...]
    works: tuple[SurfaceWork, ...]

    @property
    def lift_from_utc(self) -> datetime | None:
        """When the present lift was spread, None where nobody recorded it."""
        return self.works[0].at_utc if self.works and self.works[0].work == "spread" else None

    @property
    def is_rolled(self) -> bool:
        """The present lift has been rolled and no new one was spread since."""
        return any(w.work == "rolled" for w in self.works)

    def surface(self, strip: Strip) -> Surface:
        """Return the state that the last work left, or the one the config gives where there was none."""
        return SURFACE_AFTER[self.works[-1].work] if self.works else strip.surface


def story(strip: Strip, entries: Sequence[Entry], now_utc: datetime) -> Story:
    """Return the story of a strip's present lift up to now. A new lift spread on it starts a new story."""
    own = [
        e
        for e in entries
        if isinstance(e, Reading | Watering | SurfaceWork) and e.strip_id == strip.id and e.at_utc <= now_utc
    ]
    own.sort(key=lambda e: e.at_utc)
    spread = [e.at_utc for e in own if isinstance(e, SurfaceWork) and e.work == "spread"]
    if spread:
        own = [e for e in own if e.at_utc >= spread[-1]]
    return Story(
        readings=tuple(e for e in own if isinstance(e, Reading)),
        waterings=tuple(e for e in own if isinstance(e, Watering)),
        works=tuple(e for e in own if isinstance(e, SurfaceWork)),
    )


def lifts_done(strip: Strip, entries: Sequence[Entry], now_utc: datetime) -> int:
    """Return how many lifts of a strip were recorded as rolled up to now; one rolled twice counts once."""
    works = sorted(
        (e for e in entries if isinstance(e, SurfaceWork) and e.strip_id == strip.id and e.at_utc <= now_utc),
        key=lambda e: e.at_utc,
    )
    n_done, is_rolled = 0, False
    for one in works:
        if one.work == "spread":
            is_rolled = False
        elif one.work == "rolled" and not is_rolled:
            n_done, is_rolled = n_done + 1, True
    return n_done


def judge(
    site: Site,
    *,
    day: date,
    now_utc: datetime,
    weather: HourlyWeather,
    entries: Sequence[Entry],
    settings: Mapping[str, float],
    rng: np.random.Generator,
    stored: Sequence[LearnedSoil] = (),
) -> Judgement:
    """Return the verdicts of every strip of a site for a local date, and the outlook of the days ahead.

    entries    readings, waterings and surface work in force, in any order; those after now_utc are left out. The
               gauge's rain is part of `weather` already
    settings   every adjustable number in force for the site
    stored     what earlier mornings learned of the strips' soil, in the order in which it was stored

    Raises SoilError where soil or inputs lie outside physics. Says nothing of faults in the weather: those were
    repaired or rejected before.
    """
    done = marched(site, now_utc=now_utc, weather=weather, entries=entries, settings=settings, rng=rng, stored=stored)
    stories, moisture, placed_from = done.stories, done.moisture, done.readings
    # A test that cannot be, or stands alone against the others, is no newer knowledge: it makes no strip fresh.
    doubted = [placed_from[i] for i, key, _ in moisture.reading_flags if key in (ensemble.IMPOSSIBLE, ensemble.FAR)]
    unexplained = {placed_from[i].strip_id for i, key, _ in moisture.reading_flags if key == ensemble.UNEXPLAINED}
    usable = [replace(s, readings=tuple(r for r in s.readings if r not in doubted)) for s in stories]
    told = list(zip(stories, usable, strict=True))
    inputs = MorningInputs(
        site=site,
        strips=site.strips,
        now_utc=now_utc,
        day=day,
        hour_utc=weather.hour_utc,
        w_pct=moisture.w_pct[:-1],
        w_top_pct=moisture.w_top_pct[:-1],
        w_base_pct=moisture.w_base_pct[:-1],
        et0_mm=done.et0_mm,
        weather=weather,
        reading_age_h=np.array([_age_h(s, now_utc) for s in usable]),
        rained_since_reading_mm=np.array([_rained_mm(s, weather, now_utc) for s in usable]),
        rolled=np.array([float(s.is_rolled) for s in stories]),
        surfaces=tuple(s.surface(strip) for s, strip in zip(stories, site.strips, strict=True)),
        settings=settings,
        reading_doubtful=np.array([float(s.readings[-1:] != u.readings[-1:]) for s, u in told]),
        water_unexplained=np.array([float(strip.id in unexplained) for strip in site.strips]),
    )
    return Judgement(
        decisions=decide(inputs),
        outlook=outlook(inputs),
        inputs=inputs,
        moisture=moisture,
        reading_notes=tuple((placed_from[i], key, text) for i, key, text in moisture.reading_flags),
        closure_error_mm=moisture.closure_error_mm,
        lessons=done.lessons,
    )


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
    et0_mm = reference_et.hourly_et0_mm(
        weather.temp_degc,
        weather.rh_pct,
        weather.wind_2m_m_s,
        weather.shortwave_w_m2,
        hour_utc=hour_utc,
        latitude_deg=site.latitude_deg,
        longitude_deg=site.longitude_deg,
        elevation_m=site.elevation_m,
        pressure_kpa=weather.pressure_kpa,
    )
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


def _age_h(one: Story, now_utc: datetime) -> float:
    """Age of the newest reading [h], inf where there is none."""
    return (now_utc - one.readings[-1].at_utc) / times.HOUR if one.readings else np.inf


def _rained_mm(one: Story, weather: HourlyWeather, now_utc: datetime) -> float:
    """Expected rain and melt since the newest reading [mm], 0 where there is no reading, NaN where nobody knows.

    A reading from before the weather table begins could not start the members, and what fell since is unknown: such a
    strip must wait for a test.
    """
    if not one.readings:
        return 0.0
    since = times.as_hour(one.readings[-1].at_utc)
    if since < weather.hour_utc[0]:
        return np.nan
    past = (weather.hour_utc >= since) & (weather.hour_utc < times.as_hour(now_utc))
    return float((weather.rain_mm + weather.melt_mm)[past].sum())
