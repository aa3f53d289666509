"""Fit the weights of `searcher.fronts.confidence` on drawn scenes and check them on fresh ones.

All lines that the detector finds before it drops any, in scenes of all classes of step over noise
(tests/front_scenes.py), are held against the true fronts: a line is as true as the share of its length that
lies on one. No weight may be negative: more of any evidence can only speak for a front. The scenes of seeds 0
and up teach, those of seeds 1000 and up judge: in each band of confidence, how true were the lines?
"""

from __future__ import annotations

import sys
from itertools import pairwise
from pathlib import Path

import numpy as np
from scipy.optimize import minimize
from scipy.special import expit
from timing import print_table, read_options, say

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))  # tests/, for the scenes

from front_scenes import RATIOS, draw_scene, score_lines

from searcher.fronts import confidence, temperature
from searcher.fronts.confidence import TERMS, evidence_of

TRAIN, TEST = 0, 1000  # first seeds
BANDS = (0.0, 0.1, 0.25, 0.5, 0.75, 0.9, 1.0)
NONE = np.empty((0, 2))


def lines_of(first: int, count: int) -> tuple[dict[str, np.ndarray], np.ndarray, np.ndarray]:
    """Evidence, truth (share on a front) and length (m) of every line found in some scenes, undropped."""
    temperature.LEAST_CONFIDENCE = 0.0  # so that none is dropped
    evidence: dict[str, list[np.ndarray]] = {name: [] for name in TERMS}
    truth, length = [], []
    for seed in range(first, first + count):
        for ratio in RATIOS:
            scene = draw_scene(seed, ratio=ratio)
            rows = temperature.find_temperature_breaks(scene.picture)
            if not rows:
                continue
            for name, values in evidence_of(rows, scene.picture).items():
                evidence[name].append(values)
            scores = [score_lines(scene, [row["geometry"]], NONE) for row in rows]
            truth += [1.0 - score.false / max(score.found, 1) for score in scores]
            length += [row["length"] for row in rows]
    return {name: np.concatenate(v) for name, v in evidence.items()}, np.array(truth), np.array(length)


def fit(evidence: dict[str, np.ndarray], truth: np.ndarray, length: np.ndarray) -> tuple[float, dict]:
    """START and TERMS by maximum likelihood, every line counting by its length."""
    values = np.column_stack(list(evidence.values()))
    usual, spread = np.average(values, axis=0, weights=length), values.std(axis=0) + 1e-9
    design = np.column_stack([np.ones(len(values)), (values - usual) / spread])
    share = length / length.sum()

    def loss(weights):
        odds = design @ weights
        penalty = 1e-3 * weights[1:]  # for the case that evidence parts true from false without a rest
        value = share @ (np.logaddexp(0.0, odds) - truth * odds) + 0.5 * penalty @ weights[1:]
        return value, design.T @ (share * (expit(odds) - truth)) + np.concatenate([[0.0], penalty])

    bounds = [(None, None)] + [(0.0, None)] * len(evidence)
    weights = minimize(loss, np.zeros(len(bounds)), jac=True, method="L-BFGS-B", bounds=bounds).x
    per_unit = weights[1:] / spread
    names = list(evidence)
    return float(weights[0]), {
        names[k]: (round(float(usual[k]), 3), round(float(per_unit[k]), 3)) for k in range(len(names))
    }


def reliability(told: np.ndarray, truth: np.ndarray, length: np.ndarray) -> list[list[object]]:
    """Per band of confidence: lines, length, what was told and what was true, means by length."""
    rows = []
    for low, high in pairwise(BANDS):
        band = (told >= low) & ((told < high) | (high == 1.0))
        if band.any():
            mean = [float(np.average(v[band], weights=length[band])) for v in (told, truth)]
            rows.append([f"{low:.2f} to {high:.2f}", int(band.sum()), float(length[band].sum() / 1e3), *mean])
    return rows


def main() -> None:
    quick = read_options(__doc__).quick
    say("finding lines to learn from")
    evidence, truth, length = lines_of(TRAIN, 4 if quick else 120)
    start, terms = fit(evidence, truth, length)
    print_table(
        f"weights from {truth.size} lines; START = {start:.3f}",
        ["", "usual", "weight", "in use: usual", "weight"],
        [[name, *terms[name], *(float(v) for v in TERMS[name])] for name in terms],
    )
    say("finding lines to judge by")
    evidence, truth, length = lines_of(TEST, 3 if quick else 100)
    odds = confidence.START + sum(t.weight * (evidence[name] - t.usual) for name, t in TERMS.items())
    print_table(
        "fresh scenes, weights in use",
        ["confidence", "lines", "km", "mean told", "mean true"],
        reliability(expit(odds), truth, length),
    )


if __name__ == "__main__":
    main()
