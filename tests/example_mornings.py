"""The example site's recorded morning, for tests of whole runs."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime
from email.parser import BytesParser
from email.policy import SMTP
from functools import cache
from pathlib import Path
from typing import Any

import sqlalchemy as sa

from gonogo import config
from gonogo.cli import demo
from gonogo.decide.conclusion import Conclusion
from gonogo.download import forecasts
from gonogo.download.forecasts import Downloaded
from gonogo.errors import WeatherError
from gonogo.morning import compute
from gonogo.morning import run as morning_run
from gonogo.morning.previous import StoredInputs
from gonogo.outgoing import envelope
from gonogo.outgoing.frame import RunFrame
from gonogo.records.outside import Answer, Transport
from gonogo.records.site import Site
from gonogo.store import open as store_open
from gonogo.store.queued import Envelope

ROOT = Path(__file__).parents[1]
BODY = (ROOT / "fixtures" / "weather" / "open_meteo" / demo.DRY).read_bytes()


def example_config(tmp_path: Path, *, store_url: str = "", transport: Transport | None = None) -> config.Config:
    """Return the example config with its database and its mails under tmp_path."""
    return replace(
        config.load(ROOT / "config", environ={}),
        store_url=store_url or f"sqlite:///{tmp_path / 'gonogo.db'}",
        transport=transport or Transport(kind="folder", sender="gonogo@example.com", folder=tmp_path / "mails"),
    )


def recorded(
    site: Site, now_utc: datetime, stored: Sequence[Answer], *, fetched_utc: datetime = demo.FORECAST_AT_UTC
) -> Downloaded:
    """Stand in for the weather service: its recorded answer, as if it had come at fetched_utc.

    One that comes on a later day begins by so many days later, as it would have been asked for.
    """
    answer = Answer(
        service=demo.SERVICE,
        url="https://weather.example.com",
        fetched_utc=fetched_utc,
        status=200,
        headers={},
        body=_from_later_on((fetched_utc.date() - demo.FORECAST_AT_UTC.date()).days),
    )
    return replace(forecasts.forecast(site, (), now_utc=now_utc, stored=(answer,)), is_stored=False, faults=())


@cache
def _from_later_on(days: int) -> bytes:
    """Return the recorded body without its first days."""
    if days <= 0:
        return BODY
    told = json.loads(BODY)
    hourly = {name: column[24 * days :] for name, column in told["hourly"].items()}
    return json.dumps(told | {"hourly": hourly}).encode()


def no_weather(site: Site, now_utc: datetime, stored: Sequence[Answer]) -> Downloaded:
    """Stand in for weather services that are all down, with nothing usable in the store either."""
    raise WeatherError("open_meteo: 503 from the service.", passing=True)


def example_frame(loaded: config.Config, store: sa.Engine, **changes: Any) -> RunFrame:
    """Return the frame of the example site's morning; changes replace its fields."""
    fields: dict[str, Any] = {
        "config": loaded,
        "site": loaded.sites[0],
        "store": store,
        "day": demo.DAY,
        "now_utc": demo.MORNING_UTC,
        "deadline_utc": datetime.fromisoformat("2026-05-12T14:00:00+00:00"),
        "owner": "test",
        "fetch": recorded,
    }
    return RunFrame(**(fields | changes))


def run_example(loaded: config.Config, store: sa.Engine, **changes: Any) -> morning_run.MorningResult | None:
    """Run the example site's morning; changes replace fields of its frame."""
    return morning_run.run_morning(example_frame(loaded, store, **changes))


def concluded_example(loaded: config.Config, **changes: Any) -> Conclusion:
    """Return what the example site's morning comes to without a store: nothing is kept, nothing came before."""
    frame = example_frame(loaded, None, keeps=False, **changes)  # type: ignore[arg-type]
    return compute.conclude(frame, StoredInputs(entries=loaded.readings[frame.site.id]))


def plain_of(mail: Envelope) -> str:
    """Return the plain text of a mail."""
    return envelope.plain_text(mail)


def html_of(mail: Envelope) -> str:
    """Return the page of a mail, "" where it has none."""
    body = BytesParser(policy=SMTP).parsebytes(mail.raw).get_body(("html",))
    return "" if body is None else str(body.get_content())


def opened(loaded: config.Config) -> sa.Engine:
    """Return the config's database, up to date. The caller disposes of it."""
    return store_open.open_store(loaded)
