"""What the entries of a strip come to: the newest of each thing counts, and a new lift covers pond and crust."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from gonogo.moisture.ground_state import NOTHING_SEEN, GroundState, ground_state
from gonogo.records.field import CLEARED, DRAINED, FIRM, FROZEN, POND, SLICK, SNOW, GroundSeen, SurfaceWork

NOW = datetime(2026, 5, 12, 12, 0, tzinfo=UTC)


def ago(hours: float) -> datetime:
    return NOW - timedelta(hours=hours)


def seen(hours: float, state: str, mm: float | None = None, strip_id: str = "N1") -> GroundSeen:
    return GroundSeen(strip_id=strip_id, at_utc=ago(hours), state=state, lying_mm=mm)


def worked(hours: float, work: str) -> SurfaceWork:
    return SurfaceWork(strip_id="N1", at_utc=ago(hours), work=work)


def state(*entries: GroundSeen | SurfaceWork) -> GroundState:
    return ground_state("N1", entries, NOW)


def test_the_newest_of_snow_and_its_clearing_counts_in_any_order_of_the_entries() -> None:
    assert state(seen(2, CLEARED), seen(5, SNOW, 80.0)) == GroundState(cleared_utc=ago(2))
    assert state(seen(2, SNOW, 30.0), seen(5, CLEARED)) == GroundState(snow_utc=ago(2), snow_mm=30.0)


def test_of_another_strip_or_of_the_future_nothing_counts() -> None:
    assert state(seen(2, SNOW, 80.0, "N2"), seen(-1, SLICK)) == NOTHING_SEEN


def test_a_pond_seen_again_stands_since_it_was_first_seen_until_it_is_drained() -> None:
    twice = state(seen(30, POND, 40.0), seen(6, POND, 25.0))
    assert (twice.ponded_utc, twice.pond_utc, twice.pond_mm) == (ago(30), ago(6), 25.0)
    drained = state(seen(30, POND, 40.0), seen(6, DRAINED))
    assert (drained.ponded_utc, drained.pond_mm, drained.drained_utc) == (ago(30), 40.0, ago(6))
    anew = state(seen(30, POND, 40.0), seen(20, DRAINED), seen(6, POND, 5.0))
    assert (anew.ponded_utc, anew.pond_mm, anew.drained_utc) == (ago(6), 5.0, None)


def test_a_bad_crust_is_over_once_it_is_firm_or_broken_up() -> None:
    assert state(seen(5, SLICK), seen(4, FROZEN)) == GroundState(slick_utc=ago(5), frozen_utc=ago(4))
    assert state(seen(5, SLICK), seen(4, FROZEN), seen(3, FIRM)) == NOTHING_SEEN
    assert state(seen(5, SLICK), worked(3, "disked")) == NOTHING_SEEN
    assert state(seen(5, SLICK), worked(3, "rolled")).slick_utc == ago(5)


def test_a_new_lift_covers_a_pond_and_no_snow_that_nobody_cleared() -> None:
    found = state(seen(9, SNOW, 50.0), seen(5, POND, 40.0), worked(3, "spread"))
    assert found == GroundState(snow_utc=ago(9), snow_mm=50.0)
