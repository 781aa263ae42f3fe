"""What the view promises before any word is chosen: nobody compacts without a forecast, and numbers agree."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import UTC, date, timedelta

import mail_scene as scene
import numpy as np
import pytest

from gonogo import times
from gonogo.mail import first_screen
from gonogo.mail.items import MorningView, StripRow
from gonogo.mail.letter import RenderedMail
from gonogo.mail.render import message
from gonogo.records.day_plan import Badge, NotRecorded, Pause, RainSpell, Task, Then
from gonogo.records.verdict import Decision, Verdict
from gonogo.weather.forecast_status import ForecastStatus
from gonogo.weather.notes import note
from gonogo.wording.language import NO_BREAK, speaker
from gonogo.wording.phrases import phrase

EN = speaker("en", "metric")
MINUTE = timedelta(minutes=1)


def mailed(made: MorningView, role: str) -> RenderedMail:
    return message(
        made,
        scene.person(role),
        sender="gonogo@example.com",
        reply_to="",
        message_id="<a@example.com>",
        date_utc=scene.NOW_UTC,
    )


def said(lines: object) -> str:
    assert isinstance(lines, tuple)
    return " ".join(EN.say(line) for line in lines).replace("\u00a0", " ")


def row(made: MorningView, strip_id: str) -> StripRow:
    return next(r for r in made.rows if r.instruction.strip_id == strip_id)


def of(decision: Decision, **changes: object) -> MorningView:
    """Return the view of a morning with one strip."""
    return scene.built(decisions=[decision], order=None, **changes)


@pytest.mark.parametrize("status", [None, ForecastStatus.NONE])
def test_without_a_trusted_forecast_every_strip_waits_whatever_was_decided(status: ForecastStatus | None) -> None:
    """The plan still says COMPACT here: the last door before the mail."""
    plan = scene.morning().plan
    made = scene.built(plan=plan, weather=None if status is None else scene.weather(status=status))
    assert {r.instruction.verdict for r in made.rows} == {"wait"}
    assert {r.instruction.badge for r in made.rows} == {"test"}
    assert made.driver.cards == ()
    assert made.grid == ()
    assert made.bar is None
    assert not made.is_knowable
    assert said(made.headline) == "No verdict: decide on site with a test."
    for r in made.rows:
        assert "Now" not in said(r.lines)
        assert r.instruction.roll is None
        assert r.instruction.litres is None


def test_without_a_forecast_the_last_test_of_each_strip_is_told_with_method_and_time() -> None:
    made = scene.built(weather=None)
    assert said(row(made, "N1").lines).endswith("gauge 16.2, Tue 16:30.")
    assert list(told_by_result(made, "N1").values())[-2:] == ["call the truck", "hold"]


def test_a_model_that_failed_gives_no_verdict_though_the_forecast_is_good() -> None:
    failed = [scene.decision(s.id, Verdict.WAIT, "not_knowable", facts={}, w_now_pct=math.nan) for s in scene.STRIPS]
    made = scene.built(decisions=failed, order=None)
    assert not made.is_knowable
    assert [EN.say(d) for d in made.unsure] == ["The model gave no result this morning."]
    assert made.weather is not None


def test_a_crew_sees_only_its_own_strips_in_working_order() -> None:
    made = scene.built()
    assert [r.instruction.strip_id for r in made.rows] == ["N2", "N1", "N4", "N3", "N5"]
    assert {r.id for r in made.grid} == {"N1", "N2", "N3", "N4", "N5"}


def test_the_headline_is_the_day_in_a_few_words() -> None:
    assert said(scene.built().headline) == (
        "Dry until about 14:00. Roll N1; N2 after water. Test N5 by 07:00. Seal by 13:45."
    )


def test_after_a_wet_night_the_rain_that_fell_comes_first() -> None:
    wet = {"fallen_mm": 14.0}
    assert said(scene.built(plan_changes=wet).headline).startswith("14 mm of rain since Tue 18:00. Dry until")
    assert said(scene.built(plan_changes={"fallen_mm": 1.0}).headline).startswith("1.0 mm of rain since Tue 18:00.")
    assert said(scene.built(plan_changes={"fallen_mm": 0.9}).headline).startswith("Dry until")


def test_many_strips_are_counted_rather_than_named() -> None:
    strips = tuple(scene.strip(f"A{k}", f"A{k}") for k in range(6))
    decisions = [scene.decision(s.id, Verdict.WAIT, "no_reading") for s in strips]
    made = scene.built(strips=strips, decisions=decisions, order=None)
    assert "Test 6 strips by 07:00." in said(made.headline)


@pytest.mark.parametrize(
    ("spell", "clause"),
    [
        (None, "30% chance of rain."),
        ((3.0, 6.0), "It is raining."),
        ((14.0, 18.0), "Dry until about 14:00."),
        ((27.0, 30.0), "30% chance of rain."),
    ],
)
def test_the_headline_tells_the_rain_as_the_plan_has_it(spell: tuple[float, float] | None, clause: str) -> None:
    members = np.zeros((72, 10))
    members[12, :3] = 3.0
    rain = () if spell is None else (
        RainSpell(from_utc=scene.at(spell[0]), until_utc=scene.at(spell[1]), rain_mm=3.0, chance=0.6),
    )  # fmt: skip
    made = scene.built(weather=scene.weather(rain_members_mm=members), plan_changes={"rain": rain})
    assert said(made.headline).startswith(clause)


def test_a_day_on_which_nothing_is_rolled_or_tested_says_so() -> None:
    assert "Nothing to roll today." in said(of(scene.decision("N1", Verdict.WAIT, "too_wet")).headline)


# --- rows ------------------------------------------------------------------------------------------------------------


def test_a_row_says_by_when_the_number_and_the_last_test() -> None:
    compact = row(scene.built(), "N1")
    assert EN.say(compact.when) == "by 11:30"
    assert said(compact.lines) == (
        "Roll 06:00–08:40, 6 passes. Damp it: 1,400 L, 09:00. Now 16.1%, window 15.0–18.5. gauge 16.2, Tue 16:30."
    )
    watered = row(scene.built(), "N2")
    assert EN.say(watered.when) == "by 09:30"
    assert said(watered.lines).startswith(
        "18,400 L, 06:15–08:05. Mix in, test; roll 09:30–12:10 if 15.4–18.1. Now 13.9%."
    )


def test_a_test_older_than_the_water_says_what_was_put_on_since() -> None:
    plan = scene.morning().plan
    strips = tuple(
        replace(s, last_test=None if s.last_test is None else replace(s.last_test, litres_since=8500.0))
        for s in plan.strips
    )
    watered = said(row(scene.built(plan=replace(plan, strips=strips)), "N1").lines)
    assert watered.endswith("gauge 16.2, Tue 16:30; 8,500 L since.")


def test_an_untested_lift_shows_no_hard_figure() -> None:
    untested = row(scene.built(), "N5")
    assert "16.1" not in said(untested.lines)
    plan = scene.morning().plan
    bare = replace(plan, strips=tuple(replace(s, is_tested=False, last_test=None) for s in plan.strips))
    for r in scene.built(plan=bare).rows:
        assert "Now" not in said(r.lines)


def told_by_result(made: MorningView, strip_id: str = "N5") -> dict[str, str]:
    """Return what the row of a strip has a crew do by each result of its test."""
    return {EN.say(branch.result): EN.say(branch.act).replace(NO_BREAK, " ") for branch in row(made, strip_id).branches}


def test_a_test_says_what_each_result_means() -> None:
    assert told_by_result(scene.built()) == {
        "15.4–18.1": "roll",
        "15.0–15.4": "4,200 L on top, roll",
        "14.5–18.5": "else retest; as above if the two average 15.0–18.3",
        "under 14.5": "10,400 L a point under 16.3; mix, soak, test",
        "over 18.5": "disk 09:00, retest 11:30",
    }
    plan = scene.morning().plan
    calling = scene.testing(below=Then.CALL, above=Then.HOLD, if_done=Then.RECORD)
    strips = tuple(replace(s, test=calling) if s.strip_id == "N5" else s for s in plan.strips)
    made = scene.built(plan=replace(plan, strips=strips))
    assert list(told_by_result(made).values())[-2:] == ["call the truck", "hold"]
    assert "If it was rolled: only record it." in said(row(made, "N5").lines)


def test_a_result_that_is_rolled_with_water_on_top_is_not_too_dry_as_well() -> None:
    plan = scene.morning().plan
    test = scene.testing(again_from_pct=math.nan, again_to_pct=math.nan)
    strips = tuple(replace(s, test=test) if s.strip_id == "N5" else s for s in plan.strips)
    assert list(told_by_result(scene.built(plan=replace(plan, strips=strips)))) == [
        "15.4–18.1",
        "15.0–15.4",
        "under 15.0",
        "over 18.1",
    ]


@pytest.mark.parametrize("has_damping", [True, False])
def test_a_result_that_no_other_line_shares_is_not_told_as_what_is_left_over(has_damping: bool) -> None:
    plan = scene.morning().plan
    without = {} if has_damping else {"damp_from_pct": math.nan, "damp_litres": math.nan}
    test = scene.testing(again_from_pct=14.5, again_to_pct=15.0 if has_damping else 15.4, **without)
    strips = tuple(replace(s, test=test) if s.strip_id == "N5" else s for s in plan.strips)
    told = told_by_result(scene.built(plan=replace(plan, strips=strips)))
    if has_damping:
        assert told["14.5–15.0"] == "retest; as above if the two average 15.0–18.3"
    else:
        assert told["14.5–15.4"] == "retest; roll if the two average 15.0–18.3"


@pytest.mark.parametrize(
    ("code", "said_so"),
    [
        ("en", "18.1–18.5: disk 09:00, roll from 12:30"),
        ("es", "18,1–18,5: grada 9:00, compactar desde las 12:30"),
        ("pt", "18,1–18,5: gradear 09:00, compactar a partir das 12:30"),
        ("fr", "18,1–18,5: disques 09 h 00, compacter dès 12 h 30"),
    ],
)
def test_a_result_at_the_wet_edge_is_disked_and_rolled_from_an_hour(code: str, said_so: str) -> None:
    plan = scene.morning().plan
    aired = scene.testing(again_to_pct=15.0, air_to_pct=18.5, air_roll_utc=scene.at(12.5))
    strips = tuple(replace(s, test=aired) if s.strip_id == "N5" else s for s in plan.strips)
    speak = speaker(code, "metric")
    found = row(scene.built(plan=replace(plan, strips=strips)), "N5").branches
    told = [f"{speak.say(b.result)}: {speak.say(b.act)}".replace(NO_BREAK, " ").replace("\u202f", " ") for b in found]
    assert told[2] == said_so
    assert [line.split(": ")[0][-4:] for line in told[3:]] == [
        line.format(*(("14.5", "15.0", "18.5") if code == "en" else ("14,5", "15,0", "18,5")))[-4:]
        for line in ("{1}", "{0}", "{2}")
    ]


@pytest.mark.parametrize(
    ("is_mixed_in", "is_tested", "then"),
    [
        (True, True, "mix, soak, test"),
        (True, False, "mix, soak, roll"),
        (False, True, "soak, test"),
        (False, False, "soak, roll"),
    ],
)
def test_water_that_a_test_orders_is_mixed_in_unless_the_material_takes_it_by_itself(
    is_mixed_in: bool, is_tested: bool, then: str
) -> None:
    plan = scene.morning().plan
    test = scene.testing(is_mixed_in=is_mixed_in, is_tested_after_water=is_tested)
    strips = tuple(replace(s, test=test) if s.strip_id == "N5" else s for s in plan.strips)
    made = scene.built(plan=replace(plan, strips=strips))
    assert told_by_result(made)["under 14.5"] == f"10,400 L a point under 16.3; {then}"


def unrecorded(task: Task = Task.WATER) -> NotRecorded:
    return NotRecorded(
        task=task,
        told_utc=scene.at(-18.5),
        start_utc=scene.at(-16.5),
        end_utc=scene.at(-15),
        litres=18432.0 if task == Task.WATER else 0.0,
        chance_done=0.5,
        is_running=False,
    )


def with_unrecorded(task: Task = Task.WATER) -> MorningView:
    plan = scene.morning().plan
    told = {"not_recorded": (unrecorded(task),), "test": scene.testing(why="work_not_recorded")}
    strips = tuple(replace(s, **told) if s.strip_id == "N5" else s for s in plan.strips)
    return scene.built(plan=replace(plan, strips=strips))


def test_what_was_told_and_not_recorded_stands_in_its_row_and_in_the_box() -> None:
    made = with_unrecorded()
    assert "Told 18,400 L, Tue 07:30: not recorded." in said(row(made, "N5").lines)
    assert "Told work is not recorded" not in said(row(made, "N5").lines)  # once is enough
    assert "Not recorded: water on N5 (told Tue 07:30)." in said(made.box)
    assert said(made.box).endswith("If done, not again: test.")  # how it is recorded: with the mail's frame
    assert "rolling of N5" in said(with_unrecorded(Task.ROLL).box)


def test_rolling_that_was_told_of_a_lift_to_be_spread_is_asked_for_with_that_lift_and_recorded_by_its_spreading() -> (
    None
):
    """ "Rolling of N5" is on record, of the lift below: who answers "N5 rolled" says nothing of the lift on top."""
    plan = scene.morning().plan
    lies = next(s.lift for s in plan.strips if s.strip_id == "N5")
    for lift, row_says, box_says, act in (
        (lies, "Told to roll Tue 07:30: not recorded.", "rolling of N5 (told Tue 07:30)", "rolled"),
        (
            lies + 1,
            f"Told to spread and roll lift {lies + 1}, Tue 07:30: not recorded.",
            f"spreading and rolling of lift {lies + 1} on N5 (told Tue 07:30)",
            "spread",
        ),
    ):
        told = {"not_recorded": (replace(unrecorded(Task.ROLL), lift=lift),), "test": scene.testing()}
        strips = tuple(replace(s, **told) if s.strip_id == "N5" else s for s in plan.strips)
        made = scene.built(plan=replace(plan, strips=strips))
        assert row_says in said(row(made, "N5").lines)
        assert box_says in said(made.box)
        assert made.to_record is not None
        assert (made.to_record.strip_id, made.to_record.act) == ("N5", act)
        asked = " ".join(EN.say(line) for line in made.planner.asked)
        assert (f"N5: was lift {lift} spread and rolled (told" in asked) == (act == "spread")


def test_the_row_of_a_strip_whose_binder_is_not_mixed_in_begins_with_mixing_it() -> None:
    """Its hours are the roller's: who goes by them alone rolls the soil without its binder."""
    told = scene.decision("N1", Verdict.COMPACT, "in_window", advice=("mix_binder_at_once", "mind_silt"))
    told = replace(told, facts=told.facts | {"working_time_h": 2.0})
    made = of(told)
    assert said(row(made, "N1").lines).startswith("Mix the binder in and record it (mixed). Roll within 2 h of mixing.")
    own = next(s for s in made.behind if s.name == "N1")
    assert "Mix the binder" not in said((*own.lines, *own.advice))
    assert "Silt" in said(own.advice)


