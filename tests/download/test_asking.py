"""The manners of asking: unchanged answers, lists, two questions, limits, clocks; and what is kept of it."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from email.utils import format_datetime
from typing import Any

import pytest
import requests
import responses
from bodies import HARROW_FLATS, HARROW_FLATS_BODY, MORNING_UTC, VALID, fixture_body
from sites import small_site

from gonogo.download import web
from gonogo.download.forecasts import Downloaded, NoForecastError, earlier_forecasts, forecast
from gonogo.download.usable import REVALIDATED_HEADER
from gonogo.download.web import OFFSET_HEADER, RoundState
from gonogo.errors import WeatherError
from gonogo.records.outside import Answer, ServiceSettings
from gonogo.records.site import Site
from gonogo.weather import services

FREE = "https://api.open-meteo.com/v1/forecast"
MET = "https://api.met.no/weatherapi/locationforecast/2.0/complete"
POINTS = "https://api.weather.gov/points/42.137,-94.368"
GRID = "https://api.weather.gov/gridpoints/XYZ/41,87"
MET_BODY, NWS_BODY, PLACE = fixture_body("met_norway"), fixture_body("nws"), fixture_body("nws", "harrow_flats_place")
MODIFIED = "Tue, 12 May 2026 09:41:07 GMT"


def settings(name: str, **more: Any) -> ServiceSettings:
    return ServiceSettings(name=name, contact="ops@example.org", **({"timeout_s": 1.0, "retries": 1} | more))


class Round:
    """A round without waiting: notes how long it was asked to wait; the machine's clock stands at the morning."""

    def __init__(self, clock_utc: datetime = MORNING_UTC) -> None:
        self.waits: list[float] = []
        self.seconds = 0.0
        self.round_state = RoundState(sleep=self._sleep, clock=lambda: self.seconds, clock_utc=lambda: clock_utc)

    def _sleep(self, seconds: float) -> None:
        self.waits.append(seconds)
        self.seconds += seconds


def ask(
    *order: ServiceSettings,
    site: Site = HARROW_FLATS,
    now_utc: datetime = MORNING_UTC,
    stored: Sequence[Answer] = (),
    together: Sequence[Site] = (),
    round_state: RoundState | None = None,
) -> Downloaded:
    return forecast(
        site, order, now_utc=now_utc, stored=stored, together=together, round_state=round_state or Round().round_state
    )


def http(at_utc: datetime) -> str:
    return format_datetime(at_utc, usegmt=True)


def stored_met(age_h: float, *, expires_in_h: float = -0.5, **changes: Any) -> Answer:
    found = Answer(
        service="met_norway",
        url=f"{MET}?lat=42.1370&lon=-94.3680&altitude=325",
        fetched_utc=MORNING_UTC - timedelta(hours=age_h),
        status=200,
        headers={"last-modified": MODIFIED, "expires": http(MORNING_UTC + timedelta(hours=expires_in_h))},
        body=MET_BODY,
    )
    return replace(found, **changes)


# --- unchanged answers ----------------------------------------------------------------------------------------


@responses.activate
def test_before_it_expires_an_answer_is_taken_again_without_a_question() -> None:
    kept = stored_met(0.2, expires_in_h=0.3)
    found = ask(settings("met_norway"), stored=[kept])
    assert found.answer is kept
    assert found.is_stored
    assert found.faults == ()
    assert len(responses.calls) == 0


@responses.activate
def test_after_it_has_expired_the_very_same_words_ask_whether_it_changed() -> None:
    responses.get(MET, status=304, headers={"Expires": http(MORNING_UTC + timedelta(hours=0.5))})
    kept = stored_met(9.0)
    found = ask(settings("met_norway"), stored=[kept])
    assert responses.calls[0].request.headers["If-Modified-Since"] == MODIFIED
    assert (found.answer.body, found.answer.status, found.is_stored) == (MET_BODY, 200, False)
    assert found.answer.fetched_utc == MORNING_UTC  # the service says today that it is its newest
    assert found.answer.headers[REVALIDATED_HEADER] == kept.fetched_utc.isoformat()
    assert found.answer.headers["last-modified"] == MODIFIED
    assert found.answer.headers["expires"] == http(MORNING_UTC + timedelta(hours=0.5))
    # ... and the next question in that half hour is not asked.
    again = ask(settings("met_norway"), stored=[found.answer, kept])
    assert again.answer is found.answer
    assert len(responses.calls) == 1


