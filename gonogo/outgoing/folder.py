"""To a folder instead of a server: each mail as .eml and .html, and an index.html that opens in a browser.

Folders are <site>/<crew>, so the index is read from what lies there and is right whoever wrote it.
"""

from __future__ import annotations

import base64
import hashlib
import html
import os
import re
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from email.message import EmailMessage
from email.parser import BytesHeaderParser, BytesParser
from email.policy import SMTP
from email.utils import parsedate_to_datetime
from pathlib import Path
from types import TracebackType
from urllib.parse import quote

from gonogo.errors import DeliveryError, TransportError
from gonogo.outgoing.envelope import LeaseLostError, always_ours, checked_raw
from gonogo.records.outside import Transport
from gonogo.store.queued import Envelope

INDEX = "index.html"

# Names that Windows keeps for itself.
_DEVICES = frozenset({"con", "prn", "aux", "nul", *(f"{port}{n}" for port in ("com", "lpt") for n in range(10))})

_STYLE = """
:root { color-scheme: light dark; }
body { font: 16px/1.5 system-ui, sans-serif; max-width: 60rem; margin: 1.5rem auto; padding: 0 1rem; }
h1 { font-size: 1.4rem; } h2 { font-size: 1.15rem; margin-top: 2rem; } h3 { font-size: 1rem; margin-bottom: .3rem; }
ul { list-style: none; margin: 0; padding: 0; } li { padding: .5rem 0; border-top: 1px solid #8886; }
.to { display: block; font-size: .9rem; opacity: .8; overflow-wrap: anywhere; }
"""


class Folder:
    """A folder that takes mails. The index is written at the end of the block."""

    def __init__(self, transport: Transport) -> None:
        if transport.folder is None:
            raise TransportError("The mail transport is a folder, but names none. Set transport.folder.")
        self._root = transport.folder
        self._has_new = False

    def __enter__(self) -> Folder:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def deliver(self, envelope: Envelope, is_ours: Callable[[], bool] = always_ours) -> None:
        """Write a mail's .eml, and its .html where it has one. A mail written again replaces itself.

        Raises DeliveryError where the mail is not one of ours (not passing), TransportError where the disk refuses.
        """
        raw = checked_raw(envelope)
        if not is_ours():
            raise LeaseLostError(f"Message {envelope.message_id}: another worker has it by now. It was not written.")
        place = self._root / safe_name(envelope.site_id, "site") / safe_name(envelope.crew_id, "crew")
        parsed = BytesParser(policy=SMTP).parsebytes(raw)
        name = file_name(envelope, parsed)
        try:
            place.mkdir(parents=True, exist_ok=True)
            page = page_of(parsed)
            if page is not None:
                _write(place / f"{name}.html", page.encode())
            _write(place / f"{name}.eml", raw)
            self._has_new = True
        except OSError as error:
            raise TransportError(
                f"{self._root}: the mail could not be written ({error.strerror or type(error).__name__}). "
                "Check the folder's rights and the space on its disk. The mails wait and are tried again."
            ) from error

    def list_again(self) -> None:
        """Have the index written though no mail came: something was taken out."""
        self._has_new = True

    def close(self) -> None:
        """Write the index over everything that lies in the folder, if anything was added."""
        if self._has_new:
            try:
                _write(self._root / INDEX, index_page(listed(self._root)).encode())
            except OSError as error:
                raise TransportError(f"{self._root / INDEX}: could not be written ({error.strerror}).") from error


@dataclass(frozen=True, slots=True, kw_only=True)
class FolderMail:
    """One mail that lies in the folder; paths relative to it."""

    site: str
    crew: str
    eml: str
    page: str | None
    subject: str
    to: str


def deliver(envelope: Envelope, transport: Transport) -> None:
    """Write one mail and the index. Raises DeliveryError, see Folder.deliver."""
    with Folder(transport) as folder:
        folder.deliver(envelope)


