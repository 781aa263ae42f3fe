"""Model runs by grid: what is fetched and how it may fail, what a morning reads, and what it refuses."""

from __future__ import annotations

import json
import socket
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from functools import cache
from pathlib import Path
from typing import Any

import grib
import pytest
from bodies import HARROW_FLATS, HARROW_FLATS_BODY, MORNING_UTC
from sites import small_site

from gonogo.download import grid_fetch, grid_files, grid_http
from gonogo.download.forecasts import NoForecastError, forecast
from gonogo.download.grid_fetch import Order, Tally
from gonogo.download.grid_files import RunFolder
from gonogo.download.web import RoundState
from gonogo.errors import WeatherError
from gonogo.records.outside import Answer, ServiceSettings
from gonogo.weather.grid import sources
from gonogo.weather.grid.index import MessageWanted
from gonogo.weather.grid.messages import hash_of

FEW = 5  # members of an ensemble that is small enough for a test
STEPS_H = (0, 3, 6, 9, 12, 18, 24, 30, 36)
ALL_SOURCES = dict(sources.SOURCES)  # as they are, whatever tests make of them


@pytest.fixture(autouse=True)
def small_runs(monkeypatch: pytest.MonkeyPatch) -> None:
    """Runs of nine steps, GEFS with five members beside the control."""
    grib.eccodes()
    for name, n_members in (("ecmwf", 0), ("gefs", FEW)):
        small = replace(sources.SOURCES[name], n_members=n_members, steps_of=lambda hour, days: STEPS_H)
        monkeypatch.setitem(sources.SOURCES, name, small)


@cache
def files_of(name: str, hours_before: int = 0) -> dict[str, bytes]:
    """Return a whole run's files; the run of the morning's day, or one that began earlier."""
    return grib.whole_run(name, run_utc=grib.RUN_UTC - timedelta(hours=hours_before)).files


def order(root: str, folder: Path, name: str = "ecmwf", **more: Any) -> Order:
    limit_s, sleep = more.pop("limit_s", 60.0), more.pop("sleep", lambda seconds: None)
    client = grid_http.Client(until_s=time.monotonic() + limit_s, sleep=sleep)
    given = {"most_bytes": 10**9, "days": grib.DAYS} | more
    return Order(source=sources.SOURCES[name], folder=folder, root=root, client=client, **given)


@cache
def messages_of(name: str) -> dict[str, bytes]:
    """Return the messages of a run as a fetch keeps them, by their file's name."""
    with tempfile.TemporaryDirectory() as folder:
        run, _ = fetched(Path(folder), name)
        return {path.name: path.read_bytes() for path in run.path.glob("*.grib2")}


def brought(folder: Path, name: str = "ecmwf") -> RunFolder:
    """Return a run as a fetch leaves it."""
    run = RunFolder(folder=folder, source=sources.SOURCES[name], run_utc=grib.RUN_UTC, days=grib.DAYS)
    run.path.mkdir(parents=True)
    for file, content in messages_of(name).items():
        (run.path / file).write_bytes(content)
    return run


def fetched(folder: Path, name: str = "ecmwf", files: dict[str, bytes] | None = None) -> tuple[RunFolder, Tally]:
    """Return a run that is fetched whole from a server on loopback."""
    with grib.serving(files if files is not None else files_of(name)) as served:
        asked = order(served.root, folder, name)
        run = grid_fetch.newest_run(asked, MORNING_UTC)
        return run, grid_fetch.fetch(asked, run)


def settings(folder: Path, name: str = "ecmwf") -> ServiceSettings:
    return ServiceSettings(name="grid", source=name, folder=folder, days=grib.DAYS)


def asked_for(folder: Path, *, name: str = "ecmwf", now_utc: Any = MORNING_UTC, site: Any = HARROW_FLATS) -> Any:
    return forecast(site, (settings(folder, name),), now_utc=now_utc, round_state=RoundState(sleep=lambda s: None))


def refusal(folder: Path, **more: Any) -> str:
    with pytest.raises(NoForecastError) as caught:
        asked_for(folder, **more)
    return str(caught.value)


