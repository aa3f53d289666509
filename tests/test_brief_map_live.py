"""The page's map before any browser sees it: places, shapes, layers, and what is said of lines and stays."""

from __future__ import annotations

import json
from dataclasses import replace

import brief_plan
import numpy as np
import pandas as pd
import pytest
import shapely
from pyproj import Geod, Transformer

from searcher import geo
from searcher.brief import fields, live, maps, shapes, stories
from searcher.geo import Region

GEOD = Geod(ellps="WGS84")


@pytest.fixture(scope="module")
def plan():
    return brief_plan.make_plan()


@pytest.fixture(scope="module")
def made(plan):
    return live.live_map(plan)


# ---- places and shapes


@pytest.mark.parametrize("lon", [-179.4, -3.2, 153.6, 179.7])
@pytest.mark.parametrize("lat", [-62.0, -30.3, 0.0, 70.2])
def test_plane_is_web_mercator_about_a_meridian(lon, lat):
    """Against PROJ's EPSG:3857: the same heights, and eastings counted from the plane's own meridian."""
    plane = shapes.Plane(Region(lon - 1.0, lat - 1.0, lon + 1.0, lat + 1.0))
    there = Transformer.from_crs(4326, 3857, always_xy=True)
    assert plane.lon == round(lon)
    x, y = plane.xy(lon + 0.3, lat)
    assert y == pytest.approx(there.transform(lon, lat)[1], abs=1e-6)
    assert x == pytest.approx(there.transform(lon + 0.3 - plane.lon, lat)[0], abs=1e-6)
    assert plane.lat(y) == pytest.approx(lat, abs=1e-12)


def test_plane_runs_over_180_degrees():
    plane = shapes.Plane(Region(178.0, -20.0, 183.0, -16.0))
    x, _ = plane.xy(np.array([179.0, 180.0, 181.0]), -18.0)
    assert np.diff(x) == pytest.approx(np.radians(1.0) * shapes.RADIUS)


def test_image_puts_every_row_where_it_belongs():
    """At 60 to 72° N a row of the picture holds the value of the nearest latitude of the grid."""
    lon, lat = np.linspace(10.0, 14.0, 41), np.linspace(60.0, 72.0, 121)
    values = np.broadcast_to(lat[:, None], (121, 41)).copy()
    plane = shapes.Plane(Region(10.0, 60.0, 14.0, 72.0))
    image = shapes.image(plane, lon, lat, values, most=10**6)
    x, y, wide, high = image.box
    middles = plane.lat(y + (np.arange(121) + 0.5) * high / 121)
    assert np.abs(image.values[:, 0] - middles).max() <= 0.05 + 1e-5  # half a cell
    assert [x, x + wide] == pytest.approx(plane.xy([9.95, 14.05], 60.0)[0].tolist())
    assert [y, y + high] == pytest.approx(plane.xy(10.0, [59.95, 72.05])[1].tolist())


def test_fine_grids_are_thinned():
    lon, lat = np.linspace(150.0, 154.0, 801), np.linspace(-32.0, -29.0, 601)
    plane = shapes.Plane(Region(150.0, -32.0, 154.0, -29.0))
    image = shapes.image(plane, lon, lat, np.ones((601, 801)), most=60_000)
    assert 15_000 < image.values.size <= 61_000


def test_arrows_point_where_the_water_goes():
    """A current to 060° true: on a conformal map the shaft stands 60° from up."""
    lon, lat = np.linspace(150.0, 152.0, 30), np.linspace(-32.0, -30.0, 30)
    to = np.radians(60.0)
    pair = [fields.Field(lon, lat, np.full((30, 30), 2.0 * part), "kn") for part in (np.sin(to), np.cos(to))]
    xs, ys, fastest = shapes.arrows(shapes.Plane(Region(150.0, -32.0, 152.0, -30.0)), *pair)
    assert fastest == pytest.approx(2.0)
    tail, tip = np.array([xs[40][0], ys[40][0]]), np.array([xs[40][1], ys[40][1]])
    east, north = tip - tail
    assert np.degrees(np.arctan2(east, north)) == pytest.approx(60.0, abs=0.1)
    assert (
        shapes.arrows(
            shapes.Plane(Region(150.0, -32.0, 152.0, -30.0)), *(f._replace(values=f.values * 0) for f in pair)
        )[0]
        == []
    )


def test_contours_lie_at_their_depth():
    """A floor that slopes evenly east: its 100 m line is a meridian."""
    lon, lat = np.linspace(150.0, 151.0, 50), np.linspace(-31.0, -30.0, 50)
    floor = fields.Field(lon, lat, np.tile(1000.0 * (lon - 150.0), (50, 1)), "m")
    plane = shapes.Plane(Region(150.0, -31.0, 151.0, -30.0))
    (line,) = shapes.contours(plane, floor, (100, 5000))
    assert line.level == 100
    assert line.x == pytest.approx(plane.xy(150.1, -30.5)[0], abs=2.0)


def test_bands_are_as_wide_as_the_doubt(plan):
    line = plan.fronts.geometry.iloc[0]
    band = shapes.band(line, 2000.0)
    middle = line.interpolate(0.5, normalized=True)
    for bearing, inside in ((90.0, 1700.0), (270.0, 1700.0)):
        lon, lat, _ = GEOD.fwd(middle.x, middle.y, bearing, inside)
        assert band.contains(shapely.Point(lon, lat))
        lon, lat, _ = GEOD.fwd(middle.x, middle.y, bearing, 2900.0)
        assert not band.contains(shapely.Point(lon, lat))
    assert shapes.band(line, np.nan).is_empty


