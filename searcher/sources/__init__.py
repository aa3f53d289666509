"""Ocean grids in files -> a sea.

::

    files ── survey ──> fields ── group ──> layers ── choose ──> one layer per node ── read ──> sea
             (files)             (layers)            (layers)                         (join)

`names` knows what a variable may be called (`names.toml`), `axes` finds and cuts axes, `unpack` turns packed
numbers into inside units, `files` reads one file, `layers` groups and chooses, `join` makes a node. Only
netCDF files on regular longitude-latitude grids are read. No trip is known here: a region, a window of time,
some files.
"""

from __future__ import annotations

import os
import warnings
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import xarray as xr

from searcher.errors import NoData, SourceError
from searcher.geo import Region, near_longitude
from searcher.sea import NODES, REQUIRED, make_sea
from searcher.sources.files import Field, list_variables, survey_file
from searcher.sources.join import read_layer
from searcher.sources.layers import (
    HOLD,
    IMAGES,
    LOOK_BACK,
    Layer,
    SourceWarning,
    choose_layer,
    group_layers,
    keep_hours,
    keep_images,
    misses_hours,
)

__all__ = ["SourceWarning", "check_cover", "list_variables", "load_sea"]


def load_sea(
    region: Region, window=None, *, sources, margin: float = 0.0, min_quality: int = 5
) -> xr.DataTree:
    """The sea of a region and a window of time, from netCDF files.

    `window` has `start` and `end` (datetime64[ns], UTC); None takes every time there is. `sources` is a
    sequence of paths, or anything with such a sequence as `files`. `margin` (m) widens the region on every
    side. Of temperatures that carry a GHRSST quality level those below `min_quality` are left out.

    Pictures (temperature, colour, weed) are kept from five days before departure to the end of the window, or
    the newest one before; running fields (currents, wind, waves, height) from the last hour before the
    earliest picture to the first after the window. Every node keeps its own grid.

    Raises `SourceError` with every problem of every file (missing, damaged, no units, past belief), `NoData`
    where no file has temperature or currents for this place and time. Warns `SourceWarning` of what is left
    out.
    """
    if not (region.west < region.east and region.south < region.north):
        raise SourceError("region", given=_tell_box(region), expected="west < east and south < north")
    wide = region.grown(margin) if margin else region
    paths = list_paths(sources)
    fields, contents = _survey_all(paths, wide)
    layers = group_layers(fields)
    nodes: dict[str, xr.Dataset] = {}
    problems, absent, notes = [], [], []
    for node in NODES:
        of_node = [layer for layer in layers if layer.choice.node == node]
        try:
            inside = _list_usable(node, of_node, region)
            if inside:
                layer = choose_layer(inside, region, window)
                times = _keep_times(layer, window, _earliest(nodes, window))
                nodes[node] = _read(layer, times, region, min_quality)
                notes += _note_rest(nodes[node], layer, inside)
        except NoData as error:
            (absent if node in REQUIRED else notes).append(str(error))
        except SourceError as error:
            problems += error.problems or [str(error)]
    if problems:
        raise SourceError.of_problems("sea files", problems)
    if absent:
        held = [
            f"{path} holds {', '.join(names) or 'no gridded variable'}" for path, names in contents.items()
        ]
        raise NoData.of_problems("sea files", [*absent, *held])
    for note in notes:
        warnings.warn(note, SourceWarning, stacklevel=2)
    return make_sea(nodes)


def check_cover(sea: xr.DataTree, window, *, hold: float = HOLD) -> xr.DataTree:
    """Return `sea` if its currents cover a window of time, else raise `NoData` with the hours of both.

    Currents may be carried on for `hold` seconds before their first and past their last hour.
    """
    times = sea["currents"]["time"].values
    if misses_hours(times, window, hold=hold):
        raise NoData(
            "currents do not cover the hours of the trip",
            given=f"currents {_tell_time(times[0])} to {_tell_time(times[-1])}",
            expected=f"{_tell_time(window.start)} to {_tell_time(window.end)}, ± {hold / 3600:g} h",
            hint="Fetch newer currents, or change the day of the trip",
        )
    return sea


