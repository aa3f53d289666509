"""What stands around the map: title, data times, colour scale, legend, cautions, credits."""

from __future__ import annotations

from typing import Any

import numpy as np
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties
from matplotlib.lines import Line2D
from matplotlib.patches import Patch

from searcher import tables
from searcher.brief.labels import INK, PAPER, halo
from searcher.brief.stories import sun_words
from searcher.brief.words import (
    cautions_of,
    credits_of,
    home_words,
    leave_words,
    leaving,
    ports_words,
    say_hour,
    turn_words,
)
from searcher.plan import Plan
from searcher.tables import say_name
from searcher.units import LABELS, from_unit

#: colour and dash of each kind of line: dark enough on every shade, told apart by dash without colour
FRONT_STYLES: dict[str, tuple[str, Any]] = {
    tables.TEMPERATURE_BREAK: ("#0047ab", "-"),
    tables.COLOR_CHANGE: ("#00684a", (0, (1.2, 0.9))),
    tables.CONVERGENCE_LINE: ("#a3005c", (0, (4, 1.6))),
}
LAND, SHORE, UNSEEN, HATCH, VEIL = "#e9e2d0", "#5a5142", "#dcdcdc", "#8f8f8f", "#55555588"
CLOSED, TROLL = "#b3261e", "#ffd400"
RANGE_DASH = (0, (6, 2, 1, 2))
#: what may be on a map beside the lines, in the order of the legend
TROLLED, RUN, RANGE, BOX = "troll", "run", "fuel range", "search box, rank"
HIDDEN, OLDER, UNREAD, SHUT = "no clear view", "older view", "no data read", "closed area"
#: currents of the key arrow in each unit: the first that is short enough
KEY_CURRENTS = {"kn": (1.0, 0.5, 0.2, 0.1), "kmh": (2.0, 1.0, 0.5, 0.2), "ms": (0.5, 0.2, 0.1, 0.05)}
#: sizes of the title, the largest that fits is taken
TITLES = (15.0, 13.5, 12.0, 11.0)
#: heights of a row of the legend, of the cautions and of the credits; longest key arrow, inches
ROW, LINE, SMALL_LINE, LONGEST_KEY = 0.185, 0.155, 0.12, 0.6


