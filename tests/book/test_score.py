"""How right the mails were: figures from pairs, and pairs from what a season stored."""

from __future__ import annotations

import math
from collections.abc import Iterator
from datetime import date, timedelta
from pathlib import Path

import pytest
from book_season import FIRST, Season
from sites import small_site

from gonogo.book import evidence, score_view
from gonogo.book.export import Covered
from gonogo.book.score import Evidence, RainPair, TestPair, VerdictTested, scored
from gonogo.cli import app, book_app
from gonogo.records.field import GaugeRain, Reading
from gonogo.store import runs, schema
from gonogo.wording.language import languages, speaker

DAY = date(2026, 5, 12)


def pair(foreseen: float, measured: float, *, last: float = 16.0, chance: float = 0.5, lead: int = 1) -> TestPair:
    return TestPair(
        day=DAY,
        lead_days=lead,
        foreseen_pct=foreseen,
        low_pct=foreseen - 1.0,
        high_pct=foreseen + 1.0,
        last_pct=last,
        measured_pct=measured,
        chance=chance,
        is_inside=15.0 <= measured <= 19.0,
    )


def of(*tests: TestPair, rain: tuple[RainPair, ...] = (), verdicts: tuple[VerdictTested, ...] = ()) -> Evidence:
    return Evidence(tests=tests, rain=rain, verdicts=verdicts, n_mails=0, n_mails_on_time=0)


def test_errors_are_root_mean_squares_of_the_same_pairs() -> None:
    tests = [pair(17.0, 18.0), pair(17.0, 16.0)] * 5
    (lead,) = [lead for lead in scored(of(*tests)).leads if lead.lead_days == 1]
    assert lead.n == 10
    assert lead.rmse_pct == pytest.approx(1.0)
    assert lead.as_tested_pct == pytest.approx(math.sqrt((2.0**2 + 0.0**2) / 2))
    assert lead.band_share == 1.0
    assert not lead.is_worse


def test_a_test_beside_the_band_on_either_side_is_outside_it() -> None:
    tests = [*([pair(17.0, 18.5)] * 3), *([pair(17.0, 15.5)] * 2), *([pair(17.0, 18.0)] * 5)]
    (lead,) = [lead for lead in scored(of(*tests)).leads if lead.lead_days == 1]
    assert lead.band_share == pytest.approx(0.5)


def test_no_figure_stands_below_ten_pairs_and_none_without_a_last_test() -> None:
    nine = [pair(17.0, 18.0)] * 9
    assert all(math.isnan(lead.rmse_pct) for lead in scored(of(*nine)).leads)
    untested = [pair(17.0, 18.0, last=math.nan)] * 20
    assert {lead.n for lead in scored(of(*untested)).leads} == {0}


def test_a_score_that_loses_to_the_last_test_at_most_leads_says_so() -> None:
    worse = [pair(18.0, 16.1), pair(14.0, 15.9)] * 5
    assert scored(of(*worse)).is_worse_than_last_test
    mixed = [*worse, *([pair(18.0, 18.0, lead=2)] * 10)]
    assert not scored(of(*mixed)).is_worse_than_last_test, "one lead of two is not most of them"
    assert not scored(of()).is_worse_than_last_test


def test_chances_stand_beside_what_came_true_and_a_sure_one_counts() -> None:
    tests = [pair(17.0, 17.0, chance=1.0)] * 9 + [pair(17.0, 20.0, chance=0.95)]
    last = scored(of(*tests)).chances[-1]
    assert (last.low, last.high, last.n) == (0.9, 1.0, 10)
    assert last.told == pytest.approx(0.995)
    assert last.came_true == pytest.approx(0.9)


def test_rain_and_verdicts_and_doses_are_counted() -> None:
    rain = tuple(RainPair(lead_days=0, foreseen_mm=mm, chance=0.5, gauge_mm=2.0) for mm in (1.0, 5.0) * 5)
    verdicts = (
        VerdictTested(day=DAY, strip_id="N1", verdict="compact", is_confirmed=True),
        VerdictTested(day=DAY, strip_id="N2", verdict="compact", is_confirmed=False),
        VerdictTested(
            day=DAY, strip_id="N3", verdict="water", is_confirmed=True, litres_told=9000.0, litres_right=8000.0
        ),
    )
    found = scored(of(rain=rain, verdicts=verdicts))
    assert (found.rain[0].bias_mm, found.rain[0].mean_absolute_mm) == (pytest.approx(1.0), pytest.approx(2.0))
    assert found.confirmed == {"compact": (1, 1), "water": (1, 0)}
    assert (found.n_doses, found.litres_told, found.litres_right) == (1, 9000.0, 8000.0)


