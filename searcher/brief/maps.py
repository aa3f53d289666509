"""The map of a plan, for print and for the page (cartopy; the coast is `searcher.geo.land`)."""

from __future__ import annotations

import os
import textwrap
from pathlib import Path
from typing import TYPE_CHECKING, overload

import numpy as np
import shapely
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.backends.backend_pdf import PdfPages
from matplotlib.figure import Figure

from searcher import geo
from searcher.brief import layers
from searcher.brief.frame import Frame, draw_graticule, draw_scale
from searcher.brief.labels import PAPER, Label, place_labels
from searcher.brief.sheet import Sheet
from searcher.brief.subjects import Subject, subject_of, subjects_of
from searcher.brief.words import named_boxes, ports_of
from searcher.errors import SearcherError
from searcher.files import whole_file
from searcher.geo import Region
from searcher.plan import Plan
from searcher.tables import RUNS

if TYPE_CHECKING:
    from cartopy.mpl.geoaxes import GeoAxes

A4 = (8.27, 11.69)
ENDINGS = ("png", "pdf")
AROUND = ("reach", "route", "boxes")
#: a closer view is worth a sheet of its own where it shows all this much larger, or more
CLOSER = 1.5


@overload
def draw_map(
    plan: Plan,
    path: None = None,
    *,
    dpi: int = ...,
    size: tuple[float, float] = ...,
    words: bool = ...,
    around: str = ...,
    subject: str = ...,
    keys: bool = ...,
) -> Figure: ...
@overload
def draw_map(
    plan: Plan,
    path: str | os.PathLike[str],
    *,
    dpi: int = ...,
    size: tuple[float, float] = ...,
    words: bool = ...,
    around: str = ...,
    subject: str = ...,
    keys: bool = ...,
) -> Path: ...
def draw_map(
    plan: Plan,
    path: str | os.PathLike[str] | None = None,
    *,
    dpi: int = 150,
    size: tuple[float, float] = A4,
    words: bool = True,
    around: str = "reach",
    subject: str = "plan",
    keys: bool = True,
) -> Path | Figure:
    """Draw the plan's map; write it to `path` (PNG or PDF by its ending) or, without one, return the Figure.

    `size` is (width, height) in inches; it is turned on its side where the region shows larger so. `words`
    adds the title, data times, cautions and credits around the map, `keys` (always with words) the legend
    and scales. `around` is "reach", to show all that the fuel allows, the "route", or the "boxes" it works.
    `subject` is "plan" (all that matters for the day), or only "temperature",
    "currents" with where they close in, "floating" matter, or "ranking" of the boxes. Boxes of the route and
    the best of the others carry their rank. In a PDF the field is an image and all else is vectors. Raises
    `SearcherError` if the file cannot be written, or the plan has no map of floating matter to draw.
    """
    ending = "png" if path is None else Path(path).suffix.lstrip(".").lower()
    if ending not in ENDINGS:
        raise SearcherError(
            "the map is written as PNG or PDF", given=Path(path or "").name, expected=".png or .pdf"
        )
    if around not in AROUND:
        raise SearcherError("what to draw the map around", given=around, expected=" or ".join(AROUND))
    figure = _figure(plan, _seen(subject_of(plan, subject), around), size, dpi, words, around, keys or words)
    if path is None:
        return figure
    with whole_file(path) as partial:
        figure.savefig(partial, format=ending, dpi=dpi)
    return Path(path)


def draw_maps(plan: Plan, path: str | os.PathLike[str], *, dpi: int = 150) -> Path:
    """Write the maps of all subjects of `draw_map` there are data for, a sheet each, as one PDF.

    After the first comes that of the boxes that are worked, where it shows them much larger.
    Raises `SearcherError` if the file cannot be written.
    """
    if Path(path).suffix.lower() != ".pdf":
        raise SearcherError("maps are written together as PDF", given=Path(path).name, expected=".pdf")
    with whole_file(path) as partial, PdfPages(partial) as pages:
        sheets = [(subject, "reach") for subject in subjects_of(plan)]
        if is_closer(plan, "reach"):
            sheets.insert(1, (_seen(subject_of(plan, "plan"), "boxes"), "boxes"))
        for subject, around in sheets:
            pages.savefig(_figure(plan, subject, A4, dpi, True, around, True), dpi=dpi)
    return Path(path)


def _figure(
    plan: Plan, subject: Subject, size: tuple[float, float], dpi: int, words: bool, around: str, keys: bool
) -> Figure:
    region = map_region(plan, around=around)
    sizes = [size, size[::-1]] if words and size[0] < size[1] else [size]
    sheets = [_sheet(plan, s, dpi, words, keys) for s in sizes]
    sheet = max(sheets, key=lambda sheet: _inches_per_metre(sheet.map_size, region))
    _compose(sheet, plan, region, subject)
    return sheet.figure


def _seen(subject: Subject, around: str) -> Subject:
    """A subject as it is drawn: near by, outlines of boxes that lie upon each other hide what is trolled."""
    return subject._replace(outlines=False) if around == "boxes" else subject


