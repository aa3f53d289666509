"""The log: what was seen, where and when; typed in trade words or read from a plotter's GPX file.

::

    words, places    trade words to fields --.
    plotter          GPX marks and tracks ----> entry: Sighting, checked --> store: trip.db (SQLite)
                                                                               |
             effort: stretches trolled, encounters <-- read_sightings ---------'--> export: CSV

Stored at once, each entry in a transaction of its own: a process killed at any moment loses at most the entry
it was about to write.
"""

from searcher.sightings.effort import count_encounters, find_encounters, stray_encounters
from searcher.sightings.entry import Sighting
from searcher.sightings.export import write_csv
from searcher.sightings.places import find_place, middle_of, parse_place, say_place
from searcher.sightings.plotter import FromPlotter, read_gpx
from searcher.sightings.store import (
    Added,
    add_sighting,
    add_sightings,
    log_path,
    read_sightings,
    take_back,
)
from searcher.sightings.words import parse_words

__all__ = [
    "Added",
    "FromPlotter",
    "Sighting",
    "add_sighting",
    "add_sightings",
    "count_encounters",
    "find_encounters",
    "find_place",
    "log_path",
    "middle_of",
    "parse_place",
    "parse_words",
    "read_gpx",
    "read_sightings",
    "say_place",
    "stray_encounters",
    "take_back",
    "write_csv",
]
