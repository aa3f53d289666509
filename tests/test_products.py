"""Public products one by one: each from a small file that imitates it, and real ones where they are at hand.

What must come out is worked out from the counts by hand, from an analytic field, or by another library.
"""

from __future__ import annotations

import tempfile
from pathlib import Path

import netCDF4
import numpy as np
import pytest
import source_files as files
import xarray as xr
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import CRS, Proj
from scipy.interpolate import griddata

from searcher.errors import SourceError
from searcher.geo import Region
from searcher.sea import check_sea
from searcher.sources import load_sea
from searcher.sources.fields import align_fields
from searcher.sources.files import read_fields, survey_file

SHELF = Path(__file__).parents[1] / "fixtures" / "shelf_model_20091119.nc"
REGION = Region(152.75, -30.75, 154.25, -29.75)
DAY = files.DAY.astype("datetime64[ns]")


def read(path, region=REGION, *, min_quality=5, **options) -> dict:
    """Every field of one file over a region: (node, name) -> (values on (time, lat, lon), the field)."""
    fields, problems, _ = survey_file(Path(path), region, **options)
    if problems:
        raise SourceError.of_problems("file", problems)
    found = {}
    for field in fields:
        steps = np.arange(1 if field.times is None else field.times.size)
        (values,) = read_fields(field.path, [(field, steps)], min_quality=min_quality)
        found[field.choice.node, field.choice.rank, field.name] = (values, field)
    return {(node, name): one for (node, _, name), one in sorted(found.items(), reverse=True)}


def temperature(lon, lat):
    """°C, within 15–25, smooth on a scale of half a degree."""
    return 20.0 + 3.0 * np.sin(2.0 * np.asarray(lon)) * np.cos(1.5 * np.asarray(lat))


def east(lon, lat):
    return 0.5 * np.cos(1.5 * np.asarray(lon)) + 0.2 * np.sin(0.8 * np.asarray(lat))


def north(lon, lat):
    return 0.4 * np.sin(1.1 * np.asarray(lat)) - 0.2 * np.cos(0.7 * np.asarray(lon))


def places(field) -> tuple[np.ndarray, np.ndarray]:
    return np.meshgrid(field.lon.values, field.lat.values)


def turned_grid(rows=60, columns=70, *, turn=0.0, bend=0.3, centre=(153.5, -30.25), step=0.04):
    """(longitudes, latitudes, angle from east to columns) of a grid that turns by `bend` radians across; its
    rows and columns cross at right angles on the ellipsoid only where the bend is small."""
    j, i = np.meshgrid(np.arange(rows) - rows / 2, np.arange(columns) - columns / 2, indexing="ij")
    radius = columns * step / max(bend, 1e-3)
    if bend > 1e-3:
        around, out = i * step / radius, radius + j * step
        x, y = out * np.sin(around), out * np.cos(around) - radius
    else:
        around, x, y = np.zeros(i.shape), i * step, j * step
    squeeze = np.cos(np.radians(centre[1]))
    lon = centre[0] + (x * np.cos(turn) - y * np.sin(turn)) / squeeze
    lat = centre[1] + x * np.sin(turn) + y * np.cos(turn)
    return lon, lat, turn - around


# ---- curvilinear models ----------------------------------------------------------------------------------


def test_rtofs(tmp_path):
    """2-D places from 74 to 434, counted axes lettered X and Y, a layer, velocities east and north."""
    lon, lat, _ = turned_grid(turn=0.2, centre=(290.0, 35.0))
    dry = np.zeros(lon.shape, bool)
    dry[20:25, 30:40] = True
    temp = np.where(dry, np.nan, temperature(lon, lat))
    path = files.rtofs(tmp_path / "a.nc", temp=temp, u=east(lon, lat), v=north(lon, lat), lon=lon, lat=lat)
    region = Region(-70.6, 34.5, -69.4, 35.5)
    got = read(path, region)
    for key, truth in (
        (("currents", "u"), east),
        (("currents", "v"), north),
        (("temperature", "sst"), temperature),
    ):
        values, field = got[key]
        x, y = places(field)
        assert field.times == [DAY]
        assert (field.lon.values > -72).all()
        assert (field.lon.values < -68).all()
        error = np.abs(values[0] - truth(x + 360.0, y))
        assert (
            np.nanmax(error) < 0.04**2 / 8 * 2 * 20
        )  # h²/8 Σ|f''|, at most 3·2² + 3·1.5² °C per square degree
        assert np.isfinite(values).mean() > (0.9 if key[0] == "currents" else 0.8)
    hole, field = got["temperature", "sst"]
    assert np.isnan(hole).any()
    check_sea(load_sea(region, sources=[path]))


