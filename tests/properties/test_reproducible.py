"""A verdict is of the strip and the morning, not of the draw: counted over mornings with tests all over the window."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest
from example_mornings import example_config, recorded

from gonogo.cli import demo
from gonogo.config.load import Config
from gonogo.decide.closeness import is_close
from gonogo.decide.facts import FACTS
from gonogo.decide.judge import Judgement, Look, SiteDay, judge, look, look_closer
from gonogo.morning.judging import MEMBERS_CLOSE, close_strips
from gonogo.records.field import Reading
from gonogo.records.site import Site
from gonogo.weather import series
from gonogo.weather.series import HourlyWeather
from gonogo.weather.table import ReceivedForecast

NOW = demo.MORNING_UTC
CLEAR = 0.05
N_MORNINGS = 4


@pytest.fixture(scope="module")
def loaded(tmp_path_factory: pytest.TempPathFactory) -> Config:
    return example_config(Path(tmp_path_factory.mktemp("config")))


def weather_of(loaded: Config, site: Site, seed: int, n_members: int) -> HourlyWeather:
    downloaded = recorded(loaded.sites[0], NOW, ())
    return series.check(
        ReceivedForecast(parsed=downloaded.parsed, fetched_utc=downloaded.answer.fetched_utc),
        site=site,
        now_utc=NOW,
        gauge=(),
        n_members=n_members,
        rng=np.random.default_rng([1, seed]),
    )


def site_day(loaded: Config, site: Site) -> SiteDay:
    return SiteDay(site=site, day=demo.DAY, now_utc=NOW, settings=loaded.settings[site.id])


def judged(loaded: Config, site: Site, entries: Sequence[Reading], seed: int, n_members: int) -> Judgement:
    weather = weather_of(loaded, site, seed, n_members)
    rng = np.random.default_rng([2, seed])
    return judge(site_day(loaded, site), weather=weather, entries=entries, rng=rng)


def seen(loaded: Config, site: Site, entries: Sequence[Reading], seed: int) -> Look:
    weather, rng = weather_of(loaded, site, seed, 50), np.random.default_rng([2, seed])
    return look(site_day(loaded, site), weather=weather, entries=entries, rng=rng)


def seen_closer(loaded: Config, first: Look, strip_ids: Collection[str], entries: Sequence[Reading], seed: int) -> Look:
    site = loaded.sites[0]
    weather, rng = weather_of(loaded, site, seed, MEMBERS_CLOSE), np.random.default_rng([2, seed])
    return look_closer(first, site_day(loaded, site), strip_ids, weather=weather, rng=rng, entries=entries)


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
            first = seen(loaded, site, entries, seed)
            near = close_strips(first.decisions)
            few.append(first.decisions)
            final.append((seen_closer(loaded, first, near, entries, seed) if near else first).decisions)
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


def told_of(seen_by: Look, s: int) -> dict[str, float]:
    """What is known of a strip, but for what the truck, which others ask for too, could do."""
    facts = seen_by.decisions[s].facts
    return {name: value for name, value in facts.items() if not FACTS[name].is_of_water}


def test_a_strip_is_judged_alike_whichever_others_are_looked_at_closer(loaded: Config) -> None:
    site = loaded.sites[0]
    entries = readings_of(site, np.random.default_rng(11))
    first, ids = seen(loaded, site, entries, 5), [strip.id for strip in site.strips]
    every = seen_closer(loaded, first, ids, entries, 5)
    some = seen_closer(loaded, first, ids[1:3], entries, 5)
    other = seen_closer(loaded, first, ids[2:4], entries, 5)
    moved = [s for s in range(len(ids)) if told_of(first, s) != told_of(every, s)]
    assert moved == list(range(len(ids))), "more members tell the same: nothing is asked here"
    for seen_by, near in ((some, ids[1:3]), (other, ids[2:4])):
        for s, strip_id in enumerate(ids):
            closest = every if strip_id in near else first
            np.testing.assert_equal(told_of(seen_by, s), told_of(closest, s), err_msg=strip_id)
            assert seen_by.prepared.inputs.n_members(s) == (MEMBERS_CLOSE if strip_id in near else 50)
            held = (made.prepared.inputs.w_pct[:, s] for made in (seen_by, closest))
            np.testing.assert_array_equal(*held)
    assert [n.readings for n in (some.done, every.done)] == [first.done.readings] * 2
