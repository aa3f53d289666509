"""The built-in sea as the files a user would have downloaded, each in the dress of a common product.

Packing, names, axis order and units follow public products: GHRSST level 3 for temperature, HYCOM for
currents, GFS-style wind, Copernicus-style waves, GEBCO for the sea floor.
"""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import xarray as xr

from searcher.errors import TripError
from searcher.files import TRIP_FILE, make_folder, whole_file, write_text
from searcher.sea import check_sea

KELVIN = 273.15
SECONDS_1981 = "seconds since 1981-01-01 00:00:00"
HOURS_2000 = "hours since 2000-01-01 00:00:00"
LAND_SLOPE = 900.0  # m of invented land height per degree inland
#: An invented sanctuary round an islet, longitude and latitude.
SANCTUARY = ((153.235, -30.165), (153.300, -30.150), (153.318, -30.215), (153.252, -30.235))

TRIP = """\
# A day off Wirrin Harbour: an invented port on the Solitary coast, New South Wales, in an invented sea.
# Lengths, speeds and volumes carry their unit in the key. Positions are [longitude, latitude], degrees.

[port]
name = "Wirrin Harbour"
at = [153.0795, -30.405]
sea_buoy = [153.108, -30.408]     # where open water begins: the route starts and ends its sea legs here
timezone = "Australia/Sydney"

[window]                          # local time
leave = "2026-01-17 05:00"
home_by = "2026-01-17 16:30"

[boat]                            # a 7 m trailer boat
name = "Example"
burn_unit = "l"                   # "l" or "gal", per hour
burn = [                          # speed through the water in knots, fuel per hour
  [0, 1.2],
  [4, 4.5],
  [6, 8],
  [8, 13],
  [12, 21],
  [16, 26],
  [20, 32],
  [25, 43],
  [30, 60],
]
cruise_kn = 20
tank_l = 250
reserve = 0.333                   # share of the tank that no plan may touch
draught_m = 0.6
max_wind_kn = 20
max_wave_m = 2.0

[gear]
bait = "skirted natural"          # "artificial", "skirted natural" or "bare natural"
lines = 3
# troll_kn = 6                    # to override the bait's usual speed

[target]
species = "dolphinfish"
min_depth_m = 60
max_depth_m = 4000

[data]
files = ["data/*.nc"]
max_age_h = 48                    # older temperature than this is used with a caution

[avoid]
files = ["closed_area.geojson"]
land_clearance_nm = 0.5

[show]
temperature = "C"
depth = "m"
height = "m"
distance = "nm"
speed = "kn"
fuel = "l"

[float_plan]                      # free text, printed on the float plan
boat = "7 m, white hull, blue canopy (invented)"
people = "Skipper and two crew (invented)"
contacts = "Write here who is to be called, and when"
notes = "Demonstration only: the sea in these files is invented"
"""


def write_sea_files(sea: xr.DataTree, folder: str | os.PathLike[str], *, overwrite: bool = False) -> Path:
    """Write a sea as product files under `folder`/data, with `closed_area.geojson` and `trip.toml`.

    Every file appears whole or not at all, and `trip.toml` last. A folder that already holds a trip file is
    refused unless `overwrite`.
    """
    folder = clear_folder(folder, overwrite=overwrite)
    data = make_folder(folder / "data")
    for name, (dataset, encoding) in _products(check_sea(sea)).items():
        _write_netcdf(dataset, encoding, data / name)
    write_text(folder / "closed_area.geojson", json.dumps(closed_area(), indent=1) + "\n")
    write_text(folder / TRIP_FILE, TRIP)
    return folder


def clear_folder(folder: str | os.PathLike[str], *, overwrite: bool) -> Path:
    """The folder, made where there is none; refused where it holds a trip file that must be left alone."""
    trip = Path(folder) / TRIP_FILE
    if trip.exists() and not overwrite:
        hint = "Give another folder, or write over it with --force"
        raise TripError(f"{trip} is already there", hint=hint)
    return make_folder(trip.parent)


def closed_area() -> dict[str, Any]:
    """A GeoJSON FeatureCollection with the invented sanctuary."""
    ring = [list(place) for place in (*SANCTUARY, SANCTUARY[0])]
    ring.reverse()  # RFC 7946: outer rings run anticlockwise
    properties = {"name": "Heron Rocks sanctuary", "kind": "closed area", "note": "invented"}
    geometry = {"type": "Polygon", "coordinates": [ring]}
    feature = {"type": "Feature", "properties": properties, "geometry": geometry}
    return {"type": "FeatureCollection", "features": [feature]}


def _products(sea: xr.DataTree) -> dict[str, tuple[xr.Dataset, dict[str, Any]]]:
    """Dataset and encoding by file name."""
    images = sea["temperature"].to_dataset()
    files = {}
    for number in range(images.sizes["time"]):
        image = images.isel(time=[number])
        stamp = pd.Timestamp(image["time"].values[0]).strftime("%Y%m%dT%H%M")
        files[f"sst_{stamp}.nc"] = _temperature_file(image)
    files["currents.nc"] = _currents_file(sea["currents"].to_dataset())
    files["wind.nc"] = _wind_file(sea["wind"].to_dataset())
    files["waves.nc"] = _waves_file(sea["waves"].to_dataset())
    files["chlorophyll.nc"] = _color_file(sea["color"].to_dataset())
    files["depth.nc"] = _depth_file(sea["depth"].to_dataset())
    return files


