"""The layers of a map, from the sea floor up: temperature, depth, land, currents, lines, boxes, route."""

from __future__ import annotations

from collections.abc import Collection
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import shapely
from matplotlib.cm import ScalarMappable
from matplotlib.colors import BoundaryNorm, Colormap
from matplotlib.patches import Rectangle

from searcher import geo
from searcher.brief.colors import pale_balance, pale_matter, pale_rate, pale_thermal
from searcher.brief.fields import DEPTHS, Field, View, color_levels, current_fields, depth_field
from searcher.brief.frame import Frame, add_shape, edges
from searcher.brief.labels import INK, PAPER, halo
from searcher.brief.sheet import (
    BOX,
    CLOSED,
    FRONT_STYLES,
    HATCH,
    HIDDEN,
    LAND,
    OLDER,
    RANGE,
    RANGE_DASH,
    RUN,
    SHORE,
    SHUT,
    TROLL,
    TROLLED,
    UNREAD,
    UNSEEN,
    VEIL,
)
from searcher.brief.words import ports_of
from searcher.plan import Plan
from searcher.tables import FRONT_KINDS, RUNS, say_name
from searcher.units import from_unit

if TYPE_CHECKING:
    from cartopy.mpl.geoaxes import GeoAxes
    from matplotlib.quiver import Quiver

#: widths of steps of closing in, per day; and of rates, per hour
CLOSING_STEPS = (0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 2.0)
RATE_STEPS = (0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0)
#: steps of floating matter, times the usual
MATTER_LEVELS = np.array([0.4, 0.6, 0.8, 1.0, 1.25, 1.5, 2.0, 2.5, 3.0, 4.0])
#: the fuel range is not outlined this close to the shore or to closed areas, m of the map
AT_SHORE = 4000.0
#: less of the map than this without data is a rim of half a cell
UNREAD_SHARE = 0.003
#: less of the fuel range's edge than this share of the map's width is not named
SLIVER = 0.02


class Shading(NamedTuple):
    """A field as it is shaded: what the colour bar shows, its steps, and its words."""

    mappable: ScalarMappable
    steps: np.ndarray
    label: str
    extend: str = "both"


def draw_temperature(ax: GeoAxes, frame: Frame, view: View, label: str) -> Shading:
    """Temperature on a hatched ground that shows where there is no view, dotted where older.

    Beyond the grid nothing was read, and the paper shows.
    """
    ground: dict[str, Any]
    ground = {"facecolor": UNSEEN, "edgecolor": HATCH, "hatch": "////", "linewidth": 0, "zorder": 0.5}
    x, y = _mesh_edges(frame, view.lon, view.lat)
    ax.add_patch(Rectangle((x[0], y[0]), x[-1] - x[0], y[-1] - y[0], **ground))
    shading = _shade(ax, frame, view, color_levels(view.values), pale_thermal(), label)
    if view.older.any():
        x, y = frame.xy(*np.meshgrid(view.lon, view.lat))
        veil = {"levels": [0.5, 1.5], "colors": "none", "hatches": [".."], "zorder": 1.2}
        dots = ax.contourf(x, y, view.older.astype(float), **veil)
        dots.set_edgecolor(VEIL)
        dots.set_linewidth(0.0)
    return shading


def draw_convergence(ax: GeoAxes, frame: Frame, field: Field) -> Shading:
    """How fast the surface closes in (dark red) or spreads (dark blue)."""
    finite = np.abs(field.values[np.isfinite(field.values)])
    most = float(np.percentile(finite, 97)) if finite.size else 0.0
    step = next((s for s in CLOSING_STEPS if 5 * s >= most), CLOSING_STEPS[-1])
    levels = step * np.arange(-5, 6)
    return _shade(
        ax, frame, field, levels, pale_balance(), f"Surface closing in (spreading: −), {field.unit}"
    )


def draw_floating(ax: GeoAxes, frame: Frame, field: Field) -> Shading:
    """How dense floating matter lies, against the usual."""
    return _shade(ax, frame, field, MATTER_LEVELS, pale_matter(), f"Floating matter, {field.unit}")


def _shade(
    ax: GeoAxes, frame: Frame, field: Field | View, levels: np.ndarray, colors: Colormap, label: str
) -> Shading:
    """Cells of a grid in even steps of colour."""
    x, y = _mesh_edges(frame, field.lon, field.lat)
    norm = BoundaryNorm(levels, ncolors=256, extend="both")
    mesh = ax.pcolormesh(x, y, field.values, cmap=colors, norm=norm, rasterized=True, zorder=1)
    return Shading(mesh, levels, label)


