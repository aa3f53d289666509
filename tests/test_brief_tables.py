"""The plan for a plotter (GPX 1.1) and as tables (GeoJSON, RFC 7946), read back by other readers."""

from __future__ import annotations

import json
import re
import xml.etree.ElementTree as ET
from dataclasses import replace
from pathlib import Path

import brief_plan
import geopandas as gpd
import gpxpy
import numpy as np
import pytest
import shapely
import xmlschema

from searcher import brief, geo
from searcher.brief import geojson, words
from searcher.errors import SearcherError

SCHEMA = Path(__file__).parents[1] / "fixtures" / "gpx-1.1.xsd"


@pytest.fixture(scope="module")
def plan():
    return brief_plan.make_plan()


@pytest.fixture(scope="module")
def schema():
    return xmlschema.XMLSchema(str(SCHEMA))


def read_gpx(plan, folder) -> gpxpy.gpx.GPX:
    return gpxpy.parse(brief.write_gpx(plan, folder / "route.gpx").read_text(encoding="utf-8"))


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
    assert len(route.points) == 1 + len(legs)
    for point, leg in zip(route.points[1:], legs.itertuples(), strict=True):
        assert (point.longitude, point.latitude) == pytest.approx(leg.geometry.coords[-1], abs=1e-7)
        assert abs(point.time.timestamp() - leg.end.timestamp()) <= 0.5
    tags = [point.name.split()[1] for point in route.points]
    assert tags == [
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


def test_gpx_passes_are_told_apart(plan, tmp_path):
    legs = plan.legs
    again = legs.iloc[[2]].assign(geometry=legs.geometry.iloc[[2]].reverse())
    legs = gpd.pd.concat([legs.iloc[:3], again, legs.iloc[3:]], ignore_index=True)
    (route,) = read_gpx(replace(plan, legs=legs), tmp_path).routes
    assert [point.name.split()[1] for point in route.points[3:5]] == ["PASS1", "UP1"]


def test_gpx_names_suit_small_plotters(plan, tmp_path):
    made = read_gpx(plan, tmp_path)
    names = [thing.name for thing in (*made.waypoints, *made.routes, *made.tracks, *made.routes[0].points)]
    assert len(set(names)) == len(names)
    assert all(name.isascii() and 0 < len(name) <= 10 for name in names)


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
    tags = [point.name.split()[1] for point in route.points]
    assert tags[:7] == ["BUOY", "IN1", "LINE1", "TO2", "LINE2", "UP2", "RUN2"]
    (route,) = read_gpx(brief_plan.join_boxes(plan, 0.0), tmp_path).routes
    tags = [point.name.split()[1] for point in route.points]
    assert tags[:6] == ["BUOY", "IN1", "LINE1", "TO2", "UP2", "RUN2"]


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


# ---- GeoJSON


def read_tables(plan, folder) -> dict[str, gpd.GeoDataFrame]:
    return {path.stem: gpd.read_file(path) for path in brief.write_geojson(plan, folder)}


@pytest.mark.parametrize("name", ["fronts", "boxes"])
def test_geojson_reads_back_equal(plan, tmp_path, name):
    """Read with GDAL, through geopandas."""
    table, back = getattr(plan, name), read_tables(plan, tmp_path)[name]
    assert back.crs.to_epsg() == 4326
    assert set(back.columns) == set(table.columns)
    assert shapely.equals_exact(back.geometry.normalize(), table.geometry.normalize(), tolerance=1e-6).all()
    for column in table.columns.drop([table.geometry.name, "line"], errors="ignore"):
        if table[column].dtype.kind == "M":
            gap = back[column].dt.tz_convert(None) - table[column]
            assert gap.abs().max() <= gpd.pd.Timedelta("0.5s")
        elif table[column].dtype.kind in "if":
            np.testing.assert_allclose(back[column].astype(float), table[column], rtol=1e-12)
        else:
            assert list(back[column]) == list(table[column])


def test_geojson_boxes_carry_their_line(plan, tmp_path):
    back = read_tables(plan, tmp_path)["boxes"]
    lines = [shapely.from_geojson(json.dumps(line)) for line in back["line"]]
    assert all(a.equals_exact(b, 1e-6) for a, b in zip(lines, plan.boxes["line"], strict=True))


def test_geojson_legs_keep_their_contract(plan, tmp_path):
    brief.write_geojson(plan, tmp_path)
    features = json.loads((tmp_path / "legs.geojson").read_text())["features"]
    assert len(features) == len(plan.legs)
    for feature, leg in zip(features, plan.legs.itertuples(), strict=True):
        found = feature["properties"]
        assert feature["geometry"]["type"] == "LineString"
        wanted = {"kind", "start", "end", "speed_kn", "fuel_left", "fuel_used", "distance", "box"}
        assert set(found) == wanted
        assert re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ", found["start"])
        # one knot is 1852 m an hour (NIST SP 811, B.8)
        assert found["speed_kn"] == pytest.approx(leg.speed * 3600 / 1852, rel=1e-12)
        assert found["fuel_left"] == pytest.approx(leg.fuel_left)
        assert found["box"] == leg.box


def test_geojson_has_null_for_missing_and_no_word_for_it(plan, tmp_path):
    for path in brief.write_geojson(plan, tmp_path):

        def refuse(word):
            raise AssertionError(f"{word} is no JSON (RFC 8259)")

        made = json.loads(path.read_text(), parse_constant=refuse)
        assert made["cautions"] == list(words.cautions_of(plan))
    boxes = json.loads((tmp_path / "boxes.geojson").read_text())["features"]
    assert boxes[8]["properties"]["depth"] is None
    assert boxes[0]["properties"]["evidence_chlorophyll"] is None


def test_geojson_rings_follow_the_right_hand_rule(plan, tmp_path):
    """RFC 7946, 3.1.6: exterior rings are counterclockwise."""
    brief.write_geojson(plan, tmp_path)
    for feature in json.loads((tmp_path / "boxes.geojson").read_text())["features"]:
        assert shapely.is_ccw(shapely.LinearRing(feature["geometry"]["coordinates"][0]))


def test_geojson_is_cut_at_the_antimeridian(plan, tmp_path):
    """RFC 7946, 3.1.9: no part crosses it, longitudes stay within ±180, lengths and areas stay the same."""
    moved = brief_plan.moved(plan, 180.0 - 153.5)
    tables = read_tables(moved, tmp_path)
    for name, table in tables.items():
        bounds = table.geometry.bounds
        assert bounds["minx"].min() >= -180
        assert bounds["maxx"].max() <= 180
        original = getattr(moved, name).geometry
        crossing = (original.bounds["minx"] < 180 - 1e-6) & (original.bounds["maxx"] > 180 + 1e-6)
        assert all(shape.geom_type.startswith("Multi") for shape in table.geometry[crossing.values])
        assert not any(shape.geom_type.startswith("Multi") for shape in table.geometry[~crossing.values])
        measure = shapely.area if name == "boxes" else shapely.length
        np.testing.assert_allclose(measure(table.geometry.values), measure(original.values), rtol=1e-4)
    assert any(shape.geom_type == "MultiLineString" for shape in tables["legs"].geometry)


def test_cut_keeps_length_and_area():
    line = shapely.LineString([(179.0, 10.0), (181.0, 12.0), (178.0, 13.0)])
    assert geojson.cut_at_180(line).length == pytest.approx(line.length)
    box = shapely.box(179.0, -5.0, 182.5, 5.0)
    parts = geojson.cut_at_180(box)
    assert parts.area == pytest.approx(box.area)
    assert sorted(part.bounds[0] for part in parts.geoms) == [-180.0, 179.0]
    assert geojson.cut_at_180(shapely.box(190.0, 0.0, 191.0, 1.0)).bounds == (-170.0, 0.0, -169.0, 1.0)


def test_nothing_is_left_where_a_file_cannot_be_written(plan, tmp_path):
    with pytest.raises(SearcherError, match=r"no folder .*missing.* to write route\.gpx in"):
        brief.write_gpx(plan, tmp_path / "missing" / "route.gpx")
    (tmp_path / "route.gpx").mkdir()
    with pytest.raises(SearcherError, match=r"route\.gpx cannot be written"):
        brief.write_gpx(plan, tmp_path / "route.gpx")
    assert [path.name for path in tmp_path.iterdir()] == ["route.gpx"]


def test_empty_plans_make_empty_tables(tmp_path, schema):
    plan = brief_plan.empty_plan()
    schema.validate(str(brief.write_gpx(plan, tmp_path / "route.gpx")))
    for path in brief.write_geojson(plan, tmp_path):
        assert json.loads(path.read_text())["features"] == []
