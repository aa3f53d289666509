"""Levels of temperature pictures that see the same water, matched.

Two sensors, or one sensor on two passes, differ by a few tenths of a degree as a whole (calibration, the view
through the air, skin against bulk, day against night). Laid side by side in one map that difference is a
seam, and a seam is found as a front. Where two pictures have seen the same water, the median of their
differences says how far apart their levels are, whatever the fronts; from all pairs together follows one
level per picture, by weighted least squares.
"""

from __future__ import annotations

import numpy as np
from scipy.sparse.csgraph import connected_components

#: pictures that share fewer cells than this say nothing about each other
LEAST_OVERLAP = 100


def match_levels(views: np.ndarray, *, reference: np.ndarray | None = None) -> tuple[np.ndarray, np.ndarray]:
    """How far each picture stands above the common level: (levels (n,), matched (n,) bool).

    views: (n, ...) values of the same water in n pictures, NaN where unseen. reference: bool (n,), the
    pictures whose mean level is the common one (default all). To take levels off is to subtract them. A
    picture that shares fewer than `LEAST_OVERLAP` cells with any other stays as it is: level 0, not matched.
    """
    count = len(views)
    reference = np.ones(count, bool) if reference is None else np.asarray(reference, bool)
    flat = np.reshape(views, (count, -1))
    rows, sides, links = [], [], np.zeros((count, count), bool)
    for one in range(count):
        for other in range(one):
            apart = flat[one] - flat[other]
            apart = apart[np.isfinite(apart)]
            if apart.size >= LEAST_OVERLAP:
                links[one, other] = True
                weight = np.sqrt(apart.size)
                rows.append(weight * (np.eye(count)[one] - np.eye(count)[other]))
                sides.append(weight * np.median(apart))
    if not rows:
        return np.zeros(count), np.zeros(count, bool)
    levels = np.linalg.lstsq(np.array(rows), np.array(sides), rcond=None)[0]
    return _from_reference(levels, links, reference), np.any(links | links.T, axis=1)


def _from_reference(levels: np.ndarray, links: np.ndarray, reference: np.ndarray) -> np.ndarray:
    """Levels counted from the mean of the reference pictures, in each group of pictures that are linked."""
    _, group = connected_components(links, directed=False)
    counted = levels.copy()
    for number in np.unique(group):
        members = group == number
        base = members & reference if (members & reference).any() else members
        counted[members] -= levels[base].mean()
    return counted