def test_a_test_whose_result_is_in_is_not_asked_for_again() -> None:
    plan = scene.morning().plan
    told = {"not_recorded": (unrecorded(),), "test": scene.testing(why="result_in", by_utc=None)}
    strips = tuple(replace(s, **told) if s.strip_id == "N5" else s for s in plan.strips)
    made = scene.built(plan=replace(plan, strips=strips))
    assert said(row(made, "N5").lines).startswith("tested: go by the result. Told 18,400 L")
    behind = next(said(s.lines) for s in made.behind if s.name == "N5")
    assert behind == "tested: go by the result."  # no "test first" of a test that is made, and no chance of before it
    assert "Test N5" in said(scene.built().headline)
    assert "N5" not in said(made.headline)


def test_no_driver_is_told_to_leave_a_strip_that_a_test_of_today_called_water_for() -> None:
    plan = scene.morning().plan
    for hour, is_left in ((-16.5, True), (7.5, False)):
        works = (replace(unrecorded(), start_utc=scene.at(hour), end_utc=scene.at(hour + 1.0)),)
        strips = tuple(replace(s, not_recorded=works) if s.strip_id == "N5" else s for s in plan.strips)
        made = scene.built(plan=replace(plan, strips=strips))
        assert ("N5" in EN.say(made.driver.leave)) == is_left  # type: ignore[arg-type]
        assert (made.driver.called is None) == is_left