def test_only_the_wanted_bytes_come_and_each_message_is_kept_as_it_is(tmp_path: Path) -> None:
    files = files_of("ecmwf")
    with grib.serving(files) as served:
        asked = order(served.root, tmp_path)
        run = grid_fetch.newest_run(asked, MORNING_UTC)
        tally = grid_fetch.fetch(asked, run)
        spans = [span for path, span in served.asked if not path.endswith(".index")]
    assert run.run_utc == grib.RUN_UTC
    kept = sorted(run.path.glob("*.grib2"))
    assert len(kept) == tally.n_messages
    assert len(spans) == len(STEPS_H), "what lies side by side in a file comes by one question"
    assert all(span.startswith("bytes=") for span in spans)
    assert tally.n_bytes == sum(path.stat().st_size for path in kept)
    grib_bytes = sum(len(content) for path, content in files.items() if path.endswith(".grib2"))
    assert tally.n_bytes < grib_bytes  # a field that nobody wants lies in each file
    assert all(any(path.read_bytes() in content for content in files.values()) for path in kept[::9])
    assert not list(tmp_path.rglob(".part-*"))


def test_messages_are_joined_where_each_begins_where_the_last_ends_up_to_a_bound() -> None:
    def wanted(offset: int, n_bytes: int | None) -> MessageWanted:
        return MessageWanted(quantity="temp_degc", member=0, offset=offset, n_bytes=n_bytes)

    spans = ((0, 10), (10, 5), (16, 4), (20, 3_999_996), (4_000_016, 1), (5_000_000, None))
    given = [wanted(*span) for span in spans]
    assert grid_fetch._joined(given) == [given[:2], given[2:4], given[4:5], given[5:]]


def test_what_is_there_is_not_fetched_again_and_half_a_message_is(tmp_path: Path) -> None:
    run, _ = fetched(tmp_path)
    paths = sorted(run.path.glob("*.grib2"))
    whole = paths[3].read_bytes()
    paths[3].write_bytes(whole[:-7])
    paths[-1].unlink()
    again, tally = fetched(tmp_path)
    assert (tally.n_messages, again.path) == (2, run.path)
    assert paths[3].read_bytes() == whole


def test_the_bound_on_bytes_stops_a_call_and_the_next_goes_on(tmp_path: Path) -> None:
    with grib.serving(files_of("ecmwf")) as served:
        with pytest.raises(WeatherError, match=r"more than the 0 MB that are allowed. What came is kept.* --max-mb"):
            grid_fetch.fetch(
                order(served.root, tmp_path, most_bytes=4_000), order(served.root, tmp_path).run(grib.RUN_UTC)
            )
        first = len(list(tmp_path.rglob("*.grib2")))
        assert 0 < first * 150 <= 4_000
        tally = grid_fetch.fetch(order(served.root, tmp_path), order(served.root, tmp_path).run(grib.RUN_UTC))
    assert tally.n_messages + first == len(list(tmp_path.rglob("*.grib2")))


@pytest.mark.parametrize("name", ["ecmwf", "gefs"])
def test_an_older_run_is_taken_while_the_newest_is_still_written(tmp_path: Path, name: str) -> None:
    now_utc = MORNING_UTC + timedelta(hours=4)  # 14:00: the run of 6 UTC should be out
    run = brought(tmp_path, name)
    with grib.serving(files_of(name)) as served:
        assert grid_fetch.newest_run(order(served.root, tmp_path, name), now_utc).run_utc == run.run_utc
        with pytest.raises(WeatherError, match=r"none of the runs .* UTC is there as a whole"):
            grid_fetch.newest_run(order(served.root, tmp_path, name), now_utc + timedelta(days=2))


def failing(n_times: int, status: int, body: bytes = b"no") -> Callable[[str, int], tuple[int, bytes] | None]:
    """Return what answers the first questions for a field with a status."""
    n_failed = [0]

    def odd(path: str, n_before: int) -> tuple[int, bytes] | None:
        if path.endswith((".index", ".idx")) or n_failed[0] >= n_times:
            return None
        n_failed[0] += 1
        return status, body

    return odd


