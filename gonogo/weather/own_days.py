"""A checked table cut into the days of the site's own sun, and what does not go together in it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from gonogo.records.site import Site
from gonogo.soil.sun import SunHours, sun_hours

if TYPE_CHECKING:
    import pandas as pd  # takes long to import: where a table is at hand

Floats = npt.NDArray[np.float64]

DAYS_OF_A_BROKEN_COLUMN = 2  # so many days are no chance; our own choice


@dataclass(frozen=True, slots=True, kw_only=True)
class OwnDays:
    """A checked table with the sun of its hours, cut into the sun's own days.

    is_light_told   the service gave radiation; columns: of the table, (H,) each
    day   (H,) number of the day of each hour, counted from 0; is_whole (D,) days that the table holds from end to end
    """

    table: pd.DataFrame
    site: Site
    sun: SunHours
    day: npt.NDArray[np.int64]
    is_whole: npt.NDArray[np.bool_]
    is_light_told: bool
    columns: Mapping[str, Floats]

    def column(self, name: str) -> Floats:
        return self.columns[name]

    def by_day(self, values: Floats) -> Floats:
        """Return the sum of each day, (D,)."""
        return np.asarray(np.bincount(self.day, weights=values, minlength=len(self.is_whole)), dtype=np.float64)

    def date(self, day: int) -> str:
        """Return a day as a reader knows it."""
        return str(self.table.index[int(np.flatnonzero(self.day == day)[12])].date())


@dataclass(frozen=True, slots=True, kw_only=True)
class Contradiction:
    """What does not go together. days: (D,) where; text: what was found against what."""

    column: str
    days: npt.NDArray[np.bool_]
    found: str
    wrong: str


def own_days(table: pd.DataFrame, site: Site, *, is_light_told: bool) -> OwnDays:
    """Return a checked table ready to be held against itself."""
    hours = table.index.to_numpy().astype("datetime64[s]")
    sun = sun_hours(hours, latitude_deg=site.latitude_deg, longitude_deg=site.longitude_deg)
    day = sun.solar_day - sun.solar_day[0]
    whole = np.bincount(day) >= 24
    return OwnDays(
        table=table,
        site=site,
        sun=sun,
        day=day,
        is_whole=whole,
        is_light_told=is_light_told,
        columns={name: table[name].to_numpy(dtype=np.float64) for name in table.columns},
    )
