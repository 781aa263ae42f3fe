"""Weather answers into the store, whatever they were worth."""

from __future__ import annotations

from collections.abc import Sequence

import sqlalchemy as sa

from gonogo.download.forecasts import Downloaded, NoForecastError
from gonogo.records.outside import Answer
from gonogo.records.site import Site
from gonogo.store import history, schema


def keep_answer(store: sa.Engine, site: Site, downloaded: Downloaded) -> int:
    """Store what came, rejected answers too, and return the number of the one that is used."""
    with schema.begin(store) as connection:
        _keep_others(connection, site, downloaded.rejected, downloaded.places)
        if downloaded.is_stored:
            used = downloaded.answer
            latest = history.latest_answer(connection, site.id, service=used.service, until_utc=used.fetched_utc)
            if latest is not None:
                return latest.id
        return history.save_answer(connection, site.id, downloaded.answer)


def keep_refused(store: sa.Engine, site: Site, error: NoForecastError) -> None:
    """Store what came where none of it could be used."""
    with schema.begin(store) as connection:
        _keep_others(connection, site, error.rejected, error.places)


def _keep_others(connection: sa.Connection, site: Site, rejected: Sequence[Answer], places: Sequence[Answer]) -> None:
    for answer in rejected:
        number = history.save_answer(connection, site.id, answer)
        reason = "rejected by the checks" if answer.status in history.GOOD else f"status {answer.status}"
        history.reject_answer(connection, number, reason)
    for answer in places:
        history.save_answer(connection, site.id, answer)
