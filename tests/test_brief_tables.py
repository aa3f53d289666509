"""The plan as tables for programs (GeoJSON, RFC 7946) and spreadsheets (CSV), read back by others."""

from __future__ import annotations

import json
import re

import brief_plan
import geopandas as gpd
import numpy as np
import pytest
import shapely

from searcher import brief
from searcher.brief import geojson, words


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


def test_empty_plans_make_empty_tables(tmp_path):
    plan = brief_plan.empty_plan()
    for path in brief.write_geojson(plan, tmp_path):
        assert json.loads(path.read_text())["features"] == []
