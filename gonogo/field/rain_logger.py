"""The file that a rain logger writes: lines of timestamp and millimetres since the line before."""

from __future__ import annotations

import csv
import io
import itertools
import math
from collections import defaultdict
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from gonogo.config import Config
from gonogo.errors import ConfigError, Fault
from gonogo.records.field import GaugeRain
from gonogo.records.site import Site
from gonogo.store import history, schema
from gonogo.store.open import open_store
from gonogo.weather.gauge import MAX_RAIN_MM_H

KEPT_DAYS = 60  # older lines move no verdict any more
LONGEST_STEP = timedelta(hours=24)
GAP_STEPS = 1.5  # a step of so many usual ones is a gap: the logger stood still, and nobody knows what fell
CLOCK_SLACK = timedelta(minutes=10)
NO_VALUES = frozenset({"", "nan", "null", "---", "-", "n/a"})
TIME_NAMES = ("timestamp", "time", "date_time", "datetime")
RAIN_NAMES = ("rain_mm", "mm", "rain", "precipitation_mm")
HOUR = timedelta(hours=1)


@dataclass(frozen=True, slots=True, kw_only=True)
class GaugeFile:
    """What a logger's file holds: readings in the order of time, and sentences on what was left out."""

    readings: tuple[GaugeRain, ...]
    notes: tuple[str, ...]


