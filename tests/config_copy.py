"""A copy of the example config that a test may spoil, and the words that it may use."""

from __future__ import annotations

from pathlib import Path

import pytest

from gonogo.config import Config, load
from gonogo.config.vocabulary import Vocabulary
from gonogo.errors import ConfigError, Fault

EXAMPLE = Path(__file__).parents[1] / "config"
SITE = "sites/harrow-flats.toml"
WORDS = Vocabulary(
    roles=("driver", "planner", "superintendent"),
    languages=("en", "es", "pt"),
    methods=("oven", "nuclear gauge", "microwave", "carbide", "hand feel"),
    services=("met_norway", "nws", "open_meteo"),
    need_contact=("met_norway", "nws"),
    commercial_needs_key=("open_meteo",),
)


class Copy:
    """The example in a folder of its own. `file` is "gonogo.toml" or a path below it."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def edit(self, file: str, old: str, new: str) -> None:
        path = self.folder / file
        text = path.read_text(encoding="utf-8")
        assert old in text, f"the example no longer holds {old!r}"
        path.write_text(text.replace(old, new, 1), encoding="utf-8")

    def add(self, file: str, lines: str) -> None:
        path = self.folder / file
        path.write_text(path.read_text(encoding="utf-8") + "\n" + lines + "\n", encoding="utf-8")

    def load(self, **environ: str) -> Config:
        return load(self.folder, environ=environ, vocabulary=WORDS)

    def faults(self, **environ: str) -> tuple[Fault, ...]:
        with pytest.raises(ConfigError) as caught:
            self.load(**environ)
        assert caught.value.faults
        return caught.value.faults
