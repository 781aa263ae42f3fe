"""What a quantity can be, whoever writes it: config, command line, CSV or a rain logger's file.

A unit is never guessed from the size of a number. A number outside its range is refused; where its size is that of a
common slip (t/m3 for kg/m3, millimetres for metres), the refusal says so and what to write.
"""

from __future__ import annotations

from dataclasses import dataclass

FIRST_YEAR, LAST_YEAR = 2000, 2099  # of anything that happened or is planned on a site


@dataclass(frozen=True, slots=True)
class Slip:
    """A mistake of unit that shows by its size: low <= value <= high."""

    low: float
    high: float
    advice: str


@dataclass(frozen=True, slots=True)
class Range:
    """Least and greatest value of a quantity, its unit, an example, and slips that are worth a sentence.

    likely_slips   slips whose size a right value may have as well, though hardly ever
    """

    low: float
    high: float
    unit: str
    example: str
    slips: tuple[Slip, ...] = ()
    likely_slips: tuple[Slip, ...] = ()


_T_M3 = Slip(0.3, 4.0, "That looks like t/m3: write kg/m3")
_LB_FT3 = Slip(50.0, 180.0, "That looks like lb/ft3: write kg/m3 (1 lb/ft3 is 16.018 kg/m3)")
_KN_M3 = Slip(8.0, 30.0, "That looks like a unit weight in kN/m3: write the density in kg/m3 (1 kN/m3 is 102 kg/m3)")
_RATIO = Slip(0.0, 1.0, "That looks like a ratio: write percent")
_RATIO_DRY = Slip(0.0, 1.0, "That looks like a ratio: write percent of dry mass")
_CM_M = Slip(5.0, 60.0, "That looks like centimetres: write metres")
_MM = Slip(20.0, 5000.0, "That looks like millimetres: write metres")
_CM = Slip(4.0, 49.9, "That looks like centimetres: write millimetres")
_M = Slip(0.05, 0.6, "That looks like metres: write millimetres")
_M_MM = Slip(0.005, 0.99, "That looks like metres: write millimetres")
_TANK_M3 = Slip(1.0, 60.0, "That looks like cubic metres: write litres")

_SMALL_RATIO = Slip(0.001, 0.5, "That looks like a ratio: write percent")
_HOURS = Slip(0.01, 0.99, "That looks like hours: write minutes")
_L_S = Slip(1.0, 19.9, "That looks like litres a second: write litres a minute")
_M_MIN = Slip(30.0, 250.0, "That looks like metres a minute: write km/h (100 m/min is 6 km/h)")

# Below 0.6 a ratio is meant: as one, 0.6 is 60 %, the wettest optimum there is.
_W_PCT = Range(0.6, 80, "% of dry mass", "14.2", (_RATIO_DRY,), (Slip(0.6, 1.0, _RATIO_DRY.advice),))

