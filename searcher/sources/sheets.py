"""Grids that are not made of longitudes and latitudes: found in a file, cut to a region.

A `Sheet` is the part of such a grid that a region needs. It is curvilinear (a longitude and a latitude for
every node, as ocean models on stretched, staggered or tripolar grids and satellite swaths have) or projected
(two axes in metres and a CF grid mapping, CF conventions 1.11, section 5.6).
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np
import xarray as xr
from pyproj import CRS, Transformer
from pyproj.exceptions import CRSError

from searcher.errors import SourceError
from searcher.geo import Region, near_longitude
from searcher.sources.axes import Axes, Cut, as_runs, cut_axis, find_pair, find_roles, pick_levels
from searcher.sources.regrid import (
    angle_of_columns,
    find_spacing,
    locate_curved,
    locate_straight,
    resample_angle,
    shrink,
)
from searcher.sources.unpack import conversion, counts_backwards, unpack, unpack_axis

#: what was located on the nodes of a sheet: longitudes and latitudes, as bytes -> fractional rows and columns
Located = dict[tuple[bytes, bytes], tuple[np.ndarray, np.ndarray]]
#: stretches of rows, and of columns
Runs = tuple[tuple[slice, ...], tuple[slice, ...]]
#: first and last latitude and longitude, runs of rows and columns, their longitudes and latitudes, `Located`
Nodes = tuple[list[np.ndarray], Runs, np.ndarray, np.ndarray, Located]
#: names of a latitude and a longitude, numbers of rows and columns -> what was read of them
Known = dict[tuple[tuple[str, str], tuple[int, int]], Nodes]
DEGREE = 111e3  # m, to see how far beyond a region to look
PROJECTED = {
    "projection_x_coordinate": "lon",
    "projection_y_coordinate": "lat",
    "projection_x_angular_coordinate": "lon",
    "projection_y_angular_coordinate": "lat",
}


@dataclass(frozen=True, eq=False)
class Sheet:
    """The nodes of a grid that a region needs: which rows and columns to read, and where they lie."""

    axes: Axes  # dimension names ("lat" for rows, "lon" for columns); first and last longitude and latitude
    rows: tuple[slice, ...]
    columns: tuple[slice, ...]
    lon: np.ndarray = field(repr=False)  # (rows, columns), degrees, near the region; NaN where not given
    lat: np.ndarray = field(repr=False)
    plane: Plane | None = field(default=None, repr=False)
    located: Located = field(default_factory=dict, repr=False)  # for all fields on these nodes

    def locate(self, lon: np.ndarray, lat: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Fractional row and column of every pair of `lat` and `lon` (1-D): two (lat, lon) arrays."""
        key = (lon.tobytes(), lat.tobytes())
        if key not in self.located:
            at_lon, at_lat = np.meshgrid(lon, lat)
            if self.plane is None:
                self.located[key] = locate_curved(self.lon, self.lat, at_lon, at_lat)
            else:
                at = self.plane.project(at_lon, at_lat)
                self.located[key] = locate_straight(self.plane.x, self.plane.y, *at)
        return self.located[key]

    def angle(self, lon: np.ndarray, lat: np.ndarray) -> np.ndarray:
        """Angle (radians, anticlockwise) from east to the direction of the columns: (lat, lon)."""
        if self.plane is not None:
            return self.plane.angle(*np.meshgrid(lon, lat))
        return resample_angle(angle_of_columns(self.lon, self.lat), *self.locate(lon, lat))


