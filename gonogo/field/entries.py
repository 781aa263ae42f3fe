"""What a person types or a CSV file holds, checked and turned into entries. Every fault of a file is named in one go.

A CSV row uses the words of the code: `kind` is one of KINDS, the other columns are those of COLUMNS; a column that a
kind does not use stays empty. Times are the site's local time unless they carry an offset.
"""

from __future__ import annotations

import csv
import difflib
import io
import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from gonogo.errors import ConfigError, Fault
from gonogo.records.field import Entry, GaugeRain, Reading, SurfaceWork, Watering
from gonogo.records.site import Site
from gonogo.soil.compaction import wet_to_dry_basis_pct
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
)
BASES = ("dry", "wet")  # water content as a share of dry mass, or of the mass before drying
WORKS = ("rolled", "sealed", "disked", "spread")
CLOCK_SLACK = timedelta(minutes=10)


@dataclass(frozen=True, slots=True, kw_only=True)
class NewEntry:
    """An entry to be stored. corrects: number of the stored entry that this one replaces, or None."""

    entry: Entry
    corrects: int | None


class _Row:
    """One row under inspection: fields come out checked, faults pile up."""

    def __init__(self, place: str, fields: Mapping[str, str], site: Site, now_utc: datetime) -> None:
        self.place, self.fields, self.site, self.now_utc = place, fields, site, now_utc
        self.faults: list[Fault] = []

    def text(self, key: str) -> str:
        return (self.fields.get(key) or "").strip()

    def add_fault(self, key: str, wrong: str, right: str) -> None:
        self.faults.append(
            Fault(place=self.place, key=key, value=self.text(key), wrong=wrong, right=f"{right} Nothing was stored.")
        )

    def number(self, key: str, low: float, high: float, right: str, *, required: bool = True) -> float:
        raw = self.text(key)
        if not raw and not required:
            return math.nan
        try:
            value = float(raw)
        except ValueError:
            self.add_fault(key, "not a number." if raw else "missing.", right)
            return math.nan
        if not low <= value <= high:
            self.add_fault(key, f"outside {low:g} to {high:g}.", right)
        return value

    def moment(self, key: str, *, default: datetime | None) -> datetime:
        raw = self.text(key)
        right = 'Write local time such as "2026-05-12 06:40", or with an offset "2026-05-12T06:40-05:00".'
        if not raw:
            if default is None:
                self.add_fault(key, "missing.", right)
            return default or self.now_utc
        try:
            at = datetime.fromisoformat(raw)
        except ValueError:
            self.add_fault(key, "not a date and time.", right)
            return self.now_utc
        at_utc = (at if at.tzinfo else at.replace(tzinfo=self.site.zone)).astimezone(UTC)
        if at_utc > self.now_utc + CLOCK_SLACK:
            self.add_fault(key, "lies in the future.", "Write when it happened.")
        return at_utc

    def one_of(self, key: str, allowed: Iterable[str], what: str) -> str:
        raw, names = self.text(key), list(allowed)
        if raw in names:
            return raw
        near = difflib.get_close_matches(raw, names, n=1)
        hint = f'Did you mean "{near[0]}"?' if near else f"Write one of: {', '.join(names)}."
        self.add_fault(key, f"no such {what}." if raw else "missing.", hint)
        return ""

    def strip(self) -> str:
        return self.one_of("strip", (s.id for s in self.site.strips), f"strip on site {self.site.id}")


def _w_pct(row: _Row) -> float:
    """Return the water content of a row on dry mass, on whichever mass it was read."""
    is_wet = row.text("basis") != "" and row.one_of("basis", BASES, "basis of a water content") == "wet"
    mass, high_pct = ("mass before drying", 50.0) if is_wet else ("dry mass", 100.0)
    w_pct = row.number("w_pct", 0.0, high_pct, f"Write percent of {mass}, for example 11.2.")
    if 0.0 < w_pct < 0.6:
        row.add_fault("w_pct", "looks like a fraction.", f"Write percent of {mass}, for example {100 * w_pct:.1f}.")
    return float(wet_to_dry_basis_pct(w_pct)) if is_wet and 0.0 <= w_pct <= high_pct else w_pct


