"""Two months of a site of 12 strips, lived with all their slips, end as a book that others can read. On demand.

Real mornings, answers by mail, days on which nothing ran and days on which nobody answered, a corrected and a withdrawn
test, a lift that failed and was rolled again. The book is opened by the open library of its format, by pandas, and in a
browser as print; an altered digit is found out.
"""

from __future__ import annotations

import base64
import re
import shutil
import sys
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from email.message import EmailMessage
from email.policy import SMTP
from pathlib import Path

import frictionless
import pandas as pd
import pytest
from book_season import FIRST, Season

from gonogo.book import diary, export
from gonogo.book.export import Covered
from gonogo.inbox import take
from gonogo.inbox.mailbox import MailPlace
from gonogo.inbox.take import Desk
from gonogo.mail import token
from gonogo.outgoing.message_id import reply_mark
from gonogo.records.field import GaugeRain, Reading
from gonogo.records.outside import Inbox
from gonogo.records.shift import is_working_day
from gonogo.wording.language import speaker

N_DAYS, N_STRIPS = 61, 12
DARK = (FIRST + timedelta(days=23), FIRST + timedelta(days=24))  # nothing ran
SILENT = tuple(FIRST + timedelta(days=n) for n in range(35, 38))  # nobody answered
KEY = "a long random key of this test 0123456789"
CREW, MADE_UTC = "north.superintendent@example.com", datetime(2026, 7, 1, 12, tzinfo=UTC)
N_UNDO = 1
sys.path.insert(0, str(Path(__file__).parents[1] / "mail"))
from mail_browser import PROGRAM, Browser  # noqa: E402


@dataclass
class Lived:
    """A season with what its crew told: answers stored, and the days on which a morning ran."""

    season: Season
    mornings: list[date]
    n_lines: int = 0
    n_mails: int = 0

    def tell(self, day: date, clock: str, *lines: str) -> None:
        """Send an answer of the crew to the mail of a day, and take it."""
        self.n_mails += 1
        at_utc, season = self.season.at(day, clock), self.season
        crew = next(c for c in season.site.crews if any(p.address == CREW for p in c.recipients))
        mail = EmailMessage(policy=SMTP)
        mail["Authentication-Results"] = "mx.example.com; dmarc=pass header.from=example.com"
        mail["From"], mail["To"] = CREW, "gonogo@example.com"
        mail["Subject"] = f"Re: {token.shown(reply_mark(KEY, season.site.id, crew.id, CREW, day))}"
        mail["Date"], mail["Message-ID"] = at_utc, f"<{self.n_mails}@phone.example>"
        mail.set_content("\r\n".join(lines) + "\r\n")
        desk = Desk(config=season.config, store=season.store, now_utc=at_utc)
        assert take.take(desk, mail.as_bytes()) is MailPlace.DONE, (day, lines)
        self.n_lines += len(lines)


def inbox_season(folder: Path) -> Season:
    season = Season(folder, n_days=N_DAYS)
    twins = tuple(replace(s, id=f"{s.id}b", name=f"{s.name} west") for s in season.site.strips[: N_STRIPS - 10])
    season.site = replace(season.site, strips=(*season.site.strips, *twins))
    inbox = Inbox(kind="maildir", address="gonogo@example.com", key=KEY, trusted_server="mx.example.com")
    season.config = replace(season.config, sites=(season.site,), inbox=inbox)
    return season


@pytest.fixture(scope="module")
def lived(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Lived]:
    season = inbox_season(tmp_path_factory.mktemp("season"))
    told = Lived(season=season, mornings=[])
    own = [s.id for s in season.site.strips if s.id.startswith("N")]
    for n in range(N_DAYS):
        day = FIRST + timedelta(days=n)
        if not is_working_day(season.site, day) or day in DARK:
            continue
        season.morning(day)
        told.mornings.append(day)
        if day in SILENT:
            continue
        first, second = own[n % len(own)], own[(n + 3) % len(own)]
        told.tell(day, "08:10", f"{first} {16.0 + n % 5 * 0.4:.1f} gauge", f"{second} {17.0 + n % 3 * 0.5:.1f} oven")
        if n % 6 == 2:
            told.tell(day, "12:30", f"{first} rolled 6")
        if n % 7 == 4:
            told.tell(day, "06:50", "rain 0.25 in since 18:00 yesterday")
    slips(told)
    yield told
    season.store.dispose()


