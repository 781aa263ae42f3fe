"""No fault, no missing number and no wet path ends in "compact"."""

from __future__ import annotations

import math
from dataclasses import fields, replace

import numpy as np
import pytest
from hand_made import DAY, MEMBERS, N_HOURS, SETTINGS, SPREAD, morning, row
from hypothesis import given, settings
from hypothesis import strategies as st

from gonogo.decide.facts import FACTS, Known, MorningInputs, collect
from gonogo.decide.outlook import outlook
from gonogo.decide.rules import RULES
from gonogo.decide.today import prepare
from gonogo.decide.verdict import NOT_KNOWABLE, OPERATORS, decide, judge
from gonogo.records.verdict import Verdict

NAMED = sorted({name for rule in RULES for left, _, right in rule.when for name in (left, right)})
RIGHT = morning()
RIGHT_FACTS = {name: float(column[0]) for name, column in collect(Known(prepared=prepare(RIGHT), watered={})).items()}
EARLIEST, SHIFT = row(7.0), range(row(7.0), row(17.0))
FEW = settings(max_examples=60, deadline=None)


@pytest.mark.parametrize("name", NAMED)
def test_one_unknown_number_that_a_row_names_waits(name: str) -> None:
    assert judge(RIGHT_FACTS, SETTINGS).verdict == Verdict.COMPACT
    spoilt = (
        ({**RIGHT_FACTS, name: math.nan}, SETTINGS) if name in FACTS else (RIGHT_FACTS, SETTINGS | {name: math.nan})
    )
    said = judge(*spoilt)
    assert (said.verdict, said.rule_id) == (Verdict.WAIT, NOT_KNOWABLE)


@given(
    facts=st.fixed_dictionaries({name: st.floats(allow_nan=True, allow_infinity=True) for name in FACTS}),
    unknown=st.sampled_from(NAMED),
)
@settings(max_examples=300, deadline=None)
def test_whatever_the_facts_an_unknown_number_never_compacts(facts: dict[str, float], unknown: str) -> None:
    said = judge(facts | {unknown: math.nan}, SETTINGS | ({unknown: math.nan} if unknown in SETTINGS else {}))
    assert said.verdict == Verdict.WAIT
    assert said.rule_id == NOT_KNOWABLE


@given(facts=st.fixed_dictionaries({name: st.floats(allow_nan=False, allow_infinity=True) for name in FACTS}))
@settings(max_examples=300, deadline=None)
def test_compact_means_that_its_row_holds_and_no_earlier_one_does(facts: dict[str, float]) -> None:
    said = judge(facts, SETTINGS)
    holds = [
        all(OPERATORS[op](facts.get(a, SETTINGS.get(a)), facts.get(b, SETTINGS.get(b))) for a, op, b in rule.when)
        for rule in RULES
    ]
    first = holds.index(True) if any(holds) else None
    assert said.verdict == (Verdict.WAIT if first is None else RULES[first].verdict)
    assert [seen.held for seen in said.seen] == holds


def spoilt(inputs: MorningInputs, name: str, where: tuple[int, ...]) -> MorningInputs:
    """Return the inputs with one number of an array unknown."""
    in_weather = not hasattr(inputs, name)
    array = np.array(getattr(inputs.weather if in_weather else inputs, name))
    array[where[: array.ndim]] = np.nan
    if in_weather:
        return replace(inputs, weather=replace(inputs.weather, **{name: array}))
    return replace(inputs, **{name: array})


@given(
    name=st.sampled_from(
        ["w_pct", "w_top_pct", "w_base_pct", "et0_mm", "rain_members_mm", "temp_degc", "wind_2m_m_s", "snow_mm"]
    ),
    hour=st.sampled_from(list(SHIFT)),
    member=st.integers(0, MEMBERS - 1),
)
@FEW
def test_one_unknown_hour_of_the_shift_never_compacts_over_it(name: str, hour: int, member: int) -> None:
    where = (hour, 0, member) if name.startswith("w_") else (hour, member)
    (made,) = decide(spoilt(RIGHT, name, where))
    assert made.verdict == Verdict.WAIT
    assert made.rule_id == NOT_KNOWABLE


@pytest.mark.parametrize("name", ["reading_age_h", "rained_since_reading_mm"])
def test_an_unknown_reading_never_compacts(name: str) -> None:
    (made,) = decide(replace(RIGHT, **{name: np.array([math.nan])}))
    assert made.verdict == Verdict.WAIT


