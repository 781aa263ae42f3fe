"""Runs on both databases: each morning once, its whole record with it, and nothing from a claim that was lost."""

from __future__ import annotations

import math
import threading
from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest
import sqlalchemy as sa
from hypothesis import given
from hypothesis import strategies as st
from messages import MORNING, envelope

from gonogo.errors import StoreError
from gonogo.records.verdict import Decision, OutlookDay, RuleSeen, Verdict, WaterPlan
from gonogo.records.work_order import WorkOrder
from gonogo.store import claims, endings, outbox, outcomes, runs, schema
from gonogo.store.claims import Claim, RunRecord
from gonogo.store.encoding import decoded, encoded

DAY = date(2026, 6, 1)
MINUTE = timedelta(minutes=1)

PLAN = WaterPlan(
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
    finish_utc=MORNING + 40 * MINUTE,
    truck_id="truck-1",
    warnings=("retest_after_watering",),
)


def decision(strip_id: str, verdict: Verdict, water: WaterPlan | None = None) -> Decision:
    return Decision(
        strip_id=strip_id,
        verdict=verdict,
        rule_id="too_dry",
        reason="too_dry",
        from_utc=MORNING,
        until_utc=MORNING + timedelta(hours=3),
        next_utc=None,
        facts={"chance_in_window": 0.1 + 0.2, "rain_mm": math.nan, "hours_until_rain_h": math.inf},
        seen=(RuleSeen(rule_id="frozen", held=None, saw=(("temp_min_degc", math.nan, "<", "freeze_temp_degc", 0.0),)),),
        advice=("seal_before_rain",),
        test=("test_before_rolling",),
        water=water,
        w_now_pct=9.0,
        w_p10_pct=8.5,
        w_p90_pct=9.6,
        w_top_pct=8.0,
        w_base_pct=9.5,
        reading_age_h=math.inf,
        rolling_time_h=1.25,
    )


def outlook_day(day: date, strip_id: str = "N1") -> OutlookDay:
    return OutlookDay(
        strip_id=strip_id,
        day=day,
        chance=0.7,
        workable_h=6.0,
        from_utc=MORNING,
        until_utc=None,
        rain_mm=1.5,
        rain_chance=0.4,
        w_mean_pct=11.0,
        w_p10_pct=10.0,
        w_p90_pct=12.0,
        is_working_day=True,
        chance_watered=0.5,
    )


RECORD = RunRecord(
    decisions=(decision("N2", Verdict.WATER, PLAN), decision("N1", Verdict.WAIT)),
    outlook=(outlook_day(DAY), outlook_day(DAY + timedelta(days=1))),
    config_text="[site]\nname = 'Žilina'\n",
    seed=2**63 + 11,
    program_version="2026.1",
    answer_id=None,
    faults=("one hour of wind was missing",),
    error="Traceback\x00",
)


def claim(store: sa.Engine, day: date = DAY, owner: str = "a", edition: str = "morning") -> Claim:
    made = claims.claim_run(store, "north-fill", day, edition, now_utc=MORNING, owner=owner)
    assert made is not None
    return made


def finish(store: sa.Engine, claimed: Claim, record: RunRecord = RECORD) -> None:
    with schema.begin(store) as connection:
        claims.finish_run(connection, claimed, record, now_utc=MORNING + MINUTE)


def test_a_claim_is_dropped_and_a_finished_run_never(store: sa.Engine) -> None:
    claimed = claim(store)
    claims.drop_claim(store, claimed)
    again = claim(store)
    finish(store, again)
    claims.drop_claim(store, again)
    with schema.read(store) as connection:
        run = runs.last_run(connection, "north-fill")
    assert run is not None
    assert run.state == "finished"


def same(left: object, other: object) -> bool:
    """Equal, with unknown numbers equal to unknown numbers."""
    return encoded(left) == encoded(other)


