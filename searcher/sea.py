"""What a sea must be, and the one gate from xarray to the kernels.

A sea is an `xarray.DataTree`. Each node keeps its own grid:

============  ======================  =====================================  ==============
node          variables               CF standard names                      units
============  ======================  =====================================  ==============
temperature   sst                     sea_surface_temperature                degree_Celsius
currents      u, v                    surface_eastward_sea_water_velocity,   m s-1
                                      surface_northward_sea_water_velocity
color         chlor_a                 mass_concentration_of_chlorophyll_a…   mg m-3
weed          weed                    (index, no standard name)              1
height        sla                     sea_surface_height_above_sea_level     m
wind          u10, v10                eastward_wind, northward_wind          m s-1
waves         hs                      sea_surface_wave_significant_height    m
depth         depth                   sea_floor_depth_below_geoid            m
surface       sst, age                sea_surface_temperature; (none)        degree_Celsius, s
============  ======================  =====================================  ==============

`surface` is not read but made of the pictures in `temperature` (`searcher.sources.composite`): one map of the
temperature, each cell as last seen, carried by the currents to one hour; `age` is how long ago that was.

Dimensions are (time, lat, lon), for `depth` (lat, lon). Latitudes and longitudes ascend in even steps, in
degrees; longitudes are continuous, so a box over 180° runs past 180. Times ascend, UTC. Land and missing
values are NaN. Every node carries the attributes `source`, `license`, `credit`; `describe_sea` adds what
can be counted (valid times, share missing).
"""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, overload

import numpy as np
import xarray as xr
from numpy.typing import ArrayLike

from searcher.errors import NoData, SeaError
from searcher.files import whole_file
from searcher.geo import Region
from searcher.kernels.metric import row_metrics
from searcher.kernels.sample import Flow, Grid, sample_field

#: node -> variable -> (CF standard name or None, units, lowest and highest believable value)
NODES: dict[str, dict[str, tuple[str | None, str, float, float]]] = {
    "temperature": {"sst": ("sea_surface_temperature", "degree_Celsius", -3.0, 45.0)},
    "currents": {
        "u": ("surface_eastward_sea_water_velocity", "m s-1", -5.0, 5.0),
        "v": ("surface_northward_sea_water_velocity", "m s-1", -5.0, 5.0),
    },
    "color": {"chlor_a": ("mass_concentration_of_chlorophyll_a_in_sea_water", "mg m-3", 0.0, 200.0)},
    "weed": {"weed": (None, "1", -1e6, 1e6)},
    "height": {"sla": ("sea_surface_height_above_sea_level", "m", -5.0, 5.0)},
    "wind": {
        "u10": ("eastward_wind", "m s-1", -90.0, 90.0),
        "v10": ("northward_wind", "m s-1", -90.0, 90.0),
    },
    "waves": {"hs": ("sea_surface_wave_significant_height", "m", 0.0, 30.0)},
    "depth": {"depth": ("sea_floor_depth_below_geoid", "m", -9000.0, 12000.0)},
}
#: nodes made of others, as NODES
MADE: dict[str, dict[str, tuple[str | None, str, float, float]]] = {
    "surface": {"sst": NODES["temperature"]["sst"], "age": (None, "s", 0.0, 1e7)},
}
KNOWN = NODES | MADE
REQUIRED = ("temperature", "currents")
LONG_NAMES = {
    "lat": "latitude",
    "lon": "longitude",
    "time": "time, UTC",
    "sst": "sea surface temperature",
    "u": "eastward current",
    "v": "northward current",
    "chlor_a": "chlorophyll a",
    "weed": "floating algae index",
    "sla": "sea level",
    "u10": "eastward wind",
    "v10": "northward wind",
    "hs": "significant wave height",
    "depth": "depth of the sea floor",
    "age": "time since the water was seen",
}
AXES = {
    "lat": {"standard_name": "latitude", "units": "degrees_north", "axis": "Y"},
    "lon": {"standard_name": "longitude", "units": "degrees_east", "axis": "X"},
    "time": {"standard_name": "time", "axis": "T", "units_metadata": "leap_seconds: none"},
}
ROOT = {
    "Conventions": "CF-1.11",
    "title": "a sea: ocean fields of several products, one group each",
    "history": "each product cut to one region and some hours, on its own grid, in common units",
}
#: currents (`u`, `v`) as they were given, where those of the node were moved (`searcher.sources.align`)
GIVEN = ("u_given", "v_given")
#: how far one step of a coordinate may stray from the mean step (float32 coordinates stray about 0.5 %)
STEP_TOLERANCE = 0.02


