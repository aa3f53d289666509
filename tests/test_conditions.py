"""What a skipper must know before trusting a plan, on seas where it is known."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest
import shapely
from seas import (
    KNOT,
    LEAVE,
    TASMAN,
    Plane,
    hours,
    make_axes,
    make_fronts,
    make_node,
    make_simple_sea,
    make_trip,
    make_waters,
)

from searcher.conditions import (
    STANDING_CAUTIONS,
    Condition,
    describe_data,
    find_cautions,
    judge_conditions,
    missing_weather,
    step_of,
)
from searcher.reach import find_reach
from searcher.tables import empty_table

PLANE = Plane(TASMAN)


@pytest.fixture(scope="module")
def trip():
    return make_trip(tank=60.0)


@pytest.fixture(scope="module")
def reach(trip):
    lon, lat = make_axes(TASMAN, half=0.9, step=0.03)
    return find_reach(trip, make_simple_sea(), waters=make_waters(lon, lat))


def weather(name: str, at=None, **fields):
    """A node on a coarse grid; fields are numbers or functions of m east, m north, hours after leaving."""
    at = hours(-12, 24, 1.0) if at is None else at
    lon, lat = make_axes(TASMAN, half=1.5, step=0.1)
    x, y = PLANE.metres(*np.meshgrid(lon, lat))
    elapsed = (at - LEAVE) / np.timedelta64(1, "h")
    filled = {key: np.array([f(x, y, h) for h in elapsed]) if callable(f) else f for key, f in fields.items()}
    return make_node(name, lon, lat, at, **filled)


def cautions(trip, sea, reach, *, boxes=None, legs=None):
    found = find_cautions(
        trip,
        sea,
        reach,
        make_fronts([PLANE.line([[0, 0], [1, 1]])]) if boxes is None else boxes,
        make_fronts([PLANE.line([[0, 0], [1, 1]])]) if legs is None else legs,
        judge_conditions(trip, sea, reach),
        describe_data(sea, trip),
    )
    assert all(isinstance(text, str) and text.endswith(".") for text in found)
    return found


def having(found, words: str) -> list[str]:
    return [text for text in found if words in text]


# ---- wind and waves


def test_the_worst_wind_and_when(trip, reach):
    """3-4-5: √(6² + 8²) = 10 m/s four hours out, less before and after."""
    gust = lambda x, _y, h: 0 * x + np.where(h == 4, 2.0, 1.0)  # noqa: E731
    wind = weather("wind", u10=lambda x, y, h: 3 * gust(x, y, h), v10=lambda x, y, h: -4 * gust(x, y, h))
    sea = make_simple_sea(wind=wind)
    found = {c.name: c for c in judge_conditions(trip, sea, reach)}
    assert found["wind"].value == pytest.approx(10.0)
    assert found["wind"].at == LEAVE + np.timedelta64(4, "h")
    assert found["wind"].limit == pytest.approx(20 * KNOT)
    assert found["wind"].within is True
    assert np.isnan(found["waves"].value)
    assert found["waves"].within is None


def test_only_hours_of_the_trip_and_water_within_reach_count(trip, reach):
    def storm(x, y, h):
        outside = (np.hypot(x, y) > 80e3) | (h > 11) | (h < -1)
        return np.where(outside, 20.0, 5.0)

    sea = make_simple_sea(wind=weather("wind", u10=storm, v10=0.0))
    assert judge_conditions(trip, sea, reach)[0].value == pytest.approx(5.0)
    later = make_trip(tank=60.0, leave=LEAVE + np.timedelta64(10, "h"))
    assert judge_conditions(later, sea, reach)[0].value == pytest.approx(20.0)


def test_beyond_a_limit_is_said_first_in_the_skippers_units(reach):
    sea = make_simple_sea(
        wind=weather("wind", u10=12.0, v10=0.0),
        waves=weather("waves", hs=lambda x, _y, h: max(1.0 + 0.2 * h, 0.0) + 0 * x),
    )
    trip = make_trip(tank=60.0, text='[show]\nspeed = "kmh"\nheight = "ft"\n')
    found = cautions(trip, sea, reach)
    assert found[0].startswith("Beyond your limit: wind up to 43.2 km/h at 20:00, your limit is 37.0 km/h.")
    assert found[1].startswith("Beyond your limit: waves up to 9.8 ft at 06:00, your limit is 6.6 ft.")
    calm = cautions(trip, make_simple_sea(wind=weather("wind", u10=5.0, v10=0.0)), reach)
    assert not having(calm, "Beyond")
    assert having(calm, "No wave data")
    assert not having(calm, "No wind data")


def test_a_field_with_gaps_or_nothing_within_reach_is_unknown_unless_past_the_limit(trip, reach):
    for size, within in ((6.0, None), (40.0, False)):
        gappy = weather("wind", u10=lambda x, _y, h, s=size: np.where(x > 0, np.nan, s) + 0 * h, v10=0.0)
        sea = make_simple_sea(wind=gappy)
        assert judge_conditions(trip, sea, reach)[0].within is within
        (said,) = [text for text in cautions(trip, sea, reach) if "wind data cover" in text]
        assert 40 <= int(re.search(r"cover (\d+)%", said)[1]) <= 60
    away = weather("wind", u10=lambda x, y, h: np.where(np.hypot(x, y) < 95e3, np.nan, 6.0) + 0 * h, v10=0.0)
    wind = judge_conditions(trip, make_simple_sea(wind=away), reach)[0]
    assert wind.within is None


def test_what_runs_are_reckoned_in_is_said_where_waves_are_not_known(trip, reach):
    flat = cautions(trip, make_simple_sea(), reach)
    assert having(flat, "Runs are reckoned in flat water: in higher waves they take longer")
    part = weather("waves", hours(-12, 2, 1.0), hs=1.0)
    slowed = reach.assign(waves=reach["time_out"] * 0.0 + 1.0)
    assert having(cautions(trip, make_simple_sea(waves=part), slowed), "in the waves that are known")
    known = cautions(trip, make_simple_sea(waves=weather("waves", hs=1.0)), slowed)
    assert not having(known, "Runs are reckoned")


def test_hours_that_are_missing_between_others_are_said_and_are_not_known(trip, reach):
    """Wind every hour but from 2 to 7 h after leaving; currents every three but one; two hours of waves."""
    at = hours(-12, 24, 1.0)
    gone = (at > LEAVE + np.timedelta64(2, "h")) & (at < LEAVE + np.timedelta64(7, "h"))
    sea = make_simple_sea(
        wind=weather("wind", at[~gone], u10=5.0, v10=0.0),
        waves=weather("waves", hours(-57, 20, 77.0), hs=1.0),
        current_hours=(-48.0, 48.0),
    )
    sea["currents"]["u"][17] = np.nan  # 3 h after leaving
    found = cautions(trip, sea, reach)
    (wind,) = having(found, "No wind data between")
    assert "22:00" in wind  # 09:00 in local time and 5 h later
    assert having(found, "No currents data between")
    assert having(found, "The wind data do not cover all hours and waters")
    assert having(found, "The wave data do not cover all hours and waters")
    whole = cautions(trip, make_simple_sea(wind=weather("wind", u10=5.0, v10=0.0)), reach)
    assert not having(whole, "between")


def test_water_without_any_current_is_said_to_be_taken_as_still(trip):
    lon, lat = make_axes(TASMAN, half=0.9, step=0.03)
    unknown = replace(make_waters(lon, lat), known=np.zeros((lat.size, lon.size), bool))
    found = cautions(trip, make_simple_sea(), find_reach(trip, make_simple_sea(), waters=unknown))
    assert having(found, "No currents are known in the water within reach: it is taken to stand still.")
    assert not having(found, "nearest known current")


def test_with_nothing_within_reach_it_is_what_blows_at_the_buoy(trip, reach):
    wind = weather("wind", u10=lambda x, y, h: 5.0 + np.hypot(x, y) / 10e3 + 0 * h, v10=0.0)
    nowhere = reach.assign(reachable=reach["reachable"] & False)
    found = judge_conditions(trip, make_simple_sea(wind=wind), nowhere)[0]
    assert found.value == pytest.approx(5.0, abs=0.3)


def test_closed_areas_elsewhere_are_said(reach):
    here, away = (shapely.box(*TASMAN, *(np.array(TASMAN) + 0.1)), shapely.box(-154.0, -31.0, -153.0, -30.0))
    for area, odd in ((here, False), (away, True), (here.union(away), False)):
        found = cautions(make_trip(tank=60.0, closed=area), make_simple_sea(), reach)
        assert bool(having(found, "No closed area of [avoid] files lies in the waters")) is odd


def test_weather_that_does_not_cover_the_trip_is_missing(trip):
    sea = make_simple_sea(wind=weather("wind", hours(-12, 2, 1.0), u10=5.0, v10=0.0))
    wind, waves = missing_weather(describe_data(sea, trip), trip)
    assert wind.startswith("The wind data do not cover the hours of the trip: they are from ")
    assert waves == "No wave data: judge the waves by the official forecast alone."
    whole = make_simple_sea(wind=weather("wind", u10=5.0, v10=0.0), waves=weather("waves", hs=1.0))
    assert list(missing_weather(describe_data(whole, trip), trip)) == []


def test_wind_of_other_days_is_unknown(trip, reach):
    for first, last in ((-90.0, -60.0), (100.0, 140.0), (-30.0, 1.0)):
        sea = make_simple_sea(wind=weather("wind", hours(first, last), u10=5.0, v10=0.0))
        assert judge_conditions(trip, sea, reach)[0].within is None


@pytest.mark.parametrize(("value", "within"), [(5.0, True), (10.0, True), (10.1, False), (np.nan, None)])
def test_a_condition_against_its_limit(value, within):
    assert Condition("wind", value, 10.0, LEAVE).within is within


# ---- data


def test_age_counts_back_from_departure(trip):
    sea = make_simple_sea(image_hours=(-30.0, -8.0, 4.0))
    rows = {row["node"]: row for row in describe_data(sea, trip)}
    assert rows["temperature"]["age"] == 8 * 3600.0
    assert rows["currents"]["age"] == 0.0
    ahead = make_simple_sea(image_hours=(2.0,))
    assert {row["node"]: row for row in describe_data(ahead, trip)}["temperature"]["age"] == 0.0
    lon, lat = make_axes(TASMAN, half=1.0, step=0.1)
    deep = make_simple_sea(depth=make_node("depth", lon, lat, depth=3000.0))
    assert {row["node"]: row for row in describe_data(deep, trip)}["depth"]["age"] is None


def test_stale_pictures_are_said_with_their_age(trip, reach):
    found = cautions(trip, make_simple_sea(image_hours=(-60.0,), current_hours=(-72, 48)), reach)
    (said,) = having(found, "Stale")
    assert "newest temperature data are 60 h old" in said
    assert "limit is 48 h" in said
    assert not having(cautions(trip, make_simple_sea(image_hours=(-47.0,)), reach), "Stale")
    patient = make_trip(tank=60.0, text="[data]\nmax_age_h = 72\n")
    assert not having(cautions(patient, make_simple_sea(image_hours=(-60.0,)), reach), "Stale")


def test_currents_that_end_early(trip, reach):
    found = cautions(trip, make_simple_sea(current_hours=(-24.0, 6.0)), reach)
    assert having(found, "currents end 4 h before the trip does")
    assert not having(cautions(trip, make_simple_sea(current_hours=(-24.0, 12.0)), reach), "currents end")


def test_fields_that_are_missing(trip, reach):
    found = cautions(trip, make_simple_sea(), reach)
    for words in ("No depth data", "No water colour data", "No wind data", "No wave data"):
        assert having(found, words)
    lon, lat = make_axes(TASMAN, half=1.0, step=0.1)
    whole = make_simple_sea(
        depth=make_node("depth", lon, lat, depth=3000.0),
        color=make_node("color", lon, lat, LEAVE, chlor_a=0.1),
        wind=weather("wind", u10=5.0, v10=0.0),
        waves=weather("waves", hs=1.0),
    )
    found = cautions(trip, whole, reach)
    assert not having(found, "No ")


def test_a_patchy_picture_is_said_with_its_share(trip, reach):
    half_clear = make_simple_sea(
        sst=[lambda x, _y: 25 + 0 * x, lambda x, _y: np.where(x > 0, np.nan, 25.0)], image_hours=(-30.0, -6.0)
    )
    (said,) = having(cautions(trip, half_clear, reach), "Patchy")
    share = int(said.split("shows ")[1].split("%")[0])
    assert share == pytest.approx(50, abs=2)
    clear = make_simple_sea(sst=lambda x, _y: np.where(x > 35e3, np.nan, 25.0))
    assert not having(cautions(trip, clear, reach), "Patchy")


def test_unknown_currents_are_said_with_their_share(trip):
    lon, lat = make_axes(TASMAN, half=0.9, step=0.03)
    waters = make_waters(lon, lat)
    waters.known[:, lon < TASMAN.lon] = False
    reach = find_reach(trip, make_simple_sea(), waters=waters)
    (said,) = having(cautions(trip, make_simple_sea(), reach), "Currents are known for only")
    assert int(said.split("only ")[1].split("%")[0]) == pytest.approx(50, abs=2)


def test_coarse_currents_are_said(trip, reach):
    """0.1° of latitude are 11.1 km, 6.0 nmi."""
    sea = make_simple_sea()
    assert step_of(sea, "currents") == pytest.approx(0.1 * 110.97e3, rel=1e-3)
    assert having(cautions(trip, sea, reach), "known every 6.0 nmi")


def test_what_the_loader_noted_is_passed_on(trip, reach):
    sea = make_simple_sea()
    sea["currents"].attrs |= {"left_out": "old.nc: 3 hours", "kind": "geostrophic current"}
    found = cautions(trip, sea, reach)
    assert having(found, "old.nc: 3 hours")
    assert having(found, "geostrophic")


def test_currents_that_begin_late_are_told(trip, reach):
    sea = make_simple_sea(image_hours=(-30.0, -4.0), current_hours=(-3.0, 24.0))
    assert having(cautions(trip, sea, reach), "The currents begin 27 h after the first picture")


def test_nothing_found_or_nothing_to_work_is_said(trip, reach):
    sea = make_simple_sea()
    assert having(cautions(trip, sea, reach, boxes=empty_table("boxes")), "nothing to recommend")
    assert having(cautions(trip, sea, reach, legs=empty_table("legs")), "No box can be worked")
    nothing = reach.assign(reachable=reach["reachable"] & False)
    assert having(cautions(trip, sea, nothing), "Nothing beyond the sea buoy is within reach")


def test_some_cautions_always_stand():
    assert len(STANDING_CAUTIONS) >= 3
    text = " ".join(STANDING_CAUTIONS)
    for word in ("forecast", "charts", "reserve", "debris"):
        assert word in text


# ---- what the data cannot show


@pytest.mark.parametrize(("step", "said"), [(3, False), (6, True), (24, True)])
def test_currents_too_far_apart_to_show_tides_are_told(trip, reach, step, said):
    """The main lunar tide turns every 6.2 h (M2, 12.42 h: Doodson 1921, from memory)."""
    sea = make_simple_sea(current_hours=(-48.0, 48.0, float(step)))
    found = [caution for caution in cautions(trip, sea, reach) if "tides are not in them" in caution]
    assert found == ([caution for caution in found if f"one field every {step} h" in caution] if said else [])
    assert len(found) == said


def test_one_field_of_currents_shows_no_tides(trip, reach):
    found = cautions(trip, make_simple_sea(current_hours=(0.0, 0.0)), reach)
    assert any("one field in all: tides are not in them" in caution for caution in found)


def test_a_sea_buoy_that_is_shut_in_is_told(trip):
    """A ring of land round the sea buoy, and the same with a gap of some cells."""
    lon, lat = make_axes(TASMAN, half=0.9, step=0.03)
    ring = PLANE.line([[0, 0], [1, 0]]).interpolate(0).buffer(0.2).exterior.buffer(0.04)
    gap = shapely.box(TASMAN.lon, TASMAN.lat - 0.08, TASMAN.lon + 1.0, TASMAN.lat + 0.08)
    for obstacles, shut in ((ring, True), (ring.difference(gap), False)):
        waters = make_waters(lon, lat, obstacles=obstacles)
        within = find_reach(trip, make_simple_sea(), waters=waters)
        found = cautions(trip, make_simple_sea(), within, boxes=empty_table("boxes"))
        assert any("No way over open water leads out" in caution for caution in found) == shut
