"""What was done to a forecast, as sentences with typed gaps."""

from __future__ import annotations

from datetime import datetime

from gonogo.weather.notes import Note
from gonogo.wording import phrases
from gonogo.wording.clock import Clock
from gonogo.wording.phrases import Gap, Phrase, phrase


def note_phrase(note: Note, clock: Clock) -> Phrase:
    """Return the sentence of a note."""
    return Phrase(key=f"note.{note.key}", gaps={name: _gap(name, value, clock) for name, value in note.gaps.items()})


def _gap(name: str, value: float | datetime | str, clock: Clock) -> Gap:
    if isinstance(value, datetime):
        return clock.at(value)
    if isinstance(value, str):
        return phrase(f"column.{value}") if name == "column" else value
    return phrases.whole(value) if name in ("n", "hours") else phrases.gap(name, value)
