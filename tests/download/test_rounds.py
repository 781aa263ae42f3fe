"""A round of mornings: sites asked for together, the ladder down to the verdicts, the machine's clock, thunder."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import datetime, timedelta
from email.utils import format_datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import requests
import responses
import time_machine
from bodies import HARROW_FLATS_BODY, MORNING_UTC, VALID
from example_mornings import concluded_example, example_config
from hand_made import N_HOURS, morning, row
from notes import english

from gonogo.config import Config
from gonogo.decide.verdict import decide
from gonogo.download import rounds
from gonogo.download.forecasts import Downloaded, forecast
from gonogo.download.web import OFFSET_HEADER, RoundState
from gonogo.morning import run as morning_run
from gonogo.records.outside import Answer, ServiceSettings
from gonogo.records.verdict import Verdict
from gonogo.service.clock import clock_utc
from gonogo.weather.forecast_status import ForecastStatus

FREE = "https://api.open-meteo.com/v1/forecast"
BODY = HARROW_FLATS_BODY


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
        name: dict.fromkeys((site.id for site in sites), getattr(config, name)[site.id])
        for name in ("settings", "readings")
    }
    return replace(config, sites=sites, **shared)  # type: ignore[arg-type]


@responses.activate
def test_mornings_over_several_sites_ask_once(tmp_path: Path) -> None:
    responses.add_callback(responses.GET, FREE, listed)
    config = many(example_config(tmp_path), 3)
    fetch = rounds.Rounds(config, clock_utc=clock_utc, together=lambda _: config.sites).fetch
    with time_machine.travel(MORNING_UTC, tick=False):
        found = [fetch(site, MORNING_UTC, ()) for site in config.sites]
    assert len(responses.calls) == 1
    assert [answered.parsed.latitude_deg for answered in found] == [site.latitude_deg for site in config.sites]
    assert [json.loads(answered.answer.body)["latitude"] for answered in found] == [
        site.latitude_deg for site in config.sites
    ]


def concluded(tmp_path: Path, fetch: Any) -> morning_run.Conclusion:
    """Return what the example's morning comes to, without its mails."""
    config = example_config(tmp_path)
    return concluded_example(config, fetch=fetch)


def fetch_dated(ahead: timedelta) -> Any:
    """Return a fetch whose service has a clock that is so far ahead of the machine's."""

    def fetch(site: Any, now_utc: datetime, stored: Any) -> Downloaded:
        with responses.RequestsMock() as web:
            dated = format_datetime(now_utc + ahead, usegmt=True)
            web.get(FREE, body=BODY, headers={"Date": dated})
            round_state = RoundState(sleep=lambda _: None, clock_utc=lambda: now_utc)
            return forecast(
                site,
                (ServiceSettings(name="open_meteo", retries=0),),
                now_utc=now_utc,
                stored=stored,
                round_state=round_state,
            )

    return fetch


@pytest.mark.parametrize(
    ("ahead", "status"),
    [
        (timedelta(minutes=-40), ForecastStatus.OLD),
        (timedelta(hours=5), ForecastStatus.NONE),
        (timedelta(days=-30), ForecastStatus.NONE),
    ],
)
def test_a_machine_whose_clock_is_wrong_compacts_nothing(
    tmp_path: Path, ahead: timedelta, status: ForecastStatus
) -> None:
    found: list[Downloaded] = []

    def fetch(*asked: Any) -> Downloaded:
        found.append(fetch_dated(ahead)(*asked))
        return found[-1]

    conclusion = concluded(tmp_path, fetch)
    weather = conclusion.weather
    assert weather is not None
    assert weather.status is status
    verdicts = {decision.verdict for decision in conclusion.decisions}
    if status is ForecastStatus.NONE:
        assert verdicts == {Verdict.WAIT}
    else:
        assert Verdict.COMPACT in verdicts
    is_told = any("clock of this machine" in note for note in english(weather.notes))
    assert is_told == (status is not ForecastStatus.FRESH)
    # What the clock said then is part of what is stored, so the same morning made again comes out the same.
    assert float(found[0].answer.headers[OFFSET_HEADER]) == pytest.approx(ahead.total_seconds(), abs=1.0)


def of_days_ago(days: float) -> bytes:
    """Return the body as the service would have given it whole days before."""
    body = json.loads(BODY)
    body["hourly"]["time"] = [at - round(86_400 * days) for at in body["hourly"]["time"]]
    return json.dumps(body).encode()


def aged(hours: float) -> Any:
    def fetch(site: Any, now_utc: datetime, stored: Any) -> Downloaded:
        old = Answer(
            service="open_meteo",
            url=FREE,
            fetched_utc=now_utc - timedelta(hours=hours),
            status=200,
            headers={},
            body=of_days_ago(hours // 24.0),
        )
        return forecast(site, (), now_utc=now_utc, stored=(old,))

    return fetch


@pytest.mark.parametrize(("hours", "status"), [(7, ForecastStatus.OLD), (25, ForecastStatus.NONE)])
def test_each_status_reaches_the_verdicts(tmp_path: Path, hours: float, status: ForecastStatus) -> None:
    conclusion = concluded(tmp_path, aged(hours))
    assert conclusion.weather is not None
    assert conclusion.weather.status is status
    verdicts = {decision.verdict for decision in conclusion.decisions}
    assert (verdicts == {Verdict.WAIT}) == (status is ForecastStatus.NONE)
    told = {key for decision in conclusion.decisions for key in decision.advice}
    assert ("forecast_old" in told) == (status is ForecastStatus.OLD)


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
