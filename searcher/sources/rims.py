"""Cold rims of clouds, taken off pictures of the temperature.

What screens clouds misses their thin edges: beside a gap the one to three nearest nodes are often too cold by
a degree or more (from memory). Carried into a map of many pictures they are patches of cold water that is
nowhere. Whether a picture has such rims it tells itself, by all its gaps together: their nearest nodes, ring
by ring, against the water a little farther off. Land has no such rims, and water may well be cold along a
shore, so that gaps there do not count.
"""

from __future__ import annotations

import numpy as np
import xarray as xr
from scipy import ndimage

from searcher.sources.blend import on_land

#: rims are at most so many nodes wide; gaps as near to land are taken for land, since a product's own mask of
#: it is often a little wider than the drawn shore
RIM = 3
#: a ring is cold if it is so far below the water beyond, °C (a guess: half of the least step of a front), and
#: more than the spread of that water
LEAST_COLD = 0.15
#: fewer nodes of a ring say nothing
LEAST_NODES = 50
#: less than this share of a Gaussian around a node is too little water to hold it against
LEAST_WATER = 0.05
SQUARE = np.ones((3, 3), bool)


def trim_rims(data: xr.Dataset) -> xr.Dataset:
    """Pictures `sst` (time, lat, lon) without cold rims; as they are where none has any."""
    pictures = data["sst"].values
    known = np.isfinite(pictures)
    if known.all():
        return data
    ashore = on_land(data["lat"].values, data["lon"].values)
    shore = ndimage.binary_dilation(ashore, SQUARE, iterations=RIM)
    trimmed = np.stack([without_rims(picture, shore) for picture in pictures])
    taken = 1.0 - np.isfinite(trimmed).sum() / max(known.sum(), 1)
    if not taken:
        return data
    history = f"{data.attrs['history']}; cold rims of clouds taken off, {taken:.1%} of the clear nodes"
    return data.assign(sst=data["sst"].copy(data=trimmed)).assign_attrs(history=history)


def without_rims(picture: np.ndarray, shore: np.ndarray) -> np.ndarray:
    """One picture (lat, lon), °C, NaN where unseen, without its outermost nodes as far as they are cold.

    shore: bool (lat, lon), where a gap is no cloud.
    """
    known = np.isfinite(picture)
    clear = np.pad(known | shore, 1, constant_values=True)
    if clear.all():
        return picture
    away = ndimage.distance_transform_cdt(clear, "chessboard")[1:-1, 1:-1]
    beyond = known & (away > RIM)
    water = ndimage.gaussian_filter(beyond.astype(np.float64), RIM, truncate=2.0)
    usual = ndimage.gaussian_filter(np.where(beyond, picture, 0.0).astype(np.float64), RIM, truncate=2.0)
    above = picture - usual / np.where(water > LEAST_WATER, water, np.nan)
    rings = [_known(above[away == ring]) for ring in range(1, RIM + 1)]
    spread = 1.48 * _middle(np.abs(_known(above[(away > RIM) & (away <= 2 * RIM)])))  # sd of a Gaussian
    cold = [ring for ring, values in enumerate(rings, 1) if _middle(values) < -max(LEAST_COLD, spread)]
    trim = max(cold, default=0)
    return np.where(away > trim, picture, np.nan).astype(picture.dtype) if trim else picture


def _known(values: np.ndarray) -> np.ndarray:
    return values[np.isfinite(values)]


def _middle(values: np.ndarray) -> float:
    """The median; 0 of too few."""
    return float(np.median(values)) if values.size > LEAST_NODES else 0.0
