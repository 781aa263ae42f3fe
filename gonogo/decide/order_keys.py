"""The sentence keys of the order of work, of what changed since a previous run and why; gaps as in keys.py."""

from __future__ import annotations

from gonogo.decide.keys import Key

# Marks on a planned piece of work (PlannedWork.flags).
PLAN_FLAGS: dict[str, Key] = {
    "today": Key(meaning="as this morning's verdict says"),
    "water_first": Key(meaning="the strip is watered first, earlier that day"),
    "next_lift": Key(meaning="a lift still to come: it has to lie spread by then", gaps=("lift",)),
    "test_first": Key(meaning="no test, an old one or one from before heavy rain: test again before the first pass"),
    "unsure": Key(meaning="less likely than the site asks for: that morning's verdict decides", gaps=("chance",)),
    "late": Key(meaning="after the date by which the strip shall be finished"),
    "soaks_over_night": Key(meaning="watered this afternoon, soaks over night, tested and rolled on the next day"),
    "roller_full_today": Key(
        meaning="watered today, but the roller's hours are full: water it only if the roller gets there"
    ),
}

# Why a lift has no place in the order (Unplanned.reason).
UNPLANNED: dict[str, Key] = {
    "not_knowable": Key(meaning="weather or moisture of the days ahead is unknown"),
    "longer_than_shift": Key(meaning="rolling and sealing take longer than any shift of the horizon: roll in sections"),
    "no_likely_hour": Key(meaning="no hour of the horizon is likely enough", gaps=("chance", "at_utc")),
    "no_truck": Key(meaning="too dry on every day, and the crew has no water truck"),
    "no_time_for_water": Key(meaning="too dry on every day, and water, soaking in and rolling do not fit into one"),
    "borrow_too_wet": Key(meaning="the borrow is wetter than the window: dry it or take another before spreading"),
    "roller_full": Key(meaning="the roller's hours go to strips that gain more", gaps=("chance", "at_utc")),
    "lift_below": Key(meaning="the lift below it has no place either, or comes too late"),
}

# What changed since a previous run (Change.what).
CHANGES: dict[str, Key] = {
    "verdict": Key(meaning="another verdict than last time", gaps=("before", "after")),
    "badge": Key(meaning="it waits as before, and a test decides now or no longer does", gaps=("before", "after")),
    "window": Key(meaning="other hours of rolling than earlier that day", gaps=("before", "after")),
    "litres": Key(meaning="another dose than earlier that day", gaps=("before_litres", "after_litres")),
    "lift_done": Key(meaning="the lift has been rolled since", gaps=("after_utc",)),
    "lift_spread": Key(meaning="a new lift has been spread since", gaps=("after_utc",)),
    "planned_start": Key(meaning="planned for another day", gaps=("before_utc", "after_utc")),
    "newly_planned": Key(meaning="has a place in the order now", gaps=("after_utc",)),
    "no_longer_planned": Key(meaning="has no place in the order any more", gaps=("before_utc",)),
    "next_hour": Key(
        meaning="the first likely hour of a waiting strip is on another day", gaps=("before_utc", "after_utc")
    ),
    "rain": Key(
        meaning="the forecast rain of a day moved (whole site)",
        gaps=("after_utc", "rain_before_mm", "rain_after_mm", "chance_before", "chance_after"),
    ),
}

# Why it changed (Why.key).
CAUSES: dict[str, Key] = {
    "rolled": Key(meaning="it was rolled", gaps=("at_utc",)),
    "spread": Key(meaning="a new lift was spread", gaps=("at_utc",)),
    "worked": Key(meaning="it was disked or sealed", gaps=("at_utc",)),
    "reading": Key(meaning="a moisture test came in", gaps=("at_utc", "reading_w_pct", "w_before_pct", "w_now_pct")),
    "watered": Key(meaning="the truck watered it", gaps=("at_utc", "litres")),
    "ground_snow": Key(meaning="snow was seen on it", gaps=("at_utc", "lying_mm")),
    "ground_cleared": Key(meaning="it was cleared of snow", gaps=("at_utc",)),
    "ground_pond": Key(meaning="water was seen on it", gaps=("at_utc", "lying_mm")),
    "ground_drained": Key(meaning="the water was let off", gaps=("at_utc",)),
    "ground_slick": Key(meaning="its surface was seen to be slick", gaps=("at_utc",)),
    "ground_frozen": Key(meaning="its crust was seen to be frozen", gaps=("at_utc",)),
    "ground_firm": Key(meaning="its surface was seen to be firm", gaps=("at_utc",)),
    "rain_fell": Key(meaning="rain fell since", gaps=("rain_mm",)),
    "rain_and_melt": Key(meaning="rain fell and snow melted since", gaps=("rain_mm",)),
    "rain_more": Key(
        meaning="more rain is forecast for the days in question", gaps=("rain_before_mm", "rain_after_mm")
    ),
    "rain_less": Key(
        meaning="less rain is forecast for the days in question", gaps=("rain_before_mm", "rain_after_mm")
    ),
    "drier": Key(meaning="the lift is drier than it was", gaps=("w_before_pct", "w_now_pct")),
    "wetter": Key(meaning="the lift is wetter than it was", gaps=("w_before_pct", "w_now_pct")),
    "day_off": Key(meaning="the site does not work today"),
    "reading_too_old": Key(meaning="its moisture test has grown too old", gaps=("reading_age_h",)),
    "other_strips": Key(meaning="nothing about the strip itself: the machine's hours were shared out again"),
}
