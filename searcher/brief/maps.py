"""The map of a plan, for print and for the page (cartopy; the coast is `searcher.geo.land`)."""

from __future__ import annotations

import os
import textwrap
import warnings
from pathlib import Path
from typing import NamedTuple

import numpy as np
import shapely
from matplotlib import MatplotlibDeprecationWarning
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.colors import BoundaryNorm, LinearSegmentedColormap
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

from searcher import geo
from searcher.brief.frame import (
    INK,
    PAPER,
    Frame,
    Label,
    add_shape,
    draw_graticule,
    draw_scale,
    edges,
    halo,
    place_labels,
)
from searcher.brief.sheet import (
    CLOSED,
    FRONT_STYLES,
    HATCH,
    LAND,
    RANGE_DASH,
    SHORE,
    TROLL,
    UNSEEN,
    VEIL,
    Sheet,
)
from searcher.brief.words import data_words, whole_file
from searcher.errors import SearcherError
from searcher.geo import Region
from searcher.plan import Plan
from searcher.units import LABELS, c_to_f, to_unit

with warnings.catch_warnings():  # cmocean 4.0.3 calls matplotlib 3.11 in a way that is deprecated
    warnings.simplefilter("ignore", MatplotlibDeprecationWarning)
    import cmocean

A4 = (8.27, 11.69)
ENDINGS = ("png", "pdf")
#: depth contours in each unit
DEPTHS = {"m": (50, 200, 1000), "ft": (150, 600, 3000), "fathom": (30, 100, 500)}
#: widths of colour steps, degrees of the skipper's unit
COLOR_STEPS = (0.1, 0.2, 0.25, 0.5, 1.0, 2.0, 5.0)
#: the fuel range is not outlined this close to the shore, m of the map
AT_SHORE = 4000.0
#: clear views older than this before the newest one are not shown
OLDEST = np.timedelta64(72, "h")


class View(NamedTuple):
    """The newest clear value of every cell (skipper's unit), where it is older than the newest, and when."""

    lon: np.ndarray
    lat: np.ndarray
    values: np.ndarray
    older: np.ndarray
    first: np.datetime64
    last: np.datetime64


def draw_map(
    plan: Plan, path: str | os.PathLike | None = None, *, dpi: int = 150, size=A4, words: bool = True
):
    """Draw the plan's map; write it to `path` (PNG or PDF by its ending) or, without one, return the Figure.

    `size` is (width, height) in inches; it is turned on its side for a region wider than high. `words` adds
    the title, data times, cautions and credits around the map. In a PDF the temperature is an image and all
    else is vectors. Raises `SearcherError` if the file cannot be written.
    """
    ending = "png" if path is None else Path(path).suffix.lstrip(".").lower()
    if ending not in ENDINGS:
        raise SearcherError(
            "the map is written as PNG or PDF", given=Path(path).name, expected=".png or .pdf"
        )
    region = map_region(plan)
    if words and size[0] < size[1] and _is_wide(region):
        size = size[::-1]
    figure = Figure(figsize=size, dpi=dpi, facecolor=PAPER)
    FigureCanvasAgg(figure)
    _compose(figure, plan, region, words)
    if path is None:
        return figure
    with whole_file(path) as partial:
        figure.savefig(partial, format=ending, dpi=dpi)
    return Path(path)


def map_region(plan: Plan) -> Region:
    """The box around the port, the legs, the boxes and the fuel range, with a small margin."""
    shapes = [*plan.legs.geometry, *plan.boxes.geometry, shapely.Point(plan.trip.port.at)]
    shapes += [shapely.Point(plan.trip.port.sea_buoy), plan.range_polygon]
    west, south, east, north = shapely.total_bounds([s for s in shapes if s is not None and not s.is_empty])
    box = Region(float(west), float(south), float(east), float(north))
    high = geo.distance(geo.Place(west, south), geo.Place(west, north))
    return box.grown(max(0.04 * high, 3000.0))


def _is_wide(region: Region) -> bool:
    middle = region.centre
    wide = geo.distance(geo.Place(region.west, middle.lat), geo.Place(region.east, middle.lat))
    high = geo.distance(geo.Place(middle.lon, region.south), geo.Place(middle.lon, region.north))
    return wide > 1.15 * high


