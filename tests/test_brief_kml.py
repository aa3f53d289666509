"""The plan as KML, held against the OGC's schema and read back with GDAL."""

from __future__ import annotations

import html
from dataclasses import replace

import brief_plan
import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pytest
import shapely
import xmlschema
from lxml import etree

from searcher import brief
from searcher.brief import words
from searcher.errors import SearcherError

NAMES = {"k": "http://www.opengis.net/kml/2.2"}


@pytest.fixture(scope="module")
def plan():
    return brief_plan.make_plan()


@pytest.fixture(scope="module")
def schema():
    """OGC KML 2.2 (07-147r2), the copy that the library fastkml carries."""
    from importlib.resources import files

    return xmlschema.XMLSchema(str(files("fastkml") / "schema" / "ogckml22.xsd"))


def read_layers(path) -> dict[str, gpd.GeoDataFrame]:
    return {name: gpd.read_file(path, layer=name) for name, _ in pyogrio.list_layers(path)}


@pytest.mark.parametrize("east", [0.0, 26.0, 180.0])
def test_kml_is_valid_wherever_the_trip_is(plan, schema, tmp_path, east):
    path = brief.write_kml(brief_plan.moved(plan, east), tmp_path / "plan.kml")
    schema.validate(str(path))
    for layer in read_layers(path).values():
        bounds = layer.geometry[~layer.geometry.is_empty].bounds
        assert bounds["minx"].min() >= -180
        assert bounds["maxx"].max() <= 180


def test_kml_schema_bites(plan, schema, tmp_path):
    path = brief.write_kml(plan, tmp_path / "plan.kml")
    text = path.read_text(encoding="utf-8").replace("<Folder>", "<Folder><depth>3</depth>", 1)
    path.write_text(text, encoding="utf-8")
    with pytest.raises(xmlschema.XMLSchemaValidationError, match="depth"):
        schema.validate(str(path))


def test_kml_reads_back_as_the_plan(plan, tmp_path):
    layers = read_layers(brief.write_kml(plan, tmp_path / "plan.kml"))
    assert list(layers) == ["Route", "Search boxes", "Breaks and lines", "Limits"]
    legs = [shape for shape in layers["Route"].geometry if shape.geom_type == "LineString"]
    for leg, wanted in zip(legs, plan.legs.geometry, strict=True):
        np.testing.assert_allclose(shapely.get_coordinates(leg), shapely.get_coordinates(wanted), atol=1e-6)
    buoy = layers["Route"].geometry[0]
    assert (buoy.x, buoy.y) == pytest.approx(tuple(brief_plan.BUOY), abs=1e-6)
    for name, table in (("Search boxes", plan.boxes), ("Breaks and lines", plan.fronts)):
        back = shapely.force_2d(layers[name].geometry.values)
        assert shapely.equals_exact(
            shapely.normalize(back), shapely.normalize(table.geometry.values), 1e-6
        ).all()


@pytest.mark.parametrize("east", [0.0, 26.5])
def test_kml_is_read_alike_by_another_reader(plan, tmp_path, east):
    """kml2geojson, which reads the XML by itself: as many things, by the same names, in the same places."""
    import kml2geojson

    path = brief.write_kml(brief_plan.moved(plan, east), tmp_path / "plan.kml")
    layers = pd.concat(read_layers(path).values())
    layers = layers[~(layers.geometry.isna() | layers.geometry.is_empty)]
    (read,) = kml2geojson.convert(str(path))["feature_collections"]
    features = read["features"]
    assert [one["properties"]["name"] for one in features] == layers["Name"].tolist()
    for one, wanted in zip(features, layers.geometry, strict=True):
        got = shapely.force_2d(shapely.geometry.shape(flat(one["geometry"])))
        assert shapely.equals_exact(shapely.normalize(got), shapely.normalize(shapely.force_2d(wanted)), 1e-9)


def flat(geometry: dict) -> dict:
    """A collection of one kind as the geometry of several parts that GDAL makes of it."""
    if geometry["type"] != "GeometryCollection":
        return geometry
    parts = geometry["geometries"]
    (kind,) = {part["type"] for part in parts}
    return {"type": f"Multi{kind}", "coordinates": [part["coordinates"] for part in parts]}


def test_kml_legs_carry_their_hours(plan, tmp_path):
    tree = etree.parse(brief.write_kml(plan, tmp_path / "plan.kml"))
    for part in ("begin", "end"):
        given = tree.xpath(f"//k:Placemark/k:TimeSpan/k:{part}/text()", namespaces=NAMES)
        wanted = plan.legs["start" if part == "begin" else "end"]
        for text, time in zip(given, wanted, strict=True):
            assert abs(gpd.pd.Timestamp(text) - time.tz_localize("UTC")) <= gpd.pd.Timedelta("0.5s")


def test_kml_styles_are_there(plan, tmp_path):
    tree = etree.parse(brief.write_kml(plan, tmp_path / "plan.kml"))
    styles = set(tree.xpath("//k:Style/@id", namespaces=NAMES))
    used = set(tree.xpath("//k:styleUrl/text()", namespaces=NAMES))
    assert used == {f"#{name}" for name in styles} - ({"#closed"} - used)


def test_kml_carries_the_cautions_and_shows_markup_as_text(plan, schema, tmp_path):
    """A balloon shows HTML, so a name with a tag in it must come out as text after one unescaping."""
    trip = plan.trip
    nasty = "<script>alert(1)</script> & \x01Havn"
    trip = trip.model_copy(update={"port": trip.port.model_copy(update={"name": nasty})})
    boxes = plan.boxes.assign(why="<img src=x onerror=alert(1)>")
    path = brief.write_kml(replace(plan, trip=trip, boxes=boxes), tmp_path / "plan.kml")
    schema.validate(str(path))
    tree = etree.parse(path)
    balloons = tree.xpath("//k:description/text()", namespaces=NAMES)
    assert not any("<" in text for text in balloons)
    assert any("<img src=x onerror=alert(1)>" in html.unescape(text) for text in balloons)
    assert all(caution in html.unescape(balloons[0]) for caution in words.cautions_of(plan))


def test_kml_of_an_empty_plan_is_valid(schema, tmp_path):
    path = brief.write_kml(brief_plan.empty_plan(), tmp_path / "plan.kml")
    schema.validate(str(path))


def test_kml_that_cannot_be_written_is_named(plan, tmp_path):
    with pytest.raises(SearcherError, match=r"no folder .*missing.* to write plan\.kml in"):
        brief.write_kml(plan, tmp_path / "missing" / "plan.kml")
