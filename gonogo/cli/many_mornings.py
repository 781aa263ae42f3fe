"""Mornings by hand: one after the other here, or many at once in processes, with their mails leaving meanwhile."""

from __future__ import annotations

import queue
import threading
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager

from gonogo.errors import GonogoError, StoreBusyError, StoreError
from gonogo.morning import compute
from gonogo.morning import run as morning_run
from gonogo.morning.run import Refusal
from gonogo.outgoing.delivery import Worker
from gonogo.outgoing.frame import RunFrame
from gonogo.outgoing.rounds import DeliveryReport
from gonogo.service.own_process import WorkerLostError
from gonogo.service.questions import BATCH
from gonogo.service.site_process import Made, SiteTask
from gonogo.service.site_processes import SiteProcesses
from gonogo.store import alive, claims

DELIVERED_EVERY_S = 1.0
# A morning that is done already is None; one that could not be stored is its fault.
Outcome = Made | GonogoError | None


def made(
    frames: Sequence[RunFrame], n_processes: int, *, say: Callable[[str], None]
) -> Iterator[tuple[RunFrame, Outcome]]:
    """Make mornings, and give each with what came of it, as they are done.

    n_processes   0: here, one after the other, and the first that cannot be stored raises StoreError
    """
    if n_processes:
        yield from _made_in_processes(frames, n_processes, say=say)
        return
    for frame in frames:
        say(frame.site.name)
        yield frame, Made.of(morning_run.run_morning(frame))


def _made_in_processes(
    frames: Sequence[RunFrame], n_processes: int, *, say: Callable[[str], None]
) -> Iterator[tuple[RunFrame, Outcome]]:
    """Make mornings batch by batch; sites of a batch follow each other in one process and share weather questions."""
    size = max(1, min(BATCH, -(-len(frames) // (2 * n_processes))))
    batches = deque(frames[first : first + size] for first in range(0, len(frames), size))
    done: queue.SimpleQueue[tuple[RunFrame, Outcome]] = queue.SimpleQueue()
    processes = SiteProcesses(lambda: frames[0].config, is_scheduled=False)
    is_ended, put_back = threading.Event(), set[str]()

    def lane() -> None:
        while not is_ended.is_set():
            try:
                batch = batches.popleft()
            except IndexError:
                return
            for n, frame in enumerate(batch):
                if is_ended.is_set():
                    return
                try:
                    done.put((frame, _one(processes, frame, batch[n:])))
                except WorkerLostError as error:
                    if frame.site.id in put_back:
                        done.put((frame, _refused(frame, error)))
                    else:  # once more when all others are made: whatever killed the processes may have passed
                        put_back.add(frame.site.id)
                        batches.append([frame])

    with ThreadPoolExecutor(n_processes, thread_name_prefix="gonogo-lane") as pool:
        lanes = [pool.submit(lane) for _ in range(n_processes)]
        try:
            for n_done in range(len(frames)):
                while True:
                    try:
                        frame, outcome = done.get(timeout=1.0)
                        break
                    except queue.Empty:
                        for failed in (lane for lane in lanes if lane.done()):
                            failed.result()  # a fault of our own in a lane would leave its sites waiting for ever
                say(f"{frame.site.name} ({n_done + 1} of {len(frames)})")
                yield frame, outcome
        finally:
            is_ended.set()
            processes.close()


def _one(processes: SiteProcesses, frame: RunFrame, batch: Sequence[RunFrame]) -> Outcome:
    """Make one morning. Raises WorkerLostError where it cost every process that tried it."""

    def release() -> None:  # by the clock of the run: its next try asks whether the claim has run out by that clock
        claims.release_dead(frame.store, now_utc=frame.now_utc, is_dead=alive.is_dead(frame.store))

    try:
        came = processes.made(
            SiteTask.of(frame, [other.site for other in batch]),
            run_limit_min=frame.config.settings[frame.site.id]["run_limit_min"],
            lost=release,
        )
        return came.checked()
    except WorkerLostError:
        raise
    except GonogoError as error:
        return error


def _refused(frame: RunFrame, error: WorkerLostError) -> Outcome:
    """Tell the crews of a morning that there is no verdict."""
    refusal = Refusal(reason=compute.COMPUTATION_TEXT, faults=(str(error),))
    try:
        return Made.of(morning_run.run_morning(frame, refusal=refusal))
    except StoreError as fault:
        return fault


@contextmanager
def delivering(worker: Worker, *, is_wanted: bool) -> Iterator[list[DeliveryReport]]:
    """Deliver round after round in a thread while the block runs; give the list that their reports go into.

    is_wanted   False: nothing is delivered meanwhile
    """
    reports: list[DeliveryReport] = []
    is_ended = threading.Event()

    def deliver() -> None:
        while not is_ended.wait(DELIVERED_EVERY_S):
            try:
                reports.append(worker.round())
            except StoreBusyError:
                continue
            except StoreError:  # the round after the block says so again
                return

    with ThreadPoolExecutor(1, thread_name_prefix="gonogo-delivery") as pool:
        delivery = pool.submit(deliver) if is_wanted else None
        try:
            yield reports
        finally:
            is_ended.set()
        if delivery is not None:
            delivery.result()
