"""One run of one site: load, compute, store. A fault on the way becomes "wait, decide on site with a test"."""

from __future__ import annotations

import hashlib
import logging
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta

import numpy as np
import sqlalchemy as sa
from pydantic_core import to_json

from gonogo import __version__, mailing, notices, planning, times
from gonogo.config import Config
from gonogo.decide.verdict import no_verdict
from gonogo.errors import GonogoError, WeatherError
from gonogo.judgement import judge
from gonogo.learned import LearnedSoil
from gonogo.mailing import Conclusion, PreparedMail
from gonogo.planning import Earlier
from gonogo.records import Answer, Decision, Entry, GaugeRain, OutlookDay, Site
from gonogo.store import history, learned, outbox, runs, schema
from gonogo.weather import past, series
from gonogo.weather.download import Downloaded, NoForecastError, earlier_forecasts
from gonogo.weather.series import HourlyWeather

log = logging.getLogger("gonogo.morning")

Fetch = Callable[[Site, datetime, Sequence[Answer]], Downloaded]
NO_FORECAST_TEXT = "There is no usable weather forecast."
COMPUTATION_TEXT = "The computation failed; the operator has been told."
OVERRUN_TEXT = "The computation took too long; the operator has been told."
CONFIG_TEXT = "The settings of the service have a fault; the operator has been told."


@dataclass(frozen=True, slots=True, kw_only=True)
class MorningResult:
    """A run as it was stored and put into the outbox."""

    site: Site
    day: date
    conclusion: Conclusion
    mails: tuple[PreparedMail, ...]
    run_id: int | None


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
            stored=stored_soil,
        )
    except WeatherError as error:
        log.warning("%s %s: no usable forecast", site.id, day)
        if isinstance(error, NoForecastError):
            keep_refused(error)
        return _no_conclusion(site, None, NO_FORECAST_TEXT, "no_forecast", (*faults, *str(error).splitlines()), "")
    except Exception as error:  # the one broad catch of a run: whatever failed, every crew is told to test on site
        log.exception("%s %s: the computation failed", site.id, day)
        return _no_conclusion(site, weather, COMPUTATION_TEXT, "not_knowable", faults, mailing.trace(error))
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
        return planning.planned(conclusion, site, entries=entries, now_utc=now_utc, earlier=earlier)
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


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """What a crew was told last: in which run, when, and about its own strips."""

    run_id: int
    at_utc: datetime
    decisions: tuple[Decision, ...]
    outlook: tuple[OutlookDay, ...]


def told(
    connection: sa.Connection, site: Site, *, before_day: date | None = None, day: date | None = None
) -> dict[str, Told]:
    """Return by crew what it was told last on a date, or on the last day before one."""
    run_ids = runs.told_runs(connection, site.id, before_day=before_day, day=day)
    by_run = {
        run_id: (runs.decisions(connection, run_id), runs.outlook(connection, run_id), at_utc)
        for run_id, at_utc in set(run_ids.values())
    }
    crew_of = {strip.id: strip.crew_id for strip in site.strips}
    by_crew: dict[str, Told] = {}
    for crew_id, (run_id, _) in run_ids.items():
        decisions, outlook, at_utc = by_run[run_id]
        by_crew[crew_id] = Told(
            run_id=run_id,
            at_utc=at_utc,
            decisions=tuple(d for d in decisions if crew_of.get(d.strip_id) == crew_id),
            outlook=tuple(o for o in outlook if crew_of.get(o.strip_id) == crew_id),
        )
    return by_crew


def told_before(connection: sa.Connection, site: Site, day: date) -> dict[str, tuple[Decision, ...]]:
    """Return by crew what it was told on the last day before a date; a crew never told anything is not there."""
    return {crew_id: one.decisions for crew_id, one in told(connection, site, before_day=day).items()}


@dataclass(frozen=True, slots=True, kw_only=True)
class Refusal:
    """Why a morning is not computed at all: every strip waits, and everybody is told so all the same.

    reason   for the crews, a sentence
    faults   for the operator

    The morning is taken from whoever may be at it, and the mails are made without template or view: one of these may
    be what takes so long.
    """

    reason: str
    faults: tuple[str, ...]


