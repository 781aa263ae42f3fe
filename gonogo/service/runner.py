"""Runs of a running service: the frame of each, the weather they share, and which are known to be done."""

from __future__ import annotations

import contextlib
import logging
import math
import threading
import time as time_module
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, time, timedelta

from gonogo.config import Config
from gonogo.download import forecasts
from gonogo.download.forecasts import Downloaded, Fetch, NoForecastError
from gonogo.download.rounds import Rounds
from gonogo.errors import StoreError, WeatherError
from gonogo.morning import recheck
from gonogo.morning import run as morning_run
from gonogo.morning.answers import AskAgainError, ClockRefutedError
from gonogo.morning.run import MorningResult, Refusal
from gonogo.outgoing.frame import MORNING, RunFrame
from gonogo.records import shift
from gonogo.records.outside import Answer
from gonogo.records.site import Site
from gonogo.service import clock, due
from gonogo.service.clock_trust import ClockTrust
from gonogo.service.config_watch import ConfigWatch
from gonogo.service.due import lead_min
from gonogo.store import ahead, claims, owner, runs, schema
from gonogo.store.open import open_store

log = logging.getLogger("gonogo.service.runner")

RECENT = timedelta(hours=1)  # a forecast that a re-check after an answer does not ask for again
ASKED_AGAIN_S, ASKED_AGAIN_MOST_S = 15.0, 100.0  # pauses between tries while no forecast comes; our own choice


@dataclass(frozen=True, slots=True)
class AskedAgain:
    """How often a run was put off because no forecast came, when its last try began, and when the next one is due."""

    n_tries: int = 0
    begun_utc: datetime | None = None
    next_s: float = 0.0

    def is_time(self, frame: RunFrame) -> bool:
        """Whether the next try is due; the last one always is."""
        return time_module.monotonic() >= self.next_s or not frame.may_ask_again

    def once_more(self, frame: RunFrame) -> AskedAgain:
        wait_s = min(ASKED_AGAIN_S * 2.0**self.n_tries, ASKED_AGAIN_MOST_S)
        return AskedAgain(self.n_tries + 1, frame.now_utc, time_module.monotonic() + wait_s)


