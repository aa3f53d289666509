"""Small files that imitate public ocean grids: their names, packing, axes, fills and flags.

Every function writes one netCDF file and returns its path. Values are given as they stand in the file
(packed counts for packed variables), so that a test says exactly what must come out. Where a file's layout
is not published beside it, it follows the products' own headers as known to the authors.
"""

from __future__ import annotations

from pathlib import Path

import netCDF4
import numpy as np

LAT = np.arange(-31.0, -29.4, 0.25)
LON = np.arange(152.5, 154.6, 0.25)
DAY = np.datetime64("2026-01-17T00:00:00", "s")
LAT_ATTRS = {"standard_name": "latitude", "units": "degrees_north", "axis": "Y"}
LON_ATTRS = {"standard_name": "longitude", "units": "degrees_east", "axis": "X"}


def write(path, axes: dict, fields: dict, attrs: dict | None = None, *, format="NETCDF4") -> Path:
    """Axes: name -> (values, attributes). Fields: name -> (dims, packed numbers, attributes)."""
    with netCDF4.Dataset(path, "w", format=format) as data:
        data.setncatts(attrs or {})
        for name, (values, _) in axes.items():
            data.createDimension(name, len(values))
        rows = {name: ((name,), values, about) for name, (values, about) in axes.items()} | fields
        for name, (dims, values, about) in rows.items():
            values, about = np.asarray(values), dict(about)
            fill = about.pop("_FillValue", None)
            variable = data.createVariable(name, values.dtype, dims, fill_value=fill)
            variable.set_auto_maskandscale(False)
            variable.setncatts(about)
            variable[...] = values
    return Path(path)


def count_since(times, start: str, unit: str) -> np.ndarray:
    """Times as a number of `unit` since `start`."""
    seconds = (np.atleast_1d(times).astype("datetime64[s]") - np.datetime64(start, "s")).astype(np.float64)
    return seconds / {"seconds": 1.0, "hours": 3600.0, "days": 86400.0}[unit]


def time_axis(times, start: str, unit: str, dtype=np.float64):
    return (
        count_since(times, start, unit).astype(dtype),
        {"standard_name": "time", "units": f"{unit} since {start.replace('T', ' ')}"},
    )


def grid(counts, times, lat, lon, dtype) -> np.ndarray:
    """Numbers on (time, lat, lon); one number is spread over all."""
    return np.broadcast_to(np.asarray(counts, dtype), (np.atleast_1d(times).size, len(lat), len(lon))).copy()


def mur(path, counts=1000, *, mask=1, times=DAY, lat=LAT, lon=LON) -> Path:
    """MUR L4: short, kelvin, scale 0.001, offset 298.15, fill -32768; a mask of bits."""
    dims = ("time", "lat", "lon")
    short = grid(counts, times, lat, lon, "i2")
    return write(
        path,
        {
            "time": time_axis(times, "1981-01-01T00:00:00", "seconds", "i4"),
            "lat": (np.asarray(lat, "f4"), LAT_ATTRS),
            "lon": (np.asarray(lon, "f4"), LON_ATTRS),
        },
        {
            "analysed_sst": (
                dims,
                short,
                {
                    "_FillValue": np.int16(-32768),
                    "long_name": "analysed sea surface temperature",
                    "standard_name": "sea_surface_foundation_temperature",
                    "units": "kelvin",
                    "add_offset": 298.15,
                    "scale_factor": 0.001,
                    "valid_min": np.int16(-32767),
                    "valid_max": np.int16(32767),
                },
            ),
            "analysis_error": (
                dims,
                short * 0 + 37,
                {
                    "_FillValue": np.int16(-32768),
                    "long_name": "estimated error standard deviation of analysed_sst",
                    "units": "kelvin",
                    "add_offset": 0.0,
                    "scale_factor": 0.01,
                },
            ),
            "mask": (
                dims,
                grid(mask, times, lat, lon, "i1"),
                {
                    "_FillValue": np.int8(-128),
                    "long_name": "sea/land field composite mask",
                    "flag_masks": np.array([1, 2, 4, 8, 16], "i1"),
                    "flag_meanings": "open_sea land open_lake open_sea_with_ice_in_the_grid "
                    "open_lake_with_ice_in_the_grid",
                },
            ),
            "sst_anomaly": (
                dims,
                short * 0 + 500,
                {
                    "_FillValue": np.int16(-32768),
                    "long_name": "SST anomaly from a seasonal SST climatology",
                    "units": "kelvin",
                    "add_offset": 0.0,
                    "scale_factor": 0.001,
                },
            ),
        },
        {"title": "Daily MUR SST, Final product", "license": "free and open", "id": "MUR-JPL-L4-GLOB-v04.1"},
    )