@responses.activate
def test_a_tag_is_given_back_too() -> None:
    responses.get(MET, status=304)
    kept = stored_met(1.0, headers={"etag": '"abc"'})
    ask(settings("met_norway"), stored=[kept])
    assert responses.calls[0].request.headers["If-None-Match"] == '"abc"'


@responses.activate
@pytest.mark.parametrize(
    "kept",
    [
        stored_met(0.2, expires_in_h=1.0, url=f"{MET}?lat=42.1371&lon=-94.3680&altitude=325"),  # a metre away
        stored_met(0.2, expires_in_h=1.0, body=b"{"),  # of no use
        stored_met(30.0, expires_in_h=90.0),  # an Expires that nobody can mean
    ],
    ids=["another place", "broken", "too old"],
)
def test_an_answer_that_is_not_the_same_or_of_no_use_is_asked_for(kept: Answer) -> None:
    responses.get(MET, body=MET_BODY)
    found = ask(settings("met_norway"), stored=[kept])
    assert not found.is_stored
    assert len(responses.calls) == 1


@responses.activate
def test_a_broken_stored_answer_is_never_called_unchanged() -> None:
    responses.get(MET, body=MET_BODY)
    ask(settings("met_norway"), stored=[stored_met(1.0, body=b"{")])
    assert "If-Modified-Since" not in responses.calls[0].request.headers


@responses.activate
def test_the_machines_clock_decides_over_expires_not_the_moment_that_is_looked_at() -> None:
    kept = stored_met(0.2, expires_in_h=0.3)
    found = ask(settings("met_norway"), now_utc=MORNING_UTC + timedelta(hours=4), stored=[kept])
    assert found.answer is kept
    responses.get(MET, status=304)
    late = Round(MORNING_UTC + timedelta(hours=1)).round_state
    ask(settings("met_norway"), stored=[kept], round_state=late)
    assert len(responses.calls) == 1


@responses.activate
def test_unchanged_without_anything_stored_is_a_refusal() -> None:
    responses.get(MET, status=304)
    with pytest.raises(WeatherError, match="status = 304"):
        ask(settings("met_norway"))


# --- what each status means -----------------------------------------------------------------------------------


@responses.activate
def test_a_version_that_ends_is_used_and_named() -> None:
    responses.get(MET, status=203, body=MET_BODY)
    found = ask(settings("met_norway"))
    assert found.answer.status == 203
    assert any("ends soon" in fault for fault in found.faults)


@responses.activate
def test_a_limit_of_met_norway_is_not_waited_for_and_holds_for_the_round() -> None:
    responses.get(MET, status=429, body="<html>throttled</html>")
    round_ = Round()
    for site in (HARROW_FLATS, small_site(id="other")):
        with pytest.raises(WeatherError, match="429"):
            ask(settings("met_norway"), site=site, round_state=round_.round_state)
    assert round_.waits == []
    assert len(responses.calls) == 1


@responses.activate
@pytest.mark.parametrize("status", [401, 403])
def test_a_service_that_shuts_us_out_is_left_alone_for_every_site(status: int) -> None:
    responses.get(MET, status=status, body="<html>no</html>")
    responses.get(FREE, body=HARROW_FLATS_BODY)
    round_ = Round()
    for site in (HARROW_FLATS, replace(HARROW_FLATS, id="other")):
        assert ask(settings("met_norway"), settings("open_meteo"), site=site, round_state=round_.round_state).faults
    assert [str(call.request.url).startswith(MET) for call in responses.calls] == [True, False, False]
    round_.seconds += 1801.0
    ask(settings("met_norway"), settings("open_meteo"), round_state=round_.round_state)
    assert str(responses.calls[3].request.url).startswith(MET)


