"""The score of the last weeks as a mail: to the superintendents and planners who want it, and to the operator."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from functools import cache
from importlib import resources

import jinja2

from gonogo.book.export import Covered
from gonogo.book.score import Score
from gonogo.book.score_view import ahead, text, view
from gonogo.config import Config
from gonogo.mail.letter import Content, Post, raw_message
from gonogo.mail.role import load_role
from gonogo.outgoing.message_id import message_id
from gonogo.records.shift import is_working_day
from gonogo.records.site import Recipient, Site
from gonogo.store.queued import Envelope
from gonogo.wording.language import Speaker, speaker
from gonogo.wording.phrases import Number

KIND = "score"
SCORED_DAYS = 28
USEFUL_FOR = timedelta(days=3)
BAR_PX = 180  # of the greatest error


@dataclass(frozen=True, slots=True, kw_only=True)
class _Bar:
    """One bar of the mail's picture: its length, and its number as text."""

    px: int
    text: str


def is_due(site: Site, now_utc: datetime) -> date | None:
    """Return the local date on which this week's score goes out, if that is today and its hour has come.

    It goes on the first working day of the week, once the morning's mails are of no more use to wait for.
    """
    local = now_utc.astimezone(site.zone)
    monday = local.date() - timedelta(days=local.weekday())
    week = (monday + timedelta(days=n) for n in range(7))
    first = next((day for day in week if is_working_day(site, day)), None)
    return first if first == local.date() and local.time() >= site.deadline else None


def covered_by(site: Site, day: date) -> Covered:
    """Return the days that the score of a date covers: those before it."""
    return Covered(site=site, first=day - timedelta(days=SCORED_DAYS), last=day - timedelta(days=1))


def score_mails(config: Config, covered: Covered, score: Score, *, now_utc: datetime) -> tuple[Envelope, ...]:
    """Return the mails that tell a score; none where nothing was scored and no mail went in that time."""
    if not score.n_mails:
        return ()
    return tuple(_envelope(config, covered, score, person, now_utc=now_utc) for person in readers(config, covered.site))


def readers(config: Config, site: Site) -> Iterator[Recipient]:
    """Yield who gets the score, each address once: those of a role that gets it and did not leave it, the operator."""
    seen: set[str] = set()
    people = [person for crew in site.crews for person in crew.recipients]
    wanted = [person for person in people if person.score_mail and load_role(person.role).gets_score]
    if config.operator_address is not None:
        wanted.append(Recipient(name="gonogo operator", address=config.operator_address, role="operator"))
    for person in wanted:
        if person.address.lower() not in seen:
            seen.add(person.address.lower())
            yield person


def _envelope(config: Config, covered: Covered, score: Score, person: Recipient, *, now_utc: datetime) -> Envelope:
    speak = speaker(person.language, person.units)
    shown = view(covered, score, speak)
    sender, site = config.transport.sender, covered.site
    identity = message_id(sender, KIND, covered.last + timedelta(days=1), site.id, person.address)
    post = Post(recipient=person, sender=sender, reply_to="", message_id=identity, date_utc=now_utc)
    body = f"{text(shown)}\n\n{speak.word('score.leave')}\n"
    html = _template().render(
        view=shown, word=speak.word, language=speak.words.language, bars=list(_bars(score, speak))
    )
    raw = raw_message(post, Content(subject=shown.title, text=body, html=html, language=person.language))
    return Envelope(
        message_id=identity,
        site_id=site.id,
        crew_id="",
        kind=KIND,
        role=person.role,
        name=person.name,
        address=person.address,
        subject=shown.title,
        raw=raw,
        deadline_utc=now_utc + USEFUL_FOR,
        language=person.language,
    )


def _bars(score: Score, speak: Speaker) -> Iterator[tuple[str, _Bar, _Bar]]:
    """The picture of the mail: at each lead the error of the forecast beside that of "as last tested"."""
    leads = [lead for lead in score.leads if not math.isnan(lead.rmse_pct)]
    most = max((max(lead.rmse_pct, lead.as_tested_pct) for lead in leads), default=1.0) or 1.0

    def bar(value: float) -> _Bar:
        number = speak.say(Number(value=round(value, 2), decimals=2))
        return _Bar(px=max(round(BAR_PX * value / most), 1), text=number)

    for lead in leads:
        yield ahead(lead.lead_days, speak), bar(lead.rmse_pct), bar(lead.as_tested_pct)


@cache
def _template() -> jinja2.Template:
    source = resources.files("gonogo.book").joinpath("score_mail.html").read_text("utf-8")
    environment = jinja2.Environment(
        autoescape=True, undefined=jinja2.StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    return environment.from_string(source)
