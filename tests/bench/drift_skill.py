"""Drift forecast against staying put, in the built-in sea, and whether the stated doubt is true.

What a user sees there are coarse currents, blurred and a little out of place; the truth is another model at
three times their resolution, which shares no code with the forecast. Forecast are single pieces of floating
matter (1 % of the wind, as in the truth) and the temperature breaks of the last picture, whose vertices the
true currents carry to where the water of the break really goes. Skill is 1 - error / error of staying put:
medians over seeds with a bootstrap interval of 90 %. Calibration: for a true 1-sigma doubt per axis, 39.3 %
of pieces lie within one sigma of the forecast and 86.5 % within two (Rayleigh), of points of a line 68.3 %
and 95.4 % (normal, across the line). The doubt is stated for real products, whose error is about 0.1 m/s; the
currents of the built-in sea are better, so that more than that lies within it. With their own error in
its place, which only the truth can tell, the form of the doubt is put to the test.
"""

from __future__ import annotations

import numpy as np
import shapely
from timing import print_table, read_options, say

from searcher.builtin import make_builtin_sea
from searcher.carry import WEED, Drift, Seen, drift_doubt, make_drift, scatter
from searcher.fronts import find_fronts
from searcher.geo import LocalPlane, Place, densify
from searcher.kernels.advect import AFLOAT
from searcher.kernels.sample import sample_vectors, weave
from searcher.sea import flow_of, to_seconds
from searcher.tables import TEMPERATURE_BREAK

HOUR = 3600.0
AHEAD = (6, 12, 18, 24)
PIECES = 1500


def true_drift(truth) -> Drift:
    """The drift of the true currents alone."""
    stream = weave(flow_of(truth["currents"].to_dataset()))
    return Drift(stream, stream, 0.0, 600.0)


def error_of_currents(sea, truth, lon, lat) -> float:
    """Root mean square error of a component of the currents of a sea at places, over the day, m/s."""
    flows = [flow_of(tree["currents"].to_dataset()) for tree in (sea, truth)]
    squares = []
    for time in flows[1].t[::3]:
        (u, v), (u2, v2) = (sample_vectors(flow, np.full(lon.size, time), lon, lat) for flow in flows)
        squares += [np.nanmean((u - u2) ** 2), np.nanmean((v - v2) ** 2)]
    return float(np.sqrt(np.mean(squares)))


def judge_pieces(sea, truth, seed: int) -> dict:
    """Errors of the forecast and of staying put, and distances in sigmas: closed form and ensemble."""
    rng = np.random.default_rng(seed)
    drift = make_drift(sea)
    floating = truth["floating"].to_dataset()
    lon, lat = floating["lon"].values, floating["lat"].values
    region = sea["currents"].to_dataset()
    inside = (lon[0] > region["lon"].values[0]) & (lon[0] < region["lon"].values[-1])
    inside &= (lat[0] > region["lat"].values[0]) & (lat[0] < region["lat"].values[-1])
    chosen = rng.permutation(np.flatnonzero(inside))[:PIECES]
    start = float(to_seconds(floating["time"].values[0]))
    x, y = lon[0, chosen], lat[0, chosen]
    plane = LocalPlane(Place(float(x.mean()), float(y.mean())))
    sure = Seen(np.arange(chosen.size), np.zeros(chosen.size), np.zeros(chosen.size))
    own = error_of_currents(sea, truth, x, y)
    found = {}
    for hours in AHEAD:
        end = start + hours * HOUR
        x2, y2, afloat = drift.carry(x, y, start, end, windage=drift.windage)
        mx, my, status = scatter(drift, x, y, start, end, sure, leeway=WEED._replace(downwind=(0.01, 0, 0)))
        good = afloat & np.isfinite(lon[hours, chosen]) & (status == AFLOAT).all(axis=1)
        there = metres(plane, lon[hours, chosen[good]], lat[hours, chosen[good]])
        ahead, still = metres(plane, x2[good], y2[good]), metres(plane, x[good], y[good])
        members = np.stack([metres(plane, a, b) for a, b in zip(mx[good].T, my[good].T, strict=True)])
        found[hours] = {
            "error": np.hypot(*(ahead - there).T),
            "still": np.hypot(*(still - there).T),
            "sigmas": np.hypot(*(ahead - there).T) / drift_doubt(0.0, hours * HOUR),
            "own": np.hypot(*(ahead - there).T) / drift_doubt(0.0, hours * HOUR, current_error=own),
            "of currents": own,
            "ensemble": distance_in_sigmas(members, there),
        }
    return found


