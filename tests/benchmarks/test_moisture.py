"""How long the moisture of one site and of ten thousand strips takes. On demand: pytest tests/benchmarks.

Goals on a machine with two cores: one site of 12 strips under 0.2 s; 10,000 strips under 2.5 s and 500 MB above inputs.
"""

from __future__ import annotations

import ctypes
import shutil
import subprocess
import time
import tracemalloc
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from gonogo.soil import ensemble
from gonogo.soil.balance import MoisturePath, simulate
from gonogo.soil.classes import SOIL_CLASSES
from gonogo.soil.ground import FILL, SCORE_NAMES, Fill, Tables
from gonogo.soil.knowledge import nothing_known
from gonogo.soil.layers import SoilParams, SoilState
from gonogo.soil.rain import SURFACES
from gonogo.soil.readings import ReadingAt
from gonogo.soil.sky import Sky
from gonogo.soil.strip import LEARNABLE, StripSoil, drawn_start, params_from_scores, strip_soil

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
    turned = np.zeros((N_HOURS, n_strips), dtype=np.bool_)
    turned[9:200:24] = True
    return {
        "turned": turned,
        "et0_mm": np.maximum(0.5 * np.sin((hours % 24 - 6) / 12 * np.pi), 0.0),
        "kc_max": np.full(N_HOURS, 1.15),
        "frozen": np.zeros(N_HOURS, dtype=np.bool_),
        "watering_mm": np.where((hours % 24 == 8)[:, None], 1.0, 0.0) * np.ones(n_strips),
        "surface": surface,
        "rain": (rng.random((N_HOURS, 1)) < 0.1) * rng.gamma(0.7, 2.0, (N_HOURS, N_MEMBERS)),
    }


@pytest.mark.benchmark(group="moisture")
def test_one_site_of_12_strips_with_readings(benchmark: Any) -> None:
    columns = weather(12)
    sky = Sky(rain_mm=columns.pop("rain"), **columns)
    readings = [ReadingAt(strip=s, hour=h, w_pct=12.0, sd_pct=0.6) for s in range(12) for h in (48 + s, 216 + s)]

    def one_site() -> ensemble.StripMoisture:
        strips = soil(12)
        return ensemble.run(
            strips,
            Fill(strips=strips, growth=Tables().growth[FILL], loosened_at=np.zeros(12, dtype=np.int64)),
            sky,
            readings=readings,
            knowledge=[nothing_known(len(SCORE_NAMES[FILL]))] * 12,
            rngs=[np.random.default_rng(s) for s in range(12)],
        )

    assert benchmark(one_site).w_pct.shape == (N_HOURS + 1, 12, N_MEMBERS)


@pytest.mark.benchmark(group="moisture")
@pytest.mark.parametrize("n_strips", [1_000, 10_000])
def test_many_strips_without_a_kept_path(benchmark: Any, n_strips: int) -> None:
    start, params, sky = many(n_strips)

    def all_strips() -> float:
        return simulate(start, params, Sky(**sky), keep_path=False).closure_error_mm

    tracemalloc.start()
    assert all_strips() < 1e-9
    peak_mb = tracemalloc.get_traced_memory()[1] / 1e6
    tracemalloc.stop()
    benchmark.extra_info["peak_mb_above_inputs"] = round(peak_mb)
    assert peak_mb < 500.0
    benchmark.pedantic(all_strips, rounds=3)


