"""Answers as mail programs send them, of our own making: over 200, each with what must come of it."""

from __future__ import annotations

import html as html_escapes
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import timedelta
from email.message import EmailMessage
from email.policy import SMTP

from inbox_scene import NOW, answer, mark_of
from reply_scene import ATTRIBUTION, HEAD, MARKER, STYLES

from gonogo.inbox.mailbox import MailPlace
from gonogo.mail import token

PEOPLE = {"en": "ana", "es": "eva", "pt": "rui", "fr": "luc"}
STRIPS = {"en": "N", "es": "N", "pt": "N", "fr": "S"}
# What a crew writes, in its words, with what is stored: (strip digit, kind, value).
SAID: dict[str, list[tuple[list[str], list[tuple[str, float | str]]]]] = {
    "en": [
        (["N3 11.2"], [("w", 11.2)]),
        (["N2 watered 6,950 gal 8:40 am", "n1 rolled 6"], [("l", 26308.612), ("k", "rolled")]),
        (["Ramp middle 12.4 gauge", "rain 0.2 since 18:00 yesterday"], [("w", 12.4), ("r", 5.08)]),
    ],
    "es": [
        (["N3 11,2"], [("w", 11.2)]),
        (["N2 regado 26.300", "n1 compactado 6 pasadas 8:40"], [("l", 26300.0), ("k", "rolled")]),
        (["Hollow 12,4 horno", "lluvia 4,5 desde ayer 18:00"], [("w", 12.4), ("r", 4.5)]),
    ],
    "pt": [
        (["N3 11,2 densímetro"], [("w", 11.2)]),
        (["N2 molhado 26.300 L às 8:40", "N1 selado"], [("l", 26300.0), ("k", "sealed")]),
        (["n1 gradeado", "chuva 4.5 desde 18:00 ontem"], [("k", "disked"), ("r", 4.5)]),
    ],
    "fr": [
        (["S1 11,2"], [("w", 11.2)]),
        (["S2 arrosé 26 300 L à 8 h 40", "s1 compacté 6 passes"], [("l", 26300.0), ("k", "rolled")]),
        (["Top bench 12,4 étuve", "pluie 4,5 depuis hier 18:00"], [("w", 12.4), ("r", 4.5)]),
    ],
}
QUOTED = ("Compact N1 Ramp toe and N5 Top bench.", "N2 watered 9999 gal", "N1 rolled 9", "S1 rolled 9", "undo 1", "yes")
SIGNED = {
    "en": (["Sent from my phone"], ["-- ", "Ana", "555 0100"], ["Thanks,", "Ana"]),
    "es": (["Enviado desde mi teléfono"], ["-- ", "Eva", "555 0100"], ["Gracias", "Eva"]),
    "pt": (["Enviado do meu telefone"], ["-- ", "Rui", "555 0100"], ["Obrigado", "Rui"]),
    "fr": (["Envoyé de mon téléphone"], ["-- ", "Luc", "555 0100"], ["Merci", "Luc"]),
}
BAD = {
    "en": [
        "N3 wet",
        "N9 11.2",
        "N3 11.2 11.8",
        "N2 watered 6.950 gal",
        "N3 112",
        "N1 rolled 8:40 yesterday",
        "N1 done",
        "?",
    ],
    "es": ["N3 mojado", "N9 11,2", "N3 11,2 11,8", "N2 regado 31,800", "N3 112", "N2 no regado 9.000", "listo", "N3"],
    "pt": [
        "N3 molhada",
        "N9 11,2",
        "N3 11,2 11,8",
        "N2 molhado 31,800",
        "N3 112",
        "N2 não molhado 9.000",
        "feito",
        "N3 -5",
    ],
    "fr": [
        "S1 mouillé",
        "S9 11,2",
        "S1 11,2 11,8",
        "S2 arrosé 31.800",
        "S1 112",
        "S1 pas arrosé 9000",
        "fait",
        "S1 1/2",
    ],
}


@dataclass(frozen=True)
class Case:
    """An answer with what must come of it.

    entries   (kind letter, value) in the order of the lines; none where nothing may be stored
    mailed    "stored", "unread", "question", "order" or "" for no answer at all
    """

    name: str
    raw: bytes
    place: MailPlace
    entries: tuple[tuple[str, float | str], ...] = ()
    mailed: str = ""
    to: str = ""


def cases() -> Iterator[Case]:
    yield from _styles()
    yield from _pages()
    yield from _signed()
    yield from _forwarded()
    yield from _wrong_marks()
    yield from _spoofed()
    yield from _not_people()
    yield from _bad_lines()
    yield from _asked_about()
    yield from _orders()
    yield from _encodings()