def test_rtofs_over_its_seam(tmp_path):
    """The model's columns begin at 74.16° E: a region off the Indian coast needs the last and the first."""
    lon, lat = np.meshgrid(74.16 + 0.5 * np.arange(720), np.arange(8.0, 18.1, 0.5))
    temp, u = 20.0 + 5.0 * np.sin(np.radians(lon)), np.cos(np.radians(lon))
    path = files.rtofs(tmp_path / "a.nc", temp=temp, u=u, v=-u, lon=lon, lat=lat)
    got = read(path, Region(71.0, 11.0, 77.0, 15.0))
    values, field = got["temperature", "sst"]
    x, _ = places(field)
    assert np.isfinite(values).all()
    assert field.lon.values[0] < 71.0
    assert field.lon.values[-1] > 77.0
    np.testing.assert_allclose(values[0], 20.0 + 5.0 * np.sin(np.radians(x)), atol=2e-4)
    read_cells = len(range(*field.sheet.rows[0].indices(21))) * sum(
        len(range(*run.indices(720))) for run in field.sheet.columns
    )
    assert read_cells < 21 * 25


def test_a_seam_stored_twice_on_a_curvilinear_grid(tmp_path):
    """The NEMO model repeats its first two columns at the end."""
    lon, lat = np.meshgrid(72.5 + 0.5 * np.arange(722), np.arange(8.0, 18.1, 0.5))
    temp = 20.0 + 5.0 * np.sin(np.radians(lon))
    path = files.rtofs(tmp_path / "a.nc", temp=temp, u=temp / 100, v=temp / 100, lon=lon, lat=lat)
    values, field = read(path, Region(70.0, 11.0, 76.0, 15.0))["temperature", "sst"]
    assert np.isfinite(values).all()
    np.testing.assert_allclose(values[0], 20.0 + 5.0 * np.sin(np.radians(places(field)[0])), atol=2e-4)


@pytest.mark.parametrize("degrees", [False, True])
@pytest.mark.parametrize("own_places", [True, False])
def test_roms(tmp_path, degrees, own_places):
    """Staggered components along a turned grid come out east and north; with their own places and angle in
    radians as the model writes it, or with those of the rho nodes alone."""
    lon, lat, angle = turned_grid(turn=0.6)
    path = files.roms(
        tmp_path / "a.nc",
        lon,
        lat,
        temp=temperature,
        east=east,
        north=north,
        angle=angle,
        degrees=degrees,
        own_places=own_places,
    )
    got = read(path)
    assert {key[0] for key in got} == {"temperature", "currents"}
    for key, truth in (
        (("currents", "u"), east),
        (("currents", "v"), north),
        (("temperature", "sst"), temperature),
    ):
        values, field = got[key]
        assert np.isfinite(values).all()
        # steps of 0.04 to 0.05°; f'' at most 1.1 (current) and 19 (temperature) per square degree
        np.testing.assert_allclose(
            values[0], truth(*places(field)), atol=1e-3 if key[0] == "currents" else 6e-3
        )
    u, v = got["currents", "u"][1], got["currents", "v"][1]
    np.testing.assert_array_equal(u.lon.values, v.lon.values)
    np.testing.assert_array_equal(u.lat.values, v.lat.values)
    check_sea(load_sea(REGION, sources=[path]))


def test_a_uniform_eastward_flow_on_roms_is_exact(tmp_path):
    lon, lat, angle = turned_grid(turn=0.9, bend=0.0)
    path = files.roms(
        tmp_path / "a.nc",
        lon,
        lat,
        temp=temperature,
        east=lambda x, _: 0.0 * x + 1.25,
        north=lambda x, _: 0.0 * x,
        angle=angle,
    )
    got = read(path)
    np.testing.assert_allclose(got["currents", "u"][0], 1.25, atol=1e-6)
    np.testing.assert_allclose(got["currents", "v"][0], 0.0, atol=1e-6)


def test_roms_is_of_second_order(tmp_path):
    """Half the step, a quarter of the error, in place and in direction together."""
    errors = []
    for times in (1, 2, 4):
        lon, lat, angle = turned_grid(40 * times + 1, 40 * times + 1, turn=0.6, step=0.08 / times)
        path = files.roms(
            tmp_path / f"{times}.nc", lon, lat, temp=temperature, east=east, north=north, angle=angle
        )
        values, field = read(path)["currents", "u"]
        errors.append(np.nanmax(np.abs(values[0] - east(*places(field)))))
    assert errors[0] / errors[1] > 3.2
    assert errors[1] / errors[2] > 3.2


