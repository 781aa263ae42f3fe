"""A forecast that does not come at once is asked for again up to the mail time; a morning without one is made good."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from example_mornings import example_config, recorded

from gonogo.cli import demo
from gonogo.download.forecasts import NoForecastError
from gonogo.records.verdict import Verdict
from gonogo.service import asked_again, due
from gonogo.service.service import Service
from gonogo.service.workers import Workers
from gonogo.store import outcomes, runs, schema

MINUTE = timedelta(minutes=1)
MAIL_AT_UTC = datetime.fromisoformat("2026-05-12T10:30:00+00:00")


class Outage:
    """A weather service that is down for so many questions."""

    def __init__(self, n_down: int) -> None:
        self.n_down, self.n_asked = n_down, 0

    def __call__(self, *asked: Any) -> Any:
        self.n_asked += 1
        if self.n_asked <= self.n_down:
            raise NoForecastError("open_meteo: 503 from the service.", passing=True)
        return recorded(*asked)


@pytest.fixture
def service(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Service]:
    monkeypatch.setattr(asked_again, "ASKED_AGAIN_S", 0.0)
    made = Service(example_config(tmp_path), halt=threading.Event(), fetch=Outage(0), environ={})
    yield made
    made.store.dispose()


def mails(service: Service, *kinds: str) -> list[Any]:
    with schema.read(service.store) as connection:
        return [mail for mail in outcomes.outcomes(connection) if mail.kind in kinds]


def down(service: Service, n_down: int) -> Outage:
    service.runner.questions._fetch = Outage(n_down)
    return service.runner.questions._fetch


def test_a_service_that_is_down_for_some_tries_costs_nobody_the_verdict(service: Service) -> None:
    outage, site = down(service, 3), service.sites()[0]
    for tries in range(1, 4):
        service.run_morning(site, demo.DAY, demo.MORNING_UTC + tries * MINUTE)
        assert not service.runner.is_done(site.id, demo.DAY, None)
        assert mails(service, "morning", "operator") == []
    service.run_morning(site, demo.DAY, demo.MORNING_UTC + 4 * MINUTE)
    assert outage.n_asked == 4
    assert len(mails(service, "morning")) == 5
    with schema.read(service.store) as connection:
        run = runs.last_run(connection, site.id)
        assert run is not None
        assert Verdict.COMPACT in {d.verdict for d in runs.decisions(connection, run.id)}


def test_between_two_tries_there_is_a_pause(service: Service, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(asked_again, "ASKED_AGAIN_S", 60.0)
    outage, site = down(service, 9), service.sites()[0]
    for _ in range(3):
        service.run_morning(site, demo.DAY, demo.MORNING_UTC)
    assert outage.n_asked == 1


def test_a_morning_that_is_put_off_is_not_given_up_before_its_last_try(service: Service) -> None:
    down(service, 9)
    site, workers = service.sites()[0], Workers(n_workers=1)
    service.watch(demo.MORNING_UTC, workers)
    at_utc = due.asks_until_utc(site, demo.DAY) - MINUTE
    service.run_morning(site, demo.DAY, at_utc)
    service.watch(at_utc + MINUTE, workers)
    assert mails(service, "morning") == []


def test_without_a_forecast_the_mails_leave_on_time_and_a_later_one_makes_the_morning_good(service: Service) -> None:
    outage, site = down(service, 3), service.sites()[0]
    service.run_morning(site, demo.DAY, demo.MORNING_UTC)
    last_utc = due.asks_until_utc(site, demo.DAY)
    assert last_utc < MAIL_AT_UTC
    service.run_morning(site, demo.DAY, last_utc)
    assert len(mails(service, "morning")) == 5  # no verdict
    workers = Workers(n_workers=1)
    for later in (1, 2, 3):
        service.watch(MAIL_AT_UTC + later * MINUTE, workers)
        assert workers.wait(60.0)
    assert outage.n_asked == 4  # down once more, then back, and then no more
    made_good = mails(service, "recheck")
    assert len(made_good) == 5
    with schema.read(service.store) as connection:
        raws = [outcomes.raw_of(connection, mail.message_id) or b"" for mail in made_good]
    assert all(len(raw) > 10_000 for raw in raws)  # whole mails, not notes of what changed
    assert len(mails(service, "operator")) == 1
