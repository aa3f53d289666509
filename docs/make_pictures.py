"""Draw the pictures of the pages, from the built-in sea: `python docs/make_pictures.py [NAME ...]`.

They are kept in the repository, so that building the pages stays quick. Run this again when what they show
changes, and look at them.
"""

from __future__ import annotations

import io
import sys
import tempfile
from functools import cache
from pathlib import Path

import cmocean.cm
import matplotlib

matplotlib.use("agg")
import matplotlib.pyplot as plt
import numpy as np
import shapely
import xarray as xr
from PIL import Image, ImageColor
from scipy.spatial import KDTree

import searcher as sr
from searcher.boxes import shoulder
from searcher.brief.sheet import CLOSED, FRONT_STYLES, TROLL
from searcher.carry import DEBRIS, WEED, Seen, make_drift, scatter
from searcher.drift import drift_line
from searcher.effort import share_effort, yield_of
from searcher.fronts import find_temperature_breaks
from searcher.geo import LocalPlane, Place, Region, land
from searcher.learn import measure_offsets, shift_lines
from searcher.reach import thirds_circle
from searcher.sea import to_seconds
from searcher.tables import CONVERGENCE_LINE, TEMPERATURE_BREAK

PICTURES = Path(__file__).parent / "pictures"
#: colours told apart with any colour sight (Okabe & Ito 2008, https://jfly.uni-koeln.de/color/)
ORANGE, SKY, GREEN, BLUE, RED, PINK = "#e69f00", "#56b4e9", "#009e73", "#0072b2", "#d55e00", "#cc79a7"
#: most bytes of a picture
MOST = 200_000
KM, MILE, HOUR = 1000.0, 1852.0, 3600.0


@cache
def morning():
    """The trip, sea, truth and plan of the demonstration."""
    with tempfile.TemporaryDirectory() as folder:
        sr.write_builtin_files(folder)
        trip = sr.read_trip(folder)
        sea = sr.load_sea(trip.region, trip.window, sources=trip.sources).load()
        plan = sr.make_plan(trip, sea)
    return trip, sea, sr.make_builtin_sea()[1], plan


def map_of(axes, box: Region):
    """Axes over a box, with its land; a mile is as long in either direction."""
    for part in shapely.get_parts(land(box)):
        axes.fill(*part.exterior.xy, color="0.75", zorder=2, lw=0)
    stretch = 1 / np.cos(np.radians(box.centre.lat))
    axes.set(xlim=(box.west, box.east), ylim=(box.south, box.north), aspect=stretch)
    axes.set(xlabel="longitude, °E", ylabel="latitude, °N")
    return axes


def draw(axes, lines, label="", **style):
    """Lines, of which the first carries the label."""
    for line in lines:
        for part in shapely.get_parts(line):
            if not part.is_empty:
                axes.plot(*part.xy, label=label, **style)
                label = ""


def outline(axes, area, label="", **style):
    draw(axes, [part.exterior for part in shapely.get_parts(area)], label, **style)


NEAR = Region(152.9, -30.95, 154.1, -29.75)


def fronts():
    """The map of the temperature, with the lines found in it and in the currents."""
    _, sea, _, _ = morning()
    surface = sea["surface"]["sst"].isel(time=0)
    lines = sr.find_fronts(sea)
    figure, axes = plt.subplots(figsize=(7.4, 5.6), layout="constrained")
    mesh = axes.pcolormesh(surface["lon"], surface["lat"], surface, cmap=cmocean.cm.thermal, rasterized=True)
    figure.colorbar(mesh, label="°C, each piece of water as last seen", shrink=0.85)
    box = Region(*(float(surface[k][j]) for k, j in (("lon", 0), ("lat", 0), ("lon", -1), ("lat", -1))))
    map_of(axes, box)
    for kind, color, name in (
        (TEMPERATURE_BREAK, "white", "temperature breaks"),
        (CONVERGENCE_LINE, GREEN, "lines where currents gather matter"),
    ):
        draw(axes, lines.geometry[lines["kind"] == kind], name, color=color, lw=2)
    axes.fill([], [], facecolor="white", label="unseen")
    axes.legend(loc="lower right", facecolor="0.3", labelcolor="white", framealpha=0.9)
    return figure


