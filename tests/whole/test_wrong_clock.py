"""A clock that is set, either way and for any time: each working day has one mail a reader, once the clock is right.

A world with a true time of its own drives a whole service: its clock, its weather, its mail transport.
"""

from __future__ import annotations

import json
import os
import random
import threading
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, time, timedelta
from functools import cache
from pathlib import Path
from typing import Any

import pytest
import time_machine
from crash_morning import small_config
from example_mornings import BODY, ROOT

from gonogo import times
from gonogo.cli import demo
from gonogo.config import Config, load
from gonogo.download.forecasts import NoForecastError, forecast
from gonogo.download.web import OFFSET_HEADER
from gonogo.errors import TransportError
from gonogo.morning import compute
from gonogo.outgoing import delivery
from gonogo.outgoing.message_id import day_of
from gonogo.records import shift
from gonogo.records.outside import Answer, Transport
from gonogo.service import due
from gonogo.service.clock_trust import ClockTrust
from gonogo.service.service import Service
from gonogo.store import ahead, outcomes, runs, schema
from gonogo.store import clock as database_clock

MINUTE, HOUR, ONE_DAY = timedelta(minutes=1), timedelta(hours=1), timedelta(days=1)
N_SEEDS = int(os.environ.get("GONOGO_CLOCK_SEEDS", "8"))


class AtOnce:
    """Stands for the worker threads: what is put to them is done at once."""

    def put(self, _key: object, work: Callable[[], None]) -> bool:
        work()
        return True

    def give_up(self, _key: object) -> None:
        pass

    def until_stopped(self, items: Iterable[Any]) -> Iterator[Any]:
        yield from items


@dataclass(frozen=True)
class Sent:
    """A mail that went: the local date it is about, its reader, when in truth, and how far the clock was set then."""

    day: date
    address: str
    at_utc: datetime
    set_by: timedelta
    run_id: int


@cache
def body_of(n_days: int) -> bytes:
    """Return the recorded answer as a service would give it so many days later: its hours are those of that day."""
    found = json.loads(BODY)
    found["hourly"]["time"] = [at_s + n_days * 86_400 for at_s in found["hourly"]["time"]]
    return json.dumps(found).encode()


class World:
    """True time, a machine's clock that may be set, weather and mail that may be down, and the service in it."""

    def __init__(self, loaded: Config, clock: time_machine.Traveller, at_utc: datetime) -> None:
        self.loaded, self._clock, self.at_utc = loaded, clock, at_utc
        self.set_by = timedelta()
        self.has_network = self.has_date = self.has_mail = self.has_sound_weather = True
        self.sent: dict[int, Sent] = {}
        self.n_questions = 0
        self._clock.move_to(at_utc)
        self.service = self._started()

    @property
    def site(self) -> Any:
        return self.service.sites()[0]

    @property
    def now_utc(self) -> datetime:
        return self.at_utc + self.set_by

    def _started(self) -> Service:
        made = Service(self.loaded, halt=threading.Event(), fetch=self.fetch, environ={})
        made.runner.trust = ClockTrust(monotonic=lambda: self.at_utc.timestamp())
        made.begin()
        return made

    def restart(self) -> None:
        self.service.store.dispose()
        self.service = self._started()

    def fetch(self, site: Any, now_utc: datetime, stored: Any) -> Any:
        self.n_questions += 1
        if not self.has_network:
            raise NoForecastError("nobody answers", passing=True)
        answer = Answer(
            service=demo.SERVICE,
            url="https://weather.example.com",
            fetched_utc=now_utc,
            status=200,
            headers={OFFSET_HEADER: str(-self.set_by.total_seconds())} if self.has_date else {},
            body=body_of((self.at_utc.date() - demo.FORECAST_AT_UTC.date()).days)
            if self.has_sound_weather
            else b"down for repairs",
        )
        try:
            found = forecast(site, (), now_utc=now_utc, stored=(answer,))  # the checks of what came just now
        except NoForecastError as error:
            raise NoForecastError(str(error), passing=error.passing, rejected=(answer,)) from error
        return replace(found, is_stored=False, faults=())

    def set_clock(self, set_by: timedelta) -> None:
        """Set the clock so far from the truth, and tell the service as its step watch would."""
        step, self.set_by = set_by - self.set_by, set_by
        self._clock.move_to(self.now_utc)
        if step:
            self.service.stepped(step.total_seconds())

    def tick(self, on: timedelta) -> None:
        """Let time pass and the service do what its schedule would have it do by then."""
        self.at_utc += on
        self._clock.move_to(self.now_utc)
        runner = self.service.runner
        day = due.due_day(self.site, self.now_utc, runner.lead_min(self.site))
        if day is not None and not runner.is_done(self.site.id, day, None):
            self.service.run_morning(self.site, day, self.now_utc)
        self.service.watch(self.now_utc, AtOnce())  # type: ignore[arg-type]
        self.service.deliver(self.now_utc)
        with schema.read(self.service.store) as connection:
            for mail in outcomes.outcomes(connection, states=("sent",)):
                if mail.kind == "morning" and mail.id not in self.sent:
                    day = day_of(mail, self.site)
                    assert mail.run_id is not None
                    self.sent[mail.id] = Sent(day, mail.address, self.at_utc, self.set_by, mail.run_id)

    def until(self, end_utc: datetime) -> None:
        """Let time pass: in small steps while a morning is due by any clock, in larger ones else."""
        while self.at_utc < end_utc:
            lead = self.service.runner.lead_min(self.site)
            is_due = any(due.due_day(self.site, at, lead) for at in (self.at_utc, self.now_utc))
            self.tick(min((3 if is_due else 10) * MINUTE, end_utc - self.at_utc))

    def mails_of(self, day: date) -> dict[str, list[Sent]]:
        by_reader: defaultdict[str, list[Sent]] = defaultdict(list)
        for mail in self.sent.values():
            if mail.day == day:
                by_reader[mail.address].append(mail)
        return by_reader

    def voided(self) -> set[int]:
        with schema.read(self.service.store) as connection:
            return {run.id for run in runs.runs(connection) if schema.VOID in run.edition}

    def local(self, day: date, at: time) -> datetime:
        return times.moment_utc(day, at, self.site.zone)


