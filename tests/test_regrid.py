"""Curvilinear and projected grids laid on longitudes and latitudes.

The oracles are analytic fields and grids, pyproj's own factors of a projection, scipy's interpolators, and
the definition of a rotation.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import CRS, Proj
from scipy.interpolate import RegularGridInterpolator
from scipy.spatial import cKDTree

from searcher.geo import Region, near_longitude
from searcher.sources.regrid import (
    angle_of_columns,
    find_spacing,
    lay_grid,
    locate_curved,
    locate_straight,
    resample,
    resample_angle,
    turn_to_east,
)
from searcher.sources.sheets import Plane

POLAR = CRS.from_epsg(3413)  # NSIDC's polar stereographic north: true at 70° N, 45° W downwards


def fan(rows: int, columns: int, *, west=150.0, south=-33.0):
    """A curvilinear grid: part of a fan of circles whose radii and angles are stretched smoothly."""
    t, s = np.meshgrid(np.linspace(0, 1, rows), np.linspace(0, 1, columns), indexing="ij")
    radius = 2.0 + 2.0 * t + 0.3 * np.sin(np.pi * t) * t
    turn = np.radians(20.0 + 50.0 * s + 6.0 * np.sin(2 * np.pi * s))
    return west + radius * np.sin(turn), south + radius * np.cos(turn)


def wavy(lon, lat):
    """A smooth field of both coordinates."""
    return np.sin(1.3 * lon) * np.cos(0.9 * lat) + 0.2 * lon


# ---- where a place lies among the nodes ------------------------------------------------------------------


def test_places_on_a_turned_and_sheared_straight_grid():
    """On an affine grid the fractional row and column are known; axes turned by 33°, sheared, 3:1 cells."""
    turn, rows, columns = np.radians(33.0), 30, 40
    j, i = np.meshgrid(np.arange(rows), np.arange(columns), indexing="ij")

    def place(row, column):
        x, y = 0.03 * column + 0.004 * row, 0.01 * row
        return 150.0 + x * np.cos(turn) - y * np.sin(turn), -30.0 + x * np.sin(turn) + y * np.cos(turn)

    rng = np.random.default_rng(5)
    row, column = rng.uniform(-3, rows + 2, 4000), rng.uniform(-3, columns + 2, 4000)
    found = locate_curved(*place(j, i), *place(row, column))
    inside = (row >= 0) & (row <= rows - 1) & (column >= 0) & (column <= columns - 1)
    assert 2000 < inside.sum() < 3800
    np.testing.assert_array_equal(np.isfinite(found[0]), inside)
    np.testing.assert_allclose(found[0][inside], row[inside], atol=1e-7)
    np.testing.assert_allclose(found[1][inside], column[inside], atol=1e-7)


def test_every_place_in_a_fan_is_found():
    """All middles of cells, and places within cells by the bilinear map itself; outside nothing."""
    lon, lat = fan(60, 80)
    rng = np.random.default_rng(2)
    row, column = rng.uniform(0, 59, 20_000), rng.uniform(0, 79, 20_000)
    at = [RegularGridInterpolator((np.arange(60), np.arange(80)), part)((row, column)) for part in (lon, lat)]
    found = locate_curved(lon, lat, *at)
    np.testing.assert_allclose(found[0], row, atol=1e-6)
    np.testing.assert_allclose(found[1], column, atol=1e-6)
    corner = locate_curved(
        lon, lat, np.array([150.0, 150.5]), np.array([-33.0, -32.7])
    )  # where radii are short
    assert np.isnan(corner).all()


def test_the_mouth_of_a_bay_is_not_bridged():
    """A ring of cells open on one side: neither its middle nor its gap belongs to the grid."""
    turn, radius = np.meshgrid(np.radians(np.linspace(20, 340, 90)), np.linspace(0.8, 1.2, 9), indexing="ij")
    lon, lat = 150.0 + radius * np.cos(turn), -30.0 + radius * np.sin(turn)
    row, _ = locate_curved(lon, lat, np.array([150.0, 151.0, 149.0]), np.array([-30.0, -30.0, -30.0]))
    np.testing.assert_array_equal(np.isfinite(row), [False, False, True])


def test_nodes_without_a_place_are_no_neighbours():
    lon, lat = fan(20, 20)
    lon[5:8, 5:8] = lat[5:8, 5:8] = np.nan
    row, column = (
        part.ravel() for part in np.meshgrid(np.arange(0.5, 19), np.arange(0.5, 19), indexing="ij")
    )
    full = fan(20, 20)
    index = (np.arange(20), np.arange(20))
    at = [RegularGridInterpolator(index, part)((row, column)) for part in full]
    found = locate_curved(lon, lat, *at)
    gone = (row > 4) & (row < 8) & (column > 4) & (column < 8)
    np.testing.assert_array_equal(np.isnan(found[0]), gone)
    np.testing.assert_allclose(found[0][~gone], row[~gone], atol=1e-6)


# ---- how far wrong interpolation is ----------------------------------------------------------------------


def test_interpolation_is_of_second_order():
    """Twice the nodes, a quarter of the error; and that error is the bound for linear interpolation,
    h²/8 times the largest second derivative along each of two axes."""
    at_lon, at_lat = np.meshgrid(np.linspace(151.5, 152.5, 50), np.linspace(-31.5, -30.5, 50))
    errors, steps = [], []
    for count in (40, 80, 160, 320):
        lon, lat = fan(count, count)
        found = resample(wavy(lon, lat), *locate_curved(lon, lat, at_lon, at_lat)).astype(np.float64)
        assert np.isfinite(found).all()
        errors.append(np.abs(found - wavy(at_lon, at_lat)).max())
        steps.append(max(np.hypot(np.diff(lon, axis=k), np.diff(lat, axis=k)).max() for k in (0, 1)))
    ratios = np.array(errors[:-2]) / errors[1:-1]  # the finest ends at the rounding of float32
    assert (ratios > 3.4).all(), ratios
    assert errors[0] < steps[0] ** 2 / 8 * (1.3**2 + 0.9**2) * 2


def test_a_straight_grid_is_interpolated_as_scipy_does():
    x, y = np.linspace(150, 152, 21), np.linspace(-31, -30, 31)
    values = np.random.default_rng(3).normal(size=(31, 21))
    at_x, at_y = np.meshgrid(np.linspace(150.01, 151.99, 37), np.linspace(-30.99, -30.01, 41))
    expected = RegularGridInterpolator((y, x), values)((at_y, at_x))
    np.testing.assert_allclose(resample(values, *locate_straight(x, y, at_x, at_y)), expected, atol=1e-6)
    curved = resample(values, *locate_curved(*np.meshgrid(x, y), at_x, at_y))
    np.testing.assert_allclose(curved, expected, atol=1e-6)
    row, column = locate_straight(x, y, np.array([149.9, 152.0, 150.0]), np.array([-30.5, -30.0, -31.01]))
    np.testing.assert_array_equal(np.isnan(row + column), [True, False, True])


@given(st.integers(0, 10_000), st.floats(0.05, 0.6))
@settings(max_examples=30, deadline=None)
def test_land_stays_land(seed, share):
    """A value stands only where the nearest node is water; it lies between those of the nodes around it."""
    rng = np.random.default_rng(seed)
    lon, lat = fan(25, 30)
    values = rng.normal(size=lon.shape)
    land = rng.random(lon.shape) < share
    values[land] = np.nan
    at_lon, at_lat = np.meshgrid(np.linspace(151, 153.5, 40), np.linspace(-32, -29.5, 40))
    row, column = locate_curved(lon, lat, at_lon, at_lat)
    found = resample(values, row, column)
    inside = np.isfinite(row)
    assert np.isnan(found[~inside]).all()
    j, i = (
        np.floor(np.minimum(at[inside], size - 1.001)).astype(int) for at, size in ((row, 25), (column, 30))
    )
    around = np.stack([values[j + dj, i + di] for dj in (0, 1) for di in (0, 1)])
    dry = np.isnan(around).any(axis=0)
    np.testing.assert_array_equal(np.isnan(found[inside]), dry)
    wet = found[inside][~dry]
    assert (wet >= around[:, ~dry].min(axis=0) - 1e-5).all()
    assert (wet <= around[:, ~dry].max(axis=0) + 1e-5).all()
    # among the four around it the nearest is water, so the nearest of all is
    shrink = np.cos(np.radians(lat.mean()))
    nearest = cKDTree(np.stack([lon.ravel() * shrink, lat.ravel()], 1)).query(
        np.stack([at_lon.ravel() * shrink, at_lat.ravel()], 1)
    )[1]
    assert not land.ravel()[nearest.reshape(at_lon.shape)[np.isfinite(found)]].any()


def test_a_target_on_a_node_beside_land_keeps_its_value():
    values = np.array([[1.0, np.nan], [2.0, np.nan]])
    found = resample(values, np.array([0.0, 0.5, 0.5]), np.array([0.0, 0.0, 0.01]))
    np.testing.assert_array_equal(found, np.array([1.0, 1.5, np.nan], np.float32))


# ---- directions ------------------------------------------------------------------------------------------


@given(st.floats(-180, 180), st.floats(-2, 2), st.floats(-2, 2))
@settings(max_examples=50, deadline=None)
def test_turning_is_a_rotation(degrees, u, v):
    """East and north of what lies along axes turned by an angle: complex numbers turn the same way."""
    east, north = turn_to_east(np.float64(u), np.float64(v), np.radians(degrees))
    assert complex(east, north) == pytest.approx(complex(u, v) * np.exp(1j * np.radians(degrees)), abs=1e-12)


def test_a_uniform_eastward_flow_on_a_turned_grid_is_exact():
    """Along the grid's axes its components differ from node to node; east and north they are 1 and 0."""
    lon, lat = fan(50, 60)
    angle = angle_of_columns(lon, lat)
    assert np.ptp(angle) > 0.5
    row, column = (part.ravel() for part in np.meshgrid(np.arange(50.0), np.arange(60.0), indexing="ij"))
    east, north = turn_to_east(
        resample(np.cos(angle), row, column),
        resample(-np.sin(angle), row, column),
        resample_angle(angle, row, column),
    )
    np.testing.assert_allclose(east, 1.0, atol=3e-7)
    np.testing.assert_allclose(north, 0.0, atol=3e-7)