@pytest.mark.benchmark(group="moisture")
def test_the_simulation_against_a_plain_compiled_loop(benchmark: Any, tmp_path: Path) -> None:
    """The same arithmetic in C, one thread; the ratio of the two, taken in turn in one run, is what is recorded."""
    compiler = shutil.which("cc")
    if compiler is None:
        pytest.skip("no C compiler on this machine")
    library = tmp_path / "plain_loop.so"
    source = Path(__file__).with_name("plain_loop.c")
    subprocess.run([compiler, "-O2", "-shared", "-fPIC", "-o", str(library), str(source), "-lm"], check=True)
    start, params, sky = many(10_000)
    loop = CompiledLoop(ctypes.CDLL(str(library)), params, sky)

    def ours() -> MoisturePath:
        return simulate(start, params, Sky(**sky), keep_path=False)

    path, theirs = ours(), loop.run(start)
    for mine, other in zip((path.top_mm[-1], path.base_mm[-1]), theirs[:2], strict=True):
        assert np.abs(mine - other).max() < 1e-6
    for mine, other in zip(
        (path.infiltration_mm, path.runoff_mm, path.evaporation_mm, path.drainage_mm), theirs[2:], strict=True
    ):
        assert np.abs(mine - other).max() < 1e-6
    seconds: dict[str, list[float]] = {"ours": [], "loop": []}
    for _ in range(5):
        for name, run in (("ours", ours), ("loop", lambda: loop.run(start))):
            began = time.perf_counter()
            run()
            seconds[name].append(time.perf_counter() - began)
    best = {name: min(times) for name, times in seconds.items()}
    benchmark.extra_info |= {
        "simulation_s": round(best["ours"], 2),
        "compiled_loop_s": round(best["loop"], 2),
        "ratio": round(best["ours"] / best["loop"], 2),
    }
    ours_s, loop_s = best["ours"], best["loop"]
    print(f"\nsimulation {ours_s:.2f} s, compiled loop {loop_s:.2f} s, ratio {ours_s / loop_s:.2f}")
    benchmark.pedantic(ours, rounds=1)


def many(n_strips: int) -> tuple[SoilState, SoilParams, dict[str, Any]]:
    """Return start, parameters and weather of many strips."""
    sky = weather(n_strips)
    sky["rain_mm"] = sky.pop("rain")
    strips, rng = soil(n_strips), np.random.default_rng(1)
    draws = rng.standard_normal((len(LEARNABLE) + 2, n_strips, N_MEMBERS))
    params = params_from_scores(strips, draws[2:], strips.start_theta)
    return drawn_start(strips, draws[:2]), params, sky


class CompiledLoop:
    """The compiled loop with its arguments laid out; nothing but the loop is timed."""

    def __init__(self, library: ctypes.CDLL, p: SoilParams, sky: dict[str, Any]) -> None:
        n_strips = p.evaporation_factor.shape[0]
        shape = (n_strips, N_MEMBERS)

        def full(a: np.ndarray) -> np.ndarray:
            return np.ascontiguousarray(np.broadcast_to(a, shape), dtype=np.float64)

        states = list(SURFACES.values())
        self.inputs = [
            *map(full, (p.top_thickness_mm, p.base_thickness_mm, p.theta_fc, p.theta_sat, p.tew_mm, p.rew_mm)),
            *map(full, (p.evaporation_factor, p.drainage_frac_h, p.base_drainage_frac_h, p.resupply_frac_h)),
            *map(full, (p.below_frac_h, p.below_theta, p.intake_mm_h)),
            np.ascontiguousarray(sky["et0_mm"] * sky["kc_max"]),
            np.ascontiguousarray(sky["rain_mm"]),
            np.ascontiguousarray(sky["watering_mm"]),
            np.ascontiguousarray(sky["surface"]),
            np.ascontiguousarray(sky["turned"], dtype=np.uint8),
            np.array([state.intake_factor for state in states]),
            np.array([state.evaporation_factor for state in states]),
            np.array([state.mixes_water for state in states], dtype=np.uint8),
        ]
        self.compiled, self.shape = library, shape

    def run(self, start: SoilState) -> list[np.ndarray]:
        """Return top, base, infiltrated, ran off, evaporated and drained at the end."""
        out = [start.top_mm.copy(), start.base_mm.copy(), *(np.empty(self.shape) for _ in range(4))]
        pointers = [ctypes.c_void_p(a.ctypes.data) for a in (*out, *self.inputs)]
        self.compiled.simulate(*map(ctypes.c_long, (N_HOURS, *self.shape)), *pointers)
        return out
