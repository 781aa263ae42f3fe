"""The file that a rain logger writes: lines of timestamp and millimetres since the line before."""

from __future__ import annotations

import csv
import io
import itertools
import math
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from gonogo.config import Config
from gonogo.config.numbers import NUMBER
from gonogo.errors import ConfigError, Fault
from gonogo.field.row import CLOCK_SLACK, is_moment, moment_utc, repeated_utc
from gonogo.records.field import GaugeRain
from gonogo.records.ranges import greatest_rain_mm, refusal
from gonogo.records.site import Site
from gonogo.store import history, schema
from gonogo.store.open import open_store

KEPT_DAYS = 60  # older lines move no verdict any more
LONGEST_STEP = timedelta(hours=24)
GAP_STEPS = 1.5  # a step of so many usual ones is a gap: the logger stood still, and nobody knows what fell
NO_VALUES = frozenset({"", "nan", "null", "---", "-", "n/a"})
TIME_NAMES = ("timestamp", "time", "date_time", "datetime")
RAIN_NAMES = ("rain_mm", "mm", "rain", "precipitation_mm")
HOUR = timedelta(hours=1)


@dataclass(frozen=True, slots=True, kw_only=True)
class LoggerLine:
    """One line: its time, as written too, and what fell since the line before it [mm], NaN for no value."""

    number: int
    stamp: str
    at_utc: datetime
    rain_mm: float


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
    notes = []
    if [line.at_utc for line in lines] != sorted(line.at_utc for line in lines):
        notes.append("The lines were not in order of time and were sorted.")
    by_time = _by_time(lines, place, f"{now_utc.astimezone(site.zone):%Y-%m-%d %H:%M}", now_utc, faults)
    if not faults and len(by_time) < 3:
        right = "A logger's file is: timestamp, millimetres since the line before."
        faults.append(_fault(place, 1, "file", "", "fewer than three lines with a time.", right))
    if faults:
        raise ConfigError(faults)
    steps = list(itertools.pairwise(by_time))
    usual = sorted(later.at_utc - sooner.at_utc for sooner, later in steps)[len(steps) // 2]
    if usual > LONGEST_STEP:
        wrong = f"the usual step between lines is {usual}."
        raise ConfigError([_fault(place, 1, "timestamp", "", wrong, "A logger writes at least once a day.")])
    whole = _whole_steps(steps, usual, place)
    if n_gaps := len(steps) - len(whole):
        notes.append(
            f"{n_gaps} steps without a value, or longer than usual ({usual}), were left out: not known, not dry."
        )
    readings = _full_hours(whole, notes) if usual < HOUR else whole
    recent = [reading for reading in readings if reading.until_utc >= now_utc - timedelta(days=KEPT_DAYS)]
    if n_old := len(readings) - len(recent):
        notes.append(f"{n_old} readings older than {KEPT_DAYS} days were left out.")
    return GaugeFile(readings=tuple(recent), notes=tuple(notes))


def _by_time(
    lines: Sequence[LoggerLine], place: str, site_now: str, now_utc: datetime, faults: list[Fault]
) -> list[LoggerLine]:
    """Return one line a time, in order; add a fault for what lies ahead and for two amounts of one time."""
    by_time: dict[datetime, LoggerLine] = {}
    for line in sorted(lines, key=lambda line: line.at_utc):
        known = by_time.setdefault(line.at_utc, line)
        if line.at_utc > now_utc + CLOCK_SLACK:
            wrong = f"lies in the future: at the site it is {site_now} by the clock of this machine."
            right = "Set the logger's clock to the site's time, or write each time with its offset."
            faults.append(_fault(place, line.number, "timestamp", line.stamp, wrong, right))
        elif known.rain_mm != line.rain_mm and not (math.isnan(known.rain_mm) and math.isnan(line.rain_mm)):
            wrong = f"line {known.number} has another amount for the same time."
            faults.append(_fault(place, line.number, "timestamp", line.stamp, wrong, "One line a time."))
    return list(by_time.values())


def _whole_steps(steps: Sequence[tuple[LoggerLine, LoggerLine]], usual: timedelta, place: str) -> list[GaugeRain]:
    """Return the steps that hold what fell in them. Raises ConfigError for more than can fall."""
    whole, faults = [], []
    for sooner, later in steps:
        length = later.at_utc - sooner.at_utc
        if length > GAP_STEPS * usual or math.isnan(later.rain_mm):
            continue
        most_mm = greatest_rain_mm(length / HOUR)
        if later.rain_mm > most_mm:
            wrong = f"is more than ever fell in {length} ({most_mm:.0f} mm)."
            faults.append(
                _fault(
                    place,
                    later.number,
                    "rain_mm",
                    f"{later.rain_mm:g}",
                    wrong,
                    "Write millimetres since the line before.",
                )
            )
        whole.append(GaugeRain(from_utc=sooner.at_utc, until_utc=later.at_utc, rain_mm=later.rain_mm))
    if faults:
        raise ConfigError(faults)
    return whole


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
                    reading,
                    history.Arrival(
                        entered_utc=now_utc,
                        entered_by="gauge file",
                        source_key=f"gauge {reading.from_utc.isoformat()} {reading.until_utc.isoformat()}",
                    ),
                )
                for reading in file.readings
            ]
    finally:
        store.dispose()
    new = [reading for number, reading in zip(numbers, file.readings, strict=True) if number > before]
    lines = list(file.notes)
    if new:
        since, until = (at.astimezone(site.zone) for at in (new[0].from_utc, new[-1].until_utc))
        lines.append(
            f"{since:%a %Y-%m-%d %H:%M} to {until:%a %Y-%m-%d %H:%M}: {sum(reading.rain_mm for reading in new):.1f} mm"
        )
    return "\n".join([*lines, f"{len(new)} stored, {len(numbers) - len(new)} known already."])


