"""The map of the page: drawn by bokeh from numbers inside the page, with nothing loaded from elsewhere.

Everything is laid in metres of a Mercator map on the sphere about a whole meridian, so that it may run over
180°. Each glyph carries the name of its layer as a tag; `page.js` switches layers by it, and shows the
story whose name stands in the column `story` of what is picked (`marks`).
"""

from __future__ import annotations

import json
from typing import Any, NamedTuple

import numpy as np
import shapely
from bokeh.embed import json_item
from bokeh.models import (
    ColorMapper,
    ColumnDataSource,
    LinearColorMapper,
    LogColorMapper,
    MercatorTicker,
    MercatorTickFormatter,
    PanTool,
    Range1d,
    TapTool,
    WheelZoomTool,
)
from bokeh.plotting import figure
from bokeh.resources import Resources

from searcher import geo
from searcher.brief import fields, shapes
from searcher.brief.colors import HEX_STEPS, pale_matter, pale_thermal, to_hex
from searcher.brief.labels import INK, PAPER
from searcher.brief.maps import map_region
from searcher.brief.marks import FONT, draw_boxes, draw_cross, draw_lines, draw_route, write
from searcher.brief.shapes import Plane
from searcher.brief.sheet import CLOSED, LAND, SHORE, UNSEEN
from searcher.brief.words import say_span
from searcher.geo import Region
from searcher.plan import Plan
from searcher.units import HOUR, LABELS

TARGET = "live-map"
#: cells of a field on the page at most; finer grids are thinned
MOST_CELLS = 60_000
#: fields are drawn so far around what the map shows at first, in shares of its diagonal
AROUND = 0.2
#: the veil over old views is thickest at this age, s
OLDEST = 72 * HOUR
#: floating matter is shaded between these, times the usual
MATTER = (0.4, 4.0)
CLEAR = "rgba(0,0,0,0)"


def library() -> str:
    """The drawing library, to stand in the page."""
    raw = Resources(mode="inline", components=["bokeh"]).js_raw
    return next(text for text in raw if len(text) > 100_000)


def live_map(plan: Plan) -> dict[str, Any]:
    """What the page's script needs: bokeh's `item` and the facts of `draw_live`."""
    plot, facts = draw_live(plan)
    return {"item": json_item(plot, TARGET), **facts}


def draw_live(plan: Plan) -> tuple[figure, dict[str, Any]]:
    """The map, and its facts: the first `view`, the worked boxes (`near`) and the `whole` (m of the map),
    the `lon` of x = 0, words."""
    region = map_region(plan)
    around = region.grown(AROUND * geo.distance(geo.Place(*region[:2]), geo.Place(*region[2:])))
    plane = Plane(region)
    plot = _canvas(plane, region)
    ground = _draw_fields(plot, plane, plan, around)
    _draw_depth(plot, plane, plan, around)
    _draw_ground(plot, plane, plan, around)
    fastest = _draw_currents(plot, plane, plan, around)
    draw_lines(plot, plane, plan)
    draw_boxes(plot, plane, plan)
    draw_route(plot, plane, plan)
    draw_cross(plot)
    show = plan.trip.show
    words = {"temperature": f"°{show.temperature}", "speed": LABELS[show.speed], "depth": LABELS[show.depth]}
    return plot, {
        "lon": plane.lon,
        "view": plane.bounds(map_region(plan, around="route")),
        "near": plane.bounds(map_region(plan, around="boxes")),
        "whole": plane.bounds(region),
        "units": words,
        "fastest": fastest,
        **ground,
    }


