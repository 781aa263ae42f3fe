"""The contract's weather station: its file into the site's book, date by date, and never into a verdict."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path

import pytest
from example_mornings import example_config, opened

from gonogo.config import Config
from gonogo.errors import ConfigError
from gonogo.field import station
from gonogo.records.field import StationDay
from gonogo.records.site import Site
from gonogo.store import history, schema, span

NOW_UTC = datetime(2026, 5, 12, 18, tzinfo=UTC)
FILE = "day,rain_mm,temp_min_c,temp_max_c\n2026-05-10,4.5,3.0,14.2\n2026-05-11,,5.1,17.0\n"


@pytest.fixture
def loaded(tmp_path: Path) -> Config:
    found = example_config(tmp_path)
    site = replace(found.sites[0], contract_station="Harrow airfield")
    return replace(found, sites=(site,))


def stored(loaded: Config) -> dict[date, StationDay]:
    store = opened(loaded)
    with schema.read(store) as connection:
        lines = span.station_days(connection, "harrow-flats", datetime(2026, 5, 1, tzinfo=UTC), NOW_UTC)
        assert history.entries(connection, "harrow-flats") == (), "no verdict is made from it"
    store.dispose()
    return {day: line.entry for (_, day), line in lines.items() if isinstance(line.entry, StationDay)}


def test_a_file_is_stored_by_date_and_may_come_again_with_a_correction(loaded: Config) -> None:
    site = loaded.sites[0]
    assert station.record(loaded, site, FILE, "s.csv", NOW_UTC) == (
        "Harrow airfield: 2 days stored, 0 corrected, 0 known already."
    )
    again = FILE.replace("4.5", "4.8") + "2026-05-12,0.0,,\n"
    assert station.record(loaded, site, again, "s.csv", NOW_UTC) == (
        "Harrow airfield: 1 days stored, 1 corrected, 1 known already."
    )
    found = stored(loaded)
    assert found[date(2026, 5, 10)].rain_mm == 4.8
    assert found[date(2026, 5, 11)] == StationDay(
        station="Harrow airfield", day=date(2026, 5, 11), temp_min_degc=5.1, temp_max_degc=17.0
    )
    assert len(found) == 3


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("when,rain_mm\n2026-05-10,1\n", "header"),
        ("day,rain_mm,colour\n2026-05-10,1,red\n", "header"),
        ("day,rain_mm\n10.05.2026,1\n", "Write, for example, 2026-05-12"),
        ("day,rain_mm\n2026-06-10,1\n", "lies in the future"),
        ("day,rain_mm\n1026-06-10,1\n", "no year of this century"),
        ("day,rain_mm\n2026-05-10,wet\n", "s.csv:2"),
        ("day,rain_mm\n2026-05-10,900\n", "rain_mm = 900"),
        ("day,rain_mm\n2026-05-10,1\n2026-05-10,2\n", "stands in the file twice"),
        ("day,temp_min_c,temp_max_c\n2026-05-10,20,5\n", "is above temp_max_c = 5"),
        ("", "header"),
    ],
)
def test_a_line_at_fault_is_named_and_nothing_is_stored(loaded: Config, text: str, told: str) -> None:
    with pytest.raises(ConfigError) as caught:
        station.record(loaded, loaded.sites[0], text, "s.csv", NOW_UTC)
    assert told in "\n".join(str(fault) for fault in caught.value.faults)
    assert all("Nothing was stored." in fault.right for fault in caught.value.faults)
    assert stored(loaded) == {}


def test_a_site_whose_contract_names_no_station_says_where_to_name_it(loaded: Config) -> None:
    site: Site = replace(loaded.sites[0], contract_station="")
    with pytest.raises(ConfigError, match="contract_station"):
        station.record(loaded, site, FILE, "s.csv", NOW_UTC)
