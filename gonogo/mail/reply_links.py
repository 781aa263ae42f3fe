"""Links by which a reader answers: each opens a mail with address, subject and the line to complete.

They stand in a mail only where answers are read: where its Message-ID carries a mark. The lines are those of the
grammar of answers, in the reader's words, numbers and units.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from urllib.parse import quote

from gonogo.mail import token
from gonogo.mail.items import MorningView
from gonogo.mail.reply_lines import grammar_lines, marker_line
from gonogo.records.verdict import Verdict
from gonogo.wording.instruction import Instruction
from gonogo.wording.language import Speaker
from gonogo.wording.reply_words import printed


@dataclass(frozen=True, slots=True, kw_only=True)
class Link:
    """A link by its label."""

    label: str
    href: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Answers:
    """What a mail offers for answering it.

    marker     the line above which an answer is read
    hints      how an answer is written
    by_strip   links of each strip
    all_done   one for everything that was told, None where nothing was
    """

    marker: str
    hints: tuple[str, ...]
    by_strip: Mapping[str, tuple[Link, ...]]
    all_done: Link | None


def answers(view: MorningView, speak: Speaker, role: str, *, address: str, message_id: str) -> Answers | None:
    """Return what a mail offers for answering it, None where no answer is read. address: where answers go."""
    if not token.of_message_id(message_id) or not address:
        return None
    rows = [card.instruction for card in view.driver.cards] if role == "driver" else [r.instruction for r in view.rows]
    known = {row.strip_id: row for row in rows}
    subject = token.subject_with(f"gonogo {view.crew}", message_id)

    def link(key: str, lines: Sequence[str]) -> Link:
        body = quote("\r\n".join(lines))
        return Link(
            label=speak.word(key), href=f"mailto:{quote(address, safe='@')}?subject={quote(subject)}&body={body}"
        )

    by_strip = {
        strip_id: (
            link("reply.link_test", [f"{row.strip_id} "]),
            link("reply.link_watered", [_watered(row, speak)]),
            link("reply.link_rolled", [_rolled(row, speak)]),
        )
        for strip_id, row in known.items()
    }
    told = [line for row in known.values() for line in _told(row, speak, role)]
    return Answers(
        marker=marker_line(speak),
        hints=grammar_lines(speak, next(iter([*known, *(row.instruction.strip_id for row in view.rows)]), "N1")),
        by_strip=by_strip,
        all_done=link("reply.link_all", told) if told else None,
    )


def _told(row: Instruction, speak: Speaker, role: str) -> list[str]:
    """Return the lines that say that a strip's work of today was done as it was told."""
    lines = [_watered(row, speak)] if row.litres is not None and row.water is not None else []
    is_rolled = role != "driver" and row.verdict != Verdict.WAIT and row.roll is not None
    return [*lines, _rolled(row, speak)] if is_rolled else lines


def _watered(row: Instruction, speak: Speaker) -> str:
    """Return the line of a watering, with the litres that were told; to be completed where none were."""
    amount = "" if row.litres is None else speak.say(row.litres)
    return f"{row.strip_id} {printed(speak.words.language, 'watered')} {amount}"


def _rolled(row: Instruction, speak: Speaker) -> str:
    passes = f" {speak.say(row.passes)}" if row.passes.value >= 1 else ""
    return f"{row.strip_id} {printed(speak.words.language, 'rolled')}{passes}"
