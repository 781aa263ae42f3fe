"""Kill whole mornings at every commit and every network step, start them again, and count what arrived.

    python tests/crash_harness.py --kills 500 --seed 1 [--postgresql]

A morning runs as a process of its own: weather, moisture, verdicts, mails, delivery to a live SMTP server on 127.0.0.1.
At a chosen step it ends by SIGKILL, and is started again until it comes to its end. Then each person's mail is counted.
The table it prints says, for each step: kills, mails expected, arrived, lost, sent twice. A mail may go twice only
where the kill falls between our last byte of it and our record of the server's answer: then both have one Message-ID.
"""

from __future__ import annotations

import argparse
import json
import logging
import os
import random
import shutil
import signal
import ssl
import subprocess
import sys
import tempfile
import time
from collections import defaultdict
from collections.abc import Callable, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field
from datetime import datetime
from email.parser import BytesHeaderParser
from email.policy import SMTP
from pathlib import Path
from typing import Any

import sqlalchemy as sa

EMPTY = "crash_empty"  # the database that each morning's is a copy of
HERE = Path(__file__).resolve().parent
SILENCE_S = 2.0  # of the server, twice what the process waits
MOST_STARTS = 40

# Where a kill may double a mail: our last byte of it is out, and our record of the answer is not yet stored.
INSTANT = ("sent the content", "content: answer read", "before commit: sent")

FAULTS = {
    "4xx to the recipient": {"at_rcpt": "451 4.7.1 greylisted"},
    "4xx to the content": {"at_data": "452 4.3.1 no room"},
    "5xx to the recipient": {"at_rcpt": "550 5.1.1 no such user"},
    "5xx to the content": {"at_data": "554 5.6.0 not wanted"},
    "drop in DATA": {"at_data": "drop in data"},
    "drop before the final answer": {"at_data": "drop"},
    "silence": {"at_data": SILENCE_S},
    "slow": {"at_data": 0.2},
    "wrong certificate": {},
}


# --- the harness -------------------------------------------------------------------------------------------------


@dataclass
class Row:
    """One line of the table."""

    kills: int = 0
    mails: int = 0
    arrived: int = 0
    lost: int = 0
    twice: int = 0
    twice_in_instant: int = 0
    twice_other_id: int = 0
    told: int = 0


@dataclass
class Morning:
    """One morning under test: how often it was killed, where, and what came of its mails."""

    n_crews: int
    kills: list[str] = field(default_factory=list)
    row: Row = field(default_factory=Row)