def test_a_driver_whose_only_water_a_test_called_for_is_told_that_it_stands_once() -> None:
    works = (replace(unrecorded(), start_utc=scene.at(7.5), end_utc=scene.at(8.5)),)
    plan = scene.morning().plan
    strips = tuple(replace(s, not_recorded=works) if s.strip_id == "N5" else s for s in plan.strips)
    made = scene.built(plan=replace(plan, strips=strips, jobs=()))
    assert made.driver.cards == ()
    sent = mailed(made, "driver")
    for text in (sent.text, sent.html):
        assert "No strip needs water" not in text
        assert "Only the water that was called for: N5." in text
        assert "stands, once: call when it is on." in " ".join(text.split())
        assert "Stop for rain" in text
    assert sent.subject.startswith("N5: water as called")


def test_a_strip_that_is_watered_asks_whether_it_got_water_since_its_test() -> None:
    assert "Not recorded since Tue 16:30: water on N2." in said(scene.built().box)
    assert of(scene.decision("N1", Verdict.WAIT, "too_wet")).box == ()


def test_rain_that_fell_and_rain_to_come_are_kept_apart() -> None:
    assert said(scene.built().rain) == "No rain since Tue 18:00. To come: 4.5 mm 14:00–18:00 (70%)."
    wet = scene.built(plan_changes={"fallen_mm": 14.0, "rain": ()})
    assert said(wet.rain) == "14 mm fell since Tue 18:00. None likely until Thu 06:00."


