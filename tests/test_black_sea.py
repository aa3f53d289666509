"""A whole day planned on real data: the Black Sea of 2016-07-07 (origin and credit: fixtures/README.md)."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pytest
import shapely

from searcher import geo
from searcher.plan import make_plan
from searcher.sources import load_sea
from searcher.trip import read_trip
from searcher.units import GALLON

FIXTURES = Path(__file__).parents[1] / "fixtures"
TRIP = """
[port]
name = "Gelendzhik"
at = [38.07, 44.56]
sea_buoy = [38.02, 44.53]
timezone = "Europe/Moscow"
[window]
leave = "2016-07-07 05:00"
home_by = "2016-07-07 17:00"
[boat]
name = "Test"
burn_unit = "gal"
burn = [[4, 1.5], [6, 2.2], [8, 3.4], [15, 8], [20, 10], [25, 13]]
tank_gal = 120
draught_ft = 2.5
max_wind_kn = 18
max_wave_ft = 4
cruise_kn = 20
[data]
files = ["data/black_sea_*.nc"]
"""


@pytest.fixture(scope="module")
def plan(tmp_path_factory):
    folder = tmp_path_factory.mktemp("black_sea")
    (folder / "data").mkdir()
    for path in FIXTURES.glob("black_sea_*.nc"):
        shutil.copy(path, folder / "data")
    (folder / "trip.toml").write_text(TRIP)
    trip = read_trip(folder)
    return make_plan(trip, load_sea(trip.region, trip.window, sources=trip.sources))


def test_the_day_keeps_every_limit(plan):
    legs, trip = plan.legs, plan.trip
    assert {"run", "lines in", "troll", "lines up", "home"} == set(legs["kind"])
    assert legs["fuel_left"].min() >= 120 * GALLON / 3
    assert legs["end"].iloc[-1] <= trip.window.end
    land = geo.land(trip.region, detail="full")
    assert not shapely.intersects(land, legs.geometry.values).any()


def test_what_the_data_lack_is_said(plan):
    said = " ".join(plan.cautions)
    for words in ("No wind data", "No wave data", "geostrophic", "No depth data", "currents end 14 h before"):
        assert words in said
    assert all(condition.within is None for condition in plan.conditions)


def test_breaks_lie_where_the_granule_itself_has_its_steepest_slopes(plan):
    """On the lines, numpy's own slope of the temperature is among the steepest of the region."""
    data = plan.sea["temperature"].to_dataset()
    sst = data["sst"].isel(time=0).values.astype(float)
    per_lat = 111.2
    north, east = np.gradient(sst, data["lat"].values * per_lat, data["lon"].values * per_lat * 0.71)
    slope = np.hypot(north, east)
    breaks = plan.fronts[plan.fronts["kind"] == "temperature break"]
    xy = np.concatenate([shapely.get_coordinates(line) for line in breaks.geometry])
    row = np.abs(data["lat"].values[:, None] - xy[:, 1]).argmin(axis=0)
    column = np.abs(data["lon"].values[:, None] - xy[:, 0]).argmin(axis=0)
    on_lines = slope[row, column]
    assert len(breaks) >= 3
    assert np.nanmedian(on_lines) > np.nanquantile(slope, 0.75)
