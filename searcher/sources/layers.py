"""Fields of many files, grouped by grid: which of them a node is made of, and which hours."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import reduce
from pathlib import Path
from typing import Any, Protocol

import numpy as np

from searcher.geo import Region
from searcher.sea import NODES
from searcher.sources.axes import share_covered
from searcher.sources.fields import Field
from searcher.sources.names import Choice

IMAGES = ("temperature", "color", "weed")  # single pictures; every other node is a running field
LOOK_BACK = np.timedelta64(5, "D").astype("timedelta64[ns]")
FRESH = np.timedelta64(1, "D").astype("timedelta64[ns]")  # pictures no older than this count as equally new
LONG_AGO = np.datetime64("1700-01-01", "ns")
HOLD = 86400.0  # s by which a running field may be carried past its first and last hour


class SourceWarning(UserWarning):
    """Something in the files was left out, and the sea is made without it."""


class Hours(Protocol):
    """A span of time, as the window of a trip is one: its first and last moment, datetime64[ns], UTC."""

    @property
    def start(self) -> np.datetime64: ...

    @property
    def end(self) -> np.datetime64: ...


@dataclass(frozen=True)
class Layer:
    """Fields of one node by one choice on one grid, from any number of files."""

    fields: tuple[Field, ...]

    @property
    def choice(self) -> Choice:
        return self.fields[0].choice

    @property
    def paths(self) -> list[Path]:
        return list(dict.fromkeys(field.path for field in self.fields))

    @property
    def missing(self) -> list[str]:
        """Variables of the node that no file of the layer holds."""
        held = {field.name for field in self.fields}
        return [name for name in NODES[self.choice.node] if name not in held]

    @property
    def is_outside(self) -> bool:
        return self.fields[0].is_outside

    def times(self) -> np.ndarray:
        """Times (datetime64[ns], ascending) at which every variable of the node is there."""
        first, *others = (
            np.concatenate([field.times for field in self.fields if field.name == name])
            for name in NODES[self.choice.node]
        )
        return reduce(np.intersect1d, others, np.unique(first))

    def describe(self) -> str:
        names = [str(path) for path in self.paths]
        more = [f"{len(names) - 2} files more"] if len(names) > 3 else names[2:]
        return f"{self.choice.what} in {', '.join([*names[:2], *more])}"


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
    if one.is_outside or other.is_outside:
        return all((a is None) == (b is None) for a, b in pairs) and one.box == other.box
    return all(
        a.values.size == b.values.size and np.abs(a.values - b.values).max() < 0.01 * a.step
        for a, b in zip(one.cuts, other.cuts, strict=True)
    )


def choose_layer(layers: Sequence[Layer], region: Region, window: Hours | None) -> Layer:
    """The layer that has something for the hours asked, then the better choice, then the most of the region,
    then the newest time. Of pictures, those that are a day older than the newest come last, and the finest
    comes before the newest."""
    newest = {id(layer): _newest(layer, window) for layer in layers}

    def merit(layer: Layer) -> tuple[Any, ...]:
        lat, lon = layer.fields[0].cuts
        covered = round(share_covered(region, lat, lon), 2)
        if layer.fields[0].times is None:
            return True, -layer.choice.rank, covered, 0, -lat.step
        times = layer.times()
        timely = times.size > 0 and _is_timely(layer.choice.node, times, window)
        if layer.choice.node not in IMAGES:
            return timely, -layer.choice.rank, covered, newest[id(layer)], -lat.step
        rivals = [newest[id(other)] for other in layers if other.choice.rank == layer.choice.rank]
        is_fresh = newest[id(layer)] >= max(rivals) - FRESH
        return timely, -layer.choice.rank, is_fresh, covered, -lat.step, newest[id(layer)]

    return max(layers, key=merit)


def _newest(layer: Layer, window: Hours | None) -> np.datetime64:
    """The newest time of a layer, of pictures not after the end of the window; long ago if it has none."""
    if layer.fields[0].times is None:
        return LONG_AGO
    times = layer.times()
    if window is not None and layer.choice.node in IMAGES:
        times = times[times <= window.end]
    return times[-1] if times.size else LONG_AGO


def _is_timely(node: str, times: np.ndarray, window: Hours | None) -> bool:
    if window is None:
        return True
    if node in IMAGES:
        return bool(((times >= window.start - LOOK_BACK) & (times <= window.end)).any())
    return not misses_hours(times, window, hold=HOLD)


def misses_hours(times: np.ndarray, window: Hours, *, hold: float) -> bool:
    """Whether a window reaches more than `hold` seconds before the first or past the last of `times`."""
    slack = np.timedelta64(round(hold * 1e9), "ns")
    return bool(window.start < times[0] - slack or window.end > times[-1] + slack)


def keep_images(times: np.ndarray, window: Hours | None) -> np.ndarray:
    """Of ascending times of images: those from five days before departure to the end of the window; where
    there are none, the newest one before; none where all are later."""
    if window is None:
        return times
    early = times[times <= window.end]
    kept = early[early >= window.start - LOOK_BACK]
    return kept if kept.size else early[-1:]


def keep_hours(times: np.ndarray, earliest: np.datetime64 | None, window: Hours | None) -> np.ndarray:
    """Of ascending times of a running field: from the last one at or before `earliest` to the first one at or
    after the end of the window."""
    if window is None or earliest is None or not times.size:
        return times
    first = np.searchsorted(times, earliest, side="right") - 1
    last = np.searchsorted(times, window.end, side="left")
    return times[max(first, 0) : last + 1] if first < times.size else times[-1:]
