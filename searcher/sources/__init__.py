"""Ocean grids in files -> a sea.

::

    files ── survey ──> fields ── group ──> layers ── choose, read, blend ──> nodes ── compose ──> sea
             (files)             (layers)            (layers, join, blend)           (composite)

Between blending and composing, `align` moves the currents to where the pictures want them.

`names` knows what a variable may be called (`names.toml`), `axes` finds and cuts axes, `unpack` turns packed
numbers into inside units, `files` reads one file, `layers` groups and chooses, `join` reads a layer, `blend`
lays currents over each other, `nodes` brings these together, `match` and `composite` make one map of
the temperature of many pictures. Curved and projected grids are resampled (`sheets`, `regrid`, `turning`).
`catalogue` lists public products, `fetch` gets them (`griddap`, `opendap`, `copernicus`; `store` keeps them).
No trip is known here: a region, a window of time, some files.
"""

from __future__ import annotations

import os
import warnings
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Protocol

import numpy as np
import xarray as xr

from searcher.errors import NoData, SourceError
from searcher.geo import Region, near_longitude
from searcher.sea import NODES, REQUIRED, make_sea
from searcher.sources.align import align_sea
from searcher.sources.composite import add_surface, compose_temperature
from searcher.sources.fields import Field, align_fields
from searcher.sources.files import list_variables, survey_file
from searcher.sources.layers import HOLD, LOOK_BACK, Hours, Layer, SourceWarning, group_layers, misses_hours
from searcher.sources.nodes import Needed, load_node
from searcher.sources.tell import tell_box, tell_time

__all__ = ["SourceWarning", "check_cover", "compose_temperature", "list_variables", "load_sea"]


#: a sequence of paths, or one
Paths = Sequence[str | os.PathLike[str]] | os.PathLike[str]


class Listed(Protocol):
    """Anything that says which files it consists of."""

    @property
    def files(self) -> Sequence[str | os.PathLike[str]]: ...


def load_sea(
    region: Region,
    window: Hours | None = None,
    *,
    sources: Paths | Listed,
    margin: float = 0.0,
    min_quality: int = 5,
    time_units: str | None = None,
    align: bool = True,
) -> xr.DataTree:
    """The sea of a region and a window of time, from netCDF files.

    `window` has `start` and `end` (datetime64[ns], UTC); None takes every time there is. `sources` is a
    sequence of paths, or anything with such a sequence as `files`. `margin` (m) widens the region on every
    side. Of temperatures that carry a GHRSST quality level those below `min_quality` are left out.
    `time_units` ("days since 1900-01-01"; default: those of `sources`) are for files that state none.

    Pictures (temperature, colour, weed) are kept from five days before departure to the end of the window, or
    the newest one before; running fields (currents, wind, waves, height) from the last hour before the
    earliest picture to the first after the window. Every node keeps its own grid. Of several products of one
    field the best is taken; of currents the finest, feathered into the coarser ones where it has none
    (`searcher.sources.blend`). With `align`, the currents are moved to where successive pictures of the
    temperature want them (`searcher.sources.align`). Where there are several pictures of the temperature, of
    one product or more, the sea also has the node `surface`: one map of the temperature at the start of the
    window (`searcher.sources.composite`).

    Raises `SourceError` with every problem of every file (missing, damaged, no units, past belief), `NoData`
    where no file has temperature or currents for this place and time. Warns `SourceWarning` of what is left
    out.
    """
    if not (region.west < region.east and region.south < region.north):
        raise SourceError("region", given=tell_box(region), expected="west < east and south < north")
    wide = region.grown(margin) if margin else region
    paths = list_paths(sources)
    fields, contents = _survey_all(paths, wide, time_units or getattr(sources, "time_units", None) or None)
    layers = group_layers(align_fields(fields))
    nodes: dict[str, xr.Dataset] = {}
    problems: list[str] = []
    absent: list[str] = []
    notes: list[str] = []
    others: list[xr.Dataset] = []
    for node in NODES:
        of_node = [layer for layer in layers if layer.choice.node == node]
        try:
            inside = _list_usable(node, of_node, region)
            if inside:
                needed = Needed(region, window, _earliest([*nodes.values(), *others], window), min_quality)
                nodes[node], more, told = load_node(inside, needed)
                others, notes = others + more, notes + told
        except NoData as error:
            (absent if node in REQUIRED else notes).append(str(error))
        except SourceError as error:
            problems += error.problems or [str(error)]
    if problems:
        raise SourceError.of_problems("sea files", problems)
    if absent:
        lacking = set(REQUIRED) - {layer.choice.node for layer in layers}
        raise NoData.of_problems("sea files", absent, hint=_tell_held(contents) if lacking else "")
    for note in notes:
        warnings.warn(note, SourceWarning, stacklevel=2)
    sea = align_sea(make_sea(nodes)) if align else make_sea(nodes)
    if others or sea["temperature"].sizes["time"] > 1:
        at = _latest([nodes["temperature"], *others]) if window is None else window.start
        sea = add_surface(sea, at=at, others=others)
    return sea