def metres(plane: LocalPlane, lon, lat) -> np.ndarray:
    """Places on a local plane, (n, 2) m."""
    return shapely.get_coordinates(plane.to_plane(shapely.points(lon, lat)))


def distance_in_sigmas(members: np.ndarray, there: np.ndarray) -> np.ndarray:
    """Mahalanobis distances of places (n, 2) from ensembles (members, n, 2)."""
    apart = there - members.mean(axis=0)
    spread = members - members.mean(axis=0)
    covariance = np.einsum("mni,mnj->nij", spread, spread) / (len(members) - 1)
    return np.sqrt(np.einsum("ni,nij,nj->n", apart, np.linalg.inv(covariance), apart))


def judge_breaks(sea, truth) -> dict:
    """Of points along the breaks of the last picture: distance from the line forecast, and from the old."""
    drift, real = make_drift(sea), true_drift(truth)
    first = truth["currents"]["time"].values[0]
    fronts = find_fronts(sea)
    fresh = (fronts["valid_time"] == first) & (fronts["kind"] == TEMPERATURE_BREAK)
    lines = [densify(line, 1000.0) for line in fronts.geometry[fresh]]
    found = {hours: {"error": [], "still": [], "sigmas": []} for hours in AHEAD}
    start = float(to_seconds(first))
    for line in lines:
        x, y = shapely.get_coordinates(line).T
        plane = LocalPlane(Place(float(x.mean()), float(y.mean())))
        for hours in AHEAD:
            end = start + hours * HOUR
            ax, ay, here = drift.carry(x, y, start, end)
            bx, by, there = real.carry(x, y, start, end)
            if min(here.sum(), there.sum()) < 2:
                continue
            true = shapely.points(metres(plane, bx[there], by[there]))
            error = shapely.distance(true, shapely.LineString(metres(plane, ax[here], ay[here])))
            found[hours]["error"].append(error)
            found[hours]["still"].append(shapely.distance(true, plane.to_plane(line)))
            found[hours]["sigmas"].append(error / drift_doubt(0.0, hours * HOUR))
    return {
        hours: {key: np.concatenate(values) for key, values in rows.items()} for hours, rows in found.items()
    }


def interval(values, draw=np.median) -> str:
    """The median over seeds and its bootstrap interval of 90 %."""
    values = np.asarray(values)
    rng = np.random.default_rng(0)
    draws = draw(values[rng.integers(0, values.size, (2000, values.size))], axis=1)
    low, high = np.quantile(draws, [0.05, 0.95])
    return f"{np.median(values):.2f} ({low:.2f} to {high:.2f})"


def print_results(what: str, seeds: list[dict], scales: dict[str, str]) -> None:
    """A table of errors and skill, and one of calibration."""
    rows, cover = [], []
    for hours in AHEAD:
        parts = [seed[hours] for seed in seeds]
        median = {key: np.array([np.median(p[key]) for p in parts]) for key in ("error", "still")}
        rows.append(
            [
                f"{hours} h",
                float(np.median(median["error"])) / 1e3,
                float(np.median(median["still"])) / 1e3,
                interval(1.0 - median["error"] / median["still"]),
            ]
        )
        for name, label in scales.items():
            within = [[(p[name] < k).mean() for p in parts] for k in (1, 2)]
            cover.append([f"{hours} h, {label}", *(interval(share) for share in within)])
    print_table(
        f"{what}, {len(seeds)} seas", ["", "error, km", "staying put, km", "skill (90 % interval)"], rows
    )
    print_table(f"{what}: share within the stated doubt", ["", "1 sigma", "2 sigma"], cover)


def main() -> None:
    quick = read_options(__doc__).quick
    pieces, breaks = [], []
    for seed in range(1 if quick else 8):
        say(f"sea {seed}")
        sea, truth = make_builtin_sea(seed=seed, particles=4000 if quick else 12_000)
        pieces.append(judge_pieces(sea, truth, seed))
        breaks.append(judge_breaks(sea, truth))
    print_results(
        "pieces of floating matter",
        pieces,
        {"sigmas": "closed form", "ensemble": "ensemble (ellipse)", "own": "closed form, error of this sea"},
    )
    print(f"error of a component of these currents: {interval([p[6]['of currents'] for p in pieces])} m/s")
    print_results("temperature breaks, across the line", breaks, {"sigmas": "closed form"})


if __name__ == "__main__":
    main()
