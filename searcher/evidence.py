"""What the sea says along a search box, and what that counts for.

Everything is averaged over the doubt of the line's position, and read from the water itself: a place is
carried to the hour of a picture or map before that is looked at, and other lines to the hour of a box before
they are held against it. A missing field is neutral.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any, NamedTuple

import geopandas as gpd
import numpy as np
import shapely
import xarray as xr
from numpy.typing import ArrayLike

from searcher.carry import Drift
from searcher.derived import stands_out, steepness_of
from searcher.drift import lines_at
from searcher.geo import LocalPlane, Place, Region, densify, left_side, normals
from searcher.kernels.metric import row_metrics
from searcher.kernels.sample import Grid, sample_field
from searcher.profile import Profile
from searcher.sea import grid_of, has, sample_at, to_seconds
from searcher.tables import TEMPERATURE_BREAK, Row
from searcher.trip import Trip

#: what floats is looked for so far around the lines, degrees
AROUND = 0.05
#: densities of floating matter are taken to be no less, and to count for no more, than so many times the mean
TRACE, MOST_GATHERED = 1e-3, 12.0
#: lines of different kinds nearer than this coincide, m
TOGETHER = 3000.0
#: others are looked for so far from a box's line, degrees, and so much farther (2.5 m/s) for every second
#: between the hours at which the two lie where they are drawn
ABOUT, FASTEST = 0.1, 2.5 / 111e3
#: lines are sampled at points so far apart, m
SAMPLING = 500.0
#: offsets across a line, in units of its doubt, and their weights: a normal distribution in three points
#: (Gauss-Hermite quadrature, Abramowitz & Stegun 1964, table 25.10)
OFFSETS = np.array([-np.sqrt(3.0), 0.0, np.sqrt(3.0)])
OFFSET_WEIGHTS = np.array([1.0, 4.0, 1.0]) / 6.0
#: columns of facts that a boxes table carries beside its schema
FACTS = (
    "temperature",
    "chlor_a",
    "gathered",
    "weed",
    "depth",
    "depth_least",
    "depth_most",
    "steepness",
    "coincidence",
    "seen_share",
    "step",
    "warm_side",
)


@dataclass(frozen=True)
class Observer:
    """Reads a sea along lines. Fields are made ready once, however many boxes ask."""

    sea: xr.DataTree
    fronts: gpd.GeoDataFrame
    drift: Drift
    floating: xr.Dataset | None  # see `floating_around`; None where a plan was kept without

    def observe(self, boxes: Sequence[Row]) -> list[dict[str, Any]]:
        """The facts of candidate boxes (rows of `boxes.lay_boxes`): `FACTS`, `depths` around, and more."""
        if not boxes:
            return []
        # the sea is read at the places of all boxes at once
        lon, lat, weight = zip(*(points_across(box.line, box.doubt) for box in boxes), strict=True)
        sizes = [len(one) for one in lon]
        moments = np.array([float(to_seconds(box.valid_time)) for box in boxes])
        moment = np.repeat(moments, sizes)
        places = (np.concatenate(lon), np.concatenate(lat))
        along = np.stack(
            [
                carried_value(self.pictures, *places, moment, self.drift),
                carried_value(self.colors, *places, moment, self.drift),
                self.density(*places, moment),
                self.weed_seen(*places, moment),
                self.sample_depth(*places),
                self.sample_steepness(*places),
            ]
        )
        each = np.split(along, np.cumsum(sizes)[:-1], axis=1)
        others = others_beside(boxes, moments, self.fronts, self.drift)
        return [self._facts_of(*of_box) for of_box in zip(boxes, weight, each, others, strict=True)]

    def _facts_of(self, box: Row, weight: np.ndarray, along: np.ndarray, others: Others) -> dict[str, Any]:
        """The facts of a box. along: what `observe` reads (6, n) at places of weight (n,)."""
        temperature, chlor_a, density, weed, depths, steepness = along
        front = self.fronts.loc[box.front]
        on_line = depths[len(depths) // 3 : 2 * (len(depths) // 3)]  # the middle one of the three offsets
        return {
            "temperature": mean_over(temperature, weight),
            "chlor_a": geometric_mean_over(chlor_a, weight),
            "gathered": float(np.log(mean_over(density, weight))),
            "weed": mean_over(weed, weight),
            "depth": known(np.nanmedian, on_line),
            "depth_least": known(np.nanmin, on_line),
            "depth_most": known(np.nanmax, on_line),
            "depths": depths,
            "steepness": mean_over(steepness, weight),
            "coincidence": share_beside(others),
            "beside": kinds_beside(others),
            "seen_share": float(front.seen_share),
            "step": float(front.step),
            "warm_side": left_side(box.line) if box.kind == TEMPERATURE_BREAK else "",
            "strength": float(front.strength),
        }

    @cached_property
    def pictures(self) -> list[tuple[float, np.ndarray, Grid]]:
        """The map of the temperature where the sea has one, else its pictures, newest first."""
        return layers(self.sea, "surface" if has(self.sea, "surface") else "temperature", "sst")

    @cached_property
    def colors(self) -> list[tuple[float, np.ndarray, Grid]]:
        """Colour pictures, newest first; none where the sea has no colour."""
        return layers(self.sea, "color", "chlor_a")

    @cached_property
    def weed(self) -> list[tuple[float, np.ndarray, Grid]]:
        """Where pictures of a weed index show weed (1, else 0), newest first; none where the sea has none."""
        return [
            (time, stands_out(field, grid), grid) for time, field, grid in layers(self.sea, "weed", "weed")
        ]

    def weed_seen(self, lon: np.ndarray, lat: np.ndarray, moment: ArrayLike) -> np.ndarray:
        """Whether a picture showed weed at points, 0..1 between its nodes; NaN where none saw them."""
        return carried_value(self.weed, lon, lat, moment, self.drift, windage=self.drift.windage)

    @cached_property
    def depth(self) -> tuple[np.ndarray, Grid] | None:
        """Depth and its grid, or None."""
        if not has(self.sea, "depth"):
            return None
        data = self.sea["depth"].to_dataset()
        return np.ascontiguousarray(data["depth"].values, dtype=np.float64), grid_of(data)

    def sample_depth(self, lon: np.ndarray, lat: np.ndarray) -> np.ndarray:
        """Depth (m) at points; NaN where unknown."""
        return np.full(lon.size, np.nan) if self.depth is None else sample_field(*self.depth, lon, lat)

    @cached_property
    def steepness(self) -> np.ndarray | None:
        """How steep the bottom is (m per m), on the grid of the depth, or None."""
        return None if self.depth is None else steepness_of(*self.depth)

    def sample_steepness(self, lon: np.ndarray, lat: np.ndarray) -> np.ndarray:
        """How steep the bottom is at points; NaN where unknown."""
        if self.depth is None or self.steepness is None:
            return np.full(lon.size, np.nan)
        return sample_field(self.steepness, self.depth[1], lon, lat)

    def density(self, lon: np.ndarray, lat: np.ndarray, moment: ArrayLike) -> np.ndarray:
        """Density of the floating matter that is at places at a moment (s, one for all or one per place).

        Relative to what was let go; never less than a trace, NaN where the map does not know that matter.
        """
        assert self.floating is not None
        mapped = float(to_seconds(self.floating["time"].values))
        x, y, afloat = self.drift.carry(lon, lat, moment, mapped, windage=self.drift.windage)
        density = sample_at(self.floating["density"], np.column_stack([x, y]))
        return np.where(afloat, np.maximum(density, TRACE), np.nan)


def floating_around(sea: xr.DataTree, lines: ArrayLike, *, at: np.datetime64) -> xr.Dataset:
    """Density of floating matter around some lines at an hour (`searcher.fronts.floating`).

    Matter is let go over the days before, but not before the first of the currents.
    """
    from searcher.fronts.floating import DAYS, floating_density  # not needed at sea, so not loaded there

    west, south, east, north = shapely.total_bounds(np.asarray(lines, dtype=object))
    region = Region(west - AROUND, south - AROUND, east + AROUND, north + AROUND)
    first = sea["currents"].to_dataset()["time"].values[0]
    known = (np.asarray(at, dtype="datetime64[ns]") - first) / np.timedelta64(1, "D")
    return floating_density(sea, at=at, region=region, days=float(np.clip(known, 0.0, DAYS)))


def layers(sea: xr.DataTree, node: str, name: str) -> list[tuple[float, np.ndarray, Grid]]:
    """(time in s, field, grid) of every hour of a node, newest first; empty where the sea has none."""
    if not has(sea, node):
        return []
    data = sea[node].to_dataset()
    grid = grid_of(data)
    fields = [np.ascontiguousarray(values, dtype=np.float64) for values in data[name].values]
    return [(float(t), f, grid) for t, f in zip(to_seconds(data["time"].values), fields, strict=True)][::-1]


def points_across(line: shapely.LineString, doubt: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Points along a line and to either side of it by its doubt: lon, lat, weight (sum 1)."""
    xy = shapely.get_coordinates(densify(line, SAMPLING))
    per_lon, per_lat = row_metrics(np.ascontiguousarray(xy[:, 1]))
    across = normals(xy) / np.column_stack([per_lon, per_lat]) * doubt
    places = (xy[None] + OFFSETS[:, None, None] * across[None]).reshape(-1, 2)
    weight = np.repeat(OFFSET_WEIGHTS, len(xy)) / len(xy)
    return np.ascontiguousarray(places[:, 0]), np.ascontiguousarray(places[:, 1]), weight


