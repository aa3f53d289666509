"""A region cut from a global picture of 0.01°: what is read of it, how long it takes, how much memory.

The file has the shape and the chunks of the MUR analysis (17 999 × 36 000 shorts in chunks of 1023 × 2047,
its layout as known to the authors), but only the chunks around the regions are written; all others are fill.
Each way of reading runs in a process of its own, whose peak memory the kernel counts.

    python tests/bench/subset.py [--quick]
"""

from __future__ import annotations

import argparse
import json
import re
import resource
import subprocess
import sys
import tempfile
from pathlib import Path
from time import perf_counter

import netCDF4
import numpy as np
import xarray as xr
from timing import print_table, read_options, say

from searcher.geo import Region
from searcher.sources import load_sea
from searcher.sources.files import read_fields, survey_file

ROWS, COLUMNS = 17_999, 36_000
CHUNK = (1023, 2047)
REGIONS = {"a day's run": Region(151.0, -33.0, 157.0, -28.0), "a sea": Region(148.0, -44.0, 168.0, -24.0)}
LAT = (-89.99 + 0.01 * np.arange(ROWS)).astype("f4")
LON = (-179.99 + 0.01 * np.arange(COLUMNS)).astype("f4")


def write_globe(path: Path) -> None:
    """A global picture of which only the chunks around the region are there: a front, waves and noise."""
    with netCDF4.Dataset(path, "w") as data:
        for name, values, units in (("lat", LAT, "degrees_north"), ("lon", LON, "degrees_east")):
            data.createDimension(name, values.size)
            axis = data.createVariable(name, "f4", (name,))
            axis.setncatts({"standard_name": "latitude" if name == "lat" else "longitude", "units": units})
            axis[:] = values
        data.createDimension("time", 1)
        time = data.createVariable("time", "i4", ("time",))
        time.setncatts({"standard_name": "time", "units": "seconds since 1981-01-01 00:00:00"})
        time[:] = 1_421_312_400
        sst = data.createVariable(
            "analysed_sst",
            "i2",
            ("time", "lat", "lon"),
            zlib=True,
            complevel=6,
            shuffle=True,
            chunksizes=(1, *CHUNK),
            fill_value=-32768,
        )
        about = {"standard_name": "sea_surface_foundation_temperature", "units": "kelvin"}
        sst.setncatts(about | {"add_offset": 298.15, "scale_factor": 0.001})
        sst.set_auto_maskandscale(False)
        rng = np.random.default_rng(0)
        for rows, columns in chunks_of(REGIONS["a sea"]):
            y, x = LAT[rows][:, None], LON[columns][None]
            field = 2000 * np.tanh((x - 153.5 - 0.2 * np.sin(2 * y)) * 20) + 300 * np.cos(8 * x) * np.sin(
                9 * y
            )
            sst[0, rows, columns] = (field + rng.normal(0, 50, field.shape)).astype("i2")


def write_currents(path: Path) -> None:
    """A small file of currents beside it, so that there is a sea to load."""
    with netCDF4.Dataset(path, "w") as data:
        for name, values in (("lat", np.arange(-36.0, -24.9, 0.25)), ("lon", np.arange(148.0, 160.1, 0.25))):
            data.createDimension(name, values.size)
            data.createVariable(name, "f8", (name,))[:] = values
        data.createDimension("time", 1)
        data.createVariable("time", "i4", ("time",)).units = "seconds since 1981-01-01 00:00:00"
        data["time"][:] = 1_421_312_400
        for name in ("uo", "vo"):
            data.createVariable(name, "f4", ("time", "lat", "lon")).units = "m s-1"
            data[name][:] = 0.25


