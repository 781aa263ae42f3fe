"""Once a week each site's score goes into the outbox; a service that was off on that day leaves that week out."""

from __future__ import annotations

import logging
from datetime import date, datetime, timedelta

import sqlalchemy as sa

from gonogo.book import evidence, weekly
from gonogo.book.score import scored
from gonogo.config import Config
from gonogo.errors import GonogoError, StoreBusyError
from gonogo.records.site import Site
from gonogo.store import outbox, schema

log = logging.getLogger("gonogo.service.weekly_score")

LOOKED_EVERY = timedelta(minutes=10)  # of 100,000 sites a look takes a second


class WeeklyScore:
    """Puts the scores that are due. Two services put the same Message-IDs, so each mail goes once."""

    def __init__(self, store: sa.Engine) -> None:
        self._store = store
        self._done: set[tuple[str, date]] = set()
        self._looked: tuple[Config, datetime] | None = None

    def put_due(self, config: Config, now_utc: datetime) -> None:
        """Put the mails of each site whose hour has come; a fault costs this week's score, and nothing else.

        Asked with each round of mails, it looks at the calendar of every site every ten minutes.
        """
        if self._looked is not None and self._looked[0] is config and abs(now_utc - self._looked[1]) < LOOKED_EVERY:
            return
        self._looked = (config, now_utc)
        for site in config.sites:
            day = weekly.is_due(site, now_utc)
            if day is None or (site.id, day) in self._done:
                continue
            self._done.add((site.id, day))
            try:
                n_put = self._put(config, site, day, now_utc)
            except StoreBusyError:  # every other site would wait for the same lock, and the mails behind it
                log.exception("the scores wait for another's lock", extra={"site": site.id, "day": day})
                self._done.discard((site.id, day))
                self._looked = None
                return
            except GonogoError:
                log.exception("this week's score could not be made", extra={"site": site.id, "day": day})
                continue
            if n_put:
                log.info("%d mails with the score of the last weeks", n_put, extra={"site": site.id, "day": day})

    def _put(self, config: Config, site: Site, day: date, now_utc: datetime) -> int:
        covered = weekly.covered_by(site, day)
        with schema.read(self._store) as connection:
            found = scored(evidence.gathered(connection, covered, config.readings[site.id]))
        mails = weekly.score_mails(config, covered, found, now_utc=now_utc)
        with schema.begin(self._store) as connection:
            return outbox.put(connection, mails, now_utc=now_utc)