@pytest.mark.parametrize(("rain_mm", "amount"), [(0.2, "a trace"), (0.3, "0.5 mm")])
def test_likely_rain_that_cannot_be_measured_is_a_trace(rain_mm: float, amount: str) -> None:
    spell = RainSpell(from_utc=scene.at(14), until_utc=scene.at(18), rain_mm=rain_mm, chance=0.6)
    assert f"To come: {amount} 14:00" in said(scene.built(plan_changes={"rain": (spell,)}).rain)


def test_a_wrong_clock_is_called_one_and_no_age_of_the_forecast_is_told() -> None:
    wrong = scene.weather(notes=(note("clock_ahead", clock_off_h=3.0),))
    made = scene.built(weather=wrong)
    assert made.alarm is not None
    assert "clock of this machine is 3 h ahead" in EN.say(made.alarm)
    assert "old" not in EN.say(made.basis)
    assert scene.built().alarm is None


# --- what stands behind ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("needed", "n_workable"), [(0.7, 3), (0.9, 1), (0.0, 6), (math.nan, 0)])
def test_a_day_is_workable_from_the_chance_that_the_site_asks_for(needed: float, n_workable: int) -> None:
    decisions = [replace(d, facts=d.facts | {"chance_needed": needed}) for d in scene.decisions()]
    outlook = [replace(o, from_utc=scene.at(6, o.day), until_utc=scene.at(9, o.day)) for o in scene.outlook()]
    made = scene.built(decisions=decisions, outlook=outlook)
    assert sum(c.is_workable for c in made.grid[0].cells) == n_workable


