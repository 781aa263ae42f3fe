"""A re-check: the same morning on a newer forecast, mailed only where something changed, saying what and why."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import datetime, time, timedelta
from email.parser import BytesParser
from email.policy import SMTP
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa
from example_mornings import example_config, example_frame, no_weather, opened, recorded, run_example

from gonogo import times
from gonogo.cli import demo
from gonogo.config import Config
from gonogo.decide.changes import PreviousRun, changes, worth_a_mail
from gonogo.morning import judging
from gonogo.morning import recheck as recheck_run
from gonogo.morning import run as morning_run
from gonogo.records import shift
from gonogo.records.field import Reading
from gonogo.records.verdict import Decision, OutlookDay, Verdict, WaterPlan
from gonogo.service import due as service_due
from gonogo.store import endings, outcomes, queued, runs, schema
from gonogo.wording.changes import changes_view
from gonogo.wording.clock import Clock
from gonogo.wording.language import speaker

NINE = time(9, 0)
EN = speaker("en", "metric")
HOUR = timedelta(hours=1)


@pytest.fixture
def loaded(tmp_path: Path) -> Config:
    return example_config(tmp_path)


@pytest.fixture
def store(loaded: Config) -> Iterator[sa.Engine]:
    engine = opened(loaded)
    yield engine
    engine.dispose()


Recheck = Callable[..., morning_run.MorningResult | None]


@pytest.fixture
def recheck(loaded: Config, store: sa.Engine) -> Recheck:
    def run(**changes: Any) -> morning_run.MorningResult | None:
        site = loaded.sites[0]
        at = changes.pop("at", NINE)
        fields = {
            "edition": recheck_run.edition(at),
            "now_utc": times.moment_utc(demo.DAY, NINE, site.zone),
            "deadline_utc": shift.shift_utc(site, demo.DAY)[1],
        }
        return recheck_run.run_recheck(example_frame(loaded, store, **(fields | changes)))

    return run


def rain_from(hour: int) -> Any:
    """A service whose newest forecast has heavy rain from an hour of the day on [UTC]."""

    def fetch(site: Any, now_utc: datetime, stored: Any) -> Any:
        downloaded = recorded(site, now_utc, stored)
        table = downloaded.parsed.table.copy()
        from_utc = datetime.combine(demo.DAY, time(hour))
        wet = (table["hour_utc"] >= from_utc) & (table["hour_utc"] < from_utc + 9 * HOUR)
        table.loc[wet, "precip_mm"] = 3.0
        table.loc[wet, "rain_chance"] = 0.97
        return replace(downloaded, parsed=replace(downloaded.parsed, table=table))

    return fetch


def mails(store: sa.Engine, *kinds: str) -> list[queued.Queued]:
    with schema.read(store) as connection:
        return [m for m in outcomes.outcomes(connection) if m.kind in kinds]


def text(store: sa.Engine, mail: queued.Queued) -> str:
    with schema.read(store) as connection:
        raw = outcomes.raw_of(connection, mail.message_id)
    assert raw is not None
    body = BytesParser(policy=SMTP).parsebytes(raw).get_body(("plain",))
    assert body is not None
    return " ".join(str(body.get_content()).split())


def with_words(store: sa.Engine, mail: queued.Queued) -> bool:
    """Whether a mail says what changed on N1, in whatever language."""
    return re.search(r"- N1\s?: ", text(store, mail)) is not None


def is_of_crew(site: Any, run: PreviousRun, crew_id: str) -> bool:
    return site.strip(run.decisions[0].strip_id).crew_id == crew_id


def test_a_recheck_that_finds_nothing_new_mails_nobody_and_is_kept(
    loaded: Config, store: sa.Engine, recheck: Recheck
) -> None:
    run_example(loaded, store)
    result = recheck(now_utc=demo.MORNING_UTC + timedelta(minutes=20))
    assert result is not None
    assert result.mails == ()
    assert mails(store, "recheck", "operator") == []
    with schema.read(store) as connection:
        last = runs.last_run(connection, "harrow-flats")
        assert last is not None
        assert last.edition == "look-0900"
        assert len(runs.decisions(connection, last.id)) == 10


def test_rain_that_was_not_in_the_first_forecast_turns_verdicts_and_each_crew_is_told_what_and_why(
    loaded: Config, store: sa.Engine, recheck: Recheck
) -> None:
    run_example(loaded, store)
    result = recheck(fetch=rain_from(15))
    assert result is not None
    found = mails(store, "recheck")
    assert len(found) == 5
    told = next(m for m in found if m.role == "superintendent" and m.crew_id == "north")
    assert told.subject.startswith("Changed: ")
    said = text(store, told)
    assert "N1: COMPACT is now WAIT." in said
    assert "N4: TEST is now WAIT." in said  # its badge, and no silence where only the badge changed
    assert "Rain is likely before" in said
    assert "More rain is forecast: " in said
    assert "Rain on Tue 12 May: " in said or "Rain on Tue, May 12: " in said or "Rain on Tue May 12: " in said
    driver = next(m for m in found if m.role == "driver" and m.crew_id == "north")
    assert with_words(store, driver)
    assert told.deadline_utc == shift.shift_utc(loaded.sites[0], demo.DAY)[1]
    assert len({m.message_id for m in mails(store, "morning", "recheck")}) == 10


def test_a_recheck_runs_once_and_compares_with_what_was_told_last(
    loaded: Config, store: sa.Engine, recheck: Recheck
) -> None:
    run_example(loaded, store)
    assert recheck(fetch=rain_from(15)) is not None
    assert recheck(fetch=rain_from(15)) is None
    again = recheck(at=time(9, 30), fetch=rain_from(15), now_utc=demo.MORNING_UTC + timedelta(hours=4))
    assert again is not None
    assert again.mails == ()


def test_a_crew_for_which_nothing_changed_is_left_in_peace(
    loaded: Config, store: sa.Engine, recheck: Recheck, monkeypatch: pytest.MonkeyPatch
) -> None:
    run_example(loaded, store)

    def only_north(site: Any, before: PreviousRun, *args: Any, **named: Any) -> Any:
        return changes(site, before, *args, **named) if is_of_crew(site, before, "north") else ()

    monkeypatch.setattr(recheck_run, "changes", only_north)
    recheck(fetch=rain_from(15))
    assert {m.crew_id for m in mails(store, "recheck")} == {"north"}


def test_a_recheck_without_a_forecast_or_with_a_failed_model_tells_the_operator_and_no_crew(
    loaded: Config, store: sa.Engine, recheck: Recheck, monkeypatch: pytest.MonkeyPatch
) -> None:
    run_example(loaded, store)
    recheck(fetch=no_weather)

    def broken(*_: Any, **__: Any) -> None:
        raise ZeroDivisionError("invented fault")

    monkeypatch.setattr(judging, "judged", broken)
    recheck(at=time(11, 0))
    assert mails(store, "recheck") == []
    words = mails(store, "operator")
    assert sorted(m.subject.partition(" - ")[0].partition(", ")[2] for m in words) == [
        "re-check 09:00",
        "re-check 11:00",
    ]
    assert all("what they were told in the morning stands" in text(store, m) for m in words)


def test_a_crew_that_was_told_nothing_yet_gets_its_first_mail_from_the_recheck(
    loaded: Config, store: sa.Engine, recheck: Recheck
) -> None:
    run_example(loaded, store)
    late = demo.MORNING_UTC + timedelta(hours=4)
    endings.expire(store, now_utc=late)
    recheck(now_utc=late)
    found = mails(store, "recheck")
    assert len(found) == 5
    assert not any(m.subject.startswith("Changed: ") for m in found)


def test_a_comparison_that_fails_for_one_crew_costs_the_others_nothing(
    loaded: Config, store: sa.Engine, recheck: Recheck, monkeypatch: pytest.MonkeyPatch
) -> None:
    run_example(loaded, store)

    def broken_for_south(site: Any, before: PreviousRun, *args: Any, **named: Any) -> Any:
        if is_of_crew(site, before, "south"):
            raise ZeroDivisionError("invented fault")
        return changes(site, before, *args, **named)

    monkeypatch.setattr(recheck_run, "changes", broken_for_south)
    recheck(fetch=rain_from(15))
    assert {m.crew_id for m in mails(store, "recheck")} == {"north"}
    (word,) = mails(store, "operator")
    assert "invented fault" in text(store, word)


# --- thresholds ----------------------------------------------------------------------------------------------


PLAN = WaterPlan(
    strip_id="N2",
    litres=20_000.0,
    litres_m2=12.0,
    w_now_pct=14.0,
    w_target_pct=18.0,
    evaporation_allowance_mm=0.5,
    rain_credit_mm=0.0,
    passes=4,
    litres_m2_per_pass=3.0,
    speed_km_h=4.0,
    loads=2,
    load_ends_m=(70.0, 140.0),
    start_utc=demo.MORNING_UTC + 2 * HOUR,
    finish_utc=demo.MORNING_UTC + 4 * HOUR,
    truck_id="big",
)


def decided(verdict: Verdict, start_h: float = 2.0, end_h: float = 10.0, **changes: Any) -> Decision:
    """A decision for strip N2 with a window in hours after the morning's run; none for a wait."""
    has_window = verdict != Verdict.WAIT
    fields: dict[str, Any] = {
        "strip_id": "N2",
        "verdict": verdict,
        "rule_id": "r",
        "reason": {"compact": "in_window", "water": "too_dry", "wait": "too_wet"}[verdict.value],
        "from_utc": demo.MORNING_UTC + start_h * HOUR if has_window else None,
        "until_utc": demo.MORNING_UTC + end_h * HOUR if has_window else None,
        "next_utc": None,
        "facts": {},
        "seen": (),
        "advice": (),
        "test": (),
        "water": PLAN if verdict == Verdict.WATER else None,
        "w_now_pct": 18.0,
        "w_p10_pct": 17.0,
        "w_p90_pct": 19.0,
        "w_top_pct": 18.0,
        "w_base_pct": 18.0,
        "reading_age_h": 14.0,
        "rolling_time_h": 1.5,
    }
    return Decision(**(fields | changes))


