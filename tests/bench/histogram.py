"""The histogram test of two water masses (Cayula & Cornillon 1992) against numpy windows and Canny.

The scene is a warm and a cold sea either side of a winding front with pixel noise of 0.1 °C, three tenths
under cloud. Windows of 32 x 32 cells stand 16 apart. Timed are:

- ours: `searcher.kernels.histogram.find_populations` in every window;
- ours, near lines: the same, only in windows through which the front passes;
- numpy: the same test with numpy in every window (sort, cumulative sums, every split);
- canny: `skimage.feature.canny` with a mask, smoothing of three cells.

The floor is a copy of the scene. Then the decisions of ours and numpy are held against each other.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
from scipy.ndimage import gaussian_filter
from skimage.feature import canny
from timing import print_table, ratio, read_options, say, time_in_turn

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))  # tests/, for the numpy twin

from front_scenes import SETTINGS, numpy_populations

from searcher.kernels.histogram import STEP, find_populations, window_count

CLOUD, NOISE = 0.3, 0.1


def draw(size: int, *, seed: int = 1) -> tuple[np.ndarray, np.ndarray]:
    """A float32 field with gaps, and which windows its front passes through."""
    rng = np.random.default_rng(seed)
    columns = np.arange(size)
    front = size / 2 + size / 8 * np.sin(4.0 * np.pi * columns / size)
    field = 24.0 + 1.5 * np.tanh((columns[:, None] - front) / 3.0) + NOISE * rng.standard_normal((size, size))
    veil = gaussian_filter(rng.standard_normal((size, size)), 12.0)
    field[veil > np.quantile(veil, 1.0 - CLOUD)] = np.nan
    wanted = np.zeros(window_count(field.shape), bool)
    for offset in (0, STEP):
        down, across = (np.array([front, columns]) // STEP - offset // STEP).astype(int)
        for other in (0, 1):
            wanted[np.clip(down, 0, wanted.shape[0] - 1), np.clip(across + other, 0, wanted.shape[1] - 1)] = 1
    return field.astype(np.float32), wanted


def compare(size: int, *, rounds: int) -> None:
    """Time one size of scene, then hold the decisions against each other."""
    say(f"drawing a scene of {size} x {size}")
    field, near = draw(size)
    every = np.ones_like(near)
    known = np.isfinite(field)
    filled = np.where(known, field, np.float32(0.0))
    sides = {
        "copy (floor)": field.copy,
        "ours": lambda: find_populations(field, every, *SETTINGS),
        "ours, near lines": lambda: find_populations(field, near, *SETTINGS),
        "numpy": lambda: numpy_populations(field, *SETTINGS),
        "canny": lambda: canny(filled, 3.0, 0.2, 0.4, mask=known),
    }
    say("warming up, then timing")
    seconds = time_in_turn(sides, rounds=rounds)
    million = field.size / 1e6
    print_table(
        f"histogram test, {size} x {size}, {CLOUD:.0%} cloud, {every.size} windows",
        ["", "s", "Mpx/s", "speed over numpy", "speed over canny"],
        [
            [
                name,
                float(np.median(times)),
                million / float(np.median(times)),
                ratio(seconds, "numpy", name),
                ratio(seconds, "canny", name),
            ]
            for name, times in seconds.items()
        ],
    )
    ours, numpy = sides["ours"](), sides["numpy"]()
    print_table(
        "decisions that are the same, % of windows and of pixels",
        ["", "windows", "pixels"],
        [
            ["two water masses", 100.0 * float(np.mean(ours[2] == numpy[2])), "-"],
            ["known, boundary", "-", 100.0 * float(np.mean((ours[0] == numpy[0]) & (ours[1] == numpy[1])))],
        ],
    )


def main() -> None:
    quick = read_options(__doc__).quick
    for size in (200,) if quick else (1000, 3600):
        compare(size, rounds=1 if quick else 3)


if __name__ == "__main__":
    main()
