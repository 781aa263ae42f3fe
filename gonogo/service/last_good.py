"""The last config with which the service ran, and which mornings it made: for a start that cannot run.

They lie beside the database, or in the config folder where the database is on a server; they hold the mail transport
with its password, so nobody but the service's own user may read them. The config is a folder: a head, and parts of a
few sites each, called by what stands in them. So what has not changed is not written again: of 100,000 sites it would
be 900 MB with every start. The mornings, of which some are made all the time, are a short file of their own.
"""

from __future__ import annotations

import contextlib
import hashlib
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

from gonogo import __version__
from gonogo.config import SERVICE_FILE, Config
from gonogo.errors import StoreError
from gonogo.records.field import Reading
from gonogo.records.site import Site
from gonogo.service.clock import clock_utc
from gonogo.store.encoding import decoded

log = logging.getLogger("gonogo.service.last_good")

FOLDER = ".gonogo-last-good"
HEAD = "head.json"
FILE = ".gonogo-last-good.json"  # where earlier versions kept all of it
MORNINGS_FILE = ".gonogo-mornings.json"
SITES_A_PART = 100
SWEPT_AFTER_S = 3600.0  # what no head names, as a writer leaves that was killed; another may be writing now
_SQLITE = re.compile(rb"""sqlite:///([^"'\n]+)""")


@dataclass(frozen=True, slots=True, kw_only=True)
class LastGood:
    """What is kept. mornings: by site id the last local date whose morning is done."""

    config: Config
    mornings: Mapping[str, date] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptSites:
    """A few sites of a config, with what it says of each."""

    sites: tuple[Site, ...]
    settings: Mapping[str, Mapping[str, float]]
    setting_origin: Mapping[str, Mapping[str, str]]
    readings: Mapping[str, tuple[Reading, ...]]


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptHead:
    """A config without its sites, the names of the parts that hold these, and what tells whether it is another now."""

    mark: str
    parts: tuple[str, ...]
    config: Config


def place(config: Config) -> Path:
    """Return the folder in which a config is kept."""
    url = sa.make_url(config.store_url)
    is_file = url.get_backend_name() == "sqlite" and url.database not in (None, "", ":memory:")
    return (Path(str(url.database)).parent if is_file else config.folder) / FOLDER


def keep(last: LastGood) -> None:
    """Write the copy, readable for its owner alone. Raises OSError."""
    keep_config(last.config)
    keep_mornings(last.config, last.mornings)


def keep_config(config: Config) -> None:
    """Write what is not kept yet of a config: parts first, then the head that names them. Raises OSError."""
    folder, mark = place(config), _mark(config)
    if mark and _is_kept(folder, mark):
        return
    folder.mkdir(mode=0o700, exist_ok=True)
    names = tuple(_keep_part(folder, part) for part in _parts(config))
    _write(folder / HEAD, (_line(KeptHead(mark=mark, parts=names, config=config.of_sites(()))),))
    _sweep(folder, names)


def _mark(config: Config) -> str:
    """Return what tells a config from any other without a look at its sites, "" where nothing does.

    The state of the files that it was read from, which sites it has, all that is not a site's (secrets come from the
    environment), and the version that read it.
    """
    if config.read_from is None or config.read_from.folder != config.folder:
        return ""
    found = hashlib.sha256(_line(config.of_sites(())))
    found.update("\n".join((__version__, config.read_from.state, *(site.id for site in config.sites))).encode())
    return found.hexdigest()


def _is_kept(folder: Path, mark: str) -> bool:
    """Return whether the config of a mark is kept, with every part."""
    try:
        head = json.loads((folder / HEAD).read_bytes())
        return bool(head["mark"] == mark) and all((folder / name).is_file() for name in head["parts"])
    except (OSError, ValueError, KeyError, TypeError):
        return False


def _parts(config: Config) -> Iterator[KeptSites]:
    """Give the sites of a config in parts of a few each."""
    for first in range(0, len(config.sites), SITES_A_PART):
        part = config.of_sites(config.sites[first : first + SITES_A_PART])
        yield KeptSites(
            sites=part.sites, settings=part.settings, setting_origin=part.setting_origin, readings=part.readings
        )


def _keep_part(folder: Path, part: KeptSites) -> str:
    """Write a part unless it is there, and return its name."""
    raw = _line(part)
    name = f"{hashlib.sha256(raw).hexdigest()[:32]}.json"
    try:
        os.utime(folder / name)  # so that nobody sweeps it before a head names it
    except FileNotFoundError:
        _write(folder / name, (raw,))
    return name


def _sweep(folder: Path, names: Sequence[str]) -> None:
    """Delete what no head names, what killed writers left, and what earlier versions kept in its place."""
    old = [path for path in folder.iterdir() if path.name not in {HEAD, *names}]
    old += folder.parent.glob(f"{MORNINGS_FILE}.*.part")
    for path in old:
        with contextlib.suppress(FileNotFoundError):
            if clock_utc().timestamp() - path.stat().st_mtime > SWEPT_AFTER_S:
                path.unlink()
    for path in (folder.parent / FILE, *folder.parent.glob(f"{FILE}.*.part")):
        path.unlink(missing_ok=True)


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
        for read in (_from_parts, _from_one_file):
            try:
                found = read(parent)
            except (OSError, ValueError, StoreError):
                continue
            if found is not None and found.config.folder.resolve() == folder.resolve():
                return replace(found, mornings={**found.mornings, **_mornings(parent)})
    return None


def _from_parts(parent: Path) -> LastGood:
    """Return the config that is kept in a folder below another. Raises OSError, ValueError and StoreError."""
    head = decoded((parent / FOLDER / HEAD).read_text(encoding="utf-8"), KeptHead)
    parts = [decoded((parent / FOLDER / name).read_text(encoding="utf-8"), KeptSites) for name in head.parts]
    return LastGood(config=_together(head.config, parts))


def _from_one_file(parent: Path) -> LastGood | None:
    """Return the config that an earlier version kept in one file, a line for a few sites. Raises as _from_parts."""
    with (parent / FILE).open(encoding="utf-8") as lines:
        found = [decoded(line, LastGood) for line in lines]
    if not found:
        return None
    return LastGood(config=_together(found[0].config, [last.config for last in found]), mornings=found[0].mornings)


def _together(config: Config, parts: Sequence[KeptSites | Config]) -> Config:
    """Return a config with the sites that are kept in parts."""
    return replace(
        config,
        sites=tuple(site for part in parts for site in part.sites),
        settings={site_id: own for part in parts for site_id, own in part.settings.items()},
        setting_origin={site_id: own for part in parts for site_id, own in part.setting_origin.items()},
        readings={site_id: own for part in parts for site_id, own in part.readings.items()},
    )


def _mornings(parent: Path) -> dict[str, date]:
    """Return by site the last morning that was made, nothing where that was not kept or cannot be read."""
    try:
        by_day = json.loads((parent / MORNINGS_FILE).read_text(encoding="utf-8"))
        return {str(site_id): date.fromisoformat(day) for day, ids in by_day.items() for site_id in ids}
    except (OSError, ValueError, AttributeError, TypeError):
        return {}
