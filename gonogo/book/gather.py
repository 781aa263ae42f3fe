"""From the store to the rows of the book, day by day."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime

import numpy as np
import pandas as pd
import sqlalchemy as sa

from gonogo import times
from gonogo.book import weather_day
from gonogo.book.lost_time import Lost, ShiftHours, causes_by_hour, lost_by_site, lost_by_strip
from gonogo.book.strip_past import NOTHING_DONE, strip_pasts
from gonogo.book.tables import EntryRow, MailRow, StripDay, TestRow, WeatherDay
from gonogo.book.weather_day import FREEZING_DEGC, Account, DaySources, bounds_utc
from gonogo.decide.lift_keys import ROLLED
from gonogo.moisture.density_tests import judged
from gonogo.records.field import Entry, GaugeRain, GroundSeen, Reading, StationDay, SurfaceWork, Watering
from gonogo.records.shift import is_working_day, shift_utc
from gonogo.records.site import Site
from gonogo.records.verdict import Decision, Verdict
from gonogo.store import history, span
from gonogo.store.encoding import encoded
from gonogo.store.history import RECORDS, StoredEntry


@dataclass(frozen=True, slots=True, kw_only=True)
class BookDay:
    """One local date of a site as the book has it."""

    weather: WeatherDay
    strips: tuple[StripDay, ...]
    lost: Lost
    shift_h: float


def kept_of(connection: sa.Connection, site: Site, readings: Sequence[Reading], *, rain_stop_mm_h: float) -> DaySources:
    """Return what a site's days are made from. readings: those that the config gives."""
    entries = (*readings, *history.entries(connection, site.id))
    return DaySources(
        connection=connection,
        site=site,
        entries=entries,
        rain_stop_mm_h=rain_stop_mm_h,
        pasts=strip_pasts(site, entries),
        gauge=tuple(entry for entry in entries if isinstance(entry, GaugeRain)),
    )


def day_of(kept: DaySources, day: date) -> BookDay:
    """Return one local date: its weather, each strip, and what was lost. A date without a run has no strips."""
    site = kept.site
    runs = span.runs_of_day(kept.connection, site.id, day)
    told: dict[str, tuple[Decision, datetime, str]] = {}
    for run in runs:
        at_utc = run.finished_utc or run.claimed_utc
        told |= {d.strip_id: (d, at_utc, run.edition) for d in span.decisions_of(kept.connection, run)}
    found = weather_day.account(kept, day)
    shift = _shift_hours(kept, day, found)
    foreseen = span.outlook_of_day(kept.connection, runs[0], day) if runs else None
    weather = WeatherDay(
        day=day,
        is_working_day=is_working_day(site, day),
        **weather_day.service_columns(found, shift),
        forecast_rain_mm=_known(foreseen.rain_mm if foreseen else math.nan),
        forecast_rain_chance=_known(foreseen.rain_chance if foreseen else math.nan),
        gauge_rain_mm=weather_day.gauge_mm(kept.gauge, *bounds_utc(site, day)),
        **weather_day.station_columns(kept, day),
    )
    causes = {
        strip_id: causes_by_hour(shift, decision)
        for strip_id, (decision, _, _) in told.items()
        if weather.is_working_day and decision.reason not in ROLLED
    }
    strips = tuple(
        _strip_day(kept, day, *row, lost=lost_by_strip(shift, causes[strip_id]) if strip_id in causes else None)
        for strip_id, row in told.items()
    )
    lost = lost_by_site(shift, tuple(causes.values()))
    return BookDay(weather=weather, strips=strips, lost=lost, shift_h=float(shift.hours.sum()))


def test_rows(
    kept: DaySources, lines: Sequence[StoredEntry], since_utc: datetime, until_utc: datetime
) -> Iterator[TestRow]:
    """Yield the tests in force of a span, by their time. lines: the lines of the log, for number and entering."""
    numbered = {encoded(line.entry): line for line in lines if line.corrected_by_id is None and line.entry is not None}
    tests = [e for e in kept.entries if isinstance(e, Reading) and since_utc <= e.at_utc < until_utc]
    strips = {strip.id: strip for strip in kept.site.strips}
    for test in sorted(tests, key=lambda test: (test.at_utc, test.strip_id)):
        line, strip = numbered.get(encoded(test)), strips.get(test.strip_id)
        material = None if strip is None else kept.site.material(strip.material_id)
        density = test.dry_density_kg_m3
        reached = None if material is None or density is None else 100.0 * density / material.mdd_kg_m3
        required = None if material is None else _known(material.required_compaction_pct)
        judgement = None if material is None else judged(test, material)
        yield TestRow(
            entry=None if line is None else line.id,
            strip=test.strip_id,
            lift=kept.pasts.get(test.strip_id, NOTHING_DONE).lift(test.at_utc),
            phenomenon_time_utc=test.at_utc,
            result_time_utc=None if line is None else line.entered_utc,
            procedure=test.method,
            w_pct=test.w_pct,
            dry_density_kg_m3=density,
            compaction_pct=reached,
            required_pct=required,
            is_passed=None if judgement is None else judgement[1],
        )


