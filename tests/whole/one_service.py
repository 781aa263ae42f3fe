"""One service of two, for test_two_services: started as a process of its own, it runs a morning and delivers.

Arguments: database URL, mail server port, own name, number of mails, minutes that its clock is ahead.
"""

from __future__ import annotations

import os
import random
import sys
from datetime import date, timedelta

from messages import MORNING, envelope

from gonogo.outgoing.delivery import Worker
from gonogo.records.outside import Transport
from gonogo.store import claims, outbox, schema
from gonogo.store.claims import RunRecord
from gonogo.store.upgrade import upgrade

RECORD = RunRecord(decisions=(), outlook=(), config_text="[site]", seed=1, program_version="2026.1", answer_id=None)


def main(url: str, port: str, owner: str, n_mails: str, minutes_ahead: str) -> None:
    now_utc = MORNING + timedelta(minutes=int(minutes_ahead))
    store = schema.engine(url)
    print("ready", flush=True)
    sys.stdin.readline()  # both start at the same word
    upgrade(store)
    n_mornings = 0
    for day in range(10):
        claim = claims.claim_run(store, "north-fill", date(2026, 6, 1 + day), "morning", now_utc=now_utc, owner=owner)
        if claim is not None:
            n_mornings += 1
            with schema.begin(store) as connection:
                mails = [envelope(1000 * day + n) for n in range(int(n_mails) // 10)]
                outbox.put(connection, mails, now_utc=now_utc)
                claims.finish_run(connection, claim, RECORD, now_utc=now_utc)
    transport = Transport(
        kind="smtp", sender="gonogo@example.com", host="127.0.0.1", port=int(port), security="none", timeout_s=20.0
    )
    n_sent = 0
    for _ in range(3):  # the other may still have been at its mornings
        worker = Worker(
            store=store, transport=transport, now_utc=lambda: now_utc, owner=owner, rng=random.Random(os.getpid())
        )
        report = worker.round()
        n_sent += len(report.sent)
    store.dispose()
    print(n_mornings, n_sent, flush=True)


if __name__ == "__main__":
    main(*sys.argv[1:])
