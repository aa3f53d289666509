"""How far the boat gets and still comes home: closed forms, and what must never happen."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
import shapely
import xarray as xr
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import Geod
from seas import (
    GALLON,
    HOUR,
    KNOT,
    LEAVE,
    NAUTICAL_MILE,
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
from searcher.coast import find_obstacles
from searcher.errors import OutOfReach
from searcher.geo import Place
from searcher.reach import (
    find_reach,
    last_start,
    range_polygon,
    running_speeds,
    save_reach,
    thirds_circle,
    time_to_troll,
    waters_of,
)
from searcher.sea import to_seconds
from searcher.waters import survey_waters

GEOD = Geod(ellps="WGS84")
PLANE = Plane(TASMAN)
BERTH, BUOY = Place(153.0795, -30.405), Place(153.108, -30.408)


@pytest.fixture(scope="module")
def still():
    return make_simple_sea(half=2.0)


def radii(polygon) -> np.ndarray:
    """Geodesic distances (m) of the outline's vertices from the middle."""
    xy = shapely.get_coordinates(polygon)
    return GEOD.inv(np.full(len(xy), TASMAN.lon), np.full(len(xy), TASMAN.lat), *xy.T)[2]


def at(reach: xr.Dataset, x: float, y: float, name: str) -> float:
    """A field between nodes, bilinear, at metres east and north of the port."""
    lon, lat = PLANE.degrees(x, y)
    return float(reach[name].interp(lon=float(lon), lat=float(lat)))


# ---- closed forms


def test_rule_of_thirds(still):
    """120 gal at 1.5 nmi/gal, a third kept: 80 gal make 120 nmi, 60 out and 60 home."""
    reach = find_reach(make_trip(tank=120.0, reserve=1 / 3), still, work=0.0)
    polygon = range_polygon(reach)
    assert radii(polygon).max() <= 60.05 * NAUTICAL_MILE
    assert radii(polygon).min() >= 60 * NAUTICAL_MILE * 0.995
    area, _ = GEOD.geometry_area_perimeter(shapely.geometry.polygon.orient(polygon))
    assert area == pytest.approx(np.pi * (60 * NAUTICAL_MILE) ** 2, rel=0.01)


def test_an_hour_of_trolling_is_taken_from_the_fuel(still):
    """4 gal in an hour at 8 kn are 6 nmi of running: 3 nmi less to either side."""
    reach = find_reach(make_trip(tank=120.0), still, work=3600.0)
    assert np.median(radii(range_polygon(reach))) == pytest.approx(57 * NAUTICAL_MILE, rel=0.005)


def test_hours_bind_where_fuel_does_not(still):
    """4 h less an hour of work, at 20 kn: 30 nmi."""
    reach = find_reach(make_trip(length=4.0, tank=120.0), still, work=3600.0)
    assert np.median(radii(range_polygon(reach))) == pytest.approx(30 * NAUTICAL_MILE, rel=0.005)


def test_sixty_miles_with_and_against_three_knots():
    """60/23 + 60/17 = 6.138 h, not 6."""
    sea = make_simple_sea(u=3 * KNOT, half=2.0)
    reach = find_reach(make_trip(tank=140.0), sea)
    out, home = (at(reach, 60 * NAUTICAL_MILE, 0.0, name) for name in ("time_out", "time_home"))
    assert out == pytest.approx(60 / 23 * HOUR, rel=5e-3)
    assert home == pytest.approx(60 / 17 * HOUR, rel=5e-3)
    assert out + home == pytest.approx(6.138 * HOUR, rel=5e-3)


def test_reach_in_a_current_is_that_of_the_closed_form():
    """T out + T home <= limit, with T from |d - c t| = S t (Zermelo 1931), in every direction."""
    cu, cv, speed = 1.2, -1.0, 20 * KNOT
    reach = find_reach(make_trip(tank=120.0), make_simple_sea(u=cu, v=cv, half=2.0), work=0.0)
    x, y = PLANE.metres(*np.meshgrid(reach["lon"], reach["lat"]))
    both = time_across(speed, cu, cv, x, y) + time_across(speed, -cu, -cv, x, y)
    limit = 6 * HOUR  # 80 gal at 20 nmi/1.5 nmi/gal an hour
    assert not reach["reachable"].values[both > limit * 1.003].any()
    assert reach["reachable"].values[both < limit * 0.994].all()


