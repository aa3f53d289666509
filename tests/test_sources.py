"""Files in, a sea out: names, packing, axes, hours, regions, and what bad files get.

The oracles are the netCDF library's own unpacking (`netCDF4.Variable` with masks and scales on), xarray's
decoding, analytic fields, and the figures published with the products.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
import tracemalloc
import warnings
from pathlib import Path
from typing import NamedTuple

import netCDF4
import numpy as np
import pytest
import source_files as files
import xarray as xr
from hypothesis import given, settings
from hypothesis import strategies as st

from searcher.errors import NoData, SourceError
from searcher.geo import Region
from searcher.sea import NODES, check_sea, open_sea, save_sea
from searcher.sources import SourceWarning, check_cover, list_variables, load_sea
from searcher.sources.axes import cut_axis, even_steps, interpolate_axis
from searcher.sources.files import read_fields, survey_file
from searcher.sources.layers import keep_hours, keep_images
from searcher.sources.names import list_choices, read_names
from searcher.sources.opening import open_raw
from searcher.sources.unpack import UNITS, conversion, decode_times, unpack

FIXTURES = Path(__file__).parents[1] / "fixtures"
BLACK_SEA = (FIXTURES / "black_sea_sst_20160707.nc", FIXTURES / "black_sea_altimetry_20160707.nc")
REGION = Region(152.75, -30.75, 154.25, -29.75)
DAY = files.DAY.astype("datetime64[ns]")


class Window(NamedTuple):
    """Departure and return, UTC."""

    start: np.datetime64
    end: np.datetime64


class Sources(NamedTuple):
    """Files as a trip gives them."""

    files: tuple[Path, ...]
    max_age: float = 172800.0


def hours(*counts) -> np.ndarray:
    """DAY plus hours, datetime64[ns]."""
    return DAY + (np.array(counts) * 3600.0).astype("timedelta64[s]")


def window(start: float, end: float) -> Window:
    return Window(*hours(start, end))


def values(sea, node: str, name: str) -> np.ndarray:
    return sea[node][name].values


# ---- what must come out of the packed numbers ------------------------------------------------------------


def test_mur_count_1000_is_26_degrees(tmp_path):
    """298.15 + 1000 · 0.001 - 273.15 = 26.0 °C."""
    sea = load_sea(REGION, sources=[files.mur(tmp_path / "a.nc", 1000), files.hycom(tmp_path / "b.nc")])
    assert values(sea, "temperature", "sst") == pytest.approx(26.0, abs=2e-6)
    assert sea["temperature"]["sst"].dtype == np.float32
    assert sea["temperature"].attrs["kind"] == "sea surface temperature"


def test_hycom_6000_is_26_degrees_and_its_fill_is_missing(tmp_path):
    u = np.full((1, files.LAT.size, files.LON.size), 500)
    u[0, 3, 4] = -30000
    sea = load_sea(REGION, sources=[files.hycom(tmp_path / "a.nc", u=u, temp=6000)])
    assert values(sea, "temperature", "sst") == pytest.approx(26.0, abs=2e-6)
    current = sea["currents"]["u"]
    assert np.isnan(current.sel(lat=files.LAT[3], lon=files.LON[4]))
    assert np.count_nonzero(np.isnan(current)) == 1
    assert float(current.max()) == pytest.approx(0.5)


def test_copernicus_6826_is_26_degrees(tmp_path):
    sea = load_sea(REGION, sources=[files.copernicus(tmp_path / "a.nc", temp=6826)])
    assert values(sea, "temperature", "sst") == pytest.approx(26.00, abs=0.005)
    assert values(sea, "temperature", "sst") == pytest.approx(21 + 6826 * 0.0007324442, abs=2e-6)
    assert values(sea, "currents", "u") == pytest.approx(410 * 0.0006103702, abs=1e-6)


def test_longitude_285_is_75_west(tmp_path):
    lon, lat = np.arange(284.0, 287.1, 0.25), np.arange(34.0, 36.1, 0.25)
    path = files.hycom(tmp_path / "a.nc", lon=lon, lat=lat)
    west = load_sea(Region(-75.0, 34.5, -74.0, 35.5), sources=[path])["currents"]
    assert west["lon"].values[0] == pytest.approx(-75.25)
    assert -75.0 in west["lon"].values
    east = load_sea(Region(285.0, 34.5, 286.0, 35.5), sources=[path])["currents"]
    assert 285.0 in east["lon"].values
    np.testing.assert_array_equal(west["u"], east["u"])


def test_25_cm_per_second_is_a_quarter_metre(tmp_path):
    path = files.gfs(tmp_path / "a.nc", u=25.0, v=-25.0)
    with netCDF4.Dataset(path, "a") as data:
        for old, name, axis in (("ugrd10m", "u", "eastward"), ("vgrd10m", "v", "northward")):
            data.renameVariable(old, name)
            data[name].setncatts({"units": "cm s-1", "standard_name": f"surface_{axis}_sea_water_velocity"})
    sea = load_sea(REGION, sources=[path, files.mur(tmp_path / "b.nc")])
    assert values(sea, "currents", "u") == pytest.approx(0.25)
    assert values(sea, "currents", "v") == pytest.approx(-0.25)


@pytest.mark.parametrize(
    ("units", "expected", "value", "inside"),
    [
        ("kelvin", "degree_Celsius", 273.15, 0.0),  # BIPM SI brochure: t/°C = T/K - 273.15
        ("K", "degree_Celsius", 300.0, 26.85),
        ("degC", "degree_Celsius", 26.0, 26.0),
        ("degrees_C", "degree_Celsius", 26.0, 26.0),
        ("degree_Fahrenheit", "degree_Celsius", 212.0, 100.0),
        ("degF", "degree_Celsius", 32.0, 0.0),
        ("m/s", "m s-1", 1.0, 1.0),
        ("m.s-1", "m s-1", 1.0, 1.0),
        ("m s^-1", "m s-1", 1.0, 1.0),
        ("m s**-1", "m s-1", 1.0, 1.0),
        ("meter second-1", "m s-1", 1.0, 1.0),
        ("knots", "m s-1", 1.0, 1852 / 3600),  # NIST SP 811: a knot is a nautical mile per hour
        ("cm/s", "m s-1", 25.0, 0.25),
        ("mg m^-3", "mg m-3", 0.2, 0.2),
        ("kg m-3", "mg m-3", 2e-7, 0.2),
        ("feet", "m", 10.0, 3.048),
        ("cm", "m", 25.0, 0.25),
    ],
)
def test_units_are_converted(units, expected, value, inside):
    factor, offset = conversion(units, expected)
    assert factor * value + offset == pytest.approx(inside, abs=1e-9)


def test_unknown_units_are_not_guessed():
    assert conversion("degrees", "degree_Celsius") is None
    assert conversion("Pa", "m s-1") is None
    assert set(UNITS) == {units for node in NODES.values() for _, units, _, _ in node.values()}


# ---- against the netCDF library and xarray ---------------------------------------------------------------


def own_decoding(path: Path, name: str) -> np.ndarray:
    """Values as the netCDF library unpacks them, missing as NaN, float64."""
    with netCDF4.Dataset(path) as data:
        return np.ma.filled(data[name][...].astype(np.float64), np.nan)


def test_black_sea_against_the_netcdf_library():
    """Real files, whole: nothing but the kelvin is changed, whatever the region's margin."""
    sea = load_sea(Region(34.5, 42.6, 40.4, 45.4), sources=BLACK_SEA, margin=50_000.0)
    assert set(sea.children) == {"temperature", "currents", "height"}
    sst = own_decoding(BLACK_SEA[0], "analysed_sst") - 273.15
    np.testing.assert_allclose(values(sea, "temperature", "sst"), sst, atol=2e-5)  # theirs steps by 3e-5 K
    for name, variable in (("u", "ugos"), ("v", "vgos")):
        np.testing.assert_allclose(
            values(sea, "currents", name), own_decoding(BLACK_SEA[1], variable), atol=1e-7
        )
    np.testing.assert_allclose(values(sea, "height", "sla"), own_decoding(BLACK_SEA[1], "sla"), atol=1e-7)
    assert sea["temperature"]["time"].values == [np.datetime64("2016-07-07")]
    assert sea["currents"]["time"].values == [np.datetime64("2016-07-07")]
    assert sea["currents"].attrs["kind"] == "geostrophic current"


def test_black_sea_says_where_it_comes_from():
    sea = load_sea(Region(36.0, 43.5, 38.0, 44.5), sources=BLACK_SEA)
    about = sea["temperature"].attrs
    assert about["source"].startswith("Black Sea SST Analysis, L4")
    assert "Copernicus Marine Service and CNR - ISAC ROME" in about["credit"]
    assert "marine.copernicus.eu" in about["license"]
    assert about["files"] == "black_sea_sst_20160707.nc"
    assert about["covered"] == 1.0


