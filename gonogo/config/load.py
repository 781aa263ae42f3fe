"""A folder of TOML files to one Config, or every fault about them in one go."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Generic, TypeVar

from gonogo.config.acceptance import Acceptance, read_acceptances
from gonogo.config.lines import Loc
from gonogo.config.lists import LISTS, folder_of, with_lists
from gonogo.config.service_file import ServiceFile, read_service
from gonogo.config.settings import check_order, merge
from gonogo.config.site_file import read_site
from gonogo.config.slips import addresses_of, warn_of_addresses, warn_of_site
from gonogo.config.toml_file import ConfigFile
from gonogo.config.vocabulary import Vocabulary, installed
from gonogo.errors import ConfigError, Fault
from gonogo.records.field import Reading
from gonogo.records.outside import Inbox, ServiceSettings, Transport, Watch
from gonogo.records.site import Site

SERVICE_FILE = "gonogo.toml"
SITES_FOLDER = "sites"
ValueT = TypeVar("ValueT")


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadFrom:
    """Which files a config was read from. state: as of files_state, from before they were read."""

    folder: Path
    state: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Config:
    """Everything that the files of a config folder say, checked.

    settings          by site id: every adjustable number in force
    setting_origin    by site id: who set it, "default", "operator" or "site"
    readings          by site id: the last reading of each strip that its file gives
    use               "commercial" or "non-commercial", which decides what a weather service allows
    warnings          that a person may ignore, but no fault; the accepted ones too
    acceptances       which warnings the files accept
    read_from         the files' state; None for a config that was made otherwise
    """

    folder: Path
    sites: tuple[Site, ...]
    settings: Mapping[str, Mapping[str, float]]
    setting_origin: Mapping[str, Mapping[str, str]]
    readings: Mapping[str, tuple[Reading, ...]]
    services: tuple[ServiceSettings, ...]
    store_url: str = field(repr=False)  # may carry a password
    transport: Transport
    operator_address: str | None
    use: str
    warnings: tuple[Fault, ...] = ()
    watch: Watch = field(default_factory=Watch)
    inbox: Inbox | None = None
    acceptances: tuple[Acceptance, ...] = ()
    read_from: ReadFrom | None = field(default=None, repr=False, compare=False)

    def site(self, site_id: str) -> Site:
        return next(s for s in self.sites if s.id == site_id)

    def of_sites(self, sites: Sequence[Site]) -> Config:
        """Return the same for some of the sites, or none, and without warnings: those are about the files of all."""
        return replace(
            self,
            sites=tuple(sites),
            settings={site.id: self.settings[site.id] for site in sites},
            setting_origin={site.id: self.setting_origin[site.id] for site in sites},
            readings={site.id: self.readings[site.id] for site in sites},
            warnings=(),
        )


def files_of(folder: Path) -> tuple[Path, ...]:
    """Return every file that a config is read from: gonogo.toml, the sites, and the lists beside them."""
    sites = sorted((folder / SITES_FOLDER).glob("*.toml"))
    lists = [folder_of(site) / name for site in sites for name in LISTS if (folder_of(site) / name).is_file()]
    return (folder / SERVICE_FILE, *sites, *lists)


def files_state(folder: Path) -> str:
    """Return what tells one state of a config's files from the next: a digest of their names, sizes and times."""
    found = hashlib.sha256()
    for path in files_of(folder):
        try:
            told = path.stat()
        except OSError:
            found.update(f"{path} is not there\n".encode())
        else:
            found.update(f"{path} {told.st_mtime_ns} {told.st_size}\n".encode())
    return found.hexdigest()


def load(folder: Path, *, environ: Mapping[str, str], vocabulary: Vocabulary | None = None) -> Config:
    """Return the config of a folder: gonogo.toml and sites/*.toml.

    environ      environment variables, for the secrets that the files name
    vocabulary   roles, languages, test methods and weather services that exist; the installed ones if None

    Raises ConfigError with every fault about every file. Nothing is written.
    """
    state = files_state(folder)  # before they are read: what changes meanwhile is noticed afterwards
    read, faults = _read(folder, environ, vocabulary or installed())
    if faults or read is None:
        raise ConfigError(faults)
    return replace(read, read_from=ReadFrom(folder=folder, state=state))


