"""Views to finished mails: one after the other, or on every core where there are many. No fault stops another mail.

Many are shared out to processes, since Python writes one mail at a time in each. They live as long as the run does, and
what passes between them are our own records, never anything that was stored or received.
"""

from __future__ import annotations

import logging
import multiprocessing
import os
import signal
import traceback
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime

from gonogo.mail import view as mail_view
from gonogo.mail.items import MorningView
from gonogo.mail.letter import RenderedMail
from gonogo.mail.render import message
from gonogo.records import Recipient

log = logging.getLogger("gonogo.writing")

SHARED_FROM = 200  # mails; below it the start of processes takes longer than it saves
MOST_PROCESSES = 4
CREWS_AT_ONCE = 4  # handed to a process in one go
LIMIT_S = 30.0  # longest wait for the next few mails, start of the processes included


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """The mails of one crew to be written. view: None where it failed; readers: each with the mail's Message-ID."""

    view: MorningView | None
    readers: tuple[tuple[Recipient, str], ...]
    sender: str
    reply_to: str
    date_utc: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class Written:
    """The mails of one crew in the order of its readers, None for one that could not be written, and the faults."""

    mails: tuple[RenderedMail | None, ...]
    faults: tuple[str, ...]


def write(jobs: Sequence[Job]) -> Iterator[Written]:
    """Give the mails of each job in order. Never raises over a job: its mails are None, and the fault is told."""
    n_mails = sum(len(job.readers) for job in jobs)
    n_processes = min(MOST_PROCESSES, os.cpu_count() or 1)
    if n_mails < SHARED_FROM or n_processes < 2:
        yield from map(written, jobs)
        return
    # Fresh processes: a copy of one with threads could carry a lock that nobody opens.
    with multiprocessing.get_context("spawn").Pool(n_processes, initializer=_ignore_interrupts) as pool:
        results, n_done = pool.imap(written, jobs, chunksize=CREWS_AT_ONCE), 0
        try:
            for _ in jobs:
                one = results.next(timeout=LIMIT_S)
                n_done += 1
                yield one
            return
        except Exception:  # killed for its memory, or hanging: what is left is written here, one after the other
            log.exception("the processes that write mails failed; this one goes on alone")
            pool.terminate()
    yield from map(written, jobs[n_done:])


def written(job: Job) -> Written:
    """Write the mails of one crew: each whole, else without picture and calendar, else None."""
    mails: list[RenderedMail | None] = []
    faults: list[str] = []
    for reader, message_id in job.readers:
        mail = None
        for made in (job.view, mail_view.without_extras(job.view)) if job.view is not None else ():
            try:
                mail = message(
                    made,
                    reader,
                    sender=job.sender,
                    reply_to=job.reply_to,
                    message_id=message_id,
                    date_utc=job.date_utc,
                )
                break
            except Exception as error:
                log.exception("the mail of role %s failed", reader.role)
                faults.append("".join(traceback.format_exception(error)))
        mails.append(mail)
    return Written(mails=tuple(mails), faults=tuple(faults))


def _ignore_interrupts() -> None:
    """Leave Ctrl-C to the process that started this one."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
