"""What of a trip file is still the example that `searcher new` wrote, and what that took for granted."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from searcher.trip import Trip

#: fields of the boat, and what they are called
NUMBERS = {
    "table": "burn table",
    "tank": "tank",
    "draught": "draught",
    "max_wind": "wind limit",
    "max_waves": "wave limit",
}


def example_words(trip: Trip) -> list[str]:
    """That the boat is still the example's, and in what; nothing where its burn table is another.

    A burn table of eight speeds is not the same by chance, one number may be: they are named only beside it.
    """
    from searcher.files import TRIP_FILE
    from searcher.trip import new_trip_text, parse_trip

    example = parse_trip(new_trip_text(), trip.folder / TRIP_FILE, afloat=True).boat
    same = [name for field, name in NUMBERS.items() if getattr(trip.boat, field) == getattr(example, field)]
    if trip.boat.table != example.table:
        return []
    return [
        f"The boat is still the example that 'searcher new' wrote ({', '.join(same)}): fuel, range and "
        "limits are not those of your boat. Put your own into [boat] of trip.toml."
    ]


def taken_words(given: Mapping[str, Any]) -> list[str]:
    """What `searcher new` took for granted of a port whose place was `given`; nothing of the invented one."""
    from searcher.trip.write import clock_of_longitude

    if "at" not in given:
        return []
    taken = []
    if "timezone" not in given:
        zone = clock_of_longitude(given["at"][0])
        taken.append(f"the time zone ({zone}, from the longitude: it knows no summer time)")
    if "sea_buoy" not in given:
        taken.append("the sea buoy (where the boat lies)")
    return [f"Nobody said {' or '.join(taken)}: put in your own."] if taken else []
