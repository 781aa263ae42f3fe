"""The ordered table of rules, and nothing else.

A condition is (fact, operator, fact or setting); the conditions of a row are joined by "and", "or" is a second row. The
facts "yes" and "no" are the numbers that a yes/no fact has. How the table is judged stands in decide/verdict.py: first
the gate (anything unknown waits), then the first row that holds. Rows that let work go on stand last.
"""

from __future__ import annotations

from dataclasses import dataclass

from gonogo.records.verdict import Verdict

Condition = tuple[str, str, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """One row.

    id              stored with every decision
    when            conditions, all of which must hold
    because         reason key, a row of keys.REASONS
    site_may_change whether a setting of the row may be changed by a site (defaults.toml says which)
    """

    id: str
    verdict: Verdict
    when: tuple[Condition, ...]
    because: str
    site_may_change: bool


_TOO_DRY: Condition = ("chance_too_dry", ">", "too_dry_chance_max")
_TOO_WET: Condition = ("chance_too_wet", ">", "too_wet_chance_max")
_CRUSTED: tuple[Condition, ...] = (
    ("chance_crusted", ">", "crusted_chance_max"),
    ("dose_litres_m2", ">=", "dose_min_litres_m2"),
)
_UNMIXED: Condition = ("is_treated", ">", "is_setting")
_NOT_SETTING: Condition = ("is_setting", "==", "no")


def _wait(rule_id: str, *when: Condition, because: str, site_may_change: bool = False) -> Rule:
    """Return a row that makes a strip wait."""
    return Rule(id=rule_id, verdict=Verdict.WAIT, when=when, because=because, site_may_change=site_may_change)


RULES: tuple[Rule, ...] = (
    # --- nothing to go by
    _wait("no_forecast", ("is_forecast_usable", "==", "no"), because="no_forecast"),
    _wait("forecast_too_old", ("forecast_age_h", ">", "forecast_max_age_h"), because="forecast_too_old"),
    _wait("rain_not_known", ("unknown_rain_h", ">", "no"), because="rain_not_known"),
    # --- nothing to do, nobody there, or no time
    _wait("lift_accepted", ("is_rolled", "==", "yes"), ("is_accepted", "==", "yes"), because="lift_accepted"),
    _wait("already_rolled", ("is_rolled", "==", "yes"), because="already_rolled"),
    _wait("day_off", ("is_working_day", "==", "no"), because="day_off"),
    _wait("roller_away", ("is_roller_here", "==", "no"), because="roller_away"),
    _wait(
        "not_enough_hours",
        ("working_hours_left_h", "<", "time_needed_h"),
        because="not_enough_hours",
        site_may_change=True,
    ),
    # --- a binder does not wait: whatever the weather, its time is over once it is over
    _wait("binder_time_over", ("working_time_left_h", "<", "rolling_time_h"), because="binder_time_over"),
    _wait(
        "binder_mellowing",
        ("has_binder_hours", "==", "no"),
        ("mellowing_left_h", ">", "no"),
        because="binder_mellowing",
    ),
    # --- weather that stops everything
    _wait("snow_lying", ("longest_bare_h", "<", "time_needed_h"), because="snow_lying", site_may_change=True),
    _wait("too_cold", ("fill_temp_degc", "<", "fill_temp_min_degc"), because="too_cold", site_may_change=True),
    _wait("frozen", ("longest_unfrozen_h", "<", "time_needed_h"), because="frozen", site_may_change=True),
    _wait("stormy", ("longest_calm_h", "<", "time_needed_h"), because="stormy", site_may_change=True),
    _wait(
        "weather_leaves_no_time",
        ("longest_workable_h", "<", "time_needed_h"),
        because="weather_leaves_no_time",
        site_may_change=True,
    ),
    _wait("rain_too_soon", ("chance_of_rain", ">", "chance_spare"), because="rain_too_soon", site_may_change=True),
    _wait(
        "standing_water", ("longest_drained_h", "<", "time_needed_h"), because="standing_water", site_may_change=True
    ),
    # --- what was seen of its crust: nobody but a person says that it is firm again
    _wait("slick_surface", ("is_slick", "==", "yes"), because="slick_surface"),
    _wait("frozen_crust", ("is_crust_frozen", "==", "yes"), because="frozen_crust"),
    # --- weather that a binder does not stand: nothing is mixed into it
    _wait("binder_air_cold", _UNMIXED, ("coldest_today_degc", "<", "binder_air_min_degc"), because="binder_air_cold"),
    _wait(
        "binder_nights_cold",
        _UNMIXED,
        ("coldest_nights_degc", "<", "binder_night_min_degc"),
        because="binder_nights_cold",
    ),
    _wait("binder_rain", _UNMIXED, ("hours_until_rain_h", "<", "binder_rain_free_h"), because="binder_rain"),
    _wait("binder_mix_first", _UNMIXED, ("is_mellowed_today", "==", "no"), because="binder_mix_first"),
    # --- what the specification says of layer and machine, where a method decides
    _wait("layer_over_method", ("is_layer_too_thick", "==", "yes"), because="layer_over_method"),
    _wait("machine_not_of_method", ("is_machine_wrong", "==", "yes"), because="machine_not_of_method"),
    # --- a lift that failed
    _wait("density_failed", ("is_failed", "==", "yes"), ("may_roll_again", "==", "no"), because="density_failed"),
    _wait("lift_in_rework", ("is_rework", "==", "yes"), because="lift_in_rework"),
    # --- told is not done, and not recorded is not undone
    _wait("work_not_recorded", ("is_work_unknown", "==", "yes"), because="work_not_recorded"),
    # --- nothing measured
    _wait("no_reading", ("has_reading", "==", "no"), because="no_reading"),
    _wait(
        "reading_too_old",
        ("reading_age_h", ">", "reading_max_age_h"),
        _NOT_SETTING,
        because="reading_too_old",
        site_may_change=True,
    ),
    _wait("reading_doubtful", ("is_reading_doubtful", "==", "yes"), because="reading_doubtful"),
    _wait(
        "watered_not_tested",
        ("untested_water_litres_m2", ">=", "dose_min_litres_m2"),
        ("is_water_by_test", "==", "no"),
        because="watered_not_tested",
        site_may_change=True,
    ),
    _wait("pond_not_tested", ("is_pond_untested", "==", "yes"), because="pond_not_tested"),
    # --- the lift itself
    _wait("too_wet_or_too_dry", _TOO_WET, _TOO_DRY, _NOT_SETTING, because="too_uncertain", site_may_change=True),
    _wait("binder_too_wet", _TOO_WET, ("is_setting", "==", "yes"), because="binder_too_wet", site_may_change=True),
    _wait("too_wet", _TOO_WET, because="too_wet", site_may_change=True),
    _wait(
        "retest_after_rain",
        ("heaviest_rain_mm", ">", "heavy_rain_retest_mm"),
        because="retest_after_rain",
        site_may_change=True,
    ),
    _wait(
        "split_lift",
        ("chance_split", ">", "split_chance_max"),
        _NOT_SETTING,
        because="split_lift",
        site_may_change=True,
    ),
    # --- a test rules the level: outside the window by the test, only weather, water or work since carries it inside
    _wait(
        "test_outside",
        ("is_test_outside", "==", "yes"),
        ("chance_in_window", "<", "chance_needed"),
        ("chance_too_dry", "<=", "too_dry_chance_max"),
        _NOT_SETTING,
        because="test_outside",
        site_may_change=True,
    ),
    # --- too dry: what keeps the water truck away, then the water truck
    _wait(
        "lift_too_thick_to_mix",
        _TOO_DRY,
        ("is_mixable", "==", "no"),
        _NOT_SETTING,
        because="lift_too_thick_to_mix",
        site_may_change=True,
    ),
    _wait(
        "rain_will_wet_it",
        _TOO_DRY,
        ("chance_rain_does_it", ">=", "rain_does_it_chance"),
        _NOT_SETTING,
        because="rain_will_wet_it",
        site_may_change=True,
    ),
    _wait("no_truck", _TOO_DRY, ("has_truck", "==", "no"), _NOT_SETTING, because="no_truck", site_may_change=True),
    # A dose too small to matter on a strip that may be too dry: the spread is the trouble, and only a test mends that.
    _wait(
        "dose_too_small",
        _TOO_DRY,
        ("dose_litres_m2", "<", "dose_min_litres_m2"),
        _NOT_SETTING,
        because="too_uncertain",
        site_may_change=True,
    ),
    _wait(
        "water_for_tomorrow",
        _TOO_DRY,
        _NOT_SETTING,
        ("is_water_for_tomorrow", "==", "yes"),
        because="water_for_tomorrow",
        site_may_change=True,
    ),
    _wait(
        "truck_taken",
        _TOO_DRY,
        ("is_truck_taken", "==", "yes"),
        _NOT_SETTING,
        because="truck_taken",
        site_may_change=True,
    ),
    _wait(
        "rain_on_water",
        _TOO_DRY,
        _NOT_SETTING,
        ("is_water_rained_on", "==", "yes"),
        because="rain_on_water",
        site_may_change=True,
    ),
    _wait(
        "no_time_for_water",
        _TOO_DRY,
        ("is_water_in_time", "==", "no"),
        _NOT_SETTING,
        because="no_time_for_water",
        site_may_change=True,
    ),
    # A strip that may well be right is not watered on a guess: its test says by how much, or that it needs none.
    _wait(
        "test_before_water",
        _TOO_DRY,
        ("chance_in_window", ">=", "test_worth_chance"),
        _NOT_SETTING,
        because="too_uncertain",
        site_may_change=True,
    ),
    Rule(
        id="water",
        verdict=Verdict.WATER,
        when=(_TOO_DRY, ("is_water_in_time", "==", "yes")),
        because="too_dry",
        site_may_change=True,
    ),
    # --- right, under a dry crust
    _wait(
        "dry_crust_unwatered",
        *_CRUSTED,
        _NOT_SETTING,
        ("is_water_in_time", "==", "no"),
        because="dry_crust_unwatered",
        site_may_change=True,
    ),
    Rule(
        id="dry_crust",
        verdict=Verdict.WATER,
        when=(*_CRUSTED, ("is_water_in_time", "==", "yes")),
        because="dry_crust",
        site_may_change=True,
    ),
    # --- right, but it failed before: that it did says that it was not where its tests said
    _wait(
        "again_outside",
        ("is_again", "==", "yes"),
        ("may_roll_again", "==", "no"),
        ("is_test_in_middle", "==", "no"),
        ("untested_water_litres_m2", "<", "dose_min_litres_m2"),
        _NOT_SETTING,
        because="again_outside",
        site_may_change=True,
    ),
    # --- right
    _wait(
        "rain_in_window",
        ("chance_in_window", ">=", "chance_needed"),
        ("rain_free_h", "<", "time_needed_h"),
        because="rain_too_soon",
        site_may_change=True,
    ),
    Rule(
        id="window",
        verdict=Verdict.COMPACT,
        when=(("chance_in_window", ">=", "chance_needed"), ("rain_free_h", ">=", "time_needed_h")),
        because="in_window",
        site_may_change=True,
    ),
    # --- a binder that sets: what is not too wet is rolled in its time, the test goes on beside it
    Rule(
        id="binder_in_time",
        verdict=Verdict.COMPACT,
        when=(
            ("is_setting", "==", "yes"),
            ("chance_too_wet", "<=", "too_wet_chance_max"),
            ("rain_free_h", ">=", "time_needed_h"),
        ),
        because="binder_in_time",
        site_may_change=True,
    ),
)
