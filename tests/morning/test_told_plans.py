"""What a re-check told whom: it told a crew that it mailed, and no other; what that was mailed before stands."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime, timedelta

import pytest
from example_mornings import example_config, opened, run_example

from gonogo.cli import demo
from gonogo.moisture.lift_history import LiftHistory
from gonogo.moisture.unknown_work import told_work
from gonogo.morning.previous import told_plans
from gonogo.records.day_plan import DayPlan, Job, Task
from gonogo.records.site import Crew, Recipient, Site
from gonogo.soil.density import density_result

MORNING, LOOK = "morning", "look-1100"
LATER = timedelta(hours=3)


@pytest.fixture(scope="module")
def told(tmp_path_factory: pytest.TempPathFactory) -> tuple[Site, DayPlan]:
    config = example_config(tmp_path_factory.mktemp("told"))
    store = opened(config)
    result = run_example(config, store)
    store.dispose()
    assert result is not None
    assert result.conclusion.plan is not None
    return config.sites[0], result.conclusion.plan


def rolling(plan: DayPlan) -> Job:
    return next(job for job in plan.jobs if job.task == Task.ROLL)


def moved(plan: DayPlan) -> DayPlan:
    """The plan as a re-check made half an hour before its first rolling puts that off."""
    first = rolling(plan)
    later = replace(first, start_utc=first.start_utc + LATER, end_utc=first.end_utc + LATER)
    return replace(
        plan,
        edition=LOOK,
        made_utc=first.start_utc - timedelta(minutes=30),
        jobs=tuple(later if job is first else job for job in plan.jobs),
    )


def asked(site: Site, plans: tuple[DayPlan, ...], strip_id: str, now_utc: datetime) -> list[datetime]:
    """When rolling was told of which nobody knows."""
    nothing = LiftHistory(readings=(), waterings=(), works=(), is_rolled=False)
    found = told_work(site, [nothing] * len(site.strips), plans, now_utc, 0.7)
    return [work.start_utc for work in found.get(strip_id, ()) if work.task == Task.ROLL]


def test_hours_that_a_recheck_moved_and_told_nobody_were_never_told(told: tuple[Site, DayPlan]) -> None:
    site, plan = told
    first = rolling(plan)
    crews = frozenset(crew.id for crew in site.crews)
    now_utc = first.end_utc + timedelta(minutes=30)
    mailed: dict[tuple[date, str], frozenset[str]] = {(demo.DAY, MORNING): crews}
    plans = (plan, moved(plan))
    assert asked(site, told_plans(site, plans, mailed), first.strip_id, now_utc) == [first.start_utc]
    assert asked(site, told_plans(site, plans, mailed | {(demo.DAY, LOOK): crews}), first.strip_id, now_utc) == []


def test_a_recheck_told_the_crew_that_it_mailed_alone(told: tuple[Site, DayPlan]) -> None:
    site, plan = told
    first = rolling(plan)
    crews = frozenset(crew.id for crew in site.crews)
    assert len(crews) > 1
    for own in crews:
        mailed = {(demo.DAY, MORNING): crews, (demo.DAY, LOOK): frozenset((own,))}
        _, look = told_plans(site, (plan, moved(plan)), mailed)
        assert {strip.crew_id for strip in look.strips} == {own}
        assert {job.crew_id for job in look.jobs} <= {own}
        assert {sealing.crew_id for sealing in look.sealings} <= {own}
        # The other's plan of the morning is in force until now, not until the re-check that it never saw.
        is_own = first.crew_id == own
        plans = told_plans(site, (plan, moved(plan)), mailed)
        hours = asked(site, plans, first.strip_id, first.end_utc)
        assert hours == ([] if is_own else [first.start_utc])


def test_what_nobody_is_mailed_is_told_by_every_run(told: tuple[Site, DayPlan]) -> None:
    site, plan = told
    assert told_plans(site, (plan, moved(plan)), {}) == (plan, moved(plan))
    assert told_plans(site, (plan,), {(demo.DAY, LOOK): frozenset(("north",))}) == (plan,)


def test_a_crew_is_told_under_the_name_of_another_where_its_readers_are_mailed_so(told: tuple[Site, DayPlan]) -> None:
    site, plan = told
    ada = Recipient(name="Ada Reader", address="ada@example.com", role="superintendent")
    bo = replace(ada, name="Bo Reader", address="bo@example.com")
    first, second, *others = site.crews

    def read_by(own: tuple[Recipient, ...], theirs: tuple[Recipient, ...]) -> Site:
        crews: tuple[Crew, ...] = (replace(first, recipients=own), replace(second, recipients=theirs), *others)
        return replace(site, crews=crews)

    mailed = {
        (demo.DAY, MORNING): frozenset((first.id, second.id)),
        (demo.DAY, LOOK): frozenset((first.id,)),
    }
    for read, is_told in ((read_by((ada, bo), (ada,)), True), (read_by((ada,), (ada, bo)), False)):
        _, look = told_plans(read, (plan, moved(plan)), mailed)
        assert (second.id in {strip.crew_id for strip in look.strips}) is is_told


def test_rolling_is_not_asked_for_where_the_density_of_its_lift_passed(told: tuple[Site, DayPlan]) -> None:
    site, plan = told
    first = rolling(plan)
    now_utc = first.end_utc + timedelta(minutes=30)
    passed = density_result(16.0, 1700.0, mdd_kg_m3=1750.0, specific_gravity=2.69)

    def asked_of(lift: int) -> set[Task]:
        told_now = replace(plan, jobs=tuple(replace(j, lift=lift) if j is first else j for j in plan.jobs))
        dense = LiftHistory(readings=(), waterings=(), works=(), is_rolled=True, number=first.lift, passed=passed)
        found = told_work(site, [dense] * len(site.strips), (told_now,), now_utc, 0.7)
        return {work.task for work in found.get(first.strip_id, ())}

    assert Task.ROLL not in asked_of(first.lift)
    assert Task.ROLL in asked_of(first.lift + 1)  # of the lift that was to be spread on it, it says nothing