def test_times_are_never_optimistic_by_more_than_the_metric():
    """The marching rounds up; rows that draw together by cos φ add a few parts in ten thousand."""
    reach = find_reach(make_trip(tank=120.0), make_simple_sea(half=2.0))
    lon, lat = np.meshgrid(reach["lon"], reach["lat"])
    metres = GEOD.inv(np.full(lon.shape, TASMAN.lon), np.full(lon.shape, TASMAN.lat), lon, lat)[2]
    far = (metres > 20 * 800.0) & (metres < 60 * NAUTICAL_MILE)
    late = reach["time_out"].values[far] / (metres[far] / (20 * KNOT)) - 1
    assert late.min() > -1e-3
    assert late.max() < 6e-3


def test_fuel_is_burn_times_time(still):
    """20 nmi an hour at 1.5 nmi/gal: 13.33 gal/h."""
    reach = find_reach(make_trip(), still)
    burn = 20 / 1.5 * GALLON / HOUR
    assert reach.attrs["burn"] == pytest.approx(burn, rel=1e-6)
    assert reach.attrs["speed"] == pytest.approx(20 * KNOT)
    for way in ("out", "home"):
        np.testing.assert_allclose(reach[f"fuel_{way}"], reach[f"time_{way}"] * burn, rtol=1e-6)
    assert (reach["reachable"] == (reach["slack"] >= 0)).all()
    assert -1.0 <= float(reach["slack"].min()) <= float(reach["slack"].max()) <= 1.0
    assert float(reach["slack"].sel(lon=TASMAN.lon, lat=TASMAN.lat, method="nearest")) > 0.95


def test_the_way_between_port_and_sea_buoy_counts_twice():
    """10 nmi of pilotage each way leave 100 of 120 nmi: 50 to either side of the sea buoy."""
    lon, lat = (float(a) for a in PLANE.degrees(0.0, 10 * NAUTICAL_MILE))
    trip = make_trip(at=Place(lon, lat), buoy=TASMAN)
    reach = find_reach(trip, make_simple_sea(half=2.0), work=0.0)
    assert reach.attrs["port_time"] == pytest.approx(0.5 * HOUR, rel=1e-3)
    assert reach.attrs["port_fuel"] == pytest.approx(10 / 1.5 * GALLON, rel=1e-3)
    assert np.median(radii(range_polygon(reach))) == pytest.approx(50 * NAUTICAL_MILE, rel=0.005)


def test_everything_within_reach_is_inside_the_grid(still):
    for trip in (make_trip(length=3.0), make_trip(tank=30.0)):
        reach = find_reach(trip, still)
        rim = np.ones(reach["reachable"].shape, bool)
        rim[1:-1, 1:-1] = False
        assert reach["reachable"].any()
        assert not reach["reachable"].values[rim].any()


def test_the_circle_of_thirds_is_the_reach_of_still_water_only(still):
    """120 gal at 1.5 nmi/gal: 60 nmi. In 3 kn a place on it takes 6.138 h and 81.8 gal there and back, not
    6 h and the 80 gal that are to be burnt.
    """
    trip = make_trip(tank=120.0, reserve=1 / 3)
    circle = thirds_circle(trip)
    assert radii(circle) == pytest.approx(60 * NAUTICAL_MILE, rel=1e-6)
    polygon = range_polygon(find_reach(trip, still, work=0.0))
    assert polygon.symmetric_difference(circle).area < 0.01 * circle.area
    reach = find_reach(trip, make_simple_sea(u=3 * KNOT, half=2.0), work=0.0)
    lon, lat = PLANE.degrees(59.9 * NAUTICAL_MILE, 0.0)
    assert circle.contains(shapely.Point(lon, lat))
    assert not bool(reach["reachable"].sel(lon=lon, lat=lat, method="nearest"))
    times, litres = (
        sum(at(reach, 60 * NAUTICAL_MILE, 0.0, f"{k}_{w}") for w in ("out", "home")) for k in ("time", "fuel")
    )
    assert times == pytest.approx(6.138 * HOUR, rel=5e-3)
    assert litres == pytest.approx(6.138 * 20 / 1.5 * GALLON, rel=5e-3)


