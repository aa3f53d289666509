"""A day that ends in another port: the way home, the fuel and the hours are those to there."""

from __future__ import annotations

import numpy as np
import pytest
from at_sea import EAST, PLANE, make_sea, place, trip_text
from seas import GEOD, KNOT, time_across

from searcher.errors import OutOfReach, TripError
from searcher.plan import make_plan
from searcher.reach import find_reach
from searcher.reranking import rerank
from searcher.sea import to_seconds
from searcher.sightings.entry import tabulate
from searcher.trip import parse_trip

#: the other port, 8 nmi north of its sea buoy, which lies 25 km north of where the day begins
BUOY, BERTH = place(0.0, 25e3), place(0.0, 25e3 + 8 * 1852.0)


def finish(at=BERTH, buoy=BUOY) -> str:
    return (
        f'[finish]\nname = "Other"\nat = [{at.lon!r}, {at.lat!r}]\nsea_buoy = [{buoy.lon!r}, {buoy.lat!r}]\n'
    )


@pytest.fixture(scope="module")
def trip():
    return parse_trip(trip_text(more=finish()), "trip.toml")


@pytest.fixture(scope="module")
def plan(trip):
    return make_plan(trip, make_sea())


def test_the_day_ends_at_the_other_sea_buoy_above_the_reserve(plan, trip):
    legs = plan.legs
    assert len(legs) > 3
    for k, row, at in ((0, 0, trip.port.sea_buoy), (-1, -1, BUOY)):
        xy = legs.geometry.iloc[row].coords[k]
        assert GEOD.inv(*xy, *at)[2] < 5.0
    way_in = 8 * 1852.0 / (20 * KNOT)
    fuel = way_in * float(trip.boat.burn(20 * KNOT))
    used = legs["fuel_used"].sum() + fuel  # the way out of port has no length here
    assert trip.boat.tank - used >= trip.boat.tank / 3
    assert legs["fuel_left"].iloc[-1] == pytest.approx(trip.boat.tank - legs["fuel_used"].sum(), abs=1e-3)
    back = to_seconds(legs["end"].iloc[-1].to_datetime64()) + way_in
    assert back <= to_seconds(trip.window.end) + 0.01
    turn, run = to_seconds(plan.turn_for_home), legs["end"].iloc[-1] - legs["start"].iloc[-1]
    assert turn + run.total_seconds() + way_in <= to_seconds(trip.window.end) + 0.01


def test_the_way_home_in_the_reach_is_that_to_the_other_buoy(trip):
    """Least time in a uniform current (Zermelo 1931), a quarter of a per cent."""
    reach = find_reach(trip, make_sea())
    assert reach.attrs["finish_time"] == pytest.approx(8 * 1852.0 / (20 * KNOT), rel=1e-4)
    assert reach.attrs["port_time"] == 0.0
    for x, y in ((30e3, 0.0), (-20e3, 40e3), (10e3, -20e3)):
        lon, lat = PLANE.degrees(x, y)
        got = float(reach["time_home"].interp(lon=float(lon), lat=float(lat)))
        assert got == pytest.approx(time_across(20 * KNOT, EAST, 0.0, -x, 25e3 - y), rel=0.006)


def test_at_sea_home_is_the_other_port_too(plan, trip):
    at = place(20e3, 20e3)
    now = trip.window.start + np.timedelta64(4, "h")
    found = rerank(plan, tabulate([]), at=at, fuel=0.8 * trip.boat.tank, now=now)
    run = time_across(20 * KNOT, EAST, 0.0, -20e3, 5e3)
    assert found.home.time == pytest.approx(run + 8 * 1852.0 / (20 * KNOT), rel=0.01)
    assert GEOD.inv(*found.plan.legs.geometry.iloc[-1].coords[-1], *BUOY)[2] < 5.0
    assert (
        found.plan.trip.window.end - found.plan.legs["end"].iloc[-1]
    ).total_seconds() >= 8 * 1852 / 20 / KNOT
    assert found.home.fits


def test_a_port_that_cannot_be(trip):
    far = place(0.0, 300e3)
    with pytest.raises(OutOfReach, match="a port to finish in outside the waters"):
        find_reach(parse_trip(trip_text(more=finish(far, far)), "trip.toml"), make_sea())
    with pytest.raises(TripError, match=r"\[finish\] at.*on land"):
        parse_trip(trip_text(more='[finish]\nname = "Inland"\nat = [146.0, -30.0]\n'), "trip.toml")
    with pytest.raises(TripError, match=r"\[finish\] name.*missing"):
        parse_trip(trip_text(more="[finish]\nat = [161.0, -36.1]\n"), "trip.toml")
    assert trip.last_port.name == "Other"
    assert parse_trip(trip_text(), "trip.toml").last_port.name == "Nowhere"
