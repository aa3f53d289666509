"""Stretches over which floating matter has gathered, on maps whose densest lines are known."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
import xarray as xr
from scipy import stats

from searcher.fronts.gathering import ASIDE, LENGTH, MOST, choose_apart, find_gathering, lay_stretches
from searcher.geo import GEOD, LocalPlane, Place, destination

HERE = Place(153.5, -30.4)
PLANE = LocalPlane(HERE)
HOUR = np.datetime64("2026-01-17T02:00", "ns")
WITHIN = PLANE.to_degrees(shapely.Point(0, 0).buffer(35e3))


def make_map(density, *, step=0.01, half=0.6):
    """A map (lat, lon) of a function of metres east and north."""
    lon, lat = (middle + np.arange(-half, half + step / 2, step) for middle in (HERE.lon, HERE.lat))
    flat = shapely.get_coordinates(PLANE.to_plane(shapely.points(*np.meshgrid(lon, lat))))
    x, y = flat.T.reshape(2, lat.size, lon.size)
    return xr.Dataset(
        {"density": (("lat", "lon"), density(x, y))},
        {"lat": lat, "lon": lon, "time": HOUR},
        {"days": 4.0},
    )


def make_currents(step=0.06):
    lon, lat = (middle + np.arange(-1.0, 1.0, step) for middle in (HERE.lon, HERE.lat))
    return xr.Dataset(coords={"lat": lat, "lon": lon}, attrs={"source": "a model"})


def band(course, width=2500.0, height=5.0, through=(4e3, -7e3)):
    """A straight band of matter: a normal profile across a line on a course through a place."""
    normal = np.cos(np.radians(course)), -np.sin(np.radians(course))

    def density(x, y):
        off = (x - through[0]) * normal[0] + (y - through[1]) * normal[1]
        return 1.0 + height * np.exp(-0.5 * (off / width) ** 2)

    return density


@pytest.mark.parametrize("course", [0.0, 27.0, 90.0, 133.0])
def test_the_best_stretches_lie_along_a_band_of_matter(course):
    found = find_gathering(make_map(band(course)), WITHIN, make_currents(), seen=HOUR)
    best = shapely.get_coordinates(found.geometry.iloc[0])
    azimuth = GEOD.inv(*best[0], *best[-1])[0] % 180.0
    assert abs((azimuth - course + 90.0) % 180.0 - 90.0) <= 7.5 + 1e-6 + 0.3  # courses are 15° apart
    middle = shapely.get_coordinates(PLANE.to_plane(shapely.Point(best.mean(axis=0))))[0]
    normal = np.array([np.cos(np.radians(course)), -np.sin(np.radians(course))])
    assert abs((middle - (4e3, -7e3)) @ normal) <= 1500.0  # the lattice is 2 km apart


def test_with_the_time_there_is_the_nearer_of_two_bands_is_taken_first():
    """A band of six times the density, in nine times less time, against one of five: 6·√1 < 5·√9."""
    far, near = band(0.0, through=(15e3, 0.0)), band(0.0, height=4.0, through=(-15e3, 0.0))
    floating = make_map(lambda x, y: far(x, y) + near(x, y) - 1.0)
    time = xr.where(floating["lon"] > HERE.lon, 1.0, 9.0) * xr.ones_like(floating["density"])
    alone, timed = (
        find_gathering(floating, WITHIN, make_currents(), seen=HOUR, time=given) for given in (None, time)
    )
    best = [shapely.centroid(found.geometry.iloc[0]).x - HERE.lon for found in (alone, timed)]
    assert best[0] > 0.0 > best[1]
    nowhere = find_gathering(floating, WITHIN, make_currents(), seen=HOUR, time=0.0 * time)
    assert nowhere.empty


def test_strength_is_the_mean_rate_of_gathering():
    """ln(6) over four days on the crest of a band six times as dense as the rest; less to either side."""
    found = find_gathering(make_map(band(0.0, width=8e3)), WITHIN, make_currents(), seen=HOUR)
    assert found["strength"].iloc[0] == pytest.approx(np.log(6.0) / (4 * 86400.0), rel=0.02)
    assert found["strength"].is_monotonic_decreasing
    assert found["length"].to_numpy() == pytest.approx(LENGTH, rel=1e-3)
    assert (found["valid_time"] == HOUR).all()
    # half of a cell of 0.06°: 5.77 km by 6.65 km at 30.4° S (WGS84, pyproj)
    width = GEOD.inv(HERE.lon, HERE.lat, HERE.lon + 0.06, HERE.lat)[2]
    height = GEOD.inv(HERE.lon, HERE.lat - 0.03, HERE.lon, HERE.lat + 0.03)[2]
    assert found["doubt"].to_numpy() == pytest.approx(0.5 * np.sqrt(width * height), rel=0.01)


def test_stretches_stay_inside_and_apart():
    found = find_gathering(make_map(band(45.0, width=6e3)), WITHIN, make_currents(), seen=HOUR)
    assert 5 < len(found) <= MOST
    assert shapely.covers(shapely.buffer(WITHIN, 1e-3), found.geometry.values).all()
    strips = shapely.buffer(PLANE.to_plane(found.geometry.values), ASIDE, cap_style="flat")
    for k, strip in enumerate(strips):
        assert (shapely.area(shapely.intersection(strip, strips[:k])) <= 0.31 * strip.area).all()


def test_where_nothing_has_gathered_there_is_no_stretch():
    assert find_gathering(make_map(lambda x, _: np.ones_like(x)), WITHIN, make_currents(), seen=HOUR).empty
    assert find_gathering(make_map(band(0.0)), shapely.Polygon(), make_currents(), seen=HOUR).empty


def test_unknown_water_gives_no_stretch():
    def half_known(x, y):
        return np.where(x > 0, band(0.0)(x, y), np.nan)

    found = find_gathering(make_map(half_known), WITHIN, make_currents(), seen=HOUR)
    assert len(found)
    assert (shapely.bounds(PLANE.to_plane(found.geometry.values))[:, 0] > 0).all()


def test_an_area_too_small_for_a_stretch_has_none():
    small = PLANE.to_degrees(shapely.Point(4e3, -7e3).buffer(0.4 * LENGTH))
    assert find_gathering(make_map(band(0.0)), small, make_currents(), seen=HOUR).empty


def test_the_lattice_favours_no_course():
    """Courses of the stretches in a disc are spread evenly: chi-square (scipy)."""
    ends = lay_stretches(shapely.Point(0, 0).buffer(60e3))
    course = np.degrees(np.arctan2(*(ends[:, 1] - ends[:, 0]).T)) % 180.0
    counts = np.unique(np.round(course) % 180, return_counts=True)[1]
    assert counts.size == 12
    assert stats.chisquare(counts).pvalue > 0.5


def test_a_turned_map_gives_the_turned_choice():
    """A quarter turn of the worth turns the choice: the lattice has that symmetry."""
    ends = lay_stretches(shapely.box(-20e3, -20e3, 20e3 + 1, 20e3 + 1))
    middle = ends.mean(axis=1)
    worth = np.exp(-((middle[:, 0] - 6e3) ** 2 + (middle[:, 1] / 2) ** 2) / 1e8)
    turned = np.exp(-((middle[:, 1] - 6e3) ** 2 + (middle[:, 0] / 2) ** 2) / 1e8)
    first, second = (worth[choose_apart(ends, worth)], turned[choose_apart(ends, turned)])
    assert first[0] == second[0] == worth.max()
    assert first[:8].sum() == pytest.approx(second[:8].sum(), rel=0.02)  # of equals either may be taken


def test_moving_a_map_by_whole_turns_moves_nothing():
    far = make_map(band(30.0)).assign_coords(lon=lambda d: d["lon"] + 360.0)
    here = find_gathering(make_map(band(30.0)), WITHIN, make_currents(), seen=HOUR)
    there = find_gathering(
        far, shapely.transform(WITHIN, lambda xy: np.add(xy, [360.0, 0.0])), make_currents(), seen=HOUR
    )
    a, b = (shapely.get_coordinates(table.geometry.values) for table in (here, there))
    assert b - [360.0, 0.0] == pytest.approx(a, abs=1e-6)


def test_places_are_geodesic():
    """A stretch has its length by the geodesic of its ends (pyproj), and one end leads to the other."""
    found = find_gathering(make_map(band(60.0)), WITHIN, make_currents(), seen=HOUR)
    first, last = shapely.get_coordinates(found.geometry.iloc[0])[[0, -1]]
    azimuth, _, metres = GEOD.inv(*first, *last)
    assert destination(Place(*first), azimuth, metres) == pytest.approx(tuple(last), abs=1e-9)
    assert metres == pytest.approx(LENGTH, rel=1e-3)
