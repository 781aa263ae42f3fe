"""config/gonogo.toml: who runs the service, where it stores, how mails leave, which weather services are asked."""

from __future__ import annotations

import os
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from gonogo.config.acceptance import TABLE
from gonogo.config.inbox_table import read_inbox
from gonogo.config.lines import Loc
from gonogo.config.run_folder import DEFAULT_DAYS, run_folder
from gonogo.config.secret import read_secret
from gonogo.config.settings import read_settings
from gonogo.config.tables import HeadTable, MailTable, StoreTable, WatchTable, WeatherTable
from gonogo.config.toml_file import ConfigFile
from gonogo.config.values import choose_from, is_local_host
from gonogo.config.vocabulary import Vocabulary
from gonogo.records.outside import Inbox, ServiceSettings, Transport, Watch

DEFAULT_STORE = "sqlite:///gonogo.sqlite3"
PORTS = {"starttls": 587, "tls": 465, "none": 25}  # RFC 6409, RFC 8314, RFC 5321
_TABLES = (TABLE, "store", "mail", "inbox", "weather", "watch", "settings")
_WEB = re.compile(r"(https://[^\s/?#@]+|http://(localhost|127\.0\.0\.1)(:[0-9]+)?)([/?][^\s#]*)?")
_STORE_URL = re.compile(r"(sqlite|postgresql(?:\+psycopg)?)://(.*)", re.DOTALL)


@dataclass(frozen=True, slots=True, kw_only=True)
class ServiceFile:
    """What gonogo.toml gave. store_url and transport are None where a fault stands against them."""

    use: str
    operator_address: str | None
    store_url: str | None
    transport: Transport | None
    services: tuple[ServiceSettings, ...]
    settings: Mapping[str, float]
    watch: Watch
    inbox: Inbox | None = None


def read_service(file: ConfigFile, vocabulary: Vocabulary, environ: Mapping[str, str]) -> ServiceFile:
    """Return the service-wide part of a config; every fault of the file is noted on it."""
    keys = {k: v for k, v in file.raw.items() if k not in _TABLES}
    head = file.read(HeadTable, keys, ())
    return ServiceFile(
        use=head.use if head else "",
        operator_address=head.operator if head else None,
        store_url=_store_url(file, environ),
        transport=_transport(file, environ),
        services=_services(file, vocabulary, head, environ),
        settings=read_settings(file, "operator"),
        watch=_watch(file, environ),
        inbox=read_inbox(file, environ),
    )


def _store_url(file: ConfigFile, environ: Mapping[str, str]) -> str | None:
    """Return the database address; a relative SQLite path starts at the config folder."""
    table = file.read(StoreTable, file.raw.get("store", {}), ("store",))
    if table is None:
        return None
    loc: Loc = ("store", "url")
    hidden = table.url_env is not None or table.url_file is not None
    if hidden and table.url is not None:
        file.add_fault(loc, "stands beside url_env or url_file: only one can hold.", "Delete it.", is_shown=False)
        return None
    url = table.url or DEFAULT_STORE
    if hidden:
        loc = ("store", "url_env" if table.url_env is not None else "url_file")
        found = read_secret(file, ("store",), "url", env=table.url_env, path=table.url_file, environ=environ)
        if found is None:
            return None
        url = found
    matched = _STORE_URL.fullmatch(url)
    if matched is None or not url.isprintable():
        file.add_fault(
            loc,
            "is no database address known here.",
            'Write "sqlite:///gonogo.sqlite3" or "postgresql://user@host/database".',
            is_shown=False,
        )
        return None
    scheme, rest = matched.groups()
    if scheme != "sqlite":
        login = rest.partition("/")[0].rpartition("@")[0]
        if (":" in login or "password" in rest.casefold()) and not hidden:
            file.add_fault(
                loc,
                "holds a password in clear.",
                'Write url_env = "GONOGO_STORE_URL" and set that variable to the whole address.',
                is_shown=False,
            )
            return None
        return url
    path = rest.removeprefix("/")
    if not rest.startswith("/") or path in ("", ":memory:") or "?" in path:
        file.add_fault(
            loc,
            "names no file, so nothing would be kept.",
            'Write "sqlite:///gonogo.sqlite3" (beside gonogo.toml) or "sqlite:////var/lib/gonogo/gonogo.sqlite3".',
        )
        return None
    place = (file.path.parent / path).absolute()
    if os.name == "posix" and place.is_file() and place.stat().st_mode & 0o077:
        file.warn(
            11, loc, "is open to other users of this machine, with names, addresses and mails.", f"chmod 600 {place}"
        )
    return f"sqlite:///{place}"