def ostia(path, counts=2600, *, mask=1, times=DAY, lat=LAT, lon=LON, long_names=False) -> Path:
    """OSTIA L4: short, kelvin, scale 0.01, offset 273.15; axes `lat`, `lon` or `latitude`, `longitude`."""
    y, x = ("latitude", "longitude") if long_names else ("lat", "lon")
    dims = ("time", y, x)
    about = {"_FillValue": np.int16(-32768), "units": "kelvin", "scale_factor": 0.01}
    return write(
        path,
        {
            "time": time_axis(times, "1981-01-01T00:00:00", "seconds", "i4"),
            y: (np.asarray(lat, "f4"), LAT_ATTRS),
            x: (np.asarray(lon, "f4"), LON_ATTRS),
        },
        {
            "analysed_sst": (
                dims,
                grid(counts, times, lat, lon, "i2"),
                about | {"standard_name": "sea_surface_foundation_temperature", "add_offset": 273.15},
            ),
            "analysis_error": (dims, grid(20, times, lat, lon, "i2"), about | {"add_offset": 0.0}),
            "mask": (
                dims,
                grid(mask, times, lat, lon, "i1"),
                {
                    "_FillValue": np.int8(-128),
                    "flag_masks": np.array([1, 2, 4, 8, 16], "i1"),
                    "flag_meanings": "water land optional_lake_surface sea_ice optional_river_surface",
                },
            ),
        },
        {"title": "Global SST and Sea Ice Analysis, L4 OSTIA"},
    )


def acspo(path, counts=2600, *, quality=5, bias=0, times=DAY, lat=LAT, lon=LON) -> Path:
    """ACSPO L3S: latitude descending, `quality_level`, `sses_bias`, fields of the picture beside it."""
    dims = ("time", "lat", "lon")
    kelvin = {"_FillValue": np.int16(-32768), "units": "kelvin", "scale_factor": 0.01, "add_offset": 273.15}
    lat = np.asarray(lat)[::-1]
    return write(
        path,
        {
            "time": time_axis(times, "1981-01-01T00:00:00", "seconds", "i4"),
            "lat": (lat.astype("f4"), LAT_ATTRS),
            "lon": (np.asarray(lon, "f4"), LON_ATTRS),
        },
        {
            "sea_surface_temperature": (
                dims,
                grid(counts, times, lat, lon, "i2"),
                kelvin | {"standard_name": "sea_surface_subskin_temperature"},
            ),
            "quality_level": (
                dims,
                grid(quality, times, lat, lon, "i1"),
                {"_FillValue": np.int8(-128), "flag_meanings": "no_data bad_data worst low acceptable best"},
            ),
            "sses_bias": (
                dims,
                grid(bias, times, lat, lon, "i1"),
                {"_FillValue": np.int8(-128), "units": "kelvin", "scale_factor": 0.016, "add_offset": 0.0},
            ),
            "sst_gradient_magnitude": (
                dims,
                grid(40, times, lat, lon, "i2"),
                {"_FillValue": np.int16(-32768), "units": "kelvin/km", "scale_factor": 0.001},
            ),
            "sst_front_position": (dims, grid(0, times, lat, lon, "i1"), {"_FillValue": np.int8(-128)}),
        },
        {"title": "ACSPO L3S-LEO sea surface temperature"},
    )