@responses.activate
def test_a_service_that_is_down_is_tried_once_in_a_round_and_not_for_each_site() -> None:
    responses.get(FREE, body=requests.ConnectionError("down"))
    round_ = Round()
    for number in range(50):
        with pytest.raises(NoForecastError):
            ask(settings("open_meteo"), site=small_site(id=f"s{number}"), round_state=round_.round_state)
    assert len(responses.calls) == 2


@responses.activate
def test_a_place_outside_the_area_shuts_nothing() -> None:
    responses.get("https://api.weather.gov/points/42,-94", status=404, json={"title": "Invalid Point"})
    responses.get(POINTS, body=PLACE)
    responses.get(GRID, body=NWS_BODY)
    round_ = Round()
    with pytest.raises(WeatherError, match="404"):
        ask(settings("nws"), site=small_site(), round_state=round_.round_state)
    assert ask(settings("nws"), round_state=round_.round_state).answer.body == NWS_BODY


# --- two questions --------------------------------------------------------------------------------------------


@responses.activate
def test_the_cell_is_asked_for_once_and_kept() -> None:
    responses.get(POINTS, body=PLACE)
    responses.get(GRID, body=NWS_BODY)
    found = ask(settings("nws"))
    assert [answer.service for answer in found.places] == ["nws/place"]
    assert found.places[0].body == PLACE
    assert found.answer.body == NWS_BODY
    sent = responses.calls[0].request.headers
    assert "ops@example.org" in sent["User-Agent"]
    assert sent["Accept"] == "application/geo+json"
    again = ask(settings("nws"), stored=[found.answer, *found.places], now_utc=MORNING_UTC + timedelta(minutes=5))
    assert again.places == ()
    assert [str(call.request.url) for call in responses.calls] == [POINTS, GRID, GRID]


@responses.activate
def test_a_cell_that_is_gone_is_asked_for_anew() -> None:
    responses.get(GRID, status=404)
    responses.get(POINTS, json={"properties": {"gridId": "NEW", "gridX": 1, "gridY": 2}})
    responses.get("https://api.weather.gov/gridpoints/NEW/1,2", body=NWS_BODY)
    place = Answer(service="nws/place", url=POINTS, fetched_utc=MORNING_UTC, status=200, headers={}, body=PLACE)
    found = ask(settings("nws"), stored=[place])
    assert found.answer.url.endswith("/gridpoints/NEW/1,2")
    assert len(found.places) == 1


@responses.activate
def test_a_kept_cell_is_never_taken_for_a_forecast() -> None:
    responses.get(POINTS, status=503)
    place = Answer(service="nws/place", url="x", fetched_utc=MORNING_UTC, status=200, headers={}, body=PLACE)
    with pytest.raises(NoForecastError) as fault:
        ask(settings("nws"), stored=[place])
    assert "stored answer" not in str(fault.value)
    assert earlier_forecasts([place], HARROW_FLATS) == ()


# --- many sites -----------------------------------------------------------------------------------------------

SITES = tuple(
    small_site(id=f"s{n}", latitude_deg=42.0 + 0.5 * n, longitude_deg=-94.0 - 0.5 * n, elevation_m=300.0 + n)
    for n in range(5)
)


def listed(request: requests.PreparedRequest) -> tuple[int, dict[str, str], bytes]:
    """Answer as the service does: a list for many places, an object for one."""
    params: dict[str, str] = request.params  # type: ignore[attr-defined]
    places = [
        {**VALID, "latitude": float(lat) + 0.01, "longitude": float(lon), "location_id": n}
        for n, (lat, lon) in enumerate(zip(params["latitude"].split(","), params["longitude"].split(","), strict=True))
    ]
    body = json.dumps(places if len(places) > 1 else places[0], indent=1)
    return 200, {}, body.encode()


