"""Whether a mail comes from the address that it names: by our own mail server's word, or by its DKIM signature.

A line of Authentication-Results counts only where our own server wrote it (RFC 8601): it bears the server's name, and
stands above every other such line. A signature counts where its domain is that of the From line (as in RFC 7489).
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from email.parser import BytesHeaderParser
from email.policy import compat32

import dkim

MOST_SIGNATURES = 5
_COMMENT = re.compile(r"\([^()]*\)")
_QUOTED = re.compile(r'"(?:[^"\\]|\\.)*"')
_RESULT = re.compile(r"\s*([a-z-]+)\s*=\s*([a-z]+)(?=\s|$)(.*)", re.DOTALL)
_PROPERTY = re.compile(r"(?:^|\s)([a-z]+\.[a-z-]+)\s*=\s*([^\s;]+)")

# Asked for the TXT record of a DNS name; returns it, None where there is none. Raises nothing.
DnsText = Callable[[bytes], bytes | None]


def is_vouched(raw: bytes, sender: str, *, server: str | None, dns_text: DnsText | None) -> bool:
    """Return whether it is sure that a mail comes from the address of its From line.

    server     name that our own mail server writes into Authentication-Results, None where it writes none
    dns_text   asked for the keys of DKIM signatures, None where they are not looked at
    """
    domain = sender.rpartition("@")[2]
    if not domain:
        return False
    head = raw.replace(b"\r\n", b"\n").partition(b"\n\n")[0] + b"\n\n"
    mail = BytesHeaderParser(policy=compat32).parsebytes(head)
    lines = [str(line) for line in mail.get_all("authentication-results", [])]
    if server is not None and _server_vouches(lines, server, domain):
        return True
    signatures = [str(line) for line in mail.get_all("dkim-signature", [])][:MOST_SIGNATURES]
    return dns_text is not None and _is_signed(raw, signatures, domain, dns_text)


def _server_vouches(lines: Sequence[str], server: str, domain: str) -> bool:
    """Return whether the topmost line is our server's, and says that the domain was proven."""
    if not lines:
        return False
    text = _plain(lines[0])
    name, _, results = text.partition(";")
    if not name.split() or name.split()[0].lower() != server.lower():
        return False
    return any(_is_proof(result, domain) for result in results.split(";"))


def _plain(line: str) -> str:
    """Return a header line without quoted text and comments: whatever a sender can put there says nothing."""
    text = _QUOTED.sub('""', " ".join(line.split()))
    while _COMMENT.search(text):
        text = _COMMENT.sub(" ", text)
    return text


def _is_proof(result: str, domain: str) -> bool:
    found = _RESULT.fullmatch(result.lower())
    if found is None or found[2] != "pass":
        return False
    properties = dict(_PROPERTY.findall(found[3]))
    if found[1] == "dmarc":
        return bool(properties.get("header.from", "") == domain)
    if found[1] == "dkim":
        return is_aligned(properties.get("header.d", ""), domain)
    if found[1] == "spf":
        return bool(properties.get("smtp.mailfrom", "").rpartition("@")[2] == domain)
    return False


def is_aligned(signing: str, domain: str) -> bool:
    """Return whether a signing domain stands for the domain of an address: the same, or one that holds it."""
    signing, domain = signing.lower().rstrip("."), domain.lower().rstrip(".")
    return bool(signing) and (signing == domain or ("." in signing and domain.endswith(f".{signing}")))


def _is_signed(raw: bytes, signatures: Sequence[str], domain: str, dns_text: DnsText) -> bool:
    def asked(name: bytes, timeout: int = 5) -> bytes | None:
        return dns_text(name)

    for at, line in enumerate(signatures):
        tags = dict(re.findall(r"([a-z]+)\s*=\s*([^;]*)", "".join(line.split())))
        # A signature over the first bytes alone lets anybody add lines below.
        if "l" in tags or not is_aligned(tags.get("d", ""), domain):
            continue
        try:
            if dkim.DKIM(raw, minkey=1024).verify(idx=at, dnsfunc=asked):
                return True
        except (dkim.DKIMException, ValueError, TypeError, IndexError, KeyError, AttributeError):
            continue
    return False
