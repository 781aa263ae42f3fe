"""What if: the same members twice, so that what differs comes of the question, and moves the right way."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import timedelta
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from example_mornings import example_config, example_frame, recorded

from gonogo import times
from gonogo.cli import demo, whatif_report
from gonogo.decide.judge import SiteDay
from gonogo.decide.whatif import Course, Turn, courses
from gonogo.errors import ConfigError
from gonogo.morning import answers
from gonogo.morning.previous import StoredInputs
from gonogo.records.verdict import Verdict
from gonogo.weather.series import HourlyWeather

NOW = demo.MORNING_UTC


@cache
def asked(strip_id: str, turn: Turn, tmp: str, *, is_dry: bool = False) -> tuple[Course, Course]:
    config = example_config(Path(tmp))
    site = config.sites[0]
    settings = {**config.settings[site.id], "ensemble_members": 20.0}
    config = replace(config, settings={site.id: settings})
    entries = config.readings[site.id]
    frame = example_frame(config, None, keeps=False)
    stored = StoredInputs(entries=entries)
    weather = answers.checked(frame, stored, recorded(site, NOW, ()), np.random.default_rng(5))
    return courses(
        SiteDay(site=site, day=demo.DAY, now_utc=NOW, settings=settings),
        strip_id,
        turn,
        weather=without_rain_to_come(weather) if is_dry else weather,
        entries=entries,
        seed=5,
    )


def without_rain_to_come(weather: HourlyWeather) -> HourlyWeather:
    is_past = weather.hour_utc < times.as_hour(NOW)
    return replace(
        weather,
        rain_mm=weather.rain_mm * is_past,
        rain_members_mm=weather.rain_members_mm * is_past[:, None],
        rain_peaks_mm=weather.rain_peaks_mm * is_past[:, None],
    )


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> str:
    return str(tmp_path_factory.mktemp("whatif"))


def test_water_wets_the_strip_by_its_dry_mass_and_makes_a_dry_one_right(folder: str) -> None:
    is_it, would = asked("N2", Turn(litres=20_000.0), folder)
    # 140 x 12 m, 0.25 m at 1400 kg/m3: 20 000 L are 3.4 points; some of it has dried or drained by the shift
    raised = would.decision.w_now_pct - is_it.decision.w_now_pct
    assert 2.5 < raised <= 100.0 * 20_000.0 / (140 * 12 * 0.25 * 1400) + 1e-6
    assert is_it.decision.verdict == Verdict.WATER
    assert would.outlook[0].chance > is_it.outlook[0].chance


def test_rain_wets_and_disking_dries_a_wet_strip_on_a_drying_day(folder: str) -> None:
    """The night after the recorded morning is wet, and a disked lift takes its rain in: only dry days dry it."""
    is_it, wet = asked("S1", Turn(rain_mm=8.0), folder)
    assert wet.decision.w_now_pct > is_it.decision.w_now_pct
    assert wet.outlook[0].rain_mm == pytest.approx(is_it.outlook[0].rain_mm + 8.0)
    as_is, disked = asked("N3", Turn(is_disked=True), folder, is_dry=True)
    # At the break of day: an hour of it takes next to nothing, and the disking itself takes nothing.
    assert disked.decision.w_now_pct == pytest.approx(as_is.decision.w_now_pct, abs=0.01)
    for before, after in zip(as_is.outlook[1:6], disked.outlook[1:6], strict=True):
        assert after.rain_mm == 0.0
        assert after.w_mean_pct < before.w_mean_pct
        assert after.chance > before.chance


def test_a_delay_looks_at_the_same_path_later_and_at_an_older_test(folder: str) -> None:
    is_it, would = asked("S1", Turn(delay_h=24.0), folder)
    assert would.outlook[0].day == demo.DAY + timedelta(days=1)
    assert would.outlook[0].w_mean_pct == pytest.approx(is_it.outlook[1].w_mean_pct)
    assert would.decision.reading_age_h == pytest.approx(is_it.decision.reading_age_h + 24.0)


def test_what_is_imagined_for_one_strip_leaves_its_course_as_it_is_alone(folder: str) -> None:
    first, _ = asked("S1", Turn(litres=9000.0), folder)
    second, _ = asked("S1", Turn(rain_mm=8.0), folder)
    assert first.decision.w_now_pct == second.decision.w_now_pct
    assert [row.chance for row in first.outlook] == [row.chance for row in second.outlook]


@pytest.mark.parametrize(
    ("turn", "key"),
    [
        (Turn(), "whatif"),
        (Turn(litres=-1.0), "--water"),
        (Turn(litres=math.nan), "--water"),
        (Turn(rain_mm=301.0), "--rain"),
        (Turn(delay_h=math.inf), "--delay"),
    ],
)
def test_a_question_that_cannot_be_is_refused_with_what_would_be_right(turn: Turn, key: str) -> None:
    with pytest.raises(ConfigError) as caught:
        whatif_report.checked(turn)
    (fault,) = caught.value.faults
    assert fault.key == key
    assert "--" in fault.right
    assert f"{key} = " in str(fault) or key == "whatif"


def test_a_question_that_can_be_is_passed_on() -> None:
    for turn in (Turn(litres=9000.0), Turn(rain_mm=300.0), Turn(is_disked=True), Turn(delay_h=240.0)):
        assert whatif_report.checked(turn) == turn
