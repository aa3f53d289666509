"""Axes: which dimension is which, which part of it a region needs, and steps made even.

Nothing here reads a field. A `Cut` says which stretches of an axis to read and what coordinates they have
when they arrive: ascending, longitudes in the turn of the region, whatever the file's own order is.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import xarray as xr

from searcher.errors import SourceError
from searcher.geo import Region, near_longitude
from searcher.sea import STEP_TOLERANCE
from searcher.sources.names import axis_of, is_firm, place_of
from searcher.sources.unpack import unpack_axis

#: the deepest level that still stands for the surface, m (some products stand for the top 30 m, at 15 m)
SURFACE = 20.0

PRESSURES = ("hpa", "pa", "mb", "mbar", "millibar", "millibars")


class Cut(NamedTuple):
    """The part of an axis that a region needs: stretches to read one after another, their coordinates."""

    runs: tuple[slice, ...]
    values: np.ndarray  # float64, ascending
    step: float


class Axes(NamedTuple):
    """The axes of one variable: dimension names, coordinates in the file's own order, and what to pick."""

    dims: dict[str, str]  # "lat", "lon" and, where there is one, "time" -> dimension name
    lat: np.ndarray
    lon: np.ndarray
    pick: dict[str, int]  # index along every other dimension


def find_axes(data: xr.Dataset, name: str) -> Axes | None:
    """The axes of variable `name`; None where it does not lie on a grid of longitudes and latitudes.

    Raises `SourceError` where a dimension is not understood.
    """
    roles = find_roles(data, name)
    if "lat" not in roles or "lon" not in roles:
        return None
    both = (coordinate_of(data, roles[axis]) for axis in ("lat", "lon"))
    across = [found for found in both if found is not None]
    if not all(is_firm(found) for found in across) and find_pair(data, name):
        return None  # rows and columns that are counted, and places that are given one by one
    lat, lon = (_read_axis(name, found) for found in across)
    return Axes(roles, lat, lon, pick_levels(data, name, set(roles.values())))


def find_roles(data: xr.Dataset, name: str) -> dict[str, str]:
    """ "lat", "lon", "time" -> dimension of variable `name`, for those that a 1-D coordinate tells."""
    found = {dim: coordinate_of(data, dim) for dim in map(str, data[name].dims)}
    roles = {axis_of(along): dim for dim, along in found.items() if along is not None}
    return {axis: roles[axis] for axis in ("lat", "lon", "time") if axis in roles}


def find_pair(data: xr.Dataset, name: str) -> tuple[str, str] | None:
    """Names of the 2-D latitudes and longitudes that lie on dimensions of variable `name`, its `coordinates`
    first."""
    said = str(data[name].attrs.get("coordinates", "")).split()
    flat = [other for other, held in data.variables.items() if held.ndim == 2 and held.dtype.kind in "iuf"]
    names = [str(other) for other in flat if set(data.variables[other].dims) <= set(data[name].dims)]
    names.sort(key=lambda other: other not in said)
    for lat in (other for other in names if place_of(data[other]) == "lat"):
        for lon in (other for other in names if place_of(data[other]) == "lon"):
            if data[lat].dims == data[lon].dims:
                return lat, lon
    return None


def pick_levels(data: xr.Dataset, name: str, taken: set[str]) -> dict[str, int]:
    """The index nearest the surface along every dimension of a variable that is not `taken`."""
    picked = {}
    for dim in map(str, data[name].dims):
        if dim not in taken:
            level = coordinate_of(data, dim)
            is_level = level is not None and axis_of(level) == "level"
            picked[dim] = _pick_level(name, dim, data.sizes[dim], level if is_level else None)
    return picked


def coordinate_of(data: xr.Dataset, dim: str) -> xr.DataArray | None:
    """The one-dimensional variable that gives a dimension its values."""
    if dim in data.variables:
        return data[dim]
    along = [data[name] for name in data.variables if data[name].dims == (dim,) and axis_of(data[name])]
    return along[0] if along else None