# Ranges are what plant and fill can be (common practice), wide enough for the unusual and tight enough for slips.
RANGES: dict[str, Range] = {
    # site
    "latitude_deg": Range(-90, 90, "degrees, north positive", "42.137"),
    "longitude_deg": Range(-180, 180, "degrees, east positive, west negative", "-94.368"),
    "elevation_m": Range(-430, 6000, "m above sea level", "325"),
    "mixing_depth_m": Range(0.05, 0.6, "m", "0.30", (_CM_M, _MM)),
    # material
    "omc_pct": Range(2, 60, "% of dry mass", "16.5", (_RATIO_DRY,)),
    "mdd_kg_m3": Range(900, 2600, "kg/m3", "1780", (_T_M3, _LB_FT3, _KN_M3)),
    "curve_w_pct": Range(1, 70, "% of dry mass", "[12.0, 14.1, 16.0, 18.2, 20.1]", (_RATIO_DRY,)),
    "curve_dry_density_kg_m3": Range(900, 2600, "kg/m3", "[1680, 1745, 1772, 1741, 1683]", (_T_M3, _LB_FT3, _KN_M3)),
    "specific_gravity": Range(2.2, 3.4, "-", "2.70", (Slip(2200, 3400, "That looks like kg/m3: divide by 1000"),)),
    "required_compaction_pct": Range(80, 105, "% of maximum dry density", "95", (_RATIO,)),
    "theta_fc": Range(0.03, 0.6, "m3/m3", "0.33", (Slip(1, 60, "That looks like percent: write it as a fraction"),)),
    "theta_wp": Range(0.005, 0.4, "m3/m3", "0.20", (Slip(1, 40, "That looks like percent: write it as a fraction"),)),
    "passing_4_75mm_pct": Range(0, 100, "% passing sieve No. 4", "96"),
    "passing_2mm_pct": Range(0, 100, "% passing sieve No. 10", "91"),
    "passing_0_425mm_pct": Range(0, 100, "% passing sieve No. 40", "78"),
    "passing_0_075mm_pct": Range(0, 100, "% passing sieve No. 200", "61"),
    "liquid_limit_pct": Range(5, 300, "% of dry mass", "38", (_RATIO_DRY,)),
    "plastic_limit_pct": Range(3, 200, "% of dry mass", "20", (_RATIO_DRY,)),
    "d10_mm": Range(0.0001, 60, "mm", "0.12"),
    "d30_mm": Range(0.0001, 60, "mm", "0.35"),
    "d60_mm": Range(0.0001, 60, "mm", "0.9"),
    "retained_pct": Range(0, 40, "% of dry mass", "12", (), (_SMALL_RATIO,)),
    "borrow_w_pct": _W_PCT,
    "soak_in_h": Range(0, 24, "h", "12", (Slip(30, 1440, "That looks like minutes: write hours"),)),
    "oversize_w_pct": Range(0, 15, "% of dry mass", "1.5", (), (Slip(0.001, 0.15, _SMALL_RATIO.advice),)),
    "oversize_specific_gravity": Range(2.0, 3.4, "-", "2.65"),
    "air_voids_max_pct": Range(1, 30, "% of volume", "10"),
    "mellowing_h": Range(0, 168, "h after mixing", "24"),
    "working_time_h": Range(0.25, 240, "h after mixing", "2"),
    "temp_min_degc": Range(-10, 25, "degC", "5"),
    "night_min_degc": Range(-20, 15, "degC", "2"),
    "nights": Range(1, 10, "nights", "1"),
    "rain_free_h": Range(0, 72, "h after mixing", "6"),
    "layer_max_m": Range(0.05, 1.5, "m, as spread", "0.25", (_CM_M, _MM, Slip(1.51, 19.9, "Write metres"))),
    # plant
    "rolled_width_m": Range(0.5, 6, "m", "2.10", (Slip(500, 6000, "That looks like millimetres: write metres"),)),
    "overlap_m": Range(0, 1, "m", "0.15", (Slip(10, 1000, "That looks like millimetres: write metres"),)),
    "speed_km_h": Range(0.5, 15, "km/h", "4.0", (_M_MIN,)),
    "passes": Range(1, 40, "full coverages", "6"),
    "efficiency": Range(0.3, 1, "working minutes of an hour / 60", "0.75", (Slip(30, 100, "Write a fraction"),)),
    "count": Range(1, 20, "machines", "1"),
    "tank_litres": Range(500, 80_000, "litres", "10000", (_TANK_M3,)),
    "bar_width_m": Range(0.5, 12, "m", "3.0"),
    "flow_litres_min": Range(20, 10_000, "litres a minute", "600", (_L_S,), (Slip(20, 60, _L_S.advice),)),
    "fill_time_min": Range(0, 240, "minutes", "15", (), (_HOURS,)),
    "travel_time_min": Range(0, 240, "minutes", "10", (), (_HOURS,)),
    "speed_min_km_h": Range(0.5, 30, "km/h", "2.0"),
    "speed_max_km_h": Range(0.5, 30, "km/h", "8.0"),
    # strip
    "length_m": Range(2, 20_000, "m", "120"),
    "width_m": Range(0.5, 500, "m", "12"),
    "lift_thickness_m": Range(0.05, 0.6, "m, as spread", "0.25", (_CM_M, _MM, Slip(1, 19.9, "Write metres"))),
    "dry_density_kg_m3": Range(700, 2500, "kg/m3, dry, as it lies", "1450", (_T_M3, _LB_FT3, _KN_M3)),
    "priority": Range(1, 5, "1 = first to 5 = last", "3"),
    "lifts": Range(1, 200, "lifts in all", "3"),
    "following_lift_thickness_m": Range(0.05, 0.6, "m, as spread", "0.25", (_CM_M, _MM, Slip(1, 19.9, "Write metres"))),
    "distance_to_structure_m": Range(0, 10_000, "m", "8"),
    # what is recorded
    "w_pct": _W_PCT,
    "depth_mm": Range(50, 600, "mm, of the upper part of the lift", "100", (_CM, _M)),
    "rain_mm": Range(0, 500, "mm", "4.5"),  # the usual hand gauge holds 280
    "litres": Range(1, 500_000, "litres", "9000"),
    "corrects": Range(1, 1_000_000_000, "number of an entry", "12"),
    "temp_min_c": Range(-70, 60, "degrees Celsius", "4.0"),
    "temp_max_c": Range(-70, 60, "degrees Celsius", "17.5"),
    "wind_max_m_s": Range(0, 110, "m/s", "9.0"),
    "snow_lying_mm": Range(0, 10_000, "mm", "0"),
    "lying_mm": Range(1, 3000, "mm", "30", (_M_MM,)),
    "adverse_days": Range(0, 31, "days of the month", "[6, 5, 4, 4, 3, 2, 2, 2, 3, 3, 4, 5]"),
    "thickness_m": Range(0.05, 0.6, "m, as spread", "0.25", (_CM_M, _MM, Slip(1, 19.9, "Write metres"))),
    "area_share": Range(0.02, 1, "share of the strip", "0.5", (Slip(1.01, 100, "That looks like percent: write 0.5"),)),
    "loads": Range(1, 5000, "trucks", "24"),
    "load_m3": Range(1, 80, "m3, loose", "12"),
    # service
    "port": Range(1, 65_535, "-", "587"),
    "timeout_s": Range(1, 120, "s", "20"),
    "retries": Range(0, 5, "-", "2"),
    "connections": Range(1, 50, "-", "4"),  # Postfix takes 50 of one client unless told otherwise
}


