"""The tables: what passes, and that every fault of a bad one is named."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

from searcher import tables
from searcher.errors import TableError

LINE = shapely.LineString([(153.4, -30.2), (153.5, -30.4)])
NOON = np.datetime64("2026-01-17T02:00", "ns")
VALUES = {"text": "x", "time": NOON, "number": 1.5, "integer": 1}


def columns_of(name: str, rows: int = 2) -> dict:
    """Fitting columns for a table of the named schema."""
    columns = {column: [VALUES[kind]] * rows for column, kind in tables.SCHEMAS[name].items()}
    if name in tables.KINDS:
        columns["kind"] = [tables.KINDS[name][0]] * rows
    return columns


@pytest.mark.parametrize("name", tables.SCHEMAS)
def test_a_fitting_table_passes_and_is_in_longitude_and_latitude(name):
    frame = tables.make_table(name, [LINE, LINE], columns_of(name))
    assert tables.check_table(name, frame) is frame
    assert len(frame) == 2
    assert frame.crs.to_epsg() == 4326


@pytest.mark.parametrize("name", tables.SCHEMAS)
def test_an_empty_table_passes_with_all_its_columns_and_types(name):
    frame = tables.empty_table(name)
    assert len(frame) == 0
    full = tables.make_table(name, [LINE], columns_of(name, 1))
    for column in tables.SCHEMAS[name]:
        assert frame[column].dtype == full[column].dtype, column


def test_whole_numbers_and_dates_are_cast():
    columns = columns_of("fronts") | {"step": [1, 2], "valid_time": [pd.Timestamp(NOON)] * 2}
    frame = tables.make_table("fronts", [LINE, LINE], columns)
    assert frame["step"].dtype == np.float64
    assert frame["valid_time"].dtype == np.dtype("datetime64[ns]")


def test_extra_columns_are_kept():
    boxes = tables.make_table(
        "boxes", [LINE, LINE], columns_of("boxes"), evidence_break=[0.1, 0.2], evidence_age=[0.0, 0.1]
    )
    assert tables.evidence_columns(boxes) == ["evidence_break", "evidence_age"]


def test_every_fault_is_named_at_once():
    frame = tables.make_table("fronts", [LINE, LINE], columns_of("fronts"))
    bad = frame.drop(columns=["doubt", "seen_share"]).set_crs("EPSG:3857", allow_override=True)
    bad["strength"] = ["strong", "weak"]
    bad["valid_time"] = [1.0, 2.0]
    bad["source"] = [1, 2]
    with pytest.raises(TableError, match="fronts table: 6 problems") as caught:
        tables.check_table("fronts", bad)
    said = "\n".join(caught.value.problems)
    for word in ("EPSG:3857", "'doubt'", "'seen_share'", "'strength'", "'valid_time'", "'source'"):
        assert word in said


@pytest.mark.parametrize("name", tables.SCHEMAS)
def test_any_missing_column_is_named(name):
    frame = tables.make_table(name, [LINE], columns_of(name, 1))
    for column in tables.SCHEMAS[name]:
        with pytest.raises(TableError, match=f"column '{column}' is missing"):
            tables.check_table(name, frame.drop(columns=column))


@pytest.mark.parametrize("name", tables.SCHEMAS)
def test_any_column_of_another_type_is_named(name):
    frame = tables.make_table(name, [LINE], columns_of(name, 1))
    for column, kind in tables.SCHEMAS[name].items():
        wrong = frame.copy()
        wrong[column] = [{"number": "1.5", "integer": 1.5}.get(kind, 3)]
        with pytest.raises(TableError, match=f"column '{column}': given .*, expected {kind}"):
            tables.check_table(name, wrong)


@pytest.mark.parametrize("name", ["fronts", "legs"])
def test_unknown_kinds_are_named(name):
    frame = tables.make_table(name, [LINE, LINE], columns_of(name))
    frame.loc[1, "kind"] = "whirlpool"
    with pytest.raises(TableError, match="'kind': given \\['whirlpool'\\]"):
        tables.check_table(name, frame)


def test_a_table_without_coordinates_is_refused():
    frame = gpd.GeoDataFrame(columns_of("legs"), geometry=[LINE, LINE])
    with pytest.raises(TableError, match="given None, expected EPSG:4326"):
        tables.check_table("legs", frame)


def test_a_plain_data_frame_is_refused():
    with pytest.raises(TableError, match="given DataFrame; expected a GeoDataFrame"):
        tables.check_table("legs", pd.DataFrame(columns_of("legs")))