def _reading(row: _Row) -> Entry:
    w_pct = _w_pct(row)
    density = row.number(
        "dry_density_kg_m3", 500.0, 3000.0, "Write kilograms of dry soil per m3, for example 1740.", required=False
    )
    return Reading(
        strip_id=row.strip(),
        at_utc=row.moment("at", default=row.now_utc),
        w_pct=w_pct,
        method=row.one_of("method", METHOD_ERROR_PCT, "test method"),
        dry_density_kg_m3=None if math.isnan(density) else density,
    )


def _rain(row: _Row) -> Entry:
    until = row.moment("until", default=row.now_utc)
    start = row.moment("at", default=None)
    if start >= until:
        row.add_fault("at", "the gauge stood no time.", "`at` is when the gauge was emptied, `until` when it was read.")
    rain_mm = row.number("rain_mm", 0.0, 1000.0, "Write millimetres caught, for example 4.5 (0 is a reading too).")
    return GaugeRain(from_utc=start, until_utc=until, rain_mm=rain_mm)


def _watering(row: _Row) -> Entry:
    litres = row.number("litres", 1.0, 1e6, "Write litres put on the strip, for example 9000.")
    return Watering(strip_id=row.strip(), at_utc=row.moment("at", default=row.now_utc), litres=litres)


def _surface(row: _Row) -> Entry:
    passes = row.number("passes", 1, 50, "Write the number of passes, for example 6.", required=False)
    return SurfaceWork(
        strip_id=row.strip(),
        at_utc=row.moment("at", default=row.now_utc),
        work=row.one_of("work", WORKS, "surface work"),
        passes=None if math.isnan(passes) else round(passes),
    )


KINDS: dict[str, tuple[Callable[[_Row], Entry], tuple[str, ...]]] = {
    # kind: (reader, columns it uses beside `kind`, `at` and `corrects`)
    "reading": (_reading, ("strip", "w_pct", "basis", "dry_density_kg_m3", "method")),
    "rain": (_rain, ("until", "rain_mm")),
    "watering": (_watering, ("strip", "litres")),
    "surface": (_surface, ("strip", "work", "passes")),
}


def parse(rows: Iterable[tuple[str, Mapping[str, str]]], site: Site, now_utc: datetime) -> tuple[NewEntry, ...]:
    """Return the entries of (place, fields) rows.

    Raises ConfigError with every fault of every row; then nothing may be stored.
    """
    entries: list[NewEntry] = []
    faults: list[Fault] = []
    for place, fields in rows:
        row = _Row(place, fields, site, now_utc)
        kind = row.one_of("kind", KINDS, "kind of entry")
        if kind:
            reader, uses = KINDS[kind]
            for key in fields:
                if row.text(key) and key in COLUMNS and key not in ("kind", "at", "corrects", *uses):
                    row.add_fault(
                        key, f"a {kind} has no such value.", f"Leave it empty; a {kind} has: {', '.join(uses)}."
                    )
            corrects = row.number("corrects", 1, 1e12, "Write the number of the entry to replace.", required=False)
            entry = reader(row)
            entries.append(NewEntry(entry=entry, corrects=None if math.isnan(corrects) else round(corrects)))
        faults += row.faults
    if faults:
        raise ConfigError(faults)
    return tuple(entries)


def parse_csv(text: str, place: str, site: Site, now_utc: datetime) -> tuple[NewEntry, ...]:
    """Return the entries of a CSV text with a header row. Raises ConfigError naming each line at fault."""
    reader = csv.DictReader(io.StringIO(text.removeprefix("\ufeff")))
    header = tuple(name.strip() for name in reader.fieldnames or ())
    unknown = [name for name in header if name not in COLUMNS]
    if "kind" not in header or unknown:
        wrong = f"unknown columns: {', '.join(unknown)}." if unknown else "no column `kind`."
        right = f"The first line names columns out of: {', '.join(COLUMNS)}. Nothing was stored."
        raise ConfigError([Fault(place=f"{place}:1", key="header", value=",".join(header), wrong=wrong, right=right)])
    reader.fieldnames = list(header)
    rows: list[tuple[str, Mapping[str, str]]] = []
    for fields in reader:
        at = f"{place}:{reader.line_num}"
        if None in fields:
            wrong, right = "more values than columns.", "Write one value a column. Nothing was stored."
            raise ConfigError([Fault(place=at, key="row", value=str(fields[None]), wrong=wrong, right=right)])
        rows.append((at, {k: v or "" for k, v in fields.items()}))
    return parse(rows, site, now_utc)