def section():
    """What a break is like across: the pixels of one picture beside it, and the tanh step fitted to them."""
    _, sea, _, _ = morning()
    picture = sea["temperature"]["sst"].isel(time=-1, drop=True)
    rows = find_temperature_breaks(picture)
    best = max(rows, key=lambda row: row["step"] / row["step_doubt"] * min(row["length"] / 40e3, 1.0))
    line = best["geometry"]
    stretch = shapely.ops.substring(line, 0.45, 0.6, normalized=True)
    away, value = beside(picture, stretch)
    half = best["width"] / 2
    x = np.linspace(-14e3, 14e3, 281)
    middle = np.median(value[np.abs(away) < 1500])
    figure, axes = plt.subplots(figsize=(7.4, 4.0), layout="constrained")
    axes.plot(
        away / KM, value, ".", color="0.55", ms=4, label="pixels of one picture beside 15 % of the line"
    )
    label = f"step {best['step']:.2f} ± {best['step_doubt']:.2f} °C"
    axes.plot(x / KM, middle + best["step"] / 2 * np.tanh(x / half), color=RED, lw=2, label=label)
    axes.axvspan(-half / KM, half / KM, color=BLUE, alpha=0.12, label=f"width {best['width'] / KM:.1f} km")
    side = shoulder(best["step"], best["strength"])
    axes.axvline(-side / KM, color=GREEN, ls="--", label="cold shoulder, where boxes are laid")
    axes.set(xlim=(-14, 14), xlabel="km across the line, warm side to the right", ylabel="°C")
    axes.legend(loc="upper left")
    return figure


def beside(picture: xr.DataArray, line) -> tuple[np.ndarray, np.ndarray]:
    """Distances (m, warm side positive) and values of the pixels abreast of a line."""
    plane = LocalPlane(Place(*shapely.get_coordinates(shapely.centroid(line))[0]))
    flat = plane.to_plane(line)
    lon, lat = np.meshgrid(picture["lon"], picture["lat"])
    points = plane.to_plane(shapely.points(lon.ravel(), lat.ravel()))
    along = shapely.line_locate_point(flat, points)
    far = shapely.distance(flat, points)
    left = shapely.contains(shapely.buffer(flat, 20e3, single_sided=True), points)
    keep = (along > 0) & (along < flat.length) & (far < 14e3) & np.isfinite(picture.values.ravel())
    return np.where(left, far, -far)[keep], picture.values.ravel()[keep]


def density():
    """Where floating matter is reckoned to lie, beside where it lies in the truth."""
    trip, sea, truth, _ = morning()
    at = trip.window.start
    found = sr.floating_density(sea, at=at, region=NEAR)
    pieces = truth["floating"].sel(time=at, method="nearest")
    figure, (left, right) = plt.subplots(1, 2, figsize=(9.6, 5.6), layout="constrained", sharey=True)
    logs = np.log(found["density"].clip(min=0.1))
    mesh = left.pcolormesh(
        found["lon"], found["lat"], logs, cmap=cmocean.cm.matter, vmin=-0.5, vmax=2, rasterized=True
    )
    figure.colorbar(mesh, ax=[left, right], label="ln of the density", shrink=0.4, location="bottom")
    left.set_title("Reckoned from coarse currents and breaks")
    right.plot(pieces["lon"], pieces["lat"], ".", color="k", ms=1.1, alpha=0.5, mew=0)
    right.set_title("The truth: pieces of floating matter")
    for axes in (left, right):
        map_of(axes, NEAR)
    right.set_ylabel("")
    return figure


def drift():
    """Breaks, weed and debris carried for half a day, with the doubt that grows."""
    trip, sea, _, _ = morning()
    lines = sr.find_fronts(sea)
    breaks = lines[(lines["kind"] == TEMPERATURE_BREAK) & (lines["length"] > 60e3)]
    flow, start = make_drift(sea), float(to_seconds(trip.window.start))
    figure, axes = plt.subplots(figsize=(7.4, 6.6), layout="constrained")
    map_of(axes, NEAR)
    for hours, color in {0: "0.6", 6: SKY, 12: BLUE}.items():
        moved = [drift_line(line, flow, start, start + hours * HOUR) for line in breaks.geometry]
        draw(axes, moved, f"breaks after {hours} h" if hours else "breaks", color=color, lw=1.8)
    lon, lat = np.array([153.62]), np.array([-30.1])
    seen = Seen(np.zeros(1, int), np.array([300.0]), np.zeros(1))
    axes.plot(lon, lat, "*", color="k", ms=13, label="weed and debris, seen here")
    for name, leeway, colors in (("weed", WEED, (ORANGE, RED)), ("debris", DEBRIS, (PINK, "#5d3a9b"))):
        for hours, color in zip((6, 12), colors, strict=True):
            until = start + hours * HOUR
            x, y, _ = scatter(flow, lon, lat, start, until, seen, leeway=leeway, members=200)
            label = f"{name} after {hours} h, 200 guesses"
            axes.plot(x[0], y[0], "o", color=color, ms=3, alpha=0.6, mew=0, label=label)
    axes.legend(loc="lower right", framealpha=0.95, fontsize=8.5)
    return figure


