"""What a weather service says of the sky: right in its kind, wrong by more the further it looks.

Errors of one rain keep their character from one forecast to the next (shared part) and are drawn anew in part. A rain
may be missed, and a rain that never comes may be forecast, each with the same chance at the same distance; so the
chance of rain that the service gives follows from the errors, and is a frequency.
"""

from __future__ import annotations

import json
import math
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from statistics import NormalDist
from typing import Any

import numpy as np
from benchmarks.season import sky as skies
from benchmarks.season.draws import draws
from benchmarks.season.sky import Background, Floats, Sky, Spell, Weather
from weather_scenario import answer, weather_code

SHARED = 0.8  # of an error, what the next forecast of the same rain still has
BODY_BACK_DAYS, BODY_DAYS = 15, 27
NORMAL = NormalDist()


# The errors, by hours ahead: our own choices, about as large as forecasts of summer rain are known to be wrong.
def shift_sd_h(lead_h: float) -> float:
    return min(0.7 + 0.06 * lead_h, 9.0)


def amount_sd(lead_h: float) -> float:
    """Return the deviation of the logarithm of an amount [-]."""
    return min(0.3 + 0.005 * lead_h, 0.8)


def miss_chance(lead_h: float) -> float:
    """Return the chance that a rain is missed; as many are forecast that never come."""
    return min(0.05 + 0.003 * lead_h, 0.5)


def forecast(sky: Sky, now_utc: datetime) -> tuple[Weather, Floats]:
    """Return the weather as forecast at a moment, with its past as analysed, and the chance of rain by hour, (H,)."""
    n_hours, now = len(sky.weather.rain_mm), sky.weather.row(now_utc)
    issue = now_utc.isoformat()
    shown = [_analysed(sky, s, now) for s in sky.spells if s.start < now]
    ahead = [(s, 0.0) for s in shown if s is not None and s.start + len(s.amounts_mm) > now]
    for spell in (*sky.spells, *sky.phantoms):
        lead_h = float(spell.start - now)
        if lead_h >= 0.0:
            seen = _seen(sky.seed, spell, lead_h, issue, is_phantom=spell in sky.phantoms)
            if seen is not None:
                ahead.append((replace(seen, start=max(seen.start, now)), lead_h))
    past = [s for s in shown if s is not None and s.start + len(s.amounts_mm) <= now]
    said = skies.weather(sky.first_utc, _background(sky, now, issue), [*past, *(spell for spell, _ in ahead)])
    chance = _chance(sky, ahead, now, n_hours)
    return said, chance


def _mixed(seed: int, key: str, issue: str, what: str) -> float:
    """A normal number that a rain keeps for the most part from one forecast to the next."""
    kept, new = draws(seed, "kept", key, what).normal(), draws(seed, "new", key, what, issue).normal()
    return SHARED * float(kept) + math.sqrt(1.0 - SHARED**2) * float(new)


def _seen(seed: int, spell: Spell, lead_h: float, issue: str, *, is_phantom: bool) -> Spell | None:
    """A rain as a forecast shows it, None where it does not."""
    is_out = NORMAL.cdf(_mixed(seed, spell.key, issue, "presence")) < miss_chance(lead_h)
    if is_out != is_phantom:
        return None
    sd = amount_sd(lead_h)
    factor = math.exp(sd * _mixed(seed, spell.key, issue, "amount") - 0.5 * sd**2)
    shift = round(shift_sd_h(lead_h) * _mixed(seed, spell.key, issue, "shift"))
    return replace(spell, start=spell.start + shift, amounts_mm=tuple(a * factor for a in spell.amounts_mm))


def _analysed(sky: Sky, spell: Spell, now: int) -> Spell | None:
    """A rain that has begun, as the service takes it to be: small ones are lost, amounts are wrong."""
    own = draws(sky.seed, "analysis", spell.key)
    lost = own.random() < (0.25 if spell.total_mm < 2.0 else 0.06)
    factor = math.exp(0.35 * own.normal() - 0.06)
    is_raining = spell.start + len(spell.amounts_mm) > now
    if lost and not is_raining:
        return None
    return replace(spell, amounts_mm=tuple(a * factor for a in spell.amounts_mm))


