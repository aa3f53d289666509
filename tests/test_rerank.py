"""The day anew at sea: exact on two breaks in a uniform current, and never on the reserve."""

from __future__ import annotations

import json
import math
import os
import signal
import time
from dataclasses import replace

import gpxpy
import numpy as np
import pytest
import shapely
from at_sea import EAST, PLANE, after, bite, box_line, log_of, place, planned, trolled
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from scipy import integrate, stats
from seas import HOUR, KNOT, time_across

from searcher.brief import write_table
from searcher.cli.again import facts_of, find_here, parse_fuel, write_rerank
from searcher.course import day_of
from searcher.errors import OutOfReach, SearcherError
from searcher.geo import Place, bearing, destination
from searcher.homeward import way_home
from searcher.learn.hints import DEPTH_GAIN, FLOCK_GAIN
from searcher.learn.registration import NOISE
from searcher.learn.trolled import SHAPE, box_factor, with_fading
from searcher.onward import say_numbers
from searcher.reasons import SHUT_IN, say_reasons, say_way
from searcher.reranking import day_at_sea, place_of_box, rerank
from searcher.route import fading_of
from searcher.sea import to_seconds
from searcher.sightings import Sighting, middle_of, parse_place
from searcher.sightings.entry import BY_PLAN
from searcher.sightings.places import LastAnswer, last_answer
from searcher.tables import COLOR_CHANGE, TEMPERATURE, TEMPERATURE_BREAK, WEED_LINE, check_table

HERE = place(17e3, 2e3)
NOW = after(4.0)
EMPTY = log_of()


@pytest.fixture(scope="module")
def plan():
    return planned()


def again(plan, *entries, at=HERE, fuel=None, now=NOW, **said):
    """A rerank with a tank four fifths full, unless said otherwise."""
    fuel = 0.8 * plan.trip.boat.tank if fuel is None else fuel
    return rerank(plan, log_of(*entries), at=at, fuel=fuel, now=now, **said)


def rates(found) -> dict[int, float]:
    return dict(zip(found.plan.boxes["rank"], found.plan.boxes["expected"], strict=True))


def eastings(found, number: int) -> np.ndarray:
    """How far east of the sea buoy the line of a box lies now, m, within 20 km north and south."""
    xy = PLANE.vertices(found.plan.boxes.set_index("rank")["line"][number])
    return xy[:, 0]


def near_box(plan, *, low: bool = False) -> int:
    """The box nearest the latitude of the sea buoy, of the far break or of the near one (`low`)."""
    boxes = plan.boxes[plan.boxes["front"] == int(low)]
    middle = [abs(PLANE.vertices(line)[:, 1].mean()) for line in boxes["line"]]
    return int(boxes["rank"].iloc[int(np.argmin(middle))])


# ---- without a word in the log


def test_without_a_log_boxes_have_drifted_on(plan):
    """Every line EAST · t farther east than planned, and nothing else changed but the doubt."""
    found = again(plan)
    check_table("boxes", found.plan.boxes)
    for number in plan.boxes["rank"]:
        planned_for = plan.boxes.set_index("rank")["valid_time"][number]
        before = PLANE.vertices(box_line(plan, number))[:, 0].mean()
        later = float(to_seconds(NOW) - to_seconds(planned_for.to_datetime64()))
        assert eastings(found, number).mean() == pytest.approx(before + EAST * later, abs=30.0)
    assert (found.changes["doubt"] > plan.boxes["doubt"].min()).all()
    assert found.changes["factor"].tolist() == pytest.approx([1.0] * len(found.changes))
    assert say_reasons(found) == ["Nothing in the log yet: the morning's boxes, drifted on."]


def test_boxes_keep_the_numbers_of_the_morning(plan):
    found = again(plan, trolled(plan, 1, 2.0, 3.5, "nothing"))
    assert set(found.plan.boxes["rank"]) == set(plan.boxes["rank"])
    assert (np.diff(found.plan.boxes["expected"]) <= 1e-12).all()
    fronts = plan.boxes.set_index("rank")["front"]
    assert found.plan.boxes.set_index("rank")["front"].to_dict() == fronts.to_dict()


# ---- what is seen


def test_a_blank_lowers_and_a_bite_raises(plan):
    """The box itself most, and those with the same evidence with it."""
    quiet, blank, met = (
        rates(again(plan, *entries))
        for entries in (
            (),
            (trolled(plan, 2, 2.0, 2.7, "nothing"),),
            (trolled(plan, 2, 2.0, 2.7), bite(plan, 2, 2.65, depth=9000.0)),
        )
    )
    assert blank[2] < quiet[2] < met[2]
    assert blank[5] < quiet[5] < met[5]
    assert blank[2] / quiet[2] < blank[5] / quiet[5] < 1.0
    assert met[2] / quiet[2] > met[5] / quiet[5] > 1.0


