"""One morning of the example site on its recorded weather, end to end, without config, network or clock."""

from __future__ import annotations

import random
import shutil
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime
from pathlib import Path

from gonogo import config
from gonogo.cli import mornings
from gonogo.cli.outlook_report import outlook_of, write_page
from gonogo.download import forecasts
from gonogo.download.forecasts import Downloaded, Fetch
from gonogo.errors import GonogoError
from gonogo.morning import run as morning_run
from gonogo.outgoing import delivery
from gonogo.outgoing.frame import RunFrame
from gonogo.records.outside import Answer, Transport
from gonogo.records.site import Site
from gonogo.service import due
from gonogo.store import open as store_open
from gonogo.wording.language import speaker

MORNING_UTC = datetime(2026, 5, 12, 10, 15, tzinfo=UTC)  # 05:15 on the site's clock
DAY = date(2026, 5, 12)
FORECAST_AT_UTC = datetime(2026, 5, 12, 10, 0, tzinfo=UTC)
SERVICE = "open_meteo"
BODY = "harrow_flats.json"
OUTLOOK = "outlook.html"
DEMO_READER = speaker("en", "us")


@dataclass(frozen=True, slots=True, kw_only=True)
class DemoResult:
    """What the demo wrote. table: the verdicts as text; index: the page to open; outlook: the days ahead as a page."""

    table: str
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


def run(folder: Path, *, say: Callable[[str], None] = lambda _: None) -> DemoResult:
    """Run the demo's morning into a folder, replacing what an earlier demo left there.

    Raises GonogoError where the folder holds something that no demo wrote: nothing of it is touched.
    """
    body = _cleared(folder)
    say("reading the config")
    loaded = replace(
        config.load(folder / "config", environ={}),
        store_url=f"sqlite:///{(folder / 'gonogo.db').resolve()}",
        transport=Transport(kind="folder", sender="gonogo@example.com", folder=folder / "mails"),
    )
    say("weather, moisture, verdicts")
    store = store_open.open_store(loaded)
    tables: list[str] = []
    try:
        for site in loaded.sites:
            result = morning_run.run_morning(
                RunFrame(
                    config=loaded,
                    site=site,
                    day=DAY,
                    now_utc=MORNING_UTC,
                    deadline_utc=due.run_window_utc(site, DAY, 0.0)[1],
                    store=store,
                    fetch=_recorded(body),
                    owner="demo",
                )
            )
            assert result is not None, "the database was made a moment ago"
            tables.append(mornings.table(site, DAY, result.conclusion))
            write_page(folder / OUTLOOK, outlook_of(result.conclusion, loaded.readings[site.id]), DEMO_READER)
        say("writing the mails")
        worker = delivery.Worker(
            store=store, transport=loaded.transport, now_utc=lambda: MORNING_UTC, owner="demo", rng=random.Random(0)
        )
        report = worker.round()
    finally:
        store.dispose()
    if not report.is_good:
        raise GonogoError(delivery.delivery_line(report, loaded.transport))
    return DemoResult(
        table="\n\n".join(tables),
        n_mails=len(report.sent),
        index=folder / "mails" / "index.html",
        outlook=folder / OUTLOOK,
        config_folder=folder / "config",
    )


def _cleared(folder: Path) -> bytes:
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
    return (weather_source / BODY).read_bytes()


def _recorded(body: bytes) -> Fetch:
    """Return what stands in for the weather service: its recorded answer."""

    def fetch(site: Site, now_utc: datetime, _stored: Sequence[Answer]) -> Downloaded:
        recorded = Answer(
            service=SERVICE, url=f"file:{BODY}", fetched_utc=FORECAST_AT_UTC, status=200, headers={}, body=body
        )
        return replace(forecasts.forecast(site, (), now_utc=now_utc, stored=(recorded,)), is_stored=False, faults=())

    return fetch