def _canvas(plane: Plane, region: Region) -> figure:
    """An empty map with degrees along its edges (the script writes them as degrees and minutes)."""
    west, south, east, north = plane.bounds(region)
    room = max(east - west, north - south)
    spans = {"bounds": None, "min_interval": 400.0, "max_interval": 6 * room}
    plot = figure(
        name="map",
        x_range=Range1d(west, east, **spans),
        y_range=Range1d(south, north, **spans),
        tools=[PanTool(), WheelZoomTool(), TapTool()],
        toolbar_location=None,
        sizing_mode="stretch_both",
        output_backend="canvas",
        background_fill_color=PAPER,
        border_fill_color=PAPER,
        outline_line_color=INK,
        lod_threshold=None,
        min_border=4,
    )
    plot.toolbar.active_scroll = plot.tools[1]
    for axis, dimension in ((plot.xaxis, "lon"), (plot.yaxis, "lat")):
        axis.ticker = MercatorTicker(
            dimension=dimension,
            base=60,
            mantissas=[1, 2, 5, 10, 15, 20, 30],
            desired_num_ticks=5,
            num_minor_ticks=0,
        )
        axis.formatter = MercatorTickFormatter(dimension=dimension)
        axis.major_label_text_font = FONT
        axis.major_label_text_font_size = "13px"
        axis.major_label_text_color = INK
    plot.yaxis.major_label_orientation = "vertical"
    plot.grid.grid_line_color = INK
    plot.grid.grid_line_alpha = 0.18
    plot.grid.level = "underlay"
    return plot


# ---- fields


