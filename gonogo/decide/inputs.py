"""Everything one morning's decisions are made from, and nothing else."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta

import numpy as np
import numpy.typing as npt

from gonogo.decide.lift_state import NOTHING_KNOWN, LiftState
from gonogo.decide.machines import roller_of, trucks_on
from gonogo.decide.standing import Standing
from gonogo.errors import SoilError
from gonogo.moisture.ground_state import NOTHING_SEEN, GroundState
from gonogo.moisture.unknown_work import ToldWork
from gonogo.records.site import Crew, Material, Roller, Site, Strip, Surface, Truck
from gonogo.soil.by_strip import ByStrip, strip_by_strip
from gonogo.weather.series import HourlyWeather

Floats = npt.NDArray[np.float64]
TREATED_SOAK_H = 0.5  # a rotary mixer works water in at once: common practice, no source

_MAY_LACK = (
    "surfaces", "reading_doubtful", "water_unexplained", "work_unknown", "untested_water_litres_m2", "last_test_pct",
    "test_apart_pct",
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class TestedWater:
    """Water put on since a test: what the test says of the lift [%], all water since, the first how long after it."""

    w_pct: float
    litres_m2: float
    after_h: float


TestedWater.__test__ = False  # type: ignore[attr-defined]


@dataclass(frozen=True, slots=True, kw_only=True)
class MorningInputs:
    """The inputs of a site's morning; NaN = unknown everywhere.

    strips                     S strips of the site, in the order in which the truck serves them
    now_utc, day               the moment of the run; the local date it is about
    hour_utc                   (H,) datetime64[h], rising by one hour
    w_pct                      (H, S, M) mean of the lift at the START of each hour [%]
    w_top_pct, w_base_pct      (H, S, M) its upper and lower half [%]; all three by strip where the numbers differ
    et0_mm                     (H,) reference evapotranspiration of the hour [mm]
    weather                    the checked forecast; its rain members are those of w_pct, in the same order
    own_weather                (S,) the same with the rain members of each strip; None = those of `weather`
    reading_age_h              (S,) age of the strip's last moisture test [h], inf where there is none
    rained_since_reading_mm    (S,) rain since that test [mm], 0 where there is none
    rolled                     (S,) 1 where the present lift has been rolled already; None = none has
    surfaces                   S surface states as they are now; None = as the strips say
    settings                   every number of defaults.toml by name, as in force for the site
    reading_doubtful           (S,) 1 where the newest test does not fit and no second one agrees; None = all fit
    work_unknown               (S,) 1 where work told on an earlier day is neither recorded nor denied; None = nowhere
    untested_water_litres_m2   (S,) water recorded since the last test [L/m2]; None = none
    last_water_utc             by strip id, the last water recorded since its last test
    told_water                 by strip id, water that was told and of which nobody knows whether it was put on
    tested_water               by strip id, all of that water, with the test before it that counts
    orders                     by strip id, what was told today and has begun or may have
    lifts                      by strip id, what its lift is beyond its moisture; one that is not there: nothing known
    grounds                    by strip id, how it lies by what was seen; one that is not there: nothing was
    water_unexplained          (S,) 1 where tests find water that rain and truck do not explain; None = nowhere
    last_test_pct              (S,) what the newest test that counts says of the lift [%], NaN where there is none;
                               None = none anywhere
    test_apart_pct             (S,) that, less what the members hold in its hour [% points]; None = nothing anywhere

    Raises SoilError where the shapes do not fit together: nothing may be judged on rows that do not belong together.
    """

    site: Site
    strips: tuple[Strip, ...]
    now_utc: datetime
    day: date
    hour_utc: npt.NDArray[np.datetime64]
    w_pct: Floats | ByStrip
    w_top_pct: Floats | ByStrip
    w_base_pct: Floats | ByStrip
    et0_mm: Floats
    weather: HourlyWeather
    reading_age_h: Floats
    rained_since_reading_mm: Floats
    settings: Mapping[str, float]
    own_weather: tuple[HourlyWeather, ...] | None = None
    rolled: Floats | None = None
    surfaces: tuple[Surface, ...] | None = None
    reading_doubtful: Floats | None = None
    water_unexplained: Floats | None = None
    work_unknown: Floats | None = None
    untested_water_litres_m2: Floats | None = None
    last_test_pct: Floats | None = None
    test_apart_pct: Floats | None = None
    last_water_utc: Mapping[str, datetime] = field(default_factory=dict)
    told_water: Mapping[str, ToldWork] = field(default_factory=dict)
    tested_water: Mapping[str, TestedWater] = field(default_factory=dict)
    orders: Mapping[str, Standing] = field(default_factory=dict)
    lifts: Mapping[str, LiftState] = field(default_factory=dict)
    grounds: Mapping[str, GroundState] = field(default_factory=dict)

    def __post_init__(self) -> None:
        n_hours, n_strips = len(self.hour_utc), len(self.strips)
        wanted: dict[str, tuple[int, ...]] = {
            "et0_mm": (n_hours,),
            "reading_age_h": (n_strips,),
            "rained_since_reading_mm": (n_strips,),
        }
        if self.rolled is not None:
            wanted["rolled"] = (n_strips,)
        for name in _MAY_LACK:
            if getattr(self, name) is not None:
                wanted[name] = (n_strips,)
        wrong = [
            f"{name} has shape {np.shape(getattr(self, name))}, wanted {shape}"
            for name, shape in wanted.items()
            if np.shape(getattr(self, name)) != shape
        ]
        if self.own_weather is not None and len(self.own_weather) != n_strips:
            wrong.append(f"own_weather has {len(self.own_weather)} rows, wanted {n_strips}")
        wrong = wrong or self._wrong_paths(n_hours)
        steps = np.diff(self.hour_utc.astype("datetime64[h]").astype(np.int64))
        if n_hours == 0 or np.any(steps != 1):
            wrong.append("hour_utc does not rise hour by hour")
        if wrong:
            raise SoilError(f"{self.site.id}: the morning's inputs do not fit together: " + "; ".join(wrong) + ".")

    def _wrong_paths(self, n_hours: int) -> list[str]:
        """Return what does not fit of the paths of the strips."""
        wrong = []
        for name in ("w_pct", "w_top_pct", "w_base_pct"):
            path = getattr(self, name)
            if not isinstance(path, ByStrip) and path.ndim != 3:
                wrong.append(f"{name} has shape {path.shape}, wanted (H, S, M)")
                continue
            shapes = [own.shape for own in strip_by_strip(path)]
            whole = [(n_hours, self.n_members(s)) for s in range(len(self.strips))]
            if shapes != whole:
                wrong.append(f"{name} has strips of shape {shapes}, wanted {whole}")
        return wrong

    def weather_of(self, s: int) -> HourlyWeather:
        """Return the weather with the rain members that row s was simulated with."""
        return self.weather if self.own_weather is None else self.own_weather[s]

    def n_members(self, s: int) -> int:
        """Return how many members row s has."""
        return int(self.weather_of(s).rain_members_mm.shape[1])

    def test_outside_pct(self, s: int) -> float:
        """Return how far the newest test of row s lies outside the window [% points], below 0 on the dry side."""
        if self.last_test_pct is None or math.isnan(self.last_test_pct[s]):
            return 0.0
        material = self.material(self.strips[s])
        off = float(self.last_test_pct[s]) - material.omc_pct
        return max(off - material.window_high_pct, 0.0) + min(off - material.window_low_pct, 0.0)

    def setting(self, name: str) -> float:
        """Return a setting, NaN where it is missing: a missing number makes a strip wait, it does not stop the run."""
        return float(self.settings.get(name, math.nan))

    def column(self, column: Floats | None, s: int) -> float:
        """Return the number of row s of a column that may be absent, 0 where it is."""
        return 0.0 if column is None else float(column[s])

    def is_rolled(self, s: int) -> float:
        """Return 1 where the lift on row s has been rolled, 0 where not, NaN where that is unknown."""
        return 0.0 if self.rolled is None else float(self.rolled[s])

    def surface(self, s: int) -> Surface:
        """Return the surface state of row s as it is now."""
        return self.strips[s].surface if self.surfaces is None else self.surfaces[s]

    def lift(self, s: int) -> LiftState:
        """Return what the lift on row s is beyond its moisture."""
        return self.lifts.get(self.strips[s].id, NOTHING_KNOWN)

    def ground(self, s: int) -> GroundState:
        """Return what was seen of how row s lies."""
        return self.grounds.get(self.strips[s].id, NOTHING_SEEN)

    def binder_hours(self, s: int) -> tuple[datetime, datetime] | None:
        """Return from when and until when the treated lift on row s may be rolled, None where no binder is in it."""
        mixed_utc = self.lift(s).mixed_utc
        binder = None if mixed_utc is None else self.material(self.strips[s]).binder
        if mixed_utc is None or binder is None:
            return None
        return mixed_utc + timedelta(hours=binder.mellowing_h), mixed_utc + timedelta(hours=binder.working_time_h)

    def soak_h(self, strip: Strip) -> float:
        """Return how long water soaks in before a strip is rolled [h]: the material's own, else by its kind of soil."""
        material = self.material(strip)
        if material.soak_in_h is not None:
            return material.soak_in_h
        if material.binder is not None:
            return TREATED_SOAK_H
        # Silty clays take water within hours once they are disked: common practice, no source.
        return self.setting("soak_in_clay_h" if material.soil_class == "clay" else "soak_in_h")

    def crew(self, strip: Strip) -> Crew:
        return self.site.crew(strip.crew_id)

    def roller(self, strip: Strip) -> Roller:
        """Return the roller that rolls a strip, of those that are on site on the morning's day."""
        return self.roller_on(strip, self.day)

    def roller_on(self, strip: Strip, day: date) -> Roller:
        """Return the roller that rolls a strip on a day, of those that are on site then."""
        return roller_of(self.site, strip, day)

    def trucks(self, strip: Strip) -> tuple[Truck, ...]:
        """Return the water trucks that the strip's crew has on the morning's day."""
        return trucks_on(self.crew(strip), self.day)

    def material(self, strip: Strip) -> Material:
        return self.site.material(strip.material_id)


