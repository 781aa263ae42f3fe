"""What `gonogo weather` shows, as text and as CSV."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from example_mornings import example_config, no_weather, recorded

from gonogo.cli import demo, weather_report
from gonogo.cli.outcome import Exit
from gonogo.config import Config
from gonogo.download.forecasts import Downloaded
from gonogo.records.outside import Answer
from gonogo.records.site import Site


@pytest.fixture
def config(tmp_path: Path) -> Config:
    return example_config(tmp_path)


def test_the_text_names_source_age_repairs_hours_and_days(config: Config) -> None:
    found = weather_report.show(config, config.sites[0], now_utc=demo.MORNING_UTC, fetch=recorded)
    assert found.exit_code == Exit.OK
    assert "Open-Meteo, fetched Tue 05:00, 15 min old: fresh" in found.text
    assert "https://open-meteo.com/" in found.text
    assert "repaired  nothing" in found.text
    assert "fallen    24 h 0.0 mm, 3 days 0.0 mm, 7 days 14.0 mm" in found.text
    lines = found.text.splitlines()
    evening = next(line for line in lines if line.startswith("Tue 19:00"))
    assert "2.9" in evening
    assert evening.endswith("thunder")
    tomorrow = next(line for line in lines if line.startswith("Wed 2026-05-13"))
    assert " 14.1 " in tomorrow
    assert max(map(len, lines)) <= 120


def test_the_csv_holds_every_hour_with_units_in_its_names(config: Config) -> None:
    found = weather_report.show(config, config.sites[0], now_utc=demo.MORNING_UTC, fetch=recorded, as_csv=True)
    rows = list(csv.DictReader(io.StringIO(found.text)))
    assert len(rows) == 647
    by_hour = {row["hour_local"]: row for row in rows}
    evening = by_hour["2026-05-12T19:00-05:00"]
    assert (evening["rain_mm"], evening["hour_utc"]) == ("2.9", "2026-05-13T00:00Z")
    assert evening["forecast_status"] == "fresh"
    assert float(evening["rain_p10_mm"]) < 2.9 < float(evening["rain_p90_mm"])
    assert evening["thunder_chance"] == ""  # not known is empty
    assert {row["service"] for row in rows} == {"open_meteo"}


def test_what_was_asked_is_kept_and_can_be_shown_without_asking(config: Config) -> None:
    site = config.sites[0]
    weather_report.show(config, site, now_utc=demo.MORNING_UTC, fetch=recorded)
    later = demo.MORNING_UTC + timedelta(hours=8)
    found = weather_report.show(config, site, now_utc=later, only_stored=True)
    assert found.exit_code == Exit.OK
    assert "8 h old: OLD" in found.text
    found = weather_report.show(config, site, now_utc=demo.MORNING_UTC + timedelta(hours=30), only_stored=True)
    assert found.exit_code == Exit.ATTENTION
    assert "NOT TRUSTED" in found.text


def test_without_any_weather_every_fault_is_told(config: Config) -> None:
    found = weather_report.show(config, config.sites[0], now_utc=demo.MORNING_UTC, fetch=no_weather)
    assert found.exit_code == Exit.ATTENTION
    assert "no usable weather" in found.text
    assert "503 from the service" in found.text


def test_a_forecast_without_past_says_what_is_not_known(config: Config) -> None:
    from bodies import fixture_body

    from gonogo.download import forecasts

    def met(site: Site, now_utc: datetime, stored: Sequence[Answer]) -> Downloaded:
        kept = Answer(
            service="met_norway", url="x", fetched_utc=now_utc, status=200, headers={}, body=fixture_body("met_norway")
        )
        return forecasts.forecast(site, (), now_utc=now_utc, stored=(kept,))

    found = weather_report.show(config, config.sites[0], now_utc=demo.MORNING_UTC, fetch=met)
    assert "24 h not known" in found.text
    assert "MET Norway" in found.text
    assert "estimated from cloud cover" in found.text