def test_land_of_roms_is_land(tmp_path):
    """With a mask of the rho nodes alone: no value within a cell of land, none of the zeros on land."""
    lon, lat, angle = turned_grid(turn=0.3)
    mask = np.ones(lon.shape)
    mask[25:32, 30:42] = 0.0

    def flow(x, _):
        return 0.0 * x + 0.7

    path = files.roms(
        tmp_path / "a.nc", lon, lat, temp=temperature, east=flow, north=flow, angle=angle, mask=mask
    )
    with netCDF4.Dataset(path, "a") as data:
        data["temp"][:] = np.where(mask > 0, data["temp"][:], 0.0)
        wet = (mask[:, 1:] * mask[:, :-1]) > 0
        data["u"][:] = np.where(wet, data["u"][:], 0.0)
    got = read(path)
    values, field = got["temperature", "sst"]
    x, y = places(field)
    assert np.isnan(values).any()
    assert np.nanmin(values) > 15.0
    squeeze = np.cos(np.radians(30.0))
    apart = np.hypot((x[..., None] - lon[mask == 0]) * squeeze, y[..., None] - lat[mask == 0]).min(axis=-1)
    assert np.isnan(values[0][apart < 0.02]).all()
    assert np.isfinite(values[0][apart > 0.06]).all()
    np.testing.assert_allclose(got["currents", "u"][0][np.isfinite(got["currents", "u"][0])], 0.7, atol=1e-3)


def test_the_shelf_model_against_griddata():
    """A real model surface: temperature and turned currents by another way, averaged to the middles of cells,
    turned there, then triangulated and interpolated by scipy."""
    region = Region(-89.6, 28.7, -89.0, 29.2)
    got = read(SHELF, region)
    with netCDF4.Dataset(SHELF) as data:
        raw = {name: np.ma.filled(data[name][...].astype(float), np.nan) for name in data.variables}
    wet = raw["mask_rho"] > 0
    u, v = (np.full((2, *wet.shape), np.nan) for _ in range(2))
    u[:, :, 1:-1] = (raw["u"][:, :, 1:] + raw["u"][:, :, :-1]) / 2
    v[:, 1:-1] = (raw["v"][:, 1:] + raw["v"][:, :-1]) / 2
    turned = (u + 1j * v) * np.exp(1j * raw["angle"])
    squeeze = np.cos(np.radians(29.0))
    centre = region.centre
    near = (np.abs(raw["lon_rho"] - centre.lon) < 0.5) & (np.abs(raw["lat_rho"] - centre.lat) < 0.5)
    for (node, name), theirs in {
        ("temperature", "sst"): raw["temp"],
        ("currents", "u"): turned.real,
        ("currents", "v"): turned.imag,
        ("height", "sla"): raw["zeta"],
    }.items():
        values, field = got[node, name]
        x, y = places(field)
        for time in range(2):
            good = wet & near & np.isfinite(theirs[time])
            points = np.stack([raw["lon_rho"][good] * squeeze, raw["lat_rho"][good]], 1)
            expected = griddata(points, theirs[time][good], (x * squeeze, y))
            error = np.abs(values[time] - expected)
            spread = np.nanstd(expected)
            assert np.isfinite(error).mean() > 0.5
            assert np.sqrt(np.nanmean(error**2)) < (0.12 if node == "currents" else 0.08) * spread
            assert np.nanpercentile(error, 99) < 0.35 * spread
    depth, field = got["depth", "depth"]
    assert np.nanmin(depth) >= 5.0
    assert np.nanmax(depth) > 100.0
    assert got["currents", "u"][1].times.tolist() == [
        np.datetime64("2009-11-19T12:00", "ns").astype(int),
        np.datetime64("2009-11-19T16:00", "ns").astype(int),
    ]
    sea = load_sea(region, sources=[SHELF])
    assert set(sea.children) >= {"temperature", "currents", "height", "depth"}


def test_components_of_unknown_direction(tmp_path):
    """On a turned grid "u" may be east or along the grid: it is asked, not guessed. On a straight one, no
    matter."""
    for turn, fine in ((0.0, True), (0.4, False)):
        lon, lat, _ = turned_grid(bend=0.0, turn=turn)
        path = files.rtofs(
            tmp_path / f"{turn}.nc",
            temp=temperature(lon, lat),
            u=east(lon, lat),
            v=north(lon, lat),
            lon=lon,
            lat=lat,
        )
        with netCDF4.Dataset(path, "a") as data:
            for name in ("u_velocity", "v_velocity"):
                data[name].delncattr("standard_name")
        if fine:
            values, field = read(path)["currents", "u"]
            np.testing.assert_allclose(values[0], east(*places(field)), atol=1e-3)
            continue
        with pytest.raises(
            SourceError, match="u_velocity: along east and north, or along its own turned grid"
        ):
            read(path)
        with netCDF4.Dataset(path, "a") as data:
            data["u_velocity"].standard_name = "sea_water_x_velocity"
            data["v_velocity"].standard_name = "sea_water_y_velocity"
        values, field = read(path)["currents", "u"]
        x, y = places(field)
        expected = east(x, y) * np.cos(turn) - north(x, y) * np.sin(turn)
        np.testing.assert_allclose(
            values[0], expected, atol=4e-3
        )  # degrees of latitude are not all one length


