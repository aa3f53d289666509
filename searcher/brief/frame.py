"""The frame of a map: projection, extent, graticule, scale bar, north, labels that keep out of the way.

Mercator, because bearings on it are true and a straight line is a course to steer. Everything is projected
once, here, and drawn in the map's own coordinates.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import cartopy.crs as ccrs
import matplotlib.patheffects as effects
import numpy as np
import shapely
from matplotlib.patches import PathPatch, Rectangle
from matplotlib.path import Path as Outline

from searcher import geo
from searcher.brief.words import say_minutes, wrap_longitude
from searcher.geo import Place, Region
from searcher.units import FACTORS, LABELS, Show

INK = "#111111"
PAPER = "#ffffff"
#: steps of the graticule, minutes of arc
STEPS = (1, 2, 5, 10, 15, 20, 30, 60, 120, 300, 600)
LENGTHS = (1, 2, 5, 10, 20, 50, 100, 200, 500)


class Frame:
    """A Mercator map around a region: degrees to map coordinates, once.

    `region` is grown to the width-to-height ratio `aspect`, so that the map fills its place on the sheet.
    """

    def __init__(self, region: Region, *, aspect: float) -> None:
        self.projection = ccrs.Mercator(central_longitude=region.centre.lon)
        (west, east), (south, north) = self.xy(*np.transpose([region[:2], region[2:]]))
        width, height = max(east - west, (north - south) * aspect), max(north - south, (east - west) / aspect)
        x, y = (west + east) / 2, (south + north) / 2
        self.extent = (x - width / 2, x + width / 2, y - height / 2, y + height / 2)
        self.region = self._region()

    def _region(self) -> Region:
        west, east, south, north = self.extent
        points = ccrs.PlateCarree().transform_points(
            self.projection, np.array([west, east]), np.array([south, north])
        )
        lons = geo.near_longitude(points[:, 0], self.projection.proj4_params["lon_0"])
        return Region(float(lons[0]), float(points[0, 1]), float(lons[1]), float(points[1, 1]))

    def xy(self, lon, lat) -> tuple[np.ndarray, np.ndarray]:
        """Map coordinates of degrees, of the same shape."""
        lon, lat = np.broadcast_arrays(np.asarray(lon, dtype=float), np.asarray(lat, dtype=float))
        points = self.projection.transform_points(ccrs.PlateCarree(), lon.ravel(), lat.ravel())
        return points[:, 0].reshape(lon.shape), points[:, 1].reshape(lon.shape)

    def shape(self, geometry):
        """A geometry in map coordinates."""
        return shapely.transform(geometry, lambda xy: np.column_stack(self.xy(xy[:, 0], xy[:, 1])))


def edges(nodes: np.ndarray) -> np.ndarray:
    """The cell edges of evenly spaced nodes: one more than there are nodes."""
    half = (nodes[-1] - nodes[0]) / (nodes.size - 1) / 2
    return np.append(nodes - half, nodes[-1] + half)


def add_shape(ax, geometry, **style) -> None:
    """Draw a (multi)polygon in map coordinates, holes and all, as one patch."""
    rings = [ring for part in shapely.get_parts(geometry) for ring in _rings(part)]
    if rings:
        outline = Outline.make_compound_path(*(Outline(np.asarray(ring.coords)[:, :2]) for ring in rings))
        ax.add_patch(PathPatch(outline, **style))


def _rings(part) -> list:
    if not isinstance(part, shapely.Polygon) or part.is_empty:
        return []
    part = shapely.orient_polygons(part)
    return [part.exterior, *part.interiors]


def draw_graticule(ax, frame: Frame, *, size: float) -> None:
    """Meridians and parallels at whole minutes, labelled in degrees and minutes on the left and below."""
    region = frame.region
    wide, high = (ax.bbox.width / ax.figure.dpi, ax.bbox.height / ax.figure.dpi)
    across, up = region.east - region.west, region.north - region.south
    widest = 60 * max(across / (wide / (0.12 * size)), up / (high / (0.1 * size)))
    step = next((s for s in STEPS if s >= widest), STEPS[-1]) / 60
    # labels need half their length: keep them off the corners
    edge = (0.03 * size * across / wide, 0.05 * size * up / high)
    lons = _steps(region.west + edge[0], region.east - edge[0], step)
    lats = _steps(region.south + edge[1], region.north - edge[1], step)
    x, _ = frame.xy(lons, region.south)
    _, y = frame.xy(region.west, lats)
    ax.set_xticks(x)
    ax.set_yticks(y)
    ax.set_xticklabels([_tick(wrap_longitude(lon), "EW") for lon in lons])
    ax.set_yticklabels([_tick(lat, "NS") for lat in lats], rotation=90, va="center")
    ax.tick_params(labelsize=size, length=3, pad=2, color=INK, labelcolor=INK)
    ax.grid(True, color=INK, linewidth=0.35, alpha=0.4, zorder=2.2)


def _steps(low: float, high: float, step: float) -> np.ndarray:
    return np.arange(math.ceil(low / step), math.floor(high / step) + 1) * step


def _tick(degrees: float, letters: str) -> str:
    return say_minutes(degrees, letters=letters, digits=0)


def draw_scale(ax, frame: Frame, show: Show, corner: tuple[float, float], *, size: float) -> None:
    """A scale bar true at the middle latitude, and north, in a corner given in shares of the axes."""
    west, east, _, _ = frame.extent
    middle = frame.region.centre
    reach = geo.distance(Place(frame.region.west, middle.lat), Place(frame.region.east, middle.lat))
    unit = FACTORS[show.distance]
    length = max((n for n in LENGTHS if n * unit <= reach / 4), default=LENGTHS[0])
    far = geo.destination(middle, 90.0, length * unit)
    (start, end), _ = frame.xy([middle.lon, far.lon], middle.lat)
    bar, inch = (end - start) / (east - west), size / 9.0
    high = 0.5 * inch / (ax.bbox.height / ax.figure.dpi)
    wide = bar + 0.85 * inch / (ax.bbox.width / ax.figure.dpi)
    x = 0.012 if corner[0] < 0.5 else 0.988 - wide
    y = 0.01 if corner[1] < 0.5 else 0.99 - high
    flat = {"transform": ax.transAxes, "zorder": 20}
    ax.add_patch(Rectangle((x, y), wide, high, facecolor=PAPER, edgecolor=INK, linewidth=0.6, **flat))
    left = x + 0.2 * (wide - bar)
    for k in range(4):
        color = INK if k % 2 == 0 else PAPER
        spot = (left + bar * k / 4, y + 0.22 * high)
        ax.add_patch(
            Rectangle(spot, bar / 4, 0.16 * high, facecolor=color, edgecolor=INK, linewidth=0.6, **flat)
        )
    words = {**flat, "fontsize": size, "color": INK, "va": "bottom"}
    ax.text(left, y + 0.46 * high, "0", ha="center", **words)
    ax.text(left + bar, y + 0.46 * high, f"{length} {LABELS[show.distance]}", ha="right", **words)
    arrow = {"arrowstyle": "-|>", "color": INK, "linewidth": 1.4, "shrinkA": 0, "shrinkB": 0}
    post = x + wide - 0.3 * (wide - bar)
    ax.annotate(
        "",
        (post, y + 0.9 * high),
        (post, y + 0.1 * high),
        xycoords="axes fraction",
        arrowprops=arrow,
        zorder=21,
    )
    ax.text(post + 0.06 * (wide - bar), y + 0.3 * high, "N", ha="left", **{**words, "fontweight": "bold"})


class Label(NamedTuple):
    """A word or number to be set near a point (map coordinates)."""

    text: str
    x: float
    y: float
    bold: bool = True
    disc: bool = False


def place_labels(ax, labels: list[Label], obstacles: np.ndarray, *, size: float) -> list[tuple[float, float]]:
    """Set labels near their points, clear of each other and mostly of `obstacles`; return their middles.

    `obstacles` is an (n, 2) array of points in map coordinates. Labels are set in the order given; each takes
    the candidate spot, on rings around its point, with the least overlap. Result in pixels.
    """
    pixel = ax.figure.dpi / 72.0
    blocked = ax.transData.transform(obstacles) if len(obstacles) else np.empty((0, 2))
    taken: list[tuple[float, float, float, float]] = []
    spots = []
    for label in labels:
        anchor = ax.transData.transform((label.x, label.y))
        wide = size * pixel * (1.9 if label.disc else 0.62 * len(label.text) + 0.6)
        high = size * pixel * (1.9 if label.disc else 1.4)
        middle = min(
            _candidates(anchor, wide, high, size * pixel),
            key=lambda spot, w=wide, h=high, a=anchor: _cost(spot, w, h, a, taken, blocked, ax.bbox),
        )
        taken.append((*middle, wide, high))
        spots.append(middle)
        _draw_label(ax, label, anchor, middle, size)
    return spots


def _candidates(anchor, wide: float, high: float, em: float) -> list[tuple[float, float]]:
    spots = []
    for gap in (0.8, 1.6, 2.6, 3.8, 5.2, 7.0):
        for turn in np.arange(0, 360, 22.5):
            dx, dy = math.cos(math.radians(turn)), math.sin(math.radians(turn))
            spots.append((anchor[0] + dx * (wide / 2 + gap * em), anchor[1] + dy * (high / 2 + gap * em)))
    return spots


def _cost(spot, wide, high, anchor, taken, blocked, bounds) -> float:
    """How bad a spot is: off the map, on another label, on the route, far from its point."""
    x, y = spot
    outside = x - wide / 2 < bounds.x0 or x + wide / 2 > bounds.x1 or y - high / 2 < bounds.y0
    outside = outside or y + high / 2 > bounds.y1
    overlaps = sum(
        abs(x - tx) < (wide + tw) / 2 + 2 and abs(y - ty) < (high + th) / 2 + 2 for tx, ty, tw, th in taken
    )
    hidden = (np.abs(blocked - spot) < [wide / 2, high / 2]).all(axis=1).sum() if len(blocked) else 0
    return 1e6 * outside + 1e4 * overlaps + 40.0 * hidden + math.hypot(x - anchor[0], y - anchor[1])


def _draw_label(ax, label: Label, anchor, middle, size: float) -> None:
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
    )


def halo(width: float, color: str = PAPER) -> list:
    """A paper-coloured edge that keeps ink legible on any ground."""
    return [effects.withStroke(linewidth=width, foreground=color)]
