"""Boxes and times in words, for messages."""

from __future__ import annotations

import numpy as np

from searcher.geo import Region


def tell_box(box: Region) -> str:
    """A box in words."""
    return f"{box.west:.2f} to {box.east:.2f}° E, {box.south:.2f} to {box.north:.2f}° N"


def tell_time(time: np.datetime64) -> str:
    """A time in words."""
    return f"{np.datetime_as_string(time, unit='m').replace('T', ' ')} UTC"
