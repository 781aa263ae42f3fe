"""One run of one site: load, compute, store. A fault on the way becomes "wait, decide on site with a test"."""

from __future__ import annotations

import hashlib
import logging
import traceback
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from email.utils import parseaddr

import numpy as np
import sqlalchemy as sa
from pydantic_core import to_json

from gonogo import __version__, times
from gonogo.config import Config
from gonogo.decide.verdict import no_verdict
from gonogo.errors import GonogoError, WeatherError
from gonogo.judgement import Judgement, judge
from gonogo.mail import view as mail_view
from gonogo.mail.letter import RenderedMail, plain_notice
from gonogo.mail.phrases import Phrase
from gonogo.mail.render import message
from gonogo.records import Answer, Crew, Decision, Entry, GaugeRain, OutlookDay, Recipient, Site
from gonogo.store import history, outbox, runs, schema
from gonogo.weather import past, series
from gonogo.weather.download import Downloaded, NoForecastError, earlier_forecasts
from gonogo.weather.series import HourlyWeather

log = logging.getLogger("gonogo.morning")

Fetch = Callable[[Site, datetime, Sequence[Answer]], Downloaded]
NO_FORECAST_TEXT = "There is no usable weather forecast."
COMPUTATION_TEXT = "The computation failed; the operator has been told."


@dataclass(frozen=True, slots=True, kw_only=True)
class Conclusion:
    """What a run came to before it is stored.

    weather    None where no usable forecast was found
    judgement  None where there is no verdict; `reason` then says why, for the crews
    faults     repairs and passing troubles, a sentence each, for the operator
    error      traceback of what failed, "" where nothing did
    """

    decisions: tuple[Decision, ...]
    outlook: tuple[OutlookDay, ...]
    weather: HourlyWeather | None
    judgement: Judgement | None
    reason: str
    faults: tuple[str, ...]
    error: str

    @property
    def has_verdict(self) -> bool:
        return self.judgement is not None and self.weather is not None and self.weather.rung is not series.Rung.NONE


