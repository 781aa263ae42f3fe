"""Answers in the store: what a morning loads of them, what it keeps, and how old ones are thinned."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
import responses
import sqlalchemy as sa
from bodies import HARROW_FLATS, HARROW_FLATS_BODY, MORNING_UTC, fixture_body
from example_mornings import example_config, opened, plain_of, run_example
from notes import english

from gonogo.cli import demo
from gonogo.download.forecasts import Downloaded, NoForecastError, forecast
from gonogo.download.web import RoundState
from gonogo.morning import answers as morning_answers
from gonogo.records.outside import Answer, ServiceSettings
from gonogo.records.verdict import Verdict
from gonogo.store import answers as stored_answers
from gonogo.store import claims, schema

SITE = "harrow-flats"
DAY = timedelta(days=1)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[sa.Engine]:
    made = opened(example_config(tmp_path))
    yield made
    made.dispose()


def answer(at_utc: datetime, *, service: str = "open_meteo", status: int = 200, body: bytes = b"{}") -> Answer:
    return Answer(service=service, url="https://x.example", fetched_utc=at_utc, status=status, headers={}, body=body)


def keep(store: sa.Engine, *answers: Answer, site_id: str = SITE, rejected: bool = False) -> list[int]:
    numbers = []
    with schema.begin(store) as connection:
        for stored in answers:
            number = stored_answers.save_answer(connection, site_id, stored)
            if rejected:
                stored_answers.reject_answer(connection, number, "for a test")
            numbers.append(number)
    return numbers


def recent(store: sa.Engine, since_days: float = 16.0) -> list[stored_answers.StoredAnswer]:
    with schema.read(store) as connection:
        return list(
            stored_answers.recent_answers(
                connection, SITE, since_utc=MORNING_UTC - since_days * DAY, until_utc=MORNING_UTC
            )
        )


def test_of_each_service_and_day_the_last_good_answer_is_loaded_newest_first(store: sa.Engine) -> None:
    hours = [timedelta(hours=h) for h in (1, 2, 30, 31, 32)]
    keep(store, *(answer(MORNING_UTC - h) for h in hours), answer(MORNING_UTC - hours[1], service="met_norway"))
    keep(store, answer(MORNING_UTC - hours[0] / 2, status=503), answer(MORNING_UTC + hours[0]))
    keep(store, answer(MORNING_UTC - hours[0] / 2), rejected=True)
    keep(store, answer(MORNING_UTC - 20 * DAY), answer(MORNING_UTC - hours[0], service="other"))
    keep(store, answer(MORNING_UTC - hours[0] / 2), site_id="south")
    found = [
        (stored.answer.service, (MORNING_UTC - stored.answer.fetched_utc) / timedelta(hours=1))
        for stored in recent(store)
    ]
    assert found == [("other", 1.0), ("open_meteo", 1.0), ("met_norway", 2.0), ("open_meteo", 30.0)]


def test_a_place_is_loaded_however_old_and_is_never_the_latest_forecast(store: sa.Engine) -> None:
    keep(store, answer(MORNING_UTC - 300 * DAY, service="nws/place"), answer(MORNING_UTC - DAY))
    keep(store, answer(MORNING_UTC - timedelta(hours=1), service="nws/place"))
    assert [stored.answer.service for stored in recent(store)] == ["open_meteo", "nws/place"]
    with schema.read(store) as connection:
        latest = stored_answers.latest_answer(connection, SITE)
    assert latest is not None
    assert latest.answer.service == "open_meteo"


def test_a_deprecated_answer_is_good(store: sa.Engine) -> None:
    keep(store, answer(MORNING_UTC - timedelta(hours=1), status=203, service="met_norway"))
    assert [stored.answer.status for stored in recent(store)] == [203]


def thinned(store: sa.Engine, keep_days: float = 40.0) -> tuple[int, set[int]]:
    n_gone = sum(stored_answers.thin_answers(store, now_utc=MORNING_UTC, keep_days=keep_days))
    with schema.read(store) as connection:
        return n_gone, set(connection.scalars(sa.select(schema.answer.c.id)))


def test_old_answers_are_thinned_to_the_last_good_one_a_day(store: sa.Engine) -> None:
    old = MORNING_UTC - 50 * DAY
    first, second, last = keep(store, *(answer(old + timedelta(hours=h)) for h in (1, 2, 3)))
    (other,) = keep(store, answer(old, service="met_norway"))
    (refused,) = keep(store, answer(old + timedelta(hours=5)), rejected=True)
    (failed,) = keep(store, answer(old + timedelta(hours=6), status=503))
    young = keep(store, *(answer(MORNING_UTC - 39 * DAY + timedelta(hours=h)) for h in (1, 2)))
    young += keep(store, answer(MORNING_UTC - 39 * DAY), rejected=True)
    assert thinned(store) == (4, {last, other, *young})
    assert thinned(store) == (0, {last, other, *young})
    assert {first, second, refused, failed}.isdisjoint(young)


def test_an_answer_that_a_run_used_stays_for_good(store: sa.Engine) -> None:
    used, later, last = keep(store, *(answer(MORNING_UTC - 90 * DAY + timedelta(hours=h)) for h in (1, 2, 3)))
    claim = claims.claim_run(store, SITE, demo.DAY, "morning", now_utc=MORNING_UTC, owner="test")
    assert claim is not None
    with schema.begin(store) as connection:
        connection.execute(sa.update(schema.run).where(schema.run.c.id == claim.run_id).values(answer_id=used))
    assert thinned(store) == (1, {used, last})
    assert later not in (used, last)


def test_the_last_place_stays_and_older_ones_go(store: sa.Engine) -> None:
    old, new = keep(store, *(answer(MORNING_UTC - days * DAY, service="nws/place") for days in (90, 60)))
    assert thinned(store) == (1, {new})
    assert old != new


def test_hundreds_of_answers_are_thinned_in_one_go(store: sa.Engine) -> None:
    keep(store, *(answer(MORNING_UTC - 60 * DAY + timedelta(seconds=n)) for n in range(600)))
    assert thinned(store)[0] == 599


# --- a morning with services that fail ------------------------------------------------------------------------

FREE = "https://api.open-meteo.com/v1/forecast"
ORDER = (ServiceSettings(name="open_meteo", retries=0, timeout_s=1.0), ServiceSettings(name="met_norway", retries=0))


def fetch(site: Any, now_utc: datetime, stored: Any) -> Downloaded:
    round_state = RoundState(sleep=lambda _: None, clock_utc=lambda: now_utc)
    return forecast(site, ORDER, now_utc=now_utc, stored=stored, round_state=round_state)


@responses.activate
def test_a_morning_on_which_every_service_fails_keeps_what_came_and_waits(tmp_path: Path, store: sa.Engine) -> None:
    responses.get(FREE, body=b"<html>busy</html>")
    responses.get("https://api.met.no/weatherapi/locationforecast/2.0/complete", status=503, body=b"later")
    result = run_example(example_config(tmp_path), store, fetch=fetch)
    assert result is not None
    assert {decision.verdict for decision in result.conclusion.decisions} == {Verdict.WAIT}
    with schema.read(store) as connection:
        kept = connection.execute(sa.select(schema.answer.c.service, schema.answer.c.status, schema.answer.c.rejected))
        assert [tuple(row) for row in kept] == [
            ("open_meteo", 200, "rejected by the checks"),
            ("met_norway", 503, "status 503"),
        ]


@responses.activate
def test_the_second_service_answers_and_the_morning_says_that_the_past_is_not_known(
    tmp_path: Path, store: sa.Engine
) -> None:
    responses.get(FREE, status=503)
    met = "https://api.met.no/weatherapi/locationforecast/2.0/complete"
    responses.get(met, body=fixture_body("met_norway"), headers={"Last-Modified": "Tue, 12 May 2026 06:12:33 GMT"})
    result = run_example(example_config(tmp_path), store, fetch=fetch)
    assert result is not None
    weather = result.conclusion.weather
    assert weather is not None
    assert weather.service == "met_norway"
    # Every test of the example's lifts lies before the first hour of this forecast: nothing may be compacted on it.
    assert Verdict.COMPACT not in {decision.verdict for decision in result.conclusion.decisions}
    assert all("met.no" in plain_of(mail) for mail in result.mails)
    assert any("Rain before" in note for note in english(weather.notes))


def test_an_answer_that_is_stored_already_is_not_stored_again(tmp_path: Path, store: sa.Engine) -> None:
    (number,) = keep(store, answer(MORNING_UTC - timedelta(hours=1), body=HARROW_FLATS_BODY))
    found = forecast(HARROW_FLATS, (), now_utc=MORNING_UTC, stored=[stored.answer for stored in recent(store)])
    assert morning_answers.keep_answer(store, replace(HARROW_FLATS, id=SITE), found) == number
    assert len(recent(store)) == 1


def test_refused_answers_and_places_of_a_failure_are_kept(store: sa.Engine) -> None:
    error = NoForecastError(
        "none",
        passing=True,
        rejected=(answer(MORNING_UTC, status=500),),
        places=(answer(MORNING_UTC, service="nws/place"),),
    )
    morning_answers.keep_refused(store, replace(HARROW_FLATS, id=SITE), error)
    assert [stored.answer.service for stored in recent(store)] == ["nws/place"]
    with schema.read(store) as connection:
        assert connection.scalar(sa.select(sa.func.count()).select_from(schema.answer)) == 2
