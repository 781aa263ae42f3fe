"""The members of an ensemble become the members of the rain, each a course of its own."""

from __future__ import annotations

import copy
import json
from collections.abc import Callable
from datetime import timedelta
from typing import Any

import numpy as np
import pytest
from bodies import MORNING_UTC, fixture_body, row, weather_of
from notes import english

from gonogo.errors import WeatherError
from gonogo.records.field import GaugeRain
from gonogo.weather.members import of_ensemble_mm, whole_members_mm
from gonogo.weather.series import HourlyWeather

BODY = fixture_body("open_meteo_ensemble")
VALID: dict[str, Any] = json.loads(BODY)
NOW = VALID["hourly"]["time"].index(int(MORNING_UTC.timestamp()))
MEMBERS = ["precipitation", *(name for name in VALID["hourly"] if name.startswith("precipitation_member"))]


def changed(change: Callable[[dict[str, Any]], Any]) -> bytes:
    body = copy.deepcopy(VALID)
    change(body)
    return json.dumps(body).encode()


def weather(body: bytes = BODY, **more: Any) -> HourlyWeather:
    return weather_of(body, service="open_meteo_ensemble", **more)


def totals_mm() -> list[float]:
    """The members' own totals from the morning on, the control too."""
    return sorted(sum(VALID["hourly"][name][NOW + 1 :]) for name in MEMBERS)


def test_each_member_keeps_its_own_total() -> None:
    found = weather(n_members=len(MEMBERS))
    ahead = slice(row(found, MORNING_UTC), None)
    assert sorted(found.rain_members_mm[ahead].sum(axis=0)) == pytest.approx(totals_mm(), abs=1e-6)


def test_the_amount_is_the_mean_of_the_members_and_the_chance_their_share() -> None:
    found = weather()
    evening = MORNING_UTC + timedelta(hours=13)
    at = row(found, evening)
    of_hour = [VALID["hourly"][name][NOW + 14] for name in MEMBERS]
    assert found.rain_mm[at] == pytest.approx(np.mean(of_hour))
    assert found.rain_chance[at] == pytest.approx(np.mean([mm >= 0.1 for mm in of_hour]))


def test_more_members_than_the_ensemble_has_stand_as_often_as_each_other() -> None:
    found = weather(n_members=4 * len(MEMBERS))
    ahead = slice(row(found, MORNING_UTC), None)
    totals = np.sort(found.rain_members_mm[ahead].sum(axis=0))
    assert totals[::4] == pytest.approx(totals_mm(), abs=1e-6)
    assert totals[3::4] == pytest.approx(totals_mm(), abs=1e-6)


def test_a_member_that_ends_early_is_left_out_and_one_that_is_dry_is_not() -> None:
    def change(body: dict[str, Any]) -> None:
        hourly = body["hourly"]
        hourly["precipitation_member03"][NOW + 20 :] = [None] * len(hourly["time"][NOW + 20 :])
        hourly["precipitation_member04"] = [0.0] * len(hourly["time"])

    found = weather(changed(change), n_members=len(MEMBERS) - 1)
    ahead = slice(row(found, MORNING_UTC), None)
    assert any("1 of 10 members" in note for note in english(found.notes))
    assert (found.rain_members_mm[ahead].sum(axis=0) < 1e-9).sum() == 1


def test_a_variable_that_another_name_begins_with_is_no_member() -> None:
    def change(body: dict[str, Any]) -> None:
        body["hourly"]["precipitation_probability"] = [100] * len(body["hourly"]["time"])
        body["hourly"]["precipitation_hours"] = [24.0] * len(body["hourly"]["time"])
        body["hourly"]["temperature_2m_max"] = [50.0] * len(body["hourly"]["time"])
        body["hourly_units"] |= {"precipitation_hours": "h", "temperature_2m_max": "°C"}

    first, other = weather(changed(change)), weather()
    assert (first.rain_members_mm == other.rain_members_mm).all()
    assert (first.temp_degc == other.temp_degc).all()


@pytest.mark.parametrize("model", ["ncep_gefs_seamless", "ecmwf_ifs025_ensemble", "icon_seamless_eps", "gem_global"])
def test_names_with_their_model_are_members_too(model: str) -> None:
    def change(body: dict[str, Any]) -> None:
        for table in ("hourly", "hourly_units"):
            body[table] = {(n if n == "time" else f"{n}_{model}"): v for n, v in body[table].items()}

    first, other = weather(changed(change)), weather()
    assert (first.rain_members_mm == other.rain_members_mm).all()
    assert (first.temp_degc == other.temp_degc).all()