def _compose(figure: Figure, plan: Plan, region: Region, words: bool) -> None:
    """Lay the sheet out: the map in the middle, the rest around it."""
    sheet = Sheet(figure, plan, words=words)
    frame = Frame(region, aspect=sheet.map_size[0] / sheet.map_size[1])
    ax = figure.add_axes(sheet.map_box, projection=frame.projection)
    ax.set_extent(frame.extent, crs=frame.projection)
    ax.autoscale(False)
    show = plan.trip.show
    view = newest_view(plan, frame.region)
    shades = _draw_temperature(ax, frame, view)
    soundings = _draw_depth(ax, frame, plan, sheet.font)
    _draw_ground(ax, frame, plan)
    arrows = _draw_currents(ax, frame, plan)
    _draw_fronts(ax, frame, plan)
    marks = _draw_boxes_and_route(ax, frame, plan)
    draw_graticule(ax, frame, size=sheet.font - 1)
    draw_scale(ax, frame, show, _emptiest_corner(frame, marks), size=sheet.font)
    blocked = np.concatenate([marks, np.repeat(soundings, 10, axis=0)])
    place_labels(ax, _labels(frame, plan), blocked, size=sheet.font + 1)
    sheet.draw_keys(shades, arrows, older=bool(view.older.any()))
    if words:
        sheet.draw_words(_times(plan, view))


def _times(plan: Plan, view: View) -> str:
    """What hour each layer stands for."""
    show = plan.trip.show
    seen = f"Temperature seen {data_words(plan, 'temperature')}"
    if view.older.any():
        seen += f"; where dotted, back to {show.say_time(view.first)}"
    lines = plan.fronts["valid_time"]
    drawn = f"; lines where expected at {show.say_clock(lines.min())}" if len(lines) else ""
    return f"{seen}. Currents for {show.say_time(plan.trip.window.start)}{drawn}."


def newest_view(plan: Plan, region: Region) -> View:
    """The newest clear temperature of every cell in the region, from pictures up to the end of the trip."""
    data = plan.sea["temperature"].to_dataset()
    data = data.sel(lon=slice(region.west, region.east), lat=slice(region.south, region.north))
    times = data["time"].values
    usable = times[times <= plan.trip.window.end]
    last = usable[-1] if usable.size else times[0]
    data = data.sel(time=slice(last - OLDEST, last))
    merged, first = data["sst"].values[-1], last
    newest = np.isfinite(merged)
    for time, picture in zip(data["time"].values[-2::-1], data["sst"].values[-2::-1], strict=True):
        gained = np.isnan(merged) & np.isfinite(picture)
        if gained.any():
            merged, first = np.where(gained, picture, merged), time
    values = c_to_f(merged) if plan.trip.show.temperature == "F" else merged
    older = np.isfinite(merged) & ~newest
    return View(data["lon"].values, data["lat"].values, values, older, first, last)


def _draw_temperature(ax, frame: Frame, view: View):
    west, east, south, north = frame.extent
    ground = {"facecolor": UNSEEN, "edgecolor": HATCH, "hatch": "////", "linewidth": 0, "zorder": 0.5}
    ax.add_patch(Rectangle((west, south), east - west, north - south, **ground))
    x, _ = frame.xy(edges(view.lon), view.lat[0])
    _, y = frame.xy(view.lon[0], edges(view.lat))
    levels = color_levels(view.values)
    norm = BoundaryNorm(levels, ncolors=256, extend="both")
    shades = ax.pcolormesh(x, y, view.values, cmap=_pale_thermal(), norm=norm, rasterized=True, zorder=1)
    if view.older.any():
        x, y = frame.xy(*np.meshgrid(view.lon, view.lat))
        veil = {"levels": [0.5, 1.5], "colors": "none", "hatches": [".."], "zorder": 1.2}
        dots = ax.contourf(x, y, view.older.astype(float), **veil)
        dots.set_edgecolor(VEIL)
        dots.set_linewidth(0.0)
    shades.steps = levels
    return shades


def _pale_thermal() -> LinearSegmentedColormap:
    """cmocean's thermal (perceptually even; Thyng et al. 2016, Oceanography 29(3):9-13), paler."""
    colors = cmocean.cm.thermal(np.linspace(0.12, 1.0, 256))
    colors[:, :3] = 0.72 * colors[:, :3] + 0.28
    return LinearSegmentedColormap.from_list("pale_thermal", colors)