def listed(root: Path) -> tuple[FolderMail, ...]:
    """Return the mails of a folder by site, crew and name."""
    found = []
    for path in sorted(root.glob("*/*/*.eml")):
        with path.open("rb") as file:
            head = BytesHeaderParser(policy=SMTP).parse(file)
        page = path.with_suffix(".html")
        found.append(
            FolderMail(
                site=path.parent.parent.name,
                crew=path.parent.name,
                eml=path.relative_to(root).as_posix(),
                page=page.relative_to(root).as_posix() if page.exists() else None,
                subject=str(head["subject"] or path.stem),
                to=str(head["to"] or ""),
            )
        )
    return tuple(found)


def index_page(mails: tuple[FolderMail, ...]) -> str:
    """Return the page that lists the mails by site and crew, with links."""
    lines = [
        '<!doctype html><html lang="en"><head><meta charset="utf-8">',
        '<meta name="viewport" content="width=device-width, initial-scale=1">',
        f"<title>Mails</title><style>{_STYLE}</style></head><body>",
        f"<h1>Mails: {len(mails)}</h1>",
    ]
    site = crew = None
    for mail in mails:
        if (mail.site, mail.crew) != (site, crew):
            lines.append("</ul>" if crew is not None else "")
            if mail.site != site:
                lines.append(f"<h2>Site {html.escape(mail.site)}</h2>")
            lines.append(f"<h3>Crew {html.escape(mail.crew)}</h3><ul>")
            site, crew = mail.site, mail.crew
        main = mail.page or mail.eml
        lines.append(
            f'<li><a href="{quote(main)}">{html.escape(mail.subject)}</a>'
            f'<span class="to">{html.escape(mail.to)} · <a href="{quote(mail.eml)}">.eml</a></span></li>'
        )
    lines.append("</ul></body></html>" if mails else "<p>None yet.</p></body></html>")
    return "\n".join(line for line in lines if line)


def page_of(parsed: EmailMessage) -> str | None:
    """Return the HTML body as a page that stands alone: pictures of the mail are put into it. None without HTML."""
    body = parsed.get_body(preferencelist=("html",))
    if body is None:
        return None
    page = str(body.get_content())
    for part in parsed.walk():
        content_id = str(part.get("content-id", "")).strip().strip("<>")
        if content_id and part.get_content_maintype() == "image":
            content = part.get_payload(decode=True)
            picture = base64.b64encode(content if isinstance(content, bytes) else b"").decode()
            page = page.replace(f"cid:{content_id}", f"data:{part.get_content_type()};base64,{picture}")
    return page


def file_name(envelope: Envelope, parsed: EmailMessage) -> str:
    """Return the name, without ending, under which a mail lies: date, role, person, and its Message-ID's mark."""
    try:
        day = parsedate_to_datetime(str(parsed["date"])).date().isoformat()
    except ValueError as error:
        raise DeliveryError(f"Message {envelope.message_id}: its Date line holds no date.", passing=False) from error
    mark = hashlib.sha256(envelope.message_id.encode()).hexdigest()[:8]
    return "-".join((day, _slug(envelope.role) or "mail", _slug(envelope.name) or "reader", mark))


def safe_name(text: str, otherwise: str) -> str:
    """Return a name that is one plain folder on any system; different texts stay different."""
    if re.fullmatch(r"[a-z0-9]([a-z0-9_-]{0,58}[a-z0-9])?", text) and text not in _DEVICES:
        return text
    mark = hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()[:8]
    return f"{_slug(text) or otherwise}-{mark}"


def _slug(text: str) -> str:
    """The plain letters and digits of a text, joined by hyphens."""
    return re.sub(r"[^a-z0-9]+", "-", text.lower()).strip("-")[:40].strip("-")


def _write(path: Path, content: bytes) -> None:
    """Write a file so that it is there whole or not at all."""
    handle, temporary = tempfile.mkstemp(dir=path.parent, prefix=".", suffix=".part")
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(content)
        os.replace(temporary, path)
    finally:
        Path(temporary).unlink(missing_ok=True)
