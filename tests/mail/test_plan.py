"""The order of work and what changed: hours and litres as on the driver's sheet, and a reason for each change."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import timedelta

import hand_made
import mail_scene as scene
import numpy as np
import pytest

from gonogo.mail import render
from gonogo.mail.items import MorningView
from gonogo.mail.letter import RenderedMail
from gonogo.mail.path import HOURS_BEFORE, moisture_paths
from gonogo.records.day_plan import DryBack, Half, NextTry, NotRecorded, Task
from gonogo.records.work_order import Change, Why, Work, WorkOrder
from gonogo.wording import language, sentences
from gonogo.wording.language import speaker

EN = speaker("en", "metric")
PLANNING = ("plan_flag", "unplanned", "changed", "cause")


def morning(**changes: object) -> MorningView:
    return scene.built(**({"changes": scene.since()} | changes))


def mail(role: str, made: MorningView | None = None, **changes: str) -> RenderedMail:
    return render.message(
        made or morning(),
        scene.person(role, **changes),
        sender="gonogo@example.com",
        reply_to="",
        message_id="<a@example.com>",
        date_utc=scene.NOW_UTC,
    )


def flowing(text: str) -> str:
    return " ".join(text.split())


def test_the_planner_reads_the_order_by_half_days_and_what_has_no_place() -> None:
    text = flowing(mail("planner").text)
    for piece in (
        "Wed 17 Jun morning - N1 84% - N2 84% (after 18,400 L)",
        "Thu 18 Jun morning - N3 50% (test first, if it dries) - N1 lift 2 84% (to be spread, past its date)",
        "- N5: no hour ahead is likely enough (best chance 41%).",
        "- N4, lift 2: the lift below it is not scheduled, or comes too late.",
        "all crews: 9,650 m²; with the strips in the order given: 8,100 m². No better order exists",
    ):
        assert piece in text, piece
    assert "S1 south" not in text
    assert "07:00 to" not in text  # hours of days ahead are nobody's promise


def test_the_planner_reads_when_disking_brings_a_lift_back_before_its_place_in_the_order() -> None:
    """The crew read "likely back today" of a strip that the planner's order had ten days later."""
    ready = NextTry(day=scene.DAY, half=Half.AFTERNOON, at_utc=scene.at(14.5), chance=float("nan"))
    back = DryBack(disk_utc=(scene.at(9),), ready=ready, chance=0.6, is_hopeless=False)
    plan = scene.morning().plan
    wet = tuple(replace(s, dry_back=back, next=ready) if s.strip_id in ("N3", "N5") else s for s in plan.strips)
    text = flowing(mail("planner", morning(plan=replace(plan, strips=wet))).text)
    assert "- N3 50% (test first, if it dries, by disking likely back today)" in text
    assert "(best chance 41%). By disking likely back today." in text
    lost = tuple(replace(s, dry_back=replace(back, is_hopeless=True), next=ready) for s in wet)
    assert "by disking" not in flowing(mail("planner", morning(plan=replace(plan, strips=lost))).text).lower()


def test_work_beyond_three_days_is_marked_and_its_chance_stands_in_steps_of_five() -> None:
    far = scene.planned("N3", Work.ROLLING, 14, 16, day=scene.DAY + timedelta(days=5), chance=0.83)
    text = flowing(mail("planner", morning(order=scene.order(works=(far,)))).text)
    assert "Mon 22 Jun afternoon - N3 85% (if it dries)" in text


def test_an_order_that_is_worth_less_area_than_the_given_one_says_what_it_puts_first() -> None:
    text = flowing(mail("planner", morning(order=scene.order(expected_area_m2=8000.0))).text)
    assert "The strips in the order given come to 8,100 m²: this order puts priorities" in text


def test_the_planner_reads_what_moved_then_what_to_decide_then_the_order_then_the_days() -> None:
    text = mail("planner").text
    titles = ["What moved, and why", "To decide today", "Order of work", "Chance of a workable window"]
    places = [text.index(title) for title in titles]
    assert places == sorted(places)
    assert "- N5: have it tested by 07:00." in text
    assert "- N1: will be late for its date; more roller hours, or another date?" in text


@pytest.mark.parametrize(
    ("changes", "subject"),
    [
        (None, "3 strips workable"),
        ((), "nothing moved"),
        (scene.since(), "N3: WAIT, N5 off, +1 more"),
        (scene.since()[3:4], "N1 to Thu 18"),
    ],
)
def test_the_planner_s_subject_says_what_moved(changes: object, subject: str) -> None:
    assert mail("planner", morning(changes=changes)).subject == f"{subject} · Wed 17 Jun · Amberbank Dam"


def test_the_superintendent_s_hours_and_litres_are_those_of_the_driver_s_card() -> None:
    text, card = flowing(mail("superintendent").text), flowing(mail("driver").text)
    assert "18,400 L, 06:15–08:05." in text
    assert "N2 upstream: 18,400 L" in card
    assert "on the strip 06:15" in card
    assert "lift 2" not in text.partition("Behind it")[0]  # that is for another day


def test_a_day_without_work_and_a_morning_without_plan_say_so() -> None:
    nothing = scene.order(works=(), unplanned=())
    assert "No work fits into this forecast." in mail("planner", morning(order=nothing)).text
    assert morning(weather=None).planner.halves == ()