def test_the_angle_of_a_curvilinear_grid_is_of_second_order():
    """On circles around a point the direction of columns is known, at right angles to the radius; the nodes
    stand unevenly on them."""
    errors = []
    for count in (40, 80):
        share = np.linspace(0, 1, count)
        uneven = share + 0.1 * np.sin(2 * np.pi * share)
        turn, radius = np.meshgrid(np.radians(20 + 50 * uneven), np.linspace(0.2, 0.4, 9))
        lon, lat = 0.3 + radius * np.sin(turn), radius * np.cos(turn) - 0.2  # near the equator and Greenwich
        east = (
            111_319.49079 * np.cos(np.radians(lat)) / np.sqrt(1 - 6.69438e-3 * np.sin(np.radians(lat)) ** 2)
        )
        north = 110_574.27582 * (1 + 0.0101 * np.sin(np.radians(lat)) ** 2)  # WGS84, Snyder 1987
        expected = np.arctan2(-np.sin(turn) * north, np.cos(turn) * east)
        errors.append(np.abs(angle_of_columns(lon, lat) - expected)[:, 1:-1].max())
    assert errors[0] < 2e-3
    assert errors[0] / errors[1] > 3.4


def test_the_angle_of_a_projection_against_pyproj():
    """pyproj's meridian convergence, and for a polar stereographic map the longitude itself: a step east at
    longitude l points 45° + l anticlockwise from x (Snyder 1987, USGS PP 1395, ch. 21), at any latitude."""
    lon, lat = np.meshgrid(np.linspace(-70, -20, 11), np.linspace(45, 80, 8))
    angle = np.degrees(Plane(np.zeros(2), np.zeros(2), POLAR).angle(lon, lat))
    np.testing.assert_allclose(angle, -(lon + 45.0), atol=1e-6)
    for epsg in (3413, 3031, 32756, 3577, 2193, 3395):
        crs = CRS.from_epsg(epsg)
        box = crs.area_of_use
        lon, lat = np.meshgrid(
            np.linspace(box.west, box.east, 7)[1:-1], np.linspace(box.south, box.north, 7)[1:-1]
        )
        if epsg == 3577:  # equal area: x and y cross at other than right angles away from its parallels
            lat = np.full_like(lat, -18.0)
        ours = np.degrees(Plane(np.zeros(2), np.zeros(2), crs).angle(lon, lat))
        theirs = Proj(crs).get_factors(lon, lat).meridian_convergence
        np.testing.assert_allclose(near_longitude(np.abs(ours) - np.abs(theirs), 0.0), 0.0, atol=2e-3)


