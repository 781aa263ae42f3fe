"""Entries of the command line into the database and back onto the screen."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta

import sqlalchemy as sa

from gonogo import times
from gonogo.config import Config
from gonogo.errors import ConfigError, Fault, StoreError
from gonogo.field import amounts, doubles, nothing_there
from gonogo.field.entries import NewEntry
from gonogo.moisture.density_tests import judged
from gonogo.moisture.lift_history import lift_history
from gonogo.moisture.present_lift import site_as_it_lies
from gonogo.records.field import (
    Entry,
    GaugeRain,
    GroundSeen,
    LiftResult,
    Reading,
    Spread,
    StationDay,
    SurfaceWork,
    Watering,
)
from gonogo.records.site import Site
from gonogo.store import history, runs, schema
from gonogo.store.open import open_store

LINES_COMPARED = 10_000  # the newest lines of the log, in which doubles are looked for


def present_site(config: Config, site: Site, now_utc: datetime) -> Site:
    """Return a site with its strips as they lie by what is recorded: what is typed now is about these lifts."""
    store = open_store(config)
    try:
        with schema.read(store) as connection:
            entries = (*config.readings[site.id], *history.entries(connection, site.id))
    finally:
        store.dispose()
    return site_as_it_lies(site, [lift_history(strip, entries, now_utc, site) for strip in site.strips])


def store_entries(config: Config, site: Site, new: Sequence[NewEntry], now_utc: datetime, *, by: str) -> str:
    """Store entries, all or none, and say what was stored; a line of a file that is known already is passed over.

    Raises ConfigError for a likely double, and for a correction that does not fit.
    """
    store = open_store(config)
    lines: list[str] = []
    n_known = 0
    try:
        with schema.begin(store) as connection:
            log = history.entry_log(connection, site.id, limit=LINES_COMPARED)
            known = {line.source_key for line in log if line.source_key}
            fresh = [entry for entry in new if entry.source_key not in known]
            n_known = len(new) - len(fresh)
            told = told_litres(connection, site, now_utc)
            in_force = [e for line in doubles.in_force_of(log) if (e := line.entry) and not isinstance(e, StationDay)]
            gone = nothing_there.faults(fresh, in_force, told_facts(connection, site))
            if found := [*doubles.faults(fresh, log), *amounts.faults(fresh, site, told), *gone]:
                raise ConfigError(found)
            for entry in fresh:
                lines.append(_stored(connection, site, entry, now_utc, by=by))
    finally:
        store.dispose()
    known_already = f", {n_known} known already" if n_known else ""
    return "\n".join([*lines, f"{len(lines)} stored{known_already}."])


def told_litres(connection: sa.Connection, site: Site, now_utc: datetime) -> Mapping[str, float]:
    """Return by strip the water that the last verdicts of today told to put on [L]."""
    run = runs.last_run(connection, site.id, day=times.local_date(now_utc, site.zone))
    found = runs.decisions(connection, run.id) if run is not None else ()
    return {d.strip_id: d.water.litres for d in found if d.water is not None and d.water.litres > 0.0}


def told_facts(connection: sa.Connection, site: Site) -> Mapping[str, Mapping[str, float]]:
    """Return by strip the facts that the last verdicts were made from, of whatever day."""
    run = runs.last_run(connection, site.id)
    return {} if run is None else {d.strip_id: d.facts for d in runs.decisions(connection, run.id)}


def _stored(connection: sa.Connection, site: Site, new: NewEntry, now_utc: datetime, *, by: str) -> str:
    """Store one entry and return it as a line. Raises ConfigError for a correction that does not fit."""
    try:
        arrival = history.Arrival(entered_utc=now_utc, entered_by=by, source_key=new.source_key)
        number = history.add_entry(connection, site.id, new.entry, arrival, corrects_id=new.corrects)
    except StoreError as error:
        if new.corrects is None:
            raise
        raise _refused(new.place, new.corrects, error) from error
    correction = f", in place of {new.corrects}" if new.corrects else ""
    return f"{number}: {entry_text(site, new.entry)}{correction}"


def withdraw(config: Config, site: Site, number: int, now_utc: datetime) -> str:
    """Take an entry out of force and say which. It stays in the log, and so does the line that withdraws it.

    Raises ConfigError where the entry is not there, is another site's, or is not in force.
    """
    store = open_store(config)
    try:
        with schema.begin(store) as connection:
            arrival = history.Arrival(entered_utc=now_utc, entered_by="command line")
            own = history.withdraw_entry(connection, site.id, number, arrival)
    except StoreError as error:
        raise _refused("command line", number, error) from error
    finally:
        store.dispose()
    return f"{own}: withdraws {number}; it counts no more."


def _refused(place: str, number: int, error: StoreError) -> ConfigError:
    right = "`gonogo record list` shows the numbers. Nothing was stored."
    return ConfigError([Fault(place=place, key="entry", value=str(number), wrong=str(error), right=right)])


def entry_text(site: Site, entry: Entry | StationDay) -> str:
    """Return an entry as one line in the site's local time."""

    def local(at_utc: datetime) -> str:
        return f"{at_utc.astimezone(site.zone):%a %Y-%m-%d %H:%M}"

    match entry:
        case Reading():
            reading = f"{entry.w_pct:.1f} %{_density_text(site, entry)}"
            depth = "" if entry.depth_mm is None else f", upper {entry.depth_mm:g} mm"
            return f"{local(entry.at_utc)} {entry.strip_id} reading {reading} ({entry.method}{depth})"
        case GaugeRain():
            return f"{local(entry.from_utc)} to {local(entry.until_utc)} rain {entry.rain_mm:.1f} mm"
        case Watering():
            return f"{local(entry.at_utc)} {entry.strip_id} watered {entry.litres:.0f} L"
        case SurfaceWork():
            passes = f", {entry.passes} passes" if entry.passes else ""
            spread = _spread_text(site, entry) if entry.work == "spread" else ""
            return f"{local(entry.at_utc)} {entry.strip_id} {entry.work}{passes}{spread}"
        case LiftResult():
            return f"{local(entry.at_utc)} {entry.strip_id} lift {entry.result}"
        case GroundSeen():
            depth = "" if entry.lying_mm is None else f", {entry.lying_mm:.0f} mm"
            return f"{local(entry.at_utc)} {entry.strip_id} ground {entry.state}{depth}"
        case StationDay():
            rain = "rain unknown" if entry.rain_mm is None else f"rain {entry.rain_mm:.1f} mm"
            return f"{entry.day:%a %Y-%m-%d} station {entry.station}, {rain}"


