"""Builders of soil and weather for tests of the moisture model: small arrays, drawn or plain."""

from __future__ import annotations

from dataclasses import fields, replace
from typing import Any

import numpy as np

from gonogo.soil.balance import MoisturePath, simulate
from gonogo.soil.layers import SoilParams, SoilState
from gonogo.soil.sky import Sky, moist_share

N_STRIPS, N_MEMBERS = 3, 4


def params(**changed: Any) -> SoilParams:
    """Return one plain loam lift of 220 mm for every strip and member, with what is given changed."""
    plain = {
        "top_thickness_mm": 100.0,
        "base_thickness_mm": 120.0,
        "theta_fc": 0.25,
        "theta_sat": 0.42,
        "tew_mm": 19.0,
        "rew_mm": 9.0,
        "evaporation_factor": 1.0,
        "drainage_frac_h": 0.05,
        "base_drainage_frac_h": 0.02,
        "resupply_frac_h": 0.005,
        "intake_mm_h": 12.0,
    }
    return SoilParams(**{name: np.asarray(value, dtype=np.float64) for name, value in (plain | changed).items()})


def drawn_params(rng: np.random.Generator) -> SoilParams:
    """Return parameters (S, M) from sand to clay, all within physics."""
    shape = (N_STRIPS, N_MEMBERS)
    theta_fc = rng.uniform(0.08, 0.36, shape)
    tew = rng.uniform(3.0, 30.0, shape)
    return params(
        top_thickness_mm=rng.uniform(50.0, 100.0, (N_STRIPS, 1)),
        base_thickness_mm=rng.uniform(10.0, 250.0, (N_STRIPS, 1)),
        theta_fc=theta_fc,
        theta_sat=theta_fc + rng.uniform(0.02, 0.2, shape),
        tew_mm=tew,
        rew_mm=tew * rng.uniform(0.1, 0.85, shape),
        evaporation_factor=rng.uniform(0.3, 2.5, shape),
        drainage_frac_h=rng.uniform(0.0, 1.0, shape),
        base_drainage_frac_h=rng.uniform(0.0, 1.0, shape),
        resupply_frac_h=rng.uniform(0.0, 0.5, shape),
        intake_mm_h=rng.uniform(0.05, 150.0, shape),
        drainage_rise_h=rng.uniform(0.0, 0.2, shape) * (rng.random(shape) < 0.7),
        base_drainage_rise_h=rng.uniform(0.0, 0.1, shape) * (rng.random(shape) < 0.7),
    )


def one_layer(soil: SoilParams) -> SoilParams:
    """Return the same soil as a balance of one layer that takes in whatever falls on it."""
    return replace(soil, base_thickness_mm=np.zeros((N_STRIPS, 1)), intake_mm_h=np.full((N_STRIPS, 1), np.inf))


def state(soil: SoilParams, theta: Any = 0.2) -> SoilState:
    """Return layers (S, M) that hold a volumetric water content."""
    ones = np.ones((N_STRIPS, N_MEMBERS))
    return SoilState(top_mm=theta * soil.top_thickness_mm * ones, base_mm=theta * soil.base_thickness_mm * ones)


def drawn_state(soil: SoilParams, rng: np.random.Generator) -> SoilState:
    """Return layers (S, M) anywhere between dry and full."""
    shape = (N_STRIPS, N_MEMBERS)
    return SoilState(
        top_mm=rng.uniform(0.02, 1.0, shape) * soil.theta_sat * soil.top_thickness_mm,
        base_mm=rng.uniform(0.02, 1.0, shape) * soil.theta_sat * soil.base_thickness_mm,
    )


def weather(n_hours: int = 48, **changed: Any) -> dict[str, Any]:
    """Return dry, loose, unfrozen hours without demand, with what is given changed."""
    plain: dict[str, Any] = {
        "et0_mm": np.zeros(n_hours),
        "rain_mm": np.zeros((n_hours, N_MEMBERS)),
        "watering_mm": np.zeros((n_hours, N_STRIPS)),
        "surface": np.zeros((n_hours, N_STRIPS), dtype=np.int64),
        "frozen": np.zeros(n_hours, dtype=np.bool_),
        "kc_max": np.full(n_hours, 1.2),
    }
    return plain | changed


def drawn_weather(rng: np.random.Generator, n_hours: int = 48) -> dict[str, Any]:
    """Return hours of everything at once: showers, sun, dew, frost, trucks, rollers and disks."""
    showers = (rng.random((n_hours, 1)) < 0.2) * rng.gamma(0.6, 6.0, (n_hours, N_MEMBERS))
    trucks = (rng.random((n_hours, N_STRIPS)) < 0.05) * rng.uniform(0.5, 20.0, (n_hours, N_STRIPS))
    drawn = weather(
        n_hours,
        et0_mm=rng.uniform(-0.05, 1.0, n_hours),
        rain_mm=showers,
        watering_mm=trucks,
        surface=np.repeat(rng.integers(0, 3, (n_hours // 8 + 1, N_STRIPS)), 8, axis=0)[:n_hours],
        frozen=rng.random(n_hours) < 0.1,
        kc_max=rng.uniform(1.05, 1.3, n_hours),
    )
    turned = rng.random((n_hours, N_STRIPS)) < 0.08
    asked_mm, ready_mm = rng.uniform(0.0, 1.0, n_hours), rng.uniform(3.0, 12.0, N_STRIPS)
    return drawn | {"turned": turned, "moist": moist_share(turned, asked_mm, ready_mm)}


def run(start: SoilState, params: SoilParams, **given: Any) -> MoisturePath:
    """Simulate under a sky of the arrays given by name; what else is given says how."""
    sky = Sky(**{field.name: given.pop(field.name) for field in fields(Sky) if field.name in given})
    return simulate(start, params, sky, **given)
