"""What a person types or a CSV file holds, checked and turned into entries. Every fault of a file is named in one go.

A CSV row uses the words of the code: `kind` is one of KINDS, the other columns are those of COLUMNS; a column that a
kind does not use stays empty. Times are the site's local time unless they carry an offset.
"""

from __future__ import annotations

import csv
import hashlib
import io
import json
import math
from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from gonogo.config import dialect
from gonogo.config.readings import impossible
from gonogo.errors import ConfigError, Fault
from gonogo.field import lifts, seen
from gonogo.field.row import TypedRow
from gonogo.records.field import Entry, GaugeRain, Reading, Watering
from gonogo.records.ranges import greatest_rain_mm
from gonogo.records.site import Site
from gonogo.soil.compaction import porosity
from gonogo.soil.readings import METHOD_ERROR_PCT

COLUMNS = (
    "kind",
    "strip",
    "at",
    "until",
    "w_pct",
    "dry_density_kg_m3",
    "method",
    "rain_mm",
    "litres",
    "work",
    "passes",
    "corrects",
    "basis",
    "depth_mm",
    "meant",
    "thickness_m",
    "material",
    "area_share",
    "loads",
    "load_m3",
    "result",
    "state",
    "lying_mm",
)
OF_EVERY_KIND = ("kind", "at", "corrects", "meant")
WITH_BASIS = ("carbide", "microwave")  # instruments of both kinds are about: the basis has to be said
MEANT = ("again", "long")  # words of the column `meant`: what looks like a slip and is none
LONGEST_UNASKED = timedelta(days=3)  # of a gauge: rain of a longer time is spread thin, and an old date is a usual slip


@dataclass(frozen=True, slots=True, kw_only=True)
class NewEntry:
    """An entry to be stored.

    corrects    number of the stored entry that this one replaces, or None
    place       where it was written: file and line, or "command line"
    source_key  its own name where the same line could come twice, or None
    is_meant_again   it is no double of another, however like it is
    """

    entry: Entry
    corrects: int | None
    place: str = "command line"
    source_key: str | None = None
    is_meant_again: bool = False


def _reading(row: TypedRow) -> Entry:
    w_pct = lifts.w_pct(row)
    if row.text("method") in WITH_BASIS and not row.text("basis"):
        wrong = f"missing: a {row.text('method')} may show percent of dry or of wet mass."
        row.add_fault("basis", wrong, "Write wet (percent of the mass before drying, as a carbide dial shows) or dry.")
    depth = row.number("depth_mm", "Write how deep it reached in millimetres, for example 100.", required=False)
    density = row.number("dry_density_kg_m3", "Write kilograms of dry soil per m3, for example 1740.", required=False)
    reading = Reading(
        strip_id=row.strip(),
        at_utc=row.moment("at", default=row.now_utc),
        w_pct=w_pct,
        method=row.one_of("method", METHOD_ERROR_PCT, "test method"),
        dry_density_kg_m3=None if math.isnan(density) else density,
        depth_mm=None if math.isnan(depth) else depth,
    )
    if not row.faults:
        strip = row.site.strip(reading.strip_id)
        refused = impossible(
            w_pct,
            method=reading.method,
            dry_density_kg_m3=reading.dry_density_kg_m3,
            as_spread_kg_m3=strip.dry_density_kg_m3,
            material=row.site.material(strip.material_id),
        )
        if refused is not None:
            row.add_fault(*refused)
    return reading


def _rain(row: TypedRow) -> Entry:
    until = row.moment("until", default=row.now_utc)
    start = row.moment("at", default=None)
    rain_mm = row.number("rain_mm", "Write millimetres caught, for example 4.5 (0 is a reading too).")
    if row.faults:
        return GaugeRain(from_utc=start, until_utc=until, rain_mm=rain_mm)
    stood = until - start
    if stood <= timedelta(0):
        row.add_fault("at", "the gauge stood no time.", "`at` is when the gauge was emptied, `until` when it was read.")
    elif rain_mm > (most_mm := greatest_rain_mm(stood / timedelta(hours=1))):
        wrong = f"is more than ever fell in that time ({most_mm:.0f} mm)."
        row.add_fault("rain_mm", wrong, "Write millimetres caught since the gauge was emptied.")
    elif stood > LONGEST_UNASKED and "long" not in row.text("meant").split():
        row.add_fault(
            "at",
            f"the gauge stood for {stood / timedelta(days=1):.0f} days, and its rain would be spread over all of them.",
            "Write when it was last emptied; if it really was then, add --long (in a file: long in the column meant).",
        )
    return GaugeRain(from_utc=start, until_utc=until, rain_mm=rain_mm)


def _watering(row: TypedRow) -> Entry:
    right = "Write litres put on the strip, for example 9000."
    watering = Watering(
        litres=row.number("litres", right), strip_id=row.strip(), at_utc=row.moment("at", default=row.now_utc)
    )
    if not row.faults:
        strip = row.site.strip(watering.strip_id)
        depth_mm = watering.litres / strip.area_m2
        solids = row.site.material(strip.material_id).specific_gravity
        pores_mm = 1000.0 * strip.lift_thickness_m * float(porosity(strip.dry_density_kg_m3, solids))
        if depth_mm > pores_mm:
            wrong = f"is {depth_mm:.0f} mm of water on {strip.area_m2:.0f} m2; the lift's pores hold {pores_mm:.0f} mm."
            row.add_fault("litres", wrong, right)
    return watering


