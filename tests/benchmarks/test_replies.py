"""A thousand answers read from an IMAP server, stored and answered; one answer to its confirmation.

    pytest tests/benchmarks/test_replies.py

Asked for, on 2 cores: 1,000 answers in under 60 s, and under 5 s from the reading of the mailbox to the confirmation at
the mail server. The time in which the test server takes the answers in is not counted.
"""

from __future__ import annotations

import time
from dataclasses import replace
from datetime import timedelta

import pytest
import sqlalchemy as sa
from imap_server import box_of, imap_server
from inbox_scene import CREW_OF, NOW, answer, config
from mailserver import MailServer

from gonogo.inbox.read import read_mailbox
from gonogo.inbox.take import Desk
from gonogo.outgoing import delivery
from gonogo.records.outside import Transport
from gonogo.store import history, outcomes, schema

N_ANSWERS = 1000


def answers() -> list[bytes]:
    """Answers of four people, each to be stored: all at moments of their own, so that none is a double."""
    words = {"ana": "{strip} {w:.2f} gauge", "eva": "{strip} {w:.2f} horno", "rui": "{strip} {w:.2f} densímetro"}
    found = []
    for n in range(N_ANSWERS):
        person = list(CREW_OF)[n % 3]
        line = words[person].format(strip=f"N{n % 3 + 1}", w=10.0 + n * 0.01)
        found.append(answer([line], person, sent_utc=NOW - timedelta(minutes=n), Message_ID=f"<{n}@phone.example>"))
    return found


def test_a_thousand_answers_are_read_stored_and_answered_within_a_minute(
    sqlite_store: sa.Engine, monkeypatch: pytest.MonkeyPatch
) -> None:
    from gonogo.inbox import take

    monkeypatch.setattr(take, "ANSWERS_AN_HOUR", N_ANSWERS)  # four people stand for many
    with imap_server() as inbox:
        loaded = config(inbox=inbox)
        with box_of(inbox) as box:
            for raw in answers():
                box.append(raw, "INBOX")
        began_s, began_cpu_s = time.monotonic(), time.process_time()
        n_taken = read_mailbox(lambda: Desk(config=loaded, store=sqlite_store, now_utc=NOW))
        took_s, cpu_s = time.monotonic() - began_s, time.process_time() - began_cpu_s
    with schema.read(sqlite_store) as connection:
        n_entries = len(history.entries(connection, "test-site"))
        n_mails = len(outcomes.outcomes(connection, site_id="test-site", limit=10_000))
    print(f"\n{n_taken} answers in {took_s:.1f} s ({cpu_s:.1f} s of one core): {n_entries} entries, {n_mails} mails")
    assert (n_taken, n_mails) == (N_ANSWERS, N_ANSWERS)
    assert took_s < 60.0


def test_an_answer_is_confirmed_within_five_seconds_of_its_reading(sqlite_store: sa.Engine) -> None:
    server = MailServer()
    server.start()
    smtp = Transport(kind="smtp", sender="gonogo@example.com", host="127.0.0.1", port=server.port, security="none")
    with imap_server() as inbox:
        loaded = replace(config(inbox=inbox), transport=smtp)
        with box_of(inbox) as box:
            box.append(answer(["N3 11.2"]), "INBOX")
        began_s = time.monotonic()
        read_mailbox(lambda: Desk(config=loaded, store=sqlite_store, now_utc=NOW))
        delivery.Worker(store=sqlite_store, transport=smtp, now_utc=lambda: NOW, owner="bench").round()
        took_s = time.monotonic() - began_s
    server.stop()
    print(f"\nfrom the reading of the mailbox to the confirmation: {took_s:.2f} s")
    assert len(server.mails) == 1
    assert took_s < 5.0
