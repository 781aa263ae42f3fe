"""The last config with which the service ran, and which mornings it made: for a start that cannot run.

Kept beside the database, or in the config folder where the database is on a server; it holds the mail transport with
its password, so nobody but the service's own user may read it.
"""

from __future__ import annotations

import os
import re
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import date
from pathlib import Path

import sqlalchemy as sa
from pydantic_core import to_json

from gonogo.config import SERVICE_FILE, Config
from gonogo.errors import StoreError
from gonogo.store.encoding import decoded

FILE = ".gonogo-last-good.json"
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
    path = place(last.config)
    part = path.with_name(f"{FILE}.{os.getpid()}.part")
    whole = to_json(replace(last, config=replace(last.config, warnings=())), inf_nan_mode="strings", fallback=str)
    try:
        with os.fdopen(os.open(part, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600), "wb") as file:
            file.write(whole)
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
            found = decoded((parent / FILE).read_text(encoding="utf-8"), LastGood)
        except (OSError, ValueError, StoreError):
            continue
        if found.config.folder.resolve() == folder.resolve():
            return found
    return None
