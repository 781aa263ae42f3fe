"""The runs of a day as rows: planned once, taken by one service each, done whoever did them."""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import replace
from datetime import date, datetime, timedelta
from typing import Any

import pytest
import sqlalchemy as sa
from messages import MORNING, envelope

from gonogo.config import settings
from gonogo.errors import StoreError
from gonogo.store import ahead, alive, claims, members, outbox, owner, planned, postgresql_pool, schema
from gonogo.store.alive import SignOfLife
from gonogo.store.claims import RunRecord
from gonogo.store.members import OtherVersionError
from gonogo.store.planned import BeforeBatch, PlannedRun, UnseenRun
from gonogo.store.upgrade import upgrade

DAY = date(2026, 6, 1)
RECORD = RunRecord(decisions=(), outlook=(), config_text="", seed=1, program_version="2026.1", answer_id=None)
HOUR = timedelta(hours=1)


def row(n: int, **changes: Any) -> PlannedRun:
    """The morning of the n-th site: its mails leave n minutes after MORNING."""
    fields: dict[str, Any] = {
        "site_id": f"site-{n:03d}",
        "day": DAY,
        "edition": "morning",
        "from_utc": MORNING - timedelta(minutes=10),
        "mail_utc": MORNING + timedelta(minutes=n),
        "deadline_utc": MORNING + 4 * HOUR,
        "tile": "1/1",
    }
    return PlannedRun(**(fields | changes))


def plan(store: sa.Engine, rows: list[PlannedRun], fingerprint: str = "a", until_utc: datetime = MORNING + HOUR) -> int:
    return planned.plan(store, fingerprint, rows, now_utc=MORNING, until_utc=until_utc)


def take(store: sa.Engine, name: str = "a", most: int = 100, now_utc: datetime = MORNING) -> list[str]:
    return [r.site_id for r in planned.take(store, now_utc=now_utc, owner=name, most=most)]


def finish(store: sa.Engine, site_id: str) -> int:
    claim = claims.claim_run(store, site_id, DAY, "morning", now_utc=MORNING, owner="a")
    assert claim is not None
    with schema.begin(store) as connection:
        claims.finish_run(connection, claim, RECORD, now_utc=MORNING)
    return claim.run_id


def test_a_day_is_planned_once_and_taken_with_the_soonest_mails_first(store: sa.Engine) -> None:
    rows = [row(n) for n in (3, 1, 2)]
    assert plan(store, rows) == 3
    assert plan(store, rows) == 0
    assert take(store, most=2) == ["site-001", "site-002"]
    assert planned.take(store, now_utc=MORNING, owner="b", most=9) == (row(3),)
    assert take(store, "b") == []


def test_what_is_not_due_yet_or_no_more_is_not_taken(store: sa.Engine) -> None:
    plan(store, [row(1, from_utc=MORNING + HOUR), row(2, deadline_utc=MORNING), row(3)])
    assert take(store) == ["site-003"]
    assert planned.ahead(store, now_utc=MORNING, owner="a").from_utc == MORNING + HOUR


def test_what_came_to_nothing_is_given_back_and_done_is_done_whoever_did_it(store: sa.Engine) -> None:
    plan(store, [row(1), row(2), row(3)])
    (first, second, third) = planned.take(store, now_utc=MORNING, owner="a", most=3)
    planned.give_back(store, first, owner="a", from_utc=MORNING + timedelta(seconds=20))
    planned.give_back(store, third, owner="another", from_utc=MORNING)
    finish(store, second.site_id)
    assert take(store, "b") == []
    assert take(store, "b", now_utc=MORNING + timedelta(seconds=20)) == ["site-001"]
    assert planned.unseen(store, "morning", now_utc=MORNING + HOUR) == (
        UnseenRun("site-001", DAY, False, row(1).mail_utc),
        UnseenRun("site-002", DAY, True, row(2).mail_utc),
        UnseenRun("site-003", DAY, False, row(3).mail_utc),
    )
    planned.mark_seen(store, [("site-002", DAY, "morning")])
    assert len(planned.unseen(store, "morning", now_utc=MORNING + HOUR)) == 2


def test_a_run_that_was_made_before_it_was_planned_is_not_made_again_and_a_void_one_is(store: sa.Engine) -> None:
    run_id = finish(store, "site-001")
    plan(store, [row(1)])
    assert take(store) == []
    ahead.void_runs(store, [run_id], now_utc=MORNING)
    assert take(store) == ["site-001"]


def test_a_batch_of_a_dead_service_is_free_at_once(store: sa.Engine) -> None:
    plan(store, [row(1), row(2)])
    take(store, "dead", most=1)
    take(store, "alive", most=1)
    assert planned.before_batch(store, now_utc=MORNING).owners == {"dead", "alive"}
    assert planned.release(store, {"dead"}) == 1
    assert planned.release(store, {"dead"}) == 0
    assert take(store) == ["site-001"]