def test_a_current_that_grows_is_met_at_its_hours():
    """c = g t, along the way: S T + g T²/2 = d out from t = 0; S T - g (E² - (E - T)²)/2 = d home by E."""
    growth, length, speed, metres = 0.25 / HOUR, 8.0, 20 * KNOT, 40 * NAUTICAL_MILE
    sea = make_simple_sea(half=2.0)
    elapsed = (sea["currents"]["time"].values - LEAVE) / np.timedelta64(1, "s")
    sea["currents"]["u"].values[:] = (growth * elapsed)[:, None, None]
    reach = find_reach(make_trip(tank=140.0, length=length), sea)
    end = length * HOUR
    out = (-speed + np.sqrt(speed**2 + 2 * growth * metres)) / growth
    against = speed - growth * end
    home = (-against + np.sqrt(against**2 + 2 * growth * metres)) / growth
    assert at(reach, metres, 0.0, "time_out") == pytest.approx(out, rel=3e-3)
    assert at(reach, metres, 0.0, "time_home") == pytest.approx(home, rel=3e-3)
    # and the mean over the day would have been wrong by far more
    assert abs(metres / (speed + growth * end / 2) / out - 1) > 0.05


def test_waves_slow_the_boat_and_it_burns_no_less(still):
    """1 m takes a fifth of the 12 kn beyond trolling speed (`slowed`): 17.6 kn at the burn of 20."""
    lon, lat = make_axes(TASMAN, half=2.0, step=0.25)
    waves = make_node("waves", lon, lat, hours(-3.0, 18.0), hs=1.0)
    calm, rough = (find_reach(make_trip(), sea) for sea in (still, make_simple_sea(half=2.0, waves=waves)))
    assert at(rough, 40e3, 10e3, "time_out") == pytest.approx(np.hypot(40e3, 10e3) / (17.6 * KNOT), rel=3e-3)
    np.testing.assert_allclose(rough["fuel_out"], rough["time_out"] * 20 / 1.5 * GALLON / HOUR, rtol=1e-6)
    assert (rough["time_home"] >= calm["time_home"]).all()
    assert not (rough["reachable"] & ~calm["reachable"]).any()
    assert float(rough["waves"].max()) == pytest.approx(1.0)


def test_waves_that_rise_slow_the_way_home_alone():
    """2 m take half of the 12 kn beyond trolling speed (`slowed`): out at 20 kn, home at 14."""
    lon, lat = make_axes(TASMAN, half=2.0, step=0.25)
    moments = hours(-3.0, 18.0)
    rising = np.where(moments >= moments[3], 2.0, 0.0)[:, None, None]  # from 6 h after leaving on
    waves = make_node("waves", lon, lat, moments, hs=rising)
    reach = find_reach(make_trip(), make_simple_sea(half=2.0, waves=waves))
    away = np.hypot(30e3, 10e3)
    assert at(reach, 30e3, 10e3, "time_out") == pytest.approx(away / (20.0 * KNOT), rel=3e-3)
    assert at(reach, 30e3, 10e3, "time_home") == pytest.approx(away / (14.0 * KNOT), rel=3e-3)


