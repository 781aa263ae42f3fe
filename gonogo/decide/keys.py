"""The sentence keys that decisions use and every language must have: reasons, advice, tests, warnings, limits.

Those of the order of work and of what changed stand in order_keys.py.

A gap is a number or a moment that the sentence may name. It is the name of a fact (decide/facts.py), of a setting, or
of a field of Decision or WaterPlan. A sentence may leave a gap out; it may not use another one.
"""

from __future__ import annotations

from dataclasses import dataclass

from gonogo.decide.lift_keys import LIFT_ADVICE, LIFT_REASONS, LIFT_TESTS


@dataclass(frozen=True, slots=True, kw_only=True)
class Key:
    """One sentence: what it has to say to a crew, and the gaps it may fill."""

    meaning: str
    gaps: tuple[str, ...] = ()


def _keys(rows: dict[str, tuple[str, tuple[str, ...]]]) -> dict[str, Key]:
    return {name: Key(meaning=meaning, gaps=gaps) for name, (meaning, gaps) in rows.items()}


_WINDOW = ("from_utc", "until_utc")
_MOISTURE = ("w_now_pct", "deviation_pct")

# Why a strip has its verdict: one per decision.
REASONS: dict[str, Key] = {
    "in_window": Key(
        meaning="compact: the lift is likely to stay inside its window, dry and unfrozen, while it is rolled",
        gaps=("chance_in_window", "chance_needed", "rolling_time_h", *_WINDOW, *_MOISTURE),
    ),
    "too_dry": Key(
        meaning="water first: too dry, and the water can be put on, mixed in, soak in and be rolled today",
        gaps=("chance_too_dry", "dose_litres_m2", *_WINDOW, *_MOISTURE),
    ),
    "not_knowable": Key(meaning="wait: a number that the rules need is unknown; decide on site with a test"),
    "no_forecast": Key(meaning="wait: there is no usable forecast; decide on site with a test"),
    "forecast_too_old": Key(
        meaning="wait: the forecast is too old to rely on; decide on site with a test",
        gaps=("forecast_age_h", "forecast_max_age_h"),
    ),
    "rain_not_known": Key(
        meaning="wait: the rain of hours up to the end of work is missing, or the forecast contradicts itself over it",
        gaps=("unknown_rain_h",),
    ),
    "day_off": Key(meaning="wait: the site does not work today"),
    "roller_away": Key(meaning="wait: no roller of the crew is on site today"),
    "already_rolled": Key(meaning="wait: this lift is rolled already; record the next one when it is spread"),
    "not_enough_hours": Key(
        meaning="wait: what is left of the shift is shorter than rolling and sealing take",
        gaps=("working_hours_left_h", "time_needed_h", "rolling_time_h"),
    ),
    "snow_lying": Key(
        meaning="wait: snow lies on the strip; clear it, look for frost under it, test",
        gaps=("snow_lying_mm", "longest_bare_h", "time_needed_h"),
    ),
    "too_cold": Key(
        meaning="wait: the fill is colder than the site allows", gaps=("fill_temp_degc", "fill_temp_min_degc")
    ),
    "frozen": Key(
        meaning="wait: fill or ground frozen or freezing, an absolute stop",
        gaps=("longest_unfrozen_h", "time_needed_h", "coldest_12h_degc"),
    ),
    "stormy": Key(
        meaning="wait: thunderstorm or wind above the site's limit",
        gaps=("longest_calm_h", "time_needed_h", "wind_limit_m_s"),
    ),
    "weather_leaves_no_time": Key(
        meaning="wait: frost and storm together leave no stretch long enough",
        gaps=("longest_workable_h", "time_needed_h"),
    ),
    "rain_too_soon": Key(
        meaning="wait: raining, or rain is likely before rolling and sealing could be finished",
        gaps=("chance_of_rain", "hours_until_rain_h", "time_needed_h", "rain_stop_mm_h"),
    ),
    "standing_water": Key(
        meaning="wait: water stands on the strip for most of the shift; let it off, then test",
        gaps=("standing_water_mm", "longest_drained_h", "time_needed_h"),
    ),
    "work_not_recorded": Key(
        meaning="wait: work told on an earlier day is not on record, and no test says whether it was done; test first, "
        "then go on by the result",
        gaps=_MOISTURE,
    ),
    "watered_not_tested": Key(
        meaning="wait: watered since the last test; mix it in, let it soak, test, then roll if it is in the window",
        gaps=("untested_water_litres_m2", *_MOISTURE),
    ),
    "no_reading": Key(meaning="wait: no moisture test of this lift; test first, then roll if it is in the window"),
    "reading_too_old": Key(
        meaning="wait: the last moisture test is too old; test first, then roll if it is in the window",
        gaps=("reading_age_h", "reading_max_age_h", *_MOISTURE),
    ),
    "reading_doubtful": Key(
        meaning="wait: the last moisture test does not fit the weather and the tests before; repeat it, then decide",
        gaps=_MOISTURE,
    ),
    "test_outside": Key(
        meaning="wait: the last moisture test lies outside the window, and what weather, water and work did since does "
        "not bring the lift inside with the chance that is required; a second test decides",
        gaps=("last_test_pct", "chance_in_window", "chance_needed", *_MOISTURE),
    ),
    "again_outside": Key(
        meaning="wait: the lift failed or was broken up, and is rolled again only by a test in the middle half of its "
        "window, which the last one is not",
        gaps=("last_test_pct", "middle_low_pct", "middle_high_pct", *_MOISTURE),
    ),
    "retest_after_rain": Key(
        meaning="wait: heavy rain between the last test and the start of work; test moisture and density, then go on",
        gaps=("heaviest_rain_mm", "rain_to_start_mm", "rained_since_reading_mm", "heavy_rain_retest_mm", *_MOISTURE),
    ),
    "too_uncertain": Key(
        meaning="wait: the moisture is too uncertain to say; test first, then roll if it is in the window",
        gaps=("chance_in_window", "chance_too_wet", "chance_too_dry", *_MOISTURE),
    ),
    "too_wet": Key(meaning="wait: likely above the wet edge of the window", gaps=("chance_too_wet", *_MOISTURE)),
    "split_lift": Key(
        meaning="wait: the mean is right, but one half is too dry and the other too wet; mix first, then test",
        gaps=("chance_split", "w_top_pct", "w_base_pct", *_MOISTURE),
    ),
    "lift_too_thick_to_mix": Key(
        meaning="wait: too dry, and the lift is thicker than the mixer reaches; sprayed water would stay on top",
        gaps=("chance_too_dry", *_MOISTURE),
    ),
    "rain_will_wet_it": Key(
        meaning="wait: too dry, and the rain on its way is likely to bring the water; wait for it, then test",
        gaps=("chance_rain_does_it", "hours_until_rain_h", *_MOISTURE),
    ),
    "rain_on_water": Key(
        meaning="wait: too dry, but rain is likely to fall into watering or soaking; test when it is over",
        gaps=("chance_rain_ahead", "hours_until_rain_h", *_MOISTURE),
    ),
    "water_for_tomorrow": Key(
        meaning="wait: too dry; it is watered this afternoon, soaks until the next working day, is tested and rolled",
        gaps=("dose_litres_m2", "chance_too_dry", *_MOISTURE),
    ),
    "dry_crust": Key(
        meaning="water first: the mean is right, the top is drier than the window; a light dose for the top, then roll",
        gaps=("chance_crusted", "dose_litres_m2", "w_top_pct", "w_base_pct", *_WINDOW, *_MOISTURE),
    ),
    "dry_crust_unwatered": Key(
        meaning="wait: the mean is right, the top is drier than the window, no time to water it; mix, then test",
        gaps=("chance_crusted", "w_top_pct", "w_base_pct", *_MOISTURE),
    ),
    "no_truck": Key(meaning="wait: too dry, and the crew has no water truck", gaps=("chance_too_dry", *_MOISTURE)),
    "roller_full": Key(
        meaning="wait: too dry, and the roller has no time for it today; it is watered on the day it is rolled",
        gaps=("chance_too_dry", *_MOISTURE),
    ),
    "truck_taken": Key(
        meaning="wait: too dry, and the water truck is busy with other strips until it is too late today",
        gaps=("chance_too_dry", "dose_litres_m2", *_MOISTURE),
    ),
    "no_time_for_water": Key(
        meaning="wait: too dry, and the water cannot be put on, soak in and be rolled today",
        gaps=("chance_too_dry", "dose_litres_m2", *_MOISTURE),
    ),
    **_keys(LIFT_REASONS),
}