def load_partly(folder: Path, *, environ: Mapping[str, str]) -> Config | None:
    """Return what can be read of a config with faults: the sites without one, and how mails leave.

    None where it does not say how mails leave. No verdict may be made by it: it serves to tell people.
    """
    return _read(folder, environ, installed())[0]


def watch_partly(folder: Path, *, environ: Mapping[str, str]) -> Watch:
    """Return where a config with faults says that it is watched, as far as that can be read."""
    file = ConfigFile(folder / SERVICE_FILE)
    return read_service(file, installed(), environ).watch if file.is_readable else Watch()


def _read(folder: Path, environ: Mapping[str, str], words: Vocabulary) -> tuple[Config | None, list[Fault]]:
    """Return what can be read of a folder, None where it cannot say how mails leave, and every fault."""
    service_file = ConfigFile(folder / SERVICE_FILE)
    # What files say is kept, not the files: of a thousand sites they would fill 40 MB for nothing.
    noted, acceptances = [(service_file.faults, service_file.warnings)], list(read_acceptances(service_file))
    part = read_service(service_file, words, environ) if service_file.is_readable else None
    is_sent = part is not None and part.transport is not None and part.transport.kind == "smtp"
    if part is not None and is_sent:
        warn_of_addresses(service_file, _own_addresses(part))
    sites: list[Site] = []
    settings, origins = _Tables[float](), _Tables[str]()
    readings: dict[str, tuple[Reading, ...]] = {}
    ids: dict[str, Path] = {}
    for path in sorted((folder / SITES_FOLDER).glob("*.toml")):
        file = ConfigFile(path)
        noted.append((file.faults, file.warnings))
        if path.stem.casefold() in ids:
            file.add_fault(("file name",), f"differs from {ids[path.stem.casefold()]} only in capitals.", "Rename one.")
        ids.setdefault(path.stem.casefold(), path)
        if not file.is_readable:
            continue
        acceptances += read_acceptances(file)
        found = read_site(with_lists(file), words)
        in_force = merge(part.settings if part else {}, found.settings)
        check_order(file, {s.name: s.value for s in in_force})
        if found.site is not None:
            sites.append(found.site)
            settings.add(found.site.id, {s.name: s.value for s in in_force})
            origins.add(found.site.id, {s.name: s.origin for s in in_force})
            readings[found.site.id] = found.readings
            warn_of_site(file, found.site, found.readings)
            warn_of_addresses(file, addresses_of(found.site) if is_sent else {})
    faults = [fault for faults, _ in noted for fault in faults]
    if not ids:
        faults.append(_no_site(folder / SITES_FOLDER))
    if part is None or part.transport is None or (part.store_url is None and not faults):
        return None, faults
    return Config(
        folder=folder,
        sites=tuple(sites),
        settings=settings.by_site,
        setting_origin=origins.by_site,
        readings=readings,
        services=part.services,
        store_url=part.store_url or "",
        transport=part.transport,
        operator_address=part.operator_address,
        use=part.use,
        warnings=tuple(w for _, warnings in noted for w in warnings),
        watch=part.watch,
        inbox=part.inbox,
        acceptances=tuple(acceptances),
    ), faults


class _Tables(Generic[ValueT]):
    """Tables by site id; sites whose tables are equal share one: most leave most numbers as they are."""

    def __init__(self) -> None:
        self.by_site: dict[str, dict[str, ValueT]] = {}
        self._alike: dict[tuple[ValueT, ...], dict[str, ValueT]] = {}

    def add(self, site_id: str, table: dict[str, ValueT]) -> None:
        """Take a site's table; all have the same names in the same order."""
        self.by_site[site_id] = self._alike.setdefault(tuple(table.values()), table)


def _no_site(folder: Path) -> Fault:
    right = "Put one file for each site there, for example sites/north-dam.toml."
    return Fault(place=str(folder), key="*.toml", value="", wrong="there is no site.", right=right)


def _own_addresses(part: ServiceFile) -> dict[Loc, str]:
    """Return where each address of gonogo.toml stands that mails go to or come from."""
    named: dict[Loc, str | None] = {("operator",): part.operator_address}
    if part.transport is not None:
        named |= {("mail", "sender"): part.transport.sender, ("mail", "reply_to"): part.transport.reply_to}
    return {loc: address for loc, address in named.items() if address}