EPOCH = np.datetime64("2000-01-01T00:00:00", "ns")
#: the first and last currents stand for hours less than this from them
HELD = np.timedelta64(4 * 24, "h")


def to_seconds(times: ArrayLike) -> np.ndarray:
    """Seconds since `EPOCH` (float64) of datetime64 values; exact to well under a millisecond."""
    return (np.asarray(times, dtype="datetime64[ns]") - EPOCH) / np.timedelta64(1, "s")


@overload
def to_times(seconds: float) -> np.datetime64: ...
@overload
def to_times(seconds: np.ndarray | Sequence[float]) -> np.ndarray: ...
def to_times(seconds: float | np.ndarray | Sequence[float]) -> np.datetime64 | np.ndarray:
    """datetime64[ns] of seconds since `EPOCH`, rounded to the millisecond."""
    milliseconds = np.round(np.asarray(seconds, dtype=np.float64) * 1e3).astype("int64")
    return (EPOCH + milliseconds.astype("timedelta64[ms]")).astype("datetime64[ns]")


def make_sea(nodes: Mapping[str, xr.Dataset]) -> xr.DataTree:
    """A checked sea of datasets by node name; CF attributes that are wanting are filled in."""
    root = xr.Dataset(attrs=ROOT)
    named = {name: name_fields(name, data) for name, data in nodes.items()}
    return check_sea(xr.DataTree.from_dict(named | {"/": root}))


def check_picture(picture: xr.DataArray) -> None:
    """Raise `SeaError` unless a picture is (lat, lon), both rising."""
    if picture.dims != ("lat", "lon"):
        raise SeaError(
            "a picture",
            given=f"({', '.join(map(str, picture.dims))})",
            expected="(lat, lon)",
            hint="Take one hour of it, .isel(time=-1), and .transpose('lat', 'lon')",
        )
    falling = [name for name in ("lat", "lon") if not (np.diff(picture[name].values) > 0).all()]
    if falling:
        raise SeaError(
            "a picture",
            given=f"{' and '.join(falling)} not rising",
            expected="both rising",
            hint="Use .sortby",
        )


def name_fields(node: str, data: xr.Dataset) -> xr.Dataset:
    """A shallow copy in which every axis and field of a node says its CF name and what it is.

    What is said already stays. Units of fields are not filled in: whoever made the values must say them.
    """
    data = data.copy(deep=False)
    names = {name: {"standard_name": row[0]} if row[0] else {} for name, row in KNOWN.get(node, {}).items()}
    if "sst" in names:
        names["sst"]["units_metadata"] = "temperature: on_scale"
    for name, attrs in (AXES | names).items():
        if name in data.variables:
            data[name].attrs = attrs | {"long_name": LONG_NAMES[name]} | data[name].attrs
    return data


def check_sea(sea: xr.DataTree) -> xr.DataTree:
    """Return `sea` if it keeps the contract above, else raise `SeaError` naming every fault."""
    problems = [f"node {name!r} is missing" for name in REQUIRED if name not in sea.children]
    for name, node in sea.children.items():
        if name not in KNOWN:
            problems.append(f"node {name!r} is unknown, expected one of {list(KNOWN)}")
        else:
            problems += [f"{name}: {fault}" for fault in node_faults(name, node.to_dataset())]
    if problems:
        raise SeaError.of_problems("sea", problems)
    return sea


