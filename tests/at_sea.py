"""A day for the tests of what is done at sea: two straight breaks in a uniform current, planned once.

Both lie north to south and move east with the current; the bottom falls off to the east. So where everything
is at any hour is known exactly.
"""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path

import numpy as np
import shapely
from seas import HOUR, LEAVE, TASMAN, TRIP, Plane, make_axes, make_node, make_simple_sea

from searcher.geo import Place
from searcher.plan import Plan, make_plan
from searcher.sightings import Sighting
from searcher.sightings.entry import tabulate
from searcher.trip import parse_trip

PLANE = Plane(TASMAN)
#: the current east, m/s; where the breaks are when the boat leaves, m east of the sea buoy
EAST, BREAKS = 0.4, (15e3, 35e3)
WIDTH, STEP = 3000.0, 2.0


def trip_text(*, tank: float = 60.0, length: float = 10.0, more: str = "") -> str:
    """The text of a trip that leaves from the middle of the Tasman Sea; fuel in gallons."""
    home_by = (LEAVE + np.timedelta64(round(length * 3600), "s")).astype("datetime64[m]")
    said = {
        "at": tuple(map(float, TASMAN)),
        "buoy": tuple(map(float, TASMAN)),
        "leave": str(LEAVE.astype("datetime64[m]")).replace("T", " "),
        "home_by": str(home_by).replace("T", " "),
        "burn": [[4.0, 2.0], [8.0, 4.0], [20.0, 20.0 / 1.5], [30.0, 30.0]],
        "unit": "gal",
        "tank": tank,
        "cruise_kn": 20.0,
        "reserve": 1 / 3,
        "clearance": 500.0,
    }
    return TRIP.format(**said) + more


def make_sea():
    """Two pictures of the breaks, the current, and the bottom."""

    def picture(hour: float):
        def value(x, _):
            ahead = EAST * hour * HOUR
            return 24.0 + sum(STEP / 2 * np.tanh((x - at - ahead) / WIDTH) for at in BREAKS)

        return value

    hours = (-30.0, -10.0)
    lon, lat = make_axes(TASMAN, half=1.5, step=0.05)
    x, _ = PLANE.metres(*np.meshgrid(lon, lat))
    depth = make_node("depth", lon, lat, depth=np.maximum(100.0 + x / 100.0, 50.0))
    sst = [picture(hour) for hour in hours]
    return make_simple_sea(u=EAST, sst=sst, image_hours=hours, half=1.5, current_hours=(-48, 24), depth=depth)


@lru_cache(maxsize=4)
def planned(folder: str = ".", **said) -> Plan:
    """The plan of the day; `said` as for `trip_text`."""
    return make_plan(parse_trip(trip_text(**said), Path(folder) / "trip.toml"), make_sea())


def after(hours: float) -> np.datetime64:
    """A moment so many hours after leaving."""
    return LEAVE + np.timedelta64(round(hours * HOUR), "s")


def place(x: float, y: float) -> Place:
    """The place so many metres east and north of the sea buoy."""
    return Place(*(float(a) for a in PLANE.degrees(x, y)))


def box_line(plan: Plan, number: int) -> shapely.LineString:
    """The planned line of a box."""
    return plan.boxes.set_index("rank")["line"][number]


def trolled(plan: Plan, number: int, first: float, last: float, kind: str = "trolled") -> Sighting:
    """A stretch over a box of the plan, from and to hours after leaving."""
    return Sighting(kind, box_line(plan, number), after(first), after(last))


def bite(plan: Plan, number: int, hour: float, **said) -> Sighting:
    """A bite in the middle of a box."""
    middle = shapely.line_interpolate_point(box_line(plan, number), 0.5, normalized=True)
    return Sighting("bite", middle, after(hour), **said)


def log_of(*entries: Sighting):
    """The log table of some entries."""
    return tabulate(entries)
