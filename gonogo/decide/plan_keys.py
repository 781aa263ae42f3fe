"""The sentence keys of the day plan: why a test decides, why a strip has no place, what is sealed, what is not spread.

Beside those of decide/keys.py, whose rules hold: every language has a sentence for each.
"""

from __future__ import annotations

from gonogo.decide.keys import REASONS, Key

# Why a test decides (TestFirst.why): the reason of the verdict, or what only the plan knows.
RESULT_IN = "result_in"
TEST_CAUSES: dict[str, Key] = {
    **{key: Key(meaning=row.meaning) for key, row in REASONS.items() if row.meaning.startswith("wait")},
    "after_watering": Key(meaning="watered first today: the test after mixing and soaking in releases it"),
    "new_lift": Key(meaning="a lift is spread this morning: its first test releases it"),
    RESULT_IN: Key(meaning="its result is on record, and what that ordered has begun or may have"),
}

# A verdict's reason, or a test's, in the few words of a first screen.
SHORT: dict[str, Key] = {key: Key(meaning=row.meaning) for key, row in {**REASONS, **TEST_CAUSES}.items()}

# Why a strip that may be worked has no place today (StripPlan.why_not): the order's reason.
NO_PLACE: dict[str, Key] = {
    "not_knowable": Key(meaning="weather or moisture of the hours ahead is unknown"),
    "longer_than_shift": Key(meaning="rolling and sealing take longer than the shift: roll it in sections"),
    "no_likely_hour": Key(meaning="no hour of today is likely enough"),
    "no_truck": Key(meaning="too dry, and the crew has no water truck"),
    "no_time_for_water": Key(meaning="too dry, and no time for water, soaking in and rolling"),
    "borrow_too_wet": Key(meaning="the borrow is wetter than the window"),
    "roller_full": Key(meaning="the roller's hours go to other strips"),
    "lift_below": Key(meaning="the lift below it has no place either"),
}

# Why strips are sealed (Sealing.why).
SEAL_CAUSES: dict[str, Key] = {
    "rain_today": Key(meaning="rain is likely in the shift"),
    "rain_before_next_shift": Key(meaning="rain is likely before the next shift"),
}

# Why no lift is spread this morning (NewLift.stop).
SPREAD_STOPS: dict[str, Key] = {
    "day_off": Key(meaning="the site does not work today"),
    "roller_away": Key(meaning="no roller of the crew is on site today"),
    "ground_not_fit": Key(meaning="water stands below it, or its crust was seen to be slick or frozen"),
    "borrow_not_right": Key(meaning="the borrow would arrive outside the window, or leave it before it can be rolled"),
    "day_over": Key(meaning="too little is left of the shift"),
    "weather": Key(meaning="no stretch of today's weather is likely enough to roll it"),
}