def reach():
    """The reach of the demonstration's boat, beside the circle of the rule of thirds."""
    trip, _, _, plan = morning()
    circle = thirds_circle(trip)
    west, south, east, north = circle.bounds
    box = Region(west - 0.08, south - 0.08, east + 0.08, north + 0.08)
    field = plan.reach
    figure, axes = plt.subplots(figsize=(8.2, 7.2), layout="constrained")
    within = field["time_out"].where(field["reachable"]) / HOUR
    mesh = axes.pcolormesh(field["lon"], field["lat"], within, cmap="cividis_r", rasterized=True)
    figure.colorbar(mesh, label="hours out, where the boat also gets home", shrink=0.8)
    map_of(axes, box)
    outline(axes, plan.range_polygon, "within reach: out, an hour's work, home", color="k", lw=2.2)
    outline(axes, circle, "circle of the rule of thirds", color=RED, lw=1.8, ls="--")
    if trip.avoid.closed is not None:
        outline(axes, trip.avoid.closed, "closed area", color=PINK, lw=1.5)
    draw_currents(axes, field, box)
    axes.legend(loc="lower left", framealpha=0.95)
    return figure


def draw_currents(axes, field: xr.Dataset, box: Region):
    """Arrows of the mean current, every so many cells."""
    every = max(int(0.13 / float(field["lon"][1] - field["lon"][0])), 1)
    few = field.isel(lat=slice(None, None, every), lon=slice(None, None, every))
    few = few.where(~few["blocked"].astype(bool))
    few = few.sel(lon=slice(box.west, box.east), lat=slice(box.south, box.north))
    arrows = axes.quiver(few["lon"], few["lat"], few["u"], few["v"], color="0.1", scale=28, width=0.0026)
    axes.quiverkey(arrows, 0.86, 0.04, 1.0, "current 1 m/s", labelpos="N")


def zermelo():
    """An even current: what a slow boat reaches, and what is left of the tank if it turns at a third."""
    toward = np.radians(np.arange(361))
    figure, (left, right) = plt.subplots(1, 2, figsize=(10, 4.8), layout="constrained")
    left.plot(*circle_of(60.0, toward), "--", color=RED, label="thirds circle (no current)")
    for current, color in ((1.5, SKY), (3.0, BLUE)):
        radius = out_and_home(8.0, current, toward, 2 * 60.0 / 8.0)
        left.plot(*circle_of(radius, toward), color=color, label=f"in reach, current {current:g} kn")
    left.annotate("", (0, -20), (0, 20), arrowprops={"arrowstyle": "->", "lw": 2})
    left.text(3, 0, "current", va="center")
    left.set(aspect=1, title="Out and home at 8 kn on two thirds", xlabel="nmi east", ylabel="nmi north")
    left.legend(loc="center", bbox_to_anchor=(0.5, 0.24), fontsize=8)
    for speed, color in ((20.0, BLUE), (12.0, GREEN), (8.0, ORANGE)):
        kept = 1 - 1 / 3 - over_ground(speed, 3.0, toward) / over_ground(speed, 3.0, toward + np.pi) / 3
        right.plot(np.degrees(toward), 100 * kept, color=color, label=f"{speed:g} kn")
    right.axhline(100 / 3, color=RED, ls="--", label="the third to be kept")
    right.axhline(0, color="k", lw=1)
    right.set(xlim=(0, 360), xticks=range(0, 361, 45), xlabel="way out, degrees from upstream")
    right.set(title="Turning at a third, current 3 kn", ylabel="% of the tank left at home")
    right.legend(loc="lower right", fontsize=8)
    return figure


def circle_of(radius, toward):
    return radius * np.sin(toward), radius * np.cos(toward)


def over_ground(speed, current, toward):
    """Speed over the ground towards bearings (rad) in a current that sets south: √(s² - c⊥²) + c∥."""
    return np.sqrt(speed**2 - (current * np.sin(toward)) ** 2) - current * np.cos(toward)


def out_and_home(speed, current, toward, time):
    """Distance that can be gone towards bearings (rad) and come back from in a time."""
    out, home = over_ground(speed, current, toward), over_ground(speed, current, toward + np.pi)
    return time / (1 / out + 1 / home)


def effort():
    """How a day's hours are shared among boxes that are worked out, and what that yields."""
    rate, fading = np.array([1.2, 0.8, 0.5, 0.3]), np.array([0.8, 0.5, 0.35, 0.3])
    hours = np.linspace(0, 8, 161)
    shares = np.array([share_effort(rate, fading, total) for total in hours])
    figure, (left, right) = plt.subplots(1, 2, figsize=(9.6, 3.8), layout="constrained")
    colors = (BLUE, GREEN, ORANGE, PINK)
    left.stackplot(hours, shares.T, colors=colors, labels=[f"{r:g} an hour at first" for r in rate])
    left.set(
        xlabel="hours to troll", ylabel="hours given to each box", title="The rule: leave all at one rate"
    )
    left.legend(loc="upper left", fontsize=8)
    right.plot(hours, yield_of(rate, fading, shares).sum(axis=1), color="k", label="shared by the rule")
    even = yield_of(rate, fading, hours[:, None] / 4 * np.ones(4)).sum(axis=1)
    right.plot(hours, even, color="0.5", ls="--", label="the same time in each")
    right.plot(hours, yield_of(rate[0], fading[0], hours), color=BLUE, ls=":", label="all in the best")
    right.set(xlabel="hours to troll", ylabel="encounters to be expected", title="What it yields")
    right.legend(fontsize=8)
    return figure