KELVIN = {"analysed_sst": ("temperature", "sst", -273.15)}
PRODUCTS = {
    "mur": (files.mur, {"counts": (-2000, 5000)}, KELVIN),
    "ostia": (files.ostia, {"counts": (1500, 3000)}, KELVIN),
    "hycom": (
        files.hycom,
        {"u": (-2000, 2000), "v": (-2000, 2000), "temp": (-2000, 9000)},
        {
            "water_temp": ("temperature", "sst", 0),
            "water_u": ("currents", "u", 0),
            "water_v": ("currents", "v", 0),
        },
    ),
    "copernicus": (
        files.copernicus,
        {"u": (-2000, 2000), "v": (-2000, 2000), "temp": (-2000, 9000)},
        {"thetao": ("temperature", "sst", 0), "uo": ("currents", "u", 0), "vo": ("currents", "v", 0)},
    ),
}


@pytest.mark.parametrize("product", PRODUCTS)
def test_products_against_xarray(tmp_path, product):
    """Random counts through xarray's own decoding, and through ours."""
    maker, ranges, pairs = PRODUCTS[product]
    rng = np.random.default_rng(7)
    shape = (1, files.LAT.size, files.LON.size)
    path = maker(tmp_path / "a.nc", **{name: rng.integers(*ends, shape) for name, ends in ranges.items()})
    sea = load_sea(REGION, sources=[path] if "u" in ranges else [path, files.oscar(tmp_path / "b.nc")])
    with xr.open_dataset(path) as data:
        data = data.rename({"latitude": "lat", "longitude": "lon"} if "latitude" in data.dims else {})
        data = data.isel(depth=0) if "depth" in data.dims else data
        for variable, (node, name, offset) in pairs.items():
            ours = sea[node][name]
            theirs = data[variable].sel(lat=ours["lat"], lon=ours["lon"], method="nearest")
            assert ours.size == 7 * 9
            np.testing.assert_allclose(ours, theirs + offset, atol=1e-5)


@pytest.mark.parametrize(
    ("dtype", "attrs"),
    [
        ("i2", {"scale_factor": 0.01, "add_offset": 5.0, "_FillValue": np.int16(-32768)}),
        ("u1", {"scale_factor": 0.5, "_FillValue": np.uint8(255)}),
        ("i4", {"scale_factor": 1e-4, "_FillValue": np.int32(-2147483647)}),
        ("f4", {"_FillValue": np.float32(1e20)}),
        ("f8", {"missing_value": -999.0}),
        ("f4", {"_FillValue": np.float32(np.nan), "missing_value": np.float32(-9e33)}),
        ("i2", {"scale_factor": 0.001, "missing_value": np.int16(-30000)}),
    ],
)
def test_unpack_against_xarray(dtype, attrs):
    rng = np.random.default_rng(3)
    numbers = rng.integers(0, 200, 60).astype(dtype)
    for at, key in ((5, "_FillValue"), (9, "missing_value")):
        if key in attrs:
            numbers[at] = attrs[key]
    packed = xr.Variable(("x",), numbers, attrs)
    expected = xr.decode_cf(xr.Dataset({"a": packed}))["a"].values
    found = unpack(numbers, attrs)
    assert found.dtype == np.float32
    assert np.isnan(found).any()
    np.testing.assert_allclose(found, expected, rtol=1e-6)


def test_what_was_never_written_is_missing():
    """Without a `_FillValue` the netCDF library's default fill stands for missing."""
    numbers = np.array([1.0, netCDF4.default_fillvals["f4"]], "f4")
    np.testing.assert_array_equal(unpack(numbers, {}), [1.0, np.nan])


def test_a_missing_value_that_cannot_occur_is_harmless():
    numbers = np.array([1, 2], "i2")
    np.testing.assert_array_equal(unpack(numbers, {"missing_value": np.float32(np.nan)}), [1.0, 2.0])
    np.testing.assert_array_equal(unpack(numbers, {"missing_value": 1e20}), [1.0, 2.0])


def test_unsigned_bytes_in_signed_disguise():
    """The netCDF Best Practices attribute `_Unsigned`."""
    np.testing.assert_array_equal(
        unpack(np.array([-1, -2, 3], "i1"), {"_Unsigned": "true", "_FillValue": np.int8(-1)}),
        [np.nan, 254.0, 3.0],
    )


@pytest.mark.parametrize(
    ("unit", "start", "dtype"),
    [
        ("days", "1950-01-01T00:00:00", "f4"),
        ("days", "1990-01-01T00:00:00", "f8"),
        ("hours", "1950-01-01T00:00:00", "f4"),
        ("hours", "2000-01-01T00:00:00", "f8"),
        ("seconds", "1981-01-01T00:00:00", "i4"),
        ("seconds", "1970-01-01T00:00:00", "f8"),
    ],
)
def test_times_of_every_product(unit, start, dtype):
    times = hours(0, 24, 48)
    numbers, attrs = files.time_axis(times, start, unit, dtype)
    found = decode_times(xr.DataArray(numbers, dims="time", name="time", attrs=attrs))
    assert found.dtype == np.dtype("datetime64[ns]")
    np.testing.assert_array_equal(found, times)


@given(st.integers(0, 86_399))
@settings(max_examples=50, deadline=None)
def test_times_in_days_come_back_to_the_second(second):
    """A second is 1.2e-5 of a day, and no binary fraction of it."""
    times = DAY + np.array([second]).astype("timedelta64[s]")
    numbers, attrs = files.time_axis(times, "1950-01-01T00:00:00", "days")
    np.testing.assert_array_equal(decode_times(xr.DataArray(numbers, dims="t", name="t", attrs=attrs)), times)


def test_times_that_cannot_be_read():
    time = xr.DataArray(np.array([0.0, 1.0]), dims="time", name="time")
    with pytest.raises(SourceError, match="time: time without units; expected 'hours since"):
        decode_times(time)
    with pytest.raises(SourceError, match="time: time cannot be read"):
        decode_times(time.assign_attrs(units="parsecs since 2000-01-01"))
    for reference in ("17-01-01", "05-01-2026", "01/16/2026", "16 1 2026"):
        with pytest.raises(
            SourceError, match=f"date of the reference; given '.*{reference}'; expected the year first"
        ):
            decode_times(time.assign_attrs(units=f"days since {reference}"))
    for calendar in ("360_day", "noleap", "all_leap", "julian"):
        with pytest.raises(
            SourceError, match=f"time: calendar; given '{calendar}'; expected one of standard"
        ):
            decode_times((time + 59).assign_attrs(units="days since 2001-01-01", calendar=calendar))


@pytest.mark.parametrize("calendar", ["standard", "gregorian", "proleptic_gregorian", "Gregorian"])
@pytest.mark.parametrize(
    ("units", "number"),
    [
        ("hours since 2026-01-17 10:00:00 +10:00", 0.0),  # CF conventions 1.11, section 4.4: a time zone
        ("hours since 2026-1-16 18:0:0 -6:00", 0.0),
        ("hours since 2026-01-17T05:30:00+05:30", 0.0),
        ("hours since 2026-01-16 00:00:00 UTC", 24.0),
        ("hours since 2026-01-17 10:00:00 UTC+10", 0.0),
        ("hours since 2026-01-16 21:00 GMT -3", 0.0),
        ("hours since 2026-01-17T05:30:00Z+05:30", 0.0),
        ("days since 1900-12-31 00:00:00", 45673.0),  # as the HYCOM model counts
        ("seconds since 1970-01-01T00:00:00Z", 1768608000.0),
    ],
)
def test_times_with_zones_and_calendars(units, number, calendar):
    """2026-01-17 00:00 UTC; day and second counts by Python's own `datetime`."""
    time = xr.DataArray(
        np.array([number]), dims="time", name="time", attrs={"units": units, "calendar": calendar}
    )
    np.testing.assert_array_equal(decode_times(time), [DAY])


@pytest.mark.parametrize("zone", ["EST", "AEDT", "local"])
def test_a_zone_that_goes_by_a_name_is_refused(zone):
    about = {"units": f"hours since 2026-01-16 00:00 {zone}"}
    time = xr.DataArray(np.array([3.0]), dims="time", name="time", attrs=about)
    with pytest.raises(
        SourceError, match=f"time: time zone of the reference; given '.* {zone}'; expected UTC"
    ):
        decode_times(time)


