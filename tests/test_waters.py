"""Open water, currents on the way, and ways around what is in it."""

from __future__ import annotations

import itertools
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
import shapely
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from pyproj import Geod
from scipy.optimize import brentq
from seas import (
    KNOT,
    TASMAN,
    Plane,
    hours,
    make_axes,
    make_node,
    make_simple_sea,
    make_trip,
    make_waters,
    time_across,
)

from searcher import geo
from searcher.coast import APRON, UNDER_KEEL, find_obstacles
from searcher.errors import OutOfReach
from searcher.geo import LocalPlane, Place
from searcher.waters import CALM, Hourly, share_kept, slowed, survey_waters

GEOD = Geod(ellps="WGS84")
PLANE = Plane(TASMAN)
#: a berth and open water before the real coast of New South Wales
BERTH, BUOY = Place(153.0795, -30.405), Place(153.108, -30.408)
SPEED = 10.0


def place(x: float, y: float) -> Place:
    return Place(*(float(a) for a in PLANE.degrees(x, y)))


def rectangle(west, south, east, north) -> shapely.Polygon:
    """A rectangle of metres, in degrees."""
    corners = [(west, south), (east, south), (east, north), (west, north)]
    return shapely.Polygon(np.column_stack(PLANE.degrees(*np.transpose(corners))))


def grid_around(*, half: float = 0.5, step: float = 0.01):
    return make_axes(TASMAN, half=half, step=step)


# ---- survey


def test_the_open_ocean_is_open_and_moves_with_its_current():
    waters = survey_waters(make_trip(), make_simple_sea(u=0.3, v=-0.2, half=2.0))
    assert not waters.blocked.any()
    assert waters.known.all()
    assert waters.u == pytest.approx(np.full(waters.u.shape, 0.3))
    assert waters.v == pytest.approx(np.full(waters.u.shape, -0.2))
    assert waters.obstacles.is_empty
    # steps of about a hundred and fiftieth of the range of 60 nmi
    east, north = waters.metres
    assert north == pytest.approx(np.full(north.size, 60 * 1852.0 / 150), rel=0.02)
    assert east == pytest.approx(np.full(east.size, 60 * 1852.0 / 150), rel=0.05)


def test_currents_are_the_mean_of_the_trips_hours():
    """Linear in time: the mean is that of the middle of the trip."""
    sea = make_simple_sea(half=2.0, current_hours=(-6.0, 18.0))
    elapsed = (sea["currents"]["time"].values - sea["currents"]["time"].values[2]) / np.timedelta64(1, "h")
    sea["currents"]["u"].values[:] = (0.02 * elapsed)[:, None, None]
    waters = survey_waters(make_trip(length=10.0), sea, spacing=5000.0)
    assert waters.u == pytest.approx(np.full(waters.u.shape, 0.02 * 5.0), abs=1e-9)


def test_gaps_take_the_nearest_current_and_are_told():
    sea = make_simple_sea(
        u=lambda x, _y: np.where(np.abs(x) < 30e3, np.nan, np.where(x < 0, -0.5, 0.5)), half=2.0
    )
    waters = survey_waters(make_trip(), sea, spacing=3000.0)
    x, _ = PLANE.metres(*np.meshgrid(waters.lon, waters.lat))
    assert waters.known[np.abs(x) > 45e3].all()
    assert not waters.known[np.abs(x) < 20e3].any()
    near = np.abs(x) < 140e3
    west, east = near & (x < -5e3), near & (x > 5e3)
    assert np.isfinite(waters.u).all()
    assert waters.u[west] == pytest.approx(np.full(west.sum(), -0.5))
    assert waters.u[east] == pytest.approx(np.full(east.sum(), 0.5))


