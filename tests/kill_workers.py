"""Kill workers of many mornings, or all of their processes at once, at moments drawn by chance; count what arrived.

    python tests/kill_workers.py --kills 200 --seed 1 [--url postgresql://...] [--minutes 5 --state FILE]

What is drawn for a morning follows from the seed and the morning's number alone, so with a file for its state the
count is made in pieces: each goes on where the last one ended.

`gonogo morning --workers 2` runs as processes of its own on a few sites, with weather over HTTP and mails to a live
SMTP server on 127.0.0.1. At a moment drawn by chance one worker is killed (SIGKILL), or the whole process group; a
command that was killed is started again until it comes to its end. Then each person's mail is counted. A mail may go
twice only where a kill of the group fell between our last byte of it and our record of the server's answer: then both
have one Message-ID.

After a few kills, as drawn, a morning is left alone: its mail time is taken to be a minute after the last of them, so
that every site has that minute left and is to be on time.
"""

from __future__ import annotations

import argparse
import json
import logging
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Sequence
from dataclasses import asdict, dataclass, field
from email.parser import BytesHeaderParser
from email.policy import SMTP
from pathlib import Path

HERE = Path(__file__).resolve().parent
N_SITES, MAILS_EACH = 6, 3
MOST_STARTS = 30
LONGEST_S = 300.0
MOST_KILLS = 5  # of a morning, of workers and of all processes
PAUSES_S = (0.5, 8.0)  # from one kill to the next
LEFT_S = 60.0  # from the last kill to the mail time


@dataclass
class Counts:
    """What was killed, and what came of the mails."""

    n_workers: int = 0
    n_groups: int = 0
    n_mornings: int = 0
    n_mails: int = 0
    n_lost: int = 0
    n_twice: int = 0
    n_twice_without_group: int = 0
    n_other_id: int = 0
    n_without_verdict: int = 0
    n_late: int = 0
    longest_s: float = 0.0
    seconds: list[float] = field(default_factory=list)


