"""From weather and what was recorded on site to verdicts and outlook: one pure function of its arguments."""

from __future__ import annotations

import math
from collections.abc import Container, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime

import numpy as np

from gonogo import times
from gonogo.decide.dry_back import Disked, disked
from gonogo.decide.inputs import MorningInputs, TestedWater
from gonogo.decide.lift_state import lift_states, with_passes
from gonogo.decide.outlook import outlook
from gonogo.decide.standing import Standing, standing
from gonogo.decide.today import Prepared, prepare
from gonogo.decide.verdict import decide
from gonogo.moisture.closer_look import with_closer
from gonogo.moisture.last_test import last_tests
from gonogo.moisture.learned import LearnedSoil
from gonogo.moisture.lift_history import LiftHistory
from gonogo.moisture.simulate import NOTHING_KEPT, Kept, Simulated, simulate, site_snow
from gonogo.moisture.strip_snow import is_own, strip_snow
from gonogo.moisture.unknown_work import ToldWork
from gonogo.records.day_plan import DayPlan, Task
from gonogo.records.field import Entry, Reading, Watering
from gonogo.records.site import Site
from gonogo.records.verdict import Decision, OutlookDay
from gonogo.soil import readings as tests
from gonogo.soil.ensemble import StripMoisture
from gonogo.weather.series import HourlyWeather, fallen_mm

WET = frozenset(("too_wet",))  # reasons from which disking is the way back


