"""Mornings killed at steps drawn by chance: the short form of tests/crash_harness.py, which does hundreds."""

from __future__ import annotations

import os
from collections.abc import Iterator

import pytest
from crash_harness import FAULTS, Harness, Row, crash_rows, kind

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="the harness forks its processes")


@pytest.fixture(scope="module")
def harness(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Harness]:
    made = Harness(tmp_path_factory.mktemp("crashes"), seed=7)
    yield made
    made.close()


def whole(row: Row) -> bool:
    return row.lost == 0 and row.twice == row.twice_in_instant and row.twice_other_id == 0


def test_nothing_is_lost_and_nothing_sent_twice_wherever_a_morning_is_killed(harness: Harness) -> None:
    rows = crash_rows(harness, 6)
    total = rows["all mornings"]
    assert total.kills >= 6
    assert total.mails == total.arrived > 0
    assert whole(total)


def test_a_kill_between_the_answer_and_our_record_doubles_one_mail_under_one_message_id(harness: Harness) -> None:
    killed = harness.morning(1, [harness.steps(1).index("content: answer read") + 1])
    assert [kind(name) for name in killed.kills] == ["between our last byte of a mail and our record (the one instant)"]
    assert (killed.row.arrived, killed.row.lost, killed.row.twice, killed.row.twice_other_id) == (3, 0, 1, 0)


@pytest.mark.parametrize(
    "fault", ["5xx to the recipient", "drop in DATA", "drop before the final answer", "wrong certificate"]
)
def test_a_fault_of_the_server_and_a_kill_on_top_lose_nothing(harness: Harness, fault: str) -> None:
    assert fault in FAULTS
    row = harness.faulty(fault, [harness.rng.randint(20, 70)]).row
    assert row.kills == 1
    assert row.lost == 0
    assert row.arrived + row.told == row.mails
    assert (row.told > 0) == fault.startswith("5xx")
    assert row.twice_other_id == 0
    if fault != "drop before the final answer":
        assert row.twice == row.twice_in_instant
