"""What `gonogo grid-fetch` does, and what it says of it."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from gonogo.cli.arguments import usage
from gonogo.config import Config
from gonogo.download import grid_fetch, grid_files, grid_http
from gonogo.download.grid_files import RUN_FORM
from gonogo.errors import WeatherError
from gonogo.weather.grid import decode
from gonogo.weather.grid.sources import DEFAULT_SOURCE, RUN_EVERY_H, SERVICE, SOURCES


@dataclass(frozen=True, slots=True, kw_only=True)
class FetchOptions:
    """What the command line asks for. run_utc: None for the newest; files: None for the service's own address."""

    run_utc: datetime | None
    files: Path | None
    most_bytes: int
    limit_s: float
    now_utc: datetime


def run_asked(text: str) -> datetime | None:
    """Return the run that a word of the command line names, None for none. Raises ConfigError."""
    if not text:
        return None
    try:
        run_utc = datetime.strptime(text, RUN_FORM).replace(tzinfo=UTC)
    except ValueError:
        run_utc = None
    if run_utc is None or run_utc.hour % RUN_EVERY_H:
        raise usage(f"--run {text}", "this is no run.", "Write 2026051200: date and hour (00, 06, 12 or 18) in UTC.")
    return run_utc


def fetched(config: Config, asked: FetchOptions, *, say: Callable[[str], None]) -> str:
    """Bring a run, read it for every site of a config, delete old ones, and return what was done.

    Raises ConfigError where the config has no such service, WeatherError where the run cannot be brought or read.
    """
    settings = next((service for service in config.services if service.name == SERVICE), None)
    if settings is None or settings.folder is None:
        raise usage(
            "gonogo.toml: weather",
            f'no [[weather]] has service = "{SERVICE}".',
            'Write service = "grid", source = "ecmwf" and folder = "grid" there.',
        )
    if not decode.is_installed():
        raise WeatherError(
            "grid-fetch: GRIB cannot be unpacked: ecCodes is not installed. "
            "Install it with pip install 'gonogo[grid]'.",
            passing=False,
        )
    source = SOURCES[settings.source or DEFAULT_SOURCE]
    order = grid_fetch.Order(
        source=source,
        folder=settings.folder,
        root=(settings.base_url or source.root).rstrip("/"),
        days=settings.days,
        most_bytes=asked.most_bytes,
        client=grid_http.Client(until_s=time.monotonic() + asked.limit_s, contact=settings.contact),
        say=say,
    )
    if asked.files is not None:
        run, tally = grid_fetch.take_from(order, asked.files, asked.now_utc, asked.run_utc)
    else:
        run = order.run(asked.run_utc) if asked.run_utc else grid_fetch.newest_run(order, asked.now_utc)
        tally = grid_fetch.fetch(order, run)
    waiting = [site for site in config.sites if not run.site_path(site).is_file()]
    grid_files.read_sites(run, waiting, say=say)
    outside = [site.id for site in config.sites if not run.site_path(site).is_file()]
    n_gone = grid_files.thin(settings.folder, source, settings.days)
    lines = [
        f"{source.title}, run {run.run_utc:%Y-%m-%d %H} UTC: {tally.n_messages} messages came "
        f"({tally.n_bytes / 1e6:.1f} MB), {tally.n_before} were there.",
        f"Read for {len(waiting) - len(outside)} sites, {len(config.sites) - len(waiting)} were read before.",
    ]
    if outside:
        lines.append(f"Outside of the grid, so the next service is asked: {', '.join(outside)}.")
    if n_gone:
        lines.append(f"{n_gone} older runs were deleted.")
    lines += [f"Credit, as every mail prints it: {text} ({link})" for text, link in source.attribution]
    return "\n".join(lines)