def outlook(rain_mm: float) -> tuple[OutlookDay, ...]:
    nothing: dict[str, Any] = {"from_utc": None, "until_utc": None, "is_working_day": True}
    numbers = dict.fromkeys(("chance", "workable_h", "w_mean_pct", "w_p10_pct", "w_p90_pct"), 1.0)
    return (OutlookDay(strip_id="N2", day=demo.DAY, rain_mm=rain_mm, rain_chance=0.4, **numbers, **nothing),)


def said(
    loaded: Config, old: Decision, new: Decision, *, hours: float = 3.0, rain: tuple[float, float] = (0.0, 0.0)
) -> list[str]:
    """Return what a mail of the day would say, nothing where it would not be written."""
    site = loaded.sites[0]
    now_utc = demo.MORNING_UTC + hours * HOUR
    tested = [Reading(strip_id="N2", at_utc=now_utc - new.reading_age_h * HOUR, w_pct=17.0, method="oven")]
    if new.reading_age_h == old.reading_age_h:
        new, tested = replace(new, reading_age_h=old.reading_age_h + hours), []
    found = changes(
        site,
        PreviousRun(at_utc=demo.MORNING_UTC, decisions=(old,), outlook=outlook(rain[0])),
        PreviousRun(at_utc=now_utc, decisions=(new,), outlook=outlook(rain[1])),
        entries=tested,
        fallen_mm=(0.0, 0.0),
        settings=loaded.settings[site.id],
    )
    if not worth_a_mail(found):
        return []
    own = {strip.id: strip for strip in site.strips}
    views = changes_view(found, own, Clock(site=site, day=demo.DAY), {"N2": new})
    return [" ".join(EN.say(part) for part in (v.what, *v.why)).replace("\u00a0", " ") for v in views]


