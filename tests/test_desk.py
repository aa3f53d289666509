"""What-ifs at the desk: the trip that is wished, the plan that comes of it, and the files."""

from __future__ import annotations

import asyncio
import socket
from dataclasses import replace

import brief_plan
import numpy as np
import pandas as pd
import pytest
from bokeh.models import InlineStyleSheet
from seas import LEAVE, make_simple_sea, make_trip, tanh_front

from searcher.brief.float_plan import float_plan_text
from searcher.desk import handover
from searcher.desk.chart import Chart
from searcher.desk.guard import Served
from searcher.desk.whatif import Desk, same_box, say_order
from searcher.desk.wishes import say_changes, trip_with, troll_limits, wishes_of
from searcher.errors import OutOfReach, SearcherError
from searcher.plan import make_plan
from searcher.trip import read_trip
from searcher.units import from_unit

HOUR = np.timedelta64(1, "h")
QUARTER = np.timedelta64(15, "m")


# ---- wishes -> trip


@pytest.fixture
def trip_file(tmp_path):
    """A function that writes a trip file with some lines changed, and reads it."""

    def read(**changes: str):
        text = brief_plan.TRIP
        for key, line in changes.items():
            before = next(row for row in text.splitlines() if row.startswith(f"{key} ="))
            text = text.replace(before, f"{key} = {line}")
        (tmp_path / "trip.toml").write_text(text)
        return read_trip(tmp_path)

    return read


def test_no_wish_leaves_the_trip_as_it_is(trip_file):
    trip = trip_file()
    assert trip_with(trip, wishes_of(trip)) == trip
    assert say_changes(trip, wishes_of(trip)) == []


@pytest.mark.parametrize(
    ("wish", "line"),
    [
        ({"leave": -2 * HOUR}, {"leave": "2026-01-17T03:00:00"}),
        ({"home_by": -3 * QUARTER}, {"home_by": "2026-01-17T15:15:00"}),
        ({"troll": from_unit(9.0, "kn")}, {"troll_kn": "9"}),
        (
            {"bait": "bare natural", "troll": from_unit(4.5, "kn")},
            {"bait": '"bare natural"', "troll_kn": "4.5"},
        ),
    ],
)
def test_a_wish_is_the_trip_of_a_file_that_says_so(trip_file, wish, line):
    trip = trip_file()
    now = wishes_of(trip)
    moved = {
        name: getattr(now, name) + by if name in ("leave", "home_by") else by for name, by in wish.items()
    }
    wished, told = trip_with(trip, replace(now, **moved)), trip_file(**line)
    assert wished.text == trip.text  # that of the file as it was read
    assert wished == told.model_copy(update={"text": trip.text})


def test_less_fuel_keeps_the_litres_of_the_reserve(trip_file):
    trip = trip_file()
    reserve = trip.boat.tank * trip.boat.reserve
    changed = trip_with(trip, replace(wishes_of(trip), fuel=300.0))
    assert changed.boat.tank == 300.0
    assert changed.boat.tank * changed.boat.reserve == pytest.approx(reserve, rel=1e-12)
    assert changed.boat.usable == pytest.approx(trip.boat.usable - (trip.boat.tank - 300.0), rel=1e-12)


def test_what_cannot_be_is_said_in_a_sentence(trip_file):
    trip = trip_file()
    now = wishes_of(trip)
    for wish, said in [
        (replace(now, fuel=trip.boat.tank * trip.boat.reserve), "more than the reserve"),
        (replace(now, fuel=trip.boat.tank + 1.0), "at most the tank"),
        (replace(now, fuel=float("nan")), "more than the reserve"),
        (replace(now, home_by=now.leave), "after leaving"),
        (replace(now, bait="bare natural"), "bare natural bait"),
    ]:
        with pytest.raises(OutOfReach, match=said):
            trip_with(trip, wish)


def test_trolling_speeds_are_those_of_the_bait_that_the_boat_keeps(trip_file):
    trip = trip_file()
    # common practice, no source: 4 to 5 kn with bare bait, 6 to 10 with artificials
    assert troll_limits(trip, "bare natural") == pytest.approx([from_unit(v, "kn") for v in (4.0, 4.5, 5.0)])
    assert troll_limits(trip, "artificial") == pytest.approx([from_unit(v, "kn") for v in (6.0, 8.0, 10.0)])


def test_changes_are_said_beside_what_the_file_says(trip_file):
    trip = trip_file()
    wishes = replace(wishes_of(trip), fuel=300.0, banned=frozenset({2}))
    assert say_changes(trip, wishes) == ["300 L in the tank (the trip file: 460 L)", "left out: box 2"]


# ---- trip -> plan: that of a planner with no memory