def hycom(path, *, u=250, v=-250, temp=6000, times=DAY, lat=LAT, lon=LON, depths=(0.0, 2.0)) -> Path:
    """HYCOM on a depth axis: shorts, scale 0.001, fill -30000, temperature +20, longitude 0-360."""
    dims = ("time", "depth", "lat", "lon")

    def levels(counts, below):
        surface = grid(counts, times, lat, lon, "i2")
        return np.stack(
            [surface if depth == min(depths) else surface * 0 + below for depth in depths], axis=1
        )

    packed = {"_FillValue": np.int16(-30000), "missing_value": np.int16(-30000), "scale_factor": 0.001}
    return write(
        path,
        {
            "time": time_axis(times, "2000-01-01T00:00:00", "hours"),
            "depth": (np.array(depths), {"standard_name": "depth", "units": "m", "positive": "down"}),
            "lat": (np.asarray(lat, "f8"), LAT_ATTRS),
            "lon": (np.asarray(lon, "f8") % 360.0, LON_ATTRS),
        },
        {
            "water_u": (
                dims,
                levels(u, 999),
                packed | {"standard_name": "eastward_sea_water_velocity", "units": "m/s", "add_offset": 0.0},
            ),
            "water_v": (
                dims,
                levels(v, 999),
                packed | {"standard_name": "northward_sea_water_velocity", "units": "m/s", "add_offset": 0.0},
            ),
            "water_temp": (
                dims,
                levels(temp, 0),
                packed | {"standard_name": "sea_water_temperature", "units": "degC", "add_offset": 20.0},
            ),
        },
        {"institution": "Fleet Numerical Meteorology and Oceanography Center"},
    )


def oscar(path, *, u=0.5, v=0.25, times=DAY, lat=LAT, lon=LON) -> Path:
    """OSCAR: dims (time, longitude, latitude), coordinates named `lat`, `lon`, longitude 0-360; total and
    geostrophic velocities side by side."""
    dims = ("time", "longitude", "latitude")
    turned = [grid(value, times, lon, lat, "f8") for value in (u, v, 0.1, 0.1)]
    units = {"_FillValue": -999.0, "units": "m s-1"}
    names = {
        "u": "eastward_sea_water_velocity",
        "v": "northward_sea_water_velocity",
        "ug": "geostrophic_eastward_sea_water_velocity",
        "vg": "geostrophic_northward_sea_water_velocity",
    }
    path = write(
        path,
        {"time": time_axis(times, "1990-01-01T00:00:00", "days")},
        {},
        {"title": "Ocean Surface Current Analyses Real-time (OSCAR) Surface Currents"},
    )
    with netCDF4.Dataset(path, "a") as data:
        for dim, name, values, about in (
            ("latitude", "lat", lat, LAT_ATTRS),
            ("longitude", "lon", np.asarray(lon) % 360.0, LON_ATTRS),
        ):
            data.createDimension(dim, len(values))
            data.createVariable(name, "f4", (dim,)).setncatts(about)
            data[name][:] = values
        for (name, standard_name), values in zip(names.items(), turned, strict=True):
            data.createVariable(name, "f8", dims, fill_value=units["_FillValue"])
            data[name].setncatts({"standard_name": standard_name, "units": "m s-1"})
            data[name][:] = values
    return path


