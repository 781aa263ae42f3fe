"""One morning of the example site on its recorded weather, end to end, without config, network or clock."""

from __future__ import annotations

import random
import shutil
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime
from pathlib import Path

import sqlalchemy as sa

from gonogo import config
from gonogo.cli import demo_reply, mornings
from gonogo.cli.arguments import speaker_asked
from gonogo.cli.outlook_report import outlook_of, write_page
from gonogo.cli.readers import read_by
from gonogo.config import Config
from gonogo.download import forecasts
from gonogo.download.forecasts import Downloaded, Fetch
from gonogo.errors import GonogoError
from gonogo.morning import run as morning_run
from gonogo.outgoing import delivery, operator_digest, rounds
from gonogo.outgoing.frame import RunFrame
from gonogo.outgoing.rounds import DeliveryReport
from gonogo.records.outside import Answer, Transport
from gonogo.records.site import Site
from gonogo.service import due
from gonogo.store import open as store_open

MORNING_UTC = datetime(2026, 5, 12, 10, 15, tzinfo=UTC)  # 05:15 on the site's clock
DAY = date(2026, 5, 12)
FORECAST_AT_UTC = datetime(2026, 5, 12, 10, 0, tzinfo=UTC)
SERVICE = "open_meteo"
DRY, RAINY = "harrow_flats.json", "harrow_flats_rain.json"
OUTLOOK = "outlook.html"
READER = ("en", "us")  # of the page, where the command asks for no other


@dataclass(frozen=True, slots=True, kw_only=True)
class DemoOptions:
    """What of the demo is shown: a day with rain, an answer to a mail, and what all readers read ("" = their own)."""

    is_rainy: bool = False
    has_reply: bool = False
    language: str = ""
    units: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class DemoResult:
    """What the demo wrote.

    table    the verdicts as text; reply: an answer to a mail and what followed, "" where it was not asked for
    index    the page to open; outlook: the days ahead as a page
    """

    table: str
    reply: str
    n_mails: int
    index: Path
    outlook: Path
    config_folder: Path


def data_folder() -> tuple[Path, Path]:
    """Return the folders of the example config and of its recorded weather: in the wheel, else in the source tree."""
    package = Path(__file__).parents[1]
    installed = package / "demo_data"
    if installed.is_dir():
        return installed / "config", installed / "weather"
    root = package.parent
    return root / "config", root / "fixtures" / "weather" / "open_meteo"


def run(folder: Path, *, choice: DemoOptions | None = None, say: Callable[[str], None] = lambda _: None) -> DemoResult:
    """Run the demo's morning into a folder, replacing what an earlier demo left there.

    Raises GonogoError where the folder holds something that no demo wrote: nothing of it is touched. Raises ConfigError
    for an unknown language or system of units.
    """
    asked = choice or DemoOptions()
    speak = speaker_asked(asked.language or READER[0], asked.units or READER[1])
    body = _cleared(folder, RAINY if asked.is_rainy else DRY)
    say("reading the config")
    loaded = _config(folder, asked)
    say("weather, moisture, verdicts")
    store = store_open.open_store(loaded)
    (site,) = loaded.sites
    reply = ""
    try:
        frame = _frame(loaded, site, store, body)
        result = morning_run.run_morning(frame)
        assert result is not None, "the database was made a moment ago"
        write_page(folder / OUTLOOK, outlook_of(result.conclusion, loaded.readings[site.id]), speak)
        say("writing the mails")
        report = _delivered(store, loaded, MORNING_UTC)
        n_mails = len(report.sent)
        if asked.has_reply:
            say("an answer to a mail")
            reply = demo_reply.as_text(demo_reply.shown(frame, result.mails))
            report = _delivered(store, loaded, MORNING_UTC + demo_reply.LOOKED_AT_AFTER)
            n_mails += len(report.sent)
    finally:
        store.dispose()
    if not report.is_good:
        raise GonogoError(rounds.delivery_line(report, loaded.transport))
    return DemoResult(
        table=mornings.table(site, DAY, result.conclusion, speak),
        reply=reply,
        n_mails=n_mails,
        index=folder / "mails" / "index.html",
        outlook=folder / OUTLOOK,
        config_folder=folder / "config",
    )


def _delivered(store: sa.Engine, loaded: Config, now_utc: datetime) -> DeliveryReport:
    worker = delivery.Worker(
        store=store,
        transport=loaded.transport,
        now_utc=lambda: now_utc,
        owner="demo",
        rng=random.Random(0),
        tell_together=lambda: operator_digest.put_together(store, loaded, now_utc=now_utc, at_once=True),
    )
    return worker.round()


def _config(folder: Path, asked: DemoOptions) -> Config:
    """Return the example's config, writing into the demo's folder and read as the command asks for."""
    loaded = replace(
        config.load(folder / "config", environ={}),
        store_url=f"sqlite:///{(folder / 'gonogo.db').resolve()}",
        transport=Transport(kind="folder", sender=demo_reply.ADDRESS, folder=folder / "mails"),
    )
    read = read_by(loaded, language=asked.language, units=asked.units)
    return demo_reply.with_inbox(read) if asked.has_reply else read


def _frame(loaded: Config, site: Site, store: sa.Engine, body: bytes) -> RunFrame:
    return RunFrame(
        config=loaded,
        site=site,
        day=DAY,
        now_utc=MORNING_UTC,
        deadline_utc=due.run_window_utc(site, DAY, 0.0)[1],
        store=store,
        fetch=_recorded(body),
        owner="demo",
    )


def _cleared(folder: Path, weather: str) -> bytes:
    """Make a folder ready for the demo, with the example's config in it, and return the recorded weather."""
    marker = folder / ".gonogo-demo"
    if folder.exists() and any(folder.iterdir()) and not marker.exists():
        raise GonogoError(
            f"{folder} is not empty and no earlier demo wrote it. Name another folder with --folder. "
            "Nothing was changed."
        )
    for old in ("mails", "config", OUTLOOK, "gonogo.db", "gonogo.db-wal", "gonogo.db-shm"):
        path = folder / old
        if path.is_dir():
            shutil.rmtree(path)
        else:
            path.unlink(missing_ok=True)
    folder.mkdir(parents=True, exist_ok=True)
    marker.write_text("Written by `gonogo demo`; it may be deleted.\n", encoding="utf-8")
    config_source, weather_source = data_folder()
    shutil.copytree(config_source, folder / "config")
    return (weather_source / weather).read_bytes()


def _recorded(body: bytes) -> Fetch:
    """Return what stands in for the weather service: its recorded answer."""

    def fetch(site: Site, now_utc: datetime, _stored: Sequence[Answer]) -> Downloaded:
        recorded = Answer(
            service=SERVICE, url=f"file:{DRY}", fetched_utc=FORECAST_AT_UTC, status=200, headers={}, body=body
        )
        return replace(forecasts.forecast(site, (), now_utc=now_utc, stored=(recorded,)), is_stored=False, faults=())

    return fetch
