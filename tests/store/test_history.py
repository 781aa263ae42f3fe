"""Answers and entries on both databases: kept as they came, corrected by addition, never with a key."""

from __future__ import annotations

import math
import threading
from dataclasses import replace
from datetime import timedelta
from typing import Any

import pytest
import sqlalchemy as sa
from hypothesis import given
from hypothesis import strategies as st
from messages import MORNING

from gonogo.errors import StoreError
from gonogo.records.field import Entry, GaugeRain, GroundSeen, LiftResult, Reading, Spread, SurfaceWork, Watering
from gonogo.records.outside import Answer
from gonogo.store import answers as stored_answers
from gonogo.store import history, schema
from gonogo.store.history import Arrival

HOUR = timedelta(hours=1)
READING = Reading(strip_id="N1", at_utc=MORNING, w_pct=11.2, method="oven", dry_density_kg_m3=1612.5)
RAIN = GaugeRain(from_utc=MORNING - 12 * HOUR, until_utc=MORNING - HOUR, rain_mm=4.2)
WATERING = Watering(strip_id="N2", at_utc=MORNING + HOUR, litres=9000.0)
ROLLED = SurfaceWork(strip_id="N2", at_utc=MORNING + 2 * HOUR, work="rolled", passes=6)
ANSWER = Answer(
    service="open_meteo",
    url="https://user:pw@weather.example.com/v1/forecast?latitude=42.0&apikey=s3cret&hourly=rain,wind",
    fetched_utc=MORNING,
    status=200,
    headers={"ETag": "abc", "Set-Cookie": "session=s3cret", "X-API-Key": "s3cret"},
    body=b'{"hourly": {}}' * 100 + b"\x00\xff",
)


def add(store: sa.Engine, entry: Entry, site_id: str = "north-fill", **changes: Any) -> int:
    with schema.begin(store) as connection:
        fields = {"entered_utc": MORNING, "entered_by": "command line"} | changes
        corrects_id = fields.pop("corrects_id", None)
        return history.add_entry(connection, site_id, entry, Arrival(**fields), corrects_id=corrects_id)


def in_force(store: sa.Engine, **changes: Any) -> tuple[Entry, ...]:
    with schema.read(store) as connection:
        return history.entries(connection, "north-fill", **changes)


def save(store: sa.Engine, **changes: Any) -> int:
    fields = {name: getattr(ANSWER, name) for name in Answer.__slots__} | changes
    with schema.begin(store) as connection:
        return stored_answers.save_answer(connection, "north-fill", Answer(**fields))


# --- answers -------------------------------------------------------------------------------------------------


def test_an_answer_comes_back_to_the_byte(store: sa.Engine) -> None:
    answer_id = save(store)
    with schema.read(store) as connection:
        kept = stored_answers.stored_answer(connection, answer_id)
    assert kept.answer.body == ANSWER.body
    assert (kept.site_id, kept.answer.service, kept.answer.status) == ("north-fill", "open_meteo", 200)
    assert kept.answer.fetched_utc == MORNING


def test_no_key_session_or_password_reaches_the_database(store: sa.Engine) -> None:
    answer_id = save(store)
    with schema.read(store) as connection:
        row = connection.execute(sa.select(schema.answer)).one()
        kept = stored_answers.stored_answer(connection, answer_id)
    assert "s3cret" not in repr(row)
    assert "pw@" not in repr(row)
    assert kept.answer.url == "https://weather.example.com/v1/forecast?latitude=42.0&hourly=rain,wind"
    assert kept.answer.headers == {"etag": "abc"}


def test_the_latest_answer_is_the_newest_that_was_of_use(store: sa.Engine) -> None:
    good = save(store)
    save(store, fetched_utc=MORNING + HOUR, status=503)
    rejected = save(store, fetched_utc=MORNING + 2 * HOUR)
    other = save(store, fetched_utc=MORNING - HOUR, service="met_norway")
    with schema.begin(store) as connection:
        stored_answers.reject_answer(connection, rejected, "truncated\x00 body")
    with schema.read(store) as connection:
        latest = stored_answers.latest_answer(connection, "north-fill")
        of_service = stored_answers.latest_answer(connection, "north-fill", service="met_norway")
        assert latest is not None
        assert of_service is not None
        assert (latest.id, of_service.id) == (good, other)
        assert stored_answers.latest_answer(connection, "south-dam") is None
        assert stored_answers.stored_answer(connection, rejected).rejected == "truncated body"