class Sheet:
    """A sheet of `figure`'s size, laid out in inches: title, map, keys and, with `words`, cautions."""

    def __init__(self, figure: Figure, plan: Plan, *, words: bool, keys: bool) -> None:
        self.figure, self.plan, self.has_keys = figure, plan, keys
        self.wide, self.high = figure.get_size_inches()
        self.font = 9.0 if words else 8.5
        self.left, right = (0.62, 0.25) if words else (0.5, 0.12)
        self.span = self.wide - self.left - right
        self.columns = max(2, int(self.span / 1.78))
        self.words = words
        self.cautions = self._wrapped_cautions() if words else []
        self.credits = self.wrap(credits_of(plan), self.font - 2.5) if words else []
        self.credit_top = 0.1 + SMALL_LINE * len(self.credits)
        self.foot = self.credit_top + 0.06 + LINE * len(self.cautions) if words else 0.02
        rows = -(-self._most_entries() // self.columns)
        self.keys = self.foot + 0.12 + ROW * rows
        self.hours = self.wrap(self._hours(), self.font + 0.5, most=2) if words else []
        below, above = self.keys + 0.86 if keys else 0.28, (1.1 + 0.17 * len(self.hours) if words else 0.12)
        self.map_size = (self.span, self.high - above - below)
        self.map_box = self._box(self.left, below, *self.map_size)

    def _box(self, x: float, y: float, wide: float, high: float) -> tuple[float, float, float, float]:
        return (x / self.wide, y / self.high, wide / self.wide, high / self.high)

    def _wide(self, text: str, font: float, weight: str = "normal") -> float:
        """Width of a text on paper, inches."""
        renderer = self.figure.canvas.get_renderer()  # type: ignore[attr-defined]  # of Agg, which has one
        style = FontProperties(size=font, weight=weight)
        text = text.replace("$", r"\$")
        return renderer.get_text_width_height_descent(text, style, False)[0] / self.figure.dpi

    def wrap(self, text: str, font: float, *, weight: str = "normal", most: int | None = None) -> list[str]:
        """Lines of a text that fit across, by their measured widths; what `most` lines cannot hold is cut."""
        lines, line = [], ""
        for word in text.split():
            longer = f"{line} {word}".strip()
            if line and self._wide(longer, font, weight) > self.span:
                lines.append(line)
                longer = word
            line = longer
        lines.append(line)
        if most is not None and len(lines) > most:
            lines = [*lines[: most - 1], f"{lines[most - 1]} …"]
        return [self._cut(line, font, weight) for line in lines]

    def _cut(self, line: str, font: float, weight: str) -> str:
        """A line as far as the paper goes."""
        while self._wide(line, font, weight) > self.span:
            line = line.rstrip("… ")[:-1] + " …"
        return line

    def _wrapped_cautions(self) -> list[str]:
        texts = [self.wrap(f"• {text}", self.font - 0.5) for text in cautions_of(self.plan)]
        return [line if k == 0 else f"  {line}" for lines in texts for k, line in enumerate(lines)]

    def _most_entries(self) -> int:
        """How many entries the legend may need."""
        closed = not self.plan.trip.avoid.closed.is_empty
        routed = 0 if self.plan.legs.empty else 2
        return self.plan.fronts["kind"].nunique() + routed + 2 + 3 + closed

    def draw_keys(self, shades: Any, arrows: Any, shown: set[str]) -> None:
        """The colour scale (if there are `shades`), the current arrow and the legend of what is `shown`."""
        if shades is not None:
            self._draw_scale(shades)
        if arrows is not None:
            self._draw_current_key(arrows)
        spot = (self.left / self.wide, (self.keys + 0.02) / self.high)
        self.figure.legend(
            handles=_handles(shown),
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

    def _draw_scale(self, shades: Any) -> None:
        bar = self.figure.add_axes(self._box(self.left, self.keys + 0.42, 0.7 * self.span, 0.13))
        fitting = 0.7 * self.span / 0.5  # labels of up to half an inch
        ticks = shades.steps[:: int(np.ceil(shades.steps.size / fitting))]
        style = {"orientation": "horizontal", "extend": shades.extend, "spacing": "uniform", "ticks": ticks}
        scale = self.figure.colorbar(shades.mappable, cax=bar, **style)
        bar.set_xticklabels([f"{tick:g}" for tick in ticks])
        bar.tick_params(labelsize=self.font, length=2, pad=2)
        bar.minorticks_off()
        scale.outline.set_linewidth(0.6)
        scale.set_label(shades.label, fontsize=self.font, labelpad=1)

    def _draw_current_key(self, arrows: Any) -> None:
        unit = self.plan.trip.show.speed
        longest = LONGEST_KEY * arrows.scale  # the scale is in m/s per inch
        amounts = KEY_CURRENTS[unit]
        amount = next((a for a in amounts if from_unit(a, unit) <= longest), amounts[-1])
        x, y = self.left + 0.88 * self.span, self.keys + 0.49
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

    def draw_words(self, times: str, subject: str = "") -> None:
        """Title with the map's `subject`, hours and data times above; cautions and credits below."""
        trip, x, font = self.plan.trip, self.left / self.wide, self.font
        day = trip.show.local(leaving(self.plan))
        boat = f" · {trip.boat.name}" if trip.boat.name else ""
        about = f"{subject} · " if subject else ""
        title = f"{about}{ports_words(self.plan)} · {day:%A} {day.day} {day:%B %Y}{boat}"
        fitting = (size for size in TITLES if self._wide(title, size, "bold") <= self.span)
        large = next(fitting, TITLES[-1])
        above = [
            (0.34, self.wrap(title, large, weight="bold", most=1), large, "bold"),
            (0.58, self.hours, font + 0.5, "normal"),
            (0.61 + 0.17 * len(self.hours), self.wrap(times, font, most=3), font, "normal"),
        ]
        for y, lines, size, weight in above:
            y = 1 - (y - 0.8 * size / 72) / self.high
            self._write(x, y, lines, size, weight=weight, va="top")
        self._write(x, self.credit_top / self.high, self.cautions, font - 0.5, va="bottom")
        self._write(x, 0.07 / self.high, self.credits, font - 2.5, va="bottom")

    def _write(self, x: float, y: float, lines: list[str], size: float, **style: Any) -> None:
        text = "\n".join(lines)
        self.figure.text(x, y, text, fontsize=size, linespacing=1.2, parse_math=False, **style)

    def _hours(self) -> str:
        """The hours of the day as one text."""
        show, window = self.plan.trip.show, self.plan.trip.window
        turn = f" · turn for home by {turn_words(self.plan, clock=True)} from the last box"
        later = leave_words(self.plan)
        return (
            f"{'No route · leave' if self.plan.legs.empty else 'Leave'} {show.say_clock(leaving(self.plan))}"
            f"{'' if self.plan.legs.empty else turn}"
            f" · {'home' if self.plan.trip.finish is None else f'in {home_words(self.plan)}'} "
            f"by {say_hour(self.plan, window.end)} {show.local(window.end):%Z}"
            f" · {sun_words(self.plan)}"
            f"{f' · {later}' if later else ''}"
        )


def _handles(shown: set[str]) -> list[Any]:
    """One legend entry for each thing that is on the map."""
    casing = [halo(4.6, INK)[0]]
    handles = [
        *(
            Line2D([], [], color=c, linestyle=d, linewidth=2.4, label=say_name(k))
            for k, (c, d) in FRONT_STYLES.items()
        ),
        Line2D([], [], color=TROLL, linewidth=2.6, path_effects=casing, label=TROLLED),
        Line2D([], [], color=INK, linewidth=1.5, label=RUN),
        Line2D([], [], color=INK, linewidth=1.3, linestyle=RANGE_DASH, label=RANGE),
        Patch(facecolor=PAPER, edgecolor=INK, linewidth=1.1, label=BOX),
        Patch(facecolor=UNSEEN, edgecolor=HATCH, hatch="////", linewidth=0, label=HIDDEN),
        Patch(facecolor=PAPER, edgecolor=VEIL, hatch="...", linewidth=0, label=OLDER),
        Patch(facecolor=PAPER, edgecolor=HATCH, linewidth=0.6, label=UNREAD),
        Patch(facecolor=PAPER, edgecolor=CLOSED, hatch="xxx", label=SHUT),
    ]
    return [handle for handle in handles if handle.get_label() in shown]