@pytest.mark.parametrize("record", ["strip", "roller", "material"])
def test_one_unknown_number_of_a_record_never_compacts(record: str) -> None:
    lies = RIGHT.strips[0]
    crew, soil = RIGHT.crew(lies), RIGHT.material(lies)
    needed = {
        "strip": (lies, ["length_m", "width_m", "lift_thickness_m"]),
        "roller": (crew.roller, ["rolled_width_m", "overlap_m", "speed_km_h", "efficiency", "passes"]),
        "material": (soil, ["omc_pct", "window_low_pct", "window_high_pct"]),
    }
    nouns, names = needed[record]
    assert set(names) <= {field.name for field in fields(nouns)}
    for name in names:
        broken = replace(nouns, **{name: math.nan})
        site = {
            "strip": lambda new: replace(RIGHT.site, strips=(new,)),
            "roller": lambda new: replace(RIGHT.site, crews=(replace(crew, roller=new),)),
            "material": lambda new: replace(RIGHT.site, materials=(new,)),
        }[record](broken)
        (made,) = decide(replace(RIGHT, site=site, strips=site.strips))
        assert made.verdict == Verdict.WAIT, name


@pytest.mark.parametrize("name", sorted(SETTINGS))
def test_one_unknown_setting_stops_nothing_and_lets_nothing_more_through(name: str) -> None:
    for w_pct in (9.0, 17.0):
        (made,) = decide(replace(morning(w_pct), settings=SETTINGS | {name: math.nan}))
        assert made.verdict != Verdict.COMPACT
    assert len(outlook(replace(RIGHT, settings=SETTINGS | {name: math.nan}))) == 7


def test_a_forecast_that_ends_today_at_noon_does_not_compact() -> None:
    weather = RIGHT.weather
    cut = row(12.0)
    short = {f.name: getattr(weather, f.name) for f in fields(weather)}
    short |= {name: value[:cut] for name, value in short.items() if isinstance(value, np.ndarray)}
    (made,) = decide(replace(RIGHT, weather=type(weather)(**short)))
    assert made.rule_id == NOT_KNOWABLE


PATHS = st.lists(st.floats(4.0, 26.0), min_size=8, max_size=8).map(
    lambda knots: np.interp(np.arange(N_HOURS), np.linspace(0, N_HOURS - 1, 8), knots)
)


@given(path=PATHS, sd_pct=st.floats(0.0, 3.0), rain=st.floats(0.0, 4.0), et0=st.floats(0.0, 0.9))
@FEW
def test_compact_only_where_the_members_are_in_the_window_while_it_is_rolled(
    path: np.ndarray, sd_pct: float, rain: float, et0: float
) -> None:
    inputs = morning(path, sd_pct=sd_pct, rain_mm=rain, et0_mm=et0)
    (made,) = decide(inputs)
    if made.verdict == Verdict.COMPACT:
        first = int((made.from_utc.timestamp() // 3600) - int(inputs.hour_utc[0].astype(np.int64)))
        members = path[first : first + 2, None] + sd_pct * SPREAD
        inside = np.mean(np.all((members >= 12.0 - 1e-9) & (members <= 16.0 + 1e-9), axis=0))
        assert inside >= 0.7
        assert rain < SETTINGS["rain_stop_mm_h"]
        assert made.until_utc > made.from_utc
    if made.verdict == Verdict.WATER:
        assert np.mean(path[EARLIEST : row(17.0) + 1]) < 16.0
        assert made.water.litres_m2 >= SETTINGS["dose_min_litres_m2"]
        assert made.water.finish_utc < made.from_utc < made.until_utc
    if made.verdict == Verdict.WAIT:
        assert (made.from_utc, made.until_utc, made.water) == (None, None, None)


@given(w_pct=st.floats(6.0, 22.0), wetter=st.floats(0.0, 6.0), sd_pct=st.floats(0.05, 2.0))
@FEW
def test_a_wetter_strip_never_gets_more_water(w_pct: float, wetter: float, sd_pct: float) -> None:
    (drier,), (moister,) = decide(morning(w_pct, sd_pct=sd_pct)), decide(morning(w_pct + wetter, sd_pct=sd_pct))
    litres = [0.0 if made.verdict != Verdict.WATER else made.water.litres_m2 for made in (drier, moister)]
    both_watered = all(made.verdict == Verdict.WATER for made in (drier, moister))
    if both_watered:
        assert litres[1] <= litres[0] + 0.05  # a shorter job evaporates a little less
    if drier.reason == "too_wet":
        assert moister.verdict == Verdict.WAIT


@given(more=st.floats(0.0, 5.0), chance_of_rain=st.floats(0.0, 1.0))
@FEW
def test_more_rain_never_opens_a_window(more: float, chance_of_rain: float) -> None:
    n_wet = round(chance_of_rain * MEMBERS)
    rain = np.zeros((N_HOURS, MEMBERS))
    rain[row(7.0) : row(17.0), :n_wet] = more
    (made,), (drier,) = decide(morning(rain_mm=rain)), decide(morning())
    assert made.facts["chance_in_window"] <= drier.facts["chance_in_window"]
    if more >= SETTINGS["rain_stop_mm_h"] and n_wet > 0.3 * MEMBERS:
        assert made.verdict == Verdict.WAIT


def test_the_same_inputs_give_the_same_decisions() -> None:
    inputs = morning(9.0, et0_mm=0.6)
    first, again = decide(inputs), decide(inputs)
    assert repr(first) == repr(again)
    assert inputs.day == DAY
