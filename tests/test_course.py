"""A day laid out leg by leg: boxes that follow on each other, lines carried away, what is left out."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from seas import LEAVE, TASMAN, Plane, check_day, make_axes, make_simple_sea, make_trip, make_waters
from test_route import make_boxes, north_south, plan_day

from searcher.course import JOINED, LEAD, SAME_PLACE
from searcher.reach import find_reach
from searcher.route import lay_route

PLANE = Plane(TASMAN)


def wet_runs(legs) -> list[list[int]]:
    """Boxes of every stretch between lines in and lines up."""
    runs: list[list[int]] = []
    for leg in legs.itertuples():
        if leg.kind == "lines in":
            runs.append([])
        elif leg.kind == "troll" and leg.box not in runs[-1]:
            runs[-1].append(leg.box)
    return runs


@pytest.mark.parametrize(("gap", "stays"), [(0.0, True), (SAME_PLACE + 10, True), (JOINED + 200, False)])
def test_lines_stay_in_from_one_box_to_the_next_that_begins_beside_it(gap, stays):
    """Two halves of one line: a gap that taking lines up and putting them in would outlast is trolled."""
    lines = [north_south(20e3, -4e3), north_south(20e3, 3e3 + gap)]
    legs, trip, reach, _ = plan_day(lines, [1.0, 1.0], length=5.0)
    check_day(legs, trip, reach)
    assert set(legs["box"]) == {0, 1, 2}
    assert (max(len(run) for run in wet_runs(legs)) == 2) is stays
    if stays:
        assert (legs["kind"] == "lines in").sum() == (legs["kind"] == "lines up").sum() == 1
        trolled = legs.loc[legs["kind"] == "troll", "distance"]
        assert bool(trolled.min() < JOINED) is (gap > SAME_PLACE)
    assert JOINED >= 2 * LEAD


def test_a_box_that_drifts_into_a_closed_area_does_not_spoil_the_others():
    """The best box is carried east at 1 m/s into an area that begins 20.5 km out; two others stay clear."""
    closed = shapely.box(*PLANE.line([[20.5e3, -6e3], [40e3, 6e3]]).bounds)
    lines = [north_south(18e3, half=2e3), north_south(-15e3), north_south(-25e3)]
    legs, trip, reach, boxes = plan_day(
        lines, [3.0, 1.0, 0.9], u=1.0, drifting=True, closed=closed, length=10.0
    )
    check_day(legs, trip, reach, closed=closed)
    worked = set(legs["box"]) - {0}
    assert worked == set(boxes.loc[boxes["expected"] < 2.0, "rank"])


@pytest.mark.parametrize("early", [1, 3, 5])
def test_a_boat_that_may_leave_long_before_sunrise_leaves_when_it_meets_the_line_in_light(early):
    """The line comes nearer at 1 m/s: the run to where it lies at sunrise decides, not the one before."""
    leave = LEAVE - np.timedelta64(early * 60 + 103, "m")  # sunrise is 18:17 UTC there (seas.LEAVE: 20:00)
    days = {"u": -1.0, "drifting": True, "leave": leave, "length": 12.0}
    legs, trip, reach, _ = plan_day([north_south(20e3)], [1.0], **days)
    check_day(legs, trip, reach)
    assert set(legs["box"]) == {0, 1}
    wet = legs.loc[legs["kind"] == "lines in", "start"].iloc[0].to_datetime64()
    assert abs((wet - trip.window.sunrise) / np.timedelta64(1, "s")) < 61.0


def test_a_line_that_leaves_the_currents_is_left_out():
    trip = make_trip(tank=60.0)
    sea = make_simple_sea(u=1.0, half=0.3, current_hours=(-12.0, 40.0))
    lon, lat = make_axes(TASMAN, half=0.9, step=0.03)
    reach = find_reach(trip, sea, waters=make_waters(lon, lat, u=1.0))
    edge = float(sea["currents"]["lon"][-1])
    gone = shapely.LineString([[edge - 0.01, -36.03], [edge - 0.01, -35.97]])
    boxes = make_boxes([gone], [5.0], at=LEAVE)
    assert lay_route(boxes, reach, trip, sea=sea).empty
    both = make_boxes([gone, north_south(-15e3)], [5.0, 1.0])
    legs = lay_route(both, reach, trip, sea=sea)
    assert set(legs["box"]) - {0} == {2}
    assert np.isfinite(legs["fuel_left"]).all()
