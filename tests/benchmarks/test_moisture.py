"""How long the moisture of one site and of ten thousand strips takes. On demand: pytest tests/benchmarks.

Goals on a machine with two cores: one site of 12 strips under 0.2 s; 10,000 strips under 2.5 s and 500 MB above inputs.
"""

from __future__ import annotations

import tracemalloc
from typing import Any

import numpy as np
import pytest

from gonogo.soil import ensemble
from gonogo.soil.balance import march
from gonogo.soil.classes import SOIL_CLASSES
from gonogo.soil.ensemble import ReadingAt
from gonogo.soil.strip import StripSoil, drawn_scores, drawn_start, nothing_learned, params_from_scores, strip_soil

N_HOURS, N_MEMBERS = 384, 50


def soil(n_strips: int) -> StripSoil:
    classes = [list(SOIL_CLASSES)[i % len(SOIL_CLASSES)] for i in range(n_strips)]
    return strip_soil(
        soil_class=classes,
        lift_thickness_mm=np.full(n_strips, 220.0),
        dry_density_kg_m3=np.full(n_strips, 1600.0),
        specific_gravity=np.full(n_strips, 2.68),
        omc_pct=np.full(n_strips, 14.0),
        theta_fc=[SOIL_CLASSES[c].theta_fc for c in classes],
        theta_wp=[SOIL_CLASSES[c].theta_wp for c in classes],
    )


def weather(n_strips: int) -> dict[str, Any]:
    """Return 16 days with rain in one hour out of ten, a truck a day and a rolled second week."""
    rng, hours = np.random.default_rng(1), np.arange(N_HOURS)
    surface = np.zeros((N_HOURS, n_strips), dtype=np.int64)
    surface[200:] = 2
    return {
        "et0_mm": np.maximum(0.5 * np.sin((hours % 24 - 6) / 12 * np.pi), 0.0),
        "kc_max": np.full(N_HOURS, 1.15),
        "frozen": np.zeros(N_HOURS, dtype=np.bool_),
        "watering_mm": np.where((hours % 24 == 8)[:, None], 1.0, 0.0) * np.ones(n_strips),
        "surface": surface,
        "rain": (rng.random((N_HOURS, 1)) < 0.1) * rng.gamma(0.7, 2.0, (N_HOURS, N_MEMBERS)),
    }


@pytest.mark.benchmark(group="moisture")
def test_one_site_of_12_strips_with_readings(benchmark: Any) -> None:
    sky = weather(12)
    rain = sky.pop("rain")
    hour_utc = np.datetime64("2026-06-01T00") + np.arange(N_HOURS).astype("timedelta64[h]")
    readings = [ReadingAt(strip=s, hour=h, w_pct=12.0, sd_pct=0.6) for s in range(12) for h in (48 + s, 216 + s)]

    def one_site() -> ensemble.StripMoisture:
        rng = np.random.default_rng(1)
        return ensemble.run(soil(12), hour_utc=hour_utc, rain_members_mm=rain, readings=readings, rng=rng, **sky)

    assert benchmark(one_site).w_pct.shape == (N_HOURS + 1, 12, N_MEMBERS)


@pytest.mark.benchmark(group="moisture")
@pytest.mark.parametrize("n_strips", [1_000, 10_000])
def test_many_strips_without_a_kept_path(benchmark: Any, n_strips: int) -> None:
    sky = weather(n_strips)
    rain = sky.pop("rain")
    strips, rng = soil(n_strips), np.random.default_rng(1)
    params = params_from_scores(strips, drawn_scores(nothing_learned(n_strips), N_MEMBERS, rng))
    start = drawn_start(strips, N_MEMBERS, rng)

    def all_strips() -> float:
        return march(start, params, rain_mm=rain, keep_path=False, **sky).closure_error_mm

    tracemalloc.start()
    assert all_strips() < 1e-9
    benchmark.extra_info["peak_mb_above_inputs"] = round(tracemalloc.get_traced_memory()[1] / 1e6)
    tracemalloc.stop()
    benchmark.pedantic(all_strips, rounds=3)
