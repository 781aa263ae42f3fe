"""The moisture of a site's strips over the hours of the weather, told work of which nobody knows included."""

from __future__ import annotations

from collections.abc import Callable, Container, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from functools import partial

import numpy as np
import numpy.typing as npt

from gonogo.moisture import learned, unknown_work
from gonogo.moisture.hourly_work import hour_index
from gonogo.moisture.learned import LearnedSoil, Lift
from gonogo.moisture.lift_history import LiftHistory, lift_history
from gonogo.moisture.method_offset import method_offsets_pct, of_material
from gonogo.moisture.present_lift import site_as_it_lies
from gonogo.moisture.strip_snow import SiteSnow
from gonogo.moisture.strips_run import Start, StripsRun, place, run_strips, strip_rng
from gonogo.moisture.unknown_work import ToldWork
from gonogo.records.day_plan import DayPlan
from gonogo.records.field import Entry, Reading
from gonogo.records.site import Site
from gonogo.soil import bare_soil, ground, reference_et
from gonogo.soil.ensemble import StripMoisture
from gonogo.soil.season import Season, season
from gonogo.soil.sky import Sky
from gonogo.weather.series import HourlyWeather

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Kept:
    """What earlier runs of a site left: what they learned of the strips' soil, and the day plans they told."""

    learned: Sequence[LearnedSoil] = ()
    plans: Sequence[DayPlan] = ()


NOTHING_KEPT = Kept()


@dataclass(frozen=True, slots=True, kw_only=True)
class Simulated:
    """The moisture of a site's strips as a moment knows it.

    site      with the strips as they lie, each with its own lift
    histories   of every strip's present lift; readings: those that found a place on the model's hours, as the flags of
              the moisture count them
    learned   what the readings taught, to be kept
    resimulate   moisture of the strips on some rows, had something else happened to them
    again     the same simulated on other weather with other random numbers, of the strips of some ids alone
    unknown   told work that neither entry nor test has settled, each with the share of members in which it was done
    """

    site: Site
    histories: tuple[LiftHistory, ...]
    readings: tuple[Reading, ...]
    et0_mm: Floats
    moisture: StripMoisture
    learned: tuple[LearnedSoil, ...]
    resimulate: Callable[[Sequence[int], Sequence[LiftHistory]], StripMoisture] = field(repr=False)
    again: Callable[[HourlyWeather, np.random.Generator, Container[str]], Simulated] = field(repr=False)
    unknown: tuple[tuple[ToldWork, float], ...] = ()


def simulate(
    site: Site,
    *,
    now_utc: datetime,
    weather: HourlyWeather,
    entries: Sequence[Entry],
    settings: Mapping[str, float],
    rng: np.random.Generator,
    kept: Kept = NOTHING_KEPT,
) -> Simulated:
    """Return the moisture of every strip over the weather's hours; arguments and faults as of `judge`."""
    offsets = method_offsets_pct(site, [e for e in entries if not isinstance(e, Reading) or e.at_utc <= now_utc])
    histories = tuple(
        replace(lift_history(strip, entries, now_utc, site), offset_pct=of_material(offsets, strip.material_id))
        for strip in site.strips
    )
    lies = _Lies(
        site=site_as_it_lies(site, histories), histories=histories, now_utc=now_utc, settings=settings, kept=kept
    )
    return _simulated(lies, weather, rng)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Lies:
    """A site as its lifts lie at a moment, with what happened to them: what no weather and no draw changes."""

    site: Site
    histories: tuple[LiftHistory, ...]
    now_utc: datetime
    settings: Mapping[str, float]
    kept: Kept


