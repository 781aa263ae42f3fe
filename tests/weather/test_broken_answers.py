"""The faults that weather_faults.py counts: each is one, and what must be seen in the answer alone is seen."""

from __future__ import annotations

import copy
from typing import Any

import pytest
from bodies import MORNING_UTC, VALID
from broken_answers import OWN, SECOND
from weather_faults import Week

from gonogo.download.usable import usable
from gonogo.errors import WeatherError

NOW = VALID["hourly"]["time"].index(int(MORNING_UTC.timestamp()))
# What one answer alone does not show, or what changes nothing that a verdict hangs on.
LEFT_TO_OTHERS = {
    "amounts in tenths of mm": "held against the answer of before",
    "amounts of two hours swapped": "an hour beside is the seam between two runs of a model",
    "chance as a fraction": "the members' chance is never below what the amount implies",
    "temperature and dew point 8 degrees less": "held against the answer of before",
}
SEEN = {"rain_contradicted", "rain_missing"}  # notes of rain that counts as not known


@pytest.mark.parametrize("name", [*OWN, *SECOND])
def test_every_fault_changes_the_answer(name: str) -> None:
    body = copy.deepcopy(VALID)
    (OWN | SECOND)[name](body, NOW)
    assert body != VALID


@pytest.fixture(scope="module")
def week(tmp_path_factory: pytest.TempPathFactory) -> Week:
    """A drawn week with rain on several days and in its shift."""
    return Week(21000, tmp_path_factory.mktemp("week"))


@pytest.mark.parametrize("name", sorted(set(OWN) - set(LEFT_TO_OTHERS)))
def test_a_fault_that_betrays_itself_is_refused_or_leaves_the_rain_unknown(week: Week, name: str) -> None:
    body = copy.deepcopy(week.whole)
    OWN[name](body, week.now)
    assert is_seen(week, body)


def is_seen(week: Week, body: dict[str, Any]) -> bool:
    """Return whether an answer is refused, or some of its rain counts as not known."""
    try:
        found = usable(week.answer("open_meteo", body, week.at_utc), week.site, week.at_utc)
    except WeatherError:
        return True
    return bool(SEEN & {note.key for note in found.checked[1]})


def test_a_sound_answer_is_neither_refused_nor_doubted(week: Week) -> None:
    assert not is_seen(week, week.whole)
    for answer in (week.before, week.second):
        found = usable(answer, week.site, answer.fetched_utc)
        assert not SEEN & {note.key for note in found.checked[1]}
