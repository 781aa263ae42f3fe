"""The test that decides about a strip today: by when its result is needed, and what each result has the crew do."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import datetime, timedelta
from statistics import NormalDist

import numpy as np

from gonogo.decide.dry_back import disk_hours, ready_from
from gonogo.decide.order.today import LIKELY, TEST_H, is_testable, test_done_h, weather_chance, weather_chances
from gonogo.decide.plan.airing import aired
from gonogo.decide.plan.basis import Basis, rolling_today
from gonogo.decide.plan.test_limits import Limits, arrival_sd_pct, limits
from gonogo.decide.today import Prepared
from gonogo.decide.water.by_test import is_sure_about
from gonogo.decide.water.dose import target_w_pct
from gonogo.decide.water.forecast import truck_time
from gonogo.decide.windows import epoch_h, moment
from gonogo.records.day_plan import Job, Task, TestFirst, Then
from gonogo.records.site import Material, Strip, Truck
from gonogo.records.verdict import Decision, Verdict
from gonogo.soil.bare_soil import KC_MAX_WET_SOMETIMES
from gonogo.soil.rain import OPEN_SHARE, SURFACES
from gonogo.soil.readings import GAUGE_ERROR_PCT

AFTER_LAST_DISK_H = 1.5  # after the last disking of a day, so that the lift can still be rolled: common practice
SPRAY_H = 1.0  # a truck with its loads, where the dose is not known yet: common practice


def test_of(basis: Basis, s: int, decision: Decision, rolling: Job | None) -> TestFirst | None:
    """Return the test that decides about the strip on row s, None where none does."""
    strip, material = basis.inputs.strips[s], basis.inputs.material(basis.inputs.strips[s])
    if decision.verdict == Verdict.WATER:
        by_utc = decision.from_utc if rolling is None else rolling.start_utc
        return by_result(basis, strip, material, why="after_watering", by_utc=by_utc, has_water=False)
    if not is_testable(basis.prepared, decision):
        return None
    by_utc = moment(test_done_h(basis.prepared, s)) if math.isfinite(test_done_h(basis.prepared, s)) else None
    test = by_result(basis, strip, material, why=decision.reason, by_utc=by_utc, has_water=True)
    is_rolling_unknown = any(w.strip_id == strip.id and w.task == Task.ROLL for w, _ in basis.unknown)
    if not is_rolling_unknown:
        return test
    return TestFirst(**{name: getattr(test, name) for name in test.__slots__} | {"if_done": Then.RECORD})


test_of.__test__ = False  # type: ignore[attr-defined]


def by_result(
    basis: Basis, strip: Strip, material: Material, *, why: str, by_utc: datetime | None, has_water: bool
) -> TestFirst:
    """Return a test with what its results mean. has_water: a result below the window may order water."""
    s, mass = basis.inputs.strips.index(strip), mass_kg_m2(strip, why)
    litres_per_pct = mass * strip.area_m2 / 100.0
    below = _below(basis, strip, by_utc, mass) if has_water else Then.CALL
    hours = () if material.is_granular else disk_hours_after(basis, by_utc)
    again_utc, again_late_utc = tests_after(basis, strip, hours)
    before, drift_pct = _thought_before(basis, strip, material, why, by_utc)
    worth = basis.inputs.setting("test_worth_chance") if below == Then.WATER else math.nan
    is_again = why != "new_lift" and basis.inputs.lift(s).is_again
    found = limits(material, basis.prepared.chance_needed, before, drift_pct, worth_chance=worth, is_again=is_again)
    damp_litres = _damp_litres(basis, found, litres_per_pct, strip) if below == Then.WATER else 0.0
    air_to_pct, air_roll_utc = aired(basis, s, hours, found.high_pct, material.omc_pct + material.window_high_pct, mass)
    lowest_pct = found.damp_low_pct if damp_litres > 0.0 else found.low_pct
    is_twice = air_roll_utc is None or found.again_low_pct < lowest_pct  # whether any result asks for a second test
    return TestFirst(
        why=why,
        by_utc=by_utc,
        low_pct=found.low_pct,
        high_pct=found.high_pct,
        inside=Then.ROLL,
        below=below,
        above=Then.DISK if hours else Then.HOLD,
        target_pct=target_w_pct(material) if below == Then.WATER else math.nan,
        litres_per_pct=litres_per_pct if below == Then.WATER else math.nan,
        litres_most=basis.inputs.setting("dose_max_litres_m2") * strip.area_m2 if below == Then.WATER else math.nan,
        is_mixed_in=not material.is_granular,
        is_tested_after_water=not _is_sure_after_water(basis, s, by_utc, mass),
        mean_low_pct=(found.damp_low_pct if damp_litres > 0.0 else found.mean_low_pct) if is_twice else math.nan,
        mean_high_pct=found.mean_high_pct if is_twice else math.nan,
        again_from_pct=found.again_low_pct if is_twice else math.nan,
        again_to_pct=(found.again_high_pct if air_roll_utc is None else lowest_pct) if is_twice else math.nan,
        damp_from_pct=found.damp_low_pct if damp_litres > 0.0 else math.nan,
        damp_litres=damp_litres if damp_litres > 0.0 else math.nan,
        disk_utc=hours,
        air_to_pct=air_to_pct,
        air_roll_utc=air_roll_utc,
        again_utc=again_utc,
        again_late_utc=again_late_utc,
        again_up_to_pct=_worth_again_pct(basis, material, mass, (by_utc, again_utc), is_last=again_late_utc is None),
        late_up_to_pct=_worth_again_pct(basis, material, mass, (by_utc, again_late_utc), is_last=True),
    )


def _damp_litres(basis: Basis, found: Limits, litres_per_pct: float, strip: Strip) -> float:
    """Return the water that takes a lift from the dry edge to what releases it, on its top; 0 where it is little."""
    litres = (found.low_pct - found.damp_low_pct) * litres_per_pct
    return litres if litres >= basis.inputs.setting("dose_min_litres_m2") * strip.area_m2 else 0.0


def _is_sure_after_water(basis: Basis, s: int, by_utc: datetime | None, mass: float) -> bool:
    """Return whether a lift that was watered by its test is rolled without another: a test of it would decide nothing.

    It then lies about the target, as unsure as the test that the dose was measured by: inside as likely as the site
    asks, beyond the wet edge no likelier than it allows of water, and no result a window's width below cuts the dose.
    Rain would wet what no test looks at again: from the test on through the longest such watering, soaking and rolling
    it stays dry as surely as the site asks.
    """
    prepared, strip = basis.prepared, basis.inputs.strips[s]
    material = basis.inputs.material(strip)
    low, high = material.omc_pct + material.window_low_pct, material.omc_pct + material.window_high_pct
    target = target_w_pct(material)
    most = mass / 100.0 * (target - low + high - low)
    if by_utc is None or not most <= basis.inputs.setting("dose_max_litres_m2"):
        return False
    if not is_sure_about(basis.inputs, prepared.chance_needed, material, target):
        return False
    truck = next(iter(basis.inputs.trucks(strip)), None)
    tested_h = min(prepared.today.from_h, epoch_h(by_utc))
    rolled_h = epoch_h(by_utc) + _spent_h(basis, strip, truck, most) + basis.inputs.soak_h(strip)
    dry_h = rolled_h + prepared.rolling_h[s] + prepared.seal_h - tested_h
    return math.isfinite(dry_h) and weather_chance(prepared, s, tested_h, dry_h) >= prepared.chance_needed


def _spent_h(basis: Basis, strip: Strip, truck: Truck | None, litres_m2: float) -> float:
    """Return the time from a truck's call until its last drop [h]."""
    took = None if truck is None else truck_time(basis.prepared, strip, truck, litres_m2)
    return SPRAY_H if took is None else took.first_h + took.spray_h