def test_hours_without_currents_or_waves_lie_between_those_before_and_after():
    """A field of nothing among 3-hourly ones, and some nodes of another: what grows evenly is not changed."""
    lon, lat = make_axes(TASMAN, half=2.0, step=0.1)
    moments = hours(-12.0, 36.0)
    grown = (moments - moments[0]) / np.timedelta64(1, "h")
    sea = make_simple_sea(half=2.0, waves=make_node("waves", lon, lat, moments, hs=grown[:, None, None] / 48))
    whole = survey_waters(make_trip(), sea, spacing=6000.0)
    sea["waves"]["hs"][6] = np.nan
    sea["waves"]["hs"][7, :, :20] = np.nan
    sea["currents"]["u"][18], sea["currents"]["v"][18] = np.nan, np.nan
    bridged = survey_waters(make_trip(), sea, spacing=6000.0)
    assert bridged.known.all()
    np.testing.assert_allclose(bridged.hourly.waves, whole.hourly.waves, atol=1e-9)
    np.testing.assert_allclose(bridged.hourly.flow, whole.hourly.flow, atol=1e-9)


def test_a_boat_among_blocked_cells_finds_its_way_out():
    """In a slip four cells deep, whose cells are all blocked: out along it, touching nothing."""
    lon, lat = make_axes(TASMAN, half=0.3, step=0.02)
    pier = [PLANE.line([[x, -8e3], [x, 1e3]]).buffer(0.002) for x in (-0.7e3, 0.7e3)]
    basin = PLANE.line([[-0.7e3, -8e3], [0.7e3, -8e3]]).buffer(0.002)
    waters = make_waters(lon, lat, obstacles=shapely.union_all([*pier, basin]))
    here, there = (Place(*(float(a) for a in PLANE.degrees(*xy))) for xy in ((0.0, -6e3), (15e3, -12e3)))
    column, row = (round(float(part)) for part in waters.cells(*here))
    assert waters.blocked[row - 1 : row + 4, column].all()
    way = waters.way(here, there, SPEED)
    assert not way.intersects(waters.obstacles)
    assert way.coords[0] == pytest.approx(here)
    assert way.coords[-1] == pytest.approx(there)
    around = PLANE.vertices(way)
    length = np.hypot(*np.diff(around, axis=0).T).sum()
    assert length < 1.3 * (np.hypot(1e3, 7e3) + np.hypot(14e3, 13e3))
    # at no more than the speed of any sea among blocked cells
    assert length / SPEED < waters.way_time(way, SPEED, at=0.0) < length / CALM
    sealed = make_waters(lon, lat, obstacles=PLANE.line([[0, -6e3], [0, -6.001e3]]).buffer(0.05).boundary)
    assert sealed.way(here, there, SPEED) is None


def covered(waters, lon, lat) -> np.ndarray:
    """Whether places lie in blocked cells, of those on the grid."""
    column, row = (np.round(a).astype(int) for a in waters.cells(lon, lat))
    rows, columns = waters.blocked.shape
    on = (row >= 0) & (row < rows) & (column >= 0) & (column < columns)
    assert on.any()
    return waters.blocked[row[on], column[on]]


def points_inside(area, count: int = 400, seed: int = 0) -> np.ndarray:
    rng = np.random.default_rng(seed)
    west, south, east, north = area.bounds
    xy = np.column_stack([rng.uniform(west, east, 20 * count), rng.uniform(south, north, 20 * count)])
    return xy[shapely.contains_xy(area, xy[:, 0], xy[:, 1])][:count]


def test_the_nearest_open_water_of_a_place_that_is_shut():
    """In a square of 20 km, 3 km from its eastern side: there, a cell on at the most."""
    lon, lat = grid_around()
    shut = make_waters(lon, lat, obstacles=rectangle(-10e3, -10e3, 10e3, 10e3))
    near = shut.nearest_open(place(7e3, 1e3))
    x, y = PLANE.metres(*near)
    assert 10e3 <= x < 12e3
    assert y == pytest.approx(1e3, abs=600.0)


