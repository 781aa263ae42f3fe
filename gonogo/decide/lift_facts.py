"""Facts of a lift beyond its moisture: density, binder, method, tests that are due."""

from __future__ import annotations

import math
from collections.abc import Callable
from datetime import timedelta

import numpy as np

from gonogo.decide.inputs import MorningInputs, on_hours
from gonogo.decide.lift_state import middle_half_pct
from gonogo.decide.measures import Fact, Known
from gonogo.decide.windows import epoch_h
from gonogo.records.site import Binder, Material, Method
from gonogo.soil.classes import SOIL_CLASSES


def _of(unit: str, meaning: str, pick: Callable[[MorningInputs, int], float | bool]) -> Fact:
    return Fact(unit=unit, meaning=meaning, of=lambda known, s: float(pick(known.prepared.inputs, s)))


def _failed(inputs: MorningInputs, s: int, pick: str) -> float:
    """A number of the last density test that decided, 0 where there is none."""
    lift = inputs.lift(s)
    result = lift.passed if lift.failed is None else lift.failed.result
    return 0.0 if result is None else float(getattr(result, pick))


def _failed_deviation(inputs: MorningInputs, s: int) -> float:
    failed = inputs.lift(s).failed
    return 0.0 if failed is None else failed.reading.w_pct - inputs.material(inputs.strips[s]).omc_pct


def _material(inputs: MorningInputs, s: int) -> Material:
    return inputs.material(inputs.strips[s])


def _in_middle(inputs: MorningInputs, s: int) -> bool:
    """Whether the newest test lies where it releases a lift that failed before; not where there is no test."""
    low_pct, high_pct = middle_half_pct(_material(inputs, s))
    tested = inputs.last_test_pct
    return tested is not None and bool(low_pct - 1e-9 <= float(tested[s]) <= high_pct + 1e-9)


def _binder(inputs: MorningInputs, s: int, pick: Callable[[Binder], float], otherwise: float) -> float:
    binder = inputs.material(inputs.strips[s]).binder
    return otherwise if binder is None else pick(binder)


def _method(inputs: MorningInputs, s: int, holds: Callable[[Method], bool]) -> bool:
    method = inputs.material(inputs.strips[s]).method
    return method is not None and holds(method)


def _left_h(inputs: MorningInputs, s: int, which: int, otherwise: float) -> float:
    hours = inputs.binder_hours(s)
    return otherwise if hours is None else max(epoch_h(hours[which]) - epoch_h(inputs.now_utc), 0.0)


def _coldest(known: Known, from_h: float, until_h: float) -> float:
    """Lowest air temperature of some hours [epoch h], infinity where none is known."""
    inputs = known.prepared.inputs
    temp = on_hours(inputs, inputs.weather.temp_degc)
    first, last = math.floor(from_h) - known.prepared.cond.first_h, math.ceil(until_h) - known.prepared.cond.first_h
    part = temp[max(first, 0) : max(last, 0)]
    return float(np.min(part[~np.isnan(part)], initial=np.inf))


def _coldest_today(known: Known, s: int) -> float:
    today = known.prepared.today
    return _coldest(known, today.from_h, max(today.until_h, today.from_h + 1.0))


def _coldest_nights(known: Known, s: int) -> float:
    nights = _binder(known.prepared.inputs, s, lambda binder: float(binder.nights), 1.0)
    until = timedelta(days=nights) / timedelta(hours=1)
    return _coldest(known, known.prepared.today.from_h, known.prepared.today.until_h + until)


def _fits_mellowed(known: Known, s: int) -> bool:
    """Whether a lift mixed at the start of work mellows and is rolled today; yes where no binder is wanted."""
    prepared = known.prepared
    mellowing_h = _binder(prepared.inputs, s, lambda binder: binder.mellowing_h, 0.0)
    return mellowing_h + prepared.rolling_h[s] + prepared.seal_h <= prepared.today.hours


def tests_due(inputs: MorningInputs, s: int) -> float:
    """Return how many density tests the lift on row s needs by area and by volume as spread, at least the site's least.

    0 under a method, NaN where a setting or a measure of the strip is unknown. An amount of 0 asks for none.
    """
    strip = inputs.strips[s]
    if inputs.material(strip).method is not None:
        return 0.0
    per_m2, per_m3 = inputs.setting("density_test_every_m2"), inputs.setting("density_test_every_m3")
    least, volume_m3 = inputs.setting("density_tests_min"), strip.area_m2 * strip.lift_thickness_m
    if math.isnan(per_m2 + per_m3 + least + volume_m3):
        return math.nan
    by_area = math.ceil(strip.area_m2 / per_m2 - 1e-9) if per_m2 > 0.0 else 0
    by_volume = math.ceil(volume_m3 / per_m3 - 1e-9) if per_m3 > 0.0 else 0
    return float(max(by_area, by_volume, least))


