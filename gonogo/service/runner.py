"""Runs of a running service: the frame of each, the weather they share, and which are known to be done."""

from __future__ import annotations

import contextlib
import logging
from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import date, datetime, time, timedelta
from time import monotonic

from gonogo import __version__
from gonogo.config import Config
from gonogo.download.forecasts import Fetch
from gonogo.errors import StoreError
from gonogo.morning import recheck
from gonogo.morning import run as morning_run
from gonogo.morning.answers import AskAgainError, ClockRefutedError
from gonogo.morning.run import MorningResult, Refusal
from gonogo.outgoing.frame import MORNING, RunFrame
from gonogo.records import shift
from gonogo.records.site import Site
from gonogo.service import clock, due, leaving, workers
from gonogo.service.asked_again import AskedAgain
from gonogo.service.clock_trust import ClockTrust
from gonogo.service.config_watch import ConfigWatch
from gonogo.service.due import lead_min
from gonogo.service.own_process import WorkerLostError
from gonogo.service.questions import Questions
from gonogo.service.site_process import Made, SiteTask
from gonogo.service.site_processes import SiteProcesses
from gonogo.service.unstored import Unstored
from gonogo.store import ahead, alive, claims, members, runs, schema
from gonogo.store.alive import SignOfLife
from gonogo.store.claims import Claim
from gonogo.store.open import open_for_service

log = logging.getLogger("gonogo.service.runner")

RELEASED_EVERY_S = 5.0

Run = Callable[[RunFrame], MorningResult | None]


