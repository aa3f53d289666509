"""The contract of a sea, its one file, and the gate to the kernels."""

from __future__ import annotations

import netCDF4
import numpy as np
import pytest
import xarray as xr
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from searcher.builtin import make_builtin_sea
from searcher.builtin.files import write_sea_files
from searcher.errors import NoData, SeaError
from searcher.geo import Region
from searcher.sea import (
    EPOCH,
    KNOWN,
    NODES,
    REQUIRED,
    Grid,
    check_sea,
    describe_sea,
    flow_of,
    grid_of,
    has,
    make_sea,
    node_faults,
    open_sea,
    region_of,
    save_sea,
    share_missing,
    to_seconds,
    to_times,
)
from searcher.sources import load_sea

DAY = np.datetime64("2026-01-17T00:00:00", "ns")
BETWEEN = {name: {v: (low, high) for v, (_, _, low, high) in known.items()} for name, known in NODES.items()}


def make_node(name: str, *, lat=None, lon=None, count=2, seed=0) -> xr.Dataset:
    """A node that keeps the contract, of random values inside the believable range, some missing."""
    lat = np.arange(-31.0, -29.9, 0.25) if lat is None else lat
    lon = np.arange(152.5, 154.1, 0.5) if lon is None else lon
    rng = np.random.default_rng(seed)
    coords = {"lat": lat, "lon": lon}
    dims, shape = ("lat", "lon"), (len(lat), len(lon))
    if name != "depth":
        coords["time"] = DAY + np.arange(count) * np.timedelta64(3, "h")
        dims, shape = ("time", *dims), (count, *shape)
    variables = {}
    for variable, (standard_name, units, low, high) in NODES[name].items():
        values = rng.uniform(max(low, -9.0), min(high, 9.0), shape).astype(np.float32)
        values[..., 1, 1] = np.nan
        attrs = {"units": units} | ({"standard_name": standard_name} if standard_name else {})
        variables[variable] = (dims, values, attrs)
    attrs = {"source": f"made for {name}", "license": "CC0", "credit": "nobody"}
    return xr.Dataset(variables, coords, attrs)


def make_nodes(*names: str) -> dict[str, xr.Dataset]:
    return {name: make_node(name, seed=at) for at, name in enumerate(names or NODES)}


# ---- the contract ----------------------------------------------------------------------------------------


def test_a_whole_sea_keeps_the_contract():
    sea = make_sea(make_nodes())
    assert check_sea(sea) is sea
    assert set(sea.children) == set(NODES)
    assert has(sea, "weed")
    assert not has(make_sea(make_nodes(*REQUIRED)), "weed")


def test_every_fault_is_named_at_once():
    currents = make_node("currents").isel(lat=slice(None, None, -1)).drop_vars("v")
    with pytest.raises(SeaError, match="sea: 4 problems") as caught:
        make_sea({"currents": currents, "fish": make_node("weed")})
    assert caught.value.problems == (
        "node 'temperature' is missing",
        "currents: lat: not ascending",
        "currents: variable 'v' is missing",
        f"node 'fish' is unknown, expected one of {list(KNOWN)}",
    )


def as_kelvin(data: xr.Dataset) -> xr.Dataset:
    data = data + 273.15
    data["sst"].attrs["units"] = "kelvin"
    return data


def zero_for_missing(data: xr.Dataset) -> xr.Dataset:
    return data.assign(sst=(data["sst"].dims, data["sst"].fillna(-32768.0).values, data["sst"].attrs))


def stretched(data: xr.Dataset, axis: str) -> xr.Dataset:
    values = data[axis].values.copy()
    values[-1] += 0.03 * (values[1] - values[0]) * values.size
    return data.assign_coords({axis: values})