def run(
    config: Config,
    site: Site,
    *,
    store: sa.Engine,
    day: date,
    now_utc: datetime,
    deadline_utc: datetime,
    owner: str,
    fetch: Fetch,
    issue: str = "morning",
    refusal: Refusal | None = None,
) -> MorningResult | None:
    """Run a site's morning, store it and put its mails into the outbox. None where it is done or another is at it.

    refusal   why no verdict is to be made this morning, None for an ordinary morning

    Verdicts and mails are stored in one transaction: after a crash at any line the run is either whole or free to be
    taken over. Raises StoreError where the database fails, and its kind TakenOverError where another finished the
    morning since this run took too long; nothing is then half stored.
    """
    is_refused = refusal is not None
    claim = runs.claim_run(store, site.id, day, issue, now_utc=now_utc, owner=owner, takes_over=is_refused)
    if claim is None:
        return None
    try:
        answer_ids: list[int] = []
        faults: tuple[str, ...]
        if refusal is not None:
            conclusion, faults = _no_conclusion(site, None, refusal.reason, "not_knowable", refusal.faults, ""), ()
            prepared = mailing.plain_mails(config, site, day=day, issue=issue, now_utc=now_utc, reason=refusal.reason)
        else:
            conclusion, before = _computed(
                config, site, store=store, day=day, issue=issue, now_utc=now_utc, fetch=fetch, answer_ids=answer_ids
            )
            prepared, faults = mailing.mails(
                config, site, conclusion, day=day, issue=issue, now_utc=now_utc, before=before
            )
        finish(
            config,
            site,
            claim,
            conclusion,
            prepared,
            store=store,
            now_utc=now_utc,
            deadline_utc=deadline_utc,
            answer_id=answer_ids[0] if answer_ids else None,
            mail_faults=faults,
        )
    except GonogoError as error:
        runs.release_run(store, claim, now_utc=now_utc, error=str(error))
        raise
    return MorningResult(site=site, day=day, conclusion=conclusion, mails=prepared, run_id=claim.run_id)


def _computed(
    config: Config,
    site: Site,
    *,
    store: sa.Engine,
    day: date,
    issue: str,
    now_utc: datetime,
    fetch: Fetch,
    answer_ids: list[int],
) -> tuple[Conclusion, dict[str, tuple[Decision, ...]]]:
    """Load and compute; the stored answer's number is added to answer_ids even where the computation fails."""
    with schema.read(store) as connection:
        entries, answers = load(connection, config, site, now_utc)
        before = told_before(connection, site, day)
        earlier = planning.earlier(connection, site, day)
        stored_soil = learned.rows(connection, site.id, until_utc=now_utc)
    conclusion = conclude(
        config,
        site,
        day=day,
        issue=issue,
        now_utc=now_utc,
        entries=entries,
        fetch=fetch,
        stored=answers,
        keep=lambda downloaded: answer_ids.append(keep_answer(store, site, downloaded)),
        keep_refused=lambda error: keep_refused(store, site, error),
        earlier=earlier,
        stored_soil=stored_soil,
    )
    return replace(conclusion, works_before=earlier.works), before


def finish(
    config: Config,
    site: Site,
    claim: runs.Claim,
    conclusion: Conclusion,
    prepared: Sequence[PreparedMail],
    *,
    store: sa.Engine,
    now_utc: datetime,
    deadline_utc: datetime,
    answer_id: int | None,
    mail_faults: Sequence[str],
) -> None:
    """Store a run with its mails, and a word to the operator where it has no verdict or met a fault, in one step."""
    record = runs.RunRecord(
        decisions=conclusion.decisions,
        outlook=conclusion.outlook,
        config_text=_config_text(config, site),
        seed=seed(site, claim.day, claim.issue),
        program_version=__version__,
        answer_id=answer_id,
        faults=(*conclusion.faults, *(f.splitlines()[-1] for f in mail_faults)),
        error="\n".join(filter(None, (conclusion.error, *mail_faults))),
        order=conclusion.order,
    )
    is_bad = not conclusion.has_verdict or record.error
    with schema.begin(store) as connection:
        runs.finish_run(connection, claim, record, now_utc=now_utc)
        if conclusion.judgement is not None:
            lessons = conclusion.judgement.lessons
            learned.save(connection, site.id, lessons, made_utc=now_utc, run_id=claim.run_id)
        letters = [
            mailing.out_message(site, one, run_id=claim.run_id, issue=claim.issue, deadline_utc=deadline_utc)
            for one in prepared
        ]
        word = _to_operator(config, site, claim, conclusion, record, len(letters), now_utc) if is_bad else ()
        outbox.put(connection, [*letters, *word], now_utc=now_utc)