def test_before_a_batch_is_taken_it_is_known_what_is_due_and_who_shares_it(store: sa.Engine) -> None:
    def standing() -> BeforeBatch:
        return planned.before_batch(store, now_utc=MORNING)

    assert standing() == BeforeBatch(owners=frozenset(), n_due=0, n_services=0)
    not_due = [row(8, from_utc=MORNING + HOUR), row(9, deadline_utc=MORNING)]
    plan(store, [row(n) for n in range(6)] + not_due)
    for name in ("a", "b", "c"):
        members.join(store, name, "2026.1", now_utc=MORNING)
        with schema.begin(store) as connection:  # whoever joins forgets those of whom it knows no sign of life
            assert connection.scalars(sa.select(schema.worker.c.owner)).all() == [name]
    take(store, "a", most=2)
    take(store, "b", most=1)
    finish(store, "site-003")
    assert standing() == BeforeBatch(owners=frozenset({"a", "b"}), n_due=2, n_services=1)


def test_no_more_is_counted_than_tells_how_much_to_take(store: sa.Engine) -> None:
    n_rows = planned.MOST_COUNTED + 5
    plan(store, [row(n, mail_utc=MORNING) for n in range(n_rows)])
    assert planned.before_batch(store, now_utc=MORNING).n_due == planned.MOST_COUNTED


def test_no_site_may_be_made_longer_before_its_mails_than_what_is_taken_looks_ahead(store: sa.Engine) -> None:
    longest = timedelta(minutes=settings.setting_rows()["run_lead_min"].max)
    plan(store, [row(1, mail_utc=MORNING + longest, deadline_utc=MORNING + 2 * longest)])
    assert longest < planned.LONGEST_LEAD
    assert take(store) == ["site-001"]


def test_a_changed_config_moves_what_nobody_has_begun(store: sa.Engine) -> None:
    plan(store, [row(1), row(2), row(3)])
    take(store, most=1)
    later = MORNING + 2 * HOUR
    assert plan(store, [replace(row(n), mail_utc=later) for n in (1, 2)], "b") == 1
    with schema.read(store) as connection:
        found = connection.execute(sa.select(schema.planned_run.c.site_id, schema.planned_run.c.mail_utc)).all()
    assert {r.site_id: r.mail_utc for r in found} == {"site-001": row(1).mail_utc, "site-002": later}


def test_the_plan_is_extended_without_touching_what_is_planned(store: sa.Engine) -> None:
    plan(store, [row(1)])
    take(store)
    tomorrow = row(1, day=DAY + timedelta(days=1), from_utc=MORNING + 24 * HOUR)
    assert plan(store, [row(1), tomorrow], until_utc=MORNING + 24 * HOUR) == 1
    assert take(store) == []


def test_old_rows_go_a_few_at_a_time(store: sa.Engine) -> None:
    plan(store, [row(n) for n in range(5)])
    assert planned.forget_before(store, DAY, most=3) == 0
    assert planned.forget_before(store, DAY + timedelta(days=1), most=3) == 3
    assert planned.forget_before(store, DAY + timedelta(days=1), most=3) == 2


