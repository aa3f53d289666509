"""Fields: variables of a sea as they stand in files, over one region, and what must be done to read them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from searcher.geo import Region
from searcher.sources.axes import Axes, Cut
from searcher.sources.names import Choice
from searcher.sources.sheets import Plane, Sheet

#: components of vectors: along the first axis, along the second
VECTORS = (("u", "v"), ("u10", "v10"))


@dataclass(frozen=True)
class Field:
    """One variable of a sea in one file, over one region; `lat` or `lon` is None where they do not meet."""

    path: Path
    choice: Choice
    name: str  # ours
    variable: str  # the file's
    axes: Axes = field(repr=False)
    times: np.ndarray | None = field(repr=False)  # datetime64[ns] in the file's order; None where static
    lat: Cut | None = field(repr=False)
    lon: Cut | None = field(repr=False)
    attrs: dict[str, Any] = field(repr=False)  # of the whole file
    sheet: Sheet | None = field(default=None, repr=False)  # where its numbers lie, if not on lat and lon
    turn: Turn | None = field(default=None, repr=False)  # how a component along a grid is turned
    stamp: tuple[int, ...] = field(default=(), repr=False)  # of the file as it was surveyed
    unread: tuple[str, ...] = field(default=(), repr=False)  # flags beside it that are not understood

    @property
    def box(self) -> Region:
        """From the first to the last node of the file, in its own longitudes."""
        lon, lat = self.axes.lon, self.axes.lat
        return Region(float(lon.min()), float(lat.min()), float(lon.max()), float(lat.max()))

    @property
    def is_outside(self) -> bool:
        """Whether the file and the region do not meet."""
        return self.lat is None or self.lon is None

    @property
    def cuts(self) -> tuple[Cut, Cut]:
        """`lat` and `lon` of a field that is not outside."""
        assert self.lat is not None
        assert self.lon is not None
        return self.lat, self.lon

    @property
    def history(self) -> str:
        """What is done to the numbers on their way, beside the units; "" where nothing is."""
        if self.sheet is None:
            return ""
        lat, lon = self.cuts
        straight = self.sheet.plane is not None and self.sheet.plane.crs is None
        grid = "staggered" if straight else "projected" if self.sheet.plane else "curvilinear"
        turned = ", turned from the grid's axes to east and north" if self.turn else ""
        return (
            f"{self.variable} interpolated bilinearly from a {grid} grid to steps of {lat.step:g} by "
            f"{lon.step:g} degrees{turned}"
        )


def stamp_of(path: Path) -> tuple[int, ...]:
    """What tells a file from another of its name, and from itself written anew."""
    found = path.stat()
    return found.st_ino, found.st_size, found.st_mtime_ns


class Turn(NamedTuple):
    """Components along a grid: the other one, and the variable of the angle between (or the grid's own)."""

    partner: Field
    angle: str | None
    sheet: Sheet  # where the angle lies


def align_fields(fields: Sequence[Field]) -> list[Field]:
    """The fields, of one file or many; second components of vectors brought to the grid of the first ones
    where they stand staggered beside them. Other grids are left as they are."""
    partners = {second: first for first, second in VECTORS}
    firsts = [found for found in fields if found.name in partners.values()]

    def align(found: Field) -> Field:
        near = [one for one in firsts if one.name == partners.get(found.name) and _are_staggered(one, found)]
        return _move(found, near[0]) if near else found

    return [align(found) for found in fields]


def _are_staggered(one: Field, other: Field) -> bool:
    """Whether the grids of two components lie less than a step beside each other, and not on each other."""
    if one.choice != other.choice or one.is_outside or other.is_outside:
        return False
    if (one.sheet is None) != (other.sheet is None):
        return False
    pairs = tuple(zip(one.cuts, other.cuts, strict=True))
    (lat, _), (lon, _) = pairs
    steps = (lon.step, lat.step) * 2
    if (np.abs(np.subtract(one.box, other.box)) > np.multiply(1.1, steps)).any():
        return False
    if all(
        a.values.size == b.values.size and np.abs(a.values - b.values).max() < 0.01 * a.step for a, b in pairs
    ):
        return False
    return one.sheet is not None or all(abs(a.step / b.step - 1) < 0.1 for a, b in pairs)


def _move(found: Field, onto: Field) -> Field:
    """A field that arrives on the grid of another."""
    lat, lon = found.cuts
    sheet = found.sheet or Sheet(
        found.axes,
        lat.runs,
        lon.runs,
        np.empty((0, 0)),
        np.empty((0, 0)),
        Plane(lon.values, lat.values),
    )
    return replace(found, lat=onto.lat, lon=onto.lon, sheet=sheet)
