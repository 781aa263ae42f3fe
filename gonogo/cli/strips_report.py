"""What `gonogo strips` does: lists the strips of a site, and writes one that was added, changed or ended."""

from __future__ import annotations

import contextlib
import os
import tempfile
from collections.abc import Mapping
from dataclasses import replace
from datetime import date
from pathlib import Path

from gonogo.config import SITES_FOLDER, Config, files_of
from gonogo.config import load as load_config
from gonogo.config.strip_edits import Edit, added, changed, refused, values_of
from gonogo.errors import ConfigError
from gonogo.records.site import Site, Strip

ADD, CHANGE, END = "add", "change", "end"


def listed(site: Site) -> str:
    """Return the strips of a site, those that were ended last."""
    lines = [f"{site.name} (site {site.id}): {len(site.strips)} strips, {len(site.ended)} ended"]
    rows: list[tuple[str, ...]] = [
        ("id", "name", "crew", "material", "m x m", "lift mm", "kg/m3", "lifts", "finish by", "")
    ]
    rows += [_row(strip) for strip in (*site.strips, *site.ended)]
    widths = [max(len(row[n]) for row in rows) for n in range(len(rows[0]))]
    lines += ["  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip() for row in rows]
    return "\n".join(lines) + "\n"


def _row(strip: Strip) -> tuple[str, ...]:
    return (
        strip.id,
        strip.name if strip.name != strip.id else "",
        strip.crew_id,
        strip.material_id,
        f"{strip.length_m:g} x {strip.width_m:g}",
        f"{1000.0 * strip.lift_thickness_m:g}",
        f"{strip.dry_density_kg_m3:.0f}{' assumed' if strip.is_density_assumed else ''}",
        f"{strip.lifts}",
        "" if strip.finish_by is None else f"{strip.finish_by}",
        "" if strip.ended is None else f"ended {strip.ended}",
    )


def edited(config: Config, site: Site, action: str, strip_id: str, words: tuple[str, ...], on: date) -> str:
    """Add, change or end a strip in the site's files, and return what was done.

    on   local date of an end

    Raises ConfigError, with nothing changed, for what is impossible and for files that would have a fault.
    """
    file = config.folder / SITES_FOLDER / f"{site.id}.toml"
    known = {strip.id for strip in (*site.strips, *site.ended)}
    values = values_of(words)
    if action == ADD:
        if strip_id.casefold() in {name.casefold() for name in known}:
            raise refused("strip", strip_id, "is a strip of the site already.", "Change it, or take another id.")
        edit = added(file, strip_id, values)
    elif strip_id not in known:
        raise refused("strip", strip_id, "is no strip of the site.", f"Write one of: {', '.join(sorted(known))}.")
    elif action == CHANGE:
        if not values:
            raise refused("strip", strip_id, "has nothing to change.", "Write, for example, lift_thickness_m=0.2.")
        edit = changed(file, strip_id, values)
    else:
        edit = changed(file, strip_id, {**values_of((f"ended={on}",)), **values})
    write_checked(config, edit, os.environ)
    what = {ADD: "added", CHANGE: "changed", END: f"ended on {on}; what is recorded of it stays"}[action]
    return f"Strip {strip_id} {what}: {edit.path}."


def write_checked(config: Config, edit: Edit, environ: Mapping[str, str]) -> None:
    """Rewrite a file of a config if all of the config is then accepted; the file is there whole at any time.

    The config is read as a copy first, with its other files as links, so that a running service never sees a fault.
    """
    content = edit.text.replace("\n", "\r\n") if b"\r\n" in edit.path.read_bytes() else edit.text
    with tempfile.TemporaryDirectory(prefix=".gonogo-strips-", dir=config.folder.parent) as made:
        built = Path(made)
        for path in files_of(config.folder):
            copy = built / path.relative_to(config.folder)
            copy.parent.mkdir(parents=True, exist_ok=True)
            if path == edit.path:
                copy.write_bytes(content.encode("utf-8"))
            else:
                copy.symlink_to(path.absolute())
        for other in config.folder.iterdir():  # files of secrets that gonogo.toml names
            if not (built / other.name).exists():
                (built / other.name).symlink_to(other.absolute())
        try:
            load_config(built, environ=environ)
        except ConfigError as error:
            faults = [
                replace(
                    f, place=f.place.replace(str(built), str(config.folder)), right=f"{f.right} Nothing was changed."
                )
                for f in error.faults
            ]
            raise ConfigError(faults) from error
    handle, name = tempfile.mkstemp(prefix=f".{edit.path.name}-", dir=edit.path.parent)
    try:
        with os.fdopen(handle, "wb") as out:
            out.write(content.encode("utf-8"))
        os.chmod(name, edit.path.stat().st_mode & 0o777)
        os.replace(name, edit.path)
    except OSError as error:
        with contextlib.suppress(OSError):
            os.unlink(name)
        raise refused("file", str(edit.path), f"cannot be written: {error.strerror}.", "Look at its rights.") from error
