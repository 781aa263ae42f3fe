"""What stands outside the site: mail transport, watch, weather services and their answers."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path


@dataclass(frozen=True, slots=True, kw_only=True)
class Transport:
    """How mails leave: to an SMTP server, or as files into a folder. Fields of the other kind are empty.

    kind       "smtp" or "folder"
    security   "starttls", "tls" or "none"
    username, password   None where the server asks for none; the password never comes from a config file in clear
    folder     where kind "folder" writes .eml and .html
    ca_file    certificates (PEM) to trust beside the system's own, for a mail server inside the firm
    connections   most of them at once, None = by how many mails are due
    """

    kind: str
    sender: str
    reply_to: str | None = None
    host: str = ""
    port: int = 0
    security: str = "starttls"
    username: str | None = None
    password: str | None = field(default=None, repr=False)
    timeout_s: float = 30.0
    folder: Path | None = None
    ca_file: Path | None = None
    connections: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Inbox:
    """Where answers to mails come in. Fields of the other kind are empty.

    kind            "imap" or "maildir"
    address         where readers answer to
    key             of the marks by which an answer is known; like the password it never comes from a file in clear
    trusted_server  name by which our own mail server signs its Authentication-Results; None where it writes none
    checks_dkim     signatures of mails are verified, which asks the DNS for their keys
    folder          where mails arrive; done, waiting, other: where they are moved to
    maildir         a folder with new, cur and tmp
    """

    kind: str
    address: str
    key: str = field(repr=False)
    trusted_server: str | None = None
    checks_dkim: bool = True
    host: str = ""
    port: int = 0
    security: str = "tls"
    username: str = ""
    password: str = field(default="", repr=False)
    ca_file: Path | None = None
    folder: str = "INBOX"
    done: str = "gonogo-done"
    waiting: str = "gonogo-waiting"
    other: str = "gonogo-other"
    maildir: Path | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Watch:
    """How somebody else learns whether the service is alive. None = not asked for.

    ping_url      asked once after each good morning; often holds a key, so it is kept out of every printed form
    health_file   rewritten all the time, for monitors
    """

    ping_url: str | None = field(default=None, repr=False)
    health_file: Path | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ServiceSettings:
    """One weather service as the config orders it. The order of the settings is the order of asking.

    name        a service of weather/services, e.g. "open_meteo"
    base_url    None for the service's own address
    key         from the environment or a secrets file, None for none; kept out of every printed form
    contact     mail address that the service may write to, sent in the User-Agent
    timeout_s   longest silence, and a quarter of the longest time for a whole answer
    retries     further tries after a passing fault
    source, folder, days   of a service that is read from a folder: whose runs, where they lie, how many days of each
    """

    name: str
    base_url: str | None = None
    key: str | None = field(default=None, repr=False)
    contact: str = ""
    timeout_s: float = 15.0
    retries: int = 2
    source: str | None = None
    folder: Path | None = None
    days: int = 6


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """A weather service's answer as it came, for the store and for running a morning again.

    url       without key
    headers   those that later requests need: name in lower case -> value
    body      as it came, decompressed
    """

    service: str
    url: str
    fetched_utc: datetime
    status: int
    headers: Mapping[str, str]
    body: bytes = field(repr=False)
