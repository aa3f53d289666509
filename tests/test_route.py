"""The day's legs: joined in time and place, home in time, never on the reserve, over lines that drift."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import Geod
from seas import (
    HOUR,
    KNOT,
    LEAVE,
    TASMAN,
    Plane,
    check_day,
    make_axes,
    make_simple_sea,
    make_trip,
    make_waters,
)

from searcher.carry import make_drift
from searcher.course import LEAD, Course, approach_points, day_of
from searcher.geo import Place
from searcher.reach import find_reach
from searcher.route import MOST_PASSES, lay_route, travel_matrix
from searcher.tables import CONVERGENCE_LINE, check_table, empty_table, make_table

GEOD = Geod(ellps="WGS84")
PLANE = Plane(TASMAN)
CRUISE, TROLL = 20 * KNOT, 8 * KNOT
LON, LAT = make_axes(TASMAN, half=0.9, step=0.03)


def make_boxes(lines, expected, *, at=LEAVE) -> gpd.GeoDataFrame:
    """A boxes table of trolling lines in degrees, ranked by what is expected of them."""
    order = np.argsort(expected)[::-1]
    lines, expected = [lines[k] for k in order], np.array(expected, dtype=float)[order]
    count = len(lines)
    columns = {
        "rank": np.arange(1, count + 1),
        "front": np.arange(count),
        "kind": [CONVERGENCE_LINE] * count,
        "valid_time": [at] * count,
        "expected": expected,
        "expected_low": expected / 2,
        "expected_high": expected * 2,
        "depth": np.full(count, 4000.0),
        "length": [GEOD.geometry_length(line) for line in lines],
        "doubt": np.full(count, 1000.0),
        "time_out": np.zeros(count),
        "time_home": np.zeros(count),
        "fuel": np.zeros(count),
        "why": ["drawn"] * count,
        "line": gpd.GeoSeries(lines, crs="EPSG:4326"),
    }
    return make_table("boxes", shapely.buffer(np.array(lines), 0.01), columns)


def north_south(x: float, y: float = 0.0, *, half: float = 3.5e3) -> shapely.LineString:
    return PLANE.line([[x, y - half], [x, y + half]])


def plan_day(lines, expected, *, u=0.0, v=0.0, drifting=False, closed=None, **changes):
    """(legs, trip, reach, boxes) of boxes in a uniform current; lines drift where `drifting`."""
    trip = make_trip(**{"tank": 60.0, "closed": closed, **changes})
    sea = make_simple_sea(u=u, v=v, current_hours=(-12.0, 40.0))
    reach = find_reach(trip, sea, waters=make_waters(LON, LAT, u=u, v=v, obstacles=closed))
    boxes = make_boxes(lines, expected)
    return lay_route(boxes, reach, trip, sea=sea if drifting else None), trip, reach, boxes


# ---- one box


def test_a_day_with_one_box():
    """Run, lines in a quarter of a nautical mile before the line, troll it, lines up as far beyond, home."""
    legs, trip, reach, boxes = plan_day([north_south(20e3)], [1.0])
    check_day(legs, trip, reach)
    assert legs["kind"].tolist()[:3] == ["run", "lines in", "troll"]
    assert legs["kind"].tolist()[-2:] == ["lines up", "home"]
    assert pytest.approx(1852 / 4) == LEAD
    troll = legs[legs["kind"] == "troll"]
    assert 1 <= len(troll) <= MOST_PASSES
    for leg in troll.itertuples():
        assert leg.distance == pytest.approx(7000.0, rel=1e-3)
        assert (leg.end - leg.start).total_seconds() == pytest.approx(7000.0 / TROLL, rel=1e-3)
        assert shapely.hausdorff_distance(leg.geometry, boxes["line"][0]) < 1e-9
    for kind in ("lines in", "lines up"):
        (leg,) = legs[legs["kind"] == kind].itertuples()
        assert leg.distance == pytest.approx(LEAD, rel=1e-3)
        assert (leg.end - leg.start).total_seconds() == pytest.approx(LEAD / TROLL, rel=1e-3)
    assert set(legs["box"][:-1]) == {1}
    assert legs["box"].iloc[-1] == 0
    # the run takes its length over the cruising speed
    assert (legs["end"][0] - legs["start"][0]).total_seconds() == pytest.approx(
        legs["distance"][0] / CRUISE, rel=2e-3
    )


def test_passes_go_there_and_back():
    legs, *_ = plan_day([north_south(20e3)], [1.0])
    troll = legs[legs["kind"] == "troll"]
    assert len(troll) == MOST_PASSES
    heads = [np.sign(np.diff(PLANE.vertices(line)[[0, -1], 1])[0]) for line in troll.geometry]
    assert heads[0] == -heads[1] == heads[2]


def test_lead_points_lie_on_the_course_of_the_line():
    before, after = approach_points(north_south(10e3))
    assert PLANE.metres(*before) == pytest.approx((10e3, -3.5e3 - LEAD), abs=2.0)
    assert PLANE.metres(*after) == pytest.approx((10e3, 3.5e3 + LEAD), abs=2.0)


def test_a_short_day_takes_the_way_with_the_current_into_account():
    """20 kn, 3 kn across or along: the run out and home take |d - c t| = S t, not d/S."""
    legs, trip, reach, _ = plan_day([north_south(40e3)], [1.0], u=3 * KNOT)
    check_day(legs, trip, reach)
    out, home = ((legs["end"] - legs["start"]).iloc[k].total_seconds() for k in (0, -1))
    assert out == pytest.approx(legs["distance"].iloc[0] / (23 * KNOT), rel=0.01)
    assert home == pytest.approx(legs["distance"].iloc[-1] / (17 * KNOT), rel=0.01)


# ---- lines that drift


@pytest.mark.parametrize("u", [0.6, -0.4])
def test_the_track_follows_the_line_as_it_drifts(u):
    """Uniform current: each place of the track is the line's, moved by c·t to when it is passed."""
    legs, trip, reach, boxes = plan_day([north_south(15e3)], [1.0], u=u, drifting=True)
    check_day(legs, trip, reach)
    y0, y1 = -3.5e3, 3.5e3
    for leg in legs[legs["kind"] == "troll"].itertuples():
        x, y = PLANE.vertices(leg.geometry).T
        gone = np.abs(y - y[0]) / TROLL  # through the water the boat goes straight along the line
        passed = (leg.start - boxes["valid_time"][0]).total_seconds() + gone
        assert x == pytest.approx(15e3 + u * passed, abs=30.0)
        assert sorted((y[0], y[-1])) == pytest.approx([y0, y1], abs=30.0)
        assert (leg.end - leg.start).total_seconds() == pytest.approx(7e3 / TROLL, rel=5e-3)
        # over the ground it is longer
        assert leg.distance == pytest.approx(np.hypot(7e3, u * 7e3 / TROLL), rel=5e-3)