def test_chances_beyond_three_days_stand_in_steps_of_five() -> None:
    outlook = [replace(o, chance=0.423) for o in scene.outlook()]
    cells = scene.built(outlook=outlook).grid[0].cells
    assert [c.chance.pct for c in cells] == [42.0] * 4 + [40.0] * 4


def test_a_sentence_finds_its_setting_among_the_rules() -> None:
    rule = scene.rule_seen("too_cold", ("fill_temp_degc", -9.0, "<", "fill_temp_min_degc", -7.0))
    made = of(scene.decision("N1", Verdict.WAIT, "too_cold", facts={"fill_temp_degc": -9.0}, seen=(rule,)))
    assert said(made.behind[0].lines) == "The fill is too cold (-9 °C; the site asks for -7 °C)."


def test_chances_of_zero_on_all_sides_mean_that_none_was_computed() -> None:
    facts = scene.FACTS | {"chance_in_window": 0.0, "chance_too_dry": 0.0, "chance_too_wet": 0.0}
    lines = of(scene.decision("N1", Verdict.WAIT, "no_reading", facts=facts)).behind[0].lines
    assert "too dry" not in said(lines)


def test_a_strip_that_nobody_tested_is_among_what_the_model_is_unsure_of() -> None:
    unsure = said(scene.built().unsure)
    assert "No moisture test on record for N5" in unsure
    assert "over a day old for N4" in unsure
    assert "For N5 the likely range of moisture is wider than the window:" in unsure


def test_an_old_forecast_is_among_what_the_model_is_unsure_of_and_a_fresh_one_is_not() -> None:
    assert "forecast is old" in said(scene.built(weather=scene.weather(status=ForecastStatus.OLD)).unsure)
    assert "forecast is old" not in said(scene.built().unsure)


@pytest.mark.parametrize(
    ("degc", "hour", "is_told"), [(0.0, 27, True), (0.1, 27, False), (-3.0, 31, True), (-3.0, 34, False)]
)
def test_frost_is_told_from_freezing_down_and_until_noon_of_the_next_day(degc: float, hour: int, is_told: bool) -> None:
    temps = np.full(72, 8.0)
    temps[hour] = degc
    made = scene.built(weather=scene.weather(temp_degc=temps))
    assert made.weather is not None
    assert (made.weather.frost_from is not None) is is_told
    assert ("Freezing from" in EN.say(made.sky)) is is_told


