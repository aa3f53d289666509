"""Evidence to expected encounters, with reasons.

Encounters along a trolled stretch are counted as Poisson with a log-linear rate (McCullagh & Nelder 1989,
*Generalized Linear Models*, ch. 6): ln rate = base + Σ weight·feature. The weights, how unsure they are and
where they come from stand in a species profile (`searcher.profile`), the features in `searcher.evidence`.
"""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
import xarray as xr

from searcher.boxes import SWEEP, lay_boxes, shoulder
from searcher.carry import make_drift
from searcher.evidence import FACTS, Observer, floating_around, otherwise, weigh_features
from searcher.geo import LocalPlane, Place
from searcher.profile import PIECES, Profile, read_profile
from searcher.reach import at_middles, time_to_troll
from searcher.tables import (
    COLOR_CHANGE,
    CONVERGENCE_LINE,
    EVIDENCE,
    GATHERED,
    TEMPERATURE_BREAK,
    Row,
    empty_table,
    make_table,
)
from searcher.trip import Trip
from searcher.units import Show

#: 90 % point of the normal distribution
Z80 = 1.2815515655446004
MOST_BOXES = 40
#: a bottom at least so steep is worth a word
STEEP = 0.03
#: lines in the words of `explain`
LINES = {
    TEMPERATURE_BREAK: "a temperature break",
    COLOR_CHANGE: "a colour change",
    CONVERGENCE_LINE: GATHERED,
}


