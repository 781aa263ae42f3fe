"""A compressed day of a fleet: real services on one PostgreSQL, one of them killed every minute, and what came of it.

    python tests/fleet_day.py FOLDER --sites 100000 --zone-s 300 [--machines 4 --cores 4 --cost-s 0.4 --lead-min 3]

24 zones, as many sites in each; the mails of a zone are due --zone-s after those of the one before, where a real day
has an hour. What does not shrink with the day: the time that computing and the mail server take, the pace of kills, and
the lead with which runs begin. FOLDER gets progress.txt, one line each 10 s, and result.json, every five minutes and at
the end: whatever ends the day before its time, what came of it so far is there. See fleet_machine.py for what is real.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import signal
import subprocess
import sys
import time
from collections import Counter
from dataclasses import asdict, dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import IO, Any

import fleet_machine
import sqlalchemy as sa
from fleet_machine import Plan
from own_postgresql import own_server

from gonogo.service import day_queue
from gonogo.store import planned, schema
from gonogo.store.upgrade import upgrade

KILLED_EVERY_S = 60.0
CONNECTIONS_EACH = 10  # to the mail server: so many mails may a machine be at in the instant in which it is killed
LOOKED_EVERY_S = 10.0
BEGINS_AFTER_S = 30.0  # machines start and the day is planned meanwhile
TOLD_EVERY_S = 300.0
ENDS_AFTER_S = 60.0  # after the last mail time: what is not made by then is counted as it stands
TICKS = os.sysconf("SC_CLK_TCK")


def server_cpu_s(postmaster: int) -> float:
    """Return the CPU time of a PostgreSQL server, its sessions that are over included [s]."""
    ticks = 0
    for entry in Path("/proc").iterdir():
        if entry.name.isdecimal():
            try:
                fields = (entry / "stat").read_text().rpartition(")")[2].split()
            except OSError:
                continue
            if int(entry.name) == postmaster:
                ticks += sum(map(int, fields[11:15]))
            elif int(fields[1]) == postmaster:
                ticks += int(fields[11]) + int(fields[12])
    return ticks / TICKS


@dataclass
class Day:
    """A day under way."""

    plan: Plan
    postmaster: int
    n_machines: int
    killed_every_s: float = KILLED_EVERY_S
    seed: int = 1
    machines: dict[str, subprocess.Popen[str]] = field(default_factory=dict)
    n_killed: int = 0
    peak_connections: int = 0
    peak_load: float = 0.0
    came: dict[str, Any] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.rng = random.Random(self.seed)
        self.store = schema.engine(self.plan.url)
        self.plan_file = self.plan.path / "plan.json"
        self.plan_file.write_text(json.dumps(asdict(self.plan)), encoding="utf-8")
        self.server_began_s = server_cpu_s(self.postmaster)
        self.progress: IO[str] = (self.plan.path / "progress.txt").open("a", encoding="utf-8")

    def say(self, text: str) -> None:
        self.progress.write(f"{datetime.now(UTC):%H:%M:%S} {text}\n")
        self.progress.flush()

    def start(self, name: str) -> None:
        """Start a machine, to serve as soon as it can."""
        machine = Path(fleet_machine.__file__)
        process = subprocess.Popen(
            [sys.executable, str(machine), str(self.plan_file), name], stdin=subprocess.PIPE, text=True
        )
        assert process.stdin is not None
        process.stdin.write("go\n")
        process.stdin.flush()
        self.machines[name] = process

    def plan_runs(self) -> dict[str, float]:
        """Write down the runs of the day as a service does, and return what that took."""
        config = fleet_machine.fleet_config(self.plan, fleet_machine.example_config(self.plan))
        began, cpu_s = time.perf_counter(), time.process_time()
        now_utc = datetime.now(UTC)
        until_utc = now_utc.replace(hour=now_utc.hour // 6 * 6, minute=0, second=0, microsecond=0)
        until_utc += day_queue.PLANNED_AHEAD
        rows = list(day_queue.rows_ahead(config, now_utc, until_utc))
        made_s = time.perf_counter() - began
        mark = day_queue.fingerprint(config)
        planned.plan(self.store, mark, rows, now_utc=now_utc, until_utc=until_utc)
        whole_s = time.perf_counter() - began
        return {
            "rows": len(rows),
            "rows_made_s": round(made_s, 1),
            "planned_s": round(whole_s, 1),
            "planner_cpu_s": round(time.process_time() - cpu_s, 1),
        }

    def run(self, at_most_min: float) -> None:
        """Run until every mail of the day has gone, or the time is over; kill one machine a minute meanwhile."""
        for n in range(self.n_machines):
            self.start(f"m{n}.0")
        first_utc = self.plan.mail_utc(0) - timedelta(minutes=self.plan.lead_min)
        next_kill_utc = first_utc + timedelta(seconds=self.killed_every_s)
        told_s = time.monotonic()
        end_utc = min(self.plan.end_utc, first_utc + timedelta(minutes=at_most_min)) + timedelta(seconds=ENDS_AFTER_S)
        while (now_utc := datetime.now(UTC)) < end_utc:
            time.sleep(LOOKED_EVERY_S)
            if now_utc >= next_kill_utc:
                self.kill_one()
                next_kill_utc += timedelta(seconds=self.killed_every_s)
            if self.is_over():
                break
            if time.monotonic() - told_s >= TOLD_EVERY_S:
                told_s = time.monotonic()
                self.tell()

    def kill_one(self) -> None:
        """Kill a machine without a word, and start it again."""
        name = self.rng.choice(sorted(self.machines))
        process = self.machines.pop(name)
        process.send_signal(signal.SIGKILL)
        process.communicate()
        self.n_killed += 1
        number, _, life = name.partition(".")
        self.start(f"{number}.{int(life) + 1}")

    def is_over(self) -> bool:
        """Say how far the day is, and return whether nothing is left to do."""
        with schema.read(self.store) as connection:
            done = connection.scalar(sa.text("select count(*) from planned_run where is_done"))
            n_connections = connection.scalar(
                sa.text("select count(*) from pg_stat_activity where datname = current_database()")
            )
            n_waiting = connection.scalar(sa.text("select count(*) from message where state = 'waiting'"))
            late_s = connection.scalar(
                sa.text(
                    "select extract(epoch from now() - min(mail_utc)) from planned_run"
                    " where not is_done and deadline_utc > now() and from_utc <= now()"
                )
            )
        self.peak_connections = max(self.peak_connections, n_connections)
        self.peak_load = max(self.peak_load, os.getloadavg()[0])
        late = 0.0 if late_s is None else float(late_s)
        self.say(
            f"{done} of {self.plan.n_sites} sites made, {n_waiting} mails wait, the oldest site to be made is due "
            f"{late:.0f} s ago, {n_connections} connections, {self.n_killed} killed, server "
            f"{server_cpu_s(self.postmaster):.0f} s, load {os.getloadavg()[0]:.1f}"
        )
        return bool(done >= self.plan.n_sites and not n_waiting)

    def tell(self) -> None:
        """Write down what came of the day so far."""
        self.came |= counted(self, datetime.now(UTC))
        self.write()

    def write(self) -> None:
        (self.plan.path / "result.json").write_text(json.dumps(self.came, indent=1, default=str), encoding="utf-8")

    def end(self) -> None:
        """Let the machines end."""
        for process in self.machines.values():
            assert process.stdin is not None
            process.stdin.close()
        for process in self.machines.values():
            try:
                process.wait(60.0)
            except subprocess.TimeoutExpired:
                process.kill()
        self.progress.close()


def quantiles(waits_s: list[float]) -> dict[str, float]:
    ordered = sorted(waits_s)
    return {name: round(ordered[int(share * (len(ordered) - 1))], 1) for name, share in
            (("median", 0.5), ("p99", 0.99), ("longest", 1.0))}  # fmt: skip


def counted(day: Day, ended_utc: datetime) -> dict[str, Any]:
    """Return what came of a day: sites in time by the last of their mails, waits, mails lost or sent twice."""
    with schema.read(day.store) as connection:
        rows = connection.execute(
            sa.text(
                "select p.mail_utc, p.from_utc, r.error, r.attempt, max(m.settled_utc) as last_utc,"
                " count(*) filter (where m.state = 'sent') as n_sent, count(m.id) as n_mails"
                " from planned_run p"
                " left join run r on r.site_id = p.site_id and r.day = p.day and r.edition = p.edition"
                " and r.state = 'finished' left join message m on m.run_id = r.id and m.kind <> 'operator'"
                " where p.is_done or p.from_utc <= now() group by p.site_id, p.day, p.edition, r.id"
            )
        ).all()
        states = dict(connection.execute(sa.text("select state, count(*) from message group by state")).all())
        n_verdicts = connection.scalar(sa.text("select count(distinct run_id) from outlook_day"))
        sizes = dict(connection.execute(sa.text(
            "select relname, pg_total_relation_size(oid) from pg_class where relkind = 'r' and relname in"
            " ('planned_run', 'message', 'message_raw', 'run', 'answer', 'outlook_day')")).all())  # fmt: skip
        span = connection.execute(
            sa.text("select extract(epoch from max(finished_utc) - min(claimed_utc)) from run where state = 'finished'")
        ).scalar_one()
        commits = connection.scalar(
            sa.text("select xact_commit from pg_stat_database where datname = current_database()")
        )
    whole = [row for row in rows if row.n_mails and row.n_sent == row.n_mails]
    late_s = [(row.last_utc - row.mail_utc).total_seconds() for row in whole]
    went = Counter(
        line.split()[1] for line in (day.plan.path / "went.txt").read_text(encoding="utf-8").splitlines() if line
    )
    told = [json.loads(file.read_text(encoding="utf-8")) for file in day.plan.path.glob("*.told.json")]
    n_made = max(1, len([row for row in rows if row.n_mails]))
    started_s = sum(t["start_s"] for t in told)
    server_s = server_cpu_s(day.postmaster) - day.server_began_s
    machines_s = sum(t["cpu_s"] for t in told) - started_s
    return {
        "sites": day.plan.n_sites,
        "due": sum(row.mail_utc <= ended_utc for row in rows),
        "made": len([row for row in rows if row.n_mails]),
        "with_verdict": n_verdicts,
        "sites_per_s": round(len([row for row in rows if row.n_mails]) / max(float(span or 0.0), 1.0), 2),
        "all_mails_gone": len(whole),
        "on_time": sum(s <= 0.0 for s in late_s),
        "late_within_a_minute": sum(0.0 < s <= 60.0 for s in late_s),
        "wait_s": quantiles([(row.last_utc - row.from_utc).total_seconds() for row in whole]) if whole else {},
        "taken_over": sum((row.attempt or 1) > 1 for row in rows),
        "killed": day.n_killed,
        "states": states,
        "mails": sum(went.values()),
        "twice": sum(n > 1 for n in went.values()),
        "commits": commits,
        "peak_connections": day.peak_connections,
        "peak_load": round(day.peak_load, 1),
        "server_cpu_s": round(server_s, 1),
        "machines_cpu_s": round(machines_s, 1),
        "machines_start_cpu_s": round(started_s, 1),
        "server_cpu_ms_a_site": round(1e3 * server_s / n_made, 1),
        "machines_cpu_ms_a_site": round(1e3 * machines_s / n_made, 1),
        "machine_peak_mb": max((t["peak_mb"] for t in told), default=0),
        "statements": sum(t["n_statements"] for t in told),
        "mb": {name: round(size / 1e6) for name, size in sizes.items()},
    }


def pruned(day: Day) -> dict[str, float]:
    """Delete the day's planned runs as a service does once they are old, and return what that took."""
    began, longest_s, n_gone = time.perf_counter(), 0.0, 0
    while True:
        step = time.perf_counter()
        n_now = planned.forget_before(day.store, (datetime.now(UTC) + timedelta(days=3)).date())
        longest_s = max(longest_s, time.perf_counter() - step)
        n_gone += n_now
        if not n_now:
            break
    return {"rows": n_gone, "in_all_s": round(time.perf_counter() - began, 1), "longest_step_s": round(longest_s, 3)}


