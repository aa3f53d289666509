"""The trip file: port, hours, boat, gear, target, data, places to avoid.

::

    trip.toml --read--> sections in inside units (model, values) --> Trip
                 |          hours: local times to UTC, sunrise and sunset
                 |          areas: closed areas from GeoJSON
                 '-- every fault, with its line, in one TripError

`write` makes a commented file to start from.
"""

from searcher.trip.model import (
    Avoid,
    Boat,
    Data,
    Finish,
    FloatPlan,
    Gear,
    Learn,
    Port,
    Sources,
    Target,
    Trip,
    Window,
)
from searcher.trip.read import check_trip, parse_trip, read_text, read_trip, trip_path
from searcher.trip.write import new_trip_text, write_trip

__all__ = [
    "Avoid",
    "Boat",
    "Data",
    "Finish",
    "FloatPlan",
    "Gear",
    "Learn",
    "Port",
    "Sources",
    "Target",
    "Trip",
    "Window",
    "check_trip",
    "new_trip_text",
    "parse_trip",
    "read_text",
    "read_trip",
    "trip_path",
    "write_trip",
]