def test_more_hours_in_vain_lower_more(plan):
    left = [rates(again(plan, trolled(plan, 2, 1.0, end, "nothing")))[2] for end in (1.5, 2.5, 3.5)]
    assert left[0] > left[1] > left[2] > 0


def test_another_fish_is_no_encounter(plan):
    stretch = trolled(plan, 2, 2.0, 2.7)
    blank, wahoo, named, unsaid = (
        rates(again(plan, stretch, *more))[2]
        for more in (
            (),
            (bite(plan, 2, 2.6, depth=9000.0, species="wahoo"),),
            (bite(plan, 2, 2.6, depth=9000.0, species="dolphinfish"),),
            (bite(plan, 2, 2.6, depth=9000.0),),
        )
    )
    assert wahoo == pytest.approx(blank)
    assert named == pytest.approx(unsaid)
    assert named > blank


def test_a_whole_turn_of_longitude_changes_nothing(plan):
    one, other = again(plan), again(plan, at=(HERE.lon - 360.0, HERE.lat))
    assert say_way(one) == say_way(other)


def test_what_was_looked_over_is_worked_out_and_what_lies_beside_is_not(plan):
    """Random search (Koopman 1980): e^(-f·t) is left along the line trolled, all of it 900 m aside."""
    box = plan.boxes.set_index("rank").loc[2]
    x, y = PLANE.vertices(box["line"]).T
    hours = np.linspace(1.0, 2.0, x.size)  # each vertex is passed where it has drifted to by then
    planned_for = float(to_seconds(box["valid_time"].to_datetime64()) - to_seconds(after(0.0))) / HOUR
    x = x + EAST * (hours - planned_for) * HOUR

    def left(aside: float) -> float:
        track = shapely.LineString([place(*at) for at in zip(x + aside, y, strict=True)])
        found = again(plan, Sighting("trolled", track, after(1.0), after(2.0)))
        return found.changes.set_index("number")["left"][2]

    assert left(900.0) == pytest.approx(1.0, abs=1e-6)
    assert left(0.0) == pytest.approx(math.exp(-plan.trip.gear.troll / box["length"] * HOUR), rel=0.02)


def test_the_factor_of_a_box_is_the_exact_posterior_mean():
    """Gamma prior of mean 1, Poisson count: by numerical integration (scipy)."""
    for expected, met in ((0.3, 0), (0.3, 1), (2.0, 1), (1.2, 5)):

        def dense(g, expected=expected, met=met):
            return stats.gamma.pdf(g, SHAPE, scale=1 / SHAPE) * stats.poisson.pmf(met, g * expected)

        total = integrate.quad(dense, 0, 60)[0]
        mean = integrate.quad(lambda g: g * dense(g), 0, 60)[0] / total
        assert float(box_factor(expected, met)) == pytest.approx(mean, rel=1e-6)


def test_what_was_worked_is_worked_out_as_koopman_has_it(plan):
    """With rate ρ·e^(-f·t), passes of T and t s yield ∫ρ·e^(-f·s)ds over their own hours (quadrature)."""
    found = again(plan, trolled(plan, 3, 1.0, 2.0), trolled(plan, 3, 2.1, 2.6))
    fading = 1.0 / 5000.0
    one = found.stretches.assign(offset=0.0)
    gains = np.exp(with_fading(one, plan.boxes, np.full(len(plan.boxes), fading))["offset"])
    spans = [(0.0, 3600.0), (3600.0, 5400.0)]
    for gain, (first, last) in zip(gains, spans, strict=True):
        exact = integrate.quad(lambda s: math.exp(-fading * s), first, last)[0] / (last - first)
        assert gain == pytest.approx(exact, rel=1e-9)


def test_the_order_of_entries_does_not_matter(plan):
    entries = [
        trolled(plan, 2, 1.0, 2.0),
        bite(plan, 2, 1.5),
        bite(plan, 2, 1.5),
        trolled(plan, 14, 2.2, 3.0, "nothing"),
        Sighting("temperature", shapely.Point(place(16e3, 0.0)), after(2.1), value=24.9),
        Sighting("weed line", shapely.Point(place(19e3, 1e3)), after(2.5)),
        Sighting("birds", shapely.Point(place(30e3, 1e3)), after(3.5), count=2, flying="low"),
    ]
    one, other = again(plan, *entries), again(plan, *entries[::-1])
    assert one.plan.boxes.drop(columns=["geometry", "line"]).equals(
        other.plan.boxes.drop(columns=["geometry", "line"])
    )
    assert one.plan.legs["box"].tolist() == other.plan.legs["box"].tolist()
    assert say_way(one) == say_way(other)
    assert say_reasons(one) == say_reasons(other)


def test_what_is_seen_later_does_not_count(plan):
    late = trolled(plan, 2, 4.5, 5.5, "nothing")
    assert rates(again(plan, late)) == pytest.approx(rates(again(plan)))


