"""What a rerank found, in sentences short enough to be read at sea."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from searcher.geo import compass_point
from searcher.learn import flock_gain
from searcher.learn.afloat import NOTED
from searcher.learn.day import MOST_OFF
from searcher.learn.hints import LASTING
from searcher.onward import say_numbers
from searcher.reranking import Rerank
from searcher.tables import BIRDS, COLOR_CHANGE, TEMPERATURE_BREAK, Row, say_name
from searcher.trip.hours import find_days, to_datetime, to_numpy
from searcher.units import Show

#: no more of each kind of reason than this, the newest or the strongest
MOST = 3
#: of so many of the best boxes is said how they moved
TOP = 6
#: of so many of the next boxes is said when to leave them
SOON = 2
#: so many are named after the next
AHEAD = 6
#: a hint or a factor smaller than this is not worth a line
LEAST = 1.1
#: a sea this near the map, °C, is as warm
SAME = 0.05
#: said where no way home is known
SHUT_IN = (
    "TURN FOR HOME NOW: no way over open water is known from here. Go by the chart. Tell the person ashore.",
    "On the plan's map land, shoals or a closed area shut the boat in, or the current is too strong for it.",
)


def say_reasons(found: Rerank) -> list[str]:
    """What changed since the morning and why, most telling first; one sentence each.

    Nothing where the way home no longer fits: of fish is not spoken then.
    """
    if not found.home.fits:
        return []
    others = list(_say_others(found))
    if found.log.empty:
        nothing = "Nothing in the log yet: the morning's boxes, drifted on."
        return [nothing, *_say_gone(found), *others]
    said = [
        *_say_worked(found),
        *_say_hookups(found),
        *_say_floating(found),
        *_say_signs(found),
        *_say_offsets(found),
        *_say_bias(found),
        *_say_not_taken(found),
        *_say_gone(found),
        *_say_left_out(found),
    ]
    return [*(said or ["Nothing in the log changes the boxes."]), *others]


def _say_others(found: Rerank) -> Iterator[str]:
    if found.others:
        entries = "1 entry" if found.others == 1 else f"{found.others} entries"
        yield f"Left out: {entries} of other days in this folder's log."


def _say_worked(found: Rerank) -> Iterator[str]:
    changes = found.changes
    if changes.empty:
        return
    rows = changes[(changes["trolled"] > 300.0) | (changes["met"] > 0.5)]
    for row in rows.sort_values("trolled", ascending=False).head(MOST).itertuples():
        met = "nothing" if row.met < 0.5 else f"{round(row.met)} met"
        how = f"{say_minutes(row.trolled)} trolled, {met}" if row.trolled >= 60.0 else f"{met} in passing"
        yield (
            f"Box {row.number}: {how}: what is left there is worth {row.factor * row.left:.1f} times as much "
            "as before."
        )


def _say_gone(found: Rerank) -> Iterator[str]:
    """Boxes of the route told last that can no longer be reached, and have not been trolled."""
    gone = set(found.gone) - _trolled(found)
    if gone and found.goes_on:
        yield f"{_boxes_are(gone)} out of reach now: too far for the hours, light and fuel left."


def _boxes_are(numbers: set[int]) -> str:
    """Boxes by their numbers, and the verb: "Box 3 is", "Boxes 3 to 5 are"."""
    return f"Box {say_numbers(numbers)} is" if len(numbers) == 1 else f"Boxes {say_numbers(numbers)} are"


def _trolled(found: Rerank) -> set[int]:
    """Numbers of the boxes that have been trolled."""
    changes = found.changes
    return set(changes["number"][changes["trolled"] > 0.0]) if len(changes) else set()


def _say_left_out(found: Rerank) -> Iterator[str]:
    """Boxes the last answer told that are not in the route any more, for another reason than their way."""
    gone = set(found.told) - set(found.plan.stays["box"]) - set(found.gone) - _trolled(found)
    if gone and found.goes_on:
        which = _boxes_are(gone).replace("Box", "box")
        yield f"Of the last answer {which} left out: banned, out of reach, or worth less than these."


def _say_hookups(found: Rerank) -> Iterator[str]:
    for row in found.hookups.sort_values("gain", ascending=False).head(1).itertuples():
        if math.exp(row.gain) >= LEAST:
            depth = found.plan.trip.show.say_depth(row.depth)
            times = f"{math.exp(row.gain):.1f} times"
            yield f"Fish in {depth}: stay on that depth, it counts {times} until it goes quiet."


def _say_signs(found: Rerank) -> Iterator[str]:
    show = found.plan.trip.show
    old = found.now - np.timedelta64(int(2 * LASTING), "s")
    seen = found.log[(found.log["kind"] == BIRDS) & (found.log["time"] >= old)]
    for row in list(seen.itertuples())[-MOST:]:
        species = found.plan.profile.name
        at_first = flock_gain(row.count, row.flying, species)
        age = float((found.now - np.datetime64(row.time)) / np.timedelta64(1, "s"))
        factor = math.exp(at_first * math.exp(-age / LASTING))
        birds = "bird" if row.count == 1 else row.kind
        what = f"{_count(row)}{birds}{f', {row.flying},' if row.flying else ''} at {show.say_clock(row.time)}"
        if factor >= LEAST:
            yield f"{what[0].upper()}{what[1:]}: water near it counts {factor:.1f} times for now."
        elif at_first == 0.0:
            yield f"{what[0].upper()}{what[1:]}: says little of {species}."


def _say_floating(found: Rerank) -> Iterator[str]:
    """What weed and debris, met or missed, have made of the map of what floats, and the boxes laid by it."""
    if found.floating is None:
        return
    seen = found.log[found.log["kind"].isin(NOTED)]
    for row in list(seen.itertuples())[-1:]:
        place = {"lon": row.geometry.x, "lat": row.geometry.y}
        gain = float(found.floating["gain"].sel(place, method="nearest"))
        also = f", the last of {len(seen)}," if len(seen) > 1 else ""
        what = f"{say_name(row.kind).capitalize()} at {found.plan.trip.show.say_clock(row.time)}{also}"
        yield f"{what} makes {gain:.1f} times the floating matter that was reckoned there."
    laid = set(found.changes["number"][found.changes["before"] == 0.0]) if len(found.changes) else set()
    if new := laid - set(found.told):
        yield f"{_boxes_are(new)} new: around you, where the log says that more floats."


def _say_offsets(found: Rerank) -> Iterator[str]:
    show = found.plan.trip.show
    for row in list(found.offsets.itertuples())[-MOST:]:
        way = compass_point(math.degrees(math.atan2(row.east, row.north)) % 360.0)
        off = show.say_distance(row.offset)
        what = f"{say_name(row.met).capitalize()} at {show.say_clock(row.time)}"
        yield f"{what} lay {off} {way} of a forecast line."
    best = found.changes.head(TOP)
    moved = best[best["shift"] > 100.0] if len(best) else best
    if len(found.offsets) and len(moved):
        row = moved.loc[moved["shift"].idxmax()]
        others = [int(number) for number in moved["number"] if number != row["number"]]
        box = "box" if len(others) == 1 else "boxes"
        also = f"; {box} {say_numbers(others)} too" if others else ""
        before, after = (show.say_distance(row[name]) for name in ("doubt_before", "doubt"))
        yield (
            f"Box {row['number']:.0f} moved {show.say_distance(row['shift'])} with that"
            + (f" and is good to {after}, not {before}" if before != after else "")
            + f"{also}."
        )


def _say_bias(found: Rerank) -> Iterator[str]:
    if found.readings:
        show, bias = found.plan.trip.show, found.bias
        way = "warmer" if bias.mean >= 0 else "colder"
        good = (
            f"good to {show.say_step(bias.sd)}, {found.readings} reading{'s' if found.readings > 1 else ''}"
        )
        if abs(bias.mean) < SAME:
            yield f"The sea is as warm as the map has it ({good})."
        else:
            yield f"The sea is {show.say_step(abs(bias.mean))} {way} than the map ({good}): corrected."


def _say_not_taken(found: Rerank) -> Iterator[str]:
    """Figures that are not taken for the temperature of the water, the newest, each with its reason."""
    show, rows = found.plan.trip.show, list(found.unread.itertuples())
    for row in rows[-MOST:]:
        figure = f"{show.say_temperature(row.value)} at {show.say_clock(row.time)}"
        yield f"{figure} is not taken for the water's: {_say_why_not(row, show)}."
    if more := len(rows[:-MOST]):
        yield f"{more} earlier {'figure is' if more == 1 else 'figures are'} not taken either."


def _say_why_not(row: Row, show: Show) -> str:
    if row.kind in (TEMPERATURE_BREAK, COLOR_CHANGE):
        return f"with a {say_name(row.kind)} it may be the step"
    if row.inside:
        return "it was taken inside the sea buoy"
    if np.isnan(row.mapped):
        return "the map is silent there"
    return f"the map has {show.say_temperature(row.mapped)} there, over {show.say_step(MOST_OFF)} off"


def say_way(found: Rerank) -> list[str]:
    """Where next, then where, when to leave each, and when to turn for home."""
    show = found.plan.trip.show
    if found.home.way is None:
        return [*SHUT_IN]
    if not found.home.fits:
        return [_say_late(found, show), _say_home(found, show)]
    if not found.goes_on:
        return [
            "NO MORE BOXES: nothing that is not banned or worked out fits the hours, light and fuel left.",
            f"TURN FOR HOME by {_say_turn(found, show)}.",
            _say_home(found, show),
        ]
    stays = list(found.plan.stays.itertuples())
    said = [_say_next(found, show)]
    if len(stays) > 1:
        then = [
            f"box {stay.box} {show.say_clock(stay.start, day=found.now)}" for stay in stays[1 : 1 + AHEAD]
        ]
        more = [f"{len(stays) - 1 - AHEAD} more"] if len(stays) > 1 + AHEAD else []
        said.append("Then " + ", ".join([*then, *more]) + ".")
    for stay in stays[:-1][:SOON]:
        said.append(_say_stay(stay, found.now, show))
    turn = show.say_clock(found.plan.turn_for_home, day=found.now)
    said.append(f"TURN FOR HOME from box {stays[-1].box} by {turn}; from here by {_say_turn(found, show)}.")
    return [*said, _say_home(found, show)]


def _say_turn(found: Rerank, show: Show) -> str:
    """When to turn, and at which speed: at another it is another hour."""
    turn = show.say_clock(found.home.turn, day=found.now)
    return f"{turn} at the latest, at {show.say_speed(found.home.speed)}"


def _say_next(found: Rerank, show: Show) -> str:
    legs = found.plan.legs
    first, stay = legs.iloc[0], found.plan.stays.iloc[0]
    if first["distance"] < 300.0:
        way = "you are there"
    else:
        way = f"{found.next_course:03.0f} true, {show.say_distance(first['distance'])}"
    rate = found.changes.set_index("number")["now"][int(stay["box"])]
    begin = show.say_clock(first["end"], day=found.now)
    return f"NEXT box {int(stay['box'])} ({rate:.2f} an hour): {way}, lines in {begin}."


def _say_stay(stay: Row, now: np.datetime64, show: Show) -> str:
    leave, end = (show.say_clock(hour, day=now) for hour in (stay.leave_by, stay.end))
    if leave == end:
        return f"Leave box {stay.box} at {end}."
    return f"Leave box {stay.box} at {leave} if nothing by then, else at {end}."


def _say_home(found: Rerank, show: Show) -> str:
    home, trip = found.home, found.plan.trip
    buoy = f"the sea buoy of {trip.finish.name}" if trip.finish else "the sea buoy"
    count = f"{home.bends} bend{'s' if home.bends > 1 else ''}"
    bends = f" at first ({count}, see the route)" if home.bends else ""
    return (
        f"Home: {home.course:03.0f} true{bends}, {show.say_distance(home.distance)} to {buoy}, "
        f"{say_minutes(home.time)} and {show.say_fuel(home.fuel)} "
        f"with the throttle for {show.say_speed(home.speed)} in flat water.{_say_dark(found, show)}"
    )


def _say_dark(found: Rerank, show: Show) -> str:
    """Whether the way home is in the dark, by the sun at the port of every day it may fall on."""
    trip, leg = found.plan.trip, found.plan.legs.iloc[-1]
    start, end = (leg[name].to_datetime64() for name in ("start", "end"))
    first = to_datetime(min(start, trip.window.start))
    last = to_datetime(end + np.timedelta64(1, "s"))  # the sun's hours are in whole seconds
    days = [tuple(map(to_numpy, day)) for day in find_days(trip.port, first, last)]
    if not days:
        return " All of the way is in the dark: the sun does not rise."
    if any(rise <= start and end <= down for rise, down in days):
        return ""
    gone_down = [down for _, down in days if down < end]
    what, when = ("sunset", gone_down[-1]) if gone_down else ("sunrise", days[0][0])
    return f" Some of the way is in the dark: {what} {show.say_clock(when, day=found.now)}."


def _say_late(found: Rerank, show: Show) -> str:
    home, wants = found.home, []
    if home.fuel > found.fuel:
        return (
            f"NOT ENOUGH FUEL TO REACH HOME: it takes {show.say_fuel(home.fuel)} at the least, "
            f"{show.say_fuel(found.fuel)} are aboard. Call for help now, and say where you are."
        )
    if home.short > 0:
        wants.append(f"it takes {show.say_fuel(max(home.short, 1.0))} of the reserve")
    if home.late > 0:
        wants.append(f"you will be {say_minutes(max(home.late, 60.0))} late")
    return f"TURN FOR HOME NOW: {' and '.join(wants)}. Tell the person ashore."


def say_minutes(seconds: float) -> str:
    """A length of time: 25 min, 3 h 05."""
    minutes = round(seconds / 60.0)
    return f"{minutes} min" if minutes < 60 else f"{minutes // 60} h {minutes % 60:02d}"


def _count(row: Row) -> str:
    return f"{row.count:.0f} " if np.isfinite(row.count) else ""
