"""What may be changed at the desk, and the trip that comes of it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from importlib.resources import files
from typing import Any

import numpy as np

from searcher.errors import OutOfReach
from searcher.trip import Trip
from searcher.trip.hours import read_window, to_datetime
from searcher.trip.model import TROLL_KN, Boat, Times, Window
from searcher.units import LABELS, from_unit, to_unit


@dataclass(frozen=True)
class Wishes:
    """A morning's wishes, in inside units (L, m/s, UTC).

    fuel: in the tank, the reserve included. pinned, banned: numbers of boxes as the ranking before the change
    has them.
    """

    fuel: float
    leave: np.datetime64
    home_by: np.datetime64
    bait: str
    troll: float
    species: str
    pinned: frozenset[int] = frozenset()
    banned: frozenset[int] = frozenset()


def wishes_of(trip: Trip) -> Wishes:
    """The wishes that leave a trip as it is."""
    window, gear = trip.window, trip.gear
    return Wishes(trip.boat.tank, window.start, window.end, gear.bait, gear.troll, trip.target.species)


def trip_with(trip: Trip, wishes: Wishes) -> Trip:
    """The trip as wished; raises `OutOfReach`, in one sentence, for what cannot be.

    Less fuel is a smaller tank with as many litres of reserve: the reserve does not shrink with the fuel.
    """
    return trip.model_copy(
        update={
            "boat": _boat_with(trip, wishes.fuel),
            "window": _window_with(trip, wishes),
            "gear": trip.gear.model_copy(update={"bait": wishes.bait, "troll": _troll_of(trip, wishes)}),
            "target": trip.target.model_copy(update={"species": wishes.species}),
        }
    )


def _boat_with(trip: Trip, fuel: float) -> Boat:
    boat, unit = trip.boat, trip.show.fuel
    if fuel == boat.tank:
        return boat
    reserve = boat.tank * boat.reserve
    if not reserve < fuel <= boat.tank:
        low, given, high = (
            f"{to_unit(litres, unit):.1f} {LABELS[unit]}" for litres in (reserve, fuel, boat.tank)
        )
        raise OutOfReach(
            "fuel that leaves nothing to plan with, or that the tank does not hold",
            given="nothing" if np.isnan(fuel) else given,
            expected=f"more than the reserve, {low}, and at most the tank, {high}",
        )
    return boat.model_copy(update={"tank": float(fuel), "reserve": reserve / fuel})


def _window_with(trip: Trip, wishes: Wishes) -> Window:
    window = trip.window
    if (wishes.leave, wishes.home_by) == (window.start, window.end):
        return window
    times = Times(leave=to_datetime(wishes.leave), home_by=to_datetime(wishes.home_by))
    changed, faults = read_window(times, trip.port)
    if changed is None:
        show = trip.show
        raise OutOfReach(
            "hours that make no day",
            given=f"leaving {show.say_time(wishes.leave)}, home by {show.say_time(wishes.home_by)}",
            expected="to be home after leaving, and within 36 h",
            problems=[text for _, text in faults],
        )
    return changed


def troll_limits(trip: Trip, bait: str) -> tuple[float, float, float]:
    """Slowest, usual and fastest trolling speed (m/s) of a bait that the boat can keep."""
    slowest, usual, fastest = (from_unit(speed, "kn") for speed in TROLL_KN[bait])
    least, most = trip.boat.speeds[0], trip.boat.top_speed
    return max(slowest, least), min(max(usual, least), most), min(fastest, most)


def _troll_of(trip: Trip, wishes: Wishes) -> float:
    slowest, _, fastest = troll_limits(trip, wishes.bait)
    if not slowest - 1e-6 <= wishes.troll <= fastest + 1e-6:
        say = trip.show.say_speed
        raise OutOfReach(
            f"a trolling speed that does not go with {wishes.bait} bait",
            given="nothing" if np.isnan(wishes.troll) else say(wishes.troll),
            expected=f"{say(slowest)} to {say(fastest)}",
        )
    return wishes.troll


def species_of(trip: Trip) -> list[str]:
    """Species profiles that can be aimed at: those that come with the package, and the trip's own."""
    ours = {path.name.removesuffix(".toml") for path in (files("searcher") / "profiles").iterdir()}
    return sorted({*(name for name in ours if not name.startswith("_")), trip.target.species})


def say_changes(trip: Trip, wishes: Wishes) -> list[str]:
    """What is wished otherwise than the trip file says, a sentence each; nothing where all is the same."""
    show, before = trip.show, wishes_of(trip)
    says: dict[str, tuple[str, Callable[[Any], str]]] = {
        "fuel": ("{} in the tank", show.say_fuel),
        "leave": ("leaving {}", show.say_time),
        "home_by": ("home by {}", show.say_time),
        "bait": ("{} bait", str),
        "troll": ("trolling at {}", show.say_speed),
        "species": ("for {}", str),
    }
    texts = []
    for name, (words, say) in says.items():
        now, was = getattr(wishes, name), getattr(before, name)
        if now != was:
            texts.append(f"{words.format(say(now))} (the trip file: {say(was)})")
    for word, ranks in (("pinned", wishes.pinned), ("left out", wishes.banned)):
        if ranks:
            texts.append(f"{word}: box {', '.join(map(str, sorted(ranks)))}")
    return texts
