"""The message on the wire takes no name, address or identifier that could say more than it should."""

from __future__ import annotations

from datetime import UTC, datetime
from email.parser import BytesParser
from email.policy import SMTP
from typing import Any

import pytest

from gonogo.errors import ConfigError
from gonogo.mail.letter import Content, Post, raw_message
from gonogo.records.site import Recipient

ANA = Recipient(name="Ana Boss", address="ana@example.com", role="superintendent")


def written(
    *, recipient: Recipient = ANA, message_id: str = "<morning.20260617.site.abc@example.com>", **content: Any
) -> bytes:
    post = Post(
        recipient=recipient,
        sender="gonogo@example.com",
        reply_to="",
        message_id=message_id,
        date_utc=datetime(2026, 6, 17, 3, 30, tzinfo=UTC),
    )
    return raw_message(post, Content(**({"subject": "N1 wait", "text": "N1: wait\n"} | content)))


@pytest.mark.parametrize(
    "message_id",
    [
        "",
        "morning@example.com",
        "<morning>",
        "<a@b>> ",
        "<a@b> <c@d>",
        "<a@b>\r\nBcc: other@example.com",
        "<ä@example.com>",
    ],
)
def test_an_identifier_that_is_more_or_less_than_one_is_refused(message_id: str) -> None:
    with pytest.raises(ConfigError, match="no message identifier"):
        written(message_id=message_id)


@pytest.mark.parametrize(
    "address", ["ana", "ana@", "ana@example.com, bo@example.com", "ana@example.com\r\nBcc: x@y.z", "a..b@c.d"]
)
def test_an_address_that_is_more_or_less_than_one_is_refused(address: str) -> None:
    with pytest.raises(ConfigError, match="no plain mail address"):
        written(recipient=Recipient(name="Ana", address=address, role="driver"))


def test_no_text_of_ours_is_taken_for_an_encoded_word() -> None:
    hidden = "=?utf-8?q?wait=0D=0ABcc:_other=40example.com?="
    head = BytesParser(policy=SMTP).parsebytes(
        written(subject=hidden, recipient=Recipient(name=hidden, address="ana@example.com", role="driver"))
    )
    assert head["bcc"] is None
    assert str(head["subject"]).startswith("= ?utf-8")
    assert [a.addr_spec for a in head["to"].addresses] == ["ana@example.com"]


def test_the_same_mail_is_the_same_bytes_and_7_bits() -> None:
    text = "Zuerst wässern, dann walzen: 8 700 L ≥ 1 Übergang\n"
    assert written(text=text, html=f"<p>{text}</p>") == written(text=text, html=f"<p>{text}</p>")
    assert written(text=text, html=f"<p>{text}</p>").isascii()


def test_encoded_lines_are_no_longer_than_quoted_printable_allows() -> None:
    """RFC 2045, 6.7 (5): 76 characters, which is fewer than a header may have."""
    sent = written(text="Ramp toe é " * 40 + "\n", html="<p>" + "Höhe " * 60 + "</p>")
    lines = sent.partition(b"\r\n\r\n")[2].split(b"\r\n")
    assert max(map(len, lines)) == 76
    assert BytesParser(policy=SMTP).parsebytes(sent).get_body(("plain",)).get_content().startswith("Ramp toe é Ramp")  # type: ignore[attr-defined]
