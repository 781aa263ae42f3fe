"""Every number with a range accepts both its ends and refuses what lies beyond; slips of unit are named."""

from __future__ import annotations

import math

import pytest
from pydantic_core import PydanticCustomError

from gonogo.config.examples import EXAMPLES, example
from gonogo.config.material_tables import LaboratoryTable, MaterialTable, MethodTable, OversizeTable, TreatedTable
from gonogo.config.table import Table
from gonogo.config.tables import (
    SITE_SECTIONS,
    CrewTable,
    HeadTable,
    InboxTable,
    MailTable,
    PersonTable,
    ReadingTable,
    SiteTable,
    StopTable,
    StoreTable,
    WatchTable,
    WeatherTable,
)
from gonogo.config.values import check_range
from gonogo.field import station
from gonogo.field.entries import COLUMNS
from gonogo.records.ranges import RANGES

TABLES: tuple[type[Table], ...] = (
    LaboratoryTable,
    SiteTable,
    StopTable,
    *SITE_SECTIONS.values(),
    OversizeTable,
    TreatedTable,
    MethodTable,
    PersonTable,
    ReadingTable,
    HeadTable,
    InboxTable,
    StoreTable,
    MailTable,
    WatchTable,
    WeatherTable,
)


@pytest.mark.parametrize("key", RANGES)
def test_a_range_accepts_its_ends_and_refuses_beyond(key: str) -> None:
    row = RANGES[key]
    check_range(key, row.low)
    check_range(key, row.high)
    for beyond in (math.nextafter(row.low, -math.inf), math.nextafter(row.high, math.inf)):
        with pytest.raises(PydanticCustomError) as caught:
            check_range(key, beyond)
        assert key in str(caught.value)
        assert row.unit in str(caught.value)


@pytest.mark.parametrize(("key", "n"), [(key, n) for key, row in RANGES.items() for n in range(len(row.slips))])
def test_a_slip_of_unit_is_named(key: str, n: int) -> None:
    row, slip = RANGES[key], RANGES[key].slips[n]
    inside = [v for v in (slip.low, (slip.low + slip.high) / 2.0, slip.high) if not row.low <= v <= row.high]
    assert inside, "this slip can never be seen"
    texts = []
    for value in inside:
        with pytest.raises(PydanticCustomError) as caught:
            check_range(key, value)
        texts.append(str(caught.value))
    assert any(slip.advice in text for text in texts)


def test_a_key_without_a_range_passes() -> None:
    assert "name" not in RANGES
    check_range("name", 1e9)


@pytest.mark.parametrize("key", sorted({key for table in TABLES for key in table.model_fields}))
def test_every_key_of_every_table_has_an_example(key: str) -> None:
    assert not example(key).endswith("...")


def test_no_example_and_no_range_is_left_over() -> None:
    keys = {key for table in TABLES for key in table.model_fields}
    assert set(EXAMPLES) <= keys
    assert set(RANGES) <= keys | set(COLUMNS) | set(station.COLUMNS)
    assert not set(EXAMPLES) & set(RANGES)


def test_every_table_of_the_files_is_covered_here() -> None:
    assert set(TABLES) == set(Table.__subclasses__())
    assert CrewTable in TABLES
    assert MaterialTable in TABLES