@pytest.fixture(scope="module")
def desk():
    def picture(x, y):
        return tanh_front(x, y, angle=90.0, offset=20e3, step=2.0, width=3000.0)[0]

    hours = (-30.0, -10.0)
    sea = make_simple_sea(
        u=0.1, sst=[picture, picture], image_hours=hours, half=1.5, current_hours=(-120, 36)
    )
    return Desk(make_trip(), sea)


@pytest.fixture(scope="module")
def first(desk):
    found = desk.plan(wishes_of(desk.trip))
    assert len(found.plan.stays), "no route to compare"
    return found


def assert_same_plan(one, other):
    """Two plans are the same to the last digit, but for the minute they were made at."""
    for name in ("fronts", "boxes", "legs", "stays"):
        pd.testing.assert_frame_equal(getattr(one, name), getattr(other, name), check_exact=True)
    assert one.reach.identical(other.reach)
    assert one.range_polygon.equals(other.range_polygon)
    assert one.trip == other.trip
    for name in ("cautions", "turn_for_home", "best", "bound", "settings", "data"):
        assert repr(getattr(one, name)) == repr(getattr(other, name)), name
    assert repr(one.conditions) == repr(other.conditions)
    assert (one.floating is None) == (other.floating is None)
    assert one.floating is None or one.floating.identical(other.floating)


#: what is wished -> stages that need not be worked out again
CHANGES = {
    "fuel": (lambda w, _: {"fuel": 0.8 * w.fuel}, {"check", "weights", "breaks", "fronts", "data"}),
    "home by": (
        lambda w, _: {"home_by": w.home_by - HOUR},
        {"check", "weights", "coast", "breaks", "fronts"},
    ),
    "leave": (lambda w, _: {"leave": w.leave + HOUR}, {"check", "weights", "coast", "breaks"}),
    "troll": (
        lambda w, trip: {"troll": troll_limits(trip, w.bait)[2]},
        {"check", "weights", "coast", "waters", "breaks", "fronts", "data"},
    ),
    "species": (
        lambda _w, _: {"species": "wahoo"},
        {"check", "coast", "waters", "reach", "breaks", "fronts", "lines", "conditions", "data"},
    ),
}
STAGES = {
    "check",
    "weights",
    "coast",
    "waters",
    "reach",
    "lines",
    "breaks",
    "fronts",
    "boxes",
    "data",
    "conditions",
}


@pytest.mark.parametrize("name", CHANGES)
def test_a_change_gives_the_plan_of_a_fresh_start(desk, first, name):
    change, spared = CHANGES[name]
    wishes = replace(first.wishes, **change(first.wishes, desk.trip))
    found = desk.plan(wishes, before=first)
    assert_same_plan(found.plan, make_plan(trip_with(desk.trip, wishes), desk.sea))
    assert set(found.made) == STAGES - spared


def test_a_box_left_out_costs_the_route_only(desk, first):
    worked = int(first.plan.stays["box"].iloc[0])
    found = desk.plan(replace(first.wishes, banned=frozenset({worked})), before=first)
    assert found.made == ()
    assert worked not in set(found.plan.stays["box"])
    assert_same_plan(found.plan, make_plan(desk.trip, desk.sea, banned=[worked]))


def test_a_proof_that_is_worked_out_afterwards_is_the_same(desk, first):
    wishes = replace(first.wishes, pinned=frozenset({int(first.plan.boxes["rank"].iloc[-1])}))
    hasty = desk.plan(wishes, before=first, prove=False)
    assert hasty.plan.bound == np.inf
    assert hasty.plan.best > 0
    assert_same_plan(desk.prove(hasty).plan, desk.plan(wishes, before=first).plan)


def test_going_back_works_out_what_memory_has_lost_and_no_more(desk, first):
    desk.plan(replace(first.wishes, fuel=0.9 * first.wishes.fuel), before=first)
    again = desk.plan(first.wishes, before=first)
    assert set(again.made) <= {"boxes"}  # only the last few of each stage are remembered
    assert_same_plan(again.plan, first.plan)


def test_a_box_left_out_stays_left_out_when_numbers_change(desk, first):
    worked = int(first.plan.stays["box"].iloc[0])
    wishes = replace(first.wishes, banned=frozenset({worked}), fuel=0.85 * first.wishes.fuel)
    found = desk.plan(wishes, before=first)
    number = same_box(worked, first.plan.boxes, found.plan.boxes)
    banned = set() if number is None else {number}  # with less fuel the box may be gone
    assert found.wishes.banned == banned
    assert not banned & set(found.plan.stays["box"])
    assert_same_plan(found.plan, make_plan(trip_with(desk.trip, wishes), desk.sea, banned=banned))


def test_boxes_are_known_again_by_kind_and_place(first):
    boxes = first.plan.boxes
    turned = boxes.assign(rank=len(boxes) + 1 - boxes["rank"])
    for rank in boxes["rank"]:
        assert same_box(rank, boxes, turned) == len(boxes) + 1 - rank
    assert same_box(1, boxes, boxes.assign(kind="color change")) is None
    assert same_box(1, boxes, boxes.iloc[:0]) is None


