"""Steps of a run to hours: totals of any begin, rain spread evenly, radiation by the sun, height."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gonogo.errors import WeatherError
from gonogo.weather.grid import hours


def ends_of(amounts: list[float], every: int) -> list[int]:
    return [every * (n + 1) for n in range(len(amounts))]


@given(amounts=st.lists(st.floats(0.0, 30.0), min_size=2, max_size=12), every=st.sampled_from([1, 2, 3, 6]))
def test_totals_since_the_begin_since_six_hours_and_of_each_step_say_the_same(amounts: list[float], every: int) -> None:
    ends = ends_of(amounts, every)
    cumulated = np.concatenate([[0.0], np.cumsum(amounts)])

    def total(start: int, end: int) -> float:
        return float(cumulated[end // every] - cumulated[start // every])

    for starts in ([0] * len(ends), [(end - 1) // 6 * 6 for end in ends], [end - every for end in ends]):
        given_total = np.array([total(start, end) for start, end in zip(starts, ends, strict=True)])
        found = hours.periods(starts, ends, given_total, rounding=0.1, what="rain")
        np.testing.assert_allclose(found.amount, amounts, atol=1e-6)
        assert found.to_h.tolist() == ends
        assert found.from_h.tolist() == [0, *ends[:-1]]
        spread = hours.evenly(found, ends[-1] + 1)
        assert spread[:-1].sum() == pytest.approx(sum(amounts), abs=1e-6)
        assert math.isnan(spread[-1])


def test_a_total_falls_by_rounding_alone() -> None:
    found = hours.periods([0, 0], [3, 6], np.array([5.0, 4.95]), rounding=0.1, what="rain")
    assert found.amount.tolist() == [5.0, 0.0]
    with pytest.raises(WeatherError, match=r"rain: its total falls by 0.2 from hour 3 to hour 6"):
        hours.periods([0, 0], [3, 6], np.array([5.0, 4.8]), rounding=0.1, what="rain")


def test_a_step_that_cannot_be_told_is_refused() -> None:
    with pytest.raises(WeatherError, match="the amount from hour 3 to hour 9 cannot be told"):
        hours.periods([0, 6], [3, 9], np.array([1.0, 1.0]), rounding=0.1, what="rain")
    with pytest.raises(WeatherError, match="there is no period"):
        hours.periods([0], [0], np.array([0.0]), rounding=0.1, what="rain")


@pytest.mark.parametrize("every", [1, 3, 6])
def test_radiation_keeps_its_energy_and_never_shines_at_night(every: int) -> None:
    ends = list(range(every, 49, every))
    begin = np.datetime64("2026-05-12T00", "s")
    whole_h = 48
    sun = np.array([500.0 if 11 <= hour % 24 else 0.0 for hour in range(48)])
    energy = np.array([sun[end - every : end].sum() * 3600.0 for end in ends])
    given = hours.periods([end - every for end in ends], ends, energy, rounding=1.0, what="light")
    found = hours.by_the_sun_w_m2(given, begin, whole_h, latitude_deg=42.1, longitude_deg=-94.4)
    # In mid-May at 94 degrees west the sun is down from 2 to 11 UTC.
    assert (found[3:10] == 0.0).all()
    assert (found[27:34] == 0.0).all()
    by_day = hours.evenly(given, whole_h)
    lit = [n for n, end in enumerate(ends) if by_day[end - every] > 0.0 and not 2 <= (end - every) % 24 < 11]
    for n in lit:
        assert found[ends[n] - every : ends[n]].sum() * 3600.0 == pytest.approx(energy[n])


def test_states_are_drawn_in_a_straight_line_and_end_with_the_run() -> None:
    found = hours.at_hours([0, 3, 9], np.array([10.0, 13.0, 19.0]), 11)
    assert found[:10].tolist() == [10.0, 11.0, 12.0, 13.0, 14.0, 15.0, 16.0, 17.0, 18.0, 19.0]
    assert math.isnan(found[10])


def test_height_brings_temperature_and_pressure_to_the_site() -> None:
    """The standard atmosphere (ISO 2533): 15 degC and 101.325 kPa at the sea, 8.5 degC and 89.875 kPa at 1,000 m."""
    at_sea, up = np.array([15.0]), np.array([8.5])
    assert hours.temp_at_height_degc(at_sea, 0.0, 1000.0)[0] == pytest.approx(8.5)
    assert hours.model_height_m(8.5, 89.875, 101.325) == pytest.approx(1000.0, abs=1.0)
    assert hours.model_height_m(15.0, 101.325, 101.325) == pytest.approx(0.0, abs=1e-9)
    assert hours.pressure_at_height_kpa(np.array([89.875]), up, 1000.0, 900.0)[0] == pytest.approx(90.971, abs=0.02)


def test_humidity_is_that_of_the_dew_point() -> None:
    """FAO-56, table 2.3: e(20) = 2.338 kPa, e(10) = 1.228 kPa."""
    found = hours.humidity_pct(np.array([20.0, 10.0, 10.0]), np.array([10.0, 10.0, 11.0]))
    assert found[0] == pytest.approx(100.0 * 1.228 / 2.338, abs=0.1)
    assert found[1:].tolist() == [100.0, 100.0]