def carried_value(
    pictures: list[tuple[float, np.ndarray, Grid]],
    lon: np.ndarray,
    lat: np.ndarray,
    moment: ArrayLike,
    drift: Drift,
    *,
    windage: float = 0.0,
) -> np.ndarray:
    """The newest clear value seen of the water now at each point: points are carried back to each picture.

    moment: s, one for all or one per point. windage: of what floats on it. NaN where no picture up to then
    saw that water.
    """
    out = np.full(lon.size, np.nan)
    now = np.broadcast_to(moment, lon.shape)
    for time, values, grid in pictures:
        todo = np.isnan(out) & (time <= now)
        if todo.any():
            x, y, afloat = drift.carry(lon[todo], lat[todo], now[todo], time, windage=windage)
            out[todo] = np.where(afloat, sample_field(values, grid, x, y), np.nan)
    return out


class Others(NamedTuple):
    """A box's line and the lines of other kinds about it at its hour, on the plane (m); their kinds."""

    line: shapely.LineString
    lines: np.ndarray
    kinds: np.ndarray


def share_beside(others: Others) -> float:
    """Share of a box's line within `TOGETHER` of a line of another kind."""
    if not others.lines.size:
        return 0.0
    beside = shapely.union_all(shapely.buffer(others.lines, TOGETHER))
    return float(shapely.intersection(others.line, beside).length / others.line.length)


