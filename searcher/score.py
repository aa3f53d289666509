"""Evidence to expected encounters, with reasons.

Encounters along a trolled stretch are counted as Poisson with a log-linear rate (McCullagh & Nelder 1989,
*Generalized Linear Models*, ch. 6): ln rate = base + Σ weight·feature. The weights, how unsure they are and
where they come from stand in a species profile (`searcher/profiles`). Features are averaged over the doubt of
the line's position; a missing field counts as neutral.
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path

import geopandas as gpd
import numpy as np
import shapely
import xarray as xr

from searcher.boxes import lay_boxes
from searcher.drift import Drift, densify, make_drift
from searcher.errors import TripError
from searcher.fronts.convergence import attraction
from searcher.geo import LocalPlane, Place
from searcher.kernels.metric import row_metrics
from searcher.kernels.sample import sample_field
from searcher.sea import grid_of, has, to_seconds
from searcher.tables import EVIDENCE, TEMPERATURE_BREAK, empty_table, make_table
from searcher.trip import Trip
from searcher.units import Show

DAY = 86400.0
#: the pieces of evidence, in the order they are shown; each is a section of a species profile
PIECES = ("temperature", "break", "convergence", "coincidence", "persistence", "color", "depth", "doubt")
#: what each piece needs beside `weight`, `sd` and `source`
SETTINGS = {"temperature": ("low", "high", "width"), "color": ("clear",), "doubt": ("sweep",)}
#: lines of different kinds nearer than this coincide, m
TOGETHER = 3000.0
#: lines are sampled at points so far apart, m
SAMPLING = 500.0
#: offsets across a line, in units of its doubt, and their weights: a normal distribution in three points
#: (Gauss-Hermite quadrature, Abramowitz & Stegun 1964, table 25.10)
OFFSETS = np.array([-np.sqrt(3.0), 0.0, np.sqrt(3.0)])
OFFSET_WEIGHTS = np.array([1.0, 4.0, 1.0]) / 6.0
#: 10 % and 90 % points of the normal distribution
Z80 = 1.2815515655446004
MOST_BOXES = 40


@dataclass(frozen=True)
class Profile:
    """A species profile: base rate and weights, each with mean, spread and source."""

    name: str
    sections: dict

    def weight(self, piece: str) -> float:
        return self.sections[piece]["weight"]

    def spread(self, piece: str) -> float:
        return self.sections[piece]["sd"]

    def setting(self, piece: str, key: str) -> float:
        return self.sections[piece][key]


def read_profile(species: str, folder: Path | None = None) -> Profile:
    """The profile of a species by name, or of a TOML file (relative to `folder`); every fault at once."""
    if species.endswith(".toml"):
        path = (folder or Path()) / species
    else:
        path = files("searcher") / "profiles" / f"{species}.toml"
    if not path.is_file():
        known = sorted(p.name.removesuffix(".toml") for p in (files("searcher") / "profiles").iterdir())
        raise TripError(
            "species profile not found", given=species, expected=f"one of {known} or a .toml file"
        )
    try:
        raw = tomllib.loads(path.read_text(encoding="utf-8"))
    except tomllib.TOMLDecodeError as error:
        raise TripError(f"{path.name} is not valid TOML: {error}") from error
    wanted = {piece: ("weight", "sd", *SETTINGS.get(piece, ())) for piece in PIECES}
    wanted["base"] = ("mean", "sd")
    problems = [
        f"[{section}] {key}: given {raw.get(section, {}).get(key)!r}, expected a number"
        for section, keys in wanted.items()
        for key in keys
        if not isinstance(raw.get(section, {}).get(key), int | float)
    ]
    if problems:
        raise TripError.of_problems(path.name, problems)
    return Profile(str(raw.get("name", species)), {section: raw[section] for section in wanted})


def rank_boxes(fronts: gpd.GeoDataFrame, reach: xr.Dataset, sea: xr.DataTree, trip: Trip) -> gpd.GeoDataFrame:
    """Search boxes along the lines within reach, best first (`searcher.tables.BOXES`).

    Besides the schema: `line` (the line to troll, a second geometry), `temperature` (°C), `chlor_a` (mg/m³),
    `attraction` (1/s), `depth_least`, `depth_most` (m), `warm_side`, and one `evidence_...` column per piece,
    its share of ln rate. A box mostly inside a better one is dropped; at most `MOST_BOXES` are kept.
    """
    candidates = lay_boxes(fronts, reach)
    if candidates.empty:
        return empty_table("boxes")
    profile = read_profile(trip.target.species, trip.folder)
    drift = make_drift(sea)
    found = [observe(box, fronts, sea, drift) for box in candidates.itertuples()]
    features = [
        weigh_features(box, facts, profile, trip)
        for box, facts in zip(candidates.itertuples(), found, strict=True)
    ]
    shares = np.array([[profile.weight(p) * row[p] for p in PIECES] for row in features])
    spread = np.array([[profile.spread(p) * row[p] for p in PIECES] for row in features])
    mean, low, high = expected_rate(profile, shares.sum(axis=1), spread)
    order = without_overlaps(candidates, mean)[:MOST_BOXES]
    middle = [shapely.line_interpolate_point(line, 0.5, normalized=True) for line in candidates["line"]]
    columns = {
        "rank": np.arange(1, len(order) + 1),
        "expected": mean[order],
        "expected_low": low[order],
        "expected_high": high[order],
        **{
            name: candidates[name].values[order]
            for name in ("front", "kind", "valid_time", "length", "doubt", "line")
        },
        **{name: [found[k][name] for k in order] for name in FACTS},
        **{name: _nearest(reach, name, [middle[k] for k in order]) for name in ("time_out", "time_home")},
        **{EVIDENCE + piece: shares[order, n] for n, piece in enumerate(PIECES)},
        "why": [explain(candidates.iloc[k], found[k], trip.show) for k in order],
    }
    columns["fuel"] = (columns["time_out"] + columns["time_home"]) * reach.attrs["burn"]
    return make_table("boxes", candidates.geometry.values[order], columns)


def expected_rate(profile: Profile, log_share: np.ndarray, spread: np.ndarray):
    """Mean, 10 % and 90 % points of the encounter rate (per hour) of boxes.

    With independent normal weights ln rate is normal, so the rate is log-normal: mean exp(μ + σ²/2).
    log_share: Σ weight·feature, (boxes,). spread: sd·feature per piece, (boxes, pieces).
    """
    mu = profile.sections["base"]["mean"] + log_share
    sigma = np.sqrt(profile.sections["base"]["sd"] ** 2 + (spread**2).sum(axis=1))
    return np.exp(mu + sigma**2 / 2), np.exp(mu - Z80 * sigma), np.exp(mu + Z80 * sigma)


FACTS = (
    "temperature",
    "chlor_a",
    "attraction",
    "depth",
    "depth_least",
    "depth_most",
    "coincidence",
    "seen_share",
    "step",
    "warm_side",
)


def observe(box, fronts: gpd.GeoDataFrame, sea: xr.DataTree, drift: Drift) -> dict:
    """What the sea says along one candidate box, averaged over the doubt of its line."""
    lon, lat, weight = points_across(box.line, box.doubt)
    moment = float(to_seconds(box.valid_time))
    front = fronts.loc[box.front]
    depth = _sample(sea, "depth", "depth", lon, lat)
    strain = attraction(sea["currents"].to_dataset(), box.valid_time)
    rate = sample_field(strain["attraction"].values, grid_of(strain), lon, lat)
    return {
        "temperature": mean_over(carried_value(sea, "temperature", "sst", lon, lat, moment, drift), weight),
        "chlor_a": geometric_mean_over(
            carried_value(sea, "color", "chlor_a", lon, lat, moment, drift), weight
        ),
        "attraction": mean_over(np.maximum(rate, 0.0), weight),
        "depth": float(np.nanmedian(depth)) if np.isfinite(depth).any() else np.nan,
        "depth_least": _known(np.nanmin, depth),
        "depth_most": _known(np.nanmax, depth),
        "depths": depth,
        "coincidence": share_beside_other_kind(box, fronts),
        "seen_share": float(front.seen_share),
        "step": float(front.step),
        "warm_side": str(front.warm_side),
    }


def points_across(line: shapely.LineString, doubt: float):
    """Points along a line and to either side of it by its doubt: lon, lat, weight (sum 1)."""
    xy = shapely.get_coordinates(densify(line, SAMPLING))
    tangent = np.gradient(xy, axis=0)
    per_lon, per_lat = row_metrics(np.ascontiguousarray(xy[:, 1]))
    east, north = tangent[:, 0] * per_lon, tangent[:, 1] * per_lat
    size = np.hypot(east, north)
    across = np.column_stack([-north / size / per_lon, east / size / per_lat]) * doubt
    places = (xy[None] + OFFSETS[:, None, None] * across[None]).reshape(-1, 2)
    weight = np.repeat(OFFSET_WEIGHTS, len(xy)) / len(xy)
    return np.ascontiguousarray(places[:, 0]), np.ascontiguousarray(places[:, 1]), weight


def carried_value(sea, node: str, name: str, lon, lat, moment: float, drift: Drift) -> np.ndarray:
    """The newest clear value seen of the water now at each point: points are carried back to each picture.

    NaN where no picture saw that water, or where the sea has no such node.
    """
    out = np.full(lon.size, np.nan)
    if not has(sea, node):
        return out
    data = sea[node].to_dataset()
    times = to_seconds(data["time"].values)
    for k in np.argsort(times)[::-1]:
        todo = np.isnan(out)
        if not todo.any() or times[k] > moment:
            continue
        x, y, _ = drift.carry(lon[todo], lat[todo], moment, times[k])
        field = np.ascontiguousarray(data[name].values[k], dtype=np.float64)
        out[todo] = sample_field(field, grid_of(data), x, y)
    return out


def share_beside_other_kind(box, fronts: gpd.GeoDataFrame) -> float:
    """Share of a box's line within `TOGETHER` of a line of another kind."""
    others = fronts.geometry.values[fronts["kind"].values != box.kind]
    if not len(others):
        return 0.0
    plane = LocalPlane(Place(*shapely.get_coordinates(shapely.centroid(box.line))[0]))
    line = plane.to_plane(box.line)
    near = others[shapely.dwithin(others, box.line, 0.1)]
    beside = shapely.union_all(shapely.buffer(plane.to_plane(near), TOGETHER)) if len(near) else None
    return 0.0 if beside is None else float(shapely.intersection(line, beside).length / line.length)


