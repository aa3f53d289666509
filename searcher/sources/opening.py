"""Files that may be anything: opened raw and closed again, written, with one error for whatever is wrong."""

from __future__ import annotations

import os
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import xarray as xr
from scipy.io import netcdf_file

from searcher.errors import SourceError

#: what a file that cannot be read makes the libraries beneath raise
UNREADABLE = (OSError, RuntimeError)
#: first bytes of netCDF files: of netCDF-3 (classic, 64-bit offset; CDF-5), and of HDF5, which netCDF-4 is
CLASSIC, CDF5, HDF5 = (b"CDF\x01", b"CDF\x02"), b"CDF\x05", b"\x89HDF"
KINDS = (*CLASSIC, CDF5, HDF5)


class Refused(OSError):
    """A file that is not even tried, in words that stand for themselves."""


@contextmanager
def open_raw(path: str | os.PathLike[str]) -> Iterator[xr.Dataset]:
    """The file as it stands, nothing decoded, nothing read but the coordinates; closed at the end."""
    _check_name(path)
    _check_whole(path)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of odd dimensions in variables that are never touched
            data = open_lazily(path)
        with data:
            yield data
    except (AttributeError, UnicodeDecodeError) as error:
        # what the netCDF library says of an attribute that is damaged, and Python of a damaged name
        if isinstance(error, UnicodeDecodeError) or str(error).startswith("NetCDF"):
            raise OSError(str(error)) from error
        raise


def open_lazily(source: str | os.PathLike[str]) -> xr.Dataset:
    """A file or an address, undecoded. Files are opened by `open_raw`, which sees whether they are whole."""
    return xr.open_dataset(source, engine="netcdf4", decode_cf=False, decode_timedelta=False, cache=False)


def _check_name(path: str | os.PathLike[str]) -> None:
    try:
        os.fspath(path).encode()
    except UnicodeEncodeError as error:
        raise Refused("a name that is not UTF-8, which the netCDF library cannot open; rename it") from error


def _check_whole(path: str | os.PathLike[str]) -> None:
    """Raise `OSError` where a netCDF-3 file is cut short: the netCDF library reads zeros past its end.

    (netCDF-4 files that are cut short the library refuses by itself.)
    """
    with open(path, "rb") as file:
        start = file.read(4)
    if start == CDF5:
        raise Refused(
            "netCDF of the kind CDF-5, of which it cannot be told whether it is whole; "
            "turn it into netCDF-4: nccopy -k nc4 OLD.nc NEW.nc"
        )
    if start in CLASSIC and not _is_whole(path):
        raise OSError("NetCDF: shorter than its header says")


def _is_whole(path: str | os.PathLike[str]) -> bool:
    """Whether a netCDF-3 file holds all its variables.

    The fault of one that does not ends here: it keeps the file open, which Windows then would not remove.
    """
    try:
        whole = netcdf_file(path, mmap=True)  # lays every variable over the file, reads nothing
    except (ValueError, IndexError, TypeError, KeyError):
        return False
    whole.variables.clear()
    whole.close()
    return True


def why_unreadable(path: Path, error: Exception) -> str:
    """Why a file cannot be read that raised one of `UNREADABLE`, and what to do; without its name."""
    if not path.exists():
        return "no such file"
    if path.is_dir():
        return "a folder, expected a netCDF file"
    if isinstance(error, Refused):
        return str(error)
    return f"cannot be read as netCDF, damaged or cut short ({_say(error)}); fetch it again"


@contextmanager
def writing(path: Path) -> Iterator[None]:
    """Tells what a full disk makes the libraries beneath raise in here from what a bad file does."""
    try:
        yield
    except UNREADABLE as error:
        raise SourceError(
            f"{path.parent} takes no file: {_say(error)}", hint="See whether the disk is full"
        ) from error


def _say(error: Exception) -> str:
    return getattr(error, "strerror", None) or str(error)
