"""What a lift is beyond its moisture: rolled again or reworked, its binder's clock, its method, the tests it needs."""

from __future__ import annotations

import math
from datetime import date, datetime, timedelta
from typing import Any

import lift_mornings
import numpy as np
import pytest
from hand_made import DAY, NOW_UTC, SETTINGS, at, material, morning, site, strip

from gonogo.config.kinds import BINDERS
from gonogo.decide.lift_state import LiftState, lift_states, with_passes
from gonogo.decide.order.today import BREAK_UP_H, test_done_h
from gonogo.decide.today import prepare
from gonogo.decide.verdict import decide
from gonogo.moisture.lift_history import lift_history
from gonogo.moisture.present_lift import site_as_it_lies
from gonogo.records.field import Entry, Reading, SurfaceWork
from gonogo.records.site import Material, Method
from gonogo.records.verdict import Decision, Verdict
from gonogo.soil import density

NEXT_DAY = date.fromordinal(DAY.toordinal() + 1)


def one(**given: Any) -> Decision:
    (made,) = decide(morning(**given))
    return made


def work(at_utc: datetime, what: str, passes: int | None = None, strip_id: str = "N1") -> SurfaceWork:
    return SurfaceWork(strip_id=strip_id, at_utc=at_utc, work=what, passes=passes)


def density_test(at_utc: datetime, compaction_pct: float, w_pct: float = 14.0, strip_id: str = "N1") -> Reading:
    return Reading(
        strip_id=strip_id,
        at_utc=at_utc,
        w_pct=w_pct,
        method="nuclear gauge",
        dry_density_kg_m3=compaction_pct / 100.0 * 1850.0,
    )


def state(*entries: Entry, now: datetime, day: date = DAY, of: Material | None = None) -> tuple[LiftState, int | None]:
    """The state of N1, and the passes that its strip gets; strips N2 to N9 lie beside it."""
    strips = [strip(id=f"N{k}", lifts=3) for k in range(1, 10)]
    whole = site(strips, materials=(of or material(),))
    histories = [lift_history(s, entries, now, whole) for s in whole.strips]
    there = site_as_it_lies(whole, histories)
    states = lift_states(there, histories, entries, day=day, now_utc=now, settings=SETTINGS)
    return states["N1"], with_passes(there, states).strips[0].passes


FAILED = (work(at(7), "rolled", 6), density_test(at(8), 93.5))
# Four strips before: each doubling of the passes brought two points.
RECORD = tuple(
    entry
    for k, (passes, compaction_pct) in enumerate([(4, 92.0), (8, 94.0), (4, 92.0), (8, 94.0)], start=2)
    for entry in (work(at(7) - timedelta(days=2), "rolled", passes, f"N{k}"),
                  density_test(at(9) - timedelta(days=2), compaction_pct, strip_id=f"N{k}"))
)  # fmt: skip


# --- rolled again, or reworked ---------------------------------------------------------------------------------


def test_a_lift_that_failed_this_morning_at_the_right_moisture_is_rolled_again() -> None:
    lift, passes = state(*FAILED, now=at(9))
    assert (lift.may_roll_again, lift.n_more_passes, passes) == (True, SETTINGS["roll_again_passes"], 2)


def test_the_site_s_own_record_says_how_many_passes_more() -> None:
    # By hand: 1.5 points are missing, a doubling brings 2: 6 x (2^0.75 - 1) = 4.09, so 5.
    lift, passes = state(*RECORD, *FAILED, now=at(9))
    assert (lift.n_more_passes, passes) == (5.0, 5)


@pytest.mark.parametrize(
    ("entries", "day"),
    [
        (FAILED, NEXT_DAY),
        ((FAILED[0], density_test(at(8), 93.5, w_pct=11.0)), DAY),
        ((FAILED[0], density_test(at(8), 93.5, w_pct=16.5)), DAY),
        ((*RECORD, FAILED[0], density_test(at(8), 90.0)), DAY),
    ],
    ids=["of the day before", "too dry", "too wet", "more passes than it had"],
)
def test_else_it_goes_into_rework(entries: tuple[Entry, ...], day: date) -> None:
    lift, passes = state(*entries, now=at(9) + (day - DAY), day=day)
    assert lift.failed is not None
    assert (lift.may_roll_again, passes) == (False, None)