def test_a_line_that_runs_with_the_boat_takes_as_long_as_one_that_stays():
    """Trolling is through the water: a following current of 0.5 m/s changes the ground, not the hours."""
    for v in (0.5, -0.5):
        legs, *_ = plan_day([north_south(15e3)], [1.0], v=v, drifting=True)
        for leg in legs[legs["kind"] == "troll"].itertuples():
            assert (leg.end - leg.start).total_seconds() == pytest.approx(7e3 / TROLL, rel=5e-3)
            ahead = np.diff(PLANE.vertices(leg.geometry)[[0, -1], 1])[0]
            assert ahead == pytest.approx(np.sign(ahead) * 7e3 + v * 7e3 / TROLL, rel=0.01)


def test_without_a_sea_lines_stay():
    legs, *_ = plan_day([north_south(15e3)], [1.0], u=0.6)
    for line in legs[legs["kind"] == "troll"].geometry:
        assert PLANE.vertices(line)[:, 0] == pytest.approx([15e3] * len(line.coords), abs=5.0)


# ---- many boxes


def spread_out(count: int, seed: int):
    rng = np.random.default_rng(seed)
    lines = []
    for _ in range(count):
        x, y, turn = rng.uniform(-40e3, 40e3), rng.uniform(-40e3, 40e3), rng.uniform(0, np.pi)
        half = rng.uniform(1.5e3, 4.4e3) * np.array([np.sin(turn), np.cos(turn)])
        middle = np.array([x, y])
        lines.append(PLANE.line([middle - half, middle + half]))
    return lines, rng.uniform(0.05, 1.0, count)