@pytest.mark.parametrize(
    ("spoil", "fault"),
    [
        (as_kelvin, "sst: units 'kelvin', expected 'degree_Celsius'"),
        (as_kelvin, "sst: values 2"),
        (zero_for_missing, "sst: values -3.277e+04 to"),
        (lambda data: stretched(data, "lat"), "lat: steps from 0.25 to 0.2"),
        (lambda data: stretched(data, "lon"), "lon: steps from 0.5 to 0.5"),
        (lambda data: data.isel(lon=slice(None, None, -1)), "lon: not ascending"),
        (lambda data: data.isel(lat=[0]), "lat: 1 value, expected at least 2"),
        (lambda data: data.drop_vars("lat"), "coordinate 'lat' is missing"),
        (lambda data: data.drop_vars("time"), "coordinate 'time' is missing"),
        (lambda data: data.isel(time=[1, 0]), "time: not ascending"),
        (lambda data: data.isel(time=[0, 0]), "time: not ascending"),
        (lambda data: data.assign_coords(time=[0, 1]), "time: given int64, expected datetime64"),
        (lambda data: data.transpose("lat", "lon", "time"), "sst: dimensions ('lat', 'lon', 'time')"),
        (lambda data: data.where(False), "sst: holds no value at all"),
        (lambda data: data.fillna(0).astype("i2"), "sst: given int16, expected floats with NaN"),
    ],
)
def test_a_fault_of_a_node(spoil, fault):
    with xr.set_options(keep_attrs=True):
        faults = node_faults("temperature", spoil(make_node("temperature")))
    assert any(found.startswith(fault) for found in faults), faults


def test_steps_of_float32_coordinates_count_as_even():
    """0.01° at 153°: a float32 steps by 1.5e-5° there."""
    lon = np.arange(152.5, 154.0, 0.01).astype(np.float32)
    lat = np.arange(-31.0, -30.0, 0.01).astype(np.float32)
    data = make_node("temperature", lat=lat, lon=lon)
    assert node_faults("temperature", data) == []
    grid = grid_of(data)
    assert grid.dlon == pytest.approx(0.01, rel=1e-4)
    assert grid.dlat == pytest.approx(0.01, rel=1e-4)
    assert all(type(value) is float for value in grid)


# ---- times -----------------------------------------------------------------------------------------------


def test_seconds_since_2000():
    """2026-01-17 is 9513 days after 2000-01-01 (26 years, 7 of them leap years, and 16 days)."""
    assert to_seconds(DAY) == 9513 * 86400.0
    assert to_seconds(EPOCH) == 0.0
    assert to_times(9513 * 86400.0) == DAY


@given(st.integers(-(10**12), 10**12))
@settings(max_examples=50, deadline=None)
def test_milliseconds_come_back(milliseconds):
    time = EPOCH + np.timedelta64(milliseconds, "ms")
    assert to_times(to_seconds(time)) == time


# ---- to the kernels --------------------------------------------------------------------------------------


def test_grid_region_and_flow():
    data = make_node("currents")
    assert grid_of(data) == Grid(152.5, 0.5, -31.0, 0.25)
    assert region_of(data) == Region(152.5, -31.0, 154.0, -30.0)
    flow = flow_of(data)
    assert flow.u.flags.c_contiguous
    assert flow.u.dtype == flow.v.dtype == np.float64
    np.testing.assert_array_equal(flow.u, data["u"].values.astype(np.float64))
    np.testing.assert_array_equal(flow.v, data["v"].values.astype(np.float64))
    np.testing.assert_array_equal(np.diff(flow.t), 3 * 3600.0)
    wind = flow_of(make_node("wind"), "u10", "v10")
    np.testing.assert_array_equal(wind.u, make_node("wind")["u10"].values.astype(np.float64))


def test_share_missing_does_not_count_land():
    """Land is missing always. Of the 3 other cells of the second time one is under cloud: 1 of 6."""
    sst = np.array([[[1.0, 2.0], [3.0, np.nan]], [[1.0, np.nan], [3.0, np.nan]]])
    values = xr.DataArray(sst, dims=("time", "lat", "lon"))
    assert share_missing(values) == pytest.approx(1 / 6)
    assert share_missing(values.isel(time=[1])) == pytest.approx(0.5)
    assert share_missing(values.isel(time=1)) == pytest.approx(0.5)


def test_describe_sea():
    rows = describe_sea(make_sea(make_nodes("temperature", "currents", "depth")))
    assert [row["node"] for row in rows] == ["temperature", "currents", "depth"]
    first, _, last = rows
    assert (first["source"], first["license"], first["credit"]) == ("made for temperature", "CC0", "nobody")
    assert (first["first"], first["last"]) == (DAY, DAY + np.timedelta64(3, "h"))
    assert first["step"] == 0.25
    assert first["missing"] == 0.0  # the one missing cell is missing always
    assert (last["first"], last["last"]) == (None, None)
    assert last["missing"] == pytest.approx(1 / 20)


