"""Frost in the lift: the modified Berggren equation, and the running index behind it."""

from __future__ import annotations

import json
from datetime import timedelta
from typing import Any

import numpy as np
import pytest
from bodies import MORNING_UTC, changed, row, weather_of

from gonogo.units import KG_M3_PER_LB_FT3
from gonogo.weather import frost

FT, BTU_J, DEGF_DAY_DEGC_S = 0.3048, 1055.06, 86400.0 / 1.8
BTU_FT_W_M_K = 1.730735  # BTU/(ft h F)


def test_the_worked_example_of_a_uniform_silt() -> None:
    # TM 5-852-6, homogeneous soil (from memory): 100 lb/ft3, 15 % water, L 2160 BTU/ft3, k 0.72, surface index 2500
    # degF days, mu 0.20, alpha 0.33, lambda 0.89, depth 5.6 ft.
    latent = 2160.0 * BTU_J / FT**3
    assert frost.latent_heat_j_m3(100.0 * KG_M3_PER_LB_FT3, 15.0) == pytest.approx(latent, rel=0.005)
    depth = frost.depth_m(2500.0 * DEGF_DAY_DEGC_S, 0.72 * BTU_FT_W_M_K, latent, 0.89)
    assert float(depth) / FT == pytest.approx(5.6, abs=0.05)


def test_lambda_of_that_example_from_its_closed_form() -> None:
    # The chart gives 0.89; the closed form is 0.93 there, 4 % deeper: it may overestimate, which is the safe side.
    assert float(frost.correction(0.20, 0.33)) == pytest.approx(0.93, abs=0.005)
    assert float(frost.correction(0.0, 5.0)) == 1.0


def test_conductivity_of_frozen_silt_by_its_equation() -> None:
    # 0.01 x 10^2.2 + 0.085 x 10^0.8 x 15 = 1.585 + 8.045 BTU in/(ft2 h F) = 0.80 BTU/(ft h F).
    k = frost.conductivity_w_m_k(100.0 * KG_M3_PER_LB_FT3, 15.0, is_granular=False)
    assert k / BTU_FT_W_M_K == pytest.approx(0.8025, abs=0.001)


def depth(surface: list[float], **changes: Any) -> np.ndarray:
    soil = {"dry_density_kg_m3": 1600.0, "w_pct": 14.0, "is_granular": False, "soil_degc": 4.0} | changes
    degc = np.array(surface)
    return frost.frost_depth_mm(frost.index_degc_h(degc), degc, **soil)


def test_frost_goes_in_with_cold_and_out_with_the_same_warmth() -> None:
    path = depth([5.0] * 72 + [-4.0] * 10 + [4.0] * 10 + [2.0] * 5)
    assert (path[:72] == 0.0).all()
    assert (np.diff(path[72:82]) > 0.0).all()
    assert path[81] > 30.0
    assert (path[91:] == 0.0).all()


def test_a_table_that_begins_in_frost_has_frost_from_its_first_hour() -> None:
    assert depth([-5.0] * 100)[0] > 300.0


def test_a_drier_lift_freezes_deeper() -> None:
    cold = [3.0] * 72 + [-6.0] * 48
    assert depth(cold, w_pct=8.0)[-1] > depth(cold, w_pct=16.0)[-1]


def test_only_the_frost_of_the_air_is_damped_on_its_way_to_the_ground() -> None:
    surface = frost.surface_degc(np.array([10.0, -10.0, -10.0]), np.array([np.nan, np.nan, -3.0]))
    assert surface.tolist() == [10.0, -7.0, -3.0]


def cold_night(body: dict[str, Any]) -> None:
    hourly = body["hourly"]
    now = hourly["time"].index(int(MORNING_UTC.timestamp()))
    for name in ("temperature_2m", "soil_temperature_0cm"):
        hourly[name][now - 9 : now + 1] = [-5.0] * 10


def test_a_frosty_night_leaves_frozen_hours_after_sunrise_and_none_at_noon() -> None:
    weather = weather_of(changed(cold_night))
    morning = row(weather, MORNING_UTC)
    assert weather.is_ground_frozen[morning]
    assert weather.is_ground_frozen[morning + 1]  # 06:00: the air is above freezing again
    assert weather.temp_degc[morning + 1] > 0.0
    assert not weather.is_ground_frozen[row(weather, MORNING_UTC + timedelta(hours=8))]


def test_a_frostless_forecast_has_no_frost() -> None:
    assert not weather_of(json.dumps(json.loads(changed(lambda _: None))).encode()).is_ground_frozen.any()


def snowfall(body: dict[str, Any]) -> None:
    hourly = body["hourly"]
    now = hourly["time"].index(int(MORNING_UTC.timestamp()))
    for name in ("temperature_2m", "soil_temperature_0cm"):
        hourly[name][now - 48 : now - 24] = [-2.0] * 24
        hourly[name][now - 24 :] = [4.0] * len(hourly[name][now - 24 :])
    for name in ("weather_code", "dew_point_2m", "et0_fao_evapotranspiration"):
        hourly[name] = [None] * len(hourly["time"])
    hourly["precipitation"][now - 40 : now - 30] = [1.0] * 10
    hourly["snowfall"][now - 40 : now - 30] = [0.7] * 10  # cm, 1 mm of water


def test_snow_is_no_rain_until_it_melts_and_then_all_of_it_is_water() -> None:
    weather = weather_of(changed(snowfall))
    fallen = slice(row(weather, MORNING_UTC) - 41, row(weather, MORNING_UTC) - 31)
    assert weather.snow_mm[fallen].sum() == pytest.approx(10.0)
    assert weather.rain_members_mm[fallen].sum() == pytest.approx(0.0, abs=1e-9)
    assert weather.melt_mm[fallen].sum() == 0.0
    assert weather.melt_mm.sum() == pytest.approx(10.0)
    water = weather.water_members_mm.sum(axis=0) - weather.rain_members_mm.sum(axis=0)
    np.testing.assert_allclose(water, 10.0)