LIFT_FACTS: dict[str, Fact] = {
    "is_failed": _of("yes/no", "the lift failed its last density test", lambda i, s: i.lift(s).failed is not None),
    "may_roll_again": _of(
        "yes/no",
        "it failed today at the right moisture, and a few passes bring it",
        lambda i, s: i.lift(s).may_roll_again,
    ),
    "is_again": _of("yes/no", "it failed or was broken up, and was not rolled since", lambda i, s: i.lift(s).is_again),
    "is_test_in_middle": _of(
        "yes/no", "the newest test that counts lies in the middle half of the window", lambda i, s: _in_middle(i, s)
    ),
    "middle_low_pct": _of("%", "dry edge of that middle half", lambda i, s: middle_half_pct(_material(i, s))[0]),
    "middle_high_pct": _of("%", "its wet edge", lambda i, s: middle_half_pct(_material(i, s))[1]),
    "is_rework": _of("yes/no", "the engineer said that it is done again", lambda i, s: i.lift(s).is_rework),
    "is_accepted": _of(
        "yes/no", "its density test reached what is required", lambda i, s: i.lift(s).passed is not None
    ),
    "compaction_pct": _of(
        "%", "relative compaction of its last density test, 0 without one", lambda i, s: _failed(i, s, "compaction_pct")
    ),
    "compaction_required_pct": _of(
        "%",
        "relative compaction required; 0 under a method",
        lambda i, s: float(np.nan_to_num(i.material(i.strips[s]).required_compaction_pct)),
    ),
    "air_voids_pct": _of("%", "air of that test", lambda i, s: _failed(i, s, "air_voids_pct")),
    "saturation_pct": _of("%", "saturation of that test", lambda i, s: _failed(i, s, "saturation_pct")),
    "failed_deviation_pct": _of("% points", "moisture of the failed test against optimum", _failed_deviation),
    "n_more_passes": _of(
        "count", "passes still to roll, 0 where the usual ones are", lambda i, s: i.lift(s).n_more_passes
    ),
    "n_field_tests": _of("count", "density tests of the material in the last month", lambda i, s: i.lift(s).n_tests),
    "field_compaction_pct": _of(
        "%",
        "their mean relative compaction, 0 without one",
        lambda i, s: float(np.nan_to_num(i.lift(s).mean_compaction_pct)),
    ),
    "n_density_tests": _of("count", "density tests that the lift needs by area and volume", tests_due),
    "is_treated": _of("yes/no", "soil treated with a binder", lambda i, s: i.material(i.strips[s]).binder is not None),
    "is_setting": _of("yes/no", "the binder is mixed in", lambda i, s: i.lift(s).mixed_utc is not None),
    "mellowing_left_h": _of("h", "until the treated lift may be rolled", lambda i, s: _left_h(i, s, 0, 0.0)),
    "working_time_left_h": _of(
        "h",
        "until its last pass must be over, infinite where no binder is in it",
        lambda i, s: _left_h(i, s, 1, math.inf),
    ),
    "working_time_h": _of(
        "h",
        "from mixing to the last pass, infinite without a binder",
        lambda i, s: _binder(i, s, lambda binder: binder.working_time_h, math.inf),
    ),
    "mellowing_time_h": _of(
        "h", "from mixing until it may be rolled", lambda i, s: _binder(i, s, lambda binder: binder.mellowing_h, 0.0)
    ),
    "has_binder_hours": Fact(
        unit="yes/no",
        meaning="its rolling fits between mellowing and working time today; yes where no binder is in it",
        of=lambda k, s: float(k.prepared.inputs.binder_hours(s) is None or bool(k.prepared.candidates[s])),
    ),
    "is_mellowed_today": Fact(
        unit="yes/no",
        meaning="mixed at the start of work, it mellows and is rolled today; yes where no binder is wanted",
        of=lambda k, s: float(_fits_mellowed(k, s)),
    ),
    "coldest_today_degc": Fact(
        unit="degC", meaning="lowest air temperature of the working hours left", of=_coldest_today
    ),
    "coldest_nights_degc": Fact(
        unit="degC", meaning="lowest air temperature until the binder's nights are over", of=_coldest_nights
    ),
    "binder_air_min_degc": _of(
        "degC",
        "air that its binder needs, minus infinity without one",
        lambda i, s: _binder(i, s, lambda binder: binder.temp_min_degc, -math.inf),
    ),
    "binder_night_min_degc": _of(
        "degC",
        "air that its binder needs in the nights ahead, minus infinity without one",
        lambda i, s: _binder(i, s, lambda binder: binder.night_min_degc, -math.inf),
    ),
    "binder_rain_free_h": _of(
        "h",
        "hours without rain that its binder needs",
        lambda i, s: _binder(i, s, lambda binder: binder.rain_free_h, 0.0),
    ),
    "is_layer_too_thick": _of(
        "yes/no",
        "the lift is thicker than its method allows",
        lambda i, s: _method(i, s, lambda method: i.strips[s].lift_thickness_m > method.layer_max_m + 1e-9),
    ),
    "layer_max_m": _of(
        "m",
        "thickest layer of its method, infinite without one",
        lambda i, s: method.layer_max_m if (method := i.material(i.strips[s]).method) is not None else math.inf,
    ),
    "is_machine_wrong": _of(
        "yes/no",
        "its crew's roller is none of its method's",
        lambda i, s: _method(
            i, s, lambda method: bool(method.roller_ids) and i.roller(i.strips[s]).id not in method.roller_ids
        ),
    ),
    "is_method": _of(
        "yes/no", "a method decides, not density", lambda i, s: i.material(i.strips[s]).method is not None
    ),
    "is_clayey": _of("yes/no", "clay", lambda i, s: SOIL_CLASSES[i.material(i.strips[s]).soil_class].group == "clayey"),
    "is_silt": _of(
        "yes/no", "silt or silty loam", lambda i, s: i.material(i.strips[s]).soil_class in ("silt", "silt_loam")
    ),
    "is_shale": _of("yes/no", "shale or other soft rock", lambda i, s: i.material(i.strips[s]).is_shale),
}