C, W, WAIT = Verdict.COMPACT, Verdict.WATER, Verdict.WAIT


@pytest.mark.parametrize(
    ("old", "new", "starts"),
    [
        (decided(C), decided(WAIT), "N2 Ramp middle: COMPACT is now WAIT. Too wet (chance"),
        (decided(WAIT), decided(C, 4), "N2 Ramp middle: WAIT is now COMPACT. Likely to stay in the window"),
        (decided(C), decided(C, 5), "N2 Ramp middle: rolling 10:15 to 15:15 instead of 07:15 to 15:15. Likely"),
        (decided(C), decided(C, 3, 8.5), "N2 Ramp middle: rolling 08:15 to 13:45 instead of 07:15 to 15:15."),
        (decided(W), decided(W, 4, 8), "N2 Ramp middle: rolling 09:15 to 13:15 instead of 07:15 to 15:15."),
        (decided(W), decided(W, water=replace(PLAN, litres=25_000.0)),
            "N2 Ramp middle: 25,000 L of water instead of 20,000 L."),
        (decided(C), decided(WAIT, reading_age_h=1.0), "N2 Ramp middle: COMPACT is now WAIT. A moisture test ("),
        (decided(WAIT, reading_age_h=float("inf")), decided(C, reading_age_h=0.5),
            "N2 Ramp middle: WAIT is now COMPACT. A moisture test (07:45) read 17.0%. Likely"),
    ],
)  # fmt: skip
def test_what_lies_beyond_a_threshold_is_said(loaded: Config, old: Decision, new: Decision, starts: str) -> None:
    (sentence,) = said(loaded, old, new)
    assert sentence.startswith(starts)


