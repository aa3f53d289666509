"""OPeNDAP servers, and whole files: a window in space and time of one dataset, written as a netCDF file.

`xarray` opens the dataset lazily through the netCDF library, so only the axes and the window are asked for.
Nothing is decoded: packed numbers are written as they came, with their packing and what tells the good ones.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import netCDF4
import numpy as np
import xarray as xr

from searcher.errors import NoData, SourceError
from searcher.geo import Region
from searcher.sources.asking import Request, ask_newest
from searcher.sources.axes import Axes, Cut, coordinate_of, cut_axis, find_axes
from searcher.sources.child import run_child
from searcher.sources.opening import open_lazily, writing
from searcher.sources.tell import tell_box, tell_time
from searcher.sources.unpack import bounds_of, decode_times
from searcher.sources.web import Absent, Passing, Web, find_message

#: a whole answer, and all of them, may take this many times the longest silence
ONE_ANSWER, ALL_ANSWERS = 5, 10
#: attributes that are kept; a server adds others that no netCDF file may hold
OF_VARIABLE = (
    *("standard_name", "long_name", "units", "axis", "positive", "calendar", "comment"),
    *("bounds", "cell_methods"),
    *("_FillValue", "missing_value", "scale_factor", "add_offset", "_Unsigned"),
    *("Scaling", "Base", "Slope", "Intercept", "ancillary_variables"),
    *("flag_values", "flag_masks", "flag_meanings", "valid_min", "valid_max", "valid_range"),
)
OF_FILE = (
    *("title", "institution", "source", "license", "acknowledgment", "acknowledgement", "credit"),
    *("references", "comment", "id", "product_version", "Conventions"),
    *("time_coverage_start", "time_coverage_end"),
)


class Curved(SourceError):
    """A dataset does not lie on longitudes and latitudes, so no box can be cut from it."""


def fetch_opendap(request: Request, path: Path, web: Web, *, latest: np.datetime64) -> Region:
    """Write what an OPeNDAP server has of a request to `path`; the box that was asked, in degrees."""
    url = ask_newest(request.product, latest, lambda address: _check_described(address, web))
    limit = ALL_ANSWERS * web.timeout
    try:
        return run_child(cut_remote, url, request, path, web.timeout, limit=limit, stop=web.stop)
    except Passing as error:  # xarray has asked again by itself, several times
        raise SourceError(f"{url} broke off its answer: {error}") from error


def _check_described(url: str, web: Web) -> str:
    """The address of a dataset that the server has, by the description (DDS) it gives of it.

    Raises `Absent` where it has none; some servers say so in DAP's own form, with status 200.
    """
    said = web.read_text(f"{url}.dds")
    if said.lstrip().startswith("Dataset"):
        return url
    kind = Absent if said.lstrip().startswith("Error") else SourceError
    raise kind(f"{url} is no OPeNDAP dataset; it answered: {find_message(said)}")


def cut_remote(url: str, request: Request, path: Path, timeout: float) -> Region:
    """`cut_dataset` of an address, with the time limits of the netCDF library set; for a child process."""
    netCDF4.rc_set("HTTP.CONNECTTIMEOUT", str(math.ceil(timeout)))
    netCDF4.rc_set("HTTP.TIMEOUT", str(math.ceil(ONE_ANSWER * timeout)))
    # servers give fill values in another type than the variable's, which the library refuses by default
    with open_lazily(f"{url}#fillmismatch") as data:
        return cut_dataset(data, request, path)


def cut_dataset(data: xr.Dataset, request: Request, path: Path) -> Region:
    """Write the window that a request asks of an open dataset; the box it got, degrees."""
    names = _find_names(data, request)
    axes = find_axes(data, names[0])
    if axes is None:
        raise Curved(f"{names[0]} does not lie on a grid of longitudes and latitudes")
    lat, lon = _cut_axes(axes, request.region)
    time = coordinate_of(data, axes.dims["time"]) if "time" in axes.dims else None
    steps = None if time is None else _choose_steps(time, request)
    cut = xr.Dataset(
        {name: _cut_variable(data[name], axes, lat, lon, steps) for name in names},
        attrs={key: data.attrs[key] for key in OF_FILE if key in data.attrs},
    )
    for axis, found in (("lat", lat), ("lon", lon)):
        dim = axes.dims[axis]
        cut[dim] = (dim, found.values, {"units": "degrees_north" if axis == "lat" else "degrees_east"})
    if time is not None and steps is not None:
        dim, bounds = axes.dims["time"], bounds_of(data, str(time.name))
        cut[time.name] = (dim, time.values[steps], _keep(time.attrs))
        if bounds is not None:
            ends = bounds.isel({bounds.dims[0]: steps})
            cut[time.attrs["bounds"]] = ((dim, bounds.dims[1]), ends.values, _keep(ends.attrs))
    with writing(path):
        cut.to_netcdf(path, engine="netcdf4")
    return Region(float(lon.values[0]), float(lat.values[0]), float(lon.values[-1]), float(lat.values[-1]))


def _find_names(data: xr.Dataset, request: Request) -> list[str]:
    product = request.product
    absent = [name for name in product.variables if name not in data.variables]
    if absent:
        raise SourceError(
            f"the dataset has no {', '.join(absent)}; it has {', '.join(map(str, data.variables))}"
        )
    return [*product.variables, *(name for name in product.beside if name in data.variables)]


def _cut_axes(axes: Axes, region: Region) -> tuple[Cut, Cut]:
    lat = cut_axis(axes.lat, region.south, region.north)
    lon = cut_axis(axes.lon, region.west, region.east, turning=True)
    if lat is None or lon is None:
        raise NoData(
            "the dataset does not cover the region",
            given=tell_box(Region(axes.lon.min(), axes.lat.min(), axes.lon.max(), axes.lat.max())),
        )
    return lat, lon


def _choose_steps(time: xr.DataArray, request: Request) -> slice | None:
    """Indices of the times asked for; the last there is where all are earlier."""
    if request.start is None or request.end is None:
        return None
    times = decode_times(time)
    if times[0] > request.end:
        raise NoData(
            f"the dataset begins at {tell_time(times[0])}", expected=f"something by {tell_time(request.end)}"
        )
    first = min(int(np.searchsorted(times, request.start, side="left")), times.size - 1)
    last = int(np.searchsorted(times, request.end, side="right"))
    return slice(first, max(last, first + 1))


def _cut_variable(
    variable: xr.DataArray, axes: Axes, lat: Cut, lon: Cut, steps: slice | None
) -> tuple[Sequence[str], np.ndarray, dict[str, Any]]:
    """Dimensions, packed numbers and attributes of the window; one request for each stretch of the axes."""
    dims = axes.dims
    first = {dim: 0 for dim in variable.dims if dim not in dims.values()} | axes.pick
    window = variable.isel(first, missing_dims="ignore")
    if steps is not None and dims["time"] in window.dims:
        window = window.isel({dims["time"]: steps})
    elif dims.get("time") in window.dims:
        window = window.isel({dims["time"]: slice(-1, None)})
    order = [dims[axis] for axis in ("time", "lat", "lon") if dims.get(axis) in window.dims]
    rows = [
        np.concatenate(
            [_read_stretch(window, {dims["lat"]: row, dims["lon"]: column}, order) for column in lon.runs],
            axis=-1,
        )
        for row in lat.runs
    ]
    return order, np.concatenate(rows, axis=-2), _keep(variable.attrs)


def _read_stretch(window: xr.DataArray, runs: dict[str, slice], order: list[str]) -> np.ndarray:
    """Values of a stretch; one that runs backwards is asked for forwards and turned here."""
    down = {dim: run for dim, run in runs.items() if run.step == -1}
    forward = {
        dim: slice(0 if run.stop is None else run.stop + 1, run.start + 1) if dim in down else run
        for dim, run in runs.items()
    }
    values = window.isel(forward).load()
    return values.isel({dim: slice(None, None, -1) for dim in down}).transpose(*order).values


def _keep(attrs: dict[str, Any]) -> dict[str, Any]:
    return {key: attrs[key] for key in OF_VARIABLE if key in attrs}