def test_range_is_not_outlined_along_the_shore(plan):
    plane = shapes.Plane(maps.map_region(plan))
    shore = shapes.shore(maps.map_region(plan))
    xs, ys = shapes.outlines(plane, plan.range_polygon, shore)
    lon = [np.degrees(np.array(x) / shapes.RADIUS) + plane.lon for x in xs]
    far = [shapely.LineString(np.column_stack([a, plane.lat(y)])) for a, y in zip(lon, ys, strict=True)]
    assert far
    assert min(shapely.distance(line, shore) for line in far) > 0.028


# ---- the map as a whole


def models(made, kind: str) -> list[dict]:
    """Attributes of all models of a kind in bokeh's own JSON."""
    found = []

    def walk(node):
        if isinstance(node, dict):
            if node.get("name") == kind and node.get("type") == "object":
                found.append(node.get("attributes", {}))
            for value in node.values():
                walk(value)
        elif isinstance(node, list):
            for value in node:
                walk(value)

    walk(made["item"])
    return found


def test_map_is_light_and_asks_for_nothing(made):
    text = live.as_text(made)
    assert len(text) < 1.2e6
    assert json.loads(text) == json.loads(json.dumps(made))
    assert "http" not in text
    assert not models(made, "CustomJS")  # would need scripts made of text, which the page forbids


def test_map_has_every_layer_and_a_story_for_all_that_can_be_picked(made, plan):
    tags = {
        tag
        for kind in ("Image", "MultiLine", "MultiPolygons", "Patches", "Scatter", "Text", "Quad")
        for glyph in models(made, kind)
        for tag in glyph.get("tags", [])
    }
    layers = {"temperature", "matter", "doubt", "currents", "lines", "boxes", "route", "depth", "reach"}
    assert layers | {"land", "closed", "port", "cross"} == tags
    text = json.dumps(made["item"])
    names = [f"box-{rank}" for rank in plan.boxes["rank"]] + [f"leg-{k}" for k in range(len(plan.legs))]
    names += [f"line-{k}" for k in range(len(plan.fronts))]
    assert all(f'"{name}"' in text for name in names)


def test_views_hold_what_is_trolled_the_route_and_the_range(made, plan):
    plane = shapes.Plane(maps.map_region(plan))
    trolled = plan.legs.geometry[plan.legs["kind"] == "troll"]
    held = {"near": trolled.union_all(), "view": plan.legs.union_all(), "whole": plan.range_polygon}
    for view, shape in held.items():
        west, south, east, north = made[view]
        left, low, right, high = shape.bounds
        assert west < plane.xy(left, low)[0] < plane.xy(right, low)[0] < east
        assert south < plane.xy(left, low)[1] < plane.xy(left, high)[1] < north


@pytest.mark.parametrize("change", ["floating", "depth", "everything"])
def test_maps_of_bare_plans(plan, change):
    nodes = {name: node.to_dataset() for name, node in plan.sea.children.items()}
    bare = {
        "floating": lambda: replace(plan, floating=None),
        "depth": lambda: replace(
            plan, sea=type(plan.sea).from_dict({k: v for k, v in nodes.items() if k != "depth"})
        ),
        "everything": lambda: replace(brief_plan.empty_plan(), floating=None),
    }[change]()
    made = live.live_map(bare)
    assert ("matter" in made["shades"]) == (bare.floating is not None)
    assert ("depth" in made["boxes"]) == (change != "depth")


# ---- words


def test_stays_are_said_in_local_time(plan):
    first, last = stories.stay_rows(plan)
    assert (first["from"], first["until"], first["leave"]) == ("07:00", "08:15", "07:40")
    assert (first["passes"], last["passes"]) == ("2 passes", "1 pass")
    assert last["leave"] == ""  # the last box is worked to its end
    assert stories.stay_rows(replace(plan, stays=pd.DataFrame(columns=plan.stays.columns))) == []


@pytest.mark.parametrize(
    ("best", "bound", "said"),
    [
        (4.0, 4.0, "proven best"),
        (4.0, 4.0 * (1 + 5e-7), "proven best"),
        (4.0, 5.0, "within 20.0% of the best possible"),
        (4.0, 4.0002, "within 0.1% of the best possible"),
        (4.0, np.inf, "is not known"),
    ],
)
def test_proof_is_said_as_it_is(plan, best, bound, said):
    assert said in stories.proof_words(replace(plan, best=best, bound=bound))
    assert stories.proof_words(replace(brief_plan.empty_plan(), best=best, bound=bound)) == ""


def test_lines_say_what_changes_across_them(plan):
    rows = [stories.line_story(plan, k, front) for k, front in enumerate(plan.fronts.itertuples())]
    assert (
        rows[0]["step"] == "1.6 °C across it, give or take 0.2 °C, warm to the east, within 4.3 nmi"
    )  # 8 km
    assert rows[5]["step"] == ""
    green = plan.fronts.assign(step=0.301, width=np.nan)
    story = stories.line_story(plan, 7, list(green.itertuples())[7])
    assert story["step"] == "2.0 times the chlorophyll on its green side"  # log10 of 2 is 0.301
    assert rows[0]["length"] == plan.trip.show.say_distance(geo.line_length(plan.fronts.geometry.iloc[0]))