def check_cover(sea: xr.DataTree, window: Hours, *, hold: float = HOLD) -> xr.DataTree:
    """Return `sea` if its currents cover a window of time, else raise `NoData` with the hours of both.

    Currents may be carried on for `hold` seconds before their first and past their last hour, and for half
    of their step besides, since a mean over a day stands at its middle.
    """
    times = sea["currents"].to_dataset()["time"].values
    hold += 0.5 * float(np.median(np.diff(times)) / np.timedelta64(1, "s")) if times.size > 1 else 0.0
    if misses_hours(times, window, hold=hold):
        raise NoData(
            "currents do not cover the hours of the trip",
            given=f"currents {tell_time(times[0])} to {tell_time(times[-1])}",
            expected=f"{tell_time(window.start)} to {tell_time(window.end)}, ± {hold / 3600:g} h",
            hint="Fetch newer currents, or change the day of the trip",
        )
    return sea


def list_paths(sources: Paths | Listed) -> tuple[Path, ...]:
    """Paths of a sequence of paths, or of the `files` of something that has them."""
    files: Any = getattr(sources, "files", sources)
    if isinstance(files, (str, os.PathLike)):
        files = [files]
    paths = tuple(dict.fromkeys(Path(path) for path in files))
    if not paths:
        given = ", ".join(map(str, getattr(sources, "patterns", ()))) or "none"
        folder = getattr(sources, "folder", None)
        raise NoData(
            "no data files" if folder is None else f"no data files in {folder}",
            given=given,
            expected="netCDF files with temperature and currents",
            hint="Put some there, or fetch them with 'searcher fetch'",
        )
    return paths


def _survey_all(
    paths: Sequence[Path], region: Region, time_units: str | None
) -> tuple[list[Field], dict[Path, list[str]]]:
    surveys = {path: survey_file(path, region, time_units=time_units) for path in paths}
    problems = [f"{path}: {problem}" for path, (_, found, _) in surveys.items() for problem in found]
    if problems:
        raise SourceError.of_problems("sea files", problems)
    fields = [field for found, _, _ in surveys.values() for field in found]
    return fields, {path: names for path, (_, _, names) in surveys.items()}


def _tell_held(contents: Mapping[Path, Sequence[str]]) -> str:
    """What files hold, and where what is not among it may come from."""
    held = [f"    {path}: {', '.join(names) or 'no gridded variable'}" for path, names in contents.items()]
    wanted = "'searcher sources' lists products that have it and 'searcher fetch' fetches them"
    return "\n".join(["  What the files hold:", *held, f"  {wanted}; or put files of your own beside these."])


def _earliest(pictures: Sequence[xr.Dataset], window: Hours | None) -> np.datetime64 | None:
    """From when on running fields are needed: the first picture of the temperature."""
    if window is None:
        return None
    firsts = [data["time"].values[0] for data in pictures if "sst" in data]
    return min([window.start, *firsts]) if firsts else window.start - LOOK_BACK


def _latest(pictures: Sequence[xr.Dataset]) -> np.datetime64:
    return max(data["time"].values[-1] for data in pictures)


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


def _tell_outside(node: str, layers: Sequence[Layer], region: Region) -> str:
    boxes = []
    for layer in layers:
        box = layer.fields[0].box
        turn = near_longitude((box.west + box.east) / 2, region.centre.lon) - (box.west + box.east) / 2
        shown = Region(box.west + turn, box.south, box.east + turn, box.north)
        boxes.append(f"{layer.describe()} covers {tell_box(shown)}")
    return (
        f"{node}: the region asked, {tell_box(region)}, lies outside the data: {'; '.join(boxes)}. "
        "Fetch files for the region, or correct the port's position"
    )