def test_a_server_that_fails_twice_is_asked_a_third_time_and_one_that_goes_on_failing_is_given_up(
    tmp_path: Path,
) -> None:
    waits: list[float] = []
    with grib.serving(files_of("ecmwf"), failing(2, 503)) as served:
        asked = order(served.root, tmp_path, sleep=waits.append)
        grid_fetch.fetch(asked, asked.run(grib.RUN_UTC))
    assert waits
    assert max(waits) <= grid_http.MOST_PAUSE_S
    with grib.serving(files_of("ecmwf"), failing(10**6, 503)) as served:
        asked = order(served.root, tmp_path / "other", sleep=waits.append)
        with pytest.raises(WeatherError, match=r"status = 503.* Given up after 3 tries") as fault:
            grid_fetch.fetch(asked, asked.run(grib.RUN_UTC))
        assert len(served.asked) <= 2 * grid_fetch.AT_ONCE * (grid_http.TRIES + 1)
    assert fault.value.passing


def test_a_host_that_nobody_answers_for_is_told_from_an_answer_that_broke_off(tmp_path: Path) -> None:
    with socket.socket() as taken:  # bound but not listening
        taken.bind(("127.0.0.1", 0))
        client = grid_http.Client(until_s=time.monotonic() + 60.0, sleep=lambda seconds: None)
        with pytest.raises(WeatherError, match=r"the host could not be reached .ConnectionError.. Given up after"):
            client.text(f"http://127.0.0.1:{taken.getsockname()[1]}/run.index")


def test_a_folder_without_messages_says_what_to_name(tmp_path: Path) -> None:
    wanted = order("http://127.0.0.1:9", tmp_path / "grid")
    with pytest.raises(WeatherError, match=r"no message of .* lies there. Name the folder in which the GRIB2 files"):
        grid_fetch.take_from(wanted, tmp_path, MORNING_UTC, None)


@pytest.mark.parametrize(
    ("status", "body", "said"),
    [
        (200, b"x" * 5000, "the server sends the whole file"),
        (206, b"GRIB" + b"\x00" * 20, "24 of .* bytes came. The message is cut"),
        (302, b"", "status = 302: 206 is right"),
        (404, b"", "it is not there, though its index is"),
    ],
)
def test_an_answer_that_is_not_the_span_is_refused(tmp_path: Path, status: int, body: bytes, said: str) -> None:
    with grib.serving(files_of("ecmwf"), failing(1, status, body)) as served:
        asked = order(served.root, tmp_path)
        with pytest.raises(WeatherError, match=said):
            grid_fetch.fetch(asked, asked.run(grib.RUN_UTC))


def test_one_total_time_ends_a_call_however_the_server_trickles(tmp_path: Path) -> None:
    def slow(path: str, n_before: int) -> None:
        time.sleep(0.4)

    with grib.serving(files_of("ecmwf"), slow) as served:  # type: ignore[arg-type]
        asked = order(served.root, tmp_path, limit_s=1.0)
        began = time.monotonic()
        with pytest.raises(WeatherError, match=r"time that is allowed is over|was not whole after"):
            grid_fetch.fetch(asked, asked.run(grib.RUN_UTC))
        assert time.monotonic() - began < 8.0


def test_a_message_of_another_run_is_not_kept(tmp_path: Path) -> None:
    """The index says the right run, the bytes are of the day before."""
    files = dict(files_of("ecmwf"))
    other = files_of("ecmwf", 24)
    for path in list(files):
        if path.endswith("-6h-oper-fc.grib2"):
            files[path] = other[path.replace("20260512", "20260511")]
    with pytest.raises(WeatherError, match=r"run = 2026-05-11 00:00 UTC: 2026-05-12 00:00 UTC is right"):
        fetched(tmp_path, files=files)
    assert not list(tmp_path.rglob("f006*"))


def test_what_was_read_is_the_site_s_answer_with_the_hash_of_each_message(tmp_path: Path) -> None:
    run = brought(tmp_path)
    assert grid_files.read_sites(run, [HARROW_FLATS]) == 1
    found = asked_for(tmp_path)
    assert found.answer.service == "grid"
    assert found.answer.fetched_utc == MORNING_UTC
    assert "run=2026051200" in found.answer.url
    told = json.loads(found.answer.body)
    rain = next(series for series in told["series"] if series["quantity"] == "precip_mm")
    message = run.message_path(rain["to_h"][4], 0, "precip_mm").read_bytes()
    assert rain["hashes"][4 * 16 : 5 * 16] == hash_of(message)
    table = found.parsed.table
    assert table["temp_degc"].dropna().tolist() == pytest.approx([15.0] * 37, abs=0.01)
    assert table["wind_2m_m_s"].iloc[0] == pytest.approx(5.0 * 0.748, abs=0.01)
    assert table["precip_mm"].dropna().tolist() == pytest.approx([0.2] * 36, abs=0.005)
    assert found.parsed.issued_utc == grib.RUN_UTC