def refusal(key: str, value: float) -> tuple[str, str] | None:
    """Return (what is wrong, what would be right) of a number outside its range, None where nothing is wrong."""
    row = RANGES.get(key)
    if row is None or row.low <= value <= row.high:
        return None
    slip = slip_of(key, value)
    advice = f"{slip.advice}, for example" if slip else "Write, for example,"
    return f"lies outside {row.low:g} to {row.high:g} ({row.unit}).", f"{advice} {key} = {row.example}."


def slip_of(key: str, value: float) -> Slip | None:
    """Return the mistake of unit that a number outside its range looks like, None where it looks like none."""
    return next((slip for slip in RANGES[key].slips if slip.low <= value <= slip.high), None)


def likely_slip(key: str, value: float) -> Slip | None:
    """Return the mistake of unit that a number inside its range looks like, None where it looks right."""
    row = RANGES.get(key)
    return None if row is None else next((slip for slip in row.likely_slips if slip.low <= value <= slip.high), None)


def greatest_rain_mm(hours: float) -> float:
    """Return more rain than was ever measured in so many hours [mm], at most what a gauge may catch.

    Source: the envelope of the world's greatest falls, 16.6 D^0.475 inches in D hours (Paulhus 1965, Monthly Weather
    Review 93, 331-335), from memory. Checked in tests/field/test_slips.py.
    """
    return min(25.4 * 16.6 * float(max(hours, 0.0) ** 0.475), RANGES["rain_mm"].high)
