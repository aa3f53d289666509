"""The plan as tables for programs (GeoJSON, RFC 7946) and spreadsheets (CSV), read back by others."""

from __future__ import annotations

import csv
import json
import re
from dataclasses import replace

import brief_plan
import geojson_pydantic
import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from pyproj import Geod

from searcher import brief
from searcher.brief import geojson, words
from searcher.route import empty_stays


@pytest.fixture(scope="module")
def plan():
    return brief_plan.make_plan()


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
        np.testing.assert_allclose(
            measure(table.geometry.values), measure(original.values), rtol=1e-4, atol=2e-6
        )
    assert any(shape.geom_type == "MultiLineString" for shape in tables["legs"].geometry)


@pytest.mark.filterwarnings("ignore:BBOX crossing the Antimeridian")  # the reader takes it, with a word
@pytest.mark.parametrize("east", [0.0, 26.5, 180.0, -153.205])
def test_geojson_is_what_rfc_7946_asks(plan, tmp_path, east):
    """Parsed by geojson-pydantic, a general reader of RFC 7946: types, closed rings, positions, boxes."""
    for path in brief.write_geojson(brief_plan.moved(plan, east), tmp_path):
        text = path.read_text(encoding="utf-8")
        made = geojson_pydantic.FeatureCollection.model_validate_json(text)
        assert "crs" not in json.loads(text)  # section 4: always WGS 84
        west, south, last, north = made.bbox
        xy = np.concatenate(
            [shapely.get_coordinates(shapely.geometry.shape(f.geometry)) for f in made.features]
        )
        assert (np.abs(xy[:, 0]) <= 180).all()
        assert (xy == np.round(xy, 6)).all()  # section 11.2: no finer than is known
        assert (xy[:, 1].min(), xy[:, 1].max()) == pytest.approx((south, north), abs=1e-9)
        turned = xy[:, 0] if west <= last else np.where(xy[:, 0] < 0, xy[:, 0] + 360, xy[:, 0])
        last = last if west <= last else last + 360  # section 5.2: west of it is east of 180°
        assert (turned.min(), turned.max()) == pytest.approx((west, last), abs=1e-9)
        assert last - west < 10


def test_geojson_reader_bites(plan, tmp_path):
    (path, *_) = brief.write_geojson(plan, tmp_path)
    made = json.loads(path.read_text(encoding="utf-8"))
    made["features"][0]["geometry"]["coordinates"] = [[153.0, -30.0]]
    with pytest.raises(ValueError, match="at least 2 items"):
        geojson_pydantic.FeatureCollection.model_validate(made)


@pytest.mark.parametrize(
    ("west", "east", "box"),
    [
        (10.0, 20.0, [10.0, -5.0, 20.0, 5.0]),
        (177.0, 182.0, [177.0, -5.0, -178.0, 5.0]),
        (-183.0, -178.0, [177.0, -5.0, -178.0, 5.0]),
        (182.0, 185.0, [-178.0, -5.0, -175.0, 5.0]),
        (170.0, 180.0, [170.0, -5.0, 180.0, 5.0]),
        (-10.0, 360.0, [-180.0, -5.0, 180.0, 5.0]),
    ],
)
def test_bounding_boxes_over_180(west, east, box):
    """RFC 7946, 5.2: the example there is Fiji, [177.0, -20.0, -178.0, -16.0]."""
    shapes = np.array([shapely.box(west, -5.0, east, 5.0)])
    assert geojson.bounding_box(shapes) == {"bbox": box}
    assert geojson.bounding_box(np.array([], dtype=object)) == {}


def test_cut_keeps_length_and_area():
    line = shapely.LineString([(179.0, 10.0), (181.0, 12.0), (178.0, 13.0)])
    assert geojson.cut_at_180(line).length == pytest.approx(line.length)
    box = shapely.box(179.0, -5.0, 182.5, 5.0)
    parts = geojson.cut_at_180(box)
    assert parts.area == pytest.approx(box.area)
    assert sorted(part.bounds[0] for part in parts.geoms) == [-180.0, 179.0]
    assert geojson.cut_at_180(shapely.box(190.0, 0.0, 191.0, 1.0)).bounds == (-170.0, 0.0, -169.0, 1.0)


def test_empty_plans_make_empty_tables(tmp_path):
    plan = brief_plan.empty_plan()
    for path in brief.write_geojson(plan, tmp_path):
        assert json.loads(path.read_text())["features"] == []


# ---- CSV


def read_sheets(plan, folder) -> dict[str, pd.DataFrame]:
    """Read with pandas, which the tables are written with, and with the csv module, which they are not."""
    sheets = {}
    for path in brief.write_csv(plan, folder):
        sheets[path.stem] = pd.read_csv(path)
        with path.open(encoding="utf-8-sig", newline="") as file:
            rows = list(csv.reader(file))
        assert {len(row) for row in rows} == {len(sheets[path.stem].columns)}
        assert len(rows) == 1 + len(sheets[path.stem])
        assert rows[0] == list(sheets[path.stem].columns)
    return sheets


