"""The weekly score: when it goes, to whom, once, and what it says first."""

from __future__ import annotations

import html
from dataclasses import replace
from datetime import date, datetime, time, timedelta
from email import message_from_bytes
from email.policy import SMTP
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from book_season import FIRST, Season
from example_mornings import example_config
from sites import CREW, small_site

from gonogo.book import weekly
from gonogo.book.score import Evidence, Score, TestPair, scored
from gonogo.records.site import Recipient
from gonogo.service.weekly_score import WeeklyScore
from gonogo.store import outcomes, schema
from gonogo.wording.language import speaker

ZONE = ZoneInfo("America/Chicago")
DAY = date(2026, 5, 11)


def at(day: int, clock: str) -> datetime:
    return datetime.combine(date(2026, 5, day), time.fromisoformat(clock), tzinfo=ZONE)


def worse(n_mails: int = 40) -> Score:
    """A score in which the last test alone was the better forecast."""
    pairs = tuple(
        TestPair(
            day=DAY,
            lead_days=1,
            foreseen_pct=18.0,
            low_pct=17.0,
            high_pct=19.0,
            last_pct=16.0,
            measured_pct=16.1,
            chance=0.9,
            is_inside=True,
        )
        for _ in range(12)
    )
    return scored(Evidence(tests=pairs, rain=(), verdicts=(), n_mails=n_mails, n_mails_on_time=n_mails))


@pytest.mark.parametrize(
    ("day", "clock", "due"),
    [(11, "10:59", False), (11, "11:00", True), (11, "23:30", True), (12, "11:30", False), (10, "12:00", False)],
)
def test_it_goes_on_the_first_working_day_of_the_week_after_the_morning(day: int, clock: str, due: bool) -> None:
    assert (weekly.is_due(small_site(), at(day, clock)) is not None) == due


def test_a_holiday_on_monday_puts_it_off_to_tuesday() -> None:
    site = small_site(holidays=(date(2026, 5, 11),))
    assert weekly.is_due(site, at(11, "12:00")) is None
    assert weekly.is_due(site, at(12, "12:00")) == date(2026, 5, 12)


def test_each_reader_gets_it_once_and_who_left_it_does_not(tmp_path: Path) -> None:
    config = replace(example_config(tmp_path), operator_address="office@example.com")
    left = Recipient(name="Lea Left", address="lea@example.com", role="planner", score_mail=False)
    twice = replace(CREW, id="south", recipients=(*CREW.recipients, left))
    site = small_site(crews=(CREW, twice))
    addresses = [person.address for person in weekly.readers(config, site)]
    assert addresses == ["ana@example.com", "pat@example.com", "office@example.com"], "and no driver"


def test_a_bad_score_says_so_first_and_what_to_do(tmp_path: Path) -> None:
    config = example_config(tmp_path)
    site = config.sites[0]
    mails = weekly.score_mails(config, weekly.covered_by(site, DAY), worse(), now_utc=at(11, "11:00"))
    assert mails
    for mail in mails:
        message, words = message_from_bytes(mail.raw, policy=SMTP), speaker(mail.language, "metric").word
        bodies = [message.get_body((kind,)) for kind in ("plain", "html")]
        for part in bodies:
            assert part is not None
            body = " ".join(html.unescape(str(part.get_content())).split())
            assert body.index(words("score.worse")) < body.index(words("score.leads"))
            assert words("score.advice") in body
            assert "score_mail = false" in body
    assert not weekly.score_mails(config, weekly.covered_by(site, DAY), worse(0), now_utc=at(11, "11:00"))


def test_the_service_puts_it_once_however_often_it_looks_and_whoever_looks(tmp_path: Path) -> None:
    season = Season(tmp_path, n_days=1)
    season.morning(FIRST)
    monday = FIRST + timedelta(days=7)
    now_utc = datetime.combine(monday, season.site.deadline, tzinfo=season.site.zone)
    for service in (WeeklyScore(season.store), WeeklyScore(season.store)):
        for minutes in (0, 1):
            service.put_due(season.config, now_utc + timedelta(minutes=minutes))
    with schema.read(season.store) as connection:
        put = [mail for mail in outcomes.outcomes(connection) if mail.kind == weekly.KIND]
    assert len(put) == len({mail.address for mail in put}) > 0
    season.store.dispose()