def _good(name: str, raw: bytes, entries: Sequence[tuple[str, float | str]], language: str) -> Case:
    return Case(name, raw, MailPlace.DONE, tuple(entries), "stored", PEOPLE[language])


def _styles() -> Iterator[Case]:
    for language, said in SAID.items():
        for style, quote in STYLES.items():
            for n, (lines, entries) in enumerate(said):
                raw = answer(quote(lines, QUOTED, language), PEOPLE[language])
                yield _good(f"{language} {style} {n}", raw, entries, language)


def _page(lines: Sequence[str], language: str, style: str) -> str:
    """The same answer as HTML alone, in six ways that programs write it."""
    own = [html_escapes.escape(line) for line in lines]
    quoted = "".join(f"<p>{html_escapes.escape(line)}</p>" for line in (MARKER, *QUOTED))
    bare = "".join(f"<p>{html_escapes.escape(line)}</p>" for line in QUOTED)
    sentence = html_escapes.escape(ATTRIBUTION[language])
    head = "".join(f"<b>{html_escapes.escape(line)}</b><br>" for line in HEAD[language])
    return {
        "divs": "".join(f"<div>{line}</div>" for line in own) + f"<div>{sentence}<blockquote>{bare}</blockquote></div>",
        "breaks": "<br>\n".join(own) + f"<br><br>{sentence}<br><blockquote type=cite>{quoted}</blockquote>",
        "paragraphs": "".join(f"<p class=x>{line}</p>" for line in own) + f"<hr><p>{head}</p>{bare}",
        "table": "<table>" + "".join(f"<tr><td>{line}</td></tr>" for line in own) + f"</table><p>{head}</p>{quoted}",
        "spans": "".join(f"<div><span style='color:red'>{line}</span></div>" for line in own) + quoted,
        "script": "<script>alert('N2 watered 9999 gal')</script><style>N1 rolled 9</style>"
        + "".join(f"<p>{line}</p>" for line in own)
        + f"<!-- N1 rolled 9 -->{quoted}",
    }[style]


def _pages() -> Iterator[Case]:
    for language in PEOPLE:
        for style in ("divs", "breaks", "paragraphs", "table", "spans", "script"):
            lines, entries = SAID[language][1]
            mail = _parsed(answer([], PEOPLE[language]))
            mail.set_content(f"<html><body>{_page(lines, language, style)}</body></html>", subtype="html")
            yield _good(f"{language} page of {style}", mail.as_bytes(), entries, language)


def _parsed(raw: bytes) -> EmailMessage:
    from email.parser import BytesParser

    mail = BytesParser(policy=SMTP).parsebytes(raw)
    for name in ("content-type", "content-transfer-encoding", "mime-version"):
        del mail[name]
    assert isinstance(mail, EmailMessage)
    return mail


def _signed() -> Iterator[Case]:
    for language, signatures in SIGNED.items():
        for n, signature in enumerate(signatures):
            lines, entries = SAID[language][0]
            raw = answer([*lines, "", *signature], PEOPLE[language])
            yield _good(f"{language} signature {n}", raw, entries, language)


def _forwarded() -> Iterator[Case]:
    rules = ("---------- Forwarded message ---------", "-------- Mensaje reenviado --------")
    for language, person in PEOPLE.items():
        lines, entries = SAID[language][0]
        below = ["", rules[0], *HEAD[language], "", *QUOTED]
        subject = f"Fwd: Compact 2 {token.shown(mark_of(person))}"
        yield _good(
            f"{language} forwards its own", answer([*lines, *below], person, Subject=subject), entries, language
        )
        other = "eva" if person == "ana" else "ana"
        subject = f"RV: Compact 2 {token.shown(mark_of(other))}"
        raw = answer([*lines, "", rules[1], *QUOTED], person, Subject=subject)
        yield Case(
            f"{language} answers a mail forwarded by a colleague", raw, MailPlace.WAITING, (), "question", person
        )


def _wrong_marks() -> Iterator[Case]:
    for language, person in PEOPLE.items():
        lines, _ = SAID[language][0]
        for name, mark in {
            "no mark": None,
            "an invented mark": "abcdefgh234567ab",
            "a mark of three days ago": mark_of(person, "2026-05-09"),
            "a mark of the day after tomorrow": mark_of(person, "2026-05-14"),
        }.items():
            raw = answer(lines, person, mark=mark)
            yield Case(f"{language} with {name}", raw, MailPlace.WAITING, (), "question", person)
        yesterday = answer(lines, person, mark=mark_of(person, "2026-05-11"))
        yield _good(f"{language} with yesterday's mark", yesterday, SAID[language][0][1], language)
        by_reference = answer(
            lines, person, mark=None, References=f"<morning.20260512.test-site.0.k{mark_of(person)}@example.com>"
        )
        yield _good(f"{language} with the mark in References alone", by_reference, SAID[language][0][1], language)