# ---- lines met elsewhere


def met_off(plan, number: int, hour: float, away: float, y: float) -> Sighting:
    """A break met `away` m east of where the line of a box's front was forecast for that hour."""
    front = plan.fronts.loc[plan.boxes.set_index("rank")["front"][number]]
    x = PLANE.vertices(front.geometry)[:, 0].mean()
    gone = float(to_seconds(after(hour)) - to_seconds(front["valid_time"].to_datetime64()))
    return Sighting("temperature break", shapely.Point(place(x + EAST * gone + away, y)), after(hour))


def test_a_line_met_elsewhere_shifts_those_near_it_by_what_kriging_says(plan):
    """One sighting, in one dimension: d²/(d² + n²) of what it was off, at the place itself.

    Rasmussen & Williams 2006, eq. 2.25 with one datum; d: doubt then, n: error of the sighting by now.
    """
    number, away = near_box(plan), 2500.0
    quiet = again(plan)
    found = again(plan, met_off(plan, number, 3.0, away, 0.0))
    (offset,) = found.offsets.itertuples()
    assert offset.offset == pytest.approx(away, abs=60.0)
    assert (offset.east, offset.north) == (pytest.approx(1.0, abs=1e-3), pytest.approx(0.0, abs=2e-2))
    assert offset.noise > NOISE
    changes = found.changes.set_index("number").loc[number]
    share = changes["doubt_before"] * offset.doubt / (offset.doubt**2 + offset.noise**2)
    xy = PLANE.vertices(found.plan.boxes.set_index("rank")["line"][number])
    at_place = xy[np.abs(xy[:, 1]).argmin(), 0]
    assert at_place - eastings(quiet, number).mean() == pytest.approx(share * offset.offset, abs=0.06 * away)
    assert changes["doubt"] < 0.75 * changes["doubt_before"]


def test_an_invented_log_of_a_known_shift_is_recovered(plan):
    """The whole break lies 2 km east: met at five places, the boxes between move by nearly that."""
    number = near_box(plan)
    entries = [
        met_off(plan, number, 3.0 + 0.1 * k, 2000.0, y) for k, y in enumerate((-9e3, -4e3, 0, 4e3, 9e3))
    ]
    quiet, found = again(plan), again(plan, *entries)
    moved = eastings(found, number).mean() - eastings(quiet, number).mean()
    assert moved == pytest.approx(2000.0, abs=500.0)
    changes = found.changes.set_index("number")
    far = changes["shift"].drop(number).min()
    assert changes["shift"][number] == pytest.approx(moved, abs=100.0)
    assert far < 0.2 * moved  # the ends of the lines are 60 km off
    assert changes["doubt"][number] < 0.6 * changes["doubt_before"][number]
    assert any("of a forecast line" in text for text in say_reasons(found))


def test_better_known_lines_are_worth_more(plan):
    """The chance to find a line grows as its doubt shrinks: its rate rises although nothing was caught."""
    number = near_box(plan)
    found = again(plan, met_off(plan, number, 3.9, 0.0, 0.0))
    assert rates(found)[number] > rates(again(plan))[number]


# ---- hints


def test_a_hookup_raises_its_depth_and_fades_when_quiet(plan):
    """Common practice, no source: stay on that depth until they stop."""
    number, other = near_box(plan, low=True), near_box(plan)
    depth = again(plan).plan.boxes.set_index("rank")["depth"]
    assert depth[other] > 1.5 * depth[number]

    def gains(hour: float, *more: Sighting):
        met = bite(plan, number, hour, depth=float(depth[number]))
        return again(plan, met, *more).changes.set_index("number")["signs"]

    fresh = gains(3.99)
    assert fresh[number] == pytest.approx(DEPTH_GAIN, abs=0.02)
    assert fresh[other] < 0.2 * DEPTH_GAIN
    busy, quiet = gains(2.0), gains(2.0, trolled(plan, number, 2.5, 3.9, "nothing"))
    assert quiet[number] < 0.6 * busy[number] < 0.6 * fresh[number]


def test_of_hints_over_the_same_water_the_stronger_counts(plan):
    """Birds over a hookup tell of the same fish (a hint is worth two or three: common practice)."""
    number = near_box(plan, low=True)
    depth = float(again(plan).plan.boxes.set_index("rank")["depth"][number])
    met = bite(plan, number, 3.99, depth=depth)
    birds = Sighting("birds", met.place, NOW, count=2, flying="low")
    signs = again(plan, met, birds).changes.set_index("number")["signs"]
    assert signs[number] == pytest.approx(max(DEPTH_GAIN, FLOCK_GAIN), abs=0.02)
    assert signs.max() < DEPTH_GAIN + 0.02


