"""Several services on one PostgreSQL: each run made once, and a dead service's batch taken over at once."""

from __future__ import annotations

import shutil
import threading
import time as time_module
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest
import sqlalchemy as sa
from config_copy import EXAMPLE
from example_mornings import example_config
from sites import small_site

from gonogo.config import Config
from gonogo.download.forecasts import Downloaded, NoForecastError
from gonogo.records.outside import Answer
from gonogo.records.site import Site
from gonogo.service import clock, day_queue, last_good, leaving, service
from gonogo.service.day_queue import DayQueue, Taken
from gonogo.service.service import Service
from gonogo.service.workers import Workers
from gonogo.store import alive, claims, outcomes, schema

TUESDAY = date(2026, 5, 12)
N_SITES = 6


def no_forecast(site: Site, now_utc: datetime, stored: Sequence[Answer]) -> Downloaded:
    """Stand in for weather services that refuse us: every strip waits, at once."""
    raise NoForecastError("open_meteo: 403 from the service.", passing=False)


def due_now(tmp_path: Path, url: str, n_sites: int = N_SITES) -> Config:
    """The example config with so many sites at which it is noon, and whose mails leave in five minutes."""
    shutil.copytree(EXAMPLE, tmp_path / "config")  # on PostgreSQL a service keeps its last good config there
    loaded = replace(example_config(tmp_path, store_url=url), folder=tmp_path / "config")
    now = datetime.now(UTC)
    zone = ZoneInfo(f"Etc/GMT{now.hour - 12:+d}" if now.hour != 12 else "Etc/GMT")
    mail_at = (now.astimezone(zone) + timedelta(minutes=5)).time().replace(second=0, microsecond=0)
    model = replace(
        loaded.sites[0],
        zone=zone,
        mail_at=mail_at,
        deadline=time(20, 0),
        recheck_at=(),
        working_days=tuple(range(7)),
        holidays=(),
    )
    sites = tuple(replace(model, id=f"site-{n}") for n in range(n_sites))
    named = {name: dict.fromkeys((s.id for s in sites), getattr(loaded, name)[model.id])
             for name in ("settings", "setting_origin", "readings")}  # fmt: skip
    return replace(loaded, sites=sites, **named)


@pytest.fixture
def begun() -> Iterator[Callable[[Config], Service]]:
    """Begins services, and ends them after the test."""
    made: list[Service] = []

    def begin(loaded: Config) -> Service:
        made.append(Service(loaded, halt=threading.Event(), fetch=no_forecast, environ={}))
        return made[-1]

    yield begin
    for running in made:
        running.end()


def queue_of(running: Service) -> DayQueue:
    found = running.work().queue
    assert found is not None
    return found


def taken_all(running: Service, now_utc: datetime) -> list[Taken]:
    """Take batch after batch until nothing is due."""
    found: list[Taken] = []
    while batch := queue_of(running).take(now_utc):
        found += batch
    return found


def two_of_which_the_first_has_all(
    loaded: Config, begun: Callable[[Config], Service]
) -> tuple[Service, Service, datetime]:
    """Return two services on one database and when the first of them took all that was due."""
    first, second = begun(loaded), begun(loaded)
    now_utc = datetime.now(UTC)
    assert len(taken_all(first, now_utc)) == N_SITES
    return first, second, now_utc


def mails(store: sa.Engine) -> list[tuple[str, str]]:
    with schema.read(store) as connection:
        return [(m.site_id, m.address) for m in outcomes.outcomes(connection) if m.kind == "morning"]


def test_what_one_service_has_taken_and_done_no_other_tries(tmp_path: Path, postgresql_url: str, begun: Any) -> None:
    loaded = due_now(tmp_path, postgresql_url)
    first, second = begun(loaded), begun(loaded)
    now_utc = datetime.now(UTC)
    batch = taken_all(first, now_utc)
    assert {taken.site.id for taken in batch} == {site.id for site in loaded.sites}
    assert queue_of(second).take(now_utc) == []
    for taken in batch:
        queue_of(first).run(taken, now_utc)
    assert queue_of(second).take(now_utc) == queue_of(first).take(now_utc) == []
    with schema.read(first.store) as connection:
        assert connection.execute(sa.select(sa.func.count(), sa.func.max(schema.run.c.id))).one() == (N_SITES, N_SITES)
    assert len(mails(first.store)) == len(set(mails(first.store))) == 5 * N_SITES


