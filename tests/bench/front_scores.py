"""Temperature breaks scored on seeded scenes whose fronts are known, beside scikit-image's Canny.

The scenes and the scores are those of tests/front_scenes.py: false is a share of the length found, missed a
share of the visible length of the true fronts, both with a tolerance of two cells (2 km at least); visible
stretches under 10 km do not count. Every row of the tables is a set of scenes. For every row Canny
(`skimage.feature.canny` with a mask) is given the smoothing scale and the threshold, in metres and °C/m,
that score best by F1 on training seeds of that row, and groups of edge pixels shorter than our own least
length are dropped; ours has one setting for all rows. Both are scored on the same fresh seeds. In the
tables of one kind of evidence each side is cut where it does best on the training scenes; in the others ours
is cut at the package's one setting, 0.45.
"""

from __future__ import annotations

import sys
from functools import cache
from pathlib import Path

import numpy as np
from skimage.feature import canny
from skimage.measure import label
from timing import print_table, read_options, say

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))  # tests/, for the scenes

from front_scenes import KM, PLANE, RATIOS, Scene, Score, draw_scene, score_lines, score_points, sum_scores
from front_scenes import visible_points as visible_of

from searcher.fronts import temperature
from searcher.fronts.confidence import TERMS, evidence_of
from searcher.fronts.temperature import LEAST_LENGTH, find_temperature_breaks

TRAIN, TEST = 0, 3000  # first seeds; from 1000 and from 2000 were looked at while settings were chosen
#: what Canny may choose from: smoothing, m, and the upper threshold, °C/m (the lower is half of it)
SMOOTHINGS = tuple(metres * KM for metres in (1.5, 2.5, 4.0, 6.0, 9.0))
THRESHOLDS = tuple(slope / KM for slope in (0.01, 0.015, 0.02, 0.03, 0.045, 0.07, 0.1, 0.15))
CANNY_SOBEL = 8.0  # scikit-image takes Sobel's sums as they are: eight times the slope per cell


def scenes_of(ratio: str, first: int, count: int) -> list[Scene]:
    """`count` scenes of a class of step over noise."""
    return [draw_scene(seed, ratio=ratio) for seed in range(first, first + count)]


def ours(scene: Scene) -> Score:
    """The whole detector as it is used."""
    return score_lines(scene, [row["geometry"] for row in find_temperature_breaks(scene.picture)])


def canny_points(scene: Scene, smoothing: float, threshold: float) -> np.ndarray:
    """Edge pixels of Canny in metres, (n, 2), without groups shorter than the least length."""
    seen = np.isfinite(scene.picture.values)
    filled = np.where(seen, scene.picture.values, 0.0)
    high = threshold * scene.cell * CANNY_SOBEL
    edges = canny(filled, max(smoothing / scene.cell, 0.7), 0.5 * high, high, mask=seen)
    groups = label(edges, connectivity=2)
    keep = np.bincount(groups.ravel()) * scene.cell >= LEAST_LENGTH
    keep[0] = False
    j, i = np.nonzero(keep[groups])
    lon, lat = scene.picture["lon"].values[i], scene.picture["lat"].values[j]
    return np.column_stack(PLANE.metres(lon, lat))


def canny_scores(scene: Scene, choices) -> dict[tuple[float, float], Score]:
    """Canny's score on a scene at each choice of smoothing and threshold."""
    visible = visible_of(scene)
    return {choice: score_points(scene, canny_points(scene, *choice), visible) for choice in choices}


def tune_canny(scores: list[dict[tuple[float, float], Score]]) -> tuple[float, float]:
    """The choice that scores best by F1 over some scenes."""
    return max(scores[0], key=lambda choice: sum_scores([score[choice] for score in scores])["f1"])


ROWS = {
    "any cloud, any width": lambda scene: scene is not None,
    "no cloud": lambda scene: scene.cloud == 0.0,
    "cloud 5-30 %": lambda scene: 0.0 < scene.cloud < 0.3,
    "cloud 30-70 %": lambda scene: scene.cloud >= 0.3,
    "width 1-3 km": lambda scene: scene.width < 3.0 * KM,
    "width 3-6 km": lambda scene: 3.0 * KM <= scene.width < 6.0 * KM,
    "width 6-10 km": lambda scene: scene.width >= 6.0 * KM,
    "filaments, small eddies": lambda scene: scene.shape in ("filament", "small eddies"),
    "cells of 0.01°": lambda scene: scene.spacing == 0.01,
    "cells of 0.02-0.03°": lambda scene: scene.spacing in (0.02, 0.03),
    "cells of 0.05°": lambda scene: scene.spacing == 0.05,
}
HEADER = ["", "false %", "missed %", "F1", "error, cells", "Canny: false %", "missed %", "F1", "error, cells"]


