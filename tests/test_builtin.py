"""The built-in sea against what is known of real seas, and against its own truth by other means."""

from __future__ import annotations

import json
import tomllib
from itertools import islice

import netCDF4
import numpy as np
import pytest
import shapely
import xarray as xr
from scipy import ndimage, stats
from scipy.integrate import solve_ivp
from scipy.interpolate import RegularGridInterpolator

from searcher.builtin import PORT, SEA_BUOY, Sight, make_builtin_sea, write_builtin_files, write_truth
from searcher.builtin import flow as flow_module
from searcher.builtin.files import closed_area
from searcher.builtin.flow import CORIOLIS, draw_model, turning_flow
from searcher.builtin.march import STEP, _cell_areas, _come_in, march
from searcher.builtin.scene import LEAVE, TRIP_DAY, coast_distance, model_grid
from searcher.builtin.weather import draw_weather
from searcher.errors import TripError
from searcher.geo import LocalPlane, Place, Region, distance, land
from searcher.sea import check_sea, share_missing

EARTH = 6371008.8  # m, mean radius (IUGG)
OMEGA = 7.292115e-5  # 1/s, rotation of the earth (IERS)


@pytest.fixture(scope="module")
def both():
    return make_builtin_sea()


@pytest.fixture(scope="module")
def sea(both):
    return both[0]


@pytest.fixture(scope="module")
def truth(both):
    return both[1]


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return write_builtin_files(tmp_path_factory.mktemp("morning"))


@pytest.fixture(scope="module")
def model():
    return draw_model(model_grid(), np.random.default_rng(0).spawn(3)[0])


@pytest.fixture(scope="module")
def shore():
    plane = LocalPlane(PORT)
    return plane, plane.to_plane(land(Region(152.5, -31.0, 154.0, -29.8), detail="full"))


def divergence_and_vorticity(lon, lat, u, v):
    """On the sphere (Holton 2004, An Introduction to Dynamic Meteorology, section 4), centred differences."""
    phi, lam = np.deg2rad(lat), np.deg2rad(lon)
    cos = np.cos(phi)[:, None]
    du_dlam, dv_dlam = np.gradient(u, lam, axis=1), np.gradient(v, lam, axis=1)
    dvcos, ducos = np.gradient(v * cos, phi, axis=0), np.gradient(u * cos, phi, axis=0)
    return (du_dlam + dvcos) / (EARTH * cos), (dv_dlam - ducos) / (EARTH * cos)


def at_sea(model):
    """Nodes at least 4 km from land and off the edge of the model."""
    inside = np.zeros(model.grid.shape, bool)
    inside[3:-3, 3:-3] = True
    return inside & (coast_distance() > 4e3)


# --- the flow ---------------------------------------------------------------------------------------------


def test_turning_flow_neither_gathers_nor_spreads(model):
    u, v = turning_flow(model, 5e5)
    div, vorticity = divergence_and_vorticity(model.grid.lon, model.grid.lat, u, v)
    open_sea = at_sea(model)
    assert vorticity[open_sea].std() > 5e-6
    assert div[open_sea].std() < 0.01 * vorticity[open_sea].std()  # sphere against ellipsoid: 0.5 % at most


def test_water_does_not_flow_through_the_shore(model):
    u, v = turning_flow(model, 5e5)
    out_north, out_east = np.gradient(ndimage.gaussian_filter(coast_distance(), 1.0))
    through = (u * out_east + v * out_north) / np.hypot(out_east, out_north)
    beside = (coast_distance() > 0) & (coast_distance() < 2e3)
    assert np.quantile(np.abs(through[beside]), 0.99) < 0.05
    assert np.hypot(u, v)[beside].max() > 0.1  # it does run along it
    assert (np.hypot(u, v)[coast_distance() <= 0] == 0).all()


def test_warm_eddy_turns_anticlockwise_and_cold_ones_clockwise_in_the_south(model):
    # Anticyclones turn anticlockwise where f < 0 (Gill 1982, Atmosphere-Ocean Dynamics, section 7.6)
    lat = model.grid.lat
    assert 2 * OMEGA * np.sin(np.deg2rad(-30.5)) == pytest.approx(CORIOLIS, rel=0.01)
    t = (TRIP_DAY - np.datetime64("2026-01-09T12:00")) / np.timedelta64(1, "s")
    u, v = turning_flow(model, t)
    _, vorticity = divergence_and_vorticity(model.grid.lon, lat, u, v)
    eddies = model.eddies
    for number in (0, 2, 3):  # the warm eddy, two cold ones on the inshore edge
        row = np.abs(model.y - eddies.y[number] - eddies.drift_y[number] * t).argmin()
        column = np.abs(model.x - eddies.x[number] - eddies.drift_x[number] * t).argmin()
        assert np.sign(vorticity[row, column]) == eddies.turn[number]
    assert eddies.turn[0] == 1
    assert (eddies.turn[1:5] == -1).all()


