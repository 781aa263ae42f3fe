"""Speed of model runs by grid: `pytest tests/benchmarks/test_grid.py`. Fields are synthetic, a quarter of a degree."""

from __future__ import annotations

import json
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import grib
import numpy as np
import pytest
from bodies import HARROW_FLATS
from make_fixtures import SCENARIO
from sites import small_site
from weather_forms import grid as grid_form
from weather_scenario import body as scenario_body

from gonogo.download import grid_files
from gonogo.download.grid_files import RunFolder
from gonogo.weather.grid import decode, places
from gonogo.weather.grid.places import Grid
from gonogo.weather.grid.sources import SOURCES
from gonogo.weather.services.grid import parse

WORLD = Grid(n_lat=721, n_lon=1440, first_lat_deg=90.0, first_lon_deg=0.0, step_lat_deg=-0.25, step_lon_deg=0.25)
N_SITES = 100_000


def world_field(seed: int = 1) -> np.ndarray:
    """Return temperatures of the world with waves and noise, so that they pack as a model's do [K]."""
    lat, lon = np.meshgrid(np.linspace(90.0, -90.0, 721), np.arange(1440) * 0.25, indexing="ij")
    noise = np.random.default_rng(seed).normal(0.0, 0.5, lat.shape)
    return 280.0 + 20.0 * np.cos(np.radians(lat)) + 5.0 * np.sin(np.radians(lon * 7.0)) + noise


def places_of(n: int) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(2)
    return rng.uniform(-60.0, 70.0, n), rng.uniform(-180.0, 180.0, n)


def cpu_ms(work: Any, benchmark: Any) -> None:
    """Measure, and note the CPU time of a call beside the time on the wall."""
    work()
    began, n = time.process_time(), 20
    for _ in range(n):
        work()
    benchmark.extra_info["cpu_ms"] = round((time.process_time() - began) / n * 1e3, 2)
    benchmark(work)


def test_one_field_to_100_000_sites(benchmark: Any) -> None:
    """Asked for: 12 ms of CPU a field."""
    values = world_field().ravel()
    where = places.between_points(WORLD, *places_of(N_SITES))
    cpu_ms(lambda: places.at(values, where), benchmark)
    assert benchmark.extra_info["cpu_ms"] < 12.0


def test_one_message_is_checked_and_unpacked(benchmark: Any) -> None:
    content = grib.message("temp_degc", world_field(), grid=WORLD, to_h=6)
    benchmark.extra_info["bytes"] = len(content)
    cpu_ms(lambda: decode.field(content, "f"), benchmark)
    assert benchmark.extra_info["cpu_ms"] < 40.0


def test_where_100_000_sites_lie_with_a_land_sea_mask(benchmark: Any) -> None:
    land = (world_field(3) > 285.0).astype(np.float64).ravel()
    lat, lon = places_of(N_SITES)
    cpu_ms(lambda: places.over_land(places.between_points(WORLD, lat, lon), WORLD, land), benchmark)
    assert benchmark.extra_info["cpu_ms"] < 500.0


@pytest.mark.parametrize("n_sites", [1, 1000])
def test_a_control_run_of_six_days_is_read_for_sites(benchmark: Any, tmp_path: Path, n_sites: int) -> None:
    """389 messages of the world's size: reading, checks, and the answers' files."""
    source = SOURCES["ecmwf"]
    run = RunFolder(folder=tmp_path, source=source, run_utc=grib.RUN_UTC, days=6)
    field = {q: world_field(n) for n, q in enumerate(grib.QUANTITIES)}
    for step_h, member, name in run.expected():
        of_period = grib.QUANTITIES[name].of_period
        content = (
            grib.message(name, field[name], from_h=0, to_h=step_h, grid=WORLD)
            if of_period
            else grib.message(name, field[name], to_h=step_h, grid=WORLD)
        )
        grid_files.keep_message(content, run, step_h, member, name)
    lat, lon = places_of(n_sites)
    sites = [small_site(id=f"s{n}", latitude_deg=float(lat[n]), longitude_deg=float(lon[n])) for n in range(n_sites)]
    began = time.process_time()
    benchmark.pedantic(lambda: grid_files.read_sites(run, sites), rounds=1)
    benchmark.extra_info["cpu_s"] = round(time.process_time() - began, 1)
    assert all(run.site_path(site).is_file() for site in sites)


def test_an_ensemble_s_answer_becomes_a_table(benchmark: Any) -> None:
    """50 members of six days by three hours, one site."""
    told = grid_form(SCENARIO, scenario_body(SCENARIO)["hourly"], source="ecmwf_ensemble")
    content = json.dumps(told).encode()
    benchmark.extra_info["bytes"] = len(content)
    site = replace(HARROW_FLATS)
    cpu_ms(lambda: parse(content, site), benchmark)
    assert benchmark.extra_info["cpu_ms"] < 60.0
