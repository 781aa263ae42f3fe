"""Which fields of a model's run are needed, how each is called, and what its unit is in ours.

Names of fields are those of ecCodes; names in an index are those of the service that publishes it
(https://confluence.ecmwf.int/display/DAC/ECMWF+open+data, https://www.nco.ncep.noaa.gov/pmb/products/gfs/).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum

import numpy as np

from gonogo.weather.table import Floats

GRAVITY_M_S2 = 9.80665  # standard gravity, by which a geopotential becomes a height
ZERO_DEGC_K = 273.15


class Kind(StrEnum):
    """What a value stands for: a moment, the total or the mean of a period."""

    INSTANT = "instant"
    TOTAL = "total"
    MEAN = "mean"


@dataclass(frozen=True, slots=True, kw_only=True)
class Quantity:
    """One quantity that is read.

    name           as a site's answer calls it
    short_names    names that the decoder gives to its field
    units          the decoder's unit -> (factor, offset) to ours
    in_json        its name in an index of JSON lines (ECMWF)
    in_inventory   (name, level) in an index of one line per message (NOAA)
    of_period      its value stands for a period, not for a moment
    is_fixed       it does not change in a run: the first step has it
    is_essential   without it the run cannot be used
    """

    name: str
    short_names: tuple[str, ...]
    units: Mapping[str, tuple[float, float]] = field(hash=False)
    in_json: str | None
    in_inventory: tuple[str, str] | None
    of_period: bool = False
    is_fixed: bool = False
    is_essential: bool = False

    def in_our_unit(self, values: Floats, unit: str) -> Floats:
        """Return values in our unit. Raises KeyError for a unit that is not known."""
        factor, offset = self.units[unit]
        return np.asarray(values * factor + offset, dtype=np.float64)


QUANTITIES: dict[str, Quantity] = {
    quantity.name: quantity
    for quantity in (
        Quantity(
            name="temp_degc",
            short_names=("2t",),
            units={"K": (1.0, -ZERO_DEGC_K)},
            in_json="2t",
            in_inventory=("TMP", "2 m above ground"),
            is_essential=True,
        ),
        Quantity(
            name="dew_point_degc",
            short_names=("2d",),
            units={"K": (1.0, -ZERO_DEGC_K)},
            in_json="2d",
            in_inventory=("DPT", "2 m above ground"),
            is_essential=True,
        ),
        Quantity(
            name="wind_east_m_s",
            short_names=("10u",),
            units={"m s**-1": (1.0, 0.0)},
            in_json="10u",
            in_inventory=("UGRD", "10 m above ground"),
            is_essential=True,
        ),
        Quantity(
            name="wind_north_m_s",
            short_names=("10v",),
            units={"m s**-1": (1.0, 0.0)},
            in_json="10v",
            in_inventory=("VGRD", "10 m above ground"),
            is_essential=True,
        ),
        Quantity(
            name="pressure_kpa",
            short_names=("sp",),
            units={"Pa": (0.001, 0.0)},
            in_json="sp",
            in_inventory=("PRES", "surface"),
        ),
        Quantity(  # a total of energy, or a mean of power; ours is J/m2 of the period
            name="radiation_j_m2",
            short_names=("ssrd", "avg_sdswrf", "sdswrf", "dswrf", "avg_ssrd"),
            units={"J m**-2": (1.0, 0.0), "W m**-2": (1.0, 0.0)},
            in_json="ssrd",
            in_inventory=("DSWRF", "surface"),
            of_period=True,
            is_essential=True,
        ),
        Quantity(
            name="precip_mm",
            short_names=("tp",),
            units={"m": (1000.0, 0.0), "kg m**-2": (1.0, 0.0)},
            in_json="tp",
            in_inventory=("APCP", "surface"),
            of_period=True,
            is_essential=True,
        ),
        Quantity(
            name="snow_mm",
            short_names=("sf",),
            units={"m of water equivalent": (1000.0, 0.0), "kg m**-2": (1.0, 0.0), "m": (1000.0, 0.0)},
            in_json="sf",
            in_inventory=None,
            of_period=True,
        ),
        Quantity(
            name="land_share",
            short_names=("lsm",),
            units={"(0 - 1)": (1.0, 0.0)},
            in_json="lsm",
            in_inventory=("LAND", "surface"),
            is_fixed=True,
        ),
        Quantity(
            name="elevation_m",
            short_names=("z", "orog"),
            units={"m**2 s**-2": (1.0 / GRAVITY_M_S2, 0.0), "m": (1.0, 0.0), "gpm": (1.0, 0.0)},
            in_json="z",
            in_inventory=("HGT", "surface"),
            is_fixed=True,
        ),
        Quantity(  # of the first step alone: with the pressure at the ground it tells the model's height
            name="sea_level_pressure_kpa",
            short_names=("msl", "prmsl"),
            units={"Pa": (0.001, 0.0)},
            in_json="msl",
            in_inventory=("PRMSL", "mean sea level"),
            is_fixed=True,
        ),
    )
}
BY_SHORT_NAME: dict[str, Quantity] = {
    short_name: quantity for quantity in QUANTITIES.values() for short_name in quantity.short_names
}
STATES = tuple(q.name for q in QUANTITIES.values() if not q.of_period and not q.is_fixed)
AMOUNTS = tuple(q.name for q in QUANTITIES.values() if q.of_period)
FIXED = tuple(q.name for q in QUANTITIES.values() if q.is_fixed)
ESSENTIAL = tuple(q.name for q in QUANTITIES.values() if q.is_essential)
RAIN = "precip_mm"
