"""The map: that every layer is on the sheet, in its place, and nothing stands on anything else."""

from __future__ import annotations

import io
import re
import shutil
import subprocess
from dataclasses import replace

import brief_plan
import cartopy.crs as ccrs
import matplotlib.image
import numpy as np
import pytest
import shapely
import xarray as xr
from matplotlib.quiver import QuiverKey
from pyproj import Geod, Transformer

from searcher import brief, geo, units
from searcher.brief import colors, fields, frame, layers, maps, page, words
from searcher.brief.sheet import LAND, TROLL, UNSEEN
from searcher.errors import SearcherError
from searcher.tables import empty_table

GEOD = Geod(ellps="WGS84")
SIZE = (5.0, 6.0)


@pytest.fixture(scope="module")
def plan():
    return brief_plan.make_plan()


def pixels(plan, **options) -> np.ndarray:
    """A small map of a plan as (rows, columns, 3) of 0..255."""
    figure = brief.draw_map(plan, size=SIZE, dpi=60, **{"words": False, **options})
    figure.canvas.draw()
    return np.asarray(figure.canvas.buffer_rgba())[..., :3].astype(int)


def count(image: np.ndarray, color: str) -> int:
    wanted = [int(color[k : k + 2], 16) for k in (1, 3, 5)]
    return int((np.abs(image - wanted).max(axis=-1) <= 3).sum())


def without(plan, name):
    """The plan without one layer."""
    nodes = {key: node.to_dataset() for key, node in plan.sea.children.items()}
    if name == "depth":
        return replace(plan, sea=xr.DataTree.from_dict({k: v for k, v in nodes.items() if k != "depth"}))
    if name == "currents":
        still = nodes["currents"].assign(u=nodes["currents"]["u"] * 0, v=nodes["currents"]["v"] * 0)
        return replace(plan, sea=xr.DataTree.from_dict({**nodes, "currents": still}))
    if name == "temperature":
        flat = nodes["temperature"].assign(sst=nodes["temperature"]["sst"] * 0 + 24.0)
        return replace(plan, sea=xr.DataTree.from_dict({**nodes, "temperature": flat}))
    if name == "closed area":
        avoid = plan.trip.avoid.model_copy(update={"closed": shapely.MultiPolygon()})
        return replace(plan, trip=plan.trip.model_copy(update={"avoid": avoid}))
    if name == "fuel range":  # moved up to where the frame of the map stays as it is
        return replace(plan, range_polygon=shapely.box(*plan.range_polygon.bounds))
    return replace(plan, **{name: getattr(plan, name).iloc[:-3]})


@pytest.mark.parametrize(
    "name", ["temperature", "depth", "currents", "closed area", "fuel range", "fronts", "boxes", "legs"]
)
def test_every_layer_leaves_its_mark(plan, name):
    changed = (pixels(plan) != pixels(without(plan, name))).any(axis=-1).sum()
    assert changed > 60


def test_land_is_where_the_coast_says(plan):
    """Share of land in the frame: pixels against the coast's polygons in Mercator, within 2 %."""
    figure = brief.draw_map(plan, size=SIZE, dpi=100, words=False)
    figure.canvas.draw()
    image = np.asarray(figure.canvas.buffer_rgba())[..., :3].astype(int)
    chart = maps.map_region(plan)
    ax = figure.axes[0]
    made = frame.Frame(chart, aspect=ax.bbox.width / ax.bbox.height)
    to_mercator = Transformer.from_crs(4326, 3395, always_xy=True)  # World Mercator, not ours
    shore = shapely.transform(
        geo.land(made.region), lambda xy: np.column_stack(to_mercator.transform(xy[:, 0], xy[:, 1]))
    )
    west, south, east, north = made.region
    x, y = to_mercator.transform([west, east], [south, north])
    share = shore.area / ((x[1] - x[0]) * (y[1] - y[0]))
    box = ax.bbox
    inside = image[-int(box.y1) : -int(box.y0), int(box.x0) : int(box.x1)]
    bar = 0.06  # the scale bar and the port's name stand on land
    assert share - bar < count(inside, LAND) / inside[..., 0].size < share + 0.02


