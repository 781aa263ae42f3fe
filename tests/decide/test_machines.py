"""Unlike trucks and rollers in a crew, and days on which a machine is away."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from types import SimpleNamespace
from typing import cast

import pytest
from hand_made import DAY, crew, material, morning, roller, site, strip, truck

from gonogo.decide.machines import roller_of, trucks_on
from gonogo.decide.order.propose import propose
from gonogo.decide.plan.sealing import sealing_roller
from gonogo.decide.standing import Standing
from gonogo.decide.today import prepare, rolling_h_on
from gonogo.decide.verdict import decide
from gonogo.decide.water.forecast import doses_on
from gonogo.decide.windows import working
from gonogo.records.day_plan import Job, StripPlan, Task
from gonogo.records.site import Crew, Drum
from gonogo.records.verdict import Verdict
from gonogo.records.work_order import Work

PADDED = roller(id="padded", drum=Drum.PADDED, passes=8)
SMOOTH = roller(id="smooth")
SMALL = truck(id="small", tank_litres=4000.0, flow_litres_min=300.0)
BIG = truck(id="big", tank_litres=14000.0)
CLAY = material(id="clay", soil_class="clay")
SAND = material(id="sand", soil_class="sand", is_granular=True)


def of_two(**changes: object) -> Crew:
    return crew(**({"roller": PADDED, "more_rollers": (SMOOTH,), "truck": BIG, "more_trucks": (SMALL,)} | changes))


def test_each_strip_is_rolled_by_the_first_roller_whose_drum_suits_it() -> None:
    strips = [strip(id="C", material_id="clay"), strip(id="S", material_id="sand")]
    its = site(strips, crews=(of_two(),), materials=(CLAY, SAND))
    assert [roller_of(its, s).id for s in strips] == ["padded", "smooth"]
    away = site(strips, crews=(of_two(roller=replace(PADDED, away=(DAY,))),), materials=(CLAY, SAND))
    assert [roller_of(away, s, DAY).id for s in strips] == ["smooth", "smooth"]
    assert [roller_of(away, s, DAY + timedelta(days=1)).id for s in strips] == ["padded", "smooth"]


def test_two_rollers_of_a_crew_work_beside_each_other() -> None:
    strips = [strip(id="C", material_id="clay", length_m=300.0), strip(id="S", material_id="sand", length_m=300.0)]
    both = {"crews": (of_two(),), "materials": (CLAY, SAND)}
    inputs = morning(14.0, strips=strips, on_site=both)
    order = propose(inputs, decide(inputs), done={}, before=None)
    starts = {w.strip_id: w.start_utc for w in order.works if w.work == Work.ROLLING}
    one = morning(14.0, strips=strips, on_site=both | {"crews": (crew(roller=SMOOTH),)})
    works = propose(one, decide(one), done={}, before=None).works
    alone = {w.strip_id: w.start_utc for w in works if w.work == Work.ROLLING}
    assert starts["C"] == starts["S"]
    assert alone["C"] != alone["S"]


@pytest.mark.parametrize(("count", "is_too_full"), [(1, True), (2, False)])
def test_two_rollers_of_a_kind_have_twice_the_hours_of_one(count: int, is_too_full: bool) -> None:
    strips = [strip(id=f"N{k}") for k in range(12)]
    made = decide(morning(14.0, strips=strips, on_site={"crews": (crew(roller=roller(count=count)),)}))
    assert 10.0 < sum(d.rolling_time_h for d in made) < 20.0
    assert all(("crew_day_too_full" in d.advice) == is_too_full for d in made)


def test_both_trucks_of_a_kind_are_away_while_both_are_at_work() -> None:
    strips = [strip(id="A"), strip(id="B"), strip(id="C")]
    inputs = morning(10.0, strips=strips, on_site={"crews": (crew(truck=replace(BIG, count=2)),)})

    told = SimpleNamespace(verdict=Verdict.WATER, reason="too_dry", roll_from_utc=None, roll_by_utc=None)

    def under_way(strip_id: str, hours: float) -> Standing:
        end_utc = inputs.now_utc + timedelta(hours=hours)
        job = Job(
            task=Task.WATER, strip_id=strip_id, lift=1, crew_id="north", machine_id="big",
            start_utc=inputs.now_utc - timedelta(hours=1), end_utc=end_utc,
        )  # fmt: skip
        return Standing(told=cast("StripPlan", told), jobs=(job,), told_utc=job.start_utc)

    orders = {"A": under_way("A", 5.0), "B": under_way("B", 6.0)}
    (made,) = (d for d in decide(replace(inputs, orders=orders)) if d.strip_id == "C")
    assert made.water is not None
    assert made.water.start_utc > inputs.now_utc + timedelta(hours=5)


def test_two_unlike_trucks_water_two_strips_at_once_and_each_plan_names_its_truck() -> None:
    strips = [strip(id="A", length_m=250.0), strip(id="B", length_m=150.0)]
    made = decide(morning(10.0, strips=strips, on_site={"crews": (of_two(roller=SMOOTH, more_rollers=()),)}))
    assert [d.verdict for d in made] == [Verdict.WATER, Verdict.WATER]
    plans = {d.water.truck_id: d.water for d in made if d.water is not None}
    assert set(plans) == {"big", "small"}
    assert plans["small"].start_utc < plans["big"].finish_utc
    assert plans["small"].loads > plans["big"].loads


def test_a_truck_that_is_away_waters_nothing_on_that_day() -> None:
    gone = replace(BIG, away=(DAY,))
    its_crew = of_two(roller=SMOOTH, more_rollers=(), truck=gone)
    assert trucks_on(its_crew, DAY) == (SMALL,)
    inputs = morning(10.0, on_site={"crews": (its_crew,)})
    (made,) = decide(inputs)
    assert made.water is not None
    assert made.water.truck_id == "small"
    tomorrow = [by.truck.id for by in doses_on(prepare(inputs), 0, working(inputs, DAY + timedelta(days=1)))]
    assert tomorrow == ["big", "small"]
    (none,) = decide(morning(10.0, on_site={"crews": (crew(truck=gone),)}))
    assert (none.verdict, none.reason) == (Verdict.WAIT, "no_truck")


def test_nothing_is_rolled_on_a_day_on_which_the_roller_is_away() -> None:
    inputs = morning(14.0, on_site={"crews": (crew(roller=replace(SMOOTH, away=(DAY, DAY + timedelta(days=1)))),)})
    (made,) = decide(inputs)
    assert (made.verdict, made.reason) == (Verdict.WAIT, "roller_away")
    order = propose(inputs, [made], done={}, before=None)
    days = {w.start_utc.date() for w in order.works if w.work == Work.ROLLING}
    assert days
    assert min(days) >= DAY + timedelta(days=2)


@pytest.mark.parametrize(
    ("its_crew", "closes"),
    [
        (of_two(), "smooth"),
        (crew(roller=PADDED), "other"),
        (crew(roller=PADDED, sealing_roller=replace(SMOOTH, id="sealer")), "sealer"),
        (crew(roller=PADDED, sealing_roller=replace(SMOOTH, id="sealer", away=(DAY,))), "other"),
    ],
)
def test_lifts_are_closed_by_the_sealing_roller_else_by_one_that_closes(its_crew: Crew, closes: str) -> None:
    other = crew(id="south", roller=replace(SMOOTH, id="other"))
    its = site([strip()], crews=(its_crew, other))
    assert sealing_roller(its, its_crew, DAY).id == closes


def test_a_later_day_is_planned_with_the_roller_that_is_there_then() -> None:
    """Today its own roller is away and a slow one stands in; from tomorrow on its own one rolls it."""
    slow = replace(SMOOTH, id="slow", speed_km_h=1.0)
    own = replace(SMOOTH, id="own", away=(DAY,))
    strips = [strip(id="A", length_m=150.0, lifts=2)]
    inputs = morning(14.0, strips=strips, on_site={"crews": (crew(roller=own, more_rollers=(slow,)),)})
    works = [w for w in propose(inputs, decide(inputs), done={}, before=None).works if w.work == Work.ROLLING]
    hours = {w.lift: (w.end_utc - w.start_utc) / timedelta(hours=1) for w in works}
    assert works[0].start_utc.date() == DAY < works[1].start_utc.date()
    assert hours[1] == pytest.approx(rolling_h_on(inputs, strips[0], DAY), abs=0.01)
    assert hours[2] == pytest.approx(rolling_h_on(inputs, strips[0], DAY + timedelta(days=1)), abs=0.01)
    assert hours[2] < 0.5 * hours[1]
