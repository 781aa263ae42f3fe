"""Short mails for the worst days: to a reader whose mail will not come, and to the operator with the reason.

They need no template, no model and no weather. Each has a stable Message-ID, so that the same fault met again in the
same day tells nobody twice. About a notice that does not arrive there is no further notice.
"""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from functools import cache

from gonogo.config import Config
from gonogo.mail.letter import Content, Post, plain_notice, raw_message
from gonogo.outgoing.message_id import day_of, message_id
from gonogo.records import shift
from gonogo.records.foreign_text import readable
from gonogo.records.site import Recipient, Site
from gonogo.store.queued import Envelope, Fallback, Queued

OPERATOR_HOURS = 24.0  # after this a mail to the operator is of no more use: `gonogo status` says it all the same
CREW_KINDS = ("morning", "recheck")

# What the subject of a mail to the operator begins with; operator_digest.TO_DO says what to do where there are many.
NO_VERDICT = "no verdict"
NOT_WRITTEN = "a mail could not be written"
NOT_IN_TIME = "mails were not delivered in time"
NOT_REACHED = "a mail did not reach its reader"
CAME_BACK = "a mail came back"

LOST_MAIL_TEXT = "This morning's mail could not be sent."
LATE_MAIL_TEXT = "This morning's mail could not be delivered in time."
LATE_RECHECK_TEXT = "Verdicts of this morning have changed, and the mail that says so could not be delivered in time."


@dataclass(frozen=True, slots=True, kw_only=True)
class OperatorNotice:
    """A fault that the operator is told of.

    what    names the fault: one mail for each fault of a site and a date
    lines   what happened, a sentence each
    """

    site_id: str
    site_name: str
    day: date
    what: str
    subject: str
    lines: Sequence[str]


def to_operator(config: Config, notice: OperatorNotice, *, now_utc: datetime) -> tuple[Envelope, ...]:
    """Return the mail that tells the operator of a fault; none where the config names no operator."""
    address = config.operator_address
    if address is None:
        return ()
    subject = f"gonogo: {notice.subject} - {notice.site_name} - {notice.day.isoformat()}"
    body = "\n".join(
        textwrap.fill(readable(line), 76, subsequent_indent="  ", break_on_hyphens=False) for line in notice.lines
    )
    text = f"{subject}\n\n{body}\n\n`gonogo status` shows every mail and every run.\n"
    who = f"{notice.what}|{address}"
    identity = message_id(config.transport.sender, "operator", notice.day, notice.site_id, who)
    post = Post(
        recipient=Recipient(name="gonogo operator", address=address, role="operator"),
        sender=config.transport.sender,
        reply_to="",
        message_id=identity,
        date_utc=now_utc,
    )
    raw = raw_message(post, Content(subject=subject, text=text))
    return (
        Envelope(
            message_id=identity,
            site_id=notice.site_id,
            crew_id="",
            kind="operator",
            role="operator",
            name="gonogo operator",
            address=address,
            subject=subject,
            raw=raw,
            deadline_utc=now_utc + timedelta(hours=OPERATOR_HOURS),
        ),
    )


def notice_to_reader(config: Config, site: Site, queued: Queued, *, now_utc: datetime) -> tuple[Envelope, ...]:
    """Return the short notice for a reader whose mail will not come; none where the working day is over too."""
    day = day_of(queued, site)
    _, shift_end_utc = shift.shift_utc(site, day)
    if queued.kind not in CREW_KINDS or shift_end_utc <= now_utc:
        return ()
    identity = message_id(config.transport.sender, "late", day, site.id, queued.message_id)
    post = Post(
        recipient=Recipient(name=queued.name, address=queued.address, role=queued.role, language=queued.language),
        sender=config.transport.sender,
        reply_to=config.transport.reply_to or "",
        message_id=identity,
        date_utc=now_utc,
    )
    late = LATE_RECHECK_TEXT if queued.kind == "recheck" else LATE_MAIL_TEXT
    reason = LOST_MAIL_TEXT if queued.state == "set_aside" else late
    notice = plain_notice(post, site=site.name, day=day, reason=reason)
    return (
        Envelope(
            message_id=identity,
            site_id=queued.site_id,
            crew_id=queued.crew_id,
            kind="notice",
            role=queued.role,
            name=queued.name,
            address=queued.address,
            subject=notice.subject,
            raw=notice.raw,
            deadline_utc=shift_end_utc,
            language=queued.language,
            run_id=queued.run_id,
        ),
    )


def expired_fallback(config: Config, now_utc: datetime) -> Fallback:
    """Return what makes of each mail that was too late: a notice to its reader, and one mail to the operator."""

    by_id = _by_id(config)

    def fallback(queued: Queued) -> Iterable[Envelope]:
        site = by_id().get(queued.site_id)
        if queued.kind not in CREW_KINDS or site is None:
            return ()
        notice = OperatorNotice(
            site_id=site.id,
            site_name=site.name,
            day=day_of(queued, site),
            what=f"late {queued.kind}",
            subject=NOT_IN_TIME,
            lines=(
                f"Mails of {site.name} waited past their deadline and were not sent any more; the first was for the "
                f"{queued.role} of crew {queued.crew_id}.",
                f"Last fault: {_last_fault(queued)}",
                "Their readers get a short notice instead, until the end of the shift: no verdict, test on site.",
            ),
        )
        to_reader = notice_to_reader(config, site, queued, now_utc=now_utc)
        return (*to_reader, *to_operator(config, notice, now_utc=now_utc))

    return fallback


def failed_fallback(config: Config, now_utc: datetime) -> Fallback:
    """Return what makes of each mail that was refused for good or became a dead letter: a mail to the operator.

    A dead letter's reader gets a plain notice instead.
    """

    by_id = _by_id(config)

    def fallback(queued: Queued) -> Iterable[Envelope]:
        if queued.kind == "operator":
            return ()
        site = by_id().get(queued.site_id)
        is_refused = queued.state == "refused"
        how = "was refused by the mail server for good" if is_refused else "was given up after many faults"
        # What a server refuses from us it refuses again; a mail that kills its worker may be replaced by a plain one.
        is_replaced = not is_refused and site is not None and queued.kind in CREW_KINDS
        to_reader = notice_to_reader(config, site, queued, now_utc=now_utc) if is_replaced and site else ()
        outcome = "a plain notice goes instead" if to_reader else "that person was not told"
        notice = OperatorNotice(
            site_id=queued.site_id,
            site_name=site.name if site else queued.site_id,
            day=day_of(queued, site),
            what=f"{queued.state} {queued.message_id}",
            subject=NOT_REACHED,
            lines=(
                f"The mail for the {queued.role} of crew {queued.crew_id} {how}: {outcome}.",
                f"Fault: {_last_fault(queued)}",
                "Tell that crew by other means, and check the address in the site's file.",
            ),
        )
        return (*to_reader, *to_operator(config, notice, now_utc=now_utc))

    return fallback


def _by_id(config: Config) -> Callable[[], Mapping[str, Site]]:
    """What gives the sites of a config by id, made when it is first asked: most rounds ask nothing, some a thousand."""
    return cache(lambda: {site.id: site for site in config.sites})


def _last_fault(queued: Queued) -> str:
    return queued.last_error.strip().splitlines()[-1] if queued.last_error.strip() else "none noted"
