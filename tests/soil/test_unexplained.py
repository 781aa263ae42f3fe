"""Water that neither rain nor truck brought is noticed; a shower, a slow soil and a poor test are not taken for it."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from gonogo.soil.classes import SOIL_CLASSES
from gonogo.soil.sky import Sky
from gonogo.soil.strip import StripSoil, strip_soil
from gonogo.soil.unexplained import Gain, SoilTest, _is_steady, gains

N_HOURS = 240
HOURS = np.arange(N_HOURS)


def soil(n_strips: int = 2) -> StripSoil:
    row = SOIL_CLASSES["loam"]
    return strip_soil(
        soil_class=["loam"] * n_strips,
        lift_thickness_mm=[220.0] * n_strips,
        dry_density_kg_m3=[1650.0] * n_strips,
        specific_gravity=[2.68] * n_strips,
        omc_pct=[14.0] * n_strips,
        theta_fc=[row.theta_fc] * n_strips,
        theta_wp=[row.theta_wp] * n_strips,
    )


def found(*series: list[tuple[int, float]], sd_pct: float = 0.7, **changed: Any) -> tuple[Gain, ...]:
    weather: dict[str, Any] = {
        "et0_mm": np.maximum(0.6 * np.sin((HOURS % 24 - 6) / 12 * np.pi), 0.0),
        "kc_max": np.full(N_HOURS, 1.15),
        "rain_mm": np.zeros((N_HOURS, 1)),
        "frozen": np.zeros(N_HOURS, dtype=np.bool_),
        "watering_mm": np.zeros((N_HOURS, 2)),
        "surface": np.zeros((N_HOURS, 2), dtype=np.int64),
    }
    tests = [
        SoilTest(strip=s, hour=h, w_pct=w, sd_pct=sd_pct)
        for s, strip_tests in enumerate(series)
        for h, w in strip_tests
    ]
    return gains(soil(), tests, Sky(**(weather | changed)))


STEADY = [(24 * d, 15.0) for d in range(1, 8)]


def test_a_lift_that_stays_wet_under_the_sun_is_noticed() -> None:
    (gain,) = found(STEADY)
    assert (gain.strip, gain.since_hour) == (0, 24)
    assert gain.expected_change_pct < -2.0
    assert gain.gain_pct == pytest.approx(-gain.expected_change_pct)


def test_a_lift_that_dries_as_it_should_is_not() -> None:
    drying = [(24, 15.0), (48, 13.6), (72, 12.4), (96, 11.6), (120, 11.0)]
    assert found(drying, STEADY[:2]) == ()


def test_the_other_strip_has_nothing_to_do_with_it() -> None:
    assert [g.strip for g in found([(24, 15.0), (48, 13.6), (72, 12.4)], STEADY)] == [1]


def test_without_sun_nothing_had_to_fall() -> None:
    assert found(STEADY, et0_mm=np.zeros(N_HOURS)) == ()


def test_known_rain_and_known_truck_water_explain_what_is_there() -> None:
    daily = np.where(HOURS % 24 == 10, 6.0, 0.0)
    assert found(STEADY, rain_mm=daily[:, None]) == ()
    assert found(STEADY, watering_mm=np.stack([daily, daily], axis=1)) == ()


def test_one_jump_is_a_shower_and_no_ground_water() -> None:
    assert found([(24, 12.0), (48, 18.5), (50, 18.3)]) == ()


def test_two_tests_say_too_little_and_poor_tests_say_nothing() -> None:
    assert found([STEADY[0], STEADY[-1]]) == ()
    assert found(STEADY, sd_pct=3.0) == ()


def test_noise_of_the_tests_alone_is_rarely_taken_for_water() -> None:
    """Dry soil in the shade: what differs is the error of the tests. Stated bound: one lift in twenty."""
    rng, n = np.random.default_rng(1), 200
    noisy = [[(24 * d, 12.0 + 0.7 * rng.standard_normal()) for d in range(1, 8)] for _ in range(n)]
    shade = {"et0_mm": np.zeros(N_HOURS)}
    assert sum(bool(found(strip_tests, **shade)) for strip_tests in noisy) <= n // 20


@pytest.mark.parametrize(("gained", "n_said"), [(0.8, 0), (1.6, 1)])
def test_from_one_point_on_a_steady_gain_is_said(gained: float, n_said: int) -> None:
    rising = [(24 * d, 12.0 + gained * (d - 1) / 6.0) for d in range(1, 8)]
    assert len(found(rising, sd_pct=0.1, et0_mm=np.zeros(N_HOURS))) == n_said


def test_the_test_before_the_last_must_lie_above_by_its_own_error_too() -> None:
    assert _is_steady([(2.5, 2.0), (4.0, 1.0)])
    assert not _is_steady([(1.5, 2.0), (4.0, 1.0)])
    assert not _is_steady([(2.5, 2.0), (1.9, 1.0)])