def kinds_beside(others: Others) -> list[str]:
    """The kinds of the lines of another kind within `TOGETHER` of a box's line."""
    return sorted(set(others.kinds[shapely.dwithin(others.lines, others.line, TOGETHER)]))


def others_beside(
    boxes: Sequence[Row], moments: np.ndarray, fronts: gpd.GeoDataFrame, drift: Drift
) -> list[Others]:
    """For every box the lines of other kinds about it, each carried to the hour of the box, `moments` (s)."""
    lines = np.array([box.line for box in boxes], dtype=object)
    kinds = fronts["kind"].to_numpy()
    apart = np.abs(moments[:, None] - to_seconds(fronts["valid_time"].to_numpy())[None, :])
    near = shapely.dwithin(fronts.geometry.to_numpy()[None, :], lines[:, None], ABOUT + FASTEST * apart)
    near &= kinds[None, :] != np.array([box.kind for box in boxes])[:, None]
    of_box, of_line = np.nonzero(near)
    moved = lines_at(fronts.iloc[of_line], drift, moments[of_box])
    found = []
    for k, line in enumerate(lines):
        plane = LocalPlane(Place(*shapely.get_coordinates(shapely.centroid(line))[0]))
        its = of_box == k
        found.append(Others(plane.to_plane(line), plane.to_plane(moved[its]), kinds[of_line[its]]))
    return found


