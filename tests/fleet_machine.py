"""One machine of a fleet, for tests/benchmarks/test_fleet.py: a real service in a process of its own, killed at will.

    python tests/fleet_machine.py PLAN.json NAME

Planned rows, batches, claims, stored answers, the transaction of a run, outbox, leases, watch and sign of life are the
service's own, on the database that the plan names. Replaced are the two things that cost a machine rather than the
database: computing, by a wait as long as it was measured to take (and what it came to by that of one real morning, made
at the start), and the mail server, by a file to which each mail's Message-ID is written at half of the time that a
server takes. A thread that waits stands for a core that computes.
"""

from __future__ import annotations

import gzip
import json
import logging
import os
import random
import resource
import sys
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path
from types import SimpleNamespace
from typing import Any
from zoneinfo import ZoneInfo

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the command does

import fleet_sites
import sqlalchemy as sa

from gonogo import config as configs
from gonogo.config import Config
from gonogo.config.load import ReadFrom, files_state
from gonogo.download import forecasts
from gonogo.download.forecasts import Downloaded
from gonogo.morning import answers as morning_answers
from gonogo.morning import run as morning_run
from gonogo.outgoing import delivery
from gonogo.outgoing.envelope import LeaseLostError
from gonogo.outgoing.frame import RunFrame
from gonogo.records.outside import Answer
from gonogo.records.site import Site
from gonogo.service import schedule
from gonogo.service import service as services
from gonogo.store import answers as stored_answers
from gonogo.store import claims
from gonogo.store.open import open_store
from gonogo.store.queued import Envelope

N_ZONES = 24
TOLD_EVERY_S = 5.0
SITES_A_TILE = 25


@dataclass(frozen=True, kw_only=True)
class Plan:
    """A compressed day.

    begin_s      when the mails of the first zone are due [s since 1970]
    zone_s       between the mail times of two zones, an hour on a real day
    lead_min     between the moment from which a site may be made and its mail time [min]
    cost_s       that a site's computing takes; each site by up to three tenths more or less
    mail_s       that the mail server takes for a mail
    n_threads    cores of a machine
    folder       of this run: example, what the machines tell, Message-IDs that went
    """

    url: str
    n_sites: int
    begin_s: float
    zone_s: float
    lead_min: float
    cost_s: float
    mail_s: float
    n_threads: int
    folder: str

    @property
    def path(self) -> Path:
        return Path(self.folder)

    def mail_utc(self, n: int) -> datetime:
        """Return when the mails of the n-th site are due."""
        return datetime.fromtimestamp(self.begin_s + self.zone_s * (n % N_ZONES), UTC).replace(microsecond=0)

    @property
    def end_utc(self) -> datetime:
        return self.mail_utc(N_ZONES - 1)


def example_config(plan: Plan) -> Config:
    """Return the config of the one real site whose morning stands for all."""
    folder = plan.path / "example"
    if not (folder / "gonogo.toml").exists():
        day = datetime.now(UTC)
        fleet_sites.make(folder, 1, is_small=True, weather_port=9, mail_port=9, store_url="sqlite:///a.db", day=day)
    return configs.load(folder, environ={})