def copernicus(path, *, u=410, v=-410, temp=6826, times=DAY, lat=LAT, lon=LON) -> Path:
    """Copernicus global 1/12° as older files pack it: shorts, fill -9999, one depth of 0.494 m."""
    dims = ("time", "depth", "latitude", "longitude")
    speed = {"_FillValue": np.int16(-9999), "units": "m s-1", "scale_factor": 0.0006103702, "add_offset": 0.0}
    heat = {
        "_FillValue": np.int16(-9999),
        "units": "degrees_C",
        "scale_factor": 0.0007324442,
        "add_offset": 21.0,
    }
    return write(
        path,
        {
            "time": time_axis(times, "1950-01-01T00:00:00", "hours", "f4"),
            "depth": (np.array([0.494025], "f4"), {"standard_name": "depth", "units": "m", "axis": "Z"}),
            "latitude": (np.asarray(lat, "f4"), LAT_ATTRS),
            "longitude": (np.asarray(lon, "f4"), LON_ATTRS),
        },
        {
            "uo": (
                dims,
                grid(u, times, lat, lon, "i2")[:, None],
                speed | {"standard_name": "eastward_sea_water_velocity"},
            ),
            "vo": (
                dims,
                grid(v, times, lat, lon, "i2")[:, None],
                speed | {"standard_name": "northward_sea_water_velocity"},
            ),
            "thetao": (
                dims,
                grid(temp, times, lat, lon, "i2")[:, None],
                heat | {"standard_name": "sea_water_potential_temperature"},
            ),
        },
        {"title": "daily mean fields from Global Ocean Physics Analysis and Forecast updated Daily"},
    )


def altimetry(path, *, whole=True, times=DAY, lat=LAT, lon=LON) -> Path:
    """Altimetry L4: 32-bit integers, days since 1950; whole velocities (unless not `whole`) and anomalies."""
    dims = ("time", "latitude", "longitude")
    packed = {"_FillValue": np.int32(-2147483647), "scale_factor": 1e-4, "coordinates": "longitude latitude"}
    geostrophic = "surface_geostrophic_{}ward_sea_water_velocity"
    rows = {
        "sla": ("sea_surface_height_above_sea_level", "m", 1234),
        "ugosa": (geostrophic.format("east") + "_assuming_sea_level_for_geoid", "m/s", 40000),
        "vgosa": (geostrophic.format("north") + "_assuming_sea_level_for_geoid", "m/s", 40000),
    }
    if whole:
        rows |= {
            "adt": ("sea_surface_height_above_geoid", "m", 8000),
            "ugos": (geostrophic.format("east"), "m/s", 3000),
            "vgos": (geostrophic.format("north"), "m/s", -2000),
        }
    return write(
        path,
        {
            "time": time_axis(times, "1950-01-01T00:00:00", "days", "f4"),
            "latitude": (np.asarray(lat, "f4"), LAT_ATTRS),
            "longitude": (np.asarray(lon, "f4"), LON_ATTRS),
        },
        {"crs": ((), np.int32(0), {"grid_mapping_name": "latitude_longitude"})}
        | {
            name: (
                dims,
                grid(count, times, lat, lon, "i4"),
                packed | {"standard_name": standard_name, "units": units},
            )
            for name, (standard_name, units, count) in rows.items()
        },
        {"title": "NRT merged all satellites Global Ocean Gridded Sea Surface Height L4"},
    )


def chlorophyll(path, values=0.25, *, lat=LAT, lon=LON) -> Path:
    """A mapped ocean colour picture: no time axis, latitude descending, hours only in the attributes."""
    lat = np.asarray(lat)[::-1]
    return write(
        path,
        {"lat": (lat.astype("f4"), LAT_ATTRS), "lon": (np.asarray(lon, "f4"), LON_ATTRS)},
        {
            "chlor_a": (
                ("lat", "lon"),
                grid(values, DAY, lat, lon, "f4")[0],
                {
                    "_FillValue": np.float32(-32767),
                    "long_name": "Chlorophyll Concentration, OCI Algorithm",
                    "standard_name": "mass_concentration_of_chlorophyll_in_sea_water",
                    "units": "mg m^-3",
                },
            )
        },
        {
            "title": "Level-3 Standard Mapped Image",
            "time_coverage_start": "2026-01-16T00:30:00.000Z",
            "time_coverage_end": "2026-01-17T02:30:00.000Z",
        },
    )