def weigh_features(box: Row, facts: dict[str, Any], profile: Profile, trip: Trip) -> dict[str, float]:
    """The features of one box, by piece of evidence; 0 is neutral."""
    is_break = box.kind == TEMPERATURE_BREAK
    depths = facts["depths"][np.isfinite(facts["depths"])]
    in_band = (depths >= trip.target.min_depth) & (depths <= trip.target.max_depth)
    sweep = profile.setting("doubt", "sweep")
    return {
        "temperature": suitability(facts["temperature"], profile),
        "break": min(facts["step"], 3.0) if is_break else 0.0,
        "convergence": with_floating(facts["gathered"], profile.setting("convergence", "share")),
        "coincidence": facts["coincidence"],
        "persistence": facts["seen_share"] - 0.5 if is_break else 0.0,
        "color": _clear_water(facts["chlor_a"], profile.setting("color", "clear")),
        "weed": otherwise(facts["weed"], 0.0),
        "depth": float(in_band.mean()) - 1.0 if depths.size else 0.0,
        "edge": min(otherwise(facts["steepness"], 0.0) / profile.setting("edge", "steep"), 1.0),
        "doubt": float(-0.5 * np.log1p((box.doubt / sweep) ** 2)),
    }


def suitability(temperature: float, profile: Profile) -> float:
    """0 inside the profile's temperatures, falling off as a Gaussian outside them, no lower than -3."""
    low, high, width = (profile.setting("temperature", key) for key in ("low", "high", "width"))
    outside = max(low - temperature, temperature - high, 0.0)
    return 0.0 if np.isnan(temperature) else max(-0.5 * (outside / width) ** 2, -3.0)


def with_floating(gathered: float, share: float) -> float:
    """ln of the factor on the rate where floating matter lies exp(`gathered`) times as dense.

    A `share` of all fish keeps with it, the rest with the water. 0 where the density is not known.
    """
    density = 1.0 if np.isnan(gathered) else min(np.exp(gathered), MOST_GATHERED)
    return float(np.log(1.0 - share + share * density))


def _clear_water(chlor_a: float, clear: float) -> float:
    return 0.0 if np.isnan(chlor_a) else float(np.clip(np.log10(clear / max(chlor_a, 1e-3)), -1.5, 0.5))


def mean_over(values: np.ndarray, weight: np.ndarray) -> float:
    """Weighted mean of the known values; NaN where less than a third of the weight is known."""
    known = np.isfinite(values)
    share = weight[known].sum()
    return float((values[known] * weight[known]).sum() / share) if share >= 1 / 3 else float("nan")


def geometric_mean_over(values: np.ndarray, weight: np.ndarray) -> float:
    """The same of the logarithms: chlorophyll is log-normal (Campbell 1995, J. Geophys. Res. 100:13237)."""
    return float(np.exp(mean_over(np.log(np.maximum(values, 1e-3)), weight)))


def known(function: Callable[[np.ndarray], float], values: np.ndarray) -> float:
    """A NaN-skipping `function` of values; NaN where none is known."""
    return float(function(values)) if np.isfinite(values).any() else float("nan")


def otherwise(value: float, default: float) -> float:
    """`default` where a value is not known."""
    return default if np.isnan(value) else value
