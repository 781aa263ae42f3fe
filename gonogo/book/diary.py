"""A site's book over some days, written to a folder: tables with their hashes, and the month as one page to print."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from datetime import datetime, time, timedelta
from pathlib import Path

from gonogo import times
from gonogo.book import ags, export, gather, month
from gonogo.book.export import Covered
from gonogo.book.gather import BookDay
from gonogo.book.weather_day import DaySources
from gonogo.config import Config
from gonogo.errors import GonogoError
from gonogo.store import schema, span
from gonogo.store.history import StoredEntry
from gonogo.store.open import open_store
from gonogo.wording.language import Speaker

AGS_FILE = "tests.ags"


@dataclass(frozen=True, slots=True, kw_only=True)
class DiaryWritten:
    """What an export wrote. n_rows by table; pages: one a calendar month; sha256: of the folder's description."""

    n_rows: dict[str, int]
    pages: tuple[Path, ...]
    sha256: str


def write(
    config: Config,
    covered: Covered,
    *,
    folder: Path,
    now_utc: datetime,
    speak: Speaker,
    say: Callable[[str], None] = lambda _: None,
) -> DiaryWritten:
    """Write a site's book of some days into a folder, its files replaced where they exist.

    speak   the language and the units of the pages; the tables are in SI and English column names

    Raises StoreError, and GonogoError where the folder cannot be written.
    """
    site = covered.site
    store = open_store(config)
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        with export.table_files(folder) as files, schema.read(store) as connection:
            kept = gather.kept_of(
                connection, site, config.readings[site.id], rain_stop_mm_h=config.settings[site.id]["rain_stop_mm_h"]
            )
            lines = _write_lines(kept, files, *_bounds_utc(covered))
            pages = []
            for part in months(covered):
                found = _days(kept, part, files, say)
                pages.append(folder / f"{part.first:%Y-%m}.html")
                pages[-1].write_text(month.page(_month(kept, part, found), speak), encoding="utf-8")
            tests = tuple(gather.test_rows(kept, lines, *_bounds_utc(covered)))
            text = ags.ags4(covered, tests, made_utc=now_utc)
            (folder / AGS_FILE).write_bytes(text.encode("utf-8"))
        others = (folder / AGS_FILE, *pages)
        package = export.described(covered, files.values(), others, made_utc=now_utc)
        sha256 = export.write_description(folder, package)
    except OSError as error:
        raise GonogoError(f"{folder} cannot be written: {error.strerror}. Name another folder with --out.") from error
    finally:
        store.dispose()
    n_rows = {name: file.n_rows for name, file in files.items()}
    return DiaryWritten(n_rows=n_rows, pages=tuple(pages), sha256=sha256)


def months(covered: Covered) -> Iterator[Covered]:
    """Yield the calendar months of a span, the first and the last as far as they are covered."""
    first = covered.first
    while first <= covered.last:
        after = (first.replace(day=28) + timedelta(days=4)).replace(day=1)
        yield replace(covered, first=first, last=min(covered.last, after - timedelta(days=1)))
        first = after


def _bounds_utc(covered: Covered) -> tuple[datetime, datetime]:
    zone = covered.site.zone
    after = covered.last + timedelta(days=1)
    return times.moment_utc(covered.first, time(0), zone), times.moment_utc(after, time(0), zone)


def _days(
    kept: DaySources, part: Covered, files: dict[str, export.TableFile], say: Callable[[str], None]
) -> tuple[BookDay, ...]:
    """Write the tables that have a row a day, and return the days."""
    days = []
    for n in range((part.last - part.first).days + 1):
        day = gather.day_of(kept, part.first + timedelta(days=n))
        say(str(day.weather.day))
        files["weather_day"].add([day.weather])
        files["strip_day"].add(day.strips)
        days.append(day)
    return tuple(days)


def _month(kept: DaySources, part: Covered, days: tuple[BookDay, ...]) -> month.Month:
    """What the page of a month is made from."""
    bounds, site = _bounds_utc(part), part.site
    return month.Month(
        covered=part,
        days=days,
        tests=tuple(gather.test_rows(kept, (), *bounds)),
        entries=kept.entries,
        adverse_days=site.adverse_days[part.first.month - 1] if site.adverse_days else None,
        mail_states=Counter(mail.state for mail in span.mails(kept.connection, site.id, *bounds)),
    )


def _write_lines(
    kept: DaySources, files: dict[str, export.TableFile], since_utc: datetime, until_utc: datetime
) -> list[StoredEntry]:
    """Write the tables that have a row a line of the store: tests, entries, mails. Returns the log's lines."""
    site_id = kept.site.id
    lines = list(span.entry_lines(kept.connection, site_id, since_utc, until_utc))
    files["test"].add(gather.test_rows(kept, lines, since_utc, until_utc))
    files["entry"].add(gather.entry_row(line) for line in lines)
    files["mail"].add(gather.mail_rows(kept.connection, site_id, since_utc, until_utc))
    return lines