def test_birds_raise_what_is_near(plan):
    found = again(plan)
    number = near_box(plan)
    here = shapely.line_interpolate_point(
        found.plan.boxes.set_index("rank")["line"][number], 0.5, normalized=True
    )
    for entry, gain in (
        (Sighting("birds", here, NOW, count=2, flying="low"), FLOCK_GAIN),
        (Sighting("birds", here, NOW, count=1, flying="high"), 0.0),
    ):
        signs = again(plan, entry).changes.set_index("number")["signs"]
        assert signs[number] == pytest.approx(gain, abs=0.02)
        assert signs.min() < 1e-3


def test_weed_raises_what_is_near_and_new_boxes_are_laid_there(plan):
    """Numbers after the morning's, around the weed, none where it was looked for in vain; on the route of
    nobody who has met nothing."""
    weed = [Sighting("weed line", shapely.Point(place(17e3 + 400.0 * k, 2e3)), NOW) for k in range(3)]
    quiet, found = again(plan), again(plan, *weed)
    last = plan.boxes["rank"].max()
    new = found.plan.boxes[found.plan.boxes["rank"] > last]
    assert len(new) > 0
    assert quiet.plan.boxes["rank"].max() == last
    assert sorted(new["rank"]) == list(range(last + 1, last + 1 + len(new)))
    away = [np.hypot(*(PLANE.vertices(line).mean(axis=0) - [17e3, 2e3])) for line in new["line"]]
    assert max(away) < 13e3
    assert rates(found)[near_box(plan, low=True)] > rates(quiet)[near_box(plan, low=True)]
    assert any("are new" in text or "is new" in text for text in say_reasons(found))
    check_table("boxes", found.plan.boxes)
    json.dumps(facts_of(found), allow_nan=False)


def test_a_number_given_to_a_box_at_sea_is_given_to_no_other(plan, tmp_path):
    """Asked again at once the numbers stay; elsewhere others are given, and each names its place."""
    weed = [
        [Sighting("weed line", shapely.Point(place(x + 400.0 * k, y)), NOW) for k in range(3)]
        for x, y in ((17e3, 2e3), (20e3, -16e3))
    ]
    first = again(plan, *weed[0])
    same = again(plan, *weed[0], fuel=0.75 * plan.trip.boat.tank, last=LastAnswer(first.laid))
    other = again(plan, *weed[1], at=place(20e3, -16e3), last=LastAnswer(first.laid))
    assert first.laid
    assert same.laid == first.laid
    last = plan.boxes["rank"].max()
    fresh = set(other.plan.boxes["rank"][other.plan.boxes["rank"] > last]) - set(first.laid)
    assert fresh
    assert min(fresh) > max(first.laid)
    write_table("boxes", plan.boxes, tmp_path)
    for found in (first, other):
        write_rerank(found, facts_of(found), tmp_path)
    for number, line in {**first.laid, **other.laid}.items():
        placed = parse_place(f"box {number}", folder=tmp_path).line
        assert shapely.hausdorff_distance(placed, line) < 1e-5


def test_a_boat_on_its_way_is_not_sent_to_and_fro(plan):
    """Asked again every three minutes on the way, with nothing new in the log, NEXT stays the box that was
    told, under its number: also one that was laid at sea, near weed."""
    weed = [Sighting("weed line", shapely.Point(place(17e3 + 400.0 * k, 2e3)), NOW) for k in range(3)]
    here, found = place(8e3, -4e3), None
    firsts, last = [], None
    for minutes in range(0, 12, 3):
        now = NOW + np.timedelta64(minutes, "m")
        found = again(plan, *weed, at=here, now=now, fuel=0.8 * plan.trip.boat.tank, last=last)
        told, last = found.plan.stays["box"].tolist(), found.answer
        firsts.append(told[0])
        xy = shapely.get_coordinates(found.plan.legs.geometry.iloc[0])[1]
        here = destination(here, bearing(here, Place(*xy)), 1000.0)
    assert len(set(firsts)) == 1
    assert set(found.told) <= set(found.plan.boxes["rank"])
    laid = min(set(told) & set(found.laid), default=max(found.laid))
    for _ in range(2):  # a box laid at sea may be banned as often as one likes
        found = again(plan, *weed, at=here, now=now, banned=[laid], last=last)
        told = found.plan.stays["box"].tolist()
        assert laid not in told
        assert any("left out" in text for text in say_reasons(found)) == bool(set(found.told) - set(told))
        last = found.answer


def test_a_hookup_counts_from_its_own_minute_on(plan):
    """At the moment it happens it is worth the most: what it adds fades from there."""
    hooked = Sighting("bite", shapely.Point(*HERE), NOW, depth=150.0)
    at_once = again(plan, hooked)
    later = again(plan, hooked, now=NOW + np.timedelta64(30, "m"))
    assert len(at_once.hookups) == len(later.hookups) == 1
    assert at_once.hookups["gain"].iloc[0] >= later.hookups["gain"].iloc[0] > 0.0


