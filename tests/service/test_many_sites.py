"""What is written at each check of the watch stays short where there are many sites."""

from __future__ import annotations

import json
import threading
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest
from example_mornings import example_config, opened, recorded
from fleet_config import many_sites

from gonogo.cli import demo
from gonogo.errors import StoreBusyError
from gonogo.service import health, last_good
from gonogo.service.health import States
from gonogo.service.last_good import LastGoodWriter
from gonogo.service.service import Service
from gonogo.service.weekly_score import WeeklyScore
from gonogo.service.workers import Workers
from gonogo.store import runs

NOW_UTC = demo.MORNING_UTC


def test_of_many_sites_some_are_looked_at_each_time_and_all_in_turn(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    loaded = many_sites(example_config(tmp_path), 6)
    store, states, looked = opened(loaded), States(), list[str]()
    whole = health.site_state
    monkeypatch.setattr(health, "site_state", lambda *of: looked.append(of[2].id) or whole(*of))
    monkeypatch.setattr(health, "LOOKED_FOR_S", 0.0)  # one site a time
    for n in range(6):
        states.look(store, loaded, set(), now_utc=NOW_UTC + n * timedelta(seconds=20))
        assert health.snapshot(states, now_utc=NOW_UTC, config_faults=())["n_not_looked_at"] == 5 - n
    assert sorted(looked) == [site.id for site in loaded.sites]
    state = health.snapshot(states, now_utc=NOW_UTC + timedelta(minutes=3), config_faults=())
    assert state["looked_utc"] == NOW_UTC.isoformat()
    assert set(state["sites"]) == set(looked)

    ended = {"site-4"}
    states.look(store, loaded, ended, now_utc=NOW_UTC + timedelta(minutes=4))
    assert (looked[-1], ended) == ("site-4", set()), "whose run has ended goes first"
    states.look(store, replace(loaded, sites=loaded.sites[:2]), set(), now_utc=NOW_UTC + timedelta(minutes=5))
    assert set(health.snapshot(states, now_utc=NOW_UTC, config_faults=())["sites"]) == {"site-0", "site-1"}
    store.dispose()


def test_few_sites_are_all_looked_at(tmp_path: Path) -> None:
    loaded = many_sites(example_config(tmp_path), 3)
    store, states = opened(loaded), States()
    states.look(store, loaded, set(), now_utc=NOW_UTC)
    assert len(health.snapshot(states, now_utc=NOW_UTC, config_faults=())["sites"]) == 3
    store.dispose()


def test_the_config_of_many_sites_is_not_written_again_with_every_morning(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "config").mkdir()
    loaded = replace(many_sites(example_config(tmp_path), 4), folder=tmp_path / "config")
    written, whole = list[str](), last_good._write
    monkeypatch.setattr(last_good, "_write", lambda path, raw: written.append(path.name) or whole(path, raw))
    writer, mornings = LastGoodWriter(), dict[str, date]()
    for site in loaded.sites:
        writer.keep(loaded, mornings)
        mornings[site.id] = demo.DAY
    writer.keep(loaded, mornings)
    assert [name for name in written if len(name) < 32] == [last_good.HEAD] + [last_good.MORNINGS_FILE] * 5
    by_day = json.loads(last_good.place(loaded).with_name(last_good.MORNINGS_FILE).read_text())
    assert by_day == {demo.DAY.isoformat(): [site.id for site in loaded.sites]}
    (loaded.folder / "gonogo.toml").write_text(f'[store]\nurl = "{loaded.store_url}"\n')
    found = last_good.find(loaded.folder)
    assert found is not None
    assert found.mornings == mornings


def test_a_score_that_meets_a_lock_is_put_later_and_holds_up_no_other_mail(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    loaded = many_sites(example_config(tmp_path), 3)
    score, tried = WeeklyScore(opened(loaded)), list[str]()
    monkeypatch.setattr("gonogo.book.weekly.is_due", lambda *_: demo.DAY)

    def locked(_config: Any, site: Any, *_: Any) -> int:
        tried.append(site.id)
        raise StoreBusyError("database is locked")

    monkeypatch.setattr(score, "_put", locked)
    score.put_due(loaded, NOW_UTC)
    assert tried == ["site-0"], "every other site would wait for the same lock"
    monkeypatch.setattr(score, "_put", lambda _config, site, *_: tried.append(site.id) or 1)
    score.put_due(loaded, NOW_UTC)
    assert tried == ["site-0", "site-0", "site-1", "site-2"]


def test_a_morning_that_is_made_and_mailed_is_not_looked_at_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    loaded = many_sites(example_config(tmp_path), 2)
    running = Service(loaded, halt=threading.Event(), fetch=recorded, environ={})
    looked, whole = list[str](), runs.last_run
    monkeypatch.setattr(
        "gonogo.service.watch.runs.last_run", lambda *of, **more: looked.append(of[1]) or whole(*of, **more)
    )
    first, second = running.sites()
    try:
        running.run_morning(first, demo.DAY, NOW_UTC)
        looked.clear()
        for n in range(3):
            running.watch(NOW_UTC + n * timedelta(seconds=20), Workers(1))
        assert looked.count(first.id) == 1
        assert looked.count(second.id) == 3
        running.stepped(-60.0)
        running.watch(NOW_UTC, Workers(1))
        assert looked.count(first.id) == 2, "a clock that was set may have voided it"
    finally:
        running.end()
