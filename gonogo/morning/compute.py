"""What a site's morning comes to. A fault on the way becomes "wait, decide on site with a test"."""

from __future__ import annotations

import hashlib
import logging
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import date, datetime

import numpy as np

from gonogo.config import Config
from gonogo.decide.conclusion import Conclusion
from gonogo.decide.judge import judge
from gonogo.decide.verdict import no_verdict
from gonogo.download.forecasts import Downloaded, Fetch, NoForecastError, earlier_forecasts
from gonogo.errors import WeatherError
from gonogo.moisture.learned import LearnedSoil
from gonogo.moisture.simulate import Kept
from gonogo.morning import plan
from gonogo.morning.previous import Earlier
from gonogo.outgoing import mails
from gonogo.records.field import Entry, GaugeRain
from gonogo.records.outside import Answer
from gonogo.records.site import Site
from gonogo.weather import past, series
from gonogo.weather.series import HourlyWeather

log = logging.getLogger("gonogo.morning.compute")

NO_FORECAST_TEXT = "There is no usable weather forecast."


COMPUTATION_TEXT = "The computation failed; the operator has been told."


OVERRUN_TEXT = "The computation took too long; the operator has been told."


CONFIG_TEXT = "The settings of the service have a fault; the operator has been told."


def seed(site: Site, day: date, issue: str) -> int:
    """Return the seed of a run's random numbers: the same morning made again draws the same members."""
    text = f"{site.id}|{day.isoformat()}|{issue}"
    return int.from_bytes(hashlib.sha256(text.encode()).digest()[:6], "big")


def conclude(
    config: Config,
    site: Site,
    *,
    day: date,
    issue: str,
    now_utc: datetime,
    entries: Sequence[Entry],
    fetch: Fetch,
    stored: Sequence[Answer],
    keep: Callable[[Downloaded], None] = lambda _: None,
    keep_refused: Callable[[NoForecastError], None] = lambda _: None,
    earlier: Earlier | None = None,
    stored_soil: Sequence[LearnedSoil] = (),
) -> Conclusion:
    """Return what the morning of a site comes to. Never raises over weather or soil: then every strip waits.

    entries   what was recorded on site and in the config
    fetch     asks the weather services; stored are the site's latest answers, newest first
    keep      called with what was downloaded before it is used, so that any verdict can be explained later
    keep_refused   called where nothing that came could be used: what came is kept all the same
    earlier   what earlier runs said, for a plan that keeps to the one before and for what changed
    stored_soil   what earlier runs learned of the strips' soil
    """
    faults: tuple[str, ...] = ()
    weather: HourlyWeather | None = None
    try:
        downloaded = fetch(site, now_utc, stored)
        keep(downloaded)
        faults = downloaded.faults
        settings = config.settings[site.id]
        rng = np.random.default_rng(seed(site, day, issue))
        weather = checked_weather(
            site,
            downloaded,
            now_utc=now_utc,
            entries=entries,
            stored=stored,
            n_members=round(settings["ensemble_members"]),
            rng=rng,
        )
        judgement = judge(
            site,
            day=day,
            now_utc=now_utc,
            weather=weather,
            entries=entries,
            settings=settings,
            rng=rng,
            kept=Kept(learned=stored_soil, plans=() if earlier is None else earlier.plans),
        )
    except WeatherError as error:
        log.warning("%s %s: no usable forecast", site.id, day)
        if isinstance(error, NoForecastError):
            keep_refused(error)
        found = _no_conclusion(site, None, NO_FORECAST_TEXT, "no_forecast", (*faults, *str(error).splitlines()), "")
        return plan.unplanned(found, site, entries=entries, day=day, now_utc=now_utc, issue=issue)
    except Exception as error:  # the one broad catch of a run: whatever failed, every crew is told to test on site
        log.exception("%s %s: the computation failed", site.id, day)
        found = _no_conclusion(site, weather, COMPUTATION_TEXT, "not_knowable", faults, mails.trace(error))
        return plan.unplanned(found, site, entries=entries, day=day, now_utc=now_utc, issue=issue)
    conclusion = Conclusion(
        decisions=judgement.decisions,
        outlook=judgement.outlook,
        weather=weather,
        judgement=judgement,
        reason="",
        faults=(*faults, *(f"{r.strip_id}: {text}" for r, _, text in judgement.reading_notes)),
        error="",
    )
    try:
        return plan.planned(conclusion, site, entries=entries, now_utc=now_utc, issue=issue, earlier=earlier)
    except Exception as error:  # a plan that fails costs nobody the verdict
        log.exception("%s %s: the order of work failed", site.id, day)
        return replace(conclusion, faults=(*conclusion.faults, f"no order of work: {error}"))


def checked_weather(
    site: Site,
    downloaded: Downloaded,
    *,
    now_utc: datetime,
    entries: Sequence[Entry],
    stored: Sequence[Answer],
    n_members: int,
    rng: np.random.Generator,
) -> HourlyWeather:
    """Return a download as checked weather of a site, with its gauge and its stored answers. Raises WeatherError."""
    gauge = [e for e in entries if isinstance(e, GaugeRain) and e.from_utc <= now_utc]
    needs_stored = bool(gauge) or past.is_short(downloaded.parsed, now_utc)
    return series.check(
        downloaded.parsed,
        site=site,
        now_utc=now_utc,
        fetched_utc=downloaded.answer.fetched_utc,
        gauge=gauge,
        n_members=n_members,
        rng=rng,
        earlier=earlier_forecasts(stored, site) if needs_stored else (),
        clock_offset_s=downloaded.clock_offset_s,
    )


def _no_conclusion(
    site: Site, weather: HourlyWeather | None, reason: str, key: str, faults: tuple[str, ...], error: str
) -> Conclusion:
    """A conclusion in which every strip waits."""
    return Conclusion(
        decisions=no_verdict(site, site.strips, key),
        outlook=(),
        weather=weather,
        judgement=None,
        reason=reason,
        faults=faults,
        error=error,
    )
