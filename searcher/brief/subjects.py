"""What the printed maps are about: which field is shaded, what is drawn upon it, and what is said of it."""

from __future__ import annotations

from collections.abc import Callable, Collection
from typing import TYPE_CHECKING, NamedTuple

from searcher.brief import fields, layers
from searcher.brief.fields import View
from searcher.brief.frame import Frame
from searcher.brief.layers import Shading
from searcher.brief.sheet import BOX, HIDDEN, OLDER, RANGE, RUN, SHUT, TROLLED, UNREAD
from searcher.brief.words import cold_side_words, data_words, line_words
from searcher.errors import SearcherError
from searcher.plan import Plan
from searcher.tables import COLOR_CHANGE, CONVERGENCE_LINE, FRONT_KINDS, TEMPERATURE_BREAK, say_name

if TYPE_CHECKING:
    from cartopy.mpl.geoaxes import GeoAxes


class Picture(NamedTuple):
    """What was shaded, the view of the temperature if that is what was, and what hours it stands for."""

    shading: Shading | None
    view: View | None
    words: str


class Subject(NamedTuple):
    """A map: its title, how its field is shaded, and what is drawn upon it."""

    title: str
    shade: Callable[[object, Frame, Plan], Picture]
    lines: Collection[str] = FRONT_KINDS
    currents: bool = True
    boxes: bool = True
    route: bool = True
    all_ranks: bool = False
    outlines: bool = True

    def legend(self, shown: set[str]) -> set[str]:
        """Of all that might be explained, what is on this map."""
        drawn = {say_name(kind) for kind in self.lines} | {RANGE, SHUT, HIDDEN, OLDER, UNREAD}
        drawn |= {BOX} if self.boxes and self.outlines else set()
        drawn |= {TROLLED, RUN} if self.route else set()
        return shown & drawn


def _temperature(ax: GeoAxes, frame: Frame, plan: Plan) -> Picture:
    view = fields.newest_view(plan, frame.region)
    label = f"Sea temperature, °{plan.trip.show.temperature}"
    seen = f"Temperature seen {data_words(plan, 'temperature')}"
    if view.older.any():
        seen += f"; where dotted, back to {plan.trip.show.say_time(view.first)}"
    return Picture(layers.draw_temperature(ax, frame, view, label), view, seen)


def _plan(ax: GeoAxes, frame: Frame, plan: Plan) -> Picture:
    picture = _temperature(ax, frame, plan)
    lines = line_words(plan)
    drawn = f"; {lines}" if lines else ""
    hours = f"{picture.words}. Currents for {plan.trip.show.say_time(plan.trip.window.start)}{drawn}."
    return picture._replace(words=f"{hours} {cold_side_words(plan)}".rstrip())


def _breaks(ax: GeoAxes, frame: Frame, plan: Plan) -> Picture:
    picture = _temperature(ax, frame, plan)
    lines = line_words(plan)
    return picture._replace(words=f"{picture.words}{f'; {lines}' if lines else ''}.")


def _currents(ax: GeoAxes, frame: Frame, plan: Plan) -> Picture:
    field = fields.convergence_field(plan, frame.region)
    shading = None if field is None else layers.draw_convergence(ax, frame, field)
    when = plan.trip.show.say_time(plan.trip.window.start)
    return Picture(shading, None, f"Currents for {when}. Where the surface closes in, what floats gathers.")


def _floating(ax: GeoAxes, frame: Frame, plan: Plan) -> Picture:
    field = fields.floating_field(plan, frame.region)
    shading = None if field is None else layers.draw_floating(ax, frame, field)
    assert plan.floating is not None  # see `subject_of`
    when = plan.trip.show.say_time(plan.floating["time"].values.max())
    blind = plan.floating.attrs.get("blind_to", "")
    how = f"Floating matter reckoned for {when} from currents, wind and fronts of the days before"
    return Picture(shading, None, f"{how}; {blind}." if blind else f"{how}.")


def _ranking(ax: GeoAxes, frame: Frame, plan: Plan) -> Picture:  # noqa: ARG001  the field is in the boxes
    words = "Boxes by the rate of encounters that is expected in them; numbers are ranks."
    return Picture(layers.shade_boxes(plan), None, words)


SUBJECTS = {
    "plan": Subject("", _plan),
    "temperature": Subject(
        "Temperature and breaks", _breaks, (TEMPERATURE_BREAK, COLOR_CHANGE), False, False, False
    ),
    "currents": Subject("Currents", _currents, (CONVERGENCE_LINE,), True, False, False),
    "floating": Subject("Floating matter", _floating, FRONT_KINDS, True, True, False),
    "ranking": Subject("Ranking", _ranking, (), False, True, True, True),
}


def subject_of(plan: Plan, name: str) -> Subject:
    """A subject by its name; raises `SearcherError` for one that is not known or has no data."""
    if name not in SUBJECTS:
        raise SearcherError("what a map is about", given=name, expected=", ".join(SUBJECTS))
    if name == "floating" and plan.floating is None:
        raise SearcherError(
            "map of floating matter", given="a plan without one", expected="a plan made by make_plan"
        )
    return SUBJECTS[name]


def subjects_of(plan: Plan) -> list[Subject]:
    """The subjects there are data for."""
    return [subject for name, subject in SUBJECTS.items() if name != "floating" or plan.floating is not None]
