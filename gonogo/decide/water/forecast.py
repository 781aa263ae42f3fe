"""A strip as it would be after watering: what the truck needs, and the chance that rolling then finds it right."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import timedelta

import numpy as np

from gonogo.decide.inputs import Floats
from gonogo.decide.lasting import shares
from gonogo.decide.machines import trucks_on
from gonogo.decide.today import Dosed, Prepared, TruckTime
from gonogo.decide.water import dose
from gonogo.decide.water.spraying import pace, pass_limit_litres_m2, spray, trips
from gonogo.decide.windows import Working, epoch_h, row_ends, working
from gonogo.moisture.unknown_work import ToldWork
from gonogo.records.site import Material, Strip, Truck

CHANCE_GAIN_MIN = (
    0.05  # watering counts only where it raises the chance by more, which 50 members can tell: our own choice
)


def truck_time(prepared: Prepared, strip: Strip, truck: Truck, litres_m2: float) -> TruckTime | None:
    """Return the time that a dose takes a truck, None where the truck or the dose cannot be used."""
    material = prepared.inputs.material(strip)
    limit = pass_limit_litres_m2(material, prepared.inputs.setting("pass_soak_min"))
    numbers = (litres_m2, limit, truck.flow_litres_min, truck.bar_width_m, truck.speed_min_km_h, truck.tank_litres)
    if not all(math.isfinite(v) and v > 0.0 for v in numbers):
        return None
    spraying = spray(litres_m2, limit, truck, strip.width_m)
    took = trips(
        litres_m2,
        spraying,
        truck,
        length_m=strip.length_m,
        width_m=strip.width_m,
        pace=pace(prepared.inputs, truck),
    )
    if not math.isfinite(took.first_h + took.spray_h + took.leave_h):
        return None
    return TruckTime(first_h=took.first_h, spray_h=took.spray_h, leave_h=took.leave_h)


def told_water_over_h(prepared: Prepared, strip: Strip, told: ToldWork) -> float:
    """Return when water that was told is all on [epoch h]: at the end of its hours, or as its litres take the truck."""
    truck = next(iter(prepared.inputs.trucks(strip)), None)
    took = None if truck is None else truck_time(prepared, strip, truck, told.litres / strip.area_m2)
    lasts_h = 0.0 if took is None else took.first_h + took.spray_h
    return max(epoch_h(told.end_utc), epoch_h(told.start_utc) + lasts_h)


def doses_on(prepared: Prepared, s: int, hours: Working) -> tuple[Dosed, ...]:
    """Return the dose of strip s on a day by each truck that its crew has then; nothing where it gets none.

    Nothing: right without water, no truck, a lift thicker than the mixer reaches, or a dose that is not known or
    outside what is put on. The dose is that of the middle of the day; the morning computes its own to the minute.
    Outlook and order of work ask for the same days: each is computed once.
    """
    key = (s, hours.day)
    if key not in prepared.doses:
        prepared.doses[key] = tuple(_doses_on(prepared, s, hours))
    return prepared.doses[key]


def _doses_on(prepared: Prepared, s: int, hours: Working) -> Iterator[Dosed]:
    inputs = prepared.inputs
    strip, material = inputs.strips[s], inputs.material(inputs.strips[s])
    trucks, soak_h = trucks_on(inputs.crew(strip), hours.day), min(inputs.soak_h(strip), hours.hours)
    if not trucks or not strip.lift_thickness_m <= inputs.site.mixing_depth_m or hours.hours <= 0.0:
        return
    noon_h = (hours.from_h + hours.until_h) / 2.0
    given = dose.dose(prepared, s, noon_h - soak_h, noon_h, target_pct=dose.target_w_pct(material))
    least, most = inputs.setting("dose_min_litres_m2"), inputs.setting("dose_max_litres_m2")
    if not least <= given.litres_m2 <= most:
        return
    for truck in trucks:
        took = truck_time(prepared, strip, truck, given.litres_m2)
        if took is not None:
            yield Dosed(truck=truck, litres_m2=given.litres_m2, took=took)


def chances_watered(prepared: Prepared, s: int, litres_m2: Floats, at_h: Floats, roll_h: Floats) -> Floats:
    """Return the chances (N,) that strip s, given each dose at its at_h and rolled from its roll_h on, is right all the
    time.

    Each member keeps its own rain and loses what a watered surface loses. NaN where the table does not hold the hours.
    """
    inputs, cond = prepared.inputs, prepared.cond
    strip, material = inputs.strips[s], inputs.material(inputs.strips[s])
    rolling_h = prepared.rolling_h[s]
    begin, whole, holds = row_ends(cond, at_h, roll_h + rolling_h + prepared.seal_h)
    first, sealed, is_sealed = row_ends(cond, roll_h, roll_h + rolling_h + prepared.seal_h)
    held = (cond.unfrozen.fails_at[begin, s, 0] >= whole) & (cond.calm.fails_at[first, 0] >= sealed)
    is_known = holds & is_sealed & (cond.unfrozen.unknown_at[begin, s] >= whole)
    is_known &= (cond.calm.unknown_at[first] >= sealed) & (cond.rainless[s].unknown_at[first] >= sealed)
    inside = cond.rainless[s].fails_at[first] >= sealed[:, None]
    low, high = material.omc_pct + material.window_low_pct, material.omc_pct + material.window_high_pct
    factor, mass = inputs.setting("watered_surface_kc"), strip.dry_mass_kg_m2
    for moment_h in (roll_h, roll_h + rolling_h):
        lost_mm = factor * prepared.evaporated.between_many(at_h, moment_h)
        gained_mm = prepared.rained[s].between_many(at_h, moment_h) + (litres_m2 - lost_mm)[:, None]
        w_pct = inputs.w_pct[begin, s] + (100.0 / mass) * gained_mm
        is_known &= ~np.isnan(w_pct).any(axis=1)
        inside &= (w_pct >= low) & (w_pct <= high)
    return np.where(is_known, shares(inside) * held, np.nan)


def chance_watered(prepared: Prepared, s: int, litres_m2: float, at_h: float, roll_h: float) -> float:
    """Return the chance of one dose and start, as `chances_watered`."""
    return float(chances_watered(prepared, s, np.array([litres_m2]), np.array([at_h]), np.array([roll_h]))[0])


@dataclass(frozen=True, slots=True, kw_only=True)
class _Tries:
    """A dose [L/m2] at each of several hours (N,) [epoch h], and when the strip is then rolled."""

    litres_m2: float
    at_h: Floats
    roll_h: Floats


def day_chances(prepared: Prepared, s: int, ahead: Sequence[Working]) -> list[float]:
    """Return the best chance of a strip on each day if it is watered first on that day, with the truck all to itself.

    Where water, soaking in and rolling do not fit into the day, it is watered at the end of the day before. NaN where
    it gets no water (see doses_on), or where that does not do either.
    """
    tries = [_tries_on(prepared, s, hours) for hours in ahead]
    fit = [of_day for of_day in tries if of_day is not None]
    if not fit:
        return [math.nan] * len(tries)
    litres_m2 = np.concatenate([np.full(len(of_day.at_h), of_day.litres_m2) for of_day in fit])
    at_h, roll_h = np.concatenate([of_day.at_h for of_day in fit]), np.concatenate([of_day.roll_h for of_day in fit])
    found = iter(chances_watered(prepared, s, litres_m2, at_h, roll_h).tolist())
    by_day = [[] if of_day is None else [next(found) for _ in of_day.at_h] for of_day in tries]
    return [max((c for c in chances if not math.isnan(c)), default=math.nan) for chances in by_day]


def _tries_on(prepared: Prepared, s: int, hours: Working) -> _Tries | None:
    """Return when a strip could be watered for a day, and rolled on it, None where it cannot."""
    dosed = min(doses_on(prepared, s, hours), key=lambda by: by.took.first_h + by.took.spray_h, default=None)
    if dosed is None:
        return None
    litres_m2, took = dosed.litres_m2, dosed.took
    soak_h = prepared.inputs.soak_h(prepared.inputs.strips[s])
    first_h = hours.from_h + took.first_h + took.spray_h + soak_h
    last_h = hours.until_h - prepared.rolling_h[s] - prepared.seal_h
    if not first_h <= last_h:
        return _tries_over_night(prepared, s, hours, litres_m2, took)
    starts = np.concatenate([[first_h], np.arange(math.floor(first_h) + 1, last_h + 1e-9, 1.0)])
    return _Tries(litres_m2=litres_m2, at_h=starts - soak_h - took.spray_h, roll_h=starts)


def _tries_over_night(prepared: Prepared, s: int, hours: Working, litres_m2: float, took: TruckTime) -> _Tries | None:
    """Return the same where the strip is watered at the end of the working day before."""
    inputs = prepared.inputs
    eve = working(inputs, hours.day - timedelta(days=1))
    if not eve.is_working_day or eve.hours < took.first_h + took.spray_h:
        return None
    at_h = eve.until_h - took.spray_h
    first_h = max(hours.from_h, eve.until_h + inputs.soak_h(inputs.strips[s]))
    last_h = hours.until_h - prepared.rolling_h[s] - prepared.seal_h
    if not first_h <= last_h:
        return None
    starts = np.arange(first_h, last_h + 1e-9, 1.0)
    return _Tries(litres_m2=litres_m2, at_h=np.full(len(starts), at_h), roll_h=starts)


def borrow_litres_m3(material: Material, dry_density_kg_m3: float) -> float:
    """Return what a cubic metre of borrow lacks, as it is spread [L/m3]: 0 where it is right or unknown."""
    if material.borrow_w_pct is None or material.borrow_w_pct - material.omc_pct >= material.window_low_pct:
        return 0.0
    return dose.water_litres(dry_density_kg_m3, material.borrow_w_pct, dose.target_w_pct(material))


def borrow_dose_litres_m2(material: Material, dry_mass_kg_m2: float) -> float:
    """Return what a fresh lift lacks when it arrives [L/m2]: 0 where it is right, NaN where it is too wet to be rolled.

    A material without borrow_w_pct counts as right when it is spread.
    """
    if material.borrow_w_pct is None:
        return 0.0
    deviation = material.borrow_w_pct - material.omc_pct
    if deviation > material.window_high_pct:
        return math.nan
    if deviation >= material.window_low_pct:
        return 0.0
    return dose.water_litres(dry_mass_kg_m2, material.borrow_w_pct, dose.target_w_pct(material))
