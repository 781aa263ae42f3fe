"""Sentences about a lift beyond its moisture: (meaning, gaps) by key. They stand in the tables of keys.py."""

from __future__ import annotations

ROLLED = frozenset(("already_rolled", "lift_accepted"))  # reasons of a lift that is rolled

_TESTED = ("compaction_pct", "compaction_required_pct", "air_voids_pct", "saturation_pct", "failed_deviation_pct")

LIFT_REASONS: dict[str, tuple[str, tuple[str, ...]]] = {
    "lift_accepted": ("wait: rolled, and its density test reached what is required", _TESTED),
    "density_failed": ("wait: the density test failed; break it up, bring its moisture right, test, roll", _TESTED),
    "lift_in_rework": ("wait: the engineer said that the lift is done again", ()),
    "slick_surface": (
        "wait: somebody saw that its surface is slick; look, open or dry it, and record when it is firm",
        (),
    ),
    "frozen_crust": ("wait: somebody saw that its crust is frozen; look, and record when it is firm", ()),
    "pond_not_tested": (
        "wait: water stood on it, so deep and so long, and nobody tested it since it is gone",
        ("pond_mm", "ponded_h"),
    ),
    "layer_over_method": ("wait: the lift is thicker than its method allows; take it down first", ("layer_max_m",)),
    "crust_roller_full": (
        "wait: right but for a dry top, and the roller has no time for it today; damped on the day it is rolled",
        ("chance_crusted", "w_top_pct", "w_base_pct"),
    ),
    "machine_not_of_method": ("wait: the crew's roller is none that the method names", ()),
    "binder_time_over": (
        "wait: the working time from mixing does not suffice for rolling; the engineer decides: mix again or remove",
        ("working_time_left_h", "rolling_time_h"),
    ),
    "binder_mellowing": ("wait: the treated lift mellows, and may be rolled later", ("mellowing_left_h",)),
    "binder_air_cold": (
        "wait: too cold today for the binder; nothing is mixed",
        ("coldest_today_degc", "binder_air_min_degc"),
    ),
    "binder_nights_cold": (
        "wait: the nights ahead are too cold for the binder; nothing is mixed",
        ("coldest_nights_degc", "binder_night_min_degc"),
    ),
    "binder_rain": (
        "wait: rain is likely too soon after mixing; nothing is mixed",
        ("hours_until_rain_h", "binder_rain_free_h"),
    ),
    "binder_mix_first": (
        "wait: the binder may be mixed in today; it mellows until the lift may be rolled",
        ("mellowing_time_h", "working_time_h"),
    ),
    "binder_too_wet": (
        "wait: treated, setting and too wet; the engineer decides at once, before the working time is over",
        ("chance_too_wet", "working_time_left_h"),
    ),
    "binder_in_time": (
        "compact: the binder sets; it is rolled in its working time, the moisture test beside it",
        ("working_time_left_h", "chance_in_window"),
    ),
}

LIFT_ADVICE: dict[str, tuple[str, tuple[str, ...]]] = {
    "record_when_clear": ("record when the snow is cleared off, so that the strip is let go", ()),
    "record_when_drained": ("record when the water is let off, so that the strip is let go after a test", ()),
    "open_slick": ("slick surface: scarify it or let it dry, then look; keep the roller off until it is firm", ()),
    "take_off_soft": ("water stood on it for long: take off what is soft, down to firm ground", ("ponded_h",)),
    "roll_again": (
        "the density test failed at the right moisture: so many passes more, then test again",
        ("n_more_passes", "compaction_pct", "compaction_required_pct"),
    ),
    "passes_left": ("passes that the method still asks for", ("n_more_passes",)),
    "rework_dry": ("too dry where it was tested: break it up, water and mix, test, roll", ("failed_deviation_pct",)),
    "rework_wet": ("too wet where it was tested: disk and dry it, test, roll", ("failed_deviation_pct",)),
    "rework_plain": ("the moisture was right: break it up, look at thickness, roller and passes, test, roll", ()),
    "check_curve": (
        "field densities of a month lie above the curve's maximum: another material, or a new curve is due",
        ("field_compaction_pct", "n_field_tests"),
    ),
    "mix_binder": (
        "mix the binder in now, record it, and roll within its working time",
        ("mellowing_time_h", "working_time_h"),
    ),
    "mix_binder_at_once": ("the same where the binder needs no mellowing", ("working_time_h",)),
    "mix_binder_today": ("mix the binder in today and record it", ("mellowing_time_h",)),
    "binder_test_beside": (
        "test at once beside the work; water or dry it only within the working time",
        ("working_time_left_h",),
    ),
    "binder_clock": (
        "the binder sets meanwhile; what is not rolled in time is the engineer's",
        ("working_time_left_h",),
    ),
    "flood_or_vibrate": ("clean granular soil: flood it or vibrate it; no disking", ()),
    "let_sand_drain": ("clean granular soil: let the water off; it is rolled as soon as none stands", ()),
    "break_clods": ("clay: break clods, disk between passes of the truck, let it soak", ()),
    "mind_silt": ("silt: a little rain makes it too wet, a little sun too dry; open only what is rolled at once", ()),
    "slake_shale": ("shale: wet it well, break it down with a heavy padded drum", ()),
}

LIFT_TESTS: dict[str, tuple[str, tuple[str, ...]]] = {
    "test_cleared_surface": (
        "cleared of snow: look at the surface and test the top before the first pass, melt water wets it",
        (),
    ),
    "density_tests_due": ("density tests that the lift needs, by area and volume", ("n_density_tests",)),
    "density_by_method": ("no density test: passes and layer are counted and recorded", ()),
}
