"""A loop of its own: a step at a time, what is wanted meanwhile right after it, and none is ever refused or lost."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from datetime import timedelta

import pytest

from gonogo.service.own_loop import OwnLoop

HOUR = timedelta(hours=1)


class Steps:
    """Steps that last until they are let go, and are counted."""

    def __init__(self) -> None:
        self.begun, self.may_end = threading.Semaphore(0), threading.Semaphore(0)
        self.n_begun, self.n_at_once, self.most_at_once = 0, 0, 0
        self.error: Exception | None = None

    def __call__(self) -> None:
        self.n_begun += 1
        self.n_at_once += 1
        self.most_at_once = max(self.most_at_once, self.n_at_once)
        self.begun.release()
        assert self.may_end.acquire(timeout=60)
        self.n_at_once -= 1
        if self.error is not None:
            raise self.error

    def is_begun(self, timeout_s: float = 60.0) -> bool:
        return self.begun.acquire(timeout=timeout_s)


@pytest.fixture
def steps() -> Iterator[Steps]:
    made = Steps()
    yield made
    made.may_end.release(100)


def test_however_often_it_is_wanted_during_a_step_one_more_follows(steps: Steps) -> None:
    loop = OwnLoop(steps, HOUR, fault_text="")
    loop.start()
    assert steps.is_begun()
    for _ in range(5):
        loop.want()
    steps.may_end.release()
    assert steps.is_begun(), "what was wanted meanwhile"
    steps.may_end.release()
    assert not steps.is_begun(0.2)
    loop.want()
    assert steps.is_begun(), "at once"
    steps.may_end.release()
    loop.end()
    assert (steps.n_begun, steps.most_at_once) == (3, 1)


def test_it_is_taken_after_each_pause_and_after_a_fault(steps: Steps, caplog: pytest.LogCaptureFixture) -> None:
    loop = OwnLoop(steps, timedelta(milliseconds=10), fault_text="a step ended in a fault")
    steps.error = RuntimeError("once")
    loop.start()
    for _ in range(3):
        assert steps.is_begun()
        steps.may_end.release()
    steps.may_end.release(10)
    loop.end()
    assert "a step ended in a fault" in caplog.text


def test_its_end_waits_for_the_step_under_way_and_takes_none_after_it(steps: Steps) -> None:
    loop = OwnLoop(steps, HOUR, fault_text="")
    loop.start()
    assert steps.is_begun()
    ending = threading.Thread(target=loop.end, daemon=True)
    ending.start()
    ending.join(0.2)
    assert ending.is_alive()
    loop.want()
    steps.may_end.release()
    ending.join(60)
    assert not ending.is_alive()
    assert steps.n_begun == 1


def test_one_that_never_began_ends(steps: Steps) -> None:
    OwnLoop(steps, HOUR, fault_text="").end()
    assert steps.n_begun == 0
