"""An answer is of one strip and one moment: what leaves either open is asked about, and nothing of it is stored."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from inbox_scene import NOW, Desk_, answer, mark_of
from reply_scene import site

from gonogo.inbox.mailbox import MailPlace
from gonogo.mail.reply_lines import told_then
from gonogo.records.field import Reading, Watering
from gonogo.replies import grammar
from gonogo.replies.grammar import ReplyLine
from gonogo.replies.understand import reader_of
from gonogo.wording import phrases
from gonogo.wording.language import speaker

BEFORE_SHIFT = datetime(2026, 5, 12, 9, 50, tzinfo=UTC)  # 4:50 on the site's clock
SUNDAY = datetime(2026, 5, 17, 15, 0, tzinfo=UTC)


@pytest.fixture
def desk(store: object) -> Desk_:
    return Desk_(store=store)  # type: ignore[arg-type]


def _told(desk: Desk_, *lines: str, at_utc: datetime = NOW) -> str:
    """Return what is written back to an answer of the first person at a moment."""
    desk.now_utc = at_utc
    day = (at_utc - timedelta(hours=5)).date().isoformat()
    assert desk.take(answer(lines, "ana", sent_utc=at_utc, mark=mark_of("ana", day))) is not MailPlace.OTHER
    return desk.mails()[-1][2]


@pytest.mark.parametrize("line", ["N2 watered 6,450 gal", "N3 11.2"])
def test_a_line_that_stands_twice_in_one_mail_is_asked_about(desk: Desk_, line: str) -> None:
    told = _told(desk, line, line)
    assert "the mail says the same twice, and yes records it twice" in told
    assert desk.entries() == ()
    assert desk.take(answer(["yes"], "ana", mark=None, References=_asked(desk))) is MailPlace.DONE
    assert len(desk.entries()) == 2


def _asked(desk: Desk_) -> str:
    from email.parser import BytesParser

    return str(BytesParser().parsebytes(desk.last_raw())["message-id"])


def test_the_same_water_told_hours_later_without_an_hour_is_asked_about_and_with_one_it_is_another_dose(
    desk: Desk_,
) -> None:
    _told(desk, "N2 watered 6,450 gal")
    later_utc = NOW + timedelta(hours=3)
    assert "N2: the same is recorded already as entry" in _told(desk, "N2 watered 6,450 gal", at_utc=later_utc)
    assert len(desk.entries()) == 1
    _told(desk, "N2 watered 6,450 gal 12:50 pm", "N3 watered 6,450 gal", at_utc=later_utc + timedelta(minutes=1))
    assert [entry.strip_id for entry in desk.entries()] == ["N2", "N2", "N3"]  # type: ignore[union-attr]


def test_two_doses_at_two_hours_are_two_entries(desk: Desk_) -> None:
    _told(desk, "N2 watered 6,450 gal 7:40", "N2 watered 6,450 gal 9:10")
    assert [type(entry) for entry in desk.entries()] == [Watering, Watering]


@pytest.mark.parametrize("line", ["N2, N3 watered 6,450 gal", "N2 and N3 rolled", "N2 N3 11.2"])
def test_a_line_of_two_strips_is_told_so(desk: Desk_, line: str) -> None:
    assert "it says two things at once (N2, N3)" in _told(desk, line)
    assert desk.entries() == ()


@pytest.mark.parametrize(
    ("line", "told"),
    [
        ("N2 6,450 gal", "is 6,450 water? Write watered before it."),
        ("N2 watered 6,450 gal yesterday", "the time is not clear (yesterday)"),
        ("rain 0.25 in since yesterday", "the time is not clear (yesterday)"),
        ("N2 watered 6,450 gal 2026-05-11", "the time is not clear (2026-05-11)"),
    ],
)
def test_what_is_missing_is_named(desk: Desk_, line: str, told: str) -> None:
    assert told in _told(desk, line)
    assert desk.entries() == ()


@pytest.mark.parametrize(("line", "at_utc"), [("N1 rolled", BEFORE_SHIFT), ("N2 watered 6,450 gal", SUNDAY)])
def test_work_without_a_time_is_not_taken_for_work_of_a_night_or_a_day_off(
    desk: Desk_, line: str, at_utc: datetime
) -> None:
    assert "it does not say when, and no shift is running" in _told(desk, line, at_utc=at_utc)
    assert desk.entries() == ()
    _told(desk, f"{line} yesterday 3:40 pm", at_utc=at_utc)
    (entry,) = desk.entries()
    assert entry.at_utc == (at_utc - timedelta(days=1)).replace(hour=20, minute=40)  # type: ignore[union-attr]


def test_a_test_before_the_shift_and_work_after_it_are_of_their_own_hour(desk: Desk_) -> None:
    _told(desk, "N3 11.2", at_utc=BEFORE_SHIFT)
    _told(desk, "N1 rolled", at_utc=NOW + timedelta(hours=9))
    test, work = desk.entries()
    assert isinstance(test, Reading)
    assert (test.at_utc, work.at_utc) == (BEFORE_SHIFT, NOW + timedelta(hours=9))  # type: ignore[union-attr]


def test_half_of_the_day_is_asked_where_the_past_one_lies_in_the_night(desk: Desk_) -> None:
    assert "write AM or PM behind the time" in _told(desk, "N1 rolled 6 4:10")
    _told(desk, "N1 rolled 6 6:40")
    (entry,) = desk.entries()
    assert entry.at_utc == datetime(2026, 5, 12, 11, 40, tzinfo=UTC)  # type: ignore[union-attr]


@pytest.mark.parametrize(("person", "strip"), [("ana", "N1"), ("luc", "S1")])
def test_the_example_of_a_line_is_of_a_strip_of_the_writers_own(desk: Desk_, person: str, strip: str) -> None:
    desk.take(answer(["?"], person))
    assert f"{strip} 11" in desk.mails()[-1][2]


def test_a_double_of_rain_is_named_rain(desk: Desk_) -> None:
    _told(desk, "rain 0.25 in since 18:00 yesterday")
    told = _told(desk, "rain 0.25 in since 18:00 yesterday", at_utc=NOW + timedelta(minutes=5))
    assert "rain: the same is recorded already as entry" in told


@pytest.mark.parametrize("language", ["en", "es", "pt", "fr"])
@pytest.mark.parametrize("days_back", [1, 3])
def test_the_hour_that_a_box_proposes_is_read_as_it_was_meant(language: str, days_back: int) -> None:
    own, zone = site(), ZoneInfo("America/Chicago")
    person = own.crews[0].recipients[0]
    says = speaker(language, person.units)
    now_local = NOW.astimezone(zone)
    told_utc = NOW - timedelta(days=days_back) + timedelta(hours=4, minutes=25)  # 14:25
    told = phrases.moment(told_utc, zone, now_local.date())
    line = f"N1 rolled {told_then(says, told, days_back)}"
    found = grammar.read(line, own.strips, reader_of(person, says), now_local)
    assert isinstance(found, ReplyLine), line
    assert [at.isoformat() for at in found.clocks] == [told_utc.astimezone(zone).replace(tzinfo=None).isoformat()]