@pytest.mark.parametrize(("peak", "fuel"), [(9.0, 90.0), (3.0, 90.0), (6.0, 400.0), (6.0, 70.0)])
def test_the_last_start_on_a_way_is_that_of_the_waves_on_it(peak, fuel):
    """40 nmi home under waves that rise to 3 m at an hour and fall again, reckoned second by second.

    By the last start everything before it fits as well: where waves fall later on it does not wait for them.
    """
    lon, lat = make_axes(TASMAN, half=2.0, step=0.25)
    moments, trip = hours(-3.0, 18.0), make_trip(length=12.0)
    elapsed = (moments - LEAVE) / np.timedelta64(1, "h")
    heights = np.interp(elapsed, [peak - 3, peak, peak + 3], [0.0, 3.0, 0.0])
    waves = make_node("waves", lon, lat, moments, hs=heights[:, None, None])
    waters = survey_waters(trip, make_simple_sea(half=2.0, waves=waves))
    away = 40 * NAUTICAL_MILE
    way = PLANE.line([[away, 0.0], [0.0, 0.0]])
    speed, burn, idle, begin = 20 * KNOT, 50.0 / HOUR, 5.0 / HOUR, 1.0
    back = 12.0 * HOUR

    def taken(start: float) -> float:
        t = np.arange(start, start + 8 * HOUR)
        height = np.interp(t, elapsed * HOUR, heights)
        made = np.cumsum(8 * KNOT + 12 * KNOT / (1 + (height / 2.0) ** 2))
        return float(np.searchsorted(made, away))

    starts = np.arange(begin * HOUR, back, 60.0)
    run = np.array([taken(start) for start in starts])
    fits = (starts + run <= back) & (run * burn + (starts - starts[0]) * idle <= fuel)
    told = starts[0] if not fits[0] else starts[np.argmin(fits) - 1] if not fits.all() else starts[-1]
    leave = float(to_seconds(LEAVE))
    found = last_start(
        waters,
        way,
        speed,
        leave=leave + begin * HOUR,
        back=leave + back,
        fuel=fuel,
        burn=burn,
        idle=idle,
    )
    assert found - leave == pytest.approx(told, abs=180.0)


# ---- from any place, later in the day


def test_from_port_at_the_hour_of_leaving_with_a_full_tank_is_the_usual_reach(clutter):
    trip, sea = make_trip(tank=100.0), make_simple_sea()
    usual = find_reach(trip, sea, waters=clutter)
    told = find_reach(trip, sea, waters=clutter, at=trip.window.start, fuel=trip.boat.tank)
    xr.testing.assert_identical(usual, told)
    from_buoy = find_reach(trip, sea, waters=clutter, start=TASMAN, at=trip.window.start)
    xr.testing.assert_equal(usual, from_buoy)


def test_reach_from_a_place_later_in_the_day_is_that_of_the_closed_form():
    """Three hours on, 25 nmi out, 60 of 120 gal in the tank: 20 above the reserve to go on and home with."""
    cu, cv, speed = 0.8, -0.5, 20 * KNOT
    x0, y0 = 15 * NAUTICAL_MILE, 20 * NAUTICAL_MILE
    start = Place(*(float(a) for a in PLANE.degrees(x0, y0)))
    later = LEAVE + np.timedelta64(3, "h")
    reach = find_reach(
        make_trip(tank=120.0),
        make_simple_sea(u=cu, v=cv, half=2.0),
        start=start,
        at=later,
        fuel=60.0 * GALLON,
        work=0.0,
    )
    x, y = PLANE.metres(*np.meshgrid(reach["lon"], reach["lat"]))
    out = time_across(speed, cu, cv, x - x0, y - y0)
    home = time_across(speed, -cu, -cv, x, y)
    far = (np.hypot(x - x0, y - y0) > 15e3) & (np.hypot(x - x0, y - y0) < 90e3)
    assert np.abs(reach["time_out"].values / out - 1)[far].max() < 5e-3
    limit = 20.0 / (20 / 1.5) * HOUR
    assert not reach["reachable"].values[out + home > limit * 1.003].any()
    assert reach["reachable"].values[out + home < limit * 0.994].all()
    assert reach["reachable"].any()
    assert (reach.attrs["start_lon"], reach.attrs["start_lat"]) == pytest.approx(start)
    assert np.datetime64(reach.attrs["leave"]) == later
    assert reach.attrs["fuel"] == pytest.approx(60.0 * GALLON)