def test_trolling_is_drawn_and_only_where_there_is_some(plan):
    assert count(pixels(plan), TROLL) > 40
    running = replace(plan, legs=plan.legs[plan.legs["kind"].isin(["run", "home"])])
    key = count(pixels(brief_plan.empty_plan()), TROLL)
    assert count(pixels(running), TROLL) <= key + 2


def test_frame_is_true_mercator():
    """Against World Mercator (EPSG:3395): the same coordinates but for the central meridian."""
    made = frame.Frame(geo.Region(150.0, -33.0, 154.0, -29.0), aspect=0.8)
    x, y = made.xy([151.0, 153.5], [-32.0, -29.5])
    there = Transformer.from_crs(4326, 3395, always_xy=True).transform([151.0, 153.5], [-32.0, -29.5])
    np.testing.assert_allclose(np.diff(x), np.diff(there[0]), rtol=1e-9)
    np.testing.assert_allclose(y, there[1], rtol=1e-9)
    west, east, south, north = made.extent
    assert (east - west) / (north - south) == pytest.approx(0.8)
    assert made.region.west <= 150.0
    assert made.region.north >= -29.0


def test_frame_spans_180_degrees():
    made = frame.Frame(geo.Region(178.0, -20.0, 183.0, -16.0), aspect=1.0)
    x, _ = made.xy([179.0, 180.0, 181.0, -179.0], -18.0)
    assert x[1] - x[0] == pytest.approx(x[2] - x[1])
    assert x[3] == pytest.approx(x[2])
    assert made.region.west == pytest.approx(178.0)
    assert made.region.east == pytest.approx(183.0)


@pytest.mark.parametrize(("unit", "metres"), [("nm", 1852.0), ("km", 1000.0)])
def test_scale_bar_is_geodesic(plan, unit, metres):
    """The bar against Karney's geodesic at the map's middle latitude."""
    figure = brief.draw_map(plan, size=SIZE, dpi=100, words=False)
    ax = figure.axes[0]
    made = frame.Frame(maps.map_region(plan), aspect=ax.bbox.width / ax.bbox.height)
    before = len(ax.patches), len(ax.texts)
    frame.draw_scale(ax, made, units.Show(distance=unit), np.empty((0, 2)), size=9.0)
    bars = ax.patches[before[0] + 1 : before[0] + 5]
    label = next(text.get_text() for text in ax.texts[before[1] :] if text.get_text()[-1] in "im")
    west, east, *_ = made.extent
    shares = sum(bar.get_width() for bar in bars)
    degrees = shares * (made.region.east - made.region.west)
    middle = made.region.centre
    length = GEOD.inv(middle.lon, middle.lat, middle.lon + degrees, middle.lat)[2]
    assert float(label.split()[0]) * metres == pytest.approx(length, rel=1e-4)
    assert east > west


def labels_on(figure) -> list:
    """Boxes (pixels) of the numbers and names that were placed on the map."""
    renderer = figure.canvas.get_renderer()
    ax = figure.axes[0]
    return [text.get_window_extent(renderer) for text in ax.texts if text.get_zorder() == 16]


@pytest.mark.parametrize("size", [(4.3, 5.7), (8.27, 11.69)])
def test_labels_do_not_overlap(plan, size):
    all_worked = brief_plan.make_legs(plan.trip, plan.boxes, ranks=range(1, 11))
    figure = brief.draw_map(replace(plan, legs=all_worked), size=size, words=size[0] > 5)
    boxes = labels_on(figure)
    assert len(boxes) == len(plan.boxes) + 2
    for k, box in enumerate(boxes):
        assert figure.axes[0].bbox.x0 <= box.x0 < box.x1 <= figure.axes[0].bbox.x1
        assert not any(box.overlaps(other) for other in boxes[:k])


def test_ticks_do_not_overlap_and_stay_on_the_sheet(plan):
    for size in ((4.3, 5.7), (8.27, 11.69)):
        figure = brief.draw_map(plan, size=size, words=size[0] > 5)
        renderer = figure.canvas.get_renderer()
        for axis in (figure.axes[0].xaxis, figure.axes[0].yaxis):
            boxes = [label.get_window_extent(renderer) for label in axis.get_ticklabels()]
            assert len(boxes) >= 2
            assert all(not a.overlaps(b) for k, a in enumerate(boxes) for b in boxes[:k])
            assert all(b.x0 >= 0 and b.x1 <= figure.bbox.width and b.y1 <= figure.bbox.height for b in boxes)


