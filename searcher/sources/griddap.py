"""ERDDAP's griddap: one request for a box and some hours, answered with a netCDF file.

The dataset's own description is read first: the order of its axes, where they begin and end and which way
they run, so that the bounds stand in the axes' order, in the server's longitudes, and inside what there is.
(https://coastwatch.pfeg.noaa.gov/erddap/griddap/documentation.html: bounds in parentheses are coordinates and
stand for the nearest point of the axis; [(start):stride:(stop)], with start before stop along the axis.)
"""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any, NamedTuple
from urllib.parse import quote

import numpy as np
import xarray as xr

from searcher.errors import NoData, SourceError
from searcher.geo import Region, near_longitude
from searcher.sources.arrival import LOCK, check_kind
from searcher.sources.asking import Request, cut_pieces, shift_near
from searcher.sources.catalogue import Product
from searcher.sources.opening import UNREADABLE, open_raw, why_unreadable, writing
from searcher.sources.tell import tell_box
from searcher.sources.web import Web, find_message


class Axis(NamedTuple):
    """An axis as a server describes it: lowest and highest value (time: seconds since 1970), direction."""

    name: str
    low: float
    high: float
    descends: bool


class Grid(NamedTuple):
    """A griddap dataset as the server describes it: axes in the order of its brackets, and variables."""

    axes: tuple[Axis, ...]
    variables: frozenset[str]

    def box(self) -> Region:
        """What the dataset covers, in its own longitudes."""
        found = {axis.name: axis for axis in self.axes}
        lon, lat = found["longitude"], found["latitude"]
        return Region(lon.low, lat.low, lon.high, lat.high)


def fetch_griddap(
    request: Request, path: Path, web: Web, tell: Callable[[int, int | None], None] | None = None
) -> Region:
    """Write what a griddap server has of a request to `path`; the box that was asked, in degrees."""
    product = request.product
    grid = read_grid(product, web)
    pieces = cut_pieces(request.region, grid.box())
    if not pieces:
        raise NoData("the server does not cover the region", given=tell_box(grid.box()))
    parts = [path.with_suffix(f".{number}.nc") for number in range(len(pieces))]
    for part, piece in zip(parts, pieces, strict=True):
        web.download(build_url(request, grid, piece), part, tell=tell)
        check_kind(part)
    if len(parts) == 1:
        parts[0].replace(path)
    else:
        join_pieces(parts, path, request.region)
    near = [shift_near(piece, request.region) for piece in pieces]
    return Region(near[0].west, near[0].south, near[-1].east, near[0].north)


def read_grid(product: Product, web: Web) -> Grid:
    """The description of a dataset, from info/{dataset}/index.json."""
    text = web.read_text(f"{product.address}/info/{quote(product.dataset)}/index.json")
    try:
        rows = json.loads(text)["table"]["rows"]
        grid = _parse_info(rows)
    except (ValueError, KeyError, TypeError, IndexError) as error:
        raise SourceError(
            f"the description of {product.dataset} is not what ERDDAP sends: {find_message(text)}"
        ) from error
    absent = [name for name in product.variables if name not in grid.variables]
    if absent:
        held = ", ".join(sorted(grid.variables))
        raise SourceError(f"{product.dataset} has no {', '.join(absent)}; it has {held}")
    if not {"latitude", "longitude"} <= {axis.name for axis in grid.axes}:
        raise SourceError(f"{product.dataset} has no latitude and longitude")
    return grid


def _parse_info(rows: list[list[Any]]) -> Grid:
    """Axes and variables of the rows (row type, variable, attribute, type, value)."""
    about = {row[1]: str(row[4]) for row in rows if row[0] == "dimension"}
    ranges = {row[1]: row[4] for row in rows if row[2] == "actual_range"}
    axes = []
    for name, said in about.items():
        low, high = sorted(float(value) for value in str(ranges[name]).split(","))
        axes.append(Axis(name, low, high, "averageSpacing=-" in said))
    return Grid(tuple(axes), frozenset(row[1] for row in rows if row[0] == "variable"))


def build_url(request: Request, grid: Grid, piece: Region) -> str:
    """The address of a netCDF file with one piece of a request."""
    product = request.product
    brackets = "".join(_bracket(axis, request, piece) for axis in grid.axes)
    names = [*product.variables, *(name for name in product.beside if name in grid.variables)]
    query = ",".join(f"{name}{brackets}" for name in names)
    return f"{product.address}/griddap/{quote(product.dataset)}.nc?{quote(query, safe=',:()')}"


def _bracket(axis: Axis, request: Request, piece: Region) -> str:
    """[(start):1:(stop)] of one axis, in the axis' own direction."""
    if axis.name == "time":
        start, stop = (_tell_time(value) for value in choose_times(axis, request))
    elif axis.name in ("latitude", "longitude"):
        low, high = (piece.south, piece.north) if axis.name == "latitude" else (piece.west, piece.east)
        inside = [min(max(round(value, 6), axis.low), axis.high) for value in (low, high)]
        start, stop = (repr(float(value)) for value in (inside[::-1] if axis.descends else inside))
    else:  # a level: the one nearest the surface
        start = stop = repr(min(max(0.0, axis.low), axis.high))
    return f"[({start}):1:({stop})]"


def choose_times(axis: Axis, request: Request) -> tuple[float, float]:
    """First and last time to ask for, s since 1970: what was wanted, cut to what there is; the last there is
    where all is earlier."""
    if request.start is None or request.end is None:
        return axis.high, axis.high
    times = (request.start, request.end)
    start, end = (float((time - np.datetime64(0, "s")) / np.timedelta64(1, "s")) for time in times)
    if axis.low > end:
        raise NoData(
            f"the server begins at {_tell_time(axis.low)}", expected=f"something by {_tell_time(end)}"
        )
    return min(max(start, axis.low), axis.high), min(end, axis.high)


def join_pieces(parts: list[Path], path: Path, region: Region) -> None:
    """Write the pieces on both sides of a server's seam as one file, its longitudes those of the region."""
    with LOCK:
        pieces = []
        for part in parts:
            piece = _read_piece(part)
            lon = near_longitude(piece["longitude"].values.astype(np.float64), region.centre.lon)
            pieces.append(piece.assign_coords(longitude=("longitude", lon, piece["longitude"].attrs)))
        whole = xr.concat(
            pieces,
            "longitude",
            data_vars="minimal",
            coords="minimal",
            compat="override",
            join="override",
            combine_attrs="override",
        )
        whole = whole.sortby("longitude").drop_duplicates("longitude")
        whole["longitude"].attrs.pop("actual_range", None)
        with writing(path):
            whole.to_netcdf(path, engine="netcdf4")
    for part in parts:
        part.unlink()


def _read_piece(part: Path) -> xr.Dataset:
    try:
        with open_raw(part) as data:
            return data.load()
    except UNREADABLE as error:
        raise SourceError(why_unreadable(part, error)) from error


def _tell_time(seconds: float) -> str:
    return f"{np.datetime64(round(seconds), 's')}Z"
