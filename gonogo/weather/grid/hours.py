"""From the steps of a run to hours: totals since the begin to amounts of steps, steps to the hours within them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from gonogo.errors import WeatherError
from gonogo.soil.reference_et import saturation_vapour_kpa
from gonogo.soil.sun import sun_hours
from gonogo.weather.grid.quantities import GRAVITY_M_S2, ZERO_DEGC_K
from gonogo.weather.table import Floats

Whole = npt.NDArray[np.int64]

MAX_STEP_H = 6  # the longest step whose hours are drawn from it; a longer one is a gap
ROUNDING_MM = 0.1  # a total may fall by so much from step to step: the field is packed in steps of its range
ROUNDING_J_M2 = 20.0 * 3600.0  # the same for radiation
SECONDS_PER_HOUR = 3600.0
LAPSE_DEGC_M = 0.0065  # the standard atmosphere's (ISO 2533); FAO-56 uses the same
GAS_CONSTANT_AIR_J_KG_K = 287.053  # dry air, ISO 2533


@dataclass(frozen=True, slots=True, kw_only=True)
class Periods:
    """Amounts of periods that follow each other without a gap, (N,): from_h to to_h after the begin of the run."""

    from_h: Whole
    to_h: Whole
    amount: Floats


def periods(from_h: Sequence[int], to_h: Sequence[int], total: Floats, *, rounding: float, what: str) -> Periods:
    """Return the amount of each step, from totals whose periods begin anywhere.

    total     (N,) total of the period from_h to to_h
    rounding  by how much a total may fall from step to step; it counts as none
    what      whose totals, for an error

    A step's own total is taken where it is given; else the difference of two that begin together. Some services begin
    again every six hours, some never.

    Raises WeatherError where a step cannot be told, or where a total falls.
    """
    given = {(int(a), int(b)): float(v) for a, b, v in zip(from_h, to_h, total, strict=True) if b > a}
    if not given:
        raise WeatherError(f"{what}: there is no period. Totals step by step are right.", passing=False)
    ends = sorted({end for _, end in given})
    begin = min(start for start, _ in given)
    amounts, starts = [], []
    for end in ends:
        amount = _amount(given, begin, end)
        if amount is None:
            raise WeatherError(
                f"{what}: the amount from hour {begin} to hour {end} cannot be told from what is given. "
                "Totals of each step, or since one begin, are right.",
                passing=False,
            )
        if amount < -rounding:
            raise WeatherError(
                f"{what}: its total falls by {-amount:g} from hour {begin} to hour {end}. A total only grows.",
                passing=False,
            )
        starts.append(begin)
        amounts.append(max(amount, 0.0) if amount == amount else amount)
        begin = end
    return Periods(from_h=np.array(starts), to_h=np.array(ends), amount=np.array(amounts))


def _amount(given: dict[tuple[int, int], float], begin: int, end: int) -> float | None:
    """Return the amount of one step, None where what is given does not tell it."""
    if (begin, end) in given:
        return given[begin, end]
    for start, stop in given:
        if stop == end and (start, begin) in given:
            return given[start, end] - given[start, begin]
    return None


def evenly(given: Periods, n_hours: int) -> Floats:
    """Return the amount of each hour of the run, (n_hours,), spread evenly over its step; NaN where none is given."""
    hours = np.full(n_hours, np.nan)
    for start, end, amount in zip(given.from_h, given.to_h, given.amount, strict=True):
        hours[start:end] = amount / (end - start)
    return hours


def by_the_sun_w_m2(
    energy: Periods, begin_utc: np.datetime64, n_hours: int, *, latitude_deg: float, longitude_deg: float
) -> Floats:
    """Return the mean radiation of each hour [W/m2], (n_hours,): a step's energy [J/m2] shared as above the air.

    Within a step each hour has the same share of what the sun gives above the atmosphere, so that none shines at night.
    Energy of a step without any sun is a model's rounding and is left out.
    """
    hour_utc = begin_utc + np.arange(n_hours).astype("timedelta64[h]")
    sun = sun_hours(hour_utc.astype("datetime64[s]"), latitude_deg=latitude_deg, longitude_deg=longitude_deg)
    above = np.maximum(sun.extraterrestrial_mj_m2_h, 0.0)
    hours = np.full(n_hours, np.nan)
    for start, end, amount in zip(energy.from_h, energy.to_h, energy.amount, strict=True):
        share = above[start:end]
        whole = float(share.sum())
        hours[start:end] = amount * share / whole / SECONDS_PER_HOUR if whole > 0.0 else 0.0 * amount
    return hours


def at_hours(step_h: Sequence[int], values: Floats, n_hours: int) -> Floats:
    """Return states at each hour of the run (n_hours,), in a straight line from step to step; NaN beyond the ends."""
    return np.asarray(np.interp(np.arange(n_hours), step_h, values, left=np.nan, right=np.nan), dtype=np.float64)


def humidity_pct(temp_degc: Floats, dew_point_degc: Floats) -> Floats:
    """Return relative humidity [%] from temperature and dew point (FAO-56, eq. 11 and 14), at most 100."""
    return np.asarray(
        np.minimum(100.0 * saturation_vapour_kpa(dew_point_degc) / saturation_vapour_kpa(temp_degc), 100.0)
    )


def model_height_m(temp_degc: float, pressure_kpa: float, sea_level_pressure_kpa: float) -> float:
    """Return how high the model's ground lies [m], from its pressure there and what it makes of it at sea level.

    Source: the barometric formula with the standard lapse rate (ISO 2533), as it is used to reduce pressure.
    """
    exponent = GAS_CONSTANT_AIR_J_KG_K * LAPSE_DEGC_M / GRAVITY_M_S2
    temp_k = temp_degc + ZERO_DEGC_K
    return float(temp_k / LAPSE_DEGC_M * ((sea_level_pressure_kpa / pressure_kpa) ** exponent - 1.0))


def temp_at_height_degc(temp_degc: Floats, model_m: float, site_m: float) -> Floats:
    """Return temperature brought from the model's ground to the site's height, by the standard lapse rate."""
    return np.asarray(temp_degc + LAPSE_DEGC_M * (model_m - site_m), dtype=np.float64)


def pressure_at_height_kpa(pressure_kpa: Floats, temp_degc: Floats, model_m: float, site_m: float) -> Floats:
    """Return pressure brought from the model's ground to the site's height (hydrostatic, air as warm as at 2 m)."""
    scale_m = GAS_CONSTANT_AIR_J_KG_K * (temp_degc + ZERO_DEGC_K) / GRAVITY_M_S2
    return np.asarray(pressure_kpa * np.exp((model_m - site_m) / scale_m), dtype=np.float64)
