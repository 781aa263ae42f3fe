"""Short mails for the worst days: to a reader whose mail will not come, and to the operator with the reason.

They need no template, no model and no weather. Each has a stable Message-ID, so that the same trouble met again in the
same day tells nobody twice. About a notice that does not arrive there is no further notice.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Sequence
from datetime import date, datetime, timedelta

from gonogo.config import Config
from gonogo.mail.letter import plain_notice, raw_message
from gonogo.outgoing.message_id import day_of, message_id
from gonogo.records import shift
from gonogo.records.site import Recipient, Site
from gonogo.store.outbox import Instead, OutMessage, Queued

OPERATOR_HOURS = 24.0  # after this a word to the operator is of no more use: `gonogo status` says it all the same
CREW_KINDS = ("morning", "later_look")

LATE_MAIL_TEXT = "This morning's mail could not be delivered in time."
LATE_LOOK_TEXT = "Verdicts of this morning have changed, and the mail that says so could not be delivered in time."


def to_operator(
    config: Config,
    *,
    site_id: str,
    site_name: str,
    day: date,
    what: str,
    subject: str,
    lines: Sequence[str],
    now_utc: datetime,
    run_id: int | None = None,
) -> tuple[OutMessage, ...]:
    """Return the mail that tells the operator of a trouble; none where the config names no operator.

    what    names the trouble: one mail for each trouble of a site and a date
    lines   what happened, a sentence each
    """
    address = config.operator_address
    if address is None:
        return ()
    subject = f"gonogo: {subject} - {site_name} - {day.isoformat()}"
    body = "\n".join(textwrap.fill(line, 76, subsequent_indent="  ", break_on_hyphens=False) for line in lines)
    text = f"{subject}\n\n{body}\n\n`gonogo status` shows every mail and every run.\n"
    identity = message_id(config.transport.sender, "operator", day, site_id, f"{what}|{address}")
    raw = raw_message(
        subject=subject,
        text=text,
        html="",
        recipient=Recipient(name="gonogo operator", address=address, role="operator"),
        sender=config.transport.sender,
        sender_name="gonogo",
        reply_to="",
        message_id=identity,
        date_utc=now_utc,
        language="en",
    )
    return (
        OutMessage(
            message_id=identity,
            site_id=site_id,
            crew_id="",
            kind="operator",
            role="operator",
            name="gonogo operator",
            address=address,
            subject=subject,
            raw=raw,
            deadline_utc=now_utc + timedelta(hours=OPERATOR_HOURS),
            run_id=run_id,
        ),
    )


def to_reader_instead(config: Config, site: Site, one: Queued, *, now_utc: datetime) -> tuple[OutMessage, ...]:
    """Return the short notice for a reader whose mail was too late; none where the working day is over too."""
    day = day_of(one, site)
    _, shift_end_utc = shift.shift_utc(site, day)
    if one.kind not in CREW_KINDS or shift_end_utc <= now_utc:
        return ()
    identity = message_id(config.transport.sender, "late", day, site.id, one.message_id)
    notice = plain_notice(
        Recipient(name=one.name, address=one.address, role=one.role, language=one.language),
        site=site.name,
        day=day,
        reason=LATE_LOOK_TEXT if one.kind == "later_look" else LATE_MAIL_TEXT,
        sender=config.transport.sender,
        reply_to=config.transport.reply_to or "",
        message_id=identity,
        date_utc=now_utc,
    )
    return (
        OutMessage(
            message_id=identity,
            site_id=one.site_id,
            crew_id=one.crew_id,
            kind="notice",
            role=one.role,
            name=one.name,
            address=one.address,
            subject=notice.subject,
            raw=notice.raw,
            deadline_utc=shift_end_utc,
            language=one.language,
            run_id=one.run_id,
        ),
    )


def expired_instead(config: Config, now_utc: datetime) -> Instead:
    """Return what makes of each mail that was too late: a notice to its reader, and one word to the operator."""

    def instead(one: Queued) -> Iterable[OutMessage]:
        site = next((s for s in config.sites if s.id == one.site_id), None)
        if one.kind not in CREW_KINDS or site is None:
            return ()
        told = to_operator(
            config,
            site_id=site.id,
            site_name=site.name,
            day=day_of(one, site),
            what=f"late {one.kind}",
            subject="mails were not delivered in time",
            lines=(
                f"Mails of {site.name} waited past their deadline and were not sent any more; the first was for the "
                f"{one.role} of crew {one.crew_id}.",
                f"Last fault: {one.last_error.strip().splitlines()[-1] if one.last_error.strip() else 'none noted'}",
                "Their readers get a short notice instead, until the end of the shift: no verdict, test on site.",
            ),
            now_utc=now_utc,
        )
        return (*to_reader_instead(config, site, one, now_utc=now_utc), *told)

    return instead


def failed_instead(config: Config, now_utc: datetime) -> Instead:
    """Return what makes of each mail that was refused for good or set aside: a word to the operator."""

    def instead(one: Queued) -> Iterable[OutMessage]:
        if one.kind == "operator":
            return ()
        site = next((s for s in config.sites if s.id == one.site_id), None)
        how = "was refused by the mail server for good" if one.state == "refused" else "was set aside after many faults"
        lines = (
            f"The mail for the {one.role} of crew {one.crew_id} {how}: that person was not told.",
            f"Fault: {one.last_error.strip().splitlines()[-1] if one.last_error.strip() else 'none noted'}",
            "Tell that crew by other means, and check the address in the site's file.",
        )
        return to_operator(
            config,
            site_id=one.site_id,
            site_name=site.name if site else one.site_id,
            day=day_of(one, site),
            what=f"{one.state} {one.message_id}",
            subject="a mail did not reach its reader",
            lines=lines,
            now_utc=now_utc,
        )

    return instead
