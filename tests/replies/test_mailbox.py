"""Mailboxes, a real IMAP server on loopback and a maildir: what comes in is taken once and moved to its place."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
import sqlalchemy as sa
from imap_server import box_of, imap_server
from inbox_scene import KEY, NOW, Desk_, answer, config
from mailserver import make_certificate

from gonogo.inbox.mailbox import InboxError, opened
from gonogo.inbox.read import read_mailbox
from gonogo.inbox.take import Desk
from gonogo.records.outside import Inbox
from gonogo.store import history, replies, schema


@pytest.fixture
def imap() -> Iterator[Inbox]:
    """An IMAP server of its own, empty."""
    with imap_server() as inbox:
        yield inbox


@pytest.fixture
def maildir(tmp_path: Path) -> Inbox:
    for part in ("new", "cur", "tmp"):
        (tmp_path / "box" / part).mkdir(parents=True)
    return Inbox(
        kind="maildir",
        address="gonogo@example.com",
        key=KEY,
        trusted_server="mx.example.com",
        maildir=tmp_path / "box",
    )


def desk_of(store: sa.Engine, inbox: Inbox) -> Desk:
    return Desk(config=config(inbox=inbox), store=store, now_utc=NOW)


def folders(inbox: Inbox) -> dict[str, int]:
    with box_of(inbox) as box:
        return {f.name: box.folder.status(f.name)["MESSAGES"] for f in box.folder.list() if "gonogo" in f.name} | {
            "INBOX": box.folder.status("INBOX")["MESSAGES"]
        }


MAILS = (
    answer(["N3 11.2"]),
    answer(["N2 watered 6950 gal"], vouched=False),
    answer(["N3 11.2"], From="x@elsewhere.example"),
    answer(["N1 wet"]),
)


def test_mails_of_an_imap_folder_are_taken_and_moved_to_where_they_belong(imap: Inbox, sqlite_store: sa.Engine) -> None:
    with box_of(imap) as box:
        for raw in (*MAILS, MAILS[0]):  # the first came twice
            box.append(raw, "INBOX")
    assert read_mailbox(lambda: desk_of(sqlite_store, imap)) == 5
    assert folders(imap) == {"INBOX": 0, "gonogo-done": 3, "gonogo-waiting": 1, "gonogo-other": 1}
    assert len(Desk_(sqlite_store).entries()) == 1
    assert len(Desk_(sqlite_store).mails()) == 3
    with schema.read(sqlite_store) as connection:
        poll = replies.last_poll(connection)
    assert poll is not None
    assert (poll.polled_utc, poll.good_utc, poll.fault) == (NOW, NOW, "")


@pytest.mark.parametrize("security", ["starttls", "tls"])
def test_a_server_with_a_certificate_of_the_firm_s_own_is_read_encrypted_and_no_other_is_trusted(
    tmp_path: Path, sqlite_store: sa.Engine, security: str
) -> None:
    (tmp_path / "other").mkdir()
    certificate, other = make_certificate(tmp_path, "127.0.0.1"), make_certificate(tmp_path / "other", "127.0.0.1")
    with imap_server(certificate, security=security) as inbox:
        with box_of(inbox) as box:
            box.append(answer(["N3 11.2"]), "INBOX")
        for untrusted in (replace(inbox, ca_file=None), replace(inbox, ca_file=other[0])):
            with pytest.raises(InboxError, match="certificate verify failed"), opened(untrusted):
                pass
        with pytest.raises(InboxError, match="mailbox cannot be read"), opened(replace(inbox, host="localhost")):
            pass  # the certificate is of another name
        assert read_mailbox(lambda: desk_of(sqlite_store, inbox)) == 1
        assert folders(inbox)["gonogo-done"] == 1
    with schema.read(sqlite_store) as connection:
        assert len(history.entries(connection, "test-site")) == 1


def test_a_mail_that_comes_while_the_folder_is_watched_is_taken_at_once(imap: Inbox, sqlite_store: sa.Engine) -> None:
    taken: list[int] = []
    watcher = threading.Thread(
        target=lambda: taken.append(read_mailbox(lambda: desk_of(sqlite_store, imap), wait_s=30.0))
    )
    watcher.start()
    time.sleep(1.0)
    with box_of(imap) as box:
        box.append(MAILS[0], "INBOX")
    began_s = time.monotonic()
    watcher.join(timeout=25.0)
    assert taken == [1]
    assert time.monotonic() - began_s < 20.0


def test_a_mail_put_back_or_moved_by_hand_is_stored_once(imap: Inbox, sqlite_store: sa.Engine) -> None:
    with box_of(imap) as box:
        box.append(MAILS[0], "INBOX")
    read_mailbox(lambda: desk_of(sqlite_store, imap))
    with box_of(imap) as box:
        box.folder.set("gonogo-done")
        box.move(box.uids(), "INBOX")
    assert read_mailbox(lambda: desk_of(sqlite_store, imap)) == 1
    assert len(Desk_(sqlite_store).entries()) == 1
    assert folders(imap)["gonogo-done"] == 1


def test_a_large_mail_is_not_fetched_whole(imap: Inbox, sqlite_store: sa.Engine) -> None:
    with box_of(imap) as box:
        box.append(answer(["N3 11.2", *["x" * 70] * 20_000]), "INBOX")
    with opened(imap) as mailbox:
        (mail,) = mailbox.arrived()
        assert len(mail.raw) == 64 * 1024 + 1
    read_mailbox(lambda: desk_of(sqlite_store, imap))
    assert folders(imap)["gonogo-other"] == 1


@pytest.mark.parametrize("change", [{"password": "wrong"}, {"port": 1}, {"folder": "nowhere"}])
def test_a_mailbox_that_cannot_be_read_is_noted(
    change: dict[str, object], imap: Inbox, sqlite_store: sa.Engine
) -> None:
    inbox = replace(imap, **change)  # type: ignore[arg-type]
    with pytest.raises(InboxError, match="cannot be read"), opened(inbox):
        pass
    assert read_mailbox(lambda: desk_of(sqlite_store, inbox)) == 0
    with schema.read(sqlite_store) as connection:
        poll = replies.last_poll(connection)
    assert poll is not None
    assert poll.good_utc is None
    assert "cannot be read" in poll.fault
    assert "wrong" not in poll.fault


def test_mails_of_a_maildir_are_taken_and_moved_to_where_they_belong(maildir: Inbox, sqlite_store: sa.Engine) -> None:
    root = maildir.maildir
    assert root is not None
    for n, raw in enumerate(MAILS):
        (root / "new" / f"{n}.host").write_bytes(raw)
    assert read_mailbox(lambda: desk_of(sqlite_store, maildir)) == 4
    found = {f: sorted(p.name for p in (root / f"{f}/cur").iterdir()) for f in (".gonogo-done", ".gonogo-other")}
    assert found == {".gonogo-done": ["0.host", "3.host"], ".gonogo-other": ["2.host"]}
    assert list((root / "new").iterdir()) == []
    assert len(Desk_(sqlite_store).entries()) == 1


def test_a_folder_that_is_no_maildir_is_refused(tmp_path: Path, maildir: Inbox) -> None:
    with pytest.raises(InboxError, match="no maildir"), opened(replace(maildir, maildir=tmp_path)):
        pass
