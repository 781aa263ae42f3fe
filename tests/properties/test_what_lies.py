"""What must be true of any snow and any pond that was seen: more of it never lets a strip go sooner."""

from __future__ import annotations

import numpy as np
from hand_made import FIRST_UTC, N_HOURS, at, hourly, material, morning, strip
from hypothesis import given, settings
from hypothesis import strategies as st

from gonogo.decide.conditions import conditions
from gonogo.decide.verdict import decide
from gonogo.moisture.ground_state import GroundState
from gonogo.moisture.strip_snow import SiteSnow, strip_snow
from gonogo.records.site import Surface
from gonogo.records.verdict import Verdict

FEW = settings(max_examples=40, deadline=None)
HOURS = np.datetime64(FIRST_UTC.replace(tzinfo=None), "h") + np.arange(N_HOURS)


def site(fallen_mm: np.ndarray, depth_mm: np.ndarray, degc: float) -> SiteSnow:
    return SiteSnow(
        hour_utc=HOURS, depth_mm=depth_mm, melt_mm=np.zeros(N_HOURS), fallen_mm=fallen_mm, temp_degc=hourly(degc)
    )


@FEW
@given(
    hour=st.integers(-40, 20),
    fell=st.lists(st.tuples(st.integers(0, N_HOURS - 1), st.floats(0.0, 20.0)), max_size=6),
    more_mm=st.floats(0.0, 20.0),
    degc=st.floats(-5.0, 10.0),
)
def test_a_cleared_strip_has_no_more_snow_than_fell_or_grew_and_more_never_makes_less(
    hour: int, fell: list[tuple[int, float]], more_mm: float, degc: float
) -> None:
    fallen = np.zeros(N_HOURS)
    for row, mm in fell:
        fallen[row] += mm
    depth = 100.0 + 7.0 * np.cumsum(fallen)
    cleared = GroundState(cleared_utc=at(float(hour)))
    own, melt = strip_snow(site(fallen, depth, degc), cleared)
    assert np.all(own >= 0.0)
    assert np.all(own <= depth + 7.0 * fallen + 1e-9)
    assert np.all(melt >= 0.0)
    heavier, _ = strip_snow(site(fallen + more_mm, depth + more_mm, degc), cleared)
    assert np.all(heavier >= own - 1e-9)


@FEW
@given(mm=st.floats(1.0, 60.0), more_mm=st.floats(0.0, 60.0), seen_h=st.integers(-40, 5), et0_mm=st.floats(0.0, 0.8))
def test_a_deeper_pond_never_dries_off_sooner(mm: float, more_mm: float, seen_h: int, et0_mm: float) -> None:
    def stood(depth_mm: float) -> np.ndarray:
        pond = GroundState(ponded_utc=at(float(seen_h)), pond_utc=at(float(seen_h)), pond_mm=depth_mm)
        inputs = morning(
            grounds={"N1": pond},
            strips=[strip(surface=Surface.SEALED)],
            on_site={"materials": (material(soil_class="clay"),)},
            et0_mm=et0_mm,
        )
        return conditions(inputs).standing_mm[:, 0]

    assert np.all(stood(mm + more_mm) >= stood(mm) - 1e-9)


@FEW
@given(
    states=st.fixed_dictionaries(
        {}, optional={name: st.integers(-40, 5) for name in ("cleared_utc", "pond_utc", "slick_utc", "frozen_utc")}
    )
)
def test_what_was_seen_lets_no_strip_be_rolled_that_would_wait_without_it_but_for_cleared_snow(
    states: dict[str, int],
) -> None:
    moments = {name: at(float(hour)) for name, hour in states.items()}
    seen = GroundState(**moments, ponded_utc=moments.get("pond_utc"), pond_mm=20.0)
    (plain,), (made,) = decide(morning(w_pct=17.0)), decide(morning(w_pct=17.0, grounds={"N1": seen}))
    assert (plain.verdict, made.verdict) == (Verdict.WAIT, Verdict.WAIT)
    (right,) = decide(morning(grounds={"N1": seen}, reading_age_h=60.0))
    is_held = {"pond_utc", "slick_utc", "frozen_utc"} & set(states)
    assert right.verdict == (Verdict.WAIT if is_held else Verdict.COMPACT)
