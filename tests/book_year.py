"""A long season in a database without living each morning: one real morning's rows, copied to every working day.

What a run keeps for good is copied (verdicts, outlook of scored leads, mails without bodies), its dates moved; tests,
work, water and gauge are entered as a crew would; the weather service's answers stand as thinning leaves them.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import sqlalchemy as sa
from book_season import FIRST, Season

from gonogo.records.field import Entry, GaugeRain, Reading, SurfaceWork, Watering
from gonogo.records.shift import is_working_day
from gonogo.store import answers, schema
from gonogo.store.encoding import encoded
from gonogo.store.history import KINDS
from gonogo.store.thinning import ANSWER_EVERY_DAYS, KEPT_LEADS

N_STRIPS = 20
DATE = re.compile(r"\d{4}-\d{2}-\d{2}")


def long_season(folder: Path, n_days: int) -> Season:
    """Return a site of N_STRIPS strips with that many days behind it, at least one of them really run."""
    season = Season(folder, n_days=n_days)
    twins = tuple(replace(strip, id=f"{strip.id}b", name=f"{strip.name} west") for strip in season.site.strips)
    site = replace(season.site, strips=(*season.site.strips, *twins)[:N_STRIPS])
    season.site = site
    season.config = replace(season.config, sites=(site,))
    for strip in site.strips:
        at_utc = season.at(FIRST, "05:10")
        season.add(Reading(strip_id=strip.id, at_utc=at_utc, w_pct=17.0, method="nuclear gauge"))
    season.morning(FIRST)
    with schema.begin(season.store) as connection:
        _copy_runs(connection, [n for n in range(1, n_days) if is_working_day(site, FIRST + timedelta(days=n))])
        for n in range(n_days):
            day = FIRST + timedelta(days=n)
            if rows := [_row(site.id, entry) for entry in _entries(season, day, n)]:
                connection.execute(sa.insert(schema.entry), rows)
            if n % ANSWER_EVERY_DAYS == 0:
                answers.save_answer(connection, site.id, season.answer(season.mail_utc(day)))
    return season


def _entries(season: Season, day: date, n: int) -> Iterator[Entry]:
    """What a crew records of a day: a test a strip, water on some, rolling on others, and the gauge."""
    rng = np.random.default_rng((3, n))
    if not is_working_day(season.site, day):
        return
    for k, strip in enumerate(season.site.strips):
        density = round(float(rng.normal(1720.0, 30.0)))
        yield Reading(
            strip_id=strip.id,
            at_utc=season.at(day, "06:40"),
            w_pct=round(float(rng.normal(16.5, 1.2)), 1),
            method="nuclear gauge",
            dry_density_kg_m3=density if (n + k) % 5 == 0 else None,
        )
        if (n + k) % 4 == 1:
            yield Watering(strip_id=strip.id, at_utc=season.at(day, "08:10"), litres=6000.0)
        if (n + k) % 5 == 3:
            yield SurfaceWork(strip_id=strip.id, at_utc=season.at(day, "11:00"), work="rolled", passes=6)
        if (n + k) % 5 == 4:
            yield SurfaceWork(strip_id=strip.id, at_utc=season.at(day, "06:10"), work="spread")
    begin, end = (season.at(day + timedelta(days=k), "06:00") for k in (-1, 0))
    yield GaugeRain(from_utc=begin, until_utc=end, rain_mm=round(float(rng.gamma(0.5, 4.0)), 1))


def _row(site_id: str, entry: Entry) -> dict[str, Any]:
    """The line of the log that add_entry would make."""
    at_utc = entry.until_utc if isinstance(entry, GaugeRain) else entry.at_utc
    return {
        "site_id": site_id,
        "kind": next(name for name, record in KINDS.items() if isinstance(entry, record)),
        "strip_id": None if isinstance(entry, GaugeRain) else entry.strip_id,
        "at_utc": at_utc,
        "record": encoded(entry),
        "entered_utc": at_utc + timedelta(minutes=12),
        "entered_by": "crew@example.com",
        "note": "",
    }


def _copy_runs(connection: sa.Connection, offsets: list[int]) -> None:
    """Copy the one run, with what is kept of it for good, to so many days later each."""
    run = connection.execute(sa.select(schema.run)).one()._mapping
    parts = {
        table: [dict(row._mapping) for row in connection.execute(sa.select(table).where(table.c.run_id == run["id"]))]
        for table in (schema.verdict, schema.outlook_day, schema.message)
    }
    kept = {run["day"] + timedelta(days=lead) for lead in KEPT_LEADS}
    parts[schema.outlook_day] = [row for row in parts[schema.outlook_day] if row["day"] in kept]
    next_mail = 10_000
    for n in offsets:
        moved = {**_moved(dict(run), n), "id": run["id"] + n, "answer_id": None}
        connection.execute(sa.insert(schema.run), moved)
        for table, rows in parts.items():
            copies = [{**_moved(row, n), "run_id": run["id"] + n} for row in rows]
            if table is schema.message:
                for copy in copies:
                    next_mail += 1
                    copy |= {"id": next_mail, "message_id": f"<{next_mail}@example.com>"}
            connection.execute(sa.insert(table), copies)


def _moved(row: dict[str, Any], n_days: int) -> dict[str, Any]:
    """A row with every date in it so many days later, those inside its record too."""
    by = timedelta(days=n_days)

    def later(found: re.Match[str]) -> str:
        return str(date.fromisoformat(found[0]) + by)

    out = {}
    for name, value in row.items():
        if isinstance(value, date | datetime):
            out[name] = value + by
        else:
            out[name] = DATE.sub(later, value) if name == "record" else value
    return out