def test_a_finished_run_gives_back_everything_it_came_to(store: sa.Engine) -> None:
    claimed = claim(store)
    finish(store, claimed)
    with schema.read(store) as connection:
        run = runs.last_run(connection, "north-fill")
        kept = runs.decisions(connection, claimed.run_id)
        assert same(kept, RECORD.decisions)
        assert [decision.strip_id for decision in kept] == ["N2", "N1"]
        assert kept[0].water == PLAN
        assert math.isnan(kept[0].facts["rain_mm"])
        assert kept[0].reading_age_h == math.inf
        assert runs.outlook(connection, claimed.run_id) == RECORD.outlook
        assert runs.config_text(connection, claimed.run_id) == RECORD.config_text
    assert run is not None
    assert (run.state, run.day, run.edition, run.seed) == ("finished", DAY, "morning", 2**63 + 11)
    assert (run.faults, run.error, run.program_version) == (RECORD.faults, "Traceback", "2026.1")
    assert run.finished_utc == MORNING + MINUTE


def test_a_morning_is_claimed_once_and_never_again_when_done(store: sa.Engine) -> None:
    claimed = claim(store)
    assert claims.claim_run(store, "north-fill", DAY, "morning", now_utc=MORNING, owner="b") is None
    finish(store, claimed)
    late = MORNING + timedelta(days=30)
    assert claims.claim_run(store, "north-fill", DAY, "morning", now_utc=late, owner="b") is None


def test_another_site_day_or_edition_is_another_run(store: sa.Engine) -> None:
    claim(store)
    claim(store, DAY + timedelta(days=1))
    claim(store, edition="look-0900")
    assert claims.claim_run(store, "south-dam", DAY, "morning", now_utc=MORNING, owner="a") is not None


