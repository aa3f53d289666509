"""A plan kept on disk is the same plan again; what is damaged, missing or out of date is said."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
from dataclasses import replace

import netCDF4
import numpy as np
import pandas as pd
import pytest
import shapely
import xarray as xr
from at_sea import planned, trip_text

from searcher.brief import draw_map, words
from searcher.conditions import Condition, limits_of
from searcher.errors import NoData, SearcherError
from searcher.keep import CHANGED, PLAN_FILE, open_plan, save_plan
from searcher.sea import open_sea, save_sea


@pytest.fixture(scope="module")
def plan(tmp_path_factory):
    folder = tmp_path_factory.mktemp("kept")
    (folder / "trip.toml").write_text(trip_text(), encoding="utf-8")
    made = planned(str(folder))
    save_plan(made, folder / PLAN_FILE)
    return made


def test_what_is_kept_is_what_was_planned(plan):
    again = open_plan(plan.trip.folder)
    for name in ("fronts", "boxes", "legs", "stays"):
        one, other = getattr(plan, name), getattr(again, name)
        shapes = [c for c in one.columns if c in ("geometry", "line")]
        pd.testing.assert_frame_equal(
            pd.DataFrame(one.drop(columns=shapes)), pd.DataFrame(other.drop(columns=shapes))
        )
        for column in shapes:
            assert shapely.equals_exact(one[column].to_numpy(), other[column].to_numpy()).all()
    for name in (
        "trip",
        "best",
        "bound",
        "turn_for_home",
        "made_at",
        "profile",
        "cautions",
        "settings",
        "data",
    ):
        assert getattr(plan, name) == getattr(again, name), name
    assert repr(plan.conditions) == repr(again.conditions) != "()"  # unknown values are NaN
    assert again.range_polygon.equals(plan.range_polygon)
    xr.testing.assert_allclose(plan.floating[["density", "doubt"]], again.floating, rtol=1e-6)
    assert again.floating.attrs["days"] == plan.floating.attrs["days"]


def test_the_waters_and_the_sea_are_those_of_the_plan(plan):
    again = open_plan(plan.trip.folder)
    one, other = plan.waters, again.waters
    assert np.array_equal(one.blocked, other.blocked)
    assert one.obstacles.equals(other.obstacles)
    assert np.abs(one.hourly.flow - other.hourly.flow).max() < 1e-6  # single precision
    assert one.hourly.begin == other.hourly.begin
    times = again.sea["currents"]["time"].values
    assert times[0] <= plan.trip.window.start
    assert times[-1] >= plan.trip.window.end
    assert times.size < plan.sea["currents"]["time"].size


def test_the_map_of_a_kept_plan_says_what_it_rests_on(demo_folder):
    """Hours of the pictures as on the morning's map (read by poppler), credits as on its page."""
    if shutil.which("pdftotext") is None:
        pytest.skip("no pdftotext")
    again = open_plan(demo_folder)
    text = " ".join(text.get_text() for text in draw_map(again).texts)
    kept, before = " ".join(text.split()), text_of(demo_folder / "map.pdf")
    seen = re.search(r"Temperature seen .*? old when leaving\)", before)[0]
    assert seen in kept
    credit = words.credits_of(again)
    assert "Invented sea" in credit
    assert credit in kept
    assert credit in (demo_folder / "brief.html").read_text(encoding="utf-8")


def text_of(path) -> str:
    """The text of the first sheet of a PDF."""
    command = ["pdftotext", "-l", "1", str(path), "-"]
    done = subprocess.run(command, capture_output=True, text=True, check=True, encoding="utf-8")
    return " ".join(done.stdout.split())


def test_limits_of_a_changed_trip_file_judge_the_kept_conditions(plan, tmp_path):
    (tmp_path / "trip.toml").write_text(trip_text(), encoding="utf-8")
    wind = Condition("wind", 9.0, 10.0, plan.trip.window.start)
    unknown = Condition("waves", float("nan"), 2.0, np.datetime64("NaT", "ns"))
    save_plan(replace(plan, conditions=(wind, unknown)), tmp_path / PLAN_FILE)
    limits = limits_of(open_plan(tmp_path).trip)
    for found, kept in zip(open_plan(tmp_path).conditions, (wind, unknown), strict=True):
        assert (found.name, found.limit) == (kept.name, limits[kept.name])
        assert np.array_equal([found.value], [kept.value], equal_nan=True)
        assert np.array_equal([found.at], [kept.at], equal_nan=True)
    assert open_plan(tmp_path).conditions[1].within is None


def test_a_plan_kept_by_an_earlier_searcher_opens_without_its_data(plan, tmp_path):
    """One that did not keep what its data were and how it judged the sea: everything else is there."""
    (tmp_path / "trip.toml").write_text(trip_text(), encoding="utf-8")
    save_plan(plan, tmp_path / PLAN_FILE)
    with netCDF4.Dataset(tmp_path / PLAN_FILE, "a") as file:
        text = file["kept"][:].tobytes().decode("utf-8")
        kept = json.loads(text)
        del kept["data"], kept["conditions"]
        file["kept"][:] = np.frombuffer(json.dumps(kept).ljust(len(text.encode())).encode(), np.uint8)
    assert open_plan(tmp_path).data == ()
    assert open_plan(tmp_path).conditions == ()


def test_an_earlier_hour_to_be_home_is_kept(plan, tmp_path):
    early = plan.trip.window.end - np.timedelta64(2, "h")
    (tmp_path / "trip.toml").write_text(trip_text(), encoding="utf-8")
    trip = plan.trip.until(early).model_copy(update={"folder": tmp_path})
    save_plan(replace(plan, trip=trip), tmp_path / PLAN_FILE)
    assert open_plan(tmp_path).trip.window.end == early