def test_the_place_of_an_entry_of_another_day_is_not_taken_for_the_boats(plan, tmp_path):
    yesterday = Sighting("bite", shapely.Point(*HERE), NOW - np.timedelta64(1, "D"))
    today = Sighting("bite", shapely.Point(*place(9e3, 1e3)), NOW - np.timedelta64(10, "m"))
    found = find_here(plan, tmp_path, None, log_of(yesterday, today), NOW)
    assert found == pytest.approx(tuple(place(9e3, 1e3)), abs=1e-9)
    with pytest.raises(SearcherError, match="where are you"):
        find_here(plan, tmp_path, None, log_of(yesterday), NOW)


@pytest.mark.parametrize("text", ["1,000L", "1.200 gal", "some"])
def test_fuel_that_may_be_one_litre_or_a_thousand_is_refused(plan, text):
    with pytest.raises(SearcherError, match="fuel not understood"):
        parse_fuel(text, plan.trip)
    assert parse_fuel("60,5 L", plan.trip) == pytest.approx(60.5)


def test_numbers_of_boxes_in_words():
    assert say_numbers([]) == "none"
    assert say_numbers([7]) == "7"
    assert say_numbers([3, 1, 2, 9, 12, 11]) == "1 to 3, 9 and 11 to 12"


def test_the_thermometer_corrects_the_map(plan):
    """Three readings of the sea 0.6 °C above the map: the conjugate normal mean, written out."""
    entries = []
    for k, x in enumerate((10e3, 24e3, 26e3)):  # away from the breaks, where the map is flat
        mapped = 24.0 + sum(np.tanh((x - at - EAST * (1.0 + k) * HOUR) / 3000.0) for at in (15e3, 35e3))
        entries.append(
            Sighting("temperature", shapely.Point(place(x, 0.0)), after(1.0 + k), value=mapped + 0.6)
        )
    found = again(plan, *entries)
    mean = 0.6 * 3 / 0.2**2 / (1 / 0.5**2 + 3 / 0.2**2)
    assert found.bias.mean == pytest.approx(mean, abs=0.03)
    assert found.bias.sd == pytest.approx((1 / 0.5**2 + 3 / 0.2**2) ** -0.5)
    assert any("warmer than the map" in text for text in say_reasons(found))


# ---- the way on, and home


def check_limits(found) -> None:
    """From here, now; above the reserve; home in time."""
    legs, trip = found.plan.legs, found.plan.trip
    reach = found.plan.reach
    burn = np.array([trip.boat.burn(speed) for speed in legs["speed"]])
    start, end = (to_seconds(legs[name].to_numpy()) for name in ("start", "end"))
    assert shapely.get_coordinates(legs.geometry.iloc[0])[0] == pytest.approx(found.at, abs=1e-6)
    assert start[0] >= float(to_seconds(found.now)) - 1e-3
    assert np.abs(start[1:] - end[:-1]).max(initial=0.0) < 0.01
    used = float((burn * (end - start)).sum()) + reach.attrs["finish_fuel"]
    assert found.fuel - used >= trip.boat.tank * trip.boat.reserve - 1e-3
    assert legs["fuel_left"].min() >= trip.boat.tank * trip.boat.reserve + reach.attrs["finish_fuel"] - 1e-3
    assert end[-1] + reach.attrs["finish_time"] <= float(to_seconds(trip.window.end)) + 0.01
    turn = float(to_seconds(found.plan.turn_for_home))
    home = end[-1] - start[-1]
    assert turn + home + reach.attrs["finish_time"] <= float(to_seconds(trip.window.end)) + 0.01


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    x=st.floats(-20e3, 45e3),
    y=st.floats(-30e3, 30e3),
    hour=st.floats(0.5, 9.8),
    share=st.floats(0.3, 1.0),
    bites=st.integers(0, 3),
)
def test_never_on_the_reserve(plan, x, y, hour, share, bites):
    entries = [bite(plan, 1 + k, 0.2 * k + 0.1) for k in range(bites)]
    found = again(plan, *entries, at=place(x, y), fuel=share * plan.trip.boat.tank, now=after(hour))
    if found.goes_on:
        check_limits(found)
        assert found.home.fits
    else:
        assert "TURN FOR HOME" in " ".join(say_way(found))


@pytest.mark.parametrize(("share", "length"), [(0.5, 10.0), (1.0, 10.0)])
def test_the_latest_turn_from_here_is_exact(plan, share, length):
    """Home straight against a uniform current (Zermelo 1931), less the worse of fuel and hours."""
    boat, fuel = plan.trip.boat, share * plan.trip.boat.tank
    found = again(plan, at=place(20e3, 0.0), fuel=fuel)
    home = time_across(boat.cruise, EAST, 0.0, -20e3, 0.0)
    by_hours = length * HOUR - home
    spare = fuel - boat.tank / 3 - home * float(boat.burn(boat.cruise))
    by_fuel = 4.0 * HOUR + spare / float(boat.burn(plan.trip.gear.troll))
    exact = min(by_hours, by_fuel)
    turn = float(to_seconds(found.home.turn) - to_seconds(after(0.0)))
    assert turn == pytest.approx(exact, abs=0.004 * home * (1 + (by_fuel < by_hours) * 8))
    assert found.home.speed == pytest.approx(20 * KNOT)
    assert found.home.course == pytest.approx(270.0, abs=0.3)


