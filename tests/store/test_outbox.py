"""The outbox on both databases: nothing is lost, nothing is held twice, every outcome is kept."""

from __future__ import annotations

import threading
from collections.abc import Sequence
from datetime import timedelta
from typing import Any

import pytest
import sqlalchemy as sa
from messages import MORNING, envelope

from gonogo.errors import StoreError
from gonogo.store import endings, leases, outbox, outcomes, schema
from gonogo.store.queued import Envelope, Queued

MINUTE = timedelta(minutes=1)


def put(store: sa.Engine, *messages: Envelope) -> int:
    with schema.begin(store) as connection:
        return outbox.put(connection, messages, now_utc=MORNING)


def states(store: sa.Engine) -> dict[str, int]:
    with schema.read(store) as connection:
        return {state: n for state, n in outcomes.counts(connection, now_utc=MORNING).items() if n}


def lease_one(store: sa.Engine, owner: str = "a", **changes: Any) -> Queued:
    (mail,) = outbox.lease(store, **({"now_utc": MORNING, "owner": owner} | changes))
    return mail


def test_a_message_comes_out_as_it_went_in(store: sa.Engine) -> None:
    given = envelope(1, name="Žofie Ünal", raw=bytes(range(256)), language="cs")
    put(store, given)
    mail = lease_one(store)
    assert (mail.message_id, mail.address, mail.name, mail.raw) == (
        given.message_id, given.address, given.name, given.raw
    )  # fmt: skip
    assert (mail.site_id, mail.crew_id, mail.role, mail.kind) == (given.site_id, given.crew_id, given.role, given.kind)
    assert (mail.language, mail.deadline_utc, mail.put_utc) == ("cs", given.deadline_utc, MORNING)
    with schema.read(store) as connection:
        assert outcomes.raw_of(connection, given.message_id) == given.raw
        assert outcomes.raw_of(connection, "<unknown@example.com>") is None


def test_a_mail_is_kept_packed_and_one_of_before_is_read_as_it_stands(store: sa.Engine) -> None:
    put(store, envelope(1, raw=b"Subject: rain\r\n" * 1000), envelope(2, raw=b""))
    as_stored = sa.text("select raw from message_raw order by message")
    with schema.begin(store) as connection:
        packed, empty = (bytes(raw) for raw in connection.scalars(as_stored))
        assert (len(packed) < 200, empty) == (True, b"")
        plain = {"raw": b"Subject: as it was stored before\r\n"}
        connection.execute(sa.text("update message_raw set raw = :raw where raw = :empty"), plain | {"empty": b""})
    with schema.read(store) as connection:
        assert outcomes.raw_of(connection, envelope(1).message_id) == b"Subject: rain\r\n" * 1000
        assert outcomes.raw_of(connection, envelope(2).message_id) == plain["raw"]


def test_the_same_message_is_put_once_and_its_outcome_stands(store: sa.Engine) -> None:
    assert put(store, envelope(1), envelope(2), envelope(1)) == 2
    outbox.sent(store, lease_one(store), now_utc=MORNING)
    assert put(store, envelope(1), envelope(2)) == 0
    assert states(store) == {"waiting": 1, "sent": 1}


def test_a_transaction_that_fails_puts_nothing(store: sa.Engine) -> None:
    def put_and_fail() -> None:
        with schema.begin(store) as connection:
            outbox.put(connection, [envelope(1)], now_utc=MORNING)
            raise StoreError("the verdicts could not be stored")

    with pytest.raises(StoreError, match="verdicts"):
        put_and_fail()
    assert states(store) == {}


def test_a_second_worker_cannot_take_a_leased_message(store: sa.Engine) -> None:
    put(store, envelope(1))
    lease_one(store, "a")
    assert outbox.lease(store, now_utc=MORNING + 9 * MINUTE, owner="b") == ()
    assert states(store) == {"leased": 1}


def test_a_lease_that_ran_out_is_taken_over_and_counts_as_a_crash(store: sa.Engine) -> None:
    put(store, envelope(1))
    lease_one(store, "a", lease_s=60)
    again = lease_one(store, "b", now_utc=MORNING + MINUTE)
    assert (again.lease_owner, again.n_tries, again.n_crashes) == ("b", 2, 1)


