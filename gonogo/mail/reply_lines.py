"""What a mail says about answering it: the line above which an answer is read, and how an entry is written."""

from __future__ import annotations

from dataclasses import replace

from gonogo.mail.token import MARKER_SIGN
from gonogo.units import LITRE_PER_GALLON
from gonogo.wording.language import Speaker
from gonogo.wording.phrases import Amount, Gap, Moment
from gonogo.wording.reply_words import printed


def marker_line(says: Speaker) -> str:
    """Return the line below which nothing of an answer is read."""
    said = says.word("reply.marker")
    return f"{MARKER_SIGN}: {said} = = ="


def grammar_lines(says: Speaker, strip_id: str) -> tuple[str, str]:
    """Return how an answer is written, in the reader's words, numbers and units."""
    language = says.words.language
    water = exact_litres(6_950.0 * LITRE_PER_GALLON if says.unit_system == "us" else 9_000.0)
    examples = (
        f"{strip_id} {says.number(11.2, 1)}",
        f"{strip_id} {printed(language, 'watered')} {says.say(water)}",
        f"{strip_id} {printed(language, 'rolled')} 6",
    )
    hint = says.word("reply.hint")
    undo, stop = f"{printed(language, 'undo')} 17", printed(language, "stop")
    return f"{hint} {'; '.join(examples)}", says.word("reply.hint_numbers", undo=undo, stop=stop)


def entry_line(says: Speaker, strip_id: str, act: str, amount: Gap | None = None) -> str:
    """Return the line that tells one entry. act: a word of wording/reply_words.ACTS; amount: litres or passes."""
    said = f"{strip_id} {printed(says.words.language, act)}"
    return said if amount is None else f"{said} {says.say(amount)}"


def told_then(says: Speaker, told: Moment, days_back: int) -> str:
    """Return a moment of an earlier day as an answer tells it: "yesterday 15:40", or with the date."""
    day = printed(says.words.language, "yesterday") if days_back == 1 else told.at_local.date().isoformat()
    return f"{day} {says.say(replace(told, is_other_day=False, is_near=False))}"


def exact_litres(litres: float) -> Amount:
    """Return an amount of water as it was written or told, not rounded to what a truck can do."""
    return Amount(metric=(float(round(litres)), 0, "L"), us=(float(round(litres / LITRE_PER_GALLON)), 0, "gal"))