KINDS: dict[str, tuple[Callable[[TypedRow], Entry], tuple[str, ...]]] = {
    # kind: (reader, columns it uses beside `kind`, `at` and `corrects`)
    "reading": (_reading, ("strip", "w_pct", "basis", "depth_mm", "dry_density_kg_m3", "method")),
    "rain": (_rain, ("until", "rain_mm")),
    "watering": (_watering, ("strip", "litres")),
    "surface": (lifts.surface, lifts.SURFACE_COLUMNS),
    "lift": (lifts.result, ("strip", "result")),
    "ground": (seen.ground, seen.GROUND_COLUMNS),
}


def _new_entry(row: TypedRow) -> NewEntry | None:
    """Return the entry of a row, None where its kind is not known; faults stand in the row."""
    kind = row.one_of("kind", KINDS, "kind of entry")
    if not kind:
        return None
    reader, uses = KINDS[kind]
    for key in row.fields:
        if row.text(key) and key in COLUMNS and key not in (*OF_EVERY_KIND, *uses):
            row.add_fault(key, f"a {kind} has no such value.", f"Leave it empty; a {kind} has: {', '.join(uses)}.")
    meant = row.text("meant").split()
    if not set(meant) <= set(MEANT):
        row.add_fault("meant", "holds a word not known.", f"Write {' or '.join(MEANT)}, or leave it empty.")
    return NewEntry(
        corrects=row.whole_number("corrects", "Write the number of the entry to replace."),
        entry=reader(row),
        place=row.place,
        is_meant_again="again" in meant,
    )


def parse(rows: Iterable[tuple[str, Mapping[str, str]]], site: Site, now_utc: datetime) -> tuple[NewEntry, ...]:
    """Return the entries of (place, fields) rows.

    Raises ConfigError with every fault of every row; then nothing may be stored.
    """
    inspected = [TypedRow(place, fields, site, now_utc) for place, fields in rows]
    entries = [_new_entry(row) for row in inspected]
    if faults := [fault for row in inspected for fault in row.faults]:
        raise ConfigError(faults)
    return tuple(entry for entry in entries if entry is not None)


def parse_csv(text: str, place: str, site: Site, now_utc: datetime) -> tuple[NewEntry, ...]:
    """Return the entries of a CSV text with a header row, each with its source key.

    Raises ConfigError naming each line at fault.
    """
    rows = _rows(text, place)
    keys = source_keys([fields for _, fields in rows], site, now_utc)
    return tuple(replace(new, source_key=key) for new, key in zip(parse(rows, site, now_utc), keys, strict=True))


def _rows(text: str, place: str) -> list[tuple[str, dict[str, str]]]:
    """Return (place, fields) of each line of a CSV text."""
    text = text.removeprefix("\ufeff")
    separator = dialect.separator_of(text)
    reader = csv.DictReader(io.StringIO(text), delimiter=separator)
    rows: list[tuple[str, dict[str, str]]] = []
    try:
        header, written = dialect.named([name.strip() for name in reader.fieldnames or ()], separator)
        _require_header(header, place)
        reader.fieldnames = header
        for fields in reader:
            at = f"{place}:{reader.line_num}"
            if None in fields:
                raise _refused(at, "row", str(fields[None]), "more values than columns.", "Write one value per column.")
            rows.append((at, {k: written.plain(k, v or "") for k, v in fields.items()}))
    except csv.Error as error:
        wrong, right = f"is no row of a CSV: {error}.", "Write one line per row, a quote at both ends or at none."
        raise _refused(f"{place}:{reader.reader.line_num}", "row", "", wrong, right) from error
    return rows


def _require_header(header: Sequence[str], place: str) -> None:
    unknown = [name for name in header if name not in COLUMNS]
    doubled = [name for name in dict.fromkeys(header) if header.count(name) > 1]
    if "kind" in header and not unknown and not doubled:
        return
    wrong = f"unknown columns: {', '.join(unknown)}." if unknown else "no column `kind`."
    if doubled:
        wrong = f"a column twice: {', '.join(doubled)}."
    right = f"The first line names columns out of: {', '.join(COLUMNS)}."
    raise _refused(f"{place}:1", "header", ",".join(header), wrong, right)


def _refused(place: str, key: str, value: str, wrong: str, right: str) -> ConfigError:
    return ConfigError([Fault(place=place, key=key, value=value, wrong=wrong, right=f"{right} Nothing was stored.")])


def source_keys(rows: Sequence[Mapping[str, str]], site: Site, now_utc: datetime) -> list[str]:
    """Return a name for each line of a CSV by what it says, so that the same line of a later file is known again.

    Equal lines of one file are counted. A line without its own time is one of the day on which it is read.
    """
    seen: Counter[str] = Counter()
    keys = []
    for fields in rows:
        filled = {key: text.strip() for key, text in fields.items() if text.strip()}
        if "at" not in filled:
            filled["read on"] = f"{now_utc.astimezone(site.zone):%Y-%m-%d}"
        line = json.dumps(filled, sort_keys=True)
        seen[line] += 1
        keys.append(f"csv {hashlib.sha256(f'{line} {seen[line]}'.encode()).hexdigest()[:40]}")
    return keys
