"""What `gonogo sheet` writes: one page to fill in by pen, per crew and day."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from pathlib import Path

from gonogo.config import Config
from gonogo.config.values import choose_from
from gonogo.errors import ConfigError, Fault, GonogoError
from gonogo.page.sheet import PAPERS, SheetData, sheet
from gonogo.records.site import Crew, Site
from gonogo.store import runs, schema
from gonogo.store.open import open_store
from gonogo.wording.language import Speaker, speaker


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetOptions:
    """Which pages are asked for. crew_id: "" for every crew; paper: one of PAPERS; folder: where they go."""

    crew_id: str
    day: date
    paper: str
    folder: Path


def write(config: Config, site: Site, wanted: SheetOptions) -> str:
    """Write the pages and name the files. Raises ConfigError for an unknown crew or paper, GonogoError for a folder."""
    crews = [crew for crew in site.crews if wanted.crew_id in ("", crew.id)]
    if not crews:
        raise _refused("crew", wanted.crew_id, choose_from(wanted.crew_id, [crew.id for crew in site.crews]))
    paper = next((p for p in PAPERS if p.casefold() == wanted.paper.casefold()), None)
    if paper is None:
        raise _refused("paper", wanted.paper, f"Write {' or '.join(PAPERS)}.")
    store = open_store(config)
    try:
        with schema.read(store) as connection:
            plans = runs.day_plans(connection, site.id, since_day=wanted.day, until_day=wanted.day)
    finally:
        store.dispose()
    contact = config.inbox.address if config.inbox is not None else ""
    written = []
    for crew in crews:
        data = SheetData(
            site=site,
            crew=crew,
            day=wanted.day,
            plan=plans[-1] if plans else None,
            chance_needed=config.settings[site.id]["compact_chance_min"],
            paper=paper,
            contact=contact,
        )
        path = wanted.folder / f"{site.id}-{crew.id}-{wanted.day.isoformat()}.html"
        try:
            wanted.folder.mkdir(parents=True, exist_ok=True)
            path.write_text(sheet(data, _speaker(crew)), encoding="utf-8")
        except OSError as error:
            raise GonogoError(f"{path} cannot be written: {error.strerror}. Name another folder with --out.") from error
        written.append(str(path))
    return "\n".join(written)


def _speaker(crew: Crew) -> Speaker:
    first = crew.recipients[0] if crew.recipients else None
    return speaker(first.language if first else "en", first.units if first else "metric")


def _refused(key: str, value: str, right: str) -> ConfigError:
    wrong = f"no such {key}."
    return ConfigError([Fault(place="command line", key=key, value=value, wrong=wrong, right=right)])
