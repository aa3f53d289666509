"""The plan for a plotter: GPX 1.1, held against the published schema and read back by gpxpy and by GDAL."""

from __future__ import annotations

import xml.etree.ElementTree as ET
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import brief_plan
import geopandas as gpd
import gpxpy
import gpxpy.gpx
import numpy as np
import pyogrio
import pytest
import shapely
import xmlschema
from hypothesis import given
from hypothesis import strategies as st

from searcher import brief, geo
from searcher.brief import Plotter, words
from searcher.brief.plotter import Mark, Names, split_marks
from searcher.errors import SearcherError

BUOY, LEAVE = brief_plan.BUOY, np.datetime64("2026-01-16T18:00", "ns")
SCHEMA = Path(__file__).parents[1] / "fixtures" / "gpx-1.1.xsd"


@pytest.fixture(scope="module")
def plan():
    return brief_plan.make_plan()


@pytest.fixture(scope="module")
def schema():
    return xmlschema.XMLSchema(str(SCHEMA))


def read_gpx(plan, folder, **limits) -> gpxpy.gpx.GPX:
    path = brief.write_gpx(plan, folder / "route.gpx", plotter=Plotter(**limits))
    return gpxpy.parse(path.read_text(encoding="utf-8"))


def tags_of(route) -> list[str]:
    """Second words of the names of a route's points, without the bends of trolling lines."""
    return [tag for tag in (point.name.split()[1] for point in route.points) if not tag.startswith("BEND")]


def all_points(made) -> list:
    track = [p for t in made.tracks for s in t.segments for p in s.points]
    return [*made.waypoints, *[p for r in made.routes for p in r.points], *track]


@pytest.mark.parametrize("east", [0.0, 26.0, 180.0, -153.205])
def test_gpx_is_valid_wherever_the_trip_is(plan, schema, tmp_path, east):
    """The published schema; its longitudes end before 180, and it knows no exponents."""
    path = brief.write_gpx(brief_plan.moved(plan, east), tmp_path / "route.gpx")
    schema.validate(str(path))
    made = gpxpy.parse(path.read_text(encoding="utf-8"))
    assert all(-180 <= point.longitude < 180 for point in all_points(made))


def test_schema_bites(plan, schema, tmp_path):
    path = brief.write_gpx(plan, tmp_path / "route.gpx")
    path.write_text(path.read_text(encoding="utf-8").replace('lon="153', 'lon="1153', 1), encoding="utf-8")
    with pytest.raises(xmlschema.XMLSchemaValidationError, match="180"):
        schema.validate(str(path))


def test_gpx_route_follows_the_legs(plan, tmp_path):
    (route,) = read_gpx(plan, tmp_path).routes
    legs = plan.legs
    assert (route.points[0].longitude, route.points[0].latitude) == pytest.approx(
        tuple(brief_plan.BUOY), abs=1e-7
    )
    ends = [point for point in route.points[1:] if "BEND" not in point.name]
    for point, leg in zip(ends, legs.itertuples(), strict=True):
        assert (point.longitude, point.latitude) == pytest.approx(leg.geometry.coords[-1], abs=1e-7)
        assert abs(point.time.timestamp() - leg.end.timestamp()) <= 0.5
    assert tags_of(route) == [
        "BUOY",
        *[f"{tag}{box}" for box in (1, 2, 3) for tag in ("IN", "LINE", "UP", "RUN")][:-1],
        "RUN3",
        "BUOY",
    ]


def test_gpx_keeps_the_turns_of_a_run_and_their_times(plan, tmp_path):
    """Halfway along a leg at even speed is halfway through its time."""
    legs = plan.legs.copy()
    start, end = (geo.Place(*legs.geometry[0].coords[k]) for k in (0, -1))
    middle = geo.destination(start, geo.bearing(start, end), geo.distance(start, end) / 2)
    legs.loc[0, "geometry"] = shapely.LineString([start, middle, end])
    (route,) = read_gpx(replace(plan, legs=legs), tmp_path).routes
    assert route.points[1].name.endswith("TURN")
    half = legs["start"][0] + (legs["end"][0] - legs["start"][0]) / 2
    assert abs(route.points[1].time.timestamp() - half.timestamp()) <= 0.6


