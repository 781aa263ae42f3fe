"""Hold a lock of the database for a minute in the worst places of a morning, and count which mails went when.

    python tests/lock_minute.py [--url postgresql://...] [--places run,answer]

For each place `gonogo serve` runs as a process of its own on a few sites, with weather over HTTP and mails to a live
SMTP server on 127.0.0.1. Its runs may begin two and a half minutes before the mail time. A second session takes its
lock as soon as they may, or as soon as the first mail has come, and holds it for a minute, so that a minute is left.
All places go on at once. Written is, for each, how many mails with a verdict came before their time, how many later
or not at all, how many plain notices went, how many mails went twice, and how long before its time the last one came.
"""

from __future__ import annotations

import argparse
import logging
import os
import re
import shutil
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from email.parser import BytesHeaderParser
from email.policy import SMTP
from pathlib import Path
from zoneinfo import ZoneInfo

import sqlalchemy as sa

HERE = Path(__file__).resolve().parent
N_SITES, MAILS_EACH = 3, 3
ZONE = ZoneInfo("America/Chicago")  # of the example
LEAD = timedelta(minutes=2.5)
HELD_S = 60.0
BEGUN = timedelta(seconds=75)  # for the service to start before its runs may begin
TABLES = ("run", "message", "planned_run", "answer", "plan_made", "entry")
# A lock of every row, as a forgotten edit by hand holds it.
ROWS = "rows"
AT_MAILS = "message, from the first mail on"
PLACES = {"postgresql": (*TABLES, ROWS, AT_MAILS), "sqlite": ("the file", AT_MAILS)}


@contextmanager
def held(url: str, place: str) -> Iterator[None]:
    """Hold a lock in a session of another program."""
    other = sa.create_engine(url.replace("postgresql://", "postgresql+psycopg://"), poolclass=sa.NullPool)
    with other.connect() as connection:
        if other.dialect.name == "sqlite":
            connection.exec_driver_sql("pragma busy_timeout=60000")
            connection.exec_driver_sql("begin exclusive")
        elif place == ROWS:
            for table in ("run", "message", "planned_run", "worker", "plan_made"):
                connection.exec_driver_sql(f"select 1 from {table} for update")
        else:
            connection.exec_driver_sql(f"lock table {place.partition(',')[0]} in access exclusive mode")
        yield
        connection.rollback()
    other.dispose()


