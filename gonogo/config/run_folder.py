"""The keys of a weather service that is read from a folder: whose runs, where they lie, how many days of each."""

from __future__ import annotations

from pathlib import Path

from gonogo.config.lines import Loc
from gonogo.config.tables import WeatherTable
from gonogo.config.toml_file import ConfigFile
from gonogo.config.values import choose_from
from gonogo.config.vocabulary import Vocabulary

DEFAULT_DAYS, MOST_DAYS = 6, 10


def run_folder(file: ConfigFile, loc: Loc, table: WeatherTable, vocabulary: Vocabulary) -> Path | None:
    """Return the folder of runs of one [[weather]], None for a service that is asked over HTTP; note every fault."""
    names = vocabulary.sources.get(table.service)
    if names is None:
        for key in ("folder", "source", "days"):
            if getattr(table, key) is not None:
                file.add_fault((*loc, key), "has no meaning for a service that is asked over HTTP.", "Delete it.")
        return None
    for key in ("key_env", "key_file"):
        if getattr(table, key) is not None:
            file.add_fault((*loc, key), "has no meaning: these runs are open, there is no key.", "Delete it.")
    if table.source is not None and table.source not in names:
        file.add_fault((*loc, "source"), "is no open run that is read here.", choose_from(table.source, names))
    if table.days is not None and not 2 <= table.days <= MOST_DAYS:
        file.add_fault((*loc, "days"), f"lies outside 2 to {MOST_DAYS}.", f"Write days = {DEFAULT_DAYS}, for example.")
    if table.folder is None:
        file.add_fault(
            (*loc, "folder"),
            "is missing: gonogo grid-fetch puts the runs there, and the mornings read them from it.",
            'Write folder = "grid" (beside gonogo.toml), on a disk with some gigabytes free.',
        )
        return None
    return (file.path.parent / table.folder).absolute()