def test_every_source_gives_the_same_weather_and_an_ensemble_its_members(tmp_path: Path) -> None:
    plain, ensemble = (asked_for(brought(tmp_path, name).folder, name=name).parsed for name in ("ecmwf", "gefs"))
    for column in ("temp_degc", "rh_pct", "wind_2m_m_s", "pressure_kpa", "shortwave_w_m2"):
        ours, theirs = plain.table[column].to_numpy(), ensemble.table[column].to_numpy()
        assert ours == pytest.approx(theirs, abs=2.0 if column == "shortwave_w_m2" else 0.02, nan_ok=True), column
    assert plain.rain_members_mm is None
    assert ensemble.rain_members_mm is not None
    assert ensemble.rain_members_mm[7] == pytest.approx([0.2 * (1 + m / 10) for m in range(FEW + 1)], abs=0.005)
    assert ensemble.table["precip_mm"].iloc[7] == pytest.approx(0.2 * 1.25, abs=0.005)
    assert ensemble.table["chance_span_h"].iloc[7] == 3.0


def test_a_site_that_nobody_read_is_read_at_its_first_morning_with_those_that_come_along(tmp_path: Path) -> None:
    brought(tmp_path)
    beside = small_site(id="beside", latitude_deg=42.2, longitude_deg=-94.1, elevation_m=1325.0)
    round_state = RoundState(sleep=lambda s: None)
    forecast(
        HARROW_FLATS,
        (settings(tmp_path),),
        now_utc=MORNING_UTC,
        together=(HARROW_FLATS, beside),
        round_state=round_state,
    )
    assert len(list(tmp_path.rglob("sites/*.json"))) == 2
    higher = asked_for(tmp_path, site=beside).parsed
    assert higher.table["temp_degc"].iloc[5] == pytest.approx(15.0 - 6.5, abs=0.02)
    assert [note.key for note in higher.notes if note.key.startswith("grid")] == ["grid_height"]


def test_a_reading_that_takes_too_long_is_stopped_in_words(tmp_path: Path) -> None:
    brought(tmp_path)
    ticks = iter(range(0, 10**6, 30))
    round_state = RoundState(sleep=lambda s: None, clock=lambda: float(next(ticks)))
    with pytest.raises(NoForecastError, match=r"was not read within 60 s. gonogo grid-fetch reads it") as caught:
        forecast(HARROW_FLATS, (settings(tmp_path),), now_utc=MORNING_UTC, round_state=round_state)
    assert caught.value.passing


def spoilt(run: RunFolder, step_h: int, member: int, name: str, content: bytes | None) -> None:
    path = run.message_path(step_h, member, name)
    if content is None:
        path.unlink()
    else:
        path.write_bytes(content)


def test_a_run_that_lacks_a_step_or_a_member_is_refused_in_words(tmp_path: Path) -> None:
    run = brought(tmp_path, "gefs")
    spoilt(run, 24, 3, "precip_mm", None)
    said = refusal(tmp_path, name="gefs")
    assert "is not whole: precip_mm at hour 24 of member 3 missing or cut. gonogo grid-fetch goes on with it" in said
    spoilt(run, 12, 0, "temp_degc", None)
    assert "temp_degc at hour 12, precip_mm at hour 24 of member 3 missing" in refusal(tmp_path, name="gefs")