@pytest.mark.parametrize(("w_pct", "advice"), [(11.0, "rework_dry"), (14.0, "rework_plain"), (16.5, "rework_wet")])
def test_rework_says_what_is_to_be_done(w_pct: float, advice: str) -> None:
    made = one(lifts={"N1": LiftState(failed=lift_mornings.failed(w_pct))})
    assert made.reason == "density_failed"
    assert [key for key in made.advice if key.startswith("rework")] == [advice]
    assert "test_before_rolling" in made.test
    assert made.facts["compaction_pct"] == 92.0


def test_a_lift_to_be_rolled_again_is_compacted_and_told_why() -> None:
    made = one(lifts={"N1": LiftState(failed=lift_mornings.failed(), may_roll_again=True, n_more_passes=3.0)})
    assert made.verdict == Verdict.COMPACT
    assert made.advice[0] == "roll_again"


def test_field_densities_above_the_maximum_ask_for_a_new_curve() -> None:
    assert "check_curve" in one(lifts={"N1": LiftState(n_tests=5, mean_compaction_pct=101.6)}).advice
    for n_tests, mean in ((4, 103.0), (5, 101.5), (0, math.nan)):
        assert "check_curve" not in one(lifts={"N1": LiftState(n_tests=n_tests, mean_compaction_pct=mean)}).advice


def test_tests_of_the_last_month_count() -> None:
    old = (work(at(6) - timedelta(days=40), "rolled", 6), density_test(at(7) - timedelta(days=40), 96.0))
    lift, _ = state(*old, *RECORD, now=at(9))
    assert (lift.n_tests, lift.mean_compaction_pct) == (4, pytest.approx(93.0))


@pytest.mark.parametrize(
    ("passes", "compaction_pct"),
    [([4.0, 8.0, 4.0], [92.0, 94.0, 92.0]), ([6.0] * 5, [92.0] * 5), ([4.0, 8.0, 4.0, 8.0], [94.0, 92.0, 94.0, 92.0])],
    ids=["too few", "one number of passes", "it falls"],
)
def test_a_record_that_says_nothing_gives_no_growth(passes: list[float], compaction_pct: list[float]) -> None:
    assert math.isnan(density.growth_pct(passes, compaction_pct))
    assert math.isnan(density.passes_more(2.0, 6.0, math.nan))


# --- treated soil ----------------------------------------------------------------------------------------------


def test_treated_soil_that_sets_is_not_kept_waiting_for_a_better_test() -> None:
    setting = lift_mornings.treated("lime", mixed_h_ago=30.0, reading_age_h=90.0)
    assert one(**setting).verdict == Verdict.COMPACT
    assert one(reading_age_h=90.0).reason == "reading_too_old"  # the same morning without a binder


def test_it_is_rolled_between_mellowing_and_working_time() -> None:
    made = one(**lift_mornings.treated("lime", mixed_h_ago=20.0))
    assert made.from_utc is not None
    assert made.from_utc >= NOW_UTC + timedelta(hours=BINDERS["lime"].mellowing_h - 20.0)
    made = one(**lift_mornings.treated("lime", mixed_h_ago=66.0))
    assert made.until_utc is not None
    assert made.until_utc <= NOW_UTC + timedelta(hours=BINDERS["lime"].working_time_h - 66.0)


def test_a_binder_is_mixed_where_air_nights_and_rain_allow_it() -> None:
    made = one(**lift_mornings.treated("cement"))
    assert made.verdict == Verdict.COMPACT
    assert "mix_binder_at_once" in made.advice  # cement does not mellow
    assert "mix_binder" not in made.advice


def test_without_a_forecast_nothing_treated_is_rolled_either() -> None:
    from gonogo.weather.forecast_status import ForecastStatus

    setting = lift_mornings.treated("lime", mixed_h_ago=30.0, sky={"status": ForecastStatus.NONE})
    assert one(**setting).verdict == Verdict.WAIT
    assert one(**lift_mornings.treated("lime", mixed_h_ago=30.0, reading_age_h=math.inf)).reason == "no_reading"


