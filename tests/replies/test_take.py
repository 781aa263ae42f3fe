"""Over 200 answers of our own making, each with what must come of it; and what is asked, confirmed, undone, stopped."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
import sqlalchemy as sa
from corpus import Case, cases
from inbox_scene import KEY, NOW, Desk_, answer, config
from messages import envelope

from gonogo.inbox import take
from gonogo.inbox.mailbox import MailPlace
from gonogo.mail import token
from gonogo.records.field import Entry, GaugeRain, GroundSeen, Reading, SurfaceWork, Watering
from gonogo.store import outbox, replies, schema
from gonogo.wording.language import speaker

CASES = list(cases())
SUBJECTS = {"unread": "reply.subject_unread", "question": "reply.subject_question"}
LANGUAGE = {"ana": "en", "eva": "es", "rui": "pt", "luc": "fr"}


@pytest.fixture
def desk(sqlite_store: sa.Engine) -> Desk_:
    return Desk_(sqlite_store)


def shown(entry: Entry) -> tuple[str, float | str]:
    match entry:
        case Reading():
            return "w", entry.w_pct
        case Watering():
            return "l", entry.litres
        case GaugeRain():
            return "r", entry.rain_mm
        case SurfaceWork():
            return "k", entry.work
    raise AssertionError(entry)


def test_there_are_over_two_hundred_answers_of_all_kinds() -> None:
    assert len({case.name for case in CASES}) == len(CASES) >= 200
    assert {case.place for case in CASES} == set(MailPlace)
    assert {case.mailed for case in CASES} == {"stored", "unread", "question", "order", "operator", ""}


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_each_answer_comes_to_what_it_must(case: Case, desk: Desk_) -> None:
    assert desk.take(case.raw) == case.place
    stored = dict(map(shown, desk.entries()))
    assert stored == {kind: pytest.approx(v, abs=0.01) if isinstance(v, float) else v for kind, v in case.entries}
    mails = desk.mails()
    if not case.mailed:
        assert mails == []
        return
    ((to, subject, text),) = mails
    assert to == f"{case.to}@example.com"
    if case.mailed == "operator":
        return
    says = speaker(LANGUAGE[case.to], "metric")
    if case.mailed == "stored":
        assert subject == says.word("reply.subject_stored", n=len(case.entries))
        assert all(str(number) in text for number in desk.numbers())
    elif case.mailed == "order":
        assert subject in (says.word("reply.subject_stop"), says.word("reply.subject_start"))
    else:
        assert subject == says.word(SUBJECTS[case.mailed])
    # Taken again, however it comes: nothing more.
    again = b"Received: from another hop\r\nX-Moved: yes\r\n" + case.raw
    if b"Authentication-Results" not in case.raw or case.raw.startswith(b"Authentication-Results"):
        again = case.raw.replace(b"\r\nFrom:", b"\r\nX-Moved: yes\r\nFrom:", 1)
    assert desk.take(again) == case.place
    assert (desk.mails(), len(desk.entries())) == (mails, len(stored))


# --- a question and its yes ----------------------------------------------------------------------------------------


def answer_to_last(desk: Desk_, lines: list[str], person: str, **more: Any) -> bytes:
    """An answer to the newest mail of the outbox, as a program makes it: its Message-ID in References."""
    from email.parser import BytesHeaderParser

    head = BytesHeaderParser().parsebytes(desk.last_raw())
    more = {"In_Reply_To": head["message-id"], "Subject": f"Re: {head['subject']}", "mark": None} | more
    return answer(lines, person, **more)


def test_an_unproven_answer_counts_after_a_yes_from_the_address_on_file(desk: Desk_) -> None:
    assert desk.take(answer(["N3 11.2", "N1 rolled 6"], vouched=False)) == MailPlace.WAITING
    assert desk.entries() == ()
    desk.now_utc += timedelta(hours=2)
    assert desk.take(answer_to_last(desk, ["Yes"], "ana", vouched=False)) == MailPlace.DONE
    assert [shown(e) for e in desk.entries()] == [("w", 11.2), ("k", "rolled")]
    reading = desk.entries()[0]
    assert isinstance(reading, Reading)
    assert reading.at_utc == NOW, "it happened when it was written, not when it was confirmed"
    assert desk.take(answer_to_last(desk, ["yes"], "ana", sent_utc=NOW + timedelta(minutes=5))) == MailPlace.DONE
    assert len(desk.entries()) == 2, "a second yes stores nothing"


@pytest.mark.parametrize("who", ["eva", "luc"])
def test_nobody_else_confirms(desk: Desk_, who: str) -> None:
    desk.take(answer(["N3 11.2"], vouched=False))
    desk.take(answer_to_last(desk, ["yes"], who))
    assert desk.entries() == ()


def test_a_yes_without_the_question_s_mark_confirms_nothing(desk: Desk_) -> None:
    desk.take(answer(["N3 11.2"], vouched=False))
    desk.take(answer(["yes"]))
    assert desk.entries() == ()


def test_a_question_holds_for_48_hours(desk: Desk_) -> None:
    desk.take(answer(["N3 11.2"], vouched=False))
    yes = answer_to_last(desk, ["yes"], "ana")
    desk.now_utc += timedelta(hours=49)
    desk.take(yes)
    assert desk.entries() == ()


def test_a_likely_double_is_asked_about_and_stored_by_yes(desk: Desk_) -> None:
    desk.take(answer(["N2 watered 6950 gal"]))
    desk.now_utc += timedelta(minutes=20)
    assert desk.take(answer(["N2 watered 6950 gal"], sent_utc=desk.now_utc)) == MailPlace.WAITING
    assert "entry 1" in desk.mails()[-1][2]
    desk.take(answer_to_last(desk, ["yes"], "ana"))
    assert len(desk.entries()) == 2


def test_a_contradiction_of_one_moment_is_asked_about(desk: Desk_) -> None:
    desk.take(answer(["N3 11.2"]))
    assert desk.take(answer(["N3 22.4"])) == MailPlace.WAITING
    assert "entry 1" in desk.mails()[-1][2]


def test_a_clearing_where_no_snow_is_known_is_asked_about_and_stored_by_yes(desk: Desk_) -> None:
    assert desk.take(answer(["N3 cleared"])) == MailPlace.WAITING
    assert "neither snow nor standing water is known" in desk.mails()[-1][2]
    desk.take(answer_to_last(desk, ["yes"], "ana"))
    assert [type(entry) for entry in desk.entries()] == [GroundSeen]
    assert desk.take(answer(["N2 snow 3 in", "N2 cleared"])) == MailPlace.DONE
    assert "N2: snow 3.0 in" in desk.mails()[-1][2].replace("\u00a0", " ")


def test_undo_takes_back_what_stands_and_only_of_own_strips(desk: Desk_) -> None:
    desk.take(answer(["N3 11.2"]))
    desk.take(answer(["annuler 1"], "luc"))
    assert len(desk.entries()) == 1
    desk.take(answer(["deshacer 1"], "eva"))
    assert desk.entries() == ()
    desk.take(answer(["undo 1"]))
    assert desk.mails()[-1][1] == speaker("en", "us").word("reply.subject_unread")


def test_an_entry_older_than_what_is_read_of_the_log_can_be_taken_back(
    desk: Desk_, monkeypatch: pytest.MonkeyPatch
) -> None:
    for n, w_pct in enumerate((11.2, 12.2, 13.2)):
        desk.take(answer([f"N3 {w_pct}"], sent_utc=NOW - timedelta(minutes=n)))
    monkeypatch.setattr(take, "LINES_READ", 1)
    desk.take(answer(["undo 1"]))
    assert [shown(entry) for entry in desk.entries()] == [("w", 13.2), ("w", 12.2)]


def test_an_answer_to_an_answer_is_known_by_its_mark(desk: Desk_) -> None:
    desk.take(answer(["N3 11.2"]))
    desk.take(answer_to_last(desk, ["undo 1"], "ana"))
    assert desk.entries() == ()


def test_stop_keeps_morning_mails_from_an_address_until_start(desk: Desk_) -> None:
    desk.take(answer(["stop"]))
    mails = [envelope(n) for n in (1, 2)]
    from dataclasses import replace

    mails = [replace(mails[0], address="Ana@example.com"), replace(mails[1], address="eva@example.com")]
    with schema.begin(desk.store) as connection:
        assert replies.stopped(connection) == {"ana@example.com"}
        assert outbox.put(connection, mails, now_utc=NOW) == 1
    desk.take(answer(["start"], sent_utc=NOW + timedelta(minutes=1)))
    with schema.begin(desk.store) as connection:
        assert outbox.put(connection, [replace(mails[0], message_id="<new@example.com>")], now_utc=NOW) == 1


def test_an_address_is_written_ten_answers_an_hour_and_what_is_sure_is_stored_all_the_same(desk: Desk_) -> None:
    for n in range(14):
        desk.take(answer(["N3 wet"], sent_utc=NOW - timedelta(minutes=n)))
    assert len(desk.mails()) == 10
    assert desk.take(answer(["N3 wet", "x"])) == MailPlace.OTHER
    assert desk.take(answer(["N3 11.2"])) == MailPlace.DONE
    assert len(desk.mails()) == 10
    assert len(desk.entries()) == 1
    desk.now_utc += timedelta(minutes=61)
    desk.take(answer(["N3 12.2"], sent_utc=desk.now_utc))
    assert len(desk.mails()) == 11


def test_a_bounce_marks_its_address_once(desk: Desk_) -> None:
    bounce = next(case.raw for case in CASES if case.name == "bounce 0")
    desk.take(bounce)
    desk.take(bounce)
    with schema.read(desk.store) as connection:
        assert list(replies.bounced(connection, since_utc=NOW - timedelta(days=1))) == ["ana@example.com"]
    ((to, _, text),) = desk.mails()
    assert to == "operator@example.com"
    assert "superintendent" in text


def test_a_mark_is_bound_to_site_crew_person_and_day() -> None:
    about = ("mail", "test-site", "north", "ana@example.com", "2026-05-12")
    made = token.mark(KEY, *about)
    others = {token.mark(KEY, *about[:n], f"{part}x", *about[n + 1 :]) for n, part in enumerate(about)}
    assert made not in others | {token.mark(KEY + "x", *about)}
    assert len(others) == len(about)
    assert token.mark(KEY, "a", "b|c") != token.mark(KEY, "a|b", "c")
    assert (
        token.found_in(f"Re: {token.shown(made)}", "") == token.found_in("", token.with_mark("<a.b@c>", made)) == {made}
    )


def test_a_dkim_signature_of_the_writer_s_domain_vouches_for_a_mail(desk: Desk_) -> None:
    import base64

    import dkim
    from cryptography.hazmat.primitives import serialization
    from cryptography.hazmat.primitives.asymmetric import rsa

    key = rsa.generate_private_key(public_exponent=65537, key_size=2048)
    private = key.private_bytes(
        serialization.Encoding.PEM, serialization.PrivateFormat.TraditionalOpenSSL, serialization.NoEncryption()
    )
    public = key.public_key().public_bytes(serialization.Encoding.DER, serialization.PublicFormat.SubjectPublicKeyInfo)
    record = b"v=DKIM1; k=rsa; p=" + base64.b64encode(public)
    desk.dns_text = lambda name: record if name.rstrip(b".") == b"s._domainkey.example.com" else None

    def signed(raw: bytes, domain: bytes, **more: Any) -> bytes:
        return dkim.sign(raw, b"s", domain, private, include_headers=[b"from", b"subject", b"date"], **more) + raw

    plain = answer(["N3 11.2"], vouched=False)
    assert desk.take(signed(plain, b"elsewhere.example")) == MailPlace.WAITING
    good = answer(["N2 12.2"], vouched=False)
    assert desk.take(signed(good, b"example.com")) == MailPlace.DONE
    assert [shown(e) for e in desk.entries()] == [("w", 12.2)]
    changed = signed(answer(["N1 13.2"], vouched=False), b"example.com").replace(b"13.2", b"19.2")
    assert desk.take(changed) == MailPlace.WAITING
    partly = signed(answer(["N1 13.4"], vouched=False), b"example.com", length=True)
    assert desk.take(partly + b"N1 rolled 6\r\n") == MailPlace.WAITING


def test_a_name_can_add_neither_header_nor_line_to_an_answer(desk: Desk_) -> None:
    odd = answer(["N3 \u202e wet\x0bBcc: x@evil.example"], Message_ID="<a@b>")
    odd = odd.replace(b"<a@b>", b"<a@b\r\n Bcc: x@evil.example>")
    desk.take(odd)
    raw = desk.last_raw()
    head = raw.partition(b"\r\n\r\n")[0]
    assert b"Bcc" not in head
    assert b"evil" not in head


def test_without_a_mark_key_nothing_of_this_is_asked_of_the_config() -> None:
    assert config(inbox=None).inbox is None


def test_both_databases_take_an_answer_once_and_confirm_a_question(store: sa.Engine) -> None:
    desk = Desk_(store)
    for _ in range(2):
        assert desk.take(answer(["N3 11.2", "rain 0.2 since 18:00 yesterday"])) == MailPlace.DONE
    assert desk.take(answer(["N2 watered 6950 gal"], vouched=False)) == MailPlace.WAITING
    assert desk.take(answer_to_last(desk, ["yes"], "ana", vouched=False)) == MailPlace.DONE
    assert sorted(shown(entry)[0] for entry in desk.entries()) == ["l", "r", "w"]
    assert desk.take(answer(["stop"])) == MailPlace.DONE
    with schema.begin(store) as connection:
        assert replies.stopped(connection) == {"ana@example.com"}
        replies.note_poll(connection, polled_utc=NOW, fault="down")
        replies.note_poll(connection, polled_utc=NOW, fault="")
    with schema.read(store) as connection:
        poll = replies.last_poll(connection)
    assert poll is not None
    assert (poll.good_utc, poll.fault) == (NOW, "")
