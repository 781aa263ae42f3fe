"""What the database of one site's morning costs, step by step: statements, commits, CPU here and in PostgreSQL.

    python tests/benchmarks/database_of_a_site.py [--sites 200] [--url sqlite:///...]

One thread, mornings of the real length stored as a service stores them, on a second day: each site has a morning of the
day before. Nothing is computed and nothing is sent, so what is left is what storing, leasing and marking take.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

import fleet_day
import fleet_machine
import sqlalchemy as sa
from own_postgresql import own_server

from gonogo.config import Config
from gonogo.morning import answers as morning_answers
from gonogo.morning import previous
from gonogo.morning import run as morning_run
from gonogo.outgoing.frame import RunFrame
from gonogo.records.site import Site
from gonogo.store import outbox, schema
from gonogo.store.upgrade import upgrade


@dataclass
class Cost:
    """What the steps of all sites have cost so far [s], and how often they asked the database."""

    n_statements: int = 0
    n_commits: int = 0
    cpu_s: float = 0.0
    server_s: float = 0.0
    wall_s: float = 0.0


class Measured:
    """Counts what steps cost, each under its name."""

    def __init__(self, store: sa.Engine, server_cpu_s: Callable[[], float]) -> None:
        self.costs: dict[str, Cost] = {}
        self._server_cpu_s, self._counts = server_cpu_s, Counter[str]()
        sa.event.listen(store, "after_cursor_execute", lambda *_: self._counts.update(["statement"]))
        sa.event.listen(store, "commit", lambda *_: self._counts.update(["commit"]))

    def step(self, name: str, step: Callable[[], object], n: int) -> None:
        """Take a step for each of n sites in a row."""
        self._counts.clear()
        cpu_s, server_s, wall_s = time.process_time(), self._server_cpu_s(), time.perf_counter()
        step()
        cost = self.costs.setdefault(name, Cost())
        cost.cpu_s += (time.process_time() - cpu_s) / n
        cost.server_s += (self._server_cpu_s() - server_s) / n
        cost.wall_s += (time.perf_counter() - wall_s) / n
        cost.n_statements += self._counts["statement"] / n
        cost.n_commits += self._counts["commit"] / n


def morning(
    measured: Measured, frames: list[RunFrame], made: morning_run.MorningResult, weather: fleet_machine.Downloaded
) -> None:
    """Store the mornings of sites: claim, read, keep the answer, finish, and send the mails one after the other."""
    n, claims, answers = len(frames), {}, {}

    def claim() -> None:
        for frame in frames:
            claims[frame.site.id] = morning_run.claimed(frame)

    def read() -> None:
        for frame in frames:
            previous.load(frame)

    def keep() -> None:
        for frame in frames:
            answers[frame.site.id] = morning_answers.keep_answer(frame.store, frame.site, weather)

    def finish() -> None:
        for frame in frames:
            mails = fleet_machine.addressed(made.mails, frame)
            conclusion = replace(made.conclusion, answer_id=answers[frame.site.id])
            morning_run.finish(frame, claims[frame.site.id], conclusion, mails, mail_faults=())

    def send() -> None:
        store, now_utc = frames[0].store, frames[0].now_utc
        held = outbox.lease(store, now_utc=now_utc, owner="me")
        while held:
            assert outbox.renewed(store, held[0], now_utc=now_utc, least_s=240.0)
            held = outbox.sent_and_next(store, held[0], now_utc=now_utc, owner="me")

    for name, step in (("claim", claim), ("read", read), ("answer", keep), ("finish", finish), ("mails", send)):
        measured.step(name, step, n)


def frames_of(config: Config, sites: tuple[Site, ...], store: sa.Engine, now_utc: datetime) -> list[RunFrame]:
    return [
        RunFrame(
            config=config,
            site=site,
            day=now_utc.date(),
            now_utc=now_utc,
            deadline_utc=now_utc + timedelta(hours=30),
            store=store,
            fetch=lambda *_: None,  # type: ignore[arg-type,return-value]  # nothing is computed
            owner="me",
        )
        for site in sites
    ]


def table(costs: dict[str, Cost]) -> str:
    """Return a line a step, and one for all of them: a site's."""
    lines = [f"{'step':10}{'statements':>12}{'commits':>9}{'here [ms]':>11}{'server [ms]':>13}{'wall [ms]':>11}"]
    for name, cost in (*costs.items(), ("in all", total(costs))):
        lines.append(
            f"{name:10}{cost.n_statements:12.1f}{cost.n_commits:9.1f}{1e3 * cost.cpu_s:11.2f}"
            f"{1e3 * cost.server_s:13.2f}{1e3 * cost.wall_s:11.2f}"
        )
    return "\n".join(lines)


def total(costs: dict[str, Cost]) -> Cost:
    return Cost(*(sum(getattr(cost, name) for cost in costs.values()) for name in Cost.__annotations__))


def measure(folder: Path, url: str, n_sites: int, server_cpu_s: Callable[[], float]) -> str:
    """Return what mornings of so many sites cost on a database that is there."""
    plan = fleet_machine.Plan(
        url=url, n_sites=n_sites, begin_s=time.time(), zone_s=0.0, lead_min=15.0, cost_s=0.0, mail_s=0.0, n_threads=1,
        folder=str(folder),
    )  # fmt: skip
    example = fleet_machine.example_config(plan)
    made, weather = fleet_machine.example_morning(plan, example)
    config = fleet_machine.fleet_config(plan, example)
    store = schema.engine(url)
    upgrade(store)
    fleet_machine.compute_nothing(weather)
    now_utc = datetime.now(UTC)
    measured = Measured(store, server_cpu_s)
    for at_utc in (now_utc - timedelta(days=1), now_utc):
        measured.costs.clear()
        morning(measured, frames_of(config, config.sites, store, at_utc), made, weather)
    store.dispose()
    return table(measured.costs)


def main() -> None:
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--sites", type=int, default=200)
    asked.add_argument("--url", help="of an empty database; None: a PostgreSQL of its own")
    options = asked.parse_args()
    with tempfile.TemporaryDirectory(prefix="gonogo-database-") as name:
        folder = Path(name)
        folder.chmod(0o755)
        if options.url is not None:
            print(measure(folder, options.url, options.sites, lambda: 0.0))
            return
        with own_server(folder) as (url, postmaster):
            print(measure(folder, url, options.sites, partial(fleet_day.server_cpu_s, postmaster)))


if __name__ == "__main__":
    main()