def test_half_a_vector_along_a_grid(tmp_path):
    lon, lat, angle = turned_grid(turn=0.6)
    path = files.roms(tmp_path / "a.nc", lon, lat, temp=temperature, east=east, north=north, angle=angle)
    with netCDF4.Dataset(path, "a") as data:
        data.renameVariable("v", "w")
    with pytest.raises(SourceError, match=r"u lies along its own grid, .* Put both components into one file"):
        read(path)


def test_places_that_are_no_degrees(tmp_path):
    """An idealised basin in metres."""
    lon, lat, angle = turned_grid(turn=0.6)
    path = files.roms(tmp_path / "a.nc", lon, lat, temp=temperature, east=east, north=north, angle=angle)
    with netCDF4.Dataset(path, "a") as data:
        data["lat_rho"][:] = 1000.0 * data["lat_rho"][:]
    with pytest.raises(SourceError, match=r"lat_rho runs from -.* expected degrees"):
        read(path)


def test_a_curvilinear_grid_elsewhere(tmp_path):
    lon, lat, angle = turned_grid()
    path = files.roms(tmp_path / "a.nc", lon, lat, temp=temperature, east=east, north=north, angle=angle)
    _, field = read_box(path, Region(10.0, 40.0, 12.0, 42.0))
    assert field.lat is None
    assert field.box.west == pytest.approx(lon.min())
    with pytest.raises(SourceError, match="lies outside the data: model temperature at the surface"):
        load_sea(Region(10.0, 40.0, 12.0, 42.0), sources=[path])


def read_box(path, region):
    fields, problems, _ = survey_file(Path(path), region)
    assert problems == []
    return problems, fields[0]


# ---- projected grids -------------------------------------------------------------------------------------

POLAR = CRS.from_epsg(3413)


def polar_grid(step=10e3, units=1.0):
    """Axes in metres around 152°... of a north polar map: Norwegian Sea, about 5° E 66° N."""
    x0, y0 = Proj(POLAR)(5.0, 66.0)
    x = x0 + step * np.arange(-30, 31)
    y = y0 - step * np.arange(-30, 31)  # downwards, as pictures are
    return x / units, y / units, Proj(POLAR)(*np.meshgrid(x, y), inverse=True)


@pytest.mark.parametrize("units", ["m", "km"])
def test_velocities_along_a_polar_stereographic_map(tmp_path, units):
    """Components along x and y of a field known in east and north, by pyproj's own convergence."""
    x, y, (lon, lat) = polar_grid(units=1000.0 if units == "km" else 1.0)
    turn = np.radians(-Proj(POLAR).get_factors(lon, lat).meridian_convergence)
    turn *= np.sign(turn.mean()) * np.sign(
        -np.radians(lon.mean() + 45.0)
    )  # x lies -(45° + longitude) from east
    e, n = 0.5 + 0.02 * (lat - 66.0), 0.3 - 0.02 * (lon - 5.0)
    along = {
        "u": (
            e * np.cos(turn) + n * np.sin(turn),
            {"standard_name": "sea_water_x_velocity", "units": "m s-1"},
        ),
        "v": (
            n * np.cos(turn) - e * np.sin(turn),
            {"standard_name": "sea_water_y_velocity", "units": "m s-1"},
        ),
        "sst": (
            8.0 + 0.1 * lon + 0.2 * (lat - 66.0),
            {"standard_name": "sea_surface_temperature", "units": "degC"},
        ),
    }
    path = files.projected(tmp_path / "a.nc", POLAR, x, y, along, units=units)
    got = read(path, Region(3.0, 65.2, 7.0, 66.8))
    for key, truth in (
        (("currents", "u"), lambda _, y: 0.5 + 0.02 * (y - 66.0)),
        (("currents", "v"), lambda x, _: 0.3 - 0.02 * (x - 5.0)),
        (("temperature", "sst"), lambda x, y: 8.0 + 0.1 * x + 0.2 * (y - 66.0)),
    ):
        values, field = got[key]
        assert np.isfinite(values).all()
        np.testing.assert_allclose(values[0], truth(*places(field)), atol=2e-4)
        assert field.lat.step * 111.5e3 == pytest.approx(10e3, rel=0.1)
    sheet = got["temperature", "sst"][1].sheet
    rows, columns = (
        sum(len(range(*run.indices(61))) for run in runs) for runs in (sheet.rows, sheet.columns)
    )
    assert rows < 40
    assert columns < 40