def test_too_few_members_leave_the_spread_to_the_chance() -> None:
    def change(body: dict[str, Any]) -> None:
        body["hourly"] = {n: v for n, v in body["hourly"].items() if "_member0" not in n or n.endswith("01")}

    found = weather(changed(change))
    assert any("too few whole members" in note for note in english(found.notes))
    assert found.rain_members_mm.std(axis=1).max() > 0.0


@pytest.mark.parametrize("wrong", [-1.0, 400.0, float("inf")])
def test_one_value_of_one_member_that_cannot_be_rejects(wrong: float) -> None:
    with pytest.raises(WeatherError, match=r"rain of a member|precip_mm = "):
        weather(changed(lambda body: body["hourly"]["precipitation_member07"].__setitem__(NOW + 9, wrong)))


def test_the_gauge_overrides_every_member() -> None:
    reading = GaugeRain(
        from_utc=MORNING_UTC - timedelta(hours=12), until_utc=MORNING_UTC - timedelta(hours=2), rain_mm=9.0
    )
    found = weather(gauge=[reading])
    stretch = slice(row(found, reading.from_utc), row(found, reading.until_utc))
    totals = found.rain_members_mm[stretch].sum(axis=0)
    assert totals.mean() == pytest.approx(9.0)
    assert totals.std() < 0.5


def test_an_old_ensemble_is_wider_with_the_same_mean() -> None:
    fresh = weather(n_members=10)
    old = weather(n_members=10, fetched_utc=MORNING_UTC - timedelta(hours=12))
    ahead = slice(row(fresh, MORNING_UTC), None)
    np.testing.assert_allclose(old.rain_members_mm.mean(axis=1), fresh.rain_members_mm.mean(axis=1), atol=1e-12)
    assert old.rain_members_mm[ahead].sum(axis=0).std() > 1.1 * fresh.rain_members_mm[ahead].sum(axis=0).std()


def test_an_hour_without_any_members_rain_goes_to_all_alike() -> None:
    drawn = of_ensemble_mm(
        np.zeros((2, 6)), np.array([0.0, 3.0]), n_members=4, rng=np.random.default_rng(1), widening=1.5
    )
    assert drawn.tolist() == [[0.0] * 4, [3.0] * 4]


def test_a_short_gap_of_a_member_is_filled_a_long_one_ends_it() -> None:
    members = np.ones((10, 3))
    members[2:4, 0] = np.nan
    members[2:6, 1] = np.nan
    whole, n_lost = whole_members_mm(members)
    assert (whole.shape, n_lost) == ((10, 2), 1)
    assert (whole == 1.0).all()


def of_the_evening(*amounts_mm: float) -> Callable[[dict[str, Any]], Any]:
    """Return the change that gives the members these amounts in the hour that ends 13 hours on, none around it."""

    def change(body: dict[str, Any]) -> None:
        body["hourly"]["weather_code"] = [None] * len(body["hourly"]["time"])
        for name, amount in zip(MEMBERS, amounts_mm, strict=True):
            body["hourly"][name][NOW + 8 : NOW + 19] = [0.0] * 11
            body["hourly"][name][NOW + 13] = amount

    return change


def test_members_rain_stands_in_the_hour_that_ends_at_its_stamp() -> None:
    found = weather(changed(of_the_evening(*range(1, len(MEMBERS) + 1))), n_members=len(MEMBERS))
    at = row(found, MORNING_UTC + timedelta(hours=12))
    assert sorted(found.rain_members_mm[at]) == pytest.approx([*range(1, len(MEMBERS) + 1)])
    assert found.rain_mm[at] == pytest.approx((len(MEMBERS) + 1) / 2.0)
    assert found.rain_members_mm[at - 3 : at].max() == found.rain_members_mm[at + 1 : at + 4].max() == 0.0


def test_a_tenth_of_a_millimetre_counts_as_rain_and_less_does_not() -> None:
    found = weather(changed(of_the_evening(0.09, 0.1, 0.3, *[0.0] * (len(MEMBERS) - 3))))
    at = row(found, MORNING_UTC + timedelta(hours=12))
    assert found.rain_chance[at] == pytest.approx(2.0 / len(MEMBERS))
