"""What to do and what to test under each verdict: an ordered table, judged with the conditions of the rules.

The pairs of state and weather follow the French guide to earthworks (GTR, annex 2) as far as it was read, class A1: a
right lift in strong evaporation is kept damp, in light rain it may go on; a wet one is aerated in thin layers in strong
evaporation and waits in light rain. The other rows are specifications read or common practice.
"""

from __future__ import annotations

from dataclasses import dataclass

from gonogo.decide.rules import Condition
from gonogo.records.verdict import Verdict


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One sentence and when it stands.

    key        a row of keys.ADVICE, or of keys.TESTS in the second table
    verdicts   the verdicts it stands under; reasons: the reasons too, empty = any
    when       conditions, all of which must hold; one that cannot be judged does not hold, unless if_unknown
    if_unknown the sentence stands, too, where a condition cannot be judged: cautions
    """

    key: str
    verdicts: tuple[Verdict, ...]
    reasons: tuple[str, ...] = ()
    when: tuple[Condition, ...] = ()
    if_unknown: bool = False


_ANY = (Verdict.COMPACT, Verdict.WATER, Verdict.WAIT)
_WORK = (Verdict.COMPACT, Verdict.WATER)
_WAIT = (Verdict.WAIT,)
_UNSURE = (
    "work_not_recorded",
    "watered_not_tested",
    "pond_not_tested",
    "no_reading",
    "reading_too_old",
    "too_uncertain",
    "not_knowable",
    "no_forecast",
    "forecast_too_old",
    "rain_not_known",
)
_WET = ("too_wet",)
_TOO_THICK = ("lift_too_thick_to_mix",)
_STRONG: Condition = ("evaporation_mm_h", ">=", "strong_evaporation_mm_h")
_WEAK: Condition = ("evaporation_mm_h", "<", "strong_evaporation_mm_h")
_RAIN_NEAR: Condition = ("hours_until_rain_h", "<=", "seal_ahead_h")
_ANY_RAIN_NEAR: Condition = ("chance_rain_ahead", ">=", "seal_any_rain_chance")
_NO_RAIN: tuple[Condition, ...] = (
    ("hours_until_rain_h", ">", "seal_ahead_h"),
    ("rain_today_mm_h", "<", "light_rain_mm_h"),
)
_WORTH_DRYING: Condition = ("moisture_ratio", "<", "very_wet_ratio")
_SOIL: Condition = ("is_granular", "==", "no")
_SAND: Condition = ("is_granular", "==", "yes")
_UNMIXED: Condition = ("is_treated", ">", "is_setting")

ADVICE_ROWS: tuple[Row, ...] = (
    Row(key="lightning", verdicts=_ANY, when=(("thunder_chance", ">=", "thunder_caution_chance"),)),
    Row(key="roll_again", verdicts=_WORK, when=(("may_roll_again", "==", "yes"),)),
    Row(
        key="passes_left",
        verdicts=_WORK,
        when=(("is_method", "==", "yes"), ("n_more_passes", ">=", "yes")),
    ),
    Row(key="mix_binder", verdicts=_WORK, when=(_UNMIXED, ("mellowing_time_h", ">", "no"))),
    Row(key="mix_binder_at_once", verdicts=_WORK, when=(_UNMIXED, ("mellowing_time_h", "==", "no"))),
    Row(key="mix_binder_today", verdicts=_WAIT, reasons=("binder_mix_first",)),
    Row(key="binder_test_beside", verdicts=_ANY, reasons=("binder_in_time", "binder_too_wet")),
    Row(
        key="binder_clock",
        verdicts=_ANY,
        when=(("is_setting", "==", "yes"), ("is_rolled", "==", "no"), ("working_time_left_h", ">", "no")),
    ),
    Row(
        key="rework_dry",
        verdicts=_WAIT,
        reasons=("density_failed",),
        when=(("failed_deviation_pct", "<", "window_low_pct"),),
    ),
    Row(
        key="rework_wet",
        verdicts=_WAIT,
        reasons=("density_failed",),
        when=(("failed_deviation_pct", ">", "window_high_pct"),),
    ),
    Row(
        key="rework_plain",
        verdicts=_WAIT,
        reasons=("density_failed", "lift_in_rework"),
        when=(
            ("failed_deviation_pct", ">=", "window_low_pct"),
            ("failed_deviation_pct", "<=", "window_high_pct"),
        ),
    ),
    Row(
        key="check_curve",
        verdicts=_ANY,
        when=(("n_field_tests", ">=", "curve_check_tests"), ("field_compaction_pct", ">", "curve_check_high_pct")),
    ),
    Row(key="forecast_old", verdicts=_ANY, when=(("is_forecast_old", "==", "yes"),)),
    Row(key="look_for_water", verdicts=_ANY, when=(("is_water_unexplained", "==", "yes"),)),
    Row(
        key="test_then_roll",
        verdicts=_WAIT,
        reasons=(*_UNSURE, "reading_doubtful", "retest_after_rain", "test_outside"),
    ),
    Row(
        key="light_rain_care",
        verdicts=(Verdict.COMPACT,),
        when=(("rain_in_window_mm_h", ">=", "light_rain_mm_h"),),
    ),
    Row(
        key="light_rain_care",
        verdicts=(Verdict.COMPACT,),
        when=(("chance_rain_in_window", ">=", "light_rain_chance"),),
    ),
    Row(key="keep_surface_damp", verdicts=(Verdict.COMPACT,), when=(_STRONG,)),
    Row(key="moisten_crust", verdicts=(Verdict.COMPACT,), when=(("top_deviation_pct", "<", "window_low_pct"), _SOIL)),
    Row(key="moisten_crust", verdicts=(Verdict.WATER,), reasons=("dry_crust",), when=(_SOIL,)),
    Row(key="let_top_dry", verdicts=(Verdict.COMPACT,), when=(("top_deviation_pct", ">", "window_high_pct"),)),
    Row(key="as_wet_as_practical", verdicts=_WORK, when=(_SAND,)),
    Row(key="flood_or_vibrate", verdicts=_WORK, when=(_SAND,)),
    Row(key="let_sand_drain", verdicts=_WAIT, reasons=_WET, when=(_SAND,)),
    Row(key="slake_shale", verdicts=_WORK, when=(("is_shale", "==", "yes"),)),
    # The guide on such soil at the right moisture: easy to place, very sensitive to weather, soon too wet or too
    # dry (GTR 2000, annex 2, class A1, as it was read).
    Row(key="mind_silt", verdicts=_WORK, when=(("is_silt", "==", "yes"),)),
    Row(key="break_clods", verdicts=(Verdict.WATER,), when=(("is_clayey", "==", "yes"),)),
    Row(
        key="very_wet_remove_or_treat",
        verdicts=_WAIT,
        reasons=_WET,
        when=(("moisture_ratio", ">=", "very_wet_ratio"), _SOIL),
    ),
    Row(key="aerate_thin_layers", verdicts=_WAIT, reasons=_WET, when=(_STRONG, _WORTH_DRYING, _SOIL, *_NO_RAIN)),
    Row(key="disk_and_aerate", verdicts=_WAIT, reasons=_WET, when=(_WEAK, _WORTH_DRYING, _SOIL, *_NO_RAIN)),
    Row(key="treat_or_remove", verdicts=_WAIT, reasons=_WET, when=(_WEAK, _SOIL)),
    Row(key="crown_and_drain", verdicts=_WAIT, when=(_RAIN_NEAR,)),
    Row(
        key="crown_and_drain",
        verdicts=_WAIT,
        reasons=_WET,
        when=(("rain_today_mm_h", ">=", "light_rain_mm_h"),),
    ),
    Row(key="clear_snow", verdicts=_WAIT, reasons=("snow_lying",)),
    Row(key="record_when_clear", verdicts=_WAIT, reasons=("snow_lying",)),
    Row(key="clear_frozen", verdicts=_WAIT, reasons=("frozen", "frozen_crust")),
    Row(key="open_slick", verdicts=_WAIT, reasons=("slick_surface",)),
    Row(key="let_water_off", verdicts=_WAIT, reasons=("standing_water",)),
    Row(
        key="record_when_drained",
        verdicts=_WAIT,
        reasons=("standing_water",),
        when=(("pond_mm", ">", "no"),),
    ),
    Row(
        key="take_off_soft",
        verdicts=_WAIT,
        reasons=("standing_water", "pond_not_tested"),
        when=(("ponded_h", ">=", "ponded_soft_h"),),
    ),
    Row(
        key="let_water_off",
        verdicts=_WORK,
        when=(("standing_water_mm", ">=", "ponding_stop_mm"),),
    ),
    Row(key="roll_in_sections", verdicts=_WAIT, reasons=("not_enough_hours",)),
    Row(key="thin_the_lift", verdicts=_WAIT, reasons=_TOO_THICK, when=(("is_natural", "==", "no"),)),
    Row(key="rip_to_depth", verdicts=_WAIT, reasons=_TOO_THICK, when=(("is_natural", "==", "yes"),)),
    Row(key="scarify_first", verdicts=(Verdict.WATER,), when=(("is_sealed", "==", "yes"), _SOIL)),
    Row(key="scarify_first", verdicts=_WAIT, reasons=("water_for_tomorrow",), when=(("is_sealed", "==", "yes"), _SOIL)),
    Row(key="water_in_borrow", verdicts=_ANY, when=(("borrow_litres_m3", ">=", "borrow_litres_min"),)),
    Row(key="mix_full_depth", verdicts=(Verdict.WATER,), reasons=("too_dry",), when=(_SOIL,)),
    Row(key="mix_full_depth", verdicts=_WAIT, reasons=("water_for_tomorrow", "watered_not_tested"), when=(_SOIL,)),
    Row(key="mix_full_depth", verdicts=_WAIT, reasons=("split_lift", "dry_crust_unwatered")),
    Row(key="stop_if_it_runs_off", verdicts=(Verdict.WATER,)),
    Row(key="stop_if_it_runs_off", verdicts=_WAIT, reasons=("water_for_tomorrow",)),
    Row(key="static_only", verdicts=_WORK, when=(("is_vibration_off", "==", "yes"),), if_unknown=True),
    Row(key="drum_not_for_soil", verdicts=_WORK, when=(("drum_suits", "==", "no"),)),
    Row(key="rolling_too_fast", verdicts=_WORK, when=(("rolling_speed_km_h", ">", "rolling_speed_max_km_h"),)),
    Row(key="rolling_too_slow", verdicts=_WORK, when=(("rolling_speed_km_h", "<", "rolling_speed_min_km_h"),)),
    Row(key="seal_before_rain", verdicts=_ANY, when=(_RAIN_NEAR,)),
    Row(key="seal_before_rain", verdicts=_ANY, when=(_ANY_RAIN_NEAR,)),
    Row(key="spread_no_more", verdicts=_WORK, when=(_RAIN_NEAR,)),
    Row(key="seal_at_shift_end", verdicts=_WORK),
)

TEST_ROWS: tuple[Row, ...] = (
    Row(key="check_for_frost", verdicts=_WORK, when=(("coldest_12h_degc", "<=", "freeze_temp_degc"),)),
    Row(key="check_for_frost", verdicts=_WORK, when=(("frost_depth_mm", ">", "no"),)),
    Row(key="check_for_frost", verdicts=_WAIT, reasons=("frozen", "frozen_crust", "snow_lying", "too_cold")),
    Row(key="test_cleared_surface", verdicts=_WORK, when=(("is_cleared_untested", "==", "yes"),)),
    Row(key="look_at_surface", verdicts=_WORK, when=(("rained_before_work_mm", ">=", "look_rain_mm"),)),
    Row(
        key="look_at_surface",
        verdicts=_WAIT,
        reasons=("standing_water",),
        when=(("rained_before_work_mm", ">=", "look_rain_mm"),),
    ),
    Row(
        key="more_tests_settle",
        verdicts=_WAIT,
        reasons=("too_uncertain", "too_wet", "too_dry"),
        when=(("n_more_tests", ">=", "yes"),),
    ),
    Row(key="repeat_reading", verdicts=_ANY, when=(("is_reading_doubtful", "==", "yes"),)),
    Row(key="test_before_rolling", verdicts=_WAIT, reasons=(*_UNSURE, "test_outside")),
    Row(key="retest_after_rain", verdicts=_WAIT, reasons=("retest_after_rain",)),
    Row(
        key="retest_after_rain",
        verdicts=_WAIT,
        reasons=(*_WET, "rain_too_soon", "rain_will_wet_it", "no_reading", "reading_too_old"),
        when=(("heaviest_rain_mm", ">", "heavy_rain_retest_mm"),),
    ),
    Row(key="test_both_halves", verdicts=_WAIT, reasons=("split_lift", "dry_crust_unwatered", "pond_not_tested")),
    Row(key="test_before_rolling", verdicts=_WAIT, reasons=(*_WET, "rain_will_wet_it", "standing_water", "snow_lying")),
    Row(key="test_after_watering", verdicts=(Verdict.WATER,)),
    Row(key="test_before_rolling", verdicts=_WAIT, reasons=("density_failed", "lift_in_rework")),
    Row(key="density_after_rolling", verdicts=_WORK, when=(("is_method", "==", "no"),)),
    Row(key="density_by_method", verdicts=_WORK, when=(("is_method", "==", "yes"),)),
    Row(key="density_tests_due", verdicts=_WORK, when=(("n_density_tests", ">", "density_tests_min"),)),
)
