"""Whatever is done to a valid body of any service, it ends in sound weather or in a refusal in its own name."""

from __future__ import annotations

import copy
import json
from typing import Any

import numpy as np
import pytest
from bodies import HARROW_FLATS, MORNING_UTC, fixture_body
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from gonogo.errors import WeatherError
from gonogo.weather import services
from gonogo.weather.series import HourlyWeather, check
from gonogo.weather.table import COLUMNS, ReceivedForecast

NAMES = sorted(set(services.find()) - {"open_meteo"})  # that one has its own file
EVERY = pytest.mark.parametrize("name", NAMES)
BODIES: dict[str, Any] = {name: json.loads(fixture_body(name)) for name in NAMES}
slow = settings(
    max_examples=12, deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.function_scoped_fixture]
)
VALUES = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(-(10**12), 10**12),
    st.sampled_from([10**400, -1, 0, 1e308]),
    st.floats(allow_nan=True, allow_infinity=True),
    st.sampled_from(["", "NaN", "1.0", "2026-05-12T05:00:00Z", "2026-05-12T07:00:00+00:00/PT3H", "wmoUnit:m", "é"]),
    st.lists(st.integers(0, 3), max_size=3),
    st.dictionaries(st.sampled_from(["values", "value", "time", "uom"]), st.none() | st.integers(0, 5), max_size=2),
)
LIMITS = {name: (column.low, column.high) for name, column in COLUMNS.items() if column.is_essential}


def weather(name: str, body: bytes) -> HourlyWeather:
    return check(
        ReceivedForecast(parsed=services.find()[name].parse(body, HARROW_FLATS), fetched_utc=MORNING_UTC),
        site=HARROW_FLATS,
        now_utc=MORNING_UTC,
        gauge=[],
        n_members=12,
        rng=np.random.default_rng(1),
    )


CLEAN = {name: weather(name, fixture_body(name)) for name in NAMES}


def sound_or_refused(name: str, body: bytes) -> HourlyWeather | None:
    """Return the weather, whose every number is possible; None where it was refused in words."""
    try:
        found = weather(name, body)
    except WeatherError as error:
        reason = str(error)
    else:
        reason = ""
    if reason:
        assert reason.startswith(f"{name}: ")
        return None
    assert (np.diff(found.hour_utc) == np.timedelta64(1, "h")).all()
    for column in ("temp_degc", "rh_pct", "wind_2m_m_s", "pressure_kpa", "shortwave_w_m2"):
        values, (low, high) = getattr(found, column), LIMITS[column]
        assert np.isfinite(values).all()
        assert ((values >= low) & (values <= high)).all()
    for column in ("rain_mm", "snow_mm", "melt_mm", "rain_members_mm", "frost_depth_mm"):
        values = getattr(found, column)
        assert np.isfinite(values).all()
        assert (values >= 0.0).all()
    return found


def places(node: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    """Return the path of every value of a body; of long lists the beginning and some of the rest."""
    found = [path] if path else []
    if isinstance(node, dict):
        for key, value in node.items():
            found += places(value, (*path, key))
    elif isinstance(node, list):
        for at in [*range(min(len(node), 6)), *range(6, len(node), max(1, len(node) // 12))]:
            found += places(node[at], (*path, at))
    return found


PLACES = {name: places(body) for name, body in BODIES.items()}


def set_at(body: Any, path: tuple[Any, ...], value: Any) -> None:
    for key in path[:-1]:
        body = body[key]
    body[path[-1]] = value


@EVERY
@slow
@given(data=st.data())
def test_any_value_in_any_place_is_refused_repaired_or_harmless(name: str, data: st.DataObject) -> None:
    body = copy.deepcopy(BODIES[name])
    for path in data.draw(st.lists(st.sampled_from(PLACES[name]), min_size=1, max_size=3, unique=True)):
        try:
            set_at(body, path, data.draw(VALUES))
        except (KeyError, IndexError, TypeError):
            continue  # an earlier change took the place away
    sound_or_refused(name, json.dumps(body).encode())


def lists_of(body: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    """Return the paths of the long lists of a body."""
    found = [path] if isinstance(body, list) and len(body) > 8 else []
    items = body.items() if isinstance(body, dict) else []
    for key, value in items:
        found += lists_of(value, (*path, key))
    return found


LISTS = {name: lists_of(body) for name, body in BODIES.items()}


@EVERY
@slow
@given(data=st.data())
def test_entries_that_vanish_repeat_or_change_places_never_move_a_value_to_another_hour(
    name: str, data: st.DataObject
) -> None:
    body = copy.deepcopy(BODIES[name])
    entries: Any = body
    for key in data.draw(st.sampled_from(LISTS[name])):
        entries = entries[key]
    kind = data.draw(st.sampled_from(["drop", "repeat", "reverse", "cut", "null"]))
    at, n = data.draw(st.integers(0, len(entries) - 2)), data.draw(st.integers(1, 4))
    if kind == "drop":
        del entries[at : at + n]
    elif kind == "repeat":
        entries[at:at] = entries[at : at + n]
    elif kind == "reverse":
        entries.reverse()
    elif kind == "cut":
        del entries[max(2, at) :]
    else:
        entries[at : at + n] = [None] * len(entries[at : at + n])
    found = sound_or_refused(name, json.dumps(body).encode())
    # A list of stamped entries may only lose hours; columns without stamps (an ensemble's, or the series of a grid, of
    # which only what is not essential may go) must keep their length.
    if found is None or name in ("open_meteo_ensemble", "grid"):
        return
    clean = CLEAN[name]
    both, rows, clean_rows = np.intersect1d(found.hour_utc, clean.hour_utc, return_indices=True)
    assert len(both)
    same = np.isclose(found.temp_degc[rows], clean.temp_degc[clean_rows])
    # What was dropped is drawn from its neighbours: a few hours at most, and said.
    if not same.all():
        assert (~same).sum() <= 24
        assert found.notes != clean.notes


@EVERY
@slow
@given(data=st.data(), junk=st.binary(max_size=20), is_cut=st.booleans())
def test_broken_bytes_are_refused_or_harmless(name: str, data: st.DataObject, junk: bytes, is_cut: bool) -> None:
    raw = fixture_body(name)
    at = data.draw(st.integers(0, len(raw) - 1))
    sound_or_refused(name, raw[:at] + junk + (b"" if is_cut else raw[at + len(junk) :]))
