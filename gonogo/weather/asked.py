"""What was asked of a service, and what a check of its answer is."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, TypeAlias

import numpy as np

from gonogo.errors import WeatherError
from gonogo.records.site import Site
from gonogo.times import as_datetime
from gonogo.weather.notes import Note
from gonogo.weather.table import ParsedForecast

if TYPE_CHECKING:
    import pandas as pd  # takes long to import: where a table is at hand


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """What was asked for: the checks compare the answer with it."""

    parsed: ParsedForecast
    site: Site
    now_utc: datetime

    def rejected(self, key: str, value: str, wrong: str, right: str) -> WeatherError:
        """Return the error of a forecast that cannot be used."""
        return WeatherError(
            f"{self.parsed.service}: {key} = {value}: {wrong} {right} The answer is not used.", passing=False
        )

    def spoken(self, hour_utc: np.datetime64) -> str:
        """Return an hour as a reader at the site knows it."""
        return as_datetime(hour_utc).astimezone(self.site.zone).strftime("%Y-%m-%d %H:%M")


Checked: TypeAlias = "tuple[pd.DataFrame, list[Note]]"


@dataclass(frozen=True, slots=True, kw_only=True)
class Check:
    """One row: what is looked for, and what happens where it is found."""

    id: str
    looks_for: str
    then: str
    run: Callable[[pd.DataFrame, Asked], Checked]
