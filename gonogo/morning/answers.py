"""The weather of a run: asked for, and whatever came kept before anybody reads it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta
from functools import partial

import numpy as np
import sqlalchemy as sa

from gonogo.download.forecasts import Downloaded, NoForecastError, earlier_forecasts
from gonogo.errors import GonogoError
from gonogo.moisture.learned import frost_put_down
from gonogo.morning.previous import StoredInputs
from gonogo.outgoing.frame import RunFrame
from gonogo.records.field import GaugeRain
from gonogo.records.outside import Answer
from gonogo.records.site import Site
from gonogo.store import answers as stored_answers
from gonogo.store import schema
from gonogo.store.patience import patiently
from gonogo.weather import forecast_status, past, series
from gonogo.weather.forecast_status import ForecastStatus
from gonogo.weather.frost import frost_of_config
from gonogo.weather.series import HourlyWeather


class ClockRefutedError(GonogoError):
    """Another clock says that this run is not due: it is no run. offset: that clock less the machine's."""

    def __init__(self, offset: timedelta) -> None:
        self.offset = offset
        hours = abs(offset) / timedelta(hours=1)
        super().__init__(
            f"The machine's clock is {hours:.1f} h {'behind' if offset > timedelta() else 'ahead'}: "
            "this run is not due. It is made once the clock is right. Set the clock."
        )


class AskAgainError(GonogoError):
    """No usable forecast came, the fault may pass, and there is time: the run is made again a little later."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Fetched:
    """What was downloaded for a run. answer_id: its number in the store, None where the run is only shown."""

    downloaded: Downloaded
    answer_id: int | None


def fetched(frame: RunFrame, stored: StoredInputs) -> Fetched:
    """Return the forecast of a run's site; it is stored first, so that any verdict can be explained later.

    Raises NoForecastError where none can be used; what came all the same is stored too. Raises AskAgainError where the
    fault may pass and the frame has time. Raises ClockRefutedError where the service's clock says that the run is not
    due, whether its answer can be used or not; what came is stored, but never taken for the site's newest answer.
    """
    try:
        downloaded = frame.fetch(frame.site, frame.now_utc, stored.answers)
    except NoForecastError as error:
        if frame.keeps:
            patiently(partial(keep_refused, frame.store, frame.site, error), limit_s=frame.patience_s)
        _require_due(frame, error.fresh_offset_s)
        if error.passing and frame.may_ask_again:
            raise AskAgainError(str(error)) from error
        raise
    try:
        _require_due(frame, downloaded.fresh_offset_s)
    except ClockRefutedError:
        if frame.keeps:
            patiently(partial(_keep_misdated, frame, downloaded), limit_s=frame.patience_s)
        raise
    if downloaded.is_last_resort and frame.may_ask_again:
        age_h = forecast_status.age_h(downloaded.answer.fetched_utc, frame.now_utc)
        if forecast_status.status_by_age(age_h) is not ForecastStatus.FRESH:
            raise AskAgainError("\n".join(downloaded.faults))
    answer_id = None
    if frame.keeps:
        keep = partial(keep_answer, frame.store, frame.site, downloaded)
        answer_id = patiently(keep, limit_s=frame.patience_s)
    return Fetched(downloaded=downloaded, answer_id=answer_id)


def _require_due(frame: RunFrame, offset_s: float) -> None:
    """Raise ClockRefutedError where a run is not due by a clock that is so far ahead of ours [s]; NaN tells nothing."""
    if math.isfinite(offset_s) and frame.is_refuted_by(timedelta(seconds=offset_s)):
        raise ClockRefutedError(timedelta(seconds=offset_s))


def checked(
    frame: RunFrame,
    stored: StoredInputs,
    downloaded: Downloaded,
    rng: np.random.Generator,
    *,
    n_members: int | None = None,
) -> HourlyWeather:
    """Return a download as checked weather of a site, with its gauge and its stored answers. Raises WeatherError.

    n_members   None: as many as the site's settings say
    """
    now_utc = frame.now_utc
    gauge = [e for e in stored.entries if isinstance(e, GaugeRain) and e.from_utc <= now_utc]
    needs_stored = bool(gauge) or past.is_short(downloaded.parsed, now_utc)
    weather = series.check(
        downloaded.received,
        site=frame.site,
        now_utc=now_utc,
        gauge=gauge,
        n_members=n_members or round(frame.config.settings[frame.site.id]["ensemble_members"]),
        rng=rng,
        earlier=earlier_forecasts(stored.answers, frame.site) if needs_stored else (),
    )
    frost = frost_put_down(stored.learned) or frost_of_config(frame.config.settings[frame.site.id])
    return weather if frost is None else series.with_frost(weather, frame.site, frost)


def keep_answer(store: sa.Engine, site: Site, downloaded: Downloaded) -> int:
    """Store what came, rejected answers too, and return the number of the one that is used."""
    with schema.begin(store) as connection:
        _keep_others(connection, site, downloaded.rejected, downloaded.places)
        if downloaded.is_stored:
            used = downloaded.answer
            latest = stored_answers.latest_answer(connection, site.id, service=used.service, until_utc=used.fetched_utc)
            if latest is not None:
                return latest.id
        return stored_answers.save_answer(connection, site.id, downloaded.answer)


def keep_refused(store: sa.Engine, site: Site, error: NoForecastError) -> None:
    """Store what came where none of it could be used."""
    with schema.begin(store) as connection:
        _keep_others(connection, site, error.rejected, error.places)


def _keep_misdated(frame: RunFrame, downloaded: Downloaded) -> None:
    """Store what came while the machine's clock was wrong, so that it is never the newest answer of a site."""
    with schema.begin(frame.store) as connection:
        _keep_others(connection, frame.site, downloaded.rejected, downloaded.places)
        if downloaded.is_stored:
            return
        number = stored_answers.save_answer(connection, frame.site.id, downloaded.answer)
        stored_answers.reject_answer(connection, number, "came while the machine's clock was wrong")


def _keep_others(connection: sa.Connection, site: Site, rejected: Sequence[Answer], places: Sequence[Answer]) -> None:
    for answer in rejected:
        number = stored_answers.save_answer(connection, site.id, answer)
        reason = "rejected by the checks" if answer.status in stored_answers.GOOD else f"status {answer.status}"
        stored_answers.reject_answer(connection, number, reason)
    for answer in places:
        stored_answers.save_answer(connection, site.id, answer)