def test_what_sets_and_must_wait_is_told_its_time() -> None:
    frozen = lift_mornings.treated("lime", mixed_h_ago=30.0, sky={"temp_degc": -3.0})
    assert (one(**frozen).reason, "binder_clock" in one(**frozen).advice) == ("frozen", True)


# --- clean granular soil, method, tests due ----------------------------------------------------------------------


def test_clean_sand_has_no_wet_edge_but_full_pores() -> None:
    # 95 % of 1850 kg/m3 at a gravity of 2.68: pores are full at 19.6 %, 5.6 points above optimum.
    sand = material(soil_class="sand", is_granular=True, window_high_pct=5.6)
    made = one(w_pct=18.0, on_site={"materials": (sand,)})
    assert made.verdict == Verdict.COMPACT
    assert "flood_or_vibrate" in made.advice
    wet = one(w_pct=20.5, on_site={"materials": (sand,)})
    assert wet.reason == "too_wet"
    assert "let_sand_drain" in wet.advice
    assert not {"disk_and_aerate", "aerate_thin_layers", "very_wet_remove_or_treat"} & set(wet.advice)


def test_a_method_counts_passes_and_no_density() -> None:
    method = material(method=Method(passes=8, layer_max_m=0.3), required_compaction_pct=math.nan)
    lift, passes = state(work(at(7), "rolled", 5), now=at(9), of=method)
    assert (lift.n_more_passes, passes) == (3.0, 3)
    history = lift_history(
        strip(), [work(at(7), "rolled", 5), work(at(8), "rolled", 3)], at(9), site([strip()], materials=(method,))
    )
    assert history.is_rolled
    made = one(**lift_mornings.by_method())
    assert made.verdict == Verdict.COMPACT
    assert "density_by_method" in made.test
    assert "density_after_rolling" not in made.test


@pytest.mark.parametrize(
    ("per_m2", "per_m3", "n"), [(0.0, 1529.0, 1.0), (0.0, 100.0, 2.0), (250.0, 0.0, 4.0), (0.0, 0.0, 1.0)]
)
def test_density_tests_are_due_by_area_or_volume(per_m2: float, per_m3: float, n: float) -> None:
    # 800 m2 of 0.25 m: 200 m3.
    made = one(settings={"density_test_every_m2": per_m2, "density_test_every_m3": per_m3})
    assert made.facts["n_density_tests"] == n
    assert ("density_tests_due" in made.test) == (n > 1.0)


def test_half_dry_members_of_a_setting_lift_are_what_the_row_says() -> None:
    assert float(np.mean(lift_mornings.HALF_DRY < 12.0)) == 0.5


# --- each lift its own -------------------------------------------------------------------------------------------


def test_the_second_lift_is_watered_for_its_own_thickness() -> None:
    twice = strip(lifts=2, following_lift_thickness_m=0.15)
    whole = site([twice])
    done = [work(at(6) - timedelta(days=2), "rolled", 6), work(at(6) - timedelta(hours=20), "spread")]
    first, second = (lift_history(twice, entries, at(6), whole) for entries in ([], done))
    litres = []
    for history in (first, second):
        there = site_as_it_lies(whole, [history])
        made = one(w_pct=9.0, et0_mm=0.0, strips=there.strips)
        assert made.water is not None
        litres.append(made.water.litres_m2)
    # By hand: 5 points of 0.25 m and of 0.15 m at 1600 kg/m3.
    assert litres == pytest.approx([20.0, 12.0])


def test_a_lift_in_rework_is_broken_up_before_it_is_tested() -> None:
    plain, rework = (prepare(morning(lifts={"N1": LiftState(is_rework=is_rework)})) for is_rework in (False, True))
    assert test_done_h(rework, 0) - test_done_h(plain, 0) == pytest.approx(BREAK_UP_H)
    sand = material(soil_class="sand", is_granular=True)
    inputs = morning(lifts={"N1": LiftState(is_rework=True)}, on_site={"materials": (sand,)})
    assert test_done_h(prepare(inputs), 0) == test_done_h(plain, 0)
