"""Take a person out of everything that is stored, and keep the record: verdicts, entries, outcomes and what was said.

Every text column of every table is looked through, so that a table added later is covered too. The database is then
rewritten, since deleted text would otherwise stay in its free pages.
"""

from __future__ import annotations

import contextlib
import json
import re
from datetime import datetime
from email.errors import MessageError
from email.parser import BytesHeaderParser
from email.policy import SMTP
from typing import Any

import sqlalchemy as sa

from gonogo.cli.outcome import CommandOutcome, Exit
from gonogo.config import Config
from gonogo.errors import ConfigError, DeliveryError, Fault
from gonogo.outgoing.envelope import checked_address
from gonogo.outgoing.folder import Folder, listed
from gonogo.records.outside import Transport
from gonogo.store import schema
from gonogo.store.open import open_store
from gonogo.store.refusal import translated

FORGOTTEN = "(forgotten)"
_TO_LINES = re.compile(rb"^To:.*(?:\r\n[ \t].*)*", re.IGNORECASE | re.MULTILINE)
_ID_LINE = re.compile(rb"^Message-ID:.*(?:\r\n[ \t].*)*", re.IGNORECASE | re.MULTILINE)


def forget(config: Config, address: str, *, now_utc: datetime) -> CommandOutcome:
    """Remove a person by address, and say what was removed and where the address still stands.

    Raises ConfigError for what is no address, StoreError where the database refuses: then nothing was changed.
    """
    try:
        checked_address(address)
    except DeliveryError as error:
        right = "Write it like ana@example.com. Nothing was changed."
        fault = Fault(place="command line", key="address", value=address, wrong="no address.", right=right)
        raise ConfigError([fault]) from error
    store = open_store(config)
    try:
        with schema.begin(store) as connection:
            n_mails, n_stopped, names = _forget_mails(connection, address, now_utc)
            n_copies = _forget_config_copies(connection, address)
            n_texts = _forget_texts(connection, address)
        _rewrite(store)
    finally:
        store.dispose()
    n_files = _forget_files(config.transport, address)
    lines = [
        f"{n_mails} stored mails no longer name this person; {n_stopped} of them waited and will not be sent.",
        f"{n_copies} kept configs, {n_texts} other texts and {n_files} files of the mail folder were cleaned.",
    ]
    places = _still_in_config(config, address)
    lines += [f"The address still stands in {place}: delete it there, or it comes back." for place in places]
    if names:
        lines.append("Notes and strip names may still hold the name: only the address is looked for there.")
    return CommandOutcome(text="\n".join(lines), exit_code=Exit.ATTENTION if places else Exit.OK)


def _forget_mails(connection: sa.Connection, address: str, now_utc: datetime) -> tuple[int, int, set[str]]:
    """Clean the mails to an address; return how many there were, how many waited, and the names they were under."""
    mail, kept = schema.message, schema.message_raw
    rows = connection.execute(
        sa.select(mail.c.id, mail.c.name, mail.c.state, kept.c.raw)
        .join(kept, kept.c.message == mail.c.id, isouter=True)
        .where(sa.func.lower(mail.c.address) == address.lower())
        .with_for_update(of=mail)
    ).all()
    n_stopped, names = 0, set()
    for row in rows:
        # The Message-ID is made of the address too: who guesses the address could prove it.
        identity = f"<forgotten.{row.id}@gonogo.invalid>"
        values: dict[str, Any] = {"name": FORGOTTEN, "address": FORGOTTEN, "message_id": identity}
        if row.state == "waiting":
            n_stopped += 1
            values |= {"state": "withdrawn", "settled_utc": now_utc, "lease_owner": None, "lease_until_utc": None}
        connection.execute(sa.update(mail).where(mail.c.id == row.id).values(**values))
        if row.raw is not None:
            raw = without_person(bytes(row.raw), address, row.name, identity)
            connection.execute(sa.update(kept).where(kept.c.message == row.id).values(raw=raw))
        names.add(row.name)
    return len(rows), n_stopped, names - {FORGOTTEN}


