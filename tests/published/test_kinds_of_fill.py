"""Published rules of treated soil, methods, clean sand, drums and tests that are due, at their printed limits."""

from __future__ import annotations

import math
from datetime import timedelta
from typing import Any

import numpy as np
import printed
import pytest
from hand_made import N_HOURS, NOW_UTC, at, crew, material, morning, roller, row, site, strip

from gonogo.config.kinds import BINDERS, wet_edge_of_sand
from gonogo.decide.lift_state import LiftState, lift_states
from gonogo.decide.rolling import drum_suits
from gonogo.decide.verdict import decide
from gonogo.moisture.lift_history import lift_history
from gonogo.records.field import SurfaceWork
from gonogo.records.site import Drum, Method
from gonogo.records.verdict import Verdict
from gonogo.units import METRE_PER_YARD

SOIL = {"granular": "sand", "silty": "silt", "clayey": "clay"}


def goes(**given: Any) -> float:
    (made,) = decide(morning(**given))
    return float(made.verdict is Verdict.COMPACT)


def treated(binder: str) -> dict[str, Any]:
    return {"materials": (material(binder=BINDERS[binder]),)}


def mixing(binder: str, air_degc: list[float]) -> dict[str, Any]:
    return {"go": [goes(on_site=treated(binder), sky={"temp_degc": degc}) for degc in air_degc]}


def night(binder: str, night_f: list[float], nights_ahead: list[int]) -> dict[str, Any]:
    """A lift that is mixed today, or rolled after its mellowing, and one night of a given temperature ahead of it."""
    found = []
    for fahrenheit, ahead in zip(night_f, nights_ahead, strict=True):
        temp = np.full(N_HOURS, 12.0)
        first = row(0.0) + 24 * ahead
        temp[first : first + 5] = (fahrenheit - 32.0) / 1.8
        (made,) = decide(morning(on_site=treated(binder), sky={"temp_degc": temp}))
        found.append(float(made.reason != "binder_nights_cold"))
    return {"go": found}


def rolling(binder: str, since_mixing_h: list[float]) -> dict[str, Any]:
    now = at(8)
    found = []
    for hours in since_mixing_h:
        lifts = {"N1": LiftState(mixed_utc=now - timedelta(hours=hours))}
        found.append(goes(on_site=treated(binder), lifts=lifts, now_utc=now))
    return {"go": found}


def layer(layer_max_m: float, thickness_m: list[float]) -> dict[str, Any]:
    method = Method(passes=6, layer_max_m=layer_max_m)
    on_site = {"materials": (material(method=method, required_compaction_pct=math.nan),)}
    return {"go": [goes(on_site=on_site, strips=[strip(lift_thickness_m=m)]) for m in thickness_m]}


def passes(passes: int, rolled: list[int]) -> dict[str, Any]:
    method = Method(passes=passes, layer_max_m=0.3)
    whole = site([strip()], materials=(material(method=method, required_compaction_pct=math.nan),))
    found = []
    for n in rolled:
        done = [SurfaceWork(strip_id="N1", at_utc=NOW_UTC - timedelta(hours=9), work="rolled", passes=n)]
        histories = [lift_history(whole.strips[0], done, NOW_UTC, whole)]
        states = lift_states(whole, histories, done, day=NOW_UTC.date(), now_utc=NOW_UTC, settings={})
        assert histories[0].is_rolled == (states["N1"].n_more_passes == 0.0)
        found.append(states["N1"].n_more_passes)
    return {"more": found}


def due(volume_yd3: list[float]) -> dict[str, Any]:
    found = []
    for volume in volume_yd3:
        long_m = volume * METRE_PER_YARD**3 / (0.25 * 8.0)
        (made,) = decide(morning(strips=[strip(length_m=long_m)]))
        found.append(made.facts["n_density_tests"])
    return {"tests": found}


def sand(omc_pct: float, mdd_kg_m3: float, required_pct: float, specific_gravity: float) -> dict[str, Any]:
    return {"wet_edge_pct": omc_pct + wet_edge_of_sand(omc_pct, mdd_kg_m3, required_pct, specific_gravity)}


def drum(drum: str, vibrates: bool, group: str) -> dict[str, Any]:
    soil = material(soil_class=SOIL[group], is_granular=group == "granular")
    own = crew(roller=roller(drum=Drum(drum), vibrates=vibrates))
    return {"suits": float(drum_suits(own.roller, soil))}


KINDS: printed.Kinds = {
    "mixing": mixing,
    "night": night,
    "rolling": rolling,
    "layer": layer,
    "passes": passes,
    "tests": due,
    "sand": sand,
    "drum": drum,
}


@pytest.mark.parametrize("case", printed.cases("fill"))
def test_a_published_rule_holds_at_its_limit(case: dict[str, Any]) -> None:
    printed.require(case, KINDS)


def test_every_case_is_marked_and_every_kind_used() -> None:
    printed.require_complete("fill", KINDS, 14)
