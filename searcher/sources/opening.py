"""Opening files that may be anything: raw, closed again, and with one error for whatever is wrong."""

from __future__ import annotations

import os
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import xarray as xr
from scipy.io import netcdf_file

#: what a file that cannot be read makes the libraries beneath raise
UNREADABLE = (OSError, RuntimeError)
CLASSIC = (b"CDF\x01", b"CDF\x02")  # first bytes of netCDF-3 files


@contextmanager
def open_raw(path: str | os.PathLike[str]) -> Iterator[xr.Dataset]:
    """The file as it stands, nothing decoded, nothing read but the coordinates; closed at the end."""
    _check_whole(path)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of odd dimensions in variables that are never touched
            data = xr.open_dataset(
                path, engine="netcdf4", decode_cf=False, decode_timedelta=False, cache=False
            )
        with data:
            yield data
    except (AttributeError, UnicodeDecodeError) as error:
        # what the netCDF library says of an attribute that is damaged, and Python of a damaged name
        if isinstance(error, UnicodeDecodeError) or str(error).startswith("NetCDF"):
            raise OSError(str(error)) from error
        raise


def _check_whole(path: str | os.PathLike[str]) -> None:
    """Raise `OSError` where a netCDF-3 file is cut short: the netCDF library reads zeros past its end.

    (netCDF-4 files that are cut short the library refuses by itself.)
    """
    with open(path, "rb") as file:
        if file.read(4) not in CLASSIC:
            return
    try:
        whole = netcdf_file(path, mmap=True)  # lays every variable over the file, reads nothing
    except (ValueError, IndexError, TypeError, KeyError) as error:
        raise OSError("NetCDF: shorter than its header says") from error
    whole.variables.clear()
    whole.close()


def why_unreadable(path: Path, error: Exception) -> str:
    """One line on a file that raised one of `UNREADABLE`."""
    if not path.exists():
        return f"{path}: no such file"
    if path.is_dir():
        return f"{path}: a folder, expected a netCDF file"
    reason = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
    return (
        f"{path}: cannot be read as netCDF, damaged or cut short ({reason}); fetch it again, or take it away"
    )