def _simulated(
    lies: _Lies, weather: HourlyWeather, rng: np.random.Generator, only: Container[str] | None = None
) -> Simulated:
    """Return the moisture of the strips of some ids, None: of all; each is as it is beside all others."""
    site, histories, kept, settings, now_utc = lies.site, lies.histories, lies.kept, lies.settings, lies.now_utc
    hour_utc = weather.hour_utc
    et0_mm = reference_et.hourly_et0_mm(weather.air, site.place)
    _, placed_from = place(histories, hour_utc)
    lifts = [
        Lift(
            strip=strip,
            from_utc=history.lift_from_utc,
            readings_utc=tuple(r.at_utc for r in placed_from if r.strip_id == strip.id),
        )
        for strip, history in zip(site.strips, histories, strict=True)
    ]
    sky = _sky(site, weather, np.maximum(et0_mm, 0.0), settings)  # dew is a few hundredths of a millimetre: left out
    so_far = _season(weather, sky.et0_mm, lifts, kept.learned)
    prior = learned.prior(lifts, kept.learned, share_next_lift=settings["learned_share_next_lift"])
    if only is not None:
        own = [s for s, strip in enumerate(site.strips) if strip.id in only]
        site = replace(site, strips=tuple(site.strips[s] for s in own))
        histories, lifts = tuple(histories[s] for s in own), [lifts[s] for s in own]
        prior = prior.of_strips(own)
        _, placed_from = place(histories, hour_utc)
    start = Start(
        site=site,
        hour_utc=hour_utc,
        sky=sky,
        snow=site_snow(weather),
        season=so_far,
        prior=prior,
        root=int(rng.integers(2**62)),
    )
    told = unknown_work.told_work(site, histories, kept.plans, now_utc, settings["told_is_done_chance"])
    run, unknown = _run(start, histories, told, len(placed_from))
    last = [hour_index(lift.readings_utc[-1], hour_utc) if lift.readings_utc else 0 for lift in lifts]
    taught = learned.learned_from_readings(
        lifts, prior, run.moisture.knowledge, [tuple(so_far.at(h).tolist()) for h in last]
    )
    taught = (*taught, *_put_down(site, weather, so_far, kept.learned, now_utc))
    return Simulated(
        site=site,
        histories=histories,
        readings=run.readings,
        et0_mm=et0_mm,
        moisture=run.moisture,
        learned=taught,
        resimulate=lambda rows, happened: run_strips(start, rows, happened, run.waypoints).moisture,
        again=partial(_simulated, lies),
        unknown=unknown,
    )


def site_snow(weather: HourlyWeather) -> SiteSnow:
    """Return the snow of a site by the hours of its weather."""
    return SiteSnow(
        hour_utc=weather.hour_utc,
        depth_mm=weather.snow_lying_mm,
        melt_mm=weather.melt_mm,
        fallen_mm=weather.snow_mm,
        temp_degc=weather.temp_degc,
    )


def _sky(site: Site, weather: HourlyWeather, et0_mm: Floats, settings: Mapping[str, float]) -> Sky:
    """What comes from above, before any strip's water and surface are put in."""
    hours = len(weather.hour_utc)
    return Sky(
        et0_mm=et0_mm,
        kc_max=bare_soil.kc_max_by_hour(
            weather.wind_2m_m_s, weather.rh_pct, hour_utc=weather.hour_utc, longitude_deg=site.longitude_deg
        ),
        rain_mm=weather.water_members_mm,
        frozen=_frozen(weather, settings["freeze_temp_degc"]),
        watering_mm=np.zeros((hours, 0)),
        surface=np.zeros((hours, 0), dtype=np.int64),
    )