def test_every_part_of_a_closed_area_is_blocked():
    closed = shapely.union(
        rectangle(20e3, 5e3, 31e3, 17e3), shapely.Point(place(-30e3, -20e3)).buffer(0.003)
    )  # the second is smaller than a cell
    waters = survey_waters(make_trip(closed=closed), make_simple_sea(half=2.0))
    for part in closed.geoms:
        inside = points_inside(part)
        assert len(inside) > 50
        assert covered(waters, *inside.T).all()
    # and no more than one cell around it
    x, y = np.meshgrid(waters.lon, waters.lat)
    away = shapely.distance(closed, shapely.points(x, y)) > 1.5 * (waters.lat[1] - waters.lat[0])
    assert not waters.blocked[away].any()


@pytest.fixture(scope="module")
def coast():
    trip = make_trip(at=BERTH, buoy=BUOY, tank=60.0, clearance=1500.0)
    sea = make_simple_sea(centre=BUOY, half=2.0)
    return trip, survey_waters(trip, sea)


def test_land_and_its_clearance_are_blocked(coast):
    _, waters = coast
    region = geo.Region(waters.lon[0], waters.lat[0], waters.lon[-1], waters.lat[-1])
    shore = geo.land(region, detail="full")
    on_land = points_inside(shore)
    assert len(on_land) > 100
    assert covered(waters, *on_land.T).all()
    # water within the clearance, away from the sea buoy; distances by geodesics to the shore's vertices
    vertices = shapely.get_coordinates(shore)
    rng = np.random.default_rng(1)
    near = vertices[rng.integers(0, len(vertices), 300)] + rng.uniform(-0.008, 0.008, (300, 2))
    near = near[shapely.contains_xy(region.grown(-5000.0).polygon(), near[:, 0], near[:, 1])]
    for lon, lat in near:
        from_shore = GEOD.inv(
            np.full(len(vertices), lon), np.full(len(vertices), lat), vertices[:, 0], vertices[:, 1]
        )[2].min()
        from_buoy = GEOD.inv(lon, lat, *BUOY)[2]
        if from_shore < 1400.0 and from_buoy > 1500.0 + APRON + 200.0:
            assert covered(waters, lon, lat)
    assert len(near) > 100


def test_the_sea_buoy_is_left_open(coast):
    trip, waters = coast
    assert GEOD.inv(*BERTH, *BUOY)[2] > 1000.0
    times = waters.times_from(BUOY, SPEED)
    east = np.round(waters.cells(BUOY.lon + 0.3, BUOY.lat)).astype(int)
    assert np.isfinite(times[east[1], east[0]])
    assert not shapely.intersects(find_obstacles(trip), shapely.Point(BUOY))


def test_a_coast_that_crosses_itself_on_the_plane_is_kept_off():
    """Cut off in the fjords of northern Norway the land is valid in degrees, and on the plane it is not."""
    buoy, around = Place(16.12, 69.36), geo.Region(10.94, 67.677, 21.3, 71.04)
    shore = geo.land(around, detail="full")
    assert shore.is_valid
    assert not LocalPlane(buoy).to_plane(shore).is_valid
    avoid = SimpleNamespace(clearance=926.0, closed=shapely.Polygon())
    trip = SimpleNamespace(region=around, port=SimpleNamespace(sea_buoy=buoy), buoys=[buoy], avoid=avoid)
    obstacles = find_obstacles(trip)
    assert obstacles.is_valid
    for place, kept_off in (((16.13, 69.25), True), ((15.0, 69.8), False)):
        assert shapely.intersects(obstacles, shapely.Point(place)) == kept_off, place


def test_no_clearance_near_the_buoy_but_never_land(coast):
    _, waters = coast
    shore = geo.land(geo.region_around(BUOY, 5000.0), detail="full")
    inside = points_inside(shore, 100)
    assert shapely.intersects_xy(waters.obstacles, inside[:, 0], inside[:, 1]).all()


