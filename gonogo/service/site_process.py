"""A run of one site in a process of its own: what is asked of it, what comes back, and what the process holds.

Everything that decides happens there as it does here: the same functions, the same claims, the same transaction. What
passes between the processes are our own records; a claim carries the name of the process that computes.
"""

from __future__ import annotations

import importlib
import logging
import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from typing import NoReturn

import sqlalchemy as sa

from gonogo.config import Config
from gonogo.download.forecasts import Downloaded, NoForecastError
from gonogo.download.rounds import Rounds
from gonogo.errors import StoreBusyError, StoreError
from gonogo.morning import recheck
from gonogo.morning import run as morning_run
from gonogo.morning.answers import AskAgainError, ClockRefutedError
from gonogo.morning.run import MorningResult
from gonogo.outgoing.frame import MORNING, RunFrame
from gonogo.records.outside import Answer
from gonogo.records.site import Site
from gonogo.records.verdict import Decision
from gonogo.service import clock, logs, steady
from gonogo.store import schema
from gonogo.store.alive import SignOfLife
from gonogo.store.claims import Claim, StillClaimedError, TakenOverError

NEEDED = ("pandas", "icalendar")  # by every run; the process that asks for runs does without
FAULTS = {"again": AskAgainError, "taken over": TakenOverError, "busy": StoreBusyError, "store": StoreError}


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteTask:
    """One run of one site; fields as in RunFrame. It brings along all that the process must know of sites.

    config     of this site alone
    together   sites whose weather one question may bring, as Site.bare
    """

    config: Config
    site: Site
    day: date
    edition: str
    now_utc: datetime
    deadline_utc: datetime
    start_utc: datetime | None = None
    asks_until_utc: datetime | None = None
    together: tuple[Site, ...] = ()

    @classmethod
    def of(cls, frame: RunFrame, together: Sequence[Site] = ()) -> SiteTask:
        """Return what a process needs to know of a frame."""
        return cls(
            config=frame.config.of_sites([frame.site]),
            site=frame.site,
            day=frame.day,
            edition=frame.edition,
            now_utc=frame.now_utc,
            deadline_utc=frame.deadline_utc,
            start_utc=frame.start_utc,
            asks_until_utc=frame.asks_until_utc,
            together=tuple(site.bare() for site in together),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Made:
    """What came of a run that was stored."""

    run_id: int | None
    has_verdict: bool
    reason: str
    decisions: tuple[Decision, ...]
    faults: tuple[str, ...]
    n_mails: int

    @classmethod
    def of(cls, result: MorningResult | None) -> Made | None:
        """Return what is told of a run's result, None where there is none."""
        if result is None:
            return None
        came = result.conclusion
        return cls(
            run_id=result.run_id,
            has_verdict=came.has_verdict,
            reason=came.reason,
            decisions=came.decisions,
            faults=came.faults,
            n_mails=len(result.mails),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Came:
    """What a process answers: a run that was made, or that was done already, or why there is none.

    fault         "" or a key of FAULTS, or "clock", or "claimed"; text: its words
    claim         of a run that failed, where it could not be let go
    offset_s      of a clock that refutes the machine's [s]
    fresh_offset_s   clock of the weather services that were asked less the machine's [s], NaN where none told it
    """

    made: Made | None = None
    fault: str = ""
    text: str = ""
    offset_s: float = 0.0
    fresh_offset_s: float = math.nan
    claim: Claim | None = None

    def checked(self) -> Made | None:
        """Return the run, None where it was done or another is at it. Raises as run_morning and run_recheck do."""
        if self.fault:
            self._fail()
        return self.made

    def _fail(self) -> NoReturn:
        if self.fault == "clock":
            raise ClockRefutedError(timedelta(seconds=self.offset_s))
        if self.claim is not None:
            raise StillClaimedError(self.claim, self.text)
        raise FAULTS[self.fault](self.text)


@dataclass(slots=True)
class _Held:
    """What the process of a worker holds from run to run."""

    store: sa.Engine
    rounds: Rounds
    sign: SignOfLife
    together: tuple[Site, ...] = ()
    fresh_offset_s: float = field(default=math.nan)

    def fetch(self, site: Site, now_utc: datetime, stored: Sequence[Answer]) -> Downloaded:
        """Ask the weather services, and note what their clock says of ours."""
        try:
            found = self.rounds.fetch(site, now_utc, stored)
        except NoForecastError as error:
            self.fresh_offset_s = error.fresh_offset_s
            raise
        self.fresh_offset_s = found.fresh_offset_s
        return found


_held: _Held | None = None


def begin(config: Config, is_scheduled: bool, log_level: int, log_json: bool) -> None:
    """Make a fresh process ready for runs. config: without sites, which come with each run: there may be thousands."""
    global _held
    logs.set_up(level=log_level, as_json=log_json, cleaner=logs.Cleaner(logs.secrets_of(config)))
    logging.captureWarnings(True)
    store = schema.engine(config.store_url)
    held = _Held(
        store=store,
        rounds=Rounds(config, clock_utc=clock.clock_utc, together=lambda _: held.together, is_scheduled=is_scheduled),
        sign=SignOfLife(store),
    )
    _held = held
    for name in NEEDED:
        importlib.import_module(name)
    steady.settle()


def run(task: SiteTask) -> Came:
    """Make a run in this process; whatever is foreseen comes back as a record. Called after `begin`."""
    assert _held is not None
    held = _held
    held.together = task.together
    held.fresh_offset_s = math.nan
    make = morning_run.run_morning if task.edition == MORNING else recheck.run_recheck
    made: Made | None = None
    fault, text, offset_s, claim = "", "", 0.0, None
    try:
        made = Made.of(make(_frame(held, task)))
    except ClockRefutedError as error:
        fault, offset_s = "clock", error.offset.total_seconds()
    except StillClaimedError as error:
        fault, text, claim = "claimed", str(error), error.claim
    except (AskAgainError, TakenOverError, StoreError) as error:
        fault = next(name for name, kind in FAULTS.items() if isinstance(error, kind))
        text = str(error)
    fresh_offset_s = held.fresh_offset_s
    return Came(made=made, fault=fault, text=text, offset_s=offset_s, fresh_offset_s=fresh_offset_s, claim=claim)


def _frame(held: _Held, task: SiteTask) -> RunFrame:
    return RunFrame(
        config=task.config,
        site=task.site,
        day=task.day,
        edition=task.edition,
        now_utc=task.now_utc,
        deadline_utc=task.deadline_utc,
        store=held.store,
        fetch=held.fetch,
        second=held.rounds.second,
        asks_until_utc=task.asks_until_utc,
        start_utc=task.start_utc,
        owner=held.sign.name,
    )
