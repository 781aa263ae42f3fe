"""What is old goes, and what an export or a score is made from stays to the digit, on both databases."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import sqlalchemy as sa
from book_season import FIRST, Season

from gonogo.book import diary, evidence
from gonogo.book.export import Covered
from gonogo.records.field import Reading
from gonogo.store import outcomes, runs, schema, thinning
from gonogo.store.thinning import KeepDays
from gonogo.wording.language import speaker

N_DAYS = 4
LATER_UTC = datetime(2026, 9, 1, tzinfo=UTC)
KEEP = KeepDays(answers=40.0, mail_bodies=60.0, details=45.0)
COUNTED = (
    schema.day_plan, schema.work_order, schema.message_raw, schema.answer, schema.outlook_day, schema.verdict,
    schema.packed_run, schema.learned,
)  # fmt: skip
SITE_DAY_BYTES = 15_000  # what a site of ten strips may cost for good each working day


def lived(tmp_path: Path, store_url: str) -> Season:
    season = Season(tmp_path, n_days=N_DAYS, store_url=store_url)
    for n in range(N_DAYS):
        day = FIRST + timedelta(days=n)
        for strip_id, w_pct in (("N1", 17.5), ("N2", 16.0 + n)):
            at_utc = season.at(day, "04:00")
            season.add(Reading(strip_id=strip_id, at_utc=at_utc, w_pct=w_pct, method="oven"))
        season.morning(day)
        season.add(Reading(strip_id="N1", at_utc=season.at(day, "11:00"), w_pct=17.0, method="oven"))
    return season


def counted(season: Season) -> dict[str, int]:
    with schema.read(season.store) as connection:
        return {t.name: connection.scalar(sa.select(sa.func.count()).select_from(t)) or 0 for t in COUNTED}


def test_it_stops_between_two_steps_and_another_time_goes_on(tmp_path: Path, store_url: str) -> None:
    season = lived(tmp_path, store_url)
    before, steps = counted(season), iter([True, False])
    first = thinning.thin(season.store, KEEP, now_utc=LATER_UTC, go_on=lambda: next(steps))
    assert (first.runs, first.mail_bodies) == (N_DAYS, 0)
    assert counted(season)["message_raw"] == before["message_raw"]
    rest = thinning.thin(season.store, KEEP, now_utc=LATER_UTC)
    assert (rest.runs, rest.mail_bodies) == (0, 5 * N_DAYS)
    season.store.dispose()


def test_an_export_and_a_score_say_the_same_before_and_after(tmp_path: Path, store_url: str) -> None:
    season = lived(tmp_path, store_url)
    covered = Covered(site=season.site, first=FIRST, last=FIRST + timedelta(days=N_DAYS - 1))

    def told(name: str) -> tuple[dict[str, str], object]:
        folder = tmp_path / name
        diary.write(season.config, covered, folder=folder, now_utc=LATER_UTC, speak=speaker("en", "metric"))
        tables = {path.name: path.read_text(encoding="utf-8") for path in folder.glob("*.csv")}
        with schema.read(season.store) as connection:
            return tables, repr(evidence.gathered(connection, covered, ()))

    before, counts = told("before"), counted(season)
    gone = thinning.thin(season.store, KEEP, now_utc=LATER_UTC)
    after, left = told("after"), counted(season)

    assert (gone.runs, gone.mail_bodies) == (N_DAYS, 5 * N_DAYS)
    assert (left["day_plan"], left["work_order"], left["message_raw"]) == (0, 0, 0)
    assert counts["answer"] == N_DAYS
    assert left["answer"] == 2, "one of the first day, one of the fourth"
    assert (left["outlook_day"], left["verdict"], left["packed_run"]) == (0, 0, N_DAYS)
    assert 0 < left["learned"] < counts["learned"]
    assert after[1] == before[1], "the score"
    changed = {name for name in before[0] if before[0][name] != after[0][name]}
    assert changed == {"weather_day.csv"}, "only the answer that accounts for a day may be another"
    assert not thinning.thin(season.store, KEEP, now_utc=LATER_UTC), "a second time there is nothing left to do"
    assert bytes_a_day(season) < SITE_DAY_BYTES
    season.store.dispose()


def bytes_a_day(season: Season) -> float:
    """What the rows of a run, its mails and entries hold; learning and config are superseded, not added to."""
    added = (t for t in schema.metadata.sorted_tables if t.name not in ("learned", "config_copy"))
    held = 0.0
    with schema.read(season.store) as connection:
        for table in added:
            for row in connection.execute(sa.select(table)):
                held += sum(len(v if isinstance(v, bytes) else str(v).encode()) for v in row if v is not None)
    return held / N_DAYS


def test_what_is_young_and_what_waits_to_be_sent_stays(tmp_path: Path, store_url: str) -> None:
    season = Season(tmp_path, n_days=1, store_url=store_url)
    season.morning(FIRST)
    before = counted(season)
    assert not thinning.thin(season.store, KEEP, now_utc=season.at(FIRST, "12:00") + timedelta(days=19))
    assert counted(season) == before
    with schema.begin(season.store) as connection:
        waiting = sa.update(schema.message).where(schema.message.c.role == "driver").values(state="waiting")
        connection.execute(waiting)
    thinning.thin(season.store, KEEP, now_utc=LATER_UTC)
    with schema.read(season.store) as connection:
        kept = {m.role for m in outcomes.outcomes(connection) if outcomes.raw_of(connection, m.message_id)}
        run = runs.last_run(connection, season.site.id)
        assert run is not None
        decision = runs.decisions(connection, run.id)[0]
    assert kept == {"driver"}
    assert decision.seen == ()
    assert "chance_in_window" in decision.facts
    season.store.dispose()