def slips(told: Lived) -> None:
    """What goes wrong on a site: a test typed wrongly, one of another strip, a lift that fails and is rolled again."""
    season, day = told.season, FIRST + timedelta(days=10)
    at_utc = season.at(day, "09:30")
    wrong = season.add(Reading(strip_id="S1", at_utc=at_utc, w_pct=41.8, method="nuclear gauge"))
    season.add(Reading(strip_id="S1", at_utc=at_utc, w_pct=14.8, method="nuclear gauge"), corrects_id=wrong)
    slip = season.add(Reading(strip_id="N4", at_utc=season.at(day, "10:30"), w_pct=9.9, method="oven"))
    told.tell(day, "11:30", f"undo {slip}")
    day = FIRST + timedelta(days=14)
    told.tell(day, "13:00", "N5 rolled 6")
    told.tell(day, "13:40", "N5 16.6 88.0%")
    told.tell(day, "14:30", "N5 rolled 4")
    told.tell(day, "15:00", "N5 16.4 97.5%")
    begin, end = season.at(FIRST, "18:00"), season.at(FIRST + timedelta(days=2), "18:00")
    season.add(GaugeRain(from_utc=begin, until_utc=end, rain_mm=6.2))


@pytest.fixture(scope="module")
def book(lived: Lived, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("book")
    covered = Covered(site=lived.season.site, first=FIRST, last=FIRST + timedelta(days=N_DAYS - 1))
    diary.write(lived.season.config, covered, folder=folder, now_utc=MADE_UTC, speak=speaker("en", "us"))
    return folder


def test_the_open_library_of_the_format_finds_nothing_wrong(book: Path) -> None:
    report = frictionless.validate(book / export.DESCRIPTION)
    assert report.valid, report.flatten(["rowNumber", "fieldName", "message"])[:5]
    assert report.stats["tasks"] >= 5


def test_a_spreadsheet_library_counts_what_was_lived(book: Path, lived: Lived) -> None:
    days, entries, tests = (pd.read_csv(book / f"{name}.csv") for name in ("strip_day", "entry", "test"))
    assert len(days) == N_STRIPS * len(lived.mornings)
    assert not set(map(str, DARK)) & set(days["day"])
    assert set(pd.read_csv(book / "weather_day.csv")["day"]) == {str(FIRST + timedelta(days=n)) for n in range(N_DAYS)}
    assert (entries["entered_by"] == "reply").sum() == lived.n_lines
    assert (entries["kind"] == "withdrawn").sum() == N_UNDO
    assert 41.8 not in set(tests["w_pct"])
    assert 9.9 not in set(tests[tests["strip"] == "N4"]["w_pct"])
    corrected = entries[entries["record"].str.contains("41.8", na=False)]
    assert corrected["corrected_by"].notna().all()
    judged = tests[(tests["strip"] == "N5") & tests["is_passed"].notna()].sort_values("phenomenon_time_utc")
    assert judged["is_passed"].astype(str).str.lower().tolist() == ["false", "true"]
    assert (judged["lift"] == judged["lift"].iloc[0]).all(), "a lift that is rolled again is the same lift"


def test_it_is_verified_and_an_altered_digit_is_found_out(book: Path, tmp_path: Path) -> None:
    assert export.verified(book)[0] == ()
    copy = shutil.copytree(book, tmp_path / "altered")
    lines = (copy / "test.csv").read_text(encoding="utf-8").splitlines()
    at = next(n for n, line in enumerate(lines) if ",16.6," in line)
    lines[at] = lines[at].replace(",16.6,", ",16.8,")
    (copy / "test.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    (fault,) = export.verified(copy)[0]
    assert "test.csv" in fault
    assert re.search(rf"\b{at}\b|\b{at + 1}\b", fault), (fault, at)


@pytest.mark.skipif(PROGRAM is None, reason="needs Chromium to print the month")
@pytest.mark.parametrize("paper_in", [(8.27, 11.69), (8.5, 11.0)], ids=["A4", "letter"])
def test_each_month_prints(book: Path, tmp_path: Path, paper_in: tuple[float, float]) -> None:
    pytest.importorskip("websocket", reason="needs the package websocket-client to steer a browser")
    browser = Browser(tmp_path / "profile")
    try:
        for path in sorted(book.glob("2026-*.html")):
            html = path.read_text(encoding="utf-8")
            assert len(html) < 2_000_000
            browser.show(html, width_px=703, theme="light", media="print")
            assert browser.value("document.documentElement.scrollWidth") <= 703
            printed = browser.ask("Page.printToPDF", paperWidth=paper_in[0], paperHeight=paper_in[1])
            pdf = base64.b64decode(printed["data"])
            n_pages = len(re.findall(rb"/Type\s*/Page\b", pdf))
            print(path.name, f"{len(html) / 1000:.0f} kB, {n_pages} pages")
            assert 2 <= n_pages <= 30
    finally:
        browser.close()
