"""The notes on a forecast as the English sentences that a reader at the site gets."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

from example_mornings import ROOT

from gonogo.config import load
from gonogo.weather.notes import Note
from gonogo.wording import plain
from gonogo.wording.clock import Clock
from gonogo.wording.language import speaker
from gonogo.wording.notes import note_phrase


def english(notes: Sequence[Note]) -> list[str]:
    """Return each note as a sentence, numbers with ordinary spaces."""
    speak = speaker("en", "metric")
    clock = Clock(site=load(ROOT / "config", environ={}).sites[0], day=date(2020, 1, 1))
    return [plain.sentences(speak, note_phrase(note, clock)).replace("\u00a0", " ") for note in notes]
