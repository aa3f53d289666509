"""Several currents for one sea: the finest where it is known, feathered into the coarser ones around it.

From the coarsest to the finest, each product is laid over what is beneath with weights that fall from 1 to 0
over about three cells of the coarser product, half of them inside the edge of the finer and half outside.
Just outside, and in holes of the finer (a radar misses a patch for an hour), the coarser is shifted by what
the two differ by nearby, so that nothing jumps. Hours are those of the finest, and where it has none those of
the coarser.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely
import xarray as xr
from scipy import ndimage

from searcher.geo import Region, land
from searcher.gridded import at_moments, look_at
from searcher.sea import AXES, grid_of, region_of, to_seconds, to_times

#: cells of the coarser product over which weights fall from 1 to 0
FEATHER = 3.0
#: more values per component than this (60 MB) make the grid coarser
MOST_VALUES = 15_000_000
NAMES = ("u", "v")
BEYOND = 1000.0


def blend_currents(
    products: Sequence[xr.Dataset], *, hold: Sequence[float], span: np.ndarray | None = None
) -> xr.Dataset:
    """One node `currents` from several, the finest first.

    hold: for each product how long (s) its first and last hour may stand for hours without data. span: the
    first and the last hour wanted (datetime64; default all). The result lies on the nodes of the finest,
    carried on over the box of all; its variable `weight` (product, lat, lon) says how much of the values
    comes from which, a mean over time; weights sum to 1 where values are always known.
    """
    times = join_hours([to_seconds(product["time"].values) for product in products])
    if span is not None:
        first, last = to_seconds(span)
        times = times[(times >= first) & (times <= last)]
    lat, lon = _coarsen(*_join_axes(products), times.size)
    ashore = on_land(lat, lon)
    fields = np.full((2, times.size, lat.size, lon.size), np.nan, np.float32)
    weights = np.zeros((len(products), lat.size, lon.size))
    widths = [_feather_width(product, lat, lon) for product in products]
    for place, time in enumerate(times):
        layers = [
            _resample(product, lat, lon, time, hold=held)
            for product, held in zip(products, hold, strict=True)
        ]
        fields[:, place], shares = stack_layers(layers, ashore, widths=widths)
        weights += shares / times.size
    return _dataset(fields, weights, lat, lon, times, products[0])


def stack_layers(
    layers: Sequence[np.ndarray], ashore: np.ndarray, *, widths: Sequence[tuple[int, int]]
) -> tuple[np.ndarray, np.ndarray]:
    """Vector fields of one hour (2, lat, lon), the finest first, as one; and the weight of each.

    ashore: bool (lat, lon), where nothing coarser may fill in. widths: cells (lat, lon) over which weights
    fall from 1 to 0, for what lies over each layer. Returns (2, lat, lon) and (layers, lat, lon).
    """
    stacked = layers[-1]
    weights = [np.isfinite(stacked[0]).astype(np.float64)]
    for layer, width in zip(layers[-2::-1], widths[:0:-1], strict=True):
        seen = np.isfinite(layer[0])
        weight = feather(seen, np.isfinite(stacked[0]) & ~ashore, width=width)
        stacked = lay_over(stacked, layer, weight, width=width)
        stacked[:, ashore & ~seen] = np.nan
        weights = [weight, *((1.0 - weight) * below for below in weights)]
    return stacked, np.where(np.isfinite(stacked[0]), weights, 0.0)


def _feather_width(product: xr.Dataset, lat: np.ndarray, lon: np.ndarray) -> tuple[int, int]:
    """Cells of a grid in `FEATHER` cells of a product."""
    grid = grid_of(product)
    return (
        max(1, round(FEATHER * grid.dlat / (lat[1] - lat[0]))),
        max(1, round(FEATHER * grid.dlon / (lon[1] - lon[0]))),
    )


def join_hours(hours: Sequence[np.ndarray]) -> np.ndarray:
    """Times (s, ascending) of several products: the first's, and of every later one those that lie farther
    than half its own step from any taken before."""
    taken = hours[0]
    for more in hours[1:]:
        half = np.median(np.diff(more)) / 2 if more.size > 1 else 0.0
        apart = np.abs(more[:, None] - taken[None, :]).min(axis=1)
        taken = np.unique(np.concatenate([taken, more[apart > half]]))
    return taken


def feather(seen: np.ndarray, beneath: np.ndarray, *, width: tuple[int, int]) -> np.ndarray:
    """Weights (lat, lon), 0..1, of a field over what lies beneath it.

    The share of cells where the field is `seen`, of all that are known, in a box of `width` cells around:
    along a straight edge it falls from 1 to 0 over one width. Where nothing is beneath, 1 if seen.
    """
    known = seen | beneath
    weight = _mean_around(seen, width) / np.maximum(_mean_around(known, width), 1e-9)
    return np.where(beneath, np.clip(weight, 0.0, 1.0), seen.astype(np.float64))


def lay_over(
    below: np.ndarray, above: np.ndarray, weight: np.ndarray, *, width: tuple[int, int]
) -> np.ndarray:
    """Fields (n, lat, lon): `above` by its weight, the rest `below`; of one alone where the other is missing.

    Where `above` is missing and has weight, it is taken to differ from `below` by what it does nearby.
    """
    apart = above - below
    both = np.isfinite(apart[0])
    share = np.maximum(_mean_around(both, width), 1e-9)
    nearby = np.stack([_mean_around(np.where(both, field, 0.0), width) / share for field in apart])
    blended = below + weight * np.where(both, apart, nearby)
    return np.where(np.isfinite(below), blended, above)


def _mean_around(field: np.ndarray, width: tuple[int, int]) -> np.ndarray:
    """Mean over a box of `width` cells, made odd; what is off the grid counts as zero."""
    size = tuple(2 * (cells // 2) + 1 for cells in width)
    return ndimage.uniform_filter(field.astype(np.float64), size=size, mode="constant")


def on_land(lat: np.ndarray, lon: np.ndarray) -> np.ndarray:
    """Whether each node of a grid lies on land: bool (lat, lon)."""
    wide = Region(float(lon[0]), float(lat[0]), float(lon[-1]), float(lat[-1])).grown(BEYOND)
    shore = land(wide)  # cut off beyond the grid, since its own edge is not land
    shapely.prepare(shore)
    return shapely.contains_xy(shore, *np.meshgrid(lon, lat))


def _join_axes(products: Sequence[xr.Dataset]) -> tuple[np.ndarray, np.ndarray]:
    """Latitudes and longitudes of the first product, carried on in its own steps over the box of all."""
    boxes = np.array([region_of(product) for product in products])
    grid = grid_of(products[0])
    axes = []
    for start, step, name, low, high in (
        (grid.lat0, grid.dlat, "lat", boxes[:, 1].min(), boxes[:, 3].max()),
        (grid.lon0, grid.dlon, "lon", boxes[:, 0].min(), boxes[:, 2].max()),
    ):
        values = products[0][name].values.astype(np.float64)
        before = int(np.floor((values[0] - low) / step + 1e-6))
        after = int(np.floor((high - values[-1]) / step + 1e-6))
        axes.append(start + step * np.arange(-before, values.size + after))
    return axes[0], axes[1]


def _coarsen(lat: np.ndarray, lon: np.ndarray, count: int) -> tuple[np.ndarray, np.ndarray]:
    """Every node, or every second, third ... so that `count` fields do not fill the memory."""
    stride = max(1, int(np.ceil(np.sqrt(lat.size * lon.size * count / MOST_VALUES))))
    return lat[::stride], lon[::stride]


def _resample(
    product: xr.Dataset, lat: np.ndarray, lon: np.ndarray, time: float, *, hold: float
) -> np.ndarray:
    """Both components (2, lat, lon) on other nodes at one time: linear in time, bilinear in space."""
    lons, lats = (axis.ravel() for axis in np.meshgrid(lon, lat))
    values = []
    for name in NAMES:
        field = _at_hour(product[name], time, hold=hold)
        known = np.isfinite(field).any()
        value = look_at(field, grid_of(product), lons, lats) if known else np.full(lons.size, np.nan)
        values.append(value.reshape(lat.size, lon.size))
    fields = np.array(values)
    fields[:, np.isnan(fields).any(axis=0)] = np.nan
    return fields


def _at_hour(values: xr.DataArray, time: float, *, hold: float) -> np.ndarray:
    """A field (lat, lon) at a time, linear between two hours; missing farther than `hold` beyond them."""
    hours = to_seconds(values["time"].values)
    if not hours[0] - hold <= time <= hours[-1] + hold:
        return np.full(values.shape[1:], np.nan)
    return at_moments(values.values, hours, time)


def _dataset(
    fields: np.ndarray,
    weights: np.ndarray,
    lat: np.ndarray,
    lon: np.ndarray,
    times: np.ndarray,
    finest: xr.Dataset,
) -> xr.Dataset:
    dims = ("time", "lat", "lon")
    variables = {name: (dims, fields[k], finest[name].attrs) for k, name in enumerate(NAMES)}
    about = {"long_name": "share of each product in the currents, mean over time", "units": "1"}
    return xr.Dataset(
        variables | {"weight": (("product", "lat", "lon"), weights.astype(np.float32), about)},
        {
            "time": ("time", to_times(times), AXES["time"]),
            "lat": ("lat", lat, AXES["lat"]),
            "lon": ("lon", lon, AXES["lon"]),
        },
        finest.attrs,
    )