def test_where_only_the_way_home_is_left(plan):
    """A litre above what the way home takes: home, by when; far below: now, and what is wanting."""
    boat = plan.trip.boat
    at = place(20e3, 0.0)
    home = time_across(boat.cruise, EAST, 0.0, -20e3, 0.0) * float(boat.burn(boat.cruise))
    enough = boat.tank / 3 + home
    found = again(plan, at=at, fuel=enough + 1.0)
    assert found.home.fits
    assert not found.goes_on
    assert "NO MORE BOXES" in say_way(found)[0]
    assert found.plan.boxes["expected"].max() > 0
    drifter = again(plan, at=at, fuel=boat.tank / 3 + 2.0, now=after(9.9))
    assert not drifter.home.fits
    assert not drifter.goes_on
    assert drifter.home.short == pytest.approx(home - 2.0, rel=0.02)
    first = say_way(drifter)[0]
    assert first.startswith("TURN FOR HOME NOW: it takes ")
    assert "late" in first
    assert "Tell the person ashore" in first


def test_where_cruise_burns_too_much_the_speeds_between_are_tried(plan):
    """At 4 kn, the most miles to the litre, it gets late; at 20 it takes of the reserve; at 12 neither."""
    table = [(0.0, 1.0), (4.0, 4.0), (12.0, 16.0), (20.0, 60.0), (30.0, 120.0)]  # idling first
    boat = plan.trip.boat.model_copy(
        update={"table": tuple((speed * KNOT, litres / HOUR) for speed, litres in table)}
    )
    here, spare = place(20e3, 0.0), 0.5 * 60.0 * 20e3 / (20.0 * KNOT) / HOUR  # L above the reserve
    times = {speed: time_across(speed * KNOT, EAST, 0.0, -20e3, 0.0) for speed, _ in table[1:]}
    left = 1.2 * times[12.0]
    assert times[4.0] > left
    assert times[20.0] * 60.0 / HOUR > spare > times[12.0] * 16.0 / HOUR
    other = replace(plan, trip=plan.trip.model_copy(update={"boat": boat}))
    home = way_home(other, here, boat.tank * boat.reserve + spare, after(10.0 - left / HOUR))
    assert home.fits
    assert home.speed == pytest.approx(12.0 * KNOT)
    assert home.time == pytest.approx(times[12.0], rel=5e-3)


def test_where_it_gets_late_at_every_speed_it_is_the_least_late_with_the_reserve(plan):
    """At 20 kn, cruise, it gets later than at 30 kn, and fuel for that is there; of fish nothing is said."""
    boat, here = plan.trip.boat, place(20e3, 0.0)
    fastest = boat.top_speed
    times = {speed: time_across(speed, EAST, 0.0, -20e3, 0.0) for speed in (boat.cruise, fastest)}
    assert times[fastest] < times[boat.cruise]
    home = way_home(plan, here, boat.tank, after(10.0 - 0.9 * times[fastest] / HOUR))
    assert not home.fits
    assert home.speed == pytest.approx(fastest)
    assert home.short <= 0.0
    assert home.late == pytest.approx(0.1 * times[fastest], rel=0.05, abs=30.0)
    late = again(plan, bite(plan, 2, 3.5), at=here, now=after(10.0 - 0.9 * times[fastest] / HOUR))
    assert say_way(late)[0].startswith("TURN FOR HOME NOW: you will be ")
    assert say_reasons(late) == []


def test_where_no_way_home_is_known_that_is_all_that_is_said(plan):
    """Shut in by a closed ring: no course that nobody may steer, no time that is infinite."""
    ring = shapely.Point(HERE).buffer(0.05).boundary.buffer(0.002)
    waters = replace(plan.waters, obstacles=shapely.union(plan.waters.obstacles, ring), _kept={})
    found = again(replace(plan, waters=waters))
    assert found.home.way is None
    assert found.plan.legs.empty
    assert say_way(found) == [*SHUT_IN]
    facts = json.loads(json.dumps(facts_of(found), allow_nan=False))
    assert facts["home"]["course"] is facts["home"]["distance"] is None