def test_where_little_is_due_it_is_shared_out_evenly(tmp_path: Path, postgresql_url: str, begun: Any) -> None:
    """One that took all of a small zone would be at it twice as long as two."""
    loaded = due_now(tmp_path, postgresql_url, 40)
    services = [begun(loaded), begun(loaded)]
    now_utc = datetime.now(UTC)
    batches: list[list[int]] = [[], []]
    while any(batch := [len(queue_of(running).take(now_utc)) for running in services]):
        for own, n_taken in zip(batches, batch, strict=True):
            own.append(n_taken)
    assert batches[0][0] == 10, "a half of its half"
    first, second = map(sum, batches)
    assert first + second == 40
    assert abs(first - second) <= 6
    assert batches[0] == sorted(batches[0], reverse=True)


@pytest.mark.parametrize(
    ("n_due", "n_services", "n_taken"),
    [
        (1000, 4, 25),
        (200, 4, 25),
        (199, 4, 25),
        (192, 4, 24),
        (80, 2, 20),
        (80, 1, 25),
        (7, 4, 1),
        (0, 2, 1),
        (3, 0, 25),
    ],
)
def test_a_batch_is_half_of_a_service_s_share_and_as_much_as_one_question_brings_at_most(
    n_due: int, n_services: int, n_taken: int
) -> None:
    assert day_queue.batch_size(n_due, n_services) == n_taken