def gfs(path, *, u=3.0, v=-4.0, times=DAY, lat=LAT, lon=LON) -> Path:
    """GFS wind at 10 m: floats, longitude 0-360, seconds since 1970."""
    dims = ("time", "latitude", "longitude")
    rows = {"ugrd10m": ("eastward_wind", u), "vgrd10m": ("northward_wind", v)}
    return write(
        path,
        {
            "time": time_axis(times, "1970-01-01T00:00:00", "seconds"),
            "latitude": (np.asarray(lat, "f4"), LAT_ATTRS),
            "longitude": (np.asarray(lon, "f4") % 360.0, LON_ATTRS),
        },
        {
            name: (
                dims,
                grid(value, times, lat, lon, "f4"),
                {"_FillValue": np.float32(-9999), "standard_name": standard_name, "units": "m s-1"},
            )
            for name, (standard_name, value) in rows.items()
        },
        {"title": "NCEP Global Forecast System (GFS) Atmospheric Model"},
    )


def waves(path, *, height=1.5, times=DAY, lat=LAT, lon=LON) -> Path:
    """A global wave model: a dummy depth axis, longitude 0-360, height, period and direction."""
    dims = ("time", "depth", "latitude", "longitude")
    rows = {
        "Tdir": ("sea_surface_wave_from_direction", "degrees", 90.0),
        "Tper": ("sea_surface_wave_period_at_variance_spectral_density_maximum", "second", 9.0),
        "Thgt": ("sea_surface_wave_significant_height", "meters", height),
    }
    return write(
        path,
        {
            "time": time_axis(times, "1970-01-01T00:00:00", "seconds"),
            "depth": (np.array([0.0], "f4"), {"standard_name": "depth", "units": "meters", "axis": "Z"}),
            "latitude": (np.asarray(lat, "f4"), LAT_ATTRS),
            "longitude": (np.asarray(lon, "f4") % 360.0, LON_ATTRS),
        },
        {
            name: (
                dims,
                grid(value, times, lat, lon, "f4")[:, None],
                {"_FillValue": np.float32(np.nan), "standard_name": standard_name, "units": units},
            )
            for name, (standard_name, units, value) in rows.items()
        },
        {"title": "WaveWatch III (WW3) Global Wave Model"},
    )


def gebco(path, elevation, *, lat=LAT, lon=LON) -> Path:
    """GEBCO: `elevation` in whole metres, up; no time."""
    return write(
        path,
        {"lat": (np.asarray(lat, "f8"), LAT_ATTRS), "lon": (np.asarray(lon, "f8"), LON_ATTRS)},
        {
            "elevation": (
                ("lat", "lon"),
                grid(elevation, DAY, lat, lon, "i2")[0],
                {
                    "standard_name": "height_above_mean_sea_level",
                    "long_name": "Elevation relative to sea level",
                    "units": "m",
                },
            )
        },
        {"title": "The GEBCO_2024 Grid - a continuous terrain model for oceans and land"},
    )


# ---- grids that are not of longitudes and latitudes ------------------------------------------------------


