"""What lies on a strip, as it is recorded: each state told, and refused or asked about where it is impossible."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from sites import STRIP, small_site

from gonogo.errors import ConfigError
from gonogo.field import entries, nothing_there
from gonogo.field.record import entry_text
from gonogo.field.seen import STATES
from gonogo.records.field import CLEARED, DRAINED, FIRM, POND, SNOW, WITH_DEPTH, Entry, GroundSeen

NOW = datetime(2026, 5, 12, 12, 0, tzinfo=UTC)
SITE = small_site()


def parsed(**fields: str) -> entries.NewEntry:
    (new,) = entries.parse([("command line", {"kind": "ground", "strip": STRIP.id, **fields})], SITE, NOW)
    return new


def seen(state: str, hours_ago: float = 0.0) -> GroundSeen:
    depth = 40.0 if state in WITH_DEPTH else None
    return GroundSeen(strip_id=STRIP.id, at_utc=NOW - timedelta(hours=hours_ago), state=state, lying_mm=depth)


@pytest.mark.parametrize("state", STATES)
def test_each_state_is_recorded_with_its_depth_where_it_has_one(state: str) -> None:
    depth = {"lying_mm": "40"} if state in WITH_DEPTH else {}
    assert parsed(state=state, **depth).entry == seen(state)
    told = entry_text(SITE, seen(state))
    assert f"{STRIP.id} ground {state}" in told
    assert told.endswith("40 mm") == (state in WITH_DEPTH)


@pytest.mark.parametrize(
    ("fields", "key", "wrong"),
    [
        ({"state": "snow"}, "lying_mm", "missing"),
        ({"state": "pond"}, "lying_mm", "missing"),
        ({"state": "pond", "lying_mm": "501"}, "lying_mm", "more than 500 mm of water"),
        ({"state": "snow", "lying_mm": "3001"}, "lying_mm", "lies outside 1 to 3000"),
        ({"state": "snow", "lying_mm": "0.2"}, "lying_mm", "looks like metres"),
        ({"state": "snow", "lying_mm": "-5"}, "lying_mm", "lies outside"),
        ({"state": "cleared", "lying_mm": "5"}, "lying_mm", "has no depth"),
        ({"state": "cleard"}, "state", "no such state"),
        ({"state": "firm", "strip": "X9"}, "strip", "no such strip"),
        ({"state": "firm", "at": "2026-05-13 08:00"}, "at", "future"),
        ({"state": "firm", "litres": "9"}, "litres", "has no such value"),
    ],
)
def test_what_cannot_be_is_refused_in_words(fields: dict[str, str], key: str, wrong: str) -> None:
    with pytest.raises(ConfigError) as refused:
        parsed(**fields)
    assert any(f.key == key and wrong in f"{f.wrong} {f.right}" for f in refused.value.faults)
    assert all("Nothing was stored." in f.right for f in refused.value.faults)


@pytest.mark.parametrize(
    ("state", "known", "facts", "is_asked"),
    [
        (CLEARED, (), {}, True),
        (CLEARED, (seen(SNOW, 2.0),), {}, False),
        (CLEARED, (), {"snow_lying_mm": 3.0}, False),
        (CLEARED, (), {"standing_water_mm": 3.0}, True),
        (CLEARED, (seen(SNOW, 9.0), seen(CLEARED, 2.0)), {}, True),
        (DRAINED, (seen(SNOW, 2.0),), {}, True),
        (DRAINED, (seen(POND, 2.0),), {}, False),
        (DRAINED, (), {"standing_water_mm": 0.4}, False),
        (FIRM, (), {}, False),
    ],
)
def test_what_is_gone_but_was_not_known_is_asked_about(
    state: str, known: tuple[Entry, ...], facts: dict[str, float], is_asked: bool
) -> None:
    faults = nothing_there.faults([parsed(state=state)], known, {STRIP.id: facts})
    assert [f.key for f in faults] == (["state"] if is_asked else [])
    assert nothing_there.faults([parsed(state=state, meant="again")], known, {STRIP.id: facts}) == []


def test_snow_and_its_clearing_may_come_in_one_file() -> None:
    rows = [
        ("f.csv:2", {"kind": "ground", "strip": STRIP.id, "state": "snow", "lying_mm": "60", "at": "2026-05-12 01:00"}),
        ("f.csv:3", {"kind": "ground", "strip": STRIP.id, "state": "cleared", "at": "2026-05-12 03:00"}),
    ]
    new = entries.parse(rows, SITE, NOW)
    assert nothing_there.faults(new, (), {}) == []