def test_what_is_placed_by_a_box_lay_where_the_box_was_by_then(plan):
    """In a uniform current a box lies EAST · t farther east, and is worked out there, and no other is."""
    named = [replace(trolled(plan, 2, 2.0, 3.0, "nothing"), source=BY_PLAN)]
    named.append(replace(bite(plan, 2, 3.5), source=BY_PLAN))
    day = day_at_sea(plan, log_of(*named), NOW)
    row = plan.boxes.set_index("rank").loc[2]
    for label, hour in ((0, 2.5), (1, 3.5)):
        x = PLANE.metres(*shapely.get_coordinates(day.log.geometry[label]).T)[0].mean()
        planned = PLANE.metres(*shapely.get_coordinates(row["line"]).T)[0].mean()
        later = float(to_seconds(after(hour)) - to_seconds(row["valid_time"].to_datetime64()))
        assert x == pytest.approx(planned + EAST * later, abs=60.0)
    changes = again(plan, *named).changes.set_index("number")
    # an encounter by itself wears nothing out
    assert changes["trolled"][2] == pytest.approx(HOUR)
    assert changes["met"][2] == 1.0
    assert (changes["trolled"].drop(2) == 0.0).all()
    fading = fading_of(plan.boxes, day_of(plan.trip, plan.reach))[plan.boxes["rank"].tolist().index(2)]
    assert changes["left"][2] <= math.exp(-fading * HOUR) * 1.01


def test_a_bite_during_no_stretch_raises_its_box_and_leaves_the_weights(plan):
    """Nobody knows how long was trolled for it, so it tells of no rate; its box is (2 + 1) / (2 + 0)."""
    quiet, bitten = again(plan), again(plan, bite(plan, 2, 2.0))
    assert bitten.weights.mean == pytest.approx(quiet.weights.mean)
    assert bitten.weights.sd == pytest.approx(quiet.weights.sd)
    changes = bitten.changes.set_index("number")
    assert (changes["met"][2], changes["trolled"][2], changes["left"][2]) == (1.0, 0.0, 1.0)
    assert changes["factor"][2] == pytest.approx(1.5)
    assert (changes["factor"].drop(2) == 1.0).mean() > 0.5


def test_pins_and_bans_are_kept(plan):
    free = again(plan)
    first, other = int(free.plan.stays["box"].iloc[0]), near_box(plan)
    without = again(plan, banned=[first])
    assert first not in set(without.plan.stays["box"])
    with_other = again(plan, pinned=[other])
    assert other in set(with_other.plan.stays["box"])
    check_limits(with_other)
    early = again(plan, home_by=after(7.0))
    assert early.plan.legs["end"].iloc[-1] <= after(7.0)
    later = again(plan, home_by=after(14.0))
    assert later.plan.trip.window.end == plan.trip.window.end


@pytest.mark.parametrize(
    ("said", "fault"),
    [
        ({"fuel": 1e4}, "fuel in the tank"),
        ({"fuel": -1.0}, "fuel in the tank"),
        ({"at": place(900e3, 0.0)}, "the boat's place; given .*, beyond the waters of the trip"),
        ({"now": after(30.0)}, "the hour"),
        ({"pinned": [77]}, "boxes pinned or banned that are not there; given 77"),
        ({"banned": [0]}, "boxes pinned or banned that are not there"),
    ],
)
def test_what_cannot_be_is_refused(plan, said, fault):
    with pytest.raises(OutOfReach, match=fault):
        again(plan, **said)


def test_a_plan_without_boxes_still_knows_the_way_home(plan):
    bare = replace(plan, boxes=plan.boxes.iloc[:0], stays=plan.stays.iloc[:0])
    found = again(bare, bite(plan, 1, 2.0))
    assert not found.goes_on
    assert found.home.fits
    assert "NO MORE BOXES" in say_way(found)[0]


# ---- files


def test_the_next_answer_starts_from_what_the_last_one_wrote(plan, tmp_path):
    """What a folder keeps of an answer is the answer; of a folder without one nothing is known."""
    weed = [Sighting("weed line", shapely.Point(place(17e3 + 400.0 * k, 2e3)), NOW) for k in range(3)]
    found = again(plan, *weed)
    assert found.answer.laid
    assert found.answer.told
    assert last_answer(tmp_path) == LastAnswer({})
    write_rerank(found, facts_of(found), tmp_path)
    kept = last_answer(tmp_path)
    assert kept.laid.keys() == found.answer.laid.keys()
    assert all(line.equals_exact(found.answer.laid[number], 1e-9) for number, line in kept.laid.items())
    assert kept[1:] == found.answer[1:]