@pytest.mark.parametrize(("methods", "shift"), [("time: mean", 12), ("", 12), ("time: point", 0)])
def test_a_mean_over_a_span_stands_at_its_middle(tmp_path, methods, shift):
    """CF conventions 1.11, sections 7.1 and 7.3: a daily mean stamped at the start of its day."""
    path = files.oscar(tmp_path / "b.nc", u=0.5)
    with netCDF4.Dataset(path, "a") as data:
        time = data["time"]
        day = {"days": 1.0, "hours": 24.0, "seconds": 86400.0}[time.units.split()[0]]
        data.createDimension("nv", 2)
        data.createVariable("time_bnds", "f8", ("time", "nv"))[:] = np.array([[0.0, day]]) + time[:][:, None]
        time.bounds = "time_bnds"
        for name in set(data.variables) - {"time", "time_bnds"}:
            data[name].cell_methods = methods
    sea = load_sea(REGION, sources=[files.mur(tmp_path / "a.nc"), path])
    np.testing.assert_array_equal(sea["currents"]["time"].values, [files.DAY + np.timedelta64(shift, "h")])


def test_a_picture_without_a_good_pixel_says_which_quality_was_asked_for(tmp_path):
    path = files.acspo(tmp_path / "a.nc", quality=4)
    with pytest.raises(SourceError, match="all land or cloud, or all of a quality level under 5"):
        load_sea(REGION, sources=[path, files.oscar(tmp_path / "b.nc")])


def test_heights_that_say_they_are_up_are_depths(tmp_path):
    """`positive` (CF conventions 1.11, section 4.3): a variable named depth, -150 m upwards."""
    attrs = {"units": "m", "positive": "up", "standard_name": "sea_floor_depth_below_geoid"}
    axes = {"lat": (files.LAT, files.LAT_ATTRS), "lon": (files.LON, files.LON_ATTRS)}
    values = np.full((files.LAT.size, files.LON.size), -150.0, "f4")
    path = files.write(tmp_path / "d.nc", axes, {"depth": (("lat", "lon"), values, attrs)})
    sea = load_sea(REGION, sources=[files.mur(tmp_path / "a.nc"), files.oscar(tmp_path / "b.nc"), path])
    assert float(sea["depth"]["depth"].mean()) == 150.0


def rename_dimension(path: Path) -> Path:
    """The time of a file with a dimension of another name: time(t)."""
    with netCDF4.Dataset(path, "a") as data:
        data.renameDimension("time", "t")
    return path


@pytest.mark.parametrize("time_units", [None, "hours since 2001-01-01"])
def test_a_time_with_another_name_than_its_dimension(tmp_path, time_units):
    """CF conventions 1.11, chapter 5: such a coordinate counts like one that bears the dimension's name."""
    path = rename_dimension(files.mur(tmp_path / "a.nc", times=DAY + np.arange(2) * np.timedelta64(6, "h")))
    sources = [path, files.oscar(tmp_path / "b.nc")]
    sea = load_sea(REGION, sources=sources, time_units=time_units)
    np.testing.assert_array_equal(sea["temperature"]["time"].values, hours(0, 6))


def test_times_of_which_the_user_knows_the_units():
    time = xr.DataArray(np.array([46037.0]), dims="time", name="time")
    np.testing.assert_array_equal(decode_times(time, units="days since 1900-01-01"), [DAY])
    own = time.assign_attrs(units="days since 1900-01-02")  # what the file says goes first
    np.testing.assert_array_equal(
        decode_times(own, units="days since 1900-01-01"), [DAY + np.timedelta64(1, "D")]
    )


def write_floor(path: Path, name: str, depths, *, kind: str = "NETCDF4", **about) -> Path:
    axes = {"lat": (files.LAT, files.LAT_ATTRS), "lon": (files.LON, files.LON_ATTRS)}
    values = np.broadcast_to(depths, (files.LAT.size, files.LON.size)).astype("f4")
    return files.write(path, axes, {name: (("lat", "lon"), values, {"units": "m"} | about)}, format=kind)


@pytest.mark.parametrize(
    ("name", "about"), [("bathymetry", {}), ("z2", {"standard_name": "sea_floor_depth_below_geoid"})]
)
def test_heights_that_call_themselves_depths_are_left_out(tmp_path, name, about):
    """Land 150 m high beside a sea 3000 m deep: taken for depths, the land would be 150 m of water."""
    others = [files.mur(tmp_path / "a.nc"), files.oscar(tmp_path / "b.nc")]
    heights = np.where(files.LON < 153.2, 150.0, -3000.0)
    path = write_floor(tmp_path / "d.nc", name, heights, **about)
    with pytest.warns(SourceWarning, match="most numbers under 0, as heights have them; .* positive = 'up'"):
        sea = load_sea(REGION, sources=[*others, path])
    assert "depth" not in sea
    path = write_floor(tmp_path / "d.nc", name, heights, positive="up", **about)
    assert np.nanmin(load_sea(REGION, sources=[*others, path])["depth"]["depth"]) == 3000.0
    path = write_floor(tmp_path / "d.nc", name, -heights, **about)  # depths, with land above
    assert np.nanmin(load_sea(REGION, sources=[*others, path])["depth"]["depth"]) == 3000.0


@pytest.mark.parametrize("scale", [None, 1.0])
def test_degrees_west(tmp_path, scale):
    """UDUNITS: degrees_west are degrees_east with the sign turned."""
    path = files.hycom(tmp_path / "a.nc", lon=files.LON)
    with netCDF4.Dataset(path, "a") as data:
        data["lon"][:] = -files.LON
        data["lon"].units = "degrees_west"
        if scale:
            data["lon"].scale_factor = scale
    np.testing.assert_allclose(load_sea(REGION, sources=[path])["currents"]["lon"], files.LON)


# ---- flags -----------------------------------------------------------------------------------------------


def add_flag(path: Path, name: str, counts, **about) -> None:
    """A flag beside the temperature, the same along every meridian."""
    with netCDF4.Dataset(path, "a") as data:
        flag = data.createVariable(name, np.asarray(counts).dtype, ("lat", "lon"))
        flag[:] = np.broadcast_to(counts, flag.shape)
        flag.setncatts(about)


#: attributes of a flag and, for its value along the columns 0 to 8, whether it means bad; the masks as in
#: the examples of the CF conventions 1.11, section 3.5
FLAGS = {
    "values": ({"flag_values": np.array([0, 2, 4], "i2")}, (0, 2, 4), (0, 0, 1)),
    "masks": ({"flag_masks": np.array([1, 2, 4], "i2")}, (0, 1, 3, 4, 7), (0, 0, 0, 1, 1)),
    "masks and values": (
        {"flag_masks": np.array([1, 6, 6], "i2"), "flag_values": np.array([1, 2, 4], "i2")},
        (1, 2, 4, 5, 6),
        (0, 0, 1, 1, 0),
    ),
}


@pytest.mark.parametrize("kind", FLAGS)
@pytest.mark.parametrize("named", ["beside", "standard name"])
def test_flags_by_values_and_by_masks(tmp_path, kind, named):
    about, counts, bad = FLAGS[kind]
    path = files.mur(tmp_path / "a.nc")
    about = about | {"flag_meanings": "fair reef bad_pixel"}
    about |= {"standard_name": "quality_flag"} if named == "standard name" else {}
    add_flag(path, "qa", np.resize(np.array(counts, "i2"), files.LON.size), **about)
    if named == "beside":
        with netCDF4.Dataset(path, "a") as data:
            data["analysed_sst"].ancillary_variables = "qa"
    sea = load_sea(REGION, sources=[path, files.oscar(tmp_path / "b.nc")])["temperature"]
    expected = np.resize(np.array(bad, bool), files.LON.size)[np.isin(files.LON, sea["lon"])]
    np.testing.assert_array_equal(np.isnan(sea["sst"][0, 2]), expected)


def test_the_flag_of_another_variable_is_its_own(tmp_path):
    path = files.mur(tmp_path / "a.nc")
    about = {
        "flag_values": np.array([0, 1], "i2"),
        "flag_meanings": "good bad",
        "standard_name": "quality_flag",
    }
    add_flag(path, "qa", np.int16(1), **about)
    with netCDF4.Dataset(path, "a") as data:
        data["analysis_error"].ancillary_variables = "qa"
    sea = load_sea(REGION, sources=[path, files.oscar(tmp_path / "b.nc")])
    assert not np.isnan(sea["temperature"]["sst"]).any()


def test_the_quality_of_ocean_colour_temperatures(tmp_path):
    """NASA's qual_sst, 0 best, 1 good, 2 questionable, 3 bad, 4 not determined, gives no meanings."""
    path = files.mur(tmp_path / "a.nc")
    add_flag(path, "qual_sst", np.resize(np.arange(5, dtype="u1"), files.LON.size))
    sea = load_sea(REGION, sources=[path, files.oscar(tmp_path / "b.nc")])["temperature"]
    expected = (np.arange(files.LON.size) % 5 >= 2)[np.isin(files.LON, sea["lon"])]
    np.testing.assert_array_equal(np.isnan(sea["sst"][0, 2]), expected)


