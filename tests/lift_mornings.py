"""Mornings of lifts that failed, that are treated or that a method decides: one for each row of the table."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import numpy as np
from hand_made import MEMBERS, N_HOURS, NOW_UTC, crew, material, row

from gonogo.config.kinds import BINDERS
from gonogo.decide.lift_state import LiftState
from gonogo.moisture.lift_history import FailedTest
from gonogo.records.field import Reading
from gonogo.records.site import Method
from gonogo.soil.density import DensityResult, density_result

PASSED = DensityResult(compaction_pct=96.2, air_voids_pct=5.4, saturation_pct=82.0)


def failed(w_pct: float = 14.0, compaction_pct: float = 92.0) -> FailedTest:
    density = compaction_pct / 100.0 * 1850.0
    at_utc = NOW_UTC - timedelta(hours=14)
    reading = Reading(strip_id="N1", at_utc=at_utc, w_pct=w_pct, method="nuclear gauge", dry_density_kg_m3=density)
    return FailedTest(reading=reading, result=density_result(w_pct, density, mdd_kg_m3=1850.0, specific_gravity=2.68))


def treated(kind: str = "cement", mixed_h_ago: float | None = None, **changes: Any) -> dict[str, Any]:
    """A morning of a treated lift; mixed_h_ago: since when the binder is in it, None = it is not."""
    given: dict[str, Any] = {"on_site": {"materials": (material(binder=BINDERS[kind]),)}}
    if mixed_h_ago is not None:
        given["lifts"] = {"N1": LiftState(mixed_utc=NOW_UTC - timedelta(hours=mixed_h_ago))}
    return given | changes


def by_method(**changes: Any) -> dict[str, Any]:
    method = Method(**({"passes": 6, "layer_max_m": 0.3} | changes))
    return {"on_site": {"materials": (material(method=method, required_compaction_pct=float("nan")),)}}


RAIN_SOON = np.where(np.arange(N_HOURS) < row(11), 0.0, 3.0)
COLD_NIGHT = np.where((np.arange(N_HOURS) >= row(20)) & (np.arange(N_HOURS) < row(28)), -1.0, 12.0)
HALF_DRY = np.where(np.arange(MEMBERS) < MEMBERS // 2, 10.0, 14.0)

DECIDED_BY: dict[str, dict[str, Any]] = {
    "lift_accepted": {"rolled": np.array([1.0]), "lifts": {"N1": LiftState(passed=PASSED)}},
    "binder_time_over": treated(mixed_h_ago=1.5),
    "binder_mellowing": treated("lime", mixed_h_ago=3.0),
    "binder_air_cold": treated(sky={"temp_degc": 4.0}),
    "binder_nights_cold": treated(sky={"temp_degc": COLD_NIGHT}),
    "binder_rain": treated(rain_mm=RAIN_SOON),
    "binder_mix_first": treated("lime"),
    "layer_over_method": by_method(layer_max_m=0.2),
    "machine_not_of_method": by_method(roller_ids=("grid-1",)),
    "density_failed": {"lifts": {"N1": LiftState(failed=failed())}},
    "again_outside": {"lifts": {"N1": LiftState(is_again=True)}, "w_pct": 14.0, "last_test_pct": 12.9},
    "lift_in_rework": {"lifts": {"N1": LiftState(is_rework=True)}},
    "binder_too_wet": treated("lime", mixed_h_ago=30.0, w_pct=17.0),
    # Too dry to the half and no truck that could mend it in time: what sets is rolled all the same.
    "binder_in_time": treated(
        "lime",
        mixed_h_ago=30.0,
        w_pct=HALF_DRY[None, None, :],
        on_site={"materials": (material(binder=BINDERS["lime"]),), "crews": (crew(truck=None),)},
    ),
}
