"""Mails as files: they open in a browser, carry safe names, and the index lists what lies there."""

from __future__ import annotations

import re
from email.message import EmailMessage
from email.parser import BytesParser
from email.policy import SMTP
from pathlib import Path
from urllib.parse import unquote

import pytest
from hypothesis import given
from hypothesis import strategies as st
from messages import envelope, raw_mail

from gonogo.errors import DeliveryError, TransportError
from gonogo.outgoing.folder import Folder, deliver, safe_name
from gonogo.records.outside import Transport


def to(folder: Path) -> Transport:
    return Transport(kind="folder", sender="gonogo@example.com", folder=folder)


def links(page: str) -> list[str]:
    return [unquote(link) for link in re.findall(r'href="([^"]+)"', page)]


def test_every_mail_lies_there_as_it_would_be_sent_and_as_a_page(tmp_path: Path) -> None:
    with Folder(to(tmp_path)) as folder:
        folder.deliver(envelope(1))
        folder.deliver(envelope(2, crew_id="crew-b"))
    mails = sorted(tmp_path.glob("*/*/*.eml"))
    assert [mail.relative_to(tmp_path).parts[:2] for mail in mails] == [
        ("north-fill", "crew-a"),
        ("north-fill", "crew-b"),
    ]
    assert mails[0].read_bytes() == envelope(1).raw
    assert mails[0].name.startswith("2026-06-01-superintendent-ana-boss-")
    assert "N1: wait" in mails[0].with_suffix(".html").read_text()


def test_the_index_leads_to_every_mail_by_site_and_crew(tmp_path: Path) -> None:
    with Folder(to(tmp_path)) as folder:
        folder.deliver(envelope(1, site_id="south-dam", crew_id="Grader & Co"))
        folder.deliver(envelope(2))
        folder.deliver(envelope(3))
    page = (tmp_path / "index.html").read_text()
    found = links(page)
    assert {(tmp_path / link).is_file() for link in found} == {True}
    assert len([link for link in found if link.endswith(".eml")]) == 3
    assert re.findall(r"<h2>Site ([^<]+)</h2>", page) == ["north-fill", "south-dam"]
    assert page.count("<h3>") == 2
    assert page.count("<ul>") == page.count("</ul>")


def test_a_letter_written_again_replaces_itself_and_others_stay(tmp_path: Path) -> None:
    deliver(envelope(1), to(tmp_path))
    deliver(envelope(1), to(tmp_path))
    deliver(envelope(2), to(tmp_path))
    assert len(list(tmp_path.glob("*/*/*.eml"))) == 2
    assert len(links((tmp_path / "index.html").read_text())) == 4
    assert list(tmp_path.rglob("*.part")) == []


def test_pictures_of_the_mail_are_in_the_page(tmp_path: Path) -> None:
    prepared = envelope(1)
    mail = EmailMessage(policy=SMTP)
    for key, value in (
        ("From", "gonogo@example.com"),
        ("To", prepared.address),
        ("Subject", "N1"),
        ("Date", "Mon, 01 Jun 2026 10:30:00 +0000"),
        ("Message-ID", prepared.message_id),
    ):
        mail[key] = value
    mail.set_content("N1")
    mail.add_alternative('<p><img src="cid:path@gonogo" alt="N1"></p>', subtype="html")
    html_part = mail.get_payload()[1]
    assert isinstance(html_part, EmailMessage)
    html_part.add_related(b"\x89PNG...", "image", "png", cid="<path@gonogo>")
    deliver(envelope(1, raw=mail.as_bytes()), to(tmp_path))
    (page,) = tmp_path.glob("*/*/*.html")
    assert '<img src="data:image/png;base64,iVBORy4uLg==" alt="N1">' in page.read_text()


def test_what_stands_in_a_subject_or_name_is_text_in_the_index(tmp_path: Path) -> None:
    mail = envelope(1)
    raw = raw_mail(mail.message_id, mail.address, name="<b>Ana</b>", Subject="<script>alert(1)</script>")
    deliver(envelope(1, raw=raw, name="<b>Ana</b>"), to(tmp_path))
    page = (tmp_path / "index.html").read_text()
    assert "&lt;script&gt;" in page
    assert "<script" not in page
    assert "<b>" not in page


@given(site=st.text(max_size=80), crew=st.text(max_size=80))
def test_any_id_becomes_one_plain_folder_and_different_ids_stay_apart(site: str, crew: str) -> None:
    names = safe_name(site, "site"), safe_name(crew, "site")
    for name in names:
        assert re.fullmatch(r"[a-z0-9][a-z0-9_-]*", name)
        assert len(name) <= 60
    assert (names[0] == names[1]) == (site == crew)


@pytest.mark.parametrize("evil", ["../../etc", "/etc", "..", ".", "", "a/b", "a\\b", "con", "NUL", "x\x00y", "ä"])
def test_no_id_or_name_leads_out_of_the_folder(tmp_path: Path, evil: str) -> None:
    inside = tmp_path / "out"
    deliver(envelope(1, site_id=evil, crew_id=evil, role=evil, name=evil), to(inside))
    assert {path.name for path in tmp_path.iterdir()} == {"out"}
    assert len(list(inside.glob("*/*/*.eml"))) == 1


def test_a_letter_that_is_not_ours_is_not_written(tmp_path: Path) -> None:
    with pytest.raises(DeliveryError) as refused:
        deliver(envelope(1, raw=envelope(1).raw.replace(b"Subject:", b"Bcc: a@example.org\r\nSubject:")), to(tmp_path))
    assert refused.value.passing is False
    undated = raw_mail(envelope(1).message_id, envelope(1).address).replace(b"Mon, 01 Jun 2026", b"some day soon, 20")
    with pytest.raises(DeliveryError, match="holds no date"):
        deliver(envelope(1, raw=undated), to(tmp_path))
    assert list(tmp_path.iterdir()) == []


def test_a_disk_that_refuses_is_a_passing_fault_and_leaves_no_half_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_arguments: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("os.replace", full)
    with pytest.raises(TransportError, match="No space left on device"):
        deliver(envelope(1), to(tmp_path))
    assert [path for path in tmp_path.rglob("*") if path.is_file()] == []


def test_a_folder_that_is_a_file_is_said(tmp_path: Path) -> None:
    (tmp_path / "out").write_text("notes")
    with pytest.raises(TransportError, match="could not be written"):
        deliver(envelope(1), to(tmp_path / "out"))
    assert (tmp_path / "out").read_text() == "notes"


def test_a_transport_without_folder_is_said() -> None:
    with pytest.raises(TransportError, match="names none"):
        Folder(Transport(kind="folder", sender="gonogo@example.com"))


def test_the_eml_opens_as_a_mail(tmp_path: Path) -> None:
    deliver(envelope(1), to(tmp_path))
    (path,) = tmp_path.glob("*/*/*.eml")
    mail = BytesParser(policy=SMTP).parsebytes(path.read_bytes())
    assert mail["message-id"] == envelope(1).message_id
    assert [part.get_content_type() for part in mail.iter_parts()] == ["text/plain", "text/html"]