def test_shoals_and_dry_ground_are_blocked_and_unknown_depth_is_not():
    """Draught 0.8 m and what is wanted under the keel."""
    lon, lat = make_axes(TASMAN, half=2.0, step=0.05)
    x, y = PLANE.metres(*np.meshgrid(lon, lat))
    needed = 0.8 + UNDER_KEEL
    depth = np.full(x.shape, 4000.0)
    depth[np.hypot(x - 40e3, y) < 15e3] = needed - 0.1
    depth[np.hypot(x + 40e3, y) < 15e3] = needed + 0.1
    depth[np.hypot(x, y - 40e3) < 15e3] = np.nan
    sea = make_simple_sea(half=2.0, depth=make_node("depth", lon, lat, depth=depth))
    waters = survey_waters(make_trip(), sea)
    assert covered(waters, *place(40e3, 0.0))
    assert not covered(waters, *place(-40e3, 0.0))
    assert covered(waters, *place(0.0, 40e3))  # no depth among depths: the depth data say it is dry
    part = make_node("depth", lon[:60], lat, depth=np.full((lat.size, 60), 4000.0))
    beyond = survey_waters(make_trip(), make_simple_sea(half=2.0, depth=part))
    assert not beyond.blocked.any()
    assert covered(waters, *place(45e3, 5e3))


def test_a_rock_between_the_nodes_is_blocked():
    lon, lat = make_axes(TASMAN, half=0.3, step=1 / 240)
    depth = np.full((lat.size, lon.size), 500.0)
    row, column = lat.size // 2 + 31, lon.size // 2 + 17
    depth[row, column] = 1.0
    waters = survey_waters(
        make_trip(), make_simple_sea(half=2.0, depth=make_node("depth", lon, lat, depth=depth))
    )
    assert waters.grid.dlat > 1 / 240
    assert covered(waters, lon[column], lat[row])
    assert waters.blocked.sum() <= 4


def test_between_two_shallow_depths_of_a_coarse_grid_nothing_is_open():
    """Soundings of 1 m 2.2 km apart: linear between them it is 1 m all the way."""
    lon, lat = make_axes(TASMAN, half=1.0, step=0.02)
    depth = np.full((lat.size, lon.size), 30.0)
    row, column = lat.size // 2 + 5, lon.size // 2 + 7
    depth[row : row + 2, column] = 1.0
    sea = make_simple_sea(half=2.0, depth=make_node("depth", lon, lat, depth=depth))
    waters = survey_waters(make_trip(tank=60.0), sea, spacing=600.0)
    between = np.linspace(lat[row], lat[row + 1], 40)
    assert covered(waters, np.full(40, lon[column]), between).all()
    assert waters.blocked.mean() < 0.01


def test_a_sea_buoy_nearer_to_land_than_a_cell_has_ways_out_and_home():
    buoy, sea_mark = Place(153.0815, -30.408), Place(153.4, -30.5)
    trip = make_trip(at=BERTH, buoy=buoy, tank=60.0)
    waters = survey_waters(trip, make_simple_sea(centre=buoy, half=1.5), spacing=1000.0)
    shore = geo.land(trip.region, detail="full")
    assert shapely.distance(shore, shapely.Point(buoy)) * 96e3 < 500.0
    half_x, half_y = waters.grid.dlon / 2, waters.grid.dlat / 2
    column, row = np.round(waters.cells(*buoy)).astype(int)
    x, y = waters.lon[column], waters.lat[row]
    assert shapely.intersects(shore, shapely.box(x - half_x, y - half_y, x + half_x, y + half_y))
    for ends in ((buoy, sea_mark), (sea_mark, buoy)):
        assert not shapely.intersects(shore, waters.way(*ends, SPEED))


def test_a_shut_in_sea_buoy_is_told():
    trip = make_trip(closed=rectangle(-5e3, -5e3, 5e3, 5e3))
    with pytest.raises(
        OutOfReach, match=r"no open water at the sea buoy.*161\.0000, -36\.0000.*Move \[port\]"
    ):
        survey_waters(trip, make_simple_sea(half=2.0))


# ---- times and ways


def test_times_are_lengths_over_speed_made_good():
    """Against geodesics of GeographicLib (pyproj), in still water and with a current along the way."""
    lon, lat = grid_around()
    start, end = np.array([TASMAN]), np.array([place(35e3, 20e3)])
    metres = GEOD.inv(*start[0], *end[0])[2]
    still = make_waters(lon, lat).straight_times(start, end, SPEED)[0]
    assert still == pytest.approx(metres / SPEED, rel=1e-3)
    moving = make_waters(lon, lat, u=1.5, v=-1.0).straight_times(start, end, SPEED)[0]
    assert moving == pytest.approx(time_across(SPEED, 1.5, -1.0, 35e3, 20e3), rel=1e-3)