def test_gpx_keeps_to_the_plotter_of_the_trip_file(plan, tmp_path):
    """Written without a word of the plotter, as by `rerank` and the desk: the section [plotter] counts."""
    limits = plan.trip.plotter.model_copy(update={"names": 6, "points": 5, "within": 300.0})
    wished = replace(plan, trip=plan.trip.model_copy(update={"plotter": limits}))
    text = brief.write_gpx(wished, tmp_path / "route.gpx").read_text(encoding="utf-8")
    told = gpxpy.parse(text)
    assert max(len(route.points) for route in told.routes) <= 5 < len(plan.legs)
    assert max(len(point.name) for route in told.routes for point in route.points) <= 6
    same = read_gpx(plan, tmp_path, name_length=6, most_points=5, tolerance=300.0)
    assert same.to_xml() == told.to_xml()


def test_gpx_passes_are_told_apart(plan, tmp_path):
    legs = plan.legs
    again = legs.iloc[[2]].assign(geometry=legs.geometry.iloc[[2]].reverse())
    legs = gpd.pd.concat([legs.iloc[:3], again, legs.iloc[3:]], ignore_index=True)
    (route,) = read_gpx(replace(plan, legs=legs), tmp_path).routes
    assert tags_of(route)[3:5] == ["PASS1", "UP1"]


@pytest.mark.parametrize("length", [6, 7, 8, 9, 10])
@pytest.mark.parametrize("most", [None, 5])
def test_gpx_names_suit_small_plotters(plan, schema, tmp_path, length, most):
    made = read_gpx(brief_plan.with_passes(plan, 3), tmp_path, name_length=length, most_points=most)
    schema.validate(str(tmp_path / "route.gpx"))
    points = [point for route in made.routes for point in route.points]
    names = [thing.name for thing in (*made.waypoints, *made.routes, *made.tracks, *points)]
    assert len(set(names)) == len(names)
    assert all(name.isascii() and 0 < len(name) <= length for name in names)


def test_names_are_given_once_however_they_are_cut():
    names = Names(6)
    given = [names.take("B1 TROLLING", "B1 TROLL") for _ in range(120)]
    assert given[:2] == ["B1 TR2", "B1 TR3"]
    assert len(set(given)) == 120
    assert {len(name) for name in given} == {6}


@pytest.mark.parametrize("most", [2, 3, 7, 12])
def test_gpx_splits_what_a_plotter_cannot_hold(plan, schema, tmp_path, most):
    whole = read_gpx(plan, tmp_path).routes[0].points
    routes = read_gpx(plan, tmp_path, most_points=most).routes
    schema.validate(str(tmp_path / "route.gpx"))
    assert max(len(route.points) for route in routes) <= most

    def spots(points):
        return [(p.longitude, p.latitude, p.time, p.description) for p in points]

    for before, after in pairwise(routes):
        assert spots(before.points[-1:]) == spots(after.points[:1])
    joined = routes[0].points + [point for route in routes[1:] for point in route.points[1:]]
    assert spots(joined) == spots(whole)
    assert f"Part 2 of {len(routes)}." in routes[1].description


@given(
    kinds=st.lists(st.sampled_from(["IN", "UP", "TURN", "BEND"]), min_size=1, max_size=60),
    most=st.integers(2, 20),
)
def test_parts_are_short_enough_and_lose_nothing(kinds, most):
    marks = [Mark(kind, k, BUOY, LEAVE, "") for k, kind in enumerate(kinds)]
    parts = split_marks(marks, most)
    assert all(1 <= len(part) <= most for part in parts)
    assert len(parts) == 1 or min(map(len, parts)) >= 2
    assert all(before[-1] == after[0] for before, after in pairwise(parts))
    assert [*parts[0], *(mark for part in parts[1:] for mark in part[1:])] == marks


def test_gpx_is_split_at_the_ends_of_legs(plan, tmp_path):
    routes = read_gpx(plan, tmp_path, most_points=12, tolerance=0).routes
    assert not any("BEND" in route.points[-1].name for route in routes)


def metres(places) -> shapely.LineString:
    """A line in metres, on the transverse Mercator of its zone (UTM 56 S, by pyproj)."""
    return gpd.GeoSeries([shapely.LineString(places)], crs=4326).to_crs(32756)[0]