def rank_boxes(
    fronts: gpd.GeoDataFrame,
    reach: xr.Dataset,
    sea: xr.DataTree,
    trip: Trip,
    *,
    profile: Profile | None = None,
    floating: xr.Dataset | None = None,
    within: shapely.Geometry | None = None,
) -> gpd.GeoDataFrame:
    """Search boxes along the lines within reach, best first (`searcher.tables.BOXES`).

    Besides the schema: `line` (the line to troll, a second geometry), `temperature` (°C), `chlor_a` (mg/m³),
    `gathered` (ln of the density of floating matter), `depth_least`, `depth_most` (m), `step`
    (°C), `seen_share`, `coincidence`, `warm_side`, and one `evidence_...` column per piece, its share of ln
    rate. A box mostly outside the trip's depths, or mostly inside a better one, is dropped; at most
    `MOST_BOXES` are kept. `profile`: by default that of the trip's target species. `floating`: the map of
    floating matter (`evidence.floating_around`), by default one around the lines. `within`: the outline of
    the reach (`range_polygon`), where it is known already.
    """
    candidates = lay_boxes(fronts, reach, within=within)
    if candidates.empty:
        return empty_table("boxes")
    profile = profile or read_profile(trip.target.species, trip.folder)
    rows = list(candidates.itertuples())
    if floating is None:
        middle = np.sort(candidates["valid_time"].to_numpy())[len(candidates) // 2]
        floating = floating_around(sea, candidates["line"], at=middle)
    observer = Observer(sea, fronts, make_drift(sea), floating)
    facts = observer.observe(rows)
    features = pd.DataFrame(
        [weigh_features(row, found, profile, trip) for row, found in zip(rows, facts, strict=True)]
    )
    in_depth = features["depth"] > -0.5  # more inside the trip's depths than outside them, or not known
    if not in_depth.any():
        return empty_table("boxes")
    shares = features[list(PIECES)] * [profile.weight(piece) for piece in PIECES]
    boxes = candidates.assign(
        **{name: [found[name] for found in facts] for name in FACTS},
        **{EVIDENCE + piece: shares[piece] for piece in PIECES},
        **expected_rate(profile, features[list(PIECES)].to_numpy()),
        time_out=at_middles(reach["time_out"], candidates["line"]),
        time_home=at_middles(reach["time_home"], candidates["line"]),
        why=[explain(row, found, trip.show) for row, found in zip(rows, facts, strict=True)],
    )
    boxes["fuel"] = at_middles(reach["fuel_out"] + reach["fuel_home"], candidates["line"])
    boxes = boxes[in_depth.to_numpy()].reset_index(drop=True)
    boxes = boxes.iloc[without_overlaps(boxes)].reset_index(drop=True)
    # those are kept that yield most in the time there is for them, and stand in order of what an hour yields
    worth = boxes["expected"] * at_middles(time_to_troll(reach, trip), boxes["line"])
    boxes = boxes.iloc[np.sort(np.argsort(-worth, kind="stable")[:MOST_BOXES])].reset_index(drop=True)
    boxes["rank"] = np.arange(1, len(boxes) + 1)
    return make_table("boxes", boxes.geometry, dict(boxes.drop(columns="geometry").items()))


def expected_rate(profile: Profile, features: np.ndarray) -> dict[str, np.ndarray]:
    """Encounter rate (per hour) of boxes: `expected`, and its 10 % and 90 % points, `expected_low`, `_high`.

    features: (boxes, pieces). With normal weights ln rate is normal, so the rate is log-normal: of mean
    exp(μ + σ²/2), with σ² the variance of base + Σ weight·feature (`Profile.covariance`).
    """
    weights = np.array([profile.weight(piece) for piece in PIECES])
    design = np.column_stack([np.ones(len(features)), features])
    mu = profile.sections["base"]["mean"] + features @ weights
    return log_normal_rate(mu, design, profile.covariance())


def log_normal_rate(mu: np.ndarray, design: np.ndarray, covariance: np.ndarray) -> dict[str, np.ndarray]:
    """Rates whose ln is normal about mu (n,) by weights of a covariance (k, k) and their features (n, k)."""
    sigma = np.sqrt(np.einsum("ij,jk,ik->i", design, covariance, design))
    return {
        "expected": np.exp(mu + sigma**2 / 2),
        "expected_low": np.exp(mu - Z80 * sigma),
        "expected_high": np.exp(mu + Z80 * sigma),
    }


def without_overlaps(boxes: gpd.GeoDataFrame) -> np.ndarray:
    """Row numbers, best first, leaving out a box whose line lies mostly in the strip looked over in a better.

    A strip is `SWEEP` wide, however wide the box: lines side by side in one box are different water.
    """
    lines = boxes["line"].values
    places = shapely.get_coordinates(shapely.centroid(np.asarray(lines)))
    plane = LocalPlane(Place(*places.mean(axis=0)))
    lines = plane.to_plane(np.asarray(lines))
    strips = shapely.buffer(lines, SWEEP / 2, cap_style="flat")
    kept: list[int] = []
    # ties are broken by place, so that the order of the rows does not matter
    for k in np.lexsort((places[:, 1], places[:, 0], -boxes["expected"].to_numpy())):
        better = shapely.union_all([strips[j] for j in kept if shapely.intersects(strips[j], lines[k])])
        if shapely.intersection(lines[k], better).length < 0.5 * lines[k].length:
            kept.append(int(k))
    return np.array(kept, dtype=int)


def explain(box: Row, facts: dict[str, Any], show: Show) -> str:
    """Why this box, in a sentence or two of plain words."""
    if box.kind == TEMPERATURE_BREAK:
        seen = _say_seen(facts["seen_share"])
        step = show.say_step(facts["step"])
        warm = f", warm to the {facts['warm_side']}" if facts["warm_side"] else ""
        head = f"The cold side of a {step} break{warm}, {seen}"
    elif box.kind == COLOR_CHANGE:
        seen = _say_seen(facts["seen_share"])
        head = f"A colour change, {10 ** facts['step']:.1f} times the chlorophyll on its green side, {seen}"
    else:
        head = "A stretch over which floating matter is reckoned to have gathered"
    said = [head]
    gain = np.exp(otherwise(facts["gathered"], 0.0))
    if gain >= 1.1:
        said.append(f"some {gain:.1f} times the usual floating matter reckoned here")
    if otherwise(facts["weed"], 0.0) >= 0.1:
        said.append(f"weed seen from space over {facts['weed']:.0%} of it")
    if facts["coincidence"] >= 0.3:
        said.append(
            f"{facts['coincidence']:.0%} of it beside {' and '.join(LINES[kind] for kind in facts['beside'])}"
        )
    if box.kind == TEMPERATURE_BREAK:
        aside = show.say_distance(shoulder(facts["step"], facts["strength"]))
        said.append(f"troll {aside} to the cold side of the drawn break, where floating matter gathers")
    if np.isfinite(facts["temperature"]):
        said.append(f"water of {show.say_temperature(facts['temperature'])}")
    if np.isfinite(facts["depth"]):
        least, most = show.say_depth(facts["depth_least"]), show.say_depth(facts["depth_most"])
        steep = facts["steepness"] >= STEEP
        said.append(
            f"over {least.rsplit(' ', 1)[0]} to {most}"
            + (f", where the bottom falls 1 in {1.0 / facts['steepness']:.0f}" if steep else "")
        )
    return "; ".join(said) + f". Its place is good to about {show.say_distance(box.doubt)}."


def _say_seen(share: float) -> str:
    return "seen in every clear picture" if share > 0.99 else f"seen in {share:.0%} of the clear views of it"
