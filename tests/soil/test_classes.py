"""What stands in for a laboratory: the middle of the published ranges, and times in which common practice drains."""

from __future__ import annotations

import math
import tomllib
from pathlib import Path

import pytest

from gonogo.soil.classes import SOIL_CLASSES

TABLE = tomllib.loads((Path(__file__).parents[1] / "published" / "fao56_table19.toml").read_text(encoding="utf-8"))
RANGES = {case["inputs"]["soil_class"]: case["range"] for case in TABLE["case"] if case["kind"] == "class_middle"}


@pytest.mark.parametrize("name", SOIL_CLASSES)
def test_each_class_stands_in_the_middle_of_its_published_range(name: str) -> None:
    row, printed = SOIL_CLASSES[name], RANGES[name]
    for quantity in ("theta_fc", "theta_wp", "rew_mm"):
        low, high = printed[quantity]
        assert getattr(row, quantity) == pytest.approx((low + high) / 2.0), quantity


@pytest.mark.parametrize("name", SOIL_CLASSES)
def test_soil_is_near_field_capacity_one_to_three_days_after_rain_and_not_after_six_hours(name: str) -> None:
    """Common practice, no source: under 15 % of the excess is left after three days, over 40 % after six hours."""
    time_h = SOIL_CLASSES[name].drainage_time_h
    assert math.exp(-72.0 / time_h) < 0.15
    assert math.exp(-6.0 / time_h) > 0.40


def test_finer_soil_drains_no_faster_and_clean_soil_is_called_so() -> None:
    times_h = [row.drainage_time_h for row in SOIL_CLASSES.values()]
    assert times_h == sorted(times_h)
    assert [name for name, row in SOIL_CLASSES.items() if row.is_granular] == ["sand", "loamy_sand"]
    assert {row.group for row in SOIL_CLASSES.values()} == {"granular", "silty", "clayey"}


def test_suction_and_conductivity_are_in_millimetres() -> None:
    """Rawls et al. 1983 print centimetres: loam 8.89 cm and 0.34 cm/h."""
    loam = SOIL_CLASSES["loam"]
    assert (loam.suction_mm, loam.k_sat_mm_h) == pytest.approx((88.9, 3.4))