def test_a_way_home_that_no_longer_fits_is_told_with_what_is_missing(still):
    """40 nmi from the sea buoy: 2 h and 26.7 gal. With 20 gal above the reserve 25 L are missing."""
    start = Place(*(float(a) for a in PLANE.degrees(40 * NAUTICAL_MILE, 0.0)))
    trip = make_trip(tank=120.0)
    with pytest.raises(
        OutOfReach,
        match=r"way home no longer fits; given 76 L .* and 7\.0 h .* expected 25 L above the reserve more",
    ):
        find_reach(trip, still, start=start, at=LEAVE + np.timedelta64(3, "h"), fuel=60 * GALLON)
    with pytest.raises(
        OutOfReach, match=r"given 227 L .* and 1\.0 h .* expected 1\.0 h more\. Turn for home now"
    ):
        find_reach(trip, still, start=start, at=LEAVE + np.timedelta64(9, "h"), fuel=100 * GALLON)
    # home fits, but no work on the way
    with pytest.raises(OutOfReach, match=r"cannot leave, fish and come home.* and 0\.5 h"):
        find_reach(trip, still, start=TASMAN, at=LEAVE + np.timedelta64(570, "m"))
    with pytest.raises(OutOfReach, match=r"start outside the waters.*given 170\.0000, -36\.0000"):
        find_reach(trip, still, start=Place(170.0, -36.0))


def test_a_place_shut_in_has_no_way_home(clutter):
    with pytest.raises(OutOfReach, match=r"way home no longer fits.*expected a way over open water"):
        find_reach(make_trip(), make_simple_sea(), waters=clutter, start=Place(161.15, -35.6))


# ---- economical speeds


def test_the_thriftiest_speed_widens_a_reach_that_fuel_limits(still):
    """30 gal: 22.5 nmi out and home at 20 kn (1.5 nmi/gal), 30 at 8 kn (2 nmi/gal) in 7.5 of the 10 h."""
    trip = make_trip(tank=45.0)
    speeds = running_speeds(trip.boat)
    assert speeds == pytest.approx((8 * KNOT, 20 * KNOT, 30 * KNOT))
    plain, thrifty = (find_reach(trip, still, work=0.0, speeds=s) for s in (None, speeds))
    assert np.median(radii(range_polygon(plain))) == pytest.approx(22.5 * NAUTICAL_MILE, rel=0.01)
    assert np.median(radii(range_polygon(thrifty))) == pytest.approx(30 * NAUTICAL_MILE, rel=0.01)
    assert at(thrifty, 28 * NAUTICAL_MILE, 0.0, "speed_out") == pytest.approx(8 * KNOT)
    litres = thrifty["fuel_out"] + thrifty["fuel_home"]
    plainly = plain["fuel_out"] + plain["fuel_home"]
    assert ((litres <= plainly) | ~thrifty["reachable"]).all()


def test_a_faster_speed_widens_a_reach_that_hours_limit(still):
    """4 h and 80 gal: 40 nmi at 20 kn; out at 30 kn (1 nmi/gal) and home at 20: r/30 + r/20 = 4 h, 48 nmi."""
    trip = make_trip(tank=120.0, length=4.0)
    plain, quick = (find_reach(trip, still, work=0.0, speeds=s) for s in (None, running_speeds(trip.boat)))
    assert np.median(radii(range_polygon(plain))) == pytest.approx(40 * NAUTICAL_MILE, rel=0.01)
    assert np.median(radii(range_polygon(quick))) == pytest.approx(48 * NAUTICAL_MILE, rel=0.01)
    # nearer by, the least fuel that meets the hours is taken: 8 kn both ways
    assert at(quick, 12 * NAUTICAL_MILE, 0.0, "speed_home") == pytest.approx(8 * KNOT)
    assert at(quick, 12 * NAUTICAL_MILE, 0.0, "fuel_home") == pytest.approx(6 * GALLON, rel=0.01)