@responses.activate
def test_one_question_brings_every_site_of_the_round_its_own_answer() -> None:
    responses.add_callback(responses.GET, FREE, listed)
    round_ = Round()
    for site in SITES:
        found = ask(settings("open_meteo"), site=site, together=SITES, round_state=round_.round_state)
        assert found.parsed.latitude_deg == pytest.approx(site.latitude_deg + 0.01)
        assert f"latitude={site.latitude_deg:.4f}&" in found.answer.url
        assert json.loads(found.answer.body)["latitude"] == pytest.approx(site.latitude_deg + 0.01)
    assert len(responses.calls) == 1
    assert round_.round_state.ready == {}


@responses.activate
def test_each_part_of_a_list_has_the_bytes_that_came() -> None:
    text = '[ {"a": 1.50,\n "b":"é"} ,\n{"c": [1, 2]}]'
    assert services.json_slices("open_meteo", text.encode()) == [b'{"a": 1.50,\n "b":"\xc3\xa9"}', b'{"c": [1, 2]}']
    assert services.json_slices("open_meteo", b'{"a": 1}') == [b'{"a": 1}']
    for broken in (b"[", b"[{}", b'[{"a":1}{"b":2}]', b"[{},", b"[]", b"\xff"):
        with pytest.raises(WeatherError, match="no whole JSON list") as fault:
            services.json_slices("open_meteo", broken)
        assert fault.value.passing


@responses.activate
def test_a_site_that_spoils_the_list_does_not_spoil_the_others() -> None:
    def answer(request: requests.PreparedRequest) -> tuple[int, dict[str, str], bytes]:
        params: dict[str, str] = request.params  # type: ignore[attr-defined]
        if "," in params["latitude"] or params["latitude"].startswith("43.0"):
            return 400, {}, b'{"error":true,"reason":"Latitude must be in range"}'
        return listed(request)

    responses.add_callback(responses.GET, FREE, answer)
    round_ = Round()
    for site in SITES:
        if site.id == "s2":
            with pytest.raises(NoForecastError, match="Latitude must be"):
                ask(settings("open_meteo"), site=site, together=SITES, round_state=round_.round_state)
        else:
            ask(settings("open_meteo"), site=site, together=SITES, round_state=round_.round_state)
    assert len(responses.calls) == 1 + len(SITES)


@responses.activate
def test_a_site_that_is_asked_for_again_takes_no_neighbours_along_that_have_theirs() -> None:
    responses.add_callback(responses.GET, FREE, listed)
    round_ = Round()
    for site in (*SITES, SITES[0]):
        ask(settings("open_meteo"), site=site, together=SITES, round_state=round_.round_state)
    asked = [str(call.request.params["latitude"]).count(",") + 1 for call in responses.calls]  # type: ignore[attr-defined]
    assert asked == [5, 1]
    round_.seconds += 1801.0
    ask(settings("open_meteo"), site=SITES[0], together=SITES, round_state=round_.round_state)
    assert str(responses.calls[2].request.url).count("%2C") > str(responses.calls[1].request.url).count("%2C")


@responses.activate
def test_an_answer_of_another_round_is_not_given_out_later() -> None:
    responses.add_callback(responses.GET, FREE, listed)
    round_ = Round()
    ask(settings("open_meteo"), site=SITES[0], together=SITES, round_state=round_.round_state)
    later = MORNING_UTC + timedelta(hours=1)
    ask(settings("open_meteo"), site=SITES[1], together=SITES, round_state=round_.round_state, now_utc=later)
    assert len(responses.calls) == 2


@responses.activate
def test_sites_are_asked_for_one_by_one_where_a_service_takes_no_list_and_never_faster_than_it_likes() -> None:
    responses.get(MET, body=MET_BODY)
    round_ = Round()
    for _ in range(3):
        ask(settings("met_norway"), together=SITES, round_state=round_.round_state)
    assert round_.waits == pytest.approx([0.1, 0.1])


