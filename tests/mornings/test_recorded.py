"""Each recorded morning comes out as it was recorded: one test a morning and part, the difference in the message."""

from __future__ import annotations

import functools
import json
import os
import subprocess
import sys
from pathlib import Path

import generated
import pytest
import record
import sheet

PARTS = ("verdicts", "outlook", "order", "changes", "moisture", "mails", "the rest")
AGAIN = "If that is meant: python tests/mornings/record.py, and a word in README's Changes (with **Verdict:**)."


@functools.cache
def now(name: str) -> sheet.Sheet:
    return record.recorded(record.FOLDER / name)


@functools.cache
def generated_now() -> sheet.Sheet:
    return generated.mornings()


def part_of(whole: sheet.Sheet, part: str) -> list[sheet.Sheet]:
    """Return a part of every run; the rest has what stands beside the runs too."""
    if part != "the rest":
        return [{"at": run["at"], part: run[part]} for run in whole["runs"]]
    beside = {key: value for key, value in whole.items() if key != "runs"}
    return [beside, *({k: v for k, v in run.items() if k not in PARTS} for run in whole["runs"])]


def require_same(old: object, new: object, name: str) -> None:
    changed = list(sheet.differences(old, new, name))
    assert not changed, "\n".join([*changed, AGAIN])


@pytest.mark.parametrize("part", PARTS)
@pytest.mark.parametrize("name", record.names())
def test_a_morning_comes_out_as_it_was_recorded(name: str, part: str) -> None:
    require_same(part_of(record.expected(name), part), part_of(now(name), part), name)


@pytest.mark.parametrize("n", range(1, generated.N_MORNINGS + 1))
def test_a_generated_morning_comes_out_as_it_was_recorded(n: int) -> None:
    name = f"morning {n}"
    old = json.loads(record.GENERATED.read_text(encoding="utf-8"))
    require_same(old[name], generated_now()[name], name)


def test_a_difference_is_said_with_its_place() -> None:
    old = {"N1": {"verdict": "wait", "litres": None}, "text": ["a", "b"], "works": [{"lift": 1}]}
    new = {"N1": {"verdict": "water", "litres": None}, "text": ["a", "c"], "works": [{"lift": 2}], "more": 1}
    assert list(sheet.differences(old, new, "demo")) == [
        "demo.N1.verdict: 'wait' -> 'water'",
        "demo.text:",
        "    @@ -2 +2 @@",
        '    -"b"',
        '    +"c"',
        "demo.works[0].lift: 1 -> 2",
        "demo.more: new",
    ]
    assert list(sheet.differences(old, old, "demo")) == []


def test_another_process_another_order_of_hashes_and_one_thread_come_to_the_same() -> None:
    """What sets iterate and how sums are split over threads must not reach a crew."""
    environ = {
        **os.environ,
        "PYTHONHASHSEED": "77",
        "OMP_NUM_THREADS": "1",
        "OPENBLAS_NUM_THREADS": "1",
        "TZ": "Asia/Tokyo",
    }
    script = str(Path(record.__file__))
    arguments = [sys.executable, script, "--check", "second_lift", "dry_hot"]
    done = subprocess.run(arguments, env=environ, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