CLOSED = shapely.union(
    shapely.Polygon(PLANE.line([[9e3, -25e3], [16e3, -25e3], [16e3, 12e3], [9e3, 12e3]])),
    shapely.Polygon(PLANE.line([[-30e3, 8e3], [-8e3, 8e3], [-8e3, 14e3], [-30e3, 14e3]])),
)


@pytest.mark.parametrize(("u", "v"), [(1.5, 0.0), (-0.5, 1.4)])
def test_between_boxes_that_drift_with_the_boat_there_is_no_current(u, v):
    """In water that moves all alike the way to what drifts is as long as in still water, there and back."""
    lines, expected = spread_out(6, 1)
    trip, boxes = make_trip(tank=120.0), make_boxes(lines, expected)
    sea = make_simple_sea(u=u, v=v, current_hours=(-12.0, 40.0))
    waters = make_waters(LON, LAT, u=u, v=v)
    day = day_of(trip, find_reach(trip, sea, waters=waters))
    times = travel_matrix(Course(boxes, waters, make_drift(sea), day))[1:, 1:]
    ends = np.array([place for line in boxes["line"] for place in approach_points(line)])
    here, there = np.nonzero(~np.eye(len(ends), dtype=bool))
    apart = GEOD.inv(*ends[here].T, *ends[there].T)[2]
    assert times[here, there] == pytest.approx(apart / day.run, rel=2e-3)


@settings(max_examples=15, deadline=None)
@given(
    count=st.integers(1, 9),
    seed=st.integers(0, 10_000),
    tank=st.sampled_from([30.0, 45.0, 60.0]),
    length=st.sampled_from([3.0, 5.0, 10.0, 15.0]),
    current=st.tuples(st.floats(-1, 1), st.floats(-1, 1)),
    closed=st.sampled_from([None, CLOSED]),
    drifting=st.booleans(),
)
def test_no_day_breaks_a_limit(count, seed, tank, length, current, closed, drifting):
    lines, expected = spread_out(count, seed)
    legs, trip, reach, _ = plan_day(
        lines,
        expected,
        u=current[0],
        v=current[1],
        drifting=drifting,
        closed=closed,
        tank=tank,
        length=length,
    )
    if len(legs):
        check_day(legs, trip, reach, closed=closed)
        worked = legs["box"][legs["kind"] == "lines in"]
        assert worked.is_unique


@pytest.mark.parametrize(
    ("leave", "length"), [("2026-01-16T13:00", 12.0), ("2026-01-17T02:00", 12.0), ("2026-01-16T15:00", 20.0)]
)
def test_lines_are_wet_in_daylight_only(leave, length):
    """Sunrise is at 18:2x UTC there, sunset at 08:4x: after leaving, or before the hour to be home."""
    lines, expected = spread_out(6, 1)
    legs, trip, reach, _ = plan_day(
        lines, expected, leave=np.datetime64(leave, "ns"), length=length, tank=120.0, drifting=True
    )
    check_day(legs, trip, reach)
    assert (legs["kind"] == "troll").sum() >= 2


