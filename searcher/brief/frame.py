"""The frame of a map: projection, extent, graticule, scale bar, north.

Mercator, because bearings on it are true and a straight line is a course to steer. Everything is projected
once, here, and drawn in the map's own coordinates.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import cartopy.crs as ccrs
import numpy as np
import shapely
from matplotlib.patches import PathPatch, Rectangle
from matplotlib.path import Path as Outline
from matplotlib.transforms import Bbox
from numpy.typing import ArrayLike

from searcher import geo
from searcher.brief.labels import INK, PAPER
from searcher.brief.words import say_minutes, wrap_longitude
from searcher.geo import Place, Region
from searcher.units import FACTORS, LABELS, Show

if TYPE_CHECKING:
    from cartopy.mpl.geoaxes import GeoAxes

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

    def xy(self, lon: ArrayLike, lat: ArrayLike) -> tuple[np.ndarray, np.ndarray]:
        """Map coordinates of degrees, of the same shape."""
        lon, lat = np.broadcast_arrays(np.asarray(lon, dtype=float), np.asarray(lat, dtype=float))
        points = self.projection.transform_points(ccrs.PlateCarree(), lon.ravel(), lat.ravel())
        return points[:, 0].reshape(lon.shape), points[:, 1].reshape(lon.shape)

    def holds(self, x: float, y: float) -> bool:
        """Whether a point in map coordinates is on the map."""
        west, east, south, north = self.extent
        return west <= x <= east and south <= y <= north

    def shape(self, geometry: shapely.Geometry) -> shapely.Geometry:
        """A geometry in map coordinates."""
        return shapely.transform(geometry, lambda xy: np.column_stack(self.xy(xy[:, 0], xy[:, 1])))


def edges(nodes: np.ndarray) -> np.ndarray:
    """The cell edges of evenly spaced nodes: one more than there are nodes."""
    half = (nodes[-1] - nodes[0]) / (nodes.size - 1) / 2
    return np.append(nodes - half, nodes[-1] + half)


def add_shape(ax: GeoAxes, geometry: shapely.Geometry, **style: Any) -> None:
    """Draw a (multi)polygon in map coordinates, holes and all, as one patch."""
    rings = [ring for part in shapely.get_parts(geometry) for ring in _rings(part)]
    if rings:
        outline = Outline.make_compound_path(*(Outline(np.asarray(ring.coords)[:, :2]) for ring in rings))
        ax.add_patch(PathPatch(outline, **style))


def _rings(part: shapely.Geometry) -> list[shapely.LinearRing]:
    if not isinstance(part, shapely.Polygon) or part.is_empty:
        return []
    part = shapely.orient_polygons(part)
    return [part.exterior, *part.interiors]


def draw_graticule(ax: GeoAxes, frame: Frame, *, size: float) -> None:
    """Meridians and parallels at whole minutes, labelled in degrees and minutes on the left and below."""
    region = frame.region
    wide, high = (ax.bbox.width / ax.figure.dpi, ax.bbox.height / ax.figure.dpi)
    across, up = region.east - region.west, region.north - region.south
    widest = 60 * max(across / (wide / (0.12 * size)), up / (high / (0.1 * size)))
    step = next((s for s in STEPS if s >= widest), STEPS[-1]) / 60
    # labels need half their length: keep them off the corners
    edge = (0.03 * size * across / wide, 0.05 * size * up / high)
    lons = _steps(region.west + edge[0], region.east - edge[0], step)
    steps = [s / 60 for s in reversed(STEPS) if s / 60 <= step]  # finer where a wide map is low
    parallels = [_steps(region.south + edge[1], region.north - edge[1], s) for s in steps]
    lats = next((found for found in parallels if found.size >= 2), parallels[-1])
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


def draw_scale(ax: GeoAxes, frame: Frame, show: Show, marks: np.ndarray, *, size: float) -> Bbox:
    """A scale bar true at the middle latitude, and north, in the corner with the fewest `marks`.

    `marks` is an (n, 2) array of points in map coordinates. Returns the space taken, in pixels.
    """
    length, bar = _bar(frame, show)
    inch = size / 9.0
    high = 0.5 * inch / (ax.bbox.height / ax.figure.dpi)
    wide = bar + 0.85 * inch / (ax.bbox.width / ax.figure.dpi)
    west, east, south, north = frame.extent
    shares = (marks - [west, south]) / [east - west, north - south]
    corners = [(x, y) for y in (0.01, 0.99 - high) for x in (0.012, 0.988 - wide)]
    inside = [((shares > c) & (shares < np.add(c, (wide, high)))).all(axis=1).sum() for c in corners]
    x, y = corners[int(np.argmin(inside))]
    flat = {"transform": ax.transAxes, "zorder": 20, "edgecolor": INK, "linewidth": 0.6}
    ax.add_patch(Rectangle((x, y), wide, high, facecolor=PAPER, **flat))
    left = x + 0.2 * (wide - bar)
    for k, color in enumerate((INK, PAPER, INK, PAPER)):
        spot = (left + bar * k / 4, y + 0.22 * high)
        ax.add_patch(Rectangle(spot, bar / 4, 0.16 * high, facecolor=color, **flat))
    words = {"transform": ax.transAxes, "zorder": 20, "fontsize": size, "color": INK, "va": "bottom"}
    ax.text(left, y + 0.46 * high, "0", ha="center", **words)
    ax.text(left + bar, y + 0.46 * high, f"{length} {LABELS[show.distance]}", ha="right", **words)
    post = x + wide - 0.3 * (wide - bar)
    arrow = {"arrowstyle": "-|>", "color": INK, "linewidth": 1.4, "shrinkA": 0, "shrinkB": 0}
    spots = (post, y + 0.9 * high), (post, y + 0.1 * high)
    ax.annotate("", *spots, xycoords="axes fraction", arrowprops=arrow, zorder=21)
    ax.text(post + 0.06 * (wide - bar), y + 0.3 * high, "N", ha="left", fontweight="bold", **words)
    return Bbox.from_bounds(x, y, wide, high).transformed(ax.transAxes)


def _bar(frame: Frame, show: Show) -> tuple[int, float]:
    """Length of the scale bar in the skipper's unit, and its share of the map's width."""
    west, east, _, _ = frame.extent
    middle = frame.region.centre
    across = geo.distance(Place(frame.region.west, middle.lat), Place(frame.region.east, middle.lat))
    unit = FACTORS[show.distance]
    length = max((n for n in LENGTHS if n * unit <= across / 4), default=LENGTHS[0])
    far = geo.destination(middle, 90.0, length * unit)
    (start, end), _ = frame.xy([middle.lon, far.lon], middle.lat)
    return length, float(end - start) / (east - west)