def test_a_geostationary_picture(tmp_path):
    """GOES-R: axes are scanning angles in radians, temperature in unsigned shorts, kelvin, and a flag."""
    crs = CRS.from_cf(
        {
            "grid_mapping_name": "geostationary",
            "perspective_point_height": 35786023.0,
            "semi_major_axis": 6378137.0,
            "semi_minor_axis": 6356752.31414,
            "longitude_of_projection_origin": -75.0,
            "latitude_of_projection_origin": 0.0,
            "sweep_angle_axis": "x",
        }
    )
    height = 35786023.0
    x0, y0 = Proj(crs)(-74.0, 36.0)
    x, y = x0 / height + 56e-6 * np.arange(-80, 81), y0 / height - 56e-6 * np.arange(-80, 81)
    lon, lat = Proj(crs)(*np.meshgrid(x * height, y * height), inverse=True)
    kelvin = 290.0 + lon + 75.0 + 0.5 * (lat - 36.0)
    counts = np.round((kelvin - 180.0) / 0.00244163).astype("u2").view("i2")
    about = {
        "standard_name": "sea_surface_skin_temperature",
        "units": "K",
        "scale_factor": np.float32(0.00244163),
        "add_offset": np.float32(180.0),
        "_Unsigned": "true",
        "_FillValue": np.int16(-1),
        "valid_range": np.array([0, -6], "i2"),
        "ancillary_variables": "DQF",
    }
    flag = np.zeros(lon.shape, "i1")
    flag[:, :40] = 1
    quality = {
        "flag_values": np.array([0, 1, 2, 3], "i1"),
        "flag_meanings": "good_quality_qf degraded_quality_qf severely_degraded_quality_qf "
        "invalid_due_to_unprocessed_qf",
    }
    path = files.projected(
        tmp_path / "a.nc", crs, x, y, {"SST": (counts, about), "DQF": (flag, quality)}, units="rad"
    )
    values, field = read(path, Region(-75.5, 35.0, -73.0, 37.0))["temperature", "sst"]
    x, y = places(field)
    expected = 290.0 + x + 75.0 + 0.5 * (y - 36.0) - 273.15
    np.testing.assert_allclose(values[0], np.where(np.isnan(values[0]), np.nan, expected), atol=5e-3)
    assert 0.5 < np.isfinite(values).mean() < 0.95
    assert np.isfinite(values[0, :, -5:]).all()
    assert np.isnan(values[0, :, 0]).all()


def test_a_map_nobody_knows(tmp_path):
    x, y, (lon, _) = polar_grid()
    about = {"standard_name": "sea_surface_temperature", "units": "degC"}
    path = files.projected(tmp_path / "a.nc", POLAR, x, y, {"sst": (lon, about)})
    with netCDF4.Dataset(path, "a") as data:
        data["crs"].grid_mapping_name = "tea_tray"
    with pytest.raises(SourceError, match="sst: its grid mapping is not understood"):
        read(path, Region(3.0, 65.0, 7.0, 67.0))


# ---- staggered straight grids ----------------------------------------------------------------------------


def test_components_half_a_step_apart_on_straight_axes(tmp_path):
    """An Arakawa C grid of longitudes and latitudes: v is brought to where u is."""
    axes = {"time": files.time_axis(files.DAY, "1970-01-01T00:00:00", "seconds")}
    fields = {}
    for name, dx, dy, truth in (("u", 0.05, 0.0, east), ("v", 0.0, 0.05, north)):
        lon, lat = np.arange(152.0, 155.0, 0.1) + dx, np.arange(-31.5, -29.0, 0.1) + dy
        axes |= {f"lat_{name}": (lat, files.LAT_ATTRS), f"lon_{name}": (lon, files.LON_ATTRS)}
        axis = {"u": "east", "v": "north"}[name]
        about = {"units": "m s-1", "standard_name": f"{axis}ward_sea_water_velocity"}
        fields[name] = (("time", f"lat_{name}", f"lon_{name}"), truth(*np.meshgrid(lon, lat))[None], about)
    path = files.write(tmp_path / "a.nc", axes, fields)
    got = read(path)
    u, v = got["currents", "u"], got["currents", "v"]
    np.testing.assert_array_equal(u[1].lon.values, v[1].lon.values)
    np.testing.assert_allclose(u[0][0], east(*places(u[1])), atol=1e-6)
    assert np.isfinite(v[0][:, 1:-1, 1:-1]).all()
    np.testing.assert_allclose(
        v[0][0], np.where(np.isnan(v[0][0]), np.nan, north(*places(v[1]))), atol=0.1**2 / 8 * 0.5 * 2
    )
    sea = load_sea(REGION, sources=[path, files.mur(tmp_path / "b.nc")])
    assert sea["currents"]["v"].shape == sea["currents"]["u"].shape