def rtofs(path, *, temp, u, v, lon, lat, times=DAY) -> Path:
    """RTOFS 2ds: 2-D `Longitude` (74-434) and `Latitude`, counted axes lettered X and Y, a layer of one,
    days since 1900-12-31, a huge fill. `lon` and `lat` are 2-D, as are the fields."""
    rows, columns = lon.shape
    fill = {"_FillValue": np.float32(1.267651e30), "coordinates": "Longitude Latitude Date"}

    def floats(values):
        return np.broadcast_to(np.where(np.isnan(values), 1.267651e30, values), (1, rows, columns)).astype(
            "f4"
        )

    return write(
        path,
        {
            "MT": (
                count_since(times, "1900-12-31T00:00:00", "days"),
                {
                    "long_name": "time",
                    "units": "days since 1900-12-31 00:00:00",
                    "calendar": "standard",
                    "axis": "T",
                },
            ),
            "Layer": (np.array([1], "i4"), {"units": "layer", "positive": "down", "axis": "Z"}),
            "Y": (np.arange(1, rows + 1, dtype="i4"), {"point_spacing": "even", "axis": "Y"}),
            "X": (np.arange(1, columns + 1, dtype="i4"), {"point_spacing": "even", "axis": "X"}),
        },
        {
            "Date": (("MT",), np.array([20260117.0]), {"long_name": "date", "units": "day as %Y%m%d.%f"}),
            "Latitude": (
                ("Y", "X"),
                lat.astype("f4"),
                {"standard_name": "latitude", "units": "degrees_north"},
            ),
            "Longitude": (
                ("Y", "X"),
                ((lon - 74.0) % 360.0 + 74.0).astype("f4"),
                {"standard_name": "longitude", "units": "degrees_east", "modulo": "360 degrees"},
            ),
            "u_velocity": (
                ("MT", "Layer", "Y", "X"),
                floats(u)[:, None],
                fill
                | {"standard_name": "eastward_sea_water_velocity", "units": "m/s", "long_name": " u-veloc."},
            ),
            "v_velocity": (
                ("MT", "Layer", "Y", "X"),
                floats(v)[:, None],
                fill | {"standard_name": "northward_sea_water_velocity", "units": "m/s"},
            ),
            "sst": (
                ("MT", "Y", "X"),
                floats(temp),
                fill | {"standard_name": "sea_surface_temperature", "units": "degC"},
            ),
        },
        {"title": "HYCOM ATLb2.00", "institution": "National Centers for Environmental Prediction"},
    )


def roms(
    path, lon, lat, *, temp, east, north, angle, mask=None, times=DAY, degrees=False, own_places=True
) -> Path:
    """ROMS: nodes `rho` for scalars, `u` half a step along xi and `v` half a step along eta beside them,
    components along xi and eta, `angle` from east to xi; places claim to be in metres. Functions of longitude
    and latitude give the fields; `angle` is a number on every node."""
    stagger = {
        "rho": lambda values: values,
        "u": lambda values: (values[:, 1:] + values[:, :-1]) / 2,
        "v": lambda values: (values[1:] + values[:-1]) / 2,
    }
    places = {at: (move(lon), move(lat), move(angle)) for at, move in stagger.items()}
    mask = np.ones(lon.shape) if mask is None else mask
    fields: dict = {}
    for at, (x, y, _) in places.items():
        if own_places or at == "rho":
            dims = (f"eta_{at}", f"xi_{at}")
            fields |= {
                f"lon_{at}": (dims, x, {"units": "meters"}),
                f"lat_{at}": (dims, y, {"units": "meters"}),
            }

    def along(at):
        x, y, turn = places[at]
        e, n = east(x, y), north(x, y)
        return e * np.cos(turn) + n * np.sin(turn) if at == "u" else n * np.cos(turn) - e * np.sin(turn)

    rows = {
        "temp": ("rho", temp(lon, lat), {"units": "Celsius", "long_name": "potential temperature"}),
        "u": ("u", along("u"), {"units": "meter second-1", "long_name": "u-momentum component"}),
        "v": ("v", along("v"), {"units": "meter second-1", "long_name": "v-momentum component"}),
    }
    for name, (at, values, about) in rows.items():
        dims = ("ocean_time", f"eta_{at}", f"xi_{at}")
        about = about | ({"coordinates": f"lat_{at} lon_{at}"} if own_places else {}) | {"time": "ocean_time"}
        fields[name] = (dims, values[None].astype("f4"), about)
    dims = ("eta_rho", "xi_rho")
    units, turn = ("degrees", np.degrees(angle)) if degrees else ("radians", angle)
    fields["angle"] = (dims, turn, {"units": units, "long_name": "angle between XI-axis and EAST"})
    fields["mask_rho"] = (
        dims,
        mask,
        {
            "flag_values": np.array([0.0, 1.0]),
            "flag_meanings": "land water",
            "long_name": "mask on RHO-points",
        },
    )
    with netCDF4.Dataset(path, "w") as data:
        hours, about = time_axis(times, "2026-01-16T00:00:00", "hours")
        sizes = {"ocean_time": hours.size} | {f"eta_{at}": place[0].shape[0] for at, place in places.items()}
        sizes |= {f"xi_{at}": place[0].shape[1] for at, place in places.items()}
        for name, size in sizes.items():
            data.createDimension(name, size)
        about = about | {"long_name": "time since initialization", "calendar": "proleptic_gregorian"}
        about.pop("standard_name")
        fields["ocean_time"] = (("ocean_time",), hours, about)
        for name, (dims, values, said) in fields.items():
            variable = data.createVariable(name, values.dtype, dims)
            variable.setncatts(said)
            variable[...] = values
    return Path(path)