@dataclass(frozen=True, eq=False)
class Plane:
    """Straight axes (ascending) on a map, and the map; without a map the axes are degrees themselves."""

    x: np.ndarray = field(repr=False)
    y: np.ndarray = field(repr=False)
    crs: CRS | None = None

    @cached_property
    def _transformer(self) -> Transformer:
        assert self.crs is not None
        assert self.crs.geodetic_crs is not None
        return Transformer.from_crs(self.crs.geodetic_crs, self.crs, always_xy=True)

    def project(self, lon: np.ndarray, lat: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """x, y of longitudes and latitudes; infinite where the map does not show them."""
        if self.crs is None:
            return near_longitude(lon, (self.x[0] + self.x[-1]) / 2), lat
        return self._transformer.transform(lon, lat)

    def unproject(self, x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Longitudes and latitudes of x, y; NaN where the map has none."""
        lon, lat = self._transformer.transform(x, y, direction="INVERSE")
        off = ~(np.isfinite(lon) & np.isfinite(lat))
        return np.where(off, np.nan, lon), np.where(off, np.nan, lat)

    def angle(self, lon: np.ndarray, lat: np.ndarray) -> np.ndarray:
        """Angle (radians, anticlockwise) from east to the x axis: a small step east, as the map shows it."""
        step = 1e-4
        x1, y1 = self._transformer.transform(lon - step, lat)
        x2, y2 = self._transformer.transform(lon + step, lat)
        return -np.arctan2(y2 - y1, x2 - x1)


def find_sheet(data: xr.Dataset, name: str, region: Region, known: Known | None = None) -> Sheet | None:
    """Where variable `name` lies, if on a curvilinear or projected grid.

    The sheet has no rows where the grid and the region do not meet. Raises `SourceError` where coordinates
    are no degrees, the map is not known, or a dimension is not understood. `known` keeps the coordinates that
    have been read, for the other variables of a file.
    """
    known = {} if known is None else known
    return _find_projected(data, name, region) or _find_curved(data, name, region, known)


# ---- curvilinear -----------------------------------------------------------------------------------------


def _find_curved(data: xr.Dataset, name: str, region: Region, known: Known) -> Sheet | None:
    pair, dims = find_pair(data, name), data[name].dims
    names = pair or _find_wide_pair(data, name)
    if names is None:
        return None
    rows, columns = order_dims(data[pair[0]].dims if pair else dims[-2:])
    key = (names, (data.sizes[rows], data.sizes[columns]))
    if key not in known:
        known[key] = _read_nodes(data, *key, region)
    ends, window, lon, lat, located = known[key]
    roles = {rows: "lat", columns: "lon"}
    if (time := find_roles(data, name).get("time")) and time not in roles:
        roles[time] = "time"
    dims_of = {axis: dim for dim, axis in roles.items()}
    axes = Axes(dims_of, ends[0], ends[1], pick_levels(data, name, set(roles)))
    return Sheet(axes, window[0], window[1], lon, lat, located=located)


def _read_nodes(data: xr.Dataset, pair: tuple[str, str], shape: tuple[int, int], region: Region) -> Nodes:
    """(first and last latitude and longitude, runs of rows and columns, their longitudes and latitudes, and a
    place for what is located among them)."""
    lat, lon = (_read_degrees(data, coordinate) for coordinate in pair)
    if lat.shape != shape:
        lat, lon = shrink(lat, shape), shrink(lon, shape)
    ends = [np.array([np.nanmin(values), np.nanmax(values)]) for values in (lat, lon)]
    window = _find_window(lon, lat, region) or ((), ())
    if not window[0]:
        return ends, window, lon[:0], lat[:0], {}
    lon, lat = (take(values, *window).astype(np.float64) for values in (lon, lat))
    return ends, window, near_longitude(lon, region.centre.lon), lat, {}


def order_dims(dims: Sequence[Hashable]) -> tuple[str, str]:
    """(dimension of rows, dimension of columns): x, i and longitudes count columns, else the last does."""
    first, second = (str(dim) for dim in dims)
    starts = ("x", "i", "lon", "ni", "col")
    swap = first.lower().startswith(starts) and not second.lower().startswith(starts)
    return (second, first) if swap else (first, second)


def _read_degrees(data: xr.Dataset, name: str) -> np.ndarray:
    """A 2-D coordinate (rows, columns), NaN missing, in no wider a type than the file's: a globe is large."""
    variable = data[name].transpose(*order_dims(data[name].dims))
    narrow = variable.dtype == np.float32 and not (
        "scale_factor" in variable.attrs or counts_backwards(variable.attrs)
    )
    values = unpack(variable.values, variable.attrs) if narrow else unpack_axis(variable)
    values[(values > 1e6) | (values < -1e6)] = np.nan  # a fill that is not declared
    low, high = np.fmin.reduce(values, axis=None), np.fmax.reduce(values, axis=None)
    if not max(abs(low), abs(high)) <= (90.01 if is_lat(name) else 720.0):
        raise SourceError(f"{name} runs from {low:g} to {high:g}", expected="degrees")
    return values


def is_lat(name: str) -> bool:
    """Whether a 2-D coordinate says that it is a latitude."""
    return "lat" in name.lower()


def _find_wide_pair(data: xr.Dataset, name: str) -> tuple[str, str] | None:
    """Latitudes and longitudes of a grid with one row or one column more (staggered, without its own)."""
    shape = data[name].shape[-2:]
    for other in data.data_vars:
        pair = find_pair(data, str(other)) if data[other].ndim >= 2 else None
        if pair is not None and np.subtract(data[pair[0]].shape, shape).tolist() in ([0, 1], [1, 0]):
            return pair
    return None


def _find_window(lon: np.ndarray, lat: np.ndarray, region: Region) -> Runs | None:
    """(runs of rows, runs of columns) of the nodes in and around a region; None where there are none."""
    margin = (
        2 * find_spacing(lon[:: max(lat.shape[0] // 200, 1)], lat[:: max(lat.shape[0] // 200, 1)]) / DEGREE
    )
    wide = margin / np.cos(np.radians(min(max(abs(region.south), abs(region.north)), 85.0)))
    near = near_longitude(lon, region.centre.lon)
    inside = (lat >= region.south - margin) & (lat <= region.north + margin)
    inside &= (near >= region.west - wide) & (near <= region.east + wide)
    rows, columns = (np.flatnonzero(inside.any(axis=axis)) for axis in (1, 0))
    if rows.size == 0:
        return None
    rows = np.arange(max(rows[0] - 1, 0), min(rows[-1] + 2, lat.shape[0]))
    return as_runs(rows), as_runs(_unroll(columns, near[rows], lat[rows], margin))


def _unroll(columns: np.ndarray, lon: np.ndarray, lat: np.ndarray, margin: float) -> np.ndarray:
    """Columns from first to last with one more on either side; in two stretches over the grid's seam."""
    count = lon.shape[1]
    gap = int(np.argmax(np.diff(columns, append=columns[-1]))) if columns.size else 0
    first, last = columns[0], columns[-1]
    whole = np.arange(max(first - 1, 0), min(last + 2, count))
    if first > 0 or last < count - 1 or columns.size == count:
        return whole
    left, right = np.arange(columns[gap + 1] - 1, count), np.arange(columns[gap] + 2)

    def apart(column: int) -> float:
        return np.nanmedian(
            np.hypot(near_longitude(lon[:, column] - lon[:, -1], 0.0), lat[:, column] - lat[:, -1])
        )

    if not apart(0) < 2 * margin:
        return whole
    repeated = [k for k in right[:4] if apart(k) < margin / 100]  # the seam may be stored twice
    return np.concatenate([left, right[(repeated[-1] + 1) if repeated else 0 :]])


def take(values: np.ndarray, rows: tuple[slice, ...], columns: tuple[slice, ...]) -> np.ndarray:
    """The stretches of rows and columns of an array (..., rows, columns), joined."""
    parts = [np.concatenate([values[..., row, column] for column in columns], axis=-1) for row in rows]
    return np.concatenate(parts, axis=-2)


# ---- projected -------------------------------------------------------------------------------------------


def _find_projected(data: xr.Dataset, name: str, region: Region) -> Sheet | None:
    found = {
        PROJECTED[said]: str(dim)
        for dim in data[name].dims
        if dim in data.variables and (said := str(data[dim].attrs.get("standard_name", ""))) in PROJECTED
    }
    mapping = _find_mapping(data, name)
    if set(found) != {"lat", "lon"} or mapping is None:
        return None
    try:
        crs = CRS.from_cf(mapping)
    except (CRSError, KeyError, TypeError, ValueError) as error:
        raise SourceError(f"{name}: its grid mapping is not understood ({error})") from error
    y, x = (_read_metres(data[found[axis]], mapping) for axis in ("lat", "lon"))
    roles = {found["lat"]: "lat", found["lon"]: "lon"}
    if time := find_roles(data, name).get("time"):
        roles[time] = "time"
    plane = Plane(x, y, crs)
    edge = plane.unproject(*np.meshgrid(np.linspace(x[0], x[-1], 50), np.linspace(y[0], y[-1], 50)))
    lon, lat = near_longitude(edge[0], region.centre.lon), edge[1]
    ends = [np.array([np.nanmin(values), np.nanmax(values)]) for values in (lat, lon)]
    dims_of = {axis: dim for dim, axis in roles.items()}
    axes = Axes(dims_of, ends[0], ends[1], pick_levels(data, name, set(roles)))
    cuts = _cut_plane(plane, region)
    if cuts is None:
        return Sheet(axes, (), (), lon[:0], lat[:0])
    plane = Plane(cuts[0].values, cuts[1].values, crs)
    lon, lat = plane.unproject(*np.meshgrid(plane.x, plane.y))
    return Sheet(axes, cuts[1].runs, cuts[0].runs, near_longitude(lon, region.centre.lon), lat, plane)


def _find_mapping(data: xr.Dataset, name: str) -> dict[str, Any] | None:
    """The attributes of the grid mapping that a variable names, or of the only one there is."""
    said = str(data[name].attrs.get("grid_mapping", "")).replace(":", " ").split()
    if said and said[0] in data.variables:
        return dict(data[said[0]].attrs)
    maps = [dict(data[other].attrs) for other in data.variables if "grid_mapping_name" in data[other].attrs]
    return maps[0] if len(maps) == 1 else None


def _read_metres(axis: xr.DataArray, mapping: Mapping[str, Any]) -> np.ndarray:
    values, units = unpack_axis(axis), str(axis.attrs.get("units", "m")).strip().lower()
    if units in ("rad", "radian", "radians"):  # scanning angles of a geostationary imager
        return values * float(mapping["perspective_point_height"])
    found = conversion(units, "m")
    if found is None or values.size < 2 or np.isnan(values).any():
        raise SourceError(f"{axis.name}: an axis of {values.size} values in {units!r}", expected="metres")
    return values * found[0]


def _cut_plane(plane: Plane, region: Region) -> tuple[Cut, Cut] | None:
    """The parts of the axes (x, y) that hold a region and a little more."""
    lattice = np.meshgrid(
        np.linspace(region.west, region.east, 41), np.linspace(region.south, region.north, 41)
    )
    cuts = []
    for axis, at in zip((plane.x, plane.y), plane.project(*lattice), strict=True):
        at = at[np.isfinite(at)]
        if not at.size:
            return None
        more = 2 * float(np.median(np.abs(np.diff(axis)))) + 0.01 * float(np.ptp(at))
        cut = cut_axis(axis, float(at.min()) - more, float(at.max()) + more)
        if cut is None:
            return None
        cuts.append(cut)
    return cuts[0], cuts[1]
