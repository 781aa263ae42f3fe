"""A second service as a check: asked only where a verdict hangs on the forecast, and told in the mail either way."""

from __future__ import annotations

import logging
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from gonogo.decide.judge import Judgement
from gonogo.download.forecasts import CHECK_HEADER, Downloaded
from gonogo.errors import WeatherError
from gonogo.morning.answers import checked, keep_answer
from gonogo.morning.previous import StoredInputs
from gonogo.outgoing.frame import RunFrame
from gonogo.records.verdict import Verdict
from gonogo.store.patience import patiently
from gonogo.weather import services, two_forecasts
from gonogo.weather.forecast_status import ForecastStatus
from gonogo.weather.notes import Note, note
from gonogo.weather.series import HourlyWeather

log = logging.getLogger("gonogo.morning.second_service")


def hangs_on_weather(judgement: Judgement) -> bool:
    """Return whether a strip is told to be compacted."""
    return any(decision.verdict is Verdict.COMPACT for decision in judgement.decisions)


@dataclass(frozen=True, slots=True, kw_only=True)
class Second:
    """What a second service says of a morning's weather.

    notes   what a mail says of it; other: its forecast where it says otherwise, so that it is judged again with both
    """

    notes: tuple[Note, ...] = ()
    other: Downloaded | None = None

    def noted(self, weather: HourlyWeather) -> HourlyWeather:
        """Return weather with the notes on it."""
        return replace(weather, notes=(*weather.notes, *self.notes)) if self.notes else weather


def looked_at(frame: RunFrame, stored: StoredInputs, weather: HourlyWeather, rng: np.random.Generator) -> Second:
    """Return what a second service says of the weather. Where none is set up, nothing is asked."""
    if frame.second is None:
        return Second()
    others = [settings.name for settings in frame.config.services if settings.name != weather.service]
    if not others:
        return Second()
    try:
        downloaded = frame.second(frame.site, frame.now_utc, stored.answers, weather.service)
        second = checked(frame, stored, downloaded, rng, n_members=weather.rain_members_mm.shape[1])
    except WeatherError as error:
        log.warning("no second forecast: %s", error, extra={"site": frame.site.id, "day": frame.day})
        return _told("second_silent", others[0])
    _keep(frame, downloaded)
    if second.status is not ForecastStatus.FRESH:
        return _told("second_silent", second.service)
    if not two_forecasts.differs(weather, second, place=frame.site.place, now_utc=frame.now_utc):
        return _told("second_agrees", second.service)
    return replace(_told("second_disagrees", second.service), other=downloaded)


def mixed(
    frame: RunFrame, stored: StoredInputs, weather: HourlyWeather, other: Downloaded, rng: np.random.Generator
) -> HourlyWeather:
    """Return weather with every other member of a second service. Raises WeatherError."""
    second = checked(frame, stored, other, rng, n_members=weather.rain_members_mm.shape[1])
    return two_forecasts.mixed(weather, second, now_utc=frame.now_utc)


def _told(key: str, service: str) -> Second:
    return Second(notes=(note(key, service=services.title(service)),))


def _keep(frame: RunFrame, downloaded: Downloaded) -> None:
    """Keep a second answer as it came, so that the morning can be made again."""
    if frame.keeps and not downloaded.is_stored:
        headers = {**downloaded.answer.headers, CHECK_HEADER: "1"}
        second = replace(downloaded, answer=replace(downloaded.answer, headers=headers))
        patiently(partial(keep_answer, frame.store, frame.site, second), limit_s=frame.patience_s)
