"""Layers of one field -> the node of a sea: the best is read, and what the others can add to it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, NamedTuple

import numpy as np
import xarray as xr

from searcher.errors import NoData
from searcher.geo import Region
from searcher.sources.blend import blend_currents
from searcher.sources.join import join_attrs, read_layer
from searcher.sources.layers import HOLD, IMAGES, Hours, Layer, choose_layer, keep_hours, keep_images
from searcher.sources.tell import tell_box, tell_time

#: what may have left a layer without a value, by node; {} is the least quality level asked for
WHY_EMPTY = {
    "temperature": "all land or cloud, or all of a quality level under {}",
    "depth": "all land, or most numbers under 0, as heights have them; if they are heights, say so "
    "(standard_name, or positive = 'up'), if they are depths, too (positive = 'down')",
}


class Needed(NamedTuple):
    """What a sea is loaded for: where, when (None: every time), from when on running fields are needed."""

    region: Region
    window: Hours | None
    earliest: np.datetime64 | None
    min_quality: int


class Span(NamedTuple):
    """From one moment to another."""

    start: np.datetime64
    end: np.datetime64


def load_node(layers: Sequence[Layer], needed: Needed) -> tuple[xr.Dataset, list[xr.Dataset], list[str]]:
    """The node of some layers of one field, pictures of other products, and notes of what was left out.

    Other pictures of the temperature are handed on as they are, to fill gaps of the composed map; other
    currents are blended in; other products of everything else are left out.
    """
    chosen = choose_layer(layers, needed.region, needed.window)
    data = _read(chosen, _keep_times(chosen, needed), needed)
    rest = [other for other in layers if other is not chosen]
    pictures: list[xr.Dataset] = []
    used, end = [chosen], ""
    if chosen.choice.node == "temperature":
        equals = [other for other in rest if other.choice.rank == chosen.choice.rank]
        used += equals
        pictures = [picture for other in equals if (picture := _try_read(other, needed)) is not None]
        end = "; its clear views fill gaps of the composed map" if pictures else ""
    elif chosen.choice.node == "currents" and rest:
        data, blended = _blend(chosen, data, rest, needed)
        used = blended or used
        rest = [other for other in rest if other not in used]
    data.attrs["left_out"] = "; ".join(other.describe() for other in rest)
    why = f"left out: one grid per field, and {chosen.describe()} serves the trip better{end}"
    notes = [f"{other.describe()} {why}" for other in rest if other.choice.rank <= chosen.choice.rank]
    return data, pictures, notes + _tell_unread(used)


def _tell_unread(layers: Sequence[Layer]) -> list[str]:
    """In words, the flags that say in no way known here which values are bad."""
    return [
        f"{layer.describe()}: the flag {name} does not say in flag_meanings, with flag_values or flag_masks, "
        "which values are bad, so all are used"
        for layer in layers
        for name in sorted({name for field in layer.fields for name in field.unread})
    ]


def _keep_times(layer: Layer, needed: Needed) -> np.ndarray | None:
    node = layer.choice.node
    if node == "depth":
        return None
    times = layer.times()
    if node in IMAGES:
        kept = keep_images(times, needed.window)
    else:
        kept = keep_hours(times, needed.earliest, needed.window)
    if not kept.size:
        held = f"{tell_time(times[0])} to {tell_time(times[-1])}" if times.size else "no common time"
        asked = f", not the hours of the trip until {tell_time(needed.window.end)}" if needed.window else ""
        raise NoData(f"{node}: {layer.describe()} holds {held}{asked}. Fetch fields of hours before its end")
    return kept


def _read(layer: Layer, times: np.ndarray | None, needed: Needed) -> xr.Dataset:
    data = read_layer(layer, times, needed.region, min_quality=needed.min_quality)
    if any(np.isnan(data[name].values).all() for name in data.data_vars):
        why = WHY_EMPTY.get(layer.choice.node, "all land or cloud").format(needed.min_quality)
        raise NoData(f"{layer.describe()} holds no value in {tell_box(needed.region)}: {why}")
    return data


def _try_read(layer: Layer, needed: Needed) -> xr.Dataset | None:
    """A layer that is welcome and not needed; None where it has nothing for this place and these hours."""
    try:
        return _read(layer, _keep_times(layer, needed), needed)
    except NoData:
        return None


def _blend(
    chosen: Layer, data: xr.Dataset, rest: Sequence[Layer], needed: Needed
) -> tuple[xr.Dataset, list[Layer]]:
    """The currents of several layers, the better kind and then the finer first; and which others count.

    Those finer than the chosen stand only for their own hours; the others are held at their ends as it is.
    """
    span = data["time"].values[[0, -1]]
    read = {id(chosen): data}
    for layer in rest:
        if layer.times().size and _meets(layer.times(), span):
            within = needed._replace(earliest=span[0], window=Span(span[0], span[1]))
            found = _try_read(layer, within)
            read |= {} if found is None else {id(layer): found}
    layers = [layer for layer in (chosen, *rest) if id(layer) in read]
    layers.sort(key=lambda layer: (layer.choice.rank, layer.fields[0].cuts[0].step, layer is not chosen))
    if len(layers) == 1:
        return data, []
    place = layers.index(chosen)
    blended = blend_currents(
        [read[id(layer)] for layer in layers],
        hold=[HOLD if index >= place else 0.0 for index in range(len(layers))],
        span=span,
    )
    given = blended["weight"].sum(("lat", "lon")).values
    used = np.flatnonzero(given > 0)
    if used.tolist() == [place]:
        return data, []
    shares = {id(layers[index]): given[index] / given.sum() for index in used}
    parts = [(read[key], share) for key, share in shares.items()]
    blended = blended.isel(product=used).assign_attrs(_attrs_of_blend(parts, data.attrs["history"]))
    return blended, [layer for layer in layers if id(layer) in shares]


def _attrs_of_blend(parts: Sequence[tuple[xr.Dataset, float]], history: str) -> dict[str, Any]:
    """What a blend of products and their shares is: the kind of the greatest share, every share in words."""
    products = [data for data, _ in parts]
    told = [f"{share:.1%} {data.attrs['source']} ({data.attrs['files']})" for data, share in parts]
    return join_attrs(products) | {
        "kind": max(parts, key=lambda part: part[1])[0].attrs["kind"],
        "covered": max(data.attrs["covered"] for data in products),
        "shares": "; ".join(told),
        "history": f"{history}; products laid over each other, the finest on top",
    }


def _meets(times: np.ndarray, span: np.ndarray) -> bool:
    """Whether any of some times lies within a span, or near enough to be held."""
    hold = np.timedelta64(round(HOLD), "s")
    return bool(((times >= span[0] - hold) & (times <= span[1] + hold)).any())
