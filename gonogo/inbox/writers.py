"""Who wrote an answer: the people on file under its address, and whether it carries the mark of a mail of theirs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from gonogo import times
from gonogo.config import Config
from gonogo.mail import token
from gonogo.outgoing.message_id import reply_mark
from gonogo.records.site import Crew, Recipient, Site
from gonogo.replies.letter import Letter
from gonogo.store.replies import StoredReply

VALID = timedelta(hours=48)  # how long after its mail a mark holds, and a question waits


@dataclass(frozen=True, slots=True, kw_only=True)
class Writer:
    """A person on file. crews: those of the site that this person belongs to."""

    site: Site
    person: Recipient
    crews: tuple[Crew, ...]


def on_file(config: Config, address: str) -> tuple[Writer, ...]:
    """Return the person of an address at each site."""
    found = []
    for site in config.sites:
        own = [(crew, p) for crew in site.crews for p in crew.recipients if p.address.lower() == address]
        if own:
            found.append(Writer(site=site, person=own[0][1], crews=tuple(crew for crew, _ in own)))
    return tuple(found)


def marked(config: Config, letter: Letter, writers: Sequence[Writer], now_utc: datetime) -> Writer | None:
    """Return the writer whose mail an answer's mark is of, None where it carries none that holds."""
    assert config.inbox is not None, "who reads answers has an inbox"
    for writer in writers:
        today = times.local_date(now_utc, writer.site.zone)
        for day in (today + timedelta(days=n) for n in range(-3, 2)):
            sent_utc = times.moment_utc(day, writer.site.mail_at, writer.site.zone)
            if sent_utc + VALID <= now_utc:
                continue
            for crew in writer.crews:
                made = reply_mark(config.inbox.key, writer.site.id, crew.id, writer.person.address, day)
                if token.holds(letter.marks, made):
                    return writer
    return None


def question_mark(config: Config, number: int, address: str) -> str:
    """Return the mark of the question that an answer was met with."""
    assert config.inbox is not None, "who reads answers has an inbox"
    return token.mark(config.inbox.key, "yes", str(number), address)


def asked_about(config: Config, letter: Letter, waiting: Sequence[StoredReply]) -> StoredReply | None:
    """Return the waiting answer whose question a letter answers, None where it answers none."""
    return next((w for w in waiting if token.holds(letter.marks, question_mark(config, w.id, w.address))), None)
