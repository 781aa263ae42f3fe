"""A process knows its own dead: what they held need not wait for its lease to run out, and what lives is left alone."""

from __future__ import annotations

import subprocess
import sys
from datetime import date, timedelta

import pytest
import sqlalchemy as sa
from messages import MORNING

from gonogo.store import claims, owner

PRINT = "from gonogo.store import owner; print(owner.own_name(), flush=True); input()"
needs_proc = pytest.mark.skipif(not owner._PROC.joinpath("self/stat").exists(), reason="no process table in /proc here")


@needs_proc
def test_a_process_is_dead_when_it_is_and_not_before() -> None:
    process = subprocess.Popen([sys.executable, "-c", PRINT], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
    assert process.stdout is not None
    name = process.stdout.readline().strip()
    assert not owner.is_dead(name)
    process.communicate("\n", timeout=30)
    assert owner.is_dead(name)
    assert not owner.is_dead(owner.own_name())


@needs_proc
@pytest.mark.parametrize("place", range(4))
def test_what_cannot_be_known_from_here_counts_as_alive(place: int) -> None:
    parts = owner.own_name().rsplit(":", 4)
    parts[2] = "999999999"
    assert owner.is_dead(":".join(parts))
    parts[place] = "-" if place > 1 else "elsewhere"
    assert not owner.is_dead(":".join(parts))


@pytest.mark.parametrize("name", ["", "a", "a:b:c:d:e", "host:1:2"])
def test_a_name_of_another_kind_counts_as_alive(name: str) -> None:
    assert not owner.is_dead(name)


def test_a_number_that_was_given_out_again_is_another_process() -> None:
    parts = owner.own_name().rsplit(":", 4)
    if parts[3] == "-":
        pytest.skip("no process table in /proc here")
    parts[3] = str(int(parts[3]) - 1)
    assert owner.is_dead(":".join(parts))


def test_a_claim_of_a_dead_process_is_taken_over_at_once_and_no_other(store: sa.Engine) -> None:
    day = date(2026, 6, 1)
    for site_id, holder in (("north", "dead"), ("south", "alive")):
        assert claims.claim_run(store, site_id, day, "morning", now_utc=MORNING, owner=holder)
    later = MORNING + timedelta(seconds=1)
    assert claims.release_dead(store, now_utc=later, is_dead=lambda name: name == "dead") == 1
    north = claims.claim_run(store, "north", day, "morning", now_utc=later, owner="b")
    assert north is not None
    assert north.attempt == 2
    assert claims.claim_run(store, "south", day, "morning", now_utc=later, owner="b") is None


def test_a_run_that_takes_too_long_can_be_taken_from_it_and_its_result_is_dropped(store: sa.Engine) -> None:
    day = date(2026, 6, 1)
    slow = claims.claim_run(store, "north", day, "morning", now_utc=MORNING, owner="a")
    watch = claims.claim_run(store, "north", day, "morning", now_utc=MORNING, owner="a", takes_over=True)
    assert slow is not None
    assert watch is not None
    record = claims.RunRecord(
        decisions=(), outlook=(), config_text="", seed=None, program_version="2026.1", answer_id=None
    )
    from gonogo.store import schema

    with pytest.raises(claims.TakenOverError), schema.begin(store) as connection:
        claims.finish_run(connection, slow, record, now_utc=MORNING)
    with schema.begin(store) as connection:
        claims.finish_run(connection, watch, record, now_utc=MORNING)
    assert claims.claim_run(store, "north", day, "morning", now_utc=MORNING, owner="b", takes_over=True) is None
