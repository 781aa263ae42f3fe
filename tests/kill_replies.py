"""Kill the way in of answers by SIGKILL at any of its lines, start it again, and count what is stored.

    python tests/kill_replies.py --kills 200 --seed 1

A maildir holds answers: entries, an unproven one, a yes, an undo, a line not understood, a stranger, one mail twice.
A child process reads it and is killed at a line of the packages that take a mail, drawn by chance; the next one goes
on, is killed again or comes to its end. Then entries and answers are counted against those of a way in that nobody
killed. The table says: kills, entries and answers expected, lost, doubled.
"""

from __future__ import annotations

import argparse
import os
import random
import shutil
import signal
import sys
import tempfile
from collections import Counter
from dataclasses import dataclass, field, replace
from datetime import timedelta
from email.parser import BytesHeaderParser
from pathlib import Path
from types import FrameType
from typing import Any

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE), str(HERE / "replies")]

import sqlalchemy as sa  # noqa: E402
from inbox_scene import KEY, NOW, answer, config  # noqa: E402

from gonogo.inbox.read import read_mailbox  # noqa: E402
from gonogo.inbox.take import Desk  # noqa: E402
from gonogo.records.outside import Inbox  # noqa: E402
from gonogo.store import schema  # noqa: E402
from gonogo.store.upgrade import upgrade  # noqa: E402

WAY_IN = tuple(f"{os.sep}gonogo{os.sep}{room}{os.sep}" for room in ("inbox", "store", "field"))
MOST_STARTS = 30


@dataclass
class Count:
    """What a round of kills came to."""

    kills: int = 0
    entries: int = 0
    answers: int = 0
    lost: int = 0
    doubled: int = 0
    left_in_the_box: int = 0
    where: Counter[str] = field(default_factory=Counter)


class Box:
    """A maildir with its database, in a folder of its own."""

    def __init__(self, folder: Path, empty: Path) -> None:
        self.folder, self.database = folder, folder / "gonogo.db"
        for part in ("new", "cur", "tmp"):
            (folder / "box" / part).mkdir(parents=True)
        shutil.copyfile(empty, self.database)

    def put(self, *mails: bytes) -> None:
        for mail in mails:
            n = sum(1 for _ in self.folder.rglob("*.host"))
            (self.folder / "box" / "new" / f"{n:03}.host").write_bytes(mail)

    def read(self) -> None:
        """Read the mailbox once, in this process."""
        inbox = Inbox(
            kind="maildir",
            address="gonogo@example.com",
            key=KEY,
            trusted_server="mx.example.com",
            maildir=self.folder / "box",
        )
        store = schema.engine(f"sqlite:///{self.database}")
        read_mailbox(lambda: Desk(config=config(inbox=inbox), store=store, now_utc=NOW))
        store.dispose()

    def stored(self) -> tuple[Counter[str], Counter[str], int]:
        """Return the entries in the log, the answers in the outbox, and how many mails still lie in the box."""
        store = schema.engine(f"sqlite:///{self.database}")
        entry, message = schema.entry, schema.message
        with schema.read(store) as connection:
            rows = connection.execute(sa.select(entry.c.kind, entry.c.record, entry.c.source_key)).all()
            entries = Counter(f"{row.kind} {row.record} {row.source_key}" for row in rows)
            answers = Counter(connection.scalars(sa.select(message.c.subject)).all())
        store.dispose()
        return entries, answers, sum(1 for part in ("new", "cur") for _ in (self.folder / "box" / part).iterdir())

    def question(self) -> bytes:
        """Return the yes to the question in the outbox."""
        store = schema.engine(f"sqlite:///{self.database}")
        query = sa.select(schema.message_raw.c.raw).join(schema.message)
        with schema.read(store) as connection:
            raw = connection.scalars(query.where(schema.message.c.subject.contains("yes"))).one()
        store.dispose()
        identity = str(BytesHeaderParser().parsebytes(bytes(raw))["message-id"]).strip()
        return answer(["yes"], mark=None, References=identity, Message_ID="<yes@phone.example>", vouched=False)


