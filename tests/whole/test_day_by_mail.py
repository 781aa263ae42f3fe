"""A day lived by mail alone: morning mail, answers, confirmations, a verdict that turns, an undo.

IMAP and SMTP are real servers on loopback; the crew has nothing but what the mail server brought it.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from email.message import EmailMessage
from email.parser import BytesParser
from email.policy import SMTP
from pathlib import Path

import pytest
from example_mornings import example_config, recorded
from imap_server import box_of, imap_server
from mailserver import MailServer

from gonogo.cli import demo, status
from gonogo.config import Config
from gonogo.records.field import Reading, Watering
from gonogo.records.outside import Transport
from gonogo.records.verdict import Verdict
from gonogo.service import clock
from gonogo.service.service import Service
from gonogo.store import history, runs, schema
from gonogo.wording.language import speaker

BOSS, DRIVER, SOUTH = "north.superintendent", "north.driver", "south.superintendent"


@dataclass
class Day:
    """A running service on a clock of its own, and the crew's mail program."""

    service: Service
    config: Config
    server: MailServer
    now_utc: datetime = demo.MORNING_UTC
    n_read: int = 0
    waited_s: list[float] = field(default_factory=list)

    def at(self, local: str) -> None:
        hour, minute = map(int, local.split(":"))
        self.now_utc = datetime(2026, 5, 12, hour + 5, minute, tzinfo=UTC)  # the site is five hours behind

    def arrived(self) -> list[EmailMessage]:
        """Mails that came since the last look."""
        self.service.deliver(self.now_utc)
        new = self.server.mails[self.n_read :]
        self.n_read = len(self.server.mails)
        return [BytesParser(policy=SMTP).parsebytes(raw) for raw in new]  # type: ignore[misc]

    def send(self, person: str, lines: list[str], to: EmailMessage, *, vouched: bool = True) -> list[EmailMessage]:
        """Answer a mail as a phone does, have it taken, and return what comes back."""
        mail = EmailMessage(policy=SMTP)
        if vouched:
            mail["Authentication-Results"] = "mx.example.com; dmarc=pass header.from=example.com"
        mail["From"] = f"{person}@example.com"
        mail["To"] = str(to["reply-to"])
        mail["Subject"] = f"Re: {to['subject']}"
        mail["Date"] = self.now_utc
        mail["Message-ID"] = f"<{len(self.waited_s)}.{self.now_utc:%H%M}@phone.example>"
        mail["In-Reply-To"] = str(to["message-id"])
        quoted = [f"> {line}" for line in text_of(to).splitlines()]
        sentence = "On Tue, May 12, 2026 at 5:31 AM gonogo <gonogo@example.com> wrote:"
        mail.set_content("\r\n".join([*lines, "", sentence, *quoted]))
        assert self.config.inbox is not None
        with box_of(self.config.inbox) as box:
            box.append(mail.as_bytes(), "INBOX")
        began_s = time.monotonic()
        assert self.service.work().read_mailbox(self.now_utc)
        back = self.arrived()
        self.waited_s.append(time.monotonic() - began_s)
        return back

    def looked_again(self) -> list[EmailMessage]:
        """What the crew is mailed because of its answers."""
        assert self.service.work().recheck_after_replies(self.now_utc)
        return self.arrived()

    def verdict(self, strip: str) -> Verdict:
        with schema.read(self.service.store) as connection:
            last = runs.last_run(connection, "harrow-flats")
            assert last is not None
            return next(d.verdict for d in runs.decisions(connection, last.id) if d.strip_id == strip)

    def entries(self) -> list[object]:
        with schema.read(self.service.store) as connection:
            return list(history.entries(connection, "harrow-flats"))


def text_of(mail: EmailMessage) -> str:
    body = mail.get_body(preferencelist=("plain",))
    assert body is not None
    return str(body.get_content()).replace("\u00a0", " ")


def for_person(mails: list[EmailMessage], person: str) -> EmailMessage:
    return next(mail for mail in mails if f"{person}@example.com" in str(mail["to"]))


