"""Mails that came back: the address is marked, and the operator is told once a day."""

from __future__ import annotations

from datetime import datetime

import sqlalchemy as sa

from gonogo import times
from gonogo.config import Config
from gonogo.inbox import writers
from gonogo.outgoing import notices
from gonogo.outgoing.notices import OperatorNotice
from gonogo.replies.letter import Letter
from gonogo.store import outbox, replies, schema


def note(config: Config, store: sa.Engine, letter: Letter, now_utc: datetime) -> None:
    """Mark each address on file that a bounce is about, and tell the operator. Raises StoreError."""
    for address in letter.failed:
        people = writers.on_file(config, address)
        if not people:
            continue
        site, person, crew = people[0].site, people[0].person, people[0].crews[0]
        notice = OperatorNotice(
            site_id=site.id,
            site_name=site.name,
            day=times.local_date(now_utc, site.zone),
            what=f"bounce {address}",
            subject=notices.CAME_BACK,
            lines=(
                f"The mail for the {person.role} of crew {crew.id} came back: that person may not have been told.",
                "Tell that crew by other means, and check the address in the site's file.",
            ),
        )
        with schema.begin(store) as connection:
            source_key = f"bounce {letter.key} {address}"
            if replies.note_address(connection, address, "bounce", at_utc=now_utc, source_key=source_key):
                outbox.put(connection, notices.to_operator(config, notice, now_utc=now_utc), now_utc=now_utc)
