"""Which morning is due when: each working day once, caught up until the deadline and not after."""

from __future__ import annotations

import logging
import queue
import random
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from time import monotonic
from typing import Any
from zoneinfo import ZoneInfo

import pytest
import time_machine
from hypothesis import given, settings
from hypothesis import strategies as st
from sites import small_site

from gonogo import times
from gonogo.records import shift
from gonogo.records.site import Site
from gonogo.service import due, schedule
from gonogo.service.workers import Workers

LEAD_MIN = 10.0


def mornings_run(site: Site, start: datetime, end: datetime, step: timedelta) -> list[date]:
    """Step a clock through a stretch of time and return the dates that came due, each noted once as the claim does."""
    seen: list[date] = []
    now = start
    while now < end:
        day = due.due_day(site, now, LEAD_MIN)
        if day is not None and day not in seen:
            seen.append(day)
        now += step
    return seen


@settings(max_examples=25, deadline=None)
@given(
    zone=st.sampled_from(
        ["America/New_York", "Europe/Berlin", "Australia/Lord_Howe", "Asia/Kathmandu", "Pacific/Apia"]
    ),
    start=st.dates(date(2024, 2, 20), date(2028, 12, 1)),
    mail_at=st.sampled_from([time(0, 0), time(0, 5), time(1, 30), time(2, 30), time(5, 30)]),
)
def test_each_working_day_of_a_site_gets_one_morning_and_no_other_day_does(
    zone: str, start: date, mail_at: time
) -> None:
    site = small_site(zone=ZoneInfo(zone), mail_at=mail_at, deadline=time(9, 0))
    begin = times.moment_utc(start, time(12, 0), site.zone)
    end = times.moment_utc(start + timedelta(days=9), time(12, 0), site.zone)
    expected = [day for n in range(1, 10) if shift.is_working_day(site, day := start + timedelta(days=n))]
    assert mornings_run(site, begin, end, timedelta(minutes=7)) == expected


def test_days_on_which_the_clock_is_set_have_one_morning() -> None:
    site = small_site(zone=ZoneInfo("America/New_York"), mail_at=time(1, 30), working_days=tuple(range(7)))
    for day in (date(2026, 11, 1), date(2027, 3, 14)):
        begin = times.moment_utc(day - timedelta(days=1), time(12, 0), site.zone)
        got = mornings_run(site, begin, begin + timedelta(hours=24), timedelta(minutes=1))
        assert got == [day]


def test_a_missed_morning_is_caught_up_within_its_deadline_and_not_after() -> None:
    site = small_site()
    start, deadline = due.run_window_utc(site, date(2026, 5, 12), LEAD_MIN)
    assert due.due_day(site, start - timedelta(seconds=1), LEAD_MIN) is None
    assert due.due_day(site, deadline - timedelta(seconds=1), LEAD_MIN) == date(2026, 5, 12)
    assert due.due_day(site, deadline, LEAD_MIN) is None


def test_the_next_start_skips_the_weekend() -> None:
    site = small_site()
    friday_noon = times.moment_utc(date(2026, 5, 15), time(12, 0), site.zone)
    after = due.next_start_utc(site, friday_noon, LEAD_MIN)
    assert after == times.moment_utc(date(2026, 5, 18), time(5, 20), site.zone)


def test_the_next_recheck_is_on_a_working_day() -> None:
    site = small_site(recheck_at=(time(9, 0),))
    friday_ten = times.moment_utc(date(2026, 5, 15), time(10, 0), site.zone)
    assert due.next_recheck_utc(site, time(9, 0), friday_ten) == times.moment_utc(
        date(2026, 5, 18), time(9, 0), site.zone
    )


