"""The config of a running service: read again when its files change; a config with faults never replaces a good one."""

from __future__ import annotations

import logging
import threading
from collections.abc import Mapping
from dataclasses import replace
from time import monotonic

from gonogo import config as configs
from gonogo.config import Config
from gonogo.errors import ConfigError

log = logging.getLogger("gonogo.service.config_watch")

LONG_LOOK_S = 0.05  # of the files of some hundred sites
LOOKING_SHARE = 50.0  # times as long as a long look took is waited for the next: two hundredths of a core


class ConfigWatch:
    """Holds the last accepted config, and what is wrong with the files now.

    accepted   addresses, times and strips come from it, whatever stands in the files
    reread     set by whoever wants the files read again
    faults     "" per fault: while there is one, no verdict is made, since nobody knows which site was meant
    """

    def __init__(self, accepted: Config, environ: Mapping[str, str]) -> None:
        self.accepted = accepted
        self.faults: tuple[str, ...] = ()
        self.reread = threading.Event()
        self._environ = environ
        read_from = accepted.read_from
        if read_from is not None and read_from.folder == accepted.folder:
            self._seen = read_from.state  # what was changed while it was read is read again
        else:
            self._seen = configs.files_state(accepted.folder)
        self._next_look_s = 0.0

    def refresh(self) -> None:
        """Read the files again if any of them changed, or if asked to. Faults of the files are kept, not raised.

        Asked before each run. Where looking at all files takes long, as with many sites, it is done less often.
        """
        if monotonic() < self._next_look_s and not self.reread.is_set():
            return
        began_s = monotonic()
        now = configs.files_state(self.accepted.folder)
        took_s = monotonic() - began_s
        self._next_look_s = monotonic() + (LOOKING_SHARE * took_s if took_s >= LONG_LOOK_S else 0.0)
        if now == self._seen and not self.reread.is_set():
            return
        self.reread.clear()
        self._seen = now
        # Until it has been read: a fault of our own in reading must not leave the old config deciding.
        self.faults = ("The config was changed and could not be read.",)
        try:
            loaded = configs.load(self.accepted.folder, environ=self._environ)
        except ConfigError as error:
            self.faults = tuple(str(fault) for fault in error.faults)
            log.error("the config was changed and has %d faults; the last good one stays in force", len(self.faults))
            return
        if loaded.store_url != self.accepted.store_url:
            log.warning("the database in the config was changed; that takes a restart")
        self.accepted = replace(loaded, store_url=self.accepted.store_url)
        self.faults = ()
        log.info("the config was read again: %d sites", len(loaded.sites))