def test_of_many_services_at_once_one_runs_the_morning(store: sa.Engine) -> None:
    winners: list[str] = []
    gate = threading.Barrier(8)

    def compete(owner: str) -> None:
        gate.wait()
        if claims.claim_run(store, "north-fill", DAY, "morning", now_utc=MORNING, owner=owner):
            winners.append(owner)

    threads = [threading.Thread(target=compete, args=(f"s{i}",)) for i in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(winners) == 1


def test_the_claim_of_a_dead_service_is_taken_over_and_its_result_dropped_whole(store: sa.Engine) -> None:
    dead = claim(store, owner="dead")
    soon, late = MORNING + 9 * MINUTE, MORNING + 10 * MINUTE
    assert claims.claim_run(store, "north-fill", DAY, "morning", now_utc=soon, owner="b") is None
    taken = claims.claim_run(store, "north-fill", DAY, "morning", now_utc=late, owner="b")
    assert taken is not None
    assert (taken.run_id, taken.attempt) == (dead.run_id, 2)

    def wake_up() -> None:
        with schema.begin(store) as connection:
            outbox.put(connection, [envelope(1)], now_utc=late)
            claims.finish_run(connection, dead, RECORD, now_utc=late)

    with pytest.raises(StoreError, match="taken over"):
        wake_up()
    with schema.read(store) as connection:
        assert runs.last_run(connection, "north-fill") is None
        assert runs.config_text(connection, dead.run_id) == ""
        assert outcomes.outcomes(connection) == ()
    finish(store, taken)


def test_a_claim_that_is_given_up_is_free_at_once_and_says_why(store: sa.Engine) -> None:
    claimed = claim(store)
    claims.release_run(store, claimed, now_utc=MORNING, error="disk full")
    with schema.read(store) as connection:
        open_run = runs.last_run(connection, "north-fill", is_finished=False)
    assert open_run is not None
    assert (open_run.state, open_run.error) == ("claimed", "disk full")
    again = claims.claim_run(store, "north-fill", DAY, "morning", now_utc=MORNING, owner="b")
    assert again is not None
    assert again.attempt == 2


def test_yesterday_is_the_newest_finished_run_of_an_earlier_date(store: sa.Engine) -> None:
    for days_ago in (3, 1, 0):
        finish(store, claim(store, DAY - timedelta(days=days_ago)))
    finish(store, claim(store, edition="look-0900"))
    with schema.read(store) as connection:
        yesterday = runs.last_run(connection, "north-fill", before_day=DAY)
        today = runs.last_run(connection, "north-fill", day=DAY)
        listed = runs.runs(connection, site_id="north-fill")
    assert yesterday is not None
    assert today is not None
    assert yesterday.day == DAY - timedelta(days=1)
    assert today.edition == "look-0900"
    assert len(listed) == 4


def test_one_configuration_is_kept_once_however_many_runs_used_it(store: sa.Engine) -> None:
    finish(store, claim(store))
    finish(store, claim(store, DAY + timedelta(days=1)))
    with schema.read(store) as connection:
        assert connection.scalar(sa.select(sa.func.count()).select_from(schema.config_copy)) == 1


def test_a_decision_that_cannot_be_stored_stores_nothing_of_the_run(store: sa.Engine) -> None:
    claimed = claim(store)
    broken = decision("N1", Verdict.WAIT)
    broken.facts["chance_in_window"] = np.zeros(3)  # type: ignore[assignment]
    with pytest.raises(StoreError, match="Decision cannot be stored"):
        finish(store, claimed, RunRecord(
            decisions=(broken,), outlook=(), config_text="x", seed=1, program_version="", answer_id=None
        ))  # fmt: skip
    with schema.read(store) as connection:
        assert runs.last_run(connection, "north-fill") is None
        assert runs.config_text(connection, claimed.run_id) == ""


@given(number=st.floats(), n=st.integers())
def test_every_number_comes_back_as_the_number_it_was(number: float, n: int) -> None:
    kept = decoded(
        encoded(RuleSeen(rule_id="r", held=n > 0, saw=(("f", number, ">", "s", float(n % 2**53)),))), RuleSeen
    )
    back = kept.saw[0][1]
    assert back == number or (math.isnan(back) and math.isnan(number))
    assert math.copysign(1.0, back) == math.copysign(1.0, number) or math.isnan(number)
    assert kept.held is (n > 0)


def mailed(store: sa.Engine, claimed: Claim, n: int, state: str, *, crew_id: str, kind: str = "morning") -> None:
    """Put a mail of a run into the outbox and let it end in a state."""
    made = envelope(n, run_id=claimed.run_id, crew_id=crew_id, kind=kind, deadline_utc=MORNING + 5 * MINUTE)
    with schema.begin(store) as connection:
        outbox.put(connection, [made], now_utc=MORNING, waits_for_others=False)
    if state == "expired":
        endings.expire(store, now_utc=MORNING + 5 * MINUTE)
    elif state != "waiting":
        (mail,) = outbox.lease(store, now_utc=MORNING, owner="w")
        if state == "sent":
            outbox.sent(store, mail, now_utc=MORNING)
        else:
            outbox.refused(store, mail, now_utc=MORNING, error="550")


@pytest.mark.parametrize(
    ("state", "is_told"), [("waiting", True), ("sent", True), ("expired", False), ("refused", False)]
)
def test_a_crew_was_told_what_went_or_still_may_and_nothing_else(store: sa.Engine, state: str, is_told: bool) -> None:
    claimed = claim(store)
    finish(store, claimed)
    mailed(store, claimed, 1, state, crew_id="crew-a")
    with schema.read(store) as connection:
        told = {"crew-a": (claimed.run_id, MORNING + MINUTE)} if is_told else {}
        assert runs.last_mailed_runs(connection, "north-fill", DAY) == ({}, told)
        assert runs.last_mailed_runs(connection, "north-fill", DAY + timedelta(days=1)) == (told, {})
        assert runs.last_mailed_runs(connection, "north-fill", DAY - timedelta(days=1)) == ({}, {})
        assert runs.last_mailed_runs(connection, "south-dam", DAY) == ({}, {})


def test_each_crew_was_told_last_by_the_newest_run_that_mailed_it(store: sa.Engine) -> None:
    yesterday, morning, look = claim(store, DAY - timedelta(days=1)), claim(store), claim(store, edition="look-0900")
    for n, (run, later) in enumerate(((yesterday, -1440), (morning, 1), (look, 200))):
        with schema.begin(store) as connection:
            claims.finish_run(connection, run, RECORD, now_utc=MORNING + later * MINUTE)
        mailed(store, run, 2 * n, "sent", crew_id="crew-a", kind="recheck" if run is look else "morning")
    mailed(store, morning, 11, "sent", crew_id="crew-b")
    mailed(store, look, 12, "sent", crew_id="", kind="operator")
    with schema.read(store) as connection:
        before, today = runs.last_mailed_runs(connection, "north-fill", DAY)
        assert {crew: run_id for crew, (run_id, _) in today.items()} == {
            "crew-a": look.run_id,
            "crew-b": morning.run_id,
        }
        assert before == {"crew-a": (yesterday.run_id, MORNING - timedelta(days=1))}


def test_orders_of_work_come_back_by_their_days_both_ends_included_oldest_first(store: sa.Engine) -> None:
    made = {}
    for days in (2, 0, 1):
        day, at = DAY + timedelta(days=days), MORNING + timedelta(days=days)
        claimed, order = claim(store, day), WorkOrder(
            works=(), unplanned=(), moves=(), expected_area_m2=100.0 * days, given_order_area_m2=0.0, gap_frac=0.0,
            method="solver",
        )  # fmt: skip
        with schema.begin(store) as connection:
            claims.finish_run(connection, claimed, replace(RECORD, order=order), now_utc=at)
        made[days] = (at, order)
    with schema.read(store) as connection:
        found = runs.work_orders(connection, "north-fill", since_day=DAY, until_day=DAY + timedelta(days=1))
        assert found == (made[0], made[1])
        later = runs.work_orders(
            connection, "north-fill", since_day=DAY + timedelta(days=1), until_day=DAY + timedelta(days=2)
        )
        assert later == (made[1], made[2])


def test_the_newest_run_of_a_day_is_the_last_that_finished(store: sa.Engine) -> None:
    late, soon = claim(store), claim(store, edition="look-0900")
    for run, minutes in ((soon, 5), (late, 9)):
        with schema.begin(store) as connection:
            claims.finish_run(connection, run, RECORD, now_utc=MORNING + minutes * MINUTE)
    with schema.read(store) as connection:
        newest = runs.last_run(connection, "north-fill", day=DAY)
        assert newest is not None
        assert newest.id == late.run_id


def test_a_run_told_each_crew_that_it_mailed_and_no_other(store: sa.Engine) -> None:
    morning, look = claim(store), claim(store, edition="look-0900")
    for claimed in (morning, look):
        finish(store, claimed)
    for n, crew_id in enumerate(("crew-a", "crew-b")):
        mailed(store, morning, n, "sent", crew_id=crew_id)
    mailed(store, look, 5, "sent", crew_id="crew-b", kind="recheck")
    mailed(store, look, 6, "expired", crew_id="crew-a", kind="recheck")
    span = {"since_day": DAY, "until_day": DAY}
    with schema.read(store) as connection:
        assert runs.mailed_crews(connection, "north-fill", **span) == {
            (DAY, "morning"): frozenset(("crew-a", "crew-b")),
            (DAY, "look-0900"): frozenset(("crew-b",)),
        }
        assert runs.mailed_crews(connection, "south-dam", **span) == {}
        later = {"since_day": DAY + timedelta(days=1), "until_day": DAY + timedelta(days=2)}
        assert runs.mailed_crews(connection, "north-fill", **later) == {}