def test_a_flag_that_is_not_understood_is_told_once(tmp_path):
    paths = [files.mur(tmp_path / f"{day}.nc", times=DAY + np.timedelta64(day, "D")) for day in range(2)]
    for path in paths:
        add_flag(path, "qa", np.int16(1), flag_meanings="good bad", flag_values=np.array([0, 1, 2], "i2"))
        with netCDF4.Dataset(path, "a") as data:
            data["analysed_sst"].ancillary_variables = "qa analysis_error"
    with pytest.warns(SourceWarning, match=r"0\.nc, .*1\.nc: the flag qa does not say") as told:
        sea = load_sea(REGION, sources=[*paths, files.oscar(tmp_path / "b.nc")])
    assert len(told) == 1
    assert not np.isnan(sea["temperature"]["sst"]).any()


def test_ghrsst_mask_keeps_open_sea(tmp_path):
    """MUR: 1 sea, 2 land, 5 lake, 9 sea with ice, 13 lake with ice."""
    mask = np.ones((1, files.LAT.size, files.LON.size), "i1")
    mask[0, 2, 1:6] = 1, 2, 5, 9, 13
    mask[0, 3, 4] = 3  # water and land in one cell
    mask[0, 3, 3] = -128
    sea = load_sea(REGION, sources=[files.mur(tmp_path / "a.nc", mask=mask), files.hycom(tmp_path / "b.nc")])
    row = sea["temperature"]["sst"].sel(lat=files.LAT[2], lon=slice(152.7, 153.8)).values[0]
    np.testing.assert_array_equal(np.isnan(row), [False, True, False, False, False])
    row = sea["temperature"]["sst"].sel(lat=files.LAT[3], lon=slice(152.7, 153.8)).values[0]
    np.testing.assert_array_equal(np.isnan(row), [False, False, True, True, False])


@pytest.mark.parametrize("mask", [-128, 1])
def test_a_mask_that_is_all_fill_is_ignored(tmp_path, mask):
    sea = load_sea(
        REGION, sources=[files.ostia(tmp_path / "a.nc", mask=mask), files.hycom(tmp_path / "b.nc")]
    )
    assert np.isfinite(values(sea, "temperature", "sst")).all()


def test_a_mask_of_unknown_meaning_is_ignored(tmp_path):
    path = files.mur(tmp_path / "a.nc", mask=0)
    with netCDF4.Dataset(path, "a") as data:
        data["mask"].flag_meanings = "water_or_not something_else"
    sea = load_sea(REGION, sources=[path, files.hycom(tmp_path / "b.nc")])
    assert np.isfinite(values(sea, "temperature", "sst")).all()


def test_quality_and_bias(tmp_path):
    """Only the best quality is kept, and the sensor bias (here 10 · 0.016 K) is taken off; where the bias is
    missing the value stands."""
    shape = (1, files.LAT.size, files.LON.size)
    quality, bias = np.full(shape, 5, "i1"), np.full(shape, 10, "i1")
    lat = files.LAT[::-1]  # the file's own order
    quality[0, 2, 3], quality[0, 3, 3], bias[0, 3, 4] = 4, -128, -128
    path = files.acspo(tmp_path / "a.nc", 2600, quality=quality, bias=bias)
    sources = [path, files.oscar(tmp_path / "b.nc")]
    sst = load_sea(REGION, sources=sources)["temperature"]["sst"].isel(time=0)
    assert (np.diff(sst["lat"]) > 0).all()
    assert np.isnan(sst.sel(lat=lat[2], lon=files.LON[3]))
    assert np.isnan(sst.sel(lat=lat[3], lon=files.LON[3]))
    assert np.count_nonzero(np.isnan(sst)) == 2
    assert float(sst.sel(lat=lat[4], lon=files.LON[4])) == pytest.approx(25.84, abs=1e-5)
    assert float(sst.sel(lat=lat[3], lon=files.LON[4])) == pytest.approx(26.0, abs=1e-5)
    kept = load_sea(REGION, sources=sources, min_quality=4)["temperature"]["sst"].isel(time=0)
    assert float(kept.sel(lat=lat[2], lon=files.LON[3])) == pytest.approx(25.84, abs=1e-5)


# ---- which variable --------------------------------------------------------------------------------------


def test_an_anomaly_is_no_temperature(tmp_path):
    path = files.mur(tmp_path / "a.nc")
    with netCDF4.Dataset(path, "a") as data:
        data.renameVariable("analysed_sst", "other")
        data["other"].standard_name = "something_else"
        data.renameVariable("sst_anomaly", "sst")
        data["sst"].standard_name = "sea_surface_temperature_anomaly"
    with pytest.raises(NoData, match="no file holds temperature"):
        load_sea(REGION, sources=[path, files.oscar(tmp_path / "b.nc")])


def test_velocity_anomalies_are_no_currents(tmp_path):
    sources = [files.mur(tmp_path / "a.nc"), files.altimetry(tmp_path / "b.nc", whole=False)]
    with pytest.raises(NoData, match="no file holds currents"):
        load_sea(REGION, sources=sources)


def test_altimetry_whole_velocity_and_sea_level(tmp_path):
    """3000 · 1e-4 = 0.3 m/s; the anomalies (4 m/s here) are not taken; sla before adt."""
    sea = load_sea(REGION, sources=[files.mur(tmp_path / "a.nc"), files.altimetry(tmp_path / "b.nc")])
    assert values(sea, "currents", "u") == pytest.approx(0.3)
    assert values(sea, "currents", "v") == pytest.approx(-0.2)
    assert values(sea, "height", "sla") == pytest.approx(0.1234)
    assert "absolute dynamic topography" in sea["height"].attrs["left_out"]


def test_total_current_before_geostrophic(tmp_path):
    u = np.linspace(0.1, 0.9, files.LON.size)[:, None] + np.zeros(files.LAT.size)
    sea = load_sea(REGION, sources=[files.mur(tmp_path / "a.nc"), files.oscar(tmp_path / "b.nc", u=u)])
    current = sea["currents"]["u"]
    assert current.dims == ("time", "lat", "lon")
    expected = np.interp(current["lon"], files.LON, u[:, 0])
    np.testing.assert_allclose(current.values[0], np.broadcast_to(expected, current.shape[1:]), atol=1e-6)
    assert sea["currents"].attrs["kind"] == "total current"


def test_total_current_of_another_file_before_geostrophic(tmp_path):
    sources = [
        files.mur(tmp_path / "a.nc"),
        files.altimetry(tmp_path / "b.nc"),
        files.hycom(tmp_path / "c.nc", u=700),
    ]
    sea = load_sea(REGION, sources=sources)
    assert values(sea, "currents", "u") == pytest.approx(0.7)
    assert "geostrophic current in" in sea["currents"].attrs["left_out"]


def test_a_picture_before_a_model(tmp_path):
    """A model's temperature is newer, but the picture is of these days."""
    sources = [files.mur(tmp_path / "a.nc", 1000), files.hycom(tmp_path / "b.nc", temp=0, times=hours(0, 24))]
    sea = load_sea(REGION, window(4, 14), sources=sources)
    assert values(sea, "temperature", "sst") == pytest.approx(26.0, abs=1e-5)


def test_a_model_of_today_before_a_picture_of_last_month(tmp_path):
    stale = files.mur(tmp_path / "stale.nc", times=hours(-720))
    model = files.hycom(tmp_path / "model.nc", temp=4000, times=hours(0, 24))
    with pytest.warns(SourceWarning, match=r"stale\.nc left out: .*model\.nc serves the trip better"):
        sea = load_sea(REGION, window(4, 14), sources=[stale, model])
    assert values(sea, "temperature", "sst") == pytest.approx(24.0, abs=1e-5)
    assert sea["temperature"].attrs["kind"] == "model temperature at the surface"


def test_geostrophic_current_of_today_before_a_total_of_last_week(tmp_path):
    sources = [
        files.mur(tmp_path / "a.nc"),
        files.altimetry(tmp_path / "b.nc"),
        files.oscar(tmp_path / "old.nc", times=hours(-168, -144)),
    ]
    with pytest.warns(SourceWarning, match=r"total current in .*old\.nc left out"):
        sea = load_sea(REGION, window(4, 14), sources=sources)
    assert values(sea, "currents", "u") == pytest.approx(0.3)


def test_standard_name_before_name_and_the_first_name_first(tmp_path):
    """A variable with the CF name is taken before one called `u`; of two with the CF name, `utotal`."""
    path = files.oscar(tmp_path / "b.nc", u=0.5)
    with netCDF4.Dataset(path, "a") as data:
        data["u"].delncattr("standard_name")
        data.renameVariable("ug", "eastward")
        data["eastward"].standard_name = "eastward_sea_water_velocity"  # 0.1 m/s
    sources = [path, files.mur(tmp_path / "a.nc")]
    assert values(load_sea(REGION, sources=sources), "currents", "u") == pytest.approx(0.1)
    with netCDF4.Dataset(path, "a") as data:
        data["u"].standard_name = "eastward_sea_water_velocity"
        data.renameVariable("u", "utotal")
    assert values(load_sea(REGION, sources=sources), "currents", "u") == pytest.approx(0.5)


