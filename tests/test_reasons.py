"""What is said at sea, word for word: a rerank of the built-in sea and its sentences.

Numbers are those of the `Rerank` itself, written here by hand in the skipper's units; whether they are right
is asked in `test_rerank`.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
import shapely
from at_sea import box_line, log_of

from searcher.geo import Place, compass_point
from searcher.keep import open_plan
from searcher.onward import say_numbers
from searcher.reasons import say_minutes, say_reasons, say_way
from searcher.reranking import rerank
from searcher.sightings import Sighting, middle_of
from searcher.tables import BIRDS, BITE, COLOR_CHANGE, NOTHING, TEMPERATURE, TEMPERATURE_BREAK, WEED_LINE
from searcher.units import Show

#: an hour at which the boat is far out, after leaving at 05:00; fuel for most of the day, L; in the hills
NOW, FUEL, ASHORE = 4.0, 190.0, Place(152.6, -30.4)


@pytest.fixture(scope="module")
def plan(demo_folder):
    return open_plan(demo_folder)


@pytest.fixture(scope="module")
def quiet(plan):
    """Nothing in the log, and hours and fuel for every box of the morning."""
    return again(plan)


def clock(plan, hour: float) -> np.datetime64:
    """A moment so many hours after leaving, at 05:00 local time."""
    return plan.trip.window.start + np.timedelta64(round(hour * 3600), "s")


def box_of(plan, k: int) -> int:
    """The number of the k-th box of the morning's route."""
    return int(plan.stays["box"].iloc[k])


def seen(plan, kind: str, hour: float, *, at: Place | None = None, **said) -> Sighting:
    """An entry in the middle of the second box of the morning, unless said otherwise."""
    place = at or middle_of(box_line(plan, box_of(plan, 1)))
    return Sighting(kind, shapely.Point(place), clock(plan, hour), **said)


def vain(plan, first: float, last: float) -> Sighting:
    """The first box of the morning trolled in vain."""
    return Sighting(NOTHING, box_line(plan, box_of(plan, 0)), clock(plan, first), clock(plan, last))


def again(plan, *entries, at: Place | None = None, fuel: float = FUEL, now: float = NOW, **said):
    """A rerank in the middle of the second box of the morning, unless said otherwise."""
    here = at or middle_of(box_line(plan, box_of(plan, 1)))
    return rerank(plan, log_of(*entries), at=here, fuel=fuel, now=clock(plan, now), **said)


def with_show(found, **units):
    """The same for a skipper who wants other units."""
    trip = found.plan.trip
    show = Show(timezone=trip.show.timezone, **units)
    trip = trip.model_copy(update={"show": show})
    return replace(found, plan=replace(found.plan, trip=trip))


def at_latitude(found, lat: float):
    """The same with the sun of a port elsewhere."""
    trip = found.plan.trip
    port = trip.port.model_copy(update={"at": Place(trip.port.at.lon, lat)})
    return replace(found, plan=replace(found.plan, trip=trip.model_copy(update={"port": port})))


def only(found, begin: str) -> str:
    """The one reason that begins so."""
    (text,) = (text for text in say_reasons(found) if text.startswith(begin))
    return text


# ---- an empty log


def test_without_an_entry_that_is_all(quiet):
    assert say_reasons(quiet) == ["Nothing in the log yet: the morning's boxes, drifted on."]


def test_boxes_that_can_no_longer_be_reached_are_named_in_one_line(plan):
    found = again(plan, fuel=140.0)
    middles = {row.rank: middle_of(row.line) for row in found.plan.boxes.itertuples()}
    slack = {n: float(found.plan.reach["slack"].interp(lon=x, lat=y)) for n, (x, y) in middles.items()}
    beyond = [int(n) for n in plan.stays["box"] if slack[n] < 0.0]
    assert len(beyond) > 1
    said = f"Boxes {say_numbers(beyond)} are out of reach now: too far for the hours, light and fuel left."
    assert say_reasons(found)[1:] == [said]


def test_one_that_can_no_longer_be_reached(quiet):
    found = replace(quiet, gone=(7,))
    assert only(found, "Box 7") == "Box 7 is out of reach now: too far for the hours, light and fuel left."


