"""The wishes as things to fill in: every one labelled, and all of it done by keys as well."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from bokeh.models import Button, Column, Div, InlineStyleSheet, Row, Select, Spinner

from searcher.brief.words import say_rate
from searcher.desk.whatif import WhatIf
from searcher.desk.wishes import Wishes, species_of, troll_limits, wishes_of
from searcher.tables import Row as BoxRow
from searcher.tables import say_name
from searcher.trip import Trip
from searcher.trip.model import TROLL_KN
from searcher.units import LABELS, from_unit, to_unit

QUARTER = np.timedelta64(15, "m")
#: quarters of an hour that may be chosen before and after what the trip file says
LEAVE_SPAN, HOME_SPAN = (-16, 24), (-32, 16)


class Form:
    """The widgets, `wishes` of what stands in them, and what they call: `change()`, `write(over)`, `back()`.

    Numbers have no bounds in the browser, which would put another in their place without a word: what cannot
    be is refused in a sentence instead (`wishes`).
    """

    def __init__(
        self,
        trip: Trip,
        style: InlineStyleSheet,
        *,
        change: Callable[[], None],
        write: Callable[[bool], None],
        back: Callable[[], None],
    ) -> None:
        self.trip, self.first = trip, wishes_of(trip)
        self.pinned: set[int] = set()
        self.banned: set[int] = set()
        self._change, self._quiet = change, False
        show, first, part = trip.show, self.first, {"stylesheets": [style], "sizing_mode": "stretch_width"}
        tank = round(to_unit(first.fuel, show.fuel), 1)
        self.fuel = Spinner(title=f"Fuel in the tank, {LABELS[show.fuel]}", value=tank, step=5, **part)
        self.leave = Select(title="Leave at", value=str(first.leave), **part)
        self.leave.options = self._hours(first.leave, LEAVE_SPAN)
        self.home_by = Select(title="Home by", value=str(first.home_by), **part)
        self.home_by.options = self._hours(first.home_by, HOME_SPAN)
        self.bait = Select(title="Bait", value=first.bait, options=list(TROLL_KN), **part)
        self.troll = Spinner(title=f"Trolling speed, {LABELS[show.speed]}", step=0.1, **part)
        self._set_troll(first.troll)
        species = [(name, say_name(name)) for name in species_of(trip)]
        self.species = Select(title="Target", value=first.species, options=species, **part)
        self.which = Select(title="Box", **part)
        pins = [self._button(text, act, style, wide=False) for text, act in self._pin_acts()]
        self.undo = self._button("Take the last change back", back, style)
        self.writers = [
            self._button("Write to a new sub-folder", lambda: write(False), style),
            self._button("Write over the trip's files", lambda: write(True), style),
        ]
        for widget in (self.fuel, self.leave, self.home_by, self.troll, self.species):
            widget.on_change("value", lambda _name, _was, _now: self._changed())
        self.bait.on_change("value", lambda _name, _was, _now: self._new_bait())
        head = Div(text="<h2>Pin or leave out</h2>", **part)
        tail = Div(text="<h2>Files</h2>", **part)
        self.box = Column(
            *(self.fuel, self.leave, self.home_by, self.bait, self.troll, self.species),
            *(head, self.which, Row(*pins, spacing=6), self.undo, tail, *self.writers),
            name="wishes",
            sizing_mode="stretch_width",
        )

    def wishes(self) -> Wishes:
        """What is wished now."""
        first, show = self.first, self.trip.show
        return Wishes(
            fuel=_inside(self.fuel.value, show.fuel, first.fuel, places=1),
            leave=np.datetime64(self.leave.value, "ns"),
            home_by=np.datetime64(self.home_by.value, "ns"),
            bait=self.bait.value,
            troll=_inside(self.troll.value, show.speed, self._usual_troll(), places=2),
            species=self.species.value,
            pinned=frozenset(self.pinned),
            banned=frozenset(self.banned),
        )

    def take(self, wishes: Wishes) -> None:
        """Fill in other wishes, as those of the plan that is shown."""
        self._quiet = True
        self.fuel.value = round(to_unit(wishes.fuel, self.trip.show.fuel), 1)
        self.leave.value, self.home_by.value = str(wishes.leave), str(wishes.home_by)
        self.bait.value, self.species.value = wishes.bait, wishes.species
        self._set_troll(wishes.troll)
        self.pinned, self.banned = set(wishes.pinned), set(wishes.banned)
        self._quiet = False

    def list_boxes(self, found: WhatIf) -> None:
        """The boxes of a plan to choose from; what is pinned and left out of them, or is to be."""
        marks = dict.fromkeys(self.pinned, "pinned, ") | dict.fromkeys(self.banned, "left out, ")
        options = [
            (str(box.rank), f"{box.rank}: {marks.get(int(box.rank), '')}{_say_box(box)}")
            for box in found.plan.boxes.sort_values("rank").itertuples()
        ]
        value = self.which.value
        self.which.options = options
        self.which.value = value if value in dict(options) else (options[0][0] if options else "")

    def choose(self, rank: int) -> None:
        """Choose a box, as one picked on the map."""
        self.which.value = str(rank)

    def allow(self, *, write: bool, back: bool) -> None:
        """Whether there is something to write that is what is wished, and a change to take back."""
        for button in self.writers:
            button.disabled = not write
        self.undo.disabled = not back

    def _pin_acts(self) -> tuple[tuple[str, Callable[[], None]], ...]:
        def mark(pin: bool, ban: bool) -> None:
            if not self.which.value:
                return
            rank = int(self.which.value)
            for marked, wanted in ((self.pinned, pin), (self.banned, ban)):
                (marked.add if wanted else marked.discard)(rank)
            self._changed()

        return (
            ("Pin", lambda: mark(True, False)),
            ("Leave out", lambda: mark(False, True)),
            ("Free", lambda: mark(False, False)),
        )

    def _button(
        self, label: str, act: Callable[[], None], style: InlineStyleSheet, *, wide: bool = True
    ) -> Button:
        size = {"sizing_mode": "stretch_width"} if wide else {"width_policy": "min"}
        button = Button(label=label, stylesheets=[style], **size)
        button.on_click(act)
        return button

    def _hours(self, around: np.datetime64, span: tuple[int, int]) -> list[tuple[str, str]]:
        times = [around + k * QUARTER for k in range(span[0], span[1] + 1)]
        return [(str(time), self.trip.show.say_time(time)) for time in times]

    def _usual_troll(self) -> float:
        """The speed of the trip file, or with another bait the bait's own."""
        same = self.bait.value == self.first.bait
        return self.first.troll if same else troll_limits(self.trip, self.bait.value)[1]

    def _set_troll(self, speed: float) -> None:
        self.troll.value = round(to_unit(speed, self.trip.show.speed), 2)

    def _new_bait(self) -> None:
        if self._quiet:
            return
        self._quiet = True
        self._set_troll(self._usual_troll())
        self._quiet = False
        self._changed()

    def _changed(self) -> None:
        if not self._quiet:
            self._change()


def _say_box(box: BoxRow) -> str:
    return f"{say_name(box.kind)}, {say_rate(box.expected)} per hour"


def _inside(value: float | None, unit: str, usual: float, *, places: int) -> float:
    """The inside value of what was filled in; exactly the usual one where that is what it shows as."""
    if value is None:
        return float("nan")  # nothing was filled in
    return usual if round(value, places) == round(to_unit(usual, unit), places) else from_unit(value, unit)
