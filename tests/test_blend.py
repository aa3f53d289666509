"""Many pictures made into one map, levels matched; several currents laid over each other.

What must come out is worked out beside the package: geodesics by pyproj, bilinear values by scipy, offsets
that were put in.
"""

from __future__ import annotations

import netCDF4
import numpy as np
import pytest
import shapely
import source_files as files
import xarray as xr
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from pyproj import Geod
from scipy import ndimage
from scipy.ndimage import map_coordinates

from searcher.errors import NoData, SourceError
from searcher.fronts import find_temperature_breaks
from searcher.geo import Region
from searcher.sea import NODES, describe_sea, make_sea, open_sea, save_sea, to_seconds, to_times
from searcher.sources import SourceWarning, compose_temperature, load_sea
from searcher.sources.blend import blend_currents, feather, join_hours, lay_over, on_land
from searcher.sources.composite import add_surface
from searcher.sources.match import match_levels
from searcher.sources.rims import trim_rims, without_rims

GEOD = Geod(ellps="WGS84")
START = float(to_seconds(np.datetime64("2026-01-17T00:00", "ns")))
HOUR = 3600.0
WEST, SOUTH = 155.0, -31.5  # open sea, far from any coast


def make_data(node, fields, lat, lon, hours) -> xr.Dataset:
    """A node of a sea; hours since START."""
    dims = ("time", "lat", "lon")
    attrs = {"source": f"made {node}", "license": "CC0", "credit": "nobody", "files": "none"}
    variables = {
        name: (dims, np.asarray(values, np.float32), {"units": NODES[node][name][1]})
        for name, values in fields.items()
    }
    times = to_times(START + HOUR * np.asarray(hours, np.float64))
    return xr.Dataset(variables, {"time": times, "lat": lat, "lon": lon}, attrs)


def steady_currents(u, v, lat, lon, hours=(-240.0, 240.0)) -> xr.Dataset:
    """The same current everywhere and always, on a coarse grid a good way beyond the pictures."""
    lat, lon = (np.linspace(axis[0] - 1.0, axis[-1] + 1.0, 9) for axis in (lat, lon))
    shape = (len(hours), 9, 9)
    return make_data("currents", {"u": np.full(shape, u), "v": np.full(shape, v)}, lat, lon, hours)


def pattern(lon, lat):
    """A smooth pattern about 0.6° across, °C; slopes up to 8 °C per degree."""
    return 24.0 + 0.4 * np.sin(10.0 * lon) * np.cos(9.0 * lat) + 0.3 * np.cos(7.0 * (lon - lat))


def origin(lon, lat, u, v, seconds):
    """Where water that is at lon, lat was `seconds` earlier, in a current along one axis only.

    Along a meridian that is a geodesic; along a parallel a degree is measured by a short geodesic.
    """
    if v:
        there = GEOD.fwd(lon, lat, np.where(v > 0, 180.0, 0.0) + 0.0 * lon, abs(v) * seconds + 0.0 * lon)
        return lon, there[1]
    degree = GEOD.inv(lon - 5e-4, lat, lon + 5e-4, lat)[2] / 1e-3
    return lon - u * seconds / degree, lat


