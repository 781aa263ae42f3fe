"""The last door: nothing that a name, a note or a subject holds can add a header, a reader or a second mail."""

from __future__ import annotations

from email.message import EmailMessage
from email.policy import SMTP

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from messages import envelope, raw_mail

from gonogo.errors import DeliveryError
from gonogo.outgoing.envelope import MAX_BYTES, checked_address, checked_raw


def with_head(old: bytes, new: bytes) -> bytes:
    raw = envelope().raw
    assert old in raw
    return raw.replace(old, new, 1)


def test_a_mail_of_ours_passes_unchanged() -> None:
    assert checked_raw(envelope()) == envelope().raw


def test_names_of_any_script_pass() -> None:
    mail = envelope()
    for name in ("Žofie Ünal", "山田 太郎", "O'Brien, Pat", "مريم"):
        raw = raw_mail(mail.message_id, mail.address, name=name)
        assert checked_raw(envelope(raw=raw)) == raw


@pytest.mark.parametrize(
    ("new", "says"),
    [
        (b"Subject: N1 wait\r\nBcc: all@example.org", "unknown.*bcc"),
        (b"Subject: N1 wait\r\nX-Note: hello", "unknown.*x-note"),
        (b"Subject: N1 wait\r\nTo: other@example.org", "twice.*to"),
        (b"Subject: N1 wait\nSubject: N1 compact", "twice.*subject"),
        (b"Subject: N1 wait\rBcc: all@example.org", "unknown.*bcc"),
        (b"Subject: N1 wait\r\nno header at all", "broken line"),
        (b"Subject: N1 wait\x00", "not plain ASCII"),
        ("Subject: počkej".encode(), "not plain ASCII"),
        (b"Priority: x", r"unknown.*priority.*missing.*subject"),
        (b"Subject: N1 wait\r\n\r\nSubject: N1 compact", "missing"),
    ],
)
def test_a_head_that_is_not_ours_is_refused_for_good(new: bytes, says: str) -> None:
    with pytest.raises(DeliveryError, match=says) as refused:
        checked_raw(envelope(raw=with_head(b"Subject: N1 wait", new)))
    assert refused.value.passing is False


def test_a_mail_to_another_than_its_envelope_is_refused() -> None:
    with pytest.raises(DeliveryError, match="another address"):
        checked_raw(envelope(address="other@example.org"))
    two = with_head(b"<reader1@example.com>", b"<reader1@example.com>, <other@example.org>")
    with pytest.raises(DeliveryError, match="another address"):
        checked_raw(envelope(raw=two))


def test_a_mail_under_another_message_id_is_refused() -> None:
    with pytest.raises(DeliveryError, match="Message-ID"):
        checked_raw(envelope(message_id="<other@example.com>"))


def test_a_mail_without_end_is_refused() -> None:
    with pytest.raises(DeliveryError, match="bytes, more than"):
        checked_raw(envelope(raw=envelope().raw + b"x" * MAX_BYTES))


@settings(max_examples=40)
@given(body=st.binary(max_size=200))
def test_no_lone_line_end_leaves(body: bytes) -> None:
    sent = checked_raw(envelope(raw=envelope().raw + body)).replace(b"\r\n", b"")
    assert b"\r" not in sent
    assert b"\n" not in sent


@pytest.mark.parametrize(
    "address",
    [
        "",
        "ana",
        "ana@example.com\r\nRCPT TO:<all@example.org>",
        "ana@example.com\n",
        "Ana <ana@example.com>",
        "ana@example.com>",
        "a na@example.com",
        "ana@example.com,bo@example.com",
        "ana@@example.com",
        "a" * 65 + "@example.com",
        "ana@example.com\x00",
    ],
)
def test_an_address_that_could_say_more_than_one_address_is_refused(address: str) -> None:
    with pytest.raises(DeliveryError) as refused:
        checked_address(address)
    assert refused.value.passing is False


@pytest.mark.parametrize(
    "address", ["ana@example.com", "a.b+c@mail.example.org", "o'brien@example.com", "žofie@example.com"]
)
def test_an_address_is_accepted(address: str) -> None:
    assert checked_address(address) == address


@settings(max_examples=60)
@example(name=':\x80"', subject="")  # the library's parser of addresses falls over this one
@given(name=st.text(max_size=60), subject=st.text(max_size=60))
def test_whatever_a_name_or_subject_holds_one_mail_to_one_reader_leaves_or_none(name: str, subject: str) -> None:
    prepared = envelope()
    mail = EmailMessage(policy=SMTP)
    try:
        for key, value in (
            ("From", "gonogo@example.com"),
            ("To", f'"{name}" <{prepared.address}>'),
            ("Subject", subject),
            ("Date", "Mon, 01 Jun 2026 10:30:00 +0000"),
            ("Message-ID", prepared.message_id),
        ):
            mail[key] = value
        raw = mail.as_bytes()
    except Exception:
        return  # the library itself refused to write such a line
    try:
        head = checked_raw(envelope(raw=raw)).partition(b"\r\n\r\n")[0]
    except DeliveryError:
        return
    keys = [line.split(b":")[0].lower() for line in head.split(b"\r\n") if not line.startswith((b" ", b"\t"))]
    assert sorted(set(keys)) == sorted(keys)
    assert set(keys) <= {b"from", b"to", b"subject", b"date", b"message-id", b"mime-version", b"content-type"}
    assert head.lower().count(b"rcpt to") == 0 or b"rcpt to" in (name + subject).lower().encode()


def test_a_mail_of_ten_megabytes_leaves_and_one_of_eleven_does_not() -> None:
    head = envelope().raw
    assert checked_raw(envelope(raw=head + b"x" * 10_000_000))
    with pytest.raises(DeliveryError, match="more than"):
        checked_raw(envelope(raw=head + b"x" * 11_000_000))