def _spoofed() -> Iterator[Case]:
    results = {
        "no word of our server": None,
        "another server's word": "mx.elsewhere.example; dmarc=pass header.from=example.com",
        "a failed check": "mx.example.com; dmarc=fail header.from=example.com; spf=fail smtp.mailfrom=example.com",
        "a pass of another domain": "mx.example.com; dkim=pass header.d=elsewhere.example",
        "a pass in a comment": "mx.example.com; dmarc=fail (dmarc=pass header.from=example.com) header.from=a.example",
        "a pass in quotes": 'mx.example.com; dkim=fail reason="; dmarc=pass header.from=example.com" header.d=a.b',
        "a pass of the top domain": "mx.example.com; dkim=pass header.d=com",
        "a server whose name begins alike": "mx.example.com.evil.example; dmarc=pass header.from=example.com",
        "none": "mx.example.com; none",
    }
    for name, line in results.items():
        more = {"Authentication_Results": line} if line else {}
        raw = answer(["N3 11.2"], "ana", vouched=False, **more)
        yield Case(f"spoofed with {name}", raw, MailPlace.WAITING, (), "question", "ana")
    forged = answer(["N3 11.2"], "ana", vouched=False)
    ours = b"Authentication-Results: mx.example.com; dmarc=fail header.from=example.com\r\n"
    theirs = b"Authentication-Results: mx.example.com; dmarc=pass header.from=example.com\r\n"
    yield Case("forged below our server's word", ours + theirs + forged, MailPlace.WAITING, (), "question", "ana")
    above = b"Authentication-Results: mx.elsewhere.example; dmarc=pass header.from=example.com\r\n"
    yield Case("another's word above ours", above + theirs + forged, MailPlace.WAITING, (), "question", "ana")
    yield Case("a stranger", answer(["N3 11.2"], From="Who <who@elsewhere.example>"), MailPlace.OTHER)
    yield Case(
        "a stranger under a known name", answer(["N3 11.2"], From="Ana <ana@elsewhere.example>"), MailPlace.OTHER
    )
    yield Case(
        "an address in a stranger's name",
        answer(["N3 11.2"], From='"ana@example.com" <x@evil.example>'),
        MailPlace.OTHER,
    )
    two = answer(["N3 11.2"], From="ana@example.com, x@evil.example")
    yield Case("two writers", two, MailPlace.OTHER)
    doubled = b"From: x@evil.example\r\n" + answer(["N3 11.2"])
    yield Case("two From lines", doubled, MailPlace.OTHER)


def _not_people() -> Iterator[Case]:
    automatic = {
        "auto-replied": {"Auto_Submitted": "auto-replied"},
        "auto-generated": {"Auto_Submitted": "auto-generated; x=1"},
        "X-Autoreply": {"X_Autoreply": "yes"},
        "X-Autorespond": {"X_Autorespond": "away"},
        "bulk": {"Precedence": "bulk"},
        "junk": {"Precedence": "junk"},
        "auto_reply": {"Precedence": "auto_reply"},
        "a loop": {"X_Loop": "gonogo@example.com"},
        "a list": {"List_Id": "<crew.example.com>"},
        "a list to leave": {"List_Unsubscribe": "<mailto:leave@example.com>"},
        "list precedence": {"Precedence": "list"},
        "an own mail": {"From": "gonogo <gonogo@example.com>"},
        "an own mail by its mark": {"Message_ID": f"<answer.20260512.s.0.k{mark_of('ana')}@example.com>"},
        "no-reply": {"From": "no-reply@example.com"},
        "the mail system": {"From": "MAILER-DAEMON@example.com"},
    }
    for name, headers in automatic.items():
        yield Case(f"left: {name}", answer(["N3 11.2"], **headers), MailPlace.OTHER)
    for n, body in enumerate((_report("ana@example.com"), _report("nobody@elsewhere.example"))):
        yield Case(f"bounce {n}", body, MailPlace.OTHER, (), "operator" if n == 0 else "", "operator" if n == 0 else "")
    yield Case("too large", answer(["N3 11.2"] + ["x" * 70] * 1200), MailPlace.OTHER)
    yield Case("no mail at all", b"\x00\xff\xfe", MailPlace.OTHER)
    yield Case("empty", b"", MailPlace.OTHER)


def _report(address: str) -> bytes:
    return (
        "From: Mail system <mailer-daemon@mx.example.com>\r\nTo: gonogo@example.com\r\nSubject: Undelivered\r\n"
        "Return-Path: <>\r\nMIME-Version: 1.0\r\nAuto-Submitted: auto-replied\r\n"
        'Content-Type: multipart/report; report-type=delivery-status; boundary="b"\r\n\r\n'
        "--b\r\nContent-Type: text/plain\r\n\r\nIt did not arrive.\r\n"
        "--b\r\nContent-Type: message/delivery-status\r\n\r\nReporting-MTA: dns; mx.example.com\r\n\r\n"
        f"Final-Recipient: rfc822; {address}\r\nAction: failed\r\nStatus: 5.1.1\r\n\r\n--b--\r\n"
    ).encode()


