"""The catalogue: what stands in it, what a user may add, and every fault named at once."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from searcher.errors import SourceError
from searcher.geo import Region
from searcher.sea import NODES
from searcher.sources.catalogue import (
    PROTOCOLS,
    Product,
    find_products,
    list_products,
    overlaps,
    read_catalogue,
    share_of,
)
from searcher.sources.unpack import conversion

SOLITARY = Region(152.0, -32.0, 156.0, -29.0)
PRODUCTS = {product.id: product for product in read_catalogue()}
ROW = """
[mine]
title = "My own radar"
field = "currents"
protocol = "griddap"
address = "https://data.example.org/erddap"
dataset = "radar"
variables = ["u", "v"]
units = ["cm s-1", "cm s-1"]
grid = 0.02
time_step = "30 min"
latency = "2 h"
box = [150, -35, 156, -28]
licence = "CC BY 4.0"
credit = "My institute"
checked = "seen"
"""


@pytest.fixture
def own(tmp_path):
    def write(text: str) -> Path:
        path = tmp_path / "sources.toml"
        path.write_text(text, encoding="utf-8")
        return path

    return write


@pytest.mark.parametrize(
    ("field", "words"),
    [
        ("temperature", ["MUR", "OSTIA", "ACSPO L3S", "GOES"]),
        ("currents", ["HYCOM", "RTOFS", "OSCAR", "Copernicus global", "altimetry"]),
        ("currents", ["radar surface currents, 1 km", "radar surface currents, 2 km", "currents, 6 km"]),
        ("color", ["VIIRS", "OC-CCI"]),
        ("weed", ["loating algae"]),
        ("wind", ["GFS"]),
        ("waves", ["WAVEWATCH"]),
        ("depth", ["GEBCO"]),
    ],
)
def test_every_public_product_that_was_promised_is_there(field, words):
    titles = [product.title for product in PRODUCTS.values() if product.field == field]
    for word in words:
        assert any(word in title for title in titles), word


@pytest.mark.parametrize("product", PRODUCTS.values(), ids=list(PRODUCTS))
def test_units_turn_into_those_of_the_sea(product):
    inside = [units for _, units, _, _ in NODES[product.field].values()]
    for given_units, expected in zip(product.units, inside, strict=True):
        assert conversion(given_units, expected) is not None


@pytest.mark.parametrize("product", PRODUCTS.values(), ids=list(PRODUCTS))
def test_every_row_says_how_its_facts_are_known(product):
    assert product.checked == "from memory" or re.match(r"seen: .+; from memory: .+", product.checked)
    assert product.licence
    assert product.credit
    assert len(product.variables) == len(NODES[product.field])


def test_all_protocols_are_used():
    assert {product.protocol for product in PRODUCTS.values()} == set(PROTOCOLS)


def test_mur_row():
    # dataset, variable and grid as on the page of the dataset at coastwatch.pfeg.noaa.gov/erddap
    mur = PRODUCTS["mur"]
    assert (mur.dataset, mur.variables, mur.grid) == ("jplMURSST41", ("analysed_sst",), 0.01)
    assert (mur.time_step, mur.runs) == (86400.0, None)


def test_address_names_the_run():
    rtofs = PRODUCTS["rtofs"]
    assert rtofs.runs == 86400.0
    assert rtofs.locate(np.datetime64("2026-01-16T00:00")).endswith(
        "rtofs_global20260116/rtofs_glo_2ds_forecast_3hrly_prog"
    )


def test_own_rows_are_added_from_a_file_or_the_trip_folder(own):
    path = own(ROW)
    for extra in (path, path.parent, str(path)):
        products = read_catalogue(extra)
        assert len(products) == len(PRODUCTS) + 1
        mine = products[-1]
        assert (mine.id, mine.time_step, mine.box) == ("mine", 1800.0, Region(150, -35, 156, -28))


def test_own_row_changes_a_row_of_the_catalogue(own):
    changed = {
        product.id: product
        for product in read_catalogue(own('[mur]\naddress = "https://mirror.example/erddap"'))
    }
    assert changed["mur"].address == "https://mirror.example/erddap"
    assert changed["mur"].dataset == "jplMURSST41"
    assert list(changed) == list(PRODUCTS)


def test_folder_without_own_rows(tmp_path):
    assert read_catalogue(tmp_path) == read_catalogue()


def test_missing_file_of_rows(tmp_path):
    with pytest.raises(SourceError, match=r"absent\.toml: No such file"):
        read_catalogue(tmp_path / "absent.toml")


def test_file_that_is_not_toml(own):
    with pytest.raises(SourceError, match=r"sources\.toml is not TOML: .*line 2"):
        read_catalogue(own("[mine]\ntitle = yes"))


def test_every_fault_at_once(own):
    text = (
        ROW.replace('"currents"', '"salinity"')
        .replace("0.02", "-1")
        .replace('"2 h"', "2")
        .replace("licence", "license")
    )
    with pytest.raises(SourceError, match="6 problems") as caught:
        read_catalogue(own(text + "[mur]\nbox = [10, 0, -10, 5]\n"))
    said = "\n".join(caught.value.problems)
    for words in (
        r"\[mine\] field: .*'temperature', 'currents'.*given 'salinity'",
        r"\[mine\] grid: .*greater than 0, given -1",
        r'\[mine\] latency: given 2, expected a time with its unit, such as "24 h"',
        r"\[mine\] licence: missing",
        r"\[mine\] license: unknown key, did you mean licence\?",
        r"\[mur\] box: given \[10.*, expected \[west, south, east, north\]",
    ):
        assert re.search(words, said), words


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('units = ["cm s-1", "cm s-1"]', 'units = ["m"]', r"units: 1 given, expected one for each of 2"),
        ('time_step = "30 min"\n', "", r"time_step: expected for every field but depth"),
        ("https://data.example.org/erddap", "ftp://x", r"address: given 'ftp://x', expected one that begins"),
        ("erddap", "{region}", r"address: only \{dataset\} and \{time:...\} are filled in"),
        ("[150, -35, 156, -28]", "[156, -35, 150, -28]", r"box: given \[156.*expected \[west, south, east"),
        ("[mine]", '["../mine"]', r"id: String should match"),
        ("title =", "id = \"x\"\ntitle =", r"the name of the table is the id"),
        (ROW, "mine = 3\n", r"mine: given 3, expected a table"),
    ],
)  # fmt: skip
def test_faults_of_a_row(own, old, new, words):
    assert old in ROW
    with pytest.raises(SourceError, match=words):
        read_catalogue(own(ROW.replace(old, new)))


def test_unknown_ids_are_named_together_with_what_may_be_meant():
    with pytest.raises(SourceError, match=r"2 problems") as caught:
        find_products(["murr", "gebco", "nothing like it"])
    assert caught.value.problems[0] == "no product 'murr' in the catalogue, did you mean 'mur'?"
    assert "known: mur, ostia" in str(caught.value)


def test_ids_keep_their_order_and_come_once():
    assert [product.id for product in find_products(["waves", "mur", "waves"])] == ["waves", "mur"]
    assert [product.id for product in find_products("mur")] == ["mur"]


def test_list_covers_the_region_finest_first():
    rows = list_products(SOLITARY)
    names = [row["id"] for row in rows]
    assert names[:3] == ["mur", "acspo", "ostia"]
    assert not {"hf_radar_6km_west", "goes_hourly", "floating_algae"} & set(names)
    assert all(row["covers"] == pytest.approx(1.0) for row in rows)
    fields = [row["field"] for row in rows]
    assert fields == sorted(fields, key=list(NODES).index)
    for row in rows:
        assert row["licence"]
        assert row["credit"]
        assert row["checked"]


def test_list_tells_a_part_that_is_covered(own):
    rows = {row["id"]: row for row in list_products(Region(154, -32, 158, -29), extra=own(ROW))}
    assert rows["mine"]["covers"] == pytest.approx(0.5)
    assert (rows["mine"]["latency"], rows["mine"]["time_step"]) == (7200.0, 1800.0)


def test_catalogue_is_readable_toml_with_a_table_per_product():
    text = Path(read_catalogue.__code__.co_filename).with_suffix(".toml").read_text(encoding="utf-8")
    assert list(tomllib.loads(text)) == list(PRODUCTS)
    for key in Product.model_fields.keys() - {"id"}:
        assert re.search(rf"^#.*\b{key}\b", text, re.MULTILINE), f"{key} is not explained"


longitudes = st.integers(-360, 360)


@given(
    west=longitudes, width=st.integers(1, 40), box_west=st.integers(-180, 100), box_width=st.integers(1, 360)
)
def test_overlaps_hold_every_longitude_of_the_region_that_is_served_once(west, width, box_west, box_width):
    """Against a count of half degrees round the circle."""
    region, box = Region(west, 0, west + width, 1), Region(box_west, 0, box_west + box_width, 1)
    circle = np.arange(0.25, 360, 0.5)
    inside = lambda start, length: (circle - start) % 360 < length  # noqa: E731
    wanted = inside(region.west, width) & inside(box.west, box_width)
    found = overlaps(region, box)
    counted = sum(
        (inside(start, end - start).astype(int) for start, end in found), np.zeros(circle.size, int)
    )
    np.testing.assert_array_equal(counted, wanted.astype(int))
    assert all(box.west <= start < end <= box.east for start, end in found)
    assert share_of(region, box) == pytest.approx(wanted.sum() / 2 / width)


def test_overlaps_follow_the_region_from_west_to_east():
    half, turn = Region(-180, -90, 180, 90), Region(0, -90, 360, 90)
    assert overlaps(Region(178, 0, 183, 1), half) == [(178, 180), (-180, -177)]
    assert overlaps(Region(-2, 0, 3, 1), turn) == [(358, 360), (0, 3)]
    assert overlaps(Region(-80, 0, -70, 1), Region(74.16, -78, 434.06, 90)) == [(280, 290)]