def _spread_text(site: Site, entry: SurfaceWork) -> str:
    """Return what is known of a spread lift; where its thickness was not told, that the config's stands."""
    lift = entry.spread or Spread()
    strip = next((s for s in site.strips if s.id == entry.strip_id), None)
    parts = []
    if lift.thickness_m is not None:
        counted = f" ({lift.loads:.0f} loads of {lift.load_m3:g} m3)" if lift.loads and lift.load_m3 else ""
        parts.append(f"{1000.0 * lift.thickness_m:.0f} mm{counted}")
    elif strip is not None:
        later_m = strip.following_lift_thickness_m
        later = "" if later_m is None else f", {1000.0 * later_m:.0f} mm from the second lift on"
        parts.append(f"thickness not told: {1000.0 * strip.lift_thickness_m:.0f} mm{later}, as in the config")
    parts += [f"{lift.dry_density_kg_m3:.0f} kg/m3 dry"] if lift.dry_density_kg_m3 is not None else []
    parts += [lift.material_id] if lift.material_id else []
    parts += [f"on {100.0 * lift.area_share:.0f} % of the strip"] if lift.area_share is not None else []
    parts += [f"{lift.w_pct:.1f} % ({lift.method})"] if lift.w_pct is not None else []
    parts += ["as wet as the borrow"] if lift.method and lift.w_pct is None else []
    return f": {', '.join(parts)}" if parts else ""


def _density_text(site: Site, reading: Reading) -> str:
    """Return the density of a test, and the air that it leaves where the config still knows the strip."""
    if not reading.dry_density_kg_m3:
        return ""
    text = f", {reading.dry_density_kg_m3:.0f} kg/m3 dry"
    strip = next((s for s in site.strips if s.id == reading.strip_id), None)
    if strip is None:
        return text
    material = site.material(strip.material_id)
    if (found := judged(reading, material)) is None:
        return f"{text}, denser than soil can be"
    result, is_accepted = found
    text = f"{text}, {result.air_voids_pct:.1f} % air voids, {result.saturation_pct:.0f} % saturation"
    if material.method is not None:
        return text
    needed = f"{result.compaction_pct:.1f} % of {material.required_compaction_pct:g} % compaction"
    return f"{text}, {needed}{'' if is_accepted else ': not reached'}"


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