def test_weather_that_is_unknown_is_unknown_and_not_calm() -> None:
    made = scene.built(weather=scene.weather(wind_2m_m_s=np.full(72, math.nan)))
    assert "wind up to unknown" in EN.say(made.sky)


def test_rain_begins_where_half_of_the_members_have_had_a_tip_of_the_gauge() -> None:
    """0.2 mm, common practice: 0.1 mm in each of two hours tips it in the second."""
    members = np.zeros((72, 10))
    members[10:20, :5] = 0.1
    made = scene.built(weather=scene.weather(rain_members_mm=members))
    assert made.weather is not None
    assert made.weather.rain_from is not None
    first = scene.weather().hour_utc[11]
    assert times.as_hour(made.weather.rain_from.at_local.astimezone(UTC)) == first
    fewer = np.where(np.arange(10) < 4, members, 0.0)
    made = scene.built(weather=scene.weather(rain_members_mm=fewer))
    assert made.weather is not None
    assert made.weather.rain_from is None


def test_nothing_to_compare_with_differs_from_nothing_changed() -> None:
    assert scene.built(changes=None).changes is None
    assert scene.built(changes=()).changes == ()


def test_the_view_of_a_later_mail_says_so() -> None:
    assert scene.built(edition="noon").is_update
    assert not scene.built().is_update


def test_assumed_soil_values_are_named() -> None:
    clay = next(m for m in scene.built().materials if m.name == "Red clay")
    assert clay.assumed is not None
    assert EN.say(clay.assumed) == "specific gravity, field capacity and wilting point"
    assert next(m for m in scene.built().materials if m.name == "Pit sand").assumed is None


@pytest.mark.parametrize(("apart", "is_told"), [(2.9, False), (3.0, True), (-3.4, True)])
def test_halves_are_told_where_one_lies_outside_the_window(apart: float, is_told: bool) -> None:
    """The window is 15.0 to 18.5."""
    window = {"from_utc": scene.at(6), "until_utc": scene.at(9)}
    halves = {"w_top_pct": 15.6 + apart, "w_base_pct": 15.6}
    made = of(scene.decision("N1", Verdict.COMPACT, "in_window", **window, **halves))
    assert ("lower half" in said(made.rows[0].lines)) is is_told


def test_the_last_pass_is_never_shown_later_than_it_may_be() -> None:
    """Two minutes to one: five to."""
    decision = scene.decision(
        "N1", Verdict.COMPACT, "in_window", from_utc=scene.at(9.0), until_utc=scene.at(13.0) - 2 * MINUTE
    )
    by = of(decision).rows[0].instruction.roll_by
    assert by is not None
    assert (by.at_local.hour, by.at_local.minute) == (12, 55)


@pytest.mark.parametrize(("gain", "is_told"), [(0.04, False), (0.06, True)])
def test_what_the_truck_adds_to_a_day_is_told_from_a_twentieth_on(gain: float, is_told: bool) -> None:
    outlook = [replace(o, chance=0.3, chance_watered=0.3 + gain) for o in scene.outlook()]
    ahead = [cell for r in scene.built(outlook=outlook).grid for cell in r.cells if cell.day.day != scene.DAY]
    assert {cell.after_water is not None for cell in ahead} == {is_told}


# --- the driver's card -----------------------------------------------------------------------------------------------


def test_strips_are_watered_in_driving_order_and_the_headline_adds_them_up() -> None:
    made = scene.built()
    assert [card.instruction.strip_id for card in made.driver.cards] == ["N2", "N1"]
    assert EN.say(made.driver.headline).replace("\u00a0", " ") == "N2 and N1: 3 loads, 19,800 L, done by 09:15."


def test_each_load_has_its_section_and_the_last_ends_with_the_strip() -> None:
    card = scene.built().driver.cards[0]
    assert [(n, start.metric[0], end.metric[0], litres.metric[0]) for n, start, end, litres in card.loads] == [
        (1, 0.0, 156.0, 12000.0),
        (2, 156.0, 240.0, 6400.0),
    ]
    assert card.instruction.litres is not None
    for system in ("metric", "us"):
        assert sum(load[3].shown(system)[0] for load in card.loads) == card.instruction.litres.shown(system)[0]


