"""Weather bodies for tests: the invented one from fixtures/, and hand-made short ones in the service's shape."""

from __future__ import annotations

import copy
import json
import os
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from sites import small_site

from gonogo.records.field import GaugeRain
from gonogo.records.site import Site
from gonogo.weather import services
from gonogo.weather.series import HourlyWeather, check
from gonogo.weather.table import ReceivedForecast

REPO = Path(__file__).parent.parent
MORNING_UTC = datetime(2026, 5, 12, 10, 0, tzinfo=UTC)
HARROW_FLATS: Site = small_site(
    id="harrow-flats",
    name="Harrow Flats embankment",
    latitude_deg=42.137,
    longitude_deg=-94.368,
    elevation_m=325.0,
    zone=ZoneInfo("America/Chicago"),
)
HARROW_FLATS_BODY = (REPO / "fixtures" / "weather" / "open_meteo" / "harrow_flats.json").read_bytes()
VALID: dict[str, Any] = json.loads(HARROW_FLATS_BODY)


def changed(change: Callable[[dict[str, Any]], Any]) -> bytes:
    """Return the invented body after a change to its decoded form."""
    body = copy.deepcopy(VALID)
    other = change(body)
    return json.dumps(body if other is None else other).encode()


def weather_of(
    body: bytes,
    *,
    service: str = "open_meteo",
    site: Site = HARROW_FLATS,
    now_utc: datetime = MORNING_UTC,
    fetched_utc: datetime | None = None,
    gauge: Sequence[GaugeRain] = (),
    n_members: int = 20,
    seed: int = 1,
) -> HourlyWeather:
    """Return the checked weather of a body, the whole way from its bytes."""
    parsed = services.find()[service].parse(body, site)
    return check(
        ReceivedForecast(parsed=parsed, fetched_utc=fetched_utc or now_utc),
        site=site,
        now_utc=now_utc,
        gauge=gauge,
        n_members=n_members,
        rng=np.random.default_rng(seed),
    )


def row(weather: HourlyWeather, at_utc: datetime) -> int:
    """Return the row of the hour that begins at a moment."""
    rows = np.flatnonzero(weather.hour_utc == np.datetime64(at_utc.replace(tzinfo=None), "h"))
    assert len(rows) == 1, f"{at_utc} is not one row of the table"
    return int(rows[0])


def recorded(name: str) -> bytes:
    """Return a recorded body of a real service, or skip: such bodies are not part of this repository.

    Looked for in the folder that GONOGO_SHARED_DATA names, else in ../shared/data beside the repository.
    """
    folder = Path(os.environ.get("GONOGO_SHARED_DATA", REPO.parent / "shared" / "data"))
    path = folder / "weather" / name
    if not path.exists():
        pytest.skip(f"recorded body {name} is not at hand: GONOGO_SHARED_DATA must name the folder with weather/{name}")
    return path.read_bytes()


def fixture_body(service: str, name: str = "harrow_flats") -> bytes:
    """Return the invented body in the form of a service."""
    return (REPO / "fixtures" / "weather" / service / f"{name}.json").read_bytes()