def words_of(figure) -> str:
    legends = [text.get_text() for legend in figure.legends for text in legend.get_texts()]
    return " ".join([*(text.get_text() for text in figure.texts), *legends, figure.axes[1].get_xlabel()])


def test_sheet_says_when_how_old_and_what_to_beware_of(plan):
    text = " ".join(words_of(brief.draw_map(plan)).split())
    assert "Saturday 17 January 2026" in text
    assert "Temperature seen Fri 16 Jan 13:00 AEDT (16 h old when leaving)" in text
    assert "back to Thu 15 Jan 13:00 AEDT" in text
    assert "turn for home by 14:20 from the last box" in text
    assert "lines where expected when the boat could first be there, 08:00." in text
    assert "Breaks are trolled on purpose on their cold side" in text
    for caution in brief.cautions_of(plan):
        assert caution in text
    for word in ("temperature break", "gathered matter", "fuel range", "closed area", "no clear view"):
        assert word in text


def test_legend_has_only_what_is_on_the_map(plan):
    bare = words_of(brief.draw_map(brief_plan.empty_plan()))
    assert "fuel range" in bare
    for word in ("temperature break", "gathered matter", "troll", "search box", "no data read"):
        assert word not in bare
    nodes = {name: node.to_dataset() for name, node in plan.sea.children.items()}
    part = nodes["temperature"].sel(lat=slice(-30.5, None))
    # cells whose middle is ashore still show their hatching at the coast
    x, y = np.meshgrid(nodes["temperature"]["lon"], nodes["temperature"]["lat"])
    ashore = shapely.contains_xy(geo.land(plan.trip.region), x, y)
    filled = nodes["temperature"].assign(sst=nodes["temperature"]["sst"].fillna(24.0).where(~ashore))
    clear = replace(plan, sea=xr.DataTree.from_dict({**nodes, "temperature": filled}))
    assert "no clear view" in words_of(brief.draw_map(clear))
    everywhere = filled.assign(sst=filled["sst"].fillna(24.0))
    clear = replace(plan, sea=xr.DataTree.from_dict({**nodes, "temperature": everywhere}))
    assert "no clear view" not in words_of(brief.draw_map(clear))
    half = replace(plan, sea=xr.DataTree.from_dict({**nodes, "temperature": part}))
    assert "no data read" in words_of(brief.draw_map(half))
    near = replace(plan, range_polygon=shapely.box(140.0, -40.0, 170.0, -20.0))
    assert "fuel range" not in words_of(brief.draw_map(near, size=SIZE, words=False, around="route"))
    avoid = plan.trip.avoid.model_copy(update={"closed": shapely.box(10.0, 10.0, 11.0, 11.0)})
    assert "closed area" not in words_of(
        brief.draw_map(replace(plan, trip=plan.trip.model_copy(update={"avoid": avoid})))
    )


def test_ground_without_data_is_plain_and_without_view_hatched(plan):
    """South of the data the paper shows between currents; the hatching's ground does not."""
    nodes = {name: node.to_dataset() for name, node in plan.sea.children.items()}
    hidden = nodes["temperature"].assign(sst=nodes["temperature"]["sst"] * np.nan)
    grounds = []
    for data in (hidden, hidden.sel(lat=slice(-30.3, None))):
        image = pixels(replace(plan, sea=xr.DataTree.from_dict({**nodes, "temperature": data})))
        grounds.append(count(image, UNSEEN))
    assert 0 < grounds[1] < 0.7 * grounds[0]


def test_map_of_the_route_names_what_the_page_lists_of_it(plan):
    """Every box that is worked, and of the best others those that lie about the route."""
    figure = brief.draw_map(plan, size=page.MAP_SIZE, words=False, around="route")
    drawn = {text.get_text() for text in figure.axes[0].texts if text.get_zorder() == 16}
    listed = {str(box["rank"]) for box in page.page_facts(plan)["boxes"]}
    named, worked = {text for text in drawn if text.isdigit()}, {str(box) for box in plan.stays["box"]}
    assert worked <= named <= listed == {"1", "2", "3", "4", "5"}