def _worth_again_pct(
    basis: Basis, material: Material, mass: float, tests_utc: tuple[datetime | None, datetime | None], *, is_last: bool
) -> float:
    """Return the highest result after which another test, once it was disked, is worth its while [%].

    tests_utc   when the result is in, and when it is tested again
    is_last     no test of this day follows

    Until then it dries as the moist soil does that was turned up, at the bare-soil limit. The last test of a day is
    worth it from the site's test_worth_chance on, for a day hangs on it; one that another follows, where it releases
    the lift as likely as not.
    """
    by_utc, again_utc = tests_utc
    if again_utc is None or by_utc is None:
        return math.nan
    turned_up = KC_MAX_WET_SOMETIMES * OPEN_SHARE * SURFACES["scarified"].turned_factor
    dried_mm = turned_up * float(basis.prepared.evaporated.between(epoch_h(by_utc), epoch_h(again_utc)))
    worth = min(max(basis.inputs.setting("test_worth_chance"), 0.01), LIKELY) if is_last else LIKELY
    spare_pct = -NormalDist().inv_cdf(worth) * GAUGE_ERROR_PCT
    return material.omc_pct + material.window_high_pct + 100.0 * dried_mm / mass + spare_pct


def _thought_before(
    basis: Basis, strip: Strip, material: Material, why: str, by_utc: datetime | None
) -> tuple[tuple[float, float] | None, float]:
    """Return what is thought of a lift before its test, and how far it moves until it is rolled [% points].

    A lift that comes is as the borrow is; a watered one lies about its target, as sure as it was known before.
    """
    inputs = basis.inputs
    s = inputs.strips.index(strip)
    if why == "new_lift":
        if material.borrow_w_pct is None:
            return None, _dried_pct(basis, strip, by_utc)
        low, high = material.omc_pct + material.window_low_pct, material.omc_pct + material.window_high_pct
        spread = arrival_sd_pct(material.borrow_w_pct, low, high, inputs.setting("fresh_lift_chance"))
        return (material.borrow_w_pct, spread), _dried_pct(basis, strip, by_utc)
    row = basis.prepared.row_at(epoch_h(inputs.now_utc if by_utc is None else by_utc))
    if row is None:
        return None, 0.0
    members = inputs.w_pct[row, s]
    if why == "after_watering":
        return (target_w_pct(material), float(np.std(members))), 0.0
    rolling_h = basis.prepared.rolling_h[s]
    last = min(row + math.ceil(rolling_h), len(inputs.w_pct) - 1) if math.isfinite(rolling_h) else row
    return (float(np.mean(members)), float(np.std(members))), float(np.mean(inputs.w_pct[last, s]) - np.mean(members))


