"""The last config with which the service ran, and which mornings it made: for a start that cannot run.

Two files, since mornings are made all the time and the config of many sites is long. They lie beside the database, or
in the config folder where the database is on a server; it holds the mail transport with its password, so nobody but
the service's own user may read it. The config stands a line for each few sites: 100,000 of them are 900 MB of text,
which nobody holds in one piece.
"""

from __future__ import annotations

import json
import logging
import os
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from pathlib import Path

import sqlalchemy as sa
from pydantic_core import to_json

from gonogo.config import SERVICE_FILE, Config
from gonogo.errors import StoreError
from gonogo.store.encoding import decoded

log = logging.getLogger("gonogo.service.last_good")

FILE = ".gonogo-last-good.json"
MORNINGS_FILE = ".gonogo-mornings.json"
SITES_A_LINE = 100
_SQLITE = re.compile(rb"""sqlite:///([^"'\n]+)""")


@dataclass(frozen=True, slots=True, kw_only=True)
class LastGood:
    """What is kept. mornings: by site id the last local date whose morning is done."""

    config: Config
    mornings: Mapping[str, date] = field(default_factory=dict)


def place(config: Config) -> Path:
    """Return where the copy of a config is kept."""
    url = sa.make_url(config.store_url)
    is_file = url.get_backend_name() == "sqlite" and url.database not in (None, "", ":memory:")
    return (Path(str(url.database)).parent if is_file else config.folder) / FILE


def keep(last: LastGood) -> None:
    """Write the copy, readable for its owner alone. Raises OSError."""
    keep_config(last.config)
    keep_mornings(last.config, last.mornings)


def keep_config(config: Config) -> None:
    """Write a config. Raises OSError."""
    _write(place(config), (_line(LastGood(config=part)) for part in _parts(config)))


def _parts(config: Config) -> Iterator[Config]:
    """Give a config in parts of a few sites each; warnings are not kept."""
    for first in range(0, max(1, len(config.sites)), SITES_A_LINE):
        sites = config.sites[first : first + SITES_A_LINE]
        ids = [site.id for site in sites]
        yield replace(
            config,
            warnings=(),
            sites=sites,
            settings={site_id: config.settings[site_id] for site_id in ids},
            setting_origin={site_id: config.setting_origin[site_id] for site_id in ids},
            readings={site_id: config.readings[site_id] for site_id in ids},
        )


def _together(parts: Sequence[Config]) -> Config:
    """Return the config that was given in parts."""
    return replace(
        parts[0],
        sites=tuple(site for part in parts for site in part.sites),
        settings={site_id: own for part in parts for site_id, own in part.settings.items()},
        setting_origin={site_id: own for part in parts for site_id, own in part.setting_origin.items()},
        readings={site_id: own for part in parts for site_id, own in part.readings.items()},
    )


def _line(record: object) -> bytes:
    return to_json(record, inf_nan_mode="strings", fallback=str) + b"\n"


def keep_mornings(config: Config, mornings: Mapping[str, date]) -> None:
    """Write which mornings of a config's sites were made last. Raises OSError."""
    by_day: dict[str, list[str]] = {}
    for site_id, day in mornings.items():
        by_day.setdefault(day.isoformat(), []).append(site_id)
    _write(place(config).with_name(MORNINGS_FILE), (to_json(by_day),))


class LastGoodWriter:
    """Writes what changed in a running service; a failure to write is logged once."""

    def __init__(self) -> None:
        self._config: Config | None = None
        self._mornings: dict[str, date] | None = None
        self._logged = ""

    def keep(self, config: Config, mornings: Mapping[str, date]) -> None:
        """Write the config where it has changed, and the mornings where more have been made."""
        try:
            if self._config is not config:
                keep_config(config)
                self._config = config
            if self._mornings != mornings:
                keep_mornings(config, mornings)
                self._mornings = dict(mornings)
        except OSError as error:
            if self._logged != str(error):  # once: it is tried again every few seconds
                log.error("the copy of the last good config could not be written: %s", error.strerror)
            self._logged = str(error)


def _write(path: Path, pieces: Iterable[bytes]) -> None:
    """Write a file, readable for its owner alone, so that a reader finds the old or the new one. Raises OSError."""
    part = path.with_name(f"{path.name}.{os.getpid()}.part")
    try:
        with os.fdopen(os.open(part, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600), "wb") as file:
            file.writelines(pieces)
        part.replace(path)
    except OSError:
        part.unlink(missing_ok=True)
        raise


def find(folder: Path) -> LastGood | None:
    """Return the copy that belongs to a config folder whose files may be broken, None where there is none."""
    places = [folder, Path.cwd()]
    try:
        named = _SQLITE.search((folder / SERVICE_FILE).read_bytes())
    except OSError:
        named = None
    if named is not None:
        places.insert(0, (folder / named[1].decode(errors="replace")).parent)
    for parent in places:
        try:
            with (parent / FILE).open(encoding="utf-8") as lines:
                found = [decoded(line, LastGood) for line in lines]
        except (OSError, ValueError, StoreError):
            continue
        if found and found[0].config.folder.resolve() == folder.resolve():
            mornings = {**found[0].mornings, **_mornings(parent)}  # an earlier version kept them in the same file
            return LastGood(config=_together([part.config for part in found]), mornings=mornings)
    return None


def _mornings(parent: Path) -> dict[str, date]:
    """Return by site the last morning that was made, nothing where that was not kept or cannot be read."""
    try:
        by_day = json.loads((parent / MORNINGS_FILE).read_text(encoding="utf-8"))
        return {str(site_id): date.fromisoformat(day) for day, ids in by_day.items() for site_id in ids}
    except (OSError, ValueError, AttributeError, TypeError):
        return {}