def _mesh_edges(frame: Frame, lon: np.ndarray, lat: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Edges of the cells of a grid, in map coordinates."""
    x, _ = frame.xy(edges(lon), lat[0])
    _, y = frame.xy(lon[0], edges(lat))
    return x, y


def shade_boxes(plan: Plan) -> Shading | None:
    """Colours of the boxes by the rate that is expected; None where there are none."""
    rates = plan.boxes["expected"].to_numpy(dtype=float)
    if not rates.size:
        return None
    levels = color_levels(np.append(rates, 0.0), steps=RATE_STEPS)
    norm = BoundaryNorm(levels, ncolors=256, extend="max")
    return Shading(ScalarMappable(norm, pale_rate()), levels, "Encounters expected per hour", "max")


def shown(frame: Frame, plan: Plan, view: View | None) -> set[str]:
    """What the legend has to explain: the labels of all that is inside the frame, and of the `view`."""
    legs, (west, east, south, north) = plan.legs, frame.extent
    paper = shapely.box(*frame.region)
    inside = {say_name(kind) for kind, rows in plan.fronts.groupby("kind") if rows.intersects(paper).any()}
    outline = shapely.intersection(range_outline(frame, plan), shapely.box(west, south, east, north))
    checks = {
        TROLLED: (legs["kind"] == "troll").any(),
        RUN: legs["kind"].isin(RUNS).any(),
        RANGE: outline.length > SLIVER * (east - west),
        BOX: plan.boxes.intersects(paper).any(),
        SHUT: paper.intersects(plan.trip.avoid.closed),
    }
    found = inside | {label for label, there in checks.items() if there}
    return found if view is None else found | _seen(frame, view)


def _seen(frame: Frame, view: View) -> set[str]:
    """What of a view the legend has to explain: where there is none, an older one, or no data."""
    paper, lon, lat = shapely.box(*frame.region), edges(view.lon), edges(view.lat)
    sea = shapely.difference(paper, geo.land(frame.region))
    unread = shapely.difference(sea, shapely.box(lon[0], lat[0], lon[-1], lat[-1]))
    checks = {
        HIDDEN: _afloat(view, np.isnan(view.values), sea),
        OLDER: _afloat(view, view.older, sea),
        UNREAD: unread.area > UNREAD_SHARE * paper.area,
    }
    return {label for label, there in checks.items() if there}


def _afloat(view: View, cells: np.ndarray, sea: shapely.Geometry) -> bool:
    """Whether any of some cells lies on the sea, by nine points in each."""
    shapely.prepare(sea)
    rows, columns = np.nonzero(cells)
    thirds = np.array([-1.0, 0.0, 1.0]) / 3.0
    east, north = (thirds * (nodes[1] - nodes[0]) for nodes in (view.lon, view.lat))
    x = view.lon[columns][:, None, None] + east
    y = view.lat[rows][:, None, None] + north[:, None]
    return bool(shapely.contains_xy(sea, *np.broadcast_arrays(x, y)).any())


def draw_depth(ax: GeoAxes, frame: Frame, plan: Plan, font: float) -> np.ndarray:
    """Depth contours; returns where their labels stand, (n, 2) in map coordinates."""
    depth = depth_field(plan, frame.region)
    if depth is None:
        return np.empty((0, 2))
    x, y = frame.xy(*np.meshgrid(depth.lon, depth.lat))
    least, most = np.nanmin(depth.values), np.nanmax(depth.values)
    levels = [level for level in DEPTHS[plan.trip.show.depth] if least < level < most]
    if not levels:
        return np.empty((0, 2))
    lines = ax.contour(x, y, depth.values, levels=levels, colors="#333333", linewidths=0.6, zorder=2)
    texts = ax.clabel(lines, fmt=lambda v: f"{v:.0f} {depth.unit}", fontsize=font - 2)
    for text in texts:
        text.set(path_effects=halo(1.6), zorder=6.5, visible=frame.holds(*text.get_position()))
    return np.array([text.get_position() for text in texts if text.get_visible()]).reshape(-1, 2)


def draw_ground(ax: GeoAxes, frame: Frame, plan: Plan) -> None:
    """Closed areas, land, and the outline of the fuel range where it is neither's edge."""
    closed, shore = _obstacles(frame, plan)
    hatch = {"facecolor": "none", "edgecolor": CLOSED, "hatch": "xxx", "linewidth": 1.4, "zorder": 2.5}
    add_shape(ax, closed, **hatch)
    add_shape(ax, shore, facecolor=LAND, edgecolor=SHORE, linewidth=0.7, zorder=3)
    for part in shapely.get_parts(range_outline(frame, plan)):
        x, y = shapely.get_coordinates(part).T
        ax.plot(x, y, color=INK, linewidth=1.3, linestyle=RANGE_DASH, zorder=3.5, path_effects=halo(2.6))


def _obstacles(frame: Frame, plan: Plan) -> tuple[shapely.Geometry, shapely.Geometry]:
    """Closed areas and land, in map coordinates."""
    return frame.shape(plan.trip.avoid.closed), frame.shape(geo.land(frame.region))


def range_outline(frame: Frame, plan: Plan) -> shapely.Geometry:
    """The outer edge of the fuel range where it is neither a shore nor a closed area, in map coordinates."""
    parts = shapely.get_parts(frame.shape(plan.range_polygon))
    edge = shapely.MultiLineString([part.exterior for part in parts])
    return shapely.difference(edge, shapely.buffer(shapely.union_all(_obstacles(frame, plan)), AT_SHORE))


def draw_currents(ax: GeoAxes, frame: Frame, plan: Plan) -> Quiver | None:
    """Arrows about 0.4 inch apart, for the hour of departure; returns the quiver or None."""
    pair = current_fields(plan, frame.region)
    if pair is None:
        return None
    east, _ = pair
    region, inches = frame.region, ax.bbox.width / ax.figure.dpi
    step = abs(east.lon[1] - east.lon[0]) / (region.east - region.west) * inches
    stride = max(1, round(0.4 / step))
    some = slice(stride // 2, None, stride)
    x, y = frame.xy(*np.meshgrid(east.lon[some], east.lat[some]))
    u, v = (from_unit(field.values[some, some], plan.trip.show.speed) for field in pair)
    speed = np.hypot(u, v)
    if not np.isfinite(speed).any():
        return None
    fastest = max(float(np.nanpercentile(speed, 98)), 0.05)
    strong = np.isfinite(speed) & (speed > 0.15 * fastest)
    style = {"color": INK, "edgecolor": PAPER, "linewidth": 0.35, "width": 0.022, "units": "inches"}
    scale = {"scale": fastest / 0.42, "scale_units": "inches", "pivot": "mid"}
    return ax.quiver(x[strong], y[strong], u[strong], v[strong], zorder=4, alpha=0.8, **style, **scale)


def draw_fronts(ax: GeoAxes, frame: Frame, plan: Plan, kinds: Collection[str] = FRONT_KINDS) -> None:
    """Lines of some kinds by kind (colour and dash) and strength (width)."""
    strongest = {kind: rows["strength"].max() for kind, rows in plan.fronts.groupby("kind")}
    for front in plan.fronts[plan.fronts["kind"].isin(kinds)].itertuples():
        color, dash = FRONT_STYLES[front.kind]
        share = front.strength / strongest[front.kind] if strongest[front.kind] > 0 else 1.0
        width = 1.1 + 1.7 * (share if np.isfinite(share) else 0.5)
        for part in shapely.get_parts(frame.shape(front.geometry)):
            x, y = shapely.get_coordinates(part).T
            ax.plot(x, y, color=PAPER, linewidth=width + 1.6, zorder=5, solid_capstyle="round")
            ax.plot(x, y, color=color, linewidth=width, linestyle=dash, zorder=5.1)


def draw_boxes(
    ax: GeoAxes, frame: Frame, plan: Plan, named: set[int], shading: Shading | None = None
) -> np.ndarray:
    """Boxes, filled by their rate with a `shading`; returns points (map coordinates) to keep clear of."""
    for box in plan.boxes.itertuples():
        bold = {"linewidth": 1.2, "zorder": 6, "path_effects": halo(2.6)}
        style = bold if box.rank in named else {"linewidth": 0.6, "zorder": 5.5}
        fill = "none" if shading is None else shading.mappable.to_rgba(box.expected)
        add_shape(ax, frame.shape(box.geometry), facecolor=fill, edgecolor=INK, **style)
    shapes = plan.boxes.geometry[plan.boxes["rank"].isin(named)]
    return np.concatenate([np.empty((0, 2)), *(shapely.get_coordinates(frame.shape(box)) for box in shapes)])


def draw_route(ax: GeoAxes, frame: Frame, plan: Plan) -> np.ndarray:
    """Legs and their directions; returns points (map coordinates) that labels should keep clear of."""
    points = [np.empty((0, 2))]
    for leg in plan.legs.itertuples():
        xy = shapely.get_coordinates(frame.shape(leg.geometry))
        if leg.kind in RUNS:
            ax.plot(*xy.T, color=INK, linewidth=1.5, zorder=7, path_effects=halo(3.2))
            _draw_heading(ax, xy)
        elif leg.kind != "lines up":
            ax.plot(*xy.T, color=INK, linewidth=4.4, zorder=7.2, solid_capstyle="round")
            ax.plot(*xy.T, color=TROLL, linewidth=2.6, zorder=7.3, solid_capstyle="round")
        points.append(_along(xy))
    return np.concatenate(points)


def draw_port(ax: GeoAxes, frame: Frame, plan: Plan) -> None:
    """Every port of the day, a square, and its sea buoy, a diamond."""
    places = [spot for port in ports_of(plan) for spot in ((port.at, "s"), (port.sea_buoy, "D"))]
    for place, mark in places:
        ax.plot(*frame.xy(*place), marker=mark, markersize=6, color=INK, markeredgecolor=PAPER, zorder=8)


def _along(xy: np.ndarray, count: int = 60) -> np.ndarray:
    """Points evenly along a line, its ends included."""
    line = shapely.LineString(xy)
    return shapely.get_coordinates(
        shapely.line_interpolate_point(line, np.linspace(0, 1, count), normalized=True)
    )


def _draw_heading(ax: GeoAxes, xy: np.ndarray) -> None:
    """An arrowhead at 60 % of a leg."""
    before, after = _along(xy, 101)[[58, 62]]
    if (before != after).any():
        head = {"arrowstyle": "-|>,head_length=0.8,head_width=0.36", "color": INK, "linewidth": 0}
        ax.annotate("", after, before, arrowprops={**head, "shrinkA": 0, "shrinkB": 0}, zorder=7.5)