def test_a_cut_message_is_refused_before_the_decoder_takes_it_at_its_head(tmp_path: Path) -> None:
    run = brought(tmp_path)
    path = run.message_path(9, 0, "temp_degc")
    spoilt(run, 9, 0, "temp_degc", path.read_bytes()[:-9])
    assert "temp_degc at hour 9 missing or cut" in refusal(tmp_path)


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"run_utc": grib.RUN_UTC - timedelta(days=1)}, "run = 2026-05-11 00:00 UTC: 2026-05-12 00:00 UTC is right"),
        ({"to_h": 12}, "step = 12 h: 9 h is right"),
        ({"member": 4}, "member = 4: 0 is right"),
        ({"centre": "kwbc"}, "centre = kwbc: ecmf is right"),
        ({"grid": replace(grib.GRID, first_lat_deg=44.0)}, "it differs from that of the run's other fields"),
    ],
)
def test_a_message_of_another_day_step_member_or_grid_is_refused(
    tmp_path: Path, changes: dict[str, Any], said: str
) -> None:
    run = brought(tmp_path)
    spoilt(run, 9, 0, "temp_degc", grib.message("temp_degc", 288.0, **({"to_h": 9} | changes)))
    assert said in refusal(tmp_path)


def test_a_stale_run_is_refused_and_an_older_whole_one_serves_while_the_newest_is_not_whole(tmp_path: Path) -> None:
    run = brought(tmp_path)
    assert "is stale: it began 34 h ago" in refusal(tmp_path, now_utc=MORNING_UTC + timedelta(days=1))
    later = tmp_path / "ecmwf" / "2026051206"  # still coming in
    later.mkdir()
    (later / "f000-m00-temp_degc.grib2").write_bytes(b"GRIB")
    found = asked_for(tmp_path, now_utc=MORNING_UTC + timedelta(hours=2))
    assert found.parsed.issued_utc == run.run_utc
    assert "no run of ECMWF IFS open data lies there" in refusal(tmp_path / "elsewhere")


@pytest.fixture
def short_at_6(monkeypatch: pytest.MonkeyPatch) -> None:
    """Runs of 6 and 18 UTC that reach a day, of 0 and 12 a day and a half, as ECMWF's do 6 days and 10."""
    steps = {hour: STEPS_H[: 9 if hour % 12 == 0 else 7] for hour in (0, 6, 12, 18)}
    longer = replace(sources.SOURCES["ecmwf"], steps_of=lambda hour, days: steps[hour])
    monkeypatch.setitem(sources.SOURCES, "ecmwf", longer)


@pytest.mark.usefixtures("short_at_6")
def test_a_run_that_reaches_less_far_than_is_asked_for_is_neither_fetched_nor_taken(tmp_path: Path) -> None:
    later = files_of("ecmwf", -6) | files_of("ecmwf")
    with grib.serving(later) as served:
        asked = order(served.root, tmp_path)
        run = grid_fetch.newest_run(asked, MORNING_UTC + timedelta(hours=4))
        assert run.run_utc == grib.RUN_UTC, "the run of 6 UTC is out too"
        with pytest.raises(WeatherError, match=r"06 UTC of ecmwf reaches 24 h and days = 2 asks for 36: runs of 00"):
            grid_fetch.fetch(asked, asked.run(grib.RUN_UTC + timedelta(hours=6)))
    grib.Run(source=sources.SOURCES["ecmwf"], run_utc=grib.RUN_UTC, files=later).write(tmp_path / "mirror")
    now_utc = MORNING_UTC + timedelta(hours=4)
    taken, _ = grid_fetch.take_from(order("", tmp_path / "own"), tmp_path / "mirror", now_utc, None)
    assert taken.run_utc == grib.RUN_UTC


@pytest.mark.usefixtures("short_at_6")
def test_where_a_run_reaches_less_far_than_is_asked_for_the_next_longer_one_or_the_next_service_is_asked(
    tmp_path: Path,
) -> None:
    short = tmp_path / "ecmwf" / "2026051206"
    short.mkdir(parents=True)
    said = refusal(tmp_path)
    assert "run 2026-05-12 06 UTC of ecmwf reaches 24 h and days = 2 asks for 36: runs of 00 and 12 UTC do." in said
    stored = Answer(
        service="open_meteo", url="https://x", fetched_utc=MORNING_UTC, status=200, headers={}, body=HARROW_FLATS_BODY
    )
    found = forecast(HARROW_FLATS, (settings(tmp_path),), now_utc=MORNING_UTC, stored=(stored,))
    assert found.parsed.service == "open_meteo"
    assert "reaches 24 h" in found.faults[0]
    run = brought(tmp_path)
    assert asked_for(tmp_path).parsed.issued_utc == run.run_utc