class Runner:
    """Runs mornings and re-checks; holds the last good config, the database, and what is known of the clock."""

    def __init__(
        self, config: Config, *, fetch: Fetch | None, environ: Mapping[str, str], n_processes: int = 0
    ) -> None:
        """Open the database. n_processes: that make the runs beside this one, 0 for none; with `fetch` none does."""
        self.configs = ConfigWatch(config, environ)
        self.n_workers = n_processes or workers.WORKERS
        self.processes: SiteProcesses | None = None
        if n_processes and fetch is None:
            self.processes = SiteProcesses(lambda: self.configs.accepted, is_scheduled=True)
        self.store = open_for_service(config, __version__)
        self._heard: Callable[[str], None] = lambda _: None
        self.sign = SignOfLife(self.store, lambda channel: self._heard(channel))
        self.me = self.sign.name
        members.join(self.store, self.me, __version__, now_utc=clock.clock_utc())
        self.trust = ClockTrust()
        self.questions = Questions(self.configs, lambda offset: self.trust.note_offset(offset), fetch)
        self.unstored = Unstored()
        self.ended: set[str] = set()  # ids of sites with runs of which the health file does not tell yet
        self._done: set[tuple[str, date, str]] = set()
        self._asked_again: dict[tuple[str, date, str], AskedAgain] = {}
        self._released_s = -RELEASED_EVERY_S
        self._still_claimed: list[Claim] = []  # of runs that failed and whose claims the database kept
        self._made_while_set: list[tuple[RunFrame, int, timedelta]] = []  # frame, run, how far the clock was set

    def end(self) -> None:
        """Let go of processes, sign of life and database."""
        if self.processes is not None:
            self.processes.close()
        leaving.let_go(self.store, self.me, now_utc=clock.clock_utc())
        self.sign.end()
        self.store.dispose()

    def hear_by(self, heard: Callable[[str], None]) -> None:
        """Have something called when another service tells of mails or runs."""
        self._heard = heard

    def sites(self) -> tuple[Site, ...]:
        return self.configs.accepted.sites

    def lead_min(self, site: Site) -> float:
        return lead_min(self.configs.accepted, site)

    def is_done(self, site_id: str, day: date, at: time | None) -> bool:
        """Return whether a morning, or the re-check at a local time, is known to be done."""
        return (site_id, day, MORNING if at is None else recheck.edition(at)) in self._done

    def run_morning(self, site: Site, day: date, now_utc: datetime) -> None:
        """Run a site's morning unless it is done. While the config has faults nothing is run: the watch sees to it."""
        frame = self.morning_frame(site, day, now_utc)
        self._run(replace(frame, asks_until_utc=due.asks_until_utc(site, day)), self._made(morning_run.run_morning))

    def repair(self, site: Site, day: date, now_utc: datetime) -> None:
        """Make good a morning without a verdict, as soon as a forecast comes: a re-check that waits for one."""
        start_utc, deadline_utc = due.run_window_utc(site, day, self.lead_min(site))
        _, shift_end_utc = shift.shift_utc(site, day)
        edition = recheck.edition(site.mail_at)
        frame = self._frame(site, day, now_utc, (start_utc, max(deadline_utc, shift_end_utc)), edition=edition)
        self._run(replace(frame, asks_until_utc=deadline_utc), self._made(recheck.run_recheck))

    def may_be_repaired(self, site: Site, day: date, has_verdict: bool) -> bool:
        """Return whether a morning that is done wants a verdict yet that a forecast may bring."""
        key = (site.id, day, recheck.edition(site.mail_at))
        return not has_verdict and key not in self._done and not self.configs.faults

    def begun_utc(self, site_id: str, day: date) -> datetime | None:
        """Return when the morning's last try began, None where its first one is its only one."""
        found = self._asked_again.get((site_id, day, MORNING))
        return None if found is None else found.begun_utc

    def run_recheck(self, site: Site, day: date, at: time, now_utc: datetime) -> None:
        """Run a re-check unless it is done, or the config has faults."""
        start_utc, _ = due.recheck_window_utc(site, day, at)
        _, shift_end_utc = shift.shift_utc(site, day)
        self._run(
            self._frame(site, day, now_utc, (start_utc, shift_end_utc), edition=recheck.edition(at)),
            self._made(recheck.run_recheck),
        )

    def run_after_replies(self, site: Site, day: date, number: int, now_utc: datetime) -> bool:
        """Re-check a site after answers by mail, the newest of that number, and return whether that is done."""
        window_utc = (now_utc, shift.shift_utc(site, day)[1])
        frame = self._frame(site, day, now_utc, window_utc, edition=f"reply-{number}")
        self._run(replace(frame, fetch=self.questions.kept_or_asked), self._made_here(recheck.run_recheck))
        return (site.id, day, frame.edition) in self._done

    def refuse(self, site: Site, day: date, now_utc: datetime, refusal: Refusal, *, is_missed: bool = False) -> None:
        """Take the morning from whoever is at it, and tell every crew that there is no verdict. Raises StoreError.

        is_missed   its deadline is over: the notices are of use until the end of the shift
        """
        # Another's lock is not outlasted: where the database cannot be had the notices go without it.
        frame = replace(self.morning_frame(site, day, now_utc), patience_s=0.0)
        if is_missed:
            frame = replace(frame, deadline_utc=shift.shift_utc(site, day)[1])
        try:
            result = Made.of(morning_run.run_morning(frame, refusal=refusal))
        except ClockRefutedError as error:
            self._note_refuted(frame, error)
            return
        self._done.add((site.id, day, MORNING))
        self.ended.add(site.id)
        if result is not None:
            self._note_made(frame, result)
            log.error("%s", refusal.reason, extra={"site": site.id, "day": day, "run": result.run_id})

    def morning_frame(self, site: Site, day: date, now_utc: datetime, edition: str = MORNING) -> RunFrame:
        window = due.run_window_utc(site, day, self.lead_min(site))
        return self._frame(site, day, now_utc, window, edition=edition)

    def stepped(self, step_s: float) -> None:
        """Start over with a clock that was set: what was done, asked and put off by the old one counts no more."""
        self.trust.stepped(step_s)
        if self.trust.is_back:
            self._void_untimely()
        self._done.clear()
        self.questions.start_over()
        if step_s < 0.0:
            self.wake_waiting()

    def _void_untimely(self) -> None:
        """Void the runs that were made while the clock was set, and that were not due by the clock as it is again."""
        made, self._made_while_set = self._made_while_set, []
        untimely = [run_id for frame, run_id, set_by in made if frame.is_refuted_by(-set_by)]
        if untimely:
            log.warning("%d runs were made while the clock was wrong; they are made again once due", len(untimely))
            try:
                ahead.void_runs(self.store, untimely, now_utc=clock.clock_utc())
            except StoreError:
                log.exception("they could not be voided")

    def wake_waiting(self) -> None:
        """Let mails go that wait for a moment of a clock that was ahead."""
        try:
            n_woken = ahead.wake_waiting(self.store, now_utc=clock.clock_utc())
        except StoreError:
            log.exception("mails put off by another clock could not be woken; they wait for their time")
        else:
            if n_woken:
                log.info("%d mails that another clock had put off go now", n_woken)

    def forget_before(self, oldest: date) -> None:
        """Let go of what is remembered of days gone by."""
        self._made_while_set = [made for made in self._made_while_set if made[0].day >= oldest]
        self._asked_again = {key: at for key, at in self._asked_again.items() if key[1] >= oldest}
        self._done -= {key for key in tuple(self._done) if key[1] < oldest}

    def _made(self, run: Run) -> Callable[[RunFrame], Made | None]:
        """Return what makes a run: a process of its own where there are such, else this one."""
        return self._made_here(run) if self.processes is None else self._made_there

    def _made_here(self, run: Run) -> Callable[[RunFrame], Made | None]:
        return lambda frame: Made.of(run(frame))

    def _made_there(self, frame: RunFrame) -> Made | None:
        assert self.processes is not None
        came = self.processes.made(
            SiteTask.of(frame, self.questions.batch(frame.site, frame.now_utc)),
            run_limit_min=frame.config.settings[frame.site.id]["run_limit_min"],
            lost=lambda: self.release(frame.now_utc),
        )
        self.questions.note_offset(came.fresh_offset_s)
        return came.checked()

    def _run(self, frame: RunFrame, run: Callable[[RunFrame], Made | None]) -> None:
        self.configs.refresh()
        key = (frame.site.id, frame.day, frame.edition)
        before = self._asked_again.get(key, AskedAgain())
        if key in self._done or self.configs.faults or not self.trust.may_run or not before.is_time(frame):
            return
        if before.n_tries:
            self._asked_again[key] = replace(before, begun_utc=frame.now_utc)
        noted = {"site": frame.site.id, "day": frame.day, "edition": frame.edition}
        try:
            self._release_now_and_then(frame.now_utc)
            result = run(frame)
            is_done = result is not None or self._is_finished(frame)
        except ClockRefutedError as error:
            self._note_refuted(frame, error)
        except AskAgainError as error:
            self._asked_again[key] = before.once_more(frame)
            log.warning("no forecast yet, asking again: %s", str(error).splitlines()[-1], extra=noted)
        except claims.TakenOverError as error:
            log.error("%s", error, extra=noted)
        except StoreError as error:
            if isinstance(error, claims.StillClaimedError):
                self._still_claimed.append(error.claim)
            self.unstored.note(error, frame.now_utc)
            log.exception("the run could not be stored; it is tried again", extra=noted)
        except WorkerLostError as error:
            log.error("the run is made once more a little later: %s", error, extra=noted)
        else:
            if is_done:
                self._done.add(key)
                self.ended.add(frame.site.id)
            if result is not None:
                self.unstored.is_stored()
                self._note_made(frame, result)
                what = result.reason or f"verdicts made, {result.n_mails} mails"
                log.info("%s", what, extra=noted | {"run": result.run_id})

    def _release_now_and_then(self, now_utc: datetime) -> None:
        """Let go of what is held in vain, unless that was done just now: it is asked for before each run.

        Whoever takes a dead service's batch lets go of its claims at once (day_queue.py).
        """
        if monotonic() - self._released_s >= RELEASED_EVERY_S or self._still_claimed:
            self.release(now_utc)

    def release(self, now_utc: datetime) -> None:
        """Let go of what the dead had claimed, and of claims that could not be let go before. Raises StoreError."""
        began_s = monotonic()
        claims.release_dead(self.store, now_utc=now_utc, is_dead=alive.is_dead(self.store))
        self.release_failed(now_utc)
        self._released_s = began_s

    def release_failed(self, now_utc: datetime) -> None:
        """Let go of the claims of runs that failed where the database kept them then. Raises StoreError."""
        while self._still_claimed:
            claim = self._still_claimed[0]
            claims.release_run(self.store, claim, now_utc=now_utc, error="The database kept the claim of a failed run.")
            with contextlib.suppress(ValueError):  # another thread did it meanwhile
                self._still_claimed.remove(claim)

    def _is_finished(self, frame: RunFrame) -> bool:
        """Whether another service has finished a run that this one was not let to."""
        with schema.read(self.store) as connection:
            return runs.last_run(connection, frame.site.id, day=frame.day, edition=frame.edition) is not None

    def _note_made(self, frame: RunFrame, result: Made) -> None:
        if self.trust.set_by and result.run_id is not None:
            self._made_while_set.append((frame, result.run_id, self.trust.set_by))

    def _note_refuted(self, frame: RunFrame, error: ClockRefutedError) -> None:
        self.trust.refuted(error.offset)
        log.error("%s", error, extra={"site": frame.site.id, "day": frame.day, "edition": frame.edition})

    def _frame(
        self, site: Site, day: date, now_utc: datetime, window_utc: tuple[datetime, datetime], *, edition: str
    ) -> RunFrame:
        start_utc, deadline_utc = window_utc
        return RunFrame(
            config=self.configs.accepted,
            site=site,
            day=day,
            edition=edition,
            now_utc=now_utc,
            deadline_utc=deadline_utc,
            store=self.store,
            fetch=self.questions.ask,
            second=self.questions.ask_second,
            start_utc=start_utc,
            owner=self.me,
        )