def test_homeward_is_outward_with_the_current_turned():
    lon, lat = grid_around(step=0.02)
    waters = make_waters(lon, lat, u=2.0)
    turned = make_waters(lon, lat, u=-2.0)
    home = waters.times_from(TASMAN, SPEED, homeward=True)
    assert home == pytest.approx(turned.times_from(TASMAN, SPEED))
    out = waters.times_from(TASMAN, SPEED)
    j, east, west = lat.size // 2, -5, 4
    assert out[j, east] < out[j, west]
    assert home[j, east] == pytest.approx(out[j, west], rel=1e-2)
    # the way there and its time: marching and going straight agree
    there = np.array([[lon[east], lat[j]]])
    assert out[j, east] == pytest.approx(waters.straight_times(np.array([TASMAN]), there, SPEED)[0], rel=1e-3)
    assert home[j, east] == pytest.approx(
        waters.straight_times(there, np.array([TASMAN]), SPEED)[0], rel=1e-3
    )


def test_homeward_by_a_deadline_meets_the_tide_of_each_hour():
    """A uniform current that turns once in 6.2 h: the last S T of the way to a place end at the deadline.

    |place - node - ∫c dt over the last T| = S T, the integral in closed form.
    """
    lon, lat = grid_around(half=0.5, step=0.01)
    moments = 600.0 * np.arange(60)
    omega, strength, deadline = 2 * np.pi / (6.2 * 3600.0), 1.5, 25000.0
    flow = np.empty((moments.size, lat.size, lon.size, 2))
    angle = omega * moments[:, None, None]
    flow[..., 0], flow[..., 1] = strength * np.cos(angle), strength * np.sin(angle)
    waters = replace(make_waters(lon, lat), hourly=Hourly(0.0, 600.0, flow))
    home = waters.times_from(TASMAN, SPEED, homeward=True, at=deadline)

    def carried(time):
        first, last = omega * (deadline - time), omega * deadline
        return strength / omega * np.array([np.sin(last) - np.sin(first), np.cos(first) - np.cos(last)])

    x, y = PLANE.metres(*np.meshgrid(lon, lat))
    places = [(r, c) for r in range(0, lat.size, 20) for c in range(0, lon.size, 20)]
    for where in [p for p in places if np.hypot(x[p], y[p]) > 25e3]:
        here = np.array([x[where], y[where]])
        exact = brentq(lambda t, at=here: np.hypot(*(-at - carried(t))) - SPEED * t, 1.0, 1e5)
        assert home[where] == pytest.approx(exact, rel=5e-3)


def test_ways_at_an_hour_meet_the_current_of_that_hour():
    lon, lat = grid_around(step=0.02)
    flow = np.zeros((3, lat.size, lon.size, 2))
    flow[1:, ..., 0] = 2.0  # from still to 2 m/s between 0 and 1000 s
    waters = replace(make_waters(lon, lat), hourly=Hourly(0.0, 1000.0, flow))
    start, end = np.array([TASMAN, TASMAN]), np.array([place(30e3, 0.0)] * 2)
    still, late = waters.straight_times(start, end, SPEED, at=np.array([-1e5, 2e3]))
    assert still == pytest.approx(30e3 / SPEED, rel=2e-3)
    assert late == pytest.approx(30e3 / (SPEED + 2.0), rel=2e-3)
    way = shapely.LineString([TASMAN, place(15e3, 0.0), place(30e3, 0.0)])
    assert waters.way_time(way, SPEED, at=2e3) == pytest.approx(late, rel=1e-3)
    assert waters.way_time(way, SPEED) == pytest.approx(30e3 / SPEED, rel=2e-3)  # the mean given


