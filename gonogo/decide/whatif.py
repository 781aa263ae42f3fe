"""What a strip would do with other water, rain, disking or delay: the morning judged twice with the same members."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

import numpy as np

from gonogo import times
from gonogo.decide.inputs import MorningInputs
from gonogo.decide.judge import Judgement, SiteDay, judge
from gonogo.decide.outlook import outlook
from gonogo.decide.verdict import decide
from gonogo.moisture.learned import LearnedSoil
from gonogo.moisture.simulate import Kept
from gonogo.records.field import Entry, SurfaceWork, Watering
from gonogo.records.verdict import Decision, OutlookDay
from gonogo.weather.series import HourlyWeather, fallen_mm

RAIN_LASTS_H = 3  # the rain that is asked about falls evenly over so many hours from now on


@dataclass(frozen=True, slots=True, kw_only=True)
class Turn:
    """What is imagined, all of it from now on; nothing is imagined where every field keeps its default.

    litres    put on the strip now [litres]
    rain_mm   falls on the whole site within RAIN_LASTS_H hours, on top of what is forecast [mm]
    is_disked the strip is disked now
    delay_h   work begins so much later [h]
    """

    litres: float = 0.0
    rain_mm: float = 0.0
    is_disked: bool = False
    delay_h: float = 0.0

    @property
    def changes_anything(self) -> bool:
        """Whether water, rain or disking is imagined: a delay alone leaves the strip as it is."""
        return self.litres > 0.0 or self.rain_mm > 0.0 or self.is_disked


@dataclass(frozen=True, slots=True, kw_only=True)
class Course:
    """What one strip would do: its decision and the days ahead."""

    decision: Decision
    outlook: tuple[OutlookDay, ...]


def courses(
    asked: SiteDay,
    strip_id: str,
    turn: Turn,
    *,
    weather: HourlyWeather,
    entries: Sequence[Entry],
    seed: int,
    stored_soil: Sequence[LearnedSoil] = (),
) -> tuple[Course, Course]:
    """Return what a strip does as things are, and what it would do after a turn.

    seed          of the members; both courses draw the same, so that what differs comes of the turn alone
    stored_soil   what earlier runs learned of the strips' soil
    """

    def judged(sky: HourlyWeather, known: Sequence[Entry]) -> Judgement:
        rng = np.random.default_rng(seed)
        return judge(asked, weather=sky, entries=known, rng=rng, kept=Kept(learned=stored_soil))

    is_it = judged(weather, entries)
    would = is_it
    if turn.changes_anything:
        would = judged(*imagined(turn, strip_id, asked.now_utc, weather, entries))
    as_is = course(strip_id, is_it.decisions, is_it.outlook)
    if turn.delay_h == 0.0:
        return as_is, course(strip_id, would.decisions, would.outlook)
    return as_is, delayed(would, strip_id, turn.delay_h)


def imagined(
    turn: Turn, strip_id: str, now_utc: datetime, weather: HourlyWeather, entries: Sequence[Entry]
) -> tuple[HourlyWeather, tuple[Entry, ...]]:
    """Return weather and entries as they would be after a turn; a delay changes neither."""
    added: list[Entry] = []
    if turn.litres > 0.0:
        added.append(Watering(strip_id=strip_id, at_utc=now_utc, litres=turn.litres))
    if turn.is_disked:
        added.append(SurfaceWork(strip_id=strip_id, at_utc=now_utc, work="disked"))
    return weather if turn.rain_mm == 0.0 else _rained(weather, now_utc, turn.rain_mm), (*entries, *added)


def delayed(judgement: Judgement, strip_id: str, delay_h: float) -> Course:
    """Return what a strip would do if work began so many hours later [h]."""
    later = _later(judgement.inputs, delay_h)
    return course(strip_id, decide(later), outlook(later))


def course(strip_id: str, decisions: Sequence[Decision], ahead: Sequence[OutlookDay]) -> Course:
    """Return one strip of a site's verdicts and days ahead."""
    return Course(
        decision=next(d for d in decisions if d.strip_id == strip_id),
        outlook=tuple(row for row in ahead if row.strip_id == strip_id),
    )


def _rained(weather: HourlyWeather, now_utc: datetime, rain_mm: float) -> HourlyWeather:
    """The weather with rain added to every member from the hour of now on."""
    extra = np.zeros(len(weather.hour_utc))
    first = int(np.searchsorted(weather.hour_utc, times.as_hour(now_utc)))
    hours = slice(first, min(first + RAIN_LASTS_H, len(extra)))
    extra[hours] = rain_mm / RAIN_LASTS_H
    return replace(
        weather,
        rain_mm=weather.rain_mm + extra,
        rain_members_mm=weather.rain_members_mm + extra[:, np.newaxis],
        rain_peaks_mm=weather.rain_peaks_mm + extra[:, np.newaxis],
    )


def _later(inputs: MorningInputs, delay_h: float) -> MorningInputs:
    """The same members, looked at some hours later: rain and age of the readings have gone on."""
    now_utc = inputs.now_utc + timedelta(hours=delay_h)
    weather = inputs.weather
    more_mm = math.fsum(fallen_mm(weather, inputs.now_utc, now_utc))
    rained = inputs.rained_since_reading_mm + np.where(np.isinf(inputs.reading_age_h), 0.0, more_mm)
    return replace(
        inputs,
        now_utc=now_utc,
        day=times.local_date(now_utc, inputs.site.zone),
        reading_age_h=inputs.reading_age_h + delay_h,
        rained_since_reading_mm=rained,
        # The forecast is that of now: the question is not how it would have aged.
        weather=replace(weather, fetched_utc=weather.fetched_utc + timedelta(hours=delay_h)),
    )