def _to_operator(
    config: Config,
    site: Site,
    claim: runs.Claim,
    conclusion: Conclusion,
    record: runs.RunRecord,
    n_mails: int,
    now_utc: datetime,
) -> tuple[outbox.OutMessage, ...]:
    """The mail that tells the operator why a run has no verdict, or what failed in it."""
    last = record.error.strip().splitlines()[-1:]
    if claim.issue != "morning" and not n_mails:
        told_crews = "The crews were not mailed again: what they were told in the morning stands."
    else:
        told_crews = f"{n_mails} mails went into the outbox all the same, and say what is not known."
    try:
        return notices.to_operator(
            config,
            site_id=site.id,
            site_name=site.name,
            day=claim.day,
            what=f"run {claim.issue}",
            subject="a mail could not be written" if conclusion.has_verdict else f"no verdict, {claim.issue}",
            lines=[conclusion.reason or "A verdict was made.", *record.faults, *last, told_crews],
            now_utc=now_utc,
            run_id=claim.run_id,
        )
    except Exception:  # a word to the operator must not cost the crews their mails
        log.exception("%s %s: the operator could not be written to", site.id, claim.day)
        return ()


def load(
    connection: sa.Connection, config: Config, site: Site, now_utc: datetime
) -> tuple[tuple[Entry, ...], tuple[Answer, ...]]:
    """Return what was recorded for a site (with the readings its config file gives) and its stored weather answers."""
    recorded = history.entries(connection, site.id)
    answers = history.recent_answers(connection, site.id, since_utc=past.wanted_since_utc(now_utc), until_utc=now_utc)
    return (*config.readings[site.id], *recorded), tuple(one.answer for one in answers)


def by_hand_deadline_utc(site: Site, day: date, now_utc: datetime, deadline_utc: datetime) -> datetime:
    """Return until when the mails of a run started by hand are worth sending: the shift's rest, an hour at least."""
    _, shift_end = times.shift_utc(site, day)
    return max(deadline_utc, shift_end, now_utc + timedelta(hours=1))


def keep_answer(store: sa.Engine, site: Site, downloaded: Downloaded) -> int:
    """Store what came, rejected answers too, and return the number of the one that is used."""
    with schema.begin(store) as connection:
        _keep_others(connection, site, downloaded.rejected, downloaded.places)
        if downloaded.is_stored:
            used = downloaded.answer
            latest = history.latest_answer(connection, site.id, service=used.service, until_utc=used.fetched_utc)
            if latest is not None:
                return latest.id
        return history.save_answer(connection, site.id, downloaded.answer)


def keep_refused(store: sa.Engine, site: Site, error: NoForecastError) -> None:
    """Store what came where none of it could be used."""
    with schema.begin(store) as connection:
        _keep_others(connection, site, error.rejected, error.places)


def _keep_others(connection: sa.Connection, site: Site, rejected: Sequence[Answer], places: Sequence[Answer]) -> None:
    for answer in rejected:
        number = history.save_answer(connection, site.id, answer)
        reason = "rejected by the checks" if answer.status in history.GOOD else f"status {answer.status}"
        history.reject_answer(connection, number, reason)
    for answer in places:
        history.save_answer(connection, site.id, answer)


def _config_text(config: Config, site: Site) -> str:
    """The accepted configuration of a site as JSON, for the record of the run; it holds no secret."""
    return to_json({"site": site, "settings": dict(config.settings[site.id])}, fallback=str).decode()
