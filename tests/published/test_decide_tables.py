"""Published values of water, rolling, spray, vibration and the moisture-by-weather table, one runner a kind."""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Mapping
from pathlib import Path

import numpy as np
import pytest
from hand_made import material, morning, roller, strip

from gonogo.decide import rolling
from gonogo.decide.verdict import decide
from gonogo.decide.water import dose, spraying
from gonogo.records.site import Roller, Strip
from gonogo.records.verdict import Decision
from gonogo.soil.rain import early_intake_mm
from gonogo.units import KM_PER_MILE, LITRE_PER_GALLON, METRE_PER_FOOT, METRE_PER_INCH, METRE_PER_YARD, MM_PER_INCH

G_M_S2 = 9.81
Numbers = Mapping[str, float]


def fill_by_weight(i: Numbers) -> dict[str, float]:
    dry_kn = i["dry_unit_weight_kn_m3"] * i["volume_m3"]
    litres = dose.water_litres(dry_kn * 1000.0 / G_M_S2, i["w_now_pct"], i["w_target_pct"])
    return {
        "water_kn": litres * G_M_S2 / 1000.0,
        "water_m3": litres / 1000.0,
    }


def fill_by_density(i: Numbers) -> dict[str, float]:
    dry_kg = i["dry_density_kg_m3"] * i["volume_m3"]
    return {"litres": dose.water_litres(dry_kg, i["w_now_pct"], i["w_target_pct"])}


def fill_us(i: Numbers) -> dict[str, float]:
    water_lb = dose.water_litres(i["dry_lb_ft3"] * 27.0 * i["volume_yd3"], i["w_now_pct"], i["w_target_pct"])
    return {"water_lb": water_lb, "water_gal": water_lb / i["lb_per_gal"]}


def wet_stockpile_us(i: Numbers) -> dict[str, float]:
    dry_lb = i["wet_lb"] / (1.0 + i["w_now_pct"] / 100.0)
    water_lb = dose.water_litres(dry_lb, i["w_now_pct"], i["w_target_pct"])
    return {"water_lb": water_lb, "water_gal": water_lb / i["lb_per_gal"]}


def one_strip(i: Numbers) -> dict[str, float]:
    lies = strip(
        length_m=i["length_m"],
        width_m=i["width_m"],
        lift_thickness_m=i["thickness_m"],
        dry_density_kg_m3=i["dry_density_kg_m3"],
    )
    litres_m2 = dose.water_litres(lies.dry_mass_kg_m2, i["w_now_pct"], i["w_target_pct"])
    return {"litres_m2": litres_m2, "litres": litres_m2 * lies.area_m2}


def tankers(i: Numbers) -> dict[str, float]:
    """Return the dose of a morning on which a lift lacks what so many tankers bring, and whether the mail doubts it."""
    lies = strip(lift_thickness_m=i["lift_m"])
    silt = material()
    lacking_pct = 100.0 * i["tankers_per_m3"] * i["tank_m3"] * 1000.0 * i["lift_m"] / lies.dry_mass_kg_m2
    on_site = {"materials": (silt,)}
    (made,) = decide(morning(silt.omc_pct - lacking_pct, strips=(lies,), on_site=on_site, et0_mm=0.0))
    assert made.water is not None
    return {"litres_m2": made.water.litres_m2, "usual": float("dose_outside_usual" not in made.water.warnings)}


def coverage_us(i: Numbers) -> dict[str, float]:
    litres_m2 = spraying.spray_rate_litres_m2(
        i["gal_min"] * LITRE_PER_GALLON, i["speed_mph"] * KM_PER_MILE, i["bar_ft"] * METRE_PER_FOOT
    )
    ft2_per_gal = LITRE_PER_GALLON / litres_m2 / METRE_PER_FOOT**2
    return {"ft2_per_gal": ft2_per_gal, "ft2_per_min": ft2_per_gal * i["gal_min"]}


