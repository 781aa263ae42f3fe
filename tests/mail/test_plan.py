"""The order of work and what changed: hours and litres as on the driver's sheet, and a reason for each change."""

from __future__ import annotations

from dataclasses import replace

import hand_made
import mail_scene as scene
import numpy as np
import pytest

from gonogo.mail import render, view
from gonogo.mail.items import MorningView
from gonogo.mail.letter import RenderedMail
from gonogo.mail.path import HOURS_BEFORE, moisture_paths
from gonogo.records.work_order import Change, Why, WorkOrder
from gonogo.wording import language, sentences
from gonogo.wording.language import speaker

EN = speaker("en", "metric")
PLANNING = ("plan_flag", "unplanned", "changed", "cause")


def morning(**changes: object) -> MorningView:
    fields: dict[str, object] = {
        "day": scene.DAY,
        "decisions": scene.decisions(),
        "outlook": scene.outlook(),
        "weather": scene.weather(),
        "now_utc": scene.NOW_UTC,
        "order": scene.order(),
        "changes": scene.since(),
    }
    return view.build(scene.site(), scene.CREW, **(fields | changes))  # type: ignore[arg-type]


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


def test_the_planner_reads_the_order_by_day_and_what_has_no_place() -> None:
    text = flowing(mail("planner").text)
    for piece in (
        "Wed 17 Jun - 06:00 to 08:40: roll N1 upstream (84% chance).",
        "- 06:15 to 08:05: water N2 upstream, 18,400 L.",
        "- 09:30 to 12:10: roll N2 upstream (84% chance). Watered first that day.",
        "- 17:30 to 18:00: seal everything open.",
        "Thu 18 Jun - 07:00 to 09:40: roll N3 core (50% chance). Test before the first pass. Less likely than",
        "roll N1 upstream, lift 2 (84% chance). Later than its finish date.",
        "- N5 toe: no hour ahead is likely enough (best chance 41%).",
        "- N4 filter, lift 2: the lift below it is not scheduled, or comes too late.",
        "all crews: 9,650 m²; with the strips in the order given: 8,100 m². No better order exists",
    ):
        assert piece in text, piece
    assert "S1 south" not in text


def test_the_superintendent_reads_today_s_order_and_it_agrees_with_the_driver_s_sheet() -> None:
    text, sheet = flowing(mail("superintendent").text), flowing(mail("driver").text)
    assert text.index("Today's order of work") < text.index("water N2 upstream, 18,400 L.") < text.index("Strip by")
    assert "06:15 to 08:05: water N2 upstream, 18,400 L." in text
    assert "start 06:15, done by 08:05" in sheet
    assert "1. N2 upstream 18,400 L for the strip" in sheet
    assert "lift 2" not in text  # that is for another day
    assert "09:30 to 12:10: roll N2 upstream" in text
    assert "rolling 09:30 to 13:00" in text


def test_a_day_without_work_and_a_morning_without_plan_say_so() -> None:
    nothing = scene.order(works=(), unplanned=())
    assert "Nothing is scheduled for today." in mail("superintendent", morning(order=nothing)).text
    assert "No work fits into this forecast." in mail("planner", morning(order=nothing)).text
    assert "Order of work" not in mail("planner", morning(order=None)).text
    assert morning(weather=None).order is None


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
        "- N3 core: COMPACT is now WAIT. 14 mm of rain has fallen since. A moisture test (Tue 16 Jun 17:00)",
        "- N5 toe: no longer scheduled; it was set for Thu 18 Jun 08:00. Nothing about the strip itself",
        "- N1 upstream: scheduled for Thu 18 Jun 09:00 instead of Thu 18 Jun 07:00. "
        "Lift 2: now scheduled for Thu 18 Jun 13:00. Nothing about the strip itself: the hours of the machines "
        "were reassigned. - N4",
        "- N4 filter: next likely time: none (was: Thu 18 Jun 08:00).",
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
