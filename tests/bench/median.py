"""The contextual median of a cloudy picture against scipy's plain 3 x 3 median filter.

The picture is noise of single precision, three tenths of it hidden in patches. scipy.ndimage.median_filter
is given the same picture with the gaps filled, since it knows no gaps, and replaces every node; ours replaces
only the spikes (Belkin & O'Reilly 2009). The floor is a copy of the picture. Where no gap is near, the values
that ours puts in are compared with those of scipy, bit by bit.
"""

from __future__ import annotations

import numpy as np
from scipy.ndimage import gaussian_filter, median_filter, minimum_filter
from timing import print_table, ratio, read_options, say, time_in_turn

from searcher.kernels.median import contextual_median

CLOUD = 0.3  # share of the picture


def draw_picture(size: int, *, seed: int = 1) -> np.ndarray:
    """Noise with gaps, float32 (size, size)."""
    rng = np.random.default_rng(seed)
    picture = (24.0 + rng.standard_normal((size, size))).astype(np.float32)
    veil = gaussian_filter(rng.standard_normal((size, size)), 12.0)
    picture[veil > np.quantile(veil, 1.0 - CLOUD)] = np.nan
    return picture


def compare(size: int, *, rounds: int) -> None:
    """Time one size of picture, then count the spikes and how many of their new values are scipy's."""
    say(f"drawing a picture of {size} x {size}")
    picture = draw_picture(size)
    filled = np.nan_to_num(picture)
    sides = {
        "copy (floor)": picture.copy,
        "ours": lambda: contextual_median(picture),
        "scipy": lambda: median_filter(filled, size=3),
    }
    seconds = time_in_turn(sides, rounds=rounds)
    print_table(
        f"3 x 3 median, {size} x {size} nodes, {CLOUD:.0%} cloud",
        ["", "s", "Mpx/s", "speed over scipy"],
        [
            [
                name,
                float(np.median(times)),
                picture.size / 1e6 / float(np.median(times)),
                ratio(seconds, "scipy", name),
            ]
            for name, times in seconds.items()
        ],
    )
    ours, theirs = sides["ours"](), sides["scipy"]()
    clear = minimum_filter(np.isfinite(picture), size=3, mode="constant")  # scipy mirrors the rim
    spikes = (ours != picture) & clear
    equal = (ours == theirs)[spikes].mean()
    print_table(
        "spikes away from clouds",
        ["", "share of nodes", "of them scipy's value"],
        [["ours", float(spikes[clear].mean()), float(equal)]],
    )


def main() -> None:
    quick = read_options(__doc__).quick
    for size in (200,) if quick else (1000, 3600):
        compare(size, rounds=1 if quick else 5)


if __name__ == "__main__":
    main()
