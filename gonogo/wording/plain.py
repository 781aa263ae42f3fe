"""Laying out plain text: lines under 78 columns, hanging labels, and the table of days."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Sequence

from gonogo.wording.items import DayView, RowView
from gonogo.wording.language import NO_BREAK, Speaker
from gonogo.wording.phrases import Gap

COLUMNS = 77
LABEL_COLUMNS = 11
NAME_COLUMNS = 14


def wrap(text: str, indent: int = 0) -> str:
    """Return text broken into lines under 78 columns, each indented. Numbers stay with their units."""
    margin = " " * indent
    return textwrap.fill(
        text, COLUMNS, initial_indent=margin, subsequent_indent=margin, break_long_words=False, break_on_hyphens=False
    )


def capital(sentence: str) -> str:
    """Return the sentence with its first letter raised, the rest as it is."""
    return sentence[:1].upper() + sentence[1:]


def sentences(speak: Speaker, first: Gap, others: Sequence[Gap] = ()) -> str:
    """Return sentences one after the other, each beginning with a capital."""
    return " ".join(capital(speak.say(sentence)) for sentence in (first, *others))


def hang(text: str, label: str = "", indent: int = 2, gutter: int = LABEL_COLUMNS) -> str:
    """Return a label with its text beside it; further lines stand under the text."""
    margin = " " * indent
    gutter = max(gutter, len(label) + 1)
    return textwrap.fill(
        text,
        COLUMNS,
        initial_indent=margin + label.ljust(gutter),
        subsequent_indent=margin + " " * gutter,
        break_long_words=False,
        break_on_hyphens=False,
    )


def day_table(days: Sequence[DayView], rows: Sequence[RowView], speak: Speaker) -> str:
    """Return the table of strips by days, with the rain of each day below, in blocks that fit the width."""
    heads = [speak.say(d.head) for d in days]
    lines: list[tuple[str, list[str]]] = []
    for row in rows:
        by_day = {c.day.day: c for c in row.cells}
        cells = [by_day.get(d.day.day) for d in days]
        above, below = [], []
        for cell in cells:
            is_off = cell is None or not cell.is_working_day
            above.append("-" if cell is None else speak.say(cell.shown) + ("*" if cell.is_workable else ""))
            below.append("" if is_off else speak.say(cell.below) if cell and cell.below is not None else "-")
        lines += [(row.name, above), ("", below)]
    rain = [speak.say(d.shown) for d in days]
    lines += [(speak.word("label.rain"), rain), ("", [speak.say(d.rain_chance) for d in days])]

    name_width = min(max(len(name) for name, _ in lines) + 1, NAME_COLUMNS)
    widest = max(len(text) for text in (*heads, *(t for _, texts in lines for t in texts)))
    # Two spaces between columns where all days then fit on one line, else one.
    width = widest + (2 if name_width + len(heads) * (widest + 2) <= COLUMNS else 1)
    n_blocks = math.ceil(len(heads) / max((COLUMNS - name_width) // width, 1))
    per_block = math.ceil(len(heads) / n_blocks)
    # What the days leave free goes to the names.
    longest = max(len(name) for name, _ in lines) + 1
    name_width = min(longest, max(COLUMNS - per_block * width, name_width))
    blocks = []
    for start in range(0, len(heads), per_block):
        part = slice(start, start + per_block)
        block = [("", heads[part]), *((name, texts[part]) for name, texts in lines)]
        blocks.append("\n".join(_row(name, cells, name_width, width) for name, cells in block))
    return "\n\n".join(blocks)


def _row(name: str, cells: Sequence[str], name_width: int, width: int) -> str:
    """Return one line of the table; a long name is cut, the mail's other sections give it whole."""
    shown = name if len(name) < name_width else name[: name_width - 2] + "."
    return (shown.ljust(name_width) + "".join(c.rjust(width) for c in cells)).rstrip()


def tidy(text: str) -> str:
    """Return the text part as it is sent: ordinary spaces, no runs of empty lines, every line under 78 columns.

    A line that a template left too long is broken here; a link is left whole.
    """
    plain = text.replace(NO_BREAK, " ").replace("\u202f", " ")
    lines: list[str] = []
    for line in plain.splitlines():
        line = line.rstrip()
        if len(line) > COLUMNS:
            margin = len(line) - len(line.lstrip())
            lines += wrap(line.strip(), margin).splitlines()
        elif line or (lines and lines[-1]):
            lines.append(line)
    return "\n".join(lines).strip() + "\n"