@pytest.mark.parametrize(("name", "hour", "days", "short"), [
    ("ecmwf", 6, 6, False), ("ecmwf", 6, 7, True), ("ecmwf_ensemble", 18, 10, True), ("ecmwf", 12, 10, False),
    ("gfs", 6, 10, False), ("gefs", 18, 10, False),
])  # fmt: skip
def test_only_ecmwf_s_runs_of_6_and_18_utc_reach_less_far(name: str, hour: int, days: int, short: bool) -> None:
    """144 h in place of 240: https://confluence.ecmwf.int/display/DAC, real-time forecasts from IFS."""
    assert bool(ALL_SOURCES[name].falls_short(grib.RUN_UTC.replace(hour=hour), days)) == short


def test_a_run_from_the_future_is_refused(tmp_path: Path) -> None:
    brought(tmp_path)
    assert "grid: time = " in refusal(tmp_path, now_utc=grib.RUN_UTC - timedelta(hours=3))


def test_the_next_service_is_asked_where_the_run_cannot_be_used(tmp_path: Path) -> None:
    stored = Answer(
        service="open_meteo", url="https://x", fetched_utc=MORNING_UTC, status=200, headers={}, body=HARROW_FLATS_BODY
    )
    found = forecast(HARROW_FLATS, (settings(tmp_path),), now_utc=MORNING_UTC, stored=(stored,))
    assert found.parsed.service == "open_meteo"
    assert "no run of ECMWF IFS open data lies there" in found.faults[0]


def test_outside_of_the_grid_nothing_is_read(tmp_path: Path) -> None:
    brought(tmp_path)
    assert "lies outside of its grid" in refusal(tmp_path, site=replace(HARROW_FLATS, latitude_deg=55.0))


def test_files_that_somebody_else_brought_are_taken_over(tmp_path: Path) -> None:
    grib.Run(source=sources.SOURCES["ecmwf"], run_utc=grib.RUN_UTC, files=files_of("ecmwf")).write(tmp_path / "mirror")
    asked = order("", tmp_path / "grid")
    run, tally = grid_fetch.take_from(asked, tmp_path / "mirror", MORNING_UTC, None)
    assert run.run_utc == grib.RUN_UTC
    grid_files.read_sites(run, [HARROW_FLATS])
    other = brought(tmp_path / "other")
    assert tally.n_messages == len(list(other.path.glob("*.grib2")))
    assert asked_for(tmp_path / "grid").answer.body == asked_for(tmp_path / "other").answer.body
    assert grid_fetch.take_from(asked, tmp_path / "mirror", MORNING_UTC, None)[1].n_before == tally.n_messages
    with pytest.raises(WeatherError, match=r"it began 34 h ago. At most 26 h are right. Nothing was taken"):
        grid_fetch.take_from(asked, tmp_path / "mirror", MORNING_UTC + timedelta(days=1), None)
    cut = next((tmp_path / "mirror").rglob("*-6h-*.grib2"))
    cut.write_bytes(cut.read_bytes()[:-30])
    with pytest.raises(WeatherError, match=r"-6h-oper-fc.grib2, byte \d+: the message is cut"):
        grid_fetch.take_from(asked, tmp_path / "mirror", MORNING_UTC, None)
    with pytest.raises(WeatherError, match="this is no folder"):
        grid_fetch.take_from(asked, tmp_path / "nowhere", MORNING_UTC, None)


def test_old_runs_go_once_newer_ones_were_read(tmp_path: Path) -> None:
    source = sources.SOURCES["ecmwf"]
    for name in ("2026051112", "2026051118", "2026051200", "2026051206"):
        (tmp_path / "ecmwf" / name).mkdir(parents=True)
        if name != "2026051206":  # still coming in
            (tmp_path / "ecmwf" / name / "sites").mkdir()
    (tmp_path / "ecmwf" / "notes").mkdir()
    assert grid_files.thin(tmp_path, source, 2) == 1
    assert sorted(path.name for path in (tmp_path / "ecmwf").iterdir()) == [
        "2026051118",
        "2026051200",
        "2026051206",
        "notes",
    ]