@pytest.fixture
def world(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Callable[..., World]]:
    # The plan is not what is asked here.
    monkeypatch.setattr(compute.plan, "planned", lambda _frame, conclusion, _stored: conclusion)
    folder = Transport(kind="folder", sender="gonogo@example.com", folder=tmp_path / "mails")
    loaded = replace(small_config(tmp_path, 1, 9, "example.com"), transport=folder, operator_address=None)
    made: list[World] = []
    real = delivery.Folder.deliver

    def deliver(self: delivery.Folder, *arguments: Any) -> None:
        if not made[0].has_mail:
            raise TransportError("the mail server is down")
        real(self, *arguments)

    monkeypatch.setattr(delivery.Folder, "deliver", deliver)
    with time_machine.travel(demo.MORNING_UTC, tick=False) as clock:

        def make(at_utc: datetime, operator: str | None = None) -> World:
            made.append(World(replace(loaded, operator_address=operator), clock, at_utc))
            return made[-1]

        yield make
    for world in made:
        world.service.store.dispose()


TUESDAY, WEDNESDAY = demo.DAY, demo.DAY + ONE_DAY


def one_mail_each(world: World, day: date) -> None:
    """Each reader has one mail for a day, and it went on that day before its deadline."""
    found = world.mails_of(day)
    assert len(found) == 3
    start, deadline = due.run_window_utc(world.site, day, world.service.runner.lead_min(world.site))
    for mails in found.values():
        (mail,) = [m for m in mails if m.run_id not in world.voided()]
        assert start - HOUR <= mail.at_utc < deadline


@pytest.mark.parametrize("has_date", [True, False])
@pytest.mark.parametrize("has_network", [True, False])
@pytest.mark.parametrize("wrong_for", [2 * MINUTE, 40 * MINUTE, 3 * HOUR])
def test_a_clock_a_day_ahead_for_a_while_does_not_spend_tomorrow_s_morning(
    world: Callable[..., World], wrong_for: timedelta, has_network: bool, has_date: bool
) -> None:
    it = world(times.moment_utc(TUESDAY, time(5, 0), demo_zone()))
    it.until(it.local(TUESDAY, time(5, 45)))
    one_mail_each(it, TUESDAY)
    it.has_network, it.has_date = has_network, has_date
    it.set_clock(ONE_DAY)
    it.until(it.at_utc + wrong_for)
    if has_network and has_date:
        assert not it.mails_of(WEDNESDAY)
        assert it.n_questions <= 2 + wrong_for / (5 * MINUTE)
    it.set_clock(timedelta())
    it.has_network = True  # a service that tells no Date goes on telling none
    it.until(it.local(WEDNESDAY, time(10, 0)))
    one_mail_each(it, TUESDAY)
    one_mail_each(it, WEDNESDAY)
    with schema.read(it.service.store) as connection:
        run = runs.last_run(connection, it.site.id, day=WEDNESDAY, edition="morning")
    assert run is not None
    assert run.claimed_utc >= it.local(WEDNESDAY, time(4, 0))
    if has_network and has_date:
        assert not it.voided()


