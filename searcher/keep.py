"""A plan kept on disk as `plan.nc`: what is needed of it at sea and in the evening, with no network.

One netCDF file: tables and settings as JSON text, the reach, and the sea cut to the hours of the day, in
single precision. It appears whole or not at all, so that what is read belongs together.
"""

from __future__ import annotations

import json
import os
from dataclasses import fields
from pathlib import Path
from typing import Any

import geopandas as gpd
import netCDF4
import numpy as np
import pandas as pd
import shapely
import xarray as xr

from searcher.coast import Coast
from searcher.conditions import Condition, limits_of
from searcher.errors import NoData, SeaError, SearcherError
from searcher.evidence import FACTS
from searcher.files import whole_file
from searcher.plan import Plan
from searcher.profile import PIECES, Profile, numbers_of
from searcher.sea import GIVEN, check_sea, to_times
from searcher.tables import CRS
from searcher.trip import Trip, parse_trip, read_text, read_trip, trip_path
from searcher.waters import survey_waters

PLAN_FILE = "plan.nc"
#: of what stands below; a file of another was made by another searcher
VERSION = 1
TABLES = ("fronts", "boxes", "legs", "stays")
#: fields of a plan that are kept as they are
PLAIN = ("cautions", "settings", "best", "bound", "learned_from")
#: of a row on the data: when the first and the last field is from; None where they do not change
ENDS = ("first", "last")
#: sections of the trip in which a plan may differ from its file
WISHES = ("gear", "target")
#: nodes of the sea that are needed again, and how long before and after the trip
NODES = ("temperature", "surface", "currents", "wind", "waves", "depth", "weed")
AROUND = np.timedelta64(3, "h")
FIELDS = ("sst", "age", "u", "v", *GIVEN, "u10", "v10", "hs", "depth", "weed")
#: as `searcher.sea.EPOCH`; and attributes that only say how values are packed
SINCE = "seconds since 2000-01-01"
ENCODED = ("_FillValue", "calendar")
TIME_ENCODED = (*ENCODED, "units")
#: what netCDF raises over a damaged file, and what is raised over one that lacks something
UNREADABLE = (OSError, RuntimeError, AttributeError, IndexError, KeyError, ValueError, SeaError)
FLAGS = ("reachable", "blocked", "currents_known")
CHANGED = (
    "trip.toml has changed since the plan was made: land, closed areas, clearance and draught are still "
    "those of the plan. Run 'searcher plan' again as soon as you can."
)


def save_plan(plan: Plan, path: str | os.PathLike[str]) -> Path:
    """Write what is needed of a plan again, for `open_plan`. Raises `SearcherError` where it cannot be."""
    nodes = {f"/sea/{name}": _cut(plan.sea[name].to_dataset(), plan) for name in NODES if name in plan.sea}
    flags = {name: plan.reach[name].astype("i1") for name in FLAGS}
    nodes["/reach"] = _single(plan.reach.assign(flags))
    if plan.floating is not None:
        nodes["/floating"] = _single(plan.floating.expand_dims("time")[["density", "doubt"]])
    packed = {name: _encoding(data) for name, data in nodes.items()}
    with whole_file(path) as partial:
        xr.DataTree.from_dict(nodes).to_netcdf(partial, encoding=packed)
        with netCDF4.Dataset(partial, "a") as file:
            file.version = VERSION
            for name, text in _texts(plan).items():
                _write_text(file, name, text)
    return Path(path)


