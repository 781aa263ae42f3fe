"""A wet strip has a way back, and the better it dries the sooner: the whole way from weather to the plan."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest
from guide_table.mornings import Morning, mornings

from gonogo.records.verdict import Verdict

WET = (3, 4, 5, 6)
NEVER = datetime.max.replace(tzinfo=UTC)


@pytest.fixture(scope="module")
def by_sky() -> dict[str, dict[tuple[int, int], Morning]]:
    return {
        sky: {(m.deviation, m.lift_mm): m for m in mornings("silt_loam", sky, WET, (200,))}
        for sky in ("dry hot", "mild", "drizzle")
    }


def ready_utc(morning: Morning) -> datetime:
    """Return when a strip may be ready by the plan, the end of time where never.

    Its next try, or the second test of a strip whose first one may find it wet: that is disked in between.
    """
    if morning.decision.verdict != Verdict.WAIT:
        return morning.decision.from_utc or NEVER
    coming, test = morning.plan.next, morning.plan.test
    found = [None if coming is None else coming.at_utc, None if test is None else test.again_utc]
    return min((at for at in found if at is not None), default=NEVER)


@pytest.mark.parametrize("deviation", WET)
def test_more_drying_weather_is_never_ready_later(
    by_sky: dict[str, dict[tuple[int, int], Morning]], deviation: int
) -> None:
    hot, mild, drizzle = (ready_utc(by_sky[sky][deviation, 200]) for sky in ("dry hot", "mild", "drizzle"))
    assert hot <= mild <= drizzle


def test_a_wet_strip_in_hot_sun_has_an_hour_and_diskings_before_it(
    by_sky: dict[str, dict[tuple[int, int], Morning]],
) -> None:
    for deviation in WET:
        morning = by_sky["dry hot"][deviation, 200]
        back = morning.plan.dry_back
        assert ready_utc(morning) < NEVER
        if morning.decision.reason == "too_wet":
            assert back is not None
            assert back.disk_utc


def test_where_it_hardly_dries_treating_and_removing_are_said_beside_disking(
    by_sky: dict[str, dict[tuple[int, int], Morning]],
) -> None:
    for deviation in (4, 5, 6):
        assert "treat_or_remove" in by_sky["mild"][deviation, 200].decision.advice
        assert "treat_or_remove" not in by_sky["dry hot"][deviation, 200].decision.advice
