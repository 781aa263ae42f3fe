"""What a mail in the middle of a day says of work that was told before it, in the hours and words of that telling."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import mail_scene as scene
import pytest

from gonogo.mail.items import MorningView
from gonogo.records.day_plan import Badge, Job, NewLift, NotRecorded, StripPlan, Task
from gonogo.wording.language import speaker

EN = speaker("en", "metric")


def said(lines: object) -> str:
    assert isinstance(lines, tuple)
    return " ".join(EN.say(line) for line in lines).replace("\u00a0", " ")


def lines_of(made: MorningView, strip_id: str) -> str:
    return said(next(row for row in made.rows if row.instruction.strip_id == strip_id).lines)


def with_strip(strip_id: str, jobs: tuple[Job, ...] | None = None, **changes: object) -> MorningView:
    plan = scene.morning().plan
    strips: tuple[StripPlan, ...] = tuple(replace(s, **changes) if s.strip_id == strip_id else s for s in plan.strips)
    return scene.built(plan=replace(plan, strips=strips, jobs=plan.jobs if jobs is None else jobs))


@pytest.mark.parametrize(("task", "is_mixed"), [(Task.SOAK, False), (Task.MIX, True)])
def test_how_water_is_worked_in_stays_so_once_that_is_over(task: Task, is_mixed: bool) -> None:
    """Water on a dry top only soaks in: once it had, the row said to mix it into the lift after all."""
    plan = scene.morning().plan
    rolling = plan.rolling("N2")
    assert rolling is not None
    over_utc = plan.made_utc - timedelta(minutes=5)
    worked = replace(
        rolling,
        task=task,
        machine_id="",
        start_utc=over_utc - timedelta(hours=1),
        end_utc=over_utc,
        is_after_test=False,
    )
    made = with_strip("N2", (worked, *plan.jobs))
    of = next(row.instruction for row in made.rows if row.instruction.strip_id == "N2")
    assert of.is_mixed is is_mixed
    assert ("Mix in, test" in lines_of(made, "N2")) is is_mixed


def test_told_rolling_is_asked_for_by_the_hour_that_its_mail_had() -> None:
    """A window begins no earlier than it may, so 10:51 was told as 10:55."""
    start_utc = scene.at(-13.15)
    work = NotRecorded(
        task=Task.ROLL,
        told_utc=scene.at(-18.5),
        start_utc=start_utc,
        end_utc=start_utc + timedelta(hours=1),
        litres=0.0,
        chance_done=0.5,
        is_running=False,
    )
    made = with_strip("N5", not_recorded=(work,), test=scene.testing())
    assert "Told to roll Tue 10:55: not recorded." in lines_of(made, "N5")
    assert "rolling of N5 (told Tue 10:55)" in said(made.box)
    asked = " ".join(EN.say(line) for line in made.planner.asked).replace("\u00a0", " ")
    assert "N5: was it rolled (told Tue 16 Jun 10:55)?" in asked


def test_an_hour_that_not_all_tests_have_is_told_of_the_first() -> None:
    strips = tuple(scene.strip(f"A{k}", f"A{k}") for k in range(2))
    decisions = [scene.decision(s.id, scene.Verdict.WAIT, "no_reading") for s in strips]
    plan = scene.morning(strips=strips, decisions=decisions, order=None).plan
    assert [s.badge for s in plan.strips] == [Badge.TEST] * 2
    for by_utc, told in ((scene.at(7), "Test A0 and A1 by 07:00."), (None, "Test A0 and A1, the first by 07:00.")):
        tested = (
            replace(plan.strips[0], test=scene.testing()),
            replace(plan.strips[1], test=scene.testing(by_utc=by_utc)),
        )
        made = scene.built(strips=strips, decisions=decisions, order=None, plan=replace(plan, strips=tested))
        assert told in said(made.headline)


def test_water_overnight_on_a_lift_that_is_only_taken_to_lie_there_stands_in_its_row() -> None:
    """The driver's card had 18,400 L for it, and the row none."""
    plan = scene.morning().plan
    water = next(job for job in plan.jobs if job.task == Task.WATER)
    coming = NewLift(
        lift=2,
        is_assumed=True,
        is_rework=False,
        w_pct=16.0,
        thickness_m=0.2,
        spread_utc=None,
        stop="",
        test=None,
        roll_by_utc=None,
    )
    made = with_strip(
        water.strip_id, tuple(j for j in plan.jobs if j is water), badge=Badge.WAIT, new_lift=coming, test=None
    )
    told = lines_of(made, water.strip_id)
    assert f"{EN.say(made.driver.cards[0].instruction.litres)}".replace("\u00a0", " ") in told
    assert "taken as lift 2" in told