def fleet_config(plan: Plan, example: Config) -> Config:
    """Return a config of so many sites: the example's at places, in zones and at times of their own."""
    (one,) = example.sites
    settings = dict(example.settings[one.id]) | {"run_lead_min": plan.lead_min}
    sites = []
    for n in range(plan.n_sites):
        zone = ZoneInfo(f"Etc/GMT{n % N_ZONES - 12:+d}")
        mail_at = plan.mail_utc(n).astimezone(zone)
        tile = n // SITES_A_TILE
        place = {"latitude_deg": -60.0 + 0.25 * (tile % 480), "longitude_deg": -170.0 + 0.25 * (tile // 480)}
        times = {"mail_at": mail_at.time(), "deadline": (mail_at + timedelta(hours=3.5)).time()}
        shift = {"shift_start": times["deadline"], "shift_end": (mail_at + timedelta(hours=12)).time()}
        sites.append(replace(one, id=f"site-{n:06d}", zone=zone, **place, **times, **shift))
    ids = [site.id for site in sites]
    return replace(
        example,
        folder=plan.path,
        sites=tuple(sites),
        settings=dict.fromkeys(ids, settings),
        setting_origin=dict.fromkeys(ids, example.setting_origin[one.id]),
        readings=dict.fromkeys(ids, ()),
        store_url=plan.url,
        transport=replace(example.transport, kind="smtp", folder=None),
        # As of files: all machines of a day read the same.
        read_from=ReadFrom(folder=plan.path, state=files_state(plan.path)),
    )


def downloaded(site: Site, now_utc: datetime) -> Downloaded:
    """Return the example's weather as if it had just come."""
    body = fleet_sites.shifted_body(now_utc)
    answer = Answer(
        service="open_meteo", url="http://127.0.0.1/", fetched_utc=now_utc, status=200, headers={}, body=body
    )
    return replace(forecasts.forecast(site, (), now_utc=now_utc, stored=[answer]), is_stored=False)


def example_morning(plan: Plan, config: Config) -> tuple[morning_run.MorningResult, Downloaded]:
    """Return a real morning of the example's site, stored in a database of its own."""
    (site,) = config.sites
    now_utc = datetime.now(UTC)
    weather = downloaded(site, now_utc)
    store = open_store(replace(config, store_url=f"sqlite:///{plan.path / f'example-{os.getpid()}.db'}"))
    frame = RunFrame(
        config=config,
        site=site,
        day=now_utc.date(),
        now_utc=now_utc,
        deadline_utc=now_utc + timedelta(hours=3),
        store=store,
        fetch=lambda *_: weather,
        owner="example",
    )
    made = morning_run.run_morning(frame)
    store.dispose()
    assert made is not None
    assert made.conclusion.has_verdict
    return made, weather


def compute_nothing(weather: Downloaded) -> None:
    """Have Python's own work on what is stored done once: it is part of what computing was measured to cost."""
    body = gzip.compress(weather.answer.body, mtime=0)
    stored_answers.gzip = SimpleNamespace(compress=lambda *_, **__: body, decompress=gzip.decompress)
    real, known = claims.encoded, {}  # by id: the example lives as long as the machine does
    claims.encoded = lambda record: known.get(id(record)) or known.setdefault(id(record), real(record))


def addressed(mails: Sequence[Envelope], frame: RunFrame) -> list[Envelope]:
    """Return the example's mails as those of a frame's site."""
    return [
        replace(
            envelope,
            message_id=f"<{frame.edition}.{n}.{frame.day}@{frame.site.id}.example.com>",
            site_id=frame.site.id,
            address=f"{n}@{frame.site.id}.example.com",
            deadline_utc=frame.deadline_utc,
            run_id=None,
        )
        for n, envelope in enumerate(mails)
    ]


class Sink:
    """Takes mails as a server does that needs its time, and writes down which came."""

    def __init__(self, file: int, mail_s: float) -> None:
        self._file, self._half_s = file, mail_s / 2.0

    def __enter__(self) -> Sink:
        return self

    def __exit__(self, *_: object) -> None:
        """Close nothing: the file is everybody's."""

    def deliver(self, envelope: Envelope, is_ours: Callable[[], bool]) -> None:
        time.sleep(self._half_s)
        if not is_ours():
            raise LeaseLostError(f"{envelope.message_id} is another's")
        os.write(self._file, f"{time.time():.2f} {envelope.message_id}\n".encode())
        time.sleep(self._half_s)


@dataclass
class Counts:
    """What a machine has done so far."""

    n_runs: int = 0
    n_statements: int = 0
    n_commits: int = 0


class Machine:
    """A service whose computing is replaced."""

    def __init__(self, plan: Plan, name: str) -> None:
        self.plan, self.name, self.counts, self.rng = plan, name, Counts(), random.Random(name)
        example = example_config(plan)
        self.example, self.weather = example_morning(plan, example)
        self.config = fleet_config(plan, example)
        self._replace_computing()
        self.halt = threading.Event()
        self.service = services.Service(
            self.config, halt=self.halt, fetch=lambda *_: self.weather, environ={}, n_workers=plan.n_threads
        )
        sa.event.listen(self.service.store, "after_cursor_execute", self._count_statement)
        sa.event.listen(self.service.store, "commit", self._count_commit)
        self.start_s = time.process_time()

    def run(self) -> None:
        """Serve until told to stop by stdin's end."""
        threading.Thread(target=self._tell, daemon=True).start()
        threading.Thread(target=lambda: (sys.stdin.read(), self.halt.set()), daemon=True).start()
        try:
            schedule.serve(self.service.work(), stop=self.halt)
        finally:
            self._write()
            self.service.end()

    def _replace_computing(self) -> None:
        morning_run.conclude = self._conclude
        morning_run.outgoing_mails = SimpleNamespace(
            mails=self._mails, plain_mails=morning_run.outgoing_mails.plain_mails
        )
        compute_nothing(self.weather)
        sink = os.open(self.plan.path / "went.txt", os.O_WRONLY | os.O_APPEND | os.O_CREAT)
        delivery.Worker = partial(delivery.Worker, open_transport=lambda _: Sink(sink, self.plan.mail_s))

    def _conclude(self, frame: RunFrame, _stored: object) -> Any:
        time.sleep(self.plan.cost_s * self.rng.uniform(0.7, 1.3))
        answer_id = morning_answers.keep_answer(frame.store, frame.site, self.weather)
        self.counts.n_runs += 1
        return replace(self.example.conclusion, answer_id=answer_id)

    def _mails(self, frame: RunFrame, _conclusion: object, **_: object) -> tuple[Sequence[Envelope], tuple[str, ...]]:
        return addressed(self.example.mails, frame), ()

    def _count_statement(self, *_: object) -> None:
        self.counts.n_statements += 1

    def _count_commit(self, *_: object) -> None:
        self.counts.n_commits += 1

    def _tell(self) -> None:
        while not self.halt.wait(TOLD_EVERY_S):
            self._write()

    def _write(self) -> None:
        """Say what was done so far; a machine that is killed has said it a few seconds before."""
        used = resource.getrusage(resource.RUSAGE_SELF)
        told = vars(self.counts) | {
            "cpu_s": round(used.ru_utime + used.ru_stime, 2),
            "start_s": round(self.start_s, 2),
            "peak_mb": round(used.ru_maxrss / 1e3),
        }
        part = self.plan.path / f"{self.name}.part"
        part.write_text(json.dumps(told), encoding="utf-8")
        part.replace(self.plan.path / f"{self.name}.told.json")


def main(plan_file: str, name: str) -> None:
    logging.basicConfig(level=logging.WARNING, filename=Path(plan_file).with_name(f"{name}.log"))
    machine = Machine(Plan(**json.loads(Path(plan_file).read_text(encoding="utf-8"))), name)
    print("ready", flush=True)
    sys.stdin.readline()
    machine.run()


if __name__ == "__main__":
    main(*sys.argv[1:])
