"""What an answer to a mail does, in the demo: a test result is mailed back, stored, and looked at again."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from email.message import EmailMessage
from email.policy import SMTP

from gonogo.config import Config
from gonogo.inbox.take import Desk, take
from gonogo.morning import recheck
from gonogo.outgoing.envelope import plain_text
from gonogo.outgoing.frame import RunFrame
from gonogo.records.outside import Inbox
from gonogo.records.shift import shift_utc
from gonogo.store import replies, schema
from gonogo.store.queued import Envelope
from gonogo.wording.language import speaker
from gonogo.wording.reply_words import printed

ADDRESS = "gonogo@example.com"
WHO = "The superintendent of the north crew answers the mail:"
OWN_SERVER = "mx.example.com"
STRIP, RESULT_PCT = "N4", 18.6  # its test decides in the demo's morning; this one lies inside the window
AFTER_MAIL = timedelta(hours=2, minutes=25)  # a little before the hour by which the test is wanted
LOOKED_AT_AFTER = AFTER_MAIL + timedelta(minutes=1)


@dataclass(frozen=True, slots=True, kw_only=True)
class ReplyShown:
    """An answer as it was written, and the mails that followed it."""

    lines: tuple[str, ...]
    mails: tuple[Envelope, ...]


def with_inbox(config: Config) -> Config:
    """Return a config whose mails say how they are answered. Nothing is read from anywhere."""
    inbox = Inbox(
        kind="maildir", address=ADDRESS, key="known to the demo alone", trusted_server=OWN_SERVER, checks_dkim=False
    )
    return replace(config, inbox=inbox)


def shown(frame: RunFrame, mails: Sequence[Envelope]) -> ReplyShown:
    """Answer a superintendent's mail of a morning with a test, and look at the site again as the service does.

    frame   of the morning's run, whose config has an inbox; mails: of that run
    """
    told = next(m for m in mails if m.role == "superintendent" and m.crew_id == frame.site.strip(STRIP).crew_id)
    person = next(p for p in frame.site.crew(told.crew_id).recipients if p.address == told.address)
    speak = speaker(person.language, person.units)
    line = f"{STRIP} {speak.number(RESULT_PCT, 1)} {printed(person.language, 'nuclear gauge')}"
    at_utc = frame.now_utc + AFTER_MAIL
    take(Desk(config=frame.config, store=frame.store, now_utc=at_utc), _raw(told, line, at_utc))
    with schema.read(frame.store) as connection:
        wanted = replies.recheck_wanted(connection)
    looked = replace(
        frame,
        edition=f"reply-{max(answer.id for answer in wanted)}",
        now_utc=frame.now_utc + LOOKED_AT_AFTER,
        deadline_utc=shift_utc(frame.site, frame.day)[1],
    )
    result = recheck.run_recheck(looked)
    assert result is not None, "nobody else looks at the demo's site"
    return ReplyShown(lines=(line,), mails=result.mails)


def as_text(reply: ReplyShown) -> str:
    """Return an answer and what followed it as text for a terminal."""
    quoted = "\n".join(f"  > {line}" for line in reply.lines)
    if not reply.mails:
        return f"{WHO}\n{quoted}\nIt is stored and confirmed. No verdict changes, so nobody else is mailed."
    first = next((m for m in reply.mails if m.role == "superintendent"), reply.mails[0])
    top = plain_text(first).strip().splitlines()[:14]
    mailed = "\n".join(f"  {m.name} ({m.role}): {m.subject}" for m in reply.mails)
    return "\n".join(
        [
            WHO,
            quoted,
            "It is stored and confirmed, the site is judged again, and these mails say what has changed:",
            mailed,
            "",
            *(f"  | {line}".rstrip() for line in top),
        ]
    )


def _raw(told: Envelope, line: str, at_utc: datetime) -> bytes:
    """Return the answer as the firm's mail server hands it on, which says that the sender was proven."""
    mail = EmailMessage(policy=SMTP)
    domain = told.address.rpartition("@")[2]
    mail["Authentication-Results"] = f"{OWN_SERVER}; dmarc=pass header.from={domain}"
    mail["From"] = f"{told.name} <{told.address}>"
    mail["To"] = ADDRESS
    mail["Subject"] = f"Re: {told.subject}"
    mail["Date"] = at_utc
    mail["Message-ID"] = "<answer-1@phone.example.com>"
    mail["In-Reply-To"] = told.message_id
    mail["References"] = told.message_id
    mail.set_content(f"{line}\r\n")
    return mail.as_bytes()