def test_boundary_current_is_warm_fast_and_southward_off_the_shelf_edge(truth):
    # East Australian Current: core at the shelf break, typically 1-1.5 m/s, southward (Ridgway & Dunn 2003,
    # Prog. Oceanogr. 56:189-222); summer surface temperature about 25-27 °C (from memory)
    now = truth["currents"].to_dataset().sel(time=LEAVE)
    heat = truth["temperature"].to_dataset().sst.sel(time=LEAVE)
    for latitude in (-29.4, -30.0, -30.4):
        row = now.sel(lat=latitude, method="nearest")
        core = int(np.nanargmin(row.v.values))
        assert -1.8 < float(row.v[core]) < -0.9
        coast = float(row.lon[np.isfinite(row.v)].min())
        assert 25e3 < distance(Place(coast, latitude), Place(float(row.lon[core]), latitude)) < 90e3
        assert 25.0 < float(heat.sel(lat=latitude, method="nearest")[core]) < 27.5
        inshore = heat.sel(lat=latitude, method="nearest")[:core]
        assert float(inshore.min()) < float(inshore.max()) - 2.0


def test_flow_gathers_on_the_cold_side_of_fronts_at_a_believable_rate(truth):
    # Thermally direct circulation: surface convergence on the dense side (Hoskins 1982, Annu. Rev. Fluid
    # Mech. 14:131-151), at 0.1 f to f at submesoscale fronts (McWilliams 2016, Proc. R. Soc. A 472:20160117)
    now = truth["currents"].to_dataset().sel(time=LEAVE)
    heat = truth["temperature"].to_dataset().sst.sel(time=LEAVE)
    div, _ = divergence_and_vorticity(now.lon.values, now.lat.values, now.u.values, now.v.values)
    f = 2 * OMEGA * np.sin(np.deg2rad(now.lat.values))[:, None]
    gy, gx = np.gradient(heat.values)
    curvature = np.gradient(gx, axis=1) + np.gradient(gy, axis=0)
    steepness = np.hypot(gx, gy)
    front = steepness > np.nanquantile(steepness, 0.9)
    known = front & np.isfinite(div) & np.isfinite(curvature)
    assert np.corrcoef(div[known], curvature[known])[0, 1] < -0.4
    assert -0.7 < np.nanquantile(div / np.abs(f), 0.001) < -0.2


# --- temperature ------------------------------------------------------------------------------------------


def test_fronts_have_believable_steps(truth):
    front_strength = truth["front_strength"].front_strength.sel(time=LEAVE).values * 1e3
    assert np.nanmedian(front_strength) < 0.05
    assert 0.3 < np.nanquantile(front_strength, 0.999) < 0.9  # °C/km