def test_a_day_that_is_all_dark_has_no_legs():
    """Leaving after sunset (08:4x UTC) for home before sunrise."""
    lines, expected = spread_out(4, 2)
    legs, *_ = plan_day(lines, expected, leave=np.datetime64("2026-01-17T10:00", "ns"), length=6.0)
    assert legs.empty
    check_table("legs", legs)


def test_port_and_sea_buoy_apart():
    """Ten nautical miles of pilotage: time and fuel for both ways are kept back."""
    berth = Place(*(float(a) for a in PLANE.degrees(0.0, 10 * 1852.0)))
    lines, expected = spread_out(5, 3)
    legs, trip, reach, _ = plan_day(lines, expected, at=berth, buoy=TASMAN, tank=60.0, length=9.0)
    assert reach.attrs["port_time"] == pytest.approx(0.5 * HOUR, rel=1e-2)
    check_day(legs, trip, reach)


def test_fuel_left_is_what_is_in_the_tank():
    """Ten nautical miles to the sea buoy at 1.5 nmi/gal: 25 L are gone before the first leg."""
    berth = Place(*(float(a) for a in PLANE.degrees(0.0, 10 * 1852.0)))
    legs, trip, reach, _ = plan_day([north_south(15e3)], [1.0], at=berth, buoy=TASMAN, tank=60.0)
    left = trip.boat.tank - reach.attrs["port_fuel"] - legs["fuel_used"].cumsum()
    np.testing.assert_allclose(legs["fuel_left"], left, atol=1e-3)


def test_legs_keep_out_of_closed_areas():
    lines = [north_south(25e3), north_south(-20e3, 20e3), north_south(12e3)]  # the last inside an area
    legs, trip, reach, _ = plan_day(lines, [1.0, 0.8, 5.0], closed=CLOSED, tank=120.0)
    check_day(legs, trip, reach, closed=CLOSED)
    assert 1 not in set(legs["box"])  # ranked first, but closed
    assert {2, 3} <= set(legs["box"])


def test_the_better_of_two_boxes_is_chosen_where_there_is_time_for_one():
    legs, *_ = plan_day([north_south(25e3), north_south(-25e3)], [0.3, 0.9], length=3.0)
    assert set(legs["box"]) == {0, 1}
    assert PLANE.vertices(legs.geometry[0])[-1, 0] < 0


def test_with_room_for_everything_every_box_is_visited():
    lines = [north_south(x, y) for x, y in ((15e3, 0.0), (15e3, 15e3), (-5e3, 20e3), (-15e3, -5e3))]
    legs, trip, reach, _ = plan_day(lines, [0.5, 0.5, 0.5, 0.5], tank=120.0, length=13.0)
    check_day(legs, trip, reach)
    assert set(legs["box"]) == {0, 1, 2, 3, 4}


def test_order_of_rows_changes_nothing_and_the_same_seed_gives_the_same_day():
    lines, expected = spread_out(8, 4)
    trip = make_trip(tank=60.0)
    sea = make_simple_sea(u=0.3, current_hours=(-12.0, 40.0))
    reach = find_reach(trip, sea, waters=make_waters(LON, LAT, u=0.3))
    boxes = make_boxes(lines, expected)
    days = [
        lay_route(b, reach, trip, sea=sea) for b in (boxes, boxes, boxes.sample(frac=1.0, random_state=1))
    ]
    for other in days[1:]:
        assert days[0].drop(columns="geometry").equals(other.drop(columns="geometry"))
        assert all(a.equals(b) for a, b in zip(days[0].geometry, other.geometry, strict=True))


def test_no_boxes_no_legs():
    trip = make_trip(tank=60.0)
    reach = find_reach(trip, make_simple_sea(), waters=make_waters(LON, LAT))
    legs = lay_route(empty_table("boxes"), reach, trip)
    assert legs.empty
    check_table("legs", legs)


def test_a_box_too_far_to_come_home_from_is_left_out():
    legs, *_ = plan_day([north_south(62e3)], [1.0], tank=60.0)  # 27 nmi, 50 km, with an hour of trolling
    assert legs.empty
