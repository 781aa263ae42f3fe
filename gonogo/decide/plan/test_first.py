"""The test that decides about a strip today: by when its result is needed, and what each result has the crew do."""

from __future__ import annotations

import math
from datetime import datetime, timedelta
from statistics import NormalDist

from gonogo.decide.dry_back import disk_hours
from gonogo.decide.order.today import TEST_H, is_testable, test_done_h
from gonogo.decide.plan.basis import Basis
from gonogo.decide.today import Prepared
from gonogo.decide.water.dose import target_w_pct
from gonogo.decide.water.forecast import truck_time
from gonogo.decide.windows import moment
from gonogo.records.day_plan import Job, Task, TestFirst, Then
from gonogo.records.site import Material, Strip
from gonogo.records.verdict import Decision, Verdict
from gonogo.soil.readings import METHOD_ERROR_PCT, SPOT_SCATTER_PCT

AFTER_DISK_H = 2.5  # disking itself, and the sun on what it turned up: common practice
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
    mass = mass_kg_m2(strip, why)
    litres_per_pct = mass * strip.area_m2 / 100.0
    below = _below(basis, strip, by_utc, mass) if has_water else Then.CALL
    hours = () if material.is_granular else disk_hours_after(basis, by_utc)
    low_pct, high_pct = limits_pct(material, basis.prepared.chance_needed)
    return TestFirst(
        why=why,
        by_utc=by_utc,
        low_pct=low_pct,
        high_pct=high_pct,
        inside=Then.ROLL,
        below=below,
        above=Then.DISK if hours else Then.HOLD,
        target_pct=target_w_pct(material) if below == Then.WATER else math.nan,
        litres_per_pct=litres_per_pct if below == Then.WATER else math.nan,
        litres_most=basis.inputs.setting("dose_max_litres_m2") * strip.area_m2 if below == Then.WATER else math.nan,
        disk_utc=hours,
        again_utc=_again_utc(basis, strip, hours),
    )


def limits_pct(material: Material, chance_needed: float) -> tuple[float, float]:
    """Return the limits of one gauge test between which the lift is inside its window as likely as is asked [%].

    One-sided at each edge, with the error of the gauge and of the spot; never more than a quarter of the window at
    either end, so that a narrow window keeps a middle.
    """
    low, high = material.omc_pct + material.window_low_pct, material.omc_pct + material.window_high_pct
    error_pct = math.hypot(METHOD_ERROR_PCT["nuclear gauge"], SPOT_SCATTER_PCT)
    chance = min(max(chance_needed, 0.5), 0.99) if math.isfinite(chance_needed) else 0.99
    margin = min(NormalDist().inv_cdf(chance) * error_pct, 0.25 * (high - low))
    return low + margin, high - margin


def _again_utc(basis: Basis, strip: Strip, hours: tuple[datetime, ...]) -> datetime | None:
    """Return when a disked strip is tested again today, None where it could not be rolled after it."""
    if not hours:
        return None
    at_utc = hours[0] + timedelta(hours=AFTER_DISK_H)
    lasts_h = basis.prepared.rolling_h[basis.inputs.strips.index(strip)]
    fits = math.isfinite(lasts_h) and at_utc + timedelta(hours=TEST_H + lasts_h) <= last_pass_utc(basis.prepared)
    return at_utc if fits else None


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
    """Water where the truck can still put it on, it soaks in and is rolled today; else the superintendent calls."""
    truck = basis.inputs.crew(strip).truck
    if truck is None or not strip.lift_thickness_m <= basis.inputs.site.mixing_depth_m or by_utc is None:
        return Then.HOLD
    s = basis.inputs.strips.index(strip)
    usual = truck_time(basis.prepared, strip, truck, 0.02 * mass)  # two points: what a dry lift usually lacks
    spent_h = SPRAY_H if usual is None else usual.first_h + usual.spray_h
    soaked_h = spent_h + basis.inputs.soak_h(strip)
    needed = timedelta(hours=soaked_h + 2.0 * TEST_H + basis.prepared.rolling_h[s])
    fits = math.isfinite(needed.total_seconds()) and by_utc + needed <= last_pass_utc(basis.prepared)
    return Then.WATER if fits else Then.HOLD


def last_pass_utc(prepared: Prepared) -> datetime:
    """Return when today's last pass must be over: the shift's end with its sealing."""
    return moment(prepared.today.until_h - prepared.seal_h)