class Bench:
    """A schedule that runs in a thread on a clock of the test's own; what it did is noted."""

    def __init__(self, *sites: Site) -> None:
        self.sites = sites
        self.stop = threading.Event()
        self.mornings: queue.SimpleQueue[tuple[str, date]] = queue.SimpleQueue()
        self.rechecks: queue.SimpleQueue[tuple[str, date, time]] = queue.SimpleQueue()
        self.delivered: queue.SimpleQueue[datetime] = queue.SimpleQueue()
        self.watched: queue.SimpleQueue[datetime] = queue.SimpleQueue()
        self.steps: queue.SimpleQueue[float] = queue.SimpleQueue()
        self.letters: queue.SimpleQueue[str] = queue.SimpleQueue()  # what waits in the mailbox
        self.looked: queue.SimpleQueue[datetime] = queue.SimpleQueue()
        self.done: set[tuple[str, date, time | None]] = set()
        self.finishes = True
        self.watch: Callable[[datetime, Workers], None] = lambda now, _: self.watched.put(now)
        self.deliver: Callable[[datetime], None] = self.delivered.put
        self.thin: Callable[[datetime], None] = lambda _: None
        self._thread = threading.Thread(target=self._serve, daemon=True)

    def _serve(self) -> None:
        work = schedule.ScheduledWork(
            sites=lambda: self.sites,
            lead_min=lambda _: LEAD_MIN,
            is_done=lambda *key: key in self.done,
            run_morning=self._morning,
            run_recheck=self._recheck,
            watch=lambda now, workers: self.watch(now, workers),
            deliver=lambda now: self.deliver(now),
            thin=lambda now: self.thin(now),
            stepped=self.steps.put,
            read_mailbox=self._read,
            recheck_after_replies=lambda now: bool(self.looked.put(now)),
        )
        schedule.serve(work, stop=self.stop)

    def _read(self, _now: datetime) -> bool:
        """Wait for a letter, as at a mailbox without one."""
        while not self.stop.is_set():
            try:
                return bool(self.letters.get(timeout=0.1))
            except queue.Empty:
                continue
        return False

    def _morning(self, site: Site, day: date, _now: datetime) -> None:
        if self.finishes:
            self.done.add((site.id, day, None))
        self.mornings.put((site.id, day))

    def _recheck(self, site: Site, day: date, at: time, _now: datetime) -> None:
        self.done.add((site.id, day, at))
        self.rechecks.put((site.id, day, at))

    def __enter__(self) -> Bench:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.stop.set()
        self._thread.join(20)
        assert not self._thread.is_alive()

    def drained(self) -> None:
        """Wait until the ticks of the start are over, and forget them."""
        self.delivered.get(timeout=60)
        self.watched.get(timeout=60)


@pytest.fixture(autouse=True)
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(schedule, "STEPS_LOOKED_FOR_S", 0.05)
    monkeypatch.setattr(schedule, "ASKED_AGAIN", timedelta(seconds=0.2))


@contextmanager
def clock_at(day: date, at: time, site: Site) -> Iterator[time_machine.Traveller]:
    with time_machine.travel(times.moment_utc(day, at, site.zone), tick=True) as clock:
        yield clock


TUESDAY = date(2026, 5, 12)


def test_the_service_runs_what_is_due_delivers_and_stops() -> None:
    site = small_site()
    with clock_at(TUESDAY, time(5, 25), site), Bench(site) as bench:
        assert bench.mornings.get(timeout=60) == (site.id, TUESDAY)
        bench.watched.get(timeout=60)
        for _ in range(2):  # at the start, and at once when the run has ended
            bench.delivered.get(timeout=60)


def test_a_stop_waits_for_nothing_that_is_to_be_made_good(caplog: pytest.LogCaptureFixture) -> None:
    """Two threads wait for a forecast that does not come, and 500 more are to: a stop begins none of them."""
    site, goes_on, begun = small_site(), threading.Event(), queue.SimpleQueue[int]()

    def watch(_now: datetime, workers: Workers) -> None:
        for n in range(502):
            workers.put(n, lambda n=n: (begun.put(n), goes_on.wait(60)), can_wait=True)  # type: ignore[misc]

    bench = Bench(site)
    bench.watch = watch
    with clock_at(TUESDAY, time(10, 0), site), bench:
        assert {begun.get(timeout=60), begun.get(timeout=60)} == {0, 1}
        before_s = monotonic()
    assert monotonic() - before_s < schedule.STOP_WAIT_S / 4
    goes_on.set()
    with pytest.raises(queue.Empty):
        begun.get(timeout=0.2)
    assert "did not end in time" not in caplog.text


