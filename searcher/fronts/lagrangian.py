"""How water has been stretched and gathered on its way: what lasts, where one hour's currents only hint.

Four auxiliary points a little way east, west, north and south of every place are carried with it; how they
come apart is the deformation gradient F of the flow map (Shadden, Lekien & Marsden 2005, Physica D
212:271-304; auxiliary points instead of the grid's neighbours: Farazmand & Haller 2012, Chaos 22:013128).
The finite-time Lyapunov exponent is ln √λ / |T| with λ the greatest eigenvalue of C = FᵀF. Carried back in
time its ridges are the lines that have attracted what floats now; they lie across the eigenvector. By
Liouville's theorem ln det F of the way back is the dilation, the integral of minus the divergence: ln of how
much denser floating matter has become (Huntley et al. 2015, J. Geophys. Res. Oceans 120:6622-6636, from
memory).

A place of which any point meets the shore or leaves the currents on the way has no answer (NaN), and a mark.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
import shapely
import xarray as xr
from numpy.typing import ArrayLike

from searcher.carry import Drift, make_drift
from searcher.errors import TableError
from searcher.fronts.gathering import gathering_row
from searcher.fronts.trace import ridge_lines
from searcher.kernels.advect import AFLOAT
from searcher.kernels.metric import row_metrics
from searcher.sea import cell_size, check_hour, grid_of, metres_between, to_seconds

#: auxiliary points stand so far to each side, m: far above rounding, far below a cell
APART = 100.0
#: how long water is followed back, s
OVER = 48 * 3600.0
#: an attracting line starts at `HIGH` and runs on down to `LOW`, 1/s: e-fold stretching in 1.5 and 3 days
LOW, HIGH = 4e-6, 8e-6
LEAST_LENGTH = 10_000.0


class Stretch(NamedTuple):
    """What happened to water on its way, arrays of the shape of the places; NaN where `status` is not 0.

    ftle: 1/s. dilation: ln of the area at the end over that at the start: followed back, positive where water
    has come together; on, negative where it will. x, y: the unit vector (east, north) at the start along
    which it is stretched most. status: of `kernels.advect`, the worst of the four points.
    """

    ftle: np.ndarray
    dilation: np.ndarray
    x: np.ndarray
    y: np.ndarray
    status: np.ndarray


def deformation(
    drift: Drift,
    lon: ArrayLike,
    lat: ArrayLike,
    start: ArrayLike,
    end: ArrayLike,
    *,
    windage: ArrayLike = 0.0,
    apart: float = APART,
) -> tuple[np.ndarray, np.ndarray]:
    """F of the flow map from `start` to `end` (s) at places: array (..., 2, 2), metres per metre, and status.

    F[..., 0, 1] is how far east the end moves for a metre north at the start. F is NaN where status is not
    AFLOAT: the greatest of the statuses of the four auxiliary points, `apart` metres from the place.
    """
    lon, lat = np.asarray(lon, np.float64), np.asarray(lat, np.float64)
    per_lon, per_lat = (a.reshape(lat.shape) for a in row_metrics(np.ascontiguousarray(lat).ravel()))
    east, north = apart / per_lon, apart / per_lat
    x = np.stack([lon + east, lon - east, lon, lon])
    y = np.stack([lat, lat, lat + north, lat - north])
    x, y, status = drift.move(x, y, start, end, windage=windage)
    status = status.max(axis=0)
    middle = np.ascontiguousarray(y.mean(axis=0)).ravel()
    per_lon, per_lat = (a.reshape(lat.shape) for a in row_metrics(middle))
    rows = [[(p[0] - p[1]) * per, (p[2] - p[3]) * per] for p, per in ((x, per_lon), (y, per_lat))]
    gradient = np.moveaxis(np.array(rows), (0, 1), (-2, -1)) / (2.0 * apart)
    return np.where((status == AFLOAT)[..., None, None], gradient, np.nan), status


def stretch(
    drift: Drift,
    lon: ArrayLike,
    lat: ArrayLike,
    start: ArrayLike,
    end: ArrayLike,
    *,
    windage: ArrayLike = 0.0,
    apart: float = APART,
) -> Stretch:
    """Finite-time Lyapunov exponent and dilation of the water at places, from `start` to `end` (s)."""
    gradient, status = deformation(drift, lon, lat, start, end, windage=windage, apart=apart)
    (a, b), (c, d) = np.moveaxis(gradient, (-2, -1), (0, 1))
    cxx, cxy, cyy = a * a + c * c, a * b + c * d, b * b + d * d
    half, size = 0.5 * (cxx + cyy), np.hypot(0.5 * (cxx - cyy), cxy)
    angle = 0.5 * np.arctan2(2.0 * cxy, cxx - cyy)
    with np.errstate(divide="ignore", invalid="ignore"):
        ftle = 0.5 * np.log(half + size) / np.abs(np.subtract(end, start))
        dilation = np.log(np.abs(a * d - b * c))
    return Stretch(ftle, dilation, np.cos(angle), np.sin(angle), status)


def stretching(
    sea: xr.DataTree,
    *,
    at: np.datetime64,
    over: float = OVER,
    step: float | None = None,
    forward: bool = False,
    windage: float = 0.0,
    apart: float = APART,
) -> xr.Dataset:
    """Stretching and gathering of the water of a sea on a grid (lat, lon) over the region of its currents.

    Parameters
    ----------
    at
        The hour of the map.
    over
        How long the water is followed, s: back, so that ridges attract, or `forward`, so that they part.
    step
        Of the grid, degrees (default: a third of that of the currents, since stretching is finer than they).
    windage
        Share of the wind that what floats takes on.
    apart
        Distance of the auxiliary points, m.

    Returns
    -------
    `ftle` (1/s); `gathered`, ln of the gain of floating matter, so far (backward) or to come (forward);
    `across_x`, `across_y`, the unit vector along which water is stretched most, across a ridge; `status`,
    0 afloat all the way, 1 met the shore, 2 left the currents, with NaN in the other fields. Attribute
    `blind_to`: what the currents' resolution cannot see. Raises `NoData` for an hour that has nothing to do
    with the currents, `TableError` for an `over`, `step` or `apart` that is not over 0.
    """
    currents = sea["currents"].to_dataset()
    check_hour(at, currents["time"].values)
    for name, value in (("over", over), ("step", step), ("apart", apart)):
        if value is not None and not value > 0.0:
            raise TableError(f"stretching: {name}", given=value, expected="a number over 0")
    grid, drift = grid_of(currents), make_drift(sea)
    step = grid.dlat / 3.0 if step is None else step
    lon, lat = (_axis(currents[name].values, step) for name in ("lon", "lat"))
    start = float(to_seconds(at))
    end = start + over if forward else start - over
    x, y = np.meshgrid(lon, lat)
    found = stretch(drift, x, y, start, end, windage=windage, apart=apart)
    sign = -1.0 if forward else 1.0
    fields = {
        "ftle": (found.ftle, "s-1"),
        "gathered": (sign * found.dilation, "1"),
        "across_x": (found.x, "1"),
        "across_y": (found.y, "1"),
        "status": (found.status, "1"),
    }
    return xr.Dataset(
        {name: (("lat", "lon"), values, {"units": units}) for name, (values, units) in fields.items()},
        coords={"lat": lat, "lon": lon, "time": np.datetime64(at, "ns")},  # type: ignore[call-overload]
        attrs={"over": over, "blind_to": blind_to(currents)},
    )


def _axis(nodes: np.ndarray, step: float) -> np.ndarray:
    """From the first node to the last, `step` apart."""
    first, last = float(nodes[0]), float(nodes[-1])
    return first + step * np.arange(int((last - first) / step + 1e-6) + 1)


def blind_to(currents: xr.Dataset) -> str:
    """What currents of a grid cannot show, in a sentence: nothing narrower than two of its cells.

    Two cells are the shortest wave a grid can hold (Nyquist); models resolve less, four to eight of them
    (Skamarock 2004, Mon. Weather Rev. 132:3019-3032, from memory).
    """
    cell = cell_size(currents)
    return (
        f"currents of about {tell_km(cell)} km cannot show lines narrower than about {tell_km(2 * cell)} km, "
        "and a model knows its own position no better; matter gathers in lines of tens of metres, which lie "
        "somewhere within what is marked"
    )


def tell_km(metres: float) -> str:
    """Kilometres for a sentence: one digit below ten, whole from there."""
    return f"{metres / 1000:.0f}" if metres >= 9500 else f"{metres / 1000:.1g}"


def find_attracting_lines(field: xr.Dataset, *, low: float = LOW, high: float = HIGH) -> list[dict[str, Any]]:
    """Ridges of backward stretching (a dataset of `stretching`): rows for the fronts table.

    `strength` is the median exponent along the line, 1/s; `doubt` one cell of the grid, m, which is the error
    of tracing alone: errors of the currents come on top (`carry.drift_doubt`).
    """
    grid = grid_of(field)
    east, north = metres_between(field["lat"].values, grid)
    cell = cell_size(field)
    height = field["ftle"]
    lines = ridge_lines(
        height.values,
        field["across_x"].values,
        field["across_y"].values,
        east=east,
        north=north,
        grid=grid,
        low=low,
        high=high,
        least_length=LEAST_LENGTH,
        scale=2.0 * cell,
    )
    return [_row(line, height, cell) for line in lines]


def _row(line: shapely.LineString, height: xr.DataArray, cell: float) -> dict[str, Any]:
    lon, lat = (xr.DataArray(values, dims="point") for values in line.xy)
    strength = float(height.interp(lon=lon, lat=lat).median())
    return gathering_row(line, strength) | {"doubt": cell}