@cache
def score_table(ratio: str, *, train: int, test: int) -> list[list[object]]:
    """Rows of HEADER for a class of step over noise; a row without scenes is left out."""
    choices = [(smoothing, threshold) for smoothing in SMOOTHINGS for threshold in THRESHOLDS]
    training, testing = scenes_of(ratio, TRAIN, train), scenes_of(ratio, TEST, test)
    say(f"step/noise {ratio}: trying {len(choices)} settings of Canny on {train} scenes")
    tuning = [canny_scores(scene, choices) for scene in training]
    say(f"step/noise {ratio}: scoring {test} fresh scenes")
    found = [ours(scene) for scene in testing]
    rows = []
    for name, belongs in ROWS.items():
        learn = [scores for scene, scores in zip(training, tuning, strict=True) if belongs(scene)]
        rated = [(scene, score) for scene, score in zip(testing, found, strict=True) if belongs(scene)]
        if not learn or not any(scene.fronts for scene, _ in rated):
            continue
        choice = tune_canny(learn)
        theirs = [canny_scores(scene, [choice])[choice] for scene, _ in rated]
        mine = sum_scores([score for _, score in rated])
        rows.append([name, *_figures(mine), *_figures(sum_scores(theirs))])
    return rows


def _figures(shares: dict[str, float]) -> list[float]:
    return [100.0 * shares["false"], 100.0 * shares["missed"], shares["f1"], shares["error"]]


def coarse_table(*, count: int) -> list[list[object]]:
    """One row on a grid of 0.25°, where a front is narrower than a cell; Canny at its best for that grid."""
    choices = [(smoothing * KM, threshold) for smoothing in (20.0, 30.0, 45.0) for threshold in THRESHOLDS]
    training, testing = (
        [draw_scene(seed, spacing=0.25, size=64) for seed in range(first, first + count)]
        for first in (TRAIN, TEST)
    )
    choice = tune_canny([canny_scores(scene, choices) for scene in training])
    theirs = sum_scores([canny_scores(scene, [choice])[choice] for scene in testing])
    mine = sum_scores([ours(scene) for scene in testing])
    return [["cells of 0.25°", *_figures(mine), *_figures(theirs)]]


#: what each kind of evidence says of a line, by itself and joined
SIDES = {
    "section alone (gradient)": lambda told: sum(TERMS[k].weight * told[k] for k in ("step", "slope", "fit")),
    "water masses alone (histogram)": lambda told: told["masses"],
    "both": lambda told: sum(term.weight * told[name] for name, term in TERMS.items()),
}


def told_of(scenes: list[Scene]) -> list[tuple[Scene, list, dict[str, np.ndarray]]]:
    """The lines of each scene before any is dropped, and the evidence for them; no scenes without lines."""
    before = temperature.__dict__.get("LEAST_CONFIDENCE")
    temperature.LEAST_CONFIDENCE = 0.0
    found = [(scene, find_temperature_breaks(scene.picture)) for scene in scenes]
    temperature.LEAST_CONFIDENCE = before
    return [
        (scene, [row["geometry"] for row in rows], evidence_of(rows, scene.picture))
        for scene, rows in found
        if rows
    ]


def evidence_table(ratio: str, *, train: int, test: int) -> list[list[object]]:
    """What lines are worth if kept by one kind of evidence or by both, each cut where it does best."""
    training, testing = (told_of(scenes_of(ratio, first, n)) for first, n in ((TRAIN, train), (TEST, test)))
    rows = []
    for name, side in SIDES.items():

        def kept(scenes, least, side=side):
            scores = [
                score_lines(
                    scene, [line for line, value in zip(lines, side(told), strict=True) if value >= least]
                )
                for scene, lines, told in scenes
            ]
            return sum_scores(scores)

        values = np.concatenate([side(told) for _, _, told in training])
        cuts = np.unique(np.quantile(values, np.linspace(0.0, 0.95, 20)))
        best = max(cuts, key=lambda cut: kept(training, cut)["f1"])
        rows.append([name, *_figures(kept(testing, best))])
    return rows


def main() -> None:
    quick = read_options(__doc__).quick
    train, test = (3, 5) if quick else (60, 100)
    for ratio in list(RATIOS)[:1] if quick else RATIOS:
        rows = score_table(ratio, train=train, test=test)
        print_table(f"step/noise {ratio}, {test} scenes", HEADER, rows)
    for ratio in list(RATIOS)[: 1 if quick else 2]:
        rows = evidence_table(ratio, train=train, test=test)
        print_table(f"step/noise {ratio}: lines kept by one kind of evidence", HEADER[:5], rows)
    print_table("step/noise >= 3 on a coarse grid", HEADER, coarse_table(count=3 if quick else 30))


if __name__ == "__main__":
    main()