def _sheet(plan: Plan, size: tuple[float, float], dpi: int, words: bool, keys: bool) -> Sheet:
    figure = Figure(figsize=size, dpi=dpi, facecolor=PAPER)
    FigureCanvasAgg(figure)
    return Sheet(figure, plan, words=words, keys=keys)


def map_region(plan: Plan, *, around: str = "reach") -> Region:
    """The box around what is to be seen, with a margin.

    The "boxes" are those worked and what is trolled, the "route" is all legs and the ports besides, and the
    "reach" all named boxes and the fuel range as well. Without legs each is the "reach".
    """
    whole, legs = around == "reach" or plan.legs.empty, plan.legs
    close = around == "boxes" and not (whole or legs["kind"].isin(RUNS).all())
    ranks = named_boxes(plan) if whole else set(legs["box"])
    shapes = [
        *(legs.geometry[~legs["kind"].isin(RUNS)] if close else legs.geometry),
        *plan.boxes.geometry[plan.boxes["rank"].isin(ranks)],
    ]
    if not close:
        shapes += [shapely.Point(place) for port in ports_of(plan) for place in (port.at, port.sea_buoy)]
    if whole:
        shapes.append(plan.range_polygon)
    west, south, east, north = shapely.total_bounds([s for s in shapes if not s.is_empty])
    box = Region(float(west), float(south), float(east), float(north))
    high = geo.distance(geo.Place(west, south), geo.Place(west, north))
    return box.grown(max(0.05 * high, 3000.0))


def is_closer(plan: Plan, than: str) -> bool:
    """Whether the worked boxes by themselves are shown much larger than around the "route" or "reach"."""
    near, far = (_inches_per_metre(A4, map_region(plan, around=around)) for around in ("boxes", than))
    return near > CLOSER * far


def _inches_per_metre(size: tuple[float, float], region: Region) -> float:
    """How large paper of a size (inches) can show a region."""
    middle = region.centre
    wide = geo.distance(geo.Place(region.west, middle.lat), geo.Place(region.east, middle.lat))
    high = geo.distance(geo.Place(middle.lon, region.south), geo.Place(middle.lon, region.north))
    return min(size[0] / wide, size[1] / high)


def _compose(sheet: Sheet, plan: Plan, region: Region, subject: Subject) -> None:
    """Lay the sheet out: the map in the middle, the rest around it."""
    frame = Frame(region, aspect=sheet.map_size[0] / sheet.map_size[1])
    ax: GeoAxes = sheet.figure.add_axes(sheet.map_box, projection=frame.projection)
    ax.set_extent(frame.extent, crs=frame.projection)
    ax.autoscale(False)
    named = set(plan.boxes["rank"]) if subject.all_ranks else named_boxes(plan)
    picture = subject.shade(ax, frame, plan)
    soundings = layers.draw_depth(ax, frame, plan, sheet.font)
    layers.draw_ground(ax, frame, plan)
    arrows = layers.draw_currents(ax, frame, plan) if subject.currents else None
    layers.draw_fronts(ax, frame, plan, subject.lines)
    fill = picture.shading if subject.all_ranks else None
    outlined = subject.boxes and subject.outlines
    marks = layers.draw_boxes(ax, frame, plan, named, fill) if outlined else np.empty((0, 2))
    if subject.route:
        marks = np.concatenate([marks, layers.draw_route(ax, frame, plan)])
    layers.draw_port(ax, frame, plan)
    draw_graticule(ax, frame, size=sheet.font - 1)
    taken = draw_scale(ax, frame, plan.trip.show, marks, size=sheet.font)
    blocked = np.concatenate([marks, np.repeat(soundings, 10, axis=0)])
    labels = _labels(frame, plan, named if subject.boxes else set())
    place_labels(ax, labels, blocked, size=sheet.font + 1, taken=(taken,))
    if sheet.has_keys:
        sheet.draw_keys(picture.shading, arrows, subject.legend(layers.shown(frame, plan, picture.view)))
    if sheet.words:
        sheet.draw_words(picture.words, subject.title)


def _labels(frame: Frame, plan: Plan, named: set[int]) -> list[Label]:
    """The ranks of the named boxes, best first, where they are trolled; then ports and sea buoys."""
    labels = []
    trolled = plan.legs[plan.legs["kind"] == "troll"].drop_duplicates("box").set_index("box").geometry
    for box in plan.boxes[plan.boxes["rank"].isin(named)].sort_values("rank").itertuples():
        line = trolled.get(box.rank, box.line)
        middle = frame.shape(shapely.line_interpolate_point(line, 0.5, normalized=True))
        if frame.holds(middle.x, middle.y):
            labels.append(Label(str(box.rank), middle.x, middle.y, disc=True))
    names = [spot for port in ports_of(plan) for spot in ((port.name, port.at), ("sea buoy", port.sea_buoy))]
    for name, place in names:
        x, y = frame.xy(*place)
        labels.append(
            Label(textwrap.shorten(name, 28, placeholder="…"), float(x), float(y), bold=name != "sea buoy")
        )
    return labels