def node_faults(name: str, data: xr.Dataset) -> list[str]:
    """Everything in which a dataset breaks the contract of node `name`."""
    dims = ("lat", "lon") if name == "depth" else ("time", "lat", "lon")
    faults = [fault for axis in ("lat", "lon") for fault in _axis_faults(data, axis)]
    if "time" in dims:
        faults += _time_faults(data)
    for variable, (_, units, low, high) in KNOWN[name].items():
        if variable not in data:
            faults.append(f"variable {variable!r} is missing")
            continue
        values = data[variable]
        if values.dims != dims:
            faults.append(f"{variable}: dimensions {values.dims}, expected {dims}")
        if values.attrs.get("units") != units:
            faults.append(f"{variable}: units {values.attrs.get('units')!r}, expected {units!r}")
        faults += _range_faults(variable, values, low, high)
    return faults


def _axis_faults(data: xr.Dataset, axis: str) -> list[str]:
    if axis not in data.coords:
        return [f"coordinate {axis!r} is missing"]
    values = data[axis].values.astype(np.float64)
    if values.size < 2:
        return [f"{axis}: {values.size} value, expected at least 2"]
    steps = np.diff(values)
    if not (steps > 0).all():
        return [f"{axis}: not ascending"]
    if np.abs(steps / steps.mean() - 1).max() > STEP_TOLERANCE:
        return [f"{axis}: steps from {steps.min():.5g} to {steps.max():.5g}°, expected even steps"]
    return []


def _time_faults(data: xr.Dataset) -> list[str]:
    if "time" not in data.coords:
        return ["coordinate 'time' is missing"]
    times = data["time"].values
    if times.dtype.kind != "M":
        return [f"time: given {times.dtype}, expected datetime64"]
    if times.size > 1 and not (np.diff(times) > np.timedelta64(0)).all():
        return ["time: not ascending"]
    return []


def _range_faults(variable: str, values: xr.DataArray, low: float, high: float) -> list[str]:
    array = values.values
    if array.dtype.kind != "f":
        return [f"{variable}: given {array.dtype}, expected floats with NaN for missing"]
    if array.size == 0 or np.isnan(array).all():
        return [f"{variable}: holds no value at all"]
    least, most = float(np.nanmin(array)), float(np.nanmax(array))
    if least < low or most > high:
        return [f"{variable}: values {least:.4g} to {most:.4g}, believable {low:g} to {high:g}"]
    return []


def describe_sea(sea: xr.DataTree) -> list[dict[str, Any]]:
    """One row per node: name, source, credit, license, first and last valid time, step (°), share missing.

    The share missing counts cells that are missing now but not always (land does not count) where the node
    has several times, and all missing cells where it has one; of `surface`, the water that was not seen.
    """
    rows = []
    for name, node in sea.children.items():
        data = node.to_dataset()
        times = data["time"].values if "time" in data.coords else None
        rows.append(
            {
                "node": name,
                "source": data.attrs.get("source", ""),
                "credit": data.attrs.get("credit", ""),
                "license": data.attrs.get("license", ""),
                "first": None if times is None else times[0],
                "last": None if times is None else times[-1],
                "step": float(data["lat"].values[1] - data["lat"].values[0]),
                "missing": data.attrs.get("unseen", share_missing(data[next(iter(KNOWN[name]))])),
            }
        )
    return rows


def share_missing(values: xr.DataArray) -> float:
    """Share of NaN among the cells that have a value at some time (of all cells where there is one time)."""
    missing = np.isnan(values.values)
    if "time" in values.dims and values.sizes["time"] > 1:
        ever = ~missing.all(axis=values.dims.index("time"))
        missing = missing[..., ever]
    return float(missing.mean()) if missing.size else 1.0