def projected(path, crs, x, y, fields: dict, *, units="m", times=DAY) -> Path:
    """Axes x, y in metres (or `units`) and a CF grid mapping of a pyproj CRS; fields: name -> (values on
    (y, x), attributes)."""
    axis = {"long_name": "coordinate of the projection", "units": units}
    angular = "angular_" if units == "rad" else ""
    rows = {"crs": ((), np.int32(0), {k: v for k, v in crs.to_cf().items() if k != "crs_wkt"})}
    rows |= {
        name: (("time", "y", "x"), np.asarray(values)[None], {"grid_mapping": "crs"} | about)
        for name, (values, about) in fields.items()
    }
    return write(
        path,
        {
            "time": time_axis(times, "1970-01-01T00:00:00", "seconds"),
            "y": (y, axis | {"standard_name": f"projection_y_{angular}coordinate", "axis": "Y"}),
            "x": (x, axis | {"standard_name": f"projection_x_{angular}coordinate", "axis": "X"}),
        },
        rows,
    )


def hf_radar(path, *, u=25, v=-25, units="cm s-1", scale=1.0, flag=None, times=DAY, lat=LAT, lon=LON) -> Path:
    """HF radar: shorts, gaps, dilution of precision, and the one flag that sums up the tests of QARTOD
    (1 pass, 2 not evaluated, 3 suspect, 4 fail, 9 missing)."""
    dims = ("time", "lat", "lon")
    about = {
        "_FillValue": np.int16(-32768),
        "units": units,
        "scale_factor": scale,
        "ancillary_variables": "hdop primary_flag",
    }
    fields = {
        name: (
            dims,
            grid(counts, times, lat, lon, "i2"),
            about | {"standard_name": f"surface_{axis}_sea_water_velocity"},
        )
        for name, counts, axis in (("u", u, "eastward"), ("v", v, "northward"))
    }
    fields["hdop"] = (dims, grid(1, times, lat, lon, "i2"), {"long_name": "horizontal dilution of precision"})
    fields["primary_flag"] = (
        dims,
        grid(1 if flag is None else flag, times, lat, lon, "i1"),
        {
            "flag_values": np.array([1, 2, 3, 4, 9], "i1"),
            "flag_meanings": "pass not_evaluated suspect fail missing",
            "standard_name": "aggregate_quality_flag",
        },
    )
    return write(
        path,
        {
            "time": time_axis(times, "1970-01-01T00:00:00", "seconds", "i4"),
            "lat": (np.asarray(lat, "f4"), LAT_ATTRS),
            "lon": (np.asarray(lon, "f4"), LON_ATTRS),
        },
        fields,
        {"title": "Near-Real Time Surface Ocean Velocity"},
    )


def plain(path, name, values, about, *, times=DAY, lat=LAT, lon=LON, dtype="f4") -> Path:
    """One variable on (time, lat, lon), as it stands."""
    return write(
        path,
        {
            "time": time_axis(times, "1970-01-01T00:00:00", "seconds"),
            "lat": (np.asarray(lat, "f8"), LAT_ATTRS),
            "lon": (np.asarray(lon, "f8"), LON_ATTRS),
        },
        {name: (("time", "lat", "lon"), grid(values, times, lat, lon, dtype), about)},
    )
