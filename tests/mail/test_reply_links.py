"""Links by which a reader answers: each line they hold is one that is read, with what was told."""

from __future__ import annotations

import re
from dataclasses import replace
from email.parser import BytesParser
from email.policy import SMTP
from pathlib import Path
from urllib.parse import parse_qs, urlsplit

import pytest
from example_mornings import example_config, html_of, opened, plain_of, run_example
from inbox_scene import config as scene_config

from gonogo.cli import demo
from gonogo.mail import token
from gonogo.records.site import Site
from gonogo.replies.grammar import ReplyLine, read
from gonogo.replies.quoting import own_lines
from gonogo.replies.understand import reader_of
from gonogo.store.queued import Envelope
from gonogo.wording.language import speaker

LINK = re.compile(r'<a class="link" href="(mailto:[^"]*)"([^>]*)>([^<]*)</a>')


@pytest.fixture(scope="module")
def mails(tmp_path_factory: pytest.TempPathFactory) -> tuple[Site, tuple[Envelope, ...]]:
    """The example site's mails where answers are read, a reader of each language among them."""
    loaded = replace(example_config(tmp_path_factory.mktemp("links")), inbox=scene_config().inbox)
    store = opened(loaded)
    result = run_example(loaded, store)
    store.dispose()
    assert result is not None
    return loaded.sites[0], result.mails


def links(mail: Envelope) -> list[tuple[str, str, list[str]]]:
    """(label, subject, lines) of each link by which a mail is answered."""
    found = []
    for href, _, label in LINK.findall(html_of(mail)):
        parts = urlsplit(href.replace("&amp;", "&"))
        assert parts.path == "gonogo@example.com"
        asked = parse_qs(parts.query, keep_blank_values=True)
        found.append((label, asked["subject"][0], asked["body"][0].split("\r\n")))
    return found


def test_each_mail_with_strips_offers_links_and_their_subject_holds_the_mark(
    mails: tuple[Site, tuple[Envelope, ...]],
) -> None:
    for mail in mails[1]:
        made = token.of_message_id(mail.message_id)
        assert made
        assert token.shown(made) in str(BytesParser(policy=SMTP).parsebytes(mail.raw)["subject"])
        for _, subject, _ in links(mail):
            assert token.found_in(subject, "") == {made}
    assert sum(len(links(mail)) for mail in mails[1]) >= 20


def test_each_line_of_a_link_is_one_that_is_read_with_what_was_told(mails: tuple[Site, tuple[Envelope, ...]]) -> None:
    site, sent = mails
    n_read = 0
    for mail in sent:
        crew = site.crew(mail.crew_id)
        person = next(p for p in crew.recipients if p.address == mail.address)
        reader = reader_of(person, speaker(person.language, person.units))
        now_local = demo.MORNING_UTC.astimezone(site.zone)
        for _, _, lines in links(mail):
            for line in lines:
                if re.fullmatch(r"\S+ (\w+ )?", line):  # to be completed
                    assert not isinstance(read(line, site.strips, reader, now_local), ReplyLine)
                    continue
                said = read(line, site.strips, reader, now_local)
                assert isinstance(said, ReplyLine), line
                assert said.amounts.get("litres", 1000.0) >= 1000.0
                n_read += 1
    assert n_read >= 10


def test_all_done_as_told_holds_a_line_for_each_work_of_today(mails: tuple[Site, tuple[Envelope, ...]]) -> None:
    _, sent = mails
    boss = next(mail for mail in sent if mail.address == "north.superintendent@example.com")
    (whole,) = [lines for label, _, lines in links(boss) if label == "All done as told"]
    assert len(whole) >= 3
    assert whole == list(own_lines("\r\n".join(whole)))


def test_the_text_part_begins_with_our_line_and_says_how_to_answer(mails: tuple[Site, tuple[Envelope, ...]]) -> None:
    for mail in mails[1]:
        text = plain_of(mail)
        assert text.startswith(token.MARKER_SIGN)
        says = speaker(mail.language, "metric")
        assert says.word("reply.hint").split(",")[0] in text
        assert own_lines(f"N3 11.2\n\n{text}") == ("N3 11.2",)


def test_a_link_is_44_pixels_high_and_needs_neither_style_nor_picture(
    mails: tuple[Site, tuple[Envelope, ...]],
) -> None:
    for mail in mails[1]:
        for _, style, label in LINK.findall(html_of(mail)):
            assert label.strip()
            assert "padding: 12px 0" in style
            assert "line-height: 20px" in style
            assert "min-width: 44px" in style


def test_without_a_mailbox_no_mail_speaks_of_answers(tmp_path: Path) -> None:
    loaded = example_config(tmp_path)
    store = opened(loaded)
    result = run_example(loaded, store)
    store.dispose()
    assert result is not None
    for mail in result.mails:
        assert "mailto:" not in html_of(mail)
        assert token.MARKER_SIGN not in plain_of(mail)
        assert not token.of_message_id(mail.message_id)