def grid_of(data: xr.Dataset | xr.DataArray) -> Grid:
    """The regular grid of a node. The step is the mean step, so that float32 coordinates do no harm."""
    lon, lat = data["lon"].values.astype(np.float64), data["lat"].values.astype(np.float64)
    return Grid(
        float(lon[0]),
        float((lon[-1] - lon[0]) / (lon.size - 1)),
        float(lat[0]),
        float((lat[-1] - lat[0]) / (lat.size - 1)),
    )


def check_hour(at: np.datetime64, times: np.ndarray) -> None:
    """Raise `NoData` for an hour `HELD` or more before the first of the currents or after the last."""
    first, last = times.min(), times.max()
    if not first - HELD < np.datetime64(at, "ns") < last + HELD:  # type: ignore[call-overload]
        raise NoData(
            "no currents near the hour that is asked for",
            given=at,
            expected=f"an hour less than {HELD / np.timedelta64(1, 'D'):g} days from {first} to {last}",
            hint="Load a sea of that day",
        )


def sample_at(field: xr.DataArray, places: np.ndarray) -> np.ndarray:
    """A field (lat, lon) at places (n, 2; degrees), (n,); NaN where it is not known."""
    lon, lat = np.ascontiguousarray(places.T)
    values = field.transpose("lat", "lon").values
    return sample_field(np.ascontiguousarray(values, dtype=np.float64), grid_of(field), lon, lat)


def region_of(data: xr.Dataset) -> Region:
    """The box from the first to the last node of a grid."""
    lon, lat = data["lon"].values, data["lat"].values
    return Region(float(lon[0]), float(lat[0]), float(lon[-1]), float(lat[-1]))


def metres_between(lat: np.ndarray, grid: Grid) -> tuple[np.ndarray, np.ndarray]:
    """Metres between neighbouring nodes along and across each row."""
    per_lon, per_lat = row_metrics(np.ascontiguousarray(lat, dtype=np.float64))
    return per_lon * grid.dlon, per_lat * grid.dlat


def cell_size(data: xr.Dataset) -> float:
    """Length (m) of the side of a square as large as a cell of a grid."""
    east, north = metres_between(data["lat"].values, grid_of(data))
    return float(np.sqrt(east.mean() * north.mean()))


def flow_of(data: xr.Dataset, east: str = "u", north: str = "v") -> Flow:
    """The vector field of a node (`currents`: u, v; `wind`: u10, v10) as kernel arrays."""
    return Flow(
        to_seconds(data["time"].values),
        np.ascontiguousarray(data[east].values, dtype=np.float64),
        np.ascontiguousarray(data[north].values, dtype=np.float64),
        *grid_of(data),
    )


def has(sea: xr.DataTree, node: str) -> bool:
    """Whether a sea holds a node."""
    return node in sea.children


def save_sea(sea: xr.DataTree, path: str | os.PathLike[str]) -> Path:
    """Write a whole sea to one netCDF file, a group per node; the file appears whole or not at all."""
    encoding = {f"/{name}": _encoding(node) for name, node in check_sea(sea).children.items()}
    with whole_file(path) as partial:
        sea.to_netcdf(partial, encoding=encoding)
    return Path(path)


def _encoding(node: xr.DataTree) -> dict[str, dict[str, Any]]:
    """Fields packed without loss; coordinates without a fill value, since none may be missing (CF 2.5.1)."""
    fields: dict[str, dict[str, Any]]
    fields = {str(name): {"zlib": True, "complevel": 1} for name in node.data_vars}
    axes = {str(name): {"_FillValue": None} for name, axis in node.coords.items() if axis.dtype.kind == "f"}
    return fields | axes


def open_sea(path: str | os.PathLike[str]) -> xr.DataTree:
    """Read a sea that `save_sea` wrote, whole, into memory."""
    path = Path(path)
    if not path.exists():
        raise NoData(f"no sea file at {path}", hint="Write one with 'searcher scan'")
    try:
        with xr.open_datatree(path) as tree:
            return check_sea(tree.load())
    except (OSError, RuntimeError, ValueError) as error:
        raise SeaError(f"{path} cannot be read as a sea: {error}") from error
