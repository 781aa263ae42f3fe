"""What changed since the last run, and why: nothing else is called a change, and each change has its cause."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta

import numpy as np
import pytest
from hand_made import DAY, N_HOURS, NOW_UTC, SETTINGS, at, morning, row, site, strip

from gonogo.decide.changes import PreviousRun, changes, worth_a_mail
from gonogo.decide.inputs import MorningInputs
from gonogo.decide.order.propose import propose
from gonogo.decide.outlook import outlook
from gonogo.decide.verdict import decide
from gonogo.records.field import Entry, GaugeRain, Reading, SurfaceWork, Watering
from gonogo.records.verdict import Decision, Verdict
from gonogo.records.work_order import Change

YESTERDAY_UTC = NOW_UTC - timedelta(hours=24)
THURSDAY = DAY + timedelta(days=1)
STRIPS = (strip(id="A"), strip(id="B"))


def said(inputs: MorningInputs, *, is_before: bool, order: bool = True) -> PreviousRun:
    made = decide(inputs)
    return PreviousRun(
        at_utc=YESTERDAY_UTC if is_before else inputs.now_utc,
        decisions=made,
        outlook=outlook(inputs),
        order=propose(inputs, made, done={}, before=None) if order else None,
    )


def compared(
    before: MorningInputs,
    now: MorningInputs,
    *entries: Entry,
    fallen_mm: tuple[float, float] = (0.0, 0.0),
    keeps: bool = False,
) -> tuple[Change, ...]:
    old, made = said(before, is_before=True), decide(now)
    new = replace(said(now, is_before=False), order=propose(now, made, done={}, before=old.order if keeps else None))
    if keeps is False:
        old, new = replace(old, order=None), replace(new, order=None)
    return changes(site(STRIPS), old, new, entries=entries, fallen_mm=fallen_mm, settings=SETTINGS)


def decided(
    strip_id: str, from_utc: datetime | None, until_utc: datetime | None, verdict: Verdict = Verdict.COMPACT
) -> Decision:
    """A decision on some hours of a morning, whatever made it."""
    made = decide(morning(strips=STRIPS))[0]
    return replace(made, strip_id=strip_id, verdict=verdict, from_utc=from_utc, until_utc=until_utc, water=None)


def of(found: tuple[Change, ...], strip_id: str) -> list[Change]:
    return [c for c in found if c.strip_id == strip_id]


def causes(change: Change) -> list[str]:
    return [w.key for w in change.why]


def test_the_same_morning_again_changes_nothing() -> None:
    assert compared(morning(strips=STRIPS), morning(strips=STRIPS), keeps=True) == ()


def test_a_lift_that_dried_is_another_verdict_because_it_is_drier() -> None:
    found = compared(morning([14.0, 18.0], strips=STRIPS), morning([14.0, 15.0], strips=STRIPS))
    (change,) = found
    assert (change.strip_id, change.what, change.before, change.after) == ("B", "verdict", "wait", "compact")
    assert causes(change) == ["drier"]
    assert change.why[0].numbers["w_before_pct"] > change.why[0].numbers["w_now_pct"]


def test_a_reading_is_the_cause_where_one_came_in_and_names_its_number() -> None:
    reading = Reading(strip_id="B", at_utc=NOW_UTC - timedelta(hours=2), w_pct=15.2, method="oven")
    old_one = replace(reading, at_utc=YESTERDAY_UTC - timedelta(hours=1))
    other = replace(reading, strip_id="A")
    (change,) = compared(
        morning([14.0, 18.0], strips=STRIPS), morning([14.0, 15.0], strips=STRIPS), reading, old_one, other
    )
    assert causes(change) == ["reading"]
    assert change.why[0].numbers["reading_w_pct"] == 15.2
    assert change.why[0].at_utc == reading.at_utc


def test_watering_is_the_cause_where_it_was_recorded() -> None:
    water = Watering(strip_id="B", at_utc=NOW_UTC - timedelta(hours=2), litres=9000.0)
    (change,) = compared(morning([14.0, 9.0], strips=STRIPS), morning([14.0, 14.0], strips=STRIPS), water)
    assert (change.before, change.after, causes(change)) == ("water", "compact", ["watered"])
    assert change.why[0].numbers == {"litres": 9000.0}


def test_rain_that_fell_is_the_cause_only_where_the_strip_got_wetter() -> None:
    found = compared(
        morning([14.0, 14.0], strips=STRIPS),
        morning([14.0, 18.0], strips=STRIPS),
        GaugeRain(from_utc=YESTERDAY_UTC, until_utc=NOW_UTC, rain_mm=16.0),
        fallen_mm=(16.0, 0.0),
    )
    (change,) = of(found, "B")
    assert causes(change) == ["rain_fell", "wetter"]
    assert change.why[0].numbers == {"rain_mm": 16.0}
    assert of(found, "A") == []


def test_rain_that_moved_is_told_for_the_site_and_is_the_cause_of_the_verdict() -> None:
    rain = np.zeros(N_HOURS)
    rain[row(7.0) : row(17.0)] = 2.0
    found = compared(morning(strips=STRIPS), morning(strips=STRIPS, rain_mm=rain))
    (moved,) = of(found, "")
    assert (moved.what, moved.after_utc) == ("rain", at(12.0))
    assert (moved.numbers["rain_before_mm"], moved.numbers["rain_after_mm"]) == (0.0, 20.0)
    for name in ("A", "B"):
        (change,) = of(found, name)
        assert (change.what, change.after, causes(change)) == ("verdict", "wait", ["rain_more"])
    back = compared(morning(strips=STRIPS, rain_mm=rain), morning(strips=STRIPS))
    assert causes(of(back, "A")[0]) == ["rain_less"]


def test_a_drizzle_more_is_no_news() -> None:
    rain = np.zeros(N_HOURS)
    rain[row(0.0, THURSDAY) : row(3.0, THURSDAY)] = 0.3
    assert compared(morning(strips=STRIPS), morning(strips=STRIPS, rain_mm=rain)) == ()


def test_a_lift_done_or_a_new_one_is_told_once_and_not_as_a_verdict() -> None:
    rolled = SurfaceWork(strip_id="B", at_utc=NOW_UTC - timedelta(hours=14), work="rolled", passes=6)
    spread = SurfaceWork(strip_id="B", at_utc=NOW_UTC - timedelta(hours=12), work="spread")
    after = morning(strips=STRIPS, rolled=np.array([0.0, 1.0]))
    (change,) = compared(morning(strips=STRIPS), after, rolled)
    assert (change.what, change.after_utc, causes(change)) == ("lift_done", rolled.at_utc, ["rolled"])
    (change,) = compared(morning(strips=STRIPS), morning(strips=STRIPS), rolled, spread)
    assert (change.what, change.after_utc) == ("lift_spread", spread.at_utc)


def test_a_day_off_and_a_test_grown_old_are_causes() -> None:
    off = morning(strips=STRIPS, on_site={"holidays": (DAY,)})
    assert causes(of(compared(morning(strips=STRIPS), off), "A")[0]) == ["day_off"]
    (change, _) = compared(morning(strips=STRIPS), morning(strips=STRIPS, reading_age_h=100.0))
    assert causes(change) == ["reading_too_old"]
    assert change.why[0].numbers == {"reading_age_h": 100.0}


def test_the_first_likely_hour_of_a_waiting_strip_on_another_day_is_told() -> None:
    hours = np.arange(N_HOURS)
    early, late = (np.where(hours < row(0.0, DAY + timedelta(days=k)), 18.0, 14.0) for k in (1, 2))
    (first, second) = compared(morning(early, strips=STRIPS), morning(late, strips=STRIPS))
    assert {first.what, second.what} == {"next_hour"}
    assert first.before_utc == at(7.0, THURSDAY)
    assert first.after_utc == at(7.0, DAY + timedelta(days=2))


def test_what_moves_in_the_order_of_work_is_told_with_its_cause() -> None:
    hours = np.arange(N_HOURS)
    path = np.where(hours < row(0.0, THURSDAY), 18.0, 14.0)
    rain = np.zeros(N_HOURS)
    rain[row(0.0, THURSDAY) : row(0.0, THURSDAY) + 24] = 2.0
    found = compared(morning(path, strips=STRIPS), morning(path, strips=STRIPS, rain_mm=rain), keeps=True)
    for name in ("A", "B"):
        (change,) = of(found, name)
        assert (change.what, causes(change)) == ("planned_start", ["rain_more"])
        assert change.before_utc.date() == THURSDAY
        assert change.after_utc.date() == DAY + timedelta(days=2)
        assert change.numbers == {"lift": 1.0}


def test_a_strip_that_gains_or_loses_its_place_is_told() -> None:
    lost = compared(morning(strips=STRIPS), morning([14.0, 18.0], strips=STRIPS), keeps=True)
    assert [(c.what, c.after_utc) for c in of(lost, "B") if c.what != "verdict"] == [("no_longer_planned", None)]
    won = compared(morning([14.0, 18.0], strips=STRIPS), morning(strips=STRIPS), keeps=True)
    assert [c.what for c in of(won, "B")] == ["verdict", "newly_planned"]


def test_a_strip_that_one_of_the_runs_does_not_know_is_left_out() -> None:
    old = said(morning(strips=STRIPS[:1]), is_before=True)
    new = said(morning([14.0, 18.0], strips=STRIPS), is_before=False)
    assert of(changes(site(STRIPS), old, new, entries=(), fallen_mm=(0.0, 0.0), settings=SETTINGS), "B") == []


def test_within_a_day_hours_that_are_over_are_no_news_and_hours_that_are_not_are() -> None:
    """Told: from seven to nine. At ten nobody need hear that the strip waits now; at eight they must."""
    told = PreviousRun(at_utc=at(5.5), decisions=(decided("A", at(7.0), at(9.0)),), outlook=())
    for hour, n_said in ((8.0, 1), (10.0, 0)):
        now = PreviousRun(at_utc=at(hour), decisions=(decided("A", None, None, Verdict.WAIT),), outlook=())
        found = changes(site(STRIPS), told, now, entries=(), fallen_mm=(0.0, 0.0), settings=SETTINGS)
        assert len(found) == n_said


@pytest.mark.parametrize(
    ("start", "end", "is_told"),
    [(7.0, 12.0, False), (7.4, 12.4, False), (7.0, 13.5, True), (9.0, 12.0, True)],
)
def test_within_a_day_hours_are_told_again_where_an_end_moved_by_more_than_the_limit(
    start: float, end: float, is_told: bool
) -> None:
    """By the settings an hour is nothing and an hour and a half is."""
    limit_h = SETTINGS["change_window_min"] / 60.0
    assert 0.4 < limit_h < 1.5
    told = PreviousRun(at_utc=at(5.5), decisions=(decided("A", at(7.0), at(12.0)),), outlook=())
    now = PreviousRun(at_utc=at(6.5), decisions=(decided("A", at(start), at(end)),), outlook=())
    found = changes(site(STRIPS), told, now, entries=(), fallen_mm=(0.0, 0.0), settings=SETTINGS)
    assert [c.what for c in found] == ["window"] * is_told


def test_a_verdict_that_changed_is_told_in_the_words_of_the_badges_that_its_readers_see() -> None:
    """TEST is a kind of the verdict "wait": a mail that shows TEST does not say that the strip waits."""
    told = PreviousRun(
        at_utc=at(5.5), decisions=(decided("A", at(7.0), at(12.0)),), outlook=(), badges={"A": "compact"}
    )
    now = PreviousRun(
        at_utc=at(9.0), decisions=(decided("A", None, None, Verdict.WAIT),), outlook=(), badges={"A": "test"}
    )
    (change,) = changes(site(STRIPS), told, now, entries=(), fallen_mm=(0.0, 0.0), settings=SETTINGS)
    assert (change.what, change.before, change.after) == ("verdict", "compact", "test")
    assert worth_a_mail((change,))


@pytest.mark.parametrize(("badges", "said"), [(("test", "wait"), ["badge"]), (("wait", "wait"), [])])
def test_a_strip_that_waits_as_before_and_is_no_longer_tested_is_told_and_alone_no_mail(
    badges: tuple[str, str], said: list[str]
) -> None:
    waits = (decided("A", None, None, Verdict.WAIT),)
    told, now = (
        PreviousRun(at_utc=at(hour), decisions=waits, outlook=(), badges={"A": badge})
        for hour, badge in zip((5.5, 9.0), badges, strict=True)
    )
    found = changes(site(STRIPS), told, now, entries=(), fallen_mm=(0.0, 0.0), settings=SETTINGS)
    assert [c.what for c in found] == said
    assert [(c.before, c.after) for c in found] == [badges] * len(said)
    assert not worth_a_mail(found)


def test_a_strip_with_a_place_today_is_not_told_to_have_no_likely_hour_any_more() -> None:
    """What the order rolls today has no next day: it said "next likely time: none" beside the hours of its rolling."""
    last = replace(decided("A", None, None, Verdict.WAIT), next_utc=YESTERDAY_UTC + timedelta(hours=6))
    now = replace(last, next_utc=None, facts={"is_rolled": 0.0})
    order = propose(morning(strips=STRIPS), decide(morning(strips=STRIPS)), done={}, before=None)
    for planned, said in ((order, []), (replace(order, works=()), ["next_hour"])):
        found = changes(
            site(STRIPS),
            PreviousRun(at_utc=YESTERDAY_UTC, decisions=(last,), outlook=()),
            PreviousRun(at_utc=NOW_UTC, decisions=(now,), outlook=(), order=planned),
            entries=(),
            fallen_mm=(0.0, 0.0),
            settings=SETTINGS,
        )
        assert [c.what for c in found] == said
