"""[inbox] of gonogo.toml: where answers come in; each fault in words, and no secret shown."""

from __future__ import annotations

from pathlib import Path

import pytest
from config_copy import Copy

from gonogo.config import check_report
from gonogo.service.logs import secrets_of

GONOGO = "gonogo.toml"
KEY = "0123456789abcdef0123456789abcdef"
BASE = '[inbox]\naddress = "gonogo@example.com"\nkey_env = "REPLY_KEY"\n'
IMAP = BASE + 'kind = "imap"\nhost = "mail.example.com"\nusername = "gonogo"\npassword_env = "BOX"\n'
MAILDIR = BASE + 'kind = "maildir"\nmaildir = "box"\n'
GIVEN = {"REPLY_KEY": KEY, "BOX": "opensesame"}


def test_without_the_table_nothing_is_read(example: Copy) -> None:
    assert example.load().inbox is None


def test_an_imap_account_is_read_with_its_secrets_from_the_environment(example: Copy) -> None:
    example.add(GONOGO, IMAP)
    config = example.load(**GIVEN)
    inbox = config.inbox
    assert inbox is not None
    assert (inbox.host, inbox.port, inbox.security, inbox.folder) == ("mail.example.com", 993, "tls", "INBOX")
    assert "opensesame" not in repr(config) + check_report(config)
    assert KEY not in repr(config) + check_report(config)
    assert {KEY, "opensesame"} <= set(secrets_of(config))


def test_a_maildir_starts_at_the_config_folder(example: Copy) -> None:
    example.add(GONOGO, MAILDIR)
    inbox = example.load(**GIVEN).inbox
    assert inbox is not None
    assert inbox.maildir == Path(example.folder / "box").absolute()


@pytest.mark.parametrize(
    ("lines", "key", "says"),
    [
        (IMAP.replace('key_env = "REPLY_KEY"\n', ""), "inbox.key_env", "openssl rand -hex 32"),
        (IMAP.replace("REPLY_KEY", "SHORT"), "inbox.key_env", "20 at least"),
        (IMAP.replace("REPLY_KEY", "MISSING"), "inbox.key_env", "not set"),
        (IMAP.replace('password_env = "BOX"\n', ""), "inbox.password_env", "is missing"),
        (IMAP.replace('host = "mail.example.com"\n', ""), "inbox.host", "mail.example.com"),
        (IMAP.replace('username = "gonogo"\n', ""), "inbox.username", "is missing"),
        (IMAP + 'security = "none"\n', "inbox.security", "in clear"),
        (IMAP + 'maildir = "box"\n', "inbox.maildir", "no meaning"),
        (IMAP + 'done = "INBOX"\n', "inbox.folder", "twice"),
        (IMAP + 'ca_file = "nowhere.pem"\n', "inbox.ca_file", "not a file"),
        (IMAP + "polls = 3\n", "inbox.polls", "polls"),
        (MAILDIR.replace('maildir = "box"\n', ""), "inbox.maildir", "is missing"),
        (MAILDIR + 'host = "mail.example.com"\n', "inbox.host", "no meaning"),
        (MAILDIR.replace("gonogo@example.com", "no address"), "inbox.address", "mail address"),
    ],
)
def test_a_fault_names_its_key_and_what_would_be_right(lines: str, key: str, says: str, example: Copy) -> None:
    example.add(GONOGO, lines)
    faults = example.faults(**GIVEN, SHORT="tooshort")
    assert key in [fault.key for fault in faults]
    text = "\n".join(map(str, faults))
    assert says in text
    assert "tooshort" not in text
    assert "opensesame" not in text