def color_levels(values: np.ndarray) -> np.ndarray:
    """A dozen or so even steps over the middle 96 % of the values."""
    finite = values[np.isfinite(values)]
    low, high = np.percentile(finite, [2, 98]) if finite.size else (0.0, 1.0)
    step = next((s for s in COLOR_STEPS if (high - low) / s <= 17), COLOR_STEPS[-1])
    count = max(int(np.ceil(high / step) - np.floor(low / step)), 2)
    return np.floor(low / step) * step + step * np.arange(count + 1)


def _draw_depth(ax, frame: Frame, plan: Plan, font: float) -> np.ndarray:
    """Depth contours; returns where their labels stand, (n, 2) in map coordinates."""
    show = plan.trip.show
    if "depth" not in plan.sea.children:
        return np.empty((0, 2))
    depth = plan.sea["depth"].to_dataset()["depth"]
    region = frame.region
    depth = depth.sel(lon=slice(region.west, region.east), lat=slice(region.south, region.north))
    if min(depth.shape) < 2 or not np.isfinite(depth.values).any():
        return np.empty((0, 2))
    x, y = frame.xy(*np.meshgrid(depth["lon"].values, depth["lat"].values))
    values = to_unit(depth.values, show.depth)
    levels = [level for level in DEPTHS[show.depth] if np.nanmin(values) < level < np.nanmax(values)]
    if not levels:
        return np.empty((0, 2))
    lines = ax.contour(x, y, values, levels=levels, colors="#333333", linewidths=0.6, zorder=2)
    texts = ax.clabel(lines, fmt=lambda v: f"{v:.0f} {LABELS[show.depth]}", fontsize=font - 2)
    for text in texts:
        text.set(path_effects=halo(1.6), zorder=4.5)
    return np.array([text.get_position() for text in texts]).reshape(-1, 2)


def _draw_ground(ax, frame: Frame, plan: Plan) -> None:
    """Closed areas, land, and the outline of the fuel range where it is not the shore."""
    closed = plan.trip.avoid.closed
    if closed is not None and not closed.is_empty:
        hatch = {"facecolor": "none", "edgecolor": CLOSED, "hatch": "xxx", "linewidth": 1.4, "zorder": 2.5}
        add_shape(ax, frame.shape(closed), **hatch)
    shore = frame.shape(geo.land(frame.region))
    add_shape(ax, shore, facecolor=LAND, edgecolor=SHORE, linewidth=0.7, zorder=3)
    if plan.range_polygon is not None and not plan.range_polygon.is_empty:
        outline = shapely.difference(
            frame.shape(plan.range_polygon).boundary, shapely.buffer(shore, AT_SHORE)
        )
        for part in shapely.get_parts(outline):
            x, y = shapely.get_coordinates(part).T
            ax.plot(x, y, color=INK, linewidth=1.3, linestyle=RANGE_DASH, zorder=3.5, path_effects=halo(2.6))