# What to do: any number per decision, in this order.
ADVICE: dict[str, Key] = {
    "lightning": Key(
        meaning="thunder is possible in working hours: shelter at 30 s from flash to bang, until 30 min after the last",
        gaps=("thunder_chance",),
    ),
    "forecast_old": Key(meaning="the forecast is 6 to 24 hours old; check the sky first", gaps=("forecast_age_h",)),
    "test_then_roll": Key(meaning="test; roll only if the result is inside the window and the weather below holds"),
    "light_rain_care": Key(
        meaning="light rain: may go on with care, stop when the surface softens or the rain gets heavier",
        gaps=("rain_in_window_mm_h", "rain_stop_mm_h"),
    ),
    "keep_surface_damp": Key(
        meaning="strong evaporation: compact, and keep the surface damp meanwhile", gaps=("evaporation_mm_h",)
    ),
    "moisten_crust": Key(
        meaning="the top half is drier than the window: moisten and scarify the crust", gaps=("w_top_pct", "w_base_pct")
    ),
    "let_top_dry": Key(
        meaning="the top half is wetter than the window: let it dry or mix it before the first pass",
        gaps=("w_top_pct", "w_base_pct"),
    ),
    "look_for_water": Key(
        meaning="tests find more water than rain and truck explain: look for ground water, a spring, a leak, standing "
        "water"
    ),
    "as_wet_as_practical": Key(meaning="clean granular soil: roll it as wet as practical"),
    "aerate_thin_layers": Key(
        meaning="wet and strongly drying: aerate, in thin layers, and test again", gaps=("evaporation_mm_h",)
    ),
    "disk_and_aerate": Key(meaning="wet, no rain near: disk and aerate to shorten the wait, test again"),
    "crown_and_drain": Key(meaning="crown the surface and open the drains, so that rain runs off"),
    "very_wet_remove_or_treat": Key(
        meaning="far too wet to dry in time: remove it, spread it elsewhere or treat it, as the engineer says",
        gaps=("moisture_ratio",),
    ),
    "treat_or_remove": Key(
        meaning="wet, and little evaporation: the guide treats such fill or removes it, as the engineer says"
    ),
    "clear_snow": Key(
        meaning="clear the snow off the strip; roll none in, and look for frost and soft ground under it",
        gaps=("snow_lying_mm",),
    ),
    "let_water_off": Key(
        meaning="let standing water off the strip, and let the surface firm up before anything drives on it",
        gaps=("standing_water_mm",),
    ),
    "water_in_borrow": Key(
        meaning="the borrow is drier than the window: water it there, or as it is loaded", gaps=("borrow_litres_m3",)
    ),
    "clear_frozen": Key(meaning="remove frozen material; do not disk it in and do not place fill on frozen ground"),
    "roll_in_sections": Key(
        meaning="open or spread only as much as the shift can roll and seal",
        gaps=("working_hours_left_h", "rolling_time_h"),
    ),
    "scarify_first": Key(meaning="the surface is sealed: scarify it before watering, or the water runs off"),
    "mix_full_depth": Key(meaning="mix through the full depth of the lift (disk, grader or rotary mixer)"),
    "stop_if_it_runs_off": Key(meaning="stop watering where it ponds, runs off the strip or could ice"),
    "thin_the_lift": Key(meaning="spread a thinner lift, no thicker than the mixer reaches"),
    "rip_to_depth": Key(meaning="ground in place: rip it for a mixer that reaches, or ask the engineer for less depth"),
    "static_only": Key(
        meaning="vibration off, static weight only: a structure is near, or the strip says so; test more",
        gaps=("vibration_caution_m",),
    ),
    "drum_not_for_soil": Key(
        meaning="this drum does not suit this soil: smooth vibrating drum for granular soil, padded drum for clay"
    ),
    "rolling_too_fast": Key(
        meaning="the roller's speed is above the usual range: fast rolling under-compacts, so it needs more passes",
        gaps=("rolling_speed_km_h", "rolling_speed_max_km_h"),
    ),
    "rolling_too_slow": Key(
        meaning="the roller's speed is below the usual range: slow rolling wastes time and can over-compact",
        gaps=("rolling_speed_km_h", "rolling_speed_min_km_h"),
    ),
    "seal_before_rain": Key(
        meaning="rain is on its way: leave nothing loose, seal with a smooth drum and crown before it",
        gaps=("hours_until_rain_h",),
    ),
    "spread_no_more": Key(
        meaning="spread no more than can be rolled and sealed before the rain", gaps=("hours_until_rain_h",)
    ),
    "seal_at_shift_end": Key(meaning="seal the surface at the end of the shift; leave nothing loose overnight"),
    "crew_day_too_full": Key(
        meaning="this crew's strips need more rolling hours than the shift has; choose by the outlook"
    ),
    **_keys(LIFT_ADVICE),
}