def test_a_trip_file_that_has_changed_is_told(plan, tmp_path):
    (tmp_path / "trip.toml").write_text(trip_text(tank=50.0), encoding="utf-8")
    (tmp_path / PLAN_FILE).write_bytes((plan.trip.folder / PLAN_FILE).read_bytes())
    again = open_plan(tmp_path)
    assert again.cautions[0] == CHANGED
    assert again.trip.boat.tank == pytest.approx(50.0 * 3.785411784)


def test_a_plan_of_another_day_is_refused(plan, tmp_path):
    text = trip_text().replace("2026-01-16", "2026-01-18").replace("2026-01-17", "2026-01-19")
    assert text != trip_text()
    (tmp_path / "trip.toml").write_text(text, encoding="utf-8")
    (tmp_path / PLAN_FILE).write_bytes((plan.trip.folder / PLAN_FILE).read_bytes())
    with pytest.raises(NoData, match=r"the plan is of another day than the trip file.*searcher plan"):
        open_plan(tmp_path)


def test_no_plan_and_a_damaged_one(plan, tmp_path):
    (tmp_path / "trip.toml").write_text(trip_text(), encoding="utf-8")
    with pytest.raises(NoData, match=r"no plan at .*plan\.nc.*searcher plan"):
        open_plan(tmp_path)
    whole = (plan.trip.folder / PLAN_FILE).read_bytes()
    for content in (whole[: len(whole) // 2], b"", b"<html>"):
        (tmp_path / PLAN_FILE).write_bytes(content)
        with pytest.raises(SearcherError, match="cannot be read as a plan"):
            open_plan(tmp_path)


def test_the_trip_is_kept_as_it_was_planned(plan, tmp_path):
    """What is typed into trip.toml between planning and saving is a change since the plan, and is said."""
    (tmp_path / "trip.toml").write_text(trip_text(tank=50.0), encoding="utf-8")
    trip = plan.trip.model_copy(update={"folder": tmp_path})
    save_plan(replace(plan, trip=trip), tmp_path / PLAN_FILE)
    again = open_plan(tmp_path)
    assert again.cautions[0] == CHANGED
    (tmp_path / "trip.toml").write_text(trip_text(), encoding="utf-8")
    again = open_plan(tmp_path)
    assert CHANGED not in again.cautions
    assert again.trip == trip


def test_an_opened_plan_and_its_sea_can_be_saved(plan, tmp_path):
    again = open_plan(plan.trip.folder)
    (tmp_path / "trip.toml").write_text(again.trip.text, encoding="utf-8")
    save_plan(again, tmp_path / PLAN_FILE)
    xr.testing.assert_identical(open_plan(tmp_path).sea, again.sea)
    xr.testing.assert_allclose(open_sea(save_sea(again.sea, tmp_path / "sea.nc")), again.sea)


def test_damage_anywhere_in_it_is_told(plan, tmp_path):
    """64 bytes of zeros at 60 places; where nothing that is read lies, the plan opens."""
    (tmp_path / "trip.toml").write_text(trip_text(), encoding="utf-8")
    whole = (plan.trip.folder / PLAN_FILE).read_bytes()
    told = []
    for at in np.random.default_rng(1).integers(len(whole) - 64, size=60):
        (tmp_path / PLAN_FILE).write_bytes(whole[:at] + bytes(64) + whole[at + 64 :])
        try:
            open_plan(tmp_path)
        except SearcherError as error:
            told.append(str(error))
    assert len(told) > 30
    assert all("plan.nc cannot be read as a plan" in text for text in told)


def test_where_it_cannot_be_written_nothing_is_left(plan, tmp_path):
    with pytest.raises(SearcherError, match="no folder"):
        save_plan(plan, tmp_path / "nowhere" / PLAN_FILE)
    assert not list(tmp_path.iterdir())


def test_a_plan_of_another_version_is_told(plan, tmp_path):
    """One whose boxes lack a fact that this version asks for, or whose profile lacks a setting."""
    (tmp_path / "trip.toml").write_text(trip_text(), encoding="utf-8")
    sections = {name: dict(section) for name, section in plan.profile.sections.items()}
    del sections["doubt"]["sweep"]
    older = replace(plan, profile=replace(plan.profile, sections=sections))
    for made, fault in (
        (older, "doubt sweep"),
        (replace(plan, boxes=plan.boxes.drop(columns="step")), "step"),
    ):
        save_plan(made, tmp_path / PLAN_FILE)
        with pytest.raises(SearcherError, match=f"made by another version, without {fault}"):
            open_plan(tmp_path)


def test_other_hours_and_gear_than_the_files_come_back(tmp_path):
    """As `plan --home-by` and the desk have them; the file still says what it said."""
    made = planned(str(tmp_path))
    trip = made.trip
    (tmp_path / "trip.toml").write_text(trip_text(), encoding="utf-8")
    window = trip.window.model_copy(update={"end": trip.window.end + np.timedelta64(3, "h")})
    gear = trip.gear.model_copy(update={"bait": "artificial", "troll": 4.0})
    save_plan(
        replace(made, trip=trip.model_copy(update={"window": window, "gear": gear})), tmp_path / PLAN_FILE
    )
    again = open_plan(tmp_path).trip
    assert (again.window.end, again.gear.troll, again.gear.bait) == (window.end, 4.0, "artificial")
    assert again.boat == trip.boat
