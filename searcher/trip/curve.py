"""A monotone curve through the rows of a table: no bump that the rows do not have.

A piecewise cubic (Fritsch & Carlson 1980, SIAM J. Numer. Anal. 17:238-246) with the slopes of Fritsch &
Butland 1984 (SIAM J. Sci. Stat. Comput. 5:300-304): what `scipy.interpolate.PchipInterpolator` gives. But
that takes longer to load than a trip, and every verb at sea reads a trip.
"""

from __future__ import annotations

import numpy as np


class Curve:
    """y of x between the first and the last of some rows (x ascending)."""

    def __init__(self, x: np.ndarray, y: np.ndarray) -> None:
        self.x, self.y = np.asarray(x, dtype=float), np.asarray(y, dtype=float)
        self.slopes = slopes_of(self.x, self.y)

    def __call__(self, x: float | np.ndarray) -> np.ndarray:
        """y at one x or many."""
        at = np.asarray(x, dtype=float)
        k = np.clip(np.searchsorted(self.x, at, side="right") - 1, 0, self.x.size - 2)
        width = self.x[k + 1] - self.x[k]
        t = (at - self.x[k]) / width
        rise = t * t * (3.0 - 2.0 * t)  # cubic Hermite basis
        bend = t * (1.0 - t) * width * ((1.0 - t) * self.slopes[k] - t * self.slopes[k + 1])
        return self.y[k] + rise * (self.y[k + 1] - self.y[k]) + bend


def slopes_of(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """The slope at each row: between rows a harmonic mean of those to either side, 0 at a turn."""
    width = np.diff(x)
    chord = np.diff(y) / width
    if chord.size == 1:
        return np.repeat(chord, 2)
    one, other = 2.0 * width[1:] + width[:-1], width[1:] + 2.0 * width[:-1]
    goes_on = chord[:-1] * chord[1:] > 0.0
    before, after = (np.where(goes_on, part, 1.0) for part in (chord[:-1], chord[1:]))
    inner = np.where(goes_on, (one + other) / (one / before + other / after), 0.0)
    return np.array([_end(width[:2], chord[:2]), *inner, _end(width[:-3:-1], chord[:-3:-1])])


def _end(width: np.ndarray, chord: np.ndarray) -> float:
    """The slope at an end: of the parabola through three rows, kept from overshooting."""
    slope = ((2.0 * width[0] + width[1]) * chord[0] - width[0] * chord[1]) / width.sum()
    if slope * chord[0] <= 0.0:
        return 0.0
    turns = chord[0] * chord[1] <= 0.0
    return float(3.0 * chord[0] if turns and abs(slope) > 3.0 * abs(chord[0]) else slope)