def test_the_card_has_the_driver_stop_and_call_if_water_went_on_already() -> None:
    assert EN.say(scene.built().driver.cards[0].stop).startswith("STOP AND CALL if N2 was watered since Tue 16:30")
    assert first_screen.called_since(scene.morning(), "N5") is None


def test_water_on_record_is_none_that_the_driver_stops_for() -> None:
    """What was put on after the test is known, and no card says that none is on record since the test."""
    morning = scene.morning()
    told = morning.plan.strip("N2")
    assert told is not None
    assert told.last_test is not None
    watered = replace(told, watered_utc=told.last_test.at_utc + timedelta(hours=2), not_recorded=())
    plan = replace(morning.plan, strips=tuple(watered if s.strip_id == "N2" else s for s in morning.plan.strips))
    since = first_screen.called_since(replace(morning, plan=plan), "N2")
    assert since == morning.clock.near(told.last_test.at_utc + timedelta(hours=2))
    assert "Not recorded since Tue 18:30: water on N2." in said(scene.built(plan=plan).box)


def test_a_check_and_the_seconds_of_a_section_hold_the_dose_within_three_in_a_hundred() -> None:
    """156 m at 6.3 km/h are 89.1 s: the whole second printed is 0.2 % off; the speed printed 0.3 %."""
    rows = {EN.say(label): EN.say(text) for label, text in scene.built().driver.cards[0].rows}
    assert rows["Speed"].replace("\u00a0", " ") == "6.3 km/h: 156 m in 89 s"
    assert "8,000\u00a0L left in the tank after 1 pass of load 1" in rows["Check"]
    assert rows["Runs"].startswith("3 lanes × 3 passes")


@pytest.mark.parametrize(
    ("w_pct", "text"), [(14.6, "14.6%, 0.4 under the window"), (19.0, "19.0%, 0.5 over the window")]
)
def test_a_tested_strip_off_its_window_says_by_how_much(w_pct: float, text: str) -> None:
    """The window is 15.0 to 18.5."""
    made = scene.built(decisions=[replace(d, w_now_pct=w_pct) for d in scene.decisions()])
    assert text in "".join(said(r.lines) for r in made.rows)


def test_the_truck_fills_again_where_its_first_load_ends() -> None:
    """From 06:15 to 08:01, 34 min of it away (12 to fill, twice 8 on the road, over 0.83): 156 of 240 m are 47 min."""
    rows = {EN.say(label): EN.say(text) for label, text in scene.built().driver.cards[0].rows}
    assert rows["Fill"] == "leave to fill 05:50, on the strip 06:15; again about 07:00"


def test_a_watering_ends_no_sooner_than_it_is_shown_to() -> None:
    card = scene.built().driver.cards[0]
    plan = next(d.water for d in scene.decisions() if d.strip_id == card.instruction.strip_id)
    assert plan is not None
    assert card.instruction.water is not None
    assert timedelta(0) <= card.instruction.water.end.at_local - plan.finish_utc < timedelta(minutes=5)


