"""From weather and what was recorded on site to verdicts and outlook: one pure function of its arguments."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime

import numpy as np

from gonogo import times
from gonogo.decide.inputs import MorningInputs
from gonogo.decide.outlook import outlook
from gonogo.decide.verdict import decide
from gonogo.moisture.learned import LearnedSoil
from gonogo.moisture.lift_history import Story
from gonogo.moisture.simulate import marched
from gonogo.records.field import Entry, Reading
from gonogo.records.site import Site
from gonogo.records.verdict import Decision, OutlookDay
from gonogo.soil import readings as tests
from gonogo.soil.ensemble import StripMoisture
from gonogo.weather.series import HourlyWeather, fallen_mm


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
    moisture: StripMoisture
    reading_notes: tuple[tuple[Reading, str, str], ...]
    closure_error_mm: float
    lessons: tuple[LearnedSoil, ...] = ()


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
    doubted = [placed_from[i] for i, key, _ in moisture.reading_flags if key in (tests.IMPOSSIBLE, tests.FAR)]
    unexplained = {placed_from[i].strip_id for i, key, _ in moisture.reading_flags if key == tests.UNEXPLAINED}
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


def _age_h(one: Story, now_utc: datetime) -> float:
    """Age of the newest reading [h], inf where there is none."""
    return (now_utc - one.readings[-1].at_utc) / times.HOUR if one.readings else np.inf


def _rained_mm(one: Story, weather: HourlyWeather, now_utc: datetime) -> float:
    """Expected rain and melt since the newest reading [mm], 0 where there is no reading, NaN where nobody knows.

    A reading from before the weather table begins could not start the members, and what fell since is unknown: such a
    strip must wait for a test.
    """
    return math.fsum(fallen_mm(weather, one.readings[-1].at_utc, now_utc)) if one.readings else 0.0