@given(speed=st.floats(0.5, 25.0), waves=st.floats(0.0, 6.0), more=st.floats(0.0, 3.0))
def test_waves_only_ever_slow(speed, waves, more):
    made, slower = slowed(speed, share_kept(np.array([waves, waves + more])))
    assert slower <= made <= speed
    assert slower >= min(speed, 8 * KNOT) * (1 - 1e-12)


def test_half_of_what_is_beyond_trolling_is_left_in_two_metres():
    assert slowed(20 * KNOT, share_kept(np.array([0.0, 1.0, 2.0]))) / KNOT == pytest.approx(
        [20.0, 17.6, 14.0]
    )
    assert slowed(6 * KNOT, share_kept(np.array([3.0]))) / KNOT == pytest.approx([6.0])


def test_a_clear_way_is_straight():
    lon, lat = grid_around()
    way = make_waters(lon, lat).way(TASMAN, place(30e3, -10e3), SPEED)
    assert shapely.get_coordinates(way).tolist() == [list(TASMAN), list(place(30e3, -10e3))]


def shortest_around(boxes, start, end) -> float:
    """Length of the shortest way around one rectangle by trying its corners in order both ways round."""
    corners = list(boxes.exterior.coords)[:-1]
    ways = [[start, end]] + [
        [start, *(corners[(k + turn * m) % 4] for m in range(count)), end]
        for k, turn, count in itertools.product(range(4), (1, -1), (1, 2, 3))
    ]
    lines = [shapely.LineString(way) for way in ways]
    inside = boxes.buffer(-1e-3)
    return min(line.length for line in lines if not line.intersects(inside))


@pytest.mark.parametrize(("step", "most"), [(0.01, 1.055), (0.0025, 1.015)])
@pytest.mark.parametrize("end", [(40e3, 0.0), (38e3, -14e3), (30e3, 9e3)])
def test_a_way_around_a_closed_area_is_nearly_the_shortest(end, step, most):
    """A rectangle across the way: the shortest way goes by its corners (visibility graph).

    What it is longer by is the width of the cells that the rectangle touches.
    """
    lon, lat = grid_around(step=step)
    waters = make_waters(lon, lat, obstacles=rectangle(10e3, -18e3, 16e3, 14e3))
    way = waters.way(TASMAN, place(*end), SPEED)
    metres = shapely.LineString(PLANE.vertices(way))
    least = shortest_around(shapely.box(10e3, -18e3, 16e3, 14e3), (0.0, 0.0), end)
    assert not shapely.intersects(waters.obstacles, way)
    assert least < metres.length < most * least
    assert len(metres.coords) <= 6
    assert waters.way_time(way, SPEED) == pytest.approx(metres.length / SPEED, rel=2e-3)
    times = waters.travel_times(np.array([TASMAN]), np.array([place(*end)]), SPEED)
    assert times[0] == pytest.approx(waters.way_time(way, SPEED))


def test_there_is_no_way_into_a_ring_or_off_the_grid():
    lon, lat = grid_around()
    ring = rectangle(5e3, 5e3, 25e3, 25e3).difference(rectangle(9e3, 9e3, 21e3, 21e3))
    waters = make_waters(lon, lat, obstacles=ring)
    assert waters.way(TASMAN, place(15e3, 15e3), SPEED) is None
    assert waters.way(TASMAN, place(90e3, 0.0), SPEED) is None
    inside = np.array([place(15e3, 15e3)])
    assert waters.travel_times(np.array([TASMAN]), inside, SPEED).tolist() == [np.inf]


CORNER = st.tuples(st.floats(-40e3, 25e3), st.floats(-40e3, 25e3))
SIZE = st.tuples(st.floats(1e3, 18e3), st.floats(1e3, 18e3))