@pytest.fixture(scope="module")
def american():
    """The plan for a skipper of feet, fathoms, gallons and miles, with stays."""
    show = 'depth = "fathom"\nfuel = "gal"\ntemperature = "F"\ndistance = "nm"\n'
    made = brief_plan.make_plan(trip=brief_plan.make_trip(show=show))
    trolls = made.legs[made.legs["kind"] == "troll"]
    stays = pd.DataFrame(
        {
            "box": trolls["box"],
            "start": trolls["start"],
            "end": trolls["end"],
            "passes": 1,
            "expected": 1.234567,
            "leave_by": trolls["start"] + pd.Timedelta("40min"),
        }
    )
    return replace(made, stays=stays)


def test_csv_has_the_skippers_units_and_says_them(american, tmp_path):
    """A fathom is 1.8288 m, a US gallon 3.785411784 L, a nautical mile 1852 m (NIST SP 811, appendix B)."""
    sheets = read_sheets(american, tmp_path)
    boxes, legs = american.boxes, american.legs
    np.testing.assert_allclose(sheets["boxes"]["depth (fathoms)"], boxes["depth"] / 1.8288, atol=0.51)
    assert sheets["boxes"]["depth (fathoms)"].isna().tolist() == boxes["depth"].isna().tolist()
    np.testing.assert_allclose(sheets["boxes"]["time out (min)"], boxes["time_out"] / 60, atol=0.51)
    np.testing.assert_allclose(sheets["legs"]["fuel left (gal)"], legs["fuel_left"] / 3.785411784, atol=0.051)
    np.testing.assert_allclose(sheets["legs"]["distance (nmi)"], legs["distance"] / 1852, atol=0.0051)
    speed = sheets["legs"]["speed in flat water (kn)"]
    np.testing.assert_allclose(speed, legs["speed"] * 3600 / 1852, atol=0.051)
    hours = (legs["end"] - legs["start"]).dt.total_seconds() / 3600
    over_ground = sheets["legs"]["speed over the ground (kn)"]
    np.testing.assert_allclose(over_ground, legs["distance"] / 1852 / hours, atol=0.051)
    assert list(sheets["stays"]["stay (min)"]) == [
        round(seconds / 60)
        for seconds in (american.stays["end"] - american.stays["start"]).dt.total_seconds()
    ]


def test_csv_times_are_local_with_their_offset(american, tmp_path):
    sheets = read_sheets(american, tmp_path)
    for name, columns in {"legs": ("start", "end"), "stays": ("start", "end")}.items():
        for column in columns:
            assert all(text.endswith("+11:00") for text in sheets[name][column])  # AEDT
            back = pd.to_datetime(sheets[name][column], utc=True).dt.tz_convert(None)
            gap = back.to_numpy() - getattr(american, name)[column].to_numpy()
            assert np.abs(gap / np.timedelta64(1, "s")).max() <= 30


def test_csv_places_and_courses_are_those_of_the_legs(american, tmp_path):
    """Courses against PROJ's geodesics."""
    legs = read_sheets(american, tmp_path)["legs"]
    ends = np.array([leg.coords[-1] for leg in american.legs.geometry])
    np.testing.assert_allclose(legs[["to longitude", "to latitude"]], ends, atol=5.1e-6)
    pairs = np.array([leg.coords[:2] for leg in american.legs.geometry])
    course, _, _ = Geod(ellps="WGS84").inv(*pairs[:, 0].T, *pairs[:, 1].T)
    gap = (legs["course at the start (degrees true)"] - course + 180) % 360 - 180
    assert np.abs(gap).max() <= 0.51


def test_csv_says_for_which_hour_a_line_lies_where_it_stands(american, tmp_path):
    """The marks of the plotter are of the hour each line is trolled, and lie elsewhere."""
    boxes = read_sheets(american, tmp_path)["boxes"]
    ends = np.array([line.coords[0] for line in american.boxes["line"]])
    columns = ["line then, from longitude", "line then, from latitude"]
    np.testing.assert_allclose(boxes[columns], ends, atol=5.1e-6)
    names = list(boxes.columns)
    assert names[names.index(columns[1]) - 1] == "line stands for (first possible arrival)"


def test_csv_of_an_empty_plan_has_headers_only(tmp_path):
    sheets = read_sheets(replace(brief_plan.empty_plan(), stays=empty_stays()), tmp_path)
    assert set(sheets) == {"boxes", "legs", "stays"}
    assert all(sheet.empty and len(sheet.columns) >= 7 for sheet in sheets.values())


def test_csv_longitudes_are_wrapped(american, tmp_path):
    sheets = read_sheets(brief_plan.moved(american, 180.0), tmp_path)
    assert sheets["legs"]["to longitude"].between(-180, 180, inclusive="left").all()