def _pick_level(name: str, dim: str, size: int, level: xr.DataArray | None) -> int:
    """The index of the level nearest the surface; 0 along a dimension of length one."""
    if level is None or level.dtype.kind not in "iuf":
        if size == 1:
            return 0
        raise SourceError(f"{name}: dimension {dim!r} of length {size} is not understood")
    if size > 1 and str(level.attrs.get("units", "")).lower() in PRESSURES:
        raise SourceError(f"{name}: {dim!r} holds {size} pressure levels", expected="values at the surface")
    heights = np.abs(unpack_axis(level))
    if np.isnan(heights).all():
        return 0
    nearest = int(np.nanargmin(heights))
    if heights[nearest] > SURFACE:
        raise SourceError(
            f"{name}: the level nearest the surface is {dim} {heights[nearest]:g}",
            expected=f"at most {SURFACE:g} m",
        )
    return nearest


def _read_axis(name: str, coordinate: xr.DataArray) -> np.ndarray:
    values = unpack_axis(coordinate)
    axis = axis_of(coordinate)
    if values.size < 2 or np.isnan(values).any():
        raise SourceError(f"{name}: {coordinate.name} holds {values.size} values, some missing or too few")
    if np.abs(values).max() > (90.01 if axis == "lat" else 720.0):
        low, high = values.min(), values.max()
        raise SourceError(f"{name}: {coordinate.name} runs from {low:g} to {high:g}", expected="degrees")
    return values


def cut_axis(values: np.ndarray, low: float, high: float, *, turning: bool = False) -> Cut | None:
    """The part of an axis from `low` to `high` and one step beyond on either side; None where there is none.

    With `turning` the values are longitudes, shifted by whole turns to lie around the middle of the range; a
    range over the seam of the file becomes two stretches.
    """
    step = float(np.median(np.abs(np.diff(values))))
    places = near_longitude(values, (low + high) / 2) if turning else values
    reach = step * (1 + STEP_TOLERANCE)
    inside = np.flatnonzero((places >= low - reach) & (places <= high + reach))
    order = inside[np.argsort(places[inside], kind="stable")]
    new = np.diff(places[order], prepend=-np.inf) > step / 100  # a seam may be stored twice, as 0 and 360
    order = order[new]
    ordered = places[order]
    if order.size < 2 or ordered[-1] + step / 2 < low or ordered[0] - step / 2 > high:
        return None
    return Cut(as_runs(order), ordered, step)


def as_runs(order: np.ndarray) -> tuple[slice, ...]:
    """Indices as slices, each going up or down by one: a disk reads a slice far faster than a list."""
    down = np.count_nonzero(np.diff(order) < 0) * 2 > order.size
    by = -1 if down else 1
    pieces = np.split(order, np.flatnonzero(np.diff(order) != by) + 1)
    ends = ((int(piece[0]), int(piece[-1]) + by) for piece in pieces)
    return tuple(slice(first, None if last < 0 else last, by) for first, last in ends)


def share_covered(region: Region, lat: Cut, lon: Cut) -> float:
    """Share of a region (in square degrees) that the cells of a cut cover, 0..1."""
    shares = []
    for cut, low, high in ((lon, region.west, region.east), (lat, region.south, region.north)):
        first, last = cut.values[0] - cut.step / 2, cut.values[-1] + cut.step / 2
        shares.append(max(min(high, last) - max(low, first), 0.0) / (high - low) if high > low else 1.0)
    return float(shares[0] * shares[1])


def even_steps(values: np.ndarray) -> np.ndarray | None:
    """An even axis over the same stretch at the median step; None where the steps are even already."""
    steps = np.diff(values)
    if np.abs(steps / steps.mean() - 1).max() <= STEP_TOLERANCE:
        return None
    count = max(round((values[-1] - values[0]) / float(np.median(steps))), 1) + 1
    return np.linspace(values[0], values[-1], count)


def interpolate_axis(field: np.ndarray, old: np.ndarray, new: np.ndarray, axis: int) -> np.ndarray:
    """Linear interpolation along one axis; a missing neighbour lends its weight to the other.

    A new point is missing where more than half of its weight falls on missing values.
    """
    left = np.clip(np.searchsorted(old, new, side="right") - 1, 0, old.size - 2)
    share = (new - old[left]) / (old[left + 1] - old[left])
    shape = [1] * field.ndim
    shape[axis] = new.size
    weights = ((1 - share).reshape(shape), share.reshape(shape))
    total, weight = 0.0, 0.0
    for part, of in zip((left, left + 1), weights, strict=True):
        values = np.take(field, part, axis=axis)
        seen = ~np.isnan(values)
        total = total + np.where(seen, values, 0.0) * of
        weight = weight + seen * of
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(weight >= 0.5, total / weight, np.nan).astype(np.float32)