def test_many_services_that_take_at_once_get_each_run_once(store: sa.Engine) -> None:
    plan(store, [row(n) for n in range(120)])
    taken: list[str] = []

    def work(name: str) -> None:
        while batch := take(store, name, most=7):
            taken.extend(batch)

    threads = [threading.Thread(target=work, args=(f"s{n}",)) for n in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(60)
    assert sorted(taken) == [f"site-{n:03d}" for n in range(120)]


def test_a_finished_run_is_asked_for_without_using_up_a_number(store: sa.Engine) -> None:
    first = finish(store, "site-001")
    for _ in range(5):
        assert claims.claim_run(store, "site-001", DAY, "morning", now_utc=MORNING, owner="b") is None
    assert finish(store, "site-002") == first + 1


def test_numbers_of_rows_have_64_bits(store: sa.Engine) -> None:
    large = 2**40
    with schema.begin(store) as connection:
        values = {"site_id": "s", "day": DAY, "edition": "morning", "state": "finished", "owner": "a", "attempt": 1}
        values |= {"claimed_utc": MORNING, "lease_until_utc": MORNING, "faults": "[]", "error": ""}
        connection.execute(sa.insert(schema.run).values(id=large, **values))
        connection.execute(sa.insert(schema.day_plan).values(run_id=large, record="{}"))
        outbox.put(connection, [replace(envelope(1), run_id=large)], now_utc=MORNING)
        assert connection.scalar(sa.select(schema.message.c.run_id)) == large


# --- signs of life ---------------------------------------------------------------------------------------------------


@pytest.fixture
def postgresql(postgresql_url: str, open_store: Callable[[str], sa.Engine]) -> sa.Engine:
    """A database whose sessions others see, which SQLite has none of."""
    made = open_store(postgresql_url)
    upgrade(made)
    return made


def test_a_service_is_known_to_be_gone_once_its_session_is(postgresql: sa.Engine) -> None:
    sign = SignOfLife(postgresql)
    assert not alive.is_dead(postgresql)(sign.name)
    assert alive.is_dead(postgresql)(owner.own_name(alive.WATCHED)), "it never held a lock"
    assert not alive.is_dead(postgresql)(owner.own_name()), "it never would"
    with schema.read(postgresql) as connection:
        me = connection.scalar(sa.text("select pg_backend_pid()"))
        query = "select pid from pg_locks where locktype = 'advisory' and pid <> :me"
        pid = connection.scalar(sa.text(query), {"me": me})
    sign.end()  # so that it does not take the lock again
    with schema.begin(postgresql) as connection:
        connection.execute(sa.text("select pg_terminate_backend(:pid, 5000)"), {"pid": pid})
    assert alive.is_dead(postgresql)(sign.name)


def test_a_session_that_was_lost_is_begun_again(postgresql: sa.Engine, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(alive, "LISTENED_S", 0.1)
    sign = SignOfLife(postgresql)
    try:
        kill = "select pg_terminate_backend(pid, 5000) from pg_locks where locktype = 'advisory'"
        with schema.begin(postgresql) as connection:
            connection.execute(sa.text(kill))
        for _ in range(200):
            if not alive.is_dead(postgresql)(sign.name):
                break
            threading.Event().wait(0.1)
        assert not alive.is_dead(postgresql)(sign.name)
    finally:
        sign.end()


def test_what_is_put_by_one_is_heard_by_another(postgresql: sa.Engine) -> None:
    heard, is_heard = list[str](), threading.Event()

    def hear(channel: str) -> None:
        heard.append(channel)
        is_heard.set()

    sign = SignOfLife(postgresql, hear)
    try:
        with schema.begin(postgresql) as connection:
            outbox.put(connection, [envelope(1)], now_utc=MORNING)
        assert is_heard.wait(30)
        assert heard == [alive.MAILS]
    finally:
        sign.end()


def test_a_mail_of_a_service_that_is_gone_is_let_go_once_it_cannot_be_under_way(store: sa.Engine) -> None:
    with schema.begin(store) as connection:
        outbox.put(connection, [envelope(1)], now_utc=MORNING)
    outbox.lease(store, now_utc=MORNING, owner="gone")

    def released(seconds: float) -> int:
        at_utc = MORNING + timedelta(seconds=seconds)
        return outbox.release_dead(store, now_utc=at_utc, is_dead=lambda _: False, is_gone=lambda _: True, gone_s=240.0)

    assert [released(s) for s in (0.0, 239.0, 240.0, 241.0)] == [0, 0, 1, 0]


def test_whoever_waits_for_a_lock_is_told_so_in_time(postgresql: sa.Engine, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(postgresql_pool, "LOCK_TIMEOUT_MS", 200)
    impatient = schema.engine(postgresql.url.render_as_string(hide_password=False))
    with schema.begin(postgresql) as connection:
        connection.execute(sa.text("lock table run in access exclusive mode"))
        with pytest.raises(StoreError, match="lock timeout"):
            claims.claim_run(impatient, "site-001", DAY, "morning", now_utc=MORNING, owner="b")
    impatient.dispose()
    finish(postgresql, "site-001")


# --- versions --------------------------------------------------------------------------------------------------------


def test_services_of_different_versions_refuse_with_what_to_do(store: sa.Engine) -> None:
    sign = SignOfLife(store)
    members.require_same_version(store, "2026.2")
    members.join(store, sign.name, "2026.1", now_utc=MORNING)
    members.require_same_version(store, "2026.1")
    with pytest.raises(
        OtherVersionError,
        match=r"^1 service of another version works .* one of 2026.1 on .* this is 2026.2. Stop all services",
    ):
        members.require_same_version(store, "2026.2")
    members.leave(store, sign.name)
    members.require_same_version(store, "2026.2")
    sign.end()


def test_a_service_that_died_refuses_nobody_and_is_forgotten(store: sa.Engine) -> None:
    dead = owner.own_name().rsplit(":", 3)[0] + ":999999:1:w0"
    members.join(store, dead, "2026.1", now_utc=MORNING)
    members.require_same_version(store, "2026.2")
    sign = SignOfLife(store)
    members.join(store, sign.name, "2026.2", now_utc=MORNING)
    sign.end()
    with schema.read(store) as connection:
        assert connection.scalars(sa.select(schema.worker.c.owner)).all() == [sign.name]
