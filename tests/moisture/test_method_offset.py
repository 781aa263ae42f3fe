"""What pairs of a quick test and the oven tell of the quick one."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from sites import small_site

from gonogo.moisture.lift_history import lift_history
from gonogo.moisture.method_offset import method_offsets_pct, of_material
from gonogo.records.field import Reading

NOON = datetime(2026, 5, 11, 12, tzinfo=UTC)
SITE = small_site()
STRIP = SITE.strips[0]


def reading(method: str, w_pct: float, minutes: float = 0.0, depth_mm: float | None = None) -> Reading:
    return Reading(
        strip_id=STRIP.id,
        at_utc=NOON + timedelta(minutes=minutes),
        w_pct=w_pct,
        method=method,
        depth_mm=depth_mm,
    )


def test_an_offset_grows_towards_what_pairs_say_and_one_pair_is_not_believed_whole() -> None:
    # Variance of a pair: 0.6^2 + 0.4^2 + 2 x 0.3^2 = 0.70; prior 1: one pair counts 1 / 1.70, ten 10 / 10.70.
    pair = [reading("nuclear gauge", 13.7), reading("oven", 12.0, 20.0)]
    assert method_offsets_pct(SITE, pair)[STRIP.material_id]["nuclear gauge"] == pytest.approx(1.7 / 1.70)
    many = [replace(r, at_utc=r.at_utc + timedelta(days=day)) for day in range(10) for r in pair]
    assert method_offsets_pct(SITE, many)[STRIP.material_id]["nuclear gauge"] == pytest.approx(1.7 * 10 / 10.70)


@pytest.mark.parametrize("oven", [reading("oven", 12.0, 61.0), replace(reading("oven", 12.0), strip_id="another")])
def test_what_is_no_pair_tells_nothing(oven: Reading) -> None:
    assert method_offsets_pct(SITE, [reading("nuclear gauge", 13.7), oven]) == {}


def test_tests_of_different_depths_are_no_pair_and_the_oven_has_no_offset() -> None:
    upper = reading("nuclear gauge", 10.0, depth_mm=100.0)
    assert method_offsets_pct(SITE, [upper, reading("oven", 12.0, depth_mm=250.0)]) == {}
    assert list(method_offsets_pct(SITE, [upper, reading("oven", 12.0)])[STRIP.material_id]) == ["nuclear gauge"]


def test_a_reading_counts_as_the_oven_would_have_found_it() -> None:
    entries = [reading("nuclear gauge", 13.7), reading("oven", 12.0, 20.0), reading("nuclear gauge", 13.0, 300.0)]
    offsets = of_material(method_offsets_pct(SITE, entries), STRIP.material_id)
    history = replace(lift_history(STRIP, entries, NOON + timedelta(hours=6)), offset_pct=offsets)
    assert history.as_oven_pct(entries[2]) == pytest.approx(12.0)
    assert history.as_oven_pct(entries[1]) == 12.0
    assert of_material({}, STRIP.material_id) == {}
