"""What every weather service must keep, run over all that are found."""

from __future__ import annotations

import ast
from pathlib import Path

import numpy as np
import pytest
from bodies import HARROW_FLATS, MORNING_UTC, fixture_body, weather_of

from gonogo.config import vocabulary
from gonogo.errors import WeatherError
from gonogo.weather import services
from gonogo.weather.services import WeatherService

FOUND = services.find()
EVERY = pytest.mark.parametrize("service", FOUND.values(), ids=FOUND.keys())
FOLDER = Path(services.__file__).parent
NETWORK = {"requests", "urllib", "urllib3", "socket", "http", "httpx", "aiohttp", "ssl"}


def test_every_module_of_the_folder_is_a_service_of_its_own_name() -> None:
    modules = {path.stem for path in FOLDER.glob("*.py")} - {"__init__"}
    assert modules == set(FOUND)
    assert "open_meteo" in FOUND


@EVERY
def test_a_service_names_its_credit_and_its_licence(service: WeatherService) -> None:
    assert service.title
    assert service.attribution
    for text, link in service.attribution:
        assert text
        assert link.startswith("https://")
    assert service.name in service.licence_note(None)
    assert "SECRET" not in service.licence_note("SECRET")


ASKED = pytest.mark.parametrize("service", [s for s in FOUND.values() if s.request], ids=lambda service: service.name)


@ASKED
def test_a_request_is_https_with_no_secret_in_it(service: WeatherService) -> None:
    assert service.request is not None
    request = service.request((HARROW_FLATS,), MORNING_UTC, None, "SECRET", "ops@example.org")
    assert request.url.startswith("https://")
    assert "SECRET" not in request.url + str(request.params) + repr(request)
    assert request == service.request((HARROW_FLATS,), MORNING_UTC, None, "SECRET", "ops@example.org")


@EVERY
@pytest.mark.parametrize("body", [b"", b"{", b"<html></html>", b"null", b"[]", b"{}", b'"text"', b"\xff"])
def test_a_body_that_is_no_forecast_is_refused_in_its_own_name(service: WeatherService, body: bytes) -> None:
    with pytest.raises(WeatherError, match=f"^{service.name}: "):
        service.parse(body, HARROW_FLATS)


@EVERY
def test_a_service_is_asked_over_http_or_read_from_a_folder(service: WeatherService) -> None:
    assert (service.request is None) == bool(service.sources)
    for source, credit in service.sources.items():
        assert service.credit(source) == credit
        assert all(text and link.startswith("https://") for text, link in credit)


@EVERY
def test_a_service_does_no_network(service: WeatherService) -> None:
    tree = ast.parse((FOLDER / f"{service.name}.py").read_text(encoding="utf-8"))
    imported = {
        name.split(".")[0]
        for node in ast.walk(tree)
        for name in (
            [alias.name for alias in node.names]
            if isinstance(node, ast.Import)
            else [node.module or ""]
            if isinstance(node, ast.ImportFrom)
            else []
        )
    }
    assert not imported & NETWORK


@EVERY
def test_a_service_has_a_body_of_our_own_making_that_is_fresh_and_sound(service: WeatherService) -> None:
    weather = weather_of(fixture_body(service.name), service=service.name)
    assert weather.service == service.name
    assert weather.attribution in (service.attribution, *service.sources.values())
    # The scenario that every body tells: dry well into the day, then 8 mm, and 14 mm the day after.
    now = int((np.datetime64(MORNING_UTC.replace(tzinfo=None), "h") - weather.hour_utc[0]).astype(int))
    assert weather.rain_mm[now : now + 8].sum() < 0.1
    assert 18.0 < weather.rain_mm[now : now + 43].sum() < 26.0
    assert weather.temp_degc[now + 10] == pytest.approx(24.8, abs=0.5)  # 15:00 local


@EVERY
def test_a_body_cut_anywhere_is_a_fault_of_the_way_that_may_pass(service: WeatherService) -> None:
    body = fixture_body(service.name)
    for share in (0.01, 0.3, 0.99):
        with pytest.raises(WeatherError, match=f"^{service.name}: body") as fault:
            service.parse(body[: int(share * len(body))], HARROW_FLATS)
        assert fault.value.passing


@EVERY
def test_a_service_that_takes_lists_can_cut_their_answers(service: WeatherService) -> None:
    assert (service.max_sites > 1) == (service.split is not None)
    assert service.spacing_s >= 0.0


@EVERY
def test_the_config_knows_every_service(service: WeatherService) -> None:
    words = vocabulary.installed()
    assert service.name in words.services
    assert (service.name in words.need_contact) == service.needs_contact
    assert (service.name in words.commercial_needs_key) == service.commercial_needs_key


def test_an_answer_of_an_unknown_service_is_refused() -> None:
    from gonogo.records.outside import Answer

    answer = Answer(service="crystal_ball", url="", fetched_utc=MORNING_UTC, status=200, headers={}, body=b"{}")
    with pytest.raises(WeatherError, match=r"crystal_ball: no such service. One of .*open_meteo"):
        services.parse(answer, HARROW_FLATS)
