"""From a field to sites: straight lines between four points, the date line, the poles, coasts."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gonogo.weather.grid import places
from gonogo.weather.grid.places import AT_SEA, BETWEEN, ON_LAND, Grid

WORLD = Grid(n_lat=181, n_lon=360, first_lat_deg=90.0, first_lon_deg=0.0, step_lat_deg=-1.0, step_lon_deg=1.0)
FROM_DATE_LINE = Grid(
    n_lat=721, n_lon=1440, first_lat_deg=90.0, first_lon_deg=180.0, step_lat_deg=-0.25, step_lon_deg=0.25
)
NORTHWARDS = Grid(n_lat=21, n_lon=41, first_lat_deg=40.0, first_lon_deg=-5.0, step_lat_deg=0.5, step_lon_deg=0.25)
CORNERS = Grid(n_lat=9, n_lon=9, first_lat_deg=50.0, first_lon_deg=10.0, step_lat_deg=-0.25, step_lon_deg=0.25)


def points(grid: Grid) -> tuple[np.ndarray, np.ndarray]:
    lat = grid.first_lat_deg + np.arange(grid.n_lat) * grid.step_lat_deg
    lon = grid.first_lon_deg + np.arange(grid.n_lon) * grid.step_lon_deg
    return np.repeat(lat, grid.n_lon), np.tile(lon, grid.n_lat)


@pytest.mark.parametrize("grid", [WORLD, FROM_DATE_LINE, NORTHWARDS, CORNERS])
def test_a_plane_is_drawn_exactly_and_a_point_has_its_own_value(grid: Grid) -> None:
    lat, lon = points(grid)
    plane = 3.0 + 2.0 * lat
    rng = np.random.default_rng(1)
    site_lat = rng.uniform(lat.min(), lat.max(), 200)
    site_lon = grid.first_lon_deg + rng.uniform(0.0, (grid.n_lon - 1) * grid.step_lon_deg, 200)
    found = places.between_points(grid, site_lat, (site_lon + 180.0) % 360.0 - 180.0)
    assert found.is_inside.all()
    np.testing.assert_allclose(places.at(plane, found), 3.0 + 2.0 * site_lat, atol=1e-9)
    at_points = places.between_points(grid, lat[::7], lon[::7])
    np.testing.assert_allclose(places.at(np.arange(len(lat), dtype=float), at_points), np.arange(len(lat))[::7])


@given(lon_deg=st.floats(-180.0, 180.0), lat_deg=st.floats(-90.0, 90.0))
def test_the_world_has_no_seam(lon_deg: float, lat_deg: float) -> None:
    """A field that goes round smoothly is met everywhere, over the date line and over the first meridian too."""
    lat, lon = points(WORLD)
    smooth = np.cos(np.radians(lon)) * np.cos(np.radians(lat))
    found = places.between_points(WORLD, np.array([lat_deg]), np.array([lon_deg]))
    assert found.is_inside.all()
    assert found.weight.sum() == pytest.approx(1.0)
    right = np.cos(np.radians(lon_deg)) * np.cos(np.radians(lat_deg))
    assert places.at(smooth, found)[0] == pytest.approx(right, abs=2e-4)


def test_the_last_column_has_the_first_as_its_neighbour() -> None:
    columns = np.tile(np.arange(360.0), 181)
    found = places.between_points(WORLD, np.array([10.0, 10.0]), np.array([-0.25, -0.75]))
    assert places.at(columns, found) == pytest.approx([0.25 * 359.0, 0.75 * 359.0])


def test_outside_of_a_region_nothing_is_read() -> None:
    lat, lon = np.array([49.0, 50.5, 47.5, 49.0, 49.0]), np.array([11.0, 11.0, 11.0, 9.5, 12.5])
    assert places.between_points(CORNERS, lat, lon).is_inside.tolist() == [True, False, False, False, False]


def test_by_the_sea_the_nearest_point_on_land_stands_for_the_site() -> None:
    land = np.zeros((9, 9))
    land[:, :4] = 1.0  # land to 10.75 degrees east
    field = np.tile(10.0 + np.arange(9.0), 9)
    lat, lon = np.array([49.02, 49.02, 49.02, 49.0]), np.array([10.3, 10.8, 11.5, 10.75])
    found = places.over_land(places.between_points(CORNERS, lat, lon), CORNERS, land.ravel())
    # Inland; between land and sea; 55 km out; on a point of land itself, whose neighbours do not count.
    assert found.how.tolist() == [BETWEEN, ON_LAND, AT_SEA, BETWEEN]
    values = places.at(field, found)
    assert values[0] == pytest.approx(11.2)
    assert values[1] == 13.0
    assert values[2] == pytest.approx(16.0)
    assert values[3] == 13.0
    assert (found.lat_deg[1], found.lon_deg[1]) == (49.0, 10.75)
    assert found.away_km[1] == pytest.approx(4.28, abs=0.05)  # 0.02 degrees north, 0.05 east
    assert found.away_km[[0, 2, 3]].tolist() == [0.0, 0.0, 0.0]


def test_a_missing_value_counts_where_its_point_does() -> None:
    values = np.arange(81.0)
    values[10] = np.nan  # row 1, column 1
    lat, lon = np.array([49.75, 49.8, 50.0]), np.array([10.5, 10.2, 10.0])
    found = places.at(values, places.between_points(CORNERS, lat, lon))
    assert np.isnan(found).tolist() == [False, True, False]
