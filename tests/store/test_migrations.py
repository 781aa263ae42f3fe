"""A filled database of the first version comes forward with everything that it holds, and its morning goes on."""

from __future__ import annotations

import gzip
import hashlib
from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from typing import Any

import pytest
import sqlalchemy as sa
from alembic import command
from messages import MORNING, envelope

from gonogo.morning import recheck
from gonogo.outgoing import mails
from gonogo.records.field import Reading
from gonogo.records.verdict import Decision, Verdict, WaterPlan
from gonogo.store import answers as stored_answers
from gonogo.store import claims, history, outbox, outcomes, runs, schema
from gonogo.store.encoding import encoded
from gonogo.store.history import Arrival
from gonogo.store.migrating import migrations
from gonogo.store.upgrade import upgrade, version

BODY = b'{"hourly": {}}'
READING = Reading(strip_id="N1", at_utc=MORNING - timedelta(hours=9), w_pct=14.25, method="oven")
DECISION = Decision(
    strip_id="N1",
    verdict=Verdict.WAIT,
    rule_id="no_forecast",
    reason="no_forecast",
    from_utc=None,
    until_utc=None,
    next_utc=None,
    facts={},
    seen=(),
    advice=(),
    test=("test_before_rolling",),
    water=None,
    w_now_pct=14.0,
    w_p10_pct=13.0,
    w_p90_pct=15.0,
    w_top_pct=14.0,
    w_base_pct=14.0,
    reading_age_h=9.0,
    rolling_time_h=2.0,
)
WATERED = replace(
    DECISION,
    strip_id="N2",
    water=WaterPlan(
        strip_id="N2",
        litres=8123.4,
        litres_m2=4.06,
        w_now_pct=9.0,
        w_target_pct=11.0,
        evaporation_allowance_mm=0.3,
        rain_credit_mm=0.0,
        passes=2,
        litres_m2_per_pass=2.03,
        speed_km_h=4.5,
        loads=1,
        load_ends_m=(100.0,),
        start_utc=MORNING,
        finish_utc=MORNING + timedelta(hours=1),
        truck_id="truck-1",
        warnings=("retest_after_watering",),
    ),
)
RAW = envelope(1).raw

# What the first version wrote, in its own columns and words: its runs had an issue, and its water plans flags.
ROWS: dict[str, list[dict[str, Any]]] = {
    "answer": [{"id": 1, "site_id": "north-fill", "service": "open_meteo", "url": "https://weather.example.com",
        "fetched_utc": MORNING, "status": 200, "headers": "{}", "body_gzip": gzip.compress(BODY, mtime=0),
        "body_bytes": len(BODY), "body_sha256": hashlib.sha256(BODY).hexdigest(), "rejected": None}],
    "entry": [{"id": 1, "site_id": "north-fill", "kind": "reading", "strip_id": "N1", "at_utc": READING.at_utc,
        "record": encoded(READING), "entered_utc": MORNING, "entered_by": "csv", "note": "", "source_key": "a:1",
        "corrects_id": None}],
    "config_copy": [{"sha256": "00", "text": '{"site": {"id": "north-fill"}}', "first_seen_utc": MORNING}],
    "run": [{"id": 1, "site_id": "north-fill", "day": date(2026, 6, 1), "issue": "morning", "state": "finished",
        "owner": "host:1:a", "attempt": 1, "claimed_utc": MORNING, "lease_until_utc": MORNING,
        "finished_utc": MORNING, "answer_id": 1, "config_sha256": "00", "seed": "7", "program_version": "2026.1",
        "faults": '["one gap was filled"]', "error": ""} | run for run in (
            {"id": 1}, {"id": 2, "issue": "look-0900", "faults": "[]", "finished_utc": MORNING + timedelta(hours=3)})],
    "verdict": [{"run_id": run, "strip_id": made.strip_id, "position": 0, "verdict": "wait", "rule_id": "no_forecast",
        "reason": "no_forecast", "record": encoded(made).replace('"warnings"', '"flags"')}
        for run, made in ((1, DECISION), (2, WATERED))],
    "message": [
        {"id": n, "message_id": envelope(n).message_id, "run_id": 1, "site_id": "north-fill", "crew_id": "crew-a",
            "kind": "later_look" if n == 2 else "morning", "role": "superintendent", "name": "Ana Boss",
            "address": envelope(n).address,
            "language": "en", "subject": "N1 wait", "put_utc": MORNING, "deadline_utc": MORNING + timedelta(hours=3),
            "state": state, "next_try_utc": MORNING, "n_tries": n, "n_crashes": 0, "lease_owner": None,
            "lease_until_utc": None, "settled_utc": MORNING if state == "sent" else None, "last_error": ""}
        for n, state in ((1, "sent"), (2, "waiting"))
    ],
    "message_raw": [{"message": 1, "raw": RAW}, {"message": 2, "raw": envelope(2).raw}],
}  # fmt: skip