# ---- one file --------------------------------------------------------------------------------------------


def test_saved_and_opened_bit_for_bit(tmp_path):
    sea = make_sea(make_nodes())
    path = save_sea(sea, tmp_path / "sea.nc")
    again = open_sea(path)
    assert set(again.children) == set(sea.children)
    for name, node in sea.children.items():
        assert again[name].to_dataset().identical(node.to_dataset())
        for variable in node.data_vars:
            assert again[name][variable].values.tobytes() == node[variable].values.tobytes()
    assert [entry.name for entry in tmp_path.iterdir()] == ["sea.nc"]


@given(
    field=hnp.arrays(
        np.float32, (2, 3, 4), elements=st.floats(-5.0, 5.0, width=32) | st.just(np.float32(np.nan))
    ),
    times=st.lists(st.integers(0, 10**9), min_size=2, max_size=2, unique=True),
    west=st.floats(-180.0, 355.0),
)
@settings(max_examples=15, deadline=None)
def test_any_values_and_times_come_back(tmp_path_factory, field, times, west):
    field[0, 0, 0] = 1.0  # a node holds at least one value
    currents = make_node("currents", lat=np.arange(3.0), lon=west + np.arange(4.0))
    currents["u"].values[...] = field
    currents["v"].values[...] = -field
    currents = currents.assign_coords(time=to_times(np.sort(times)))
    sea = make_sea({"temperature": make_node("temperature"), "currents": currents})
    again = open_sea(save_sea(sea, tmp_path_factory.mktemp("sea") / "sea.nc"))
    assert again["currents"].to_dataset().identical(sea["currents"].to_dataset())
    assert again["currents"].to_dataset().equals(currents)


def test_nothing_half_written_is_left(tmp_path):
    """A sea that breaks the contract is not written, and one that cannot be written leaves the old file."""
    path = tmp_path / "sea.nc"
    sea = make_sea(make_nodes(*REQUIRED))
    broken = sea.copy()
    broken["currents"]["u"].attrs["units"] = "knots"
    with pytest.raises(SeaError, match="currents: u: units 'knots', expected 'm s-1'"):
        save_sea(broken, path)
    assert list(tmp_path.iterdir()) == []
    sea["currents"]["u"].attrs["units"] = "m s-1"
    save_sea(sea, path)
    before = path.read_bytes()
    unwritable = sea.copy()
    unwritable["currents"].attrs["note"] = {"a": "netCDF has no dictionaries"}
    with pytest.raises(TypeError, match=r"attribute b?'note'"):
        save_sea(unwritable, path)
    assert path.read_bytes() == before
    assert [entry.name for entry in tmp_path.iterdir()] == ["sea.nc"]


def test_files_that_are_no_sea(tmp_path):
    with pytest.raises(NoData, match=r"no sea file at .*sea\.nc\. Write one"):
        open_sea(tmp_path / "sea.nc")
    (tmp_path / "text.nc").write_text("not a sea\n")
    with pytest.raises(SeaError, match=r"text\.nc cannot be read as a sea"):
        open_sea(tmp_path / "text.nc")
    path = save_sea(make_sea(make_nodes(*REQUIRED)), tmp_path / "sea.nc")
    path.write_bytes(path.read_bytes()[:-500])
    with pytest.raises(SeaError, match=r"sea\.nc cannot be read as a sea"):
        open_sea(path)
    make_node("currents").to_netcdf(tmp_path / "flat.nc")
    with pytest.raises(SeaError, match="node 'temperature' is missing"):
        open_sea(tmp_path / "flat.nc")


# ---- CF --------------------------------------------------------------------------------------------------