def test_wind_waves_colour_and_depth(tmp_path):
    elevation = np.full((1, files.LAT.size, files.LON.size), -4000)
    elevation[0, 2, 3] = 12
    sources = [
        files.mur(tmp_path / "a.nc"),
        files.hycom(tmp_path / "b.nc"),
        files.gfs(tmp_path / "c.nc"),
        files.waves(tmp_path / "d.nc"),
        files.chlorophyll(tmp_path / "e.nc"),
        files.gebco(tmp_path / "f.nc", elevation),
    ]
    sea = check_sea(load_sea(REGION, sources=sources))
    assert values(sea, "wind", "u10") == pytest.approx(3.0)
    assert values(sea, "wind", "v10") == pytest.approx(-4.0)
    assert values(sea, "waves", "hs") == pytest.approx(1.5)
    assert values(sea, "color", "chlor_a") == pytest.approx(0.25)
    assert sea["color"]["time"].values == [np.datetime64("2026-01-16T13:30:00")]
    depth = sea["depth"]["depth"]
    assert depth.dims == ("lat", "lon")
    assert np.isnan(depth.sel(lat=files.LAT[2], lon=files.LON[3]))
    assert float(depth.max()) == 4000.0
    assert np.count_nonzero(np.isnan(depth)) == 1


def test_every_field_carries_its_cf_name_and_units(tmp_path):
    sea = load_sea(REGION, sources=[files.mur(tmp_path / "a.nc"), files.hycom(tmp_path / "b.nc")])
    for node, known in NODES.items():
        for name, (standard_name, units, _, _) in known.items():
            if node in sea.children:
                attrs = sea[node][name].attrs
                assert (attrs["standard_name"], attrs["units"]) == (standard_name, units)
                assert attrs["long_name"]


def test_the_deepest_level_is_not_the_surface(tmp_path):
    """The level nearest the surface is taken, wherever it stands."""
    path = files.hycom(tmp_path / "a.nc", u=300, depths=(50.0, 10.0, 0.0))
    assert values(load_sea(REGION, sources=[path]), "currents", "u") == pytest.approx(0.3)
    deep = files.hycom(tmp_path / "b.nc", depths=(100.0, 50.0))
    with pytest.raises(SourceError, match=r"water_u: the level nearest the surface is depth 50; .* 20 m"):
        load_sea(REGION, sources=[deep])


def test_the_table_of_names_is_whole():
    """Every node has a choice for each of its variables, and no name stands for two fields of one node."""
    assert {choice.node for choice in list_choices()} == set(NODES)
    for choice in list_choices():
        assert set(choice.variables) == set(NODES[choice.node])
        listed = [name for known in choice.variables.values() for name in known["names"]]
        assert len(listed) == len(set(listed))
        assert not choice.refuse & {word for name in listed for word in name.lower().split("_")}
    assert set(read_names()["axes"]) == {"lat", "lon", "time", "level"}


# ---- many files ------------------------------------------------------------------------------------------


def test_pictures_in_files_of_their_own_are_joined(tmp_path):
    pictures = [
        files.mur(tmp_path / f"{day}.nc", 1000 + 100 * day, times=hours(24 * day)) for day in (2, 0, 1)
    ]
    sea = load_sea(REGION, sources=[*pictures, files.hycom(tmp_path / "b.nc")])
    temperature = sea["temperature"]
    np.testing.assert_array_equal(temperature["time"], hours(0, 24, 48))
    np.testing.assert_allclose(temperature["sst"][:, 0, 0], [26.0, 26.1, 26.2], atol=1e-5)
    assert temperature.attrs["files"] == "0.nc, 1.nc, 2.nc"


def test_the_later_run_wins_where_forecasts_overlap(tmp_path):
    old = files.hycom(tmp_path / "new_name_old_run.nc", u=100, times=hours(0, 3, 6, 9))
    new = files.hycom(tmp_path / "a.nc", u=200, times=hours(6, 9, 12))
    for order in ([old, new], [new, old]):
        u = load_sea(REGION, sources=[*order, files.mur(tmp_path / "m.nc")])["currents"]["u"]
        np.testing.assert_array_equal(u["time"], hours(0, 3, 6, 9, 12))
        np.testing.assert_allclose(u[:, 0, 0], [0.1, 0.1, 0.2, 0.2, 0.2], atol=1e-6)


def test_u_and_v_in_files_of_their_own(tmp_path):
    """Only hours at which both are there are taken."""
    both = {
        name: files.gfs(tmp_path / f"{name}.nc", times=hours(*at))
        for name, at in (("ugrd10m", (0, 6, 12)), ("vgrd10m", (6, 12, 18)))
    }
    for name, other in (("ugrd10m", "vgrd10m"), ("vgrd10m", "ugrd10m")):
        with netCDF4.Dataset(both[name], "a") as data:
            data.renameVariable(other, "other")
            data["other"].standard_name = "other"
    sea = load_sea(
        REGION, sources=[*both.values(), files.mur(tmp_path / "m.nc"), files.hycom(tmp_path / "h.nc")]
    )
    np.testing.assert_array_equal(sea["wind"]["time"], hours(6, 12))
    assert values(sea, "wind", "v10") == pytest.approx(-4.0)


def test_pictures_on_different_grids_leave_one_out(tmp_path):
    fine = np.arange(-31.0, -29.4, 0.125)
    old = files.mur(tmp_path / "old.nc", times=hours(0))
    new = files.ostia(tmp_path / "new.nc", 2500, times=hours(24), lat=fine)
    with pytest.warns(SourceWarning, match=r"old\.nc left out: one grid per field, and .*new\.nc serves"):
        sea = load_sea(REGION, sources=[old, new, files.hycom(tmp_path / "b.nc")])
    assert values(sea, "temperature", "sst") == pytest.approx(25.0, abs=1e-5)
    assert "old.nc" in sea["temperature"].attrs["left_out"]


def test_a_field_elsewhere_is_left_out_with_a_warning(tmp_path):
    far = files.gfs(tmp_path / "far.nc", lat=files.LAT + 20.0)
    with pytest.warns(SourceWarning, match=r"wind: the region asked, 152\.75 to 154\.25° E, .* lies outside"):
        sea = load_sea(REGION, sources=[far, files.mur(tmp_path / "a.nc"), files.hycom(tmp_path / "b.nc")])
    assert "wind" not in sea.children


# ---- which hours -----------------------------------------------------------------------------------------


def test_pictures_of_five_days_are_kept():
    times = hours(*range(-240, 72, 24))
    kept = keep_images(times, window(0, 12))
    np.testing.assert_array_equal(kept, hours(-120, -96, -72, -48, -24, 0))
    np.testing.assert_array_equal(keep_images(times[:3], window(0, 12)), times[2:3])  # stale: the newest
    assert keep_images(hours(24, 48), window(0, 12)).size == 0
    np.testing.assert_array_equal(keep_images(times, None), times)


def test_running_fields_reach_one_step_beyond():
    times = hours(*range(-24, 49, 3))
    np.testing.assert_array_equal(
        keep_hours(times, hours(-7)[0], window(2, 10)), hours(-9, -6, -3, 0, 3, 6, 9, 12)
    )
    np.testing.assert_array_equal(keep_hours(times, hours(-6)[0], window(2, 9))[[0, -1]], hours(-6, 9))
    np.testing.assert_array_equal(keep_hours(times, hours(-99)[0], window(2, 10))[[0, -1]], hours(-24, 12))
    np.testing.assert_array_equal(keep_hours(times, hours(90)[0], window(95, 99)), times[-1:])
    np.testing.assert_array_equal(keep_hours(times, hours(-99)[0], window(-95, -90)), times[:1])


@given(
    st.lists(st.integers(-300, 300), min_size=1, max_size=20, unique=True),
    st.integers(-200, 200),
    st.integers(0, 48),
)
@settings(max_examples=50, deadline=None)
def test_running_fields_bracket_what_they_can(counts, start, length):
    times = hours(*sorted(counts))
    earliest, trip = hours(start - 24)[0], window(start, start + length)
    kept = keep_hours(times, earliest, trip)
    inside = times[(times >= earliest) & (times <= trip.end)]
    assert kept.size >= 1
    assert np.isin(inside, kept).all()
    assert kept.size <= inside.size + 2
    assert (kept[0] <= earliest) == (times[0] <= earliest)
    assert (kept[-1] >= trip.end) == (times[-1] >= trip.end)