@pytest.fixture
def first_version(store_url: str, open_store: Any) -> sa.Engine:
    """A database as the first version left it."""
    made: sa.Engine = open_store(store_url)
    is_sqlite = made.dialect.name == "sqlite"
    with schema.begin(made) as connection:
        config = migrations()
        config.attributes["connection"] = connection
        command.upgrade(config, "0001")
        tables = sa.MetaData()
        tables.reflect(connection)
        for name, rows in ROWS.items():
            for row in rows:
                kept = {
                    k: v.astimezone(UTC).replace(tzinfo=None) if is_sqlite and isinstance(v, datetime) else v
                    for k, v in row.items()
                }
                connection.execute(sa.insert(tables.tables[name]).values(**kept))
            if not is_sqlite and "id" in rows[0]:  # numbers were given out by the database then
                last = f"select setval(pg_get_serial_sequence('{name}', 'id'), {len(rows)})"
                connection.execute(sa.text(last))
    return made


def test_everything_that_the_first_version_stored_is_there_after_the_upgrade(first_version: sa.Engine) -> None:
    assert version(first_version) == "0001"
    upgrade(first_version)
    assert version(first_version) != "0001"
    with schema.read(first_version) as connection:
        assert stored_answers.stored_answer(connection, 1).answer.body == BODY
        assert history.entries(connection, "north-fill") == (READING,)
        run = runs.last_run(connection, "north-fill", edition="morning")
        assert run is not None
        assert (run.day, run.seed, run.faults) == (date(2026, 6, 1), 7, ("one gap was filled",))
        assert runs.decisions(connection, run.id) == (DECISION,)
        again = runs.last_run(connection, "north-fill")
        assert again is not None
        assert again.edition == recheck.edition(time(9, 0))
        assert runs.decisions(connection, again.id) == (WATERED,)
        assert "north-fill" in runs.config_text(connection, run.id)
        assert outcomes.raw_of(connection, envelope(1).message_id) == RAW
        states = {mail.message_id: (mail.state, mail.n_tries) for mail in outcomes.outcomes(connection)}
        kinds = [mail.kind for mail in outcomes.outcomes(connection)]
    assert states == {envelope(1).message_id: ("sent", 1), envelope(2).message_id: ("waiting", 2)}
    assert sorted(kinds) == ["morning", mails.RECHECK_KIND]


def test_the_morning_goes_on_where_the_first_version_left_it(first_version: sa.Engine) -> None:
    upgrade(first_version)
    args = {"now_utc": MORNING, "owner": "a"}
    assert (
        claims.claim_run(first_version, "north-fill", date(2026, 6, 1), "morning", now_utc=MORNING, owner="a") is None
    )
    (left,) = outbox.lease(first_version, **args, limit=9)
    assert left.message_id == envelope(2).message_id
    with schema.begin(first_version) as connection:
        number = history.add_entry(connection, "north-fill", READING, Arrival(entered_utc=MORNING, entered_by="test"))
    assert number == 2


def test_an_upgrade_that_fails_leaves_the_first_version_as_it_was(
    first_version: sa.Engine, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*_: Any, **__: Any) -> None:
        raise sa.exc.OperationalError("create index", {}, Exception("disk full"))

    with monkeypatch.context() as patched:
        patched.setattr("alembic.op.create_index", broken)
        with pytest.raises(Exception, match="disk full"):
            upgrade(first_version)
    assert version(first_version) == "0001"
    upgrade(first_version)