def open_plan(folder: str | os.PathLike[str]) -> Plan:
    """The plan of a trip folder, as it was kept, with the trip as its file says now.

    The sea holds the hours of the trip only. Where the trip file has changed since, what it says counts,
    and a caution says so. Raises `NoData` where there is no plan.
    """
    path = Path(folder) / PLAN_FILE
    if not path.is_file():
        raise NoData(f"no plan at {path}", hint="Run 'searcher plan' (or brief) on this folder first, ashore")
    try:
        with netCDF4.Dataset(path) as file:
            texts = _read_texts(file)
            reach = _read_grids(file["reach"])
            nodes = {name: _read_grids(group) for name, group in file["sea"].groups.items()}
            floating = _read_grids(file["floating"]).isel(time=0) if "floating" in file.groups else None
        sea = check_sea(xr.DataTree.from_dict(nodes))
        tables = {name: _table_of(texts[name]) for name in TABLES}
        kept = json.loads(texts["kept"])
        wished = {name: kept[name] for name in WISHES}
        window = {name: np.datetime64(kept[name], "ns") for name in ("start", "end")}
        profile = _checked(Profile(**kept["profile"]), tables["boxes"])
        data = tuple(row | {end: _time_of(row[end]) for end in ENDS} for row in kept.get("data", ()))
    except UNREADABLE as error:
        raise SearcherError(
            f"{path} cannot be read as a plan: {error}", hint="Run 'searcher plan' again"
        ) from error
    trip, notes = _trip_of(folder, texts["trip"], wished, window)
    reach = reach.assign({name: (reach[name].dims, reach[name].values.astype(bool)) for name in FLAGS})
    lon, lat, blocked = (reach[name].values for name in ("lon", "lat", "blocked"))
    coast = Coast(lon, lat, blocked, shapely.from_wkb(texts["obstacles"]))
    shapely.prepare(coast.obstacles)
    plain = {name: kept[name] for name in PLAIN} | {"cautions": (*notes, *kept["cautions"])}
    return Plan(
        trip=trip,
        sea=sea,
        reach=reach,
        floating=floating,
        range_polygon=shapely.from_wkb(texts["range"]),
        conditions=tuple(
            Condition(name, value, limits_of(trip)[name], np.datetime64(at, "ns"))
            for name, value, at in kept.get("conditions", ())
        ),
        data=data,
        turn_for_home=np.datetime64(kept["turn_for_home"], "ns"),
        made_at=np.datetime64(kept["made_at"], "ns"),
        profile=profile,
        waters=survey_waters(trip, sea, coast=coast),
        **tables,
        **plain,
    )


def _checked(profile: Profile, boxes: gpd.GeoDataFrame) -> Profile:
    """The profile, if it and the boxes hold all that this version asks of them; ValueError if not."""
    missing = [
        f"{piece} {key}"
        for piece in PIECES
        for key in numbers_of(piece)
        if key not in profile.sections.get(piece, ())
    ]
    missing += [name for name in FACTS if len(boxes) and name not in boxes]
    if missing:
        raise ValueError(f"made by another version, without {', '.join(missing)}")
    return profile


def _trip_of(
    folder: str | os.PathLike[str], before: str, wished: dict[str, Any], hours: dict[str, np.datetime64]
) -> tuple[Trip, tuple[str, ...]]:
    """The trip as it was planned, with other hours, gear or target than its file where that was wished for.

    If the file has changed since, as the file says now, home by the planned hour if that was earlier; and
    what is to be known of it.
    """
    path = trip_path(folder)
    text = read_text(path)
    if text != before:
        trip = read_trip(path)
        if hours["end"] <= trip.window.start or trip.window.end <= hours["start"]:
            say = trip.show.say_time
            raise NoData(
                "the plan is of another day than the trip file",
                given=f"a plan from {say(hours['start'])} to {say(hours['end'])}",
                expected=f"one from {say(trip.window.start)} to {say(trip.window.end)}",
                hint="Run 'searcher plan' (or brief) on this folder again",
            )
        return trip.until(min(hours["end"], trip.window.end)), (CHANGED,)
    trip = parse_trip(text, path, afloat=True)
    sections = {name: getattr(trip, name).model_copy(update=said) for name, said in wished.items()}
    return trip.model_copy(update=sections | {"window": trip.window.model_copy(update=hours)}), ()


def _texts(plan: Plan) -> dict[str, str]:
    """Everything of a plan that is not a grid, as text."""
    kept = {name: getattr(plan, name) for name in PLAIN}
    profile = {field.name: getattr(plan.profile, field.name) for field in fields(Profile)}
    window = plan.trip.window
    times = {"turn_for_home": plan.turn_for_home, "made_at": plan.made_at}
    times |= {"start": window.start, "end": window.end}
    kept |= {name: str(time) for name, time in times.items()} | {"profile": profile}
    kept |= {name: getattr(plan.trip, name).model_dump() for name in WISHES}
    kept["conditions"] = [(c.name, c.value, _say_time(c.at)) for c in plan.conditions]
    kept["data"] = [row | {end: _say_time(row[end]) for end in ENDS} for row in plan.data]
    texts = {name: _text_of(getattr(plan, name)) for name in TABLES}
    texts |= {"kept": json.dumps(kept), "trip": plan.trip.text}
    shapes = {"obstacles": plan.waters.obstacles, "range": plan.range_polygon}
    return texts | {name: shapely.to_wkb(shape, hex=True) for name, shape in shapes.items()}