class Runner:
    """Runs mornings and re-checks; holds the last good config, the database, and what is known of the clock."""

    def __init__(self, config: Config, *, fetch: Fetch | None, environ: Mapping[str, str]) -> None:
        self.configs = ConfigWatch(config, environ)
        self.store = open_store(config)
        self.me = owner.own_name()
        self.trust = ClockTrust()
        self._fetch = fetch
        self._asking = threading.Lock()
        self._rounds: tuple[Config, Rounds] | None = None
        self._done: set[tuple[str, date, str]] = set()
        self._asked_again: dict[tuple[str, date, str], AskedAgain] = {}
        self._made_while_set: list[tuple[RunFrame, int, timedelta]] = []  # frame, run, how far the clock was set

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
        self._run(replace(frame, asks_until_utc=due.asks_until_utc(site, day)), morning_run.run_morning)

    def repair(self, site: Site, day: date, now_utc: datetime) -> None:
        """Make good a morning without a verdict, as soon as a forecast comes: a re-check that waits for one."""
        start_utc, deadline_utc = due.run_window_utc(site, day, self.lead_min(site))
        _, shift_end_utc = shift.shift_utc(site, day)
        edition = recheck.edition(site.mail_at)
        frame = self._frame(site, day, now_utc, (start_utc, max(deadline_utc, shift_end_utc)), edition=edition)
        self._run(replace(frame, asks_until_utc=deadline_utc), recheck.run_recheck)

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
            recheck.run_recheck,
        )

    def run_after_replies(self, site: Site, day: date, number: int, now_utc: datetime) -> bool:
        """Re-check a site after answers by mail, the newest of that number, and return whether that is done."""
        window_utc = (now_utc, shift.shift_utc(site, day)[1])
        frame = self._frame(site, day, now_utc, window_utc, edition=f"reply-{number}")
        self._run(replace(frame, fetch=self._kept_or_asked), recheck.run_recheck)
        return (site.id, day, frame.edition) in self._done

    def _kept_or_asked(self, site: Site, now_utc: datetime, stored: Sequence[Answer]) -> Downloaded:
        """Return a forecast that is recent enough for another look at the same morning, else ask for one."""
        recent = [answer for answer in stored if now_utc - RECENT <= answer.fetched_utc <= now_utc]
        if recent:
            with contextlib.suppress(NoForecastError):
                return forecasts.forecast(site, (), now_utc=now_utc, stored=recent)
        return self.ask(site, now_utc, stored)

    def refuse(self, site: Site, day: date, now_utc: datetime, refusal: Refusal, *, is_missed: bool = False) -> None:
        """Take the morning from whoever is at it, and tell every crew that there is no verdict. Raises StoreError.

        is_missed   its deadline is over: the notices are of use until the end of the shift
        """
        frame = self.morning_frame(site, day, now_utc)
        if is_missed:
            frame = replace(frame, deadline_utc=shift.shift_utc(site, day)[1])
        try:
            result = morning_run.run_morning(frame, refusal=refusal)
        except ClockRefutedError as error:
            self._note_refuted(frame, error)
            return
        self._done.add((site.id, day, MORNING))
        if result is not None:
            self._note_made(frame, result)
            log.error("%s", refusal.reason, extra={"site": site.id, "day": day, "run": result.run_id})

    def morning_frame(self, site: Site, day: date, now_utc: datetime, edition: str = MORNING) -> RunFrame:
        window = due.run_window_utc(site, day, self.lead_min(site))
        return self._frame(site, day, now_utc, window, edition=edition)

    def ask(self, site: Site, now_utc: datetime, stored: Sequence[Answer]) -> Downloaded:
        """Ask the weather services for a site's forecast, and note what their clock says of ours."""
        try:
            found = (self._fetch or self._ask_services)(site, now_utc, stored)
        except NoForecastError as error:
            self._note_offset(error.told_offset_s)
            raise
        self._note_offset(found.told_offset_s)
        return found

    def asked_offset_s(self, site: Site, now_utc: datetime) -> float:
        """Ask the weather services for the time: their clock less the machine's [s], NaN where none tells it."""
        try:
            return self.ask(site, now_utc, ()).told_offset_s
        except NoForecastError as error:
            return error.told_offset_s
        except WeatherError:
            return math.nan

    def _note_offset(self, offset_s: float) -> None:
        if math.isfinite(offset_s):
            self.trust.note_offset(timedelta(seconds=offset_s))

    def _ask_services(self, site: Site, now_utc: datetime, stored: Sequence[Answer]) -> Downloaded:
        return self._shared_rounds().fetch(site, now_utc, stored)

    def _ask_second(self, site: Site, now_utc: datetime, stored: Sequence[Answer], used: str) -> Downloaded:
        return self._shared_rounds().second(site, now_utc, stored, used)

    def _shared_rounds(self) -> Rounds:
        """Return the rounds of questions that the sites of the config in force share."""
        with self._asking:
            config = self.configs.accepted
            if self._rounds is None or self._rounds[0] is not config:

                def together(at_utc: datetime) -> list[Site]:
                    return [s for s in config.sites if due.due_day(s, at_utc, lead_min(config, s)) is not None]

                rounds = Rounds(config, clock_utc=clock.clock_utc, together=together, is_scheduled=True)
                self._rounds = (config, rounds)
            return self._rounds[1]

    def stepped(self, step_s: float) -> None:
        """Begin anew with a clock that was set: what was done, asked and put off by the old one counts no more."""
        self.trust.stepped(step_s)
        if self.trust.is_back:
            self._void_untimely()
        self._done.clear()
        self._rounds = None
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

    def _run(self, frame: RunFrame, run: Callable[[RunFrame], MorningResult | None]) -> None:
        self.configs.refresh()
        key = (frame.site.id, frame.day, frame.edition)
        before = self._asked_again.get(key, AskedAgain())
        if key in self._done or self.configs.faults or not self.trust.may_run or not before.is_time(frame):
            return
        if before.n_tries:
            self._asked_again[key] = replace(before, begun_utc=frame.now_utc)
        noted = {"site": frame.site.id, "day": frame.day, "edition": frame.edition}
        try:
            claims.release_dead(self.store, now_utc=frame.now_utc, is_dead=owner.is_dead)
            result = run(frame)
            is_done = result is not None or self._is_finished(frame)
        except ClockRefutedError as error:
            self._note_refuted(frame, error)
        except AskAgainError as error:
            self._asked_again[key] = before.once_more(frame)
            log.warning("no forecast yet, it is asked for again: %s", str(error).splitlines()[-1], extra=noted)
        except claims.TakenOverError as error:
            log.error("%s", error, extra=noted)
        except StoreError:
            log.exception("the run could not be stored; it is tried again", extra=noted)
        else:
            if is_done:
                self._done.add(key)
            if result is not None:
                self._note_made(frame, result)
                what = result.conclusion.reason or f"verdicts made, {len(result.mails)} mails"
                log.info("%s", what, extra=noted | {"run": result.run_id})

    def _is_finished(self, frame: RunFrame) -> bool:
        """Whether another service has finished a run that this one was not let to."""
        with schema.read(self.store) as connection:
            return runs.last_run(connection, frame.site.id, day=frame.day, edition=frame.edition) is not None

    def _note_made(self, frame: RunFrame, result: MorningResult) -> None:
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
            fetch=self.ask,
            second=self._ask_second if self._fetch is None else None,
            start_utc=start_utc,
            owner=self.me,
        )
