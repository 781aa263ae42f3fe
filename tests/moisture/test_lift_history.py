"""What belongs to the lift that lies there now, and how many lie below it."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from sites import STRIP

from gonogo.moisture.lift_history import lift_history, lifts_done
from gonogo.records.field import Entry, Reading, SurfaceWork, Watering

NOW = datetime(2026, 5, 12, 10, tzinfo=UTC)


def work(hours_ago: float, what: str, strip: str = STRIP.id) -> SurfaceWork:
    return SurfaceWork(strip_id=strip, at_utc=NOW - timedelta(hours=hours_ago), work=what)


def reading(hours_ago: float, w_pct: float = 15.0) -> Reading:
    return Reading(strip_id=STRIP.id, at_utc=NOW - timedelta(hours=hours_ago), w_pct=w_pct, method="oven")


def test_of_three_lifts_only_what_came_on_the_last_counts() -> None:
    below = [work(90, "spread"), reading(88, 11.0), work(80, "rolled"), work(60, "spread"), reading(55, 12.0)]
    now = [work(20, "spread"), reading(18, 16.0), Watering(strip_id=STRIP.id, at_utc=NOW, litres=4000.0)]
    history = lift_history(STRIP, [*now, *below], NOW)
    assert [r.w_pct for r in history.readings] == [16.0]
    assert len(history.waterings) == 1
    assert history.lift_from_utc == NOW - timedelta(hours=20)
    assert not history.is_rolled


def test_what_happens_at_the_very_moment_of_spreading_and_of_the_morning_belongs_to_the_lift() -> None:
    entries: list[Entry] = [work(20, "spread"), reading(20), reading(0), reading(-0.1)]
    assert len(lift_history(STRIP, entries, NOW).readings) == 2


@pytest.mark.parametrize(
    ("works", "n_done"),
    [
        ([], 0),
        (["rolled"], 1),
        (["rolled", "rolled"], 1),
        (["rolled", "spread"], 1),
        (["spread", "rolled", "spread", "rolled"], 2),
        (["spread", "disked", "sealed"], 0),
    ],
)
def test_a_lift_rolled_twice_is_one_lift(works: list[str], n_done: int) -> None:
    entries = [work(50.0 - k, what) for k, what in enumerate(works)]
    assert lifts_done(STRIP, entries[::-1], NOW) == n_done
    assert lifts_done(STRIP, [*entries, work(-1, "rolled"), work(2, "rolled", "another")], NOW) == n_done


TWO_LIFTS = replace(STRIP, lifts=2)


@pytest.mark.parametrize(("hours_after", "assumed"), [(0.5, ""), (1.9, ""), (2.0, "new_lift"), (30.0, "new_lift")])
def test_a_test_soon_after_rolling_is_of_the_rolled_lift_and_a_later_one_of_the_next(
    hours_after: float, assumed: str
) -> None:
    """Two hours after rolling nobody tests the moisture of what is done: a lift lies there that was not recorded."""
    found = lift_history(TWO_LIFTS, [work(60, "spread"), work(50, "rolled"), reading(50 - hours_after)], NOW)
    assert found.assumed == assumed
    assert found.is_rolled is not bool(assumed)
    assert lift_history(STRIP, [work(60, "spread"), work(50, "rolled"), reading(50 - hours_after)], NOW).is_rolled


def test_a_density_test_is_of_the_rolled_lift_whenever_it_comes() -> None:
    density = replace(reading(10.0), dry_density_kg_m3=1690.0)
    assert lift_history(TWO_LIFTS, [work(60, "spread"), work(50, "rolled"), density], NOW).is_rolled