def _packed(dtype: str, fill: int, scale: float = 1.0, offset: float = 0.0) -> dict[str, Any]:
    return {
        "dtype": dtype,
        "_FillValue": fill,
        "scale_factor": scale,
        "add_offset": offset,
        "zlib": True,
    }


def _temperature_file(image: xr.Dataset) -> tuple[xr.Dataset, dict[str, Any]]:
    """GHRSST level 3: packed kelvin, quality flags, latitude from north to south."""
    sst = image["sst"] + KELVIN
    sst.attrs = {
        "standard_name": "sea_surface_temperature",
        "units": "kelvin",
        "long_name": "sea surface temperature",
    }
    seen = image["sst"].notnull()
    quality = xr.where(seen, np.int8(5), np.int8(0)).astype(np.int8)  # type: ignore[no-untyped-call]
    quality.attrs = {
        "long_name": "quality level of SST pixel",
        "flag_values": np.arange(6, dtype=np.int8),
        "flag_meanings": "no_data bad_data worst_quality low_quality acceptable_quality best_quality",
    }
    dataset = xr.Dataset(
        {"sea_surface_temperature": sst, "quality_level": quality.transpose("time", "lat", "lon")},
        attrs=_attributes(image, "GHRSST level 3 style"),
    ).isel(lat=slice(None, None, -1))
    encoding = {
        "sea_surface_temperature": _packed("int16", -32768, 0.01, KELVIN),
        "quality_level": {"dtype": "int8", "_FillValue": -128, "zlib": True},
        "time": {"units": SECONDS_1981, "dtype": "int32"},
    }
    return dataset, encoding


def _currents_file(currents: xr.Dataset) -> tuple[xr.Dataset, dict[str, Any]]:
    """HYCOM: packed m/s on one depth level, longitudes from 0 to 360, hours since 2000."""
    dataset = xr.Dataset(attrs=_attributes(currents, "HYCOM style"))
    for ours, theirs, way in (("u", "water_u", "eastward"), ("v", "water_v", "northward")):
        field = currents[ours].expand_dims(depth=[0.0], axis=1)
        field.attrs = {"standard_name": f"{way}_sea_water_velocity", "units": "m/s"}
        dataset[theirs] = field
    dataset["depth"].attrs = {"standard_name": "depth", "units": "m", "positive": "down", "axis": "Z"}
    dataset = dataset.assign_coords(lon=("lon", currents["lon"].values % 360.0, currents["lon"].attrs))
    packing = {name: _packed("int16", -30000, 0.001) for name in ("water_u", "water_v")}
    return dataset, packing | {"time": {"units": HOURS_2000, "dtype": "float64"}}


def _wind_file(wind: xr.Dataset) -> tuple[xr.Dataset, dict[str, Any]]:
    dataset = wind.rename(u10="ugrd10m", v10="vgrd10m").assign_attrs(_attributes(wind, "weather model style"))
    encoding: dict[str, Any] = {str(name): {"zlib": True} for name in dataset.data_vars}
    return dataset, encoding | {"time": {"units": HOURS_2000, "dtype": "float64"}}


def _waves_file(waves: xr.Dataset) -> tuple[xr.Dataset, dict[str, Any]]:
    dataset = waves.rename(hs="VHM0").assign_attrs(_attributes(waves, "wave model style"))
    return dataset, {
        "VHM0": _packed("int16", -32767, 0.01),
        "time": {"units": HOURS_2000, "dtype": "float64"},
    }


def _color_file(color: xr.Dataset) -> tuple[xr.Dataset, dict[str, Any]]:
    dataset = color.assign_attrs(_attributes(color, "ocean colour style"))
    encoding = {"chlor_a": {"zlib": True, "_FillValue": np.float32(-32767.0)}}
    return dataset, encoding | {"time": {"units": SECONDS_1981, "dtype": "int32"}}


def _depth_file(floor: xr.Dataset) -> tuple[xr.Dataset, dict[str, Any]]:
    """GEBCO: whole metres, up; land, of invented height, above zero."""
    depth = floor["depth"]
    water = depth.notnull()
    shore = floor["lon"].where(water).min("lon").fillna(floor["lon"].max())
    land = np.maximum(np.round(LAND_SLOPE * (shore - floor["lon"])), 3.0)
    height = xr.where(water, -depth, land)  # type: ignore[no-untyped-call]
    elevation = height.transpose("lat", "lon").astype(np.int16)
    elevation.attrs = {"standard_name": "height_above_mean_sea_level", "units": "m", "long_name": "elevation"}
    dataset = xr.Dataset({"elevation": elevation}, attrs=_attributes(floor, "GEBCO style"))
    return dataset, {"elevation": {"zlib": True}}


def _attributes(data: xr.Dataset, style: str) -> dict[str, Any]:
    return {
        "Conventions": "CF-1.8",
        "title": f"{data.attrs['source']} ({style}, invented data)",
        "source": data.attrs["source"],
        "license": data.attrs["license"],
        "credit": data.attrs["credit"],
    }


def _write_netcdf(dataset: xr.Dataset, encoding: dict[str, Any], path: Path) -> None:
    for axis in ("lat", "lon"):
        encoding = encoding | {axis: {"_FillValue": None}}
    with whole_file(path) as partial:
        dataset.to_netcdf(partial, encoding=encoding)
