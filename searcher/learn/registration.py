"""Lines met at sea shift the lines near them; readings of the thermometer correct the map.

The displacement of the forecast lines is a two-component Gaussian process over the sea: of mean 0, with the
doubt of each line as its standard deviation and a correlation that falls off with distance. A line that is
met tells the component across itself and nothing along itself; all is then conditioned on what was met
(Rasmussen & Williams 2006, *Gaussian Processes for Machine Learning*, eqs. 2.25-2.26; in oceanography,
objective analysis: Bretherton, Davis & Fandry 1976, Deep-Sea Res. 23:559-582).
"""

from __future__ import annotations

from typing import Any, NamedTuple

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from searcher.boxes import SHOULDER, shoulder
from searcher.geo import LocalPlane, Place, near_longitude
from searcher.tables import (
    COLOR_CHANGE,
    CONVERGENCE_LINE,
    DEBRIS,
    TEMPERATURE_BREAK,
    WEED_LINE,
)

#: errors of forecast lines are alike over about this distance, m (currents of real products resolve about so
#: much; from memory)
LENGTH = 20e3
#: how far from a line it is said to be met, and how sharp it is, 1-sigma, m
NOISE = 300.0
#: a line farther off than so many times its doubt is another line
FARTHEST = 3.0
#: the interval in which the noise of offsets that disagree is looked for is halved so many times
HALVINGS = 40
#: lines are shifted at points so far apart, m
SPACING = 2000.0
#: what is seen -> the kinds of forecast line it may be
MATCHES = {
    WEED_LINE: (CONVERGENCE_LINE, TEMPERATURE_BREAK),
    DEBRIS: (CONVERGENCE_LINE, TEMPERATURE_BREAK),
    COLOR_CHANGE: (COLOR_CHANGE, TEMPERATURE_BREAK),
    TEMPERATURE_BREAK: (TEMPERATURE_BREAK,),
}


class Reading(NamedTuple):
    """A bias: its mean and 1-sigma."""

    mean: float
    sd: float


#: of a thermometer in the hull and the water of one place, °C
READING_SD = 0.2


def correct_temperature(
    differences: np.ndarray, *, prior_sd: float = 0.5, reading_sd: float = READING_SD
) -> Reading:
    """The bias of a temperature map (°C; to be added to it) after readings at sea.

    differences: (n,) reading less map at the place and hour of each. The bias is normal with mean 0 and
    `prior_sd` beforehand, each reading has `reading_sd` of its own: the conjugate normal update (Gelman et
    al. 2013, *Bayesian Data Analysis*, eq. 2.12). Readings that are not numbers are left out.
    """
    known = np.asarray(differences, dtype=float)
    known = known[np.isfinite(known)]
    precision = 1 / prior_sd**2 + known.size / reading_sd**2
    return Reading(float(known.sum() / reading_sd**2 / precision), float(precision**-0.5))


def measure_offsets(fronts: gpd.GeoDataFrame, sightings: gpd.GeoDataFrame) -> pd.DataFrame:
    """How far from their forecast place lines were met: a row for every sighting that fits a line.

    fronts: `searcher.tables.FRONTS`, drifted to about the hour of the sightings. Columns: `sighting`, `front`
    (row labels), `lon`, `lat` (degrees; the nearest point of the line), `east`, `north` (unit vector across
    the line towards the sighting), `offset` (m), `doubt` (m, of the line). Weed and debris at a temperature
    break are looked for on its dense side (`searcher.boxes.shoulder`). A sighting off the end of a line, or
    farther from every line that it may be than `FARTHEST` doubts, is left out.
    """
    met = sightings[sightings["kind"].isin(MATCHES)]
    rows = []
    if len(met) and len(fronts):
        plane = LocalPlane(_middle(shapely.get_coordinates(met.geometry.values)))
        points, lines = plane.to_plane(met.geometry.values), plane.to_plane(fronts.geometry.values)
        for seen, point in zip(met.itertuples(), points, strict=True):
            found = _nearest(seen.kind, point, fronts, lines)
            if found is not None:
                lon, lat = plane.lonlat_of(found.pop("at")[None])[0]
                rows.append({"sighting": seen.Index, "lon": lon, "lat": lat, **found})
    columns = ["sighting", "front", "lon", "lat", "east", "north", "offset", "doubt"]
    return pd.DataFrame(rows, columns=columns)


def _nearest(
    kind: str, point: shapely.Point, fronts: gpd.GeoDataFrame, lines: np.ndarray
) -> dict[str, Any] | None:
    """The offset (m) from the line, of those that what was seen may be, that is fewest doubts away."""
    gate = FARTHEST * np.hypot(fronts["doubt"], NOISE) + SHOULDER[1]
    may_be = fronts["kind"].isin(MATCHES[kind]) & shapely.dwithin(lines, point, gate)
    found = []
    for front, line in zip(fronts[may_be].itertuples(), lines[may_be.to_numpy()], strict=True):
        if front.kind == TEMPERATURE_BREAK and kind in (WEED_LINE, DEBRIS):
            dense = shapely.offset_curve(line, -shoulder(front.step, front.strength), quad_segs=4)
            line = line if dense.is_empty else dense
        offset = _offset(line, point, FARTHEST * float(np.hypot(front.doubt, NOISE)))
        if offset is not None:
            found.append({"front": front.Index, "doubt": float(front.doubt), **offset})
    return min(found, key=lambda row: row["offset"] / row["doubt"], default=None)