def entry_row(line: StoredEntry) -> EntryRow:
    """Return one line of the log of entries as a row."""
    entry = line.entry
    kind = "withdrawn" if entry is None else next(name for name, record in RECORDS.items() if isinstance(entry, record))
    return EntryRow(
        entry=line.id,
        kind=kind,
        strip=getattr(entry, "strip_id", None),
        at_utc=_at_utc(entry),
        entered_utc=line.entered_utc,
        entered_by=line.entered_by,
        note=line.note,
        corrects=line.corrects_id,
        corrected_by=line.corrected_by_id,
        record="" if entry is None else encoded(entry),
    )


def _at_utc(entry: Entry | StationDay | None) -> datetime | None:
    """When an entry was measured or done; of a station's date only the date is known."""
    if entry is None or isinstance(entry, StationDay):
        return None
    return entry.until_utc if isinstance(entry, GaugeRain) else entry.at_utc


def mail_rows(connection: sa.Connection, site_id: str, since_utc: datetime, until_utc: datetime) -> Iterator[MailRow]:
    """Yield the mails of a span, oldest first."""
    for mail in span.mails(connection, site_id, since_utc, until_utc):
        yield MailRow(
            message_id=mail.message_id,
            kind=mail.kind,
            crew=mail.crew_id,
            role=mail.role,
            name=mail.name,
            address=mail.address,
            subject=mail.subject,
            put_utc=mail.put_utc,
            settled_utc=mail.settled_utc,
            state=mail.state,
            tries=mail.n_tries,
            fault=mail.last_error,
        )


def _shift_hours(kept: DaySources, day: date, found: Account | None) -> ShiftHours:
    """The hours of a date's shift with what the later account says of each."""
    start_utc, end_utc = shift_utc(kept.site, day)
    first = times.hour_floor(start_utc)
    n_hours = math.ceil((end_utc - first) / times.HOUR)
    hour_utc = times.hours_utc(first, n_hours)
    starts = [max(first + h * times.HOUR, start_utc) for h in range(n_hours)]
    ends = [min(first + (h + 1) * times.HOUR, end_utc) for h in range(n_hours)]
    hours = np.array([(end - start) / times.HOUR for start, end in zip(starts, ends, strict=True)])
    if found is None:
        never = np.zeros(n_hours, dtype=bool)
        return ShiftHours(hour_utc=hour_utc, hours=hours, is_rain=never, is_snow=never, is_frost=never)
    table = found.hours
    known = table.set_index(table["hour_utc"].to_numpy().astype("datetime64[h]"))
    own = known.reindex(pd.Index(hour_utc))
    snow_mm = own["snow_mm"].fillna(0.0).to_numpy()
    return ShiftHours(
        hour_utc=hour_utc,
        hours=hours,
        is_rain=(own["precip_mm"].to_numpy() - snow_mm) >= kept.rain_stop_mm_h,
        is_snow=snow_mm >= kept.rain_stop_mm_h,
        is_frost=own["temp_degc"].to_numpy() < FREEZING_DEGC,
    )


def _strip_day(
    kept: DaySources, day: date, decision: Decision, told_utc: datetime, edition: str, *, lost: Lost | None
) -> StripDay:
    own = kept.pasts.get(decision.strip_id, NOTHING_DONE).between(*bounds_utc(kept.site, day))
    works = [entry for entry in own if isinstance(entry, SurfaceWork | GroundSeen)]
    water = decision.water if decision.verdict is Verdict.WATER else None
    return StripDay(
        day=day,
        strip=decision.strip_id,
        told_utc=told_utc,
        edition=edition,
        verdict=decision.verdict.value,
        reason=decision.reason,
        roll_from_utc=decision.from_utc,
        roll_until_utc=decision.until_utc,
        chance_in_window=_known(decision.facts.get("chance_in_window", math.nan)),
        model_w_pct=_known(decision.w_now_pct),
        litres_told=None if water is None else water.litres,
        litres_recorded=sum(entry.litres for entry in own if isinstance(entry, Watering)),
        work_recorded="; ".join(_work(work) for work in works),
        lost_h=None if lost is None else lost.total_h,
        lost_to="" if lost is None else lost.cause,
    )


def _work(work: SurfaceWork | GroundSeen) -> str:
    if isinstance(work, GroundSeen):
        return work.state if work.lying_mm is None else f"{work.state}, {work.lying_mm:.0f} mm"
    return work.work if work.passes is None else f"{work.work}, {work.passes} passes"


def _known(value: float) -> float | None:
    return None if math.isnan(value) else value
