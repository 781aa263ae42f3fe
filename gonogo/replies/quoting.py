"""What the writer of an answer wrote, apart from what the mail program quotes, signs and adds.

Whatever is cut away is never read as an entry, so a cut too many loses nothing in silence: the answer says what was
read. A line that is left and is no entry makes the whole mail a question.
"""

from __future__ import annotations

import re
import unicodedata

from gonogo.mail.token import MARKER_SIGN
from gonogo.wording.reply_words import courtesies, folded, phone_lines

# "Tue, 12 May 2026 at 05:31, gonogo <gonogo@example.com> wrote:", in whichever language, over up to three lines.
_ATTRIBUTION_LINES = 3
_ADDRESS = re.compile(r"[^\s<>@]+@[^\s<>@]+")
# The head of a quoted mail, as some programs write it in place of signs before each line.
_HEAD_NAMES = frozenset(
    folded(name)
    for name in (
        "from sent to subject date cc reply-to de enviado para asunto fecha enviada assunto data à a objet envoyé le "
        "date expéditeur destinataire responder-a"
    ).split()
) | {"enviado el", "enviada em", "enviado em", "envoye le", "reply to"}
_HEAD_LINE = re.compile(r"\W{0,3}(?P<name>[^\W\d_][\w -]{0,14}?)\W{0,3}:\s*\S")
_RULE = re.compile(r"\s*(?:[-_=*]{5,}.*|-{2,}\s?[^-]+\s?-{2,})\s*")
_SIGNATURE = re.compile(r"--\s?")
LONGEST_HEAD = 5
_ON = ("on ", "el ", "em ", "no dia ", "le ", "a ", "il ", "am ", "op ", "den ", "dne ")


def own_lines(text: str, *, name: str = "") -> tuple[str, ...]:
    """Return the lines that a person wrote: no quote, no signature, no courtesy, nothing blank.

    name   the writer's own, whose parts alone on a line are a signature
    """
    lines = _readable(text)
    kept: list[str] = []
    for at, line in enumerate(lines):
        if _ends_here(lines, at):
            break
        if line and not line.startswith(">") and not _is_courtesy(line, name):
            kept.append(line)
    return tuple(kept)


def _readable(text: str) -> list[str]:
    """Return stripped lines without signs that show nothing: marks of direction, joiners, controls."""
    lines = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")
    return ["".join(c for c in line if c == "\t" or unicodedata.category(c)[0] != "C").strip() for line in lines]


def _ends_here(lines: list[str], at: int) -> bool:
    line = lines[at]
    if MARKER_SIGN in line or _SIGNATURE.fullmatch(line) or _RULE.fullmatch(line):
        return True
    return any(folded(line).startswith(begin) for begin in phone_lines()) or _is_head(lines, at) or _quotes(lines, at)


def _is_head(lines: list[str], at: int) -> bool:
    """Whether the head of a quoted mail begins here: lines that say from whom, to whom and when."""
    block = lines[at : at + LONGEST_HEAD]
    n_lines = next((n for n, line in enumerate(block) if not _is_head_line(line)), len(block))
    return n_lines > 2 or (n_lines == 2 and any(_ADDRESS.search(line) for line in block))


def _is_head_line(line: str) -> bool:
    found = _HEAD_LINE.match(line)
    return found is not None and folded(found["name"]) in _HEAD_NAMES


def _quotes(lines: list[str], at: int) -> bool:
    """Whether a sentence begins here that says who wrote what is quoted below: it names an address, ends in a colon.

    It begins as dates do in the languages of mail programs, or names the address on its very first line: a line above
    it that is an entry is never taken along.
    """
    line = lines[at]
    if not (_ADDRESS.search(line) or folded(line).startswith(_ON)):
        return False
    joined = ""
    for following in lines[at : at + _ATTRIBUTION_LINES]:
        joined = f"{joined} {following}"
        if following.endswith(":"):
            return _ADDRESS.search(joined) is not None
    return False


def _is_courtesy(line: str, name: str) -> bool:
    words = folded(line).strip(" ,.!-")
    own = {folded(name), *folded(name).split()} - {""}
    if words in own or words in courtesies():
        return True
    greeting = next((c for c in sorted(courtesies(), key=len, reverse=True) if words.startswith(f"{c} ")), None)
    rest = words[len(greeting) :].strip(" ,") if greeting else ""
    return (
        rest in own or rest in ("gonogo", "all", "team", "a todos", "equipo", "tous", *courtesies()) if rest else False
    )
