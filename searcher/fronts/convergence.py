"""Lines that gather floating matter, from one hour of currents.

The smallest eigenvalue s1 of the rate of strain says how fast water is squeezed together across its own
direction; where -s1 stands out as a ridge, matter on either side is drawn in and stretched along it. These
are the attracting curves of objective Eulerian coherent structures (Serra & Haller 2016, Chaos 26:053110;
Serra et al. 2020, Nat. Commun. 11:2525). Two things more are asked here of a line that gathers. The
squeezing must be across the line itself, -n·S·n for its normal n: along the flank of a jet s1 is large from
shear alone, yet nothing is drawn in. And the flow must converge: without that, matter is lined up but no more
of it comes. Currents of 1/12° or 1/4° cannot show the lines of tens of metres that a boat fishes (D'Asaro et
al. 2018, PNAS 115:1162-1167); they show where such lines are likely.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import shapely
import xarray as xr

from searcher.fronts.gathering import gathering_row
from searcher.fronts.lagrangian import blind_to
from searcher.fronts.trace import ridge_lines
from searcher.geo import densify, line_length, normals
from searcher.gridded import at_moments
from searcher.kernels.sample import Flow, Grid, sample_field
from searcher.kernels.strain import strain
from searcher.sea import cell_size, check_hour, flow_of, grid_of, metres_between, to_seconds

#: squeezing rate of a core, and the share of it that keeps the line (Serra et al. 2020: 0.3), 1/s
CORE = 5e-6
KEEP = 0.3
#: the share of the squeezing that must be convergence: a flow without divergence shows a few percent, from
#: differences over a coarse grid
CONVERGING = 0.2
LEAST_LENGTH = 10_000.0
#: vertices along a line, m
SPACING = 1000.0


def currents_at(currents: xr.Dataset, time: np.datetime64) -> tuple[np.ndarray, np.ndarray]:
    """u and v (lat, lon; m/s) at an hour, linear in time, held before the first and after the last field."""
    check_hour(time, currents["time"].values)
    flow = flow_of(currents)
    u, v = (at_moments(part, flow.t, to_seconds(time)) for part in (flow.u, flow.v))
    return u, v


def attraction(currents: xr.Dataset, time: np.datetime64) -> xr.Dataset:
    """Strain of the currents at an hour, on their own grid (lat, lon).

    Variables, all 1/s: `divergence`, `vorticity`, `attraction` (-s1), the rate-of-strain tensor `sxx`, `sxy`,
    `syy`; and `across_x`, `across_y`, the unit vector along which water is squeezed hardest. Attribute
    `blind_to`: what the currents' resolution cannot see. Raises `NoData` for an hour that has nothing to do
    with the currents.
    """
    u, v = currents_at(currents, time)
    lat = currents["lat"].values.astype(np.float64)
    east, north = metres_between(lat, grid_of(currents))
    divergence, vorticity, s1, s2, x, y = strain(
        np.ascontiguousarray(u), np.ascontiguousarray(v), lat, east, north
    )
    fields = {
        "divergence": divergence,
        "vorticity": vorticity,
        "attraction": -s1,
        "sxx": s1 * x * x + s2 * y * y,
        "sxy": (s1 - s2) * x * y,
        "syy": s1 * y * y + s2 * x * x,
        "across_x": x,
        "across_y": y,
    }
    return xr.Dataset(
        {name: (("lat", "lon"), field) for name, field in fields.items()},
        coords={"lat": currents["lat"], "lon": currents["lon"]},
        attrs={"blind_to": blind_to(currents)},
    )


def divergences(currents: xr.Dataset) -> Flow:
    """Divergence (1/s) of every hour of the currents, as both components of a `Flow`."""
    return divergence_of(flow_of(currents))


def divergence_of(flow: Flow) -> Flow:
    """Divergence (1/s) of every hour of a flow, as both components of another on its grid."""
    lat = flow.lat0 + flow.dlat * np.arange(flow.u.shape[1])
    east, north = metres_between(lat, Grid(*flow[3:]))
    fields = np.stack([strain(u, v, lat, east, north)[0] for u, v in zip(flow.u, flow.v, strict=True)])
    return flow._replace(u=fields, v=fields)


def squeeze_across(field: xr.Dataset, xy: np.ndarray, normal: np.ndarray) -> np.ndarray:
    """How fast water closes in along `normal` at places: -n·S·n, 1/s; negative where it is drawn apart.

    field: of `attraction`. xy: (n, 2) degrees. normal: (n, 2) unit vectors, east and north.
    """
    grid = grid_of(field)
    lon, lat = np.ascontiguousarray(xy[:, 0]), np.ascontiguousarray(xy[:, 1])
    sxx, sxy, syy = (sample_field(field[name].values, grid, lon, lat) for name in ("sxx", "sxy", "syy"))
    x, y = normal[:, 0], normal[:, 1]
    return -(sxx * x * x + 2.0 * sxy * x * y + syy * y * y)


def find_convergence_lines(currents: xr.Dataset, time: np.datetime64) -> list[dict[str, Any]]:
    """Convergence lines in the currents at an hour: a list of rows for the fronts table.

    `strength` is the median rate of squeezing across the line, 1/s; `doubt` half the currents' own cell, m.
    """
    field = attraction(currents, time)
    grid = grid_of(currents)
    east, north = metres_between(currents["lat"].values, grid)
    cell = cell_size(currents)
    ridges = ridge_lines(
        field["attraction"].values,
        field["across_x"].values,
        field["across_y"].values,
        east=east,
        north=north,
        grid=grid,
        low=KEEP * CORE,
        high=CORE,
        least_length=LEAST_LENGTH,
        scale=2.0 * cell,
        tolerance=0.05,
    )
    return [row | {"doubt": 0.5 * cell} for ridge in ridges for row in _gathering_stretches(ridge, field)]


def _gathering_stretches(ridge: shapely.LineString, field: xr.Dataset) -> list[dict[str, Any]]:
    """Rows for the stretches of a ridge that gather: squeezed across, from a core outward, and converging."""
    xy = shapely.get_coordinates(densify(ridge, SPACING))
    rate = squeeze_across(field, xy, normals(xy))
    lon, lat = np.ascontiguousarray(xy[:, 0]), np.ascontiguousarray(xy[:, 1])
    divergence = sample_field(field["divergence"].values, grid_of(field), lon, lat)
    keep = rate >= KEEP * max(np.nanmax(rate, initial=0.0), CORE)
    keep &= -divergence >= CONVERGING * rate
    edges = np.flatnonzero(np.diff(np.concatenate([[0], keep.astype(np.int8), [0]])))
    rows = []
    for first, last in zip(edges[::2], edges[1::2], strict=True):
        if last - first >= 3 and rate[first:last].max() >= CORE:
            line = shapely.LineString(xy[first:last])
            if line_length(line) >= LEAST_LENGTH:
                rows.append(gathering_row(line, float(np.median(rate[first:last]))))
    return rows
