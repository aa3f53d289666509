"""Which variable of a file is which field of a sea: the table `names.toml` and the search in it."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Callable, Mapping
from functools import lru_cache
from importlib.resources import files
from typing import Any, NamedTuple

import xarray as xr

from searcher.sea import NODES


class Choice(NamedTuple):
    """One way in which a node can be found in a file; `rank` 0 is the best."""

    node: str
    rank: int
    what: str
    refuse: frozenset[str]
    variables: Mapping[str, Mapping[str, Any]]


@lru_cache(maxsize=1)
def read_names() -> dict[str, Any]:
    """The table `names.toml` as it stands."""
    return tomllib.loads((files("searcher.sources") / "names.toml").read_text(encoding="utf-8"))


@lru_cache(maxsize=1)
def list_choices() -> tuple[Choice, ...]:
    """Every choice of every node, in the order of `searcher.sea.NODES`, the best of a node first."""
    return tuple(
        Choice(node, rank, row["what"], frozenset(row["refuse"]), {name: row[name] for name in NODES[node]})
        for node in NODES
        for rank, row in enumerate(read_names()[node])
    )


def find_variables(data: xr.Dataset, choice: Choice) -> dict[str, str]:
    """Our variable -> name in the file, for those variables of a choice that the file holds on a grid."""
    found = {}
    for ours, known in choice.variables.items():
        likely = [str(name) for name in data.variables if _may_be(data[name], choice.refuse)]
        by_standard_name = [name for name in likely if _standard_name(data[name]) in known["standard_names"]]
        by_name = [name for name in likely if name in known["names"]]
        if by_standard_name or by_name:
            found[ours] = min(by_standard_name or by_name, key=lambda name: _place(data[name], known))
    return found


def axis_of(variable: xr.DataArray) -> str | None:
    """Whether a variable is a `lat`, `lon`, `time` or `level` coordinate, or None."""
    units = _units(variable)
    letter = str(variable.attrs.get("axis", "")).upper()
    if letter in ("X", "Y") and units and not units.startswith("degree"):
        letter = ""  # of a map in metres
    tests: tuple[Callable[[Mapping[str, Any]], bool], ...] = (
        lambda known: _standard_name(variable) in known["standard_names"],
        lambda known: units in known["units"] or (known["axis"] == "T" and " since " in units),
        lambda known: letter == known["axis"],
        lambda known: str(variable.name).lower() in known["names"],
    )
    return next((axis for test in tests for axis, known in read_names()["axes"].items() if test(known)), None)


def is_firm(variable: xr.DataArray) -> bool:
    """Whether a coordinate says by more than its axis letter which one it is (rows are lettered Y, too)."""
    known = read_names()["axes"].get(axis_of(variable), {})
    return bool(known) and (
        _standard_name(variable) in known["standard_names"]
        or _units(variable) in known["units"]
        or str(variable.name).lower() in known["names"]
    )


def place_of(variable: xr.DataArray) -> str | None:
    """Whether a variable gives a `lat` or a `lon` for every node, by what it says or how its name begins.

    Units are not asked: models are known that give degrees and say metres.
    """
    axis = axis_of(variable) if is_firm(variable) else None
    if axis in ("lat", "lon"):
        return axis
    starts = {"lat": ("lat", "nav_lat", "gphi"), "lon": ("lon", "nav_lon", "glam")}
    name = str(variable.name).lower()
    return next((axis for axis, begin in starts.items() if name.startswith(begin)), None)


def frame_of(variable: xr.DataArray) -> str | None:
    """Whether a vector's component lies along "east" and north or along its "grid", by its standard name and
    then its long name; None where neither says."""
    known = read_names()["frames"]
    for key in ("standard_name", "long_name"):
        said = str(variable.attrs.get(key, "")).lower().replace("_", " ")
        for frame in ("east", "grid"):
            if any(word in said for word in known[frame]):
                return frame
    return None


def is_known(variable: xr.DataArray, table: str) -> bool:
    """Whether a table (of those that are no node) lists a variable, by standard name or by name."""
    known = read_names()[table]
    return _standard_name(variable) in known["standard_names"] or str(variable.name) in known["names"]


def _units(variable: xr.DataArray) -> str:
    return str(variable.attrs.get("units", "")).strip().lower()


def _may_be(variable: xr.DataArray, refuse: frozenset[str]) -> bool:
    """Whether a variable lies on at least two dimensions and says nothing that rules it out."""
    attrs = variable.attrs
    said = f"{variable.name} {attrs.get('standard_name', '')} {attrs.get('long_name', '')}".lower()
    return (
        variable.ndim >= 2
        and variable.dtype.kind in "iuf"
        and not refuse & set(re.split(r"[^a-z0-9]+", said))
    )


def _place(variable: xr.DataArray, known: Mapping[str, Any]) -> tuple[int, int]:
    """Where a variable stands in the lists of a choice; the lowest wins."""
    places = ((_standard_name(variable), known["standard_names"]), (str(variable.name), known["names"]))
    first, second = (among.index(value) if value in among else len(among) for value, among in places)
    return first, second


def _standard_name(variable: xr.DataArray) -> str:
    return str(variable.attrs.get("standard_name", "")).strip()