@pytest.mark.parametrize("curved", [False, True])
def test_staggered_components_in_files_of_their_own(tmp_path, curved):
    """Eastward in one file, northward half a step beside it in another: brought to one grid."""
    found = []
    for name, shift, truth in (("u", 0.0, east), ("v", 0.02, north)):
        lon, lat, _ = turned_grid(bend=0.0, turn=0.0 if not curved else 0.4)
        lon, lat = lon + shift, lat + shift
        about = {
            "units": "m s-1",
            "standard_name": f"{'east' if name == 'u' else 'north'}ward_sea_water_velocity",
        }
        axes = {"time": files.time_axis(files.DAY, "1970-01-01T00:00:00", "seconds")}
        fields = {name: (("time", "lat", "lon"), truth(lon, lat)[None], about)}
        if curved:
            fields = {name: (("time", "j", "i"), truth(lon, lat)[None], about)}
            fields |= {"nav_lat": (("j", "i"), lat, {}), "nav_lon": (("j", "i"), lon, {})}
            axes |= {"j": (np.arange(lat.shape[0]), {}), "i": (np.arange(lat.shape[1]), {})}
        else:
            axes |= {"lat": (lat[:, 0], files.LAT_ATTRS), "lon": (lon[0], files.LON_ATTRS)}
        path = files.write(tmp_path / f"{name}.nc", axes, fields)
        found += survey_file(path, REGION)[0]
    u, v = align_fields(found)
    np.testing.assert_array_equal(u.lon.values, v.lon.values)
    np.testing.assert_array_equal(u.lat.values, v.lat.values)
    for field, truth in ((u, east), (v, north)):
        (values,) = read_fields(field.path, [(field, np.array([0]))], min_quality=5)
        inside = values[0, 1:-1, 1:-1]
        assert np.isfinite(inside).all()
        np.testing.assert_allclose(inside, truth(*places(field))[1:-1, 1:-1], atol=1e-3)
    assert "interpolated bilinearly from a" in v.history
    again = align_fields([u, v])
    assert again[0] is u
    assert again[1] is v


# ---- pictures and waves as they are served ----------------------------------------------------------------


def test_mur_as_griddap_serves_it(tmp_path):
    """The same counts in kelvin from the archive, and as doubles in degree_C from a griddap server."""
    archive = read(files.mur(tmp_path / "a.nc", 1000))["temperature", "sst"][0]
    about = {"units": "degree_C", "standard_name": "sea_surface_foundation_temperature", "_FillValue": -7.768}
    served = read(files.plain(tmp_path / "b.nc", "analysed_sst", 26.0, about, dtype="f8"))[
        "temperature", "sst"
    ][0]
    np.testing.assert_allclose(served, archive, atol=2e-6)


def test_hourly_pictures_of_a_geostationary_satellite(tmp_path):
    """ACSPO L3C every hour: only quality 5 counts unless less is asked, the bias is taken off."""
    quality = np.full((3, files.LAT.size, files.LON.size), 5)
    quality[1] = 4
    times = files.DAY + np.arange(3) * np.timedelta64(3600, "s")
    path = files.acspo(tmp_path / "a.nc", 2600, quality=quality, bias=25, times=times)
    values, field = read(path)["temperature", "sst"]
    assert field.times.size == 3
    np.testing.assert_array_equal(np.isnan(values).all(axis=(1, 2)), [False, True, False])
    assert np.nanmax(values) == pytest.approx(26.0 - 25 * 0.016, abs=1e-5)
    assert np.isfinite(read(path, min_quality=4)["temperature", "sst"][0]).all()


def test_waves_of_copernicus(tmp_path):
    """`VHM0` in packed shorts beside the periods and directions that are no heights."""
    path = files.plain(
        tmp_path / "a.nc",
        "VHM0",
        150,
        {
            "standard_name": "sea_surface_wave_significant_height",
            "units": "m",
            "scale_factor": 0.01,
            "add_offset": 0.0,
            "_FillValue": np.int16(-32767),
        },
        dtype="i2",
    )
    assert read(path)["waves", "hs"][0] == pytest.approx(1.5)


# ---- radar, colour, weed, flags --------------------------------------------------------------------------


def test_hf_radar(tmp_path):
    """Shorts in cm/s; suspect and failed values are left out, those that no test was made of are kept."""
    flag = np.ones((1, files.LAT.size, files.LON.size), "i1")
    flag[0, 2, 1:6] = 1, 2, 3, 4, 9
    got = read(files.hf_radar(tmp_path / "a.nc", flag=flag))
    values, field = got["currents", "u"]
    assert np.nanmax(values) == np.nanmin(values) == np.float32(0.25)
    row = values[0, np.flatnonzero(np.isclose(field.lat.values, files.LAT[2]))[0], :]
    at = np.searchsorted(field.lon.values, files.LON[1:6] - 1e-3)
    np.testing.assert_array_equal(np.isnan(row[at]), [False, False, True, True, True])
    metres = read(files.hf_radar(tmp_path / "b.nc", units="m s-1", scale=0.01))["currents", "v"][0]
    assert metres == pytest.approx(-0.25)


