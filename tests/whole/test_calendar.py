"""The calendar over several mornings: what was published yesterday moves, stays or is cancelled today."""

from __future__ import annotations

import email.policy
from collections.abc import Iterator
from datetime import datetime, timedelta
from email import message_from_bytes
from functools import partial
from typing import Any

import pytest
import sqlalchemy as sa
import vobject
from example_mornings import example_config, example_frame, html_of, no_weather, opened, plain_of, recorded, run_example

from gonogo.cli import demo
from gonogo.config import Config
from gonogo.morning.run import MorningResult
from gonogo.outgoing import mails
from gonogo.store import runs, schema
from gonogo.store.queued import Envelope
from gonogo.wording import language

ONE_DAY = timedelta(days=1)


@pytest.fixture(scope="module")
def loaded(tmp_path_factory: pytest.TempPathFactory) -> Config:
    return example_config(tmp_path_factory.mktemp("calendar"))


@pytest.fixture(scope="module")
def store(loaded: Config) -> Iterator[sa.Engine]:
    engine = opened(loaded)
    yield engine
    engine.dispose()


@pytest.fixture(scope="module")
def first(loaded: Config, store: sa.Engine) -> MorningResult:
    """The example morning, stored; the mornings after it follow in the tests, in their order."""
    return run_on(loaded, store, 0)


def run_on(loaded: Config, store: sa.Engine, days: int, **changes: Any) -> MorningResult:
    ahead = days * ONE_DAY
    arguments: dict[str, Any] = {
        "day": demo.DAY + ahead,
        "now_utc": demo.MORNING_UTC + ahead,
        "deadline_utc": datetime.fromisoformat("2026-05-12T14:00:00+00:00") + ahead,
        "fetch": partial(recorded, fetched_utc=demo.FORECAST_AT_UTC + ahead),
    }
    result = run_example(loaded, store, **(arguments | changes))
    assert result is not None
    return result


def attached(mail: Envelope) -> dict[str, tuple[int, datetime, str]]:
    """Every entry that a mail brings, read back: UID -> (sequence, start, status)."""
    found = {}
    for part in message_from_bytes(mail.raw, policy=email.policy.default).iter_attachments():  # type: ignore[attr-defined]
        content = part.get_content()
        calendar = vobject.readOne(content if isinstance(content, str) else content.decode())
        for event in calendar.vevent_list:
            assert (event.status.value == "CANCELLED") == (calendar.method.value == "CANCEL")
            found[event.uid.value] = (int(event.sequence.value), event.dtstart.value, event.status.value)
    return found


def of(result: MorningResult, crew: str, role: str) -> Envelope:
    return next(m for m in result.mails if m.crew_id == crew and m.role == role)


def test_yesterday_s_entries_stay_move_or_are_cancelled(loaded: Config, store: sa.Engine, first: MorningResult) -> None:
    second = run_on(loaded, store, 1)
    before, after = attached(of(first, "north", "superintendent")), attached(of(second, "north", "superintendent"))
    assert before
    assert {status for _, _, status in before.values()} == {"TENTATIVE"}
    assert all(uid.startswith("harrow-flats/N") for uid in before)
    now_utc = demo.MORNING_UTC + ONE_DAY
    still_to_come = {uid: row for uid, row in before.items() if row[1] > now_utc + ONE_DAY}
    assert still_to_come
    kinds = set()
    for uid, (sequence, start, _) in still_to_come.items():
        assert uid in after, "what is in a calendar and still to come is told again or cancelled"
        new_sequence, new_start, status = after[uid]
        is_same = status == "TENTATIVE" and new_start == start
        assert new_sequence >= sequence
        assert (new_sequence > sequence) or is_same
        kinds.add("same" if is_same else status)
    assert kinds


def test_the_planner_gets_the_entries_of_all_crews_and_the_driver_today_s_watering(first: MorningResult) -> None:
    crews = [attached(of(first, crew, "superintendent")) for crew in ("north", "south")]
    assert attached(of(first, "north", "planner")) == crews[0] | crews[1]
    driver = attached(of(first, "south", "driver"))
    assert driver
    assert all(uid.rpartition("@")[0].endswith("/watering") for uid in driver)
    assert {start.date() for _, start, _ in driver.values()} == {demo.DAY}
    assert driver.items() <= crews[1].items()


def test_a_morning_without_forecast_cancels_what_was_planned_for_it(
    loaded: Config, store: sa.Engine, first: MorningResult
) -> None:
    with schema.read(store) as connection:
        order = runs.work_orders(connection, "harrow-flats", since_day=demo.DAY, until_day=demo.DAY + 30 * ONE_DAY)[-1][
            1
        ]
    planned = [w for w in order.works if w.strip_id and w.crew_id == "north"]
    later = next(w for w in planned if w.start_utc > demo.MORNING_UTC + 2 * ONE_DAY)
    days = (later.start_utc.date() - demo.DAY).days
    blind = run_on(loaded, store, days, fetch=no_weather)
    found = attached(of(blind, "north", "planner"))
    # With a number behind it where its hours passed once before.
    work = f"harrow-flats/{later.strip_id}/{later.lift}/{later.work}"
    own = [row for uid, row in found.items() if uid.partition("@")[0] in {work, f"{work}/1"}]
    assert [row[2] for row in own] == ["CANCELLED"]
    assert {row[2] for u, row in found.items() if row[1].date() > later.start_utc.date()} <= {"TENTATIVE"}


@pytest.mark.parametrize(
    "place",
    [
        "gonogo.mail.picture.pngs",
        "gonogo.mail.path.moisture_paths",
        "gonogo.outgoing.mails.entries_now",
        "gonogo.mail.calendar.files",
        "gonogo.mail.view.paths_view",
    ],
)
def test_a_calendar_or_a_picture_that_fails_costs_no_verdict(
    loaded: Config, store: sa.Engine, first: MorningResult, monkeypatch: pytest.MonkeyPatch, place: str
) -> None:
    def broken(*_: object, **__: object) -> None:
        raise RuntimeError("no such luck today")

    monkeypatch.setattr(place, broken)
    prepared, faults = mails.mails(example_frame(loaded, store), first.conclusion, before={})
    assert len(prepared) == 5
    assert any("no such luck today" in fault for fault in faults)
    for mail in prepared:
        assert language.load(mail.language).sentences["notice.decide"] not in plain_of(mail)
        assert html_of(mail)
        is_for_calendar = "entries" in place or "files" in place
        assert ("cid:" in html_of(mail)) <= ("entries" in place)
        assert attached(mail) == {} or not is_for_calendar