def test_map_of_the_worked_boxes_numbers_what_is_trolled(plan):
    """Near by, a number stands at its leg, not at a box it lies upon, and all that is trolled is seen."""
    figure = brief.draw_map(plan, size=page.MAP_SIZE, words=False, around="boxes", keys=False)
    drawn = {text.get_text() for text in figure.axes[0].texts if text.get_zorder() == 16}
    assert {text for text in drawn if text.isdigit()} >= {str(box) for box in plan.stays["box"]}
    assert len(figure.axes) == 1  # no scale of colours
    assert not figure.legends
    region = maps.map_region(plan, around="boxes")
    trolled = plan.legs.geometry[plan.legs["kind"] == "troll"]
    assert shapely.contains(shapely.box(*region), trolled).all()
    assert "search box, rank" not in words_of(brief.draw_map(plan, words=False, around="boxes"))
    assert maps.is_closer(plan, "reach")
    assert not maps.is_closer(replace(plan, legs=empty_table("legs")), "reach")


@pytest.mark.parametrize("unit", ["kn", "kmh", "ms"])
@pytest.mark.parametrize("speed", [0.05, 0.2, 1.0, 3.0])
def test_current_key_keeps_clear_of_the_color_bar(plan, speed, unit):
    nodes = {name: node.to_dataset() for name, node in plan.sea.children.items()}
    still = nodes["currents"]
    nodes["currents"] = still.assign(u=still["u"] * 0, v=still["v"] * 0 + speed)
    trip = brief_plan.make_trip(show=f'speed = "{unit}"\ntemperature = "F"')
    flowing = replace(plan, trip=trip, sea=xr.DataTree.from_dict(nodes))
    figure = brief.draw_map(flowing, size=page.MAP_SIZE, words=False)
    figure.canvas.draw()
    key = next(artist for artist in figure.axes[0].artists if isinstance(artist, QuiverKey))
    said = float(key.text.get_text().split()[1])
    metres = {"kn": 1852 / 3600, "kmh": 1000 / 3600, "ms": 1.0}[unit]  # NIST SP 811, B.8
    half = said * metres / key.Q.scale / 2 * figure.dpi
    middle, text = key.X * figure.bbox.width, key.text.get_window_extent()
    assert figure.axes[1].get_tightbbox().x1 < min(middle - half, text.x0)
    assert max(middle + half, text.x1) < figure.bbox.width


def test_credits_are_whole_and_name_the_coast_once(plan):
    long = tuple({**row, "credit": f"{row['credit']} by the {'very ' * 60}kind"} for row in plan.data)
    figure = brief.draw_map(replace(plan, data=long))
    text = " ".join(words_of(figure).split())
    assert f"by the {'very ' * 60}kind." in text
    renderer = figure.canvas.get_renderer()
    boxes = [thing.get_window_extent(renderer) for thing in figure.texts if thing.get_text()]
    assert all(box.x1 <= figure.bbox.width and box.y0 >= 0 for box in boxes)
    assert not any(a.overlaps(b) for k, a in enumerate(boxes) for b in boxes[:k])
    named = tuple({**row, "credit": "Sea of nobody; coast: GSHHG"} for row in plan.data)
    assert words.credits_of(replace(plan, data=named)).count("GSHHG") == 1
    assert words.credits_of(plan).count("GSHHG") == 1


def test_sheet_words_stay_on_the_sheet(plan):
    port = plan.trip.port.model_copy(update={"name": "A Harbour with an Uncommonly Long Name " * 3})
    figure = brief.draw_map(replace(plan, trip=plan.trip.model_copy(update={"port": port})))
    renderer = figure.canvas.get_renderer()
    for thing in (*figure.texts, *figure.legends):
        box = thing.get_window_extent(renderer)
        assert box.x0 >= 0
        assert box.x1 <= figure.bbox.width
        assert box.y0 >= 0
        assert box.y1 <= figure.bbox.height


