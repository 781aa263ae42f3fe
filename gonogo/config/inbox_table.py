"""[inbox] of gonogo.toml: where answers to mails come in, and how far they are believed."""

from __future__ import annotations

from collections.abc import Mapping

from gonogo.config.lines import Loc
from gonogo.config.secret import read_secret
from gonogo.config.tables import InboxTable
from gonogo.config.toml_file import ConfigFile
from gonogo.config.values import is_local_host
from gonogo.records.outside import Inbox

PORTS = {"tls": 993, "starttls": 143, "none": 143}  # RFC 8314, RFC 9051
SHORTEST_KEY = 20
_IMAP_KEYS = ("host", "port", "security", "username", "password_env", "password_file", "ca_file")
_LOC: Loc = ("inbox",)


def read_inbox(file: ConfigFile, environ: Mapping[str, str]) -> Inbox | None:
    """Return where answers come in, None where there is no such table or a fault stands against it."""
    if "inbox" not in file.raw:
        return None
    table = file.read(InboxTable, file.raw["inbox"], _LOC)
    if table is None:
        return None
    n_before = len(file.faults)
    _refuse_keys_of_the_other_kind(file, table)
    key = _key(file, table, environ)
    is_imap = table.kind == "imap"
    password = _password(file, table, environ) if is_imap else ""
    ca_file = (file.path.parent / table.ca_file).absolute() if table.ca_file else None
    if ca_file is not None and not ca_file.is_file():
        file.add_fault((*_LOC, "ca_file"), "is not a file.", "Name the PEM file of the firm's own certificates.")
    folders = (table.folder, table.done, table.waiting, table.other)
    if is_imap and len(set(folders)) < len(folders):
        file.add_fault((*_LOC, "folder"), "and done, waiting, other name one folder twice.", "Give each its own name.")
    if len(file.faults) > n_before:
        return None
    security = table.security or "tls"
    return Inbox(
        kind=table.kind,
        address=table.address.lower(),
        key=key,
        trusted_server=table.trusted_server,
        checks_dkim=table.checks_dkim,
        host=table.host or "",
        port=table.port or PORTS[security],
        security=security,
        username=table.username or "",
        password=password,
        ca_file=ca_file,
        folder=table.folder,
        done=table.done,
        waiting=table.waiting,
        other=table.other,
        maildir=(file.path.parent / table.maildir).absolute() if table.maildir else None,
    )


def _refuse_keys_of_the_other_kind(file: ConfigFile, table: InboxTable) -> None:
    for key in _IMAP_KEYS if table.kind == "maildir" else ("maildir",):
        if getattr(table, key) is not None:
            file.add_fault((*_LOC, key), f'has no meaning with kind = "{table.kind}".', "Delete it or change kind.")
    remedies = {
        "host": 'Write, for example, host = "mail.example.com".',
        "username": 'Write, for example, username = "gonogo".',
        "maildir": 'Write, for example, maildir = "/var/mail/gonogo".',
    }
    for key in ("host", "username") if table.kind == "imap" else ("maildir",):
        if getattr(table, key) is None:
            file.add_fault((*_LOC, key), f'is missing; kind = "{table.kind}" needs it.', remedies[key])


def _key(file: ConfigFile, table: InboxTable, environ: Mapping[str, str]) -> str:
    """Return the key of the marks, "" after a fault."""
    right = 'Make one (openssl rand -hex 32), keep it in a variable and write key_env = "GONOGO_REPLY_KEY".'
    if table.key_env is None and table.key_file is None:
        file.add_fault((*_LOC, "key_env"), "is missing: by its key an answer is known to be one.", right)
        return ""
    key = read_secret(file, _LOC, "key", env=table.key_env, path=table.key_file, environ=environ)
    if key is not None and len(key) < SHORTEST_KEY:
        name = "key_env" if table.key_env is not None else "key_file"
        wrong = f"leads to a key of {len(key)} characters; it must have {SHORTEST_KEY} at least."
        file.add_fault((*_LOC, name), wrong, right, is_shown=False)
    return key or ""


def _password(file: ConfigFile, table: InboxTable, environ: Mapping[str, str]) -> str:
    """Return the password of the mailbox, "" after a fault."""
    if table.password_env is None and table.password_file is None:
        file.add_fault((*_LOC, "password_env"), "is missing.", 'Write password_env = "GONOGO_INBOX_PASSWORD".')
        return ""
    if table.security == "none" and not is_local_host(table.host or ""):
        file.add_fault((*_LOC, "security"), "would send the password in clear.", 'Write security = "tls".')
    found = read_secret(file, _LOC, "password", env=table.password_env, path=table.password_file, environ=environ)
    return found or ""
