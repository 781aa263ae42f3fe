"""One mail to the operator in place of many of one kind: a fault of a thousand sites is one fault."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from email.parser import BytesParser
from email.policy import SMTP

import sqlalchemy as sa

from gonogo.config import Config
from gonogo.outgoing import notices
from gonogo.outgoing.attempts import first_made
from gonogo.outgoing.message_id import day_in
from gonogo.outgoing.notices import OperatorNotice
from gonogo.store import operator_hour, outbox, schema
from gonogo.store.clock import judged_utc
from gonogo.store.operator_hour import DASH, HOUR, IDS_AT_ONCE, Held, kind_of
from gonogo.store.queued import Envelope

SITES_NAMED = 50
SITES_OF_A_TEXT = 5
TEXTS_SHOWN = 10
_PARAGRAPH = b"\r\n\r\n"

# By what a subject begins with.
TO_DO = {
    notices.NO_VERDICT: (
        "Look first for what these sites share: `gonogo check --weather` asks the weather services, `gonogo status` "
        "says what each run met. Where the weather came and time was short, there is more to do than the machines have "
        "time for: add workers (`gonogo serve --workers`, or another machine on PostgreSQL), or spread the mail times."
    ),
    notices.NOT_WRITTEN: (
        "What could not be written was left out, or replaced by a plain notice. `gonogo status` says what failed in "
        "each run."
    ),
    notices.NOT_IN_TIME: "Look at the mail server first: `gonogo check --mail ADDRESS` sends a test mail.",
    notices.NOT_REACHED: (
        "Tell these crews by other means. Where a server refuses many addresses it may be the sender that it refuses: "
        "look at [mail] in gonogo.toml; `gonogo check --mail ADDRESS` sends a test mail."
    ),
    notices.CAME_BACK: "Tell these crews by other means, and check the addresses in the files of their sites.",
}


@dataclass(frozen=True, slots=True)
class Said:
    """What several mails say that begin alike: the sites of all of them, and the text of the first."""

    sites: Sequence[str]
    text: str


def put_together(store: sa.Engine, config: Config, *, now_utc: datetime, at_once: bool = False) -> int:
    """Tell of the mails to the operator that have waited for each other; return how many one mail of a kind replaced.

    A mail that is alone of its kind goes as it is. Where the config names no operator they wait, and expire.

    at_once   do not wait at all: nobody may be at work later
    """
    if config.operator_address is None:
        return 0
    with schema.read(store) as connection:
        if not operator_hour.is_due(connection, now_utc=now_utc, at_once=at_once):
            return 0
    n_replaced = 0
    with schema.begin(store) as connection:
        for mails in operator_hour.taken(connection, now_utc=now_utc, at_once=at_once):
            waits_next = not at_once and operator_hour.waits_for_hour(mails[0])
            next_utc = judged_utc(connection, now_utc) + HOUR if waits_next else None
            digest = None
            if len(mails) > 1:
                digest = _digest(connection, config, mails, now_utc=now_utc, next_utc=next_utc)
            if digest is None:
                operator_hour.let_go(connection, mails, now_utc=now_utc)
                continue
            outbox.put(connection, [digest], now_utc=now_utc, waits_for_others=False, tells=False)
            operator_hour.replaced(connection, mails, digest.message_id, now_utc=now_utc)
            n_replaced += len(mails)
    return n_replaced


def _digest(
    connection: sa.Connection, config: Config, mails: Sequence[Held], *, now_utc: datetime, next_utc: datetime | None
) -> Envelope | None:
    """Return the mail that tells of many, without what they say where that cannot be read; None where neither works."""
    read = list(operator_hour.first_bytes(connection, mails))

    def made(told: Sequence[Said]) -> Envelope:
        (envelope,) = notices.to_operator(config, notice(mails, told, next_utc=next_utc), now_utc=now_utc)
        return replace(envelope, deadline_utc=max(mail.deadline_utc for mail in mails))

    found, _ = first_made((lambda: made(said(read)), lambda: made(())), what="one mail to the operator for many")
    return found


def notice(mails: Sequence[Held], told: Sequence[Said], *, next_utc: datetime | None) -> OperatorNotice:
    """Return what one mail tells of many of a kind: how often, since when, what to do, what they say, and where.

    next_utc   when the next such mail may come, None where that is not known
    """
    first, names = mails[0], names_of(mails)
    subject = kind_of(first.subject).removeprefix("gonogo: ")
    where = names[0] if len(names) == 1 else f"{len(names):,} sites"
    n_times = "" if len(mails) == len(names) else f"{len(mails):,} times "
    lines = [f"This has happened {n_times}at {where} since {min(mail.put_utc for mail in mails):%Y-%m-%d %H:%M} UTC."]
    lines += [text for begins, text in TO_DO.items() if subject.startswith(begins)]
    if len(mails) > IDS_AT_ONCE and told:
        lines.append(f"Of these, the first {IDS_AT_ONCE:,} were read:")
    lines += _shown(told)
    if len(names) > 1:
        lines.append(f"The sites: {listed(names, SITES_NAMED)}.")
    if next_utc is not None:
        lines.append(f"What more of this kind comes is told in one mail at {next_utc:%H:%M} UTC.")
    return OperatorNotice(
        site_id=first.site_id,
        site_name=where,
        day=day_in(first.message_id) or first.put_utc.date(),
        what=f"together {first.message_id}",
        subject=subject,
        lines=lines,
    )


def said(read: Iterable[tuple[Held, bytes]]) -> tuple[Said, ...]:
    """Return what mails say, those that begin alike together, what most of them say first.

    read   mails with their bytes
    """
    alike: dict[bytes, tuple[list[Held], bytes]] = {}
    for mail, raw in read:
        begins = raw.split(_PARAGRAPH, 2)[-1].partition(b"\r\n")[0]  # behind the head and the subject
        alike.setdefault(begins, ([], raw))[0].append(mail)
    most_first = sorted(alike.values(), key=lambda found: -len(found[0]))
    return tuple(Said(names_of(mails), text_of(raw)) for mails, raw in most_first[: TEXTS_SHOWN + 1])


def _shown(told: Sequence[Said]) -> list[str]:
    if len(told) == 1:
        return [f"The first of them says: {told[0].text}"]
    lines = []
    for found in told[:TEXTS_SHOWN]:
        which = "" if len(found.sites) == 1 else "; the first of them says"
        lines.append(f"At {listed(found.sites, SITES_OF_A_TEXT)}{which}: {found.text}")
    return lines + ["Others say something else again: `gonogo status` shows it."] * (len(told) > TEXTS_SHOWN)


def listed(names: Sequence[str], n_named: int) -> str:
    """Return names as a list, so many at most and then how many others."""
    n_more = len(names) - n_named
    if n_more > 0:
        return f"{', '.join(names[:n_named])} and {n_more} {'other' if n_more == 1 else 'others'}"
    return " and ".join(filter(None, (", ".join(names[:-1]), names[-1])))


def names_of(mails: Iterable[Held]) -> tuple[str, ...]:
    """Return the names of the sites that mails to the operator are about, in the order in which they came."""
    return tuple({mail.site_id: mail.subject.partition(DASH)[2].rpartition(DASH)[0] for mail in mails}.values())


def text_of(raw: bytes) -> str:
    """Return what a mail to the operator says as sentences, without its subject and its last line."""
    body = BytesParser(policy=SMTP).parsebytes(raw).get_body(("plain",))
    text = str(body.get_content()) if body is not None else ""
    paragraphs = text.replace("\r\n", "\n").split("\n\n")[1:-1]
    lines = "\n".join(paragraphs).replace("\n  ", " ").split("\n")  # notices.to_operator indents what it folds
    return " ".join(line if line[-1] in ".:!?" else f"{line}." for line in map(str.strip, lines) if line)