@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork")
@pytest.mark.filterwarnings("ignore:.*multi-threaded.*fork:DeprecationWarning")
def test_killed_while_writing_leaves_whole_files(plan, tmp_path):
    """A process that writes over and over is killed 40 times: every file is whole, of one run or another."""
    found = again(plan, trolled(plan, 2, 1.0, 2.0, "nothing"))
    facts = facts_of(found)
    write_rerank(found, facts, tmp_path)
    rng = np.random.default_rng(3)
    for _ in range(40):
        child = os.fork()
        if child == 0:
            while True:
                write_rerank(found, facts, tmp_path)
        time.sleep(float(rng.uniform(0.01, 0.12)))
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
        assert json.loads((tmp_path / "rerank.json").read_text())["way"] == facts["way"]
        for name in ("boxes", "legs"):
            table = json.loads((tmp_path / f"rerank_{name}.geojson").read_text())
            assert len(table["features"]) == len(getattr(found.plan, name))
        made = gpxpy.parse((tmp_path / "rerank.gpx").read_text())
        assert len(made.routes) == 1


def test_the_route_for_the_plotter_begins_where_the_boat_is(plan, tmp_path):
    found = again(plan)
    write_rerank(found, facts_of(found), tmp_path)
    made = gpxpy.parse((tmp_path / "rerank.gpx").read_text())
    first = made.routes[0].points[0]
    assert (first.longitude, first.latitude) == pytest.approx(tuple(HERE), abs=1e-6)
    assert "BUOY" not in first.name
    last = made.routes[0].points[-1]
    assert (last.longitude, last.latitude) == pytest.approx(tuple(plan.trip.port.sea_buoy), abs=1e-4)


# ---- where the boat is, and the way home


def test_the_course_home_is_one_to_steer(tmp_path):
    """Around a bar between the boat and the buoy: the first piece and the length of the home leg itself."""
    corners = ((8e3, -12e3), (9e3, -12e3), (9e3, 9e3), (8e3, 9e3))
    bar = shapely.Polygon([place(*corner) for corner in corners])
    feature = {"type": "Feature", "properties": {}, "geometry": shapely.geometry.mapping(bar)}
    text = json.dumps({"type": "FeatureCollection", "features": [feature]})
    (tmp_path / "bar.geojson").write_text(text, encoding="utf-8")
    walled = planned(str(tmp_path), more='files = ["bar.geojson"]\n')
    found = again(walled, at=place(17e3, -4e3), fuel=0.36 * walled.trip.boat.tank)
    legs = found.plan.legs
    assert legs["kind"].tolist() == ["home"]
    first, then = (Place(*xy) for xy in legs.geometry.iloc[0].coords[:2])
    assert found.home.bends == len(legs.geometry.iloc[0].coords) - 2 > 0
    assert found.home.course == pytest.approx(bearing(first, then), abs=0.01)
    assert found.home.distance == pytest.approx(legs["distance"].iloc[0], rel=1e-6)
    assert any(f"at first ({found.home.bends} bend" in text for text in say_way(found))


def test_a_box_that_is_named_stands_where_it_lies_now(plan):
    """Boxes go east with the water: the middle of one is EAST times the hours farther on."""
    box = plan.boxes.iloc[0]
    for hours in (0.0, 4.0):
        now = after(hours)
        there = place_of_box(plan, box["line"], now)
        gone = (now - box["valid_time"].to_datetime64()) / np.timedelta64(1, "s") * EAST
        x, y = PLANE.metres(*there)
        was = PLANE.metres(*middle_of(box["line"]))
        assert (x - was[0], y - was[1]) == pytest.approx((gone, 0.0), abs=60.0)


def test_entries_of_another_day_are_left_out_and_told(plan):
    week = np.timedelta64(7 * 24, "h")
    old = Sighting(WEED_LINE, HERE, after(1.0) - week)
    found = again(plan, old)
    assert (found.others, len(found.log)) == (1, 0)
    assert found.plan.boxes["expected"].equals(again(plan).plan.boxes["expected"])
    assert "Left out: 1 entry of other days in this folder's log." in say_reasons(found)


@pytest.mark.parametrize(
    ("kind", "figure"), [(TEMPERATURE_BREAK, 1.2), (COLOR_CHANGE, 2.0), (TEMPERATURE, 1.2), (WEED_LINE, 1.5)]
)
def test_what_is_no_reading_of_the_water_corrects_nothing(plan, kind, figure):
    found = again(plan, Sighting(kind, HERE, after(1.0), value=figure))
    assert (found.readings, found.unread["value"].tolist()) == (0, [figure])
    assert found.bias.mean == 0.0


def test_readings_that_disagree_are_trusted_less(plan):
    """Eight that scatter by 2 °C: 2/√8 and no better, as a mean of that spread has it."""
    map_says = 24.0
    apart = np.array([-2.0, 2.0] * 4)
    entries = [
        Sighting(TEMPERATURE, HERE, after(1.0 + 0.1 * k), value=map_says + off) for k, off in enumerate(apart)
    ]
    found = again(plan, *entries)
    assert found.readings == 8
    sd = apart.std(ddof=1) / np.sqrt(8)
    # where they were taken the map itself differs by a little
    assert found.bias.sd == pytest.approx((1 / 0.5**2 + 1 / sd**2) ** -0.5, rel=0.02)