FIRST = (
    answer(["N3 11.2", "N1 rolled 6"], Message_ID="<1@phone.example>"),
    answer(["N2 watered 6950 gal"], Message_ID="<2@phone.example>", vouched=False),
    answer(["N1 wet"], Message_ID="<3@phone.example>"),
    answer(["N3 99"], From="x@elsewhere.example", Message_ID="<4@phone.example>"),
    answer(["S1 12,4", "pluie 4,5 depuis 6:00"], "luc", Message_ID="<5@phone.example>"),
    answer(["N3 11.2", "N1 rolled 6"], Message_ID="<1@phone.example>"),
    answer(["N2 12,4"], "eva", Message_ID="<6@phone.example>", sent_utc=NOW - timedelta(hours=3)),
)
SECOND = (answer(["undo 1"], Message_ID="<7@phone.example>"),)


def child(box: Box, kill_at: int) -> tuple[bool, str]:
    """Read the mailbox in a child that dies at its kill_at-th line; return whether it ended, or where it died."""
    pipe_in, pipe_out = os.pipe()
    process = os.fork()
    if process == 0:
        os.close(pipe_in)
        n_lines = 0

        def traced(frame: FrameType, event: str, _argument: Any) -> Any:
            nonlocal n_lines
            if event == "call" and not any(room in frame.f_code.co_filename for room in WAY_IN):
                return None
            if event == "line":
                n_lines += 1
                if n_lines == kill_at:
                    os.write(pipe_out, f"{Path(frame.f_code.co_filename).name}".encode())
                    os.kill(os.getpid(), signal.SIGKILL)
            return traced

        sys.settrace(traced if kill_at else None)
        box.read()
        os._exit(0)
    os.close(pipe_out)
    with os.fdopen(pipe_in, "rb") as pipe:
        where = pipe.read().decode()
    _, status = os.waitpid(process, 0)
    if not os.WIFSIGNALED(status) and os.WEXITSTATUS(status) != 0:
        raise AssertionError("the way in ended in a fault of its own")
    return not os.WIFSIGNALED(status), where


def through(box: Box, rng: random.Random, count: Count | None, n_lines: int) -> None:
    """Read both parts of the mails, killed again and again where there is a count."""
    for part in (FIRST, SECOND):
        box.put(*(part if part is FIRST else (box.question(), *part)))
        for _ in range(MOST_STARTS):
            kill_at = rng.randrange(1, n_lines) if count is not None and rng.random() < 0.8 else 0
            is_done, where = child(box, kill_at)
            if is_done:
                break
            assert count is not None
            count.kills += 1
            count.where[where] += 1


def kill(n_kills: int, seed: int, *, n_lines: int = 2200) -> Count:
    """Kill so many times, and count what was lost or stored twice. n_lines: about how many lines a way in has."""
    rng, count = random.Random(seed), Count()
    with tempfile.TemporaryDirectory() as root:
        empty = Path(root) / "empty.db"
        store = schema.engine(f"sqlite:///{empty}")
        upgrade(store)
        store.dispose()
        whole = Box(Path(root) / "whole", empty)
        through(whole, rng, None, n_lines)
        entries, answers, _ = whole.stored()
        n = 0
        while count.kills < n_kills:
            n += 1
            box = Box(Path(root) / f"{n}", empty)
            through(box, rng, count, n_lines)
            child(box, 0)  # a start more, as after any restart
            own_entries, own_answers, left = box.stored()
            count.entries += entries.total()
            count.answers += answers.total()
            count.lost += ((entries - own_entries) + (answers - own_answers)).total()
            count.doubled += ((own_entries - entries) + (own_answers - answers)).total()
            count.left_in_the_box += left
            shutil.rmtree(box.folder)
    return replace(count)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    count = kill(asked.kills, asked.seed)
    print("| kills | entries | answers | lost | doubled | left in the mailbox |\n| --- | --- | --- | --- | --- | --- |")
    print(
        f"| {count.kills} | {count.entries} | {count.answers} | {count.lost} | {count.doubled} | "
        f"{count.left_in_the_box} |"
    )
    print("killed in:", ", ".join(f"{name} {n}" for name, n in count.where.most_common()))
    sys.exit(1 if count.lost or count.doubled or count.left_in_the_box else 0)


if __name__ == "__main__":
    main()
