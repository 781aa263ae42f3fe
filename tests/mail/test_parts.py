"""Parts made by us are those of the standard library, to the byte."""

from __future__ import annotations

from email.contentmanager import raw_data_manager
from email.message import EmailMessage
from email.policy import Policy, compat32
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gonogo.mail import parts

HEADERS = compat32.clone(linesep="\r\n")
LINES = st.text(alphabet=st.sampled_from("aZ =.-\t\n\r\x0b\x85é–\N{NO-BREAK SPACE}😀"), max_size=400)


TEXTS = HEADERS.clone(max_line_length=76)  # as RFC 2045 limits what is encoded; the library takes the header's limit


def leaf(content: str | bytes, *kind: str, policy: Policy[Any] = HEADERS, **named: object) -> EmailMessage:
    part = EmailMessage(policy=policy)
    raw_data_manager.set_content(part, content, *kind, **named)
    return part


@given(text=LINES | st.text(alphabet="a=", min_size=60, max_size=200))
def test_a_text_is_what_the_library_makes_of_it(text: str) -> None:
    for subtype in ("plain", "html"):
        theirs = leaf(text, subtype, cte="quoted-printable", policy=TEXTS)
        ours = bytes(parts.text_part(text, subtype))
        assert ours == theirs.as_bytes()
        assert max(map(len, ours.split(b"\r\n"))) <= 76


@given(content=st.binary(min_size=1, max_size=300))
def test_a_picture_is_what_the_library_makes_of_it(content: bytes) -> None:
    theirs = leaf(content, "image", "png", cid="<moisture-1.ab@gonogo>", disposition="inline")
    theirs["MIME-Version"] = "1.0"
    assert bytes(parts.png_part(content, "moisture-1.ab@gonogo")) == theirs.as_bytes()


@pytest.mark.parametrize("crew", ["north", "a-crew-with-a-name-that-makes-the-header-of-its-file-longer-than-a-line"])
def test_a_calendar_is_what_the_library_makes_of_it(crew: str) -> None:
    content, name = b"BEGIN:VCALENDAR\r\n" * 9, f"{crew}-2026-05-12.ics"
    kind = {"method": "PUBLISH", "charset": "utf-8"}
    theirs = leaf(content, "text", "calendar", cte="base64", disposition="attachment", filename=name, params=kind)
    theirs["MIME-Version"] = "1.0"
    assert bytes(parts.calendar_part(content, "PUBLISH", name)) == theirs.as_bytes()


def test_parts_within_parts_are_what_the_library_makes_of_them() -> None:
    mark = "=_" + 32 * "5"
    theirs = EmailMessage(policy=HEADERS)
    theirs["MIME-Version"] = "1.0"
    theirs["Content-Type"] = f'multipart/alternative; boundary="{mark}"'
    theirs.set_payload([leaf("N1: wait", "plain", cte="quoted-printable"), leaf("<p>", "html", cte="quoted-printable")])
    theirs["Content-Language"] = "en"
    ours = (parts.text_part("N1: wait", "plain"), parts.text_part("<p>", "html"))
    made = parts.joined("alternative", mark, *ours, is_whole=True).with_header("Content-Language", "en")
    assert bytes(made) == theirs.as_bytes()