def weigh_features(box, facts: dict, profile: Profile, trip: Trip) -> dict:
    """The features of one box, by piece of evidence; 0 is neutral."""
    is_break = box.kind == TEMPERATURE_BREAK
    band = (facts["depths"] >= trip.target.min_depth) & (facts["depths"] <= trip.target.max_depth)
    known = np.isfinite(facts["depths"])
    sweep = profile.setting("doubt", "sweep")
    return {
        "temperature": suitability(facts["temperature"], profile),
        "break": min(facts["step"], 3.0) if is_break else 0.0,
        "convergence": min(_or(facts["attraction"], 0.0) * DAY, 3.0),
        "coincidence": facts["coincidence"],
        "persistence": facts["seen_share"] - 0.5 if is_break else 0.0,
        "color": _clear_water(facts["chlor_a"], profile.setting("color", "clear")),
        "depth": float(band[known].mean()) - 1.0 if known.any() else 0.0,
        "doubt": float(-0.5 * np.log1p((box.doubt / sweep) ** 2)),
    }


def suitability(temperature: float, profile: Profile) -> float:
    """0 inside the profile's temperatures, falling off as a Gaussian outside them, no lower than -3."""
    low, high, width = (profile.setting("temperature", key) for key in ("low", "high", "width"))
    outside = max(low - temperature, temperature - high, 0.0)
    return 0.0 if np.isnan(temperature) else max(-0.5 * (outside / width) ** 2, -3.0)


