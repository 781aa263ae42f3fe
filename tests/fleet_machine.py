"""One worker of a machine, for tests/benchmarks/test_fleet.py: started as a process of its own, it works off a plan.

Arguments: database URL, seconds a site's computing takes. Claims, transactions, outbox and leases are the real ones
of the database; computing is a sleep, so that what is measured is what several machines cost one database.
It begins when told to on stdin, ends when nothing is left to do, and writes how many sites it made and how many seconds
it spent on the database.
"""

from __future__ import annotations

import sys
import time
from datetime import UTC, datetime

from messages import envelope

from gonogo.store import claims, outbox, planned, schema
from gonogo.store.alive import SignOfLife
from gonogo.store.claims import RunRecord
from gonogo.store.planned import PlannedRun

RECORD = RunRecord(decisions=(), outlook=(), config_text="", seed=1, program_version="2026.1", answer_id=None)
BATCH = 25


class Machine:
    """A worker on its database."""

    def __init__(self, url: str, cost_s: float) -> None:
        self.store, self.cost_s = schema.engine(url), cost_s
        self.sign = SignOfLife(self.store)
        self.n_made, self.database_s = 0, 0.0

    def work(self) -> None:
        """Take batches until nothing is left."""
        while True:
            began = time.perf_counter()
            batch = planned.take(self.store, now_utc=datetime.now(UTC), owner=self.sign.name, most=BATCH)
            self.database_s += time.perf_counter() - began
            if not batch:
                while self._sent():  # mails of the last sites, that another was just taking
                    pass
                return
            for row in batch:
                self._make(row)

    def _make(self, row: PlannedRun) -> None:
        began, name = time.perf_counter(), self.sign.name
        claim = claims.claim_run(self.store, row.site_id, row.day, row.edition, now_utc=datetime.now(UTC), owner=name)
        assert claim is not None
        self.database_s += time.perf_counter() - began
        time.sleep(self.cost_s)
        began, now_utc = time.perf_counter(), datetime.now(UTC)
        with schema.begin(self.store) as connection:
            claims.finish_run(connection, claim, RECORD, now_utc=now_utc)
            mails = [
                envelope(n, message_id=f"<{row.site_id}.{n}@example.com>", deadline_utc=row.deadline_utc)
                for n in range(3)
            ]
            outbox.put(connection, mails, now_utc=now_utc)
        self.n_made += 1
        self.database_s += time.perf_counter() - began
        self._sent()

    def _sent(self) -> int:
        """Lease a few mails as a worker does, and mark each as sent; return how many there were."""
        began, now_utc = time.perf_counter(), datetime.now(UTC)
        leased = outbox.lease(self.store, now_utc=now_utc, owner=self.sign.name, limit=3)
        for queued in leased:
            assert outbox.sent(self.store, queued, now_utc=now_utc)
        self.database_s += time.perf_counter() - began
        return len(leased)


def main(url: str, cost_s: str) -> None:
    machine = Machine(url, float(cost_s))
    print("ready", flush=True)
    sys.stdin.readline()
    machine.work()
    print(machine.n_made, round(machine.database_s, 3), flush=True)
    machine.sign.end()
    machine.store.dispose()


if __name__ == "__main__":
    main(*sys.argv[1:])
