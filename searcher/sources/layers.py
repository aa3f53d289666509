"""From fields in many files to one dataset per node: which grid, which hours, joined along time."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import xarray as xr

from searcher.errors import SourceError
from searcher.geo import Region
from searcher.sea import NODES
from searcher.sources.axes import even_steps, interpolate_axis, share_covered
from searcher.sources.files import Field, read_fields

IMAGES = ("temperature", "color", "weed")  # single pictures; every other node is a running field
LOOK_BACK = np.timedelta64(5, "D").astype("timedelta64[ns]")
HOLD = 86400.0  # s by which a running field may be carried past its first and last hour
LONG_NAMES = {
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
}


class SourceWarning(UserWarning):
    """Something in the files was left out, and the sea is made without it."""


@dataclass(frozen=True)
class Layer:
    """Fields of one node by one choice on one grid, from any number of files."""

    fields: tuple[Field, ...]

    @property
    def choice(self):
        return self.fields[0].choice

    @property
    def paths(self) -> list:
        return list(dict.fromkeys(field.path for field in self.fields))

    @property
    def missing(self) -> list[str]:
        """Variables of the node that no file of the layer holds."""
        held = {field.name for field in self.fields}
        return [name for name in NODES[self.choice.node] if name not in held]

    @property
    def is_outside(self) -> bool:
        return self.fields[0].lat is None or self.fields[0].lon is None

    def times(self) -> np.ndarray:
        """Times (datetime64[ns], ascending) at which every variable of the node is there."""
        times = None
        for name in NODES[self.choice.node]:
            of = np.concatenate([field.times for field in self.fields if field.name == name])
            times = np.unique(of) if times is None else np.intersect1d(times, of)
        return times

    def describe(self) -> str:
        names = ", ".join(str(path) for path in self.paths)
        return f"{self.choice.what} in {names}"


def group_layers(fields: Sequence[Field]) -> list[Layer]:
    """Fields of the same choice on the same grid, together."""
    groups: list[list[Field]] = []
    for field in fields:
        home = next((group for group in groups if _same_grid(group[0], field)), None)
        if home is None:
            groups.append([field])
        else:
            home.append(field)
    return [Layer(tuple(group)) for group in groups]


def _same_grid(one: Field, other: Field) -> bool:
    if one.choice != other.choice:
        return False
    pairs = ((one.lat, other.lat), (one.lon, other.lon))
    if any(a is None or b is None for a, b in pairs):
        return all((a is None) == (b is None) for a, b in pairs) and one.box == other.box
    return all(
        a.values.size == b.values.size and np.abs(a.values - b.values).max() < 0.01 * a.step for a, b in pairs
    )


def choose_layer(layers: Sequence[Layer], region: Region, window) -> Layer:
    """The layer that has something for the hours asked, then the better choice, then the most of the region,
    then the newest time."""

    def merit(layer: Layer):
        field = layer.fields[0]
        covered = round(share_covered(region, field.lat, field.lon), 2)
        if field.times is None:
            return True, -layer.choice.rank, covered, 0, -field.lat.step
        times = layer.times()
        newest = int(times[-1].astype(np.int64)) if times.size else 0
        timely = times.size > 0 and _is_timely(layer.choice.node, times, window)
        if layer.choice.node in IMAGES:
            return timely, -layer.choice.rank, newest, covered, -field.lat.step
        return timely, -layer.choice.rank, covered, newest, -field.lat.step

    return max(layers, key=merit)


def _is_timely(node: str, times: np.ndarray, window) -> bool:
    if window is None:
        return True
    if node in IMAGES:
        return bool(((times >= window.start - LOOK_BACK) & (times <= window.end)).any())
    return not misses_hours(times, window, hold=HOLD)


def misses_hours(times: np.ndarray, window, *, hold: float) -> bool:
    """Whether a window reaches more than `hold` seconds before the first or past the last of `times`."""
    slack = np.timedelta64(round(hold * 1e9), "ns")
    return bool(window.start < times[0] - slack or window.end > times[-1] + slack)


def keep_images(times: np.ndarray, window) -> np.ndarray:
    """Of ascending times of images: those from five days before departure to the end of the window; where
    there are none, the newest one before; none where all are later."""
    if window is None:
        return times
    early = times[times <= window.end]
    kept = early[early >= window.start - LOOK_BACK]
    return kept if kept.size else early[-1:]


def keep_hours(times: np.ndarray, earliest: np.datetime64 | None, window) -> np.ndarray:
    """Of ascending times of a running field: from the last one at or before `earliest` to the first one at or
    after the end of the window."""
    if window is None or not times.size:
        return times
    first = np.searchsorted(times, earliest, side="right") - 1
    last = np.searchsorted(times, window.end, side="left")
    return times[max(first, 0) : last + 1] if first < times.size else times[-1:]


def read_layer(layer: Layer, times: np.ndarray | None, region: Region, *, min_quality: int) -> xr.Dataset:
    """The dataset of a node at the times asked (None for a static one), as `searcher.sea` wants it.

    `region` is what the share `covered` is counted of. Raises `SourceError` with all problems of all files.
    """
    first = layer.fields[0]
    shape = (1 if times is None else times.size, first.lat.values.size, first.lon.values.size)
    arrays = {name: np.full(shape, np.nan, np.float32) for name in NODES[layer.choice.node]}
    problems = []
    for path, wanted in _by_file(layer, times).items():
        try:
            read = read_fields(path, [(field, steps) for field, steps, _ in wanted], min_quality=min_quality)
        except SourceError as error:
            problems += error.problems
            continue
        for (field, _, places), values in zip(wanted, read, strict=True):
            arrays[field.name][places] = values
    if problems:
        raise SourceError.of_problems("sea files", problems)
    return _dataset(layer, arrays, times, region)


def _by_file(layer: Layer, times: np.ndarray | None) -> dict:
    """path -> (field, indices of its times, places in the result); of two files with one hour the later run
    wins, which is the one that starts later."""
    taken: dict = {}
    fields = layer.fields
    if times is not None:
        fields = sorted(fields, key=lambda field: field.times.min())
    for field in fields:
        if times is None:
            taken[field.name, 0] = (field, 0)
            continue
        places = np.searchsorted(times, field.times)
        for step, place in enumerate(places):
            if place < times.size and times[place] == field.times[step]:
                taken[field.name, int(place)] = (field, step)
    plan: dict = {}
    for (name, place), (field, step) in taken.items():
        plan.setdefault(field.path, {}).setdefault(name, (field, [], []))
        plan[field.path][name][1].append(step)
        plan[field.path][name][2].append(place)
    return {
        path: [(field, np.array(steps), np.array(places)) for field, steps, places in by_name.values()]
        for path, by_name in plan.items()
    }


def _dataset(layer: Layer, arrays: dict, times: np.ndarray | None, region: Region) -> xr.Dataset:
    lat, lon, history = layer.fields[0].lat.values, layer.fields[0].lon.values, []
    new_lat, new_lon = even_steps(lat), even_steps(lon)
    for axis, old, new in ((1, lat, new_lat), (2, lon, new_lon)):
        if new is not None:
            arrays = {name: interpolate_axis(values, old, new, axis) for name, values in arrays.items()}
            history.append(_tell_even("latitude" if axis == 1 else "longitude", old, new))
    lat, lon = (lat if new_lat is None else new_lat), (lon if new_lon is None else new_lon)
    node = layer.choice.node
    if node in IMAGES:
        seen = ~np.isnan(next(iter(arrays.values()))).all(axis=(1, 2))
        if seen.any() and not seen.all():
            arrays, times = {name: values[seen] for name, values in arrays.items()}, times[seen]
            history.append(f"{np.count_nonzero(~seen)} images without any value left out")
    dims = ("lat", "lon") if times is None else ("time", "lat", "lon")
    data = xr.Dataset(
        {
            name: (dims, values[0] if times is None else values, _field_attrs(layer, name))
            for name, values in arrays.items()
        },
        coords={
            "lat": ("lat", lat, {"standard_name": "latitude", "units": "degrees_north", "axis": "Y"}),
            "lon": ("lon", lon, {"standard_name": "longitude", "units": "degrees_east", "axis": "X"}),
        },
        attrs=_node_attrs(layer, region, history),
    )
    if times is not None:
        data = data.assign_coords(time=("time", times, {"standard_name": "time", "axis": "T"}))
    return data


def _tell_even(axis: str, old: np.ndarray, new: np.ndarray) -> str:
    steps = np.diff(old)
    return (
        f"{axis} made even by linear interpolation, from steps of {steps.min():.4g} to {steps.max():.4g} "
        f"degrees to {new[1] - new[0]:.4g}"
    )


def _field_attrs(layer: Layer, name: str) -> dict:
    standard_name, units, _, _ = NODES[layer.choice.node][name]
    if layer.choice.what == "absolute dynamic topography":
        standard_name = "sea_surface_height_above_geoid"
    long_name = LONG_NAMES[name]
    return {"units": units, "long_name": long_name} | (
        {"standard_name": standard_name} if standard_name else {}
    )


def _node_attrs(layer: Layer, region: Region, history: Sequence[str]) -> dict:
    """Where the values come from, in the files' own words where they have any."""
    attrs, names = layer.fields[0].attrs, [path.name for path in layer.paths]

    def say(*keys: str) -> str:
        return next(
            (" ".join(str(attrs[key]).split()) for key in keys if str(attrs.get(key, "")).strip()), ""
        )

    field = layer.fields[0]
    return {
        "source": say("title", "institution") or names[0],
        "product": say("id", "product", "title") or names[0],
        "license": say("license", "licence"),
        "credit": say(
            "credit", "acknowledgement", "acknowledgment", "attribution", "citation", "institution"
        ),
        "files": ", ".join(names),
        "kind": layer.choice.what,
        "covered": share_covered(region, field.lat, field.lon),
        "history": "; ".join(history),
    }
