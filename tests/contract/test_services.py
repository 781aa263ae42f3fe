"""What every weather service must keep, run over all that are found."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest
from bodies import HARROW_FLATS, MORNING_UTC

from gonogo.errors import WeatherError
from gonogo.weather import services
from gonogo.weather.services import Service

FOUND = services.find()
EVERY = pytest.mark.parametrize("service", FOUND.values(), ids=FOUND.keys())
FOLDER = Path(services.__file__).parent
NETWORK = {"requests", "urllib", "urllib3", "socket", "http", "httpx", "aiohttp", "ssl"}


def test_every_module_of_the_folder_is_a_service_of_its_own_name() -> None:
    modules = {path.stem for path in FOLDER.glob("*.py")} - {"__init__"}
    assert modules == set(FOUND)
    assert "open_meteo" in FOUND


@EVERY
def test_a_service_names_its_credit_and_its_licence(service: Service) -> None:
    assert service.title
    assert service.attribution
    for text, link in service.attribution:
        assert text
        assert link.startswith("https://")
    assert service.name in service.licence_note(None)
    assert "SECRET" not in service.licence_note("SECRET")


@EVERY
def test_a_request_is_https_with_no_secret_in_it(service: Service) -> None:
    request = service.request((HARROW_FLATS,), MORNING_UTC, None, "SECRET", "ops@example.org")
    assert request.url.startswith("https://")
    assert "SECRET" not in request.url + str(request.params) + repr(request)
    assert request == service.request((HARROW_FLATS,), MORNING_UTC, None, "SECRET", "ops@example.org")


@EVERY
@pytest.mark.parametrize("body", [b"", b"{", b"<html></html>", b"null", b"[]", b"{}", b'"text"', b"\xff"])
def test_a_body_that_is_no_forecast_is_refused_in_its_own_name(service: Service, body: bytes) -> None:
    with pytest.raises(WeatherError, match=f"^{service.name}: "):
        service.parse(body, HARROW_FLATS)


@EVERY
def test_a_service_does_no_network(service: Service) -> None:
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


def test_an_answer_of_an_unknown_service_is_refused() -> None:
    from gonogo.records import Answer

    answer = Answer(service="crystal_ball", url="", fetched_utc=MORNING_UTC, status=200, headers={}, body=b"{}")
    with pytest.raises(WeatherError, match=r"crystal_ball: no such service. One of .*open_meteo"):
        services.parse(answer, HARROW_FLATS)