def draw_pictures(lat, lon, ages, current, rng, *, hidden=0.4, levels=None, noise=0.0):
    """Pictures of the pattern as it was `ages` hours ago, under blocks of cloud; the newest last."""
    x, y = np.meshgrid(lon, lat)
    pictures = []
    for k, age in enumerate(ages):
        # what is at x, y now came to lie there `age` hours later at a place downstream
        was = pattern(*origin(x, y, -current[0], -current[1], age * HOUR))
        blocks = rng.random((lat.size // 6 + 1, lon.size // 6 + 1)) < hidden
        cloud = np.kron(blocks, np.ones((6, 6), bool))[: lat.size, : lon.size].astype(bool)
        was = was + (0.0 if levels is None else levels[k]) + noise * rng.normal(size=was.shape)
        pictures.append(np.where(cloud, np.nan, was))
    return make_data("temperature", {"sst": pictures}, lat, lon, [-age for age in ages])


def axes(rows, columns, step=0.02):
    return SOUTH + step * np.arange(rows), WEST + step * np.arange(columns)


def compose(pictures, currents, hours=0.0, **options) -> xr.Dataset:
    sea = make_sea({"temperature": pictures, "currents": currents})
    return compose_temperature(sea, at=to_times(START + hours * HOUR)[()], **options)


def expected_view(picture, lat, lon, x, y):
    """scipy's bilinear value, NaN wherever a missing node takes part or the place is off the picture."""
    where = [(y - lat[0]) / (lat[1] - lat[0]), (x - lon[0]) / (lon[1] - lon[0])]
    where = [np.where(np.abs(w - np.round(w)) < 1e-9, np.round(w), w) for w in where]
    return map_coordinates(picture, where, order=1, mode="constant", cval=np.nan)


# ---- one map of many pictures ----------------------------------------------------------------------------


@given(
    rows=st.integers(15, 50),
    columns=st.integers(15, 50),
    step=st.sampled_from([0.01, 0.02, 0.03]),
    ages=st.lists(st.integers(0, 40), min_size=1, max_size=4, unique=True),
    speed=st.floats(-1.5, 1.5),
    north=st.booleans(),
    seed=st.integers(0, 2**16),
)
@settings(max_examples=25, deadline=None)
def test_a_pattern_carried_along_is_the_truth(rows, columns, step, ages, speed, north, seed):
    """Where a picture saw the water whole, the map is scipy's bilinear value of the newest such picture at
    the place the water came from, and so the moved pattern to the error of interpolation, h²/8·(|f_xx| +
    |f_yy|); beside clouds to a cell's slope; nothing is invented where none saw it."""
    lat, lon = axes(rows, columns, step)
    ages = sorted(ages, reverse=True)
    current = (0.0, speed) if north else (speed, 0.0)
    pictures = draw_pictures(lat, lon, ages, current, np.random.default_rng(seed))
    x, y = np.meshgrid(lon, lat)
    places = [origin(x, y, *current, hours * HOUR) for hours in ages[::-1]]
    newest_first = pictures["sst"].values[::-1].astype(np.float64)
    views = [expected_view(p, lat, lon, *place) for p, place in zip(newest_first, places, strict=True)]
    clear = [
        expected_view(np.isfinite(p) * 1.0, lat, lon, *place)
        for p, place in zip(newest_first, places, strict=True)
    ]
    assume(np.isfinite(views).any())
    surface = compose(pictures, steady_currents(*current, lat, lon))
    value, age = surface["sst"].values[0], surface["age"].values[0] / HOUR
    level = np.nan_to_num(surface["level"].values)
    whole = np.zeros(value.shape, bool)
    for view, hours, off in zip(views, ages[::-1], level, strict=True):
        here = np.isfinite(view) & (age == hours)
        np.testing.assert_allclose(value[here], view[here] - off, atol=2e-4)
        whole |= here
        assert (age[np.isfinite(view)] <= hours).all()  # a clear view is used unless there is a newer one
    clear = np.max(np.nan_to_num(clear), axis=0)  # seen where at least half of what is around was clear
    assert np.isfinite(value[clear > 0.5 + 1e-6]).all()
    assert np.isnan(value[clear < 0.5 - 1e-6]).all()
    apart = np.abs(value - pattern(x, y))
    curved = step**2 / 8 * (0.4 * (100 + 81) + 0.3 * 2 * 49)
    # levels of pictures that share fewer than 100 places are left, and here all are the same: 0
    assert apart[whole].max(initial=0.0) <= curved + 5e-3
    assert apart[np.isfinite(value)].max(initial=0.0) <= 1.5 * step * 9.0
    np.testing.assert_array_equal(np.isfinite(value), np.isfinite(age))
    np.testing.assert_allclose(surface["share"].sum() + surface.attrs["unseen"], 1.0, atol=1e-9)


def test_water_from_beyond_the_pictures_stays_missing():
    """1 m/s to the east for 10 h is 36 km; at 31° S a degree is 95.5 km, so 0.377° are unknown: 18 columns
    whole, and the 19th lies half a column farther in."""
    lat, lon = axes(20, 60)
    pictures = draw_pictures(lat, lon, [10], (1.0, 0.0), np.random.default_rng(0), hidden=0.0)
    surface = compose(pictures, steady_currents(1.0, 0.0, lat, lon))
    assert (np.isnan(surface["sst"].values[0]).sum(axis=1) == 19).all()
    assert surface.attrs["unseen"] == pytest.approx(19 / 60)
    assert surface["share"].values == pytest.approx([41 / 60])


def test_water_that_all_came_from_beyond():
    """At 1 m/s for 40 h it went 144 km, farther than the pictures reach."""
    lat, lon = axes(20, 60)
    pictures = draw_pictures(lat, lon, [40], (1.0, 0.0), np.random.default_rng(0), hidden=0.0)
    currents = steady_currents(1.0, 0.0, lat, lon)
    with pytest.raises(
        NoData, match="none of 1 pictures saw any of the water that lies in their box at 2026"
    ):
        compose(pictures, currents)
    sea = make_sea({"temperature": pictures, "currents": currents})
    assert add_surface(sea, at=to_times(START)[()]) is sea


def test_gaps_stay_gaps():
    """Where every picture was under cloud, upstream, there is no value."""
    lat, lon = axes(40, 40)
    pictures = draw_pictures(lat, lon, [24, 12, 0], (0.0, 0.0), np.random.default_rng(3), hidden=0.6)
    surface = compose(pictures, steady_currents(0.0, 0.0, lat, lon))
    never = np.isnan(pictures["sst"].values).all(axis=0)
    assert never.sum() > 100
    np.testing.assert_array_equal(np.isnan(surface["sst"].values[0]), never)
    np.testing.assert_array_equal(np.isnan(surface["age"].values[0]), never)


@pytest.mark.parametrize("hidden", [0.0, 0.5])
def test_one_picture_at_its_own_hour_is_itself(hidden):
    lat, lon = axes(30, 35)
    pictures = draw_pictures(lat, lon, [0], (0.7, 0.0), np.random.default_rng(1), hidden=hidden)
    once = compose(pictures, steady_currents(0.7, 0.0, lat, lon))
    np.testing.assert_allclose(once["sst"].values, pictures["sst"].values, rtol=0, atol=1e-5)
    assert np.nanmax(once["age"].values) == 0.0
    twice = compose(once[["sst"]].assign_attrs(once.attrs), steady_currents(0.7, 0.0, lat, lon))
    np.testing.assert_array_equal(twice["sst"].values, once["sst"].values)


def test_pictures_of_the_future_and_of_long_ago_take_no_part():
    lat, lon = axes(20, 20)
    pictures = draw_pictures(lat, lon, [130, 30, 3, -6], (0.0, 0.0), np.random.default_rng(0), hidden=0.5)
    still = steady_currents(0.0, 0.0, lat, lon)
    surface = compose(pictures, still)
    np.testing.assert_array_equal(surface["seen"], to_times(START - HOUR * np.array([3.0, 30.0])))
    assert compose(pictures, still, longest_age=5 * HOUR).sizes["picture"] == 1
    with pytest.raises(NoData, match=r"no picture to compose .* expected a picture at most 2 h before"):
        compose(pictures, still, longest_age=2 * HOUR)
    short = steady_currents(0.0, 0.0, lat, lon, hours=(-20.0, 1.0))
    assert compose(pictures, short)["seen"].values[-1] == to_times(START - 30 * HOUR)  # held for a day
    with pytest.raises(NoData, match="in the hours of the currents"):
        compose(pictures, short, 26.0)


def test_the_map_joins_the_sea_and_its_file(tmp_path):
    lat, lon = axes(20, 20)
    pictures = draw_pictures(lat, lon, [20, 0], (0.3, 0.0), np.random.default_rng(0))
    sea = make_sea({"temperature": pictures, "currents": steady_currents(0.3, 0.0, lat, lon)})
    whole = add_surface(sea, at=to_times(START)[()])
    assert "surface" not in sea.children
    described = {row["node"]: row for row in describe_sea(whole)}
    assert described["surface"]["missing"] == whole["surface"].attrs["unseen"]
    again = open_sea(save_sea(whole, tmp_path / "sea.nc"))
    assert again["surface"].to_dataset().identical(whole["surface"].to_dataset())
    assert again["surface"].attrs["source"] == (
        "composite of 2 pictures, carried by the currents: made temperature"
    )
    assert add_surface(sea, at=to_times(START - 99 * HOUR)[()]) is sea  # before the first picture


# ---- levels ----------------------------------------------------------------------------------------------


def test_two_sensors_are_brought_to_one_level():
    """0.3 °C between two sensors, noise 0.1 °C, a third under cloud, moving water: found within 0.02 °C, and
    no seam is left: the map errs by no more than noise where it changes from one sensor to the other."""
    lat, lon = axes(80, 80)
    rng = np.random.default_rng(5)
    pictures = draw_pictures(lat, lon, [9, 0], (0.6, 0.0), rng, levels=[0.3, 0.0], noise=0.1, hidden=0.33)
    surface = compose(pictures, steady_currents(0.6, 0.0, lat, lon))
    new, old = surface["level"].values
    assert old - new == pytest.approx(0.3, abs=0.02)
    assert new == pytest.approx(0.0, abs=1e-9)  # the newest picture stays as it is
    apart = surface["sst"].values[0] - pattern(*np.meshgrid(lon, lat))
    by_sensor = [np.nanmean(apart[surface["age"].values[0] == age]) for age in (0.0, 9 * HOUR)]
    assert by_sensor[0] == pytest.approx(by_sensor[1], abs=0.02)


def test_another_product_on_another_grid_only_fills():
    """The other product is newer and 0.5 °C too warm; it gives nothing where the sea's own pictures saw."""
    lat, lon = axes(60, 60)
    rng = np.random.default_rng(2)
    own = draw_pictures(lat, lon, [12], (0.0, 0.4), rng, hidden=0.4)
    coarse = SOUTH - 0.5 + 0.05 * np.arange(50), WEST - 0.5 + 0.05 * np.arange(50)
    other = draw_pictures(*coarse, [2], (0.0, 0.4), rng, levels=[0.5], hidden=0.0)
    currents = steady_currents(0.0, 0.4, lat, lon)
    alone, both = compose(own, currents), compose(own, currents, others=[other])
    seen = np.isfinite(alone["sst"].values)
    np.testing.assert_array_equal(both["sst"].values[seen], alone["sst"].values[seen])
    assert np.isfinite(both["sst"].values).all()
    assert (both["age"].values[~seen] == 2 * HOUR).all()
    assert both["level"].values == pytest.approx([0.0, 0.5], abs=0.02)
    apart = both["sst"].values[0] - pattern(*np.meshgrid(lon, lat))
    assert np.abs(apart).max() < 0.15  # half a cell of slope at the margins of clouds


@given(
    levels=st.lists(st.floats(-2.0, 2.0), min_size=2, max_size=6),
    hidden=st.floats(0.0, 0.6),
    references=st.integers(1, 6),
    seed=st.integers(0, 999),
)
@settings(max_examples=50, deadline=None)
def test_levels_that_were_put_in_come_out(levels, hidden, references, seed):
    """Without noise the medians of differences are exact, so all are recovered to rounding."""
    rng = np.random.default_rng(seed)
    truth = rng.normal(20.0, 3.0, (40, 50))
    views = np.array([truth + level for level in levels])
    views[rng.random(views.shape) < hidden] = np.nan
    reference = np.arange(len(levels)) < references
    found, matched = match_levels(views, reference=reference)
    assert matched.all()
    np.testing.assert_allclose(found, levels - np.mean(np.array(levels)[reference]), atol=1e-9)


def test_pictures_that_share_nothing_keep_their_level():
    views = np.full((3, 20, 30), np.nan)
    views[0, :10], views[1, :10], views[2, 10:] = 20.0, 20.4, 25.0
    found, matched = match_levels(views)
    np.testing.assert_allclose(found, [-0.2, 0.2, 0.0], atol=1e-12)
    np.testing.assert_array_equal(matched, [True, True, False])
    assert not match_levels(views[1:])[1].any()


def test_a_front_that_moved_does_not_shift_the_level():
    """A tenth of the water changed by 3 °C: the mean of the differences is off by 0.3 °C, the median by 0."""
    views = np.array([np.full((40, 40), 20.0), np.full((40, 40), 20.5)])
    views[1, :4] += 3.0
    found, _ = match_levels(views)
    assert found[1] - found[0] == pytest.approx(0.5, abs=1e-12)


# ---- several currents ------------------------------------------------------------------------------------


def currents_on(lat, lon, u, v=0.0, hours=(0.0, 12.0)) -> xr.Dataset:
    shape = (len(hours), len(lat), len(lon))
    fields = {"u": np.broadcast_to(u, shape), "v": np.broadcast_to(v, shape)}
    return make_data("currents", fields, lat, lon, hours)


FINE = SOUTH + 0.02 * np.arange(60), WEST + 0.5 + 0.02 * np.arange(60)
COARSE = SOUTH - 0.6 + 0.1 * np.arange(25), WEST - 0.1 + 0.1 * np.arange(25)


@given(seed=st.integers(0, 999), share=st.floats(0.05, 1.0), width=st.integers(1, 15))
@settings(max_examples=50, deadline=None)
def test_weights_lie_between_0_and_1_and_one_alone_has_all(seed, share, width):
    rng = np.random.default_rng(seed)
    seen, beneath = rng.random((30, 40)) < share, rng.random((30, 40)) < 0.7
    weight = feather(seen, beneath, width=(width, width))
    assert weight.min() >= 0.0
    assert weight.max() <= 1.0
    np.testing.assert_array_equal(weight[~beneath], seen[~beneath].astype(float))


@pytest.mark.parametrize("width", [3, 7, 15])
def test_weights_fall_evenly_across_a_straight_edge(width):
    """A box of `width` cells slides off the edge: 1 and 0 half a width away, in steps of 1/width between."""
    seen = np.zeros((60, 60), bool)
    seen[:, :30] = True
    weight = feather(seen, np.ones_like(seen), width=(width, width))[30]
    half = width // 2
    assert (weight[: 30 - half] == 1.0).all()
    assert (weight[30 + half :] == 0.0).all()
    np.testing.assert_allclose(-np.diff(weight[29 - half : 31 + half]), 1 / width, atol=1e-12)


def test_a_hole_is_filled_by_the_coarser_shifted_to_fit():
    """Two fields that differ by 0.2 everywhere: in a hole of the finer the shifted coarser is the finer."""
    below = np.stack([np.linspace(0, 1, 40)[None] * np.ones((40, 1))] * 2)
    above = below + 0.2
    seen = np.ones((40, 40), bool)
    seen[18:21, 18:21] = False
    above[:, ~seen] = np.nan
    weight = feather(seen, np.ones_like(seen), width=(15, 15))
    filled = lay_over(below, above, weight, width=(15, 15))
    assert weight.min() > 0.9
    np.testing.assert_allclose(filled - below, np.broadcast_to(0.2 * weight, below.shape), atol=1e-12)


def test_the_finest_inside_the_coarse_outside_and_no_jump_between():
    fine, coarse = currents_on(*FINE, 0.5, 0.1), currents_on(*COARSE, 0.3, -0.1)
    blend = blend_currents([fine, coarse], hold=[0.0, 0.0])
    step = float(blend["lon"][1] - blend["lon"][0])
    assert step == pytest.approx(0.02)
    inside = (blend["lon"] > WEST + 0.66) & (blend["lon"] < WEST + 1.52)
    inside = inside & (blend["lat"] > SOUTH + 0.16) & (blend["lat"] < SOUTH + 1.02)
    outside = (blend["lon"] < WEST + 0.34) | (blend["lat"] < SOUTH - 0.16)
    u = blend["u"].transpose("lat", "lon", "time")
    np.testing.assert_allclose(u.where(inside).values[inside.transpose("lat", "lon").values], 0.5, atol=1e-6)
    np.testing.assert_allclose(u.values[outside.transpose("lat", "lon").values], 0.3, atol=1e-6)
    np.testing.assert_allclose(blend["weight"].sum("product"), 1.0, atol=1e-6)
    # 3 cells of 0.1° are 15 of 0.02°: along an edge a fifteenth of 0.2 m/s from cell to cell; at a corner two
    for axis in (1, 2):
        assert np.abs(np.diff(blend["u"].values, axis=axis)).max() <= 0.2 / 15 + 1e-6
    np.testing.assert_allclose(blend["v"].values, (blend["u"].values - 0.4) * 1.0, atol=1e-6)


def test_planes_that_agree_stay_planes():
    def plane(lat, lon):
        return 0.3 + 0.2 * (lon[None, :] - WEST) - 0.1 * (lat[:, None] - SOUTH)

    gappy = np.where(np.random.default_rng(0).random((60, 60)) < 0.3, np.nan, plane(*FINE))
    fine, coarse = currents_on(*FINE, gappy, gappy), currents_on(*COARSE, plane(*COARSE), plane(*COARSE))
    blend = blend_currents([fine, coarse], hold=[0.0, 0.0])
    expected = plane(blend["lat"].values, blend["lon"].values)
    np.testing.assert_allclose(blend["u"].values, np.broadcast_to(expected, blend["u"].shape), atol=2e-6)


def test_hours_are_the_finers_and_beyond_them_the_coarsers():
    hourly, three_hourly = np.arange(-6.0, 3.0), np.arange(-9.0, 13.0, 3.0)
    np.testing.assert_array_equal(join_hours([hourly, three_hourly]), [-9, *hourly, 6, 9, 12])
    np.testing.assert_array_equal(join_hours([hourly + 0.25, three_hourly])[[0, 1, -3]], [-9, -5.75, 6])
    fine = currents_on(*FINE, np.full((9, 60, 60), 0.5), hours=hourly)
    ramp = (0.1 * np.arange(8.0))[:, None, None] * np.ones((8, 25, 25))
    coarse = currents_on(*COARSE, ramp, hours=three_hourly)
    blend = blend_currents([fine, coarse], hold=[0.0, HOUR * 24])
    middle, corner = blend["u"].sel(lat=SOUTH + 0.6, lon=WEST + 1.1, method="nearest"), blend["u"][:, 0, 0]
    hours = (to_seconds(blend["time"].values) - START) / HOUR
    np.testing.assert_allclose(corner, 0.1 * (hours + 9) / 3, atol=1e-6)  # linear between the coarse hours
    inside = (hours >= -6) & (hours <= 2)
    np.testing.assert_allclose(middle[inside], 0.5, atol=1e-6)
    np.testing.assert_allclose(middle[~inside], corner[~inside], atol=1e-6)


def test_land_stays_land():
    """Off the Solitary coast: coarse cells reach over the shore, which the finer product knows."""
    lat, lon = -31.2 + 0.02 * np.arange(80), 152.9 + 0.02 * np.arange(90)
    shore = np.where(on_land(lat, lon), np.nan, 0.5)
    coarse = currents_on(-31.5 + 0.25 * np.arange(9), 152.5 + 0.25 * np.arange(11), 0.3)
    blend = blend_currents([currents_on(lat, lon, shore), coarse], hold=[0.0, 0.0])
    at = blend["u"].isel(time=0).sel(lat=-30.4, method="nearest")
    assert np.isnan(at.sel(lon=slice(152.5, 153.0))).all()  # the Great Dividing Range
    coast = at.sel(lon=slice(153.15, 153.51))
    assert coast.size == 18
    np.testing.assert_allclose(coast, 0.5, atol=1e-6)  # no feather along the shore


# ---- from files ------------------------------------------------------------------------------------------

REGION = Region(155.0, -31.2, 156.4, -29.9)


def radar(path, times, u=0.6, *, lat=None, lon=None) -> object:
    """A radar of 6 km, in m/s, with a hole."""
    lat = np.arange(-31.0, -30.2, 0.05) if lat is None else lat
    lon = np.arange(155.0, 155.7, 0.05) if lon is None else lon
    value = files.grid(u, times, lat, lon, "f4")
    value[:, 6:8, 6:8] = -9999.0
    about = {"_FillValue": np.float32(-9999.0), "units": "m s-1"}
    names = {"u": "surface_eastward_sea_water_velocity", "v": "surface_northward_sea_water_velocity"}
    return files.write(
        path,
        {
            "time": files.time_axis(times, "1970-01-01T00:00:00", "seconds"),
            "lat": (lat, files.LAT_ATTRS),
            "lon": (lon, files.LON_ATTRS),
        },
        {
            name: (("time", "lat", "lon"), value, about | {"standard_name": standard_name})
            for name, standard_name in names.items()
        },
        {"title": "HF radar, 6 km"},
    )


def hours(*counts) -> np.ndarray:
    return files.DAY.astype("datetime64[ns]") + np.array(counts, dtype="timedelta64[h]")


def around(step=0.25):
    return {"lat": np.arange(-31.75, -29.2, step), "lon": np.arange(154.5, 157.1, step)}


def test_a_radar_in_a_model(tmp_path):
    model = files.hycom(tmp_path / "model.nc", u=200, v=200, times=hours(0, 3, 6), **around())
    sources = [
        files.mur(tmp_path / "sst.nc", **around()),
        radar(tmp_path / "radar.nc", hours(0, 1, 2, 3)),
        model,
        files.altimetry(tmp_path / "sla.nc", **around()),
    ]
    sea = load_sea(REGION, sources=sources)
    currents = sea["currents"]
    assert currents.attrs["kind"] == "total current"
    assert "geostrophic current in" in currents.attrs["left_out"]
    assert "radar.nc" in currents.attrs["files"]
    assert "model.nc" in currents.attrs["files"]
    assert "sla.nc" not in currents.attrs["files"]
    share = float(currents["weight"].isel(product=0).mean())
    assert currents.attrs["shares"].startswith(f"{share:.1%} HF radar, 6 km (radar.nc); ")
    np.testing.assert_array_equal(currents["time"], hours(0, 1, 2, 3, 6))
    u = currents["u"]
    assert np.isfinite(u).all()
    assert float(u.sel(lat=-30.0, lon=156.3, method="nearest")[0]) == pytest.approx(0.2, abs=1e-6)
    assert 0.5 < float(u.sel(lat=-30.65, lon=155.3, method="nearest")[0]) < 0.6  # the hole
    assert (u.sel(time=hours(6)[0]) == pytest.approx(0.2, abs=1e-6)).all()
    again = open_sea(save_sea(sea, tmp_path / "sea.nc"))
    assert again["currents"].to_dataset().identical(currents.to_dataset())


def test_a_geostrophic_current_fills_where_no_total_is(tmp_path):
    sources = [
        files.mur(tmp_path / "sst.nc", **around()),
        files.altimetry(tmp_path / "sla.nc", **around()),
        radar(tmp_path / "radar.nc", hours(0)),
    ]
    currents = load_sea(REGION, sources=sources)["currents"]
    assert currents.attrs["kind"] == "geostrophic current"  # most of it
    assert currents.attrs["covered"] == pytest.approx(1.0)
    assert float(currents["u"].sel(lat=-30.0, lon=156.3, method="nearest")[0]) == pytest.approx(0.3, abs=1e-4)


def test_two_temperature_products_make_one_map(tmp_path):
    """The finer gives the pictures; the coarser, a degree warmer, fills the map brought to its level."""
    lat, lon = around(0.0625).values()
    counts = files.grid(2600, files.DAY, lat, lon, "i2")
    counts[0, :, lon > 155.7] = -32768
    fine = files.acspo(tmp_path / "fine.nc", counts[:, ::-1], lat=lat, lon=lon)
    wide = files.ostia(tmp_path / "wide.nc", 2700, times=hours(6), **around(0.125))
    still = files.hycom(tmp_path / "still.nc", u=0, v=0, times=hours(0, 12), **around())
    with pytest.warns(SourceWarning, match=r"wide\.nc left out: .*fine\.nc .* fill gaps of the composed map"):
        sea = load_sea(REGION, sources=[wide, fine, still])
    assert sea["temperature"].attrs["files"] == "fine.nc"
    surface = sea["surface"]
    assert surface.attrs["files"] == "fine.nc; wide.nc"
    np.testing.assert_array_equal(surface["time"], hours(6))
    np.testing.assert_allclose(surface["sst"], 26.0, atol=1e-4)
    assert surface["level"].values == pytest.approx([0.0, 1.0], abs=1e-4)
    assert set(np.unique(surface["age"])) == {0.0, 6 * HOUR}


def test_the_finer_of_two_of_the_same_day_and_the_newer_of_two_days(tmp_path):
    still = files.hycom(tmp_path / "still.nc", u=0, v=0, times=hours(0, 48), **around())
    fine = files.mur(tmp_path / "fine.nc", 1000, times=hours(0), **around(0.0625))
    for later, product in ((6, "fine.nc"), (30, "wide.nc")):
        wide = files.ostia(tmp_path / "wide.nc", 2700, times=hours(later), **around(0.125))
        with pytest.warns(SourceWarning, match="left out: one grid per field"):
            sea = load_sea(REGION, sources=[wide, fine, still])
        assert sea["temperature"].attrs["files"] == product


def test_a_damaged_second_product_is_named(tmp_path):
    """A product that only fills is still read, and what is wrong with it is said."""
    fine = files.mur(tmp_path / "fine.nc", **around(0.0625))
    wide = files.ostia(tmp_path / "wide.nc", **around(0.125))
    with netCDF4.Dataset(wide, "a") as data:
        data["analysed_sst"].scale_factor = 1.0
    still = files.hycom(tmp_path / "still.nc", **around())
    with pytest.raises(SourceError, match=r"wide\.nc: analysed_sst: values .* believable"):
        load_sea(REGION, sources=[wide, fine, still])


# ---- cold rims of clouds ---------------------------------------------------------------------------------


def clouded(x, y, *, share=0.25, rim=0, seed=0):
    """A front of 1 °C through the middle under noise and clumps of cloud, whose nearest `rim` nodes are 2 °C
    too cold; and the water as it is."""
    rng = np.random.default_rng(seed)
    water = 24.0 + 0.5 * np.tanh((x - x.mean()) / 0.03) + 0.1 * (y - y.mean())
    clumps = ndimage.gaussian_filter(rng.normal(size=x.shape), 6.0)
    cloud = clumps > np.quantile(clumps, 1.0 - share)
    beside = ndimage.binary_dilation(cloud, np.ones((3, 3)), iterations=rim) if rim else cloud
    seen = water + rng.normal(0.0, 0.1, x.shape) - 2.0 * beside
    return np.where(cloud, np.nan, seen).astype(np.float32), water


@pytest.mark.parametrize("rim", [1, 2, 3])
def test_cold_rims_of_clouds_spoil_no_map(rim):
    """Of three pictures: the map errs as it does without rims, and no line runs along a cloud."""
    lat, lon = axes(150, 150)
    x, y = np.meshgrid(lon, lat)
    drawn = [clouded(x, y, rim=rim, seed=seed) for seed in range(3)]
    pictures = make_data("temperature", {"sst": [seen for seen, _ in drawn]}, lat, lon, [-20, -10, 0])
    trimmed = trim_rims(pictures.assign_attrs(history="made"))
    assert "cold rims of clouds taken off" in trimmed.attrs["history"]
    still = steady_currents(0.0, 0.0, lat, lon)
    errors = {}
    for name, data in (("as is", pictures), ("trimmed", trimmed)):
        surface = compose(data, still)["sst"][0].drop_vars("time")
        errors[name] = float(np.sqrt(np.nanmean((surface.values - drawn[0][1]) ** 2)))
    assert errors["as is"] > 0.25
    assert errors["trimmed"] < 0.12
    front = drawn[0][1][0].searchsorted(24.0)
    for line in (row["geometry"] for row in find_temperature_breaks(surface)):
        assert np.abs(np.median(shapely.get_coordinates(line)[:, 0]) - lon[front]) < 0.05
    kept = np.isfinite(trimmed["sst"].values)
    np.testing.assert_array_equal(trimmed["sst"].values[kept], pictures["sst"].values[kept])


@pytest.mark.parametrize("share", [0.0, 0.25, 0.6])
def test_pictures_without_cold_rims_stay_as_they_are(share):
    lat, lon = axes(150, 150)
    seen = [clouded(*np.meshgrid(lon, lat), share=share, seed=seed)[0] for seed in range(3)]
    pictures = make_data("temperature", {"sst": seen}, lat, lon, [-20, -10, 0])
    assert trim_rims(pictures) is pictures


def test_cold_water_along_a_shore_is_no_rim():
    """Upwelling: 2 °C colder inshore of a front 8 km off the coast."""
    lat, lon = -31.0 + 0.02 * np.arange(150), 152.0 + 0.02 * np.arange(150)
    ashore = on_land(lat, lon)
    off = ndimage.distance_transform_edt(~ashore) - 0.5
    field = 22.0 + np.tanh((off - 4.0) / 1.5) + np.random.default_rng(1).normal(0.0, 0.1, off.shape)
    field[ashore] = np.nan
    assert 0.05 < ashore.mean() < 0.6
    pictures = make_data("temperature", {"sst": [field]}, lat, lon, [0])
    assert trim_rims(pictures) is pictures
    open_sea_there = without_rims(pictures["sst"].values[0], np.zeros(off.shape, bool))
    assert np.isnan(open_sea_there).sum() > np.isnan(field).sum()  # of a cloud it would be taken for a rim
    length = sum(row["length"] for row in find_temperature_breaks(pictures["sst"][0].drop_vars("time")))
    assert length > 100e3


@pytest.mark.parametrize("model", [False, True])
def test_rims_are_taken_off_what_is_read_unless_it_is_of_a_model(tmp_path, model):
    lat, lon = axes(150, 150)
    seen, _ = clouded(*np.meshgrid(lon, lat), rim=2)
    standard = "sea_water_potential_temperature" if model else "sea_surface_temperature"
    xr.Dataset(
        {"it": (("time", "lat", "lon"), seen[None], {"units": "degree_C", "standard_name": standard})},
        {
            "time": ("time", [files.DAY], {"standard_name": "time"}),
            "lat": ("lat", lat, files.LAT_ATTRS),
            "lon": ("lon", lon, files.LON_ATTRS),
        },
    ).to_netcdf(tmp_path / "a.nc")
    currents = files.oscar(tmp_path / "b.nc", lat=np.arange(-33.0, -27.0), lon=np.arange(153.0, 160.0))
    sea = load_sea(Region(155.1, -31.4, 157.8, -28.6), sources=[tmp_path / "a.nc", currents])
    assert ("cold rims of clouds taken off" in sea["temperature"].attrs["history"]) is not model
