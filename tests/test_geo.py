"""Geodesy against published figures and pyproj, and the coast against places everyone knows."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from pyproj import Geod

from searcher import geo
from searcher.geo import GEOD, LocalPlane, Place, Region
from searcher.kernels.metric import row_metrics

MEAN_RADIUS = 6371008.8  # m, IUGG mean radius of GRS80 (Moritz 1980)

longitudes = st.floats(-180, 180)
latitudes = st.floats(-80, 80)
bearings = st.floats(0, 360, exclude_max=True)


@st.composite
def places(draw, bound: float = 80.0):
    """Places whose longitude and latitude differ, so that a swapped pair shows."""
    lon, lat = draw(longitudes), draw(st.floats(-bound, bound))
    assume(abs(lon - lat) > 0.5)
    return Place(lon, lat)


def degrees(whole: int, minutes: int, seconds: float) -> float:
    """Degrees of degrees, minutes and seconds; the sign is that of the degrees."""
    return math.copysign(abs(whole) + minutes / 60 + seconds / 3600, whole)


# Geoscience Australia, Geocentric Datum of Australia technical manual: Flinders Peak to Buninyong on GRS80
# (which differs from WGS84 by 0.1 mm in the semi-minor axis); from memory.
FLINDERS = Place(degrees(144, 25, 29.52440), degrees(-37, 57, 3.72030))
BUNINYONG = Place(degrees(143, 55, 35.38390), degrees(-37, 39, 10.15610))


def test_line_of_the_australian_manual():
    assert geo.distance(FLINDERS, BUNINYONG) == pytest.approx(54972.271, abs=1e-3)
    assert geo.bearing(FLINDERS, BUNINYONG) == pytest.approx(degrees(306, 52, 5.37), abs=0.01 / 3600)
    assert geo.bearing(BUNINYONG, FLINDERS) == pytest.approx(degrees(127, 10, 25.07), abs=0.01 / 3600)


def test_lines_of_karney():
    """Wellington to Salamanca, and 20 000 km southwest of Perth: the examples in the documentation of
    GeographicLib (Karney 2013, J. Geodesy 87:43-55); from memory."""
    apart = geo.distance(Place(174.81, -41.32), Place(-5.50, 40.96))
    assert apart == pytest.approx(19959679.267, abs=1e-3)
    far = geo.destination(Place(115.74, -32.06), 225.0, 20000e3)
    assert geo.near_longitude(far.lon, 0.0) == pytest.approx(-63.95925278, abs=1e-8)
    assert far.lat == pytest.approx(32.11195529, abs=1e-8)


def haversine(start: Place, end: Place) -> float:
    """Great-circle distance on the sphere of the mean radius, m (Sinnott 1984)."""
    lon0, lat0, lon1, lat1 = np.radians([*start, *end])
    chord = math.sin((lat1 - lat0) / 2) ** 2
    chord += math.cos(lat0) * math.cos(lat1) * math.sin((lon1 - lon0) / 2) ** 2
    return 2 * MEAN_RADIUS * math.asin(math.sqrt(chord))


def test_the_sphere_is_near_enough():
    """149 788.55 m by the haversine, worked out independently of this package; the ellipsoid differs from
    the mean sphere by its flattening at most (1/298)."""
    start, end = Place(-80.0, 25.0), Place(-79.0, 26.0)
    assert haversine(start, end) == pytest.approx(149788.55, abs=0.01)
    assert geo.distance(start, end) == pytest.approx(149788.55, rel=1 / 298)


# Length of a degree of latitude and of longitude on WGS84, km, as tabulated in textbooks (centred on the
# parallel for latitude); from memory.
DEGREES = [
    (0, 110.574, 111.320),
    (15, 110.649, 107.550),
    (30, 110.852, 96.486),
    (45, 111.132, 78.847),
    (60, 111.412, 55.800),
    (75, 111.618, 28.902),
]


@pytest.mark.parametrize(("lat", "per_lat", "per_lon"), DEGREES)
@pytest.mark.parametrize("sign", [1, -1])
def test_length_of_a_degree(lat, per_lat, per_lon, sign):
    east, north = row_metrics(np.array([float(sign * lat)]))
    assert north[0] / 1e3 == pytest.approx(per_lat, abs=6e-4)
    assert east[0] / 1e3 == pytest.approx(per_lon, abs=6e-4)


@given(lon=longitudes, lat=latitudes)
def test_metres_per_degree_against_small_geodesics(lon, lat):
    """A geodesic of 2e-3 degrees strays from the parallel and curves by less than 1e-8 of its length."""
    half = 1e-3
    east, north = row_metrics(np.array([lat]))
    geod = Geod(ellps="WGS84")
    along = geod.inv(lon - half, lat, lon + half, lat)[2] / (2 * half)
    across = geod.inv(lon, lat - half, lon, lat + half)[2] / (2 * half)
    assert east[0] == pytest.approx(along, rel=1e-6)
    assert north[0] == pytest.approx(across, rel=1e-6)


@given(start=places(), towards=bearings, metres=st.floats(1.0, 2e6))
def test_destination_is_at_its_distance_and_bearing(start, towards, metres):
    end = geo.destination(start, towards, metres)
    assert geo.distance(start, end) == pytest.approx(metres, abs=1e-5)
    turn = (geo.bearing(start, end) - towards + 180) % 360 - 180
    assert abs(turn) * metres < 1e-3 * metres + 1e-2
    assert abs(end.lon - start.lon) <= 180


@given(start=places(), end=places())
def test_distance_is_the_same_both_ways_and_through_whole_turns(start, end):
    apart = geo.distance(start, end)
    assert geo.distance(end, start) == pytest.approx(apart, abs=1e-6)
    assert geo.distance(start, Place(end.lon + 360.0, end.lat)) == pytest.approx(apart, abs=1e-5)
    mirrored = geo.distance(Place(start.lon, -start.lat), Place(end.lon, -end.lat))
    assert mirrored == pytest.approx(apart, abs=1e-5)


@given(lon=st.floats(-720, 720), reference=st.floats(-360, 360))
def test_near_longitude(lon, reference):
    near = geo.near_longitude(lon, reference)
    turns = (near - lon) / 360.0
    assert turns == pytest.approx(round(turns), abs=1e-9)
    assert abs(near - reference) <= 180.0 + 1e-9


@pytest.mark.parametrize(
    ("degrees", "point"),
    [
        (0, "north"),
        (22.4, "north"),
        (22.6, "northeast"),
        (90, "east"),
        (135, "southeast"),
        (180, "south"),
        (225, "southwest"),
        (270, "west"),
        (315, "northwest"),
        (359, "north"),
    ],
)
def test_compass_points(degrees, point):
    assert geo.compass_point(degrees) == point


@pytest.mark.parametrize("towards", range(0, 360, 45))
def test_the_side_to_the_left_of_a_line(towards):
    """A quarter turn to the left of where it goes, also where it meanders; none of a ring or a hairpin."""
    start = geo.Place(153.0, -30.0)
    end = geo.destination(start, towards, 40e3)
    aside = geo.destination(geo.destination(start, towards, 20e3), towards + 90.0, 15e3)
    side = geo.compass_point((towards - 90) % 360)
    assert geo.left_side(shapely.LineString([start, end])) == side
    assert geo.left_side(shapely.LineString([start, aside, end])) == side
    assert geo.left_side(shapely.LineString([start, aside, end, start])) == ""
    assert geo.left_side(shapely.LineString([start, end, geo.destination(start, towards, 2e3)])) == ""


def test_line_length_is_the_sum_of_its_steps():
    line = shapely.LineString([FLINDERS, BUNINYONG, FLINDERS])
    np.testing.assert_allclose(geo.line_distances(line), [0.0, 54972.271, 2 * 54972.271], atol=2e-3)
    assert geo.line_length(line) == pytest.approx(2 * 54972.271, abs=2e-3)
    assert geo.line_length(np.array([FLINDERS, BUNINYONG])) == pytest.approx(54972.271, abs=1e-3)


@given(centre=places(60.0), radius=st.floats(1e3, 5e5), towards=bearings)
def test_region_around_holds_its_disc(centre, radius, towards):
    """To half a percent of the radius: a circle bulges poleward of the parallel of its centre."""
    region = geo.region_around(centre, radius)
    inside = region.polygon().buffer(5e-3 * radius / row_metrics(np.array([abs(centre.lat)]))[0][0])
    assert shapely.intersects(inside, shapely.Point(geo.destination(centre, towards, radius)))


@given(centre=places(60.0), radius=st.floats(1e3, 2e5))
def test_region_around_is_no_larger_than_need_be(centre, radius):
    region = geo.region_around(centre, radius)
    assert region.centre == pytest.approx(centre, abs=1e-9)
    edge = Place(region.centre.lon, region.north)
    assert geo.distance(centre, edge) == pytest.approx(radius, rel=2e-3)
    edge = Place(region.east, region.centre.lat)
    # as wide as at its edge nearer the pole: wider in the middle by tan φ · d/R, 5.4 % at 60° and 200 km
    assert radius <= geo.distance(centre, edge) <= 1.06 * radius


def test_region_stops_at_the_poles():
    assert geo.region_around(Place(10.0, 88.0), 1e6).north == 90.0


@given(centre=places(), towards=bearings, metres=st.floats(0.0, 2e5))
def test_plane_keeps_distance_and_bearing_from_its_centre(centre, towards, metres):
    plane = LocalPlane(centre)
    place = geo.destination(centre, towards, metres)
    point = plane.to_plane(shapely.Point(place))
    east, north = metres * math.sin(math.radians(towards)), metres * math.cos(math.radians(towards))
    assert (point.x, point.y) == pytest.approx((east, north), abs=1e-3)
    back = plane.to_degrees(point)
    assert (back.x, back.y) == pytest.approx(place, abs=1e-8)


def test_plane_stretches_no_more_than_it_says():
    """Across the radius by (d/R)²/6 (Snyder 1987, USGS PP 1395, ch. 25): 0.016 % at 200 km."""
    centre = Place(153.2, -30.3)
    ends = [geo.destination(centre, towards, 200e3) for towards in (89.9, 90.1)]
    drawn = LocalPlane(centre).to_plane(shapely.LineString(ends)).length
    stretch = drawn / geo.distance(*ends) - 1
    assert stretch == pytest.approx((200e3 / MEAN_RADIUS) ** 2 / 6, rel=0.05)
    assert stretch < 2e-4


@pytest.mark.parametrize("lon", [153.3, 179.98, -179.97])
def test_buffer_of_a_point_is_a_disc(lon):
    centre = Place(lon, -16.9)
    disc = geo.buffer(shapely.Point(centre), 5000.0, centre=centre, quad_segs=32)
    area = abs(GEOD.geometry_area_perimeter(disc)[0])
    corners = 4 * 32
    polygon = 0.5 * corners * 5000.0**2 * math.sin(2 * math.pi / corners)
    assert area == pytest.approx(polygon, rel=1e-5)
    assert disc.bounds[2] - disc.bounds[0] < 0.1


# Known places; coordinates from memory, all far from any shore for the detail of the coast.
ASHORE = {
    "Uluru": Place(131.03, -25.34),
    "Madrid": Place(-3.70, 40.42),
    "Denver": Place(-104.99, 39.74),
    "Aoraki": Place(170.14, -43.60),
    "Dorrigo": Place(152.71, -30.34),
    "the ice of Antarctica": Place(90.0, -84.0),
}
AT_SEA = {
    "Point Nemo": Place(-123.39, -48.88),
    "Bass Strait": Place(146.0, -39.8),
    "Tasman Sea": Place(160.0, -35.0),
    "the middle of the Black Sea": Place(34.0, 43.2),
    "off the Solitary coast": Place(153.6, -30.3),
    "Gulf Stream": Place(-72.0, 36.5),
}


@pytest.mark.parametrize("detail", ["high", "full"])
@pytest.mark.parametrize("name", [*ASHORE, *AT_SEA])
def test_known_places_are_on_their_side_of_the_shore(name, detail):
    place = (ASHORE | AT_SEA)[name]
    land = geo.land(geo.region_around(place, 20e3), detail=detail)
    assert shapely.intersects(land, shapely.Point(place)) == (name in ASHORE)


def test_open_ocean_has_no_land():
    assert geo.land(Region(-125.0, -50.0, -121.0, -47.0)).is_empty


FIJI = Region(176.5, -19.5, 182.5, -15.5)


def test_land_runs_on_over_the_antimeridian():
    """Viti Levu and Vanua Levu lie west of 180°, the Lau group east of it, and the meridian crosses Taveuni
    near Waiyevo (16.8° S); from memory."""
    land = geo.land(FIJI)
    for place in [(178.0, -17.8), (179.3, -16.6), (180.0, -16.84), (180.03, -16.86)]:
        assert shapely.intersects(land, shapely.Point(place)), place
    for place in [(180.0, -18.0), (181.5, -16.0), (179.0, -18.5)]:
        assert not shapely.intersects(land, shapely.Point(place)), place
    assert land.bounds[0] >= FIJI.west
    assert land.bounds[2] <= FIJI.east


def test_an_island_on_the_antimeridian_is_whole():
    """GSHHG gives the area of Taveuni as 483.4935 km², in the metadata beside its coordinates."""
    land = geo.land(FIJI, detail="full")
    island = next(p for p in shapely.get_parts(land) if p.intersects(shapely.Point(180.0, -16.84)))
    assert island.bounds[0] < 180.0 < island.bounds[2]
    area = abs(GEOD.geometry_area_perimeter(island)[0])
    assert area == pytest.approx(483.4935e6, rel=1e-4)


@settings(max_examples=5)
@given(turns=st.integers(-1, 1))
def test_land_is_the_same_a_turn_away(turns):
    moved = Region(FIJI.west + 360 * turns, FIJI.south, FIJI.east + 360 * turns, FIJI.north)
    home = shapely.transform(geo.land(moved), lambda xy: xy - np.array([360.0 * turns, 0.0]))
    assert shapely.symmetric_difference(home, geo.land(FIJI)).area < 1e-9


def test_land_fills_a_box_that_is_all_land():
    box = Region(131.0, -26.0, 132.0, -25.0)
    assert shapely.equals(geo.land(box), box.polygon())
