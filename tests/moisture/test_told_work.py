"""Told work piece by piece: whose hour has come, what answers for it, and which share of the members carries it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from types import SimpleNamespace
from typing import Any

import hand_made
import numpy as np
import pytest
from sites import STRIP, small_site

from gonogo.moisture import unknown_work
from gonogo.moisture.lift_history import LiftHistory, lift_history
from gonogo.moisture.simulate import Kept, simulate
from gonogo.moisture.strips_run import strip_rng
from gonogo.moisture.unknown_work import ToldWork, told_work, variants
from gonogo.records.day_plan import DayPlan, Job, Task, TestFirst, Then
from gonogo.records.field import Entry, Reading, SurfaceWork, Watering
from gonogo.records.site import Surface
from gonogo.soil.ensemble import StripMoisture
from gonogo.soil.error_growth import TERMS
from gonogo.soil.knowledge import nothing_known

TOLD = datetime(2026, 5, 12, 10, tzinfo=UTC)
DONE = 0.7  # chance that told work is done
SITE = small_site()


def at(hours: float) -> datetime:
    return TOLD + timedelta(hours=hours)


def job(task: Task, start: float = 2.0, end: float = 3.0, **changes: Any) -> Job:
    return Job(
        task=task, strip_id=STRIP.id, lift=1, crew_id="north", machine_id="m", start_utc=at(start), end_utc=at(end),
        **({"litres": 9000.0 if task == Task.WATER else 0.0} | changes),
    )  # fmt: skip


def told_strip(strip_id: str, *, test: Any = None, new_lift: Any = None) -> Any:
    """What a plan told of a strip, as far as told work asks for it."""
    told = SimpleNamespace(strip_id=strip_id, lift=1, test=test, new_lift=new_lift, low_pct=14.5, high_pct=18.5)

    def as_it_lies(made_utc: datetime, begins_utc: datetime | None) -> Any:
        if new_lift is None or begins_utc is None or begins_utc <= made_utc:
            return told
        return SimpleNamespace(**(vars(told) | {"lift": new_lift.lift, "test": new_lift.test, "new_lift": None}))

    told.as_it_lies = as_it_lies
    return told


def plan(*jobs: Job, made: float = 0.0, test: Any = None, new_lift: Any = None) -> DayPlan:
    told = told_strip(STRIP.id, test=test, new_lift=new_lift)
    return DayPlan(
        site_id=SITE.id, day=TOLD.date(), edition="morning", made_utc=at(made), shift_start_utc=at(1),
        shift_end_utc=at(10), next_shift_utc=at(25), is_knowable=True, strips=(told,), jobs=jobs, sealings=(), rain=(),  # type: ignore[arg-type]
        fallen_mm=0.0, fallen_since_utc=None,
    )  # fmt: skip


def reading(hours: float, w_pct: float = 16.5) -> Reading:
    return Reading(strip_id=STRIP.id, at_utc=at(hours), w_pct=w_pct, method="oven")


def asking(**fields: Any) -> TestFirst:
    """A test whose result decides; one outside its limits is held."""
    return TestFirst(
        **({"why": "no_reading", "by_utc": None, "inside": Then.ROLL, "below": Then.HOLD, "above": Then.HOLD} | fields)
    )


def unknown(plans: list[DayPlan], *entries: Entry, now: float = 24.0) -> tuple[ToldWork, ...]:
    lift = lift_history(STRIP, [reading(-20.0), *entries], at(now))
    return told_work(SITE, [lift], plans, at(now), DONE).get(STRIP.id, ())


@pytest.mark.parametrize("task", [Task.WATER, Task.DISK, Task.ROLL])
def test_told_work_is_unknown_from_its_hour_on_and_not_before(task: Task) -> None:
    assert unknown([plan(job(task))], now=1.9) == ()
    (work,) = unknown([plan(job(task))], now=2.0)
    assert (work.task, work.start_utc, work.chance, work.is_open) == (task, at(2.0), DONE, True)


def test_work_of_a_plan_that_another_replaced_before_its_hour_was_never_begun() -> None:
    assert unknown([plan(job(Task.WATER)), plan(made=1.5)]) == ()
    assert len(unknown([plan(job(Task.WATER)), plan(made=2.5)])) == 1


def test_a_recorded_watering_answers_for_the_told_one_and_an_older_one_does_not() -> None:
    for hours, n_left in ((-1.0, 1), (2.5, 0), (20.0, 0)):
        put_on = Watering(strip_id=STRIP.id, at_utc=at(hours), litres=5000.0)
        assert len(unknown([plan(job(Task.WATER))], put_on)) == n_left


@pytest.mark.parametrize(
    ("task", "recorded", "is_answered"),
    [
        (Task.ROLL, "rolled", True),
        (Task.ROLL, "disked", True),
        (Task.DISK, "disked", True),
        (Task.DISK, "sealed", False),
        (Task.WATER, "rolled", True),
        (Task.WATER, "disked", False),
        (Task.ROLL, "spread", True),  # another lift lies there now
    ],
)
def test_recorded_work_answers_for_what_it_follows(task: Task, recorded: str, is_answered: bool) -> None:
    since = SurfaceWork(strip_id=STRIP.id, at_utc=at(4.0), work=recorded)
    assert (unknown([plan(job(task))], since) == ()) is is_answered


@pytest.mark.parametrize(("task", "work"), [(Task.WATER, None), (Task.ROLL, "rolled"), (Task.DISK, "disked")])
def test_what_was_recorded_answers_for_an_order_that_a_recheck_told_again(task: Task, work: str | None) -> None:
    done_utc = at(2.8)
    put_on = Watering(strip_id=STRIP.id, at_utc=done_utc, litres=9000.0)
    done = put_on if work is None else SurfaceWork(strip_id=STRIP.id, at_utc=done_utc, work=work)
    assert unknown([plan(job(task)), plan(job(task), made=3.5)], done) == ()
    assert len(unknown([plan(job(task)), plan(job(task), made=3.5)])) == 1


def test_what_was_recorded_does_not_answer_for_an_order_of_a_later_hour() -> None:
    put_on = Watering(strip_id=STRIP.id, at_utc=at(2.5), litres=9000.0)
    (work,) = unknown([plan(job(Task.WATER)), plan(job(Task.WATER, start=5.0, end=6.0), made=3.5)], put_on)
    assert work.start_utc == at(5.0)
    moved = [plan(job(Task.WATER, start=5.0, end=6.0)), plan(job(Task.WATER, start=5.0, end=6.0), made=3.5)]
    assert len(unknown(moved, put_on)) == 1, "told anew after the entry: another dose"


def test_a_test_with_the_work_in_the_soil_closes_the_question_and_one_before_does_not() -> None:
    for hours, is_open in ((1.0, True), (2.2, True), (2.3, False), (20.0, False)):
        (work,) = unknown([plan(job(Task.WATER))], reading(hours))
        assert work.is_open is is_open, hours


@pytest.mark.parametrize(("w_pct", "chance"), [(16.0, DONE), (19.0, None), (14.0, None)])
def test_rolling_after_a_test_counts_where_the_test_allowed_it(w_pct: float, chance: float | None) -> None:
    rolling = job(Task.ROLL, is_after_test=True, chance=0.5)
    found = unknown([plan(rolling)], reading(1.5, w_pct))
    assert [work.chance for work in found] == ([] if chance is None else [chance])


def test_rolling_after_a_test_that_nobody_recorded_is_as_likely_as_the_test_was_to_allow_it() -> None:
    asked = asking(low_pct=15.0, high_pct=18.0, below=Then.HOLD, inside=Then.HOLD)
    (work,) = unknown([plan(job(Task.ROLL, is_after_test=True, chance=0.5), test=asked)])
    assert work.chance == pytest.approx(DONE * 0.5)


BRANCHES = asking(
    low_pct=15.0, high_pct=18.0, below=Then.WATER, target_pct=16.5, litres_per_pct=3000.0, litres_most=20_000.0
)


@pytest.mark.parametrize(("w_pct", "litres"), [(14.0, 7500.0), (14.9, 4800.0), (15.0, None), (18.5, None)])
def test_water_that_a_branch_ordered_on_a_lift_spread_since_is_asked_for_before_any_other(
    w_pct: float, litres: float | None
) -> None:
    """Its test was told with it; whether the truck came nobody wrote down, and no mail may send it a second time."""
    told = plan(new_lift=SimpleNamespace(lift=2, test=BRANCHES))
    spread = SurfaceWork(strip_id=STRIP.id, at_utc=at(2.0), work="spread")
    found = unknown([told], spread, reading(3.0, w_pct))
    assert [(w.task, w.lift, w.litres, w.is_open) for w in found] == (
        [] if litres is None else [(Task.WATER, 2, pytest.approx(litres), True)]
    )
    assert unknown([told], spread, reading(3.0, w_pct), now=3.1) == ()  # its hour has not come
    put_on = Watering(strip_id=STRIP.id, at_utc=at(4.0), litres=7000.0)
    assert unknown([told], spread, reading(3.0, w_pct), put_on) == ()


AIRED = asking(low_pct=15.0, high_pct=17.5, below=Then.HOLD, air_to_pct=18.0, air_roll_utc=at(6.0))


EDGES = replace(
    BRANCHES, low_pct=15.5, damp_from_pct=15.0, damp_litres=1500.0, again_from_pct=14.7, again_to_pct=18.4,
    mean_low_pct=15.0, mean_high_pct=18.1,
)  # fmt: skip


@pytest.mark.parametrize(
    ("results", "task", "litres"),
    [
        ([15.0], Task.ROLL, 0.0),  # with water on its top, not mixed in
        ([15.4], Task.ROLL, 0.0),
        ([15.5], Task.ROLL, 0.0),
        ([14.6], Task.WATER, 5700.0),
        ([14.8, 15.4], Task.ROLL, 0.0),  # the mean of both decides
        ([14.8, 15.0], Task.WATER, 4800.0),
        ([18.2, 17.8], Task.ROLL, 0.0),
        ([18.2, 18.4], None, 0.0),
        ([18.6, 17.0], Task.ROLL, 0.0),  # disked between them
    ],
)
@pytest.mark.parametrize("has_job", [False, True])
def test_what_a_result_at_the_edge_ordered_is_what_nobody_recorded(
    results: list[float], task: Task | None, litres: float, has_job: bool
) -> None:
    rolling = [job(Task.ROLL, 3.0, 4.0, is_after_test=True, chance=0.5)] * has_job
    made = [reading(1.5 + 0.25 * k, w_pct) for k, w_pct in enumerate(results)]
    found = unknown([plan(*rolling, test=EDGES)], *made)
    assert [(w.task, w.chance) for w in found] == ([] if task is None else [(task, DONE)])
    assert [w.litres for w in found] == pytest.approx([] if task is None else [litres])


def test_a_result_at_the_edge_alone_leaves_it_open_whether_the_lift_was_rolled() -> None:
    """The second test decides, and nobody recorded it."""
    assert unknown([plan(test=EDGES)], reading(1.5, 14.8)) == ()
    rolling = job(Task.ROLL, 3.0, 4.0, is_after_test=True, chance=0.5)
    (work,) = unknown([plan(rolling, test=EDGES)], reading(1.5, 14.8))
    assert (work.task, work.chance) == (Task.ROLL, pytest.approx(DONE * 0.5))


def test_a_new_lift_that_gets_water_on_its_top_has_no_dose_to_ask_for() -> None:
    told = plan(new_lift=SimpleNamespace(lift=2, test=EDGES))
    spread = SurfaceWork(strip_id=STRIP.id, at_utc=at(2.0), work="spread")
    assert unknown([told], spread, reading(3.0, 15.2)) == ()
    assert [w.task for w in unknown([told], spread, reading(3.0, 14.6))] == [Task.WATER]


@pytest.mark.parametrize("is_new", [False, True])
@pytest.mark.parametrize(("w_pct", "is_told"), [(17.6, True), (18.0, True), (18.1, False)])
def test_rolling_after_airing_is_told_from_its_hour_on_and_a_disking_before_does_not_answer_for_it(
    w_pct: float, is_told: bool, is_new: bool
) -> None:
    of = {"new_lift": SimpleNamespace(test=AIRED, lift=2)} if is_new else {"test": AIRED}
    spread = [SurfaceWork(strip_id=STRIP.id, at_utc=at(1.0), work="spread")] * is_new
    made = [*spread, reading(1.5, w_pct), SurfaceWork(strip_id=STRIP.id, at_utc=at(3.0), work="disked")]
    assert unknown([plan(**of)], *made, now=5.9) == ()
    found = unknown([plan(**of)], *made, now=24.0)
    assert [(work.task, work.start_utc, work.is_open) for work in found] == [(Task.ROLL, at(6.0), True)] * is_told
    for done in ("rolled", "disked"):
        assert unknown([plan(**of)], *made, SurfaceWork(strip_id=STRIP.id, at_utc=at(7.0), work=done)) == ()


def test_a_lift_that_lay_there_before_the_plan_has_no_branches_of_the_next_one() -> None:
    told = plan(new_lift=SimpleNamespace(lift=2, test=BRANCHES))
    assert unknown([told], SurfaceWork(strip_id=STRIP.id, at_utc=at(-2.0), work="spread"), reading(3.0, 14.0)) == ()
    without = plan(new_lift=SimpleNamespace(lift=2, test=None))
    assert unknown([without], SurfaceWork(strip_id=STRIP.id, at_utc=at(2.0), work="spread"), reading(3.0, 14.0)) == ()


def test_of_two_orders_of_a_kind_the_newest_counts() -> None:
    found = unknown([plan(job(Task.WATER)), plan(job(Task.WATER, 12.0, 13.0), made=11.0)])
    assert [work.start_utc for work in found] == [at(12.0)]


# --- members that carry both ---------------------------------------------------------------------------------


def work(task: Task, start: float, chance: float = DONE) -> ToldWork:
    return ToldWork(
        strip_id=STRIP.id, task=task, lift=1, told_utc=TOLD, start_utc=at(start), end_utc=at(start + 1.0),
        litres=9000.0 if task == Task.WATER else 0.0, chance=chance,
    )  # fmt: skip


def test_what_comes_later_is_done_only_where_the_earlier_was_and_the_shares_make_up_one() -> None:
    works = (work(Task.WATER, 2.0, 0.8), work(Task.ROLL, 5.0, 0.5))
    found = variants(SITE, [lift_history(STRIP, [], TOLD)], {STRIP.id: works})
    assert [variant.share for variant in found] == pytest.approx([0.8 * 0.5, 0.8 * 0.5])
    assert [len(variant.works) for variant in found] == [1, 2]
    assert sum(variant.share for variant in found) == pytest.approx(0.8)


@pytest.mark.parametrize(
    ("task", "surface", "litres"),
    [(Task.WATER, Surface.LOOSE, 9000.0), (Task.DISK, Surface.SCARIFIED, 0.0), (Task.ROLL, Surface.SEALED, 0.0)],
)
def test_work_that_may_have_been_done_does_to_the_lift_what_it_does(
    task: Task, surface: Surface, litres: float
) -> None:
    (variant,) = variants(SITE, [lift_history(STRIP, [], TOLD)], {STRIP.id: (work(task, 2.0),)})
    assert variant.history.surface(STRIP) == surface
    assert sum(w.litres for w in variant.history.waterings) == litres


N_HOURS, N_MEMBERS = 24, 200


def moisture(mean_pct: float, pulled_to: float | None = None, hour: int = 10) -> StripMoisture:
    """Members around a mean; from the hour of a test on all at what it found, as a test that counts leaves them."""
    rng = np.random.default_rng(3)
    path = np.tile(mean_pct + 0.4 * rng.standard_normal(N_MEMBERS), (N_HOURS + 1, 1, 1))
    if pulled_to is not None:
        path[hour:] = pulled_to + 0.1 * rng.standard_normal(N_MEMBERS)
    return StripMoisture(
        w_pct=path, w_top_pct=path.copy(), w_base_pct=path.copy(), closure_error_mm=0.0, knowledge=(nothing_known(1),),
        error_terms=np.zeros((N_HOURS + 1, 1, len(TERMS))), reading_flags=(),
    )  # fmt: skip


def mixed(tested_pct: float | None) -> unknown_work.Mixed:
    """Ten points without the water and thirteen with it; a test five hours after."""
    entries = [reading(-20.0, 10.0)] + ([] if tested_pct is None else [reading(7.0, tested_pct)])
    lift: LiftHistory = lift_history(STRIP, entries, at(24))
    ways = variants(SITE, [lift], {STRIP.id: (work(Task.WATER, 2.0),)})
    return unknown_work.mixed(
        moisture(10.0, tested_pct),
        moisture(13.0, tested_pct),
        ways,
        hour_of=lambda at_utc: round((at_utc - at(-3.0)) / timedelta(hours=1)),
        rng_of=lambda strip_id: strip_rng(1, strip_id, 1),
    )


def test_without_a_test_seven_of_ten_members_carry_what_was_told() -> None:
    found = mixed(None)
    assert found.chance_done == {(STRIP.id, Task.WATER): pytest.approx(DONE)}
    assert np.mean(found.moisture.w_pct[0, 0] > 11.5) == pytest.approx(DONE, abs=0.01)


@pytest.mark.parametrize(("tested_pct", "low", "high"), [(13.0, 0.98, 1.0), (11.5, 0.5, 0.85), (10.0, 0.0, 0.05)])
def test_a_test_says_which_history_it_was(tested_pct: float, low: float, high: float) -> None:
    """Bayes by hand: at the middle of both the test says nothing, and the chance stays what it was."""
    found = mixed(tested_pct)
    chance = found.chance_done[STRIP.id, Task.WATER]
    assert low <= chance <= high
    assert bool(found.likeliest[0] == 0) is (chance > 0.5)


def test_how_much_a_test_says_follows_its_error() -> None:
    """Likelihoods of 12.4 % under 13 and under 10, each with 0.4 of the members and the error of an oven test."""
    variance = 0.4**2 * N_MEMBERS / (N_MEMBERS - 1) + 0.4**2 + 0.6**2
    ratio = np.exp(-((12.4 - 13.0) ** 2 - (12.4 - 10.0) ** 2) / (2.0 * variance))
    by_hand = DONE * ratio / (DONE * ratio + 1.0 - DONE)
    assert mixed(12.4).chance_done[STRIP.id, Task.WATER] == pytest.approx(by_hand, abs=0.02)


def told_to_all(ids: Sequence[str]) -> DayPlan:
    """Water told to some strips five hours before now, of which nobody recorded anything."""
    told_utc = hand_made.at(-5.0)
    strips = tuple(told_strip(s) for s in ids)
    jobs = tuple(replace(job(Task.WATER), strip_id=s, start_utc=told_utc, end_utc=hand_made.at(-4.0)) for s in ids)
    return replace(plan(*jobs), made_utc=hand_made.at(-8.0), strips=strips)  # type: ignore[arg-type]


def test_the_told_work_of_one_strip_moves_no_member_of_another() -> None:
    def simulated(*ids: str) -> StripMoisture:
        done = simulate(
            hand_made.site([hand_made.strip(id=s) for s in ids]),
            now_utc=hand_made.NOW_UTC,
            weather=hand_made.weather(),
            entries=[Reading(strip_id=s, at_utc=hand_made.at(-30), w_pct=11.0, method="oven") for s in ids],
            settings=hand_made.SETTINGS,
            rng=np.random.default_rng(1),
            kept=Kept(plans=(told_to_all(ids),)),
        )
        assert [(w.strip_id, w.task, round(chance, 2)) for w, chance in done.unknown] == [
            (s, Task.WATER, round(hand_made.SETTINGS["told_is_done_chance"], 2)) for s in ids
        ]
        return done.moisture

    alone, beside = simulated("N2"), simulated("N1", "N2")
    now = hand_made.row(5.0)
    is_watered = np.sort(alone.w_pct[now, 0])
    assert is_watered[-1] - is_watered[0] > 2.0, "some members carry the water and some do not"
    for own, other in ((alone.w_pct, beside.w_pct), (alone.w_top_pct, beside.w_top_pct)):
        np.testing.assert_allclose(other[:, 1], own[:, 0], rtol=0.0, atol=1e-9)