def test_hours_of_a_trip(tmp_path):
    pictures = files.mur(tmp_path / "a.nc", times=hours(*range(-240, 72, 24)))
    currents = files.hycom(tmp_path / "b.nc", times=hours(*range(-240, 72, 12)))
    sea = load_sea(REGION, window(5, 14), sources=Sources((pictures, currents)))
    np.testing.assert_array_equal(sea["temperature"]["time"], hours(-96, -72, -48, -24, 0))
    np.testing.assert_array_equal(sea["currents"]["time"][[0, -1]], hours(-96, 24))


def test_pictures_all_after_the_trip(tmp_path):
    sources = [files.mur(tmp_path / "a.nc", times=hours(48)), files.oscar(tmp_path / "b.nc")]
    with pytest.raises(
        NoData, match=r"temperature: .* holds 2026-01-19 00:00 UTC to .*, not the hours of the trip"
    ):
        load_sea(REGION, window(5, 14), sources=sources)


def test_a_picture_that_is_all_cloud_is_left_out(tmp_path):
    counts = np.full((2, files.LAT.size, files.LON.size), 1000)
    counts[1] = -32768
    path = files.mur(tmp_path / "a.nc", counts, times=hours(0, 24))
    sea = load_sea(REGION, sources=[path, files.hycom(tmp_path / "b.nc")])
    np.testing.assert_array_equal(sea["temperature"]["time"], hours(0))
    assert "holding no value here: the images of 2026-01-18T00:00" in sea["temperature"].attrs["history"]


def test_currents_that_cover_the_trip(tmp_path):
    currents = files.hycom(tmp_path / "b.nc", times=hours(0, 12, 24))
    sea = load_sea(REGION, sources=[files.mur(tmp_path / "a.nc"), currents])
    assert check_cover(sea, window(6, 54)) is sea  # a day and half a step past the last
    with pytest.raises(
        NoData, match="currents do not cover the hours of the trip; given currents 2026-01-17"
    ):
        check_cover(sea, window(6, 54.5))
    with pytest.raises(NoData, match=r"expected 2026-01-15 17:00 UTC to 2026-01-17 06:00 UTC, ± 30 h"):
        check_cover(sea, window(-31, 6))
    with pytest.raises(NoData, match="± 7 h"):
        check_cover(sea, window(6, 32), hold=3600.0)


# ---- which part of the sea -------------------------------------------------------------------------------


def plane(lon, lat):
    """A field that tells where every value belongs; periodic in longitude, in m/s."""
    return np.sin(np.radians(np.asarray(lon)))[None, :] + 0.01 * np.asarray(lat)[:, None]


@pytest.mark.parametrize("first", [-180.0, 0.0, 74.0])
@pytest.mark.parametrize("west", [177.0, -183.0, -2.0, 358.0, 30.0])
def test_regions_over_any_seam(tmp_path, first, west):
    """A whole turn of longitudes from -180, 0 or 74; regions over 180° and over 0°, in two turns."""
    lon, lat = np.arange(first, first + 360.0, 1.0), np.arange(-4.0, 5.0)
    dims = ("time", "lat", "lon")
    u = np.round(plane(lon, lat) * 1000).astype("i2")[None]
    about = {"units": "m s-1", "scale_factor": 0.001}
    temp = {"units": "degC", "standard_name": "sea_surface_temperature"}
    path = files.write(
        tmp_path / "a.nc",
        {
            "time": files.time_axis(DAY, "2000-01-01T00:00:00", "hours"),
            "lat": (lat, files.LAT_ATTRS),
            "lon": (lon, files.LON_ATTRS),
        },
        {"uo": (dims, u, about), "vo": (dims, -u, about), "sst": (dims, np.full(u.shape, 20.0), temp)},
    )
    sea = load_sea(Region(west, -2.0, west + 6.0, 2.0), sources=[path])
    current = sea["currents"]
    np.testing.assert_allclose(current["lon"], np.arange(west - 1.0, west + 7.5))
    np.testing.assert_allclose(current["lat"], np.arange(-3.0, 3.5))
    np.testing.assert_allclose(current["u"][0], plane(current["lon"], current["lat"]), atol=6e-4)
    assert current.attrs["covered"] == 1.0


def test_a_seam_stored_twice():
    cut = cut_axis(np.arange(0.0, 361.0), -3.0, 3.0, turning=True)
    np.testing.assert_allclose(cut.values, np.arange(-4.0, 4.5))
    assert sum(len(range(*run.indices(361))) for run in cut.runs) == cut.values.size


def test_one_node_beyond_the_region_and_a_margin(tmp_path):
    sources = [files.mur(tmp_path / "a.nc"), files.hycom(tmp_path / "b.nc")]
    region = Region(153.3, -30.3, 153.7, -30.2)
    lon = load_sea(region, sources=sources)["temperature"]["lon"].values
    np.testing.assert_allclose(lon, [153.25, 153.5, 153.75], atol=1e-4)
    lat = load_sea(region, sources=sources, margin=40_000.0)["temperature"]["lat"].values
    np.testing.assert_allclose(lat, np.arange(-30.75, -29.6, 0.25), atol=1e-4)  # 0.36° and one step


def test_partly_covered(tmp_path):
    """The data's cells begin at 152.375° E (half a step before the first node)."""
    sources = [files.mur(tmp_path / "a.nc"), files.hycom(tmp_path / "b.nc")]
    sea = load_sea(Region(151.875, -30.75, 152.875, -29.75), sources=sources)
    assert sea["temperature"].attrs["covered"] == pytest.approx(0.5, abs=1e-4)


def test_the_same_field_in_every_dress():
    """Axis order, directions, turn of longitudes, units, type and packing: the sea is the same."""

    @given(
        order=st.permutations(["time", "y", "x"]),
        north_first=st.booleans(),
        turn=st.sampled_from([-360.0, 0.0, 360.0]),
        units=st.sampled_from(["kelvin", "degree_C", "Celsius", "degF"]),
        dtype=st.sampled_from(["f4", "f8", "i2"]),
        names=st.sampled_from([("lat", "lon"), ("latitude", "longitude"), ("nav_lat", "nav_lon")]),
        bare=st.booleans(),
        kind=st.sampled_from(["NETCDF4", "NETCDF3_CLASSIC", "NETCDF3_64BIT_OFFSET"]),
    )
    @settings(max_examples=25, deadline=None)
    def dress(order, north_first, turn, units, dtype, names, bare, kind):
        truth = 20.0 + plane(files.LON * 20.0, files.LAT)
        scale, shift = {"kelvin": (1.0, 273.15), "degF": (1.8, 32.0)}.get(units, (1.0, 0.0))
        numbers = (truth * scale + shift)[None]
        about = {"units": units, "standard_name": "sea_surface_temperature"}
        if dtype == "i2":
            about |= {"scale_factor": 0.001, "add_offset": shift + 20.0 * scale}
            numbers = np.round((numbers - about["add_offset"]) / 0.001)
        lat, lon = files.LAT, files.LON + turn
        if north_first:
            lat, numbers = lat[::-1], numbers[:, ::-1]
        dims = {"time": "time", "y": names[0], "x": names[1]}
        numbers = np.transpose(numbers, [["time", "y", "x"].index(axis) for axis in order]).astype(dtype)
        with tempfile.TemporaryDirectory() as folder:
            path = files.write(
                Path(folder) / "a.nc",
                {
                    "time": files.time_axis(DAY, "2000-01-01T00:00:00", "hours"),
                    names[0]: (lat, {} if bare else files.LAT_ATTRS),
                    names[1]: (lon, {} if bare else files.LON_ATTRS),
                },
                {"temperature_of_water": (tuple(dims[axis] for axis in order), numbers, about)},
                format=kind,
            )
            sea = load_sea(REGION, sources=[path, files.oscar(Path(folder) / "b.nc")])["temperature"]
        np.testing.assert_allclose(sea["lon"], files.LON, atol=1e-9)
        np.testing.assert_allclose(sea["lat"], files.LAT, atol=1e-9)
        np.testing.assert_allclose(sea["sst"].values[0], truth, atol=1e-3)

    dress()


