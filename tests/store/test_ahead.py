"""What a wrong clock leaves in the database: voided and made again, woken, or judged by the database's own clock."""

from __future__ import annotations

from datetime import date, datetime, timedelta

import pytest
import sqlalchemy as sa
import time_machine
from messages import MORNING, envelope

from gonogo.records.outside import Answer
from gonogo.store import ahead, answers, claims, clock, endings, outbox, outcomes, runs, schema
from gonogo.store.claims import Claim, RunRecord

DAY = date(2026, 6, 2)  # the day after MORNING
ONE_DAY = timedelta(days=1)
MINUTE = timedelta(minutes=1)
RECORD = RunRecord(decisions=(), outlook=(), config_text="", seed=1, program_version="2026.1", answer_id=None)


def claimed(store: sa.Engine, at: datetime, day: date = DAY) -> Claim | None:
    return claims.claim_run(store, "north-fill", day, "morning", now_utc=at, owner="a")


def run(store: sa.Engine, at: datetime, *, n_mails: int = 1, day: date = DAY) -> Claim:
    """Finish a morning at a moment of the machine's clock, with mails."""
    claim = claimed(store, at, day)
    assert claim is not None
    with schema.begin(store) as connection:
        claims.finish_run(connection, claim, RECORD, now_utc=at)
        mails = [envelope(n, run_id=claim.run_id, deadline_utc=at + timedelta(hours=5)) for n in range(n_mails)]
        outbox.put(connection, mails, now_utc=at)
    return claim


def states(store: sa.Engine) -> list[str]:
    with schema.read(store) as connection:
        return sorted(mail.state for mail in outcomes.outcomes(connection))


def test_a_run_from_the_future_is_voided_and_its_morning_is_free_with_mails_of_its_own(store: sa.Engine) -> None:
    first = run(store, MORNING + ONE_DAY, n_mails=2)
    (sent,) = outbox.lease(store, now_utc=MORNING + ONE_DAY, owner="a")
    outbox.sent(store, sent, now_utc=MORNING + ONE_DAY)
    assert ahead.holds_future_runs(store, now_utc=MORNING)
    assert claimed(store, MORNING) is None
    assert ahead.take_back(store, now_utc=MORNING) == 1
    assert not ahead.holds_future_runs(store, now_utc=MORNING)
    assert states(store) == ["sent", "withdrawn"]
    again = claimed(store, MORNING + ONE_DAY)
    assert again is not None
    assert (again.n_void, again.attempt) == (1, 1)
    assert again.run_id != first.run_id
    with schema.read(store) as connection:
        assert runs.last_run(connection, "north-fill") is None
        assert {kept.id for kept in runs.runs(connection)} == {first.run_id, again.run_id}  # nothing stored is lost


def test_runs_of_an_ordinary_past_are_never_voided(store: sa.Engine) -> None:
    run(store, MORNING)
    for now in (MORNING, MORNING - timedelta(minutes=10), MORNING + ONE_DAY):
        assert not ahead.holds_future_runs(store, now_utc=now)
        assert ahead.take_back(store, now_utc=now) == 0
    assert states(store) == ["waiting"]


def test_a_mail_that_expired_on_a_clock_ahead_waits_again_and_one_truly_late_does_not(store: sa.Engine) -> None:
    with schema.begin(store) as connection:
        outbox.put(connection, [envelope(1), envelope(2, deadline_utc=MORNING - MINUTE)], now_utc=MORNING - ONE_DAY)
    assert len(endings.expire(store, now_utc=MORNING + ONE_DAY)) == 2
    ahead.take_back(store, now_utc=MORNING)
    assert states(store) == ["expired", "waiting"]
    assert len(outbox.lease(store, now_utc=MORNING, owner="a")) == 1


def test_an_answer_from_the_future_is_not_the_newest_of_its_site(store: sa.Engine) -> None:
    def save(at: datetime) -> int:
        answer = Answer(service="open_meteo", url="https://e.org", fetched_utc=at, status=200, headers={}, body=b"x")
        with schema.begin(store) as connection:
            return answers.save_answer(connection, "north-fill", answer)

    kept, _ = save(MORNING - MINUTE), save(MORNING + ONE_DAY)
    ahead.take_back(store, now_utc=MORNING)
    with schema.read(store) as connection:
        latest = answers.latest_answer(connection, "north-fill", until_utc=MORNING + 2 * ONE_DAY)
    assert latest is not None
    assert latest.id == kept


