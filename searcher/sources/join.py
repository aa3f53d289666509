"""One layer of many files -> one dataset, as `searcher.sea` wants a node: read, joined along time, even."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
import xarray as xr

from searcher.errors import SourceError
from searcher.geo import Region
from searcher.sea import AXES, LONG_NAMES, NODES
from searcher.sources.axes import even_steps, interpolate_axis, share_covered
from searcher.sources.fields import Field
from searcher.sources.files import read_fields
from searcher.sources.layers import IMAGES, Layer
from searcher.sources.rims import trim_rims

AS_READ = "as in the files, in common units"


def read_layer(layer: Layer, times: np.ndarray | None, region: Region, *, min_quality: int) -> xr.Dataset:
    """The dataset of a node at the times asked (None for a static one), as `searcher.sea` wants it.

    `region` is what the share `covered` is counted of. Raises `SourceError` with all problems of all files.
    """
    lat, lon = layer.fields[0].cuts
    shape = (1 if times is None else times.size, lat.values.size, lon.values.size)
    arrays = {name: np.full(shape, np.nan, np.float32) for name in NODES[layer.choice.node]}
    problems: list[str] = []
    plan = _by_file(layer, times)
    for path, wanted in plan.items():
        try:
            read = read_fields(path, [(field, steps) for field, steps, _ in wanted], min_quality=min_quality)
        except SourceError as error:
            problems += [f"{path}: {problem}" for problem in error.problems]
            continue
        for (field, _, places), values in zip(wanted, read, strict=True):
            arrays[field.name][places] = values
    if problems:
        raise SourceError.of_problems("sea files", problems)
    data = _dataset(layer, arrays, times)
    if layer.choice.node == "temperature" and layer.choice.rank == 0:  # not of a model
        data = trim_rims(data)
    return data.assign_attrs(_node_attrs(layer, list(plan), region))


def _by_file(
    layer: Layer, times: np.ndarray | None
) -> dict[Path, list[tuple[Field, np.ndarray, np.ndarray]]]:
    """path -> (field, indices of its times, places in the result); of two files with one hour the later run
    wins, which is the one that starts later."""
    taken: dict[tuple[str, int], tuple[Field, int]] = {}
    for field in sorted(layer.fields, key=_oldest):
        if times is None or field.times is None:
            taken[field.name, 0] = (field, 0)
            continue
        places = np.searchsorted(times, field.times)
        for step, place in enumerate(places):
            if place < times.size and times[place] == field.times[step]:
                taken[field.name, int(place)] = (field, step)
    plan: dict[Path, dict[str, tuple[Field, list[int], list[int]]]] = {}
    for (name, place), (field, step) in taken.items():
        plan.setdefault(field.path, {}).setdefault(name, (field, [], []))
        plan[field.path][name][1].append(step)
        plan[field.path][name][2].append(place)
    return {
        path: [(field, np.array(steps), np.array(places)) for field, steps, places in by_name.values()]
        for path, by_name in plan.items()
    }


def _dataset(layer: Layer, arrays: dict[str, np.ndarray], times: np.ndarray | None) -> xr.Dataset:
    """Even axes, blank images dropped, CF attributes; what was changed is told in `history`."""
    lat_cut, lon_cut = layer.fields[0].cuts
    arrays, lat, history = _make_even(arrays, lat_cut.values, 1, "latitude")
    arrays, lon, more = _make_even(arrays, lon_cut.values, 2, "longitude")
    history += more
    if times is not None and layer.choice.node in IMAGES:
        arrays, times, more = _drop_blank(arrays, times)
        history += more
    history += sorted({field.history for field in layer.fields if field.history})
    dims = ("lat", "lon") if times is None else ("time", "lat", "lon")
    coords = {
        "lat": ("lat", lat, AXES["lat"]),
        "lon": ("lon", lon, AXES["lon"]),
    }
    if times is not None:
        coords["time"] = ("time", times, AXES["time"])
    variables = {
        name: (dims, values[0] if times is None else values, _field_attrs(layer, name))
        for name, values in arrays.items()
    }
    return xr.Dataset(variables, coords, {"history": "; ".join(history) or AS_READ})


def _make_even(
    arrays: dict[str, np.ndarray], old: np.ndarray, axis: int, name: str
) -> tuple[dict[str, np.ndarray], np.ndarray, list[str]]:
    """(arrays, axis, history) on even steps; all as they were where the steps are even already."""
    new = even_steps(old)
    if new is None:
        return arrays, old, []
    steps = np.diff(old)
    told = (
        f"{name} made even by linear interpolation, from steps of {steps.min():.4g} to {steps.max():.4g} "
        f"degrees to {new[1] - new[0]:.4g}"
    )
    return {key: interpolate_axis(values, old, new, axis) for key, values in arrays.items()}, new, [told]


def _drop_blank(
    arrays: dict[str, np.ndarray], times: np.ndarray
) -> tuple[dict[str, np.ndarray], np.ndarray, list[str]]:
    """(arrays, times, history) without images that hold no value, unless none does."""
    seen = ~np.isnan(next(iter(arrays.values()))).all(axis=(1, 2))
    if seen.all() or not seen.any():
        return arrays, times, []
    told = f"left out for holding no value here: the images of {', '.join(map(str, times[~seen]))}"
    return {name: values[seen] for name, values in arrays.items()}, times[seen], [told]


def _field_attrs(layer: Layer, name: str) -> dict[str, str]:
    standard_name, units, _, _ = NODES[layer.choice.node][name]
    standard_name = layer.choice.variables[name].get("standard_name", standard_name)
    attrs = {"units": units, "long_name": LONG_NAMES[name]}
    return attrs | ({"standard_name": standard_name} if standard_name else {})


def _node_attrs(layer: Layer, paths: Sequence[Path], region: Region) -> dict[str, str | float]:
    """Where the values come from, in the newest file's own words where it has any."""
    field = max((field for field in layer.fields if field.path in paths), key=_newest)
    words = {key: " ".join(str(value).split()) for key, value in field.attrs.items()}

    def say(*keys: str) -> str:
        return next((words[key] for key in keys if words.get(key)), "")

    return {
        "source": say("title", "institution") or field.path.name,
        "product": say("id", "product", "title") or field.path.name,
        "license": say("license", "licence"),
        "credit": say(
            "credit", "acknowledgement", "acknowledgment", "attribution", "citation", "institution"
        ),
        "files": ", ".join(path.name for path in paths),
        "kind": layer.choice.what,
        "covered": share_covered(region, *field.cuts),
    }


def _oldest(field: Field) -> int:
    return 0 if field.times is None else int(field.times.min().astype(np.int64))


def _newest(field: Field) -> int:
    return 0 if field.times is None else int(field.times.max().astype(np.int64))


def join_attrs(products: Sequence[xr.Dataset]) -> dict[str, str]:
    """Source, license, credit, product and files of several datasets, each said once."""
    return {
        key: "; ".join(dict.fromkeys(str(data.attrs[key]) for data in products if data.attrs.get(key)))
        for key in ("source", "license", "credit", "product", "files")
    }