class Harness:
    """Holds the mail servers, the nursery and the counts.

    url   of a PostgreSQL server on which each morning has a database of its own, "" for SQLite
    """

    def __init__(self, folder: Path, seed: int, url: str = "") -> None:
        from mailserver import MailServer, make_certificate

        from gonogo.store import schema
        from gonogo.store.upgrade import upgrade

        logging.getLogger("mail.log").setLevel(logging.CRITICAL)
        self.folder, self.rng, self.n = folder, random.Random(seed), 0
        self.server, self.tls_server = MailServer(), MailServer()
        self.certificate = make_certificate(folder, "127.0.0.1")
        self.server.start()
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.load_cert_chain(*self.certificate)
        self.tls_server.start(ssl_context=context)
        self.url, self.empty = url, folder / "empty.db"
        if url:
            self.on_server(f"create database {EMPTY}")
        store = schema.engine(self.store_url(EMPTY) if url else f"sqlite:///{self.empty}")
        upgrade(store)
        store.dispose()
        self.process = subprocess.Popen(
            [sys.executable, str(HERE / "crash_morning.py")],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            env={**os.environ, "OPENBLAS_NUM_THREADS": "1", "PYTHONPATH": os.pathsep.join([str(HERE), *sys.path])},
        )
        assert self.process.stdout is not None
        assert self.process.stdout.readline() == "ready\n"

    def close(self) -> None:
        self.process.communicate()
        self.server.stop()
        self.tls_server.stop()

    def store_url(self, name: str) -> str:
        """Return the URL of the database of a morning."""
        if not self.url:
            return f"sqlite:///{self.folder / name / 'gonogo.db'}"
        return sa.make_url(self.url).set(database=name).render_as_string(hide_password=False)

    def on_server(self, statement: str) -> None:
        """Have PostgreSQL make or drop a database."""
        from gonogo.store import schema

        store = schema.engine(self.url)
        with store.connect() as connection:
            connection.execution_options(isolation_level="AUTOCOMMIT").execute(sa.text(statement))
        store.dispose()

    def start(
        self, place: Path, morning: Morning, *, kill_at: int | None, ahead_s: int, **changes: Any
    ) -> tuple[int, str]:
        """Start a morning's process; return its exit code, -9 where it was killed, and the last step it came to."""
        job = {
            "folder": str(place),
            "store_url": self.store_url(place.name),
            "steps": str(place / "steps"),
            "log": str(place / "log"),
            "kill_at": kill_at,
            "n_crews": morning.n_crews,
            "port": self.server.port,
            "host": f"{place.name}.example.com",
            "security": "none",
            "ca": "",
            "ahead_s": ahead_s,
            "seed": self.rng.random(),
        }
        assert self.process.stdin is not None
        assert self.process.stdout is not None
        self.process.stdin.write(json.dumps(job | changes) + "\n")
        self.process.stdin.flush()
        code = int(self.process.stdout.readline())
        if code not in (0, -signal.SIGKILL):
            raise AssertionError(f"the morning failed of itself:\n{(place / 'log').read_text()[-3000:]}")
        steps = (place / "steps").read_text().splitlines()
        return code, steps[-1] if steps else ""

    def steps(self, n_crews: int) -> list[str]:
        """The steps of a morning that nobody disturbs."""
        place = self.place()
        self.start(place, Morning(n_crews), kill_at=None, ahead_s=0)
        self.server.mails.clear()
        return (place / "steps").read_text().splitlines()

    def place(self) -> Path:
        """A folder with an empty database for one morning."""
        self.n += 1
        place = self.folder / f"m{self.n}"
        place.mkdir()
        if self.url:
            self.on_server(f"create database {place.name} template {EMPTY}")
        else:
            shutil.copyfile(self.empty, place / "gonogo.db")
        return place

    def morning(self, n_crews: int, kill_at: Sequence[int], **changes: Any) -> Morning:
        """Run a morning to its end: killed at each of the given steps of its successive starts, then left alone."""
        place, morning = self.place(), Morning(n_crews)
        points: list[int | None] = [*kill_at, None]
        for n_start in range(MOST_STARTS):
            code, last = self.start(
                place, morning, kill_at=points[min(n_start, len(points) - 1)], ahead_s=20 * n_start, **changes
            )
            if code == 0:
                break
            morning.kills.append(last)
        else:
            raise AssertionError("the morning never came to its end")
        time.sleep(0.02)  # a server may still be storing what a dead process sent last
        self.count(place, morning)
        shutil.rmtree(place)
        if self.url:
            self.on_server(f"drop database {place.name} with (force)")
        return morning

    def count(self, place: Path, morning: Morning) -> None:
        """Count what arrived of a morning against what its people were to get."""
        from gonogo.store import outcomes, schema

        store = schema.engine(self.store_url(place.name))
        with schema.read(store) as connection:
            queued = {m.message_id: m for m in outcomes.outcomes(connection)}
        store.dispose()
        host = f"{place.name}.example.com"
        arrived: dict[str, list[str]] = defaultdict(list)
        for raw in [*self.server.mails, *self.tls_server.mails]:
            head = BytesHeaderParser(policy=SMTP).parsebytes(raw)
            identity = str(head["message-id"]).strip()
            if not identity.endswith(f"@{host}>"):
                raise AssertionError(f"{identity} arrived after its morning was counted")
            arrived[str(head["to"].addresses[0].addr_spec)].append(identity)
        self.server.mails.clear()
        self.tls_server.mails.clear()
        row, people = morning.row, {
            f"{role}{n}@example.com" for n in range(morning.n_crews) for role in ("superintendent", "driver", "planner")
        }  # fmt: skip
        row.kills, row.mails = len(morning.kills), len(people)
        refused = {m.address for m in queued.values() if m.state == "refused"}
        is_told = bool(arrived.get("operator@example.com"))
        for address in people:
            identities = arrived.get(address, [])
            if not identities and address in refused and is_told:
                row.told += 1
            elif not identities:
                row.lost += 1
            else:
                row.arrived += 1
            if len(identities) > 1:
                row.twice += 1
                row.twice_other_id += len(set(identities)) > 1
                row.twice_in_instant += any(name.startswith(INSTANT) for name in morning.kills)
            if identities and queued[identities[0]].state != "sent":
                raise AssertionError(f"{address}: arrived, but stands as {queued[identities[0]].state}")

    def faulty(self, fault: str, kill_at: Sequence[int]) -> Morning:
        """A morning with a fault of the server at some of its letters, and killed besides."""
        self.server.at_rcpt, self.server.at_data = [], []
        if fault == "wrong certificate":
            place, morning = self.place(), Morning(2)
            tls: dict[str, Any] = {"port": self.tls_server.port, "security": "tls"}
            # Against the wrong certificate nothing may go; the process is killed in its rounds. Then it is mended.
            code, last = self.start(place, morning, kill_at=kill_at[0] if kill_at else 60, ahead_s=0, **tls)
            if code:
                morning.kills.append(last)
            host = f"{place.name}.example.com".encode()
            assert not any(host in raw for raw in self.tls_server.mails), "a mail went to a server with a wrong name"
            code, last = self.start(place, morning, kill_at=None, ahead_s=60, ca=str(self.certificate[0]), **tls)
            assert code == 0
            time.sleep(0.02)
            self.count(place, morning)
            return morning
        for where, what in FAULTS[fault].items():
            script = [what if self.rng.random() < 0.5 else None for _ in range(4)]
            script[self.rng.randrange(4)] = what
            getattr(self.server, where).extend(script)
        morning = self.morning(2, kill_at)
        self.server.at_rcpt, self.server.at_data = [], []
        return morning


