"""Mailboxes: an IMAP folder by imap-tools, or a maildir. What is read stays where it is until it is settled.

A crash between the two leaves the mail to be read again: whoever takes mails knows those that it has taken.
"""

from __future__ import annotations

import contextlib
import imaplib
import os
import re
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import Protocol

from imap_tools import BaseMailBox
from imap_tools.errors import ImapToolsError

from gonogo.errors import GonogoError
from gonogo.inbox.imap_client import BoundedMailBox
from gonogo.records.outside import Inbox
from gonogo.replies.letter import LARGEST_BYTES

MOST_AT_ONCE = 50
_UID = re.compile(rb"UID (\d+)")


class InboxError(GonogoError):
    """The mailbox cannot be read now."""


class MailPlace(StrEnum):
    """Where a mail is moved to once it is settled."""

    DONE = "done"
    WAITING = "waiting"
    OTHER = "other"


@dataclass(frozen=True, slots=True)
class Arrived:
    """A mail in the mailbox. raw: at most a little more than is ever read of one."""

    uid: str
    raw: bytes


class OpenMailbox(Protocol):
    """A mailbox that is open."""

    def arrived(self) -> list[Arrived]: ...

    def settle(self, uids: Sequence[str], place: MailPlace) -> None: ...

    def wait(self, seconds: float) -> None: ...


@contextlib.contextmanager
def opened(inbox: Inbox) -> Iterator[OpenMailbox]:
    """Open a mailbox. Raises InboxError, here and from whatever is done with it inside the block."""
    try:
        if inbox.kind == "maildir":
            yield Maildir(inbox)
        else:
            with _login(inbox) as box:
                yield ImapFolder(box, inbox)
    except (ImapToolsError, imaplib.IMAP4.error, OSError, ValueError) as error:
        place = inbox.maildir if inbox.kind == "maildir" else f"{inbox.host}:{inbox.port}"
        cause = " ".join(str(error).split())[:200]
        raise InboxError(f"{place}: the mailbox cannot be read: {cause}. It is tried again.") from error


def _login(inbox: Inbox) -> BaseMailBox:
    box = BoundedMailBox(inbox)
    try:
        return box.login(inbox.username, inbox.password, initial_folder=None)
    except (ImapToolsError, imaplib.IMAP4.error, OSError):
        with contextlib.suppress(OSError):
            box.client.shutdown()  # the library leaves it open
        raise


class ImapFolder:
    """A folder of an IMAP account. Folders that mails are moved to are made where they are missing."""

    def __init__(self, box: BaseMailBox, inbox: Inbox) -> None:
        self._box = box
        self._places = {MailPlace.DONE: inbox.done, MailPlace.WAITING: inbox.waiting, MailPlace.OTHER: inbox.other}
        for folder in self._places.values():
            if not box.folder.exists(folder):
                box.folder.create(folder)
        box.folder.set(inbox.folder)

    def arrived(self) -> list[Arrived]:
        """Return the oldest mails of the folder; they stay unseen. A large one comes cut."""
        uids = self._box.uids()[:MOST_AT_ONCE]
        if not uids:
            return []
        part = f"BODY.PEEK[]<0.{LARGEST_BYTES + 1}>"
        _, answer = self._box.client.uid("FETCH", ",".join(uids), f"(UID {part})")
        found = []
        for at, item in enumerate(answer):
            if not isinstance(item, tuple):
                continue
            rest = answer[at + 1] if at + 1 < len(answer) else b""
            uid = _UID.search(item[0]) or _UID.search(rest if isinstance(rest, bytes) else b"")
            if uid is not None:
                found.append(Arrived(uid[1].decode(), item[1]))
        return found

    def settle(self, uids: Sequence[str], place: MailPlace) -> None:
        """Move mails to where they belong."""
        self._box.move(list(uids), self._places[place])

    def wait(self, seconds: float) -> None:
        """Wait until a mail comes, at most so long."""
        if "IDLE" in self._box.client.capabilities:
            self._box.idle.wait(timeout=seconds)
        else:
            time.sleep(seconds)


class Maildir:
    """A maildir; mails are moved to its own folders .<place> beside new and cur."""

    PAUSE_S = 1.0

    def __init__(self, inbox: Inbox) -> None:
        assert inbox.maildir is not None, "the config has seen to it"
        self._root = inbox.maildir
        self._places = {MailPlace.DONE: inbox.done, MailPlace.WAITING: inbox.waiting, MailPlace.OTHER: inbox.other}
        if not (self._root / "new").is_dir():
            raise OSError("there is no folder `new`: it is no maildir")

    def arrived(self) -> list[Arrived]:
        """Return the oldest mails; they stay where they are. A large one comes cut."""
        found = []
        for path in sorted(self._files(), key=lambda path: path.name)[:MOST_AT_ONCE]:
            with contextlib.suppress(FileNotFoundError), path.open("rb") as file:
                found.append(Arrived(path.relative_to(self._root).as_posix(), file.read(LARGEST_BYTES + 1)))
        return found

    def settle(self, uids: Sequence[str], place: MailPlace) -> None:
        """Move mails to where they belong."""
        target = self._root / f".{self._places[place]}"
        for part in ("new", "cur", "tmp"):
            (target / part).mkdir(parents=True, exist_ok=True)
        for uid in uids:
            source = self._root / uid
            with contextlib.suppress(FileNotFoundError):  # another has moved it
                os.replace(source, target / "cur" / source.name)

    def wait(self, seconds: float) -> None:
        """Wait until a mail comes, at most so long."""
        ends_s = time.monotonic() + seconds
        while time.monotonic() < ends_s and not any(True for _ in self._files()):
            time.sleep(min(self.PAUSE_S, seconds))

    def _files(self) -> Iterator[Path]:
        for part in ("new", "cur"):
            folder = self._root / part
            if folder.is_dir():
                yield from (path for path in folder.iterdir() if path.is_file())