def _clear_water(chlor_a: float, clear: float) -> float:
    return 0.0 if np.isnan(chlor_a) else float(np.clip(np.log10(clear / max(chlor_a, 1e-3)), -1.5, 0.5))


def without_overlaps(boxes: gpd.GeoDataFrame, value: np.ndarray) -> np.ndarray:
    """Row numbers, best first, leaving out a box whose line lies mostly inside a better box."""
    polygons, lines = boxes.geometry.values, boxes["line"].values
    kept: list[int] = []
    # ties are broken by place, so that the order of the rows of a table does not matter
    places = shapely.get_coordinates(shapely.centroid(np.asarray(polygons)))
    for k in np.lexsort((places[:, 1], places[:, 0], -value)):
        near = [j for j in kept if shapely.intersects(polygons[j], lines[k])]
        covered = (
            shapely.intersection(lines[k], shapely.union_all([polygons[j] for j in near])) if near else None
        )
        if covered is None or covered.length < 0.5 * lines[k].length:
            kept.append(int(k))
    return np.array(kept, dtype=int)


def explain(box, facts: dict, show: Show) -> str:
    """Why this box, in a sentence or two of plain words."""
    if box.kind == TEMPERATURE_BREAK:
        seen = f"seen in {facts['seen_share']:.0%} of the clear pictures"
        head = f"A {show.say_step(facts['step'])} break, warm to the {facts['warm_side']}, {seen}"
    else:
        head = "A line where the currents draw floating matter together"
    said = [head]
    rate = _or(facts["attraction"], 0.0) * DAY
    if rate >= 0.3:
        said.append(f"water squeezed together at {rate:.1f} per day")
    if facts["coincidence"] >= 0.3:
        other = "a line of gathering currents" if box.kind == TEMPERATURE_BREAK else "a temperature break"
        said.append(f"{facts['coincidence']:.0%} of it beside {other}")
    if np.isfinite(facts["temperature"]):
        said.append(f"water of {show.say_temperature(facts['temperature'])}")
    if np.isfinite(facts["depth"]):
        least, most = show.say_depth(facts["depth_least"]), show.say_depth(facts["depth_most"])
        said.append(f"over {least.rsplit(' ', 1)[0]} to {most}")
    return "; ".join(said) + f". Its place is good to about {show.say_distance(box.doubt)}."


