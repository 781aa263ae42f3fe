"""Spray-bar and tanker arithmetic: how fast, how often, how far a load reaches."""

from __future__ import annotations

import math
from dataclasses import dataclass

from gonogo.decide.inputs import MorningInputs
from gonogo.records.site import Material, Truck
from gonogo.soil.classes import SOIL_CLASSES
from gonogo.soil.rain import early_intake_mm

_NUDGE = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True)
class Spray:
    """How a truck puts a dose on: passes, litres/m2 of each, speed, and warnings (keys of WATER_WARNINGS)."""

    passes: int
    litres_m2_per_pass: float
    speed_km_h: float
    warnings: tuple[str, ...]


def spray_rate_litres_m2(flow_litres_min: float, speed_km_h: float, width_m: float) -> float:
    """Return what one pass puts on [L/m2]: flow / (speed x width).

    flow_litres_min  of the whole bar [L/min]; speed_km_h  [km/h], above 0; width_m  of the bar [m], above 0

    Source: identity. Checked in tests/published/spray_bar.toml.
    """
    return flow_litres_min * 60.0 / (speed_km_h * 1000.0 * width_m)


def spray_speed_km_h(flow_litres_min: float, width_m: float, litres_m2: float) -> float:
    """Return the speed at which one pass puts on litres_m2 [km/h]: flow / (bar width x rate per pass).

    Source: identity. Checked in tests/published/spray_bar.toml.
    """
    return flow_litres_min * 60.0 / (1000.0 * width_m * litres_m2)


def load_length_m(litres: float, litres_m2: float, width_m: float) -> float:
    """Return how far a load reaches [m]: litres / (depth in L/m2, which is mm, x swath in m).

    Source: tanker application guide, Waikato Regional Council. Checked in tests/published/spray_bar.toml.
    """
    return litres / (litres_m2 * width_m)


def lanes(truck: Truck, width_m: float) -> int:
    """Return how many widths of the spray bar cover a strip [-]."""
    return math.ceil(width_m / truck.bar_width_m - _NUDGE)


def efficiency_of(inputs: MorningInputs, truck: Truck) -> float:
    """Return the share of the hour that a truck works on strips [-]: what haul roads drink is taken from it.

    Never below a tenth: a truck that has no time is a fault of the config, not an endless day.
    """
    efficiency = inputs.setting("truck_efficiency")
    spray_h = truck.tank_litres / truck.flow_litres_min / 60.0
    load_h = ((truck.fill_time_min + 2.0 * truck.travel_time_min) / 60.0 + spray_h) / efficiency
    taken = inputs.setting("haul_road_litres_h") / truck.tank_litres * load_h
    return efficiency * max(1.0 - taken, 0.1)


def first_drop_h(truck: Truck, efficiency: float) -> float:
    """Return how long an empty truck takes from the call to the first drop [h]. efficiency: as in trips."""
    return (truck.fill_time_min + truck.travel_time_min) / 60.0 / efficiency


def pass_limit_litres_m2(material: Material, soak_min: float) -> float:
    """Return what a loose or scarified surface takes in within soak_min minutes of ponding [L/m2].

    The limit of one spray pass, so that it soaks in rather than runs off. Leading term of Green and Ampt, with the soil
    class's conductivity and suction and half of its effective porosity free. No published
    litres per pass were found; practice names 2 to 5 L/m2 on fine soil (from memory). A sealed surface takes a
    hundredth and has to be scarified first.

    Source: Green and Ampt with Rawls et al. 1983. Checked in tests/published/spray_bar.toml.
    """
    row = SOIL_CLASSES[material.soil_class]
    return float(
        early_intake_mm(
            soak_min / 60.0, k_sat_mm_h=row.k_sat_mm_h, suction_mm=row.suction_mm, deficit=0.5 * row.theta_e
        )
    )


def spray(dose_litres_m2: float, limit_litres_m2: float, truck: Truck, strip_width_m: float) -> Spray:
    """Return passes and speed for a dose: as few passes as the soil and the truck's slowest speed allow.

    dose_litres_m2   [L/m2], above 0
    limit_litres_m2  greatest amount of one pass [L/m2], above 0

    Where the truck cannot go fast enough to spray so thinly, it makes fewer and heavier passes, and a warning says so.
    """
    rates = [
        spray_rate_litres_m2(truck.flow_litres_min, speed, truck.bar_width_m)
        for speed in (truck.speed_max_km_h, truck.speed_min_km_h)
    ]
    thinnest, heaviest = rates
    passes = max(math.ceil(dose_litres_m2 / min(limit_litres_m2, heaviest) - _NUDGE), 1)
    most = max(math.floor(dose_litres_m2 / thinnest + _NUDGE), 1)
    passes = min(passes, most)
    per_pass = dose_litres_m2 / passes
    speed = spray_speed_km_h(truck.flow_litres_min, truck.bar_width_m, per_pass)
    warnings = []
    if not truck.speed_min_km_h - _NUDGE <= speed <= truck.speed_max_km_h + _NUDGE:
        warnings.append("speed_outside_range")
    if per_pass > limit_litres_m2 * (1.0 + _NUDGE):
        warnings.append("more_per_pass_than_soaks_in")
    if lanes(truck, strip_width_m) * truck.bar_width_m > 1.1 * strip_width_m:
        warnings.append("bar_overhangs")
    return Spray(passes=passes, litres_m2_per_pass=per_pass, speed_km_h=speed, warnings=tuple(warnings))


@dataclass(frozen=True, slots=True, kw_only=True)
class Trips:
    """The truck's trips for one strip: number of loads, where each ends along the strip, and the time they take.

    first_h   from the call until the first drop falls [h]
    spray_h   from the first drop to the last [h]
    leave_h   from the last drop until the truck can be called again [h]
    """

    loads: int
    load_ends_m: tuple[float, ...]
    first_h: float
    spray_h: float
    leave_h: float


def trips(
    dose_litres_m2: float, spraying: Spray, truck: Truck, *, length_m: float, width_m: float, efficiency: float
) -> Trips:
    """Return the trips for a dose over a strip, section by section: each load waters its section in full.

    travel_time_min is one way. The truck starts empty. efficiency: working minutes of an hour / 60 [-].
    """
    litres = dose_litres_m2 * length_m * width_m
    loads = max(math.ceil(litres / truck.tank_litres - _NUDGE), 1)
    reach_m = load_length_m(truck.tank_litres, dose_litres_m2, width_m)
    driving_h = length_m * lanes(truck, width_m) * spraying.passes / (spraying.speed_km_h * 1000.0)
    again_h = (truck.fill_time_min + 2.0 * truck.travel_time_min) / 60.0
    return Trips(
        loads=loads,
        load_ends_m=tuple(min(reach_m * (k + 1), length_m) for k in range(loads)),
        first_h=first_drop_h(truck, efficiency),
        spray_h=(driving_h + (loads - 1) * again_h) / efficiency,
        leave_h=truck.travel_time_min / 60.0 / efficiency,
    )
