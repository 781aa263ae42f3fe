"""Faults made at random from a sound body: never a crash, never a silent wrong value."""

from __future__ import annotations

import copy
import json
from typing import Any

import numpy as np
from bodies import HARROW_FLATS_BODY, VALID, weather_of
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from notes import english

from gonogo.errors import WeatherError
from gonogo.weather.members import WET_MM_H

NAMES = sorted(name for name in VALID["hourly"] if name != "time")
N = len(VALID["hourly"]["time"])
CLEAN = weather_of(HARROW_FLATS_BODY)
SERIES = ("temp_degc", "rh_pct", "wind_2m_m_s", "pressure_kpa", "shortwave_w_m2", "rain_mm", "snow_mm")
LIMITS = {
    "temp_degc": (-60.0, 60.0),
    "rh_pct": (0.0, 100.0),
    "wind_2m_m_s": (0.0, 75.0),
    "pressure_kpa": (45.0, 110.0),
    "shortwave_w_m2": (0.0, 1400.0),
    "rain_mm": (0.0, 300.0),
    "snow_mm": (0.0, 300.0),
}

VALUES = st.one_of(
    st.none(),
    st.just("NaN"),
    st.just(float("nan")),
    st.just(float("inf")),
    st.sampled_from(["1.0", "", True, [], {}, -0.2, -1.0, 9999, -9999, 10**30, 1e308]),
    st.floats(-100.0, 1500.0),
)
JSON_VALUES = st.one_of(
    VALUES, st.text(max_size=5), st.lists(VALUES, max_size=3), st.dictionaries(st.text(max_size=3), VALUES, max_size=2)
)
slow = settings(max_examples=12, deadline=None, suppress_health_check=[HealthCheck.too_slow])


def sound_or_refused(body: bytes) -> Any:
    """Return the weather of a body whose every number is possible, or None where it was refused with a reason."""
    try:
        weather = weather_of(body)
    except WeatherError as refusal:
        reason = str(refusal)
    else:
        reason = ""
    if reason:
        assert reason.startswith("open_meteo: ")
        return None
    assert (np.diff(weather.hour_utc) == np.timedelta64(1, "h")).all()
    for name, (low, high) in LIMITS.items():
        values = getattr(weather, name)
        assert np.isfinite(values).all(), name
        assert ((values >= low) & (values <= high)).all(), name
    assert (weather.rain_members_mm >= 0.0).all()
    return weather


@slow
@given(
    faults=st.lists(
        st.tuples(st.sampled_from(NAMES), st.integers(0, N - 1), st.integers(1, 6), VALUES), min_size=1, max_size=4
    )
)
def test_values_that_are_wrong_are_repaired_out_loud_or_refused(faults: list[tuple[str, int, int, Any]]) -> None:
    body = copy.deepcopy(VALID)
    touched: set[tuple[str, int]] = set()
    for name, at, length, value in faults:
        for index in range(at, min(N, at + length)):
            body["hourly"][name][index] = value
            touched.add((name, index))
    weather = sound_or_refused(json.dumps(body).encode())
    if weather is None:
        return
    # Every hour further than a bridge from a touched stamp is as it was in the sound body, or the mail says why.
    if len(weather.hour_utc) != len(CLEAN.hour_utc):
        assert weather.notes
        return
    far = np.ones(N - 1, dtype=bool)
    for _, index in touched:
        far[max(0, index - 2) : index + 2] = False
    for name in SERIES:
        if name in ("snow_mm", "rain_mm") and any("contradicts chance" in note for note in english(weather.notes)):
            continue
        if name in ("snow_mm", "rain_mm") and any(note.startswith("Snow") for note in english(weather.notes)):
            continue
        if name == "rain_mm" and any("Chance of rain was left out" in note for note in english(weather.notes)):
            # Without its chance an hour keeps its own amount: at most the least amount of a chance is gone.
            np.testing.assert_allclose(getattr(weather, name)[far], getattr(CLEAN, name)[far], atol=WET_MM_H)
            continue
        np.testing.assert_allclose(getattr(weather, name)[far], getattr(CLEAN, name)[far], atol=1e-9, err_msg=name)
    # A filled value is always told. (A weather code, a chance or a surface temperature may be unknown in silence.)
    nulls = {(name, i) for name, i in touched if body["hourly"][name][i] in (None, "NaN", "") and 2 < i < N - 2}
    filled = {
        "temperature_2m",
        "relative_humidity_2m",
        "wind_speed_10m",
        "surface_pressure",
        "shortwave_radiation",
        "precipitation",
    }
    if any(name in filled for name, _ in nulls):
        told = ("filled", "came without values", "missing", "contradicts")
        assert any(any(word in note for word in told) for note in english(weather.notes))


@slow
@given(data=st.data())
def test_hours_that_move_vanish_or_repeat_never_shift_a_value_to_another_hour(data: st.DataObject) -> None:
    order = list(range(N))
    for _ in range(data.draw(st.integers(1, 3))):
        kind = data.draw(st.sampled_from(["drop", "repeat", "swap", "reverse", "cut"]))
        at = data.draw(st.integers(0, len(order) - 8))
        n = data.draw(st.integers(1, 6))
        if kind == "drop":
            del order[at : at + n]
        elif kind == "repeat":
            order[at:at] = order[at : at + n]
        elif kind == "swap":
            order[at : at + n] = order[at : at + n][::-1]
        elif kind == "reverse":
            order.reverse()
        else:
            order = order[: max(8, len(order) - 20 * n)]
    body = copy.deepcopy(VALID)
    body["hourly"] = {name: [values[i] for i in order] for name, values in body["hourly"].items()}
    weather = sound_or_refused(json.dumps(body).encode())
    if weather is None:
        return
    given_stamps = np.array(body["hourly"]["time"], dtype="int64").astype("datetime64[s]")
    is_whole = np.isin(weather.hour_utc, given_stamps) & np.isin(weather.hour_utc + 1, given_stamps)
    at_clean = np.searchsorted(CLEAN.hour_utc, weather.hour_utc)
    for name in SERIES:
        np.testing.assert_allclose(
            getattr(weather, name)[is_whole], getattr(CLEAN, name)[at_clean][is_whole], atol=1e-9, err_msg=name
        )
    if not is_whole.all():
        assert weather.notes


@slow
@given(key=st.sampled_from([*VALID, "error", "reason"]), value=JSON_VALUES)
def test_any_value_at_the_top_is_refused_or_harmless(key: str, value: Any) -> None:
    sound_or_refused(json.dumps({**VALID, key: value}).encode())


@slow
@given(column=st.sampled_from([*VALID["hourly"]]), value=JSON_VALUES)
def test_any_value_for_a_column_or_a_unit_is_refused_or_harmless(column: str, value: Any) -> None:
    body = copy.deepcopy(VALID)
    body["hourly"][column] = value
    sound_or_refused(json.dumps(body).encode())
    body = copy.deepcopy(VALID)
    body["hourly_units"][column] = value
    sound_or_refused(json.dumps(body).encode())


@slow
@given(at=st.integers(0, len(HARROW_FLATS_BODY) - 1), junk=st.binary(max_size=30), is_cut=st.booleans())
def test_broken_bytes_are_refused_or_harmless(at: int, junk: bytes, is_cut: bool) -> None:
    sound_or_refused(HARROW_FLATS_BODY[:at] + junk + (b"" if is_cut else HARROW_FLATS_BODY[at + len(junk) :]))


@slow
@given(body=st.binary(max_size=200))
def test_any_bytes_are_refused(body: bytes) -> None:
    assert sound_or_refused(body) is None