def _fault(place: str, line: int, key: str, value: str, wrong: str, right: str) -> Fault:
    return Fault(place=f"{place}:{line}", key=key, value=value, wrong=wrong, right=f"{right} Nothing was stored.")


def _cells(text: str, place: str, delimiter: str) -> list[tuple[int, list[str]]]:
    """Return (line number, cells) of each line that holds anything."""
    reader = csv.reader(io.StringIO(text), delimiter=delimiter)
    rows = []
    try:
        for row in reader:
            rows.append((reader.line_num, [cell.strip() for cell in row]))
    except csv.Error as error:
        wrong = f"is no line of a logger: {error}."
        raise ConfigError([_fault(place, reader.line_num, "row", "", wrong, "Write a time and an amount.")]) from error
    return [(number, row) for number, row in rows if any(row)]


def _lines(text: str, place: str, site: Site, faults: list[Fault]) -> list[LoggerLine]:
    """Return every line that holds a time and an amount, and add a fault for every other."""
    text = text.removeprefix("\ufeff")
    first_line = text.partition("\n")[0]
    delimiter = max(";\t,", key=first_line.count)
    rows = _cells(text, place, delimiter)
    time_at, rain_at = 0, 1
    if rows and not is_moment(rows[0][1][0]):
        number, header = rows.pop(0)
        names = [name.casefold().replace(" ", "_") for name in header]
        found = [next((names.index(n) for n in known if n in names), None) for known in (TIME_NAMES, RAIN_NAMES)]
        if found[0] is None or found[1] is None:
            right = f"The first line names {TIME_NAMES[0]} and {RAIN_NAMES[0]}; or leave it out and begin with a time."
            faults.append(_fault(place, number, "header", delimiter.join(header), "columns not known.", right))
            return []
        time_at, rain_at = found[0], found[1]
    lines: list[LoggerLine] = []
    for number, row in rows:
        stamp, amount = (row[at] if at < len(row) else "" for at in (time_at, rain_at))
        at_utc = _moment_utc(stamp, site, lines[-1].at_utc if lines else None)
        value = _millimetres(amount, delimiter)
        if not isinstance(at_utc, datetime):
            faults.append(_fault(place, number, "timestamp", stamp, *at_utc))
        elif value is None:
            faults.append(_fault(place, number, "rain_mm", amount, "not a number.", "For example 0.2."))
        elif not math.isnan(value) and (refused := refusal("rain_mm", value)) is not None:
            faults.append(_fault(place, number, "rain_mm", amount, refused[0], "Write millimetres."))
        else:
            lines.append(LoggerLine(number=number, stamp=stamp, at_utc=at_utc, rain_mm=value))
    return lines


def _moment_utc(stamp: str, site: Site, before_utc: datetime | None) -> datetime | tuple[str, str]:
    """Return a time in UTC, or (wrong, right). In the hour that autumn repeats, the one after the line before."""
    found = moment_utc(stamp, site)
    if isinstance(found, datetime):
        return found
    both = repeated_utc(stamp, site)
    if not both:
        return found
    return both[1] if before_utc is not None and both[0] <= before_utc < both[1] else both[0]


def _millimetres(amount: str, delimiter: str) -> float | None:
    """Return an amount, NaN where the logger had none, None where it is no number."""
    if amount.casefold() in NO_VALUES:
        return math.nan
    point = amount.replace(",", ".") if delimiter != "," else amount
    return float(point) if NUMBER.fullmatch(point) else None


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