@pytest.mark.parametrize("name", [r"$$\frac{1}{2}$$", "$ 5 & <b>", r"\alpha$"])
def test_names_are_never_formulas(plan, name):
    port = plan.trip.port.model_copy(update={"name": name})
    figure = brief.draw_map(replace(plan, trip=plan.trip.model_copy(update={"port": port})), size=SIZE)
    figure.canvas.draw()
    assert name in [text.get_text() for text in figure.axes[0].texts]


def test_sheet_speaks_the_skippers_units(plan):
    trip = brief_plan.make_trip(show='temperature = "F"\ndepth = "fathom"\ndistance = "km"\nspeed = "ms"')
    figure = brief.draw_map(replace(plan, trip=trip))
    assert figure.axes[1].get_xlabel() == "Sea temperature, °F"
    ticks = [float(label.get_text()) for label in figure.axes[1].get_xticklabels()]
    assert 70 < ticks[0] < ticks[-1] < 82  # 22 to 27 °C are 71.6 to 80.6 °F
    on_map = [text.get_text() for text in figure.axes[0].texts]
    assert any(text.endswith("fathoms") for text in on_map)
    assert any(text.endswith(" km") for text in on_map)


def test_newest_view_keeps_the_newest_and_marks_the_rest(plan):
    region = maps.map_region(plan)
    view = fields.newest_view(plan, region)
    sst = plan.sea["temperature"]["sst"].sel(lon=view.lon, lat=view.lat).values
    newest = np.isfinite(sst[1])
    np.testing.assert_array_equal(view.values[newest], sst[1][newest])
    np.testing.assert_array_equal(view.values[~newest], sst[0][~newest])
    np.testing.assert_array_equal(view.older, ~newest & np.isfinite(sst[0]))


def test_color_levels_are_even_and_hold_the_middle():
    values = np.random.default_rng(3).normal(24.0, 1.0, 10_000)
    levels = fields.color_levels(values)
    assert np.ptp(np.diff(levels)) < 1e-9
    assert levels[0] <= np.percentile(values, 2) < np.percentile(values, 98) <= levels[-1]
    assert 6 <= levels.size <= 20
    assert fields.color_levels(np.full((3, 3), np.nan)).size > 2
    assert fields.color_levels(np.full((3, 3), 24.0)).size > 2


def test_colors_of_temperature_rise_in_lightness():
    """Perceptually even and legible without colour: CIE L* (CIE 15:2004) rises all the way."""
    from skimage.color import rgb2lab

    lightness = rgb2lab(colors.pale_thermal()(np.linspace(0, 1, 64))[None, :, :3])[0, :, 0]
    assert (np.diff(lightness) > 0).all()
    assert lightness[-1] - lightness[0] > 45


def test_wide_regions_lie_on_their_side(plan):
    wide = replace(plan, range_polygon=shapely.box(150.0, -30.6, 156.0, -29.9))
    figure = brief.draw_map(wide)
    width, height = figure.get_size_inches()
    assert width > height
    assert len(figure.axes[0].get_yticks()) >= 2
    about_as_high = replace(plan, range_polygon=shapely.box(152.0, -31.3, 154.9, -28.9))
    width, height = brief.draw_map(about_as_high).get_size_inches()
    assert width < height


@pytest.mark.parametrize("ending", ["png", "pdf"])
def test_files_open(plan, tmp_path, ending):
    path = brief.draw_map(plan, tmp_path / f"map.{ending}")
    assert [p.name for p in tmp_path.iterdir()] == [path.name]
    if ending == "png":
        height, width, _ = matplotlib.image.imread(path).shape
        assert (width, height) == (1240, 1753)  # A4 at 150 dots per inch: 8.27 × 11.69 in
    elif shutil.which("pdftoppm") is None:
        pytest.skip("no pdftoppm here")
    else:
        command = ["pdftoppm", "-r", "50", "-png", path]
        image = matplotlib.image.imread(
            io.BytesIO(subprocess.run(command, capture_output=True, check=True).stdout)
        )
        assert image.shape[0] > image.shape[1]
        assert image.std() > 0.1


def test_pdf_mesh_is_an_image(plan, tmp_path):
    """Of some 20 000 cells, none is drawn as its own shape."""
    path = brief.draw_map(plan, tmp_path / "map.pdf")
    assert b"/Subtype /Image" in path.read_bytes()
    assert path.stat().st_size < 600_000


