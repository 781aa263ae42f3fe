"""Facts of the weather around today's work, each on a morning on which the answer is one number."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hand_made import MEMBERS, N_HOURS, at, morning, row, strip

from gonogo.decide.facts import FACTS
from gonogo.decide.measures import Known
from gonogo.decide.today import prepare
from gonogo.decide.windows import epoch_h
from gonogo.moisture.ground_state import GroundState


def fact(name: str, **changes: Any) -> float:
    return float(FACTS[name].of(Known(prepared=prepare(morning(**changes)), watered={}), 0))


def hours(**values: float) -> np.ndarray:
    """Return a column that is zero but in the hours of today that the names give: h7=1.0, before_9=2.0."""
    column = np.zeros(N_HOURS)
    for name, value in values.items():
        column[row(-float(name[7:]) if name.startswith("before_") else float(name[1:]))] = value
    return column


@pytest.mark.parametrize(("first_h", "most_mm"), [(29, 10.0), (28, 10.0), (27, 20.0), (14, 20.0)])
def test_rain_counts_as_heavy_by_what_falls_within_a_day(first_h: int, most_mm: float) -> None:
    rain_mm = hours(**{f"before_{first_h}": 10.0, "before_4": 10.0})
    assert fact("heaviest_rain_mm", rain_mm=rain_mm, reading_age_h=40.0) == most_mm


def test_rain_before_the_last_test_is_in_the_test() -> None:
    rain_mm = hours(before_9=10.0, before_4=2.0)
    assert fact("heaviest_rain_mm", rain_mm=rain_mm, reading_age_h=12.5) == 2.0
    assert fact("heaviest_rain_mm", rain_mm=rain_mm, reading_age_h=np.inf) == 0.0


@pytest.mark.parametrize(("before_h", "fell_mm"), [(5, 3.0), (6, 0.0)])
def test_rain_of_the_twelve_hours_before_work_may_have_left_the_surface_slick(before_h: int, fell_mm: float) -> None:
    # Work begins at 7: the twelve hours reach back to 19:00, hour -5 of the day.
    assert fact("rained_before_work_mm", rain_mm=hours(**{f"before_{before_h}": 3.0})) == fell_mm


@pytest.mark.parametrize(("at_h", "mean_degc"), [(7, 1.0), (-17, 1.0), (-18, 0.0), (8, 0.0)])
def test_the_fill_has_the_mean_warmth_of_a_day(at_h: int, mean_degc: float) -> None:
    temp = np.zeros(N_HOURS)
    temp[row(at_h)] = 25.0
    assert fact("fill_temp_degc", sky={"temp_degc": temp}) == pytest.approx(mean_degc)


@pytest.mark.parametrize(("at_h", "coldest_degc"), [(-4, -3.0), (-5, 15.0), (7, -3.0), (8, 15.0)])
def test_the_coldest_hour_before_work_is_that_of_half_a_day(at_h: int, coldest_degc: float) -> None:
    temp = np.full(N_HOURS, 15.0)
    temp[row(at_h)] = -3.0
    assert fact("coldest_12h_degc", sky={"temp_degc": temp}) == coldest_degc


def test_the_rain_of_today_is_that_of_its_wettest_working_hour() -> None:
    assert fact("rain_today_mm_h", rain_mm=hours(h9=1.0, h12=4.0, h16=2.0, h17=9.0, h6=9.0)) == 4.0


def test_water_that_was_seen_has_stood_since_it_was_seen_first() -> None:
    seen = GroundState(ponded_utc=at(-14.0), pond_utc=at(4.5), pond_mm=50.0)
    assert fact("ponded_h", grounds={"N1": seen}) == pytest.approx(19.5)  # up to now, half past five
    assert fact("ponded_h") == 0.0


def test_the_driest_stretch_counts_only_where_the_strip_can_be_sealed_after_it_too() -> None:
    half_wet = np.where(np.arange(MEMBERS) % 2 == 0, 2.0, 0.0)
    rain_mm = np.where((np.arange(N_HOURS) < row(15))[:, None], half_wet[None, :], 0.0)
    wind = np.full(N_HOURS, 2.0)
    wind[row(16) : row(20)] = 40.0
    inputs = morning(rain_mm=rain_mm, sky={"wind_2m_m_s": wind}, strips=[strip(length_m=40.0)])
    prepared = prepare(inputs)
    dry = [c for c in prepared.candidates[0] if c.start_h >= epoch_h(at(15)) and c.end_h <= epoch_h(at(16))]
    assert dry
    assert all(c.chance_of_rain == 0.0 and c.end_h + prepared.seal_h > epoch_h(at(16)) for c in dry)
    assert float(FACTS["chance_of_rain"].of(Known(prepared=prepared, watered={}), 0)) == 0.5
