"""A round of mornings: sites asked for together, the ladder down to the verdicts, the machine's clock, thunder."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime, timedelta
from email.utils import format_datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import requests
import responses
import sqlalchemy as sa
import time_machine
from bodies import HARROW_FLATS_BODY, MORNING_UTC, VALID
from hand_made import N_HOURS, morning, row
from mornings import example_config, opened, run_example

from gonogo import commands
from gonogo.config import Config
from gonogo.decide.verdict import decide
from gonogo.records import Answer, Verdict
from gonogo.store import history, schema
from gonogo.weather.download import Downloaded, forecast
from gonogo.weather.series import Rung
from gonogo.weather.web import Visits

FREE = "https://api.open-meteo.com/v1/forecast"
BODY = HARROW_FLATS_BODY


@pytest.fixture
def store(tmp_path: Path) -> Iterator[sa.Engine]:
    made = opened(example_config(tmp_path))
    yield made
    made.dispose()


def listed(request: requests.PreparedRequest) -> tuple[int, dict[str, str], bytes]:
    params: dict[str, str] = request.params  # type: ignore[attr-defined]
    places = [
        {**VALID, "latitude": float(lat), "longitude": float(lon)}
        for lat, lon in zip(params["latitude"].split(","), params["longitude"].split(","), strict=True)
    ]
    return 200, {}, json.dumps(places if len(places) > 1 else places[0]).encode()


def many(config: Config, n_sites: int) -> Config:
    """Return a config with copies of its site a few kilometres apart."""
    site = config.sites[0]
    sites = tuple(replace(site, id=f"site-{n}", latitude_deg=site.latitude_deg + 0.1 * n) for n in range(n_sites))
    shared = {
        name: dict.fromkeys((one.id for one in sites), getattr(config, name)[site.id])
        for name in ("settings", "readings")
    }
    return replace(config, sites=sites, **shared)  # type: ignore[arg-type]


@responses.activate
def test_mornings_over_several_sites_ask_once(tmp_path: Path) -> None:
    responses.add_callback(responses.GET, FREE, listed)
    config = many(example_config(tmp_path), 3)
    with time_machine.travel(MORNING_UTC + timedelta(minutes=15), tick=False):
        outcome = commands.mornings(
            config,
            config.sites,
            now_utc=MORNING_UTC + timedelta(minutes=15),
            on=None,
            dry_run=False,
            folder=None,
            say=lambda _: None,
        )
    assert len(responses.calls) == 1
    assert "NO VERDICT" not in outcome.text
    store = opened(config)
    with schema.read(store) as connection:
        for site in config.sites:
            kept = history.latest_answer(connection, site.id)
            assert kept is not None
            assert json.loads(kept.answer.body)["latitude"] == pytest.approx(site.latitude_deg)
    store.dispose()


def fetch_dated(ahead: timedelta) -> Any:
    """Return a fetch whose service has a clock that is so far ahead of the machine's."""

    def fetch(site: Any, now_utc: datetime, stored: Any) -> Downloaded:
        with responses.RequestsMock() as web:
            dated = format_datetime(now_utc + ahead, usegmt=True)
            web.get(FREE, body=BODY, headers={"Date": dated})
            settings = example_service()
            visits = Visits(sleep=lambda _: None, clock_utc=lambda: now_utc)
            return forecast(site, (settings,), now_utc=now_utc, stored=stored, visits=visits)

    return fetch


def example_service() -> Any:
    from gonogo.records import ServiceSettings

    return ServiceSettings(name="open_meteo", retries=0)


@pytest.mark.parametrize(
    ("ahead", "rung"),
    [
        (timedelta(minutes=5), Rung.FRESH),
        (timedelta(minutes=-40), Rung.OLD),
        (timedelta(hours=5), Rung.NONE),
        (timedelta(days=-30), Rung.NONE),
    ],
)
def test_a_machine_whose_clock_is_wrong_compacts_nothing(
    tmp_path: Path, store: sa.Engine, ahead: timedelta, rung: Rung
) -> None:
    result = run_example(example_config(tmp_path), store, fetch=fetch_dated(ahead))
    assert result is not None
    weather = result.conclusion.weather
    assert weather is not None
    assert weather.rung is rung
    verdicts = {one.verdict for one in result.conclusion.decisions}
    if rung is Rung.NONE:
        assert verdicts == {Verdict.WAIT}
    else:
        assert Verdict.COMPACT in verdicts
    assert any("clock of the machine" in note for note in weather.repairs) == (rung is not Rung.FRESH)
    # What the clock said then is part of what is stored, so the same morning made again comes out the same.
    with schema.read(store) as connection:
        kept = history.latest_answer(connection, "harrow-flats")
    assert kept is not None
    assert float(kept.answer.headers["gonogo-clock-offset-s"]) == pytest.approx(ahead.total_seconds(), abs=1.0)


def aged(hours: float) -> Any:
    def fetch(site: Any, now_utc: datetime, stored: Any) -> Downloaded:
        old = Answer(
            service="open_meteo",
            url=FREE,
            fetched_utc=now_utc - timedelta(hours=hours),
            status=200,
            headers={},
            body=BODY,
        )
        return forecast(site, (), now_utc=now_utc, stored=(old,))

    return fetch


@pytest.mark.parametrize(("hours", "rung"), [(1, Rung.FRESH), (7, Rung.OLD), (23, Rung.OLD), (25, Rung.NONE)])
def test_each_rung_reaches_the_verdicts(tmp_path: Path, store: sa.Engine, hours: float, rung: Rung) -> None:
    result = run_example(example_config(tmp_path), store, fetch=aged(hours))
    assert result is not None
    assert result.conclusion.weather is not None
    assert result.conclusion.weather.rung is rung
    verdicts = {one.verdict for one in result.conclusion.decisions}
    assert (verdicts == {Verdict.WAIT}) == (rung is Rung.NONE)
    told = {key for one in result.conclusion.decisions for key in one.advice}
    assert ("forecast_old" in told) == (rung is Rung.OLD)


def only(inputs: Any) -> Any:
    (decision,) = decide(inputs)
    return decision


def test_thunder_in_working_hours_brings_its_caution_whatever_the_verdict() -> None:
    chance = np.zeros(N_HOURS)
    quiet = only(morning(sky={"thunder_chance": chance}))
    assert "lightning" not in quiet.advice
    chance[row(15)] = 0.2
    cautious = only(morning(sky={"thunder_chance": chance}))
    assert cautious.verdict is Verdict.COMPACT
    assert cautious.advice[0] == "lightning"
    assert cautious.facts["thunder_chance"] == pytest.approx(0.2)


def test_thunder_outside_working_hours_brings_no_caution_and_a_code_does() -> None:
    chance = np.zeros(N_HOURS)
    chance[row(22)] = 0.9
    assert "lightning" not in only(morning(sky={"thunder_chance": chance})).advice
    code = np.full(N_HOURS, 3.0)
    code[row(14)] = 95.0
    stormy = only(morning(sky={"weather_code": code}))
    assert "lightning" in stormy.advice


def test_frost_in_the_lift_stops_work_although_the_air_is_mild() -> None:
    depth = np.full(N_HOURS, 60.0)
    frozen = only(morning(sky={"frost_depth_mm": depth}))
    assert (frozen.verdict, frozen.reason) == (Verdict.WAIT, "frozen")
    assert only(morning(sky={"frost_depth_mm": np.full(N_HOURS, 5.0)})).verdict is Verdict.COMPACT