def test_chlorophyll_as_a_logarithm(tmp_path):
    """Units that say so, as UDUNITS writes them and as people do; and unsigned bytes as NASA's mapped files
    scaled them: 10 ** (0.015 · count - 2), count 255 missing."""
    for units in ("lg(re 1 mg m-3)", "log10(mg m^-3)", "log10(mg/m3)"):
        path = files.plain(tmp_path / "a.nc", "chlor_a", -1.0, {"units": units})
        assert read(path)["color", "chlor_a"][0] == pytest.approx(0.1)
    counts = np.full((1, files.LAT.size, files.LON.size), 100)
    counts[0, 2, 3] = 255
    about = {
        "units": "mg m^-3",
        "Scaling": "logarithmic",
        "Base": np.float32(10.0),
        "Slope": np.float32(0.015),
        "Intercept": np.float32(-2.0),
        "_FillValue": np.uint8(255),
    }
    path = files.plain(tmp_path / "b.nc", "chlor_a", counts, about, dtype="u1")
    values = read(path)["color", "chlor_a"][0]
    assert np.count_nonzero(np.isnan(values)) == 1
    assert np.nanmax(values) == pytest.approx(10 ** (0.015 * 100 - 2.0))
    with pytest.raises(SourceError, match=r"chlor_a: units; given 'log\(mg m-3\)'"):
        read(files.plain(tmp_path / "c.nc", "chlor_a", -1.0, {"units": "log(mg m-3)"}))


def test_floating_algae_index(tmp_path):
    about = {"units": "dl", "long_name": "Alternative Floating Algae Index", "_FillValue": np.float32(np.nan)}
    values = np.full((1, files.LAT.size, files.LON.size), 2.5e-4)
    values[0, 0:3] = np.nan
    got = read(files.plain(tmp_path / "a.nc", "AFAI", values, about))["weed", "weed"][0]
    assert np.nanmax(got) == pytest.approx(2.5e-4)
    assert np.isnan(got).any()


@pytest.mark.parametrize(
    ("dtype", "about", "good"),
    [
        ("i2", {"valid_min": np.int16(0), "valid_max": np.int16(4000), "scale_factor": 0.01}, [0, 4000]),
        ("i2", {"valid_range": np.array([0, 4000], "i2"), "scale_factor": 0.01}, [0, 4000]),
        (
            "i2",
            {"valid_range": np.array([0.0, 40.0]), "scale_factor": 0.01},
            [0, 4000],
        ),  # unpacked, as floats
        ("f4", {"valid_min": np.float32(-2.0), "valid_max": np.float32(40.0)}, [-2, 40]),
        ("f4", {"valid_max": np.float32(40.0)}, [-2.5, 40]),
        ("u1", {"valid_range": np.array([0, 250], "u1"), "scale_factor": 0.15}, [0, 250]),
        ("i1", {"valid_range": np.array([0, -6], "i1"), "scale_factor": 0.15, "_Unsigned": "true"}, [0, -6]),
    ],
)
def test_what_is_outside_the_valid_range_is_missing(tmp_path, dtype, about, good):
    """Against the netCDF library, which masks by the same rules where range and data are of one type."""
    beyond = {"i2": [-1, 4001], "f4": [-2.5, 41], "u1": [251, 254], "i1": [-5, -2]}[dtype]
    counts = np.full((1, files.LAT.size, files.LON.size), good[0])
    counts = counts.astype(dtype)
    counts[0, 3, 3], counts[0, 3, 4:6] = good[1], beyond
    path = files.plain(tmp_path / "a.nc", "sst", counts, {"units": "degC"} | about, dtype=dtype)
    values, field = read(path)["temperature", "sst"]
    y = int(np.argmin(np.abs(field.lat.values - files.LAT[3])))
    x = int(np.argmin(np.abs(field.lon.values - files.LON[3])))
    expected = [False, "valid_min" in about or "valid_range" in about, True]
    if dtype in ("u1", "i1"):
        expected = [False, True, True]
    np.testing.assert_array_equal(np.isnan(values[0, y, x : x + 3]), expected)
    if np.asarray(about.get("valid_range", counts)).dtype == counts.dtype and dtype != "i1":
        with netCDF4.Dataset(path) as data:
            np.testing.assert_array_equal(np.ma.getmaskarray(data["sst"][0, 3, 3:6]), expected)


def test_times_without_units_when_the_user_says_so(tmp_path):
    path = files.mur(tmp_path / "a.nc")
    with netCDF4.Dataset(path, "a") as data:
        data["time"][:] = 0
        data["time"].delncattr("units")
    with pytest.raises(SourceError, match=r"time: time without units.* say so with time_units"):
        read(path)
    _, field = read(path, time_units="days since 2026-01-17")["temperature", "sst"]
    assert field.times == [DAY]


