"""What a lift is beyond its moisture: its density, its binder's clock, its method, what its material's tests say."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta

from gonogo import times
from gonogo.decide.machines import roller_of
from gonogo.moisture.density_tests import judged
from gonogo.moisture.lift_history import FailedTest, LiftHistory, material_of
from gonogo.records.field import Entry, Reading, SurfaceWork
from gonogo.records.site import Material, Site, Strip
from gonogo.soil.density import DensityResult, growth_pct, passes_more


@dataclass(frozen=True, slots=True, kw_only=True)
class LiftState:
    """What was recorded of the lift that lies on a strip.

    passed, failed   its last density test, as far as it decides
    is_again         it was rolled before, and failed or was broken up: it is done again
    may_roll_again   it failed today at the right moisture, and passes likely bring what is missing
    n_more_passes    passes still to roll: after a failed test, or of a method that is not done; 0 where all are
    mixed_utc        when a binder was mixed into it, None where none was
    n_tests, mean_compaction_pct   density tests of its material in the last month, and their mean [%]; NaN for none
    """

    passed: DensityResult | None = None
    failed: FailedTest | None = None
    is_rework: bool = False
    is_again: bool = False
    may_roll_again: bool = False
    n_more_passes: float = 0.0
    mixed_utc: datetime | None = None
    n_tests: int = 0
    mean_compaction_pct: float = math.nan


NOTHING_KNOWN = LiftState()


def lift_states(
    site: Site,
    histories: Sequence[LiftHistory],
    entries: Sequence[Entry],
    *,
    day: date,
    now_utc: datetime,
    settings: Mapping[str, float],
) -> dict[str, LiftState]:
    """Return by strip id what its lift is.

    site      with the strips as they lie; histories in their order
    day       the local date of the run: a lift that failed on it may be rolled again, one of before goes into rework
    """
    record = _record(site, entries, now_utc)
    days = settings.get("curve_check_days", math.nan)
    since_utc = now_utc - timedelta(days=days) if math.isfinite(days) else now_utc
    found = {}
    for strip, history in zip(site.strips, histories, strict=True):
        material, roller_id = site.material(strip.material_id), roller_of(site, strip).id
        recent = [row.compaction_pct for row in record if row.at_utc >= since_utc and row.material_id == material.id]
        growth = _growth(record, material.id, roller_id)
        more, may_roll_again = _way_on(strip, history, material, site, growth, day, settings)
        mixed = [work.at_utc for work in history.works if work.work == "mixed"]
        found[strip.id] = LiftState(
            passed=history.passed,
            failed=history.failed,
            is_rework=history.is_rework,
            is_again=history.is_again,
            may_roll_again=may_roll_again,
            n_more_passes=more,
            mixed_utc=mixed[-1] if mixed and material.binder is not None else None,
            n_tests=len(recent),
            mean_compaction_pct=math.fsum(recent) / len(recent) if recent else math.nan,
        )
    return found


def with_passes(site: Site, states: Mapping[str, LiftState]) -> Site:
    """Return a site whose strips get the passes that are still to roll, where these are not the usual ones."""
    strips = []
    for strip in site.strips:
        more = states[strip.id].n_more_passes
        strips.append(replace(strip, passes=int(more)) if more > 0.0 else strip)
    return replace(site, strips=tuple(strips))


def middle_half_pct(material: Material) -> tuple[float, float]:
    """Return the middle half of the window [%]: what releases a lift that failed, or was broken up, before.

    Failing says that it was not where its tests said. Of lifts inside their window about one in twenty fails, of those
    outside about every other (common practice, no source): by Bayes' rule a gauge test then releases a lift at 0.7 from
    some 1.5 points inside a window of 4 or 6 points on, which is about its middle half.
    """
    quarter = 0.25 * (material.window_high_pct - material.window_low_pct)
    return material.omc_pct + material.window_low_pct + quarter, material.omc_pct + material.window_high_pct - quarter


def _way_on(
    strip: Strip,
    history: LiftHistory,
    material: Material,
    site: Site,
    growth: float,
    day: date,
    settings: Mapping[str, float],
) -> tuple[float, bool]:
    """Return the passes still to roll on a lift, and whether a failed one may be rolled again today."""
    usual = roller_of(site, strip).passes if strip.passes is None else strip.passes
    if material.method is not None:
        done = 0.0 if math.isnan(history.n_passes) else history.n_passes
        return max(material.method.passes - done, 0.0), False
    if history.failed is None or times.local_date(history.failed.reading.at_utc, site.zone) != day:
        return 0.0, False
    deviation_pct = history.failed.reading.w_pct - material.omc_pct
    missing_pct = material.required_compaction_pct - history.failed.result.compaction_pct
    done = usual if math.isnan(history.n_passes) or history.n_passes == 0.0 else history.n_passes
    more = passes_more(max(missing_pct, 0.0), done, growth)
    if math.isnan(more):
        more = settings.get("roll_again_passes", math.nan)
    is_inside = material.window_low_pct <= deviation_pct <= material.window_high_pct
    # More than the lift had in the first place is no rolling again: layer, roller or soil are not what was thought.
    may = is_inside and more <= usual
    return (more, True) if may else (0.0, False)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Tested:
    """A density test with what it was made on."""

    at_utc: datetime
    material_id: str
    roller_id: str
    passes: float
    compaction_pct: float


def _record(site: Site, entries: Sequence[Entry], now_utc: datetime) -> list[_Tested]:
    """Return the site's density tests of rolled lifts up to now, each with the passes recorded before it."""
    found = []
    for strip in site.strips:
        roller_id = roller_of(site, strip).id
        own = [e for e in entries if isinstance(e, Reading | SurfaceWork) and e.strip_id == strip.id]
        passes, material = 0.0, site.material(strip.material_id)
        for entry in sorted((e for e in own if e.at_utc <= now_utc), key=lambda e: e.at_utc):
            if isinstance(entry, SurfaceWork):
                if entry.work == "spread" and entry.spread is not None:
                    material = material_of(strip, entry.spread, site)
                if entry.work in ("spread", "disked"):
                    passes = 0.0
                elif entry.work == "rolled":
                    passes += math.nan if entry.passes is None else entry.passes
            elif passes != 0.0 and (tested := judged(entry, material)) is not None:
                found.append(
                    _Tested(
                        at_utc=entry.at_utc,
                        material_id=material.id,
                        roller_id=roller_id,
                        passes=passes,
                        compaction_pct=tested[0].compaction_pct,
                    )
                )
    return found


def _growth(record: Sequence[_Tested], material_id: str, roller_id: str) -> float:
    own = [r for r in record if (r.material_id, r.roller_id) == (material_id, roller_id) and not math.isnan(r.passes)]
    return growth_pct([r.passes for r in own], [r.compaction_pct for r in own])