@pytest.mark.parametrize("mark", ["sent", "failed", "refused"])
def test_a_worker_that_lost_its_lease_changes_nothing(store: sa.Engine, mark: str) -> None:
    put(store, envelope(1))
    late = lease_one(store, "a", lease_s=60)
    lease_one(store, "a", now_utc=MORNING + MINUTE)  # even under the same name
    done = {
        "sent": lambda: outbox.sent(store, late, now_utc=MORNING),
        "failed": lambda: outbox.failed(store, late, retry_utc=MORNING, error="x"),
        "refused": lambda: outbox.refused(store, late, now_utc=MORNING, error="x"),
    }[mark]()
    assert done is False
    assert states(store) == {"leased": 1}


def test_many_workers_at_once_take_each_message_once(store: sa.Engine) -> None:
    n = 40
    put(store, *(envelope(i) for i in range(n)))
    taken: list[str] = []

    def take(owner: str) -> None:
        while leased := outbox.lease(store, now_utc=MORNING, owner=owner):
            taken.extend(mail.message_id for mail in leased)
            for mail in leased:
                assert outbox.sent(store, mail, now_utc=MORNING)

    threads = [threading.Thread(target=take, args=(f"w{i}",)) for i in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(taken) == sorted(envelope(i).message_id for i in range(n))
    assert states(store) == {"sent": n}


def test_a_message_waits_for_its_time_and_for_its_retry(store: sa.Engine) -> None:
    put(store, envelope(1, send_utc=MORNING + MINUTE))
    assert outbox.lease(store, now_utc=MORNING, owner="a") == ()
    mail = lease_one(store, now_utc=MORNING + MINUTE)
    assert outbox.failed(store, mail, retry_utc=MORNING + 3 * MINUTE, error="451 later")
    assert outbox.lease(store, now_utc=MORNING + 2 * MINUTE, owner="a") == ()
    again = lease_one(store, now_utc=MORNING + 3 * MINUTE)
    assert (again.n_tries, again.n_crashes, again.last_error) == (2, 0, "451 later")


def test_the_longest_due_goes_first(store: sa.Engine) -> None:
    put(store, envelope(1, send_utc=MORNING), envelope(2, send_utc=MORNING - MINUTE))
    assert [mail.message_id for mail in outbox.lease(store, now_utc=MORNING, owner="a", limit=2)] == [
        envelope(2).message_id,
        envelope(1).message_id,
    ]


def test_a_message_past_its_deadline_is_expired_not_sent_and_replaced_in_one_step(store: sa.Engine) -> None:
    put(store, envelope(1, deadline_utc=MORNING), envelope(2))
    assert [mail.message_id for mail in outbox.lease(store, now_utc=MORNING, owner="a", limit=9)] == [
        envelope(2).message_id
    ]

    def notice(mail: Queued) -> Sequence[Envelope]:
        assert mail.state == "expired"
        return (envelope(3, kind="notice"),)

    expired = endings.expire(store, now_utc=MORNING, fallback=notice)
    assert [mail.message_id for mail in expired] == [envelope(1).message_id]
    assert states(store) == {"expired": 1, "leased": 1, "waiting": 1}
    assert endings.expire(store, now_utc=MORNING, fallback=notice) == ()


def test_a_notice_that_cannot_be_made_leaves_the_message_where_it_was(store: sa.Engine) -> None:
    put(store, envelope(1, deadline_utc=MORNING))

    def broken(_one: Queued) -> Sequence[Envelope]:
        raise RuntimeError("no template")

    with pytest.raises(RuntimeError):
        endings.expire(store, now_utc=MORNING, fallback=broken)
    assert states(store) == {"waiting": 1}


def test_a_message_being_delivered_is_not_expired_under_its_worker(store: sa.Engine) -> None:
    put(store, envelope(1, deadline_utc=MORNING + MINUTE))
    mail = lease_one(store)
    assert endings.expire(store, now_utc=MORNING + MINUTE) == ()
    assert outbox.sent(store, mail, now_utc=MORNING + MINUTE)
    assert states(store) == {"sent": 1}


def test_a_refusal_is_final_and_tells_the_operator_in_the_same_step(store: sa.Engine) -> None:
    put(store, envelope(1))

    def tell(mail: Queued) -> Sequence[Envelope]:
        return (envelope(2, kind="operator", subject=f"{mail.state}: {mail.last_error}"),)

    assert outbox.refused(store, lease_one(store), now_utc=MORNING, error="550 no such user", tell=tell)
    with schema.read(store) as connection:
        told, refused = outcomes.outcomes(connection)
    assert told.subject == "refused: 550 no such user"
    assert (refused.state, refused.last_error, refused.settled_utc) == ("refused", "550 no such user", MORNING)


def test_a_message_that_kills_its_worker_again_and_again_is_set_aside(store: sa.Engine) -> None:
    put(store, envelope(1))
    now = MORNING
    for _ in range(leases.MAX_CRASHES):
        assert endings.dead_letters(store, now_utc=now) == ()
        lease_one(store, now_utc=now, lease_s=60)
        now += MINUTE
    assert [mail.state for mail in endings.dead_letters(store, now_utc=now)] == ["set_aside"]
    assert outbox.lease(store, now_utc=now, owner="a") == ()
    assert states(store) == {"set_aside": 1}


def test_faults_of_our_own_count_and_passing_faults_do_not(store: sa.Engine) -> None:
    put(store, envelope(1), envelope(2))
    for _ in range(leases.MAX_CRASHES):
        for mail in outbox.lease(store, now_utc=MORNING, owner="a", limit=2):
            is_ours = mail.message_id == envelope(1).message_id
            outbox.failed(store, mail, retry_utc=MORNING, error="\x00 trace", is_our_fault=is_ours)
    assert [mail.message_id for mail in endings.dead_letters(store, now_utc=MORNING)] == [envelope(1).message_id]
    assert states(store) == {"set_aside": 1, "waiting": 1}


def test_a_mail_that_went_can_be_marked_later_whoever_holds_it(store: sa.Engine) -> None:
    put(store, envelope(1), envelope(2))
    lease_one(store)
    marked = outbox.settle_sent(store, [envelope(1).message_id, "<unknown@example.com>"], now_utc=MORNING)
    assert marked == 1
    assert states(store) == {"sent": 1, "waiting": 1}


def test_outcomes_are_told_by_reader_site_and_run(store: sa.Engine) -> None:
    put(store, envelope(1), envelope(2, site_id="south-dam"))
    outbox.sent(store, lease_one(store), now_utc=MORNING)
    with schema.read(store) as connection:
        south = outcomes.outcomes(connection, site_id="south-dam")
        gone = outcomes.outcomes(connection, states=["sent"], since_utc=MORNING)
        later = outcomes.counts(connection, now_utc=MORNING, since_utc=MORNING + MINUTE)
    assert [mail.address for mail in south] == ["reader2@example.com"]
    assert [(mail.address, mail.settled_utc) for mail in gone] == [("reader1@example.com", MORNING)]
    assert set(later.values()) == {0}


def test_outcomes_come_newest_first_and_the_newest_where_there_are_many(store: sa.Engine) -> None:
    for n in (2, 1, 3):
        with schema.begin(store) as connection:
            outbox.put(connection, [envelope(n)], now_utc=MORNING + n * MINUTE)
    with schema.read(store) as connection:
        found = [queued.message_id for queued in outcomes.outcomes(connection)]
        newest = [queued.message_id for queued in outcomes.outcomes(connection, limit=1)]
    assert found == [envelope(n).message_id for n in (3, 2, 1)]
    assert newest == [envelope(3).message_id]


@pytest.mark.parametrize(("minutes", "is_leased"), [(-1, False), (0, False), (1, True)])
def test_a_mail_goes_out_only_before_its_deadline(store: sa.Engine, minutes: int, is_leased: bool) -> None:
    put(store, envelope(1, deadline_utc=MORNING + minutes * MINUTE))
    assert bool(outbox.lease(store, now_utc=MORNING, owner="a")) is is_leased
    assert bool(endings.expire(store, now_utc=MORNING)) is not is_leased


def test_a_lease_with_less_left_than_a_mail_may_take_is_renewed(store: sa.Engine) -> None:
    put(store, envelope(1))
    mine = lease_one(store, "a")  # for ten minutes
    assert outbox.renewed(store, mine, now_utc=MORNING + 5 * MINUTE, least_s=240.0)
    assert outbox.renewed(store, mine, now_utc=MORNING + 7 * MINUTE, least_s=240.0)
    assert outbox.lease(store, now_utc=MORNING + 16 * MINUTE, owner="b") == ()
    assert len(outbox.lease(store, now_utc=MORNING + 18 * MINUTE, owner="b")) == 1


def test_a_mail_of_a_machine_that_is_gone_is_let_go_once_it_cannot_be_under_way_any_more(store: sa.Engine) -> None:
    def release(at_minute: int) -> int:
        return outbox.release_dead(
            store,
            now_utc=MORNING + at_minute * MINUTE,
            is_dead=lambda _: False,
            is_gone=lambda name: name == "a",
            gone_s=240.0,
        )

    put(store, envelope(1))
    lease_one(store, "a")
    assert release(3) == 0
    assert release(5) == 1
    assert len(outbox.lease(store, now_utc=MORNING + 5 * MINUTE, owner="b")) == 1
