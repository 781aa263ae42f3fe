"""Runs in processes of their own: one that hangs or dies costs its site another try, and no other site anything."""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
import time
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest
from example_mornings import example_config, example_frame, no_weather, opened
from fleet_config import many_sites
from typer.testing import CliRunner

from gonogo.cli import many_mornings
from gonogo.cli.app import app
from gonogo.config import Config
from gonogo.errors import StoreError
from gonogo.morning import run as morning_run
from gonogo.morning.answers import AskAgainError, ClockRefutedError
from gonogo.outgoing.frame import RunFrame
from gonogo.service import own_process, site_processes
from gonogo.service.own_process import OwnProcess, WorkerLostError
from gonogo.service.site_process import Came, Made, SiteTask
from gonogo.service.site_processes import SiteProcesses, n_wanted
from gonogo.service.workers import MOST_PASSED_OVER, Workers
from gonogo.store import claims, outcomes, owner, runs, schema
from gonogo.store.claims import TakenOverError


def task_of(loaded: Config) -> SiteTask:
    return SiteTask(
        config=loaded.of_sites(loaded.sites[:1]),
        site=loaded.sites[0],
        day=date(2026, 6, 1),
        edition="morning",
        now_utc=datetime(2026, 6, 1, 10, tzinfo=UTC),
        deadline_utc=datetime(2026, 6, 1, 14, tzinfo=UTC),
    )


def test_a_process_that_dies_or_hangs_is_replaced() -> None:
    own = OwnProcess(os.getpid)  # begins with what any process can import
    try:
        first = own.ask(os.getpid, limit_s=60.0)
        assert first != os.getpid()
        assert own.ask(os.getpid, limit_s=60.0) == first
        with pytest.raises(WorkerLostError, match=f"{first} died"):
            own.ask(os.kill, first, signal.SIGKILL, limit_s=60.0)
        second = own.ask(os.getpid, limit_s=60.0)
        assert second != first
        with pytest.raises(WorkerLostError, match="longer than 0 s"):
            own.ask(time.sleep, 600.0, limit_s=0.1)
        wait_until_gone(second)
        with pytest.raises(ValueError, match="could not convert"):
            own.ask(float, "no number", limit_s=60.0)
        os.kill(own.ask(os.getpid, limit_s=60.0), signal.SIGTERM)
        assert own.ask(os.getpid, limit_s=60.0) not in (first, second), "told to stop, it ends what it is at"
    finally:
        own.close()


def test_a_process_that_does_not_start_is_killed(monkeypatch: pytest.MonkeyPatch) -> None:
    """Left alone it would hold its memory, and the end of the service, for as long as it hangs."""
    monkeypatch.setattr(own_process, "START_LIMIT_S", 0.2)
    own, before = OwnProcess(time.sleep, 600.0), set(multiprocessing.active_children())
    with pytest.raises(WorkerLostError, match="did not start in 0 s") as caught:
        own.ask(os.getpid, limit_s=60.0)
    assert caught.value.hung
    assert set(multiprocessing.active_children()) <= before


def test_a_process_that_cannot_begin_is_lost_and_says_why() -> None:
    own = OwnProcess(float, "no number")
    with pytest.raises(WorkerLostError, match="could not begin: could not convert"):
        own.ask(os.getpid, limit_s=60.0)
    own.close()


def wait_until_gone(pid: int) -> None:
    end = time.monotonic() + 30.0
    while time.monotonic() < end:
        try:
            if Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] == "Z":
                return
        except OSError:
            return
        time.sleep(0.05)
    raise AssertionError(f"{pid} is alive")


class Scripted:
    """Stands in for a process: answers, or is lost, as it is told."""

    def __init__(self, script: list[Came | str]) -> None:
        self.script, self.limits_s, self.is_closed = script, list[float](), False

    def ask(self, _function: object, _task: SiteTask, *, limit_s: float) -> Came:
        self.limits_s.append(limit_s)
        came = self.script.pop(0)
        if isinstance(came, str):
            raise WorkerLostError(f"The worker process 7 {came}.", hung=came == "hung")
        return came

    def close(self) -> None:
        self.is_closed = True


@pytest.mark.parametrize(
    ("script", "n_lost", "is_given_up"),
    [
        ([Came()], 0, False),
        (["died"] * 5 + [Came()], 5, False),
        (["died"] * 6 + [Came()], 6, True),
        (["died", "hung", "died", Came()], 3, False),
        (["hung", "hung", Came()], 2, True),
    ],
)
def test_a_lost_process_costs_its_site_one_more_try(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, script: list[Came | str], n_lost: int, is_given_up: bool
) -> None:
    scripted, lost, loaded = Scripted(script), list[int](), example_config(tmp_path)
    monkeypatch.setattr(site_processes, "OwnProcess", lambda *_: scripted)
    processes = SiteProcesses(lambda: loaded, is_scheduled=False)
    if is_given_up:
        with pytest.raises(WorkerLostError):
            processes.made(task_of(loaded), run_limit_min=12.0, lost=lambda: lost.append(1))
    else:
        assert processes.made(task_of(loaded), run_limit_min=12.0, lost=lambda: lost.append(1)) == Came()
    assert len(lost) == n_lost, "what the process held is let go before the next try"
    assert set(scripted.limits_s) == {360.0}, "a try that hangs leaves time for another one"
    processes.close()
    assert scripted.is_closed


