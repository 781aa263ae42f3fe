"""What specifications say of snow, frost, rain and crust, on a right lift with one thing against it."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hand_made import N_HOURS, at, morning, row

from gonogo.decide.verdict import decide
from gonogo.moisture.ground_state import GroundState
from gonogo.records.verdict import Decision

TABLE = tomllib.loads(Path(__file__).with_name("weather_stops.toml").read_text("utf-8"))


def judged(given: Mapping[str, float]) -> Decision:
    """Return the decision on a lift at its optimum under the weather of a case."""
    hours = np.arange(N_HOURS)
    rain = np.zeros(N_HOURS)
    sky: dict[str, Any] = {name: given[name] for name in ("temp_degc",) if name in given}
    for name in ("snow_lying_mm", "frost_depth_mm"):
        if name in given:
            sky[name] = np.full(N_HOURS, given[name])
    if "surface_night_degc" in given:
        is_night = (hours >= row(1.0)) & (hours < row(6.0))
        sky["surface_temp_degc"] = np.where(is_night, given["surface_night_degc"], given["temp_degc"])
    rain[row(0.0) : row(5.0)] = given.get("rain_night_mm", 0.0) / 5.0
    rain[row(7.0) : row(17.0)] = given.get("rain_shift_mm_h", 0.0)
    rain[row(18.0) : row(20.0)] = given.get("rain_evening_mm", 0.0) / 2.0
    halves = {name: given.get(name) for name in ("top_pct", "base_pct")}
    (made,) = decide(morning(rain_mm=rain, sky=sky, grounds={"N1": seen(given)}, **halves))
    return made


def seen(given: Mapping[str, float]) -> GroundState:
    """Return what was seen of the strip in a case, at hours of the day."""
    cleared, pond, drained = (at(given[k]) if k in given else None for k in ("cleared_h", "pond_h", "drained_h"))
    depth_mm = given.get("pond_mm", 0.0)
    return GroundState(cleared_utc=cleared, ponded_utc=pond, pond_utc=pond, pond_mm=depth_mm, drained_utc=drained)


@pytest.mark.parametrize("case", TABLE["case"], ids=lambda case: case["id"])
def test_a_specification_is_kept(case: dict[str, Any]) -> None:
    assert case["source"]
    made, wanted = judged(case["inputs"]), case["expect_words"]
    assert (made.verdict, made.reason) == (wanted["verdict"], wanted["reason"])
    assert not wanted["advice"] or wanted["advice"] in made.advice
    assert not wanted["test"] or wanted["test"] in made.test