def sprayer_ha(i: Numbers) -> dict[str, float]:
    per_litre_min = spraying.spray_rate_litres_m2(1.0, i["speed_km_h"], i["width_m"])
    litres_min = i["litres_ha"] / 10000.0 / per_litre_min
    return {"litres_min": litres_min, "ha_min": litres_min / i["litres_ha"]}


def pass_limits(i: Mapping[str, object]) -> dict[str, float]:
    limits = [
        spraying.pass_limit_litres_m2(material(soil_class=name), float(str(i["soak_min"])))
        for name in i["soil_classes"]  # type: ignore[attr-defined]
    ]
    return {"inside": float(sum(float(str(i["low"])) <= limit <= float(str(i["high"])) for limit in limits))}


def production_us(i: Numbers) -> dict[str, float]:
    area = rolling.area_rate_m2_h(
        i["speed_mph"] * KM_PER_MILE,
        i["width_ft"] * METRE_PER_FOOT,
        i["overlap_ft"] * METRE_PER_FOOT,
        i["passes"],
        i["efficiency"],
    )
    return {"yd3_h": area * i["lift_in"] * METRE_PER_INCH / METRE_PER_YARD**3}


def area(i: Numbers) -> dict[str, float]:
    return {"area_m2_h": rolling.area_rate_m2_h(**{k: i[k] for k in i})}


def strip_time(i: Numbers) -> dict[str, float]:
    machine = roller(**{k: i[k] for k in i if k != "area_m2"})
    return {"time_h": rolling.rolling_time_h(in_whole_lanes(i["area_m2"], machine), machine)}


def in_whole_lanes(area_m2: float, machine: Roller, n_lanes: int = 5) -> Strip:
    """A strip of an area whose width is a whole number of lanes: the published formula knows no part of one."""
    width_m = n_lanes * (machine.rolled_width_m - machine.overlap_m)
    return strip(length_m=area_m2 / width_m, width_m=width_m)


def gtr_qs(i: Numbers) -> dict[str, float]:
    machine = {"speed_km_h": i["speed_km_h"], "rolled_width_m": i["drum_m"], "passes": i["lift_m"] / i["qs_m"]}
    rate_m2_h = rolling.area_rate_m2_h(**machine, overlap_m=0.0, efficiency=i["k"])
    whole = roller(**machine, overlap_m=0.0, efficiency=i["k"])
    time_h = rolling.rolling_time_h(in_whole_lanes(i["area_m2"], whole), whole)
    return {"volume_m3_h": rate_m2_h * i["lift_m"], "time_h": time_h}


def gtr_pile(i: Mapping[str, list[float]]) -> dict[str, float]:
    lifts = [dict(i, lift_m=lift, speed_km_h=speed) for lift, speed in zip(i["lifts_m"], i["speeds_km_h"], strict=True)]
    return {"time_h": sum(gtr_qs(lift)["time_h"] for lift in lifts)}  # type: ignore[arg-type]


def caution_us(i: Numbers) -> dict[str, float]:
    machine = {"ppv_mm_s": i["ppv_in_s"] * MM_PER_INCH} if "ppv_in_s" in i else {}  # else the roller of a verdict
    soil = {"exponent": i["exponent"]} if "exponent" in i else {}
    return {
        "distance_ft": rolling.vibration_caution_m(i["limit_in_s"] * MM_PER_INCH, **machine, **soil) / METRE_PER_FOOT
    }


def ratio(i: Numbers) -> dict[str, float]:
    on_site = {"materials": (material(omc_pct=i["optimum_pct"]),)}
    (made,) = decide(morning(i["w_pct"], on_site=on_site))
    return {"ratio": made.facts["moisture_ratio"]}