def _run(
    start: Start, histories: Sequence[LiftHistory], told: Mapping[str, tuple[ToldWork, ...]], n_readings: int
) -> tuple[StripsRun, tuple[tuple[ToldWork, float], ...]]:
    """Return the run of all strips with members that carry told work as done, and the share of each piece of work.

    n_readings   of all histories that find a place on the hours
    """
    n_strips, variants = len(start.site.strips), unknown_work.variants(start.site, histories, told)
    rows = [variant.s for variant in variants]
    both = run_strips(start, [*range(n_strips), *rows], [*histories, *(variant.history for variant in variants)])
    if not variants:
        return both, ()
    base, done = both.split(n_strips, n_readings)
    mixed = unknown_work.mixed(
        base.moisture,
        done.moisture,
        variants,
        hour_of=lambda at_utc: hour_index(at_utc, start.hour_utc),
        rng_of=lambda strip_id: strip_rng(start.root, strip_id, 1),
    )
    # A strip whose tests fit the told work better is judged by them: what they say against "not done" is no fault.
    row_of = {strip.id: s for s, strip in enumerate(start.site.strips)}
    by_done = {rows[v]: v for v in mixed.likeliest.tolist() if v >= 0}
    index_of = {(r.strip_id, r.at_utc, r.w_pct): i for i, r in enumerate(base.readings)}
    flags = [f for f in base.moisture.reading_flags if row_of[base.readings[f[0]].strip_id] not in by_done]
    for v in by_done.values():
        own_id = start.site.strips[rows[v]].id
        for i, key, text in done.moisture.reading_flags:
            reading = done.readings[i]
            if reading.strip_id == own_id and _is_of_variant(done.readings, i, rows, v):
                flags.append((index_of[reading.strip_id, reading.at_utc, reading.w_pct], key, text))
    moisture = replace(mixed.moisture, reading_flags=tuple(flags))
    unknown = tuple(
        (work, mixed.chance_done[work.strip_id, work.task]) for works in told.values() for work in works if work.is_open
    )
    return StripsRun(moisture=moisture, readings=base.readings, waypoints=both.waypoints), unknown


def _is_of_variant(readings: Sequence[Reading], i: int, rows: Sequence[int], v: int) -> bool:
    """Whether the i-th reading of the variants is the v-th variant's: each repeats all readings of its strip."""
    same = [k for k, r in enumerate(readings) if r == readings[i]]
    return same.index(i) == [k for k, s in enumerate(rows) if s == rows[v]].index(v)


def _season(weather: HourlyWeather, et0_mm: Floats, lifts: Sequence[Lift], stored: Sequence[LearnedSoil]) -> Season:
    """The weather so far at every hour, taken up where the newest record before the first reading put it down."""
    water_mm = weather.rain_mm + weather.melt_mm
    first = min((lift.readings_utc[0] for lift in lifts if lift.readings_utc), default=None)
    kept = [soil for soil in stored if soil.season and (first is None or soil.through_utc <= first)]
    if not kept:
        return season(water_mm, et0_mm, weather.temp_degc)
    newest = max(kept, key=lambda soil: soil.through_utc)
    at = min(max(hour_index(newest.through_utc, weather.hour_utc), 0), len(water_mm))
    rest = season(water_mm[at:], et0_mm[at:], weather.temp_degc[at:], np.array(newest.season))
    return Season(state=np.concatenate([np.repeat(rest.state[:1], at, axis=0), rest.state]))


def _put_down(
    site: Site, weather: HourlyWeather, so_far: Season, stored: Sequence[LearnedSoil], now_utc: datetime
) -> tuple[LearnedSoil, ...]:
    """The season at this moment, for later mornings: its weather where natural ground asks for it, its frost if any."""
    now = hour_index(now_utc, weather.hour_utc, nearest=False)
    if not 0 <= now < len(weather.hour_utc):
        return ()
    is_natural = any(strip.ground == ground.NATURAL for strip in site.strips)
    state = tuple(so_far.at(hour_index(now_utc, weather.hour_utc)).tolist()) if is_natural else ()
    frost = float(weather.frost_index_degc_h[now - 1]) if now > 0 else 0.0
    was_frozen = learned.frost_put_down(stored)
    keeps_frost = frost > 0.0 or (was_frozen is not None and was_frozen.index_degc_h > 0.0)
    if not state and not keeps_frost:
        return ()
    return (learned.season_put_down(state, now_utc, frost if keeps_frost else None),)


def _frozen(weather: HourlyWeather, freeze_temp_degc: float) -> npt.NDArray[np.bool_]:
    """Hours in which water in the lift does not move: frost stands in it, or its surface (else the air) freezes.

    Rain that falls in a frosty hour on ground without frost soaks in all the same: it brings its own warmth.
    """
    surface = np.where(np.isfinite(weather.surface_temp_degc), weather.surface_temp_degc, weather.temp_degc)
    is_dry = (weather.water_members_mm <= 0.0).all(axis=1)
    return np.asarray(((surface <= freeze_temp_degc) & is_dry) | weather.is_ground_frozen)
