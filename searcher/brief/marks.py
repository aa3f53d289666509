"""What can be picked on the page's map: lines, boxes and legs, each with the name of its story.

See `live` for the map they lie on.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely
from bokeh.core.properties import value
from bokeh.models import ColumnDataSource, TapTool

from searcher.brief import shapes
from searcher.brief.labels import INK, PAPER
from searcher.brief.shapes import Plane
from searcher.brief.sheet import FRONT_STYLES, TROLL
from searcher.brief.words import named_boxes, ports_of
from searcher.plan import Plan
from searcher.tables import RUNS
from searcher.trip.model import Finish, Port

if TYPE_CHECKING:
    from bokeh.models import GlyphRenderer
    from bokeh.plotting import figure

FONT = "system-ui, sans-serif"
#: dashes of the kinds of lines on the screen, as `sheet.FRONT_STYLES` in print
DASHES = {"temperature break": "solid", "color change": [2, 3], "convergence line": [8, 4]}


def write(
    plot: figure,
    places: Sequence[Any] | np.ndarray,
    texts: Sequence[str],
    *,
    size: str,
    tags: list[str],
    style: str = "normal",
    align: str = "center",
    offset: tuple[int, int] = (0, 0),
) -> None:
    """Texts on the map, on a pale ground of their own."""
    x, y = np.transpose(places) if len(places) else ([], [])
    plot.text(
        x=x,
        y=y,
        text=texts,
        text_font=value(FONT),
        text_font_size=size,
        text_font_style=style,
        text_color=INK,
        background_fill_color=PAPER,
        background_fill_alpha=0.75,
        padding=2,
        text_align=align,
        text_baseline="middle",
        x_offset=offset[0],
        y_offset=offset[1],
        tags=tags,
    )


def _pick(plot: figure, renderer: GlyphRenderer, **selected: Any) -> None:
    """Let a renderer be picked; it then shows what is picked, and leaves the rest as it is."""
    renderer.nonselection_glyph = None
    picked = renderer.glyph.clone()
    picked.update(**selected)
    renderer.selection_glyph = picked
    (tap,) = (tool for tool in plot.tools if isinstance(tool, TapTool))
    tap.renderers = [*(tap.renderers if isinstance(tap.renderers, list) else []), renderer]


def draw_lines(plot: figure, plane: Plane, plan: Plan) -> None:
    """Lines by kind and strength, on bands of where they may be."""
    bands = [
        shapes.band(line, doubt)
        for line, doubt in zip(plan.fronts.geometry, plan.fronts["doubt"], strict=True)
    ]
    pairs = [shapes.polygons(plane, shapely.MultiPolygon(shapely.get_parts(band).tolist())) for band in bands]
    plot.multi_polygons(
        [x for xs, _ in pairs for x in xs],
        [y for _, ys in pairs for y in ys],
        fill_color="#777777",
        fill_alpha=0.35,
        line_color="#555555",
        line_width=0.6,
        tags=["doubt"],
        visible=False,
    )
    for kind, (color, _) in FRONT_STYLES.items():
        rows = np.flatnonzero(plan.fronts["kind"] == kind)
        parts = [(k, part) for k in rows for part in shapely.get_parts(plan.fronts.geometry.iloc[k])]
        xs, ys = shapes.paths(plane, [part for _, part in parts])
        data = {"xs": xs, "ys": ys, "story": [f"line-{k}" for k, _ in parts]}
        source = ColumnDataSource(data, name=f"{kind}s")
        plot.multi_line("xs", "ys", source=source, line_color=PAPER, line_width=5, tags=["lines"])
        line = plot.multi_line(
            "xs",
            "ys",
            source=source,
            line_color=color,
            line_width=2.6,
            line_dash=DASHES[kind],
            tags=["lines"],
        )
        _pick(plot, line, line_width=6)


def draw_boxes(plot: figure, plane: Plane, plan: Plan) -> None:
    """Boxes, and the ranks of those that are named."""
    ranks = [int(rank) for rank in plan.boxes["rank"]]
    named = named_boxes(plan)
    xs, ys = shapes.rings(plane, plan.boxes.geometry)
    data = {
        "xs": xs,
        "ys": ys,
        "story": [f"box-{rank}" for rank in ranks],
        "wide": [2.0 if rank in named else 1.0 for rank in ranks],
        "ink": [1.0 if rank in named else 0.55 for rank in ranks],
    }
    source = ColumnDataSource(data, name="boxes")
    patches = plot.patches(
        "xs",
        "ys",
        source=source,
        fill_color=PAPER,
        fill_alpha=0.1,
        line_color=INK,
        line_alpha="ink",
        line_width="wide",
        tags=["boxes"],
    )
    _pick(plot, patches, line_width=4.5, line_alpha=1.0, fill_alpha=0.45)
    rows = [row for row in plan.boxes.itertuples() if int(row.rank) in named]
    middles = [
        plane.xy(*shapely.line_interpolate_point(row.line, 0.5, normalized=True).coords[0]) for row in rows
    ]
    if rows:
        x, y = np.transpose(middles)
        discs = {"x": x, "y": y, "story": [f"box-{int(row.rank)}" for row in rows]}
        source = ColumnDataSource(discs, name="ranks")
        disc = plot.scatter(
            "x",
            "y",
            source=source,
            size=24,
            fill_color=PAPER,
            line_color=INK,
            line_width=1.6,
            tags=["boxes"],
            level="annotation",
        )
        _pick(plot, disc, line_width=4)
        plot.text(
            x=x,
            y=y,
            text=[str(int(row.rank)) for row in rows],
            text_font=value(FONT),
            text_font_size="15px",
            text_font_style="bold",
            text_color=INK,
            text_align="center",
            text_baseline="middle",
            tags=["boxes"],
            level="annotation",
        )


def draw_route(plot: figure, plane: Plane, plan: Plan) -> None:
    """Legs, what is trolled in yellow on black, ports and sea buoys."""
    legs = plan.legs
    running = legs["kind"].isin(RUNS).to_numpy()
    xs, ys = shapes.paths(plane, list(legs.geometry))
    data = {
        "xs": xs,
        "ys": ys,
        "story": [f"leg-{k}" for k in range(len(legs))],
        "color": np.where(running, INK, TROLL),
        "wide": np.where(running, 2.2, 3.2),
    }
    source = ColumnDataSource(data, name="legs")
    casing = np.where(running, 5.0, 6.0)
    under = np.where(running, PAPER, INK)
    plot.multi_line(xs, ys, line_color=under.tolist(), line_width=casing.tolist(), tags=["route"])
    line = plot.multi_line("xs", "ys", source=source, line_color="color", line_width="wide", tags=["route"])
    _pick(plot, line, line_width=8)
    for these, size, fill, edge in ((running, 14, INK, PAPER), (~running, 11, TROLL, INK)):
        x, y, angle = shapes.headings(plane, legs.geometry[these])
        plot.scatter(
            x,
            y,
            angle=angle,
            marker="triangle",
            size=size,
            fill_color=fill,
            line_color=edge,
            line_width=1,
            tags=["route"],
        )
    for port in ports_of(plan):
        _draw_port(plot, plane, plan, port)


def _draw_port(plot: figure, plane: Plane, plan: Plan, port: Port | Finish) -> None:
    """A port, a square, and its sea buoy, a diamond, with their names."""
    places = [plane.xy(*port.at), plane.xy(*port.sea_buoy)]
    for (x, y), marker in zip(places, ("square", "diamond"), strict=True):
        plot.scatter([x], [y], marker=marker, size=11, fill_color=INK, line_color=PAPER, tags=["port"])
    # a port lies at an edge of its map: its name goes the other way
    west = port.at[0] < plan.range_polygon.centroid.x if not plan.range_polygon.is_empty else True
    side: dict[str, Any] = {"align": "left" if west else "right", "tags": ["port"]}
    aside = -7 if west else 7
    write(plot, [places[0]], [port.name], size="14px", style="bold", offset=(aside, -16), **side)
    write(plot, [places[1]], ["sea buoy"], size="12px", offset=(aside, 15), **side)


def draw_cross(plot: figure) -> None:
    """The cross in the middle that reads values for who steers by keys."""
    source = ColumnDataSource({"x": [0.0], "y": [0.0]}, name="cross")
    plot.scatter(
        "x",
        "y",
        source=source,
        marker="cross",
        size=26,
        line_color=INK,
        line_width=2,
        visible=False,
        tags=["cross"],
        level="annotation",
    )
