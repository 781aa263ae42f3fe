"""The book of a year of 20 strips: time, memory and size of a page, on demand."""

from __future__ import annotations

import tracemalloc
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from book_season import FIRST, Season
from book_year import long_season

from gonogo.book import diary
from gonogo.book.export import Covered
from gonogo.wording.language import speaker

MADE_UTC = datetime(2027, 5, 1, 12, tzinfo=UTC)
YEAR = 365


@pytest.fixture(scope="module")
def season(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Season]:
    season = long_season(tmp_path_factory.mktemp("year"), YEAR)
    yield season
    season.store.dispose()


def written(season: Season, folder: Path, n_days: int) -> diary.DiaryWritten:
    covered = Covered(site=season.site, first=FIRST, last=FIRST + timedelta(days=n_days - 1))
    return diary.write(season.config, covered, folder=folder, now_utc=MADE_UTC, speak=speaker("en", "metric"))


@pytest.mark.benchmark(group="book")
def test_a_year_of_20_strips_is_written_in_20_s(benchmark: Any, season: Season, tmp_path: Path) -> None:
    found = benchmark.pedantic(lambda: written(season, tmp_path, YEAR), rounds=1)
    print(found.n_rows, {page.name: page.stat().st_size for page in found.pages})
    assert found.n_rows["strip_day"] > 20 * 250
    assert benchmark.stats.stats.max < 20.0
    assert max(page.stat().st_size for page in found.pages) < 2_000_000


def test_a_year_takes_hardly_more_memory_than_a_month(season: Season, tmp_path: Path) -> None:
    """What may grow is the list of entries in force, which every day is judged by: a few hundred bytes each."""
    peaks = []
    for n_days in (31, YEAR):
        tracemalloc.start()
        written(season, tmp_path, n_days)
        peaks.append(tracemalloc.get_traced_memory()[1] / 1e6)
        tracemalloc.stop()
    print(f"{peaks[0]:.1f} MB for a month, {peaks[1]:.1f} MB for a year")
    assert peaks[1] < peaks[0] + 10.0