def test_what_the_last_answer_had_left_out_is_not_said_again(plan):
    first = again(plan, fuel=140.0)
    assert first.gone
    assert again(plan, fuel=140.0, last=first.answer).gone == ()


# ---- what was seen


def test_a_stretch_in_vain(plan):
    found = again(plan, vain(plan, 1.25, 2.0))
    number = box_of(plan, 0)
    row = found.changes.set_index("number").loc[number]
    assert row["factor"] * row["left"] < 0.9
    assert only(found, f"Box {number}:") == (
        f"Box {number}: 45 min trolled, nothing: what is left there is worth "
        f"{row['factor'] * row['left']:.1f} times as much as before."
    )


def test_a_bite_in_passing(plan):
    number = box_of(plan, 1)
    # (2 + 1) / (2 + 0): nothing was trolled for it
    assert only(again(plan, seen(plan, BITE, 2.0)), f"Box {number}:") == (
        f"Box {number}: 1 met in passing: what is left there is worth 1.5 times as much as before."
    )


def test_a_hookup_and_its_depth(plan):
    found = again(plan, seen(plan, BITE, 3.5, depth=119.0))
    times = f"{math.exp(found.hookups['gain'].iloc[0]):.1f}"
    said = f"stay on that depth, it counts {times} times until it goes quiet."
    assert only(found, "Fish in") == f"Fish in 119 m: {said}"
    assert only(with_show(found, depth="fathom"), "Fish in") == f"Fish in 65 fathoms: {said}"


def test_birds_low_and_high(plan):
    """A flock of three is worth two at once, and as e^(-age / 2 h) has it later; one circling nothing."""
    low, high = seen(plan, BIRDS, NOW, count=3, flying="low"), seen(plan, BIRDS, 3.5, count=2, flying="high")
    found = again(plan, low, high)
    assert only(found, "3 birds") == "3 birds, low, at 09:00: water near it counts 2.0 times for now."
    assert only(found, "2 birds") == "2 birds, high, at 08:30: says little of dolphinfish."


def test_the_newest_of_many_flocks(plan):
    flocks = [seen(plan, BIRDS, 3.0 + k / 10, count=k + 2, flying="high") for k in range(5)]
    said = [text.split(" at ")[1][:5] for text in say_reasons(again(plan, *flocks)) if "birds" in text]
    assert said == ["08:12", "08:18", "08:24"]


def test_weed_and_the_boxes_laid_by_it(plan):
    found = again(plan, *[seen(plan, WEED_LINE, 3.0 + k / 2) for k in range(3)])
    here = middle_of(box_line(plan, box_of(plan, 1)))
    gain = float(found.floating["gain"].sel(lon=here.lon, lat=here.lat, method="nearest"))
    assert only(found, "Weed line at") == (
        f"Weed line at 09:00, the last of 3, makes {gain:.1f} times the floating matter that was reckoned "
        "there."
    )
    new = sorted(set(found.plan.boxes["rank"]) - set(plan.boxes["rank"]))
    assert len(new) > 1
    assert only(found, f"Boxes {new[0]}") == (
        f"Boxes {new[0]} to {new[-1]} are new: around you, where the log says that more floats."
    )


def test_a_line_met_elsewhere(plan):
    found = again(plan, seen(plan, TEMPERATURE_BREAK, 3.0))
    (offset,) = found.offsets.itertuples()
    assert offset.offset > 1000.0
    way = compass_point(math.degrees(math.atan2(offset.east, offset.north)))
    assert only(found, "Temperature break") == (
        f"Temperature break at 08:00 lay {offset.offset / 1852.0:.1f} nmi {way} of a forecast line."
    )
    moved = found.changes.head(6)
    row = moved.loc[moved["shift"].idxmax()]
    before, after = (f"{row[name] / 1852.0:.1f} nmi" for name in ("doubt_before", "doubt"))
    assert before != after
    assert only(found, f"Box {row['number']:.0f} moved").startswith(
        f"Box {row['number']:.0f} moved {row['shift'] / 1852.0:.1f} nmi with that and is good to {after}, "
        f"not {before}"
    )


# ---- the thermometer


