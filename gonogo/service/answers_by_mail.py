"""Answers by mail in a running service: the mailbox is read, and what an answer may change is looked at again."""

from __future__ import annotations

import logging
from collections.abc import Callable
from datetime import date, datetime

from gonogo import times
from gonogo.errors import StoreError
from gonogo.inbox.read import dns_text, read_mailbox
from gonogo.inbox.take import Desk
from gonogo.records import shift
from gonogo.service import clock
from gonogo.service.runner import Runner
from gonogo.store import replies, schema

log = logging.getLogger("gonogo.service.answers_by_mail")

READ_EVERY_S = 55.0  # without a sign of the mail server; with one at once


class AnswersByMail:
    """Reads the mailbox of a running service, and has sites looked at again."""

    def __init__(self, runner: Runner, may_go_on: Callable[[], bool]) -> None:
        self._runner, self._may_go_on = runner, may_go_on

    def read(self, _now_utc: datetime) -> bool:
        """Read the mailbox, where it is empty wait for a mail; return whether any was taken, as soon as one was."""
        if self._runner.configs.accepted.inbox is None:
            return False
        try:
            n_taken = read_mailbox(self._desk, wait_s=READ_EVERY_S, may_go_on=self._may_go_on)
        except StoreError:
            log.exception("a mail could not be taken; it stays in the mailbox and is tried again")
            return True
        if n_taken:
            log.info("%d mails were taken", n_taken)
        return n_taken > 0

    def _desk(self) -> Desk:
        runner = self._runner
        return Desk(config=runner.configs.accepted, store=runner.store, now_utc=clock.clock_utc(), dns_text=dns_text)

    def recheck(self, now_utc: datetime) -> bool:
        """Look again at each site whose verdicts answers may change, once for all that came; return whether any was."""
        store = self._runner.store
        try:
            with schema.read(store) as connection:
                wanted = replies.recheck_wanted(connection)
            by_day: dict[tuple[str, date], list[int]] = {}
            for answer in wanted:
                if answer.recheck_day is not None:
                    by_day.setdefault((answer.site_id, answer.recheck_day), []).append(answer.id)
            for (site_id, day), numbers in by_day.items():
                if self._is_looked_at(site_id, day, max(numbers), now_utc):
                    with schema.begin(store) as connection:
                        replies.recheck_done(connection, numbers)
        except StoreError:
            log.exception("a re-check after an answer could not be made; it is tried again")
            return False
        return bool(wanted)

    def _is_looked_at(self, site_id: str, day: date, number: int, now_utc: datetime) -> bool:
        """Look at a site again; return whether that is done, or too late for the day."""
        site = next((s for s in self._runner.sites() if s.id == site_id), None)
        is_over = site is None or day != times.local_date(now_utc, site.zone)
        if site is None or is_over or now_utc >= shift.shift_utc(site, day)[1]:
            return True
        return self._runner.run_after_replies(site, day, number, now_utc)