def test_a_stop_lets_the_run_under_way_end_and_begins_no_other(monkeypatch: pytest.MonkeyPatch) -> None:
    sites = tuple(replace(small_site(), id=f"site-{n}") for n in range(30))
    bench, goes_on = Bench(*sites), threading.Event()
    made = bench._morning

    def morning(site: Site, day: date, now: datetime) -> None:
        made(site, day, now)
        assert goes_on.wait(60)
        bench.rechecks.put((site.id, day, time(0)))  # it came to its end

    monkeypatch.setattr(bench, "_morning", morning)
    with clock_at(TUESDAY, time(5, 25), sites[0]), bench:
        begun = {bench.mornings.get(timeout=60)[0], bench.mornings.get(timeout=60)[0]}
        bench.stop.set()
        threading.Timer(0.5, goes_on.set).start()
    assert {bench.rechecks.get(timeout=5)[0], bench.rechecks.get(timeout=5)[0]} == begun
    with pytest.raises(queue.Empty):
        bench.mornings.get(timeout=0.2)


def test_however_long_it_takes_to_let_go_of_what_is_old_no_mail_no_run_and_no_stop_waits_for_it() -> None:
    site, begun, goes_on = small_site(), threading.Event(), threading.Event()
    bench = Bench(site)
    bench.thin = lambda _: bool(begun.set()) or bool(goes_on.wait(120))  # type: ignore[assignment,return-value]
    with clock_at(TUESDAY, time(3, 0), site) as clock, bench:
        assert begun.wait(60)
        bench.drained()
        clock.move_to(times.moment_utc(TUESDAY, time(5, 25), site.zone))
        assert bench.mornings.get(timeout=60) == (site.id, TUESDAY)
        bench.delivered.get(timeout=60)
    assert not goes_on.is_set(), "it was stopped in the middle"
    goes_on.set()


