"""Speed of the weather side: `pytest tests/benchmarks/test_weather.py`."""

from __future__ import annotations

import http.server
import json
import resource
import threading
from collections.abc import Iterator
from datetime import datetime, timedelta
from typing import Any
from urllib.parse import parse_qs, urlsplit

import numpy as np
import pytest
from bodies import HARROW_FLATS, MORNING_UTC, VALID
from sites import small_site

from gonogo.download.forecasts import forecast
from gonogo.download.web import RoundState
from gonogo.records.outside import ServiceSettings
from gonogo.records.site import Site
from gonogo.weather import services
from gonogo.weather.checks import Asked, passed
from gonogo.weather.series import HourlyWeather, check
from gonogo.weather.table import ReceivedForecast

N_DAYS, N_MEMBERS, N_SITES = 24, 50, 1000
ASKED = ("temperature_2m", "relative_humidity_2m", "precipitation", "shortwave_radiation", "wind_speed_10m")
ASKED += ("surface_pressure", "snowfall", "weather_code")


def ensemble_body(*, with_states: bool) -> bytes:
    """Return an ensemble's body of 24 days by the hour; with_states: members of every variable, as the host sends."""
    rng = np.random.default_rng(5)
    n_hours = N_DAYS * 24
    hourly: dict[str, list[Any]] = {"time": VALID["hourly"]["time"][:n_hours]}
    units: dict[str, str] = {"time": "unixtime"}
    for name in ASKED:
        values = np.array(VALID["hourly"][name][:n_hours], dtype=np.float64)
        for member in range(N_MEMBERS if with_states or name == "precipitation" else 1):
            key = name if member == 0 else f"{name}_member{member:02d}"
            moved = values * rng.gamma(4.0, 0.25) if name == "precipitation" else values
            hourly[key], units[key] = moved.round(2).tolist(), VALID["hourly_units"][name]
    return json.dumps({**VALID, "hourly_units": units, "hourly": hourly}).encode()


@pytest.mark.parametrize("with_states", [False, True], ids=["members of rain", "members of everything"])
def test_one_body_of_24_days_with_50_members(benchmark: Any, with_states: bool) -> None:
    """Asked for: parse and check under 60 ms."""
    body = ensemble_body(with_states=with_states)
    service = services.find()["open_meteo_ensemble"]

    def read() -> None:
        parsed = service.parse(body, HARROW_FLATS)
        assert parsed.rain_members_mm is not None
        assert parsed.rain_members_mm.shape[1] == N_MEMBERS
        passed(Asked(parsed=parsed, site=HARROW_FLATS, now_utc=MORNING_UTC))

    benchmark.extra_info["bytes"] = len(body)
    weather = benchmark.pedantic(read, rounds=20, warmup_rounds=2)
    assert weather.rain_members_mm.shape[1] == N_MEMBERS


def test_one_body_all_the_way_to_the_members(benchmark: Any) -> None:
    """Parse, check, gauge, members, frost: what a morning does with one body."""
    body = ensemble_body(with_states=False)
    service = services.find()["open_meteo_ensemble"]

    def read() -> HourlyWeather:
        return check(
            ReceivedForecast(parsed=service.parse(body, HARROW_FLATS), fetched_utc=MORNING_UTC),
            site=HARROW_FLATS,
            now_utc=MORNING_UTC,
            gauge=[],
            n_members=N_MEMBERS,
            rng=np.random.default_rng(1),
        )

    weather = benchmark.pedantic(read, rounds=20, warmup_rounds=2)
    assert weather.rain_members_mm.shape[1] == N_MEMBERS


class Instant(http.server.BaseHTTPRequestHandler):
    """A weather service that answers at once: a list for many places, an object for one."""

    protocol_version = "HTTP/1.1"
    hourly = json.dumps({name: VALID[name] for name in ("hourly_units", "hourly")})[1:-1]

    def do_GET(self) -> None:
        asked = parse_qs(urlsplit(self.path).query)
        places = zip(asked["latitude"][0].split(","), asked["longitude"][0].split(","), strict=True)
        parts = [f'{{"latitude":{lat},"longitude":{lon},"utc_offset_seconds":0,{self.hourly}}}' for lat, lon in places]
        body = (parts[0] if len(parts) == 1 else f"[{','.join(parts)}]").encode()
        self.send_response(200)
        self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        self.wfile.write(body)

    def log_message(self, format: str, *args: object) -> None:
        """Stay quiet."""


@pytest.fixture
def url() -> Iterator[str]:
    server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), Instant)
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.05})
    thread.start()
    yield f"http://127.0.0.1:{server.server_address[1]}/v1/forecast"
    server.shutdown()
    thread.join()
    server.server_close()


def every(sites: tuple[Site, ...], order: tuple[ServiceSettings, ...], together: tuple[Site, ...]) -> int:
    """Fetch, parse and check the weather of every site, keep nothing, and return how many had some."""
    round_state, now_utc = RoundState(), MORNING_UTC + timedelta(0)
    n_good = 0
    for site in sites:
        found = forecast(site, order, now_utc=now_utc, together=together, round_state=round_state)
        weather = check(
            ReceivedForecast(parsed=found.parsed, fetched_utc=datetime.fromisoformat(now_utc.isoformat())),
            site=site,
            now_utc=now_utc,
            gauge=[],
            n_members=N_MEMBERS,
            rng=np.random.default_rng(1),
        )
        n_good += weather.status == "fresh"
    round_state.session.close()
    return n_good


@pytest.mark.parametrize("in_lists", [True, False], ids=["in lists", "one by one"])
def test_a_thousand_sites(benchmark: Any, url: str, in_lists: bool) -> None:
    """Asked for: under 60 s with a server that answers at once, memory flat as sites grow."""
    sites = tuple(
        small_site(id=f"s{n}", latitude_deg=42.0 + 0.001 * (n % 100), longitude_deg=-94.0 - 0.001 * (n // 100))
        for n in range(N_SITES)
    )
    order = (ServiceSettings(name="open_meteo", base_url=url),)
    together = sites if in_lists else ()
    every(sites[:100], order, sites[:100] if in_lists else ())
    before_kb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    assert benchmark.pedantic(every, args=(sites, order, together), rounds=1) == N_SITES
    grown_kb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before_kb
    benchmark.extra_info["grown_mb_after_the_first_100_sites"] = round(grown_kb / 1024.0, 1)
    assert grown_kb < 100 * 1024