def test_a_dead_service_s_batch_is_taken_by_another_at_once(
    tmp_path: Path, postgresql_url: str, begun: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    first, second, now_utc = two_of_which_the_first_has_all(due_now(tmp_path, postgresql_url), begun)
    monkeypatch.setattr("gonogo.store.owner.is_dead", lambda _: False)  # as from another machine
    first.runner.sign.end()
    end = time_module.monotonic() + 30.0
    while not alive.is_dead(second.store)(first.runner.me):  # the server ends the session in its own time
        assert time_module.monotonic() < end
        time_module.sleep(0.05)
    assert len(taken_all(second, now_utc)) == N_SITES


def test_what_a_service_that_stops_has_not_begun_is_planned_and_claimed_by_nobody(
    tmp_path: Path, postgresql_url: str, begun: Any
) -> None:
    """One of its runs is claimed by a thread that waits for a forecast: that claim is let go too, at once."""
    first, second, now_utc = two_of_which_the_first_has_all(due_now(tmp_path, postgresql_url), begun)
    claims.claim_run(first.store, "site-0", now_utc.date(), "morning", now_utc=now_utc, owner=first.runner.me)
    leaving.let_go(first.store, first.runner.me, now_utc=now_utc)
    taken = taken_all(second, now_utc)
    assert len(taken) == N_SITES
    with schema.read(second.store) as connection:
        left = connection.execute(sa.select(schema.run.c.lease_until_utc, schema.run.c.state)).all()
    assert [(state, lease <= now_utc) for lease, state in left] == [("claimed", True)]


def test_where_another_has_runs_in_its_batch_it_is_looked_after_in_a_few_seconds(
    tmp_path: Path, postgresql_url: str, begun: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One that dies tells nobody, and what it has falls due for nobody else."""
    first, second, now_utc = two_of_which_the_first_has_all(due_now(tmp_path, postgresql_url), begun)
    assert queue_of(second).take(now_utc) == []
    soon_utc = now_utc + timedelta(seconds=5)
    assert queue_of(second).next_utc(now_utc) <= soon_utc
    dies, real = first.runner.me, alive.is_dead(second.store)
    monkeypatch.setattr("gonogo.store.alive.is_dead", lambda _: lambda name: name == dies or real(name))
    claim = claims.claim_run(second.store, "site-0", *day_and_edition(first), now_utc=now_utc, owner=dies)
    assert claim is not None
    batch = taken_all(second, soon_utc)
    assert len(batch) == N_SITES
    for taken in batch:
        queue_of(second).run(taken, soon_utc)
    assert len(mails(second.store)) == 5 * N_SITES  # the site too that the dead service had begun
    assert queue_of(second).take(soon_utc) == []
    assert queue_of(second).next_utc(soon_utc) > soon_utc + timedelta(seconds=30)


def test_what_another_took_after_this_one_looked_is_looked_after_too(
    tmp_path: Path, postgresql_url: str, begun: Any
) -> None:
    """Both look when runs fall due: who found nothing to take waited a minute before it saw the other's death."""
    loaded = due_now(tmp_path, postgresql_url)
    first, second, now_utc = begun(loaded), begun(loaded), datetime.now(UTC)
    queue_of(second).plan(now_utc)
    assert len(taken_all(first, now_utc)) == N_SITES
    assert queue_of(second).next_utc(now_utc) <= now_utc + timedelta(seconds=5)
    assert queue_of(first).next_utc(now_utc) > now_utc + timedelta(seconds=30), "its own are no other's"


def day_and_edition(running: Service) -> tuple[date, str]:
    """Return what is due of the sites of a service now."""
    with schema.read(running.store) as connection:
        found = connection.execute(
            sa.select(schema.planned_run.c.day).where(schema.planned_run.c.taken_by.is_not(None))
        )
        return found.scalars().first() or TUESDAY, "morning"


def test_a_run_that_comes_to_nothing_is_given_back(
    tmp_path: Path, postgresql_url: str, begun: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    running = begun(due_now(tmp_path, postgresql_url, 1))
    now_utc = datetime.now(UTC)
    queue = queue_of(running)
    (taken,) = queue.take(now_utc)
    monkeypatch.setattr(running.runner, "run_morning", lambda *_: None)
    queue.run(taken, now_utc)
    assert queue.take(now_utc) == []
    assert now_utc < queue.next_utc(now_utc) <= now_utc + day_queue.TRIED_AGAIN
    assert len(queue.take(now_utc + day_queue.TRIED_AGAIN)) == 1


def test_a_late_morning_is_told_by_the_watch_and_a_good_one_is_not_looked_at_again(
    tmp_path: Path, postgresql_url: str, begun: Any
) -> None:
    running = begun(due_now(tmp_path, postgresql_url, 2))
    now_utc = datetime.now(UTC)
    queue = queue_of(running)
    first, second = taken_all(running, now_utc)
    queue.run(first, now_utc)
    workers = Workers(1)
    running.watch(now_utc, workers)
    assert len(mails(running.store)) == 5, "the other is not late yet"
    running.watch(now_utc + timedelta(minutes=6), workers)
    assert {site_id for site_id, _ in mails(running.store)} == {first.site.id, second.site.id}


def test_mornings_that_were_refused_cost_no_look_each_and_are_made_good_behind_those_that_can_be_in_time(
    tmp_path: Path, postgresql_url: str, begun: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A machine that does not keep up has thousands: to look at each every few seconds left it less and less time."""
    running = begun(due_now(tmp_path, postgresql_url, N_SITES))
    now_utc = datetime.now(UTC)
    running.watch(now_utc, Workers(1))
    repaired, goes_on = list[tuple[str, datetime]](), threading.Event()
    monkeypatch.setattr(running.runner, "repair", lambda site, _day, at_utc: repaired.append((site.id, at_utc)))
    workers = Workers(1)
    workers.put("busy", lambda: goes_on.wait(60))
    later_utc = now_utc + timedelta(minutes=6)
    running.watch(later_utc, workers)
    assert len(mails(running.store)) == 5 * N_SITES, "everybody is told on time"
    looks = list[str]()
    monkeypatch.setattr("gonogo.service.watch.runs.last_run", lambda _, site_id, **__: looks.append(site_id))
    running.watch(later_utc + timedelta(seconds=20), workers)
    assert looks == []
    assert workers.n_waiting == 0, "so many more that can be in time are taken"
    goes_on.set()
    assert workers.wait(60)
    assert sorted(site_id for site_id, _ in repaired) == [f"site-{n}" for n in range(N_SITES)]
    assert min(at_utc for _, at_utc in repaired) >= later_utc + timedelta(seconds=20), "by the clock as it is then"


def test_what_another_service_made_is_kept_for_a_start_that_cannot_run(
    tmp_path: Path, postgresql_url: str, begun: Any
) -> None:
    """Else the crews of every such site would be told that there is no verdict."""
    loaded = due_now(tmp_path, postgresql_url, 3)
    first, second = begun(loaded), begun(loaded)
    now_utc = datetime.now(UTC)
    for taken in taken_all(first, now_utc)[:2]:
        queue_of(first).run(taken, now_utc)
    workers = Workers(1)
    first.watch(now_utc, workers)
    second.watch(now_utc, workers)
    assert workers.wait(60.0)  # they try to make the mornings good
    found = last_good.find(loaded.folder)
    assert found is not None
    assert len(found.mornings) == 2


def test_of_many_late_mornings_the_operator_has_one_mail(
    tmp_path: Path, begun: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    def told(at_utc: datetime) -> list[str]:
        monkeypatch.setattr(clock, "clock_utc", lambda: at_utc)
        running.deliver(at_utc)
        with schema.read(running.store) as connection:
            sent = outcomes.outcomes(connection, states=("sent",))
        return [m.subject.partition(" - ")[2].rpartition(" - ")[0] for m in sent if m.kind == "operator"]

    running = begun(due_now(tmp_path, ""))
    now_utc = datetime.now(UTC)
    late_utc = now_utc + timedelta(minutes=6)
    running.watch(now_utc, Workers(1))
    running.watch(late_utc, Workers(1))
    assert len(mails(running.store)) == 5 * N_SITES, "everybody of every crew is told on time"
    assert told(late_utc + timedelta(minutes=1)) == []
    assert told(late_utc + timedelta(minutes=2)) == [f"{N_SITES} sites"]
    assert told(late_utc + timedelta(minutes=90)) == [f"{N_SITES} sites"]


def test_two_services_make_and_mail_every_morning_once(tmp_path: Path, postgresql_url: str) -> None:
    loaded = due_now(tmp_path, postgresql_url)
    stop, watching = threading.Event(), schema.engine(postgresql_url)
    threads = [
        threading.Thread(target=service.serve, args=(loaded,), kwargs={"stop": stop, "fetch": no_forecast})
        for _ in range(2)
    ]
    for thread in threads:
        thread.start()
    try:
        end = time_module.monotonic() + 120.0
        while time_module.monotonic() < end:
            time_module.sleep(0.3)
            if sa.inspect(watching).has_table("message") and len(mails(watching)) == 5 * N_SITES:
                break
    finally:
        stop.set()
        for thread in threads:
            thread.join(60)
    assert len(mails(watching)) == len(set(mails(watching))) == 5 * N_SITES
    with schema.read(watching) as connection:
        found = connection.execute(sa.select(schema.run.c.attempt, schema.run.c.state)).all()
        assert connection.scalars(sa.select(schema.worker.c.owner)).all() == []
    watching.dispose()
    assert [tuple(row) for row in found] == [(1, "finished")] * N_SITES


def test_on_sqlite_the_calendar_of_the_one_service_says_what_is_due(tmp_path: Path, begun: Any) -> None:
    assert begun(due_now(tmp_path, "")).work().queue is None


def test_the_plan_holds_every_run_in_its_own_time() -> None:
    site = small_site(recheck_at=(time(9, 0),))
    loaded = example_config(Path("/nonexistent"))
    loaded = replace(loaded, sites=(site,), settings={site.id: loaded.settings[loaded.sites[0].id]})
    noon_utc = datetime(2026, 5, 11, 18, tzinfo=UTC)
    rows = list(day_queue.rows_ahead(loaded, noon_utc, noon_utc + timedelta(hours=24)))
    assert [(row.day, row.edition) for row in rows] == [(TUESDAY, "morning"), (TUESDAY, "look-0900")]
    morning, look = rows
    assert morning.from_utc < morning.mail_utc < morning.deadline_utc
    assert look.from_utc == look.mail_utc == look.deadline_utc - timedelta(hours=1)


def test_the_plan_is_another_once_a_time_is() -> None:
    loaded = example_config(Path("/nonexistent"))
    moved = replace(loaded, sites=(replace(loaded.sites[0], mail_at=time(4, 0)),))
    renamed = replace(loaded, sites=(replace(loaded.sites[0], name="Another name"),))
    assert day_queue.fingerprint(loaded) != day_queue.fingerprint(moved)
    assert day_queue.fingerprint(loaded) == day_queue.fingerprint(renamed)


def test_sites_of_one_cell_of_a_weather_model_stand_together() -> None:
    site = small_site()
    near = replace(site, latitude_deg=site.latitude_deg + 0.001)
    assert day_queue.tile(site) == day_queue.tile(near) != day_queue.tile(replace(site, latitude_deg=10.0))