def test_readings_that_correct_the_map(plan):
    found = again(plan, *[seen(plan, TEMPERATURE, hour, value=24.4) for hour in (1.0, 2.0)])
    assert found.bias.mean > 0.1
    assert say_reasons(found) == [
        f"The sea is {found.bias.mean:.1f} °C warmer than the map (good to {found.bias.sd:.1f} °C, "
        "2 readings): corrected."
    ]


def test_a_reading_far_from_the_map_is_named_with_both(plan):
    found = again(plan, seen(plan, TEMPERATURE, 2.0, value=34.0))
    (mapped,) = found.unread["mapped"]
    assert 22.0 < mapped < 26.0
    assert say_reasons(found) == [
        f"34.0 °C at 07:00 is not taken for the water's: the map has {mapped:.1f} °C there, over 5.0 °C off."
    ]
    assert say_reasons(with_show(found, temperature="F")) == [
        f"93.2 °F at 07:00 is not taken for the water's: the map has {mapped * 1.8 + 32.0:.1f} °F there, "
        "over 9.0 °F off."
    ]


def test_a_reading_where_the_map_is_silent(plan):
    found = again(plan, seen(plan, TEMPERATURE, 1.0, at=ASHORE, value=24.0))
    assert say_reasons(found) == ["24.0 °C at 06:00 is not taken for the water's: the map is silent there."]


def test_a_reading_in_the_harbour_is_not_the_sea(plan):
    """Half-way from the berth to the sea buoy, and as far beyond the buoy, where the map has water."""
    port = plan.trip.port
    inside, outside = (
        Place(*(np.array(port.at) + share * (np.array(port.sea_buoy) - port.at))) for share in (0.5, 1.5)
    )
    found = again(plan, seen(plan, TEMPERATURE, 1.0, at=inside, value=24.0))
    assert found.readings == 0
    assert say_reasons(found) == [
        "24.0 °C at 06:00 is not taken for the water's: it was taken inside the sea buoy."
    ]
    assert again(plan, seen(plan, TEMPERATURE, 1.0, at=outside, value=24.0)).readings == 1


@pytest.mark.parametrize(
    ("kind", "words"), [(TEMPERATURE_BREAK, "temperature break"), (COLOR_CHANGE, "colour change")]
)
def test_a_figure_beside_a_line_may_be_its_step(plan, kind, words):
    found = again(plan, seen(plan, kind, 3.0, value=1.2))
    assert only(found, "1.2 °C") == (
        f"1.2 °C at 08:00 is not taken for the water's: with a {words} it may be the step."
    )


def test_of_many_that_are_not_taken_the_newest(plan):
    def said(count: int) -> list[str]:
        entries = [seen(plan, TEMPERATURE, 1.0 + k / 10, at=ASHORE, value=20.0 + k) for k in range(count)]
        return [text.split(" is not taken for ")[0] for text in say_reasons(again(plan, *entries))]

    newest = ["21.0 °C at 06:06", "22.0 °C at 06:12", "23.0 °C at 06:18"]
    assert said(4) == [*newest, "1 earlier figure is not taken either."]
    assert said(5)[-1] == "2 earlier figures are not taken either."


# ---- what is left out


def test_boxes_of_the_last_answer_that_are_banned(plan):
    entry = seen(plan, TEMPERATURE, 1.0, value=24.4)
    first = again(plan, entry)
    number = first.answer.told[0]
    last = first.answer._replace(told=(number,))
    found = again(plan, entry, last=last, banned=[number])
    assert only(found, "Of the last answer") == (
        f"Of the last answer box {number} is left out: banned, out of reach, or worth less than these."
    )


def test_entries_of_other_days(plan):
    days = [seen(plan, WEED_LINE, 1.0 - 24.0 * day) for day in (7, 8)]
    assert say_reasons(again(plan, *days[:1]))[-1] == (
        "Left out: 1 entry of other days in this folder's log."
    )
    assert say_reasons(again(plan, *days))[-1] == "Left out: 2 entries of other days in this folder's log."


def test_a_log_that_changes_nothing(plan):
    old = seen(plan, BIRDS, 0.0, count=2, flying="low")  # said of birds is nothing after four hours
    assert say_reasons(again(plan, old, now=4.5)) == ["Nothing in the log changes the boxes."]


# ---- where next, and home


