"""The site's gauge overrides the service's past rain, worked by hand."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from bodies import HARROW_FLATS_BODY, MORNING_UTC, row, weather_of
from hypothesis import given
from hypothesis import strategies as st

from gonogo.records.field import GaugeRain
from gonogo.weather.gauge import covered_share, override

START_UTC = datetime(2026, 5, 11, 0, 0, tzinfo=UTC)
HOURS = np.datetime64("2026-05-11T00", "h") + np.arange(24)
NOW_UTC = START_UTC + timedelta(hours=24)


def caught(from_h: float, until_h: float, rain_mm: float) -> GaugeRain:
    """Return a reading between two hours of 2026-05-11 UTC."""
    return GaugeRain(
        from_utc=START_UTC + timedelta(hours=from_h), until_utc=START_UTC + timedelta(hours=until_h), rain_mm=rain_mm
    )


def test_a_total_keeps_the_services_pattern() -> None:
    rain = np.zeros(24)
    rain[3], rain[4], rain[20] = 1.0, 3.0, 5.0
    corrected, gauged, notes = override(HOURS, rain, [caught(0, 12, 8.0)], now_utc=NOW_UTC)
    assert corrected[3] == pytest.approx(2.0)
    assert corrected[4] == pytest.approx(6.0)
    assert corrected[20] == 5.0
    assert gauged.tolist() == [1.0] * 12 + [0.0] * 12
    assert notes == ["Past rain is the site's own gauge for 12 hours (1 readings)."]


def test_a_dry_gauge_takes_the_services_rain_away() -> None:
    corrected, _, _ = override(HOURS, np.full(24, 0.5), [caught(0, 24, 0.0)], now_utc=NOW_UTC)
    assert corrected.sum() == 0.0


def test_rain_that_the_service_missed_is_spread_evenly() -> None:
    corrected, _, _ = override(HOURS, np.zeros(24), [caught(6, 9, 6.0)], now_utc=NOW_UTC)
    assert corrected[6:9].tolist() == [2.0, 2.0, 2.0]
    assert corrected.sum() == pytest.approx(6.0)


def test_half_an_hour_of_the_service_stays_where_the_gauge_was_not_read() -> None:
    rain = np.zeros(24)
    rain[6], rain[7] = 2.0, 1.0
    # From 06:30 on: the service saw 1.0 mm in the half hour and 1.0 mm in the next hour; the gauge caught 4.0.
    corrected, gauged, _ = override(HOURS, rain, [caught(6.5, 8, 4.0)], now_utc=NOW_UTC)
    assert corrected[6] == pytest.approx(1.0 + 2.0)
    assert corrected[7] == pytest.approx(2.0)
    assert gauged[6] == pytest.approx(0.5)


def test_a_reading_that_began_before_the_table_has_its_share_by_time() -> None:
    reading = GaugeRain(
        from_utc=START_UTC - timedelta(hours=12), until_utc=START_UTC + timedelta(hours=12), rain_mm=10.0
    )
    corrected, _, _ = override(HOURS, np.zeros(24), [reading], now_utc=NOW_UTC)
    assert corrected.sum() == pytest.approx(5.0)


def test_a_later_entry_corrects_an_earlier_one() -> None:
    corrected, _, _ = override(HOURS, np.zeros(24), [caught(0, 6, 40.0), caught(0, 6, 4.0)], now_utc=NOW_UTC)
    assert corrected.sum() == pytest.approx(4.0)


@pytest.mark.parametrize(
    "reading", [caught(0, 25, 3.0), caught(6, 6, 1.0), caught(8, 6, 1.0), caught(0, 2, -1.0), caught(0, 2, 601.0)]
)
def test_a_reading_that_cannot_be_right_is_left_out_and_named(reading: GaugeRain) -> None:
    corrected, gauged, notes = override(HOURS, np.ones(24), [reading], now_utc=NOW_UTC)
    assert (corrected == 1.0).all()
    assert not gauged.any()
    assert "was left out" in notes[0]


def test_a_reading_of_before_the_table_changes_nothing() -> None:
    corrected, gauged, notes = override(HOURS, np.ones(24), [caught(-20, -10, 3.0)], now_utc=NOW_UTC)
    assert (corrected == 1.0).all()
    assert not gauged.any()
    assert notes == []


@given(
    rain=st.lists(st.floats(0.0, 20.0), min_size=24, max_size=24),
    from_h=st.floats(0.0, 22.0),
    length_h=st.floats(0.1, 10.0),
    caught_mm=st.floats(0.0, 29.0),
)
def test_the_sum_over_a_readings_time_is_what_the_gauge_caught(
    rain: list[float], from_h: float, length_h: float, caught_mm: float
) -> None:
    until_h = min(24.0, from_h + length_h)
    reading = caught(from_h, until_h, caught_mm)
    before = np.array(rain)
    corrected, _, _ = override(HOURS, before, [reading], now_utc=NOW_UTC)
    outside = before * (1.0 - covered_share(HOURS, reading.from_utc, reading.until_utc))
    assert corrected.sum() - outside.sum() == pytest.approx(caught_mm, abs=1e-9)
    assert (corrected >= 0.0).all()


def test_the_gauge_reaches_the_weather_and_its_members() -> None:
    reading = GaugeRain(
        from_utc=MORNING_UTC - timedelta(hours=24), until_utc=MORNING_UTC - timedelta(hours=2), rain_mm=11.0
    )
    weather = weather_of(HARROW_FLATS_BODY, gauge=[reading])
    stretch = slice(row(weather, reading.from_utc), row(weather, reading.until_utc))
    assert weather.rain_mm[stretch].sum() == pytest.approx(11.0)
    totals = weather.rain_members_mm[stretch].sum(axis=0)
    assert totals.mean() == pytest.approx(11.0)
    assert totals.std() < 0.06 * 11.0
    assert any("site's own gauge" in note for note in weather.notes)