def _bad_lines() -> Iterator[Case]:
    for language, lines in BAD.items():
        good = SAID[language][0][0][0]
        for n, line in enumerate(lines):
            raw = answer([good, line] if n % 2 else [line, good], PEOPLE[language])
            yield Case(f"{language} bad line {n}", raw, MailPlace.DONE, (), "unread", PEOPLE[language])
        raw = answer(["", "> N3 11.2"], PEOPLE[language])
        yield Case(f"{language} nothing but a quote", raw, MailPlace.DONE, (), "unread", PEOPLE[language])


def _asked_about() -> Iterator[Case]:
    for language, line in {
        "en": "N2 watered 8 gal",
        "es": "N2 regado 32 L",
        "pt": "N2 molhado 60.000",
        "fr": "S2 arrosé 32 L",
    }.items():
        raw = answer([line], PEOPLE[language])
        yield Case(f"{language} far from any dose", raw, MailPlace.WAITING, (), "question", PEOPLE[language])
    raw = answer(["rain 4.5 since yesterday 18:00"], "ana")
    yield Case("inches that were millimetres", raw, MailPlace.WAITING, (), "question", "ana")


def _orders() -> Iterator[Case]:
    words = {"en": ("stop", "start", "yes", "undo 99"), "es": ("parar", "reanudar", "sí", "deshacer 99")}
    words |= {"pt": ("parar", "retomar", "sim", "desfazer 99"), "fr": ("stop", "recommencer", "oui", "annuler 99")}
    for language, (stop, start, yes, undo) in words.items():
        person = PEOPLE[language]
        yield Case(f"{language} stop", answer([stop], person), MailPlace.DONE, (), "order", person)
        yield Case(f"{language} start", answer([start], person), MailPlace.DONE, (), "order", person)
        yield Case(
            f"{language} stop, unproven",
            answer([stop], person, vouched=False),
            MailPlace.WAITING,
            (),
            "question",
            person,
        )
        yield Case(f"{language} yes to nothing", answer([yes], person), MailPlace.DONE, (), "unread", person)
        yield Case(f"{language} undo of nothing", answer([undo], person), MailPlace.DONE, (), "unread", person)
        mixed = answer([SAID[language][0][0][0], stop], person)
        yield Case(f"{language} stop beside an entry", mixed, MailPlace.DONE, (), "unread", person)


def _encodings() -> Iterator[Case]:
    lines, entries = SAID["fr"][1]
    text = "\r\n".join(lines)
    for name, charset, cte in (
        ("latin-1", "iso-8859-1", "quoted-printable"),
        ("windows", "cp1252", "base64"),
        ("utf-8", "utf-8", "8bit"),
        ("utf-8 base64", "utf-8", "base64"),
        ("utf-16", "utf-16", "base64"),
    ):
        mail = _parsed(answer([], "luc"))
        mail.set_content(text.encode(charset), maintype="text", subtype="plain", cte=cte)
        mail.set_param("charset", charset)
        yield _good(f"encoded as {name}", mail.as_bytes(), entries, "fr")
    attached = _parsed(answer([], "ana"))
    attached.set_content("N3 11.2\r\n")
    attached.add_attachment(b"N1 rolled 9", maintype="text", subtype="plain", filename="more.txt")
    attached.add_attachment(b"kind,strip", maintype="text", subtype="csv", filename="day.csv")
    yield _good("with attachments, which are not opened", attached.as_bytes(), [("w", 11.2)], "en")
    both = _parsed(answer([], "ana"))
    both.set_content("N3 11.2\r\n")
    both.add_alternative("<p>N3 99</p>", subtype="html")
    yield _good("text and page", both.as_bytes(), [("w", 11.2)], "en")
    only = _parsed(answer([], "ana"))
    only.set_content(b"N3 11.2", maintype="application", subtype="octet-stream")
    yield Case("nothing but a file", only.as_bytes(), MailPlace.DONE, (), "unread", "ana")
    late = answer(["N3 11.2"], "ana", sent_utc=NOW + timedelta(days=400))
    yield _good("dated next year", late, [("w", 11.2)], "en")
    odd = answer(["N3 11.2"], "ana").replace(b"MIME-Version: 1.0", b"MIME-Version: 1.0\r\nContent-Language: \xff\xfe")
    yield _good("with a broken header", odd, [("w", 11.2)], "en")
