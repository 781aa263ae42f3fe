"""One mail into the database: entries, what became of the answer, and what is written back, in one transaction.

A mail is known by its own name, whatever becomes of the mailbox: taken a second time it only says where it belongs.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any

import sqlalchemy as sa

from gonogo import times
from gonogo.config import Config
from gonogo.field import doubles
from gonogo.inbox import bounces, writers
from gonogo.inbox.mailbox import MailPlace
from gonogo.inbox.queries import queries_of
from gonogo.inbox.writers import VALID, Writer
from gonogo.mail import token
from gonogo.mail.letter import Post
from gonogo.outgoing.message_id import message_id, reply_mark
from gonogo.records import shift
from gonogo.records.field import Entry, GaugeRain
from gonogo.replies import letter as letters
from gonogo.replies import trust
from gonogo.replies.answer import ReplyText, Teller, raw_answer
from gonogo.replies.grammar import Unread
from gonogo.replies.letter import Letter
from gonogo.replies.trust import DnsText
from gonogo.replies.understand import Background, Understood, own_strips, reader_of, understood
from gonogo.store import history, outbox, replies, runs, schema
from gonogo.store.history import Arrival, StoredEntry
from gonogo.store.queued import Envelope
from gonogo.store.replies import StoredReply
from gonogo.wording.language import speaker

ANSWERS_AN_HOUR = 10
LINES_READ = 200  # the newest of the site's log: doubles, the last test, and what may be taken back
ANSWER_HOURS = 24.0  # after this an answer to an answer is of no more use
OLDEST_DATE = timedelta(hours=24)  # of a mail whose own date is believed for what it tells without a time
PLACES = {"waiting": MailPlace.WAITING, "left": MailPlace.OTHER}


@dataclass(frozen=True, slots=True, kw_only=True)
class Desk:
    """What mails are taken with. dns_text: asked for the keys of signatures, None where none are verified."""

    config: Config
    store: sa.Engine
    now_utc: datetime
    dns_text: DnsText | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class _Case:
    """One answer on the desk, inside its transaction."""

    desk: Desk
    connection: sa.Connection
    letter: Letter
    writer: Writer
    number: int
    background: Background

    @property
    def teller(self) -> Teller:
        day = times.local_date(self.desk.now_utc, self.writer.site.zone)
        strips = self.background.strips or self.writer.site.strips
        return Teller(site=self.writer.site, person=self.writer.person, day=day, strips=strips)


def take(desk: Desk, raw: bytes) -> MailPlace:
    """Take a mail, and return where it belongs. Raises StoreError; nothing of it is then stored."""
    config = desk.config
    assert config.inbox is not None, "who reads answers has an inbox"
    own = (config.inbox.address, config.transport.sender, config.transport.reply_to or "")
    letter = letters.read(raw, own_addresses=frozenset(address.lower() for address in own if address))
    if letter.nature == "bounce":
        bounces.note(config, desk.store, letter, desk.now_utc)
    people = writers.on_file(config, letter.sender) if letter.nature == "reply" else ()
    if not people:
        return MailPlace.OTHER
    with schema.read(desk.store) as connection:
        known = replies.known_state(connection, letter.key)
    if known is not None:
        return PLACES.get(known, MailPlace.DONE)
    # Asks the DNS, so it stands before the transaction.
    dns_text = desk.dns_text if config.inbox.checks_dkim else None
    is_vouched = trust.is_vouched(raw, letter.sender, server=config.inbox.trusted_server, dns_text=dns_text)
    with schema.begin(desk.store) as connection:
        since_utc = desk.now_utc - VALID
        waiting = writers.asked_about(config, letter, replies.waiting(connection, letter.sender, since_utc=since_utc))
        marked = writers.marked(config, letter, people, desk.now_utc)
        of_question = next((p for p in people if waiting is not None and p.site.id == waiting.site_id), None)
        writer = of_question or marked or people[0]
        number = replies.begin_reply(
            connection,
            mail_key=letter.key,
            site_id=writer.site.id,
            address=letter.sender,
            received_utc=desk.now_utc,
        )
        if number is None:  # another service took it in this very moment
            return PLACES.get(replies.known_state(connection, letter.key) or "", MailPlace.DONE)
        at_utc = letter.sent_utc
        if at_utc is None or not desk.now_utc - OLDEST_DATE <= at_utc <= desk.now_utc:
            at_utc = desk.now_utc
        case = _Case(
            desk=desk,
            connection=connection,
            letter=letter,
            writer=writer,
            number=number,
            background=_background(connection, desk, writer, at_utc),
        )
        return _settled(case, waiting, is_proven=is_vouched and (marked or waiting) is not None)


def _settled(case: _Case, waiting: StoredReply | None, *, is_proven: bool) -> MailPlace:
    """Decide what becomes of an answer."""
    answer = _read(case, case.letter.lines, case.background)
    if answer.order == "yes" and not answer.unread:
        if waiting is not None:
            return _confirmed(case, waiting)
        answer = Understood(unread=(Unread(line="", key="nothing_waits"),))
    if answer.unread:
        return _written(case, case.teller.unread(answer.unread), state="refused")
    queries = queries_of(answer, case.connection, case.writer.site, case.background.log, case.desk.now_utc)
    if queries or not is_proven:
        orders = [line for line in case.letter.lines if answer.undo or answer.order][:10]
        entries = [meant.new.entry for meant in answer.entries]
        question = case.teller.question(
            entries, orders if answer.order or answer.undo else (), queries, is_proven=is_proven
        )
        record = {"lines": case.letter.lines, "at_utc": case.background.at_utc.isoformat()}
        return _written(case, question, state="waiting", record=record)
    return _applied(case, answer, mail_key=case.letter.key)


def _confirmed(case: _Case, waiting: StoredReply) -> MailPlace:
    """Store what waited for this yes: what was asked about then is meant."""
    at_utc = datetime.fromisoformat(waiting.record["at_utc"])
    case = replace(case, background=replace(case.background, at_utc=at_utc))
    answer = _read(case, waiting.record["lines"], case.background)
    if answer.unread:
        return _written(case, case.teller.unread(answer.unread), state="refused")
    replies.settle_reply(case.connection, waiting.id, state="confirmed", record=waiting.record, is_answered=True)
    return _applied(case, answer, mail_key=waiting.mail_key)


def _applied(case: _Case, answer: Understood, *, mail_key: str) -> MailPlace:
    """Store entries, take others back, stop or start mails, and say so. mail_key: of the mail that told them."""
    connection, now_utc, site = case.connection, case.desk.now_utc, case.writer.site
    if answer.order:
        address = case.writer.person.address
        replies.note_address(connection, address, answer.order, at_utc=now_utc, source_key=f"mail {mail_key}")
        return _written(case, case.teller.order_done(answer.order), state="stored")
    stored: list[tuple[int, Entry]] = []
    for n, meant in enumerate(answer.entries):
        new = meant.new
        number = history.add_entry(
            connection, site.id, new.entry, _arrival(now_utc, mail_key, n), corrects_id=new.corrects
        )
        stored.append((number, new.entry))
    for n, number in enumerate(answer.undo, start=len(answer.entries)):
        history.withdraw_entry(connection, site.id, number, _arrival(now_utc, mail_key, n))
    day = times.local_date(now_utc, site.zone)
    is_open = runs.last_run(connection, site.id, day=day) is not None and now_utc < shift.shift_utc(site, day)[1]
    completed = [meant.new.corrects for meant in answer.entries if meant.new.corrects is not None]
    written = case.teller.stored(stored, answer.undo, completed, is_today_open=is_open)
    strips = sorted({getattr(entry, "strip_id", "") for _, entry in stored})
    return _written(case, written, state="stored", record={"strips": strips}, wants_recheck=is_open)


def _arrival(now_utc: datetime, mail_key: str, n: int) -> Arrival:
    return Arrival(entered_utc=now_utc, entered_by="reply", source_key=f"mail {mail_key} {n}")


def _read(case: _Case, lines: Any, background: Background) -> Understood:
    """Return what the lines of an answer say, with numbers that may not be taken back as faults."""
    if not lines:
        return Understood(unread=(Unread(line="", key="nothing_found"),))
    person, site = case.writer.person, case.writer.site
    answer = understood(tuple(lines), reader_of(person, speaker(person.language, person.units)), background)
    own = {strip.id for strip in background.strips}
    known = {line.id: line for line in background.log}
    for n in (n for n in answer.undo if n not in known):  # older than what is read of the log
        known |= {line.id: line for line in history.entry_log(case.connection, site.id, limit=1, until_id=n)}
    in_force = {line.id: line for line in doubles.in_force_of(known.values())}
    wrong = [n for n in answer.undo if n not in in_force or not _is_own(in_force[n], own)]
    wrong += [n for n in set(answer.undo) if answer.undo.count(n) > 1]
    if wrong:
        return Understood(unread=tuple(Unread(line="", key="undo_unknown", what=str(n)) for n in wrong))
    return answer


def _is_own(line: StoredEntry, own: set[str]) -> bool:
    return isinstance(line.entry, GaugeRain) or getattr(line.entry, "strip_id", "") in own


def _background(connection: sa.Connection, desk: Desk, writer: Writer, at_utc: datetime) -> Background:
    return Background(
        site=writer.site,
        strips=own_strips(writer.site, [crew.id for crew in writer.crews]),
        now_utc=desk.now_utc,
        at_utc=at_utc,
        log=history.entry_log(connection, writer.site.id, limit=LINES_READ),
        readings=desk.config.readings[writer.site.id],
    )


def _written(
    case: _Case,
    written: ReplyText,
    *,
    state: str,
    record: Mapping[str, Any] | None = None,
    wants_recheck: bool = False,
) -> MailPlace:
    """Note what became of an answer, and put what is written back into the outbox, as far as its hour allows."""
    connection, now_utc, site = case.connection, case.desk.now_utc, case.writer.site
    day = times.local_date(now_utc, site.zone)
    hour_ago = now_utc - timedelta(hours=1)
    may_answer = replies.answers_since(connection, case.letter.sender, since_utc=hour_ago) < ANSWERS_AN_HOUR
    if state in ("waiting", "refused") and not may_answer:
        state = "left"  # nobody can be asked
    replies.settle_reply(
        connection,
        case.number,
        state=state,
        record=record or {},
        is_answered=may_answer,
        recheck_day=day if wants_recheck else None,
    )
    if may_answer:
        outbox.put(connection, [_envelope(case, written, is_question=state == "waiting")], now_utc=now_utc)
    return PLACES.get(state, MailPlace.DONE)


def _envelope(case: _Case, written: ReplyText, *, is_question: bool) -> Envelope:
    config, writer, now_utc = case.desk.config, case.writer, case.desk.now_utc
    assert config.inbox is not None, "who reads answers has an inbox"
    person, site = writer.person, writer.site
    day = times.local_date(now_utc, site.zone)
    mark = reply_mark(config.inbox.key, site.id, writer.crews[0].id, person.address, day)
    if is_question:
        mark = writers.question_mark(config, case.number, case.letter.sender)
    who = hashlib.sha256(case.letter.key.encode()).hexdigest()[:20]
    identity = token.with_mark(message_id(config.transport.sender, "answer", day, site.id, who), mark)
    post = Post(
        recipient=person,
        sender=config.transport.sender,
        reply_to=config.inbox.address,
        message_id=identity,
        date_utc=now_utc,
    )
    raw = raw_answer(written, post, in_reply_to=case.letter.message_id)
    return Envelope(
        message_id=identity,
        site_id=site.id,
        crew_id=writer.crews[0].id,
        kind="answer",
        role=person.role,
        name=person.name,
        address=person.address,
        subject=written.subject,
        raw=raw,
        deadline_utc=now_utc + timedelta(hours=ANSWER_HOURS),
        language=person.language,
    )