def test_temperature_goes_with_the_water(truth):
    """Along paths found with scipy, temperature holds; at a fixed place and against the path it does not."""
    currents = truth["currents"].to_dataset().fillna(0.0)
    heat = truth["temperature"].to_dataset().sst
    seconds = (currents.time.values - currents.time.values[0]) / np.timedelta64(1, "s")
    axes = seconds, currents.lat.values, currents.lon.values
    east, north = (RegularGridInterpolator(axes, currents[name].values) for name in "uv")
    lon, lat = _places_on_slopes(heat)
    count = lon.size

    def velocity(t, state):
        lat = state[count:]
        where = np.column_stack([np.full(count, t), lat, state[:count]])
        high = 111132.95 - 559.82 * np.cos(2 * np.deg2rad(lat))  # m per degree (Snyder 1987, USGS PP 1395)
        wide = 111412.84 * np.cos(np.deg2rad(lat)) - 93.5 * np.cos(3 * np.deg2rad(lat))
        return np.concatenate([east(where) / wide, north(where) / high])

    hours = 6
    path = solve_ivp(velocity, (0.0, hours * 3600.0), np.concatenate([lon, lat]), rtol=1e-6, max_step=900.0)
    assert path.success
    there = path.y[:count, -1], path.y[count:, -1]

    def read(step, lon, lat):
        field = RegularGridInterpolator((heat.lat.values, heat.lon.values), heat[step].values)
        return field(np.column_stack([lat, lon]))

    start, end = read(0, lon, lat), read(hours // 3, *there)
    carried = np.sqrt(np.nanmean((end - start) ** 2))
    stayed = np.sqrt(np.nanmean((read(hours // 3, lon, lat) - start) ** 2))
    misplaced = np.sqrt(np.nanmean((read(0, *there) - start) ** 2))
    assert carried < 0.06
    assert carried < 0.4 * min(stayed, misplaced)


def _places_on_slopes(heat, count=400):
    """Where temperature slopes but hardly curves, so that diffusion may be neglected over some hours."""
    north, east = np.gradient(heat[0].values)
    curve = np.gradient(north, axis=0) + np.gradient(east, axis=1)
    lon, lat = np.meshgrid(heat.lon.values, heat.lat.values)
    inner = (lat > -31.6) & (lat < -29.4) & (lon > 153.6) & (lon < 155.6)
    rows, columns = np.nonzero(inner & (np.hypot(north, east) > 0.06) & (np.abs(curve) < 0.08))
    pick = np.random.default_rng(1).choice(rows.size, count, replace=False)
    return heat.lon.values[columns[pick]], heat.lat.values[rows[pick]]


# --- floating matter --------------------------------------------------------------------------------------


def share_in_most_convergent_tenth(truth, time=LEAVE):
    now = truth["currents"].to_dataset().sel(time=time)
    lon, lat = now.lon.values, now.lat.values
    div, _ = divergence_and_vorticity(lon, lat, now.u.values, now.v.values)
    floating = truth["floating"].to_dataset().sel(time=time)
    east = (floating.lon.values - lon[0]) / (lon[1] - lon[0])
    north = (floating.lat.values - lat[0]) / (lat[1] - lat[0])
    inside = (east >= 0) & (north >= 0) & (east <= lon.size - 1) & (north <= lat.size - 1)
    here = div[np.round(north[inside]).astype(int), np.round(east[inside]).astype(int)]
    here = here[np.isfinite(here)]
    return (here < np.nanquantile(div, 0.1)).mean(), here.size


def test_floating_matter_gathers_where_the_flow_converges(truth):
    share, count = share_in_most_convergent_tenth(truth)
    assert count > 20_000
    assert share > 0.10 + 20 * np.sqrt(0.1 * 0.9 / count)  # scattered evenly: 0.10 within three such errors


@pytest.mark.slow
def test_floating_matter_gathers_more_the_stronger_the_convergence(truth):
    shares = [share_in_most_convergent_tenth(make_builtin_sea(convergence=c)[1])[0] for c in (0.0, 2.0)]
    middle, _ = share_in_most_convergent_tenth(truth)
    assert shares[0] < 0.115
    assert shares[0] < middle < shares[1]


def test_floating_matter_is_released_over_days_and_moves(truth):
    floating = truth["floating"].to_dataset()
    assert floating.lon.dims == ("time", "particle")
    first, leave = floating.isel(time=0), floating.sel(time=LEAVE)
    assert 0 < int(first.lon.notnull().sum()) < int(leave.lon.notnull().sum())
    assert (floating.lon.isnull() == floating.lat.isnull()).all()
    moved = np.hypot(*(floating[a].diff("time").values for a in ("lon", "lat"))) * 111e3
    assert 200 < np.nanmedian(moved) < 3600  # m in an hour
    assert np.nanmax(moved) < 2.2 * 3600


def test_matter_stays_even_where_no_front_gathers_it():
    """Without divergence a uniform density stays uniform (Liouville): off the coast, where the wind's layer
    neither opens nor closes either, blocks of half a degree keep their share, also where all water is new."""
    _, truth = make_builtin_sea(convergence=0.0, particles=200_000)
    floating = truth["floating"].to_dataset().isel(time=-1)
    known = np.isfinite(floating.lon.values)
    lon, lat = floating.lon.values[known], floating.lat.values[known]
    edges = np.arange(-32.0, -28.9, 0.5), np.arange(154.0, 156.1, 0.5)
    count = np.histogram2d(lat, lon, edges)[0] / np.cos(np.radians(edges[0][:-1] + 0.25))[:, None]
    assert count.min() > 1500
    assert np.abs(count / count.mean() - 1).max() < 0.15


def test_as_much_matter_comes_in_as_the_water_holds():
    model = draw_model(model_grid(), np.random.default_rng(0))
    shape = model.grid.shape
    flow = np.full(shape, 0.5 / STEP), np.full(shape, -0.25 / STEP)  # cells/s: north and west
    rows, columns = _come_in(model, flow, 40.0, np.random.default_rng(1))
    south = rows < 0.5
    assert (columns[~south] > shape[1] - 1.25).all()
    width = shape[1]
    area = _cell_areas(model)[:, 0]
    for count, expected in (
        (south.sum(), 0.5 * width * 40 * area[0]),
        ((~south).sum(), 0.25 * 40 * area.sum()),
    ):
        assert abs(count - expected) < 5 * np.sqrt(expected)
    assert stats.kstest(rows[south], stats.uniform(0, 0.5).cdf).pvalue > 1e-3
    assert stats.kstest(columns[south], stats.uniform(0, width - 1).cdf).pvalue > 1e-3


# --- what the user sees -----------------------------------------------------------------------------------


def test_sea_keeps_the_contract_and_the_hours(sea):
    check_sea(sea)
    assert set(sea.children) == {"temperature", "currents", "color", "wind", "waves", "depth"}
    images, currents = sea["temperature"], sea["currents"]
    assert images.sst.shape == (6, 151, 201)
    assert images.time.values[-1] == np.datetime64("2026-01-16T12:00")
    assert currents.time.values[0] <= images.time.values[0]
    assert currents.time.values[-1] >= np.datetime64("2026-01-17T13:00")  # midnight in Sydney
    assert (np.diff(currents.time.values) == np.timedelta64(3, "h")).all()
    for node in sea.children.values():
        assert node.attrs["source"]
        assert node.attrs["license"]
        assert node.attrs["credit"]


def test_each_image_has_other_clouds_of_some_size(sea):
    hidden = sea["temperature"].sst.isnull().values
    ashore = sea["depth"]["depth"].isnull().values
    for number, image in enumerate(hidden):
        assert image[ashore].all()
        assert 0.1 < image[~ashore].mean() < 0.7
        edge = (image[:, 1:] != image[:, :-1])[~ashore[:, 1:] & ~ashore[:, :-1]].mean()
        assert edge < 0.06  # single cells at random would give 2 p (1 - p), 0.3 and more
        if number:
            assert (image != hidden[number - 1])[~ashore].mean() > 0.1
    assert 0.1 < share_missing(sea["temperature"].sst) < 0.7


def test_image_is_the_truth_with_noise_and_bias(sea, truth):
    image = sea["temperature"].sst.isel(time=-1)
    true = truth["temperature"].sst.sel(time=image.time).interp(lat=image.lat, lon=image.lon)
    off = (image - true).values
    assert 0.09 < np.nanstd(off) < 0.18
    assert abs(np.nanmean(off)) < 0.3


def test_currents_seen_are_the_true_ones_without_detail_and_a_little_off(sea, truth):
    seen = sea["currents"].to_dataset().sel(time=LEAVE)
    true = truth["currents"].to_dataset().sel(time=LEAVE)
    at = true.interp(lat=seen.lat, lon=seen.lon)
    for name in "uv":
        known = seen[name].notnull().values & at[name].notnull().values
        assert 0.9 < np.corrcoef(seen[name].values[known], at[name].values[known])[0, 1] < 0.999
    worst = [
        np.nanquantile(divergence_and_vorticity(d.lon.values, d.lat.values, d.u.values, d.v.values)[0], 0.001)
        for d in (seen, true)
    ]
    assert worst[1] < 1.5 * worst[0] < 0  # part of the gathering is left


def test_weather_is_a_summer_sea_breeze(sea):
    wind = sea["wind"].to_dataset()
    speed = np.hypot(wind.u10, wind.v10)
    assert 2.5 < float(speed.min()) < 5
    assert 7 < float(speed.max()) < 10
    come_from = np.rad2deg(np.arctan2(-wind.u10, -wind.v10))
    assert 20 < float(come_from.min()) < float(come_from.max()) < 65
    coast = speed.sel(lat=-30.5, lon=153.25, method="nearest")
    assert float(coast.sel(time="2026-01-16T06:00")) > 1.5 + float(coast.sel(time="2026-01-16T18:00"))
    assert 1.0 < float(sea["waves"].hs.min()) < float(sea["waves"].hs.max()) < 2.0


def test_water_is_greener_on_the_shelf_and_in_the_cold(sea):
    color = sea["color"].chlor_a.isel(time=-1)
    depth = sea["depth"]["depth"].interp(lat=color.lat, lon=color.lon)
    warm = sea["temperature"].sst.isel(time=-2).interp(lat=color.lat, lon=color.lon)
    assert 0.3 < float(color.where(depth < 100).median()) < 1.5
    assert float(color.where(warm > 25.8).median()) < 0.15


def test_sea_floor_goes_with_the_distance_from_the_real_coast(sea, shore):
    plane, coast = shore
    depth = sea["depth"]["depth"].sel(lat=slice(-30.9, -30.3), lon=slice(152.9, 153.95))
    lon, lat = np.meshgrid(depth.lon.values, depth.lat.values)
    points = plane.to_plane(shapely.points(lon, lat))
    shapely.prepare(coast)
    ashore = shapely.contains(coast, points)
    assert (np.isnan(depth.values) == ashore).mean() > 0.99  # the finer coast decides a few cells otherwise
    off = np.where(ashore, np.nan, shapely.distance(coast, points))
    near = (off > 10e3) & (off < 15e3)
    assert 50 < np.nanmedian(depth.values[near]) < 80
    edge = (depth.values > 180) & (depth.values < 220)
    assert 28e3 < np.nanmedian(off[edge]) < 40e3
    assert float(sea["depth"]["depth"].max()) > 4000
    seamount = sea["depth"]["depth"].sel(lat=-30.35, lon=155.35, method="nearest")
    assert float(seamount) < 1500


def test_port_and_buoy_stand_where_they_should(shore):
    plane, coast = shore
    port, buoy = (plane.to_plane(shapely.Point(*place)) for place in (PORT, SEA_BUOY))
    assert not coast.contains(port)
    assert coast.distance(port) < 1000
    assert not coast.contains(buoy)
    assert coast.distance(buoy) > 1852
    assert 1852 < distance(PORT, SEA_BUOY) < 2 * 1852


# --- one seed, one sea ------------------------------------------------------------------------------------


def first_hours(seed):
    flow_rng, particle_rng, weather_rng = np.random.default_rng(seed).spawn(3)
    drawn, weather = draw_model(model_grid(), flow_rng), draw_weather(weather_rng)
    return list(islice(march(drawn, weather, convergence=1.0, particles=1000, rng=particle_rng), 5))[-1]


def test_same_seed_same_sea_other_seed_other_sea():
    one, again, other = first_hours(7), first_hours(7), first_hours(8)
    np.testing.assert_array_equal(one.sst, again.sst)
    np.testing.assert_array_equal(one.u, again.u)
    assert np.abs(one.sst - other.sst).std() > 0.2
    assert np.abs(one.u - other.u).std() > 0.02


def test_strength_of_convergence_scales_the_gathering_flow(model):
    heat = 24.0 + np.tanh(model.x / 5e3)[None, :] * np.ones(model.y.size)[:, None]
    none, one, two = (flow_module.gathering_flow(model, heat, c)[0] for c in (0.0, 1.0, 2.0))
    assert (none == 0).all()
    np.testing.assert_allclose(two, 2 * one)
    offshore = coast_distance() > 40e3
    assert one[offshore].min() < -0.02  # warm in the east: towards the west, the cold side


# --- files ------------------------------------------------------------------------------------------------


def test_temperature_files_unpack_to_the_sea(sea, folder):
    paths = sorted(folder.glob("data/sst_*.nc"))
    images = sea["temperature"].sst
    assert len(paths) == images.sizes["time"]
    for path, image in zip(paths, images, strict=True):
        with xr.open_dataset(path) as data:
            assert data.lat.values[0] > data.lat.values[-1]
            assert data.time.values[0] == image.time.values
            field = data.sea_surface_temperature
            assert field.attrs["units"] == "kelvin"
            celsius = (field.where(data.quality_level == 5).isel(time=0) - 273.15).sortby("lat")
            np.testing.assert_allclose(celsius, image, atol=0.0051)
        with netCDF4.Dataset(path) as raw:  # GHRSST data specification 2.0: packed short with a fill value
            raw.set_auto_maskandscale(False)
            counts = raw["sea_surface_temperature"][:]
            assert counts.dtype == np.int16
            assert (counts == -32768).sum() == int(image.isnull().sum())


def test_current_file_is_dressed_as_hycom(sea, folder):
    currents = sea["currents"].to_dataset()
    with xr.open_dataset(folder / "data/currents.nc") as data:
        assert data.water_u.dims == ("time", "depth", "lat", "lon")
        assert data.depth.values.tolist() == [0.0]
        np.testing.assert_array_equal(data.time, currents.time)
        np.testing.assert_allclose(data.water_u.isel(depth=0), currents.u, atol=0.00051)
        np.testing.assert_allclose(data.water_v.isel(depth=0), currents.v, atol=0.00051)
    with netCDF4.Dataset(folder / "data/currents.nc") as raw:
        assert raw["time"].units.startswith("hours since 2000-01-01")
        raw.set_auto_maskandscale(False)
        counts = raw["water_u"][0, 0]
        land_cells = np.isnan(currents.u.values[0])
        assert (counts[land_cells] == -30000).all()
        np.testing.assert_allclose(counts[~land_cells] * 0.001, currents.u.values[0][~land_cells], atol=6e-4)


def test_other_files_unpack_to_the_sea(sea, folder):
    with xr.open_dataset(folder / "data/depth.nc") as data:
        depth = (-data.elevation).where(data.elevation < 0)
        np.testing.assert_array_equal(depth, sea["depth"]["depth"])
        assert float(data.elevation.max()) > 0
    with xr.open_dataset(folder / "data/wind.nc") as data:
        np.testing.assert_array_equal(data.ugrd10m, sea["wind"].u10)
        assert data.vgrd10m.attrs["standard_name"] == "northward_wind"
    with xr.open_dataset(folder / "data/waves.nc") as data:
        np.testing.assert_allclose(data.VHM0, sea["waves"].hs, atol=0.0051)
        assert data.VHM0.attrs["standard_name"] == "sea_surface_wave_significant_height"
    with xr.open_dataset(folder / "data/chlorophyll.nc") as data:
        np.testing.assert_array_equal(data.chlor_a, sea["color"].chlor_a)


def test_trip_file_says_what_the_scene_is(folder):
    trip = tomllib.loads((folder / "trip.toml").read_text(encoding="utf-8"))
    assert set(trip) == {
        *("port", "window", "boat", "gear", "target", "data", "avoid", "show", "float_plan"),
    }
    assert trip["port"]["at"] == list(PORT)
    assert trip["port"]["sea_buoy"] == list(SEA_BUOY)
    speeds, burns = zip(*trip["boat"]["burn"], strict=True)
    assert list(speeds) == sorted(speeds)
    assert list(burns) == sorted(burns)
    assert trip["avoid"]["files"] == ["closed_area.geojson"]
    assert all(list(folder.glob(pattern)) for pattern in trip["data"]["files"])
    assert not list(folder.rglob(".*.partial"))


def test_closed_area_is_a_sound_polygon_at_sea(folder, shore):
    written = json.loads((folder / "closed_area.geojson").read_text(encoding="utf-8"))
    assert written == closed_area()
    ring = shapely.geometry.shape(written["features"][0]["geometry"])
    assert ring.is_valid
    assert ring.exterior.is_ccw  # RFC 7946, section 3.1.6
    plane, coast = shore
    area = plane.to_plane(ring)
    assert area.intersection(coast).area < 0.02 * area.area  # an islet at most
    assert 10e6 < area.area < 100e6
    assert not ring.contains(shapely.Point(*SEA_BUOY))


def test_a_folder_with_a_trip_file_is_left_alone(folder):
    before = (folder / "trip.toml").read_text(encoding="utf-8")
    with pytest.raises(TripError, match=r"trip\.toml is already there"):
        write_builtin_files(folder)
    assert (folder / "trip.toml").read_text(encoding="utf-8") == before


def test_truth_can_be_kept_in_a_file(truth, tmp_path):
    path = write_truth(truth, tmp_path / "truth.nc")
    with xr.open_datatree(path) as again:
        xr.testing.assert_identical(again.load(), truth)
    assert list(tmp_path.iterdir()) == [path]


def test_a_sea_can_be_seen_worse():
    """Coarser currents are smoother, cloudier pictures emptier; the truth behind them is the same."""
    worse = Sight(least_cover=0.8, most_cover=0.9, current_blur=12e3, current_shift=8e3)
    (seen, truth), (dim, same) = (
        make_builtin_sea(seed=5, particles=200, sight=sight) for sight in (Sight(), worse)
    )
    assert np.array_equal(truth["floating"]["lon"].values, same["floating"]["lon"].values, equal_nan=True)
    clear, dimmed = (np.isfinite(sea["temperature"]["sst"].values).mean() for sea in (seen, dim))
    assert dimmed < 0.5 * clear
    bend, softened = (np.nanstd(np.diff(sea["currents"]["u"].values, 2, axis=1)) for sea in (seen, dim))
    assert softened < 0.7 * bend
