"""Config: TOML files in, frozen records out; every fault names file, key, value and remedy."""

from gonogo.config.load import (
    SERVICE_FILE,
    SITES_FOLDER,
    Config,
    files_of,
    files_state,
    load,
    load_partly,
    watch_partly,
)
from gonogo.config.report import check_report, fault_report, settings_in_force, settings_report
from gonogo.config.settings import setting_rows

__all__ = [
    "SERVICE_FILE",
    "SITES_FOLDER",
    "Config",
    "check_report",
    "fault_report",
    "files_of",
    "files_state",
    "load",
    "load_partly",
    "setting_rows",
    "settings_in_force",
    "settings_report",
    "watch_partly",
]
