"""A verdict is of the strip and the morning, not of the draw: counted over mornings with tests all over the window."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest
from example_mornings import example_config, recorded

from gonogo.cli import demo
from gonogo.config.load import Config
from gonogo.decide.closeness import is_close
from gonogo.decide.judge import Judgement, SiteDay, judge
from gonogo.morning.compute import MEMBERS_CLOSE
from gonogo.records.field import Reading
from gonogo.records.site import Site
from gonogo.weather import series
from gonogo.weather.table import ReceivedForecast

NOW = demo.MORNING_UTC
CLEAR = 0.05
N_MORNINGS = 4


@pytest.fixture(scope="module")
def loaded(tmp_path_factory: pytest.TempPathFactory) -> Config:
    return example_config(Path(tmp_path_factory.mktemp("config")))


def judged(loaded: Config, site: Site, entries: Sequence[Reading], seed: int, n_members: int) -> Judgement:
    downloaded = recorded(loaded.sites[0], NOW, ())
    weather = series.check(
        ReceivedForecast(parsed=downloaded.parsed, fetched_utc=downloaded.answer.fetched_utc),
        site=site,
        now_utc=NOW,
        gauge=(),
        n_members=n_members,
        rng=np.random.default_rng([1, seed]),
    )
    return judge(
        SiteDay(site=site, day=demo.DAY, now_utc=NOW, settings=loaded.settings[site.id]),
        weather=weather,
        entries=entries,
        rng=np.random.default_rng([2, seed]),
    )


def readings_of(site: Site, rng: np.random.Generator) -> list[Reading]:
    """Three tests of each strip, about a level somewhere around its window."""
    found = []
    for strip in site.strips:
        material = site.material(strip.material_id)
        low, high = material.omc_pct + material.window_low_pct, material.omc_pct + material.window_high_pct
        level = rng.uniform(low - 0.5, high + 0.5)
        found += [
            Reading(
                strip_id=strip.id,
                at_utc=NOW - timedelta(hours=hours),
                w_pct=level + rng.normal(0.0, 0.3),
                method="oven",
            )
            for hours in (60, 36, 12)
        ]
    return found


def test_another_seed_moves_no_verdict_that_is_five_points_clear_of_a_threshold(loaded: Config) -> None:
    site, rng = loaded.sites[0], np.random.default_rng(0)
    n_clear = moved_clear = moved_of_few = 0
    for number in range(N_MORNINGS):
        entries = readings_of(site, rng)
        few, final = [], []
        for seed in (2 * number, 2 * number + 1):
            first = judged(loaded, site, entries, seed, 50).decisions
            is_again = any(is_close(decision) for decision in first)
            few.append(first)
            final.append(judged(loaded, site, entries, seed, MEMBERS_CLOSE).decisions if is_again else first)
        for s, (one, other) in enumerate(zip(*final, strict=True)):
            is_clear = not is_close(one, CLEAR) and not is_close(other, CLEAR)
            n_clear += is_clear
            moved_clear += is_clear and one.verdict != other.verdict
            moved_of_few += few[0][s].verdict != few[1][s].verdict
    assert n_clear >= 0.7 * N_MORNINGS * len(site.strips), "the mornings ask too little"
    assert moved_clear == 0, f"{moved_clear} of {n_clear} verdicts moved ({moved_of_few} with few members)"


def test_one_more_strip_moves_no_member_of_another(loaded: Config) -> None:
    site = loaded.sites[0]
    entries = readings_of(site, np.random.default_rng(7))
    without = replace(site, strips=site.strips[1:])
    whole = judged(loaded, site, entries, 3, 50)
    part = judged(loaded, without, [e for e in entries if e.strip_id != site.strips[0].id], 3, 50)
    np.testing.assert_array_equal(whole.moisture.w_pct[:, 1:], part.moisture.w_pct)
    moved = [
        a.strip_id
        for a, b in zip(whole.decisions[1:], part.decisions, strict=True)
        if (a.facts["chance_in_window"], a.facts["chance_too_wet"])
        != (b.facts["chance_in_window"], b.facts["chance_too_wet"])
    ]
    assert moved == [], f"{len(moved)} of {len(part.decisions)} strips moved"
