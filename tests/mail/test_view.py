"""What the view promises before any word is chosen: nobody compacts without a forecast, and numbers agree."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, timedelta

import mail_scene as scene
import numpy as np
import pytest

from gonogo import times
from gonogo.mail import view
from gonogo.mail.items import MorningView
from gonogo.records.verdict import Decision, Verdict
from gonogo.records.work_order import Change
from gonogo.weather.forecast_status import ForecastStatus
from gonogo.weather.series import HourlyWeather
from gonogo.wording.language import speaker
from gonogo.wording.phrases import Number

EN = speaker("en", "metric")
MINUTE = timedelta(minutes=1)


def built(
    decisions: Sequence[Decision] | None = None,
    weather: HourlyWeather | None = None,
    *,
    has_weather: bool = True,
    changes: Sequence[Change] | None = (),
    edition: str = "morning",
) -> MorningView:
    return view.build(
        scene.site(),
        scene.CREW,
        day=scene.DAY,
        decisions=scene.decisions() if decisions is None else decisions,
        outlook=scene.outlook(),
        weather=(weather or scene.weather()) if has_weather else None,
        now_utc=scene.NOW_UTC,
        edition=edition,
        changes=changes,
    )


@pytest.mark.parametrize("status", [None, ForecastStatus.NONE])
def test_without_a_trusted_forecast_every_strip_waits_whatever_was_decided(status: ForecastStatus | None) -> None:
    made = built(has_weather=False) if status is None else built(weather=scene.weather(status=status))
    assert {s.verdict for s in made.strips} == {"wait"}
    assert made.watering == ()
    assert made.rows == ()
    assert not made.is_knowable
    assert EN.say(made.headline) == "No verdict: decide on site with a test."
    assert all(s.chances is None and not s.has_moisture and s.window is None for s in made.strips)


def test_a_model_that_failed_gives_no_verdict_though_the_forecast_is_good() -> None:
    failed = [scene.decision(s.id, Verdict.WAIT, "not_knowable", facts={}, w_now_pct=math.nan) for s in scene.STRIPS]
    made = built(failed)
    assert not made.is_knowable
    assert [EN.say(d) for d in made.unsure] == ["The model gave no result this morning."]
    assert made.weather is not None


def test_a_crew_sees_only_its_own_strips() -> None:
    made = built()
    assert [s.id for s in made.strips] == ["N1", "N4", "N2", "N3", "N5"]
    assert {r.id for r in made.rows} == {"N1", "N2", "N3", "N4", "N5"}


def test_the_headline_is_the_whole_day_in_one_sentence() -> None:
    assert EN.say(built().headline) == (
        "compact N1 upstream and N4 filter from 06:00; water N2 upstream first; "
        "hold off on N3 core and N5 toe; rain likely from 14:00."
    )


def test_many_strips_are_counted_rather_than_named() -> None:
    strips = tuple(scene.strip(f"A{k}", f"A{k}") for k in range(6))
    made = view.build(
        scene.site(strips=strips),
        scene.CREW,
        day=scene.DAY,
        decisions=[scene.decision(s.id, Verdict.WAIT, "too_wet") for s in strips],
        outlook=(),
        weather=scene.weather(),
        now_utc=scene.NOW_UTC,
    )
    assert EN.say(made.headline) == "hold off on 6 strips; rain likely from 14:00."


@pytest.mark.parametrize(
    ("n_wet", "first_hour", "clause"),
    [
        (0, 12, "no rain expected today"),
        (3, 12, "30% chance of rain"),
        (5, 12, "rain likely from 14:00"),
        (10, 3, "it is raining"),
    ],
)
def test_the_headline_tells_the_rain_as_the_members_have_it(n_wet: int, first_hour: int, clause: str) -> None:
    members = np.zeros((72, 10))
    members[first_hour, :n_wet] = 3.0
    made = built(weather=scene.weather(rain_members_mm=members))
    assert made.weather is not None
    assert EN.say(view.rain_clause(made.weather)) == clause


def test_rain_that_has_fallen_already_is_no_rain_to_come() -> None:
    members = np.zeros((72, 10))
    members[:3] = 5.0  # until 05:00 on site; it is 05:27
    made = built(weather=scene.weather(rain_members_mm=members))
    assert EN.say(view.rain_clause(made.weather)) == "no rain expected today"


def test_strips_are_watered_in_driving_order() -> None:
    made = built()
    assert [(w.place, w.strip_id) for w in made.watering] == [(1, "N2"), (2, "N1")]
    assert made.water_total is not None
    assert made.water_total.shown("metric")[0] == sum(w.litres.shown("metric")[0] for w in made.watering)


def test_each_load_has_its_section_and_the_last_ends_with_the_strip() -> None:
    sections = built().watering[0].sections
    assert [tuple(x.metric[0] for x in section) for section in sections] == [
        (0.0, 156.0, 12000.0),
        (156.0, 240.0, 6400.0),
    ]
    total = built().watering[0].litres
    for system in ("metric", "us"):
        assert sum(s[2].shown(system)[0] for s in sections) == total.shown(system)[0]


@pytest.mark.parametrize(("needed", "n_workable"), [(0.7, 3), (0.9, 1), (0.0, 6), (math.nan, 0)])
def test_a_day_is_workable_from_the_chance_that_the_site_asks_for(needed: float, n_workable: int) -> None:
    decisions = [replace(d, facts=d.facts | {"chance_needed": needed}) for d in scene.decisions()]
    outlook = [replace(o, from_utc=scene.at(6, o.day), until_utc=scene.at(9, o.day)) for o in scene.outlook()]
    made = view.build(
        scene.site(),
        scene.CREW,
        day=scene.DAY,
        decisions=decisions,
        outlook=outlook,
        weather=scene.weather(),
        now_utc=scene.NOW_UTC,
    )
    assert sum(c.is_workable for c in made.rows[0].cells) == n_workable


def test_lanes_follow_from_the_width_of_strip_and_bar() -> None:
    assert built().watering[0].lanes == 3  # 12 m and a bar of 4 m


def test_the_printed_deviation_is_the_difference_of_the_printed_numbers() -> None:
    decision = scene.decision("N1", Verdict.WAIT, "too_wet", w_now_pct=16.449)  # printed 16.4, optimum 16.5
    gaps = built([decision]).strips[0].deviation.gaps
    assert gaps["points"] == Number(value=0.1, decimals=1)


def test_a_chance_of_nought_on_all_sides_means_that_none_was_computed() -> None:
    facts = {"chance_in_window": 0.0, "chance_too_dry": 0.0, "chance_too_wet": 0.0}
    assert built([scene.decision("N1", Verdict.WAIT, "day_off", facts=facts)]).strips[0].chances is None


def test_a_sentence_finds_its_setting_among_the_rules() -> None:
    facts = {"longest_calm_h": 0.0, "time_needed_h": 3.0}
    rule = scene.rule_seen("stormy", ("wind", 14.0, ">", "wind_stop_m_s", 12.0))
    made = built([scene.decision("N1", Verdict.WAIT, "stormy", facts=facts, seen=(rule,))])
    assert (
        EN.say(made.strips[0].reason).replace("\u00a0", " ")
        == "Thunderstorm, or wind above 43 km/h (at 10 m above ground)."
    )


def test_a_strip_that_nobody_tested_is_among_what_the_model_is_unsure_of() -> None:
    said = " ".join(EN.say(d) for d in built().unsure)
    assert "No moisture test on record for N5 toe" in said
    assert "over a day old for N4 filter" in said
    assert "For N5 toe the likely range of moisture is wider than the window itself" in said


def test_an_old_forecast_is_among_what_the_model_is_unsure_of_and_a_fresh_one_is_not() -> None:
    old = [EN.say(d) for d in built(weather=scene.weather(status=ForecastStatus.OLD)).unsure]
    assert any("forecast is old" in d for d in old)
    assert not any("forecast is old" in EN.say(d) for d in built().unsure)


def test_frost_in_the_coming_night_is_told_to_who_waters() -> None:
    temps = np.full(72, 8.0)
    temps[27:] = -1.0  # from 05:00 of the next day on site
    made = built(weather=scene.weather(temp_degc=temps))
    assert made.weather is not None
    assert made.weather.frost_from is not None
    assert EN.say(made.weather.frost_from) == "Thu\u00a018\u00a0Jun 05:00"
    assert built().weather is not None
    assert built().weather.frost_from is None  # type: ignore[union-attr]


def test_weather_that_is_unknown_is_unknown_and_not_calm() -> None:
    made = built(weather=scene.weather(wind_2m_m_s=np.full(72, math.nan)))
    assert made.weather is not None
    assert EN.say(made.weather.wind) == "unknown"


def test_nothing_to_compare_with_differs_from_nothing_changed() -> None:
    assert built(changes=None).changes is None
    assert built(changes=()).changes == ()


def test_the_view_of_a_later_mail_says_so() -> None:
    assert built(edition="noon").is_update
    assert not built().is_update


def test_a_crew_without_a_truck_still_has_its_mail() -> None:
    crew = replace(scene.CREW, truck=None)
    made = view.build(
        scene.site(crews=(crew,)),
        crew,
        day=scene.DAY,
        decisions=[scene.decision("N1", Verdict.WAIT, "no_truck")],
        outlook=(),
        weather=scene.weather(),
        now_utc=scene.NOW_UTC,
    )
    assert made.truck is None
    assert made.watering == ()


def test_assumed_soil_values_are_named() -> None:
    clay = next(m for m in built().materials if m.name == "Red clay")
    assert clay.assumed is not None
    assert EN.say(clay.assumed) == "specific gravity, field capacity and wilting point"
    assert next(m for m in built().materials if m.name == "Pit sand").assumed is None


def test_the_loads_of_a_morning_are_those_of_its_sections() -> None:
    made = built()
    assert made.n_loads == sum(len(w.sections) for w in made.watering) > len(made.watering)


@pytest.mark.parametrize(("apart", "is_split"), [(0.9, False), (1.0, True), (-1.4, True)])
def test_halves_a_point_apart_are_shown_apart(apart: float, is_split: bool) -> None:
    decision = scene.decision("N1", Verdict.WAIT, "too_wet", w_top_pct=16.0 + apart, w_base_pct=16.0)
    assert built([decision]).strips[0].is_split is is_split


@pytest.mark.parametrize(
    ("w_pct", "key"), [(15.9, "deviation.below"), (16.5, "deviation.at"), (17.1, "deviation.above")]
)
def test_a_drier_lift_is_below_optimum(w_pct: float, key: str) -> None:
    assert built([scene.decision("N1", Verdict.WAIT, "too_wet", w_now_pct=w_pct)]).strips[0].deviation.key == key


def test_a_window_is_never_shown_longer_than_it_is() -> None:
    """Two minutes past nine to two minutes to one: from five past to five to."""
    decision = scene.decision(
        "N1", Verdict.COMPACT, "in_window", from_utc=scene.at(9.0) + 2 * MINUTE, until_utc=scene.at(13.0) - 2 * MINUTE
    )
    window = built([decision]).strips[0].window
    assert window is not None
    assert [(m.at_local.hour, m.at_local.minute) for m in (window.start, window.end)] == [(9, 5), (12, 55)]


@pytest.mark.parametrize(("gain", "is_told"), [(0.04, False), (0.06, True)])
def test_what_the_truck_adds_to_a_day_is_told_from_a_twentieth_on(gain: float, is_told: bool) -> None:
    outlook = [replace(o, chance=0.3, chance_watered=0.3 + gain) for o in scene.outlook()]
    made = view.build(
        scene.site(), scene.CREW, day=scene.DAY, decisions=scene.decisions(), outlook=outlook,
        weather=scene.weather(), now_utc=scene.NOW_UTC,
    )  # fmt: skip
    ahead = [cell for row in made.rows for cell in row.cells if cell.day.day != scene.DAY]
    assert {cell.after_water is not None for cell in ahead} == {is_told}


def test_rain_begins_where_half_of_the_members_have_had_a_tip_of_the_gauge() -> None:
    """0.2 mm, common practice: 0.1 mm in each of two hours tips it in the second."""
    members = np.zeros((72, 10))
    members[10:20, :5] = 0.1
    made = built(weather=scene.weather(rain_members_mm=members))
    assert made.weather is not None
    assert made.weather.rain_from is not None
    first = scene.weather().hour_utc[11]
    assert times.as_hour(made.weather.rain_from.at_local.astimezone(UTC)) == first
    fewer = np.where(np.arange(10) < 4, members, 0.0)
    assert built(weather=scene.weather(rain_members_mm=fewer)).weather.rain_from is None  # type: ignore[union-attr]


def test_frost_is_told_from_freezing_down_and_until_noon_of_the_next_day() -> None:
    for degc, row_of, is_told in ((0.0, 27, True), (0.1, 27, False), (-3.0, 31, True), (-3.0, 34, False)):
        temps = np.full(72, 8.0)
        temps[row_of] = degc
        made = built(weather=scene.weather(temp_degc=temps))
        assert made.weather is not None
        assert (made.weather.frost_from is not None) is is_told, (degc, row_of)


def test_a_watering_ends_no_sooner_than_it_is_shown_to() -> None:
    finish = built().watering[0].finish.at_local
    plan = next(d.water for d in scene.decisions() if d.strip_id == built().watering[0].strip_id)
    assert plan is not None
    assert timedelta(0) <= finish - plan.finish_utc < timedelta(minutes=5)
