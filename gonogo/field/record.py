"""Entries of the command line into the database and back onto the screen."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta

from gonogo.config import Config
from gonogo.errors import ConfigError, Fault, StoreError
from gonogo.field.entries import NewEntry
from gonogo.records.field import Entry, GaugeRain, Reading, SurfaceWork, Watering
from gonogo.records.site import Site
from gonogo.soil.compaction import air_voids_pct
from gonogo.store import history, schema
from gonogo.store.open import open_store


def store_entries(config: Config, site: Site, new: Sequence[NewEntry], now_utc: datetime, *, by: str) -> str:
    """Store entries, all or none, and say what was stored. Raises ConfigError for a correction that does not fit."""
    store = open_store(config)
    lines: list[str] = []
    try:
        with schema.begin(store) as connection:
            for one in new:
                number = history.add_entry(
                    connection, site.id, one.entry, entered_utc=now_utc, entered_by=by, corrects_id=one.corrects
                )
                instead = f", in place of {one.corrects}" if one.corrects else ""
                lines.append(f"{number}: {entry_text(site, one.entry)}{instead}")
    except StoreError as error:
        if any(one.corrects for one in new):
            right = "`gonogo record list` shows the numbers. Nothing was stored."
            raise ConfigError([Fault(place=by, key="corrects", value="", wrong=str(error), right=right)]) from error
        raise
    finally:
        store.dispose()
    return "\n".join([*lines, f"{len(lines)} stored."])


def entry_text(site: Site, entry: Entry) -> str:
    """Return an entry as one line in the site's local time."""

    def local(at_utc: datetime) -> str:
        return f"{at_utc.astimezone(site.zone):%a %Y-%m-%d %H:%M}"

    match entry:
        case Reading():
            reading = f"{entry.w_pct:.1f} %{_density_text(site, entry)}"
            return f"{local(entry.at_utc)} {entry.strip_id} reading {reading} ({entry.method})"
        case GaugeRain():
            return f"{local(entry.from_utc)} to {local(entry.until_utc)} rain {entry.rain_mm:.1f} mm"
        case Watering():
            return f"{local(entry.at_utc)} {entry.strip_id} watered {entry.litres:.0f} L"
        case SurfaceWork():
            passes = f", {entry.passes} passes" if entry.passes else ""
            return f"{local(entry.at_utc)} {entry.strip_id} {entry.work}{passes}"


def _density_text(site: Site, reading: Reading) -> str:
    """Return the density of a test, and the air that it leaves where the config still knows the strip."""
    if not reading.dry_density_kg_m3:
        return ""
    text = f", {reading.dry_density_kg_m3:.0f} kg/m3 dry"
    strip = next((s for s in site.strips if s.id == reading.strip_id), None)
    if strip is None:
        return text
    gravity = site.material(strip.material_id).specific_gravity
    air_pct = float(air_voids_pct(reading.w_pct, reading.dry_density_kg_m3, gravity))
    return f"{text}, {air_pct:.1f} % air voids" if air_pct >= 0.0 else f"{text}, denser than soil that wet can be"


def entry_list(config: Config, site: Site, *, days: int, now_utc: datetime) -> str:
    """Return the entries of the last days, oldest first, corrected ones marked."""
    store = open_store(config)
    try:
        with schema.read(store) as connection:
            log_lines = history.entry_log(connection, site.id)
    finally:
        store.dispose()
    lines: list[str] = []
    for line in sorted(log_lines, key=lambda stored: stored.id):
        if line.entered_utc < now_utc - timedelta(days=days):
            continue
        what = f"withdraws {line.corrects_id}" if line.entry is None else entry_text(site, line.entry)
        marks = [f"corrects {line.corrects_id}"] if line.corrects_id and line.entry else []
        marks += [f"corrected by {line.corrected_by_id}"] if line.corrected_by_id else []
        lines.append(f"{line.id:>6}  {what}{'  [' + '; '.join(marks) + ']' if marks else ''}  ({line.entered_by})")
    return "\n".join(lines) or f"{site.name}: nothing recorded in the last {days} days."
