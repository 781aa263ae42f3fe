"""One mail to the operator in place of many of one kind: a fault of a thousand sites is one fault."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from email.parser import BytesParser
from email.policy import SMTP

import sqlalchemy as sa

from gonogo.config import Config
from gonogo.outgoing import notices
from gonogo.outgoing.message_id import day_of
from gonogo.outgoing.notices import OperatorNotice
from gonogo.store import operator_hour, outbox, schema
from gonogo.store.operator_hour import DASH, kind_of
from gonogo.store.queued import Queued

SITES_NAMED = 50
NO_VERDICT_HINT = (
    "Where the weather came and time was short, there is more to do than the machines have time for: add workers "
    "(`gonogo serve --workers`, or another machine on PostgreSQL), or spread the mail times."
)


def put_together(store: sa.Engine, config: Config, *, now_utc: datetime, at_once: bool = False) -> int:
    """Replace mails to the operator of one kind whose time has come by one; return how many it replaced.

    at_once   do not wait for the end of the hour: nobody may be at work then
    """
    n_replaced = 0
    with schema.read(store) as connection:
        if operator_hour.n_waiting(connection, now_utc=now_utc, at_once=at_once) < (1 if at_once else 2):
            return 0
    while True:
        with schema.begin(store) as connection:
            found = operator_hour.taken(connection, now_utc=now_utc, at_once=at_once)
            kinds: dict[str, list[Queued]] = {}
            for queued in found:
                kinds.setdefault(kind_of(queued.subject), []).append(queued)
            many = {kind: mails for kind, mails in kinds.items() if len(mails) > 1}
            for kind, mails in many.items():
                (digest,) = notices.to_operator(config, _notice(config, kind, mails), now_utc=now_utc) or (None,)
                if digest is None:
                    continue
                outbox.put(connection, [digest], now_utc=now_utc, waits_for_hour=False)
                operator_hour.replaced(connection, mails, digest.message_id, now_utc=now_utc)
                n_replaced += len(mails)
            if at_once:
                few = [queued for kind, mails in kinds.items() if kind not in many for queued in mails]
                operator_hour.let_go(connection, few, now_utc=now_utc)
        if len(found) < operator_hour.AT_ONCE or not many:
            return n_replaced


def _notice(config: Config, kind: str, mails: Sequence[Queued]) -> OperatorNotice:
    first = mails[0]
    names = list(dict.fromkeys(queued.subject.partition(DASH)[2].rpartition(DASH)[0] for queued in mails))
    shown = ", ".join(names[:SITES_NAMED]) + (f" and {len(names) - SITES_NAMED} others" if names[SITES_NAMED:] else "")
    is_no_verdict = "no verdict" in kind
    return OperatorNotice(
        site_id=first.site_id,
        site_name=f"{len(mails)} more",
        day=day_of(first, next((site for site in config.sites if site.id == first.site_id), None)),
        what=f"together {first.message_id}",
        subject=kind.removeprefix("gonogo: "),
        lines=(
            f"{len(mails)} more of this kind since {first.put_utc:%H:%M} UTC, at {len(names)} sites: {shown}.",
            *((NO_VERDICT_HINT,) if is_no_verdict else ()),
            "The first of them said:",
            *_lines(first.raw),
        ),
    )


def _lines(raw: bytes) -> list[str]:
    """Return what a mail to the operator says, without its subject and its last line."""
    body = BytesParser(policy=SMTP).parsebytes(raw).get_body(("plain",))
    text = str(body.get_content()) if body is not None else ""
    paragraphs = [" ".join(part.split()) for part in text.replace("\r\n", "\n").split("\n\n")]
    return [part for part in paragraphs[1:-1] if part]