def _offset(line: shapely.Geometry, point: shapely.Point, farthest: float) -> dict[str, Any] | None:
    """How a point lies off a line (m), or None where it is too far, or off the line's end."""
    at, to = shapely.get_coordinates(shapely.shortest_line(line, point))
    across = to - at
    away = float(np.hypot(*across))
    along = _tangent(line, at)
    if away > farthest or abs(across @ along) > 0.3 * away + 1.0:  # the line may have gone on past its end
        return None
    normal = np.array([-along[1], along[0]])
    normal = normal if across @ normal >= 0 else -normal
    return {"at": at, "east": normal[0], "north": normal[1], "offset": float(across @ normal)}


def _middle(xy: np.ndarray) -> Place:
    """The middle of places in degrees, also over 180°."""
    lon = near_longitude(xy[:, 0], xy[0, 0])
    return Place(float(lon.mean()), float(xy[:, 1].mean()))


def _tangent(line: shapely.LineString, at: np.ndarray) -> np.ndarray:
    """Unit vector along a line (m) near a point of it, over 200 m."""
    where = shapely.line_locate_point(line, shapely.Point(at))
    ends = shapely.line_interpolate_point(line, [max(where - 100.0, 0.0), min(where + 100.0, line.length)])
    span = np.diff(shapely.get_coordinates(ends), axis=0)[0]
    return span / np.hypot(*span)


def shift_lines(
    lines: gpd.GeoDataFrame, offsets: pd.DataFrame, *, length: float = LENGTH, noise: float = NOISE
) -> gpd.GeoDataFrame:
    """Lines moved by what was met near them, with their new `doubt` (m).

    lines: any table with LineStrings as geometry and `doubt` (fronts, or the trolling lines of boxes: a
    short line near a sighting gains the most). offsets: of `measure_offsets`. `length` (m): errors are
    alike over about so much (exp(-r²/(2·length²))); `noise` (m): 1-sigma error of an offset, where no
    column `noise` says that of each, and more where offsets disagree. The new doubt is the root mean
    square, along the line, of what is left of it across the line, and no less than `noise`.
    """
    if offsets.empty or lines.empty:
        return lines.copy()
    plane = LocalPlane(_middle(offsets[["lon", "lat"]].to_numpy()))
    met = _Met.of(offsets, plane, length=length, noise=noise)
    flat = shapely.segmentize(plane.to_plane(lines.geometry.values), SPACING)
    moved = [met.shift(line, doubt) for line, doubt in zip(flat, lines["doubt"], strict=True)]
    shifted = lines.set_geometry(plane.to_degrees(np.array([line for line, _ in moved])), crs=lines.crs)
    return shifted.assign(doubt=np.array([doubt for _, doubt in moved]))


class _Met(NamedTuple):
    """What was met: places (m), unit vectors across, prior sd (m), covariance, weights; for conditioning."""

    places: np.ndarray
    across: np.ndarray
    sd: np.ndarray
    covariance: np.ndarray
    weights: np.ndarray
    length: float
    noise: float

    @classmethod
    def of(cls, offsets: pd.DataFrame, plane: LocalPlane, *, length: float, noise: float) -> _Met:
        places = plane.xy_of(offsets[["lon", "lat"]].to_numpy())
        across, sd = offsets[["east", "north"]].to_numpy(), offsets["doubt"].to_numpy()
        prior = np.outer(sd, sd) * _likeness(places, places, length) * (across @ across.T)
        each = offsets["noise"].to_numpy() if "noise" in offsets else np.full(sd.size, noise)
        values = offsets["offset"].to_numpy()
        covariance = prior + np.diag(each**2 * disagreement(values, prior, each))
        weights = np.linalg.solve(covariance, values)
        return cls(places, across, sd, covariance, weights, length, noise)

    def shift(self, line: shapely.LineString, doubt: float) -> tuple[shapely.LineString, float]:
        """A line (m) moved, and what is left of its doubt (m)."""
        xy = shapely.get_coordinates(line)
        shared = doubt * self.sd * _likeness(xy, self.places, self.length)
        moved = shapely.LineString(xy + (shared * self.weights) @ self.across)
        along = np.gradient(xy, axis=0)
        normal = np.column_stack([-along[:, 1], along[:, 0]]) / np.hypot(*along.T)[:, None]
        known = shared * (normal @ self.across.T)
        gain = np.einsum("ij,ji->i", known, np.linalg.solve(self.covariance, known.T))
        left = np.sqrt(np.mean(np.maximum(doubt**2 - gain, 0.0)))
        return moved, max(float(left), min(self.noise, doubt))


def disagreement(offsets: np.ndarray, prior: np.ndarray, noise: np.ndarray) -> float:
    """By how many times the squares of the noise are to be raised until offsets agree with what is assumed.

    offsets, noise: (n,), m; prior: (n, n), m². Their misfit, yᵀS⁻¹y with S = prior + noise² as raised, is n
    on average; where it is more, one of them was taken for another line, or errors are less alike near by
    than assumed, and no one can tell which (as physicists scale their errors: Birge 1932, Phys. Rev. 40:207;
    from memory). One offset alone cannot disagree.
    """
    if offsets.size < 2:
        return 1.0
    values, vectors = np.linalg.eigh(prior / np.outer(noise, noise))
    parts = (vectors.T @ (offsets / noise)) ** 2
    low, high = 1.0, max(1.0, float(parts.sum()) / offsets.size)  # with nothing known beforehand it is high
    for _ in range(HALVINGS):
        middle = (low * high) ** 0.5
        misfit = (parts / (np.maximum(values, 0.0) + middle)).sum() / offsets.size
        low, high = (middle, high) if misfit > 1.0 else (low, middle)
    return low


def _likeness(a: np.ndarray, b: np.ndarray, length: float) -> np.ndarray:
    """Correlation of displacements between places (m), (n, m)."""
    square = ((a[:, None, :] - b[None, :, :]) ** 2).sum(axis=2)
    return np.exp(-square / (2 * length**2))
