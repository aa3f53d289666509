"""The map of the desk: that of the page, with buttons to move about in it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any

from bokeh.models import (
    Button,
    CheckboxGroup,
    Column,
    CustomJS,
    CustomJSTickFormatter,
    Div,
    InlineStyleSheet,
    Row,
)

from searcher.brief.live import draw_live
from searcher.brief.page import LAYERS
from searcher.plan import Plan

if TYPE_CHECKING:
    from bokeh.models import ColumnDataSource

#: metres of the map to degrees and minutes along an edge; `seaWords` is `readout.js` of the page
WRITE_DEGREES = """
const { longitude, latitude, minutes } = seaWords.placesOf(lon);
return side === "lon" ? minutes(longitude(tick), "EW", 1) : minutes(latitude(tick), "NS", 1);
"""
#: what the sea says at the pointer, or in the middle when a button has moved the map; told without the server
READ_POINTER = """
if (cross.visible) cross.visible = false;
readout.setv({ text: seaWords.reader(live, fields)(cb_obj.x, cb_obj.y) }, { sync: false });
"""
READ_MIDDLE = """
const { x, y } = cb_obj.data;
readout.setv({ text: seaWords.reader(live, fields)(x[0], y[0]) }, { sync: false });
"""
HINT = "Move over the map, or touch it, for position, temperature, current, floating matter and depth."
STEP, ZOOM = 0.25, 1.5
#: ticks along an edge to aim at: more would run into one another on a phone
MOST_TICKS = 3


class Chart:
    """The map of one plan after another; which layers are on stays as it was, and what is looked at too, but
    for a route or worked boxes that would no longer be seen whole."""

    def __init__(self, style: InlineStyleSheet) -> None:
        self.layers = CheckboxGroup(
            labels=[label for _, label, _ in LAYERS],
            active=[k for k, (_, _, on) in enumerate(LAYERS) if on],
            inline=True,
            stylesheets=[style],
        )
        self.layers.on_change("active", lambda _name, _was, _now: self._switch())
        # of the plan that was drawn last
        self.plot: Any = None
        self.facts: Any = None
        self.cross: Any = None
        self.style, self.buttons = style, self._buttons(style)
        self.box = Column(self.layers, self.buttons, sizing_mode="stretch_width")

    def show(self, plan: Plan) -> None:
        """Draw a plan."""
        before, facts = self.plot, self.facts
        self.plot, self.facts = draw_live(plan)
        for axis, side in ((self.plot.xaxis, "lon"), (self.plot.yaxis, "lat")):
            axis.ticker.desired_num_ticks = MOST_TICKS
            axis.formatter = CustomJSTickFormatter(
                args={"lon": self.facts["lon"], "side": side}, code=WRITE_DEGREES
            )
        if before is None or self.facts["lon"] != facts["lon"]:
            self._look(self.facts["view"])
        else:
            for name in ("x_range", "y_range"):
                was = getattr(before, name)
                getattr(self.plot, name).update(start=was.start, end=was.end)
            self._keep_in_sight(facts)
        self._fit()
        self._switch()
        self.box.children = [self.layers, self.buttons, self._readout(), self.plot]

    def _keep_in_sight(self, before: dict[str, Any]) -> None:
        """Move the frame where what it showed whole, the route or the worked boxes, stands out of it now."""
        shown = next((name for name in ("view", "near") if self._holds(before[name])), None)
        if shown is not None and not self._holds(self.facts[shown]):
            self._look(self.facts[shown])

    def _holds(self, bounds: Sequence[float]) -> bool:
        """Whether the frame holds all of some bounds (west, south, east, north), but for rounding."""
        west, south, east, north = bounds
        sides = (self.plot.x_range, west, east), (self.plot.y_range, south, north)
        return all(side.start <= low + 1.0 and high - 1.0 <= side.end for side, low, high in sides)

    def mark(self, *, old: bool) -> None:
        """Frame the map where it is that of an earlier plan."""
        # what a style leaves out stays as it was in the browser
        edge, room = ("8px solid #8a1c12", "8px") if old else ("none", "0")
        self.box.styles = {"border-left": edge, "padding-left": room}

    def on_pick(self, tell: Callable[[int], None]) -> None:
        """Call `tell` with the number of a box that is picked on the map."""
        for name in ("boxes", "ranks"):
            source = self.plot.select_one({"name": name})
            if source is not None:
                source.selected.on_change("indices", _picker(source, tell))

    def _readout(self) -> Div:
        """What the sea says at a place of the map that is shown, told as one points there."""
        told = Div(
            text=HINT,
            render_as_text=True,
            html_attributes={"role": "status", "aria-label": "Values at this place"},
            styles={"min-height": "2.9em", "font-weight": "600", "font-variant-numeric": "tabular-nums"},
            stylesheets=[self.style],
            sizing_mode="stretch_width",
        )
        self.cross = next(renderer for renderer in self.plot.renderers if "cross" in renderer.glyph.tags)
        live = {name: self.facts[name] for name in ("lon", "boxes", "units")}
        parts = {"readout": told, "cross": self.cross, "live": live}
        parts["fields"] = self.plot.select_one({"name": "fields"})
        for event in ("mousemove", "tap"):
            self.plot.js_on_event(event, CustomJS(args=parts, code=READ_POINTER))
        self.cross.data_source.js_on_change("data", CustomJS(args=parts, code=READ_MIDDLE))
        return told

    def _aim(self) -> None:
        """Put the cross in the middle, for who moves the map by keys."""
        sides = self.plot.x_range, self.plot.y_range
        x, y = ((side.start + side.end) / 2 for side in sides)
        self.cross.visible = True
        self.cross.data_source.data = {"x": [x], "y": [y]}

    def _fit(self) -> None:
        """As high as it is wide, whatever the width: the scale is the same both ways."""
        self.plot.sizing_mode = "stretch_width"
        self.plot.aspect_ratio = 0.9

    def _look(self, bounds: Sequence[float]) -> None:
        """Show all of some bounds (west, south, east, north) at one scale both ways."""
        west, south, east, north = bounds
        half = 0.53 * max(east - west, 0.9 * (north - south))
        x, y = (west + east) / 2, (south + north) / 2
        self.plot.x_range.update(start=x - half, end=x + half)
        self.plot.y_range.update(start=y - half / 0.9, end=y + half / 0.9)

    def _move(self, across: float, up: float) -> None:
        for side, share in ((self.plot.x_range, across), (self.plot.y_range, up)):
            by = share * (side.end - side.start)
            side.update(start=side.start + by, end=side.end + by)

    def _zoom(self, factor: float) -> None:
        for side in (self.plot.x_range, self.plot.y_range):
            middle, half = (side.start + side.end) / 2, factor * (side.end - side.start) / 2
            side.update(start=middle - half, end=middle + half)

    def _switch(self) -> None:
        if self.plot is None:
            return
        on = {LAYERS[k][0] for k in self.layers.active}
        names = {name for name, _, _ in LAYERS}
        for renderer in self.plot.renderers:
            tags = names & set(renderer.glyph.tags)
            if tags:
                renderer.visible = bool(tags & on)

    def _buttons(self, style: InlineStyleSheet) -> Row:
        acts = (
            ("Zoom in", lambda: self._zoom(1 / ZOOM)),
            ("Zoom out", lambda: self._zoom(ZOOM)),
            ("West", lambda: self._move(-STEP, 0)),
            ("East", lambda: self._move(STEP, 0)),
            ("North", lambda: self._move(0, STEP)),
            ("South", lambda: self._move(0, -STEP)),
            ("Worked boxes", lambda: self._look(self.facts["near"])),
            ("Route", lambda: self._look(self.facts["view"])),
            ("Whole range", lambda: self._look(self.facts["whole"])),
        )
        made = []
        for label, act in acts:
            button = Button(label=label, stylesheets=[style], width_policy="min")
            button.on_click(act)
            button.on_click(self._aim)
            made.append(button)
        return Row(*made, sizing_mode="stretch_width", spacing=6, styles={"flex-wrap": "wrap"})


def _picker(
    source: ColumnDataSource, tell: Callable[[int], None]
) -> Callable[[str, list[int], list[int]], None]:
    def pick(_name: str, _before: list[int], picked: list[int]) -> None:
        if picked:
            tell(int(source.data["story"][picked[0]].removeprefix("box-")))

    return pick