def test_more_speeds_never_shrink_the_reach(clutter):
    trip, sea = make_trip(tank=60.0), make_simple_sea()
    few = find_reach(trip, sea, waters=clutter)
    more = find_reach(trip, sea, waters=clutter, speeds=running_speeds(trip.boat))
    assert (more["slack"] >= few["slack"]).all()
    assert (more["reachable"] | ~few["reachable"]).all()


# ---- what must never happen


@pytest.fixture(scope="module")
def clutter():
    """Waters with a current and three closed areas."""
    lon, lat = make_axes(TASMAN, half=1.2, step=0.02)
    areas = [shapely.box(161.2, -36.4, 161.5, -35.9), shapely.box(160.3, -36.2, 160.6, -35.6)]
    ring = shapely.box(160.9, -35.7, 161.4, -35.5).difference(shapely.box(161.0, -35.66, 161.3, -35.54))
    return make_waters(lon, lat, u=0.6, v=-0.8, obstacles=shapely.union_all([*areas, ring]))


@settings(max_examples=15, deadline=None)
@given(tank=st.floats(20.0, 110.0), more=st.floats(0.0, 30.0), length=st.floats(3.0, 9.0))
def test_more_fuel_or_hours_never_shrink_the_reach(clutter, tank, more, length):
    sea = make_simple_sea()
    small = find_reach(make_trip(tank=tank, length=length), sea, waters=clutter)
    for trip in (make_trip(tank=tank + more, length=length), make_trip(tank=tank, length=length + more / 20)):
        large = find_reach(trip, sea, waters=clutter)
        assert (large["reachable"] | ~small["reachable"]).all()
        assert (large["slack"] >= small["slack"] - 1e-9).all()
        lost = range_polygon(small).difference(range_polygon(large))
        assert lost.area < 1e-9


def test_more_fuel_reaches_farther_on_a_grid_of_its_own(still):
    """Every tank has its own grid; the polygons still lie within each other."""
    polygons = [range_polygon(find_reach(make_trip(tank=tank), still)) for tank in (30.0, 31.0, 45.0)]
    for small, large in pairwise(polygons):
        assert large.area > small.area
        assert small.difference(large).area < 2e-3 * small.area


def test_a_larger_reserve_never_widens_the_reach(clutter):
    sea = make_simple_sea()
    reached = [
        find_reach(make_trip(tank=80.0, reserve=share), sea, waters=clutter)["reachable"].values
        for share in (0.0, 0.2, 1 / 3, 0.6)
    ]
    for more, less in pairwise(reached):
        assert not (less & ~more).any()
        assert less.sum() < more.sum()


def test_what_is_blocked_or_shut_in_is_not_within_reach(clutter):
    reach = find_reach(make_trip(tank=100.0), make_simple_sea(), waters=clutter)
    assert not reach["reachable"].values[clutter.blocked].any()
    shut_in = reach["reachable"].sel(lon=161.15, lat=-35.6, method="nearest")
    assert not bool(shut_in)
    assert np.isinf(float(reach["time_out"].sel(lon=161.15, lat=-35.6, method="nearest")))


POINTS = st.lists(st.tuples(st.floats(-50e3, 50e3), st.floats(-50e3, 50e3)), min_size=3, max_size=7)


@settings(max_examples=20, deadline=None)
@given(points=POINTS)
def test_no_closed_area_is_inside_the_range_polygon(points):
    area = shapely.convex_hull(PLANE.line(points)).buffer(0.002)
    lon, lat = make_axes(TASMAN, half=0.9, step=0.02)
    waters = make_waters(lon, lat, obstacles=area)
    column, row = np.round(waters.cells(*TASMAN)).astype(int)
    if waters.blocked[row, column]:
        return
    reach = find_reach(make_trip(tank=60.0), make_simple_sea(), waters=waters)
    inside = range_polygon(reach).intersection(area).area
    assert inside <= 1e-9 * area.area