class DiesOnce:
    """Stands in for processes of which one has died with a site's claim; the next makes the run."""

    def __init__(self, frame: RunFrame) -> None:
        self.frame = frame

    def made(self, task: SiteTask, *, run_limit_min: float, lost: Callable[[], object]) -> Came:
        assert (task.site.id, run_limit_min) == (self.frame.site.id, 12.0)
        dead = owner.own_name().rsplit(":", 3)[0] + ":999999:1:0"
        key = (self.frame.site.id, self.frame.day, "morning")
        claims.claim_run(self.frame.store, *key, now_utc=self.frame.now_utc, owner=dead)
        lost()
        return Came(made=Made.of(morning_run.run_morning(self.frame)))


def test_the_claim_of_a_worker_that_died_is_free_for_the_next_try(tmp_path: Path) -> None:
    loaded = example_config(tmp_path)
    store = opened(loaded)
    frame = example_frame(loaded, store, fetch=no_weather)
    outcome = many_mornings._one(DiesOnce(frame), frame, [frame])  # type: ignore[arg-type]
    assert isinstance(outcome, Made)
    assert outcome.n_mails == 5
    store.dispose()


class Killing:
    """Stands in for processes of which those that are at one site die so many times."""

    def __init__(self, site_id: str, n_lost: int) -> None:
        self.site_id, self.n_lost, self.asked = site_id, n_lost, list[str]()

    def made(self, task: SiteTask, **_: object) -> Came:
        self.asked.append(task.site.id)
        if task.site.id == self.site_id and self.asked.count(task.site.id) <= self.n_lost:
            raise WorkerLostError("The worker process 7 died.")
        return Came()

    def close(self) -> None:
        pass


@pytest.mark.parametrize(("n_lost", "is_told"), [(1, False), (2, True)])
def test_a_site_that_lost_its_processes_is_tried_once_more_after_all_others(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, n_lost: int, is_told: bool
) -> None:
    loaded = many_sites(example_config(tmp_path), 4)
    store, killing = opened(loaded), Killing("site-1", n_lost)
    monkeypatch.setattr(many_mornings, "SiteProcesses", lambda *_, **__: killing)
    frames = [replace(example_frame(loaded, store, fetch=no_weather), site=site) for site in loaded.sites]
    came = list(many_mornings.made(frames, 1, say=lambda _: None))
    assert killing.asked == ["site-0", "site-1", "site-2", "site-3", "site-1"]
    told = {frame.site.id for frame, outcome in came if isinstance(outcome, Made) and outcome.reason}
    assert told == ({"site-1"} if is_told else set())
    store.dispose()


def test_a_changed_config_gets_fresh_processes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    made: list[Scripted] = []
    begun_with: list[Config] = []

    def process(_begin: object, config: Config, *_: object) -> Scripted:
        begun_with.append(config)
        made.append(Scripted([Came()] * 9))
        return made[-1]

    monkeypatch.setattr(site_processes, "OwnProcess", process)
    first = example_config(tmp_path)
    in_force = [first]
    processes = SiteProcesses(lambda: in_force[0], is_scheduled=True)
    for _ in range(2):
        processes.made(task_of(first), run_limit_min=1.0)
    in_force[0] = replace(first, operator_address="other@example.com")
    processes.made(task_of(first), run_limit_min=1.0)
    assert [process.is_closed for process in made] == [True, False]
    assert [config.operator_address for config in begun_with] == [first.operator_address, "other@example.com"]
    assert {config.sites for config in begun_with} == {()}, "a run brings its site along; of thousands no other is held"
    assert made[0].limits_s == [site_processes.LEAST_LIMIT_S] * 2


@pytest.mark.parametrize(
    ("came", "kind", "text"),
    [
        (Came(fault="again", text="503"), AskAgainError, "503"),
        (Came(fault="taken over", text="another"), TakenOverError, "another"),
        (Came(fault="store", text="disk full"), StoreError, "disk full"),
        (Came(fault="clock", offset_s=7200.0), ClockRefutedError, "2.0 h behind"),
    ],
)
def test_what_a_run_raises_there_is_raised_here(came: Came, kind: type[Exception], text: str) -> None:
    with pytest.raises(kind, match=text) as caught:
        came.checked()
    if isinstance(caught.value, ClockRefutedError):
        assert caught.value.offset == timedelta(hours=2)