def test_the_operator_is_told_once_that_another_clock_refutes_the_machine_s(world: Callable[..., World]) -> None:
    it = world(times.moment_utc(TUESDAY, time(5, 0), demo_zone()), "operator@example.com")
    it.until(it.local(TUESDAY, time(5, 45)))
    it.set_clock(ONE_DAY)
    it.until(it.at_utc + 40 * MINUTE)
    with schema.read(it.service.store) as connection:
        told = [mail.subject for mail in outcomes.outcomes(connection) if mail.kind == "operator"]
    assert len([subject for subject in told if "clock is wrong" in subject]) == 1


def test_the_database_s_own_clock_refutes_a_morning_where_no_service_tells_the_time(
    world: Callable[..., World], monkeypatch: pytest.MonkeyPatch
) -> None:
    it = world(times.moment_utc(TUESDAY, time(5, 0), demo_zone()))
    monkeypatch.setattr(database_clock, "skew", lambda _connection: -it.set_by)  # as PostgreSQL's would
    it.has_date = False
    it.until(it.local(TUESDAY, time(5, 45)))
    it.set_clock(ONE_DAY)
    it.until(it.at_utc + 40 * MINUTE)
    assert not it.mails_of(WEDNESDAY)
    it.set_clock(timedelta())
    it.until(it.local(WEDNESDAY, time(10, 0)))
    assert not it.voided()
    one_mail_each(it, WEDNESDAY)


def test_an_answer_that_cannot_be_used_still_tells_that_a_morning_is_not_due(world: Callable[..., World]) -> None:
    it = world(times.moment_utc(TUESDAY, time(5, 0), demo_zone()))
    it.until(it.local(TUESDAY, time(5, 45)))
    it.has_sound_weather = False
    it.set_clock(ONE_DAY)
    it.until(it.at_utc + 40 * MINUTE)
    assert not it.mails_of(WEDNESDAY)
    it.set_clock(timedelta())
    it.has_sound_weather = True
    it.until(it.local(WEDNESDAY, time(10, 0)))
    assert not it.voided()
    one_mail_each(it, TUESDAY)
    one_mail_each(it, WEDNESDAY)


def test_an_answer_that_cannot_be_used_still_tells_that_the_clock_is_right_again(world: Callable[..., World]) -> None:
    """Tomorrow's morning was made today; until a forecast can be used again is no reason to leave it so."""
    it = world(times.moment_utc(TUESDAY, time(5, 0), demo_zone()))
    it.until(it.local(TUESDAY, time(5, 45)))
    it.set_by = ONE_DAY  # before the service starts
    it.has_network = False
    it.restart()
    it.until(it.at_utc + 30 * MINUTE)
    assert len(it.mails_of(WEDNESDAY)) == 3
    it.has_network, it.has_sound_weather = True, False
    it.set_clock(timedelta())
    it.until(it.at_utc + 30 * MINUTE)
    assert len(it.voided()) == 1
    it.has_sound_weather = True
    it.until(it.local(WEDNESDAY, time(6, 0)))
    one_mail_each(it, WEDNESDAY)


def demo_zone() -> Any:
    return load(ROOT / "config", environ={}).sites[0].zone


@pytest.mark.parametrize("back", [10 * MINUTE, 3 * HOUR, ONE_DAY])
def test_a_clock_set_back_sends_nothing_twice_and_voids_nothing(world: Callable[..., World], back: timedelta) -> None:
    it = world(times.moment_utc(TUESDAY, time(5, 0), demo_zone()))
    it.until(it.local(TUESDAY, time(5, 45)))
    it.set_clock(-back)
    it.until(it.local(TUESDAY, time(9, 30)))
    it.set_clock(timedelta())
    it.until(it.local(WEDNESDAY, time(6, 0)))
    assert not it.voided()
    one_mail_each(it, TUESDAY)
    one_mail_each(it, WEDNESDAY)


