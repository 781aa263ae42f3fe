"""A site's book over some days, written to a folder: tables with their hashes, and the month as one page to print."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from pathlib import Path

from gonogo import times
from gonogo.book import export, gather
from gonogo.book.export import Covered
from gonogo.book.gather import Day, Kept
from gonogo.book.tables import TABLES
from gonogo.config import Config
from gonogo.errors import GonogoError
from gonogo.store import schema, span
from gonogo.store.open import open_store


@dataclass(frozen=True, slots=True, kw_only=True)
class Written:
    """What an export wrote. days: empty but for the last month of it; sha256: of the folder's description."""

    folder: Path
    n_rows: dict[str, int]
    sha256: str
    days: tuple[Day, ...]


def days_between(first: date, last: date) -> Iterator[date]:
    """Yield local dates, both ends included."""
    for n in range((last - first).days + 1):
        yield first + timedelta(days=n)


def write(
    config: Config, covered: Covered, *, folder: Path, now_utc: datetime, say: Callable[[str], None] = lambda _: None
) -> Written:
    """Write a site's book of some days into a folder, its files written anew where they are there.

    Raises StoreError, and GonogoError where the folder cannot be written.
    """
    site, first, last = covered.site, covered.first, covered.last
    since_utc = times.moment_utc(first, time(0), site.zone)
    until_utc = times.moment_utc(last + timedelta(days=1), time(0), site.zone)
    store = open_store(config)
    days: list[Day] = []
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        files = {name: export.TableFile(folder, name) for name in TABLES}
        try:
            with schema.read(store) as connection:
                kept = gather.kept_of(
                    connection,
                    site,
                    config.readings[site.id],
                    rain_stop_mm_h=config.settings[site.id]["rain_stop_mm_h"],
                )
                for day in days_between(first, last):
                    say(str(day))
                    found = gather.day_of(kept, day)
                    files["weather_day"].add([found.weather])
                    files["strip_day"].add(found.strips)
                    days = [*days, found][-31:]
                _write_lines(kept, files, since_utc, until_utc)
        finally:
            for file in files.values():
                file.close()
        package = export.described(covered, files.values(), made_utc=now_utc)
        sha256 = export.write_description(folder, package)
    except OSError as error:
        raise GonogoError(f"{folder} cannot be written: {error.strerror}. Name another folder with --out.") from error
    finally:
        store.dispose()
    n_rows = {name: file.n_rows for name, file in files.items()}
    return Written(folder=folder, n_rows=n_rows, sha256=sha256, days=tuple(days))


def _write_lines(kept: Kept, files: dict[str, export.TableFile], since_utc: datetime, until_utc: datetime) -> None:
    """Write the tables that have a row a line of the store: tests, entries, mails."""
    site_id = kept.site.id
    lines = list(span.entry_lines(kept.connection, site_id, since_utc, until_utc))
    files["test"].add(gather.test_rows(kept, lines, since_utc, until_utc))
    files["entry"].add(gather.entry_row(line) for line in lines)
    files["mail"].add(gather.mail_rows(kept.connection, site_id, since_utc, until_utc))