def on_hours(inputs: MorningInputs, column: Floats) -> Floats:
    """Return a column of the weather on the hours of the moisture path, NaN where the forecast has no such hour.

    Where the hours are the same, as of every morning, it is the column itself: not to be written.
    """
    if inputs.hour_utc is inputs.weather.hour_utc:
        return column
    weather_h = inputs.weather.hour_utc.astype("datetime64[h]").astype(np.int64)
    hours = inputs.hour_utc.astype("datetime64[h]").astype(np.int64)
    row = hours - weather_h[0] if len(weather_h) else np.full(len(hours), -1)
    known = (row >= 0) & (row < len(weather_h))
    out = np.full((len(hours), *column.shape[1:]), np.nan)
    out[known] = column[row[known]]
    return out


def moved_as_tested(inputs: MorningInputs) -> tuple[Floats, Floats]:
    """Return by how much each strip's members (S,) are moved to be as its newest test: drier and wetter [% points].

    The members weigh a test against weather and earlier tests. One that lies outside the window is not weighed away: by
    as much as the members did not believe it, they are moved, and what weather, water and work did since is kept.
    """
    outside = np.array([inputs.test_outside_pct(s) for s in range(len(inputs.strips))])
    if inputs.test_apart_pct is None:
        return np.zeros(len(outside)), np.zeros(len(outside))
    apart = np.nan_to_num(inputs.test_apart_pct)
    return (
        np.where(outside < 0.0, np.minimum(apart, 0.0), 0.0),
        np.where(outside > 0.0, np.maximum(apart, 0.0), 0.0),
    )
