"""Rounds of weather questions: what one site's question learned serves the next."""

from __future__ import annotations

import threading
import time
import zlib
from collections.abc import Callable, Sequence
from datetime import datetime

from gonogo.config import Config
from gonogo.download import forecasts
from gonogo.download.forecasts import Downloaded
from gonogo.download.web import RoundState
from gonogo.records.outside import Answer, ServiceSettings
from gonogo.records.site import Site

ROUND_ENDS_S = 1800.0  # a pause of so long ends a round of weather questions: what it remembered is forgotten
SPREAD_S = 90  # rounds of different firms are spread over so many seconds after the full hour


class Rounds:
    """Asks the weather services in the order of the config; sites asked soon after each other share a round.

    Several threads may ask: of one service one at a time, as services want it, and none waits for a site that is at
    another service.
    """

    def __init__(
        self,
        config: Config,
        *,
        clock_utc: Callable[[], datetime],
        together: Callable[[datetime], Sequence[Site]] = lambda _: (),
        is_scheduled: bool = False,
    ) -> None:
        """Begin without a round.

        clock_utc      the machine's clock
        together       sites that are asked for in the same round, at a moment: one question may bring several
        is_scheduled   a clock starts the rounds: then they keep off the full hour where a service asks for it
        """
        self._config, self._clock_utc, self._together = config, clock_utc, together
        self._is_scheduled = is_scheduled
        self._lock = threading.Lock()
        self._round_state: RoundState | None = None
        self._used_s = 0.0

    def fetch(self, site: Site, now_utc: datetime, stored: Sequence[Answer]) -> Downloaded:
        """Return the first usable forecast of a site. Raises NoForecastError."""
        return self._asked(self._config.services, site, now_utc, stored)

    def second(self, site: Site, now_utc: datetime, stored: Sequence[Answer], used: str) -> Downloaded:
        """Return the first usable forecast of the services other than the one used. Raises NoForecastError."""
        others = [settings for settings in self._config.services if settings.name != used]
        return self._asked(others, site, now_utc, forecasts.stored_for_check(stored, used=used, now_utc=now_utc))

    def _asked(
        self, order: Sequence[ServiceSettings], site: Site, now_utc: datetime, stored: Sequence[Answer]
    ) -> Downloaded:
        with self._lock:
            if self._round_state is None or time.monotonic() - self._used_s > ROUND_ENDS_S:
                if self._round_state is not None:
                    self._round_state.session.close()
                spread_s = float(zlib.crc32(site.id.encode()) % SPREAD_S) if self._is_scheduled else None
                self._round_state = RoundState(clock_utc=self._clock_utc, spread_s=spread_s)
            self._used_s = time.monotonic()
            round_state = self._round_state
        return forecasts.forecast(
            site,
            order,
            now_utc=now_utc,
            stored=stored,
            together=self._together(now_utc),
            round_state=round_state,
        )