@pytest.mark.parametrize("tolerance", [0.0, 30.0, 100.0, 400.0])
def test_gpx_keeps_within_the_stated_tolerance(plan, tmp_path, tolerance):
    """UTM's scale is within 0.04 % there."""
    (route,) = read_gpx(plan, tmp_path, tolerance=tolerance).routes
    bends = sum("BEND" in point.name for point in route.points)
    trolls = [leg for leg in plan.legs.itertuples() if leg.kind == "troll"]
    if tolerance == 0:
        assert bends == sum(len(leg.geometry.coords) - 2 for leg in trolls)
    else:
        assert f"within {tolerance:.0f} m" in route.description
    assert bends > 0 or tolerance > 300
    names = [point.name for point in route.points]
    for leg in trolls:
        first, last = (
            next(k for k, n in enumerate(names) if f" {tag}{leg.box}" in n) for tag in ("LINE", "UP")
        )
        kept = metres([(p.longitude, p.latitude) for p in route.points[first : last + 1]])
        assert shapely.hausdorff_distance(kept, metres(leg.geometry.coords)) <= max(tolerance, 0.02) * 1.001
        times = [point.time for point in route.points[first : last + 1]]
        assert times == sorted(times)


def test_gpx_cuts_no_corner_through_a_closed_area(plan, tmp_path):
    """A trolling line that rounds a closed area is not straightened into it."""
    troll = plan.legs.index[plan.legs["kind"] == "troll"][0]
    (x0, y0), (x1, y1) = (plan.legs.geometry[troll].coords[k] for k in (0, -1))
    middle = ((x0 + x1) / 2 + 0.002, (y0 + y1) / 2)  # some 190 m to one side
    legs = plan.legs.copy()
    legs.loc[troll, "geometry"] = shapely.LineString([(x0, y0), middle, (x1, y1)])
    far = Plotter(tolerance=500.0)
    (route,) = gpxpy.parse(
        brief.write_gpx(replace(plan, legs=legs), tmp_path / "a.gpx", plotter=far).read_text("utf-8")
    ).routes
    assert not any("BEND1" in point.name for point in route.points)
    closed = shapely.Point((x0 + x1) / 2, (y0 + y1) / 2).buffer(0.0005)
    avoid = plan.trip.avoid.model_copy(update={"closed": closed})
    shut = replace(plan, legs=legs, trip=plan.trip.model_copy(update={"avoid": avoid}))
    (route,) = gpxpy.parse(brief.write_gpx(shut, tmp_path / "b.gpx", plotter=far).read_text("utf-8")).routes
    assert any("BEND1" in point.name for point in route.points)


@pytest.mark.parametrize(
    ("limits", "said"),
    [
        ({"name_length": 5}, "letters .* given 5; expected 6 to 10"),
        ({"name_length": 11}, "letters .* given 11; expected 6 to 10"),
        ({"most_points": 1}, "points .* given 1; expected at least 2"),
        ({"tolerance": -1.0}, "tolerance .* given -1 m; expected 0 m or more"),
        ({"tolerance": float("nan")}, "tolerance .* given nan m; expected 0 m or more"),
    ],
)
def test_impossible_limits_are_refused(limits, said):
    with pytest.raises(SearcherError, match=said):
        Plotter(**limits)


@pytest.mark.parametrize("limits", [{}, {"name_length": 6, "most_points": 6, "tolerance": 0.0}])
def test_gdal_reads_what_gpxpy_reads(plan, tmp_path, limits):
    """Two readers that share no code: GDAL's GPX driver (C++, through pyogrio), and gpxpy."""
    made = read_gpx(plan, tmp_path, **limits)
    layers = dict(pyogrio.list_layers(tmp_path / "route.gpx"))
    read = {name: gpd.read_file(tmp_path / "route.gpx", layer=name) for name in layers}

    def spots(points, table):
        np.testing.assert_allclose(
            np.column_stack([table.geometry.x, table.geometry.y]),
            [(p.longitude, p.latitude) for p in points],
            atol=1e-9,
        )

    route_points = [point for route in made.routes for point in route.points]
    spots(made.waypoints, read["waypoints"])
    assert list(read["waypoints"]["name"]) == [point.name for point in made.waypoints]
    assert list(read["waypoints"]["desc"]) == [point.description for point in made.waypoints]
    spots(route_points, read["route_points"])
    assert list(read["route_points"]["name"]) == [point.name for point in route_points]
    assert [time.to_pydatetime() for time in read["route_points"]["time"]] == [p.time for p in route_points]
    spots([p for t in made.tracks for p in t.segments[0].points], read["track_points"])
    for layer, things in (("routes", made.routes), ("tracks", made.tracks)):
        assert list(read[layer]["name"]) == [thing.name for thing in things]