def parse(text: str, place: str, site: Site, now_utc: datetime) -> GaugeFile:
    """Return the readings of a logger's file.

    A line holds a time, the site's local one unless it carries an offset, and the rain since the line before it. Steps
    below an hour are brought together to full hours; an hour, or a step, that is not whole is left out and not taken
    for dry.

    Raises ConfigError with every line at fault; then nothing may be stored.
    """
    faults: list[Fault] = []
    lines = _lines(text, place, site, faults)
    for number, at_utc, rain_mm in lines:
        if at_utc > now_utc + CLOCK_SLACK:
            faults.append(
                _fault(place, number, "timestamp", at_utc.isoformat(), "lies in the future.", "Set the clock.")
            )
        elif not math.isnan(rain_mm) and not 0.0 <= rain_mm <= MAX_RAIN_MM_H:
            wrong = f"outside 0 to {MAX_RAIN_MM_H:g} mm."
            faults.append(_fault(place, number, "rain_mm", f"{rain_mm:g}", wrong, "Write millimetres."))
    notes: list[str] = []
    if [at for _, at, _ in lines] != sorted(at for _, at, _ in lines):
        notes.append("The lines were not in order of time and were sorted.")
    by_time: dict[datetime, tuple[int, float]] = {}
    for number, at_utc, rain_mm in sorted(lines, key=lambda line: line[1]):
        known = by_time.setdefault(at_utc, (number, rain_mm))
        if known[1] != rain_mm and not (math.isnan(known[1]) and math.isnan(rain_mm)):
            wrong = f"line {known[0]} has another amount for the same time."
            faults.append(_fault(place, number, "timestamp", at_utc.isoformat(), wrong, "One line a time."))
    if faults:
        raise ConfigError(faults)
    times = list(by_time)
    if len(times) < 3:
        wrong, right = (
            "fewer than three lines with a time.",
            "A logger's file is: timestamp, millimetres since the line before.",
        )
        raise ConfigError([_fault(place, 1, "file", "", wrong, right)])
    steps = [later - sooner for sooner, later in itertools.pairwise(times)]
    usual = sorted(steps)[len(steps) // 2]
    if usual > LONGEST_STEP:
        wrong = f"the usual step between lines is {usual}."
        raise ConfigError([_fault(place, 1, "timestamp", "", wrong, "A logger writes at least once a day.")])
    whole = [
        GaugeRain(from_utc=sooner, until_utc=later, rain_mm=by_time[later][1])
        for sooner, later in itertools.pairwise(times)
        if later - sooner <= GAP_STEPS * usual and not math.isnan(by_time[later][1])
    ]
    if n_gaps := len(steps) - len(whole):
        notes.append(
            f"{n_gaps} steps without a value, or longer than usual ({usual}), were left out: not known, not dry."
        )
    readings = _full_hours(whole, notes) if usual < HOUR else whole
    recent = [one for one in readings if one.until_utc >= now_utc - timedelta(days=KEPT_DAYS)]
    if n_old := len(readings) - len(recent):
        notes.append(f"{n_old} readings older than {KEPT_DAYS} days were left out.")
    return GaugeFile(readings=tuple(recent), notes=tuple(notes))


def record(config: Config, site: Site, text: str, place: str, now_utc: datetime) -> str:
    """Store the readings of a logger's file and say what was stored. The same file may come again, longer."""
    file = parse(text, place, site, now_utc)
    store = open_store(config)
    try:
        with schema.begin(store) as connection:
            before = max((line.id for line in history.entry_log(connection, site.id, limit=1)), default=0)
            numbers = [
                history.add_entry(
                    connection,
                    site.id,
                    one,
                    entered_utc=now_utc,
                    entered_by="gauge file",
                    source_key=f"gauge {one.from_utc.isoformat()} {one.until_utc.isoformat()}",
                )
                for one in file.readings
            ]
    finally:
        store.dispose()
    new = [one for number, one in zip(numbers, file.readings, strict=True) if number > before]
    lines = list(file.notes)
    if new:
        since, until = (at.astimezone(site.zone) for at in (new[0].from_utc, new[-1].until_utc))
        lines.append(
            f"{since:%a %Y-%m-%d %H:%M} to {until:%a %Y-%m-%d %H:%M}: {sum(one.rain_mm for one in new):.1f} mm"
        )
    return "\n".join([*lines, f"{len(new)} stored, {len(numbers) - len(new)} known already."])


def _fault(place: str, line: int, key: str, value: str, wrong: str, right: str) -> Fault:
    return Fault(place=f"{place}:{line}", key=key, value=value, wrong=wrong, right=f"{right} Nothing was stored.")


def _lines(text: str, place: str, site: Site, faults: list[Fault]) -> list[tuple[int, datetime, float]]:
    """Return (line number, time, millimetres or NaN) of every line."""
    text = text.removeprefix("\ufeff")
    first_line = text.partition("\n")[0]
    delimiter = max(";\t,", key=first_line.count)
    rows = [
        (n, [cell.strip() for cell in row])
        for n, row in enumerate(csv.reader(io.StringIO(text), delimiter=delimiter), 1)
    ]
    rows = [(n, row) for n, row in rows if any(row)]
    time_at, rain_at = 0, 1
    if rows and _moment(rows[0][1][0], site, None) is None:
        number, header = rows.pop(0)
        names = [name.casefold().replace(" ", "_") for name in header]
        found = [next((names.index(n) for n in known if n in names), None) for known in (TIME_NAMES, RAIN_NAMES)]
        if found[0] is None or found[1] is None:
            right = f"The first line names {TIME_NAMES[0]} and {RAIN_NAMES[0]}; or leave it out and begin with a time."
            faults.append(_fault(place, number, "header", delimiter.join(header), "columns not known.", right))
            return []
        time_at, rain_at = found[0], found[1]
    lines: list[tuple[int, datetime, float]] = []
    for number, row in rows:
        stamp, amount = (row[at] if at < len(row) else "" for at in (time_at, rain_at))
        at_utc = _moment(stamp, site, lines[-1][1] if lines else None)
        value = _millimetres(amount, delimiter)
        if at_utc is None:
            right = 'Write local time such as "2026-05-12 06:40", or with an offset.'
            faults.append(_fault(place, number, "timestamp", stamp, "not a date and time.", right))
        elif value is None:
            faults.append(_fault(place, number, "rain_mm", amount, "not a number.", "For example 0.2."))
        else:
            lines.append((number, at_utc, value))
    return lines


def _moment(stamp: str, site: Site, before_utc: datetime | None) -> datetime | None:
    """Return a time in UTC, None where it is none. In the hour that autumn repeats, the one after the line before."""
    try:
        at = datetime.fromisoformat(stamp)
    except ValueError:
        return None
    if at.tzinfo is not None:
        return at.astimezone(UTC)
    first = at.replace(tzinfo=site.zone).astimezone(UTC)
    second = at.replace(tzinfo=site.zone, fold=1).astimezone(UTC)
    return second if before_utc is not None and first <= before_utc < second else first


def _millimetres(amount: str, delimiter: str) -> float | None:
    """Return an amount, NaN where the logger had none, None where it is no number."""
    if amount.casefold() in NO_VALUES:
        return math.nan
    try:
        value = float(amount.replace(",", ".") if delimiter != "," else amount)
    except ValueError:
        return None
    return value if math.isfinite(value) else None


def _full_hours(steps: list[GaugeRain], notes: list[str]) -> list[GaugeRain]:
    """Return full hours of UTC from shorter steps; an hour with a gap, or not over yet, is left out."""
    covered: dict[datetime, timedelta] = defaultdict(timedelta)
    rain_mm: dict[datetime, float] = defaultdict(float)
    for step in steps:
        hour = step.from_utc.replace(minute=0, second=0, microsecond=0)
        while hour < step.until_utc:  # a step over the full hour counts on both sides by its time there
            inside = min(step.until_utc, hour + HOUR) - max(step.from_utc, hour)
            covered[hour] += inside
            rain_mm[hour] += step.rain_mm * (inside / (step.until_utc - step.from_utc))
            hour += HOUR
    whole = [hour for hour, span in sorted(covered.items()) if abs(span - HOUR) <= timedelta(seconds=90)]
    hours = [GaugeRain(from_utc=hour, until_utc=hour + HOUR, rain_mm=rain_mm[hour]) for hour in whole]
    n_short = len(covered) - len(whole)
    if n_short:
        notes.append(f"{n_short} hours are not whole in the file and were left out: not known, not dry.")
    return hours