def test_latitudes_of_a_mercator_map(tmp_path):
    """Rows evenly spaced on a Mercator map: the sea's are evenly spaced in degrees, the field is the same."""
    y = np.arange(
        np.arctanh(np.sin(np.radians(-34.0))), np.arctanh(np.sin(np.radians(-26.0))), np.radians(0.08)
    )
    lat = np.degrees(np.arcsin(np.tanh(y)))
    counts = np.round(1000.0 * (temperature(files.LON[None], lat[:, None]) - 25.0))[None]
    sources = [files.mur(tmp_path / "a.nc", counts, lat=lat), files.hycom(tmp_path / "b.nc")]
    sea = load_sea(Region(152.75, -33.0, 154.25, -27.0), sources=sources)["temperature"]
    assert np.ptp(np.diff(sea["lat"])) < 1e-9
    expected = temperature(sea["lon"].values[None], sea["lat"].values[:, None])
    np.testing.assert_allclose(sea["sst"].values[0], expected, atol=0.08**2 / 8 * 7 + 1e-3)


# ---- the same field on any grid --------------------------------------------------------------------------


def test_the_same_field_on_any_grid():
    """Turned, bent, mirrored, transposed, in other turns of longitude, packed or not: the same sea, to what
    linear interpolation leaves."""

    @given(
        turn=st.floats(-np.pi, np.pi),
        bend=st.floats(0.0, 0.6),
        mirror=st.booleans(),
        order=st.permutations(["time", "y", "x"]),
        around=st.sampled_from([-360.0, 0.0, 360.0]),
        units=st.sampled_from(["kelvin", "degree_C", "degF"]),
        packed=st.booleans(),
        names=st.sampled_from(
            [("lat", "lon"), ("latitude", "longitude"), ("nav_lat", "nav_lon"), ("lat_rho", "lon_rho")]
        ),
        bare=st.booleans(),
    )
    @settings(max_examples=25, deadline=None)
    def lay(turn, bend, mirror, order, around, units, packed, names, bare):
        lon, lat, _ = turned_grid(75, 80, turn=turn, bend=bend)
        if mirror:
            lon, lat = lon[:, ::-1], lat[:, ::-1]
        scale, shift = {"kelvin": (1.0, 273.15), "degF": (1.8, 32.0)}.get(units, (1.0, 0.0))
        numbers = temperature(lon, lat) * scale + shift
        about = {"units": units, "standard_name": "sea_surface_temperature"}
        if packed:
            about |= {
                "scale_factor": 0.001,
                "add_offset": shift + 20.0 * scale,
                "_FillValue": np.int16(-32768),
            }
            numbers = np.round((numbers - about["add_offset"]) / 0.001).astype("i2")
        said = [{}, {}] if bare else [{"units": "degrees_north"}, {"units": "degrees_east"}]
        flat = [axis for axis in order if axis != "time"]

        def dress(values):
            return values if flat == ["y", "x"] else values.T

        numbers = np.expand_dims(dress(numbers), order.index("time"))
        with tempfile.TemporaryDirectory() as folder:
            path = files.write(
                Path(folder) / "a.nc",
                {"time": files.time_axis(files.DAY, "2000-01-01T00:00:00", "hours")}
                | {axis: (np.arange(1.0, 1.0 + lon.shape["yx".index(axis)]), {}) for axis in "yx"},
                {
                    names[0]: (tuple(flat), dress(lat), said[0]),
                    names[1]: (tuple(flat), dress(lon + around), said[1]),
                    "warmth": (tuple(order), numbers, about),
                },
            )
            values, field = read(path)["temperature", "sst"]
        x, y = places(field)
        assert field.lon.values[0] <= REGION.west
        assert field.lat.values[-1] >= REGION.north
        assert np.isfinite(values).all()
        np.testing.assert_allclose(values[0], temperature(x, y), atol=7e-3)

    lay()


@pytest.mark.parametrize("product", ["rtofs", "roms"])
def test_a_curvilinear_sea_is_as_the_contract_says(tmp_path, product):
    lon, lat, angle = turned_grid(turn=0.3)
    if product == "rtofs":
        path = files.rtofs(
            tmp_path / "a.nc",
            temp=temperature(lon, lat),
            u=east(lon, lat),
            v=north(lon, lat),
            lon=lon,
            lat=lat,
        )
    else:
        path = files.roms(tmp_path / "a.nc", lon, lat, temp=temperature, east=east, north=north, angle=angle)
    sea = check_sea(load_sea(REGION, sources=[path]))
    for node in ("temperature", "currents"):
        data = sea[node].to_dataset()
        assert isinstance(data, xr.Dataset)
        assert data["lat"].values[0] <= REGION.south
        assert data["lon"].values[-1] >= REGION.east
