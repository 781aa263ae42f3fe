"""What `gonogo inbox` does: answers of files or of the mailbox into the database."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import datetime
from pathlib import Path

from gonogo.cli.outcome import CommandOutcome, Exit
from gonogo.config import Config
from gonogo.errors import ConfigError, Fault
from gonogo.inbox.mailbox import MailPlace
from gonogo.inbox.read import dns_text, read_mailbox
from gonogo.inbox.take import Desk, take
from gonogo.replies.letter import LARGEST_BYTES
from gonogo.store import replies, schema
from gonogo.store.open import open_store

MEANINGS = {
    MailPlace.DONE: "taken; what was written back says what of it was recorded",
    MailPlace.WAITING: "waits for a yes from the address on file",
    MailPlace.OTHER: "left alone: no answer of a person on file",
}


def take_files(desk: Desk, files: Sequence[Path]) -> list[str]:
    """Take the mails of files, and return a line for each. Raises ConfigError for one that cannot be read."""
    lines = []
    for file in files:
        try:
            with file.open("rb") as opened:
                raw = opened.read(LARGEST_BYTES + 1)
        except OSError as error:
            wrong = f"cannot be read: {error.strerror}."
            right = "Name a mail as a file. The files before it were taken."
            raise ConfigError([Fault(place=str(file), key="file", value="", wrong=wrong, right=right)]) from error
        lines.append(f"{file}: {MEANINGS[take(desk, raw)]}.")
    return lines


def take_all(desk_now: Callable[[], Desk]) -> tuple[list[str], bool]:
    """Take what lies in the mailbox; return what to say, and whether it could be read."""
    n_taken = read_mailbox(desk_now)
    with schema.read(desk_now().store) as connection:
        poll = replies.last_poll(connection)
    fault = poll.fault if poll is not None else ""
    return ([fault] if fault else [f"{n_taken} mails were taken."]), not fault


def run(config: Config, files: Sequence[Path], *, clock_utc: Callable[[], datetime]) -> CommandOutcome:
    """Take answers, and say what became of them. Raises ConfigError where the config has no inbox."""
    if config.inbox is None:
        raise ConfigError(
            [
                Fault(
                    place=str(config.folder / "gonogo.toml"),
                    key="inbox",
                    value="",
                    wrong="is missing: without it no answer is read.",
                    right='Write a table [inbox] as in the example config; kind = "maildir" needs no mail server.',
                )
            ]
        )
    store = open_store(config)

    def desk() -> Desk:
        return Desk(config=config, store=store, now_utc=clock_utc(), dns_text=dns_text)

    try:
        lines, is_good = (take_files(desk(), files), True) if files else take_all(desk)
    finally:
        store.dispose()
    return CommandOutcome(text="\n".join(lines), exit_code=Exit.OK if is_good else Exit.ATTENTION)