def list_paths(sources) -> tuple[Path, ...]:
    """Paths of a sequence of paths, or of the `files` of something that has them."""
    files: Sequence[str | os.PathLike] = getattr(sources, "files", sources)
    if isinstance(files, (str, os.PathLike)):
        files = [files]
    paths = tuple(dict.fromkeys(Path(path) for path in files))
    if not paths:
        given = ", ".join(map(str, getattr(sources, "patterns", ()))) or "none"
        raise NoData("no data files", given=given, expected="netCDF files with temperature and currents")
    return paths


def _survey_all(paths: Sequence[Path], region: Region) -> tuple[list[Field], dict[Path, list[str]]]:
    surveys = {path: survey_file(path, region) for path in paths}
    problems = [problem for _, found, _ in surveys.values() for problem in found]
    if problems:
        raise SourceError.of_problems("sea files", problems)
    fields = [field for found, _, _ in surveys.values() for field in found]
    return fields, {path: names for path, (_, _, names) in surveys.items()}


def _earliest(nodes: dict[str, xr.Dataset], window) -> np.datetime64 | None:
    """From when on running fields are needed: the first picture of the temperature."""
    if window is None:
        return None
    start = window.start - LOOK_BACK
    return min(nodes["temperature"]["time"].values[0], window.start) if "temperature" in nodes else start


def _list_usable(node: str, layers: Sequence[Layer], region: Region) -> list[Layer]:
    """The layers a node can be made of; none for an optional node that no file holds."""
    whole = [layer for layer in layers if not layer.missing]
    if not whole and (layers or node in REQUIRED):
        halves = [f"{layer.describe()} lacks {', '.join(layer.missing)}" for layer in layers]
        raise NoData("; ".join([f"no file holds {node}", *halves]))
    inside = [layer for layer in whole if not layer.is_outside]
    if whole and not inside:
        raise NoData(_tell_outside(node, whole, region))
    return inside


def _note_rest(data: xr.Dataset, layer: Layer, inside: Sequence[Layer]) -> list[str]:
    """Write into the attributes what was passed over; a note for each that is no worse by nature."""
    rest = [other for other in inside if other is not layer]
    data.attrs["left_out"] = "; ".join(other.describe() for other in rest)
    return [
        f"{other.describe()} left out: one grid per field, and {layer.describe()} serves the trip better"
        for other in rest
        if other.choice.rank <= layer.choice.rank
    ]


def _keep_times(layer: Layer, window, earliest) -> np.ndarray | None:
    node = layer.choice.node
    if node == "depth":
        return None
    times = layer.times()
    kept = keep_images(times, window) if node in IMAGES else keep_hours(times, earliest, window)
    if not kept.size:
        held = f"{_tell_time(times[0])} to {_tell_time(times[-1])}" if times.size else "no common time"
        raise NoData(f"{node}: {layer.describe()} holds {held}, all after the trip or at different hours")
    return kept


def _read(layer: Layer, times: np.ndarray | None, region: Region, min_quality: int) -> xr.Dataset:
    data = read_layer(layer, times, region, min_quality=min_quality)
    if any(np.isnan(data[name].values).all() for name in data.data_vars):
        raise NoData(f"{layer.describe()} holds no value in {_tell_box(region)}: all land or cloud")
    return data


def _tell_outside(node: str, layers: Sequence[Layer], region: Region) -> str:
    boxes = []
    for layer in layers:
        box = layer.fields[0].box
        turn = near_longitude((box.west + box.east) / 2, region.centre.lon) - (box.west + box.east) / 2
        shown = Region(box.west + turn, box.south, box.east + turn, box.north)
        boxes.append(f"{layer.describe()} covers {_tell_box(shown)}")
    return (
        f"{node}: the region asked, {_tell_box(region)}, lies outside the data: {'; '.join(boxes)}. "
        "Fetch files for the region, or correct the port's position"
    )


def _tell_box(box: Region) -> str:
    return f"{box.west:.2f} to {box.east:.2f}° E, {box.south:.2f} to {box.north:.2f}° N"


def _tell_time(time: np.datetime64) -> str:
    return f"{np.datetime_as_string(time, unit='m').replace('T', ' ')} UTC"