def _draw_currents(ax, frame: Frame, plan: Plan):
    """Arrows about 0.4 inch apart, for the hour of departure; returns (quiver, time) or None."""
    data = plan.sea["currents"].to_dataset().sel(time=plan.trip.window.start, method="nearest")
    region = frame.region
    data = data.sel(lon=slice(region.west, region.east), lat=slice(region.south, region.north))
    if min(data["u"].shape) < 2:
        return None
    inches = ax.bbox.width / ax.figure.dpi
    step = abs(data["lon"].values[1] - data["lon"].values[0]) / (region.east - region.west) * inches
    stride = max(1, round(0.4 / step))
    data = data.isel(lon=slice(stride // 2, None, stride), lat=slice(stride // 2, None, stride))
    x, y = frame.xy(*np.meshgrid(data["lon"].values, data["lat"].values))
    u, v = data["u"].values, data["v"].values
    speed = np.hypot(u, v)
    if not np.isfinite(speed).any():
        return None
    fastest = max(float(np.nanpercentile(speed, 98)), 0.05)
    strong = np.isfinite(speed) & (speed > 0.15 * fastest)
    style = {"color": INK, "edgecolor": PAPER, "linewidth": 0.35, "width": 0.022, "units": "inches"}
    scale = {"scale": fastest / 0.42, "scale_units": "inches", "pivot": "mid"}
    return ax.quiver(x[strong], y[strong], u[strong], v[strong], zorder=4, alpha=0.8, **style, **scale)


def _draw_fronts(ax, frame: Frame, plan: Plan) -> None:
    """Lines by kind (colour and dash) and strength (width)."""
    strongest = {kind: rows["strength"].max() for kind, rows in plan.fronts.groupby("kind")}
    for front in plan.fronts.itertuples():
        color, dash = FRONT_STYLES[front.kind]
        share = front.strength / strongest[front.kind] if strongest[front.kind] > 0 else 1.0
        width = 1.1 + 1.7 * (share if np.isfinite(share) else 0.5)
        for part in shapely.get_parts(frame.shape(front.geometry)):
            x, y = shapely.get_coordinates(part).T
            ax.plot(x, y, color=PAPER, linewidth=width + 1.6, zorder=5, solid_capstyle="round")
            ax.plot(x, y, color=color, linewidth=width, linestyle=dash, zorder=5.1)


def _draw_boxes_and_route(ax, frame: Frame, plan: Plan) -> np.ndarray:
    """Boxes, legs and their directions; returns points (map coordinates) that labels should keep clear of."""
    for box in plan.boxes.geometry:
        add_shape(
            ax,
            frame.shape(box),
            facecolor="none",
            edgecolor=INK,
            linewidth=1.1,
            zorder=6,
            path_effects=halo(2.6),
        )
    points = [np.empty((0, 2))]
    for leg in plan.legs.itertuples():
        xy = shapely.get_coordinates(frame.shape(leg.geometry))
        if leg.kind in ("run", "home"):
            ax.plot(*xy.T, color=INK, linewidth=1.5, zorder=7, path_effects=halo(3.2))
            _draw_heading(ax, xy)
        elif leg.kind != "lines up":
            ax.plot(*xy.T, color=INK, linewidth=4.4, zorder=7.2, solid_capstyle="round")
            ax.plot(*xy.T, color=TROLL, linewidth=2.6, zorder=7.3, solid_capstyle="round")
        points.append(_along(xy))
    for place, mark in ((plan.trip.port.at, "s"), (plan.trip.port.sea_buoy, "D")):
        ax.plot(*frame.xy(*place), marker=mark, markersize=6, color=INK, markeredgecolor=PAPER, zorder=8)
    points += [shapely.get_coordinates(frame.shape(box)) for box in plan.boxes.geometry]
    return np.concatenate(points)


def _along(xy: np.ndarray, count: int = 60) -> np.ndarray:
    """Points evenly along a line, its ends included."""
    line = shapely.LineString(xy)
    return shapely.get_coordinates(
        shapely.line_interpolate_point(line, np.linspace(0, 1, count), normalized=True)
    )


def _draw_heading(ax, xy: np.ndarray) -> None:
    """An arrowhead at 60 % of a leg."""
    before, after = _along(xy, 101)[[58, 62]]
    if (before != after).any():
        head = {"arrowstyle": "-|>,head_length=0.8,head_width=0.36", "color": INK, "linewidth": 0}
        ax.annotate("", after, before, arrowprops={**head, "shrinkA": 0, "shrinkB": 0}, zorder=7.5)


def _labels(frame: Frame, plan: Plan) -> list[Label]:
    labels = []
    for box in plan.boxes.sort_values("rank").itertuples():
        middle = frame.shape(shapely.line_interpolate_point(box.line, 0.5, normalized=True))
        labels.append(Label(str(box.rank), middle.x, middle.y, disc=True))
    names = ((plan.trip.port.name, plan.trip.port.at), ("sea buoy", plan.trip.port.sea_buoy))
    for name, place in names:
        x, y = frame.xy(*place)
        labels.append(
            Label(textwrap.shorten(name, 28, placeholder="…"), float(x), float(y), bold=name != "sea buoy")
        )
    return labels


def _emptiest_corner(frame: Frame, marks: np.ndarray) -> tuple[float, float]:
    """The corner, in shares of the axes, with the fewest marks in it."""
    west, east, south, north = frame.extent
    share = (marks - [west, south]) / [east - west, north - south]
    corners = [(0.0, 0.0), (1.0, 0.0), (0.0, 1.0), (1.0, 1.0)]
    return min(corners, key=lambda corner: (np.abs(share - corner) < [0.45, 0.1]).all(axis=1).sum())
