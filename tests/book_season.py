"""A season of an invented site in a database: mornings really run, entries as a crew would make them, for the book.

The weather is told anew each morning from one scenario, so that a later answer accounts for the days before it.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import sqlalchemy as sa
from example_mornings import example_config, opened
from weather_scenario import Day, Scenario, Shower, body

from gonogo import times
from gonogo.config import Config
from gonogo.download import forecasts
from gonogo.download.forecasts import Downloaded
from gonogo.morning import run as morning_run
from gonogo.outgoing.frame import RunFrame
from gonogo.records.field import Entry, GaugeRain, Reading, SurfaceWork, Watering
from gonogo.records.outside import Answer
from gonogo.records.site import Site
from gonogo.store import history, outbox, schema
from gonogo.store.history import Arrival

FIRST = date(2026, 4, 6)


def scenario(site: Site, first: date, n_days: int, seed: int = 7) -> Scenario:
    """Return weather of some weeks: 6.5 mm on the second afternoon, and showers on about every fourth day besides."""
    days: dict[date, Day] = {}
    second = datetime.combine(first + timedelta(days=1), time(14), tzinfo=site.zone)
    showers: list[Shower] = [(second, (2.0, 3.5, 1.0), 0.8, False)]
    for n in range(-16, n_days + 14):
        day = first + timedelta(days=n)
        rng = np.random.default_rng((seed, day.toordinal()))  # of the day alone: a longer season begins the same
        warm = 4.0 * np.sin(n / 5.0) + 0.1 * n + rng.normal(0.0, 1.0)
        days[day] = Day(4 + warm, 16 + warm, 3 + warm / 2, 0.4, 4.0)
        if rng.random() < 0.25:
            start = datetime.combine(day, time(int(rng.integers(0, 22))), tzinfo=site.zone)
            amounts = tuple(float(mm) for mm in rng.uniform(0.2, 4.0, int(rng.integers(1, 5))).round(1))
            showers.append((start, amounts, 0.8, False))
    return Scenario(
        latitude_deg=site.latitude_deg,
        longitude_deg=site.longitude_deg,
        elevation_m=site.elevation_m,
        zone=site.zone,
        morning_utc=datetime.combine(first, time(10), tzinfo=UTC),
        seed=seed,
        days=days,
        showers=tuple(showers),
    )


class Season:
    """A site whose mornings are run day by day on one database."""

    def __init__(self, tmp_path: Path, *, n_days: int, first: date = FIRST, seed: int = 7, store_url: str = "") -> None:
        self.config: Config = example_config(tmp_path, store_url=store_url)
        self.site = self.config.sites[0]
        self.first, self.n_days = first, n_days
        self.scenario = scenario(self.site, first, n_days, seed)
        self.store: sa.Engine = opened(self.config)

    def mail_utc(self, day: date) -> datetime:
        return times.moment_utc(day, self.site.mail_at, self.site.zone) - timedelta(minutes=30)

    def add(self, entry: Entry, *, by: str = "command line", corrects_id: int | None = None) -> int:
        at_utc = entry.until_utc if isinstance(entry, GaugeRain) else entry.at_utc
        arrival = Arrival(entered_utc=at_utc + timedelta(minutes=12), entered_by=by)
        with schema.begin(self.store) as connection:
            return history.add_entry(connection, self.site.id, entry, arrival, corrects_id=corrects_id)

    def at(self, day: date, clock: str) -> datetime:
        return times.moment_utc(day, time.fromisoformat(clock), self.site.zone)

    def answer(self, now_utc: datetime) -> Answer:
        """The service's answer at a moment, told from the one scenario."""
        told = body(replace(self.scenario, morning_utc=now_utc.replace(minute=0), seed=int(now_utc.timestamp())))
        return Answer(
            service="open_meteo",
            url="https://weather.example.com",
            fetched_utc=now_utc,
            status=200,
            headers={},
            body=json.dumps(told).encode(),
        )

    def morning(self, day: date) -> None:
        """Run the morning of a day, and let its mails go."""
        now_utc = self.mail_utc(day)

        def fetch(site: Site, at_utc: datetime, stored: Sequence[Answer]) -> Downloaded:
            found = forecasts.forecast(site, (), now_utc=at_utc, stored=(self.answer(at_utc),))
            return replace(found, is_stored=False, faults=())

        frame = RunFrame(
            config=self.config,
            site=self.site,
            store=self.store,
            day=day,
            now_utc=now_utc,
            deadline_utc=now_utc + timedelta(hours=4),
            owner="test",
            fetch=fetch,
        )
        assert morning_run.run_morning(frame) is not None
        sent_utc = now_utc + timedelta(minutes=30)
        for queued in outbox.lease(self.store, now_utc=sent_utc, owner="test", limit=100):
            outbox.sent(self.store, queued, now_utc=sent_utc)

    def day_of_work(self, day: date, *, tests: Sequence[tuple[str, float]], **more: Any) -> None:
        """Record some tests, the gauge, and water or work given as strip=litres or strip="rolled"."""
        for strip_id, w_pct in tests:
            self.add(Reading(strip_id=strip_id, at_utc=self.at(day, "06:40"), w_pct=w_pct, method="nuclear gauge"))
        for strip_id, done in more.items():
            at_utc = self.at(day, "09:30")
            if isinstance(done, str):
                self.add(
                    SurfaceWork(strip_id=strip_id, at_utc=at_utc, work=done, passes=6 if done == "rolled" else None)
                )
            else:
                self.add(Watering(strip_id=strip_id, at_utc=at_utc, litres=float(done)))