def test_places_on_a_map_against_pyproj():
    x, y = np.arange(0.0, 500e3, 25e3), np.arange(-3000e3, -2500e3, 25e3)
    plane = Plane(x, y, POLAR)
    lon, lat = Proj(POLAR)(*np.meshgrid(x, y), inverse=True)
    row, column = locate_straight(x, y, *plane.project(lon, lat))
    expected = np.meshgrid(np.arange(x.size), np.arange(y.size))
    np.testing.assert_allclose(column, expected[0], atol=1e-6)
    np.testing.assert_allclose(row, expected[1], atol=1e-6)
    back = plane.unproject(*plane.project(lon, lat))
    np.testing.assert_allclose(back[0], lon, atol=1e-9)
    np.testing.assert_allclose(back[1], lat, atol=1e-9)


# ---- the grid that is laid -------------------------------------------------------------------------------


def test_the_grid_laid_has_the_native_spacing():
    """2 km cells, turned: steps of about 2 km both ways, whole multiples of themselves, around the region."""
    j, i = np.meshgrid(np.arange(200) - 100, np.arange(200) - 100, indexing="ij")
    turn, per_lat, per_lon = np.radians(25.0), 110_852.0, 96_486.0  # m per degree at 30°, Snyder 1987
    lon = 153.0 + 2000.0 * (i * np.cos(turn) - j * np.sin(turn)) / per_lon
    lat = -30.0 + 2000.0 * (i * np.sin(turn) + j * np.cos(turn)) / per_lat
    assert find_spacing(lon, lat) == pytest.approx(2000.0, rel=2e-3)
    region = Region(152.5, -30.4, 153.4, -29.7)
    laid_lat, laid_lon = lay_grid(lon, lat, region)
    assert laid_lat.step * per_lat == pytest.approx(2000.0, rel=0.05)
    assert laid_lon.step * per_lon == pytest.approx(2000.0, rel=0.05)
    for cut, low, high in ((laid_lat, region.south, region.north), (laid_lon, region.west, region.east)):
        assert low - 2 * cut.step < cut.values[0] <= low
        assert high <= cut.values[-1] < high + 2 * cut.step
        np.testing.assert_allclose(np.diff(cut.values), cut.step, rtol=1e-9)
        np.testing.assert_allclose(cut.values / cut.step, np.round(cut.values / cut.step), atol=1e-6)
    part = lay_grid(lon[50:], lat[50:], region)  # another cut of the same grid: the same nodes
    np.testing.assert_array_equal(np.isin(part[0].values, laid_lat.values), True)
    assert lay_grid(lon, lat, Region(170.0, -30.0, 171.0, -29.0)) is None
