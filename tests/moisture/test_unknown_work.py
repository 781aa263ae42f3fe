"""Told is not done, and not recorded is not undone: members carry both, and a test decides between them."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from functools import partial

import pytest
import sqlalchemy as sa
from example_mornings import example_config, opened, recorded, run_example

from gonogo.cli import demo
from gonogo.config import Config
from gonogo.decide.conclusion import Conclusion
from gonogo.records.day_plan import Badge, Job, StripPlan, Task
from gonogo.records.field import Entry, Reading, Watering
from gonogo.records.verdict import Verdict
from gonogo.store import history, schema
from gonogo.store.history import Arrival

NEXT_UTC = demo.MORNING_UTC + timedelta(days=1)


class Site:
    """The example site after its first morning, on which watering was told."""

    def __init__(self, config: Config, store: sa.Engine) -> None:
        self.config, self.store = config, store
        first = run_example(config, store)
        assert first is not None
        assert first.conclusion.plan is not None
        self.told: Job = next(job for job in first.conclusion.plan.jobs if job.task == Task.WATER)

    def next_morning(self, *entries: Entry) -> Conclusion:
        with schema.begin(self.store) as connection:
            for entry in entries:
                arrival = Arrival(entered_utc=NEXT_UTC - timedelta(hours=1), entered_by="test")
                history.add_entry(connection, self.config.sites[0].id, entry, arrival)
        return self._run(NEXT_UTC, demo.DAY + timedelta(days=1))

    def recheck(self, hours: float) -> Conclusion:
        return self._run(demo.MORNING_UTC + timedelta(hours=hours), demo.DAY, edition="look-0900")

    def _run(self, now_utc: object, day: object, **changes: object) -> Conclusion:
        result = run_example(
            self.config,
            self.store,
            day=day,
            now_utc=now_utc,
            deadline_utc=now_utc + timedelta(hours=4),  # type: ignore[operator]
            fetch=partial(recorded, fetched_utc=now_utc - timedelta(hours=1)),  # type: ignore[operator]
            **changes,
        )
        assert result is not None
        return result.conclusion

    def strip(self, conclusion: Conclusion) -> StripPlan:
        assert conclusion.plan is not None
        found = conclusion.plan.strip(self.told.strip_id)
        assert found is not None
        return found


@pytest.fixture
def site(tmp_path: object) -> Iterator[Site]:
    config = example_config(tmp_path)  # type: ignore[arg-type]
    store = opened(config)
    yield Site(config, store)
    store.dispose()


def test_no_second_dose_is_ordered_on_one_of_which_nobody_knows(site: Site) -> None:
    made = site.next_morning()
    told = site.strip(made)
    assert made.plan is not None
    assert not any(job.task in (Task.WATER, Task.DAMP) for job in made.plan.jobs_of(told.strip_id))
    assert told.verdict == Verdict.WAIT
    water = next(work for work in told.not_recorded if work.task == Task.WATER)
    assert (water.litres, water.start_utc, water.is_running) == (site.told.litres, site.told.start_utc, False)
    assert water.chance_done == pytest.approx(0.7, abs=0.05)
    if told.reason == "work_not_recorded":
        assert told.badge == Badge.TEST
        assert told.test is not None


@pytest.mark.parametrize(("share_of_dose", "low", "high"), [(1.0, 0.8, 1.0), (0.0, 0.0, 0.5)])
def test_a_test_decides_between_done_and_not_done(site: Site, share_of_dose: float, low: float, high: float) -> None:
    config = site.config.sites[0]
    strip = config.strip(site.told.strip_id)
    undone = next(d for d in site.next_morning().decisions if d.strip_id == strip.id)
    assert undone.facts["is_work_unknown"] == 1.0
    dry_pct = undone.w_p10_pct
    gain_pct = 100.0 * site.told.litres / strip.area_m2 / strip.dry_mass_kg_m2
    tested = Reading(
        strip_id=strip.id,
        at_utc=site.told.end_utc + timedelta(hours=2),
        w_pct=dry_pct + share_of_dose * gain_pct,
        method="oven",
    )
    with schema.begin(site.store) as connection:
        arrival = Arrival(entered_utc=NEXT_UTC, entered_by="test")
        history.add_entry(connection, config.id, tested, arrival)
    later = site._run(NEXT_UTC + timedelta(hours=1), demo.DAY + timedelta(days=1), edition="look-0700")
    assert later.judgement is not None
    assert strip.id not in {work.strip_id for work, _ in later.judgement.unknown if work.task == Task.WATER}
    mean = next(d for d in later.decisions if d.strip_id == strip.id).w_now_pct
    share = (mean - dry_pct) / gain_pct
    assert low - 0.25 <= share <= high + 0.25


def test_a_recorded_dose_is_known_and_waits_for_its_test(site: Site) -> None:
    put_on = Watering(strip_id=site.told.strip_id, at_utc=site.told.end_utc, litres=site.told.litres)
    told = site.strip(site.next_morning(put_on))
    assert Task.WATER not in {work.task for work in told.not_recorded}
    assert told.verdict == Verdict.WAIT


def test_an_order_that_has_begun_stands_at_the_recheck_with_its_litres(site: Site) -> None:
    hours = (site.told.start_utc - demo.MORNING_UTC) / timedelta(hours=1) + 0.2
    made = site.recheck(hours)
    assert made.plan is not None
    water = [job for job in made.plan.jobs_of(site.told.strip_id) if job.task == Task.WATER]
    assert [(job.litres, job.start_utc) for job in water] == [(site.told.litres, site.told.start_utc)]
    assert site.strip(made).verdict == Verdict.WATER
    assert site.strip(made).not_recorded[0].is_running


def test_an_entry_made_late_answers_for_an_order_that_a_recheck_told_again(site: Site) -> None:
    hours = (site.told.end_utc - demo.MORNING_UTC) / timedelta(hours=1) + 0.5
    assert Task.WATER in {work.task for work in site.strip(site.recheck(hours)).not_recorded}
    with schema.begin(site.store) as connection:
        entry = Watering(strip_id=site.told.strip_id, at_utc=site.told.end_utc, litres=site.told.litres)
        arrival = Arrival(entered_utc=site.told.end_utc + timedelta(hours=1), entered_by="test")
        history.add_entry(connection, site.config.sites[0].id, entry, arrival)
    later = site._run(demo.MORNING_UTC + timedelta(hours=hours + 2.0), demo.DAY, edition="look-1100")
    assert Task.WATER not in {work.task for work in site.strip(later).not_recorded}