def test_a_letter_brings_its_answer_at_once_and_a_mailbox_that_is_waited_on_holds_up_no_morning(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(schedule, "DELIVERED_EVERY", timedelta(hours=1))
    site = small_site()
    with clock_at(TUESDAY, time(3, 0), site) as clock, Bench(site) as bench:
        bench.drained()
        bench.looked.get(timeout=60)
        bench.letters.put("N3 11.2")
        bench.delivered.get(timeout=30)
        clock.move_to(times.moment_utc(TUESDAY, time(5, 25), site.zone))
        assert bench.mornings.get(timeout=60) == (site.id, TUESDAY), "though the mailbox is waited on"


def test_mails_that_stream_for_minutes_fill_no_log(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """A round that is under way is not begun again, so nothing has to say that it could not be."""
    monkeypatch.setattr(schedule, "DELIVERED_EVERY", timedelta(seconds=0.02))
    bench, goes_on = Bench(small_site()), threading.Event()

    def stream(now_utc: datetime) -> None:
        bench.delivered.put(now_utc)
        assert goes_on.wait(60)

    bench.deliver = stream
    with clock_at(TUESDAY, time(3, 0), small_site()), bench:
        bench.delivered.get(timeout=60)
        with pytest.raises(queue.Empty):
            bench.delivered.get(timeout=1.0)
        goes_on.set()
        bench.delivered.get(timeout=60)
    assert "maximum number of running instances" not in caplog.text


@pytest.mark.parametrize("back", [timedelta(minutes=10), timedelta(hours=3), timedelta(days=400)])
def test_a_clock_set_back_stops_neither_the_watch_nor_the_delivery(
    back: timedelta, caplog: pytest.LogCaptureFixture
) -> None:
    site = small_site()
    with clock_at(TUESDAY, time(10, 0), site) as clock, Bench(site) as bench:
        bench.drained()
        clock.shift(-back)
        assert bench.steps.get(timeout=60) == pytest.approx(-back.total_seconds(), abs=5.0)
        ten_utc = times.moment_utc(TUESDAY, time(10, 0), site.zone)
        for told in (bench.delivered, bench.watched):  # what was begun before the step may come first
            while told.get(timeout=60) >= ten_utc:
                pass
    assert "the clock was set back by" in caplog.text


def test_a_clock_set_back_to_the_night_and_right_again_runs_the_morning_in_its_time() -> None:
    site = small_site()
    with clock_at(TUESDAY, time(5, 0), site) as clock, Bench(site) as bench:
        bench.drained()
        clock.shift(-timedelta(hours=3))
        bench.steps.get(timeout=60)
        assert bench.mornings.empty()
        clock.shift(timedelta(hours=3, minutes=25))
        assert bench.mornings.get(timeout=60) == (site.id, TUESDAY)


def test_a_clock_set_ahead_over_the_start_runs_the_morning_at_once_and_no_day_twice() -> None:
    site = small_site()
    with clock_at(TUESDAY, time(4, 0), site) as clock, Bench(site) as bench:
        bench.drained()
        clock.shift(timedelta(hours=1, minutes=30))
        assert bench.mornings.get(timeout=60) == (site.id, TUESDAY)
        clock.shift(timedelta(days=1))
        assert bench.mornings.get(timeout=60) == (site.id, TUESDAY + timedelta(days=1))
        clock.shift(-timedelta(days=1))
        bench.steps.get(timeout=60)
        with pytest.raises(queue.Empty):
            bench.mornings.get(timeout=1.0)


def test_a_run_that_is_not_done_is_asked_for_again() -> None:
    site = small_site()
    bench = Bench(site)
    bench.finishes = False
    with clock_at(TUESDAY, time(5, 25), site), bench:
        for _ in range(3):
            assert bench.mornings.get(timeout=60) == (site.id, TUESDAY)


def test_a_recheck_runs_at_its_time_on_the_site_s_own_clock() -> None:
    site = small_site(zone=ZoneInfo("Asia/Kathmandu"), recheck_at=(time(9, 0), time(9, 30)))
    with clock_at(TUESDAY, time(9, 35), site), Bench(site) as bench:
        assert bench.rechecks.get(timeout=60) == (site.id, TUESDAY, time(9, 30))
        assert bench.rechecks.empty()


def test_a_job_that_is_still_at_its_last_turn_is_told_in_plain_words(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr(schedule, "WATCHED_EVERY", timedelta(seconds=0.1))
    caplog.set_level(logging.WARNING)
    told = threading.Event()
    monkeypatch.setattr(caplog.handler, "emit", heard(caplog.handler.emit, "is not through with its last turn", told))
    bench = Bench(small_site())
    bench.watch = lambda _now, _workers: told.wait(60) and None
    with bench:
        assert told.wait(60)
    text = "the watch is not through with its last turn; this one is left out"
    assert text in [record.getMessage() for record in caplog.records]
    assert " object at 0x" not in caplog.text


def heard(emit: Callable[[logging.LogRecord], None], words: str, told: threading.Event) -> Any:
    """Return an emit that sets an event once a line holds some words."""

    def emit_and_tell(record: logging.LogRecord) -> None:
        emit(record)
        if words in record.getMessage():
            told.set()

    return emit_and_tell


def test_jobs_follow_the_config() -> None:
    site = small_site(mail_at=time(8, 0), deadline=time(12, 0))
    with clock_at(TUESDAY, time(5, 25), site), Bench(site) as bench:
        bench.drained()
        assert bench.mornings.empty()
        earlier = replace(site, mail_at=time(5, 30))
        bench.sites = (earlier, replace(earlier, id="south-fill"))
        assert {bench.mornings.get(timeout=60) for _ in range(2)} == {(site.id, TUESDAY), ("south-fill", TUESDAY)}


@pytest.mark.parametrize("seed", range(12))
def test_whatever_steps_a_clock_takes_each_due_day_runs_once_and_no_job_is_left_waiting(seed: int) -> None:
    """Steps drawn at random, both ways, over seconds to days; after each the service is alive within a moment."""
    rng = random.Random(seed)
    site = small_site(mail_at=time(5, 30), deadline=time(9, 0))
    ran: list[date] = []
    with clock_at(TUESDAY, time(rng.randrange(24), rng.randrange(60)), site) as clock, Bench(site) as bench:
        bench.drained()
        for _ in range(4):
            step = rng.choice((-1, 1)) * timedelta(seconds=rng.choice((5, 600, 10_800, 86_400, 3 * 86_400)))
            clock.shift(step)
            assert bench.steps.get(timeout=60) == pytest.approx(step.total_seconds(), abs=5.0)
            bench.delivered.get(timeout=60)
            expected = due.due_day(site, datetime.now(UTC), LEAD_MIN)
            while expected is not None and (site.id, expected, None) not in bench.done:
                ran.append(bench.mornings.get(timeout=60)[1])
            while not bench.mornings.empty():
                ran.append(bench.mornings.get()[1])
    assert len(ran) == len(set(ran))