def test_maps_of_bare_plans_can_be_drawn():
    bare = brief_plan.empty_plan()
    assert pixels(bare, words=True).std() > 10
    everything_hidden = bare.sea["temperature"].to_dataset()
    everything_hidden["sst"] = everything_hidden["sst"].where(everything_hidden["lon"] < 150)
    nodes = {name: node.to_dataset() for name, node in bare.sea.children.items()}
    sea = xr.DataTree.from_dict({**nodes, "temperature": everything_hidden})
    assert pixels(replace(bare, sea=sea, range_polygon=shapely.MultiPolygon())).std() > 10


def test_map_over_the_antimeridian(plan):
    figure = brief.draw_map(brief_plan.moved(plan, 180.0 - 153.5))
    labels = [label.get_text() for label in figure.axes[0].get_xticklabels()]
    assert any(label.endswith("W") for label in labels)
    assert any(label.endswith("E") for label in labels)
    assert isinstance(figure.axes[0].projection, ccrs.Mercator)


def test_map_at_70_north(plan):
    """Off northern Norway: a minute of longitude is 0.34 of one of latitude (cos 70°), and drawn as such."""
    figure = brief.draw_map(brief_plan.moved(plan, 18.0 - 153.5, 70.3 + 30.3))
    ax = figure.axes[0]
    made = frame.Frame(maps.map_region(brief_plan.moved(plan, 18.0 - 153.5, 70.3 + 30.3)), aspect=1.0)
    (west, east), _ = made.xy([18.0, 18.1], 70.3)
    _, (south, north) = made.xy(18.0, [70.25, 70.35])
    across, up = GEOD.inv(18.0, 70.3, 18.1, 70.3)[2], GEOD.inv(18.0, 70.25, 18.0, 70.35)[2]
    assert (east - west) / (north - south) == pytest.approx(across / up, rel=1e-3)
    assert all(label.get_text().endswith("E") for label in ax.get_xticklabels())
    assert all(label.get_text().endswith("N") for label in ax.get_yticklabels())
    assert len(ax.get_xticks()) >= 2
    assert len(ax.get_yticks()) >= 2


# ---- the maps of one field each

COLOR_BARS = {
    "temperature": "Sea temperature, °C",
    "currents": "Surface closing in (spreading: −), per day",
    "floating": "Floating matter, times the usual",
    "ranking": "Encounters expected per hour",
}


@pytest.mark.parametrize("subject", list(COLOR_BARS))
@pytest.mark.parametrize("where", ["here", "over 180°", "at 70° N"])
def test_maps_of_one_subject(plan, subject, where):
    east, north = {"here": (0, 0), "over 180°": (180.0 - 153.5, 0), "at 70° N": (18.0 - 153.5, 100.6)}[where]
    figure = brief.draw_map(brief_plan.moved(plan, east, north), subject=subject)
    text = " ".join(words_of(figure).split())
    assert COLOR_BARS[subject] in text
    assert "Saturday 17 January 2026" in text
    for caution in brief.cautions_of(plan):
        assert caution in text
    assert "Invented for tests" in text
    on_map = [label.get_text() for label in figure.axes[0].texts]
    assert any(label.endswith(" nmi") for label in on_map)  # the scale
    assert any(label.endswith("m") and label[0].isdigit() for label in on_map)  # depths
    ticks = [label.get_text() for label in figure.axes[0].get_xticklabels()]
    assert len(ticks) >= 2
    assert all(re.fullmatch(r"\d+° \d\d′ [EW]", tick) for tick in ticks)
    figure.canvas.draw()
    assert np.asarray(figure.canvas.buffer_rgba()).std() > 10


@pytest.mark.parametrize(
    ("subject", "drawn", "left_out"),
    [
        ("temperature", ["temperature break", "colour change"], ["gathered matter", "troll", "search box"]),
        ("currents", ["gathered matter"], ["temperature break", "troll", "search box", "no clear view"]),
        ("floating", ["gathered matter", "temperature break", "search box"], ["troll", "no clear view"]),
        ("ranking", ["search box", "troll"], ["temperature break", "no clear view"]),
    ],
)
def test_legends_of_one_subject(plan, subject, drawn, left_out):
    legend = " ".join(t.get_text() for t in brief.draw_map(plan, subject=subject).legends[0].get_texts())
    assert all(word in legend for word in drawn)
    assert not any(word in legend for word in left_out)