@responses.activate
def test_a_round_that_a_clock_starts_keeps_off_the_full_hour_and_a_persons_does_not() -> None:
    responses.get(MET, body=MET_BODY)
    for spread_s, waits in ((30.0, [91.0]), (None, [])):
        round_ = Round(datetime(2026, 5, 12, 10, 0, 0, tzinfo=UTC))
        round_.round_state.spread_s = spread_s
        ask(settings("met_norway"), round_state=round_.round_state)
        assert round_.waits == waits


# --- the clock ------------------------------------------------------------------------------------------------


@responses.activate
@pytest.mark.parametrize(("ahead_s", "age_s"), [(0, 0), (7200, 0), (-86400, 0), (0, 600)])
def test_the_services_clock_is_compared_with_the_machines(ahead_s: int, age_s: int) -> None:
    dated = MORNING_UTC + timedelta(seconds=ahead_s - age_s)
    responses.get(FREE, body=HARROW_FLATS_BODY, headers={"Date": http(dated), "Age": str(age_s)})
    found = ask(settings("open_meteo"))
    assert found.clock_offset_s == pytest.approx(ahead_s)
    assert found.answer.headers[OFFSET_HEADER] == str(ahead_s)


@responses.activate
def test_a_morning_of_another_day_is_not_measured_against_the_services_clock() -> None:
    responses.get(FREE, body=HARROW_FLATS_BODY, headers={"Date": http(MORNING_UTC + timedelta(days=2))})
    round_ = Round(MORNING_UTC + timedelta(days=2))
    assert ask(settings("open_meteo"), round_state=round_.round_state).clock_offset_s == pytest.approx(0.0)


@responses.activate
@pytest.mark.parametrize("headers", [{}, {"Date": "yesterday"}, {"Date": http(MORNING_UTC), "Age": "old"}])
def test_a_service_that_tells_no_time_is_not_compared(headers: dict[str, str]) -> None:
    responses.get(FREE, body=HARROW_FLATS_BODY, headers=headers)
    assert str(ask(settings("open_meteo")).clock_offset_s) == "nan"


# --- what is kept ---------------------------------------------------------------------------------------------


@responses.activate
def test_what_came_while_every_service_failed_is_on_the_error() -> None:
    responses.get(FREE, body=b'{"error":true,"reason":"overloaded"}')
    responses.get(MET, body=b"<html>busy</html>", status=200)
    responses.get(POINTS, body=PLACE)
    responses.get(GRID, status=500, json={"title": "Unexpected Problem"})
    with pytest.raises(NoForecastError) as fault:
        ask(settings("open_meteo"), settings("met_norway"), settings("nws"))
    kept = [(answer.service, answer.status) for answer in fault.value.rejected]
    assert kept == [("open_meteo", 200)] * 2 + [("met_norway", 200)] * 2 + [("nws", 500)] * 2
    assert [answer.service for answer in fault.value.places] == ["nws/place"]
    assert fault.value.passing


@responses.activate
def test_a_body_of_200_megabytes_is_let_go_after_the_first_twenty(monkeypatch: pytest.MonkeyPatch) -> None:
    read = 0

    def endless(_self: requests.Response, size: int) -> Any:
        nonlocal read
        for _ in range(200_000_000 // size):
            read += size
            yield b" " * size

    monkeypatch.setattr(requests.Response, "iter_content", endless)
    responses.get(FREE, body=b"{}")
    with pytest.raises(WeatherError, match="longer than 20 MB"):
        ask(settings("open_meteo"), round_state=(once := web.RoundState()))
    assert read <= web.MAX_BODY_BYTES + web.CHUNK_BYTES
    n_asked = len(responses.calls)
    with pytest.raises(WeatherError, match=r"not asked again yet: open_meteo: the answer of .* is longer than 20 MB"):
        ask(settings("open_meteo"), round_state=once)
    assert len(responses.calls) == n_asked, "the next site loads as much again"