@pytest.fixture(scope="module")
def season(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Season]:
    """Four mornings; N1 is tested before the second, and again after the third and the fourth."""
    season = Season(tmp_path_factory.mktemp("score"), n_days=4)
    days = [FIRST + timedelta(days=n) for n in range(4)]
    season.morning(days[0])
    season.add(Reading(strip_id="N1", at_utc=season.at(days[1], "03:00"), w_pct=17.5, method="oven"))
    season.morning(days[1])
    season.morning(days[2])
    season.add(Reading(strip_id="N1", at_utc=season.at(days[2], "06:40"), w_pct=17.1, method="oven"))
    season.morning(days[3])
    season.day_of_work(days[3], tests=[], N1=5000.0)
    season.add(Reading(strip_id="N1", at_utc=season.at(days[3], "15:00"), w_pct=18.6, method="oven"))
    season.add(GaugeRain(from_utc=season.at(days[1], "00:00"), until_utc=season.at(days[2], "00:00"), rain_mm=5.5))
    yield season
    season.store.dispose()


def covered(season: Season) -> Covered:
    return Covered(site=season.site, first=FIRST, last=FIRST + timedelta(days=3))


def test_pairs_are_what_was_stored_beside_what_was_found_with_weather_alone_between(season: Season) -> None:
    with schema.read(season.store) as connection:
        found = evidence.gathered(connection, covered(season), ())
        third = FIRST + timedelta(days=2)
        run = runs.last_run(connection, season.site.id, day=third)
        assert run is not None
        told = next(d for d in runs.decisions(connection, run.id) if d.strip_id == "N1")
    own = {p.lead_days: p for p in found.tests if p.day == third}
    assert set(own) == {0, 1, 2}
    assert own[0].foreseen_pct == told.w_now_pct
    assert (own[0].last_pct, own[1].last_pct) == (17.5, 17.5)
    assert math.isnan(own[2].last_pct), "the first morning knew no test"
    fourth = FIRST + timedelta(days=3)
    assert not [p for p in found.tests if p.day == fourth], "the truck had come between"
    second = [p.lead_days for p in found.tests if p.day == FIRST + timedelta(days=1)]
    assert second == [1], "the second mail knew that test; only the first had foreseen it"


def test_rain_is_compared_only_where_the_gauge_covers_the_day(season: Season) -> None:
    with schema.read(season.store) as connection:
        found = evidence.gathered(connection, covered(season), ())
    assert [(pair.lead_days, pair.gauge_mm) for pair in found.rain] == [(1, 5.5), (0, 5.5)]
    assert found.rain[1].foreseen_mm == pytest.approx(6.5, abs=0.5)
    assert (found.n_mails, found.n_mails_on_time) == (20, 20)


@pytest.mark.parametrize("code", languages())
def test_a_score_reads_in_every_language_and_gives_its_answer_first(code: str) -> None:
    worse = scored(of(*([pair(18.0, 16.1), pair(14.0, 15.9)] * 5)))
    speak = speaker(code, "metric")
    site = covered_site()
    shown = score_view.view(site, worse, speak)
    assert shown.first == speak.word("score.worse")
    assert shown.advice
    text = score_view.text(shown)
    assert text.index(shown.first[:20]) < text.index(shown.tables[0].title)
    page = score_view.page(site, worse, speak)
    assert page.count("<svg") == 1


def covered_site() -> Covered:
    return Covered(site=small_site(), first=DAY, last=DAY)


def test_the_command_prints_and_writes(
    season: Season, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(book_app, "load_config", lambda _: season.config)
    page = tmp_path / "score.html"
    arguments = ["score", "--since", str(FIRST), "--until", str(FIRST + timedelta(days=3)), "--html", str(page)]
    assert app.run(arguments) == app.Exit.OK
    shown = capsys.readouterr().out
    assert "too few tests" in shown
    assert "20 of 20 morning mails" in shown
    assert "<h1>" in page.read_text(encoding="utf-8")
    assert app.run(["score", "--since", "2031-01-01"]) == app.Exit.CONFIG
