"""Where to troll for what floats: straight stretches over which most of it is reckoned to have gathered.

Matter lies in lines, but a map reckoned from coarse currents has them as bands a few kilometres wide and bent
where the currents err. So no ridge is followed: of all straight stretches on a lattice, in all courses, those
are taken over which the mean density is highest, one after another, none mostly inside a better one. That
mean is what a boat meets that trolls along it.
"""

from __future__ import annotations

import math
from typing import Any

import geopandas as gpd
import numpy as np
import shapely
import xarray as xr

from searcher.geo import LocalPlane, Place, line_length
from searcher.sea import cell_size, sample_at
from searcher.tables import CONVERGENCE_LINE, FRONTS, empty_table, make_table

#: stretches: their length, how far apart their middles lie (m), and their courses over half a turn
LENGTH, LATTICE, COURSES = 4000.0, 2000.0, 12
#: the map is read at places so far apart, m
SAMPLING = 500.0
#: a stretch is worth trolling where matter is denser by so much than where it was let go
LEAST_DENSITY = 1.1
#: at most so many; of strips so wide to either side (m) two share no more than this of their area: so those
#: side by side are kept, and of those that cross the better
MOST, ASIDE, SHARED = 40, 1000.0, 0.3
#: what the fronts table says of every line along which matter gathers: it has no step, and no warm side
GATHERS: dict[str, Any] = {
    "kind": CONVERGENCE_LINE,
    **dict.fromkeys(("strength_doubt", "step", "step_doubt", "width", "confidence"), np.nan),
    "warm_side": "",
}


def gathering_row(line: shapely.LineString, strength: float) -> dict[str, Any]:
    """The row of a line (degrees) along which matter gathers, at a rate (1/s), for the fronts table."""
    return {"geometry": line, **GATHERS, "strength": strength, "length": line_length(line)}


def find_gathering(
    floating: xr.Dataset,
    within: shapely.Geometry,
    currents: xr.Dataset,
    *,
    seen: np.datetime64,
    time: xr.DataArray | None = None,
) -> gpd.GeoDataFrame:
    """The stretches inside an area (degrees) over which most matter has gathered, best first: a fronts table.

    time: how long (s) a boat could troll at places (lat, lon; `searcher.reach.time_to_troll`). Stretches are
    then ranked by density times the root of it, half way between density alone (the best hour) and density
    times the time (the best day): of the three the root gave the days of most encounters on twelve built-in
    seas.

    floating: of `searcher.fronts.floating`, reckoned from `currents`. `strength` is the mean rate (1/s) at
    which the water has been drawn together over the days that matter was followed, ln(density)/time. `doubt`
    is half a cell of the currents, as of any line they show, or what pictures have made of it. seen: the hour
    the currents are taken to be of.
    """
    if within.is_empty:
        return empty_table("fronts")
    plane = LocalPlane(Place(*shapely.get_coordinates(shapely.centroid(within))[0]))
    ends = lay_stretches(plane.to_plane(within))
    if not len(ends):
        return empty_table("fronts")
    density = density_along(ends, floating, plane)
    worth = np.where(density >= LEAST_DENSITY, density, np.nan)
    if time is not None:
        spell = sample_at(time, plane.lonlat_of(ends.mean(axis=1)))
        worth = np.where(spell > 0.0, worth * np.sqrt(spell), np.nan)
    best = choose_apart(ends, worth)
    lines = plane.to_degrees(shapely.linestrings(ends[best]))
    facts = GATHERS | {
        "valid_time": floating["time"].values,
        "seen_time": seen,
        "strength": np.log(density[best]) / (floating.attrs["days"] * 86400.0),
        "length": [line_length(line) for line in lines],
        "seen_share": 1.0,
        "doubt": currents.attrs.get("doubt", 0.5 * cell_size(currents)),
        "source": str(currents.attrs.get("source", "")) or "currents",
    }
    return make_table("fronts", lines, {name: np.broadcast_to(facts[name], len(lines)) for name in FRONTS})


def lay_stretches(area: shapely.Geometry) -> np.ndarray:
    """Both ends of every straight stretch on a lattice whose ends and middle lie in an area: (n, 2, 2), m."""
    west, south, east, north = area.bounds
    shapely.prepare(area)
    x, y = np.meshgrid(np.arange(west, east, LATTICE), np.arange(south, north, LATTICE))
    middles = np.column_stack([x.ravel(), y.ravel()])
    middles = middles[shapely.contains_xy(area, *middles.T)]
    courses = np.arange(COURSES) * np.pi / COURSES
    half = 0.5 * LENGTH * np.column_stack([np.sin(courses), np.cos(courses)])
    ends = (middles[:, None, None] + np.stack([-half, half], axis=1)).reshape(-1, 2, 2)
    inside = shapely.contains_xy(area, *ends.reshape(-1, 2).T).reshape(-1, 2)
    return ends[inside.all(axis=1)]


def places_along(ends: np.ndarray, spacing: float) -> np.ndarray:
    """Places so far apart (m) along stretches (n, 2, 2), as many on each, one by one: (places, 2)."""
    share = np.linspace(0.0, 1.0, round(LENGTH / spacing) + 1)[:, None]
    return (ends[:, None, 0] + share * (ends[:, None, 1] - ends[:, None, 0])).reshape(-1, 2)


def density_along(ends: np.ndarray, floating: xr.Dataset, plane: LocalPlane) -> np.ndarray:
    """Mean density (n,) over stretches (n, 2, 2; m on `plane`); NaN where any of it is not known."""
    # stretches are short: what is straight on the plane is straight in degrees to within a metre
    lonlat = plane.lonlat_of(ends.reshape(-1, 2)).reshape(ends.shape)
    return sample_at(floating["density"], places_along(lonlat, SAMPLING)).reshape(len(ends), -1).mean(axis=1)


def choose_apart(ends: np.ndarray, worth: np.ndarray) -> list[int]:
    """Numbers of the stretches worth most, best first, that lie apart; NaN is worth nothing."""
    lines, middles = shapely.linestrings(ends), ends.mean(axis=1)
    widest = math.hypot(LENGTH, 2.0 * ASIDE)  # strips farther apart have nothing in common
    chosen: list[int] = []
    strips: list[shapely.Polygon] = []
    for k in np.argsort(-worth, kind="stable")[: np.isfinite(worth).sum()]:
        if len(chosen) == MOST:
            break
        strip = shapely.buffer(lines[k], ASIDE, cap_style="flat")
        near = np.flatnonzero(np.hypot(*(middles[chosen] - middles[k]).T) < widest)
        shared = shapely.area(shapely.intersection(strip, [strips[n] for n in near]))
        if not (shared > SHARED * shapely.area(strip)).any():
            chosen.append(int(k))
            strips.append(strip)
    return chosen
