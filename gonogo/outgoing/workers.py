"""Views to finished mails: one after the other, or on every core where there are many. No fault stops another mail.

Many are shared out to processes, since Python writes one mail at a time in each. They live as long as the run does, and
what passes between them are our own records, never anything that was stored or received.
"""

from __future__ import annotations

import logging
import multiprocessing
import os
import threading
from collections import deque
from collections.abc import Iterable, Iterator
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from datetime import datetime
from functools import partial
from multiprocessing.process import BaseProcess

from gonogo.mail import view as mail_view
from gonogo.mail.items import MorningView
from gonogo.mail.letter import RenderedMail
from gonogo.mail.render import message
from gonogo.outgoing.attempts import first_made
from gonogo.outgoing.in_process import begin_in_process
from gonogo.records.site import Recipient

log = logging.getLogger("gonogo.outgoing.workers")

SHARED_FROM = 200  # mails; below it the start of processes takes longer than it saves
MOST_PROCESSES = 4
QUEUED = 16  # crews handed out and not yet taken back
LIMIT_S = 30.0  # longest wait for the next few mails, start of the processes included
_STARTING = threading.Lock()


@dataclass(frozen=True, slots=True, kw_only=True)
class CrewJob:
    """The mails of one crew to be written. view: None where it failed; readers: each with the mail's Message-ID."""

    view: MorningView | None
    readers: tuple[tuple[Recipient, str], ...]
    sender: str
    reply_to: str
    date_utc: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class CrewMails:
    """The mails of one crew in the order of its readers, None for one that could not be written, and the faults."""

    mails: tuple[RenderedMail | None, ...]
    faults: tuple[str, ...]


def write(jobs: Iterable[CrewJob], *, n_mails: int) -> Iterator[CrewMails]:
    """Give the mails of each job in order. Never raises over a job: its mails are None, and its faults are returned.

    jobs      taken one by one, so that the next view is made while processes write the mails of the ones before
    n_mails   of all jobs; few are written here, since starting processes takes longer than it saves
    """
    n_processes = min(MOST_PROCESSES, os.cpu_count() or 1)
    if n_mails < SHARED_FROM or n_processes < 2:
        yield from map(written, jobs)
        return
    coming, waiting = iter(jobs), deque[tuple[CrewJob, Future[CrewMails]]]()
    pool, processes = _started(n_processes)
    try:
        for job in coming:
            waiting.append((job, pool.submit(written, job)))
            if len(waiting) > QUEUED:
                yield _taken(waiting)
        while waiting:
            yield _taken(waiting)
    except (BrokenProcessPool, TimeoutError):  # killed for its memory, or hanging: what is left is written here
        log.exception("the processes that write mails failed; this one goes on alone")
        for process in processes:
            process.kill()  # at once: one that hangs would keep this one from ending
        yield from map(written, [job for job, _ in waiting])
        yield from map(written, coming)
    finally:
        pool.shutdown(wait=False, cancel_futures=True)


def _started(n_processes: int) -> tuple[ProcessPoolExecutor, tuple[BaseProcess, ...]]:
    """Return a pool whose processes are starting, and these processes."""
    # Fresh processes: a copy of one with threads could carry a lock that nobody opens.
    context = multiprocessing.get_context("spawn")
    pool = ProcessPoolExecutor(n_processes, mp_context=context, initializer=begin_in_process)
    # Those of another site's run are told apart by when they came: pools start one after the other.
    with _STARTING:
        others = set(multiprocessing.active_children())
        pool.submit(os.getpid)  # where processes are started afresh, the first submission starts all of them
        return pool, tuple(set(multiprocessing.active_children()) - others)


def _taken(waiting: deque[tuple[CrewJob, Future[CrewMails]]]) -> CrewMails:
    """The mails of the job that waits longest. It stays in line until they are there."""
    made = waiting[0][1].result(timeout=LIMIT_S)
    waiting.popleft()
    return made


def written(job: CrewJob) -> CrewMails:
    """Write the mails of one crew: each whole, else without picture and calendar, else None."""
    mails: list[RenderedMail | None] = []
    faults: list[str] = []
    views = (job.view, mail_view.without_extras(job.view)) if job.view is not None else ()
    for reader, message_id in job.readers:
        makers = [partial(_message, job, view, reader, message_id) for view in views]
        mail, own_faults = first_made(makers, what=f"the mail of role {reader.role}")
        mails.append(mail)
        faults += own_faults
    return CrewMails(mails=tuple(mails), faults=tuple(faults))


def _message(job: CrewJob, view: MorningView, reader: Recipient, message_id: str) -> RenderedMail:
    return message(view, reader, sender=job.sender, reply_to=job.reply_to, message_id=message_id, date_utc=job.date_utc)