def test_a_driver_of_many_strips_is_told_of_any_other_strip_only_where_one_gets_water(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr("gonogo.mail.driver.NAMES_AT_MOST", 2)
    watered = scene.built()
    none = scene.built(plan=replace(scene.morning().plan, jobs=()))
    assert EN.say(watered.driver.leave) == "Nothing on any other strip unless the superintendent calls."  # type: ignore[arg-type]
    assert EN.say(none.driver.leave) == "Nothing on any strip unless the superintendent calls."  # type: ignore[arg-type]


def test_a_crew_without_a_truck_still_has_its_mail() -> None:
    crew = replace(scene.CREW, truck=None)
    made = scene.built(
        site=scene.site(crews=(crew,)),
        crews=(crew,),
        decisions=[scene.decision("N1", Verdict.WAIT, "no_truck")],
        order=None,
    )
    assert made.driver.truck is None
    assert made.driver.cards == ()
    assert "Nothing on N1 unless the superintendent calls." in EN.say(made.driver.leave)  # type: ignore[arg-type]


def test_a_long_weekend_and_a_stopped_site_stand_under_the_answer_in_every_mail() -> None:
    friday = replace(
        scene.morning().plan,
        pause=Pause(
            first_day=scene.DAY, last_day=scene.DAY + timedelta(days=2), why="holiday", names=("Founders' Day",)
        ),
        next_shift_utc=scene.at(7.0, scene.DAY + timedelta(days=3)),
    )
    long = scene.built(plan=friday)
    assert said(long.pause) == ("No work Wed 17 Jun to Fri 19 Jun (Founders' Day). Next shift Sat 20 Jun 07:00.")
    for role in ("superintendent", "driver", "planner"):
        mail = mailed(long, role)
        assert "No work Wed 17 Jun" in mail.text
        assert "Founders' Day" in mail.html.replace("&#39;", "'")
    ended = scene.built(
        plan=replace(friday, pause=Pause(first_day=scene.DAY, last_day=None, why="end"), next_shift_utc=None)
    )
    assert said(ended.pause) == "Last day of this site: no mails after today."
    assert scene.built().pause == ()


def test_a_finished_strip_is_named_with_its_lifts_until_the_day_after_and_then_leaves_the_mails() -> None:
    morning = scene.morning()

    def finished(on: date) -> MorningView:
        strips = tuple(
            replace(s, badge=Badge.DONE, lifts=3, finished_utc=scene.at(15.0, on)) if s.strip_id == "N1" else s
            for s in morning.plan.strips
        )
        return scene.built(plan=replace(morning.plan, strips=strips))

    assert EN.say(phrase("row.done", strips=finished(scene.DAY).done)) == "Done: N1 (3 lifts)."
    parting = finished(scene.DAY - timedelta(days=1))
    assert EN.say(phrase("row.done", strips=parting.done)) == "Done: N1 (3 lifts)."
    gone = finished(scene.DAY - timedelta(days=2))
    assert gone.done is None
    name = morning.strips["N1"].name
    assert name in {r.name for r in parting.grid}
    assert name not in {r.name for r in gone.grid} | {strip.name for strip in gone.behind}
    assert all(f"{name}" not in said((change.what,)) for change in gone.changes or ())


def test_what_haul_roads_take_stands_in_the_drivers_mail_where_they_take_anything() -> None:
    driver = scene.built(haul_road_litres_h=2000.0).driver
    assert driver.haul_road is not None
    assert said((driver.haul_road,)).startswith("Haul roads take 2,000 L an hour besides, ")
    assert scene.built().driver.haul_road is None
    no_cards = scene.built(plan=replace(scene.morning().plan, jobs=()), haul_road_litres_h=2000.0)
    assert no_cards.driver.haul_road is None


def test_unlike_machines_have_a_row_each_in_the_bar_of_hours_and_one_that_only_seals_has_none() -> None:
    morning = scene.morning()
    rolled = [job for job in morning.plan.jobs if job.task == Task.ROLL]
    one = scene.built().bar
    assert one is not None
    assert [EN.say(name) for name, _ in one.rows][:2] == ["Roller", "Truck"]
    second = replace(
        rolled[0], machine_id="smooth", start_utc=rolled[-1].end_utc, end_utc=rolled[-1].end_utc + 20 * MINUTE
    )
    two = scene.built(plan=replace(morning.plan, jobs=(*morning.plan.jobs, second))).bar
    assert two is not None
    assert [EN.say(name) for name, _ in two.rows][:2] == [rolled[0].machine_id, "smooth"]
    assert [len([p for p in pieces if p.kind == "roll"]) for _, pieces in two.rows][1] == 1


@pytest.mark.parametrize("n_tests", [2, 3])
def test_of_many_tests_a_row_says_what_releases_the_lift_and_all_results_stand_behind(n_tests: int) -> None:
    """Five tables of six lines bury the answer; of two tests each stands in its row."""
    strips = tuple(scene.strip(f"B{k}", f"B{k} bank") for k in range(n_tests))
    untested = next(d for d in scene.decisions() if d.reason == "no_reading")
    decisions = [replace(untested, strip_id=s.id) for s in strips]
    made = scene.built(strips=strips, decisions=decisions, outlook=(), order=None)
    sent = mailed(made, "superintendent")
    above, _, behind = sent.text.partition("Behind it")
    html_above, _, html_behind = sent.html.partition("Behind it")
    assert made.has_results_behind == (n_tests > 2)
    for is_above, part in ((True, above), (True, html_above), (False, behind), (False, html_behind)):
        n_inside, n_over = part.count("15.4–18.1"), part.count("over 18.5")
        assert n_inside == (n_tests if is_above or n_tests > 2 else 0)
        assert n_over == (n_tests if is_above == (n_tests == 2) else 0)
    assert ("By result of the test" in behind) == (n_tests > 2)