class Bench:
    """The servers, and mornings against them."""

    def __init__(self, folder: Path, seed: int, url: str, counts: Counts) -> None:
        sys.path.insert(0, str(HERE))
        from mailserver import MailServer

        logging.getLogger("mail.log").setLevel(logging.CRITICAL)
        self.folder, self.seed, self.url, self.counts = folder, seed, url, counts
        self.rng = random.Random()
        self.arrived_s: list[float] = []  # when each mail of the server came
        self.last_kill_s, self.n_kills_left = 0.0, 0
        self.server = MailServer()
        self.server.start()
        self.weather = subprocess.Popen(
            [sys.executable, str(HERE / "fleet_sites.py")],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        assert self.weather.stdout is not None
        self.weather_port = int(self.weather.stdout.readline())

    def close(self) -> None:
        self.weather.communicate()
        self.server.stop()

    def config(self) -> Path:
        """Write a config of a few sites with an empty database."""
        import fleet_sites

        place = self.folder / f"m{self.counts.n_mornings}"
        url = self.url or "sqlite:///gonogo.sqlite3"
        if self.url:
            self._empty()
        ports = {"weather_port": self.weather_port, "mail_port": self.server.port}
        fleet_sites.make(place, N_SITES, is_small=True, store_url=url, **ports)
        return place

    def _empty(self) -> None:
        import sqlalchemy as sa

        from gonogo.store import schema
        from gonogo.store.upgrade import upgrade

        store = schema.engine(self.url)
        upgrade(store)
        with schema.begin(store) as connection:
            for table in reversed(schema.metadata.sorted_tables):
                connection.execute(sa.delete(table))
        store.dispose()

    def morning(self) -> None:
        """Run a morning to its end under kills, and count."""
        self.rng = random.Random(f"{self.seed}/{self.counts.n_mornings}")
        place = self.config()
        n_groups, began = 0, time.monotonic()
        self.server.at_data = [self.rng.choice((0.0, 0.05, 0.3)) for _ in range(200)]
        self.last_kill_s, self.n_kills_left = began, self.rng.randint(1, MOST_KILLS)
        for _ in range(MOST_STARTS):
            code, was_group = self._start(place)
            n_groups += was_group
            if code in (0, 1, 3):
                break
        else:
            raise AssertionError("the morning never came to its end")
        self.counts.n_mornings += 1
        self.counts.seconds.append(time.monotonic() - began)
        time.sleep(0.5)  # a server may still be storing what a dead process sent last
        self._count(place, n_groups)
        shutil.rmtree(place)

    def _start(self, place: Path) -> tuple[int, bool]:
        """Start the command, and kill at moments drawn by chance; return its exit code, and whether all was killed."""
        log = (place / "log").open("ab")
        process = subprocess.Popen(
            [sys.executable, "-m", "gonogo", "morning", "--config", str(place), "--workers", "2"],
            stdout=log,
            stderr=log,
            start_new_session=True,
            env={**os.environ, "GONOGO_STORE_URL": self.url},
        )
        kills_group = self.rng.random() < 0.3
        end = time.monotonic() + LONGEST_S
        next_kill = time.monotonic() + self.rng.uniform(*PAUSES_S)
        while process.poll() is None:
            time.sleep(0.02)
            self._note_arrived()
            if time.monotonic() > end:
                os.killpg(process.pid, signal.SIGKILL)
                process.wait()
                raise AssertionError(f"the morning hung:\n{(place / 'log').read_text()[-3000:]}")
            if time.monotonic() < next_kill or not self.n_kills_left:
                continue
            next_kill = time.monotonic() + self.rng.uniform(*PAUSES_S)
            if kills_group:
                os.killpg(process.pid, signal.SIGKILL)
                process.wait()
                self.counts.n_groups += 1
                self._note_kill()
                return -9, True
            workers = children(process.pid)
            if workers:
                os.kill(self.rng.choice(workers), signal.SIGKILL)
                self.counts.n_workers += 1
                self._note_kill()
        log.close()
        return process.returncode, False

    def _note_kill(self) -> None:
        self.last_kill_s, self.n_kills_left = time.monotonic(), self.n_kills_left - 1

    def _note_arrived(self) -> None:
        self.arrived_s += [time.monotonic()] * (len(self.server.mails) - len(self.arrived_s))

    def _count(self, place: Path, n_groups: int) -> None:
        """Count what arrived against what the people were to get."""
        self._note_arrived()
        arrived: dict[str, list[str]] = {}
        waits_s: list[float] = []  # of each person's first mail, from the last kill on
        for raw, at_s in zip(self.server.mails, self.arrived_s, strict=True):
            head = BytesHeaderParser(policy=SMTP).parsebytes(raw)
            address = str(head["to"].addresses[0].addr_spec)
            if not address.startswith("operator"):
                if address not in arrived:
                    waits_s.append(at_s - self.last_kill_s)
                arrived.setdefault(address, []).append(str(head["message-id"]))
        self.server.mails.clear()
        self.arrived_s.clear()
        counts, n_expected = self.counts, N_SITES * MAILS_EACH
        counts.n_mails += n_expected
        counts.n_lost += n_expected - len(arrived)
        twice = [ids for ids in arrived.values() if len(ids) > 1]
        counts.n_twice += len(twice)
        counts.n_late += sum(wait > LEFT_S for wait in waits_s)
        counts.longest_s = max([counts.longest_s, *waits_s])
        counts.n_twice_without_group += 0 if n_groups else len(twice)
        counts.n_other_id += sum(len(set(ids)) > 1 for ids in twice)
        counts.n_without_verdict += (place / "log").read_text(errors="replace").count("NO VERDICT")
        if n_expected != len(arrived):
            print((place / "log").read_text(errors="replace")[-3000:], file=sys.stderr)


def children(pid: int) -> list[int]:
    """Return the worker processes that a process has started; without the one that tracks resources."""
    found = []
    for entry in Path("/proc").iterdir():
        if not entry.name.isdecimal():
            continue
        try:
            fields = (entry / "stat").read_text(errors="replace").rpartition(")")[2].split()
            line = (entry / "cmdline").read_bytes()
        except OSError:
            continue
        if int(fields[1]) == pid and b"spawn_main" in line:
            found.append(int(entry.name))
    return sorted(found)


def main(arguments: Sequence[str]) -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--minutes", type=float, default=60.0, help="begin no further morning after so long")
    parser.add_argument("--url", default="", help="a PostgreSQL database that may be emptied; SQLite when left out")
    parser.add_argument("--state", type=Path, help="a file to go on from, written after each morning")
    asked = parser.parse_args(arguments)
    folder, end = Path(tempfile.mkdtemp(prefix="gonogo-kills-")), time.monotonic() + 60.0 * asked.minutes
    counts = Counts(**json.loads(asked.state.read_text())) if asked.state and asked.state.exists() else Counts()
    bench = Bench(folder, asked.seed, asked.url, counts)
    try:
        while counts.n_workers + counts.n_groups < asked.kills and time.monotonic() < end:
            bench.morning()
            if asked.state:
                asked.state.write_text(json.dumps(asdict(counts)))
            print(f"\r{counts.n_workers + counts.n_groups} kills  ", end="", file=sys.stderr)
    finally:
        bench.close()
        shutil.rmtree(folder, ignore_errors=True)
    print(f"\nseed {asked.seed}, {counts.n_mornings} mornings of {N_SITES} sites, {sum(counts.seconds):.0f} s")
    head = ("workers killed", "all killed", "mails", "lost", "sent twice", "of these where no group was killed")
    head = (*head, "other id", "late")
    print("| " + " | ".join(head) + " |\n" + "| --- " * len(head) + "|")
    row = (counts.n_workers, counts.n_groups, counts.n_mails, counts.n_lost, counts.n_twice)
    row = (*row, counts.n_twice_without_group, counts.n_other_id, counts.n_late)
    print("| " + " | ".join(map(str, row)) + " |")
    print(f"the last mail that came to somebody, after the last kill of its morning: {counts.longest_s:.1f} s")
    print(f"sites told that there is no verdict: {counts.n_without_verdict}; {Counter(map(int, counts.seconds))}")
    return int(bool(counts.n_lost or counts.n_twice_without_group or counts.n_other_id or counts.n_late))


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
