"""The past of a strip put in order once says of every moment what the entries themselves say."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

from hypothesis import given, settings
from hypothesis import strategies as st
from sites import small_site

from gonogo.book.strip_past import NOTHING_DONE, strip_pasts
from gonogo.moisture.lift_history import lifts_done
from gonogo.records.field import Entry, LiftResult, Reading, SurfaceWork, Watering

START = datetime(2026, 4, 6, tzinfo=UTC)
SITE = replace(small_site(), strips=tuple(replace(strip, lifts=4) for strip in small_site().strips))
STRIP = SITE.strips[0]


@st.composite
def entries(draw: st.DrawFn) -> list[Entry]:
    out: list[Entry] = []
    for _ in range(draw(st.integers(0, 14))):
        at_utc = START + timedelta(hours=draw(st.integers(0, 60)))
        kind = draw(st.sampled_from(("rolled", "sealed", "spread", "disked", "water", "test", "density", "accepted")))
        if kind == "water":
            out.append(Watering(strip_id=STRIP.id, at_utc=at_utc, litres=1000.0))
        elif kind in ("test", "density"):
            density = 1700.0 if kind == "density" else None
            out.append(Reading(strip_id=STRIP.id, at_utc=at_utc, w_pct=14.0, method="oven", dry_density_kg_m3=density))
        elif kind == "accepted":
            out.append(LiftResult(strip_id=STRIP.id, at_utc=at_utc, result="accepted"))
        else:
            out.append(SurfaceWork(strip_id=STRIP.id, at_utc=at_utc, work=kind))
    return out


@settings(deadline=None, max_examples=40)
@given(entries())
def test_lifts_and_work_of_a_moment_are_those_of_the_entries(recorded: list[Entry]) -> None:
    past = strip_pasts(SITE, recorded)[STRIP.id]
    for hour in range(-1, 62, 3):
        at_utc = START + timedelta(hours=hour)
        works = [e for e in recorded if isinstance(e, SurfaceWork) and e.at_utc <= at_utc]
        last = sorted(works, key=lambda work: work.at_utc)[-1:]
        n_done = lifts_done(STRIP, recorded, at_utc)
        is_closed = bool(last) and last[0].work in ("rolled", "sealed")
        assert past.lift(at_utc) == max(n_done if is_closed else n_done + 1, 1)
        until = at_utc + timedelta(hours=7)
        own = [e for e in recorded if isinstance(e, Watering | SurfaceWork) and at_utc <= e.at_utc < until]
        assert past.between(at_utc, until) == sorted(own, key=lambda e: e.at_utc)


def test_what_was_done_on_a_strip_that_the_config_no_longer_names_stays() -> None:
    gone = Watering(strip_id="gone", at_utc=START, litres=1.0)
    past = strip_pasts(SITE, [gone])["gone"]
    assert past.between(START, START + timedelta(days=9)) == [gone]
    assert past.lift(START) == 1
    assert NOTHING_DONE.between(START, START + timedelta(days=9)) == []
