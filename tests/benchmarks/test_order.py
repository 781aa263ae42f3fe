"""How long an order of work takes, and how near to the best it is proven: thirty strips over ten days."""

from __future__ import annotations

from dataclasses import fields, replace
from datetime import timedelta

import numpy as np
import pytest
from hand_made import BACK_H, DAY, FIRST_UTC, MEMBERS, SETTINGS, SPREAD, crew, morning, roller, strip, truck, weather
from pytest_benchmark.fixture import BenchmarkFixture

from gonogo.decide.inputs import MorningInputs
from gonogo.decide.order.propose import propose
from gonogo.decide.verdict import decide

DAYS = 10
N_HOURS = BACK_H + DAYS * 24


def ten_days(n_strips: int, n_crews: int, lifts: int, seed: int) -> MorningInputs:
    """Return a morning with strips of all sizes and moistures, some dry, some wet, and showers on most days."""
    rng = np.random.default_rng(seed)
    crews = tuple(
        crew(id=f"crew{k}", roller=roller(id=f"roller{k}"), truck=truck(id=f"truck{k}")) for k in range(n_crews)
    )
    strips = tuple(
        strip(
            id=f"N{k}",
            crew_id=f"crew{k % n_crews}",
            length_m=float(rng.uniform(60, 320)),
            lifts=lifts,
            priority=int(rng.choice([2, 3, 3, 3, 4])),
            finish_by=DAY + timedelta(days=int(rng.integers(2, 10))) if rng.random() < 0.3 else None,
        )
        for k in range(n_strips)
    )
    hours = np.arange(N_HOURS)
    daily = rng.uniform(-0.25, 0.1, n_strips)
    mean = rng.uniform(10.0, 18.0, n_strips)[None, :] + daily[None, :] * (hours[:, None] - BACK_H) / 24.0
    spread = 0.3 + 0.02 * np.maximum(hours - BACK_H, 0)[:, None, None] / 4.0
    path = mean[:, :, None] + spread * SPREAD
    rain = np.zeros((N_HOURS, MEMBERS))
    for k in range(DAYS):
        start = BACK_H + 24 * k + int(rng.integers(0, 18))
        rain[start : start + int(rng.integers(2, 8)), : int(rng.integers(0, MEMBERS))] = 1.5
    base = morning(strips=strips, on_site={"crews": crews, "working_days": (0, 1, 2, 3, 4, 5)})
    sky = weather()
    hour_utc = np.datetime64(FIRST_UTC.replace(tzinfo=None), "h") + hours
    n_known = len(sky.hour_utc)
    longer = {  # every hourly column goes on as it ends
        field.name: np.concatenate([column, np.repeat(column[-1:], N_HOURS - n_known, axis=0)])
        for field in fields(sky)
        if isinstance(column := getattr(sky, field.name), np.ndarray) and len(column) == n_known
    }
    sky = replace(sky, **longer | {"hour_utc": hour_utc, "rain_mm": rain.mean(axis=1), "rain_members_mm": rain})
    return MorningInputs(
        site=base.site,
        strips=strips,
        now_utc=base.now_utc,
        day=base.day,
        hour_utc=hour_utc,
        w_pct=path,
        w_top_pct=path.copy(),
        w_base_pct=path.copy(),
        et0_mm=np.full(N_HOURS, 0.15),
        weather=sky,
        reading_age_h=np.full(n_strips, 12.0),
        rained_since_reading_mm=np.zeros(n_strips),
        settings=SETTINGS,
    )


@pytest.mark.parametrize(("n_crews", "lifts", "seed"), [(1, 1, 1), (1, 2, 2), (2, 1, 3), (2, 2, 4), (3, 3, 5)])
def test_thirty_strips_over_ten_days(benchmark: BenchmarkFixture, n_crews: int, lifts: int, seed: int) -> None:
    inputs = ten_days(30, n_crews, lifts, seed)
    made = decide(inputs)
    found = benchmark.pedantic(propose, args=(inputs, made), kwargs={"done": {}, "before": None}, rounds=1)
    benchmark.extra_info["gap_pct"] = 100.0 * found.gap_frac
    benchmark.extra_info["gain_pct"] = 100.0 * (found.expected_area_m2 / found.given_order_area_m2 - 1.0)
    n_rolled = sum(work.work == "rolling" for work in found.works)
    print(
        f"{n_crews} crews, {30 * lifts} lifts: {n_rolled} planned, {len(found.unplanned)} without a place, "
        f"gap {100.0 * found.gap_frac:.2f} %, {found.expected_area_m2:.0f} m2 against "
        f"{found.given_order_area_m2:.0f} m2 in the order given, {found.method}"
    )
    assert found.method == "solver"
    assert found.gap_frac < (0.001 if lifts == 1 else 0.1)