def test_a_later_mail_begins_with_what_changed_and_what_to_do_if_it_was_done() -> None:
    """Above the line: before and after of each strip, and the branch of work that may have begun; 60 words at most."""
    plan = scene.morning().plan
    begun = NotRecorded(
        task=Task.WATER, told_utc=scene.NOW_UTC, start_utc=scene.at(6.25), end_utc=scene.at(8), litres=18432.0,
        chance_done=0.5, is_running=True,
    )  # fmt: skip
    strips = tuple(replace(s, not_recorded=(begun,)) if s.strip_id == "N3" else s for s in plan.strips)
    made = morning(edition="look-0900", plan=replace(plan, strips=strips))
    text = mail("superintendent", made).text
    above = flowing(text.partition("=====")[0])
    for piece in (
        "Changed since the last mail",
        "- N3: COMPACT is now WAIT.",
        "- N5: no longer scheduled; it was set for Thu 08:00.",
        "- 1 more strip changed, below.",
        "- If it was already watered: no water again; test.",
        "- No other verdict changed; what follows holds.",
    ):
        assert piece in above, piece
    assert len(re.findall(r"\S*\w\S*", above)) <= 60
    assert "Changed since" not in mail("superintendent").text


@pytest.mark.parametrize(
    ("changes", "sentence"),
    [
        ({"gap_frac": 0.0}, "No better order exists for these numbers."),
        ({"gap_frac": 0.0123}, "No order is better by more than 1.2%."),
        ({"gap_frac": float("nan")}, "How good this order is could not be proven."),
        (
            {"method": "given_order", "gap_frac": float("nan")},
            "The planner failed: the strips stand in the given order.",
        ),
    ],
)
def test_how_good_the_order_is_stands_beneath_it(changes: dict[str, object], sentence: str) -> None:
    order: WorkOrder = scene.order(**changes)
    assert sentence in flowing(mail("planner", morning(order=order)).text)


@pytest.mark.parametrize("role", ["planner", "superintendent"])
def test_what_changed_comes_with_its_reasons(role: str) -> None:
    text = flowing(mail(role).text)
    for piece in (
        "- Rain on Thu 18 Jun: 12 mm (was 1.0 mm), chance 80% (was 20%).",
        "- N3: COMPACT is now WAIT. 14 mm of rain has fallen since. A moisture test (Tue 17:00)",
        "- N5: no longer scheduled; it was set for Thu 08:00. Nothing about the strip:",
        "- N1: scheduled for Thu 09:00 instead of Thu 07:00. "
        "Lift 2: now scheduled for Thu 13:00. Nothing about the strip: the machines' hours were reassigned. - N4",
        "- N4: next likely time: none (was: Thu 08:00).",
    ):
        assert piece in text, piece
    assert "S1" not in text  # another crew's


def test_nothing_to_compare_with_differs_from_nothing_changed() -> None:
    assert "No change since the last mail." in mail("planner", morning(changes=())).text
    assert "There is no earlier mail to compare with." in mail("planner", morning(changes=None)).text


@pytest.mark.parametrize("code", language.languages())
@pytest.mark.parametrize(("table", "key"), [(t, k) for t in PLANNING for k in sentences.VOCABULARY[t]])
def test_each_row_can_be_said_in_each_language_with_every_number_unknown(code: str, table: str, key: str) -> None:
    made: dict[str, object] = {}
    if table == "plan_flag":
        work = scene.order().works[0]
        made["order"] = scene.order(works=(replace(work, flags=(key,)),))
    elif table == "unplanned":
        lift = scene.order().unplanned[0]
        made["order"] = scene.order(unplanned=(replace(lift, reason=key, chance=float("nan"), at_utc=None),))
    elif table == "changed":
        made["changes"] = (Change(strip_id="N1", what=key),)
    else:
        made["changes"] = (Change(strip_id="N1", what="verdict", before="wait", after="compact", why=(Why(key=key),)),)
    text = mail("planner", morning(**made), language=code).text
    assert not any(bad in text.split() for bad in ("nan", "inf", "None"))
    assert "{" not in text


def test_paths_are_the_mean_and_the_middle_eighty_per_cent_of_the_members() -> None:
    inputs = hand_made.morning(w_pct=16.0, sd_pct=1.0)
    paths = moisture_paths(inputs, [inputs.strips[0].id, "nosuch"])
    assert list(paths) == [inputs.strips[0].id]
    path = paths[inputs.strips[0].id]
    start = int(np.flatnonzero(inputs.hour_utc == path.hour_utc[0])[0])
    members = inputs.w_pct[start:, 0]
    now = np.datetime64(inputs.now_utc.replace(tzinfo=None), "h")
    assert path.hour_utc[0] == max(now - HOURS_BEFORE, inputs.hour_utc[0])
    assert len(path.hour_utc) == len(inputs.hour_utc) - start
    np.testing.assert_allclose(path.w_mean_pct, members.mean(axis=1))
    below = (members < path.w_p10_pct[:, None]).mean(axis=1)
    above = (members > path.w_p90_pct[:, None]).mean(axis=1)
    assert (below <= 0.1 + 1e-9).all()
    assert (above <= 0.1 + 1e-9).all()
    assert (path.w_p10_pct <= path.w_mean_pct).all()


@pytest.mark.parametrize(
    ("days", "said"),
    [((0, 0), "09:00 instead of 07:00"), ((1, 0), "Thu 09:00 instead of Wed 07:00"), ((0, -1), "09:00 instead of Tue")],
)
def test_an_hour_of_today_that_moves_to_another_day_carries_its_day(days: tuple[int, int], said: str) -> None:
    """Beside "Thu 09:00" a bare 07:00 could be anybody's."""
    after, before = (scene.at(hour) + timedelta(days=n) for hour, n in zip((9, 7), days, strict=True))
    change = Change(what="planned_start", strip_id="N1", before_utc=before, after_utc=after)
    text = flowing(mail("superintendent", morning(changes=(change,))).text)
    assert f"N1: scheduled for {said}" in text