def _draw_fields(plot: figure, plane: Plane, plan: Plan, region: Region) -> dict[str, Any]:
    """Temperature, floating matter and age of the view as images; boxes of all fields, colours of these."""
    view = fields.newest_view(plan, region)
    grids = _grids(plan, view, region)
    images = {name: shapes.image(plane, *grid, most=MOST_CELLS) for name, grid in grids.items()}
    source = ColumnDataSource({name: [image.values] for name, image in images.items()}, name="fields")
    _shade_unseen(plot, images["temperature"])
    ramps = {name: ramp for name, ramp in _ramps(plan, view).items() if name in images}
    for name, ramp in ramps.items():
        x, y, wide, high = images[name].box
        place = {"x": x, "y": y, "dw": wide, "dh": high, "level": "image", "tags": [name]}
        shown = name == "temperature"
        plot.image(name, source=source, color_mapper=ramp.mapper, visible=shown, **place)
    return {
        "boxes": {name: image.box for name, image in images.items()},
        "shades": {name: (r.mapper.palette[:: HEX_STEPS // 8], r.low, r.high) for name, r in ramps.items()},
    }


def _grids(
    plan: Plan, view: fields.View, region: Region
) -> dict[str, tuple[np.ndarray, np.ndarray, np.ndarray]]:
    """Longitudes, latitudes and values of all fields there are; `doubt` is the age of the view, hours."""
    found = {
        "matter": fields.floating_field(plan, region),
        "matter_doubt": fields.floating_field(plan, region, "doubt"),
        "depth": fields.depth_field(plan, region),
        **dict(zip(("u", "v"), fields.current_fields(plan, region) or (None, None), strict=True)),
    }
    seen = {"temperature": (view.lon, view.lat, view.values), "doubt": (view.lon, view.lat, view.age / HOUR)}
    return seen | {name: field[:3] for name, field in found.items() if field is not None}


class Ramp(NamedTuple):
    """The colours of a field, and what its ends mean."""

    mapper: ColorMapper
    low: str
    high: str


def _ramps(plan: Plan, view: fields.View) -> dict[str, Ramp]:
    levels = fields.color_levels(view.values)
    low, high = float(levels[0]), float(levels[-1])
    thermal = LinearColorMapper(palette=to_hex(pale_thermal()), low=low, high=high, nan_color=CLEAR)
    matter = LogColorMapper(palette=to_hex(pale_matter()), low=MATTER[0], high=MATTER[1], nan_color=CLEAR)
    veil = LinearColorMapper(palette=_veil(), low=0.0, high=OLDEST / HOUR, nan_color=CLEAR)
    return {
        "temperature": Ramp(thermal, f"{low:g}", f"{high:g} °{plan.trip.show.temperature}"),
        "matter": Ramp(matter, f"×{MATTER[0]:g}", f"×{MATTER[1]:g}"),
        "doubt": Ramp(veil, "seen now", f"{say_span(OLDEST)} ago"),
    }


def _veil() -> list[str]:
    """Grey that thickens with the age of the view."""
    return [f"rgba(70,70,70,{0.8 * k / (HEX_STEPS - 1):.2f})" for k in range(HEX_STEPS)]


def _shade_unseen(plot: figure, image: shapes.Image) -> None:
    """The ground on which nothing has been seen, within the grid of the pictures."""
    x, y, wide, high = image.box
    plot.quad(
        left=x,
        right=x + wide,
        bottom=y,
        top=y + high,
        fill_color=UNSEEN,
        line_color=None,
        level="image",
        hatch_pattern="right_diagonal_line",
        hatch_color="#8f8f8f",
        hatch_alpha=0.6,
        hatch_scale=10,
        tags=["temperature"],
    )


def _draw_depth(plot: figure, plane: Plane, plan: Plan, region: Region) -> None:
    field = fields.depth_field(plan, region)
    lines = [] if field is None else shapes.contours(plane, field, fields.DEPTHS[plan.trip.show.depth])
    if field is None or not lines:
        return
    xs, ys = zip(*((line.x, line.y) for line in lines), strict=True)
    plot.multi_line(list(xs), list(ys), line_color="#333333", line_width=0.9, tags=["depth"])
    longest: dict[float, shapes.Contour] = {}
    for line in lines:
        if line.level not in longest or line.x.size > longest[line.level].x.size:
            longest[line.level] = line
    middles = [(line.x[line.x.size // 2], line.y[line.y.size // 2]) for line in longest.values()]
    texts = [f"{level:g} {field.unit}" for level in longest]
    write(plot, middles, texts, size="12px", tags=["depth"])


def _draw_ground(plot: figure, plane: Plane, plan: Plan, region: Region) -> None:
    """Land, closed areas and the outline of the fuel range."""
    shore = shapes.shore(region)
    xs, ys = shapes.polygons(plane, shore)
    plot.multi_polygons(xs, ys, fill_color=LAND, line_color=SHORE, line_width=1, tags=["land"])
    xs, ys = shapes.polygons(plane, plan.trip.avoid.closed)
    plot.multi_polygons(
        xs,
        ys,
        fill_color=None,
        line_color=CLOSED,
        line_width=2,
        hatch_pattern="cross",
        hatch_color=CLOSED,
        hatch_alpha=0.7,
        hatch_scale=10,
        tags=["closed"],
    )
    xs, ys = shapes.outlines(plane, plan.range_polygon, shapely.union_all([shore, plan.trip.avoid.closed]))
    plot.multi_line(xs, ys, line_color=PAPER, line_width=4, tags=["reach"])
    plot.multi_line(xs, ys, line_color=INK, line_width=1.8, line_dash=[8, 4, 2, 4], tags=["reach"])


def _draw_currents(plot: figure, plane: Plane, plan: Plan, region: Region) -> str:
    """Arrows; returns the current of the longest ones as words, "" where there are none."""
    pair = fields.current_fields(plan, region)
    if pair is None:
        return ""
    xs, ys, fastest = shapes.arrows(plane, *pair)
    if not xs:
        return ""
    plot.multi_line(xs, ys, line_color=PAPER, line_width=3.4, line_alpha=0.8, tags=["currents"])
    plot.multi_line(xs, ys, line_color=INK, line_width=1.5, tags=["currents"])
    return f"{fastest:.1f} {pair[0].unit}"


def as_text(live: dict[str, Any]) -> str:
    """The same as JSON that can stand inside a script element (no markup in it can end the element)."""
    text = json.dumps(live, separators=(",", ":"))
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")