@settings(max_examples=30, deadline=None)
@given(
    boxes=st.lists(st.tuples(CORNER, SIZE), min_size=1, max_size=5),
    end=st.tuples(st.floats(-40e3, 40e3), st.floats(-40e3, 40e3)),
    current=st.tuples(st.floats(-2, 2), st.floats(-2, 2)),
)
def test_no_way_touches_an_obstacle_or_is_too_quick(boxes, end, current):
    lon, lat = grid_around(step=0.02)
    obstacles = shapely.union_all([rectangle(x, y, x + w, y + h) for (x, y), (w, h) in boxes])
    waters = make_waters(lon, lat, u=current[0], v=current[1], obstacles=obstacles)
    assume(not covered(waters, *TASMAN))
    way = waters.way(TASMAN, place(*end), SPEED)
    if way is None:
        return
    xy = shapely.get_coordinates(way)
    assert xy[0].tolist() == list(TASMAN)
    assert xy[-1].tolist() == list(place(*end))
    assert not shapely.intersects(obstacles, way)
    assert not covered(waters, *points_on(way)).any()
    straight = time_across(SPEED, *current, *end)
    assert waters.way_time(way, SPEED) >= straight * (1 - 5e-3) - 1.0


def points_on(way) -> np.ndarray:
    share = np.linspace(0, 1, 200)
    return shapely.get_coordinates(shapely.line_interpolate_point(way, share, normalized=True)).T


def test_times_around_the_date_line_are_those_elsewhere():
    """Longitudes run on past 180°: the same box of water, 20° farther east."""
    lon, lat = grid_around(step=0.02)
    here = make_waters(lon, lat, u=0.5, obstacles=rectangle(10e3, -9e3, 15e3, 9e3))
    moved = shapely.transform(here.obstacles, lambda xy: np.add(xy, [20.0, 0.0]))
    there = make_waters(lon + 20.0, lat, u=0.5, obstacles=moved)
    np.testing.assert_array_equal(here.blocked, there.blocked)
    there_times = there.times_from(Place(TASMAN.lon + 20.0, TASMAN.lat), SPEED)
    open_water = ~here.blocked
    assert there_times[open_water] == pytest.approx(here.times_from(TASMAN, SPEED)[open_water], rel=1e-9)


# ---- several threads

#: many times over: fresh waters around a ragged island, and the same apart, asked by two threads at once
AT_ONCE = """
import threading
from dataclasses import replace
import numpy as np, shapely
from seas import make_waters

angle = np.linspace(0.0, 2 * np.pi, 4001)
radius = 0.2 + 0.02 * np.sin(200 * angle)
island = shapely.Polygon(np.column_stack([0.5 + radius * np.cos(angle), 0.5 + radius * np.sin(angle)]))
axis = np.linspace(0.0, 1.0, 5)
here, there = np.random.default_rng(1).uniform(0.0, 1.0, (2, 50, 2))
there[:, 0] = here[:, 0] + 1e-3
known = make_waters(axis, axis, obstacles=island)
for _ in range(300):
    waters = replace(known, obstacles=shapely.from_wkb(shapely.to_wkb(island)))
    shapely.prepare(waters.obstacles)
    both, go, found = (waters, waters.apart()), threading.Barrier(2), []

    def ask(own):
        go.wait()
        found.append(own.straight_times(here, there, 5.0))

    threads = [threading.Thread(target=ask, args=(own,)) for own in both]
    for step in (threading.Thread.start, threading.Thread.join):
        for thread in threads:
            step(thread)
    assert np.array_equal(*found)
"""


def test_waters_apart_may_be_asked_by_two_threads_at_once():
    """GEOS ends the process where two threads ask a prepared shape at once."""
    done = subprocess.run([sys.executable, "-c", AT_ONCE], cwd=Path(__file__).parent, capture_output=True)
    assert done.returncode == 0, done.stderr.decode()


def test_ways_looked_ahead_for_are_those_found_one_by_one():
    lon, lat = grid_around(step=0.02)
    wall = rectangle(10e3, -9e3, 15e3, 9e3)
    one, other = (make_waters(lon, lat, u=0.5, obstacles=wall) for _ in range(2))
    end, speeds = place(30e3, 1e3), (4.0, 8.0, 12.0)
    other.look_ahead(TASMAN, end, speeds)
    for speed in speeds:
        assert one.way(TASMAN, end, speed) == other.way(TASMAN, end, speed)
