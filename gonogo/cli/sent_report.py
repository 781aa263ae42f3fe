"""What `gonogo sent` shows: the mails of a day exactly as they were put into the outbox, and what became of each."""

from __future__ import annotations

import email
import email.policy
import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from email.message import EmailMessage
from pathlib import Path

from gonogo import times
from gonogo.cli.outcome import CommandOutcome, Exit
from gonogo.config import Config
from gonogo.errors import GonogoError
from gonogo.records.site import Site
from gonogo.store import outcomes, schema
from gonogo.store.open import open_store
from gonogo.store.queued import Queued

# What became of a mail, in the words of `gonogo status`.
STATES = {
    "waiting": "waits to be sent",
    "sent": "sent",
    "expired": "not sent: its deadline passed",
    "refused": "refused for good",
    "set_aside": "given up after repeated faults",
    "withdrawn": "withdrawn: the reader was removed",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class SentOptions:
    """Which mails are asked for. day: site's local date; person: part of a name or address; folder: write them there"""

    day: date
    person: str = ""
    folder: Path | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredMail:
    """A mail of the outbox with its bytes; raw is b"" where they are kept no longer."""

    queued: Queued
    raw: bytes


def sent(config: Config, site: Site, wanted: SentOptions) -> CommandOutcome:
    """Return the mails put for a site on one of its dates, with the course of each; with a folder, write them there.

    Raises StoreError, and GonogoError where the folder cannot be written.
    """
    start_utc = times.moment_utc(wanted.day, datetime.min.time(), site.zone)
    end_utc = times.moment_utc(wanted.day + timedelta(days=1), datetime.min.time(), site.zone)
    store = open_store(config)
    try:
        with schema.read(store) as connection:
            queued = outcomes.outcomes(connection, site_id=site.id, since_utc=start_utc, until_utc=end_utc)
            found = [
                StoredMail(queued=mail, raw=outcomes.raw_of(connection, mail.message_id) or b"")
                for mail in reversed(queued)
                if wanted.person.casefold() in f"{mail.name} {mail.address}".casefold()
            ]
    finally:
        store.dispose()
    if not found:
        of_whom = f' to "{wanted.person}"' if wanted.person else ""
        return CommandOutcome(text=f"{site.name}, {wanted.day}: no mail{of_whom} is stored.", exit_code=Exit.ATTENTION)
    parts = [f"{site.name}, {wanted.day}: {len(found)} mails"]
    parts += [
        _delivery_text(mail, site) if len(found) > 1 else f"{_delivery_text(mail, site)}\n\n{_text(mail)}"
        for mail in found
    ]
    if wanted.folder is not None:
        parts.append(_written(found, wanted.folder))
    elif len(found) > 1:
        parts.append("With --person one mail is shown whole; with --out FOLDER all are written as .eml and .html.")
    return CommandOutcome(text="\n\n".join(parts), exit_code=Exit.OK)


def _delivery_text(mail: StoredMail, site: Site) -> str:
    """To whom, what, and how its delivery went, in site time."""
    queued = mail.queued

    def at(moment_utc: datetime | None) -> str:
        return "" if moment_utc is None else f"{moment_utc.astimezone(site.zone):%Y-%m-%d %H:%M:%S}"

    lines = [
        f"{queued.name} <{queued.address}>, {queued.role}",
        f"  subject     {queued.subject}",
        f"  put         {at(queued.put_utc)}, useful until {at(queued.deadline_utc)}",
        f"  now         {STATES[queued.state]} {at(queued.settled_utc)}".rstrip(),
        f"  tries       {queued.n_tries}" + (f", of them {queued.n_crashes} broken off" if queued.n_crashes else ""),
    ]
    if queued.last_error:
        lines.append(f"  last fault  {queued.last_error}")
    return "\n".join([*lines, f"  Message-ID  {queued.message_id}"])


def _message(raw: bytes) -> EmailMessage:
    return email.message_from_bytes(raw, policy=email.policy.default)


def _body(mail: StoredMail, kind: str) -> str:
    """The plain or the HTML part of a mail, "" where it has none."""
    part = _message(mail.raw).get_body((kind,)) if mail.raw else None
    return "" if part is None else str(part.get_content())


def _text(mail: StoredMail) -> str:
    return _body(mail, "plain") or "The text of this mail is kept no longer."


def _written(found: Sequence[StoredMail], folder: Path) -> str:
    """Write each mail as it went (.eml) and its HTML part (.html), and say where; existing files are rewritten."""
    n_written = 0
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        for mail in found:
            if not mail.raw:
                continue
            stem = _file_stem(mail.queued)
            n_written += 1
            (folder / f"{stem}.eml").write_bytes(mail.raw)
            if page := _body(mail, "html"):
                (folder / f"{stem}.html").write_text(page, encoding="utf-8")
    except OSError as error:
        raise GonogoError(f"{folder} cannot be written: {error.strerror}. Name another folder with --out.") from error
    return f"{n_written} of {len(found)} mails written to {folder}."


def _file_stem(queued: Queued) -> str:
    """A file name that tells the mails of a folder apart; the number is the mail's own in the outbox."""
    words = f"{queued.put_utc:%Y-%m-%d-%H%M%S} {queued.kind} {queued.role} {queued.name}"
    return f"{re.sub(r'[^A-Za-z0-9]+', '-', words).strip('-').lower()}-{queued.id}"
