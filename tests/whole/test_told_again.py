"""What a crew records after a re-check has told its order again: no mail asks for it, and it counts once."""

from __future__ import annotations

from datetime import datetime, time, timedelta
from pathlib import Path

import pytest
from example_mornings import example_config, example_frame, opened, plain_of, recorded, run_example

from gonogo import times
from gonogo.cli import demo
from gonogo.morning import recheck
from gonogo.morning.run import MorningResult
from gonogo.records.day_plan import Task
from gonogo.records.field import Entry, Reading, SurfaceWork, Watering
from gonogo.records.shift import shift_utc
from gonogo.store import history, schema
from gonogo.store.history import Arrival

LITRES = 24416.0


def test_work_that_is_on_record_is_not_asked_for_though_its_order_stands(tmp_path: Path) -> None:
    loaded = example_config(tmp_path)
    site, store = loaded.sites[0], opened(loaded)

    def at(hour: int, minute: int) -> datetime:
        return times.moment_utc(demo.DAY, time(hour, minute), site.zone)

    def looked(hour: int, minute: int, *entries: Entry) -> MorningResult:
        now_utc = at(hour, minute)
        with schema.begin(store) as connection:
            for entry in entries:
                history.add_entry(connection, site.id, entry, Arrival(entered_utc=now_utc, entered_by="test"))
        frame = example_frame(
            loaded,
            store,
            edition=recheck.edition(time(hour, minute)),
            now_utc=now_utc,
            deadline_utc=shift_utc(site, demo.DAY)[1],
            fetch=lambda site, now_utc, stored: recorded(
                site, now_utc, stored, fetched_utc=now_utc - timedelta(minutes=10)
            ),
        )
        result = recheck.run_recheck(frame)
        assert result is not None
        return result

    run_example(loaded, store)
    water = Watering(strip_id="N2", at_utc=at(11, 20), litres=LITRES)
    rolled = SurfaceWork(strip_id="N1", at_utc=at(8, 30), work="rolled", passes=6)
    news = Reading(strip_id="N5", at_utc=at(11, 40), w_pct=23.4, method="nuclear gauge")
    once = looked(11, 25, water)
    told = looked(11, 45, rolled, news)
    assert told.conclusion.plan is not None
    (strip,) = [s for s in told.conclusion.plan.strips if s.strip_id == "N2"]
    assert [work.task for work in strip.not_recorded] == [Task.ROLL]
    assert _now_pct(told) == pytest.approx(_now_pct(once), abs=0.3), "the water counts once"
    mail = next(mail for mail in told.mails if mail.role == "superintendent")
    shown = " ".join(plain_of(mail).replace("\u00a0", " ").replace("\u202f", " ").split())
    box = shown.split("Not recorded: ")[1].split("***")[0]
    assert box.startswith("rolling of N2 (told 10:05 AM) and disking of N3")
    assert "water on N2" not in shown
    assert "N1" not in box
    store.dispose()


def _now_pct(result: MorningResult) -> float:
    return float(next(d.w_now_pct for d in result.conclusion.decisions if d.strip_id == "N2"))
