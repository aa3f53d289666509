"""Lines that gather floating matter, from one hour of currents.

The smallest eigenvalue s1 of the rate of strain says how fast water is squeezed together across its own
direction; where -s1 stands out as a ridge, matter on either side is drawn in and stretched along it. These
are the attracting curves of objective Eulerian coherent structures (Serra & Haller 2016, Chaos 26:053110;
Serra et al. 2020, Nat. Commun. 11:2525). Currents of 1/12° or 1/4° cannot show the lines of tens of metres
that a boat fishes (D'Asaro et al. 2018, PNAS 115:1162-1167); they show where such lines are likely.
"""

from __future__ import annotations

import numpy as np
import shapely
import xarray as xr

from searcher.fronts.temperature import metres_between
from searcher.fronts.trace import ridge_lines
from searcher.geo import line_length
from searcher.kernels.sample import sample_field
from searcher.kernels.strain import strain
from searcher.sea import flow_of, grid_of, to_seconds
from searcher.tables import CONVERGENCE_LINE

#: attraction rate of a core, and the share of it that keeps the line (Serra et al. 2020: 0.3), 1/s
CORE = 5e-6
KEEP = 0.3
LEAST_LENGTH = 10_000.0


def currents_at(currents: xr.Dataset, time: np.datetime64) -> tuple[np.ndarray, np.ndarray]:
    """u and v (lat, lon; m/s) at an hour, linear in time, held before the first and after the last field."""
    flow = flow_of(currents)
    moment = to_seconds(time)
    k = int(np.clip(np.searchsorted(flow.t, moment) - 1, 0, max(flow.t.size - 2, 0)))
    if flow.t.size == 1:
        return flow.u[0], flow.v[0]
    share = float(np.clip((moment - flow.t[k]) / (flow.t[k + 1] - flow.t[k]), 0.0, 1.0))
    return tuple((1 - share) * field[k] + share * field[k + 1] for field in (flow.u, flow.v))


def attraction(currents: xr.Dataset, time: np.datetime64) -> xr.Dataset:
    """Strain of the currents at an hour, on their own grid (lat, lon).

    Variables: `divergence`, `vorticity`, `attraction` (-s1, 1/s), and `across_x`, `across_y`, the unit vector
    across an attracting line.
    """
    u, v = currents_at(currents, time)
    lat = currents["lat"].values.astype(np.float64)
    east, north = metres_between(lat, grid_of(currents))
    divergence, vorticity, s1, _, x, y = strain(
        np.ascontiguousarray(u), np.ascontiguousarray(v), lat, east, north
    )
    fields = {
        "divergence": divergence,
        "vorticity": vorticity,
        "attraction": -s1,
        "across_x": x,
        "across_y": y,
    }
    return xr.Dataset(
        {name: (("lat", "lon"), field) for name, field in fields.items()},
        coords={"lat": currents["lat"], "lon": currents["lon"]},
    )


def find_convergence_lines(currents: xr.Dataset, time: np.datetime64) -> list[dict]:
    """Convergence lines in the currents at an hour: a list of rows for the fronts table.

    `strength` is the median attraction rate along the line, 1/s; `doubt` half the currents' own cell, m.
    """
    field = attraction(currents, time)
    grid = grid_of(currents)
    east, north = metres_between(currents["lat"].values, grid)
    lines = ridge_lines(
        field["attraction"].values,
        field["across_x"].values,
        field["across_y"].values,
        east=east,
        north=north,
        grid=grid,
        low=KEEP * CORE,
        high=CORE,
        least_length=LEAST_LENGTH,
    )
    doubt = 0.5 * float(np.sqrt(east.mean() * north.mean()))
    return [_row(line, field, grid) | {"doubt": doubt} for line in _keep_near_core(lines, field, grid)]


def _keep_near_core(lines, field: xr.Dataset, grid) -> list[shapely.LineString]:
    """Cut each line where its attraction falls below `KEEP` of its own greatest."""
    kept = []
    for line in lines:
        xy = shapely.get_coordinates(line)
        rate = _along(field["attraction"].values, grid, xy)
        strong = rate >= KEEP * np.nanmax(rate)
        edges = np.flatnonzero(np.diff(np.concatenate([[0], strong.astype(np.int8), [0]])))
        for first, last in zip(edges[::2], edges[1::2], strict=True):
            if last - first >= 3 and rate[first:last].max() >= CORE:
                piece = shapely.LineString(xy[first:last])
                if line_length(piece) >= LEAST_LENGTH:
                    kept.append(piece)
    return kept


def _row(line: shapely.LineString, field: xr.Dataset, grid) -> dict:
    rate = _along(field["attraction"].values, grid, shapely.get_coordinates(line))
    return {
        "geometry": line,
        "kind": CONVERGENCE_LINE,
        "strength": float(np.nanmedian(rate)),
        "step": np.nan,
        "length": line_length(line),
        "warm_side": "",
    }


def _along(values: np.ndarray, grid, xy: np.ndarray) -> np.ndarray:
    return sample_field(values, grid, np.ascontiguousarray(xy[:, 0]), np.ascontiguousarray(xy[:, 1]))
