"""From a field on a regular grid of latitude and longitude to all sites at once.

A site's value is drawn in straight lines between the four points around it. Where one of them lies in the sea, the
nearest point on land within 30 km stands for the site: sea points know neither its warm days nor its nights.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from gonogo.weather.checks import EARTH_RADIUS_KM, MAX_DISTANCE_KM
from gonogo.weather.table import Floats

Whole = npt.NDArray[np.int64]

LAND_FROM = 0.5  # share of land from which on a point counts as land, as ECMWF defines its mask; common practice
REACH = 2  # grid steps to each side within which a point on land is looked for
BETWEEN, ON_LAND, AT_SEA = 0, 1, 2  # how a place is read: between four points, from one on land, over the sea


@dataclass(frozen=True, slots=True, kw_only=True)
class Grid:
    """A regular grid: rows of latitude, each from west to east. step_lat_deg is below 0 from north to south."""

    n_lat: int
    n_lon: int
    first_lat_deg: float
    first_lon_deg: float
    step_lat_deg: float
    step_lon_deg: float

    @property
    def goes_round(self) -> bool:
        """Whether the last point of a row has the first as its neighbour in the east."""
        return self.n_lon * self.step_lon_deg > 360.0 - 0.5 * self.step_lon_deg


@dataclass(frozen=True, slots=True, kw_only=True)
class Places:
    """How sites are read from a grid, (S,) or (4, S): numbers of the points around, and their weights.

    is_inside   the grid reaches around the site
    how         BETWEEN, ON_LAND or AT_SEA
    lat_deg, lon_deg   the place that the values are for; away_km: how far it lies from the site
    """

    point: Whole
    weight: Floats
    is_inside: npt.NDArray[np.bool_]
    how: Whole
    lat_deg: Floats
    lon_deg: Floats
    away_km: Floats


def between_points(grid: Grid, lat_deg: Floats, lon_deg: Floats) -> Places:
    """Return how sites (S,) are read by bilinear interpolation."""
    row = (lat_deg - grid.first_lat_deg) / grid.step_lat_deg
    column = ((lon_deg - grid.first_lon_deg) % 360.0) / grid.step_lon_deg
    last_column = grid.n_lon if grid.goes_round else grid.n_lon - 1
    is_inside = (row >= -1e-9) & (row <= grid.n_lat - 1 + 1e-9) & (column <= last_column + 1e-9)
    top = np.clip(np.floor(row), 0, max(grid.n_lat - 2, 0)).astype(np.int64)
    left = np.clip(np.floor(column), 0, max(last_column - 1, 0)).astype(np.int64)
    down, right = np.clip(row - top, 0.0, 1.0), np.clip(column - left, 0.0, 1.0)
    next_left = (left + 1) % grid.n_lon
    below = np.minimum(top + 1, grid.n_lat - 1)
    return Places(
        point=np.stack(
            [
                top * grid.n_lon + left,
                top * grid.n_lon + next_left,
                below * grid.n_lon + left,
                below * grid.n_lon + next_left,
            ]
        ),
        weight=np.stack([(1 - down) * (1 - right), (1 - down) * right, down * (1 - right), down * right]),
        is_inside=is_inside,
        how=np.full(len(lat_deg), BETWEEN),
        lat_deg=np.asarray(lat_deg, dtype=np.float64),
        lon_deg=np.asarray(lon_deg, dtype=np.float64),
        away_km=np.zeros(len(lat_deg)),
    )


def over_land(places: Places, grid: Grid, land_share: Floats) -> Places:
    """Return how sites are read where points in the sea say nothing: coastal ones from their nearest point on land.

    land_share   the land-sea mask on the grid, flat, 0 to 1
    """
    counts = places.weight > 0.0
    at_coast = np.flatnonzero(((land_share[places.point] < LAND_FROM) & counts).any(axis=0) & places.is_inside)
    if not len(at_coast):
        return places
    lat_deg, lon_deg = places.lat_deg[at_coast], places.lon_deg[at_coast]
    row = np.rint((lat_deg - grid.first_lat_deg) / grid.step_lat_deg).astype(np.int64)
    column = np.rint(((lon_deg - grid.first_lon_deg) % 360.0) / grid.step_lon_deg).astype(np.int64)
    offsets = np.arange(-REACH, REACH + 1)
    rows = (row[:, None] + np.repeat(offsets, len(offsets))[None, :]).clip(0, grid.n_lat - 1)
    columns = column[:, None] + np.tile(offsets, len(offsets))[None, :]
    columns = columns % grid.n_lon if grid.goes_round else columns.clip(0, grid.n_lon - 1)
    number = rows * grid.n_lon + columns
    point_lat = grid.first_lat_deg + rows * grid.step_lat_deg
    point_lon = grid.first_lon_deg + columns * grid.step_lon_deg
    away_km = distances_km(lat_deg[:, None], lon_deg[:, None], np.asarray(point_lat), np.asarray(point_lon))
    away_km[(land_share[number] < LAND_FROM) | (away_km > MAX_DISTANCE_KM)] = np.inf
    nearest = np.argmin(away_km, axis=1)
    each = np.arange(len(at_coast))
    has_land = np.isfinite(away_km[each, nearest])
    how, point, weight = places.how.copy(), places.point.copy(), places.weight.copy()
    how[at_coast] = np.where(has_land, ON_LAND, AT_SEA)
    moved, chosen = at_coast[has_land], nearest[has_land]
    from_row = each[has_land]
    point[:, moved] = number[from_row, chosen]
    weight[:, moved] = np.array([1.0, 0.0, 0.0, 0.0])[:, None]
    place_lat, place_lon, away = places.lat_deg.copy(), places.lon_deg.copy(), places.away_km.copy()
    place_lat[moved] = point_lat[from_row, chosen]
    place_lon[moved] = (point_lon[from_row, chosen] + 180.0) % 360.0 - 180.0
    away[moved] = away_km[from_row, chosen]
    return replace(places, point=point, weight=weight, how=how, lat_deg=place_lat, lon_deg=place_lon, away_km=away)


def at(values: Floats, places: Places) -> Floats:
    """Return a flat field's values at the sites, (S,), NaN where a point that counts has none."""
    found = np.zeros(places.point.shape[1])
    for point, weight in zip(places.point, places.weight, strict=True):
        of_point = values.take(point) * weight
        found += np.where(weight > 0.0, of_point, 0.0) if np.isnan(of_point).any() else of_point
    return found


def distances_km(lat_a_deg: Floats, lon_a_deg: Floats, lat_b_deg: Floats, lon_b_deg: Floats) -> Floats:
    """Return great-circle distances [km] (haversine formula); shapes broadcast."""
    lat_a, lon_a, lat_b, lon_b = map(np.radians, (lat_a_deg, lon_a_deg, lat_b_deg, lon_b_deg))
    h = np.sin((lat_b - lat_a) / 2) ** 2 + np.cos(lat_a) * np.cos(lat_b) * np.sin((lon_b - lon_a) / 2) ** 2
    return np.asarray(2 * EARTH_RADIUS_KM * np.arcsin(np.sqrt(np.minimum(h, 1.0))))