def test_only_the_window_is_read(tmp_path):
    """A global file of 36 000 × 18 000 shorts (1.2 GB unpacked to shorts, 2.4 GB as floats; nearly nothing on
    disk, as most chunks were never written): a region of it costs a few of its megabytes."""
    path = tmp_path / "whole.nc"
    with netCDF4.Dataset(path, "w") as data:
        lat, lon = -89.995 + 0.01 * np.arange(18_000), -179.995 + 0.01 * np.arange(36_000)
        for name, axis, about in (("lat", lat, files.LAT_ATTRS), ("lon", lon, files.LON_ATTRS)):
            data.createDimension(name, axis.size)
            data.createVariable(name, "f4", (name,))[:] = axis
            data[name].setncatts(about)
        data.createDimension("time", 1)
        data.createVariable("time", "f8", ("time",))[:] = files.count_since(DAY, "2000-01-01", "hours")
        data["time"].units = "hours since 2000-01-01"
        sst = data.createVariable(
            "analysed_sst",
            "i2",
            ("time", "lat", "lon"),
            fill_value=-32768,
            zlib=True,
            chunksizes=(1, 500, 500),
        )
        sst.setncatts({"units": "kelvin", "scale_factor": 0.001, "add_offset": 298.15})
        sst.set_auto_maskandscale(False)
        row = int(np.searchsorted(lat, -31.5))
        column = int(np.searchsorted(lon, 152.5))
        sst[0, row : row + 300, column : column + 300] = 1000
    sources = [path, files.hycom(tmp_path / "b.nc")]
    load_sea(REGION, sources=sources)  # what is imported and cached on first use does not count
    tracemalloc.start()
    sea = load_sea(REGION, sources=sources)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    cells = sea["temperature"]["sst"].size
    assert cells == 102 * 152
    assert float(sea["temperature"]["sst"].max()) == pytest.approx(26.0, abs=1e-5)
    assert peak < 12e6, f"{peak / 1e6:.1f} MB for {cells} cells"


# ---- uneven axes -----------------------------------------------------------------------------------------


def test_an_uneven_axis_is_made_even(tmp_path):
    """Steps of 0.2 and 0.25° of latitude: linear interpolation leaves a plane as it was."""
    lat = np.concatenate([np.arange(-31.5, -30.45, 0.25), np.arange(-30.3, -29.0, 0.2)])
    counts = np.round(1000 * (lat + 30.0))[None, :, None] + np.zeros((1, lat.size, files.LON.size))
    sources = [files.mur(tmp_path / "a.nc", counts, lat=lat), files.hycom(tmp_path / "b.nc")]
    temperature = load_sea(REGION, sources=sources)["temperature"]
    steps = np.diff(temperature["lat"])
    assert np.ptp(steps) < 1e-9
    assert steps[0] == pytest.approx(0.2, rel=0.1)
    expected = 25.0 + temperature["lat"].values + 30.0
    np.testing.assert_allclose(temperature["sst"][0, :, 3], expected, atol=1e-3)
    assert "latitude made even by linear interpolation" in temperature.attrs["history"]


def test_interpolation_against_numpy_and_around_gaps():
    old = np.array([0.0, 1.0, 2.5, 3.0, 5.0])
    new = np.linspace(0.0, 5.0, 21)
    field = np.random.default_rng(1).normal(size=(3, 5)).astype(np.float32)
    found = interpolate_axis(field, old, new, 1)
    for row in range(3):
        np.testing.assert_allclose(found[row], np.interp(new, old, field[row]), atol=1e-6)
    field[:, 2] = np.nan  # at 2.5: missing for more than half the way to either neighbour
    found = interpolate_axis(field, old, new, 1)
    np.testing.assert_array_equal(np.isnan(found[0]), (new > 1.75) & (new < 2.75))
    assert even_steps(new) is None


# ---- bad files -------------------------------------------------------------------------------------------


def test_every_problem_of_every_file_at_once(tmp_path):
    (tmp_path / "text.nc").write_text("not a grid\n")
    whole = files.mur(tmp_path / "whole.nc")
    (tmp_path / "cut.nc").write_bytes(whole.read_bytes()[:-2000])
    bare = files.ostia(tmp_path / "bare.nc")
    with netCDF4.Dataset(bare, "a") as data:
        data["analysed_sst"].delncattr("units")
    names = ("missing.nc", "text.nc", "cut.nc", "bare.nc", ".")
    with pytest.raises(SourceError, match="sea files: 5 problems") as caught:
        load_sea(REGION, sources=[tmp_path / name for name in names])
    found = dict(zip(names, caught.value.problems, strict=True))
    assert found["missing.nc"].endswith("missing.nc: no such file")
    assert "cannot be read as netCDF, damaged or cut short" in found["text.nc"]
    assert "cannot be read as netCDF, damaged or cut short" in found["cut.nc"]
    assert (
        "bare.nc: analysed_sst (temperature) has no units. If you know them, set its 'units' attribute"
        in found["bare.nc"]
    )
    assert found["."].endswith("a folder, expected a netCDF file")


@pytest.mark.parametrize("kind", ["NETCDF4", "NETCDF3_CLASSIC", "NETCDF3_64BIT"])
@pytest.mark.parametrize("left", [0.999, 0.7, 0.3, 0.01])
def test_a_file_cut_short_anywhere(tmp_path, kind, left):
    """The netCDF library reads zeros past the end of a netCDF-3 file; 0 counts would be 25 °C."""
    counts = np.random.default_rng(0).integers(0, 3000, (1, 60, 60))
    lat, lon = np.linspace(-31, -29, 60), np.linspace(152, 155, 60)
    source = files.mur(tmp_path / "source.nc", counts, lat=lat, lon=lon)
    path = tmp_path / "a.nc"
    with xr.open_dataset(source, decode_cf=False) as data:
        data.to_netcdf(path, format=kind)
    sources = [path, files.oscar(tmp_path / "b.nc")]
    load_sea(REGION, sources=sources)
    raw = path.read_bytes()
    path.write_bytes(raw[: int(len(raw) * left)])
    with pytest.raises(SourceError, match=r"a\.nc: cannot be read as netCDF, damaged or cut short"):
        load_sea(REGION, sources=sources)


@pytest.mark.skipif(sys.platform != "linux", reason="looks into /proc")
def test_a_file_cut_short_is_closed_while_its_fault_is_held(tmp_path):
    """Windows removes no file that is open."""
    path = tmp_path / "a.nc"
    xr.Dataset({"sst": (("lat", "lon"), np.zeros((50, 50)))}).to_netcdf(path, format="NETCDF3_CLASSIC")
    path.write_bytes(path.read_bytes()[:-5000])
    with pytest.raises(OSError, match="shorter than its header says") as held, open_raw(path):
        pass
    assert held.value is not None
    handles = [handle.readlink() for handle in Path("/proc/self/fd").iterdir() if handle.is_symlink()]
    assert path not in handles
    assert str(path) not in Path("/proc/self/maps").read_text(encoding="utf-8")


def test_chlorophyll_of_zero_is_missing(tmp_path):
    path = files.mur(tmp_path / "a.nc")
    with xr.open_dataset(path, decode_cf=False) as data:
        chlor = data[["analysed_sst"]].rename(analysed_sst="chlor_a").load()
    values = np.full(chlor["chlor_a"].shape, 0.3, np.float32)
    values[..., ::5, ::7] = 0.0
    chlor["chlor_a"] = (chlor["chlor_a"].dims, values, {"units": "mg m-3"})
    chlor.to_netcdf(tmp_path / "color.nc")
    sea = load_sea(REGION, sources=[path, files.oscar(tmp_path / "b.nc"), tmp_path / "color.nc"])
    found = sea["color"]["chlor_a"].values
    assert np.isnan(found).any()
    assert np.nanmin(found) == np.float32(0.3)


@pytest.mark.parametrize("left", [1.0, 0.5])
def test_a_kind_whose_length_cannot_be_checked_is_refused(tmp_path, left):
    path = write_floor(tmp_path / "a.nc", "depth", 100.0, kind="NETCDF3_64BIT_DATA")
    raw = path.read_bytes()
    path.write_bytes(raw[: int(len(raw) * left)])
    with pytest.raises(SourceError, match=r"a\.nc: netCDF of the kind CDF-5, .* nccopy -k nc4"):
        load_sea(REGION, sources=[path, files.oscar(tmp_path / "b.nc")])


def test_a_file_replaced_while_it_is_read_is_refused(tmp_path):
    """As a fetch at the same time does it: the hours that were looked up are not those that would be read."""
    path = files.mur(tmp_path / "a.nc", times=DAY + np.arange(2) * np.timedelta64(1, "D"))
    fields, _, _ = survey_file(path, REGION)
    wanted = [(field, np.arange(2)) for field in fields]
    read_fields(path, wanted, min_quality=5)
    files.mur(tmp_path / "new.nc", times=DAY + np.arange(1, 3) * np.timedelta64(1, "D")).replace(path)
    with pytest.raises(
        SourceError, match=r"a\.nc: 1 problem\n.*replaced while it was being read; run this again"
    ):
        read_fields(path, wanted, min_quality=5)


@pytest.mark.skipif(sys.platform != "linux", reason="other systems have no such names")
def test_a_name_that_is_no_utf8(tmp_path):
    path = files.mur(tmp_path / "a.nc").rename(tmp_path / "a\udcff.nc")
    with pytest.raises(SourceError, match="a name that is not UTF-8"):
        load_sea(REGION, sources=[path, files.oscar(tmp_path / "b.nc")])


