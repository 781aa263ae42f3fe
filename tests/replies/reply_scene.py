"""What tests of answers share: readers of four languages, a site to write about, quoting styles of mail programs."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import datetime

import sites

from gonogo.records.site import Crew, Recipient, Site
from gonogo.replies.parts import Reader
from gonogo.replies.understand import reader_of
from gonogo.wording.language import speaker

NOW_LOCAL = datetime(2026, 5, 12, 14, 0)  # noqa: DTZ001  # wall clock
LANGUAGES = ("en", "es", "pt", "fr")
UNITS = ("metric", "us")


def reader(language: str, units: str = "metric") -> Reader:
    person = Recipient(name="Ana Boss", address="ana@example.com", role="superintendent", language=language)
    return reader_of(replace(person, units=units), speaker(language, units))


def site() -> Site:
    """A site of two crews, five strips in all; one person reads each language."""
    people = {
        "north": (
            Recipient(name="Ana Boss", address="ana@example.com", role="superintendent", units="us"),
            Recipient(name="Eva Ruiz", address="eva@example.com", role="superintendent", language="es"),
            Recipient(name="Rui Melo", address="rui@example.com", role="driver", language="pt"),
        ),
        "south": (Recipient(name="Luc Roy", address="luc@example.com", role="superintendent", language="fr"),),
    }
    crews = tuple(Crew(id=i, name=i, roller=sites.PADDED, truck=sites.TRUCK, recipients=p) for i, p in people.items())
    names = {"N1": "Ramp toe", "N2": "Ramp middle", "N3": "Hollow", "S1": "South 1", "S2": "Top bench"}
    strips = tuple(
        replace(sites.STRIP, id=i, name=name, crew_id="north" if i[0] == "N" else "south", length_m=200.0)
        for i, name in names.items()
    )
    return sites.small_site(crews=crews, strips=strips)


ATTRIBUTION = {
    "en": "On Tue, May 12, 2026 at 5:31 AM gonogo <gonogo@example.com> wrote:",
    "es": "El mar, 12 may 2026 a las 5:31, gonogo (<gonogo@example.com>) escribió:",
    "pt": "Em ter., 12 de mai. de 2026 às 05:31, gonogo <gonogo@example.com> escreveu:",
    "fr": "Le mar. 12 mai 2026 à 05:31, gonogo <gonogo@example.com> a écrit :",
}
HEAD = {
    "en": (
        "From: gonogo <gonogo@example.com>",
        "Sent: Tuesday, May 12, 2026 5:31 AM",
        "To: Ana Boss",
        "Subject: Water",
    ),
    "es": ("De: gonogo <gonogo@example.com>", "Enviado: martes, 12 de mayo de 2026 5:31", "Para: Eva", "Asunto: Agua"),
    "pt": ("De: gonogo <gonogo@example.com>", "Enviado: terça-feira, 12 de maio", "Para: Rui", "Assunto: Água"),
    "fr": ("De : gonogo <gonogo@example.com>", "Envoyé : mardi 12 mai 2026 05:31", "À : Luc Roy", "Objet : Eau"),
}
MARKER = "= = = gonogo: Write your answer above this line. What stands below is not read. = = ="


def signs(lines: Sequence[str], body: Sequence[str], language: str) -> list[str]:
    """A sentence that names the writer, then a sign before each quoted line."""
    return [*lines, "", ATTRIBUTION[language], "", *(f"> {line}" for line in (MARKER, *body))]


def folded_sentence(lines: Sequence[str], body: Sequence[str], language: str) -> list[str]:
    """The same, with the sentence folded over two lines, and signs without a space."""
    words = ATTRIBUTION[language].split()
    return [*lines, " ".join(words[:6]), " ".join(words[6:]), *(f">{line}" for line in (MARKER, *body))]


def head_below_a_rule(lines: Sequence[str], body: Sequence[str], language: str) -> list[str]:
    """A rule, the head of the quoted mail, then its text without any sign."""
    return [*lines, "", "_" * 32, *HEAD[language], "", MARKER, *body]


def head_alone(lines: Sequence[str], body: Sequence[str], language: str) -> list[str]:
    """The head of the quoted mail without a rule, its text without any sign and without our marker."""
    return [*lines, "", *HEAD[language], "", *body]


def original_message(lines: Sequence[str], body: Sequence[str], language: str) -> list[str]:
    """A line of hyphens with words between, then the head."""
    return [*lines, "", "-----Original Message-----", *HEAD[language], "", *body]


def only_marker(lines: Sequence[str], body: Sequence[str], language: str) -> list[str]:
    """The quoted text alone, as it was, under what was written."""
    return [*lines, "", MARKER, *body]


STYLES: dict[str, Callable[[Sequence[str], Sequence[str], str], list[str]]] = {
    f.__name__: f for f in (signs, folded_sentence, head_below_a_rule, head_alone, original_message, only_marker)
}