def test_no_point_of_a_closed_area_is_inside_the_range_polygon():
    """A wedge that lies in one cell and those behind it, its point just inside that cell's corner."""
    lon, lat = make_axes(TASMAN, half=0.9, step=0.02)
    tip = np.array([TASMAN.lon + 0.11 + 1e-4, TASMAN.lat + 0.11 + 1e-4])  # 10 m from where four cells meet
    wedge = shapely.Polygon([tip, np.add(tip, [0.2, 0.19]), np.add(tip, [0.19, 0.2])])
    waters = make_waters(lon, lat, obstacles=wedge)
    reach = find_reach(make_trip(tank=60.0), make_simple_sea(), waters=waters)
    assert range_polygon(reach).intersection(wedge).area <= 1e-9 * wedge.area


def test_no_land_is_inside_the_range_polygon():
    trip = make_trip(at=BERTH, buoy=BUOY, tank=60.0)
    reach = find_reach(trip, make_simple_sea(centre=BUOY, half=2.0))
    polygon = range_polygon(reach)
    shore = geo.land(trip.region, detail="full")
    assert polygon.area > 0.1
    assert polygon.intersection(shore).area < 1e-9
    assert polygon.intersects(shapely.Point(BUOY.lon + 0.05, BUOY.lat))


def test_a_boat_that_cannot_come_home_is_told(still):
    with pytest.raises(OutOfReach, match=r"cannot leave, fish and come home; given .* L .* and 0\.5 h"):
        find_reach(make_trip(length=0.5), still)
    with pytest.raises(OutOfReach, match=r"given 10 L above the reserve"):
        find_reach(make_trip(tank=4.0), still)


# ---- saved and read again


def test_a_saved_reach_gives_the_same_waters_and_ways(clutter, tmp_path):
    reach = find_reach(make_trip(tank=100.0), make_simple_sea(), waters=clutter)
    path = save_reach(reach, tmp_path / "reach.nc")
    assert [p.name for p in tmp_path.iterdir()] == ["reach.nc"]
    with xr.open_dataset(path) as stored:
        read = stored.load()
    for name in ("time_out", "fuel_home", "slack", "u"):
        np.testing.assert_array_equal(read[name], reach[name])
    assert read.attrs["speed"] == reach.attrs["speed"]
    end = Place(161.6, -36.1)
    ways = [waters_of(r, clutter.obstacles).way(TASMAN, end, 10.0) for r in (reach, read)]
    assert ways[0].equals(ways[1])
    assert ways[0].equals(clutter.way(TASMAN, end, 10.0))
    assert range_polygon(read).equals(range_polygon(reach))


def test_surveyed_waters_are_those_of_the_trip():
    """Without `waters` a reach surveys its own."""
    trip, sea = make_trip(tank=40.0), make_simple_sea(u=0.4)
    assert find_obstacles(trip).is_empty
    own, given_ = find_reach(trip, sea), find_reach(trip, sea, waters=survey_waters(trip, sea))
    xr.testing.assert_identical(own, given_)


@pytest.mark.parametrize("tank", [50.0, 300.0])
def test_time_to_troll_is_what_way_light_and_fuel_leave(still, tank):
    """In still water, by the owner's burn: what is left of the tightest of hours in daylight and fuel."""
    trip = make_trip(tank=tank)
    reach = find_reach(trip, still)
    left = reach.assign(left=time_to_troll(reach, trip))
    boat, window = trip.boat, trip.window
    first, last = max(window.start, window.sunrise), min(window.end, window.sunset)
    for east in (10e3, 30e3):
        way = east / boat.cruise
        arrival = max(float((first - window.start) / np.timedelta64(1, "s")), way)
        end = min(float((last - window.start) / np.timedelta64(1, "s")), window.hours - way)
        fuel = boat.usable - 2 * way * float(boat.burn(boat.cruise))
        expected = max(min(end - arrival, fuel / float(boat.burn(trip.gear.troll))), 0.0)
        assert at(left, east, 0.0, "left") == pytest.approx(expected, abs=120.0)
    assert float(left["left"].min()) == 0.0