def test_mails_that_wait_go_at_once_where_the_clock_was_set_back(world: Callable[..., World]) -> None:
    it = world(times.moment_utc(TUESDAY, time(5, 0), demo_zone()))
    it.has_mail = False
    it.until(it.local(TUESDAY, time(5, 45)))
    assert not it.sent
    it.set_clock(-3 * HOUR)
    it.has_mail = True
    it.tick(MINUTE)
    assert len(it.mails_of(TUESDAY)) == 3


def test_a_service_that_starts_on_a_wrong_clock_makes_the_morning_again_once_it_is_right(
    world: Callable[..., World],
) -> None:
    """No step was seen, and no other clock could be asked: tomorrow's morning was made today, and is made anew."""
    it = world(times.moment_utc(TUESDAY, time(5, 0), demo_zone()))
    it.until(it.local(TUESDAY, time(5, 45)))
    it.set_by = ONE_DAY  # before the service starts
    it.has_network = False
    it.restart()
    it.until(it.at_utc + 30 * MINUTE)
    assert len(it.mails_of(WEDNESDAY)) == 3
    it.has_network = True
    it.set_clock(timedelta())
    it.until(it.local(WEDNESDAY, time(6, 0)))
    assert len(it.voided()) == 1
    one_mail_each(it, WEDNESDAY)
    assert not ahead.holds_future_runs(it.service.store, now_utc=it.now_utc)


@pytest.mark.parametrize("seed", range(N_SEEDS))
def test_whatever_the_clock_does_each_day_on_which_it_is_right_in_time_has_one_mail_a_reader(
    world: Callable[..., World], seed: int
) -> None:
    """Steps of the clock, drawn, against network, mail server and restarts, drawn; the seed names the case."""
    rng = random.Random(seed)
    it = world(times.moment_utc(TUESDAY, time(0, 0), demo_zone()))
    end_utc = it.local(TUESDAY + 2 * ONE_DAY, time(10, 0))
    wrong: list[tuple[datetime, datetime]] = []
    while it.at_utc < end_utc:
        it.until(min(end_utc, it.at_utc + rng.choice((1, 3, 5, 9)) * HOUR))
        begun = it.at_utc
        it.has_network, it.has_mail = rng.random() < 0.7, rng.random() < 0.8
        it.set_clock(rng.choice((-1, 1)) * rng.choice((10 * MINUTE, 50 * MINUTE, 3 * HOUR, ONE_DAY, 2 * ONE_DAY)))
        it.until(it.at_utc + rng.choice((2 * MINUTE, 20 * MINUTE, 2 * HOUR, 7 * HOUR)))
        if it.has_network and rng.random() < 0.3:
            it.restart()
            it.tick(MINUTE)
        it.has_network = it.has_mail = True
        it.set_clock(timedelta())
        it.tick(MINUTE)
        wrong.append((begun, it.at_utc))
    assert {m.day for m in it.sent.values()}, f"seed {seed}: no mail at all"
    for n in range(3):
        day = TUESDAY + n * ONE_DAY
        start, deadline = due.run_window_utc(it.site, day, it.service.runner.lead_min(it.site))
        if not shift.is_working_day(it.site, day) or not is_right_for_a_while(wrong, start, deadline):
            continue
        found = it.mails_of(day)
        assert len(found) == 3, f"seed {seed}: {day} has mails for {len(found)} readers"
        for address, mails in found.items():
            good = [m for m in mails if m.run_id not in it.voided()]
            assert len(good) == 1, f"seed {seed}: {address} has {len(good)} mails for {day}"
            assert start - HOUR <= good[0].at_utc < deadline, f"seed {seed}: {day} was mailed at {good[0].at_utc}"


def is_right_for_a_while(wrong: list[tuple[datetime, datetime]], start: datetime, deadline: datetime) -> bool:
    """Whether the clock is right for half an hour on end within a window."""
    at = start
    while at + 30 * MINUTE <= deadline:
        if all(until <= at or begun >= at + 30 * MINUTE for begun, until in wrong):
            return True
        at += MINUTE
    return False


def test_the_clock_of_the_test_is_not_the_machine_s() -> None:
    with time_machine.travel(demo.MORNING_UTC, tick=False):
        assert datetime.now(UTC) == demo.MORNING_UTC