def test_an_answer_of_later_does_not_count_for_a_morning_of_before(store: sa.Engine) -> None:
    earlier = save(store)
    save(store, fetched_utc=MORNING + HOUR)
    with schema.read(store) as connection:
        then = stored_answers.latest_answer(connection, "north-fill", until_utc=MORNING)
        assert then is not None
        assert then.id == earlier
        assert stored_answers.latest_answer(connection, "north-fill", until_utc=MORNING - HOUR) is None


def test_a_damaged_answer_is_refused(store: sa.Engine) -> None:
    damaged, swapped = save(store), save(store, body=b"other")
    with schema.begin(store) as connection:
        ids = schema.answer.c.id
        connection.execute(sa.update(schema.answer).where(ids == damaged).values(body_gzip=b"\x1f\x8b\x08broken"))
        connection.execute(sa.update(schema.answer).where(ids == swapped).values(body_sha256="0"))
    with schema.read(store) as connection:
        for answer_id in (damaged, swapped):
            with pytest.raises(StoreError, match="damaged"):
                stored_answers.stored_answer(connection, answer_id)
        with pytest.raises(StoreError, match="no answer 99"):
            stored_answers.stored_answer(connection, 99)


@given(key=st.text(st.characters(codec="ascii", categories=["L", "N"]), min_size=8, max_size=20))
def test_a_key_is_cut_from_any_url_whatever_its_letters(key: str) -> None:
    for name in ("apikey", "API_KEY", "appid", "token"):
        url = stored_answers.url_without_key(f"https://api.example.com/v1?q=1&{name}={key}#{key}")
        assert url == "https://api.example.com/v1?q=1"


# --- entries -------------------------------------------------------------------------------------------------


def test_entries_come_back_as_they_were_by_their_own_time(store: sa.Engine) -> None:
    for entry in (ROLLED, WATERING, RAIN, READING):
        add(store, entry)
    add(store, READING, site_id="south-dam")
    assert in_force(store) == (RAIN, READING, WATERING, ROLLED)
    assert in_force(store, since_utc=MORNING) == (READING, WATERING, ROLLED)


def test_a_correction_takes_the_place_and_both_stay_on_record(store: sa.Engine) -> None:
    wrong = add(store, READING)
    right = Reading(strip_id="N1", at_utc=MORNING, w_pct=12.1, method="oven")
    new = add(store, right, corrects_id=wrong, note="misread")
    assert in_force(store) == (right,)
    with schema.read(store) as connection:
        newer, older = history.entry_log(connection, "north-fill")
    assert (older.entry, older.corrected_by_id) == (READING, new)
    assert (newer.entry, newer.corrects_id, newer.note, newer.corrected_by_id) == (right, wrong, "misread", None)


def test_an_entry_can_be_withdrawn_and_stays_on_record(store: sa.Engine) -> None:
    wrong = add(store, WATERING)
    with schema.begin(store) as connection:
        line = history.withdraw_entry(connection, "north-fill", wrong, Arrival(entered_utc=MORNING, entered_by="reply"))
    assert in_force(store) == ()
    with schema.read(store) as connection:
        withdrawal, original = history.entry_log(connection, "north-fill")
    assert (withdrawal.id, withdrawal.entry, original.entry) == (line, None, WATERING)


def test_only_the_line_in_force_can_be_corrected(store: sa.Engine) -> None:
    first = add(store, READING)
    second = add(store, READING, corrects_id=first)
    with pytest.raises(StoreError, match=f"corrected already, by entry {second}"):
        add(store, READING, corrects_id=first)
    with pytest.raises(StoreError, match="does not exist"):
        add(store, READING, corrects_id=second, site_id="south-dam")
    with schema.begin(store) as connection:
        gone = history.withdraw_entry(
            connection, "north-fill", second, Arrival(entered_utc=MORNING, entered_by="reply")
        )
    with pytest.raises(StoreError, match="only withdraws another"):
        add(store, READING, corrects_id=gone)
    assert in_force(store) == ()