@pytest.fixture
def day(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Day]:
    server = MailServer()
    server.start()
    with imap_server() as inbox:
        smtp = Transport(kind="smtp", sender="gonogo@example.com", host="127.0.0.1", port=server.port, security="none")
        smtp = replace(smtp, reply_to="gonogo@example.com")
        loaded = replace(example_config(tmp_path, transport=smtp), inbox=inbox)
        service = Service(loaded, halt=threading.Event(), fetch=recorded, environ={})
        lived = Day(service=service, config=loaded, server=server)
        monkeypatch.setattr(clock, "clock_utc", lambda: lived.now_utc)
        yield lived
        service.store.dispose()
    server.stop()


def test_a_day_is_lived_by_mail_alone(day: Day) -> None:
    site = day.service.sites()[0]
    day.service.run_morning(site, demo.DAY, day.now_utc)
    morning = day.arrived()
    assert len(morning) == 5, "the planner of both crews gets one"
    assert day.verdict("N1") == Verdict.COMPACT
    _a_verdict_turns_and_turns_back(day, morning)
    _what_is_understood_is_stored(day, morning)
    _nobody_is_mailed_after_the_shift(day, morning)
    assert max(day.waited_s) < 5.0, "from the reading of the mailbox to the confirmation at the mail server"
    shown = status.status(day.config, now_utc=day.now_utc, speak=speaker("en", "metric")).text
    assert "last read 2026-05-12 23:00 UTC" in shown


def _a_verdict_turns_and_turns_back(day: Day, morning: list[EmailMessage]) -> None:
    # 7:10, the superintendent's gauge finds the ramp far too wet.
    day.at("07:10")
    (confirmed,) = day.send(BOSS, ["N1 23.4 gauge"], for_person(morning, BOSS))
    assert "N1: water content 23.4%" in text_of(confirmed)
    day.now_utc += timedelta(seconds=40)
    changed = day.looked_again()
    assert day.verdict("N1") == Verdict.WAIT
    told = for_person(changed, BOSS)
    assert str(told["subject"]).startswith("Changed:")
    assert not [mail for mail in changed if "south" in str(mail["to"])], "the other crew has no news"

    # 7:20, it was N3: the entry is taken back, and the verdict turns again.
    day.at("07:20")
    number = text_of(confirmed).split("undo ")[1].split()[0]
    (undone,) = day.send(BOSS, [f"undo {number}"], confirmed)
    assert number in text_of(undone)
    assert for_person(day.looked_again(), BOSS)
    assert day.verdict("N1") == Verdict.COMPACT
    assert day.entries() == []


def _what_is_understood_is_stored(day: Day, morning: list[EmailMessage]) -> None:
    # 9:55, the driver tells the water of N2, and what is not understood stores nothing.
    day.at("09:55")
    (asked,) = day.send(DRIVER, ["N2 watered 6,950 gal 9:30", "N1 dusty"], for_person(morning, DRIVER))
    assert "dusty" in text_of(asked)
    assert day.entries() == []
    (stored,) = day.send(DRIVER, ["N2 watered 6,950 gal 9:30"], for_person(morning, DRIVER))
    assert "6,950 gal" in text_of(stored)
    assert [type(entry) for entry in day.entries()] == [Watering]

    # 11:30, an answer that nobody vouches for waits for the yes of the address on file.
    day.at("11:30")
    (question,) = day.send(SOUTH, ["S1 11,9 densímetro"], for_person(morning, SOUTH), vouched=False)
    assert len(day.entries()) == 1
    day.at("11:35")
    (stored,) = day.send(SOUTH, ["Sí"], question, vouched=False)
    assert "S1" in text_of(stored)
    reading = next(entry for entry in day.entries() if isinstance(entry, Reading))
    assert reading.at_utc == datetime(2026, 5, 12, 16, 30, tzinfo=UTC)


def _nobody_is_mailed_after_the_shift(day: Day, morning: list[EmailMessage]) -> None:
    day.at("12:00")
    day.looked_again()
    day.at("18:00")
    (late,) = day.send(BOSS, ["N5 rolled 6 4:10 pm"], for_person(morning, BOSS))
    assert "next morning" in text_of(late)
    assert not day.service.work().recheck_after_replies(day.now_utc)