class Case:
    """One service under one lock."""

    def __init__(self, folder: Path, place: str, url: str, weather_port: int) -> None:
        sys.path.insert(0, str(HERE))
        import fleet_sites
        from mailserver import MailServer

        self.place, self.url, self.folder = place, url or f"sqlite:///{folder / 'gonogo.sqlite3'}", folder
        self.server = MailServer()
        self.server.start()
        self.came_utc: list[datetime] = []
        self.lock_s = 0.0
        ports = {"weather_port": weather_port, "mail_port": self.server.port}
        fleet_sites.make(folder, N_SITES, is_small=True, store_url=url or "sqlite:///gonogo.sqlite3", **ports)
        now = datetime.now(UTC)
        self.mail_utc = (now + LEAD + BEGUN + timedelta(seconds=59)).replace(second=0, microsecond=0)
        local = self.mail_utc.astimezone(ZONE)
        for path in (folder / "sites").iterdir():
            text = path.read_text(encoding="utf-8")
            text = re.sub(r"(?m)^mail_at = .*$", f'mail_at = "{local:%H:%M}"', text)
            late = f"{local + timedelta(minutes=30):%H:%M}"
            text = re.sub(r"(?m)^deadline = .*$", f'deadline = "{late}"', text)
            text = re.sub(r"(?m)^shift_start = .*$", 'shift_start = "00:00"', text)
            text = re.sub(r"(?m)^shift_end = .*$", 'shift_end = "23:59"', text)
            text = text.replace("[settings]", f"[settings]\nrun_lead_min = {LEAD / timedelta(minutes=1)}")
            path.write_text(text, encoding="utf-8")

    def run(self) -> None:
        with (self.folder / "log").open("ab") as log:
            process = subprocess.Popen(
                [sys.executable, "-m", "gonogo", "serve", "--config", str(self.folder)],
                stdout=log,
                stderr=log,
                env={**os.environ, "GONOGO_STORE_URL": self.url},
            )
            try:
                self._hold_and_count()
            finally:
                process.terminate()
                try:
                    process.wait(30)
                except subprocess.TimeoutExpired:
                    process.kill()
                self.server.stop()

    def _hold_and_count(self) -> None:
        until_utc = self.mail_utc - LEAD + timedelta(seconds=0.5)
        while datetime.now(UTC) < until_utc or (self.place == AT_MAILS and not self.server.mails):
            time.sleep(0.05)
            if datetime.now(UTC) > self.mail_utc:
                raise AssertionError(f"{self.place}: no first mail\n{(self.folder / 'log').read_text()[-2000:]}")
        with held(self.url, self.place):
            self._count_until(datetime.now(UTC) + timedelta(seconds=HELD_S))
        self.lock_s = (self.mail_utc - datetime.now(UTC)).total_seconds()
        self._count_until(self.mail_utc + timedelta(seconds=60))

    def _count_until(self, until_utc: datetime) -> None:
        while datetime.now(UTC) < until_utc:
            self.came_utc += [datetime.now(UTC)] * (len(self.server.mails) - len(self.came_utc))
            time.sleep(0.05)

    def row(self) -> tuple[object, ...]:
        """Return what came of it."""
        expected = N_SITES * MAILS_EACH
        verdicts: dict[str, list[datetime]] = {}
        n_notices = 0
        for raw, at_utc in zip(self.server.mails, self.came_utc, strict=False):
            head = BytesHeaderParser(policy=SMTP).parsebytes(raw)
            address = str(head["to"].addresses[0].addr_spec)
            if address.startswith("operator"):
                continue
            if b"no verdict" in raw.lower() or "NO VERDICT" in str(head["subject"]):
                n_notices += 1
            else:
                verdicts.setdefault(address, []).append(at_utc)
        in_time = sum(min(times) <= self.mail_utc for times in verdicts.values())
        last_s = min(
            ((self.mail_utc - min(times)).total_seconds() for times in verdicts.values()), default=float("nan")
        )
        n_twice = sum(len(times) > 1 for times in verdicts.values())
        return self.place, f"{self.lock_s:.0f}", in_time, expected - in_time, n_notices, n_twice, f"{last_s:.0f}"


def new_database(url: str, name: str) -> str:
    """Make an empty database beside the one that is named, and return its URL."""
    made = sa.make_url(url).set(drivername="postgresql+psycopg")
    admin = sa.create_engine(made, isolation_level="AUTOCOMMIT", poolclass=sa.NullPool)
    with admin.connect() as connection:
        connection.exec_driver_sql(f"drop database if exists {name} with (force)")
        connection.exec_driver_sql(f"create database {name}")
    admin.dispose()
    return made.set(database=name, drivername="postgresql").render_as_string(hide_password=False)


def main(arguments: Sequence[str]) -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--url", default="", help="a PostgreSQL database; others are made beside it; else SQLite")
    parser.add_argument("--places", default="", help="some of them, by number")
    asked = parser.parse_args(arguments)
    logging.getLogger("mail.log").setLevel(logging.CRITICAL)
    every = PLACES["postgresql" if asked.url else "sqlite"]
    places = [every[int(n)] for n in asked.places.split(",")] if asked.places else every
    folder = Path(tempfile.mkdtemp(prefix="gonogo-locks-"))
    weather = subprocess.Popen(
        [sys.executable, str(HERE / "fleet_sites.py")], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    assert weather.stdout is not None
    port = int(weather.stdout.readline())
    try:
        cases = [
            Case(folder / f"c{n}", place, new_database(asked.url, f"lock_{os.getpid()}_{n}") if asked.url else "", port)
            for n, place in enumerate(places)
        ]
        threads = [threading.Thread(target=case.run) for case in cases]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
    finally:
        weather.communicate()
    print("| lock of | ends before the mail time [s] | verdicts in time | late or missing | notices | twice | ", end="")
    print("last one came before its time [s] |\n| --- | --- | --- | --- | --- | --- | --- |")
    rows = [case.row() for case in cases]
    for case, row in zip(cases, rows, strict=True):
        print("| " + " | ".join(map(str, row)) + " |")
        if row[3]:
            print((case.folder / "log").read_text(errors="replace")[-6000:], file=sys.stderr)
    shutil.rmtree(folder, ignore_errors=True)
    return int(any(row[3] or row[5] for row in rows))


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