def test_mails_put_off_by_a_clock_ahead_go_at_once_and_leases_shrink_to_their_length(store: sa.Engine) -> None:
    later = MORNING + timedelta(hours=3)
    with schema.begin(store) as connection:
        outbox.put(connection, [envelope(1), envelope(2)], now_utc=later)
    (held,) = outbox.lease(store, now_utc=later, owner="a")
    assert outbox.lease(store, now_utc=MORNING, owner="b") == ()
    ahead.wake_waiting(store, now_utc=MORNING)
    (woken,) = outbox.lease(store, now_utc=MORNING, owner="b")
    assert woken.message_id != held.message_id
    after = MORNING + timedelta(seconds=outbox.LEASE_S)
    assert outbox.sent(store, woken, now_utc=after)
    (taken,) = outbox.lease(store, now_utc=after, owner="b")
    assert taken.message_id == held.message_id


def test_a_mail_that_waits_for_its_next_try_is_left_to_wait(store: sa.Engine) -> None:
    with schema.begin(store) as connection:
        outbox.put(connection, [envelope(1)], now_utc=MORNING)
    (held,) = outbox.lease(store, now_utc=MORNING, owner="a")
    outbox.failed(store, held, retry_utc=MORNING + 5 * MINUTE, error="451 later")
    ahead.wake_waiting(store, now_utc=MORNING + MINUTE)
    assert outbox.lease(store, now_utc=MORNING + MINUTE, owner="a") == ()


def test_a_dropped_claim_was_never_made_and_only_its_holder_drops_it(store: sa.Engine) -> None:
    claim = claimed(store, MORNING)
    assert claim is not None
    after = MORNING + timedelta(seconds=claims.CLAIM_S)
    taken = claimed(store, after)
    assert taken is not None
    claims.drop_claim(store, claim)
    assert claimed(store, after) is None
    claims.drop_claim(store, taken)
    assert claimed(store, MORNING) is not None


def test_a_worker_keeps_what_is_its_own_and_gives_up_what_another_has_taken(store: sa.Engine) -> None:
    with schema.begin(store) as connection:
        outbox.put(connection, [envelope(1)], now_utc=MORNING)
    (mine,) = outbox.lease(store, now_utc=MORNING, owner="a")
    assert outbox.renewed(store, mine, now_utc=MORNING + MINUTE, least_s=240.0)
    over = MORNING + timedelta(seconds=outbox.LEASE_S + 1)  # the machine slept, and nobody took it: it is held anew
    assert outbox.renewed(store, mine, now_utc=over, least_s=240.0)
    assert outbox.lease(store, now_utc=over, owner="b") == ()
    (theirs,) = outbox.lease(store, now_utc=over + timedelta(seconds=outbox.LEASE_S), owner="b")
    assert not outbox.renewed(store, mine, now_utc=over, least_s=240.0)
    assert outbox.renewed(store, theirs, now_utc=over, least_s=240.0)


@pytest.mark.parametrize("store", ["postgresql"], indirect=True)
@pytest.mark.parametrize("minutes", [-11, 11, 24 * 60])
def test_the_database_s_clock_judges_leases_where_it_has_one(store: sa.Engine, minutes: int) -> None:
    """A machine whose clock is off by more than a lease takes nothing from one whose clock is right."""
    real = datetime.now(MORNING.tzinfo)
    with schema.begin(store) as connection:
        outbox.put(connection, [envelope(1, deadline_utc=real + ONE_DAY)], now_utc=real)
    assert len(outbox.lease(store, now_utc=real, owner="a")) == 1
    assert claimed(store, real, real.date()) is not None
    off = real + timedelta(minutes=minutes)
    with time_machine.travel(off, tick=True):
        with schema.read(store) as connection:
            assert clock.skew(connection) / MINUTE == pytest.approx(-minutes, abs=0.5)
        assert outbox.lease(store, now_utc=off, owner="b") == ()
        assert claimed(store, off, real.date()) is None
        assert endings.expire(store, now_utc=off) == ()
