"""Search boxes laid along lines: long enough, short enough, within reach."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import Geod
from scipy.optimize import minimize_scalar
from seas import NAUTICAL_MILE, TASMAN, Plane, make_axes, make_fronts, make_simple_sea, make_trip, make_waters

from searcher.boxes import LONGEST, NARROWEST, SHORTEST, TAUT, WIDEST, cut_stretches, lay_boxes, shoulder
from searcher.reach import find_reach, range_polygon
from searcher.tables import CONVERGENCE_LINE

GEOD = Geod(ellps="WGS84")
PLANE = Plane(TASMAN)


@pytest.fixture(scope="module")
def reach():
    """27 nmi around the port in still water: 60 gal, less the work."""
    lon, lat = make_axes(TASMAN, half=0.9, step=0.02)
    return find_reach(make_trip(tank=60.0), make_simple_sea(), waters=make_waters(lon, lat))


def geodesic(line) -> float:
    return GEOD.geometry_length(line)


@settings(max_examples=40, deadline=None)
@given(
    points=st.lists(
        st.tuples(st.floats(-60e3, 60e3), st.floats(-60e3, 60e3)), min_size=2, max_size=6, unique=True
    ),
    doubt=st.floats(0.0, 9e3),
)
def test_every_stretch_is_of_a_length_to_troll_and_within_reach(reach, points, doubt):
    fronts = make_fronts([PLANE.line(points)], doubt=doubt)
    boxes = lay_boxes(fronts, reach)
    within = range_polygon(reach).buffer(2e-3)  # drawing a line taut may cut a bend by 150 m
    for box in boxes.itertuples():
        # taut, a stretch may be shorter than it was cut
        assert geodesic(box.line) <= LONGEST * 1.002
        assert box.length == pytest.approx(geodesic(box.line), rel=2e-3)
        assert within.covers(box.line)
        assert box.geometry.covers(box.line)
        half = np.clip(doubt, NARROWEST, WIDEST)
        area = GEOD.geometry_area_perimeter(shapely.geometry.polygon.orient(box.geometry))[0]
        assert area <= (2 * half * box.length + np.pi * half**2) * 1.01


@pytest.mark.parametrize(("length", "count"), [(2e3, 0), (3e3, 1), (8.9e3, 1), (9.1e3, 2), (40e3, 5)])
def test_a_straight_line_is_cut_into_equal_parts(reach, length, count):
    boxes = lay_boxes(make_fronts([PLANE.line([[5e3, -length / 2], [5e3, length / 2]])]), reach)
    assert len(boxes) == count
    if count:
        assert boxes["length"].tolist() == pytest.approx([length / count] * count, rel=2e-3)
        assert boxes["length"].min() >= SHORTEST
        assert boxes["length"].max() <= LONGEST
        # end to end, in order
        ends = [shapely.get_coordinates(line)[[0, -1]] for line in boxes["line"]]
        for one, other in pairwise(ends):
            assert one[1] == pytest.approx(other[0], abs=1e-9)


def test_only_what_is_within_reach_is_boxed(reach):
    """A line through the port and out on both sides: as much of it as two radii."""
    boxes = lay_boxes(make_fronts([PLANE.line([[-90e3, 0.0], [90e3, 0.0]])]), reach)
    assert boxes["length"].sum() == pytest.approx(2 * 27 * NAUTICAL_MILE, rel=0.01)
    assert lay_boxes(make_fronts([PLANE.line([[-90e3, 80e3], [90e3, 80e3]])]), reach).empty


def test_stretches_on_either_side_of_a_gap_are_not_joined():
    """A closed area across the line parts it; each side is cut by itself."""
    lon, lat = make_axes(TASMAN, half=0.9, step=0.02)
    hole = PLANE.line([[4e3, -8e3], [12e3, -8e3], [12e3, 8e3], [4e3, 8e3]])
    waters = make_waters(lon, lat, obstacles=shapely.Polygon(hole))
    reach = find_reach(make_trip(tank=60.0), make_simple_sea(), waters=waters)
    boxes = lay_boxes(make_fronts([PLANE.line([[-20e3, 0.0], [35e3, 0.0]])]), reach)
    assert len(boxes) > 3
    assert not shapely.intersects(np.array(boxes["line"]), shapely.Polygon(hole)).any()
    middle = [PLANE.vertices(line)[:, 0].mean() for line in boxes["line"]]
    assert min(middle) < 0 < 12e3 < max(middle)


@pytest.mark.parametrize(("doubt", "half"), [(0.0, NARROWEST), (1200.0, 1200.0), (20e3, WIDEST)])
def test_a_box_is_as_wide_as_the_doubt_within_bounds(reach, doubt, half):
    (box,) = lay_boxes(make_fronts([PLANE.line([[8e3, -3e3], [8e3, 3e3]])], doubt=doubt), reach).itertuples()
    x, y = PLANE.vertices(box.geometry).T
    assert np.ptp(x) == pytest.approx(2 * half, rel=0.01)
    assert np.ptp(y) == pytest.approx(6e3 + 2 * half, rel=0.01)


def test_small_bends_are_drawn_taut():
    wiggle = shapely.LineString(np.column_stack([np.arange(0, 8000.0, 100.0), 60.0 * np.sin(np.arange(80))]))
    (taut,) = cut_stretches(wiggle, shapely.box(-1e5, -1e5, 1e5, 1e5))
    assert len(taut.coords) < 8
    assert shapely.hausdorff_distance(taut, wiggle) <= TAUT + 60.0
    assert taut.length == pytest.approx(7900.0, rel=0.01)


def test_a_closed_line_is_cut_too():
    ring = shapely.Point(0, 0).buffer(10e3).exterior
    stretches = cut_stretches(shapely.LineString(ring.coords), shapely.box(-1e5, -1e5, 1e5, 1e5))
    assert len(stretches) == 7  # 62.7 km
    assert sum(part.length for part in stretches) == pytest.approx(ring.length, rel=0.02)


def test_the_front_and_its_hour_are_kept(reach):
    line = PLANE.line([[5e3, -3e3], [5e3, 3e3]])
    fronts = make_fronts([PLANE.line([[-90e3, 80e3], [90e3, 80e3]]), line])
    fronts.index = [7, 11]
    (box,) = lay_boxes(fronts, reach).itertuples()
    assert box.front == 11
    assert box.valid_time == fronts["valid_time"].iloc[1]
    assert box.kind == fronts["kind"].iloc[1]


def test_no_lines_no_boxes(reach):
    boxes = lay_boxes(make_fronts([]), reach)
    assert boxes.empty
    assert {"geometry", "line", "front", "kind", "valid_time", "doubt", "length"} <= set(boxes.columns)


# ---- the dense side of a break


@pytest.mark.parametrize("half_width", [1500.0, 3000.0])
def test_the_shoulder_of_a_break_is_where_its_profile_bends_most(half_width):
    """The greatest second derivative of step/2·tanh(x/L), found by scipy; the slope at x = 0 is step/(2L)."""

    def bend(x):
        t = np.tanh(x / half_width)
        return t * (1 - t**2)

    steepest = minimize_scalar(lambda x: -bend(x), bounds=(0, 3 * half_width), method="bounded").x
    assert shoulder(2.0, 2.0 / (2 * half_width)) == pytest.approx(steepest, rel=1e-3)


@pytest.mark.parametrize("turn", [0.0, 70.0, 180.0, 290.0])
def test_a_break_is_trolled_on_its_cold_side(reach, turn):
    """Lines have warm water on their left: the box stands to the right, by the shoulder."""
    along = 4e3 * np.array([np.sin(np.radians(turn)), np.cos(np.radians(turn))])
    line = PLANE.line([-along, along])
    (box,) = lay_boxes(make_fronts([line], step=1.5, strength=1.5 / 6e3), reach).itertuples()
    right = np.array([along[1], -along[0]]) / 4e3
    assert PLANE.vertices(box.line) @ right == pytest.approx([shoulder(1.5, 1.5 / 6e3)] * 2, rel=0.01)
    (box,) = lay_boxes(make_fronts([line], kind=CONVERGENCE_LINE, step=np.nan), reach).itertuples()
    assert np.abs(PLANE.vertices(box.line) @ right).max() < 20.0