def _transport(file: ConfigFile, environ: Mapping[str, str]) -> Transport | None:
    """Return how mails leave."""
    table = file.read(MailTable, file.raw.get("mail", {}), ("mail",))
    if table is None:
        return None
    n_before = len(file.faults)
    smtp_keys = ("host", "port", "security", "username", "password_env", "password_file", "ca_file", "connections")
    foreign = smtp_keys if table.kind == "folder" else ("folder",)
    for key in foreign:
        if getattr(table, key) is not None:
            file.add_fault(("mail", key), f'has no meaning with kind = "{table.kind}".', "Delete it or change kind.")
    needed = "folder" if table.kind == "folder" else "host"
    if getattr(table, needed) is None:
        remedy = 'Write folder = "mails".' if needed == "folder" else 'Write, for example, host = "mail.example.com".'
        file.add_fault(("mail", needed), f'is missing; kind = "{table.kind}" needs it.', remedy)
    if table.kind == "folder":
        if len(file.faults) > n_before or table.folder is None:
            return None
        folder = (file.path.parent / table.folder).absolute()
        return Transport(kind="folder", sender=table.sender, reply_to=table.reply_to, folder=folder)
    password = read_secret(
        file, ("mail",), "password", env=table.password_env, path=table.password_file, environ=environ
    )
    has_source = table.password_env is not None or table.password_file is not None
    if has_source and table.username is None:
        file.add_fault(
            ("mail", "username"), "is missing beside a password.", 'Write, for example, username = "gonogo".'
        )
    if table.username is not None and not has_source:
        file.add_fault(
            ("mail", "password_env"), "is missing beside a username.", 'Write password_env = "GONOGO_MAIL_PASSWORD".'
        )
    security, host = table.security or "starttls", table.host or ""
    if security == "none" and has_source and not is_local_host(host):
        file.add_fault(
            ("mail", "security"), "would send the password in clear.", 'Write security = "starttls" or "tls".'
        )
    ca_file = (file.path.parent / table.ca_file).absolute() if table.ca_file else None
    if ca_file is not None and not ca_file.is_file():
        file.add_fault(("mail", "ca_file"), "is not a file.", "Name the PEM file of the firm's own certificates.")
    if len(file.faults) > n_before:
        return None
    return Transport(
        kind="smtp",
        sender=table.sender,
        reply_to=table.reply_to,
        host=host,
        port=table.port or PORTS[security],
        security=security,
        username=table.username,
        password=password,
        timeout_s=table.timeout_s,
        ca_file=ca_file,
        connections=table.connections,
    )


def _watch(file: ConfigFile, environ: Mapping[str, str]) -> Watch:
    """Return how somebody else learns whether the service is alive."""
    table = file.read(WatchTable, file.raw.get("watch", {}), ("watch",))
    if table is None:
        return Watch()
    ping_url = table.ping_url
    if table.ping_url_env is not None or table.ping_url_file is not None:
        if ping_url is not None:
            file.add_fault(("watch", "ping_url"), "stands beside ping_url_env or ping_url_file.", "Delete one.")
        loc: Loc = ("watch",)
        ping_url = read_secret(file, loc, "ping_url", env=table.ping_url_env, path=table.ping_url_file, environ=environ)
        if ping_url is not None and not _WEB.fullmatch(ping_url):
            key = "ping_url_env" if table.ping_url_env is not None else "ping_url_file"
            file.add_fault((*loc, key), "leads to no https address.", "Write https://host/path there.", is_shown=False)
    health_file = (file.path.parent / table.health_file).absolute() if table.health_file else None
    return Watch(ping_url=ping_url, health_file=health_file)


def _services(
    file: ConfigFile, vocabulary: Vocabulary, head: HeadTable | None, environ: Mapping[str, str]
) -> tuple[ServiceSettings, ...]:
    """Return the weather services in the order in which they are asked."""
    raw: Any = file.raw.get("weather", [])
    if not isinstance(raw, list) or not raw or not all(isinstance(entry, dict) for entry in raw):
        file.add_fault(
            ("weather",),
            "is no list of weather services." if raw else "is missing.",
            'Write one [[weather]] for each service in the order to ask, with service = "open_meteo".',
        )
        return ()
    services, seen = [], set()
    for n, entry in enumerate(raw):
        loc: Loc = ("weather", n)
        name = entry.get("service")
        if isinstance(name, str) and name not in vocabulary.services:
            file.add_fault((*loc, "service"), "is no weather service.", choose_from(name, vocabulary.services))
        if isinstance(name, str) and name in seen:
            file.add_fault((*loc, "service"), "is listed twice.", "Delete one: each service is asked once a morning.")
        seen.add(str(name))  # whatever stands there; a wrong kind is a fault below
        table = file.read(WeatherTable, entry, loc)
        if table is None:
            continue
        contact = table.contact or (head.operator if head else None) or ""
        if head is not None and not contact and name in vocabulary.need_contact:
            file.add_fault(
                (*loc, "contact"),
                "is missing: this service asks for an address to write to when something is wrong.",
                'Write operator = "operator@example.com" at the top of gonogo.toml, or contact here.',
            )
            continue
        key = read_secret(file, loc, "key", env=table.key_env, path=table.key_file, environ=environ)
        if key is None and head is not None and head.use == "commercial" and name in vocabulary.commercial_needs_key:
            file.warn(
                12,
                (*loc, "service"),
                'is free without a key for non-commercial use only; this config says use = "commercial".',
                "Set key_env with a paid plan's key, put a service that allows commercial use first, or only evaluate.",
            )
        n_before = len(file.faults)
        folder = run_folder(file, loc, table, vocabulary)
        if len(file.faults) > n_before:
            continue
        services.append(
            ServiceSettings(
                name=table.service,
                base_url=table.base_url,
                key=key,
                contact=contact,
                timeout_s=table.timeout_s,
                retries=table.retries,
                folder=folder,
                source=table.source,
                days=table.days or DEFAULT_DAYS,
            )
        )
    return tuple(services)
