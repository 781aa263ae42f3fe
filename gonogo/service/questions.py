"""A service's questions for weather: which sites share one, and what the answers tell of the machine's clock."""

from __future__ import annotations

import contextlib
import math
import threading
from collections.abc import Callable, Sequence
from datetime import datetime, timedelta

from gonogo.config import Config
from gonogo.download import forecasts
from gonogo.download.forecasts import Downloaded, Fetch, NoForecastError, Second
from gonogo.download.rounds import Rounds
from gonogo.errors import WeatherError
from gonogo.records.outside import Answer
from gonogo.records.site import Site
from gonogo.service import clock, due
from gonogo.service.config_watch import ConfigWatch
from gonogo.service.due import lead_min

BATCH = 25  # sites: as many as one question for weather brings, and few enough to share out a small morning
RECENT = timedelta(hours=1)  # a forecast that a re-check after an answer does not ask for again


class Questions:
    """Asks the weather services of the config in force; used by several threads."""

    def __init__(self, configs: ConfigWatch, note_offset: Callable[[timedelta], None], fetch: Fetch | None) -> None:
        """Begin without a round.

        note_offset   told by how much the clock of a service is ahead of the machine's
        fetch         answers in place of the services, None for none
        """
        self._configs, self._note_offset, self._fetch = configs, note_offset, fetch
        self._asking = threading.Lock()
        self._rounds: tuple[Config, Rounds] | None = None
        self._batches: tuple[Config, dict[str, int]] | None = None

    def start_over(self) -> None:
        """Forget what earlier questions told: the clock was set."""
        self._rounds = None

    def batch(self, site: Site, now_utc: datetime) -> list[Site]:
        """Return the sites of a site's batch that are due, itself included: one question may bring their weather."""
        config = self._configs.accepted
        first = BATCH * self.batch_of(site.id)
        batch = config.sites[first : first + BATCH] if first >= 0 else ()
        return [s for s in batch if s.id == site.id or due.due_day(s, now_utc, lead_min(config, s)) is not None]

    def batch_of(self, site_id: str) -> int:
        """Return the number of a site's batch: sites whose runs follow each other in one process."""
        config = self._configs.accepted
        if self._batches is None or self._batches[0] is not config:
            self._batches = (config, {s.id: n // BATCH for n, s in enumerate(config.sites)})
        return self._batches[1].get(site_id, -1)

    def kept_or_asked(self, site: Site, now_utc: datetime, stored: Sequence[Answer]) -> Downloaded:
        """Return a forecast that is recent enough for another look at the same morning, else ask for one."""
        recent = [answer for answer in stored if now_utc - RECENT <= answer.fetched_utc <= now_utc]
        if recent:
            with contextlib.suppress(NoForecastError):
                return forecasts.forecast(site, (), now_utc=now_utc, stored=recent)
        return self.ask(site, now_utc, stored)

    def ask(self, site: Site, now_utc: datetime, stored: Sequence[Answer]) -> Downloaded:
        """Ask the weather services for a site's forecast, and note what their clock says of ours."""
        try:
            found = (self._fetch or self._ask_services)(site, now_utc, stored)
        except NoForecastError as error:
            self.note_offset(error.fresh_offset_s)
            raise
        self.note_offset(found.fresh_offset_s)
        return found

    def asked_offset_s(self, site: Site, now_utc: datetime) -> float:
        """Ask the weather services for the time: their clock less the machine's [s], NaN where none tells it."""
        try:
            return self.ask(site, now_utc, ()).fresh_offset_s
        except NoForecastError as error:
            return error.fresh_offset_s
        except WeatherError:
            return math.nan

    def note_offset(self, offset_s: float) -> None:
        if math.isfinite(offset_s):
            self._note_offset(timedelta(seconds=offset_s))

    def _ask_services(self, site: Site, now_utc: datetime, stored: Sequence[Answer]) -> Downloaded:
        return self._shared_rounds().fetch(site, now_utc, stored)

    @property
    def ask_second(self) -> Second | None:
        """What asks the services other than the one used, None where a test answers for all of them."""
        return None if self._fetch is not None else lambda *asked: self._shared_rounds().second(*asked)

    def _shared_rounds(self) -> Rounds:
        """Return the rounds of questions that the sites of the config in force share."""
        with self._asking:
            config = self._configs.accepted
            if self._rounds is None or self._rounds[0] is not config:

                def together(at_utc: datetime) -> list[Site]:
                    return [s for s in config.sites if due.due_day(s, at_utc, lead_min(config, s)) is not None]

                rounds = Rounds(config, clock_utc=clock.clock_utc, together=together, is_scheduled=True)
                self._rounds = (config, rounds)
            return self._rounds[1]