@pytest.mark.parametrize("name", ["analysed_sst", "lat"])
def test_packing_that_is_no_number(tmp_path, name):
    path = files.mur(tmp_path / "a.nc")
    with netCDF4.Dataset(path, "a") as data:
        data[name].scale_factor = "0.01f"
    with pytest.raises(SourceError, match=rf"a\.nc: {name}: scale_factor; given '0\.01f'; expected a number"):
        load_sea(REGION, sources=[path, files.oscar(tmp_path / "b.nc")])


def test_files_with_damaged_bytes(tmp_path):
    """Three bytes changed anywhere: a file is read or told of in one line, never a traceback, never a crash.

    In a process of its own, since the netCDF and HDF5 libraries would take this one with them.
    """
    rng = np.random.default_rng(11)
    whole = [BLACK_SEA[0].read_bytes(), BLACK_SEA[1].read_bytes()]
    with xr.open_dataset(BLACK_SEA[0], decode_cf=False) as data:
        data.to_netcdf(tmp_path / "classic.nc", format="NETCDF3_CLASSIC")
    whole.append((tmp_path / "classic.nc").read_bytes())
    paths = []
    for count in range(90):
        raw = bytearray(whole[count % 3])
        front = len(raw) if count % 2 else 8000
        for place in rng.integers(0, front, 3):
            raw[place] = rng.integers(0, 256)
        paths.append(tmp_path / f"{count}.nc")
        paths[-1].write_bytes(raw)
    run = subprocess.run(
        [sys.executable, "-W", "error", "-c", DAMAGED, *map(str, paths)],
        capture_output=True,
        text=True,
        timeout=120,
    )
    assert run.returncode == 0, run.stderr[-2000:]
    said = run.stdout.split()
    assert len(said) == len(paths)
    assert {"read", "told"} == set(said)


DAMAGED = """
import sys
from pathlib import Path
import numpy as np
from searcher.errors import SourceError
from searcher.geo import Region
from searcher.sources.files import read_fields, survey_file

for path in map(Path, sys.argv[1:]):
    try:
        fields, problems, _ = survey_file(path, Region(34.0, 43.0, 39.0, 45.5))
        for field in fields:
            if field.lat and field.lon:
                read_fields(path, [(field, np.arange(1))], min_quality=5)
        print("told" if problems else "read")
    except SourceError:
        print("told")
"""


def test_nothing_to_find(tmp_path):
    sources = [files.gfs(tmp_path / "wind.nc"), files.altimetry(tmp_path / "b.nc", whole=False)]
    with pytest.raises(NoData, match="no file holds temperature") as caught:
        load_sea(REGION, sources=sources)
    text = str(caught.value)
    assert "no file holds currents" in text
    assert "wind.nc: ugrd10m (eastward_wind, m s-1), vgrd10m (northward_wind, m s-1)" in text
    with xr.open_dataset(sources[0], decode_times=False) as wind:
        bare = wind.load().rename({"latitude": "Y", "longitude": "X"})
    for name in ("Y", "X"):
        bare[name].attrs.clear()
    bare.to_netcdf(tmp_path / "bare.nc")
    with pytest.raises(NoData, match=r"bare\.nc: ugrd10m .*, but no latitude and longitude \(dimensions"):
        load_sea(REGION, sources=[tmp_path / "bare.nc"])
    with pytest.raises(NoData, match="no data files; given none; expected netCDF files"):
        load_sea(REGION, sources=[])


def test_half_a_current(tmp_path):
    path = files.oscar(tmp_path / "b.nc")
    with netCDF4.Dataset(path, "a") as data:
        for name in ("v", "ug", "vg"):
            data.renameVariable(name, f"x{name}")
            data[f"x{name}"].standard_name = "other"
    with pytest.raises(NoData, match=r"no file holds currents; total current in .*b\.nc lacks v"):
        load_sea(REGION, sources=[path, files.mur(tmp_path / "a.nc")])


def test_units_nobody_knows(tmp_path):
    path = files.mur(tmp_path / "a.nc")
    with netCDF4.Dataset(path, "a") as data:
        data["analysed_sst"].units = "degrees"
    with pytest.raises(
        SourceError, match="analysed_sst: units; given 'degrees'; expected a spelling of 'degree"
    ):
        load_sea(REGION, sources=[path, files.hycom(tmp_path / "b.nc")])


def test_values_past_belief(tmp_path):
    """Kelvin that call themselves Celsius, and a current in cm/s that claims m/s, in one error."""
    warm = files.mur(tmp_path / "warm.nc")
    with netCDF4.Dataset(warm, "a") as data:
        data["analysed_sst"].units = "degree_C"
    fast = files.hycom(tmp_path / "fast.nc", u=25_000)
    with pytest.raises(SourceError, match="sea files: 2 problems") as caught:
        load_sea(REGION, sources=[warm, fast])
    first, second = caught.value.problems
    assert "warm.nc: analysed_sst: values 299.1 to 299.1 degree_Celsius, believable -3 to 45" in first
    assert "fast.nc: water_u: values 25 to 25 m s-1, believable -5 to 5" in second


def test_a_region_outside_the_data(tmp_path):
    sources = [files.mur(tmp_path / "a.nc"), files.hycom(tmp_path / "b.nc")]
    with pytest.raises(NoData, match="lies outside the data") as caught:
        load_sea(Region(10.0, 40.0, 12.0, 42.0), sources=sources)
    text = str(caught.value)
    assert "temperature: the region asked, 10.00 to 12.00° E, 40.00 to 42.00° N" in text
    assert "covers 152.50 to 154.50° E, -31.00 to -29.50° N" in text
    assert "Fetch files for the region, or correct the port's position" in text
    with pytest.raises(SourceError, match=r"region; given .*; expected west < east and south < north"):
        load_sea(Region(154.0, -31.0, 153.0, -30.0), sources=sources)


def test_a_region_that_is_all_land(tmp_path):
    sources = [files.mur(tmp_path / "a.nc", mask=2), files.hycom(tmp_path / "b.nc")]
    with pytest.raises(NoData, match=r"a\.nc holds no value in 152\.75 to .*: all land or cloud"):
        load_sea(REGION, sources=sources)


def test_winds_on_pressure_levels_are_refused(tmp_path):
    """Nearest to zero would be the top of the atmosphere."""
    path = files.waves(tmp_path / "a.nc")
    dims = ("time", "level", "latitude", "longitude")
    with netCDF4.Dataset(path, "a") as data:
        data.createDimension("level", 2)
        data.createVariable("level", "f4", ("level",))[:] = [1000.0, 10.0]
        data["level"].units = "hPa"
        data.createVariable("u", "f4", dims)[:] = 5.0
        data["u"].setncatts({"standard_name": "eastward_wind", "units": "m s-1"})
    with pytest.raises(
        SourceError, match="u: 'level' holds 2 pressure levels; expected values at the surface"
    ):
        load_sea(REGION, sources=[path])


def test_a_dimension_nobody_knows(tmp_path):
    path = files.waves(tmp_path / "a.nc")
    with netCDF4.Dataset(path, "a") as data:
        data.createDimension("member", 3)
        data.createVariable("hs", "f4", ("member", "latitude", "longitude"))[:] = 1.0
        data["hs"].setncatts({"units": "m"})
        data["Thgt"].standard_name = "other"
        data.renameVariable("Thgt", "other")
    with pytest.raises(SourceError, match="hs: dimension 'member' of length 3 is not understood"):
        load_sea(REGION, sources=[path])


def test_list_variables(tmp_path):
    assert list_variables(BLACK_SEA[0])[0] == "analysed_sst (sea_surface_temperature, kelvin)"
    assert "ugos (surface_geostrophic_eastward_sea_water_velocity, m/s)" in list_variables(BLACK_SEA[1])
    with pytest.raises(SourceError, match=r"nothing\.nc: no such file"):
        list_variables(tmp_path / "nothing.nc")


def test_files_are_closed_and_nothing_is_warned(tmp_path):
    """A file that was read can be replaced at once (on Windows only a closed one can), without a word."""
    path = files.mur(tmp_path / "a.nc")
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        load_sea(REGION, sources=[path, files.hycom(tmp_path / "b.nc"), files.altimetry(tmp_path / "c.nc")])
    assert [str(warning.message) for warning in caught] == []
    opened = (
        [link.resolve() for link in Path("/proc/self/fd").iterdir()] if Path("/proc/self/fd").exists() else []
    )
    assert path.resolve() not in opened


def test_a_loaded_sea_is_saved_and_opened_bit_for_bit(tmp_path):
    sea = load_sea(Region(35.0, 43.0, 38.0, 44.6), sources=BLACK_SEA)
    again = open_sea(save_sea(sea, tmp_path / "sea.nc"))
    assert set(again.children) == set(sea.children)
    for name, node in sea.children.items():
        assert again[name].to_dataset().identical(node.to_dataset())