def simulated(folder: Path, asked: argparse.Namespace) -> dict[str, Any]:
    """Run a day in a folder, on a server of its own, and return what came of it."""
    folder.mkdir(parents=True, exist_ok=True)
    with own_server(folder) as (url, postmaster):
        store = schema.engine(url)
        upgrade(store)
        store.dispose()
        plan = Plan(
            url=url,
            n_sites=asked.sites,
            begin_s=time.time() + BEGINS_AFTER_S + 60.0 * asked.lead_min + asked.sites / 1500.0,
            zone_s=asked.zone_s,
            lead_min=asked.lead_min,
            cost_s=asked.cost_s,
            mail_s=asked.mail_s,
            n_threads=asked.cores,
            folder=str(folder),
        )
        day = Day(plan, postmaster, asked.machines, asked.kill_every_s)
        day.came = {"asked": vars(asked) | {"folder": str(folder)}, "planning": day.plan_runs()}
        day.say(f"planned: {day.came['planning']}")
        began = time.time()
        day.run(asked.at_most_min)
        day.end()
        day.came["lasted_s"] = round(time.time() - began)
        day.tell()
        day.came["pruning"] = pruned(day)
        day.write()
        day.store.dispose()
        return day.came


def parser() -> argparse.ArgumentParser:
    made = argparse.ArgumentParser()
    made.add_argument("folder", type=Path)
    made.add_argument("--sites", type=int, default=10_000)
    made.add_argument("--zone-s", type=float, default=10.0, help="between the mail times of two zones")
    made.add_argument("--lead-min", type=float, default=3.0)
    made.add_argument("--machines", type=int, default=4)
    made.add_argument("--cores", type=int, default=4, help="of a machine")
    made.add_argument("--cost-s", type=float, default=0.4, help="that computing takes a site")
    made.add_argument(
        "--at-most-min", type=float, default=1e6, help="of the day, from the first run on; zones left out"
    )
    made.add_argument("--kill-every-s", type=float, default=KILLED_EVERY_S)
    made.add_argument("--mail-s", type=float, default=0.1, help="that the mail server takes a mail")
    return made


if __name__ == "__main__":
    arguments = parser().parse_args()
    print(json.dumps(simulated(arguments.folder.resolve(), arguments), indent=1, default=str))
