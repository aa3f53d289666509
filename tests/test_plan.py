"""The whole morning: exact on an analytic sea, and within every limit on the built-in one."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
import xarray as xr
from pyproj import Geod
from seas import (
    HOUR,
    KNOT,
    LEAVE,
    TASMAN,
    Plane,
    check_day,
    make_axes,
    make_fronts,
    make_simple_sea,
    make_trip,
    make_waters,
    tanh_front,
)

from searcher import geo
from searcher.boxes import TAUT
from searcher.conditions import STANDING_CAUTIONS
from searcher.errors import NoData, OutOfReach, SeaError
from searcher.geo import Place
from searcher.plan import arrival_times, latest_turn, make_plan
from searcher.reach import find_reach
from searcher.sea import to_seconds
from searcher.sources import load_sea
from searcher.tables import COLOR_CHANGE, CONVERGENCE_LINE, TEMPERATURE_BREAK, check_table
from searcher.trip import read_trip

GEOD = Geod(ellps="WGS84")
PLANE = Plane(TASMAN)
STAGES = ["reach", "fronts", "boxes", "route"]


# ---- an analytic sea


def moving(image_hour: float, *, u: float):
    """A front 2 °C high at 20 km + u·t, warm in the east, seen `image_hour` after leaving."""

    def picture(x, y):
        return tanh_front(x, y, angle=90.0, offset=20e3 + u * image_hour * HOUR, step=2.0, width=3000.0)[0]

    return picture


@pytest.fixture(scope="module")
def simple():
    """(plan, current) of a front that moves with a uniform current."""
    u, images = 0.4, (-30.0, -10.0)
    sea = make_simple_sea(
        u=u, sst=[moving(h, u=u) for h in images], image_hours=images, half=1.5, current_hours=(-48, 24)
    )
    said = []
    plan = make_plan(make_trip(tank=60.0), sea, progress=said.append)
    assert said == STAGES
    return plan, u


def test_the_boat_trolls_the_front_where_it_is_by_then(simple):
    """Beside the true front at the time of passing, on its cold side where the profile bends."""
    plan, u = simple
    troll = plan.legs[plan.legs["kind"] == "troll"]
    assert len(troll) >= 3
    for leg in troll.itertuples():
        x, y = PLANE.vertices(leg.geometry).T
        gone = np.abs(y - y[0]) / plan.settings["troll"]
        front = 20e3 + u * ((leg.start - LEAVE).total_seconds() + gone)
        # the width is read from the slope of the smoothed picture: 0.66 of 3 to 5 km
        assert (front - x).min() > 0.66 * 3000.0 - 700.0
        assert (front - x).max() < 0.66 * 5000.0 + 700.0


def test_one_front_is_one_line_seen_twice(simple):
    plan, _ = simple
    assert len(plan.fronts) == 1
    assert plan.fronts["seen_share"][0] == 1.0
    assert plan.fronts["kind"][0] == TEMPERATURE_BREAK
    arrival = plan.fronts["valid_time"][0]
    assert LEAVE < arrival < LEAVE + np.timedelta64(3, "h")
    x = PLANE.vertices(plan.fronts.geometry[0])
    middle = np.abs(x[:, 1]) < 40e3
    front = 20e3 + 0.4 * (arrival - LEAVE).total_seconds()
    assert np.abs(x[middle, 0] - front).max() < 700.0


def test_a_simple_day_keeps_every_limit(simple):
    plan, _ = simple
    check_day(plan.legs, plan.trip, plan.reach)
    assert plan.cautions[-len(STANDING_CAUTIONS) :] == STANDING_CAUTIONS
    assert any("No wind data" in text for text in plan.cautions)
    assert plan.settings["cruise"] == pytest.approx(20 * KNOT)


def test_arrival_is_the_time_out_to_the_middle_of_each_line():
    """20 kn to 20 and 30 km over still water; the leaving hour where there is no way."""
    lon, lat = make_axes(TASMAN, half=0.9, step=0.02)
    box = shapely.Polygon(PLANE.line([[-35e3, -5e3], [-25e3, -5e3], [-25e3, 5e3], [-35e3, 5e3]]))
    reach = find_reach(make_trip(tank=60.0), make_simple_sea(), waters=make_waters(lon, lat, obstacles=box))
    lines = [PLANE.line([[x, -4e3], [x, 4e3]]) for x in (20e3, 30e3, -30e3)]
    times = arrival_times(make_fronts(lines), reach, make_trip(tank=60.0))
    out = (to_seconds(times) - to_seconds(LEAVE)) * 20 * KNOT
    assert out == pytest.approx([20e3, 30e3, 0.0], abs=1500.0)  # to the nearest node
    assert arrival_times(make_fronts([]), reach, make_trip(tank=60.0)).size == 0


def check_latest_turn(trip) -> None:
    u, images = 0.2, (-30.0, -10.0)
    sea = make_simple_sea(
        u=u, sst=[moving(h, u=u) for h in images], image_hours=images, half=2.0, current_hours=(-48, 24)
    )
    plan = make_plan(trip, sea)
    assert len(plan.legs) > 0
    assert plan.turn_for_home == latest_turn(plan.legs, plan.reach, trip, plan.waters)
    home = plan.legs.iloc[-1]
    last = float(to_seconds(plan.turn_for_home) - to_seconds(np.datetime64(home["start"])))
    assert last >= 0

    def port(more: float) -> tuple[float, float]:
        """(when, with how much fuel) the boat is in port if it trolls on for `more` seconds before home."""
        used = plan.legs["fuel_used"].sum() + 2 * plan.reach.attrs["port_fuel"]
        fuel = trip.boat.tank - used - more * float(trip.boat.burn(trip.gear.troll))
        return float(to_seconds(np.datetime64(home["end"]))) + more + plan.reach.attrs["port_time"], fuel

    reserve, end = trip.boat.tank * trip.boat.reserve, float(to_seconds(trip.window.end))
    back, fuel = port(last)
    assert back <= end + 0.01
    assert fuel >= reserve - 1e-3
    back, fuel = port(last + 2.0)
    assert back > end or fuel < reserve


@pytest.mark.parametrize(("tank", "length"), [(40.0, 12.0), (120.0, 5.0)])
def test_latest_turn_is_where_time_or_fuel_runs_out(tank, length):
    """Two seconds later and the boat is late, or on its reserve: one case bound by fuel, one by hours."""
    check_latest_turn(make_trip(tank=tank, length=length))


def test_latest_turn_keeps_the_fuel_for_the_way_in():
    """Ten nautical miles between port and sea buoy: 6.7 gal each way."""
    berth = Place(*(float(a) for a in PLANE.degrees(0.0, 10 * 1852.0)))
    check_latest_turn(make_trip(at=berth, buoy=TASMAN, tank=50.0, length=12.0))


def test_a_plain_sea_gives_a_plan_without_legs():
    plan = make_plan(make_trip(tank=60.0), make_simple_sea(u=0.2))
    assert plan.fronts.empty
    assert plan.boxes.empty
    assert plan.legs.empty
    assert np.isnat(plan.turn_for_home)
    assert plan.range_polygon.area > 0.1
    assert any("nothing to recommend" in text for text in plan.cautions)
    for name in ("fronts", "boxes", "legs"):
        check_table(name, getattr(plan, name))


def test_what_stops_a_plan():
    sea = make_simple_sea(current_hours=(-24.0, 12.0))
    with pytest.raises(OutOfReach, match="cannot leave, fish and come home"):
        make_plan(make_trip(tank=5.0), sea)
    next_week = make_trip(tank=60.0, leave=LEAVE + np.timedelta64(7, "D"))
    with pytest.raises(
        NoData, match=r"currents do not cover the hours of the trip; given .* expected 2026-01-23"
    ):
        make_plan(next_week, sea)
    no_currents = make_simple_sea()
    del no_currents["currents"]
    with pytest.raises(SeaError, match="node 'currents' is missing"):
        make_plan(make_trip(), no_currents)


# ---- the built-in sea, from its files


@pytest.fixture(scope="module")
def trip(demo_folder):
    return read_trip(demo_folder)


@pytest.fixture(scope="module")
def sea(trip):
    return load_sea(trip.region, trip.window, sources=trip.sources)


@pytest.fixture(scope="module")
def plan(trip, sea):
    return make_plan(trip, sea)


def test_a_day_on_the_built_in_sea_keeps_every_limit(plan):
    check_day(plan.legs, plan.trip, plan.reach, closed=plan.trip.avoid.closed)
    assert (plan.legs["kind"] == "troll").sum() >= 3
    for name in ("fronts", "boxes", "legs"):
        check_table(name, getattr(plan, name))


def test_no_leg_crosses_land_or_the_closed_area(plan):
    """The coast in full detail, unsimplified, and the area as its file has it."""
    shore = geo.land(plan.trip.region, detail="full")
    legs = plan.legs.geometry.values
    assert shore.area > 0.01
    assert not shapely.intersects(shore, legs).any()
    assert plan.trip.avoid.closed.area > 1e-4
    assert not shapely.intersects(plan.trip.avoid.closed, legs).any()


def test_legs_keep_their_distance_from_land_once_clear_of_the_buoy(plan):
    """Measured by geodesics from points along the legs to the shore's vertices."""
    clearance = plan.trip.avoid.clearance
    vertices = shapely.get_coordinates(geo.land(plan.trip.region, detail="full"))
    buoy = plan.trip.port.sea_buoy
    for line in plan.legs.geometry:
        points = shapely.line_interpolate_point(line, np.linspace(0, 1, 60), normalized=True)
        for lon, lat in shapely.get_coordinates(points):
            near = vertices[np.abs(vertices - [lon, lat]).max(axis=1) < 0.05]
            if GEOD.inv(lon, lat, *buoy)[2] > clearance + 1500.0 and len(near):
                metres = GEOD.inv(np.full(len(near), lon), np.full(len(near), lat), *near.T)[2]
                assert metres.min() > clearance - 30.0