def write_flat(path, folder) -> list:
    """Every group of a file as a file of its own, byte for byte, under the attributes of the root."""
    paths = []
    with netCDF4.Dataset(path) as whole:
        for name, group in whole.groups.items():
            paths.append(folder / f"{name}.nc")
            with netCDF4.Dataset(paths[-1], "w") as flat:
                for source in (whole, group):
                    flat.setncatts({key: source.getncattr(key) for key in source.ncattrs()})
                for dim, size in group.dimensions.items():
                    flat.createDimension(dim, size.size)
                for known, variable in group.variables.items():
                    attrs = {key: variable.getncattr(key) for key in variable.ncattrs()}
                    fill = attrs.pop("_FillValue", None)
                    copy = flat.createVariable(known, variable.dtype, variable.dimensions, fill_value=fill)
                    copy.setncatts(attrs)
                    for one in (variable, copy):
                        one.set_auto_maskandscale(False)
                    copy[...] = variable[...]
    return paths


def list_findings(path, *, but=()) -> list[str]:
    """What the IOOS compliance checker has against a file by CF 1.11, recommendations included."""
    from compliance_checker.runner import CheckSuite

    CheckSuite.load_all_available_checkers()
    suite = CheckSuite()
    with suite.load_dataset(str(path)) as data:
        (groups, failed), *_ = suite.run_all(data, ["cf:1.11"], skip_checks=list(but)).values()
    assert not failed
    assert len(groups) > 10
    return [f"{path.name}: {m}" for group in groups if group.value[0] < group.value[1] for m in group.msgs]


@pytest.mark.slow
@pytest.mark.filterwarnings("ignore")  # of the checker's own libraries
def test_a_saved_sea_is_clean_by_cf(tmp_path):
    """A demonstration sea, from files, with its composed map. The checker looks into the root alone, so the
    groups are checked as files of their own. One check of the root is left out: it wants the `time` of all
    groups to be one dimension, where CF 1.11, section 2.7.1, asks that only of variables that refer to one
    another across groups, and here none do."""
    sea, _ = make_builtin_sea(particles=100)
    folder = write_sea_files(sea, tmp_path / "demo")
    loaded = load_sea(Region(153.0, -31.0, 154.5, -29.6), sources=sorted((folder / "data").glob("*.nc")))
    assert set(loaded.children) == {*sea.children, "surface"}
    for number, saved in enumerate((sea, loaded)):
        (tmp_path / str(number)).mkdir()
        path = save_sea(saved, tmp_path / str(number) / "sea.nc")
        again = open_sea(path)
        assert again.attrs["Conventions"] == "CF-1.11"
        for name in saved.children:
            assert again[name].to_dataset().identical(saved[name].to_dataset())
        assert list_findings(path, but=["check_invalid_same_named_dimension_across_groups"]) == []
        assert [f for flat in write_flat(path, path.parent) for f in list_findings(flat)] == []
    spoilt = sea.copy()
    spoilt["waves"]["hs"].attrs["standard_name"] = "height_of_the_waves"
    (tmp_path / "spoilt").mkdir()
    flat = write_flat(save_sea(spoilt, tmp_path / "spoilt" / "sea.nc"), tmp_path / "spoilt")
    assert any("height_of_the_waves" in f for path in flat for f in list_findings(path))


def test_coordinates_have_no_fill_value(tmp_path):
    """CF 1.11, section 2.5.1: a coordinate variable may have no missing values."""
    path = save_sea(make_sea(make_nodes()), tmp_path / "sea.nc")
    with netCDF4.Dataset(path) as data:
        assert data.Conventions == "CF-1.11"
        for group in data.groups.values():
            for name in group.dimensions:
                assert "_FillValue" not in group[name].ncattrs()


def test_attributes_that_are_there_stay_and_others_are_filled_in():
    nodes = make_nodes(*REQUIRED)
    nodes["temperature"]["sst"].attrs |= {"standard_name": "sea_surface_skin_temperature", "comment": "night"}
    before = nodes["temperature"].copy(deep=True)
    sst = make_sea(nodes)["temperature"]["sst"]
    assert sst.attrs == {
        "standard_name": "sea_surface_skin_temperature",
        "comment": "night",
        "units": "degree_Celsius",
        "units_metadata": "temperature: on_scale",
        "long_name": "sea surface temperature",
    }
    assert sst["lat"].attrs["units"] == "degrees_north"
    assert nodes["temperature"].identical(before)