def test_where_next(quiet):
    first, stays = quiet.plan.legs.iloc[0], quiet.plan.stays
    number = stays["box"].iloc[0]
    rate = quiet.changes.set_index("number")["now"][number]
    lines_in = quiet.plan.trip.show.local(first["end"].to_datetime64())
    assert say_way(quiet)[0] == (
        f"NEXT box {number} ({rate:.2f} an hour): {quiet.next_course:03.0f} true, "
        f"{first['distance'] / 1852.0:.1f} nmi, lines in {lines_in:%H:%M}."
    )


def test_the_way_home(quiet):
    home = quiet.home
    assert say_way(quiet)[-1] == (
        f"Home: {home.course:03.0f} true, {home.distance / 1852.0:.1f} nmi to the sea buoy, "
        f"{say_minutes(home.time)} and {home.fuel:.0f} L with the throttle for 20.0 kn in flat water."
    )


def test_nothing_left_but_the_way_home(plan):
    found = again(plan, now=9.0, banned=plan.boxes["rank"].tolist())
    turn = found.plan.trip.show.local(found.home.turn)
    assert say_way(found)[:2] == [
        "NO MORE BOXES: nothing that is not banned or worked out fits the hours, light and fuel left.",
        f"TURN FOR HOME by {turn:%H:%M} at the latest, at 20.0 kn.",
    ]


def test_too_late_and_on_the_reserve(plan):
    """Fuel for home, but of the reserve; of fish nothing is said."""
    found = again(plan, fuel=100.0, now=10.9)
    assert found.home.late > 60.0
    assert found.home.short > 1.0
    assert say_way(found)[0] == (
        f"TURN FOR HOME NOW: it takes {found.home.short:.0f} L of the reserve and you will be "
        f"{round(found.home.late / 60.0)} min late. Tell the person ashore."
    )
    assert say_reasons(found) == []


def test_too_little_fuel_to_reach_home(plan):
    found = again(plan, fuel=3.0)
    assert say_way(found)[0] == (
        f"NOT ENOUGH FUEL TO REACH HOME: it takes {found.home.fuel:.0f} L at the least, 3 L are aboard. "
        "Call for help now, and say where you are."
    )


def test_shut_in(plan):
    here = middle_of(box_line(plan, box_of(plan, 1)))
    ring = shapely.Point(here).buffer(0.05).boundary.buffer(0.004)
    waters = replace(plan.waters, obstacles=shapely.union(plan.waters.obstacles, ring), _kept={})
    found = again(replace(plan, waters=waters))
    assert say_way(found) == [
        "TURN FOR HOME NOW: no way over open water is known from here. Go by the chart. Tell the person "
        "ashore.",
        "On the plan's map land, shoals or a closed area shut the boat in, or the current is too strong for "
        "it.",
    ]
    assert say_reasons(found) == []


# ---- the sun


@pytest.fixture(scope="module")
def late(plan):
    """At 19:30, and the way home takes an hour; the sun sets at 19:53."""
    return again(plan, now=14.5, fuel=200.0)


def test_a_way_home_after_sunset(late):
    assert say_way(late)[-1].endswith(" in flat water. Some of the way is in the dark: sunset 19:53.")


def test_a_way_home_before_sunrise(plan):
    """At 04:00, and no fuel to go on: the sun rises at 06:02."""
    found = again(plan, now=-1.0, fuel=90.0)
    assert say_way(found)[-1].endswith(" flat water. Some of the way is in the dark: sunrise 06:02.")


def test_where_the_sun_does_not_rise(quiet):
    """75° N in January."""
    assert say_way(at_latitude(quiet, 75.0))[-1].endswith(
        " flat water. All of the way is in the dark: the sun does not rise."
    )


def test_where_the_sun_does_not_set(late):
    """75° S in January."""
    assert say_way(at_latitude(late, -75.0))[-1].endswith(" kn in flat water.")


def test_a_way_home_on_the_day_after(late):
    """In the light of the next day: that the sun has set the evening before does not matter."""
    later = {name: late.plan.legs[name] + np.timedelta64(14, "h") for name in ("start", "end")}
    found = replace(late, plan=replace(late.plan, legs=late.plan.legs.assign(**later)))
    assert say_way(found)[-1].endswith(" kn in flat water.")