@pytest.mark.parametrize("other", [WATERING, replace(READING, strip_id="N9")], ids=["kind", "strip"])
def test_an_entry_is_replaced_by_its_own_kind_and_strip_alone(store: sa.Engine, other: Entry) -> None:
    first = add(store, READING)
    with pytest.raises(StoreError, match=f"Entry {first} is a reading of {READING.strip_id}"):
        add(store, other, corrects_id=first)
    assert in_force(store) == (READING,)


def test_of_two_corrections_at_once_one_is_refused(store: sa.Engine) -> None:
    wrong = add(store, READING)
    outcomes: list[str] = []
    gate = threading.Barrier(4)

    def correct() -> None:
        gate.wait()
        try:
            add(store, READING, corrects_id=wrong)
            outcomes.append("stored")
        except StoreError:
            outcomes.append("refused")

    threads = [threading.Thread(target=correct) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(outcomes) == ["refused"] * 3 + ["stored"]
    assert len(in_force(store)) == 1


def test_what_arrives_twice_is_stored_once_even_a_correction(store: sa.Engine) -> None:
    first = add(store, READING, source_key="readings.csv:2")
    assert add(store, READING, source_key="readings.csv:2") == first
    fix = add(store, READING, source_key="<reply@example.com>:1", corrects_id=first)
    assert add(store, READING, source_key="<reply@example.com>:1", corrects_id=first) == fix
    assert add(store, READING, source_key="readings.csv:2", site_id="south-dam") not in (first, fix)
    assert len(in_force(store)) == 1


@pytest.mark.parametrize(
    ("entry", "says"),
    [
        (Reading(strip_id="N1", at_utc=MORNING, w_pct=math.nan, method="oven"), "w_pct = nan"),
        (Reading(strip_id="N1", at_utc=MORNING, w_pct=-0.1, method="oven"), r"w_pct = -0\.1"),
        (Watering(strip_id="N1", at_utc=MORNING, litres=math.inf), "litres = inf"),
        (Watering(strip_id="N1", at_utc=MORNING.replace(tzinfo=None), litres=1.0), "needs its time zone"),
        (GaugeRain(from_utc=MORNING, until_utc=MORNING, rain_mm=1.0), "ends after it begins"),
    ],
)
def test_what_is_no_measurement_is_refused(sqlite_store: sa.Engine, entry: Entry, says: str) -> None:
    with pytest.raises(StoreError, match=says):
        add(sqlite_store, entry)
    assert in_force(sqlite_store) == ()


def test_a_measurement_of_nothing_is_accepted(sqlite_store: sa.Engine) -> None:
    dry = GaugeRain(from_utc=MORNING - HOUR, until_utc=MORNING, rain_mm=0.0)
    add(sqlite_store, dry)
    assert in_force(sqlite_store) == (dry,)


def test_a_stored_record_that_cannot_be_read_is_named(store: sa.Engine) -> None:
    add(store, READING)
    with schema.begin(store) as connection:
        connection.execute(sa.update(schema.entry).values(record='{"strip_id": "N1"}'))
    with pytest.raises(StoreError, match="stored Reading cannot be read: at_utc"):
        in_force(store)


@pytest.mark.parametrize(
    "entry",
    [
        SurfaceWork(
            strip_id="N2",
            at_utc=MORNING,
            work="spread",
            spread=Spread(thickness_m=0.2, area_share=0.5, w_pct=15.25, method="oven", loads=24.0, load_m3=12.5),
        ),
        SurfaceWork(strip_id="N2", at_utc=MORNING, work="mixed"),
        LiftResult(strip_id="N2", at_utc=MORNING, result="rework"),
        GroundSeen(strip_id="N2", at_utc=MORNING, state="pond", lying_mm=40.0),
        GroundSeen(strip_id="N2", at_utc=MORNING, state="firm"),
    ],
    ids=["a spread lift", "a binder", "a result", "a pond", "a firm crust"],
)
def test_what_is_known_of_a_lift_comes_back(store: sa.Engine, entry: Entry) -> None:
    add(store, entry)
    assert in_force(store) == (entry,)


def test_a_lift_of_no_measured_thickness_is_refused(store: sa.Engine) -> None:
    spread = Spread(thickness_m=math.nan)
    with pytest.raises(StoreError, match="thickness_m"):
        add(store, SurfaceWork(strip_id="N2", at_utc=MORNING, work="spread", spread=spread))
    assert in_force(store) == ()
