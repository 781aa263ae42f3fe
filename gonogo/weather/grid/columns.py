"""From what was read of a run for one site to the columns of its hourly table."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

import numpy as np
import numpy.typing as npt

from gonogo.errors import WeatherError
from gonogo.records.site import Site
from gonogo.units import wind_2m_m_s
from gonogo.weather.grid import hours
from gonogo.weather.grid.answer import HOW
from gonogo.weather.grid.places import AT_SEA, ON_LAND
from gonogo.weather.grid.quantities import RAIN, STATES, Kind
from gonogo.weather.grid.sources import CONTROL, Source
from gonogo.weather.notes import Note, note
from gonogo.weather.table import Floats

WIND_HEIGHT_M = 10.0
WET_MM = 0.1  # what services call rain in a period
NOTED_HEIGHT_M = 50.0  # from this difference of height on, 0.3 degC, a mail tells of the correction; our own choice


@dataclass(frozen=True, slots=True, kw_only=True)
class StepSeries:
    """One series of an answer, in our unit: from_h = to_h for states."""

    kind: Kind
    from_h: tuple[int, ...]
    to_h: tuple[int, ...]
    values: Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class Read:
    """An answer: its run, its place, its series by (quantity, member)."""

    source: Source
    run_utc: datetime
    days: int
    place: Mapping[str, Any]
    series: Mapping[tuple[str, int], StepSeries] = field(repr=False)

    @property
    def steps_h(self) -> tuple[int, ...]:
        return self.source.steps_h(self.run_utc, self.days)

    @property
    def n_hours(self) -> int:
        """Rows of hours: from the begin to the last step, whose states close the table."""
        return self.steps_h[-1] + 1

    @property
    def begin_utc(self) -> np.datetime64:
        return np.datetime64(self.run_utc.replace(tzinfo=None), "s")

    @property
    def hour_utc(self) -> npt.NDArray[np.datetime64]:
        return self.begin_utc + np.arange(self.n_hours).astype("timedelta64[h]").astype("timedelta64[s]")


def states(read: Read, site: Site, notes: list[Note]) -> dict[str, Floats]:
    """Return the columns of states at each hour, at the site's height."""
    at = {
        name: hours.at_hours(read.steps_h, read.series[name, CONTROL].values, read.n_hours)
        for name in STATES
        if (name, CONTROL) in read.series
    }
    temp_degc = at["temp_degc"]
    found = {
        "temp_degc": temp_degc,
        "rh_pct": hours.humidity_pct(temp_degc, at["dew_point_degc"]),
        "wind_2m_m_s": np.hypot(at["wind_east_m_s"], at["wind_north_m_s"]) * wind_2m_m_s(1.0, WIND_HEIGHT_M),
    }
    if "pressure_kpa" in at:
        found["pressure_kpa"] = at["pressure_kpa"]
    if read.place["how"] == HOW[ON_LAND]:
        notes.append(note("grid_on_land", away_m=1000.0 * read.place["away_km"]))
    elif read.place["how"] == HOW[AT_SEA]:
        notes.append(note("grid_at_sea"))
    model_m = _model_m(read, temp_degc)
    if model_m is None:
        notes.append(note("grid_height_unknown"))
        return found
    found["temp_degc"] = hours.temp_at_height_degc(temp_degc, model_m, site.elevation_m)
    if "pressure_kpa" in found:
        found["pressure_kpa"] = hours.pressure_at_height_kpa(
            found["pressure_kpa"], temp_degc, model_m, site.elevation_m
        )
    if abs(model_m - site.elevation_m) >= NOTED_HEIGHT_M:
        notes.append(note("grid_height", model_m=model_m, site_m=site.elevation_m))
    return found


def _model_m(read: Read, temp_degc: Floats) -> float | None:
    """Return how high the model's ground lies, None where neither its height nor its pressures are given."""
    given = read.series.get(("elevation_m", CONTROL))
    if given is not None:
        return float(given.values[0])
    sea = read.series.get(("sea_level_pressure_kpa", CONTROL))
    ground = read.series.get(("pressure_kpa", CONTROL))
    if sea is None or ground is None:
        return None
    return hours.model_height_m(float(temp_degc[0]), float(ground.values[0]), float(sea.values[0]))


def radiation_w_m2(read: Read, site: Site) -> Floats:
    """Return the mean radiation of each hour (H,)."""
    energy = _periods(read, "radiation_j_m2", CONTROL, hours.ROUNDING_J_M2)
    return hours.by_the_sun_w_m2(
        energy, read.begin_utc, read.n_hours, latitude_deg=site.latitude_deg, longitude_deg=site.longitude_deg
    )


def rain(read: Read) -> tuple[Floats, Floats, Floats]:
    """Return (rain of the members (H, K), chance of rain (H,), hours that the chance is for (H,))."""
    of_steps = [_periods(read, RAIN, member, hours.ROUNDING_MM) for member in read.source.members]
    members_mm = np.stack([hours.evenly(given, read.n_hours) for given in of_steps], axis=1)
    chance, span_h = np.full(read.n_hours, np.nan), np.full(read.n_hours, np.nan)
    if read.source.n_members:
        wet = np.mean([given.amount >= WET_MM for given in of_steps], axis=0)
        for start, end, share in zip(of_steps[0].from_h, of_steps[0].to_h, wet, strict=True):
            chance[start:end], span_h[start:end] = share, end - start
    return members_mm, chance, span_h


def snow_mm(read: Read) -> Floats | None:
    """Return the water that falls as snow in each hour (H,), None where the run does not tell it."""
    if ("snow_mm", CONTROL) not in read.series:
        return None
    return hours.evenly(_periods(read, "snow_mm", CONTROL, hours.ROUNDING_MM), read.n_hours)


def _periods(read: Read, quantity: str, member: int, rounding: float) -> hours.Periods:
    """Return the amounts of the steps of a series."""
    given = read.series[quantity, member]
    length_s = 3600.0 * (np.array(given.to_h) - np.array(given.from_h))
    total = given.values * length_s if given.kind is Kind.MEAN else given.values
    what = f"grid: {quantity}" + (f" of member {member}" if member != CONTROL else "")
    found = hours.periods(given.from_h, given.to_h, total, rounding=rounding, what=what)
    wanted = [step for step in read.steps_h if step > 0]
    if found.from_h[0] != 0 or found.to_h.tolist() != wanted:
        raise WeatherError(
            f"{what} = {len(found.to_h)} steps: steps are missing. {len(wanted)} are right. The answer is not used.",
            passing=False,
        )
    return found