def test_how_many_processes_are_wanted(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("os.cpu_count", lambda: 8)
    assert [n_wanted(None, n) for n in (1, 4, 5, 100)] == [0, 0, 5, 8]
    assert [n_wanted(3, n) for n in (1, 4, 100)] == [1, 3, 3]


def test_threads_go_on_with_the_group_that_they_began() -> None:
    """Two threads at two groups: each ends up with sites of one group as long as there are any."""
    workers, at = Workers(2), list[tuple[str, int]]()
    both = threading.Barrier(2)

    def run(group: str, n: int) -> None:
        if n < 3:
            both.wait(30)
        at.append((group, threading.get_ident()))

    for n in range(3):  # in the order of the sites of a config: first all of one group
        workers.put(("a", n), lambda n=n: run("a", n), "a")
    for n in range(3):
        workers.put(("b", n), lambda n=n: run("b", n), "b")
    assert workers.wait(60)
    assert {len({thread for group, thread in at if group == g}) for g in "ab"} == {1}


def test_what_can_wait_is_taken_once_nothing_else_waits_and_is_not_counted() -> None:
    workers, goes_on, order = Workers(1), threading.Event(), list[str]()

    def begin() -> None:
        assert goes_on.wait(60)
        workers.put("third", lambda: order.append("third"))

    workers.put("begins", begin)
    workers.put("later", lambda: order.append("later"), can_wait=True)
    assert not workers.put("later", lambda: order.append("later"))
    for name in ("first", "second"):
        workers.put(name, lambda name=name: order.append(name))
    assert workers.n_waiting <= 3  # the thread may not have begun yet
    goes_on.set()
    assert workers.wait(60)
    assert order == ["first", "second", "third", "later"]
    assert workers.n_waiting == 0


def test_what_stands_beside_a_run_that_hangs_does_not_wait_until_nothing_else_comes() -> None:
    """One thread hangs at a group; the other has work of its own group all the while, and of the first's once."""
    workers, goes_on, order = Workers(2), threading.Event(), list[str]()
    hangs, ended = threading.Event(), threading.Event()

    def hang() -> None:
        hangs.set()
        waited(goes_on)

    def steady(n: int) -> None:
        order.append("steady")
        if n < 3 * MOST_PASSED_OVER and not ended.is_set():
            workers.put(n + 2, lambda: steady(n + 2), "b")

    def waited(event: threading.Event) -> None:
        event.wait(60)

    def beside() -> None:
        order.append("beside")
        ended.set()

    workers.put("hangs", hang, "a")
    assert hangs.wait(60)
    begin = threading.Event()
    workers.put("first", lambda: waited(begin), "b")
    workers.put("beside", beside, "a")
    workers.put(0, lambda: steady(0), "b")
    workers.put(1, lambda: steady(1), "b")
    begin.set()
    assert ended.wait(60)
    goes_on.set()
    assert workers.wait(60)
    assert order.index("beside") == MOST_PASSED_OVER


@pytest.fixture
def many(tmp_path: Path) -> Path:
    """A config folder of five sites whose weather service is not there, so that every strip waits."""
    example = Path(__file__).parents[2] / "config"
    (tmp_path / "sites").mkdir()
    text = (example / "gonogo.toml").read_text(encoding="utf-8")
    text = text.replace('service = "open_meteo"', 'service = "open_meteo"\nbase_url = "http://127.0.0.1:9/v1"', 1)
    (tmp_path / "gonogo.toml").write_text(text.replace("retries = 2", "retries = 0", 1), encoding="utf-8")
    site = (example / "sites" / "harrow-flats.toml").read_text(encoding="utf-8")
    for n in range(5):
        own = site.replace("@example.com", f".{n}@example.com")
        (tmp_path / "sites" / f"site-{n}.toml").write_text(own, encoding="utf-8")
    return tmp_path


def test_mornings_of_many_sites_are_made_in_processes_and_mailed_once(many: Path) -> None:
    arguments = ["morning", "--config", str(many), "--workers", "2"]
    first = CliRunner().invoke(app, arguments)
    assert first.exit_code == 3, first.output
    assert first.output.count("There is no usable forecast.") > 5
    again = CliRunner().invoke(app, arguments)
    assert again.output.count("already run") == 5
    store = schema.engine(f"sqlite:///{many / 'gonogo.sqlite3'}")
    with schema.read(store) as connection:
        done = [runs.last_run(connection, f"site-{n}") for n in range(5)]
        mails = outcomes.outcomes(connection)
    store.dispose()
    assert len({run.owner.split(":")[2] for run in done if run is not None} - {str(os.getpid())}) in (1, 2)
    assert {mail.state for mail in mails if mail.kind == "morning"} == {"sent"}
    assert len({(mail.site_id, mail.address) for mail in mails if mail.kind == "morning"}) == 5 * 5
