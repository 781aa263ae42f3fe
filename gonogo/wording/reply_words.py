"""Words of an answer to a mail, in every language: which thing each means, and which our own mails print."""

from __future__ import annotations

import functools
import tomllib
import unicodedata
from collections.abc import Mapping
from importlib import resources

GROUND = ("snow", "cleared", "pond", "drained", "slick", "frozen", "firm")
ACTS = ("watered", "rolled", "sealed", "disked", "spread", "accepted", "rework", *GROUND)


@functools.cache
def tables() -> Mapping[str, Mapping[str, tuple[str, ...]]]:
    """Return the words by language and meaning."""
    text = resources.files("gonogo.wording").joinpath("reply_words.toml").read_text(encoding="utf-8")
    return {
        language: {meaning: tuple(words) for meaning, words in table.items()}
        for language, table in tomllib.loads(text).items()
    }


@functools.cache
def meanings() -> Mapping[str, str]:
    """Return the meaning of each word of every language, as `folded` writes it; courtesies and phones apart."""
    return {
        folded(word): meaning
        for table in tables().values()
        for meaning, words in table.items()
        if meaning not in ("courtesy", "phone")
        for word in words
    }


@functools.cache
def courtesies() -> frozenset[str]:
    """Return greetings and closings, as `folded` writes them."""
    return frozenset(folded(word) for table in tables().values() for word in table["courtesy"])


@functools.cache
def phone_lines() -> tuple[str, ...]:
    """Return how the lines begin that phones put below a mail, as `folded` writes them."""
    return tuple(folded(word) for table in tables().values() for word in table["phone"])


def printed(language: str, meaning: str) -> str:
    """Return the word of a meaning that a mail of a language prints; English where the language has no words."""
    known = tables()
    return known.get(language, known["en"])[meaning][0]


def folded(text: str) -> str:
    """Return a text without accents and capitals, with single spaces."""
    apart = unicodedata.normalize("NFKD", text.casefold())
    return " ".join("".join(c for c in apart if not unicodedata.combining(c)).split())