@pytest.mark.parametrize(
    ("old", "new", "hours"),
    [
        (decided(C), decided(C), 3.0),
        (decided(C), decided(C, 3), 3.0),  # the hours that are past count for neither
        (decided(C), decided(C, 3.9, 9.1), 3.0),  # within an hour
        (decided(W), decided(W, 7), 3.0),  # the truck has not been recorded yet
        (decided(W), decided(W, water=replace(PLAN, litres=23_900.0)), 3.0),
        (decided(C), decided(WAIT, reason="already_rolled"), 3.0),
        (decided(C, 2, 4), decided(WAIT), 5.0),  # what was told is over
        (decided(W), decided(WAIT, reason="no_time_for_water"), 6.0),  # the clock alone
        (decided(WAIT), decided(WAIT, reason="rain_too_soon"), 3.0),
    ],
)
def test_what_lies_within_the_thresholds_is_no_news(loaded: Config, old: Decision, new: Decision, hours: float) -> None:
    assert said(loaded, old, new, hours=hours) == []


def test_rain_that_takes_the_time_for_water_is_news_where_the_clock_alone_is_not(loaded: Config) -> None:
    lines = said(loaded, decided(W), decided(WAIT, reason="no_time_for_water"), rain=(0.0, 6.0))
    assert len(lines) == 2
    assert lines[0] == "rain on Tue 12 May: 6.0 mm (was 0.0 mm), chance 40% (was 40%)."
    assert "More rain is forecast: 6.0 mm instead of 0.0 mm." in lines[1]


def test_a_change_of_rain_without_a_change_of_verdict_is_no_news(loaded: Config) -> None:
    assert said(loaded, decided(C), decided(C, 3), rain=(0.0, 2.0)) == []


def test_a_recheck_is_due_from_its_time_for_an_hour_on_working_days_and_the_later_of_two_goes_first(
    loaded: Config,
) -> None:
    site = replace(loaded.sites[0], recheck_at=(time(9, 0), time(9, 30), time(13, 0)))

    def due(at: time, day: Any = demo.DAY) -> Any:
        found = service_due.due_recheck(site, times.moment_utc(day, at, site.zone))
        return found and found[1]

    assert [due(time(8, 59)), due(time(9, 0)), due(time(9, 30)), due(time(10, 29)), due(time(10, 30))] == [
        None,
        time(9, 0),
        time(9, 30),
        time(9, 30),
        None,
    ]
    sunday = demo.DAY + timedelta(days=5)
    assert due(time(9, 0), sunday) is None