def _background(sky: Sky, now: int, issue: str) -> Background:
    """The sky apart from rain with errors that grow over five days and stand at a fifth in the past."""
    n_hours = len(sky.background.cloud)
    lead = np.clip((np.arange(n_hours) - now) / 120.0, 0.0, 1.0)
    grows = np.where(np.arange(n_hours) < now, 0.2, 0.25 + 0.75 * lead)
    kept, new = draws(sky.seed, "background kept"), draws(sky.seed, "background new", issue)

    def error(memory_h: float) -> Floats:
        shared = skies.wandering(kept, n_hours, memory_h)
        own = skies.wandering(new, n_hours, memory_h)
        return np.asarray(grows * (SHARED * shared + math.sqrt(1.0 - SHARED**2) * own))

    true = sky.background
    return Background(
        warmth_degc=true.warmth_degc + 3.0 * error(40.0),
        dew_below_degc=np.clip(true.dew_below_degc + 2.5 * error(40.0), 1.0, 22.0),
        cloud=np.clip(true.cloud + 0.35 * error(15.0), 0.0, 1.0),
        wind_m_s=np.clip(true.wind_m_s + 1.5 * error(20.0), 0.5, 16.0),
    )


def _chance(sky: Sky, ahead: list[tuple[Spell, float]], now: int, n_hours: int) -> Floats:
    """Chance of a wet hour: a rain shown comes with its chance, at hours blurred by its shift, or one unseen does."""
    hours = np.arange(n_hours)
    lead = np.maximum(hours - now, 0)
    base = np.array([miss_chance(float(h)) for h in lead]) * skies.wet_share(sky.climate)
    dry = 1.0 - np.where(hours >= now, base, 0.0)
    for spell, lead_h in ahead:
        blur = np.arange(-36, 37)
        weight = np.exp(-0.5 * (blur / max(shift_sd_h(lead_h), 0.3)) ** 2)
        weight /= weight.sum()
        wet = np.zeros(n_hours + 72)
        for k, amount in enumerate(spell.amounts_mm):
            at = spell.start + k + 36
            if 0 <= at < len(wet) and amount >= skies.WET_MM:
                wet[at] = 1.0
        shown = np.convolve(wet, weight, mode="same")[36:-36]
        dry *= 1.0 - np.where(hours >= now, (1.0 - miss_chance(lead_h)) * shown.clip(0.0, 1.0), 0.0)
    return np.asarray(1.0 - dry)


def body(sky: Sky, now_utc: datetime) -> str:
    """Return the service's answer at a moment, in the open_meteo form: sums and means END at their stamp."""
    said, chance = forecast(sky, now_utc)
    midnight = now_utc.replace(hour=0, minute=0, second=0, microsecond=0)
    first = said.row(midnight) - 24 * BODY_BACK_DAYS
    rows = np.arange(first, first + 24 * BODY_DAYS)
    humidity = np.clip(100.0 * skies.vapour_kpa(said.dew_degc) / skies.vapour_kpa(said.temp_degc), 5.0, 100.0)
    stamps = [int((said.first_utc + timedelta(hours=int(r))).astimezone(UTC).timestamp()) for r in rows]
    wet = skies.open_water_mm(said)

    def rounded(values: Floats, at: Any, digits: int) -> list[float]:
        return [round(float(v), digits) for v in values[at]]

    hourly: dict[str, list[Any]] = {
        "time": stamps,
        "temperature_2m": rounded(0.5 * (said.temp_degc[rows] + said.temp_degc[rows - 1]), slice(None), 1),
        "relative_humidity_2m": rounded(humidity, rows, 0),
        "dew_point_2m": rounded(said.dew_degc, rows, 1),
        "precipitation": rounded(said.rain_mm, rows - 1, 2),
        "precipitation_probability": rounded(100.0 * chance, rows - 1, 0),
        "shortwave_radiation": rounded(said.light_w_m2, rows - 1, 1),
        "wind_speed_10m": rounded(said.wind_m_s, rows, 2),
        "surface_pressure": [980.0] * len(rows),
        "et0_fao_evapotranspiration": rounded(0.85 * wet, rows - 1, 2),
        "snowfall": [0.0] * len(rows),
        "snow_depth": [0.0] * len(rows),
        "soil_temperature_0cm": rounded(said.temp_degc + said.light_w_m2 / 100.0, rows, 1),
        "weather_code": [
            weather_code(float(said.rain_mm[r]), bool(said.is_thunder[r]), float(said.cloud[r]), is_snow=False)
            for r in rows - 1
        ],
    }
    return json.dumps(answer(skies.LATITUDE_DEG, skies.LONGITUDE_DEG, skies.ELEVATION_M, hourly))