@dataclass(frozen=True, slots=True, kw_only=True)
class Judgement:
    """What a site's morning came to.

    prepared          what the decisions were made from, made ready once for all that follows
    reading_notes     (reading, flag key, text) of each reading that did not fit what the model held possible
    closure_error_mm  largest gap of the water balance of any member [mm]
    learned           what this morning's readings taught of the strips' soil, to be kept
    histories           what was recorded of each strip's present lift
    disked            by strip id, the wet ones as they would be if they were disked
    unknown           told work of which nobody knows, each with the chance that it was done
    """

    decisions: tuple[Decision, ...]
    outlook: tuple[OutlookDay, ...]
    prepared: Prepared
    moisture: StripMoisture
    reading_notes: tuple[tuple[Reading, str, str], ...]
    closure_error_mm: float
    learned: tuple[LearnedSoil, ...] = ()
    histories: tuple[LiftHistory, ...] = ()
    unknown: tuple[tuple[ToldWork, float], ...] = ()
    disked: Mapping[str, Disked] = field(default_factory=dict)

    @property
    def inputs(self) -> MorningInputs:
        """Everything that the decisions were made from."""
        return self.prepared.inputs


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteDay:
    """What is judged: a site on a local date, at a moment, with every adjustable number in force for it."""

    site: Site
    day: date
    now_utc: datetime
    settings: Mapping[str, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """The verdicts of a site, and what they were made from, before anything that only follows from them."""

    decisions: tuple[Decision, ...]
    prepared: Prepared
    done: Simulated = field(repr=False)


def judge(
    asked: SiteDay,
    *,
    weather: HourlyWeather,
    entries: Sequence[Entry],
    rng: np.random.Generator,
    kept: Kept = NOTHING_KEPT,
) -> Judgement:
    """Return the verdicts of every strip of a site for a local date, and the outlook of the days ahead: as `look`."""
    return judgement(look(asked, weather=weather, entries=entries, rng=rng, kept=kept))


def look(
    asked: SiteDay,
    *,
    weather: HourlyWeather,
    entries: Sequence[Entry],
    rng: np.random.Generator,
    kept: Kept = NOTHING_KEPT,
) -> Look:
    """Return the verdicts of every strip of a site for a local date.

    entries    readings, waterings and surface work in force, in any order; those after asked.now_utc are left out. The
               gauge's rain is part of `weather` already
    kept       what earlier runs left: what they learned of the soil, in the order in which it was stored, and what
               they told, oldest first

    Raises SoilError where soil or inputs lie outside physics. Says nothing of faults in the weather: those were
    repaired or rejected before.
    """
    done = simulate(
        asked.site,
        now_utc=asked.now_utc,
        weather=weather,
        entries=entries,
        settings=asked.settings,
        rng=rng,
        kept=kept,
    )
    return _seen(asked, done, entries, kept.plans, weather)


def look_closer(
    first: Look,
    asked: SiteDay,
    strip_ids: Container[str],
    *,
    weather: HourlyWeather,
    rng: np.random.Generator,
    entries: Sequence[Entry],
    plans: Sequence[DayPlan] = (),
) -> Look:
    """Return a look whose members of some strips are those of another weather, which has more of them.

    strip_ids        of the strips that are simulated again; the members of all others stay those of the first look
    weather          the same with more rain members; what is told of the site, and of no strip, is told by them
    entries, plans   those of the first look

    A strip's members are the same whichever others are looked at closer. Faults as of `look`.
    """
    before = first.prepared.inputs
    own = (weather if strip.id in strip_ids else before.weather_of(s) for s, strip in enumerate(before.strips))
    done = with_closer(first.done, first.done.again(weather, rng, strip_ids))
    return _seen(asked, done, entries, plans, weather, tuple(own), first.prepared)


def _seen(
    asked: SiteDay,
    done: Simulated,
    entries: Sequence[Entry],
    plans: Sequence[DayPlan],
    weather: HourlyWeather,
    own_weather: tuple[HourlyWeather, ...] | None = None,
    before: Prepared | None = None,
) -> Look:
    """The verdicts on simulated strips; own_weather as of MorningInputs, before: of the first look."""
    lifts = lift_states(
        done.site, done.histories, entries, day=asked.day, now_utc=asked.now_utc, settings=asked.settings
    )
    as_it_lies = replace(asked, site=with_passes(done.site, lifts))
    begins_utc = {strip.id: history.begins_utc for strip, history in zip(done.site.strips, done.histories, strict=True)}
    orders = standing(plans, done.unknown, asked.day, begins_utc)
    inputs = replace(_inputs(as_it_lies, done, orders, weather, own_weather), lifts=lifts)
    prepared = prepare(inputs, before)
    return Look(decisions=decide(inputs, prepared), prepared=prepared, done=done)


def judgement(seen: Look) -> Judgement:
    """Return the verdicts of a look with the outlook of the days ahead, and what disking would make of wet strips."""
    decisions, prepared, done = seen.decisions, seen.prepared, seen.done
    inputs = prepared.inputs
    # Clean granular soil lets water go by itself: disking is no way back for it.
    wet = [s for s, d in enumerate(decisions) if d.reason in WET and not inputs.material(inputs.strips[s]).is_granular]
    return Judgement(
        decisions=decisions,
        outlook=outlook(inputs, prepared),
        prepared=prepared,
        moisture=done.moisture,
        reading_notes=tuple((done.readings[i], key, text) for i, key, text in done.moisture.reading_flags),
        closure_error_mm=done.moisture.closure_error_mm,
        learned=done.learned,
        histories=done.histories,
        unknown=done.unknown,
        disked=disked(inputs, wet, done.histories, done.resimulate),
    )


def _inputs(
    asked: SiteDay,
    done: Simulated,
    orders: Mapping[str, Standing],
    weather: HourlyWeather,
    own_weather: tuple[HourlyWeather, ...] | None,
) -> MorningInputs:
    """What the decisions are made from. orders: what was told today and has begun or may have."""
    site, now_utc = asked.site, asked.now_utc
    histories, moisture, placed_from = done.histories, done.moisture, done.readings
    # A test that cannot be, or stands alone against the others, is no newer knowledge: it makes no strip fresh.
    doubted = [placed_from[i] for i, key, _ in moisture.reading_flags if key in (tests.IMPOSSIBLE, tests.FAR)]
    unexplained = {placed_from[i].strip_id for i, key, _ in moisture.reading_flags if key == tests.UNEXPLAINED}
    usable = [replace(s, readings=tuple(r for r in s.readings if r not in doubted)) for s in histories]
    both = list(zip(histories, usable, strict=True))
    newest = last_tests(site, usable, weather.hour_utc, moisture)
    from_before = {work.strip_id for work, _ in done.unknown if work.strip_id not in orders}
    return MorningInputs(
        site=site,
        strips=site.strips,
        now_utc=now_utc,
        day=asked.day,
        hour_utc=weather.hour_utc,
        w_pct=moisture.w_pct[:-1],
        w_top_pct=moisture.w_top_pct[:-1],
        w_base_pct=moisture.w_base_pct[:-1],
        et0_mm=done.et0_mm,
        weather=weather,
        own_weather=own_weather,
        reading_age_h=np.array([_age_h(s, now_utc) for s in usable]),
        rained_since_reading_mm=np.array([_rained_mm(s, weather, now_utc) for s in usable]),
        rolled=np.array([float(s.is_rolled) for s in histories]),
        surfaces=tuple(s.surface(strip) for s, strip in zip(histories, site.strips, strict=True)),
        settings=asked.settings,
        reading_doubtful=np.array([float(s.readings[-1:] != u.readings[-1:]) for s, u in both]),
        water_unexplained=np.array([float(strip.id in unexplained) for strip in site.strips]),
        work_unknown=np.array([float(strip.id in from_before) for strip in site.strips]),
        untested_water_litres_m2=np.array(
            [
                sum(w.litres for w in _untested(history)) / strip.area_m2
                for history, strip in zip(usable, site.strips, strict=True)
            ]
        ),
        last_test_pct=newest.w_pct,
        test_apart_pct=newest.apart_pct,
        last_water_utc={w.strip_id: w.at_utc for history in usable for w in _untested(history)},
        told_water={work.strip_id: work for work, _ in done.unknown if work.task == Task.WATER},
        tested_water=_tested_water(site, usable, newest.w_pct.tolist()),
        orders=orders,
        grounds={strip.id: history.ground for strip, history in zip(site.strips, histories, strict=True)},
    )


def _age_h(history: LiftHistory, now_utc: datetime) -> float:
    """Age of the newest reading [h], inf where there is none."""
    return (now_utc - history.readings[-1].at_utc) / times.HOUR if history.readings else np.inf


def _untested(usable: LiftHistory) -> tuple[Watering, ...]:
    """Water recorded since the last test that counts."""
    since = usable.readings[-1].at_utc if usable.readings else None
    return tuple(w for w in usable.waterings if since is None or w.at_utc > since)


def _tested_water(site: Site, usable: Sequence[LiftHistory], tested_pct: Sequence[float]) -> dict[str, TestedWater]:
    """Return by strip id the water since its last test that counts, with what that test says [%]."""
    found = {}
    for strip, history, w_pct in zip(site.strips, usable, tested_pct, strict=True):
        put_on = _untested(history)
        if put_on and history.readings:
            found[strip.id] = TestedWater(
                w_pct=w_pct,
                litres_m2=math.fsum(w.litres for w in put_on) / strip.area_m2,
                after_h=(put_on[0].at_utc - history.readings[-1].at_utc) / times.HOUR,
            )
    return found


def _rained_mm(history: LiftHistory, weather: HourlyWeather, now_utc: datetime) -> float:
    """Expected rain and melt since the newest reading [mm], 0 where there is no reading, NaN where nobody knows.

    A reading from before the weather table begins could not start the members, and what fell since is unknown: such a
    strip must wait for a test.
    """
    if not history.readings:
        return 0.0
    if is_own(history.ground):
        weather = replace(weather, melt_mm=strip_snow(site_snow(weather), history.ground)[1])
    return math.fsum(fallen_mm(weather, history.readings[-1].at_utc, now_utc))