def kind(step: str) -> str:
    """The line of the table that a step belongs to."""
    if step.startswith("before commit: sent") or step.startswith(("sent the content", "content: answer")):
        return "between our last byte of a mail and our record (the one instant)"
    if step.startswith("before commit"):
        return "before a commit"
    if step.startswith("after commit"):
        return "after a commit"
    if "weather" in step:
        return "around the question for weather"
    if step.startswith("before"):
        return "before a network step"
    return "after a network step"


def crash_rows(harness: Harness, n_kills: int, say: Callable[[str], None] = lambda _: None) -> dict[str, Row]:
    """Kill mornings at steps drawn by chance until there were so many kills; return counts by kind of step."""
    rows: dict[str, Row] = defaultdict(Row)
    n_steps = {n: len(harness.steps(n)) for n in (1, 2)}
    done = 0
    while done < n_kills:
        n_crews = harness.rng.choice((1, 2))
        points = [harness.rng.randint(1, n_steps[n_crews])]
        while harness.rng.random() < 0.25:  # the next start may die too
            points.append(harness.rng.randint(1, n_steps[n_crews]))
        morning = harness.morning(n_crews, points)
        done += len(morning.kills)
        for name in {kind(step) for step in morning.kills}:
            row = rows[name]
            row.kills += sum(kind(step) == name for step in morning.kills)
            for key in ("mails", "arrived", "lost", "twice", "twice_in_instant", "twice_other_id"):
                setattr(row, key, getattr(row, key) + getattr(morning.row, key))
        total = rows["all mornings"]
        total.kills += len(morning.kills)
        for key in ("mails", "arrived", "lost", "twice", "twice_in_instant", "twice_other_id"):
            setattr(total, key, getattr(total, key) + getattr(morning.row, key))
        say(f"{done} kills")
    rows["all mornings"] = rows.pop("all mornings")
    return rows


def fault_rows(harness: Harness, n_each: int, say: Callable[[str], None] = lambda _: None) -> dict[str, Row]:
    """Mornings with each fault of the server, every second one killed besides; return counts by fault."""
    rows: dict[str, Row] = {}
    for fault in FAULTS:
        row = rows[fault] = Row()
        for n in range(n_each):
            morning = harness.faulty(fault, [harness.rng.randint(20, 70)] if n % 2 else [])
            for key in vars(row):
                setattr(row, key, getattr(row, key) + getattr(morning.row, key))
        say(fault)
    return rows


def table(title: str, rows: dict[str, Row], columns: Sequence[str]) -> str:
    """Return rows as a Markdown table. A morning killed at several kinds of step counts in each of their rows."""
    names = {"twice_in_instant": "of these in the one instant", "twice_other_id": "twice under another Message-ID"}
    names |= {"told": "refused for good, operator told", "twice": "sent twice"}
    head = [title, *(names.get(c, c) for c in columns)]
    lines = ["| " + " | ".join(head) + " |", "|" + " --- |" * len(head)]
    lines += ["| " + " | ".join([name, *(str(getattr(row, c)) for c in columns)]) + " |" for name, row in rows.items()]
    return "\n".join(lines)


def main(arguments: Sequence[str]) -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--kills", type=int, default=500)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--faults", type=int, default=10, help="mornings for each fault of the mail server")
    parser.add_argument("--postgresql", action="store_true", help="on a server of its own; SQLite else")
    asked = parser.parse_args(arguments)
    folder = Path(tempfile.mkdtemp(prefix="gonogo-crash-"))
    folder.chmod(0o755)  # the database's own user comes in
    from own_postgresql import own_server

    with ExitStack() as stack:
        url = stack.enter_context(own_server(folder))[0] if asked.postgresql else ""
        return run(folder, url, asked)


def run(folder: Path, url: str, asked: argparse.Namespace) -> int:
    """Kill mornings on a database, print the tables, and return 1 where something was lost or doubled."""
    harness = Harness(folder, asked.seed, url)
    started = datetime.now().astimezone()
    try:
        crashes = crash_rows(harness, asked.kills, lambda text: print(f"\r{text}  ", end="", file=sys.stderr))
        faults = fault_rows(harness, asked.faults, lambda text: print(f"\r{text}  ", end="", file=sys.stderr))
    finally:
        harness.close()
        if not url:
            shutil.rmtree(folder, ignore_errors=True)
    took = datetime.now().astimezone() - started
    print(f"\nseed {asked.seed}, {took.total_seconds():.0f} s\n")
    columns = ("kills", "mails", "arrived", "lost", "twice", "twice_in_instant", "twice_other_id")
    print(table("killed", crashes, columns), "\n")
    print(
        table(
            "fault of the mail server", faults, ("kills", "mails", "arrived", "told", "lost", "twice", "twice_other_id")
        )
    )
    total = crashes["all mornings"]
    is_bad = total.lost or total.twice != total.twice_in_instant or total.twice_other_id
    return int(bool(is_bad or any(row.lost or row.twice_other_id for row in faults.values())))


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