# What to test: any number per decision.
TESTS: dict[str, Key] = {
    "repeat_reading": Key(meaning="a second moisture test beside the one that does not fit"),
    "test_before_rolling": Key(meaning="moisture test before the first pass"),
    "retest_after_rain": Key(meaning="moisture and density test after the heavy rain, before work goes on"),
    "test_both_halves": Key(meaning="moisture test of the top half and of the base half"),
    "test_after_watering": Key(meaning="moisture test after mixing and soaking in, before the first pass"),
    "look_at_surface": Key(
        meaning="look at the surface before the first pass: soft, slick or wet spots wait",
        gaps=("rained_before_work_mm",),
    ),
    "more_tests_settle": Key(
        meaning="so many further gauge tests would settle it, if they agree with what is expected",
        gaps=("n_more_tests", "chance_in_window", "chance_after_tests", "chance_needed"),
    ),
    "density_after_rolling": Key(meaning="density test after the last pass, as the specification asks"),
    "check_for_frost": Key(meaning="look for frost in the fill and in the surface under it before the first load"),
    **_keys(LIFT_TESTS),
}

# Warnings on a water plan.
WATER_WARNINGS: dict[str, Key] = {
    "dose_outside_usual": Key(
        meaning="the dose lies outside the usual band: check the reading and the lift",
        gaps=("litres_m2", "dose_min_litres_m2", "dose_max_litres_m2"),
    ),
    "retest_after_watering": Key(
        meaning="the dose was cut so as not to pass the wet edge: test again before adding more", gaps=("litres_m2",)
    ),
    "speed_outside_range": Key(meaning="no speed of this truck sprays so thinly or so heavily", gaps=("speed_km_h",)),
    "more_per_pass_than_soaks_in": Key(
        meaning="the truck sprays more per pass than this soil takes in at once: wait between passes",
        gaps=("litres_m2_per_pass",),
    ),
    "bar_overhangs": Key(meaning="the bar does not divide the width: shut the outer nozzles on the last lane"),
    "lift_thicker_than_mixing": Key(meaning="the lift is thicker than the mixer reaches"),
}

# What limited a dose (WaterPlan.limited_by); "" when nothing did.
LIMITS: dict[str, Key] = {
    "wet_edge": Key(meaning="cut, so that the chance of passing the wet edge stays small"),
    "rain": Key(meaning="less, because rain is expected to fall first", gaps=("rain_credit_mm",)),
    "crust": Key(meaning="light, for the dry top only"),
    "maintain": Key(meaning="only to hold the surface damp while it is rolled"),
}
