"""Spray-bar and tanker arithmetic: how fast, how often, how far a load reaches."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

from gonogo import units
from gonogo.decide.inputs import MorningInputs
from gonogo.records.site import Material, Truck
from gonogo.soil.classes import SOIL_CLASSES
from gonogo.soil.rain import early_intake_mm

_NUDGE = 1e-9

# Between the clods of a loose lift water stands and sinks in wherever the clods themselves take it in slowly. The least
# that one pass may put on a loose lift [L/m2]: within the 2 to 5 L/m2 that practice names, from memory.
CLODS_HOLD_LITRES_M2 = 3.0
KM_PER_UNIT = {"metric": 1.0, "us": units.KM_PER_MILE}
DOSE_TOLERANCE = 0.03  # a printed speed puts on the dose to this share
REST_OF_BAR = 0.1  # of its width, beside the last lane: the spray of the outer nozzles reaches over it; our own choice
SMALL_LOAD = 0.05  # a last load of less than this share of a tank is not worth the way


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
    """Return how many widths of the spray bar cover a strip [-].

    A rest within DOSE_TOLERANCE is no lane of its own, where the outer nozzles reach over it (REST_OF_BAR).
    """
    rest_m = min(DOSE_TOLERANCE * width_m, REST_OF_BAR * truck.bar_width_m)
    return math.ceil((width_m - rest_m) / truck.bar_width_m - _NUDGE)


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

    The limit of one spray pass, so that it soaks in rather than runs off: the leading term of Green and Ampt, with the
    soil class's conductivity and suction and half of its effective porosity free, and never less than what the gaps
    between loose clods hold. No published litres per pass were found; practice names 2 to 5 L/m2 on fine soil (from
    memory). A sealed surface takes a hundredth and has to be scarified first.

    Source: Green and Ampt with Rawls et al. 1983. Checked in tests/published/spray_bar.toml.
    """
    row = SOIL_CLASSES[material.soil_class]
    soaked = early_intake_mm(
        soak_min / 60.0, k_sat_mm_h=row.k_sat_mm_h, suction_mm=row.suction_mm, deficit=0.5 * row.theta_e
    )
    return math.nan if math.isnan(float(soaked)) else max(float(soaked), CLODS_HOLD_LITRES_M2)


def whole_loads_litres(litres: float, tank_litres: float) -> float:
    """Return a dose without the last load where that would be a small one: the loads before it then reach farther.

    At most DOSE_TOLERANCE of the dose is left out so.
    """
    full = math.floor(litres / tank_litres + _NUDGE)
    rest = litres - full * tank_litres
    is_small = 0.0 < rest < SMALL_LOAD * tank_litres and rest <= DOSE_TOLERANCE * litres
    return full * tank_litres if full >= 1 and is_small else litres


def rounding_error(speed_km_h: float) -> float:
    """Return by which share a speed, rounded as it is printed in either unit system, changes the dose at most [-]."""
    printed_km_h = [
        units.shown("speed_km_h", speed_km_h, system)[0] * km_per_unit for system, km_per_unit in KM_PER_UNIT.items()
    ]
    return max(abs(speed_km_h / printed - 1.0) if printed > 0.0 else math.inf for printed in printed_km_h)


def spray(dose_litres_m2: float, limit_litres_m2: float, truck: Truck, strip_width_m: float) -> Spray:
    """Return passes and speed for a dose: as few passes as the soil and the truck's slowest speed allow.

    dose_litres_m2   [L/m2], above 0
    limit_litres_m2  greatest amount of one pass [L/m2], above 0

    A pass more is taken where the speed, as it is printed, would else miss the dose by more than DOSE_TOLERANCE. Where
    the truck cannot go fast enough to spray so thinly, it makes fewer and heavier passes, and a warning says so.
    """
    rates = [
        spray_rate_litres_m2(truck.flow_litres_min, speed, truck.bar_width_m)
        for speed in (truck.speed_max_km_h, truck.speed_min_km_h)
    ]
    thinnest, heaviest = rates
    least = max(math.ceil(dose_litres_m2 / min(limit_litres_m2, heaviest) - _NUDGE), 1)
    most = max(math.floor(dose_litres_m2 / thinnest + _NUDGE), 1)

    def speed_of(passes: int) -> float:
        return spray_speed_km_h(truck.flow_litres_min, truck.bar_width_m, dose_litres_m2 / passes)

    counts = range(min(least, most), min(least + 3, most) + 1)
    passes = next((n for n in counts if rounding_error(speed_of(n)) <= DOSE_TOLERANCE), counts[0])
    per_pass, speed = dose_litres_m2 / passes, speed_of(passes)
    warnings = []
    if not truck.speed_min_km_h - _NUDGE <= speed <= truck.speed_max_km_h + _NUDGE:
        warnings.append("speed_outside_range")
    if per_pass > limit_litres_m2 * (1.0 + _NUDGE):
        warnings.append("more_per_pass_than_soaks_in")
    if lanes(truck, strip_width_m) * truck.bar_width_m > 1.1 * strip_width_m:
        warnings.append("bar_overhangs")
    return Spray(passes=passes, litres_m2_per_pass=per_pass, speed_km_h=speed, warnings=tuple(warnings))


@dataclass(frozen=True, slots=True, kw_only=True)
class Pace:
    """What a truck's trips cost beside driving.

    efficiency  working minutes of an hour / 60 [-]
    turn_min    to turn at the end of each run [min]
    soak_min    from one pass over a lane until the next, so that the first has soaked in [min]
    """

    efficiency: float
    turn_min: float = 0.0
    soak_min: float = 0.0


def pace(inputs: MorningInputs, truck: Truck) -> Pace:
    """Return the pace of a truck as the site's settings give it; NaN where one is not known."""
    return Pace(
        efficiency=efficiency_of(inputs, truck),
        turn_min=inputs.setting("truck_turn_min"),
        soak_min=inputs.setting("pass_soak_min"),
    )


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
    dose_litres_m2: float, spraying: Spray, truck: Truck, *, length_m: float, width_m: float, pace: Pace
) -> Trips:
    """Return the trips for a dose over a strip, section by section: each load waters its section in full.

    Of each section all lanes are sprayed once, then all again: where a round is shorter than a pass needs to soak in,
    the truck waits. travel_time_min is one way. The truck starts empty.
    """
    litres = dose_litres_m2 * length_m * width_m
    loads = max(math.ceil(litres / truck.tank_litres - _NUDGE), 1)
    reach_m = load_length_m(truck.tank_litres, dose_litres_m2, width_m)
    ends_m = tuple(min(reach_m * (k + 1), length_m) for k in range(loads))
    n_lanes, driving_h = lanes(truck, width_m), 0.0
    for start_m, end_m in itertools.pairwise((0.0, *ends_m)):
        round_h = n_lanes * ((end_m - start_m) / (spraying.speed_km_h * 1000.0) + pace.turn_min / 60.0)
        driving_h += round_h + (spraying.passes - 1) * max(round_h, pace.soak_min / 60.0)
    again_h = (truck.fill_time_min + 2.0 * truck.travel_time_min) / 60.0
    return Trips(
        loads=loads,
        load_ends_m=ends_m,
        first_h=first_drop_h(truck, pace.efficiency),
        spray_h=(driving_h + (loads - 1) * again_h) / pace.efficiency,
        leave_h=truck.travel_time_min / 60.0 / pace.efficiency,
    )
