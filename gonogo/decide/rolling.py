"""Rolling: how long it takes, whether the drum suits the soil, how near a building it may vibrate."""

from __future__ import annotations

import math
from collections.abc import Mapping

from gonogo.records.site import Drum, Material, Roller, Strip
from gonogo.soil.classes import SOIL_CLASSES
from gonogo.units import METRE_PER_FOOT, MM_PER_INCH

# A vibratory roller at 25 ft: 0.210 in/s. Source: Caltrans, Transportation and Construction Vibration Guidance Manual,
# 2013. Its exponent for a soil that is not known is 1.1; 1.5 in other guides predicts less: not the safe side.
ROLLER_PPV_MM_S = 0.210 * MM_PER_INCH
ROLLER_PPV_DISTANCE_M = 25.0 * METRE_PER_FOOT
PPV_EXPONENT = 1.1

_NUDGE = 1e-9

# Which soils a drum suits. Common practice, no source; that padded drums are not for cohesionless soil: TRID 26506.
DRUM_SUITS: dict[tuple[Drum, bool], frozenset[str]] = {
    (Drum.SMOOTH, True): frozenset({"granular", "silty"}),
    (Drum.SMOOTH, False): frozenset({"granular", "silty"}),
    (Drum.PADDED, True): frozenset({"clayey", "silty"}),
    (Drum.PADDED, False): frozenset({"clayey", "silty"}),
    (Drum.PNEUMATIC, True): frozenset({"granular", "silty", "clayey"}),
    (Drum.PNEUMATIC, False): frozenset({"granular", "silty", "clayey"}),
}


def area_rate_m2_h(
    speed_km_h: float, rolled_width_m: float, overlap_m: float, passes: float, efficiency: float
) -> float:
    """Return the finished area per hour of one roller [m2/h].

    speed_km_h      [km/h], rolling
    rolled_width_m  width of the drum [m]
    overlap_m       width that each pass rolls again beside the one before [m], below rolled_width_m
    passes          full coverages that the lift needs [-]; no pass at all gives infinity
    efficiency      working minutes of an hour / 60 [-], 0 to 1

    Source: field-manual production formula. Checked in tests/published/rolling_production.toml.
    """
    swath_m_h = 1000.0 * speed_km_h * max(rolled_width_m - overlap_m, 0.0) * efficiency
    return swath_m_h / passes if passes else float("inf")


def lanes(width_m: float, roller: Roller) -> int:
    """Return how many lanes a roller takes across a strip, each overlapping the one before; 0 without a swath."""
    swath_m = roller.rolled_width_m - roller.overlap_m
    return math.ceil(width_m / swath_m - _NUDGE) if swath_m > 0.0 else 0


def rolling_time_h(strip: Strip, roller: Roller, fastest_km_h: float = float("inf"), turn_min: float = 0.0) -> float:
    """Return how long one roller takes for a strip [h]; infinite where it would never finish, NaN where unknown.

    fastest_km_h   speed above which a faster roller needs passes in proportion [km/h], NaN = unknown
    turn_min       to stop, reverse and steer at the end of each run [min]

    A strip is rolled in whole lanes, each as often as there are passes. The strip's number of passes goes before the
    roller's. Driving faster than fastest_km_h finishes no sooner: for the same energy, speed times layer thickness is
    constant for a roller and a soil (GTR, as far as it was read), so what is gained in speed is lost in passes. Of a
    lift whose thickness is unknown it is not known how often it must be rolled.
    Source: work / rate, FM 5-434 ch. 1, by whole lanes. Checked in tests/published/rolling_production.toml.
    """
    if math.isnan(fastest_km_h + roller.speed_km_h + turn_min + strip.width_m + strip.lift_thickness_m):
        return math.nan
    passes = roller.passes if strip.passes is None else strip.passes
    speed_km_h, n_lanes = min(roller.speed_km_h, fastest_km_h), lanes(strip.width_m, roller)
    if not (speed_km_h > 0.0 and n_lanes > 0 and roller.efficiency > 0.0):
        return float("inf")
    lanes_m2 = n_lanes * (roller.rolled_width_m - roller.overlap_m) * strip.length_m
    rate_m2_h = area_rate_m2_h(speed_km_h, roller.rolled_width_m, roller.overlap_m, passes, roller.efficiency)
    return lanes_m2 / rate_m2_h + n_lanes * passes * turn_min / 60.0 / roller.efficiency


def soil_group(material: Material) -> str:
    """Return "granular", "silty" or "clayey" for a material; its own word goes before its soil class."""
    return "granular" if material.is_granular else SOIL_CLASSES[material.soil_class].group


def drum_suits(roller: Roller, material: Material) -> bool:
    """Return whether the drum suits the soil. Common practice, no source."""
    return soil_group(material) in DRUM_SUITS[roller.drum, roller.vibrates]


def vibration_caution_m(limit_mm_s: float, ppv_mm_s: float = ROLLER_PPV_MM_S, exponent: float = PPV_EXPONENT) -> float:
    """Return the distance within which the drum must not vibrate [m].

    limit_mm_s   greatest vibration at the structure [mm/s], above 0
    ppv_mm_s     the machine's vibration at 25 ft [mm/s]
    exponent     loss with distance [-]

    Source: Caltrans 2013, solved for the distance. Checked in tests/published/vibration.toml.
    """
    return ROLLER_PPV_DISTANCE_M * float((ppv_mm_s / limit_mm_s) ** (1.0 / exponent))


def must_not_vibrate(strip: Strip, roller: Roller, settings: Mapping[str, float]) -> bool:
    """Return whether a vibrating roller has to run as dead weight: the strip says so, or a structure is near.

    A limit that is not known counts as near. Switching off on fragile ground and near buildings: common practice.
    """
    if not roller.vibrates:
        return False
    if not strip.may_vibrate:
        return True
    if strip.distance_to_structure_m is None:
        return False
    caution_m = vibration_caution_m(settings.get("vibration_limit_mm_s", float("nan")))
    return not strip.distance_to_structure_m > caution_m
