"""More drying weather never makes a wet lift ready later, as it lies or disked. Common practice, no source."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
from hand_made import DAY, N_HOURS, NOW_UTC, SETTINGS, at, material, site, strip, weather
from hypothesis import event, given, settings
from hypothesis import strategies as st

from gonogo.decide.judge import Judgement, SiteDay, judge
from gonogo.records.field import Reading, SurfaceWork
from gonogo.weather.series import HourlyWeather

EXAMPLES = 40
HALF = 0.5  # as many members below the wet edge as above it
NEVER = N_HOURS
READ_UTC = NOW_UTC - timedelta(hours=10)


def judged(sky: HourlyWeather, over_pct: float) -> Judgement:
    """Judge a morning of one strip whose last test lies so far above its wet edge."""
    own = strip()
    soil = material()
    test = Reading(
        strip_id=own.id, at_utc=READ_UTC, w_pct=soil.omc_pct + soil.window_high_pct + over_pct, method="nuclear gauge"
    )
    spread = SurfaceWork(strip_id=own.id, at_utc=READ_UTC - timedelta(hours=1), work="spread")
    return judge(
        SiteDay(site=site((own,)), day=DAY, now_utc=NOW_UTC, settings=SETTINGS),
        weather=sky,
        entries=(spread, test),
        rng=np.random.default_rng(3),
    )


def ready_row(judgement: Judgement, w_pct: np.ndarray) -> int:
    """Return the first hour from the shift on in which half of the members (H, M) are at or below the wet edge."""
    inputs = judgement.inputs
    soil = inputs.material(inputs.strips[0])
    first = int(np.searchsorted(inputs.hour_utc, np.datetime64(at(7.0).replace(tzinfo=None), "h")))
    share = np.mean(w_pct[first:] <= soil.omc_pct + soil.window_high_pct, axis=1)
    return first + int(np.argmax(share >= HALF)) if bool(np.any(share >= HALF)) else NEVER


@settings(max_examples=EXAMPLES, deadline=None)
@given(
    over_pct=st.floats(0.5, 5.0),
    sun_w_m2=st.floats(100.0, 400.0),
    more_sun=st.floats(1.0, 2.0),
    drier_air=st.floats(0.4, 1.0),
    rain_mm=st.floats(0.0, 6.0),
)
def test_more_drying_weather_is_never_ready_later(
    over_pct: float, sun_w_m2: float, more_sun: float, drier_air: float, rain_mm: float
) -> None:
    rain = np.zeros(N_HOURS)
    rain[80:84] = rain_mm / 4.0  # a shower on the second day
    usual = weather(rain, shortwave_w_m2=sun_w_m2, rh_pct=70.0)
    ahead = usual.hour_utc >= np.datetime64(NOW_UTC.replace(tzinfo=None), "h")
    drying = replace(
        usual,
        shortwave_w_m2=np.where(ahead, more_sun * usual.shortwave_w_m2, usual.shortwave_w_m2),
        rh_pct=np.where(ahead, drier_air * usual.rh_pct, usual.rh_pct),
    )
    before, after = judged(usual, over_pct), judged(drying, over_pct)
    event("both wet" if before.disked and after.disked else "one not wet")
    pairs = [(before.inputs.w_pct[:, 0], after.inputs.w_pct[:, 0])]
    if before.disked and after.disked:
        pairs.append((before.disked["N1"].w_pct, after.disked["N1"].w_pct))
    for was, now in pairs:
        assert ready_row(after, now) <= ready_row(before, was)


def test_the_property_sees_weather_that_differs() -> None:
    usual = weather(0.0, shortwave_w_m2=150.0, rh_pct=80.0)
    ahead = usual.hour_utc >= np.datetime64(NOW_UTC.replace(tzinfo=None), "h")
    drying = replace(usual, shortwave_w_m2=np.where(ahead, 400.0, 150.0), rh_pct=np.where(ahead, 30.0, 80.0))
    slow, fast = judged(usual, 1.0), judged(drying, 1.0)
    assert ready_row(fast, fast.disked["N1"].w_pct) < ready_row(slow, slow.disked["N1"].w_pct)
    assert ready_row(fast, fast.disked["N1"].w_pct) <= ready_row(fast, fast.inputs.w_pct[:, 0])
