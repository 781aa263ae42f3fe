"""What following the mails is worth over a season, on demand: `pytest tests/benchmarks/test_season.py -s`.

GONOGO_SEASON_SEEDS says how many seeds (12); GONOGO_SEASON_CSV names a file for one row a season. The whole of it takes
some twenty seconds a season of mails, six of them a seed.
"""

from __future__ import annotations

import os
import tempfile
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest
from benchmarks.season import forecast, place, report, run, season, sky
from benchmarks.season.mails import Mails
from benchmarks.season.policies import Habit, Oracle
from benchmarks.season.told import Product

ROOT = Path(__file__).parents[2]


def test_the_chance_of_rain_is_how_often_it_rains() -> None:
    said, came = [], []
    for seed in range(45):
        world = season.draw_world(seed)
        for day in (0, 6, 12):
            now_utc = world.sky.first_utc + timedelta(days=sky.BACK_DAYS + day, hours=10)
            row = world.sky.weather.row(now_utc)
            said.append(forecast.forecast(world.sky, now_utc)[1][row : row + 96])
            came.append(world.sky.weather.rain_mm[row : row + 96] >= sky.WET_MM)
    chance, is_wet = np.concatenate(said), np.concatenate(came)
    for low, high in ((0.0, 0.1), (0.1, 0.3), (0.3, 0.6), (0.6, 1.01)):
        of_it = (chance >= low) & (chance < high)
        assert of_it.sum() > 150
        assert is_wet[of_it].mean() == pytest.approx(chance[of_it].mean(), abs=0.1)


def test_a_forecast_is_worse_the_further_it_looks() -> None:
    near, far = [], []
    for seed in range(30):
        world = season.draw_world(seed)
        target = world.sky.first_utc + timedelta(days=sky.BACK_DAYS + 8, hours=10)
        rows = slice(world.sky.weather.row(target), world.sky.weather.row(target) + 24)
        true = world.sky.weather.rain_mm[rows].sum()
        near.append(abs(forecast.forecast(world.sky, target)[0].rain_mm[rows].sum() - true))
        far.append(abs(forecast.forecast(world.sky, target - timedelta(days=5))[0].rain_mm[rows].sum() - true))
    assert np.mean(near) < 0.7 * np.mean(far)


@pytest.fixture(scope="module")
def lived() -> dict[str, season.Season]:
    """Ten days of one seed."""
    world = season.draw_world(1)
    policies = {
        "habit": Habit(seals_every_evening=False),
        "sealing": Habit(seals_every_evening=True),
        "oracle": Oracle(),
    }
    return {name: season.live(world, name, policy, n_days=10) for name, policy in policies.items()}


def test_who_knows_the_truth_does_better_than_habit(lived: dict[str, season.Season]) -> None:
    habit, oracle = lived["habit"].tally, lived["oracle"].tally
    assert oracle.accepted > habit.accepted
    assert oracle.failed < habit.failed
    assert oracle.waited_inside < habit.waited_inside
    assert oracle.tests == 0 < habit.tests


def test_only_who_seals_seals(lived: dict[str, season.Season]) -> None:
    assert lived["habit"].tally.seals == 0 < lived["sealing"].tally.seals
    assert lived["sealing"].tally.caught_loose < lived["habit"].tally.caught_loose


def test_the_product_answers_in_the_words_of_the_season() -> None:
    world = season.draw_world(0)
    evening = world.place.first_day - timedelta(days=1)
    tests = {strip: (f"{evening} 10:30:00", w_pct) for strip, w_pct in world.first_tests.items()}
    with tempfile.TemporaryDirectory() as folder:
        place.write_config(world.place, Path(folder), tests)
        with Product(Path(folder), ROOT) as product:
            crew = Mails(world, product, share=1.0, has_look=True)
            done = season.live(world, "mails", crew, crew.record, n_days=1)
    said = [what for _, _, what in done.log if what.startswith("mail:")]
    assert len(said) == 10
    assert crew.entries


def test_what_the_mails_are_worth() -> None:
    n_seeds = int(os.environ.get("GONOGO_SEASON_SEEDS", "12"))
    tasks = [run.Task(seed=s, policy=p, package_path=ROOT) for s in range(n_seeds) for p in run.POLICIES]
    lived = list(run.seasons(tasks))
    if path := os.environ.get("GONOGO_SEASON_CSV"):
        report.write_csv(lived, Path(path))
    print("\n" + report.table(lived) + "\n\n" + report.targets(lived))
    assert report.paired(lived, "oracle", "accepted")[0] > 0.0
    assert all(season.tally.accepted <= 80 for season in lived)
