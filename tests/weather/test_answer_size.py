"""Answers that are small on the wire and would be great once read: refused before they are, in words."""

from __future__ import annotations

import copy
import json
import tracemalloc
from collections.abc import Iterator

import pytest
from bodies import HARROW_FLATS, HARROW_FLATS_BODY, VALID, fixture_body

from gonogo.errors import WeatherError
from gonogo.weather import services
from gonogo.weather.services import json_slices

PLACE = b'{"latitude":42.13,"longitude":-94.36,"utc_offset_seconds":0,'
HOURLY = PLACE + b'"hourly_units":{"time":"unixtime"},"hourly":{"time":['
BODIES = {
    "empty lists": b"[" + b"[]," * 6_000_000 + b"1]",
    "empty objects": b"[" + b"{}," * 6_000_000 + b"1]",
    "numbers": b"[" + b"1.5," * 4_500_000 + b"1]",
    "keys": PLACE + b",".join(b'"%x":0' % n for n in range(1_500_000)) + b"}",
    "hours": HOURLY + b"1," * 1_900_000 + b"1]}}",
}
MOST_EXTRA_BYTES = 150_000_000


@pytest.fixture
def traced() -> Iterator[None]:
    tracemalloc.start()
    yield
    tracemalloc.stop()


@pytest.mark.parametrize(
    ("service", "what"),
    [
        *(("open_meteo", what) for what in BODIES),
        *((service, "empty lists") for service in ("open_meteo_ensemble", "met_norway", "nws", "grid")),
    ],
)
def test_an_answer_that_holds_more_than_any_forecast_is_refused_before_it_fills_the_memory(
    service: str, what: str, traced: None
) -> None:
    with pytest.raises(WeatherError, match=r"more than any forecast|is no|is not|are no"):
        services.find()[service].parse(BODIES[what], HARROW_FLATS)
    assert tracemalloc.get_traced_memory()[1] < MOST_EXTRA_BYTES


@pytest.mark.parametrize("what", ["empty lists", "numbers"])
def test_a_list_of_places_is_not_cut_before_it_is_known_to_be_modest(what: str) -> None:
    with pytest.raises(WeatherError, match="more than any forecast"):
        json_slices("open_meteo", BODIES[what])


def test_intervals_that_stretch_to_years_of_hours_are_refused() -> None:
    body = json.loads(fixture_body("nws"))
    values = body["properties"]["temperature"]["values"]
    body["properties"]["temperature"]["values"] = [values[0] | {"validTime": "2026-05-12T06:00:00+00:00/P7D"}] * 500
    with pytest.raises(WeatherError, match=r"temperature\.values = 84,000 hours"):
        services.find()["nws"].parse(json.dumps(body).encode(), HARROW_FLATS)


def test_the_longest_list_that_is_asked_for_passes() -> None:
    hundred = json.dumps([copy.deepcopy(VALID)] * 100).encode()
    assert len(json_slices("open_meteo", hundred)) == 100
    assert len(json_slices("open_meteo", HARROW_FLATS_BODY)) == 1