def test_legs_pass_over_water_deep_enough(plan):
    depth = plan.sea["depth"]["depth"]
    for line in plan.legs.geometry:
        points = shapely.line_interpolate_point(line, np.linspace(0, 1, 60), normalized=True)
        lon, lat = (xr.DataArray(c, dims="point") for c in shapely.get_coordinates(points).T)
        under = depth.interp(lon=lon, lat=lat, method="linear").values
        assert np.nanmin(under) > plan.trip.boat.draught


def test_the_reserve_is_in_the_tank_at_the_berth(plan):
    """Counted from the legs: what the tank held, less every leg and both ways between port and sea buoy."""
    used = plan.legs["fuel_used"].sum() + 2 * plan.reach.attrs["port_fuel"]
    assert plan.trip.boat.tank - used >= plan.trip.boat.tank * plan.trip.boat.reserve
    back = to_seconds(np.datetime64(plan.legs.iloc[-1]["end"])) + plan.reach.attrs["port_time"]
    assert back <= to_seconds(plan.trip.window.end)


def test_boxes_lie_within_the_range_polygon(plan):
    within = geo.buffer(plan.range_polygon, TAUT + 50.0, centre=plan.trip.port.sea_buoy)
    assert shapely.covers(within, np.array(plan.boxes["line"])).all()
    assert not plan.range_polygon.intersects(
        plan.trip.port.sea_buoy and geo.land(plan.trip.region).buffer(-0.02)
    )
    assert len(plan.boxes) >= 10