def test_closing_in_is_what_the_currents_do(plan):
    """A saddle u = -a x, v = 0 (exact): the surface closes in at a everywhere, here a half per day."""
    nodes = {name: node.to_dataset() for name, node in plan.sea.children.items()}
    data = nodes["currents"]
    rate = 0.5 / 86400
    metres = [GEOD.inv(153.5, lat, 153.6, lat)[2] * 10 for lat in data["lat"].values]  # of a degree
    u = -rate * (data["lon"].values - 153.5) * np.array(metres)[:, None]
    nodes["currents"] = data.assign(u=data["u"] * 0 + u, v=data["v"] * 0)
    squeezed = replace(plan, sea=xr.DataTree.from_dict(nodes))
    field = fields.convergence_field(squeezed, maps.map_region(plan))
    inside = field.values[np.isfinite(field.values)]
    assert inside.size > 100
    assert np.median(inside) == pytest.approx(0.5, rel=2e-3)


def test_ranking_shows_every_rank_and_darker_is_more(plan):
    figure = brief.draw_map(plan, subject="ranking")
    labels = {text.get_text() for text in figure.axes[0].texts if text.get_zorder() == 16}
    assert {str(rank) for rank in plan.boxes["rank"]} <= labels
    shading = layers.shade_boxes(plan)
    shades = shading.mappable.to_rgba(plan.boxes["expected"].to_numpy())[:, :3].sum(axis=1)
    assert (np.diff(shades) >= 0).all()  # rates fall with rank


def test_floating_matter_needs_its_map(plan):
    with pytest.raises(SearcherError, match="map of floating matter"):
        brief.draw_map(replace(plan, floating=None), subject="floating")
    with pytest.raises(SearcherError, match="ranking"):
        brief.draw_map(plan, subject="weather")


@pytest.mark.parametrize(("without", "count"), [((), 6), (("floating",), 5), (("legs",), 5)])
def test_all_maps_are_one_file(plan, tmp_path, without, count):
    """A sheet for every subject, and one of the worked boxes by themselves where there is a route."""
    less = {"floating": None, "legs": empty_table("legs")}
    path = brief.draw_maps(replace(plan, **{name: less[name] for name in without}), tmp_path / "map.pdf")
    data = path.read_bytes()
    assert len(re.findall(rb"/MediaBox", data)) == count
    assert len(data) < 2e6
    assert [p.name for p in tmp_path.iterdir()] == ["map.pdf"]
    with pytest.raises(SearcherError, match="PDF"):
        brief.draw_maps(plan, tmp_path / "map.png")


def test_bare_plans_have_maps_of_every_subject():
    bare = brief_plan.empty_plan()
    for subject in COLOR_BARS:
        assert pixels(bare, words=True, subject=subject).std() > 5


def test_made_map_of_the_temperature_is_shown_with_its_ages(plan):
    """A sea with a `surface` is shown by it; older is what was seen an hour or more before the newest."""
    made = plan.sea["temperature"].to_dataset().isel(time=[-1])
    hours = np.where(made["lat"].values > -30.3, 6.0, 30.0)
    age = xr.zeros_like(made["sst"]) + hours[:, None] * 3600
    surface = made.assign(age=age.assign_attrs(units="s")).assign_coords(time=[plan.trip.window.start])
    nodes = {name: node.to_dataset() for name, node in plan.sea.children.items()}
    view = fields.newest_view(
        replace(plan, sea=xr.DataTree.from_dict({**nodes, "surface": surface})), maps.map_region(plan)
    )
    known = np.isfinite(view.values)
    assert set(np.unique(view.age[known])) == {6 * 3600.0, 30 * 3600.0}
    np.testing.assert_array_equal(view.older[known], (view.age[known] > 7 * 3600))
    assert view.last - view.first == np.timedelta64(24, "h")


def test_nothing_is_left_where_a_map_cannot_be_written(plan, tmp_path):
    with pytest.raises(SearcherError, match="PNG or PDF"):
        brief.draw_map(plan, tmp_path / "map.xyz")
    assert not list(tmp_path.iterdir())