def mean_over(values: np.ndarray, weight: np.ndarray) -> float:
    """Weighted mean of the known values; NaN where less than a third of the weight is known."""
    known = np.isfinite(values)
    share = weight[known].sum()
    return float((values[known] * weight[known]).sum() / share) if share >= 1 / 3 else float("nan")


def geometric_mean_over(values: np.ndarray, weight: np.ndarray) -> float:
    """The same of the logarithms: chlorophyll is log-normal (Campbell 1995, J. Geophys. Res. 100:13237)."""
    return float(np.exp(mean_over(np.log(np.maximum(values, 1e-3)), weight)))


def _sample(sea: xr.DataTree, node: str, name: str, lon: np.ndarray, lat: np.ndarray) -> np.ndarray:
    """A timeless field at points; NaN where the sea has none."""
    if not has(sea, node):
        return np.full(lon.size, np.nan)
    data = sea[node].to_dataset()
    return sample_field(np.ascontiguousarray(data[name].values, dtype=np.float64), grid_of(data), lon, lat)


def _nearest(reach: xr.Dataset, name: str, points) -> np.ndarray:
    xy = shapely.get_coordinates(points)
    lon, lat = (xr.DataArray(xy[:, k], dims="box") for k in (0, 1))
    return reach[name].sel(lon=lon, lat=lat, method="nearest").values


def _known(function, values: np.ndarray) -> float:
    return float(function(values)) if np.isfinite(values).any() else float("nan")


def _or(value: float, otherwise: float) -> float:
    return otherwise if np.isnan(value) else value