def _dried_pct(basis: Basis, strip: Strip, by_utc: datetime | None) -> float:
    """Return by how much a lift that is spread and tested today dries until it is rolled as planned, negative [%]."""
    rolling = rolling_today(basis, strip.id)
    if rolling is None or by_utc is None or not rolling.end_utc > by_utc:
        return 0.0
    evaporated_mm = float(basis.prepared.evaporated.between(epoch_h(by_utc), epoch_h(rolling.end_utc)))
    lost_mm = basis.inputs.setting("watered_surface_kc") * evaporated_mm
    return -100.0 * lost_mm / strip.following_dry_mass_kg_m2 if math.isfinite(lost_mm) else 0.0


def tests_after(basis: Basis, strip: Strip, hours: Sequence[datetime]) -> tuple[datetime | None, datetime | None]:
    """Return when a strip disked at some hours of today is tested again, after the first disking and after the last.

    None where it could not be rolled after it.
    """
    lasts_h = basis.prepared.rolling_h[basis.inputs.strips.index(strip)]
    if not hours or not math.isfinite(lasts_h):
        return None, None
    last_utc = last_pass_utc(basis.prepared) - timedelta(hours=TEST_H + lasts_h)
    first = ready_from(hours[0]) if len(hours) > 1 else hours[0] + timedelta(hours=AFTER_LAST_DISK_H)
    late = hours[-1] + timedelta(hours=AFTER_LAST_DISK_H)
    return first if first <= last_utc else None, late if len(hours) > 1 and first < late <= last_utc else None


def mass_kg_m2(strip: Strip, why: str) -> float:
    """Return the dry mass under a square metre of the lift that is tested: the present one or the next."""
    return strip.following_dry_mass_kg_m2 if why == "new_lift" else strip.dry_mass_kg_m2


def disk_hours_after(basis: Basis, at_utc: datetime | None) -> tuple[datetime, ...]:
    """Return today's diskings of a strip whose test is in by then: where it is dry, at once and four hours later."""
    _, end_utc = basis.shift_utc
    own = [at for at in disk_hours(basis.inputs) if at < end_utc]
    if at_utc is None:
        return tuple(own)
    return tuple(sorted({max(at, at_utc) for at in own if at >= at_utc - timedelta(hours=2)}))


def _below(basis: Basis, strip: Strip, by_utc: datetime | None, mass: float) -> Then:
    """Water where the truck can still put it on, it soaks in, and dry hours are left to roll it; else hold."""
    prepared = basis.prepared
    truck = next(iter(basis.inputs.trucks(strip)), None)
    if truck is None or not strip.lift_thickness_m <= basis.inputs.site.mixing_depth_m or by_utc is None:
        return Then.HOLD
    s = basis.inputs.strips.index(strip)
    spent_h = _spent_h(basis, strip, truck, 0.02 * mass)  # two points: what a dry lift usually lacks
    start_h = epoch_h(by_utc) + spent_h + basis.inputs.soak_h(strip) + TEST_H
    last_h = epoch_h(last_pass_utc(prepared)) - prepared.rolling_h[s]
    if not math.isfinite(start_h + last_h):
        return Then.HOLD
    needed_h = prepared.rolling_h[s] + prepared.seal_h
    starts = np.arange(start_h, last_h + 1e-6, TEST_H)
    is_dry = weather_chances(prepared, s, starts, needed_h) >= prepared.chance_needed
    return Then.WATER if np.any(is_dry) else Then.HOLD


def last_pass_utc(prepared: Prepared) -> datetime:
    """Return when today's last pass must be over: the shift's end with its sealing."""
    return moment(prepared.today.until_h - prepared.seal_h)
