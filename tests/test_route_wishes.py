"""What the skipper may ask of a day: boxes pinned or banned, places, hours, speeds; how long to stay."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from seas import GEOD, HOUR, KNOT, LEAVE, TASMAN, Plane, make_axes, make_simple_sea, make_trip, make_waters
from test_route import make_boxes, north_south, spread_out

from searcher.effort import Z80
from searcher.errors import OutOfReach
from searcher.geo import Place
from searcher.reach import find_reach, running_speeds
from searcher.route import MOST_PASSES, find_route, lay_route
from searcher.sea import to_seconds
from searcher.tables import check_table

PLANE = Plane(TASMAN)
LON, LAT = make_axes(TASMAN, half=0.9, step=0.03)
SEA = make_simple_sea(u=0.3, v=-0.2, current_hours=(-12.0, 40.0))
WATERS = make_waters(LON, LAT, u=0.3, v=-0.2)


def place(x: float, y: float) -> Place:
    return Place(*(float(a) for a in PLANE.degrees(x, y)))


def after(hours: float) -> np.datetime64:
    return LEAVE + np.timedelta64(round(hours * 3600), "s")


def plan_route(lines, expected, *, drifting=True, length=8.0, tank=60.0, **options):
    """(route, trip, reach) of some lines, in a steady current."""
    trip = make_trip(tank=tank, length=length)
    reach = find_reach(trip, SEA, waters=WATERS)
    boxes = make_boxes(lines, expected)
    route = find_route(boxes, reach, trip, sea=SEA if drifting else None, waters=WATERS, **options)
    return route, trip, reach


def check_limits(route, trip, *, start=TASMAN, finish=TASMAN, at=LEAVE, by=None, fuel=None) -> None:
    """Between its places and hours, never on the reserve, one leg after another."""
    legs = check_table("legs", route.legs)
    xy = [shapely.get_coordinates(line)[[0, -1]] for line in legs.geometry]
    assert GEOD.inv(*xy[0][0], *start)[2] < 1.0
    assert GEOD.inv(*xy[-1][1], *finish)[2] < 1.0
    begin, end = (to_seconds(legs[name].to_numpy()) for name in ("start", "end"))
    assert begin[0] >= to_seconds(at) - 0.01
    assert end[-1] <= to_seconds(trip.window.end if by is None else by) + 0.01
    assert np.abs(begin[1:] - end[:-1]).max() < 0.01
    tank = trip.boat.tank if fuel is None else fuel
    np.testing.assert_allclose(legs["fuel_left"], tank - legs["fuel_used"].cumsum(), atol=1e-3)
    assert legs["fuel_left"].min() >= trip.boat.tank * trip.boat.reserve - 1e-6


# ---- boxes


FIVE = [north_south(x, y) for x, y in ((12e3, 0), (15e3, 9e3), (-15e3, 5e3), (-40e3, -5e3), (20e3, -9e3))]
RATES = [1.0, 0.9, 0.8, 0.1, 0.7]


def test_a_pinned_box_is_worked_though_it_costs_better_ones():
    free, trip, _ = plan_route(FIVE, RATES, length=5.0)
    assert 5 not in set(free.stays["box"])
    pinned, _, _ = plan_route(FIVE, RATES, length=5.0, pinned=[5])
    check_limits(pinned, trip)
    assert 5 in set(pinned.stays["box"])
    assert 0 < pinned.worth < free.worth


def test_a_banned_box_is_left_out():
    free, _, _ = plan_route(FIVE, RATES)
    assert 1 in set(free.stays["box"])
    banned, trip, _ = plan_route(FIVE, RATES, banned=[1, 2])
    check_limits(banned, trip)
    assert not {1, 2} & set(banned.legs["box"])
    assert len(banned.stays)


def test_pins_that_no_day_can_hold_are_refused():
    with pytest.raises(OutOfReach, match=r"no day found that works every pinned box.*\[1, 3, 5\].*Pin fewer"):
        plan_route(FIVE, RATES, length=4.0, pinned=[1, 3, 5])


def test_ranks_that_cannot_be_pinned_or_banned_are_told():
    with pytest.raises(OutOfReach, match=r"rank 9, rank 2 both pinned and banned.*of \[1, 2, 3, 4, 5\]"):
        plan_route(FIVE, RATES, pinned=[2, 9], banned=[2])


def test_all_boxes_banned_leaves_no_legs():
    route, _, _ = plan_route(FIVE, RATES, banned=[1, 2, 3, 4, 5])
    assert route.legs.empty
    assert route.stays.empty
    assert route.worth == 0.0


# ---- places, hours, fuel, speeds


def test_home_by_shortens_the_day():
    route, trip, _ = plan_route(FIVE, RATES, home_by=after(4.0))
    check_limits(route, trip, by=after(4.0))
    longer, _, _ = plan_route(FIVE, RATES, home_by=after(20.0))  # no later than the trip's own
    check_limits(longer, trip)
    assert longer.worth > route.worth > 0


def test_a_day_may_end_elsewhere():
    finish = place(30e3, 20e3)
    route, trip, _ = plan_route(FIVE, RATES, finish=finish)
    check_limits(route, trip, finish=finish)
    assert route.legs["kind"].iloc[-1] == "home"
    # the way to there is short, so the last box is on that side
    assert PLANE.vertices(route.legs.geometry.iloc[-1])[0, 0] > 0


def test_a_day_may_go_on_from_where_the_boat_is():
    start, at, fuel = place(-10e3, 10e3), after(3.0), 200.0
    route, trip, _ = plan_route(FIVE, RATES, start=start, at=at, fuel=fuel)
    check_limits(route, trip, start=start, at=at, fuel=fuel)
    assert route.legs["kind"].iloc[0] == "run"
    assert len(route.stays) >= 2


def test_who_waits_at_sea_for_daylight_burns_what_the_slowest_speed_does():
    """From port the boat waits at its berth."""
    trip = make_trip(tank=60.0, length=8.0, leave=LEAVE - np.timedelta64(8, "h"))
    reach, boxes = find_reach(trip, SEA, waters=WATERS), make_boxes([north_south(12e3)], [1.0])
    given = {"start": place(11e3, -4e3), "at": trip.window.start, "fuel": 200.0}
    for told, fuel, idle in (
        ({}, trip.boat.tank, 0.0),
        (given, 200.0, trip.boat.burn(min(trip.boat.speeds))),
    ):
        first = find_route(boxes, reach, trip, waters=WATERS, **told).legs.iloc[0]
        waited = float(to_seconds(first["start"]) - to_seconds(trip.window.start))
        assert waited > HOUR
        assert first["fuel_left"] + first["fuel_used"] == pytest.approx(fuel - idle * waited, abs=1e-6)


@settings(max_examples=12, deadline=None)
@given(
    seed=st.integers(0, 10_000),
    at=st.floats(0.0, 4.0),
    fuel=st.floats(100.0, 220.0),
    x=st.floats(-30e3, 30e3),
    y=st.floats(-30e3, 30e3),
    by=st.floats(5.0, 9.0),
)
def test_no_day_from_anywhere_breaks_a_limit(seed, at, fuel, x, y, by):
    lines, expected = spread_out(7, seed)
    start, finish = place(x, y), place(-y, x)
    route, trip, _ = plan_route(
        lines, expected, start=start, at=after(at), fuel=fuel, finish=finish, home_by=after(by)
    )
    if len(route.legs):
        by = min(after(by), trip.window.end)
        check_limits(route, trip, start=start, finish=finish, at=after(at), by=by, fuel=fuel)


def test_of_some_speeds_the_one_of_the_best_day_is_run():
    """Fuel for little running: 20 kn make 1.5 nmi/gal, 8 kn two; with hours to spare slow boats do more."""
    lines, rates = [north_south(8e3), north_south(-14e3)], [1.0, 0.9]
    speeds = running_speeds(make_trip().boat)
    assert min(speeds) == pytest.approx(8 * KNOT)
    options = {"tank": 36.0, "length": 12.0, "drifting": False}
    each = [plan_route(lines, rates, speeds=[speed], **options)[0] for speed in speeds]
    best, trip, _ = plan_route(lines, rates, speeds=speeds, **options)
    assert best.worth == max(route.worth for route in each)
    assert best.worth > each[speeds.index(trip.boat.cruise)].worth
    runs = best.legs[best.legs["kind"].isin(["run", "home"])]
    assert (runs["speed"] == best.speed).all()
    burn = trip.boat.burn(best.speed)
    span = (runs["end"] - runs["start"]).dt.total_seconds()
    np.testing.assert_allclose(runs["fuel_used"], burn * span, rtol=1e-6)


# ---- how long to stay


def test_stays_are_those_of_the_legs():
    route, _, _ = plan_route(FIVE, RATES)
    troll = route.legs[route.legs["kind"] == "troll"]
    assert route.stays["box"].tolist() == list(dict.fromkeys(troll["box"]))
    for stay in route.stays.itertuples():
        own = troll[troll["box"] == stay.box]
        assert (stay.start, stay.end) == (own["start"].iloc[0], own["end"].iloc[-1])
        assert 1 <= stay.passes <= MOST_PASSES
        assert own["end"].iloc[-stay.passes] <= stay.leave_by <= stay.end
    assert route.stays["leave_by"].iloc[-1] == route.stays["end"].iloc[-1]  # nothing to leave it for


def test_no_box_is_left_before_its_first_pass_is_done():
    """Also where the boat has trolled on to it from the box before: those minutes tell nothing of it."""
    route, _, _ = plan_route([north_south(12e3, 0), north_south(12e3, 7.8e3)], [0.3, 2.0])
    troll = route.legs[route.legs["kind"] == "troll"]
    joined = 0
    for stay in route.stays.itertuples():
        own = troll[troll["box"] == stay.box]
        joined += len(own) > stay.passes
        assert own["end"].iloc[-stay.passes] <= stay.leave_by
    assert joined == 1


def test_further_passes_are_worth_less_as_search_theory_has_it():
    """A pass covers the strip that is looked over once, and finds 1 - exp(-1) of what is there (Koopman)."""
    route, trip, _ = plan_route([north_south(15e3)], [1.0], drifting=False, length=10.0)
    (stay,) = route.stays.itertuples()
    assert stay.passes == MOST_PASSES
    hours = 7000.0 / trip.gear.troll / HOUR
    there = hours  # at 1 an hour to begin with
    assert stay.expected == pytest.approx(there * -np.expm1(-3.0), rel=1e-3)


def test_an_empty_box_is_left_when_the_rest_of_the_day_promises_more():
    """The posterior of a gamma rate after a blank, in general terms: Charnov 1976 and scipy."""
    lines = [north_south(12e3, 0), north_south(13e3, 10e3), north_south(12e3, -10e3)]
    route, trip, _ = plan_route(lines, [1.0, 0.95, 0.9], drifting=False, length=12.0, tank=120.0)
    stays = route.stays
    early = [k for k in range(len(stays) - 1) if stays["leave_by"][k] < stays["end"][k]]
    assert early, stays
    seconds = {name: to_seconds(stays[name].to_numpy()) for name in ("start", "end", "leave_by")}
    for k in early:
        blank = seconds["leave_by"][k] - seconds["start"][k]
        if blank <= 7000.0 / trip.gear.troll + 1:  # one pass is done in any case
            continue
        mean = [1.0, 0.95, 0.9][stays["box"][k] - 1] / HOUR
        log_sd = np.log(4.0) / (2 * Z80)  # from half to twice, as make_boxes has it
        shape = 1 / np.expm1(log_sd**2)
        fading = trip.gear.troll / 7000.0
        exposed = -np.expm1(-fading * blank) / fading
        posterior = stats.gamma(shape, scale=1 / (shape / mean + exposed)).mean() * np.exp(-fading * blank)
        rest = stays["expected"][k + 1 :].sum() / (seconds["end"][-1] - seconds["end"][k])
        assert posterior == pytest.approx(rest, rel=1e-3)


# ---- proof


def test_a_proof_comes_with_the_legs():
    lines, expected = spread_out(12, 3)
    trip = make_trip(tank=60.0, length=8.0)
    reach = find_reach(trip, SEA, waters=WATERS)
    boxes = make_boxes(lines, expected)
    legs = lay_route(boxes, reach, trip, waters=WATERS, prove=True)
    proof = legs.attrs["proof"]
    assert proof["proven"]
    assert proof["bound"] == pytest.approx(proof["best"], rel=1e-6)
    unproven = lay_route(boxes, reach, trip, waters=WATERS).attrs["proof"]
    assert not unproven["proven"]
    assert 0.9 * proof["best"] <= unproven["best"] <= proof["best"] * (1 + 1e-9)
    gap = find_route(boxes, reach, trip, waters=WATERS, prove=True, most=2, pinned=[12])
    assert gap.best <= gap.bound
    assert gap.best <= proof["best"] * (1 + 1e-9)