def without_person(raw: bytes, address: str, name: str, identity: str) -> bytes:
    """Return a mail without its reader: what it said stays. Empty where the person is named beyond the head."""
    head, gap, body = raw.partition(b"\r\n\r\n")
    head = _TO_LINES.sub(f"To: {FORGOTTEN}".encode(), head)
    head = _ID_LINE.sub(f"Message-ID: {identity}".encode(), head)
    # A head that cannot be read is treated as one that names the person.
    with contextlib.suppress(MessageError, LookupError, ValueError, TypeError, AttributeError):
        parsed = BytesHeaderParser(policy=SMTP).parsebytes(head + gap)
        shown = " ".join(str(value) for value in parsed.values()).lower()
        text = body.decode("utf-8", "replace").lower()
        if address.lower() not in shown + text and name.lower() not in shown + text:
            return head + gap + body
    return b""


def _forget_config_copies(connection: sa.Connection, address: str) -> int:
    """Clean the kept configs; each stays under the hash of what it was, since runs point to it."""
    copy, n_changed = schema.config_copy, 0
    for row in connection.execute(sa.select(copy.c.sha256, copy.c.text)).all():
        if address.lower() not in row.text.lower():
            continue
        text = json.dumps(_cleaned(json.loads(row.text), address), separators=(",", ":"), ensure_ascii=False)
        connection.execute(sa.update(copy).where(copy.c.sha256 == row.sha256).values(text=text))
        n_changed += 1
    return n_changed


def _cleaned(part: Any, address: str) -> Any:
    """Return a part of a config without the person of an address."""
    if isinstance(part, list):
        return [_cleaned(item, address) for item in part]
    if not isinstance(part, dict):
        return part
    if str(part.get("address", "")).lower() == address.lower():
        return part | {"address": FORGOTTEN, "name": FORGOTTEN}
    return {key: _cleaned(value, address) for key, value in part.items()}


def _forget_texts(connection: sa.Connection, address: str) -> int:
    """Take the address out of every other text: notes, error texts, names of sources."""
    pattern, n_changed = re.compile(re.escape(address), re.IGNORECASE), 0
    for table in schema.metadata.sorted_tables:
        keys = list(table.primary_key.columns)
        for column in table.columns:
            if not isinstance(column.type, sa.Text) or column.primary_key:
                continue
            found = sa.select(*keys, column.label("found")).where(
                sa.func.lower(column).contains(address.lower(), autoescape=True)
            )
            for row in connection.execute(found).all():
                is_it = [key == value for key, value in zip(keys, row[:-1], strict=True)]
                text = pattern.sub(FORGOTTEN, row.found)
                connection.execute(sa.update(table).where(*is_it).values({column.name: text}))
                n_changed += 1
    return n_changed


def _rewrite(store: sa.Engine) -> None:
    """Rewrite the database, so that its file holds nothing that was deleted."""
    with translated(store), store.connect().execution_options(isolation_level="AUTOCOMMIT") as connection:
        if store.dialect.name == "sqlite":
            connection.exec_driver_sql("COMMIT")  # every connection begins with a transaction, and this needs none
            connection.exec_driver_sql("VACUUM")
            connection.exec_driver_sql("PRAGMA wal_checkpoint(TRUNCATE)")
        else:
            connection.exec_driver_sql("VACUUM FULL")


def _forget_files(transport: Transport, address: str) -> int:
    """Delete the mails to an address from the folder of a folder transport."""
    if transport.folder is None or not transport.folder.is_dir():
        return 0
    n_gone = 0
    for mail in listed(transport.folder):
        if address.lower() not in mail.to.lower():
            continue
        for name in filter(None, (mail.eml, mail.page)):
            (transport.folder / name).unlink(missing_ok=True)
            n_gone += 1
    if n_gone:
        with Folder(transport) as folder:
            folder.list_again()
    return n_gone


def _still_in_config(config: Config, address: str) -> list[str]:
    """Where the config in force still names an address."""
    places = [
        f"sites/{site.id}.toml or sites/{site.id}/people.csv, crew {crew.id}, {person.role}"
        for site in config.sites
        for crew in site.crews
        for person in crew.recipients
        if person.address.lower() == address.lower()
    ]
    if config.operator_address is not None and config.operator_address.lower() == address.lower():
        places.append("gonogo.toml, operator")
    return places