def chunks_of(region: Region) -> list[tuple[slice, slice]]:
    """The chunks that hold a region and one node around it."""
    spans = []
    for axis, low, high, size in (
        (LAT, region.south, region.north, CHUNK[0]),
        (LON, region.west, region.east, CHUNK[1]),
    ):
        first, last = np.searchsorted(axis, [low - 0.011, high + 0.011])
        spans.append(
            [slice(k * size, min((k + 1) * size, axis.size)) for k in range(first // size, last // size + 1)]
        )
    return [(rows, columns) for rows in spans[0] for columns in spans[1]]


def chunks_read(path: Path, region: Region) -> int:
    """How many chunks the index box of our own reading touches."""
    (field,), _, _ = survey_file(path, region)
    count = 1
    for runs, size, length in ((field.lat.runs, CHUNK[0], ROWS), (field.lon.runs, CHUNK[1], COLUMNS)):
        touched = {index // size for run in runs for index in range(*run.indices(length))}
        count *= len(touched)
    return count


def read_ours(folder: Path, region: Region) -> np.ndarray:
    sources = [folder / "globe.nc", folder / "currents.nc"]
    return load_sea(region, sources=sources)["temperature"]["sst"].values


def read_field(folder: Path, region: Region) -> np.ndarray:
    path = folder / "globe.nc"
    (field,), _, _ = survey_file(path, region)
    return read_fields(path, [(field, np.array([0]))], min_quality=5)[0]


def read_xarray(folder: Path, region: Region) -> np.ndarray:
    with xr.open_dataset(folder / "globe.nc") as data:
        lat, lon = (
            slice(region.south - 0.01, region.north + 0.01),
            slice(region.west - 0.01, region.east + 0.01),
        )
        return (data["analysed_sst"].sel(lat=lat, lon=lon) - 273.15).astype("f4").values


WAYS = {"load_sea": read_ours, "its field alone": read_field, "xarray open + sel": read_xarray}


def run_alone(way: str, size: str, folder: Path, rounds: int) -> dict:
    """Median seconds (after one warm-up), peak memory in bytes, cells: in a process of its own."""
    words = [sys.executable, __file__, "--way", way, "--size", size, "--folder", str(folder)]
    words += ["--rounds", str(rounds)]
    return json.loads(subprocess.run(words, check=True, capture_output=True, text=True).stdout)


def report_alone(way: str, region: Region, folder: Path, rounds: int) -> None:
    bare = peak_memory()
    values = WAYS[way](folder, region)
    seconds = []
    for _ in range(rounds):
        start = perf_counter()
        values = WAYS[way](folder, region)
        seconds.append(perf_counter() - start)
    row = {
        "seconds": float(np.median(seconds)),
        "peak": peak_memory(),
        "bare": bare,
        "cells": int(values.size),
    }
    print(json.dumps(row))


def peak_memory() -> int:
    """Most bytes this process has held. Linux's `getrusage` would count those of the process it was forked
    from, its `status` file does not."""
    status = Path("/proc/self/status")
    if status.exists():
        return 1024 * int(re.search(r"VmHWM:\s+(\d+) kB", status.read_text())[1])
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * (1 if sys.platform == "darwin" else 1024)


def main() -> None:
    options = read_options(__doc__)
    sizes = list(REGIONS)[:1] if options.quick else list(REGIONS)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        say("writing the globe")
        write_globe(folder / "globe.nc")
        write_currents(folder / "currents.nc")
        disk = (folder / "globe.nc").stat().st_size / 1e6
        print(f"{ROWS * COLUMNS * 2 / 1e9:.2f} GB of shorts, {disk:.0f} MB of them on disk")
        most = max(measure(size, folder, 1 if options.quick else 5) for size in sizes)
    if most > 1e9:
        sys.exit(f"load_sea took {most / 1e6:.0f} MB, expected under 1000")


def measure(size: str, folder: Path, rounds: int) -> float:
    """Print one table; the peak memory of `load_sea`."""
    region = REGIONS[size]
    np.testing.assert_allclose(read_field(folder, region)[0], read_xarray(folder, region)[0], atol=4e-5)
    found = {way: run_alone(way, size, folder, rounds) for way in WAYS}
    touched, whole = chunks_read(folder / "globe.nc", region), -(-ROWS // CHUNK[0]) * -(-COLUMNS // CHUNK[1])
    base = found["xarray open + sel"]["seconds"]
    box = f"{region.east - region.west:g} × {region.north - region.south:g}°"
    print_table(
        f"{size}: {box}, {touched} chunks of {whole}",
        ["way", "cells", "s", "speed / xarray's", "peak MB", "of them libraries"],
        [
            [way, row["cells"], row["seconds"], base / row["seconds"], row["peak"] / 1e6, row["bare"] / 1e6]
            for way, row in found.items()
        ],
    )
    return found["load_sea"]["peak"]


if __name__ == "__main__":
    if "--way" in sys.argv:
        parser = argparse.ArgumentParser()
        parser.add_argument("--way", choices=WAYS)
        parser.add_argument("--size", choices=REGIONS)
        parser.add_argument("--folder", type=Path)
        parser.add_argument("--rounds", type=int)
        given = parser.parse_args()
        report_alone(given.way, REGIONS[given.size], given.folder, given.rounds)
    else:
        main()