def shift():
    """A break met off its forecast place shifts the lines near it."""
    _, _, _, plan = morning()
    lines = plan.fronts[(plan.fronts["kind"] == TEMPERATURE_BREAK) & (plan.fronts["length"] > 20e3)]
    first = lines.iloc[int(np.argmin(shapely.distance(lines.geometry.values, shapely.Point(153.6, -30.35))))]
    met = abreast(first.geometry, 2 * MILE)
    sightings = (
        lines.iloc[:1].assign(kind=TEMPERATURE_BREAK).set_geometry([shapely.Point(met)], crs=lines.crs)
    )
    offsets = measure_offsets(lines, sightings)
    moved = shift_lines(lines, offsets)
    figure, axes = plt.subplots(figsize=(7.4, 6.2), layout="constrained")
    west, north = met[0] - 0.42, met[1] + 0.36
    map_of(axes, Region(west, north - 0.72, west + 0.84, north))
    draw(axes, lines.geometry, "breaks as forecast", color="0.55", lw=1.6, ls="--")
    draw(axes, moved.geometry, "after the sighting", color=BLUE, lw=2)
    axes.plot(*met, "*", color=RED, ms=15, label="the break was met here")
    said = "\n".join(
        f"{old / MILE:.1f} nmi -> {new / MILE:.1f} nmi"
        for old, new in zip(lines["doubt"], moved["doubt"], strict=True)
    )
    print("doubt before -> after:\n" + said)
    axes.legend(loc="upper left", framealpha=0.95)
    return figure


def abreast(line, away: float) -> np.ndarray:
    """A place `away` m to the left of a line's middle."""
    plane = LocalPlane(Place(*shapely.get_coordinates(line.interpolate(0.5, normalized=True))[0]))
    flat = plane.to_plane(line)
    here, ahead = (shapely.get_coordinates(flat.interpolate(s, normalized=True))[0] for s in (0.48, 0.52))
    along = (ahead - here) / np.hypot(*(ahead - here))
    place = (here + ahead) / 2 + away * np.array([-along[1], along[0]])
    return shapely.get_coordinates(plane.to_degrees(shapely.Point(place)))[0]


def day():
    """The printed map of the plan, which the README shows too."""
    return sr.draw_map(morning()[3])


DRAWN = {
    draw.__name__: draw for draw in (fronts, section, density, drift, reach, zermelo, effort, shift, day)
}
#: pictures that stand elsewhere
PLACES = {"day": PICTURES.parent / "morning.png"}


def few_colors(image: Image.Image) -> Image.Image:
    """A picture of 256 colours. Paper, ink and lines keep theirs: so rare, two of them would become one."""
    names = ["white", "black", *(color for color, _ in FRONT_STYLES.values()), CLOSED, TROLL]
    kept = np.array([ImageColor.getrgb(name) for name in names])
    others = image.quantize(256 - len(kept), dither=Image.Dither.NONE).getpalette()
    palette = np.vstack([kept, np.reshape(others, (-1, 3))])
    colors, which = np.unique(np.asarray(image).reshape(-1, 3), axis=0, return_inverse=True)
    nearest = KDTree(palette).query(colors)[1].astype(np.uint8)
    made = Image.frombytes("P", image.size, nearest[which].tobytes())
    made.putpalette(palette.astype(np.uint8).tobytes())
    return made


def save(figure, path: Path) -> None:
    """A PNG, of few colours where it would be big; raises `ValueError` where it is too big to keep."""
    raw = io.BytesIO()
    figure.savefig(raw, dpi=100, metadata={"Software": None})
    plt.close(figure)
    image = Image.open(raw).convert("RGB")
    image.save(path, optimize=True)
    if path.stat().st_size > MOST:
        few_colors(image).save(path, optimize=True)
    size = path.stat().st_size
    print(f"{path.name}: {size / 1000:.0f} kB")
    if size > MOST:
        raise ValueError(f"{path} has {size} bytes, expected at most {MOST}")


if __name__ == "__main__":
    PICTURES.mkdir(exist_ok=True)
    for name in sys.argv[1:] or DRAWN:
        save(DRAWN[name](), PLACES.get(name, PICTURES / f"{name}.png"))
