"""Words and numbers on a map that keep clear of each other and of what they name."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

import matplotlib.patheffects as effects
import numpy as np
from matplotlib.transforms import Bbox

if TYPE_CHECKING:
    from cartopy.mpl.geoaxes import GeoAxes

INK = "#111111"
PAPER = "#ffffff"


class Label(NamedTuple):
    """A word or number to be set near a point (map coordinates)."""

    text: str
    x: float
    y: float
    bold: bool = True
    disc: bool = False


def place_labels(
    ax: GeoAxes, labels: list[Label], obstacles: np.ndarray, *, size: float, taken: tuple[Bbox, ...] = ()
) -> None:
    """Set labels near their points, clear of each other and of `taken`, and mostly of `obstacles`.

    `obstacles` is an (n, 2) array of points in map coordinates. Labels are set in the order given; each takes
    the candidate spot, on rings around its point, with the least overlap. `taken` are boxes in pixels.
    """
    pixel = ax.figure.dpi / 72.0
    blocked = ax.transData.transform(obstacles) if len(obstacles) else np.empty((0, 2))
    full = [((b.x0 + b.x1) / 2, (b.y0 + b.y1) / 2, b.width, b.height) for b in taken]
    for label in labels:
        anchor = ax.transData.transform((label.x, label.y))
        wide = size * pixel * (1.9 if label.disc else 0.62 * len(label.text) + 0.6)
        high = size * pixel * (1.9 if label.disc else 1.4)
        spots = _candidates(anchor, wide, high, size * pixel)
        costs = [_cost(spot, wide, high, anchor, full, blocked, ax.bbox) for spot in spots]
        middle = spots[int(np.argmin(costs))]
        full.append((*middle, wide, high))
        _draw_label(ax, label, anchor, middle, size)


def _candidates(anchor: np.ndarray, wide: float, high: float, em: float) -> list[tuple[float, float]]:
    spots = []
    for gap in (0.8, 1.6, 2.6, 3.8, 5.2, 7.0):
        for turn in np.arange(0, 360, 22.5):
            dx, dy = math.cos(math.radians(turn)), math.sin(math.radians(turn))
            spots.append((anchor[0] + dx * (wide / 2 + gap * em), anchor[1] + dy * (high / 2 + gap * em)))
    return spots


def _cost(
    spot: tuple[float, float],
    wide: float,
    high: float,
    anchor: np.ndarray,
    taken: list[tuple[float, float, float, float]],
    blocked: np.ndarray,
    bounds: Bbox,
) -> float:
    """How bad a spot is: off the map, on another label, on the route, far from its point."""
    x, y = spot
    outside = x - wide / 2 < bounds.x0 or x + wide / 2 > bounds.x1 or y - high / 2 < bounds.y0
    outside = outside or y + high / 2 > bounds.y1
    overlaps = sum(
        abs(x - tx) < (wide + tw) / 2 + 2 and abs(y - ty) < (high + th) / 2 + 2 for tx, ty, tw, th in taken
    )
    hidden = (np.abs(blocked - spot) < [wide / 2, high / 2]).all(axis=1).sum() if len(blocked) else 0
    return 1e6 * outside + 1e4 * overlaps + 40.0 * hidden + math.hypot(x - anchor[0], y - anchor[1])


def _draw_label(
    ax: GeoAxes, label: Label, anchor: np.ndarray, middle: tuple[float, float], size: float
) -> None:
    to_data = ax.transData.inverted().transform
    (x, y), (ax_x, ax_y) = to_data(middle), to_data(anchor)
    box = {"boxstyle": "circle,pad=0.22", "facecolor": PAPER, "edgecolor": INK, "linewidth": 1.1}
    if label.disc:
        ax.plot([ax_x, x], [ax_y, y], color=INK, linewidth=0.8, zorder=15)
    ax.text(
        x,
        y,
        label.text,
        fontsize=size,
        fontweight="bold" if label.bold else "normal",
        color=INK,
        ha="center",
        va="center",
        zorder=16,
        bbox=box if label.disc else None,
        path_effects=None if label.disc else halo(2.4),
        parse_math=False,
    )


def halo(width: float, color: str = PAPER) -> list[effects.AbstractPathEffect]:
    """A paper-coloured edge that keeps ink legible on any ground."""
    return [effects.withStroke(linewidth=width, foreground=color)]