def test_the_order_before_is_told_in_the_numbers_of_now(first):
    """What is gone is counted: 22 times the same words tell nothing."""
    days, boxes = first.plan.stays, first.plan.boxes
    others = boxes.assign(kind="color change")
    count = len(days)
    assert count > 1
    now = replace(first.plan, boxes=others)
    assert say_order(first.plan, now).endswith(f"Before: {count} boxes, none of which is left.")
    kept = int(days["box"].iloc[0])
    kinds = boxes["kind"].where(boxes["rank"] == kept, "color change")
    some = replace(first.plan, boxes=boxes.assign(kind=kinds))
    gone = "1 that is gone" if count == 2 else f"{count - 1} that are gone"
    assert say_order(first.plan, some).endswith(f"Before: {kept}, and {gone}.")
    assert say_order(first.plan, first.plan) == ""


def test_an_impossible_day_is_refused(desk, first):
    soon = np.datetime64(LEAVE, "ns") + np.timedelta64(30, "m")
    with pytest.raises(OutOfReach, match="come home"):
        desk.plan(replace(first.wishes, home_by=soon), before=first)


def test_the_plan_says_where_it_departs_from_the_file(desk, first):
    assert desk.with_notes(first) is first.plan
    worked = int(first.plan.stays["box"].iloc[0])
    found = desk.plan(replace(first.wishes, banned=frozenset({worked})), before=first)
    noted = desk.with_notes(found)
    assert noted.cautions[0].endswith(f"left out: box {worked}.")
    assert noted.cautions[1:] == found.plan.cautions
    less = desk.with_notes(desk.plan(replace(first.wishes, fuel=230.0), before=first))
    text = float_plan_text(less)
    assert f"In the tank: 230 L (holds {desk.trip.boat.tank:.0f} L)" in text
    assert f" L ({desk.trip.boat.reserve:.0%} of the tank)" in text


# ---- files


@pytest.fixture(scope="module")
def plan():
    return brief_plan.make_plan()


def sides(chart):
    """West, south, east and north of what a map shows, m."""
    x, y = chart.plot.x_range, chart.plot.y_range
    return x.start, y.start, x.end, y.end


def test_the_map_moves_where_a_route_seen_whole_stands_out_of_it(plan):
    """Box 9 lies 20 miles north of the boxes of the day before."""
    other = replace(plan, legs=brief_plan.make_legs(plan.trip, plan.boxes, ranks=(9,)))
    chart = Chart(InlineStyleSheet(css=""))
    chart.show(plan)
    frame = sides(chart)
    chart.show(plan)
    assert sides(chart) == frame
    assert chart.facts["view"][3] < frame[3]
    chart.show(other)
    west, south, east, north = chart.facts["view"]
    assert north > frame[3]
    shown = sides(chart)
    assert shown[0] <= west < east <= shown[2]
    assert shown[1] <= south < north <= shown[3]


def test_the_map_stays_where_it_was_looked_at_closely(plan):
    other = replace(plan, legs=brief_plan.make_legs(plan.trip, plan.boxes, ranks=(9,)))
    chart = Chart(InlineStyleSheet(css=""))
    chart.show(plan)
    for side in (chart.plot.x_range, chart.plot.y_range):
        side.update(start=side.start + 20e3, end=side.start + 30e3)
    close = sides(chart)
    chart.show(other)
    assert sides(chart) == close


def test_files_go_into_a_folder_of_their_own(plan, tmp_path):
    (tmp_path / "desk-1").mkdir()
    paths = handover.write_aside(plan, tmp_path)
    assert {path.parent for path in paths} == {tmp_path / "desk-2"}
    assert {path.name for path in paths} == {path.name for path in (tmp_path / "desk-2").iterdir()}
    assert "brief.html" in {path.name for path in paths}
    assert sorted(path.name for path in tmp_path.iterdir()) == ["desk-1", "desk-2"]


def test_a_hand_over_that_fails_leaves_nothing_behind(plan, tmp_path, monkeypatch):
    (tmp_path / "brief.html").write_text("of before")

    def fail(_plan, folder, **_):
        (folder / "route.gpx").write_text("half")
        raise SearcherError("disk full")

    monkeypatch.setattr(handover, "write_all", fail)
    for write in (handover.write_aside, handover.write_over):
        with pytest.raises(SearcherError, match="disk full"):
            write(plan, tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == ["brief.html"]
    assert (tmp_path / "brief.html").read_text() == "of before"


def test_a_port_that_is_taken_is_one_sentence():
    async def serve(port: int) -> None:
        Served(print, port=port)

    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        with pytest.raises(SearcherError, match=rf"port {port} cannot be listened on: .* Leave --port out"):
            asyncio.run(serve(port))