def test_gpx_marks_every_box(plan, tmp_path):
    made = read_gpx(plan, tmp_path)
    marks = {point.name: (point.longitude, point.latitude) for point in made.waypoints}
    assert set(marks) == {"SEA BUOY", *[f"B{n} {what}" for n in range(1, 11) for what in ("IN", "UP")]}
    first = plan.legs[plan.legs["box"] == 1].set_index("kind").geometry
    assert marks["B1 IN"] == pytest.approx(first["lines in"].coords[0], abs=1e-7)
    assert marks["B1 UP"] == pytest.approx(first["troll"].coords[-1], abs=1e-7)
    for track, box in zip(made.tracks, plan.boxes.itertuples(), strict=True):
        found = [(p.longitude, p.latitude) for p in track.segments[0].points]
        np.testing.assert_allclose(found, shapely.get_coordinates(box.line), atol=1e-7)


def test_gpx_has_the_cautions_and_no_extensions(plan, tmp_path):
    path = brief.write_gpx(plan, tmp_path / "route.gpx")
    described = gpxpy.parse(path.read_text(encoding="utf-8")).description
    assert all(caution in described for caution in words.cautions_of(plan))
    assert not list(ET.parse(path).iter("{http://www.topografix.com/GPX/1/1}extensions"))


def test_gpx_without_a_route_has_marks_of_the_best_boxes_only(plan, tmp_path, schema):
    boxes = gpd.pd.concat([plan.boxes, plan.boxes.assign(rank=plan.boxes["rank"] + 10)], ignore_index=True)
    bare = replace(plan, boxes=boxes, legs=plan.legs.iloc[:0], turn_for_home=np.datetime64("NaT", "ns"))
    made = read_gpx(bare, tmp_path)
    schema.validate(str(tmp_path / "route.gpx"))
    assert made.routes == []
    assert {point.name for point in made.waypoints} == {
        "SEA BUOY",
        *[f"B{n} {what}" for n in range(1, 11) for what in ("IN", "UP")],
    }


def test_gpx_marks_the_whole_line_when_it_is_worked_twice(plan, tmp_path):
    marks = {p.name: (p.longitude, p.latitude) for p in read_gpx(plan, tmp_path).waypoints}
    turned = {
        p.name: (p.longitude, p.latitude)
        for p in read_gpx(brief_plan.with_passes(plan, 2), tmp_path).waypoints
    }
    assert turned == marks


def test_gpx_names_boxes_that_are_joined(plan, tmp_path):
    (route,) = read_gpx(brief_plan.join_boxes(plan, 900.0), tmp_path).routes
    assert tags_of(route)[:7] == ["BUOY", "IN1", "LINE1", "TO2", "LINE2", "UP2", "RUN2"]
    (route,) = read_gpx(brief_plan.join_boxes(plan, 0.0), tmp_path).routes
    assert tags_of(route)[:6] == ["BUOY", "IN1", "LINE1", "TO2", "UP2", "RUN2"]


def test_gpx_survives_names_that_are_markup_or_no_characters_at_all(plan, schema, tmp_path):
    trip = brief_plan.make_trip()
    trip = trip.model_copy(update={"port": trip.port.model_copy(update={"name": "Ærø <&\x01\ud800> Havn"})})
    path = brief.write_gpx(replace(plan, trip=trip), tmp_path / "route.gpx")
    schema.validate(str(path))
    assert "<&> Havn" in gpxpy.parse(path.read_text(encoding="utf-8")).name


@pytest.mark.parametrize(
    ("lon", "wrapped"),
    [
        (180.0, -180.0),
        (179.99999999, -180.0),
        (-180.0, -180.0),
        (185.5, -174.5),
        (540.0, -180.0),
        (-0.0, 0.0),
    ],
)
def test_longitudes_are_wrapped_after_rounding(lon, wrapped):
    assert words.wrap_longitude(lon) == wrapped


def test_nothing_is_left_where_a_file_cannot_be_written(plan, tmp_path):
    with pytest.raises(SearcherError, match=r"no folder .*missing.* to write route\.gpx in"):
        brief.write_gpx(plan, tmp_path / "missing" / "route.gpx")
    (tmp_path / "route.gpx").mkdir()
    with pytest.raises(SearcherError, match=r"route\.gpx cannot be written"):
        brief.write_gpx(plan, tmp_path / "route.gpx")
    assert [path.name for path in tmp_path.iterdir()] == ["route.gpx"]