KINDS: dict[str, Callable[..., dict[str, float]]] = {
    "fill_by_weight": fill_by_weight,
    "fill_by_density": fill_by_density,
    "fill_us": fill_us,
    "wet_stockpile_us": wet_stockpile_us,
    "strip": one_strip,
    "tankers": tankers,
    "load_length": lambda i: {"length_m": spraying.load_length_m(**i)},
    "coverage_us": coverage_us,
    "sprayer_ha": sprayer_ha,
    "rate": lambda i: {"litres_m2": spraying.spray_rate_litres_m2(**i)},
    "speed": lambda i: {"speed_km_h": spraying.spray_speed_km_h(**i)},
    "intake": lambda i: {"intake_cm": early_intake_mm(**i) / 10.0},
    "pass_limits": pass_limits,
    "production_us": production_us,
    "area": area,
    "strip_time": strip_time,
    "gtr_qs": gtr_qs,
    "gtr_pile": gtr_pile,
    "caution_us": caution_us,
    "ratio": ratio,
}


def cases(*, with_words: bool) -> list[object]:
    found = []
    for path in sorted(Path(__file__).parent.glob("*.toml")):
        table = tomllib.loads(path.read_text("utf-8"))
        if table.get("area") == "decide":
            assert table["source"], path
            found += [
                pytest.param(case, id=f"{path.stem}: {case['id']}")
                for case in table["case"]
                if ("expect_words" in case) == with_words
            ]
    return found


def half_of_last_digit(printed: str) -> float:
    decimals = len(printed.partition(".")[2])
    return 0.5 * 10.0**-decimals


@pytest.mark.parametrize("case", cases(with_words=False))
def test_a_published_value_comes_out_at_its_printed_precision(case: dict) -> None:
    given = KINDS[case["kind"]](case["inputs"])
    for name, printed in case["expect"].items():
        tolerance = case.get("tol", {}).get(name, half_of_last_digit(printed)) + 1e-9
        assert name not in case.get("tol", {}) or case["reason"]
        is_near = abs(given[name] - float(printed)) <= tolerance
        assert is_near != case.get("must_differ", False), f"{name}: {given[name]} against {printed} +- {tolerance}"


# The guide gives no numbers for its four kinds of weather: these stand clearly inside each.
WEATHER = {
    "++": {"rain_mm": 6.0, "et0_mm": 0.02},
    "+": {"rain_mm": 0.3, "et0_mm": 0.05},
    "=": {"rain_mm": 0.0, "et0_mm": 0.2},
    "-": {"rain_mm": 0.0, "et0_mm": 0.6},
}
OPTIMUM_PCT = 14.0


def judged(moisture_ratio: float, weather: str) -> Decision:
    """Return the decision for a silt whose window is the guide's medium state, 0.9 to 1.1 of optimum."""
    silt = material(omc_pct=OPTIMUM_PCT, window_low_pct=-0.1 * OPTIMUM_PCT, window_high_pct=0.1 * OPTIMUM_PCT)
    (made,) = decide(morning(moisture_ratio * OPTIMUM_PCT, on_site={"materials": (silt,)}, **WEATHER[weather]))
    return made


@pytest.mark.parametrize("case", cases(with_words=True))
def test_moisture_by_weather_gives_the_guides_verdict_and_advice(case: dict) -> None:
    wanted = case["expect_words"]
    for k, weather in enumerate(case["inputs"]["weather"]):
        made = judged(case["inputs"]["ratio"], weather)
        assert made.verdict == wanted["verdict"][k], weather
        if wanted["advice"][k]:
            assert wanted["advice"][k] in made.advice, weather
        assert wanted["no_advice"][k] not in made.advice, weather
        limited_by = wanted.get("water", [None] * 9)[k]
        if limited_by is not None:
            assert ("" if made.water is None else made.water.limited_by) == limited_by


def test_the_table_of_the_guide_never_lets_a_wet_lift_or_heavy_rain_through() -> None:
    for moisture_ratio in np.arange(0.6, 1.5, 0.05):
        for weather in WEATHER:
            made = judged(float(moisture_ratio), weather)
            if moisture_ratio > 1.11 or weather == "++":
                assert made.verdict == "wait", (moisture_ratio, weather)
