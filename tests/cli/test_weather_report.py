"""What `gonogo weather` shows, as text and as CSV."""

from __future__ import annotations

import csv
import io
import re
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
from gonogo.wording.language import languages, speaker

EN = speaker("en", "metric")


@pytest.fixture
def config(tmp_path: Path) -> Config:
    return example_config(tmp_path)


def test_the_text_names_source_age_repairs_hours_and_days(config: Config) -> None:
    found = weather_report.show(config, config.sites[0], now_utc=demo.MORNING_UTC, speak=EN, fetch=recorded)
    assert found.exit_code == Exit.OK
    assert "Open-Meteo, fetched 05:00, 15 min old: fresh" in found.text
    assert "https://open-meteo.com/" in found.text
    shown = found.text.replace("\u00a0", " ")
    assert "notes   none" in shown
    assert "fallen  24 h 0.0 mm, 3 days 0.0 mm, 7 days 14 mm" in shown
    lines = shown.splitlines()
    evening = next(line for line in lines if line.startswith("19:00"))
    assert " 3.0 mm " in evening
    assert evening.endswith("thunder")
    tomorrow = next(line for line in lines if line.startswith("Wed 13 May  "))
    assert " 14 mm " in tomorrow
    assert max(map(len, lines)) <= 120


@pytest.mark.parametrize("code", languages())
def test_the_text_speaks_a_language_and_its_units(config: Config, code: str) -> None:
    for units, wanted, unwanted in (("metric", "mm", "in"), ("us", "in", "mm")):
        speak = speaker(code, units)
        shown = weather_report.show(
            config, config.sites[0], now_utc=demo.MORNING_UTC, speak=speak, fetch=recorded
        ).text.replace("\u00a0", " ")
        assert re.search(rf"[0-9] {wanted}\b", shown)
        assert not re.search(rf"[0-9] {unwanted}\b", shown)
        assert "{" not in shown
        assert speak.word("weather.evaporation") in shown
        assert max(map(len, shown.splitlines())) <= 120


def test_the_csv_holds_every_hour_with_units_in_its_names(config: Config) -> None:
    found = weather_report.show(config, config.sites[0], now_utc=demo.MORNING_UTC, speak=None, fetch=recorded)
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
    weather_report.show(config, site, now_utc=demo.MORNING_UTC, speak=EN, fetch=recorded)
    later = demo.MORNING_UTC + timedelta(hours=8)
    found = weather_report.show(config, site, now_utc=later, speak=EN, only_stored=True)
    assert found.exit_code == Exit.OK
    assert "8 h old: OLD" in found.text
    found = weather_report.show(
        config, site, now_utc=demo.MORNING_UTC + timedelta(hours=30), speak=EN, only_stored=True
    )
    assert found.exit_code == Exit.ATTENTION
    assert "NOT TRUSTED" in found.text


def test_without_any_weather_every_fault_is_told(config: Config) -> None:
    found = weather_report.show(config, config.sites[0], now_utc=demo.MORNING_UTC, speak=EN, fetch=no_weather)
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

    found = weather_report.show(config, config.sites[0], now_utc=demo.MORNING_UTC, speak=EN, fetch=met)
    assert "24 h unknown" in found.text
    assert "MET Norway" in found.text
    assert "estimated from cloud cover" in found.text
