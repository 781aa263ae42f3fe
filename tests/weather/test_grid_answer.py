"""What was read from a grid for a site: what is taken of its answer, and what is refused."""

from __future__ import annotations

import copy
import json
from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from typing import Any

import numpy as np
import pytest
from bodies import HARROW_FLATS, MORNING_UTC, fixture_body
from make_fixtures import SCENARIO
from notes import english
from weather_forms import grid as grid_form
from weather_scenario import body as scenario_body

from gonogo.errors import WeatherError
from gonogo.times import as_datetime
from gonogo.weather.series import check
from gonogo.weather.services import open_meteo
from gonogo.weather.services.grid import parse
from gonogo.weather.table import ReceivedForecast

VALID: dict[str, Any] = json.loads(fixture_body("grid"))


def changed(change: Callable[[dict[str, Any]], Any]) -> bytes:
    body = copy.deepcopy(VALID)
    change(body)
    return json.dumps(body).encode()


def series(body: dict[str, Any], name: str) -> dict[str, Any]:
    return next(part for part in body["series"] if part["quantity"] == name)


def without(name: str) -> Callable[[dict[str, Any]], Any]:
    def change(body: dict[str, Any]) -> None:
        body["series"].remove(series(body, name))

    return change


def cut_short(name: str) -> Callable[[dict[str, Any]], Any]:
    def change(body: dict[str, Any]) -> None:
        part = series(body, name)
        for key in ("from_h", "to_h", "values"):
            del part[key][-3:]
        part["hashes"] = part["hashes"][: -3 * 16]

    return change


def set_in(name: str, **values: Any) -> Callable[[dict[str, Any]], Any]:
    return lambda body: series(body, name).update(values)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda body: body["site"].update(latitude=42.147), "it was read for another place"),
        (lambda body: body.update(form="grid 0"), 'this is not what grid-fetch writes. "grid 1" is right'),
        (lambda body: body.update(source="icon"), "no such run. One of ecmwf, "),
        (lambda body: body.update(days=0), "this is no number of days"),
        (lambda body: body.update(run="yesterday"), "this is no time in UTC"),
        (lambda body: body["place"].update(how="guessed"), "how it was read is missing"),
        (without("temp_degc"), "temp_degc = nothing: member 0 has none. A whole run is right"),
        (without("precip_mm"), "precip_mm = nothing: member 0 has none"),
        (cut_short("dew_point_degc"), "steps are missing or too many"),
        (cut_short("precip_mm"), "precip_mm = 77 steps: steps are missing. 80 are right"),
        (set_in("temp_degc", unit="degF"), "instant in degF: this is not known. One of K is right"),
        (set_in("precip_mm", kind="instant"), "instant in kg m\\*\\*-2: this is not known"),
        (set_in("precip_mm", hashes="00"), "not one a message. 80 are right"),
        (lambda body: body["series"].append(series(body, "temp_degc")), "it stands twice"),
        (lambda body: series(body, "temp_degc")["values"].__setitem__(4, None), "1 values are missing"),
        (lambda body: series(body, "precip_mm")["values"].__setitem__(2, -3.0), "its total falls by"),
    ],
)
def test_what_is_no_whole_answer_is_refused_in_words(change: Callable[[dict[str, Any]], Any], said: str) -> None:
    with pytest.raises(WeatherError, match=said) as fault:
        parse(changed(change), HARROW_FLATS)
    assert str(fault.value).startswith("grid: ")
    assert not fault.value.passing


def test_a_site_on_a_hill_is_colder_than_the_model_s_ground_and_that_is_told() -> None:
    hill = replace(HARROW_FLATS, elevation_m=HARROW_FLATS.elevation_m + 400.0)
    low, high = parse(fixture_body("grid"), HARROW_FLATS), parse(fixture_body("grid"), hill)
    apart = (low.table["temp_degc"] - high.table["temp_degc"]).dropna().to_numpy()
    assert apart == pytest.approx(np.full(len(apart), 2.6))
    assert (low.table["pressure_kpa"] - high.table["pressure_kpa"]).dropna().mean() == pytest.approx(4.6, abs=0.2)
    assert low.table["rh_pct"].equals(high.table["rh_pct"])
    assert not [note for note in low.notes if note.key.startswith("grid")]
    told = english(high.notes)
    assert any("The model's ground lies at 325 m, the site at 725 m" in text for text in told), told


def test_without_its_height_the_model_s_pressures_tell_it_and_without_these_it_is_said() -> None:
    by_pressure = parse(changed(without("elevation_m")), HARROW_FLATS)
    assert not any(note.key == "grid_height_unknown" for note in by_pressure.notes)

    def neither(body: dict[str, Any]) -> None:
        without("elevation_m")(body)
        without("sea_level_pressure_kpa")(body)

    assert any(note.key == "grid_height_unknown" for note in parse(changed(neither), HARROW_FLATS).notes)


def test_a_site_by_the_sea_says_where_its_weather_is_from() -> None:
    on_land = changed(lambda body: body["place"].update(how="on_land", away_km=12.345))
    at_sea = changed(lambda body: body["place"].update(how="at_sea"))
    assert any("on land, 12,345 m away" in text for text in english(parse(on_land, HARROW_FLATS).notes))
    assert any("is the sea's" in text for text in english(parse(at_sea, HARROW_FLATS).notes))


def test_an_ensemble_keeps_its_members_though_its_run_began_this_morning() -> None:
    """The two weeks before the run come from elsewhere; the members rule from the run's begin on."""
    told = grid_form(SCENARIO, scenario_body(SCENARIO)["hourly"], source="gefs")
    before = open_meteo.parse(fixture_body("open_meteo"), HARROW_FLATS)
    found = check(
        ReceivedForecast(parsed=parse(json.dumps(told).encode(), HARROW_FLATS), fetched_utc=MORNING_UTC),
        site=HARROW_FLATS,
        now_utc=MORNING_UTC,
        n_members=31,
        rng=np.random.default_rng(1),
        earlier=[ReceivedForecast(parsed=before, fetched_utc=MORNING_UTC - timedelta(hours=12))],
    )
    assert MORNING_UTC - as_datetime(found.hour_utc[0]) >= timedelta(days=14)
    assert found.rain_mm[:240].sum() > 10.0  # the showers of the days before
    ahead = found.hour_utc >= np.datetime64(MORNING_UTC.replace(tzinfo=None), "h")
    totals = np.sort(found.rain_members_mm[ahead].sum(axis=0))
    shares = np.sort([1.0 + 0.5 * np.sin(member) for member in range(31)])
    assert totals / totals.mean() == pytest.approx(shares / shares.mean(), rel=0.02)
    assert not any("ensemble" in text for text in english(found.notes))
