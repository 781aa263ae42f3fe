"""Calendar entries (RFC 5545): one a lift and kind of work, which moves, is cancelled, and smuggles nothing in.

Read back by vobject, a library that knows nothing of the one that writes.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from email import message_from_bytes, policy
from typing import Any

import mail_scene as scene
import pytest
import vobject

from gonogo.mail import calendar, render
from gonogo.records.work_order import PlannedWork, Work
from gonogo.wording import language
from gonogo.wording.language import speaker

MORNING = scene.NOW_UTC
DAY = timedelta(days=1)
HOUR = timedelta(hours=1)


def rolling(
    strip_id: str = "N1", start_h: float = 6, *, lift: int = 1, days: int = 0, **changes: object
) -> PlannedWork:
    day = scene.DAY + timedelta(days=days)
    return scene.planned(strip_id, Work.ROLLING, start_h, start_h + 2.5, day=day, lift=lift, **changes)


def told(found: Sequence[calendar.Entry]) -> dict[tuple[str, int, str], tuple[int, bool]]:
    return {(e.work.strip_id, e.work.lift, e.work.work.value): (e.sequence, e.is_cancelled) for e in found}


def files(found: Sequence[calendar.Entry], language_code: str = "en", **names: str) -> dict[str, bytes]:
    own = {s.id: replace(s, name=names.get(s.id, s.name)) for s in scene.STRIPS if s.crew_id == "north"}
    views = calendar.entry_views(found, own, scene.site())
    made = calendar.files(
        views,
        "Amberbank Dam",
        speaker(language_code, "metric"),
        organizer="gonogo@example.com",
        made_utc=MORNING,
        day=scene.DAY,
    )
    return {f.method: f.content for f in made}


def read(content: bytes) -> dict[str, Any]:
    """Read entries back by the independent library, by UID."""
    parsed = vobject.readOne(content.decode())
    return {event.uid.value: event for event in parsed.vevent_list}


# --- what follows from the orders of work ----------------------------------------------------------------------------


def test_an_unchanged_plan_keeps_its_number_and_a_changed_one_gets_a_higher_one() -> None:
    friday = rolling(days=2)
    first = calendar.entries([(MORNING, [friday])], MORNING, scene.ZONE)
    same = calendar.entries([(MORNING, [friday]), (MORNING + DAY, [friday])], MORNING + DAY, scene.ZONE)
    moved = calendar.entries(
        [(MORNING, [friday]), (MORNING + DAY, [rolling(start_h=9, days=2)])], MORNING + DAY, scene.ZONE
    )
    key = ("N1", 1, "rolling")
    assert told(same)[key] == told(first)[key]
    assert told(moved)[key][0] > told(first)[key][0]
    assert not told(moved)[key][1]


def test_a_strip_that_moves_to_another_truck_is_cancelled_in_the_calendar_of_the_first() -> None:
    first = scene.planned("N2", Work.WATERING, 6, 8, day=scene.DAY + DAY, litres=18432.0, truck_id="big")
    other = replace(first, truck_id="small")
    runs = [(MORNING, [first]), (MORNING + HOUR, [other]), (MORNING + 2 * HOUR, [first])]
    own = {s.id: s for s in scene.STRIPS}

    def held(n_runs: int, truck_id: str) -> list[tuple[int, bool]]:
        found = calendar.entries(runs[:n_runs], MORNING, scene.ZONE)
        return [(v.sequence, v.is_cancelled) for v in calendar.entry_views(found, own, scene.site(), truck_id)]

    ((number, _),) = held(1, "big")
    assert held(1, "big") == held(1, "") == [(number, False)]
    assert held(1, "small") == []
    ((later, is_gone),) = held(2, "big")
    assert is_gone
    assert later > number
    assert held(2, "small") == held(2, "") == [(later, False)]
    ((latest, is_gone_again),) = held(3, "big")
    assert not is_gone_again
    assert latest > later
    assert held(3, "small") == [(latest, True)]


def test_other_litres_and_a_test_before_it_are_changes_and_a_few_litres_that_are_not_shown_are_none() -> None:
    def number(litres: float, flags: tuple[str, ...] = ()) -> int:
        watering = scene.planned("N2", Work.WATERING, 6, 8, day=scene.DAY + DAY, litres=18432.0)
        later = replace(watering, litres=litres, flags=flags)
        found = calendar.entries([(MORNING, [watering]), (MORNING + HOUR, [later])], MORNING + HOUR, scene.ZONE)
        return told(found)[("N2", 1, "watering")][0]

    assert number(18433.0) == number(18432.0)
    assert number(12000.0) > number(18432.0)
    assert number(18432.0, ("test_first",)) > number(18432.0)


def test_work_planned_again_after_its_hours_leaves_the_entry_of_the_past_alone() -> None:
    orders = [(MORNING, [rolling()]), (MORNING + DAY, [rolling(days=2)])]
    content = files(calendar.entries(orders, MORNING + DAY, scene.ZONE))["PUBLISH"]
    assert list(read(content)) == ["amberbank/N1/1/rolling/1@example.com"]


def test_a_title_says_crew_and_test_first_and_that_a_far_day_is_no_promise() -> None:
    works = [
        rolling("N1", 9, flags=("today", "water_first")),
        rolling("N3", days=1, flags=("unsure",)),
        rolling("N4", days=5),
        rolling("N5", days=2),
    ]
    events = read(files(calendar.entries([(MORNING, works)], MORNING, scene.ZONE))["PUBLISH"])
    assert [event.summary.value for event in events.values()] == [
        "North crew: Roll N1 upstream (test first)",
        "North crew: If it dries: Roll N3 core",
        "North crew: Roll N5 toe",
        "North crew: If it dries: Roll N4 filter",
    ]


def test_two_changes_in_one_minute_still_count_as_two() -> None:
    steps = [(MORNING, [rolling(start_h=h, days=1)]) for h in (6, 7, 8)]
    numbers = [told(calendar.entries(steps[: n + 1], MORNING, scene.ZONE))[("N1", 1, "rolling")][0] for n in range(3)]
    assert numbers == sorted(set(numbers))


def test_what_is_planned_no_more_is_cancelled_until_its_hours_are_over() -> None:
    orders = [(MORNING, [rolling(days=2), rolling("N2", days=1)]), (MORNING + DAY, [rolling("N2", days=1)])]
    before = told(calendar.entries(orders[:1], MORNING, scene.ZONE))[("N1", 1, "rolling")]
    found = told(calendar.entries(orders, MORNING + DAY, scene.ZONE))
    assert found[("N1", 1, "rolling")] == (found[("N1", 1, "rolling")][0], True)
    assert found[("N1", 1, "rolling")][0] > before[0]
    # The next morning says it again with the same number; once its hours are over nobody needs it.
    again = told(calendar.entries([*orders, (MORNING + 1.5 * DAY, [])], MORNING + 1.5 * DAY, scene.ZONE))
    assert again[("N1", 1, "rolling")] == found[("N1", 1, "rolling")]
    assert told(calendar.entries([*orders, (MORNING + 4 * DAY, [])], MORNING + 4 * DAY, scene.ZONE)) == {}


def test_what_is_over_stays_as_it_was() -> None:
    orders = [(MORNING, [rolling()]), (MORNING + DAY, [])]
    assert calendar.entries(orders, MORNING + DAY, scene.ZONE) == ()


def test_a_cancelled_work_that_is_planned_again_comes_back_with_a_higher_number() -> None:
    orders = [(MORNING, [rolling(days=3)]), (MORNING + DAY, []), (MORNING + 2 * DAY, [rolling(days=3)])]
    numbers = [
        told(calendar.entries(orders[: n + 1], MORNING + n * DAY, scene.ZONE))[("N1", 1, "rolling")] for n in range(3)
    ]
    assert [cancelled for _, cancelled in numbers] == [False, True, False]
    assert numbers[0][0] < numbers[1][0] < numbers[2][0]


def test_lifts_and_kinds_of_work_are_entries_of_their_own_and_sealing_is_none() -> None:
    works = [
        rolling(),
        rolling(lift=2, days=1),
        scene.planned("N1", Work.WATERING, 5.9, 6.0, litres=900.0),
        scene.planned("", Work.SEALING, 17.5, 18, lift=0),
    ]
    found = told(calendar.entries([(MORNING, works)], MORNING, scene.ZONE))
    assert set(found) == {("N1", 1, "rolling"), ("N1", 2, "rolling"), ("N1", 1, "watering")}


def test_a_morning_without_a_verdict_cancels_today_and_keeps_the_days_after() -> None:
    earlier = [(MORNING - DAY, [rolling(), rolling("N2", days=2)])]
    found = calendar.entries_now(earlier, None, scene.site(), day=scene.DAY, now_utc=MORNING)
    assert {e.work.strip_id: e.is_cancelled for e in found} == {"N1": True, "N2": False}
    assert calendar.entries_now([], None, scene.site(), day=scene.DAY, now_utc=MORNING) == ()


# --- what an independent library reads -----------------------------------------------------------------------------


def test_entries_are_read_back_as_they_were_meant() -> None:
    order = scene.order()
    content = files(calendar.entries([(MORNING, order.works)], MORNING, scene.ZONE))["PUBLISH"]
    events = read(content)
    assert set(events) == {
        "amberbank/N1/1/rolling@example.com",
        "amberbank/N2/1/watering@example.com",
        "amberbank/N2/1/rolling@example.com",
        "amberbank/N3/1/rolling@example.com",
        "amberbank/N1/2/rolling@example.com",
    }
    watering = events["amberbank/N2/1/watering@example.com"]
    # 06:15 to 08:01 and a bit on site: the times that the driver's sheet shows.
    assert watering.dtstart.value == datetime(2026, 6, 17, 4, 15, tzinfo=UTC)
    assert watering.dtend.value == datetime(2026, 6, 17, 6, 5, tzinfo=UTC)
    assert watering.summary.value == "North crew: Water N2 upstream, 18,400 L"
    assert watering.location.value == "Amberbank Dam"
    assert watering.status.value == "TENTATIVE"
    assert "Advice from a model" in watering.description.value
    assert events["amberbank/N1/2/rolling@example.com"].summary.value == "North crew: Roll N1 upstream, lift 2"
    assert vobject.readOne(content.decode()).method.value == "PUBLISH"


def test_an_update_has_the_same_identifier_and_a_cancellation_cancels_it() -> None:
    uid = "amberbank/N1/1/rolling@example.com"
    orders = [(MORNING, [rolling(days=3)]), (MORNING + DAY, [rolling(days=4)]), (MORNING + 2 * DAY, [])]
    made = [files(calendar.entries(orders[: n + 1], MORNING + n * DAY, scene.ZONE)) for n in range(3)]
    first, second = read(made[0]["PUBLISH"])[uid], read(made[1]["PUBLISH"])[uid]
    assert second.dtstart.value - first.dtstart.value == DAY
    assert int(second.sequence.value) > int(first.sequence.value)
    assert set(made[2]) == {"CANCEL"}
    gone = read(made[2]["CANCEL"])[uid]
    assert gone.status.value == "CANCELLED"
    assert int(gone.sequence.value) > int(second.sequence.value)
    assert gone.dtstart.value == second.dtstart.value


@pytest.mark.parametrize(
    "evil",
    [
        "N1\r\nATTENDEE:mailto:thief@example.com",
        "N1\nEND:VEVENT\nBEGIN:VEVENT\nUID:other",
        "N1\u2028UID:other",
        "N1;X=1,2:\\n",
        "N1\x85UID:other",
    ],
)
def test_a_name_cannot_bring_a_line_along(evil: str) -> None:
    content = files(calendar.entries([(MORNING, [rolling()])], MORNING, scene.ZONE), N1=evil)["PUBLISH"]
    events = read(content)
    assert list(events) == ["amberbank/N1/1/rolling@example.com"]
    event = events["amberbank/N1/1/rolling@example.com"]
    assert "attendee" not in event.contents
    assert event.summary.value.startswith("North crew: Roll N1")
    for line in re.split(rb"\r\n", content):
        assert not re.match(rb"(ATTENDEE|UID:other|END:VEVENT\w)", line)
        assert len(line) <= 75
    assert b"\n" not in content.replace(b"\r\n", b"")


@pytest.mark.parametrize("code", language.languages())
def test_entries_speak_the_reader_s_language(code: str) -> None:
    found = calendar.entries([(MORNING, scene.order().works)], MORNING, scene.ZONE)
    event = read(files(found, code)["PUBLISH"])["amberbank/N3/1/rolling@example.com"]
    speak = speaker(code, "metric")
    rolling_title = speak.word("calendar.rolling", strip="N3 core")
    title = speak.word("calendar.if_dry", title=speak.word("calendar.test_first", title=rolling_title))
    assert event.summary.value == speak.word("calendar.of_crew", crew="North crew", title=title).replace("\u00a0", " ")


# --- in the mail -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("role", "n_files"), [("superintendent", 2), ("planner", 2), ("driver", 1)])
def test_planned_and_cancelled_work_come_attached_for_who_plans(role: str, n_files: int) -> None:
    orders = [(MORNING - DAY, [*scene.order().works, rolling("N5", days=2)]), (MORNING, scene.order().works)]
    made = scene.built(entries=calendar.entries(orders, MORNING, scene.ZONE))
    sent = render.message(
        made,
        scene.person(role),
        sender="gonogo@example.com",
        reply_to="",
        message_id="<a@example.com>",
        date_utc=MORNING,
    )
    message = message_from_bytes(sent.raw, policy=policy.default)
    attached = list(message.iter_attachments())
    assert len(attached) == n_files
    assert [p["content-type"].params["method"] for p in attached] == ["PUBLISH", "CANCEL"][:n_files]
    for part in attached:
        content = part.get_content()
        text = content if isinstance(content, str) else content.decode()
        assert vobject.readOne(text).method.value == part["content-type"].params["method"]
    names = ["north-2026-06-17.ics", "north-2026-06-17-cancelled.ics"][:n_files]
    assert [part.get_filename() for part in attached] == names
    assert all("S1" not in str(p.get_content()) for p in attached)