@dataclass(frozen=True, slots=True, kw_only=True)
class PreparedMail:
    """A rendered mail with whom it is for."""

    crew: Crew
    recipient: Recipient
    message_id: str
    mail: RenderedMail


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
) -> Conclusion:
    """Return what the morning of a site comes to. Never raises over weather or soil: then every strip waits.

    entries   what was recorded on site and in the config
    fetch     asks the weather services; stored are the site's latest answers, newest first
    keep      called with what was downloaded before it is used, so that any verdict can be explained later
    keep_refused   called where nothing that came could be used: what came is kept all the same
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
        judgement = judge(site, day=day, now_utc=now_utc, weather=weather, entries=entries, settings=settings, rng=rng)
    except WeatherError as error:
        log.warning("%s %s: no usable forecast", site.id, day)
        if isinstance(error, NoForecastError):
            keep_refused(error)
        return _no_conclusion(site, None, NO_FORECAST_TEXT, "no_forecast", (*faults, *str(error).splitlines()), "")
    except Exception as error:  # the one broad catch of a run: whatever failed, every crew is told to test on site
        log.exception("%s %s: the computation failed", site.id, day)
        return _no_conclusion(site, weather, COMPUTATION_TEXT, "not_knowable", faults, _trace(error))
    return Conclusion(
        decisions=judgement.decisions,
        outlook=judgement.outlook,
        weather=weather,
        judgement=judgement,
        reason="",
        faults=(*faults, *(f"{r.strip_id}: {text}" for r, _, text in judgement.reading_notes)),
        error="",
    )


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


def mails(
    config: Config,
    site: Site,
    conclusion: Conclusion,
    *,
    day: date,
    issue: str,
    now_utc: datetime,
    before: Sequence[Decision] | None,
) -> tuple[tuple[PreparedMail, ...], tuple[str, ...]]:
    """Return one mail for each recipient of each crew, and the faults met on the way.

    before   what the crews were told last, None where there is no earlier mail

    A view or a template that fails costs nobody the mail: those people get a plain notice that no verdict could be
    made, which needs neither.
    """
    prepared: list[PreparedMail] = []
    faults: list[str] = []
    sender, reply_to = config.transport.sender, config.transport.reply_to or ""
    for crew in site.crews:
        for recipient in crew.recipients:
            message_id = mail_id(site, day, issue, crew, recipient, sender)
            try:
                view = mail_view.build(
                    site,
                    crew,
                    day=day,
                    decisions=conclusion.decisions,
                    outlook=conclusion.outlook,
                    weather=conclusion.weather,
                    now_utc=now_utc,
                    issue=issue,
                    changes=_flips(site, crew, before, conclusion.decisions),
                )
                mail = message(
                    view, recipient, sender=sender, reply_to=reply_to, message_id=message_id, date_utc=now_utc
                )
            except Exception as error:  # second line of the same catch: the notice below needs no template
                log.exception("%s %s: the mail of role %s failed", site.id, day, recipient.role)
                faults.append(_trace(error))
                mail = plain_notice(
                    recipient,
                    site=site.name,
                    day=day,
                    reason=conclusion.reason or "The mail could not be written; the operator has been told.",
                    sender=sender,
                    reply_to=reply_to,
                    message_id=message_id,
                    date_utc=now_utc,
                )
            prepared.append(PreparedMail(crew=crew, recipient=recipient, message_id=message_id, mail=mail))
    return tuple(prepared), tuple(faults)


def _flips(
    site: Site, crew: Crew, before: Sequence[Decision] | None, now: Sequence[Decision]
) -> tuple[Phrase, ...] | None:
    """A sentence for each strip of a crew whose verdict is another than it was last told."""
    if before is None:
        return None
    told = {d.strip_id: d.verdict for d in before}
    return tuple(
        mail_view.flip(site.strip(d.strip_id).name, told[d.strip_id], d.verdict)
        for d in now
        if site.strip(d.strip_id).crew_id == crew.id and told.get(d.strip_id, d.verdict) != d.verdict
    )


def told_before(connection: sa.Connection, site: Site, day: date) -> tuple[Decision, ...] | None:
    """Return what the crews of a site were told on the last day before a date, None where there was none."""
    last = runs.last_run(connection, site.id, before_day=day)
    return None if last is None else runs.decisions(connection, last.id)


def mail_id(site: Site, day: date, issue: str, crew: Crew, recipient: Recipient, sender: str) -> str:
    """Return the Message-ID of a person's mail: the same for the same site, date, issue, crew and person."""
    who = hashlib.sha256(f"{crew.id}|{recipient.role}|{recipient.address}".encode()).hexdigest()[:20]
    host = parseaddr(sender)[1].rpartition("@")[2]
    return f"<{issue}.{day:%Y%m%d}.{site.id}.{who}@{host}>"


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
) -> MorningResult | None:
    """Run a site's morning, store it and put its mails into the outbox. None where it is done or another is at it.

    Verdicts and mails are stored in one transaction: after a crash at any line the run is either whole or free to be
    taken over. Raises StoreError where the database fails; nothing is then half stored.
    """
    claim = runs.claim_run(store, site.id, day, issue, now_utc=now_utc, owner=owner)
    if claim is None:
        return None
    try:
        with schema.read(store) as connection:
            entries, answers = load(connection, config, site, now_utc)
            before = told_before(connection, site, day)
        answer_ids: list[int] = []
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
        )
        prepared, faults = mails(config, site, conclusion, day=day, issue=issue, now_utc=now_utc, before=before)
        record = runs.RunRecord(
            decisions=conclusion.decisions,
            outlook=conclusion.outlook,
            config_text=_config_text(config, site),
            seed=seed(site, day, issue),
            program_version=__version__,
            answer_id=answer_ids[0] if answer_ids else None,
            faults=(*conclusion.faults, *(f.splitlines()[-1] for f in faults)),
            error="\n".join(filter(None, (conclusion.error, *faults))),
        )
        with schema.begin(store) as connection:
            runs.finish_run(connection, claim, record, now_utc=now_utc)
            outbox.put(
                connection,
                [_out(site, one, claim.run_id, issue, deadline_utc) for one in prepared],
                now_utc=now_utc,
            )
    except GonogoError as error:
        runs.release_run(store, claim, now_utc=now_utc, error=str(error))
        raise
    return MorningResult(site=site, day=day, conclusion=conclusion, mails=prepared, run_id=claim.run_id)


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
        history.reject_answer(connection, number, "rejected by the checks")
    for answer in places:
        history.save_answer(connection, site.id, answer)


def _out(site: Site, one: PreparedMail, run_id: int, issue: str, deadline_utc: datetime) -> outbox.OutMessage:
    return outbox.OutMessage(
        message_id=one.message_id,
        site_id=site.id,
        crew_id=one.crew.id,
        kind=issue,
        role=one.recipient.role,
        name=one.recipient.name,
        address=one.recipient.address,
        subject=one.mail.subject,
        raw=one.mail.raw,
        deadline_utc=deadline_utc,
        language=one.recipient.language,
        run_id=run_id,
    )


def _config_text(config: Config, site: Site) -> str:
    """The accepted configuration of a site as JSON, for the record of the run; it holds no secret."""
    return to_json({"site": site, "settings": dict(config.settings[site.id])}, fallback=str).decode()


def _trace(error: Exception) -> str:
    return "".join(traceback.format_exception(error))