def _say_time(time: np.datetime64 | None) -> str | None:
    return None if time is None else str(time)


def _time_of(text: str | None) -> np.datetime64 | None:
    return None if text is None else np.datetime64(text, "ns")


def _text_of(table: pd.DataFrame) -> str:
    """A table as JSON: geometries as WKB, times in ns."""
    columns = {}
    for name, values in table.items():
        if len(values) and values.map(lambda value: isinstance(value, shapely.Geometry)).all():
            columns[name] = ["geometry", [shapely.to_wkb(shape, hex=True) for shape in values]]
        elif values.dtype.kind == "M":
            columns[name] = ["time", values.to_numpy("datetime64[ns]").astype("int64").tolist()]
        else:
            columns[name] = [str(values.dtype), values.tolist()]
    main = table.geometry.name if isinstance(table, gpd.GeoDataFrame) else None
    return json.dumps({"main": main, "columns": columns})


def _table_of(text: str) -> pd.DataFrame:
    """The table of a JSON text of `_text_of`."""
    read = json.loads(text)
    columns = {}
    for name, (kind, values) in read["columns"].items():
        if kind == "geometry":
            columns[name] = gpd.GeoSeries(shapely.from_wkb(values), crs=CRS)
        elif kind == "time":
            columns[name] = pd.Series(np.array(values, dtype="int64").astype("datetime64[ns]"))
        else:
            columns[name] = pd.Series(values, dtype=kind)
    if read["main"] is None:
        return pd.DataFrame(columns)
    return gpd.GeoDataFrame(columns, geometry=read["main"], crs=CRS)


def _cut(data: xr.Dataset, plan: Plan) -> xr.Dataset:
    """A node of the sea over the hours of the trip, one time before and after, in single precision."""
    if "time" in data.dims:
        times, window = data["time"].values, plan.trip.window
        first = np.searchsorted(times, window.start - AROUND, side="right") - 1
        last = np.searchsorted(times, window.end + AROUND) + 1
        data = data.isel(time=slice(min(max(int(first), 0), times.size - 1), int(last)))
    data = data.drop_vars([name for name in data.variables if name not in (*FIELDS, "time", "lat", "lon")])
    return _single(data)


def _single(data: xr.Dataset) -> xr.Dataset:
    """A dataset with its fields in single precision."""
    return data.assign({name: v.astype(np.float32) for name, v in data.data_vars.items() if v.dtype == float})


def _encoding(data: xr.Dataset) -> dict[str, dict[str, Any]]:
    fields: dict[str, dict[str, Any]]
    fields = {str(name): {"zlib": True, "complevel": 1} for name in data.data_vars}
    return fields | ({"time": {"units": SINCE, "dtype": "float64"}} if "time" in data.coords else {})


def _read_grids(group: netCDF4.Group) -> xr.Dataset:
    """The dataset of a group; without xarray's own reader, which loads every backend there is first."""
    group.set_auto_mask(False)
    found = {}
    for name, kept in group.variables.items():
        values = to_times(kept[:]) if name == "time" else kept[:]
        is_single = values.dtype == np.float32
        encoded = TIME_ENCODED if name == "time" else ENCODED
        attrs = {key: kept.getncattr(key) for key in kept.ncattrs() if key not in encoded}
        found[name] = (kept.dimensions, values.astype(np.float64) if is_single else values, attrs)
    coords = {name: found.pop(name) for name in list(found) if name in group.dimensions}
    return xr.Dataset(found, coords, {key: group.getncattr(key) for key in group.ncattrs()})


def _write_text(file: netCDF4.Dataset, name: str, text: str) -> None:
    values = np.frombuffer(text.encode("utf-8"), np.uint8)
    file.createDimension(name, values.size)
    file.createVariable(name, "u1", (name,), zlib=True, complevel=1)[:] = values


def _read_texts(file: netCDF4.Dataset) -> dict[str, str]:
    """The texts of a kept plan."""
    version = int(getattr(file, "version", -1))
    if version != VERSION:
        raise ValueError(f"version {version}, expected {VERSION}")
    return {name: values[:].tobytes().decode("utf-8") for name, values in file.variables.items()}
