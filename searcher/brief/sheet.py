"""What stands around the map: title, data times, colour scale, legend, cautions, credits."""

from __future__ import annotations

import textwrap

import numpy as np
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch

from searcher import tables
from searcher.brief.labels import INK, PAPER, halo
from searcher.brief.words import cautions_of, credits_of, turn_words
from searcher.plan import Plan
from searcher.units import LABELS, from_unit

#: colour and dash of each kind of line: dark enough on every shade, told apart by dash without colour
FRONT_STYLES = {
    tables.TEMPERATURE_BREAK: ("#0047ab", "-"),
    tables.COLOR_CHANGE: ("#00684a", (0, (1.2, 0.9))),
    tables.CONVERGENCE_LINE: ("#a3005c", (0, (4, 1.6))),
}
LAND, SHORE, UNSEEN, HATCH, VEIL = "#e9e2d0", "#5a5142", "#dcdcdc", "#8f8f8f", "#55555588"
CLOSED, TROLL = "#b3261e", "#ffd400"
RANGE_DASH = (0, (6, 2, 1, 2))
#: current of the key arrow in each unit
KEY_CURRENT = {"kn": 1.0, "kmh": 2.0, "ms": 0.5}
ROW = 0.185


class Sheet:
    """A sheet of `figure`'s size, laid out in inches: title, map, keys and, with `words`, cautions."""

    def __init__(self, figure: Figure, plan: Plan, *, words: bool) -> None:
        self.figure, self.plan = figure, plan
        self.wide, self.high = figure.get_size_inches()
        self.font = 9.0 if words else 8.5
        self.left, right = (0.62, 0.25) if words else (0.5, 0.12)
        self.span = self.wide - self.left - right
        self.columns = max(2, int(self.span / 1.78))
        self.cautions = self._wrapped_cautions() if words else []
        self.foot = 0.3 + 0.155 * len(self.cautions) if words else 0.02
        rows = -(-10 // self.columns)
        self.keys = self.foot + 0.12 + ROW * rows
        below, above = self.keys + 0.86, (1.12 if words else 0.12)
        self.map_size = (self.span, self.high - above - below)
        self.map_box = self._box(self.left, below, *self.map_size)

    def _box(self, x: float, y: float, wide: float, high: float) -> tuple[float, float, float, float]:
        return (x / self.wide, y / self.high, wide / self.wide, high / self.high)

    def _fit(self, font: float, share: float = 0.53) -> int:
        """How many characters of a size fit across; `share` is their mean width in ems."""
        return int(self.span * 72 / (font * share))

    def _wrapped_cautions(self) -> list[str]:
        width = self._fit(self.font - 0.5)
        texts = [textwrap.wrap(f"• {text}", width, subsequent_indent="  ") for text in cautions_of(self.plan)]
        return [line for lines in texts for line in lines]

    def draw_keys(self, shades, arrows, *, older: bool) -> None:
        """The colour scale, the current arrow and the legend, below the map."""
        bar = self.figure.add_axes(self._box(self.left, self.keys + 0.42, 0.74 * self.span, 0.13))
        fitting = 0.74 * self.span / 0.5  # labels of up to half an inch
        ticks = shades.steps[:: int(np.ceil(shades.steps.size / fitting))]
        scale = self.figure.colorbar(shades, cax=bar, orientation="horizontal", extend="both", ticks=ticks)
        bar.set_xticklabels([f"{tick:g}" for tick in ticks])
        bar.tick_params(labelsize=self.font, length=2, pad=2)
        bar.minorticks_off()
        scale.outline.set_linewidth(0.6)
        unit = self.plan.trip.show.temperature
        scale.set_label(f"Sea temperature, °{unit}", fontsize=self.font, labelpad=1)
        if arrows is not None:
            self._draw_current_key(arrows)
        spot = (self.left / self.wide, (self.keys + 0.02) / self.high)
        self.figure.legend(
            handles=self._handles(older),
            loc="upper left",
            bbox_to_anchor=spot,
            ncols=self.columns,
            fontsize=self.font,
            frameon=False,
            borderaxespad=0,
            borderpad=0,
            handlelength=2.1,
            columnspacing=1.0,
            labelspacing=0.3,
        )

    def _draw_current_key(self, arrows) -> None:
        unit = self.plan.trip.show.speed
        amount = KEY_CURRENT[unit]
        x, y = self.left + 0.87 * self.span, self.keys + 0.49
        arrows.axes.quiverkey(
            arrows,
            x / self.wide,
            y / self.high,
            from_unit(amount, unit),
            f"current {amount:g} {LABELS[unit]}",
            coordinates="figure",
            labelpos="S",
            labelsep=0.06,
            fontproperties={"size": self.font},
            color=INK,
        )

    def _handles(self, older: bool) -> list:
        """One legend entry for each thing that is on this map."""
        plan, present = self.plan, set(self.plan.fronts["kind"])
        casing = [halo(4.6, INK)[0]]
        styles = [(kind, *FRONT_STYLES[kind]) for kind in tables.FRONT_KINDS if kind in present]
        handles = [
            Line2D([], [], color=c, linestyle=dash, linewidth=2.4, label=kind) for kind, c, dash in styles
        ]
        handles += [
            Line2D([], [], color=TROLL, linewidth=2.6, path_effects=casing, label="troll"),
            Line2D([], [], color=INK, linewidth=1.5, label="run"),
            Line2D([], [], color=INK, linewidth=1.3, linestyle=RANGE_DASH, label="fuel range"),
            Patch(facecolor=PAPER, edgecolor=INK, linewidth=1.1, label="search box, rank"),
            Patch(facecolor=UNSEEN, edgecolor=HATCH, hatch="////", linewidth=0, label="no clear view"),
        ]
        if older:
            handles.append(
                Patch(facecolor=PAPER, edgecolor=VEIL, hatch="...", linewidth=0, label="older view")
            )
        if not plan.trip.avoid.closed.is_empty:
            handles.append(Patch(facecolor=PAPER, edgecolor=CLOSED, hatch="xxx", label="closed area"))
        return handles

    def draw_words(self, times: str) -> None:
        """Title, hours and data times above; cautions and credits below."""
        show, trip, x = self.plan.trip.show, self.plan.trip, self.left / self.wide
        day = show.local(trip.window.start)
        boat = f" · {trip.boat.name}" if trip.boat.name else ""
        title = f"{trip.port.name} · {day:%A} {day.day} {day:%B %Y}{boat}"
        back = turn_words(self.plan, clock=True)
        hours = (
            f"Leave {show.say_clock(trip.window.start)} · turn for home by {back}"
            f" · home by {show.say_clock(trip.window.end)} {show.local(trip.window.end):%Z}"
            f" · sunrise {show.say_clock(trip.window.sunrise)}, sunset {show.say_clock(trip.window.sunset)}"
        )
        above = [
            (0.34, title, 15.0, "bold", 1, 0.62),
            (0.58, hours, self.font + 1, "normal", 1, 0.54),
            (0.78, times, self.font, "normal", 2, 0.54),
        ]
        for y, text, font, weight, lines, share in above:
            fitted = textwrap.wrap(text, self._fit(font, share), max_lines=lines, placeholder=" …")
            y = 1 - (y - 0.8 * font / 72) / self.high
            self.figure.text(x, y, "\n".join(fitted), fontsize=font, weight=weight, va="top", linespacing=1.2)
        text = {"va": "bottom", "linespacing": 1.2}
        self.figure.text(x, 0.26 / self.high, "\n".join(self.cautions), fontsize=self.font - 0.5, **text)
        credit = textwrap.shorten(credits_of(self.plan), self._fit(self.font - 2.5), placeholder=" …")
        self.figure.text(x, 0.1 / self.high, credit, fontsize=self.font - 2.5, va="bottom")