def test_land_and_the_closed_area_are_not_within_the_range_polygon(plan):
    """But for the points of the coast that reach into a corner of a cell, together less than half a cell."""
    lon, lat = plan.reach["lon"].values, plan.reach["lat"].values
    cell = (lon[1] - lon[0]) * (lat[1] - lat[0])
    shore = geo.land(plan.trip.region, detail="full")
    assert plan.range_polygon.intersection(shore).area < 0.5 * cell
    assert plan.range_polygon.intersection(plan.trip.avoid.closed).area < 0.5 * cell


def test_lines_stand_for_hours_of_the_trip(plan):
    window = plan.trip.window
    assert (plan.fronts["valid_time"] >= window.start).all()
    assert (plan.fronts["valid_time"] <= window.end).all()
    assert (plan.fronts["doubt"] > 500.0).all()
    assert set(plan.fronts["kind"]) == {TEMPERATURE_BREAK, COLOR_CHANGE, CONVERGENCE_LINE}
    assert plan.fronts["seen_share"].between(0, 1).all()
    assert plan.fronts["seen_share"].max() == 1.0


def test_the_built_in_day_warns_of_little(plan):
    """Its data are whole and fresh: beside the standing cautions, only that the currents are coarse."""
    text = " ".join(plan.cautions[: -len(STANDING_CAUTIONS)])
    for word in ("Stale", "Patchy", "No wind", "No depth", "Beyond"):
        assert word not in text
    assert "The currents are known every" in text
    assert [c.within for c in plan.conditions] == [True, True]


@pytest.mark.slow
def test_a_poor_sea_is_planned_on_and_all_of_it_said(trip, sea):
    """Only the oldest picture, half of it covered; no wind, no depth: a plan, and a caution for each."""
    poor = sea.copy(deep=True)
    for name in ("wind", "depth"):
        del poor[name]
    oldest = poor["temperature"].to_dataset().isel(time=[0])
    oldest["sst"] = oldest["sst"].where(oldest["lat"] > trip.port.sea_buoy.lat)
    poor["temperature"] = xr.DataTree(oldest)
    plan = make_plan(trip, poor)
    for words in ("Stale: the newest temperature data are", "Patchy", "No wind data", "No depth data"):
        assert [text for text in plan.cautions if words in text], words
    if len(plan.legs):
        check_day(plan.legs, plan.trip, plan.reach, closed=trip.avoid.closed)


def test_currents_that_do_not_cover_the_trip_stop_it(trip, sea):
    window = trip.window
    shift = np.timedelta64(3, "D")
    moved = {name: getattr(window, name) + shift for name in ("start", "end", "sunrise", "sunset")}
    late = trip.model_copy(update={"window": window.model_copy(update=moved)})
    with pytest.raises(NoData, match="currents do not cover the hours of the trip") as caught:
        make_plan(late, sea)
    assert "2026-01-19" in str(caught.value.expected)


@pytest.mark.slow
def test_the_same_trip_and_sea_give_the_same_plan(plan, trip, sea):
    check_same(plan, make_plan(trip, sea))


def test_the_same_simple_trip_and_sea_give_the_same_plan(simple):
    plan, _ = simple
    check_same(plan, make_plan(plan.trip, plan.sea))


def check_same(plan, again) -> None:
    for name in ("fronts", "boxes", "legs"):
        one, other = getattr(plan, name), getattr(again, name)
        columns = [c for c in one.columns if c not in ("geometry", "line")]
        assert one[columns].equals(other[columns])
        assert all(a.equals(b) for a, b in zip(one.geometry, other.geometry, strict=True))
    xr.testing.assert_identical(plan.reach, again.reach)
    assert plan.cautions == again.cautions
    assert plan.turn_for_home == again.turn_for_home
